"""What consumable_life says of lives: how long items last, what they cost, early removals, oil."""

from wearbar.parts.items import PLACE
from wearbar.report.quantities import MISSING, plural
from wearbar.report.template import coded, words_of
from wearbar.report.words.wear import what_of

# notes in two words; the table's own note says what they mean
DOUBTS = ("beyond the data", "few ends", "no end", "few vehicles", "one vehicle", "not bounded")
CAUSES = {"removed-early": "removed early", "age": "its time was up"}
RATES = {"rate": "ml_per_1000km", "low": "low", "high": "high"}


def _doubt(note):
    return [next((words for words in DOUBTS if words in text), "") for text in note]


def life_table(table):
    return table.assign(what=what_of(table, table["place_on"]), doubt=_doubt(table["note"]))


def cost_table(table):
    scaled = {"cost": "cost_per_km", "low": "low_per_km", "high": "high_per_km"}
    return table.assign(
        **{new: 1000 * table[old] for new, old in scaled.items()},
        off=[f"{a:,} of {b:,}" for a, b in zip(table["n_off"], table["n"], strict=True)],
        spent=table["price"] + table["fitting"],
        what=what_of(table.drop(columns="vehicles"), table["place_on"]),
        doubt=_doubt(table["note"]),
    )


def comparable(cost):
    """The items with a cost that have another beside them at their place, the places by cost."""
    rows = cost[cost["cost_per_km"].notna()]
    by_place = rows.groupby(PLACE)["cost_per_km"]
    rows = rows.assign(most=-by_place.transform("max"))[by_place.transform("size") > 1]
    return rows.sort_values(["most", *PLACE, "cost_per_km"])


def pairs_table(pairs, show):
    ends = zip(pairs["break_even_low"], pairs["break_even_high"], strict=True)
    return pairs.assign(
        what=what_of(pairs, pairs["place_on"]),
        worth=[show.range(*pair, "money") for pair in ends],
        needed=pairs["lives_needed"].map(_needed),
        verdict=pairs["apart"].map({True: "yes, costs less", False: "no"}),
    )


def _needed(n):
    if n == 0:
        return MISSING
    return "too near to settle" if n < 0 or n > 2000 else f"about {plural(n, 'part')}"


def early_table(table):
    return table.assign(cause=table["cause"].replace(CAUSES), category=table["category"].map(coded))


def curves(service, spans):
    """What the curves rest on: parts followed, those on before the record, and those left out."""
    known, is_late = spans["seen_km"].notna(), spans["age_known"] & (spans["entry_km"] > 0)
    return words_of("consumable_life")(
        "curves",
        n=service["part_key"].nunique(),
        off=service["came_off"].sum(),
        late=is_late.sum(),
        unseen=service.loc[service["cause"].eq("record-gap"), "part_key"].nunique(),
        ageless=spans[~spans["age_known"] & known],
        uncounted=(~known).sum(),
    )


def oil(table, kinds, show):
    """How much oil engines use by kind, or by vehicle, for whom it is not known, what to note."""
    known = table["why_not"].eq("")
    why = table[~known].groupby("why_not").size().reset_index(name="n")
    view = {"kinds": kinds, "known": table[known].head(0 if len(kinds) else 4), "refused": why}
    return words_of("consumable_life", show=show)("oil", n=len(table), **view)


def oil_table(table, show):
    """Oil by vehicle in the reader's units."""
    turned = {name: show.units.to_km(table[old]) for name, old in RATES.items()}
    return table.assign(**turned, distance_km=table["distance_km"].where(table["why_not"].eq("")))
