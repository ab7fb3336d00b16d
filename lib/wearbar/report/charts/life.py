"""Figures of lives and wear: what is left, wear lines, service, cost, do the models fit."""

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator

from wearbar.parts import AT_LIMIT, unbent
from wearbar.report.charts import style
from wearbar.report.quantities import clean
from wearbar.report.template import coded
from wearbar.report.words.life import PLACE, comparable
from wearbar.report.words.wear import has_line, part_name
from wearbar.stats import fit_weibull, kaplan_meier

MOST, PANELS = 12, 4  # parts in the picture of what is left; panels of a figure
SHARES = {0.02: "2%", 0.1: "10%", 0.3: "30%", 0.5: "50%", 0.8: "80%", 0.98: "98%"}


def _panels(n, height):
    """(figure, n axes) in rows of two, each `height` inches high; one alone has the whole width."""
    columns = min(2, n)
    rows = int(np.ceil(n / columns))
    figure, axes = style.new_figure(height * rows, rows, columns, squeeze=False)
    for axis in axes.flat[n:]:
        axis.set_visible(False)
    for axis in axes.flat:
        axis.tick_params(labelsize=style.SMALL)
    return figure, axes.flat[:n]


def _say(axis, x, y, title=""):
    axis.set_xlabel(x, fontsize=style.SMALL)
    axis.set_ylabel(y, fontsize=style.SMALL)
    axis.set_title(title, fontsize=9, loc="left")


def left_ranges(on, show):
    """Distance left of the most pressing of `on`; one perhaps at a limit has a cross at nil."""
    rows, turn = on.head(MOST), show.units.from_km
    figure, axes = style.new_figure(1.2 + 0.24 * len(rows))
    high = rows["left_high_km"].where(np.isfinite(rows["left_high_km"]), rows["left_km"])
    most = turn(max(rows["left_km"].max() * 1.5, 1.0))
    left, low, high = turn(rows["left_km"]), turn(rows["left_low_km"]), turn(high).clip(upper=most)
    labels = [part_name(r) for r in rows.to_dict("records")]
    style.ranges(axes, labels, left, low, high, rows["kind"])
    stroke = {"marker": "|", "markersize": 11, "color": style.INK}
    axes.plot(low, range(len(rows)), linestyle="none", label="low limit", **stroke)
    at = np.flatnonzero(rows["state"].isin(AT_LIMIT))
    cross = {"marker": "X", "markersize": 7, "color": style.PALETTE[4], "zorder": 5}
    if len(at):
        axes.plot(0 * at, at, linestyle="none", label="perhaps at a limit", **cross)
    axes.set_xlim(-0.02 * most, most * 1.02)
    axes.set_xlabel(f"distance left ({show.units.distance})")
    style.thousands(axes.xaxis, 5)
    style.legend_above(figure)
    return figure


def wear_lines(wear, on, show):
    """Wear of the most pressing parts: readings, the worst place's line and range, the limit."""
    rows = on[has_line(on)].head(PANELS).to_dict("records")
    figure, axes = _panels(len(rows), 2.3)
    unit = "mm" if show.units.depth == "mm" else "1/32 in"
    for axis, row in zip(axes, rows, strict=True):
        rising = row["quantity"] == "elongation"
        height = (lambda v: v) if rising else show.units.from_mm
        looks = wear.looks[wear.looks["part_key"].eq(row["part_key"])]
        read = looks[looks["source"].ne("removed")]
        _readings(axis, read, row, show.units.from_km, height)
        first_km = read.loc[read["place"].eq(row["place"]), "distance_km"].min()
        _line(axis, row, first_km, show.units.from_km, height)
        what = "depth" if row["quantity"] == "depth" else "thickness"
        _say(axis, f"distance on the part ({show.units.distance})", "", part_name(row))
        axis.set_ylabel("stretch (%)" if rising else f"{what} ({unit})", fontsize=10)
        style.thousands(axis.xaxis, 4)
    style.legend_above(figure)
    return figure


def _readings(axis, read, row, turn, height):
    """Every reading of a part."""
    is_own, blue = read["place"].eq(row["place"]), style.PALETTE[0]
    for label, which, look in (
        ("other places", ~is_own, {"marker": "s", "markersize": 3, "color": style.MUTED}),
        ("place worn most", is_own, {"marker": "o", "markersize": 5, "color": blue}),
    ):
        at = turn(read.loc[which, "distance_km"]), height(read.loc[which, "value"])
        axis.plot(*at, linestyle="none", label=label, **look)
    if read.loc[read["date"].eq(row["last_read"]), "distance_km"].isna().all():
        look = {"marker": "D", "markerfacecolor": "none", "color": blue}
        at = turn(row["seen_now_km"]), height(row["last_height"])
        axis.plot(*at, linestyle="none", label="last reading, distance not known", **look)


