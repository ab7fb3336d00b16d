"""Pictures of hard use: who is used how, the effect on wear, and the vehicles that it rests on."""

import numpy as np
import pandas as pd
from matplotlib.ticker import PercentFormatter

from wearbar.report.charts import style
from wearbar.severity.use import USE

__all__ = ["MOST_ROWS", "effect_of_use", "use_by_vehicle", "wear_against_use"]

MOST_ROWS = 40


def use_by_vehicle(table, limits, most=MOST_ROWS):
    """A row a vehicle from `hard_use.by_vehicle`, the hardest used on top: a mark a kind of use, a line where the plan calls it severe."""
    kinds = [k for k in table.columns if k in USE][:2]
    shown = table.dropna(subset=kinds, how="all").head(most)
    figure, axes = style.new_figure(height=1.3 + 0.19 * max(len(shown), 2))
    rows = np.arange(len(shown))
    for i, kind in enumerate(kinds):
        look = style.series(i, linestyle="none")
        axes.plot(shown[kind], rows, label=USE[kind], zorder=3, **look)
        if kind in limits:
            axes.axvline(
                limits[kind],
                color=look["color"],
                linestyle=style.LINES[i + 1],
                linewidth=1.2,
                label=f"severe from here: {USE[kind]}",
            )
    axes.set_yticks(
        rows,
        [
            _label(f"{v}, {s}" if isinstance(s, str) else v)
            for v, s in zip(shown["vehicle"], shown["site"], strict=True)
        ],
    )
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.set_xlim(-0.02, max(1.05 * shown[kinds].max(axis=None), 0.3) if len(shown) else 1)
    axes.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    axes.set_xlabel("share of the vehicle's distance")
    figure.legend(loc="outside upper left", ncols=2, fontsize=8.5, frameon=False)
    return figure


def effect_of_use(found):
    """Wear ratio for ten points more of each kind of use on each category, with its interval; a row that is refused says so."""
    figure, axes = style.new_figure(height=1.0 + 0.42 * max(len(found), 2))
    frame = pd.DataFrame(
        [{"value": e.ratio.value, "low": e.ratio.low, "high": e.ratio.high} for e in found],
        dtype=float,
    )
    labels = [f"{_label(e.category)}:\n{USE[e.exposure]}" for e in found]
    style.ranges(axes, labels, frame["value"], frame["low"], frame["high"])
    span = frame[["low", "high"]].replace([np.inf, 0.0], np.nan)
    axes.set_xlim(
        max(min(0.9, 0.97 * span["low"].min()), 0), min(max(1.2, 1.03 * span["high"].max()), 5)
    )
    axes.axvline(1, color=style.INK, linewidth=1, linestyle=style.LINES[1])
    for row in np.flatnonzero(frame["value"].isna()):
        axes.annotate(
            "not told: see below",
            (1, row),
            xytext=(6, 0),
            textcoords="offset points",
            va="center",
            color=style.MUTED,
        )
    axes.set_xlabel(
        "wear as a multiple, for ten points more of the distance in that use (1 is no effect)"
    )
    return figure


def wear_against_use(found):
    """A panel an effect: each vehicle's adjusted wear against its share of the use, by kind, with the fitted line and its interval."""
    figure, panels = style.new_figure(height=0.3 + 3.0 * len(found), rows=len(found), squeeze=False)
    kinds = sorted({kind for e in found for kind in e.points["kind"].dropna()})
    for axes, e in zip(panels[:, 0], found, strict=True):
        _panel(axes, e, kinds)
    panels[0, 0].legend(ncols=2, frameon=False)
    return figure


def _panel(axes, e, kinds):
    for i, kind in enumerate(kinds):
        some = e.points[e.points["kind"] == kind]
        axes.plot(
            some["share"],
            some["wear_ratio"],
            label=_label(kind),
            **style.series(i + 1, linestyle="none", markersize=6),
        )
    x = np.linspace(e.points["share"].min(), e.points["share"].max(), 60)
    line = e.wear_at(x)
    axes.plot(
        x, line["value"], color=style.PALETTE[0], linewidth=1.8, label="fitted, with its interval"
    )
    style.band(axes, x, line["low"], line["high"])
    axes.axhline(1, color=style.MUTED, linewidth=0.8)
    axes.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    axes.set_xlabel(f"share of the distance {USE[e.exposure]}")
    axes.set_ylabel(f"{_label(e.category)} wear, adjusted\n(1 is the mean)")


def _label(text):
    return " ".join(str(text).split())[:40]
