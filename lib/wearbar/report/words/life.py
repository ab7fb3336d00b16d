"""What consumable_life says of lives: how long items last, what they cost, early removals, oil."""

from wearbar.parts.items import PLACE
from wearbar.report.template import words_of

RATES = {"rate": "ml_per_1000km", "low": "low", "high": "high"}


def cost_table(table):
    """What items cost per 1,000 units of distance, and all that was spent on them."""
    scaled = {"cost": "cost_per_km", "low": "low_per_km", "high": "high_per_km"}
    scaled = {new: 1000 * table[old] for new, old in scaled.items()}
    return table.assign(**scaled, spent=table["price"] + table["fitting"])


def comparable(cost):
    """The items with a cost that have another beside them at their place, the places by cost."""
    rows = cost[cost["cost_per_km"].notna()]
    by_place = rows.groupby(PLACE)["cost_per_km"]
    rows = rows.assign(most=-by_place.transform("max"))[by_place.transform("size") > 1]
    return rows.sort_values(["most", *PLACE, "cost_per_km"])


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
