"""What consumable_life says of lives: how long items last, what they cost, early removals."""

import numpy as np

from wearbar.parts import MIN_ENDS
from wearbar.parts.items import PLACE
from wearbar.report.quantities import MISSING, clean, plural
from wearbar.report.template import coded
from wearbar.report.words.wear import SAY, what_of

# notes in two words; the table's own note says what they mean
DOUBTS = ("beyond the data", "few ends", "no end", "few vehicles", "one vehicle", "not bounded")
CAUSES = {"removed-early": "removed early", "age": "its time was up"}


def _doubt(note):
    return [next((words for words in DOUBTS if words in text), "") for text in note]


def life_table(table):
    return table.assign(what=what_of(table, table["place_on"]), doubt=_doubt(table["note"]))


def life_note(table):
    few = int((table["n_ended"] < MIN_ENDS).sum()) if len(table) else 0
    between = int(table["n_between"].sum()) if len(table) else 0
    return SAY("life_note", n=len(table), few=few, between=between)


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
    rows = rows.assign(_place=by_place.transform("max"), _size=by_place.transform("size"))
    order = ["_place", *PLACE, "cost_per_km"]
    rows = rows[rows["_size"] > 1].sort_values(order, ascending=[False] * 1 + [True] * 4)
    return rows.drop(columns=["_place", "_size"])


def alt_cost(cost, show):
    rate = comparable(cost)["cost_per_km"]
    return SAY("alt_cost", n=len(rate), least=rate.min(), most=rate.max(), show=show)


def pairs_said(pairs):
    return SAY("pairs", n=len(pairs), clear=int(pairs["apart"].sum()) if len(pairs) else 0)


def pairs_table(pairs, show):
    ends = pairs[["break_even_low", "break_even_high"]].to_numpy()
    return pairs.assign(
        what=what_of(pairs, pairs["place_on"]),
        worth=[show.range(*pair, "money") for pair in ends],
        needed=[_needed(n) for n in pairs["lives_needed"]],
        verdict=np.where(pairs["apart"], "yes, costs less", "no"),
    )


def _needed(n):
    if n == 0:
        return MISSING
    return "too near to settle" if n < 0 or n > 2000 else f"about {plural(n, 'part')}"


def early(table):
    known = table[table["wasted"].notna()] if len(table) else table
    n_known = int(known["n_known"].sum()) if len(known) else 0
    return SAY("early", n=int(table["n"].sum()) if len(table) else 0, n_known=n_known)


def early_table(table):
    return table.assign(cause=table["cause"].replace(CAUSES), category=table["category"].map(coded))


def worth_curves(service):
    """Whether any place has three parts that were removed."""
    return bool((service.groupby(PLACE)["came_off"].sum() >= 3).any())


def has_cost(cost):
    """Whether two items of one place have a cost each."""
    return len(cost) > 0 and not comparable(cost).empty


def curves(service, spans):
    """What the curves rest on: parts followed, those on before the record, and those left out."""
    ageless = spans[~spans["age_known"] & spans["seen_km"].notna()]
    names = [
        clean(f"{r.vehicle} {r.last_position} {coded(r.category)}", 60)
        for r in ageless.itertuples()
    ]
    return SAY(
        "curves",
        n=service["part_key"].nunique(),
        off=int(service["came_off"].sum()),
        late=int((spans["age_known"] & (spans["entry_km"] > 0)).sum()) if len(service) else 0,
        unseen=service.loc[service["cause"].eq("record-gap"), "part_key"].nunique(),
        ageless=names,
        uncounted=int(spans["seen_km"].isna().sum()),
    )