def _line(axis, row, first_km, turn, height):
    """The line with its range from the first reading to beyond today, the limits, and today."""
    now, sign = row["seen_now_km"], -1 if row["quantity"] == "elongation" else 1
    x = np.linspace(first_km, max(min(row["life_high_km"], 1.4 * row["life_km"]), now), 60)
    middle = row["line_a"] + row["line_b"] * x
    variance = row["line_aa"] + 2 * row["line_ab"] * x + row["line_bb"] * x * x
    half = row["line_q"] * np.sqrt(np.maximum(variance, 0))
    low, middle, high = (
        height(sign * unbent(middle + at * half, row["hinge"], row["bend"])) for at in (-1, 0, 1)
    )
    style.band(axis, turn(x), low, high)
    axis.plot(turn(x), middle, color=style.PALETTE[0], linewidth=1.4)
    limit = {"color": style.PALETTE[4], "linestyle": "--", "linewidth": 1.2}
    axis.axhline(height(row["limit"]), label="limit", **limit)
    if row["legal_limit"] == row["legal_limit"] and row["legal_limit"] != row["limit"]:
        law = {"color": style.INK, "linestyle": ":", "linewidth": 1.2}
        whose = clean(f"legal limit ({row['jurisdiction']})", 30)
        axis.axhline(height(row["legal_limit"]), label=whose, **law)
    axis.set_ylim(bottom=max(axis.get_ylim()[0], 0 if sign > 0 else -np.inf))
    axis.axvline(turn(now), color=style.MUTED, linewidth=0.8)
    at = {"fontsize": style.SMALL, "va": "top", "ha": "right", "color": style.MUTED}
    axis.text(turn(now), axis.get_ylim()[1], "now ", **at)


def _largest(lives):
    """The places with most ends, each with its items, largest first."""
    places = lives.groupby(PLACE)["came_off"].sum().sort_values(ascending=False, kind="stable")
    by_place = dict(list(lives.groupby(PLACE)))
    return [(key, by_place[key]) for key, ends in places.items() if ends >= 3][:PANELS]


def _rows(lives):
    return lives["duration_km"], lives["came_off"], lives["entry_km"]


def service_curves(lives, show):
    """Share still fitted by distance, place and item, with the number at risk and Weibull fits."""
    places = _largest(lives)
    figure, axes = _panels(len(places), 2.6)
    for axis, ((category, kind, place), own) in zip(axes, places, strict=True):
        where = "" if place == "all round" else f" {coded(place, 12)}"
        title = f"{coded(kind, 12)}{where} {coded(category, 14)}"
        _curves_of(axis, own, show)
        _say(axis, f"distance ({show.units.distance}), number at risk", "share still fitted")
        above = {"loc": "lower left", "bbox_to_anchor": (-0.02, 1.0), "alignment": "left"}
        small = {"fontsize": style.SMALL, "title_fontsize": 9, "handlelength": 2.2, "borderpad": 0}
        axis.legend(title=title, frameon=False, **above, **small)
    return figure


def _curves_of(axis, lives, show):
    turn, reach = show.units.from_km, lives["duration_km"].max()
    items = lives.groupby("item").size().sort_values(ascending=False, kind="stable").index[:3]
    ticks = show.units.to_km(MaxNLocator(3, steps=[1, 2, 2.5, 5, 10]).tick_values(0, turn(reach)))
    ticks = ticks[ticks <= reach]
    labels = [f"{turn(t):,.0f}" for t in ticks]
    for i, item in enumerate(items):
        duration, ended, entry = rows = _rows(lives[lives["item"].eq(item)])
        curve, look = kaplan_meier(*rows), style.series(i, marker="none")
        x, y = np.r_[0, curve["duration"]], np.r_[1, curve["survival"]]
        axis.step(turn(x), y, where="post", label=clean(item, 22), **look)
        if ended.sum() >= 3:
            grid = np.linspace(reach / 200, reach, 100)
            fit = fit_weibull(*rows).survival_at(grid)
            axis.plot(turn(grid), fit, color=look["color"], linewidth=0.7, alpha=0.8)
        at_risk = [int(((duration >= t) & (entry <= t)).sum()) for t in ticks]
        labels = [f"{label}\n{n}" for label, n in zip(labels, at_risk, strict=True)]
    axis.set_ylim(0, 1.02)
    axis.set_xticks(turn(ticks), labels)


