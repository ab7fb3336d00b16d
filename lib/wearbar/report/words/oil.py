"""What is said of the oil that engines use."""

from wearbar.report.quantities import plural
from wearbar.report.template import words_of

__all__ = ["alt_oil", "heads_oil", "oil", "oil_table", "unit_oil"]

SAY = words_of("consumable_life")


def unit_oil(show):
    return f"mL per 1,000 {show.units.distance}"


def oil(table, kinds, show):
    """How much oil engines use by kind (by vehicle where no kind has enough), for whom it is not known, and what to note."""
    rows = kinds.to_dict("records") if len(table) else []
    alone = [] if rows or not len(table) else table[table["why_not"].eq("")].to_dict("records")
    refused = table[table["why_not"].ne("")].groupby("why_not").size() if len(table) else {}
    return SAY(
        "oil",
        n=len(table),
        per=unit_oil(show),
        kinds=[{"kind": r["kind"], "n": r["vehicles"]} | _rates(r, show) for r in rows],
        each=[{"name": r["vehicle"]} | _rates(r, show) for r in alone[:4]],
        refused=[f"{plural(n, 'vehicle')}, where {why}" for why, n in refused.items()],
    )


RATES = {"rate": "ml_per_1000km", "low": "low", "high": "high"}


def heads_oil(table, show):
    heads = {"vehicle": "Vehicle", "kind": "Kind", "n": "Stretches", "distance_km": "Over"}
    heads[tuple(RATES)] = f"Oil, {unit_oil(show)}"
    return heads | ({"why_not": "Not enough data"} if table["why_not"].ne("").any() else {})


def oil_table(table, show):
    turned = {name: show.units.to_km(table[old]) for name, old in RATES.items()}
    return table.assign(**turned, distance_km=table["distance_km"].where(table["why_not"].eq("")))


def alt_oil(table, show):
    """table: as from `oil_table`, with a rate in every row."""
    rate = table["rate"]
    least, most = (f"{x:,.0f}" for x in (rate.min(), rate.max()))
    name = table.loc[rate.idxmax(), "vehicle"]
    return SAY("alt_oil", n=len(table), least=least, most=most, per=unit_oil(show), name=name)


def _rates(row, show):
    return {new: f"{show.units.to_km(row[old]):,.0f}" for new, old in RATES.items()}
