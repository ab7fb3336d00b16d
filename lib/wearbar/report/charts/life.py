"""Figures of lives and wear: what is left, wear lines, distance in service, cost, and whether the models fit."""

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator

from wearbar.parts import AT_LIMIT, unbent
from wearbar.report.charts import style
from wearbar.stats import fit_weibull, kaplan_meier

__all__ = [
    "comparable",
    "cost_ranges",
    "left_ranges",
    "residuals",
    "service_curves",
    "wear_lines",
    "weibull_plots",
]

MOST = 12  # parts in the picture of what is left
LINES, CURVES = 4, 4  # panels
PLACE = ["category", "kind", "place_on"]


def _cut(text, most):
    line = " ".join(str(text).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def _part(row):
    category = _cut(row["category"], 16).replace("-", " ")
    return f"{_cut(row['vehicle'], 20)} {_cut(row['last_position'], 18)} {category}"


def _panels(n, height, columns=2):
    """(figure, n axes) in rows of two, each `height` inches high; one alone has the whole width."""
    columns = min(columns, n)
    rows = int(np.ceil(n / columns))
    figure, axes = style.new_figure(height * rows, rows, columns, squeeze=False)
    for axis in axes.flat[n:]:
        axis.set_visible(False)
    for axis in axes.flat:
        axis.tick_params(labelsize=style.SMALL)
    return figure, axes.flat[:n]


def _kind_rows(axes, rows, turned):
    """A row a line of the frame, with the mark of its kind of vehicle: value, low and high, from the top down."""
    value, low, high = turned
    at = np.arange(len(rows))
    looks = [style.kind_look(kind) for kind in rows["kind"]]
    axes.hlines(at, low, high, color=[look["color"] for look in looks], linewidth=1.6)
    for x, y, look, kind in zip(value, at, looks, rows["kind"], strict=True):
        axes.plot(x, y, linestyle="none", markersize=6, zorder=3, label=str(kind), **look)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.grid(visible=False, axis="y")


def left_ranges(on, show):
    """Distance left of the most pressing of `on`, low limit to high; one perhaps at a limit has a cross at nil."""
    rows = on.head(MOST)
    figure, axes = style.new_figure(1.2 + 0.24 * len(rows))
    turn = show.units.from_km
    high = rows["left_high_km"].where(np.isfinite(rows["left_high_km"]), rows["left_km"])
    most = turn(max(rows["left_km"].max() * 1.5, 1.0))
    left, low = turn(rows["left_km"]), turn(rows["left_low_km"])
    _kind_rows(axes, rows, (left, low, np.minimum(turn(high), most)))
    axes.set_yticks(range(len(rows)), [_part(r) for r in rows.to_dict("records")])
    stroke = {"linestyle": "none", "marker": "|", "markersize": 11, "color": style.INK}
    axes.plot(low, range(len(rows)), label="low limit", **stroke)
    at = np.flatnonzero(rows["state"].isin(AT_LIMIT))
    cross = {"linestyle": "none", "marker": "X", "markersize": 7, "color": style.PALETTE[4]}
    if len(at):
        axes.plot(np.zeros(len(at)), at, zorder=5, label="perhaps at a limit", **cross)
    axes.set_xlim(-0.02 * most, most * 1.02)
    axes.set_xlabel(f"distance left ({show.units.distance})")
    style.thousands(axes.xaxis, 5)
    style.legend_above(figure)
    return figure


def wear_lines(wear, on, show):
    """Wear of the most pressing parts: every reading, the governing place's line, what it may be, and the limit."""
    rows = on[on["why_not"].eq("") & (on["n"] >= 2)].head(LINES).to_dict("records")
    figure, axes = _panels(len(rows), 2.3)
    for axis, row in zip(axes, rows, strict=True):
        looks = wear.looks[wear.looks["part_key"].eq(row["part_key"])]
        first_km = _readings(axis, looks[looks["source"].ne("removed")], row, show)
        _line(axis, row, first_km, show)
        axis.set_title(_part(row), fontsize=9, loc="left")
        what = "depth" if row["quantity"] == "depth" else "thickness"
        rising = row["quantity"] == "elongation"
        unit = "mm" if show.units.depth == "mm" else "1/32 in"
        axis.set_ylabel("stretch (%)" if rising else f"{what} ({unit})")
        axis.set_xlabel(f"distance on the part ({show.units.distance})", fontsize=style.SMALL)
        style.thousands(axis.xaxis, 4)
    style.legend_above(figure)
    return figure


def _height(row, show):
    """Heights as the reader has them: stretch as it is, depths in the reader's unit."""
    return (lambda v: v) if row["quantity"] == "elongation" else show.units.from_mm


def _readings(axis, read, row, show):
    """Every reading of a part; gives the distance at the first of the place worn most."""
    turn, height = show.units.from_km, _height(row, show)
    is_own = read["place"].eq(row["place"])
    for label, which, look in (
        ("other places", ~is_own, {"marker": "s", "markersize": 3, "color": style.MUTED}),
        ("place worn most", is_own, {"marker": "o", "markersize": 5, "color": style.PALETTE[0]}),
    ):
        at = turn(read.loc[which, "distance_km"]), height(read.loc[which, "value"])
        axis.plot(*at, linestyle="none", label=label, **look)
    if read.loc[read["date"].eq(row["last_read"]), "distance_km"].isna().all():
        look = {"marker": "D", "markerfacecolor": "none", "color": style.PALETTE[0]}
        label = "last reading, distance not known"
        at = turn(row["seen_now_km"]), height(row["last_height"])
        axis.plot(*at, linestyle="none", label=label, **look)
    return read.loc[is_own, "distance_km"].min()


def _line(axis, row, first_km, show):
    """The line with its range from the first reading to beyond today, the limits, and today."""
    turn, height, now = show.units.from_km, _height(row, show), row["seen_now_km"]
    sign = -1 if row["quantity"] == "elongation" else 1
    end = max(min(row["life_high_km"], 1.4 * row["life_km"]), now)
    x = np.linspace(first_km, end, 60)
    middle = row["line_a"] + row["line_b"] * x
    variance = row["line_aa"] + 2 * row["line_ab"] * x + row["line_bb"] * x * x
    half = row["line_q"] * np.sqrt(np.maximum(variance, 0))
    low, middle, high = (
        height(sign * unbent(y, row["hinge"], row["bend"]))
        for y in (middle - half, middle, middle + half)
    )
    style.band(axis, turn(x), low, high)
    axis.plot(turn(x), middle, color=style.PALETTE[0], linewidth=1.4)
    limit = {"color": style.PALETTE[4], "linestyle": "--", "linewidth": 1.2}
    axis.axhline(height(row["limit"]), label="limit", **limit)
    if row["legal_limit"] == row["legal_limit"] and row["legal_limit"] != row["limit"]:
        law = {"color": style.INK, "linestyle": ":", "linewidth": 1.2}
        whose = _cut(f"legal limit ({row['jurisdiction']})", 30)
        axis.axhline(height(row["legal_limit"]), label=whose, **law)
    axis.set_ylim(bottom=max(axis.get_ylim()[0], 0 if sign > 0 else -np.inf))
    axis.axvline(turn(now), color=style.MUTED, linewidth=0.8)
    at = {"fontsize": style.SMALL, "va": "top", "ha": "right", "color": style.MUTED}
    axis.text(turn(now), axis.get_ylim()[1], "now ", **at)


def _largest(lives, most):
    """The places with most ends, each with its items, largest first."""
    places = lives.groupby(PLACE)["came_off"].sum().sort_values(ascending=False, kind="stable")
    keys = [key for key, ends in places.items() if ends >= 3][:most]
    by_place = dict(list(lives.groupby(PLACE)))
    return [(key, by_place[key]) for key in keys]


def _place(key):
    category, kind, place = key
    where = "" if place == "all round" else f" {_cut(place, 12)}"
    return f"{_cut(kind, 12)}{where} {_cut(category, 14)}".replace("-", " ")


def service_curves(lives, show):
    """Share still in service against distance, by place and item, with the number at risk; the smooth line is the Weibull fit."""
    places = _largest(lives, CURVES)
    figure, axes = _panels(len(places), 2.6)
    for axis, (key, own) in zip(axes, places, strict=True):
        _curves_of(axis, own, _place(key), show)
    return figure


def _curves_of(axis, lives, place, show):
    turn = show.units.from_km
    items = list(lives.groupby("item").size().sort_values(ascending=False, kind="stable").index[:3])
    reach = lives["duration_km"].max()
    ticks = show.units.to_km(MaxNLocator(3, steps=[1, 2, 2.5, 5, 10]).tick_values(0, turn(reach)))
    ticks = ticks[ticks <= reach]
    counts = []
    for i, item in enumerate(items):
        own = lives[lives["item"].eq(item)]
        rows = own["duration_km"], own["came_off"], own["entry_km"]
        curve = kaplan_meier(*rows)
        look = style.series(i, marker="none")
        x, y = np.r_[0, curve["duration"]], np.r_[1, curve["survival"]]
        axis.step(turn(x), y, where="post", label=_cut(item, 22), **look)
        if own["came_off"].sum() >= 3:
            grid = np.linspace(reach / 200, reach, 100)
            fit = fit_weibull(*rows).survival_at(grid)
            axis.plot(turn(grid), fit, color=look["color"], linewidth=0.7, alpha=0.8)
        counts.append([int(((rows[0] >= t) & (rows[2] <= t)).sum()) for t in ticks])
    labels = [
        "\n".join([f"{turn(t):,.0f}", *(str(c[j]) for c in counts)]) for j, t in enumerate(ticks)
    ]
    axis.set_ylim(0, 1.02)
    axis.set_xticks(turn(ticks), labels)
    axis.set_xlabel(f"distance ({show.units.distance}), number at risk", fontsize=style.SMALL)
    axis.set_ylabel("share still fitted", fontsize=style.SMALL)
    above = {"loc": "lower left", "bbox_to_anchor": (-0.02, 1.0), "alignment": "left"}
    small = {"fontsize": style.SMALL, "title_fontsize": 9, "handlelength": 2.2, "borderpad": 0}
    axis.legend(title=place, frameon=False, **above, **small)


def comparable(cost):
    """The items with a cost that have another beside them at their place, the places by cost."""
    rows = cost[cost["cost_per_km"].notna()]
    by_place = rows.groupby(PLACE)["cost_per_km"]
    rows = rows.assign(_place=by_place.transform("max"), _size=by_place.transform("size"))
    order = ["_place", *PLACE, "cost_per_km"]
    rows = rows[rows["_size"] > 1].sort_values(order, ascending=[False] * 1 + [True] * 4)
    return rows.drop(columns=["_place", "_size"])


def cost_ranges(cost, show):
    """Cost by 1,000 units of distance of items that share a place with another, grouped by place; lines are intervals."""
    rows = comparable(cost)
    figure, axes = style.new_figure(1.2 + 0.25 * len(rows))
    scale = show.scale("per_1000km")
    value = scale.turn(1000 * rows["cost_per_km"])
    low, high = (
        scale.turn(1000 * rows[c].fillna(rows["cost_per_km"]))
        for c in ("low_per_km", "high_per_km")
    )
    _kind_rows(axes, rows, (value, low, np.minimum(high, 3 * value.max())))
    names = [f"{_cut(r['item'], 22)}, {r['place_on']}" for r in rows.to_dict("records")]
    axes.set_yticks(range(len(rows)), names)
    begins = rows[PLACE].ne(rows[PLACE].shift()).any(axis=1)
    for edge in np.flatnonzero(begins)[1:]:
        axes.axhline(edge - 0.5, color=style.RULE, linewidth=0.8)
    axes.set_xlabel(f"{show.units.currency} {scale.head}".strip())
    axes.set_xlim(left=0)
    style.legend_above(figure)
    return figure


def residuals(wear, show):
    """What the lines leave of the readings, by category, against the share of the part's distance at which they were taken."""
    looks = wear.looks[
        wear.looks["source"].eq("reading") & wear.looks["t"].notna() & ~wear.looks["is_doubtful"]
    ]
    names = list(looks.groupby("category").size().sort_values(ascending=False).index[:4])
    figure, axes = _panels(max(len(names), 1), 2.2)
    for i, (axis, name) in enumerate(zip(axes, names, strict=False)):
        own = looks[looks["category"].eq(name)]
        longest = own.groupby(["part_key", "place"])["distance_km"].transform("max")
        share = own["distance_km"] / longest.where(longest > 0)
        point = {"markersize": 2.5, "color": style.PALETTE[i], "marker": style.MARKERS[i]}
        axis.plot(share, own["residual"], linestyle="none", alpha=0.5, **point)
        axis.axhline(0, color=style.INK, linewidth=0.8)
        middle = own["residual"].groupby(pd.cut(share, np.linspace(0, 1, 6)), observed=True).mean()
        at = [(c.left + c.right) / 2 for c in middle.index]
        axis.plot(at, middle, color=style.INK, linewidth=1.4)
        axis.set_title(_cut(name, 24).replace("-", " "), fontsize=9, loc="left")
        axis.set_xlabel("share of the distance read", fontsize=style.SMALL)
        unit = "%" if own["quantity"].iloc[0] == "elongation" else "mm"
        axis.set_ylabel(f"reading less line ({unit})", fontsize=style.SMALL)
    return figure


def weibull_plots(lives, show):
    """Weibull paper: points are the product-limit curve, the line the fit with its limits; straight points say that the form serves."""
    places = _largest(lives, 4)
    figure, axes = _panels(len(places), 2.3)
    for axis, (key, own) in zip(axes, places, strict=True):
        own = own[own["item"].eq(own.groupby("item")["came_off"].sum().idxmax())]
        _on_paper(axis, own, show.units.from_km)
        axis.set_title(f"{_cut(own['item'].iloc[0], 18)}, {key[1]}", fontsize=9, loc="left")
        axis.set_xlabel(f"service life ({show.units.distance})", fontsize=style.SMALL)
        axis.set_ylabel("share removed", fontsize=style.SMALL)
    return figure


def _on_paper(axis, own, turn):
    rows = own["duration_km"], own["came_off"], own["entry_km"]
    curve, fit = kaplan_meier(*rows), fit_weibull(*rows)
    at = curve[(curve["events"] > 0) & curve["survival"].between(0, 1, inclusive="neither")]
    point = {"linestyle": "none", "marker": "o", "markersize": 4, "color": style.PALETTE[0]}
    axis.plot(turn(at["duration"]), 1 - at["survival"], **point)
    grid = np.geomspace(at["duration"].min() * 0.7, rows[0].max() * 1.1, 50)
    style.band(axis, turn(grid), *(1 - share for share in fit.band_at(grid)))
    axis.plot(turn(grid), 1 - fit.survival_at(grid), color=style.INK, linewidth=1.2)
    axis.set_xscale("log")
    axis.set_yscale("function", functions=(_paper, _unpaper))
    axis.set_yticks([0.02, 0.1, 0.3, 0.5, 0.8, 0.98], ["2%", "10%", "30%", "50%", "80%", "98%"])
    axis.set_ylim(0.015, 0.99)
    ticks = np.unique([float(f"{v:.1g}") for v in turn(np.geomspace(grid[0], grid[-1], 3))])
    axis.set_xticks(ticks, [f"{t:,.0f}" for t in ticks])
    axis.minorticks_off()


def _paper(p):
    return np.log(-np.log1p(-np.clip(p, 1e-9, 1 - 1e-9)))


def _unpaper(y):
    return -np.expm1(-np.exp(np.clip(y, -20, 3)))