def cost_ranges(cost, show):
    """Cost by 1,000 units of distance of items that share a place with another, by place."""
    rows, scale = comparable(cost), show.scale("per_1000km")
    figure, axes = style.new_figure(1.2 + 0.25 * len(rows))
    value, low, high = (
        scale.turn(1000 * rows[c].fillna(rows["cost_per_km"]))
        for c in ("cost_per_km", "low_per_km", "high_per_km")
    )
    names = [f"{clean(r['item'], 22)}, {r['place_on']}" for r in rows.to_dict("records")]
    style.ranges(axes, names, value, low, high.clip(upper=3 * value.max()), rows["kind"])
    begins = rows[PLACE].ne(rows[PLACE].shift()).any(axis=1)
    for edge in np.flatnonzero(begins)[1:]:
        axes.axhline(edge - 0.5, color=style.RULE, linewidth=0.8)
    axes.set_xlabel(f"{show.units.currency} {scale.head}".strip())
    axes.set_xlim(left=0)
    style.legend_above(figure)
    return figure


def residuals(wear, show):
    """What lines leave of the readings, by category and share of the distance that was read."""
    looks = wear.looks[wear.looks["source"].eq("reading") & ~wear.looks["is_doubtful"]]
    looks = looks[looks["t"].notna()]
    names = looks["category"].value_counts().index[:PANELS]
    figure, axes = _panels(max(len(names), 1), 2.2)
    for i, (axis, name) in enumerate(zip(axes, names, strict=False)):
        own = looks[looks["category"].eq(name)]
        longest = own.groupby(["part_key", "place"])["distance_km"].transform("max")
        share = own["distance_km"] / longest.where(longest > 0)
        point = {"markersize": 2.5, "color": style.PALETTE[i], "marker": style.MARKERS[i]}
        axis.plot(share, own["residual"], linestyle="none", alpha=0.5, **point)
        axis.axhline(0, color=style.INK, linewidth=0.8)
        middle = own["residual"].groupby(pd.cut(share, np.linspace(0, 1, 6)), observed=True).mean()
        axis.plot([c.mid for c in middle.index], middle, color=style.INK, linewidth=1.4)
        unit = "%" if own["quantity"].iloc[0] == "elongation" else "mm"
        _say(axis, "share of the distance read", f"reading less line ({unit})", coded(name, 24))
    return figure


def weibull_plots(lives, show):
    """Weibull paper: product-limit points and the fit with its limits; a straight row fits."""
    places = _largest(lives)
    figure, axes = _panels(len(places), 2.3)
    for axis, (key, own) in zip(axes, places, strict=True):
        item = own.groupby("item")["came_off"].sum().idxmax()
        _on_paper(axis, own[own["item"].eq(item)], show.units.from_km)
        said = f"service life ({show.units.distance})"
        _say(axis, said, "share removed", f"{clean(item, 18)}, {key[1]}")
    return figure


def _on_paper(axis, own, turn):
    curve, fit = kaplan_meier(*_rows(own)), fit_weibull(*_rows(own))
    at = curve[(curve["events"] > 0) & curve["survival"].between(0, 1, inclusive="neither")]
    point = {"linestyle": "none", "marker": "o", "markersize": 4, "color": style.PALETTE[0]}
    axis.plot(turn(at["duration"]), 1 - at["survival"], **point)
    grid = np.geomspace(at["duration"].min() * 0.7, own["duration_km"].max() * 1.1, 50)
    style.band(axis, turn(grid), *(1 - share for share in fit.band_at(grid)))
    axis.plot(turn(grid), 1 - fit.survival_at(grid), color=style.INK, linewidth=1.2)
    axis.set_xscale("log")
    axis.set_yscale("function", functions=(_paper, _unpaper))
    axis.set_yticks(list(SHARES), list(SHARES.values()))
    axis.set_ylim(0.015, 0.99)
    ticks = np.unique([float(f"{v:.1g}") for v in turn(np.geomspace(grid[0], grid[-1], 3))])
    axis.set_xticks(ticks, [f"{t:,.0f}" for t in ticks])
    axis.minorticks_off()


def _paper(p):
    return np.log(-np.log1p(-np.clip(p, 1e-9, 1 - 1e-9)))


def _unpaper(y):
    return -np.expm1(-np.exp(np.clip(y, -20, 3)))
