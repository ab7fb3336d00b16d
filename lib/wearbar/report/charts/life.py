"""The figure of wear lines: what was read of a part, its line with its range, its limits."""

import numpy as np

from wearbar.parts import unbent
from wearbar.report.charts import style
from wearbar.report.quantities import clean
from wearbar.report.words.wear import has_line, part_name

PANELS = 4  # of a figure


def wear_lines(wear, on, show):
    """Wear of the most pressing parts: readings, the worst place's line and range, the limit."""
    rows = on[has_line(on)].head(PANELS).to_dict("records")
    figure, axes = style.panels(len(rows), 2.3)
    unit = "mm" if show.units.depth == "mm" else "1/32 in"
    names = {"depth": f"depth ({unit})", "elongation": "stretch (%)"}
    for axis, row in zip(axes, rows, strict=True):
        is_rising = row["quantity"] == "elongation"
        height = (lambda v: v) if is_rising else show.units.from_mm
        looks = wear.looks[wear.looks["part_key"].eq(row["part_key"])]
        read = looks[looks["source"].ne("removed")]
        _readings(axis, read, row, show.units.from_km, height)
        first_km = read.loc[read["place"].eq(row["place"]), "distance_km"].min()
        _line(axis, row, first_km, show.units.from_km, height)
        style.name_axes(axis, f"distance on the part ({show.units.distance})", "", part_name(row))
        axis.set_ylabel(names.get(row["quantity"], f"thickness ({unit})"), fontsize=10)
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
