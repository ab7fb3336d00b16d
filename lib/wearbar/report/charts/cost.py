"""Pictures of cost: by category, by vehicle against use, fuel by quarter, repairs mounting up, the cost of keeping by age."""

import numpy as np

from wearbar.report.charts import style

__all__ = ["by_category", "cost_against_use", "fuel_by_quarter", "keeping_cost", "mounting_repairs"]

MOST_KINDS = 6


def by_category(table, show):
    """A row a category of `cost.cost_per_km`, dearest on top, with its interval."""
    scale = show.scale("money_per_km")
    shown = table[table["amount"].ne(0) & table["cost_per_km"].notna()].sort_values(
        "cost_per_km", ascending=False
    )
    figure, axes = style.new_figure(height=1.0 + 0.3 * max(len(shown), 2))
    style.ranges(
        axes,
        shown["category"].tolist(),
        *(scale.turn(shown[c]).to_numpy() for c in ("cost_per_km", "low", "high")),
    )
    axes.set_xlim(min(0.0, axes.get_xlim()[0]), None)
    axes.set_xlabel(f"cost ({scale.head})")
    return figure


def cost_against_use(table, show):
    """Each vehicle's cost per distance against its distance a year, from `cost.by_vehicle`, a mark a kind, with its interval."""
    money, distance = show.scale("money_per_km"), show.scale("km_per_year")
    figure, axes = style.new_figure(height=3.9)
    shown = table[table["cost_per_km"].notna()]
    for i, (kind, some) in enumerate(shown.groupby("kind")):
        look = style.series(i, linestyle="none")
        x = distance.turn(some["km_per_year"])
        axes.vlines(
            x,
            money.turn(some["low"]),
            money.turn(some["high"]),
            color=look["color"],
            linewidth=1.0,
            alpha=0.6,
        )
        axes.plot(x, money.turn(some["cost_per_km"]), label=str(kind), **look)
    axes.set_ylim(0, None)
    axes.set_xlim(0, None)
    style.thousands(axes.xaxis)
    axes.set_xlabel(f"distance driven ({distance.head})")
    axes.set_ylabel(f"cost ({money.head})")
    _legend(figure, shown["kind"].nunique())
    return figure


def fuel_by_quarter(table, show):
    """Fuel economy of each kind of vehicle by calendar quarter, from `fuel.economy_by_quarter`."""
    scale = show.scale("l_per_100km")
    figure, axes = style.new_figure(height=3.4)
    for i, (kind, some) in enumerate(_first(table.groupby("vehicle_kind"))):
        axes.plot(
            some["quarter"], scale.turn(some["l_per_100km"]), label=str(kind), **style.series(i)
        )
    axes.set_ylim(0, None)
    style.dates(axes.xaxis)
    axes.set_ylabel(scale.head)
    _legend(figure, table["vehicle_kind"].nunique())
    return figure


def mounting_repairs(curves, show):
    """Mean cumulative cost of unplanned visits by age, from `repairs.cost_by_kind`: a step line a kind, with its interval."""
    scale = show.scale("money")
    figure, axes = style.new_figure(height=3.9)
    for i, (kind, curve) in enumerate(_first((k, c) for k, c in curves.items() if len(c))):
        look = style.series(i, marker="", drawstyle="steps-post")
        axes.plot(curve["time"], curve["mcf"], label=str(kind), **look)
        if curve["low"].notna().any():
            style.band(axes, curve["time"], curve["low"], curve["high"], i, step="post")
    axes.set_ylim(0, None)
    style.thousands(axes.yaxis)
    axes.set_xlabel("age of the vehicle (years)")
    axes.set_ylabel(f"repairs of one vehicle so far ({scale.head})")
    _legend(figure, len(curves))
    return figure


def keeping_cost(kept, show):
    """What keeping each kind of vehicle to each age costs a year, from `keeping.cheapest_ages`; a panel a kind that has a curve."""
    shown = [k for k in kept if "cost_per_year" in k.curve][:MOST_KINDS]
    scale = show.scale("money")
    figure, panels = style.new_figure(height=3.2, columns=max(len(shown), 1), squeeze=False)
    for i, (axes, k) in enumerate(zip(panels[0], shown, strict=False)):
        curve = k.curve
        axes.plot(curve["age_years"], curve["cost_per_year"], **style.series(i, marker=""))
        if np.isfinite(k.best.value):
            least = curve.loc[curve["age_years"].eq(k.best.value), "cost_per_year"]
            axes.plot([k.best.value], least, **style.series(i, markersize=8))
        axes.set_title(str(k.kind))
        axes.set_ylim(0, None)
        axes.set_xlim(0, None)
        style.thousands(axes.yaxis, 6)
        axes.set_xlabel("kept to this age (years)")
    panels[0][0].set_ylabel(f"fall in value and work a year ({scale.head})")
    return figure


def _first(pairs):
    return list(pairs)[:MOST_KINDS]


def _legend(figure, n):
    if n:
        figure.legend(loc="outside upper left", ncols=min(n, MOST_KINDS), fontsize=8.5)
