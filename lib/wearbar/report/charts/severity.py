"""Pictures of hard use: the effect on wear, and the vehicles that it rests on."""

import numpy as np
import pandas as pd
from matplotlib.ticker import PercentFormatter

from wearbar.report.charts import style
from wearbar.report.template import coded
from wearbar.severity.use import USE


def severe_from(axes, share):
    """A line where the plan begins to call a use severe, None for none. The axis is in percent."""
    axes.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    if share is not None:
        axes.axvline(share, color=style.PALETTE[4], linestyle="--", linewidth=1.2, zorder=0)
        axes.set_xlim(left=min(axes.get_xlim()[0], share - 0.02))


def effect_of_use(found):
    """Wear ratio for ten points more of each use, by category; a row that is refused says so."""
    found = sorted(found, key=lambda e: (not e.is_shown, -e.ratio.value if e.is_shown else 0))
    figure, axes = style.new_figure(height=0.9 + 0.45 * max(len(found), 2))
    rows = [(e.ratio.value, e.ratio.low, e.ratio.high) for e in found]
    frame = pd.DataFrame(rows, columns=["value", "low", "high"], dtype=float)
    labels = [f"{coded(e.category)}\n{USE[e.exposure]}" for e in found]
    style.ranges(axes, labels, frame["value"], frame["low"], frame["high"])
    span = frame[["low", "high"]].replace([np.inf, 0.0], np.nan)
    low, high = min(0.9, 0.97 * span["low"].min()), max(1.2, 1.03 * span["high"].max())
    axes.set_xlim(max(low, 0), min(high, 5))
    axes.axvline(1, color=style.INK, linewidth=1, linestyle="--")
    said = {"textcoords": "offset points", "va": "center", "color": style.MUTED}
    for row in np.flatnonzero(frame["value"].isna()):
        axes.annotate("not enough data to say", (1, row), xytext=(6, 0), **said)
    axes.set_xlabel("wear for 10 points more of the distance,\nas a multiple (1 is no effect)")
    return figure


def fitted(axes, e):
    """The fitted line of an effect with its interval; the vehicle farthest from it is named."""
    share, wear = e.points["share"], e.points["wear_ratio"]
    x = np.linspace(share.min(), share.max(), 60)
    line = e.wear_at(x)
    axes.plot(x, line["value"], color=style.INK, linewidth=1.6, label="fitted, with its range")
    axes.fill_between(x, line["low"], line["high"], color=style.MUTED, alpha=0.2, linewidth=0)
    axes.axhline(1, color=style.MUTED, linewidth=0.8)
    off = (np.log(wear) - np.log(e.wear_at(share)["value"].to_numpy())).abs().idxmax()
    style.name_point(axes, share[off], wear[off], e.points.loc[off, "vehicle"])
    axes.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    axes.set_xlabel(f"share of the distance {USE[e.exposure]}")
    axes.set_ylabel(f"{coded(e.category)} wear, adjusted\n(1 is the mean)")
    style.legend_above(axes.figure)
