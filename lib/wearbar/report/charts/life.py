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

MOST = 18  # parts in the picture of what is left
PANELS = 6


def _cut(text, most):
    line = " ".join(str(text).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def _part(row):
    return " ".join(
        [_cut(row["vehicle"], 20), _cut(row["last_position"], 18), _cut(row["category"], 16)]
    )


def left_ranges(on, show):
    """Distance left of the most pressing parts, low limit to high; one at its limit, or perhaps at it, stands at nil."""
    at_limit = on["state"].isin(AT_LIMIT)
    rows = (
        on[on["left_km"].notna() | at_limit]
        .head(MOST)
        .fillna({"left_km": 0.0, "left_low_km": 0.0, "left_high_km": 0.0})
    )
    figure, axes = style.new_figure(0.9 + 0.27 * len(rows))
    turn = show.units.from_km
    high = rows["left_high_km"].where(np.isfinite(rows["left_high_km"]), rows["left_km"])
    most = turn(float(np.nanmax([rows["left_km"].max() * 1.5, 1.0])))
    ends = np.minimum(turn(high), most)
    style.ranges(
        axes,
        [_part(r) for r in rows.to_dict("records")],
        turn(rows["left_km"]),
        turn(rows["left_low_km"]),
        ends,
    )
    axes.plot(
        turn(rows["left_low_km"]),
        range(len(rows)),
        linestyle="none",
        marker="|",
        markersize=11,
        color=style.INK,
    )
    at = np.flatnonzero(rows["state"].isin(AT_LIMIT))
    axes.plot(
        np.zeros(len(at)),
        at,
        linestyle="none",
        marker="X",
        markersize=7,
        color=style.PALETTE[4],
        zorder=5,
    )
    axes.set_xlim(-0.02 * most, most * 1.02)
    axes.set_xlabel(
        f"distance left ({show.units.distance}); the upright stroke is the low limit, a cross at or perhaps at a limit"
    )
    style.thousands(axes.xaxis)
    return figure


def wear_lines(wear, on, show):
    """Wear of the most pressing parts: every reading, the governing place's line, what it may be, and the limit."""
    rows = on[on["why_not"].eq("") & (on["n"] >= 2)].head(PANELS).to_dict("records")
    columns = min(2, len(rows))
    figure, axes = style.new_figure(
        2.35 * int(np.ceil(len(rows) / columns)),
        int(np.ceil(len(rows) / columns)),
        columns,
        squeeze=False,
    )
    for axis, row in zip(axes.flat, rows, strict=False):
        _one_line(axis, wear.looks[wear.looks["part_key"].eq(row["part_key"])], row, show)
    for axis in axes.flat[len(rows) :]:
        axis.set_visible(False)
    told = {
        label: handle
        for axis in axes.flat
        for handle, label in zip(*axis.get_legend_handles_labels(), strict=True)
    }
    figure.legend(told.values(), told.keys(), loc="outside upper left", ncols=4, fontsize=8)
    return figure


def _one_line(axis, looks, row, show):
    turn, rising = show.units.from_km, row["quantity"] == "elongation"
    height = (lambda v: v) if rising else show.units.from_mm
    read = looks[looks["source"].ne("removed")]
    own, others = read[read["place"].eq(row["place"])], read[read["place"].ne(row["place"])]
    axis.plot(
        turn(others["distance_km"]),
        height(others["value"]),
        linestyle="none",
        marker="s",
        markersize=3,
        color=style.MUTED,
        label="other places",
    )
    axis.plot(
        turn(own["distance_km"]),
        height(own["value"]),
        linestyle="none",
        marker="o",
        markersize=5,
        color=style.PALETTE[0],
        label="place worn most",
    )
    now = row["seen_now_km"]
    if read.loc[read["date"].eq(row["last_read"]), "distance_km"].isna().all():
        last = {
            "linestyle": "none",
            "marker": "D",
            "markersize": 5,
            "markerfacecolor": "none",
            "color": style.PALETTE[0],
        }
        axis.plot(
            turn(now), height(row["last_height"]), label="last reading, distance not known", **last
        )
    x = np.linspace(
        own["distance_km"].min(), max(min(row["life_high_km"], 1.4 * row["life_km"]), now), 60
    )
    middle = row["line_a"] + row["line_b"] * x
    half = row["line_q"] * np.sqrt(
        np.maximum(row["line_aa"] + 2 * row["line_ab"] * x + row["line_bb"] * x * x, 0)
    )
    low, middle, high = (
        (-1 if rising else 1) * unbent(y, row["hinge"], row["bend"])
        for y in (middle - half, middle, middle + half)
    )
    style.band(axis, turn(x), height(low), height(high))
    axis.plot(turn(x), height(middle), color=style.PALETTE[0], linewidth=1.4)
    axis.axhline(
        height(row["limit"]), color=style.PALETTE[4], linestyle="--", linewidth=1.2, label="limit"
    )
    if row["legal_limit"] == row["legal_limit"] and row["legal_limit"] != row["limit"]:
        law = {
            "color": style.INK,
            "linestyle": ":",
            "linewidth": 1.2,
            "label": _cut(f"legal limit ({row['jurisdiction']})", 30),
        }
        axis.axhline(height(row["legal_limit"]), **law)
    axis.set_ylim(bottom=max(axis.get_ylim()[0], 0 if not rising else -np.inf))
    axis.axvline(turn(now), color=style.MUTED, linewidth=0.8)
    axis.text(
        turn(now), axis.get_ylim()[1], "now", fontsize=7.5, va="top", ha="right", color=style.MUTED
    )
    axis.set_title(_part(row), fontsize=8.5)
    axis.set_ylabel(
        "stretch (%)"
        if rising
        else f"{'depth' if row['quantity'] == 'depth' else 'thickness'} ({_depth_unit(show)})",
        fontsize=8,
    )
    axis.set_xlabel(f"distance on the part ({show.units.distance})", fontsize=8)
    style.thousands(axis.xaxis, 5)


def _depth_unit(show):
    return "mm" if show.units.depth == "mm" else "1/32 in"


def _largest(lives, most):
    """The places with most ends, each with its items, largest first."""
    places = (
        lives.groupby(["category", "kind", "place_on"])["came_off"]
        .sum()
        .sort_values(ascending=False, kind="stable")
    )
    return [key for key, ends in places.items() if ends >= 3][:most]


def service_curves(lives, show):
    """Share still in service against distance, by place and item, with the number at risk; the smooth line is the Weibull fit."""
    keys = _largest(lives, PANELS)
    columns = min(2, len(keys))
    figure, axes = style.new_figure(
        2.6 * int(np.ceil(len(keys) / columns)),
        int(np.ceil(len(keys) / columns)),
        columns,
        squeeze=False,
    )
    by_place = dict(list(lives.groupby(["category", "kind", "place_on"])))
    for axis, key in zip(axes.flat, keys, strict=False):
        _curves_of(axis, by_place[key], key, show)
    for axis in axes.flat[len(keys) :]:
        axis.set_visible(False)
    return figure


def _curves_of(axis, lives, key, show):
    turn = show.units.from_km
    items = list(lives.groupby("item").size().sort_values(ascending=False, kind="stable").index[:3])
    reach = lives["duration_km"].max()
    ticks = show.units.to_km(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]).tick_values(0, turn(reach)))
    ticks = ticks[ticks <= reach]
    counts = []
    for i, item in enumerate(items):
        own = lives[lives["item"].eq(item)]
        curve = kaplan_meier(own["duration_km"], own["came_off"], own["entry_km"])
        look = style.series(i, marker="none")
        x = np.concatenate([[0], curve["duration"]])
        axis.step(
            turn(x),
            np.concatenate([[1], curve["survival"]]),
            where="post",
            label=_cut(item, 26),
            **look,
        )
        if own["came_off"].sum() >= 3:
            fit = fit_weibull(own["duration_km"], own["came_off"], own["entry_km"])
            grid = np.linspace(reach / 200, reach, 100)
            axis.plot(
                turn(grid), fit.survival_at(grid), color=look["color"], linewidth=0.7, alpha=0.8
            )
        counts.append(
            [int(((own["duration_km"] >= t) & (own["entry_km"] <= t)).sum()) for t in ticks]
        )
    axis.set_ylim(0, 1.02)
    axis.set_title(", ".join(_cut(k, 20) for k in key), fontsize=8.5)
    axis.set_xticks(
        turn(ticks),
        ["\n".join([f"{turn(t):,.0f}", *(str(c[j]) for c in counts)]) for j, t in enumerate(ticks)],
        fontsize=7.5,
    )
    axis.set_xlabel(
        f"distance ({show.units.distance}); below: number at risk, a line an item", fontsize=7.5
    )
    axis.set_ylabel("share in service", fontsize=8)
    axis.legend(fontsize=7, loc="upper right")


