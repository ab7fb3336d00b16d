"""What is said of the oil that engines use."""

from wearbar.report.quantities import listing, plural, safe

__all__ = ["heads_oil", "oil", "oil_table"]

ADVICE = (
    "Counted is what brought the level back to the mark since it last stood there; a stretch with an oil change counts in none. What is "
    "normal stands in the handbook: no limit is used here, and a rising figure is first a reason to read the level more often. Read it "
    "before topping up, always cold or always hot as the handbook says, and note both."
)


def oil(table, kinds, show):
    """How much oil engines use by kind, whom it is not told of and why, and what to note."""
    if not len(table):
        return "The log has no oil top-ups, so nothing is said of the oil that engines use."
    per = f"mL per 1,000 {show.units.distance}"
    told = [
        f"{safe(r['kind'])} {_rate(r['ml_per_1000km'], show)} ({_rate(r['low'], show)} to {_rate(r['high'], show)}, "
        f"{plural(r['vehicles'], 'vehicle')})"
        for r in kinds.to_dict("records")
    ]
    refused = table[table["why_not"].ne("")].groupby("why_not").size()
    why = [f"{plural(n, 'vehicle')} ({words})" for words, n in refused.items()]
    start = f"Oil used, {per}, by kind: {listing(told)}. " if told else ""
    return start + (f"It is not told of {listing(why)}. " if why else "") + ADVICE


def heads_oil(table, show):
    heads = {"vehicle": "Vehicle", "kind": "Kind", "n": "Stretches", "distance_km": "Over"}
    heads[("rate", "low", "high")] = f"Oil, mL per 1,000 {show.units.distance}"
    return heads | ({"why_not": "Not told because"} if table["why_not"].ne("").any() else {})


def oil_table(table, show):
    turned = {
        name: show.units.to_km(table[old])
        for name, old in (("rate", "ml_per_1000km"), ("low", "low"), ("high", "high"))
    }
    return table.assign(**turned, distance_km=table["distance_km"].where(table["why_not"].eq("")))


def _rate(x, show):
    return f"{show.units.to_km(x):,.0f}"
