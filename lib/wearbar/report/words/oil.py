"""What consumable_life says of the oil that engines use."""

from wearbar.report.quantities import plural
from wearbar.report.words.wear import SAY

RATES = {"rate": "ml_per_1000km", "low": "low", "high": "high"}


def unit_oil(show):
    return f"mL per 1,000 {show.units.distance}"


def oil(table, kinds, show):
    """How much oil engines use by kind, or by vehicle, for whom it is not known, what to note."""
    known = table[table["why_not"].eq("")] if len(table) else table
    refused = table[table["why_not"].ne("")].groupby("why_not").size() if len(table) else {}
    return SAY(
        "oil",
        n=len(table),
        per=unit_oil(show),
        kinds=_rates(kinds, show) if len(table) else [],
        each=[] if len(kinds) else _rates(known.head(4), show),
        refused=[f"{plural(n, 'vehicle')}, where {why}" for why, n in refused.items()],
    )


def oil_table(table, show):
    """Oil by vehicle in the reader's units."""
    turned = {name: show.units.to_km(table[old]) for name, old in RATES.items()}
    return table.assign(**turned, distance_km=table["distance_km"].where(table["why_not"].eq("")))


def alt_oil(table, show):
    """table: as from `oil_table`, with a rate in every row."""
    most = table.loc[table["rate"].idxmax()]
    return SAY("alt_oil", n=len(table), least=table["rate"].min(), most=most, per=unit_oil(show))


def _rates(table, show):
    return [
        r | {new: f"{show.units.to_km(r[old]):,.0f}" for new, old in RATES.items()}
        for r in table.to_dict("records")
    ]
