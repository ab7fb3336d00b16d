"""Pictures of cost: by vehicle against use, repairs adding up, the cost of a year by the age of replacement."""

import numpy as np

from wearbar.report.charts import style

__all__ = ["cost_against_use", "keeping_cost", "mounting_repairs", "turned"]

MOST_KINDS = 6
FAR = 1.25  # times the median of its kind, or as much below it: a vehicle that is named
MOST_NAMED = 4


def turned(table, show):
    """A table of `cost.cost_per_km` with its cost and limits in the reader's units."""
    scale = show.scale("money_per_km")
    return table.assign(**{c: scale.turn(table[c]) for c in ("cost_per_km", "low", "high")})


def cost_against_use(table, show):
    """Each vehicle's cost per distance against its distance a year, from `cost.by_vehicle`: a mark a kind, with its interval."""
    distance = show.scale("km_per_year")
    figure, axes = style.new_figure(height=4.2)
    shown = turned(table.dropna(subset=["cost_per_km"]), show)
    shown["driven"] = distance.turn(shown["km_per_year"])
    for kind, some in shown.groupby("kind"):
        look = style.kind_look(kind)
        axes.vlines(some["driven"], some["low"], some["high"], color=look["color"], alpha=0.5)
        axes.plot(some["driven"], some["cost_per_km"], label=kind, linestyle="none", **look)
    _name_the_far(axes, shown)
    axes.set_ylim(0, None)
    axes.set_xlim(0, None)
    style.thousands(axes.xaxis, 5)
    axes.set_xlabel(f"distance driven ({distance.head})")
    axes.set_ylabel(f"cost ({show.scale('money_per_km').head})")
    _legend(figure, shown["kind"].nunique())
    return figure


def _name_the_far(axes, shown):
    """Names beside the vehicles furthest from the median of their kind."""
    usual = shown.groupby("kind")["cost_per_km"].transform("median")
    far = np.abs(np.log((shown["cost_per_km"] / usual).where(lambda x: x > 0)))
    for at in far[far > np.log(FAR)].nlargest(MOST_NAMED).index:
        car = shown.loc[at]
        if np.isfinite(car["driven"]):
            name = " ".join(str(car["vehicle"]).split())[:20]
            beside = {"xytext": (6, 3), "textcoords": "offset points", "fontsize": 9}
            axes.annotate(name, (car["driven"], car["cost_per_km"]), **beside)


def mounting_repairs(curves, show):
    """Mean cumulative cost of unplanned visits by age, from `repairs.cost_by_kind`: a step line a kind, with its interval."""
    scale = show.scale("money")
    figure, axes = style.new_figure(height=3.9)
    for i, (kind, curve) in enumerate(_first((k, c) for k, c in curves.items() if len(c))):
        look = style.kind_look(kind) | {"marker": "", "linestyle": style.LINES[i]}
        axes.plot(curve["time"], curve["mcf"], label=kind, drawstyle="steps-post", **look)
        if curve["low"].notna().any():
            ends = {"step": "post", "alpha": 0.15, "linewidth": 0, "color": look["color"]}
            axes.fill_between(curve["time"], curve["low"], curve["high"], **ends)
    axes.set_ylim(0, None)
    style.thousands(axes.yaxis)
    axes.set_xlabel("age of the vehicle (years)")
    axes.set_ylabel(f"repairs of one vehicle so far ({scale.head})")
    _legend(figure, len(curves))
    return figure


def keeping_cost(kept, show):
    """What a year costs by the age to which each kind is kept, from `replacement.cheapest_ages`; a mark at the cheapest."""
    shown = _first(k for k in kept if "cost_per_year" in k.curve)
    figure, axes = style.new_figure(height=3.6)
    for i, k in enumerate(shown):
        curve, look = k.curve, style.kind_look(k.kind)
        line = look | {"marker": "", "linestyle": style.LINES[i]}
        axes.plot(curve["age_years"], curve["cost_per_year"], label=k.kind, **line)
        if np.isfinite(k.best.value):
            least = curve.loc[curve["age_years"].eq(k.best.value), "cost_per_year"]
            axes.plot([k.best.value], least, linestyle="none", markersize=8, **look)
    axes.set_ylim(0, None)
    axes.set_xlim(0, None)
    style.thousands(axes.yaxis, 6)
    axes.set_xlabel("kept to this age (years)")
    axes.set_ylabel(f"loss in value and work a year ({show.scale('money').head})")
    _legend(figure, len(shown))
    return figure


def _first(pairs):
    return list(pairs)[:MOST_KINDS]


def _legend(figure, n):
    if n:
        figure.legend(loc="outside upper left", ncols=min(n, 3), frameon=False)