def comparable(cost):
    """The items with a cost that have another beside them at their place."""
    rows = cost[cost["cost_per_km"].notna()]
    return rows[rows.groupby(["category", "kind", "place_on"])["item"].transform("size") > 1]


def cost_ranges(cost, show):
    """Cost by 1,000 units of distance of items that share a place with another, grouped by place; lines are intervals."""
    rows = comparable(cost)
    figure, axes = style.new_figure(0.9 + 0.26 * len(rows))
    scale = show.scale("per_1000km")
    rows = rows.assign(**{c: 1000 * rows[c] for c in ("cost_per_km", "low_per_km", "high_per_km")})
    turn = scale.turn
    names = [
        f"{_cut(r['item'], 26)}, {r['kind']}, {r['place_on']}" for r in rows.to_dict("records")
    ]
    low, high = (
        turn(rows["low_per_km"].fillna(rows["cost_per_km"])),
        turn(rows["high_per_km"].fillna(rows["cost_per_km"])),
    )
    style.ranges(
        axes,
        names,
        turn(rows["cost_per_km"]),
        low,
        np.minimum(high, 3 * turn(rows["cost_per_km"]).max()),
    )
    edges = np.flatnonzero(
        rows[["category", "kind", "place_on"]]
        .ne(rows[["category", "kind", "place_on"]].shift())
        .any(axis=1)
    )
    for edge in edges[1:]:
        axes.axhline(edge - 0.5, color=style.RULE, linewidth=0.8)
    axes.set_xlabel(f"{show.units.currency} {scale.head}, price and fitting".strip())
    axes.set_xlim(left=0)
    return figure


