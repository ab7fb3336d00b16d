"""What the figures of cost share: money in the reader's units, and names of vehicles far off."""

import numpy as np

from wearbar.report.quantities import clean

FAR = 1.25  # times the median of its kind, or as much below it: a vehicle that is named
MOST_NAMED = 4


def turned(table, show):
    """A table of `cost.cost_per_km` with its cost and limits in the reader's units."""
    scale = show.scale("money_per_km")
    return table.assign(**{c: scale.turn(table[c]) for c in ("cost_per_km", "low", "high")})


def name_the_far(axes, shown):
    """Names beside the vehicles, drawn at `driven`, furthest from the median of their kind."""
    usual = shown.groupby("kind")["cost_per_km"].transform("median")
    far = np.abs(np.log((shown["cost_per_km"] / usual).where(lambda x: x > 0)))
    far = far[(far > np.log(FAR)) & np.isfinite(shown["driven"])]
    beside = {"xytext": (6, 3), "textcoords": "offset points", "fontsize": 9}
    for car in shown.loc[far.nlargest(MOST_NAMED).index].itertuples():
        axes.annotate(clean(car.vehicle, 20), (car.driven, car.cost_per_km), **beside)
