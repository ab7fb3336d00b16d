"""The figure of wear lines: what was read of a part, its line with its range, its limits."""

import numpy as np

from wearbar.parts import unbent
from wearbar.report.charts import style
from wearbar.report.quantities import clean
from wearbar.report.words.life import has_line, part_name

PANELS = 4  # of a figure


def wear_lines(wear, on, show):
    """Wear of the most pressing parts: readings, the worst place's line and range, the limits."""
    rows = on[has_line(on)].head(PANELS).to_dict("records")
    figure, axes = style.panels(len(rows), 2.3)
    turn, blue = show.units.from_km, style.PALETTE[0]
    unit = "mm" if show.units.depth == "mm" else "1/32 in"
    names = {"depth": f"depth ({unit})", "elongation": "stretch (%)"}
    for axis, row in zip(axes, rows, strict=True):
        is_rising = row["quantity"] == "elongation"
        height, sign = ((lambda v: v), -1) if is_rising else (show.units.from_mm, 1)
        # every reading; the last may have no distance
        looks = wear.looks[wear.looks["part_key"].eq(row["part_key"])]
        read = looks[looks["source"].ne("removed")]
        is_own, bare = read["place"].eq(row["place"]), {"linestyle": "none"}
        at = turn(read["distance_km"]), height(read["value"])
        small = {"marker": "s", "markersize": 3, "color": style.MUTED, "label": "other places"}
        axis.plot(*(x[~is_own] for x in at), **bare, **small)
        own = {"marker": "o", "markersize": 5, "color": blue, "label": "place worn most"}
        axis.plot(*(x[is_own] for x in at), **bare, **own)
        if read.loc[read["date"].eq(row["last_read"]), "distance_km"].isna().all():
            look = {"marker": "D", "markerfacecolor": "none", "color": blue, **bare}
            at = turn(row["seen_now_km"]), height(row["last_height"])
            axis.plot(*at, label="last reading, distance not known", **look)
        # the line with its range, from the first reading to beyond today
        now, first = row["seen_now_km"], read.loc[is_own, "distance_km"].min()
        x = np.linspace(first, max(min(row["life_high_km"], 1.4 * row["life_km"]), now), 60)
        middle = row["line_a"] + row["line_b"] * x
        variance = row["line_aa"] + 2 * row["line_ab"] * x + row["line_bb"] * x * x
        half = row["line_q"] * np.sqrt(np.maximum(variance, 0))
        ends = (unbent(middle + off, row["hinge"], row["bend"]) for off in (-half, 0, half))
        low, middle, high = (height(sign * end) for end in ends)
        style.band(axis, turn(x), low, high)
        axis.plot(turn(x), middle, color=blue, linewidth=1.4)
        # the limits, and today
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
        style.name_axes(axis, f"distance on the part ({show.units.distance})", "", part_name(row))
        axis.set_ylabel(names.get(row["quantity"], f"thickness ({unit})"), fontsize=10)
        style.thousands(axis.xaxis, 4)
    style.legend_above(figure)
    return figure