def residuals(wear, show):
    """What the lines leave of the readings, by category, against the share of the part's distance at which they were taken."""
    looks = wear.looks[
        wear.looks["source"].eq("reading") & wear.looks["t"].notna() & ~wear.looks["is_doubtful"]
    ]
    names = list(looks.groupby("category").size().sort_values(ascending=False).index[:3])
    figure, axes = style.new_figure(2.4, 1, max(len(names), 1), squeeze=False, sharey=False)
    for i, (axis, name) in enumerate(zip(axes.flat, names, strict=False)):
        own = looks[looks["category"].eq(name)]
        share = own["distance_km"] / own.groupby(["part_key", "place"])["distance_km"].transform(
            "max"
        ).where(lambda m: m > 0)
        axis.plot(
            share,
            own["residual"],
            linestyle="none",
            markersize=2.5,
            alpha=0.5,
            color=style.PALETTE[i],
            marker=style.MARKERS[i],
        )
        axis.axhline(0, color=style.INK, linewidth=0.8)
        middle = own["residual"].groupby(pd.cut(share, np.linspace(0, 1, 6)), observed=True).mean()
        axis.plot(
            [(c.left + c.right) / 2 for c in middle.index], middle, color=style.INK, linewidth=1.4
        )
        axis.set_title(_cut(name, 24), fontsize=8.5)
        axis.set_xlabel("share of the distance read", fontsize=8)
        axis.set_ylabel(
            f"reading less line ({'%' if own['quantity'].iloc[0] == 'elongation' else 'mm'})",
            fontsize=8,
        )
    return figure


def weibull_plots(lives, show):
    """Weibull paper: points are the product-limit curve, the line the fit with its limits; straight points say that the form serves."""
    keys = _largest(lives, 4)
    figure, axes = style.new_figure(
        2.3 * int(np.ceil(len(keys) / 2)), int(np.ceil(len(keys) / 2)), 2, squeeze=False
    )
    by_place = dict(list(lives.groupby(["category", "kind", "place_on"])))
    for axis, key in zip(axes.flat, keys, strict=False):
        own = by_place[key]
        own = own[own["item"].eq(own.groupby("item")["came_off"].sum().idxmax())]
        curve = kaplan_meier(own["duration_km"], own["came_off"], own["entry_km"])
        at = curve[(curve["events"] > 0) & curve["survival"].between(0, 1, inclusive="neither")]
        axis.plot(
            show.units.from_km(at["duration"]),
            1 - at["survival"],
            linestyle="none",
            marker="o",
            markersize=4,
            color=style.PALETTE[0],
        )
        fit = fit_weibull(own["duration_km"], own["came_off"], own["entry_km"])
        grid = np.geomspace(at["duration"].min() * 0.7, own["duration_km"].max() * 1.1, 50)
        style.band(axis, show.units.from_km(grid), *(1 - share for share in fit.band_at(grid)))
        axis.plot(
            show.units.from_km(grid), 1 - fit.survival_at(grid), color=style.INK, linewidth=1.2
        )
        axis.set_xscale("log")
        axis.set_yscale("function", functions=(_paper, _unpaper))
        axis.set_yticks([0.02, 0.1, 0.3, 0.5, 0.8, 0.98], ["2%", "10%", "30%", "50%", "80%", "98%"])
        axis.set_ylim(0.015, 0.99)
        ticks = np.unique(
            [float(f"{v:.1g}") for v in show.units.from_km(np.geomspace(grid[0], grid[-1], 4))]
        )
        axis.set_xticks(ticks, [f"{t:,.0f}" for t in ticks])
        axis.minorticks_off()
        axis.set_title(f"{_cut(own['item'].iloc[0], 24)}, {key[1]}", fontsize=8.5)
        axis.set_xlabel(f"distance in service ({show.units.distance})", fontsize=8)
        axis.set_ylabel("share come off", fontsize=8)
    for axis in axes.flat[len(keys) :]:
        axis.set_visible(False)
    return figure


def _paper(p):
    return np.log(-np.log1p(-np.clip(p, 1e-9, 1 - 1e-9)))


def _unpaper(y):
    return -np.expm1(-np.exp(np.clip(y, -20, 3)))
