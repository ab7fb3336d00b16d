"""The timeline of readings: a row a vehicle, so that holes in the record can be seen."""

import pandas as pd
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from wearbar.report.charts import style

__all__ = ["timeline"]


def timeline(told):
    """A row a vehicle of a `coverage.Timeline`: ticks for readings, an open bar for a gap, marks for a new instrument and for disposal."""
    rows = {name: at for at, name in enumerate(told.vehicles)}
    figure, axes = style.new_figure(height=1.35 + 0.19 * max(len(rows), 2))
    begin, stop = _spans(told)
    axes.hlines(range(len(rows)), begin, stop, color=style.RULE, linewidth=1, zorder=1)
    for frame, look in ((told.layups, _LAYUP), (told.gaps, _GAP)):
        axes.barh(
            frame["vehicle"].map(rows), frame["end"] - frame["start"], left=frame["start"], **look
        )
    ticks = {
        "linestyle": "none",
        "marker": "|",
        "markersize": 6,
        "markeredgewidth": 0.9,
        "color": style.PALETTE[0],
    }
    axes.plot(told.readings["date"], told.readings["vehicle"].map(rows), **ticks, zorder=3)
    axes.plot(told.changes["date"], told.changes["vehicle"].map(rows), **_CHANGE, zorder=4)
    axes.plot(told.ends["date"], told.ends["vehicle"].map(rows), **_END, zorder=4)
    axes.set_yticks(range(len(rows)), [" ".join(str(v).split())[:30] for v in told.vehicles])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlim(told.first_day - pd.Timedelta(days=10), told.as_of + pd.Timedelta(days=10))
    axes.grid(visible=False, axis="y")
    style.dates(axes.xaxis)
    figure.legend(
        handles=_legend(told, ticks),
        loc="outside upper left",
        ncols=5,
        fontsize=8.5,
        handlelength=1.6,
        columnspacing=1.2,
        frameon=False,
    )
    return figure


_GAP = {
    "height": 0.62,
    "facecolor": "#F6D9B8",
    "edgecolor": style.PALETTE[4],
    "linewidth": 0.9,
    "zorder": 2,
}
_LAYUP = {
    "height": 0.62,
    "facecolor": "white",
    "edgecolor": style.MUTED,
    "hatch": "////",
    "linewidth": 0.7,
    "zorder": 2,
}
_CHANGE = {
    "linestyle": "none",
    "marker": "D",
    "markersize": 6,
    "color": style.PALETTE[2],
    "markerfacecolor": "white",
}
_END = {"linestyle": "none", "marker": "X", "markersize": 7, "color": style.PALETTE[4]}


def _spans(told):
    """First and last day of each row's line."""
    begin = told.begins.set_index("vehicle")["date"].reindex(told.vehicles)
    end = told.ends.set_index("vehicle")["date"].reindex(told.vehicles)
    return begin.to_numpy(), end.fillna(told.as_of).to_numpy()


def _legend(told, ticks):
    def patch(look):
        return {k: v for k, v in look.items() if k not in ("height", "zorder")}

    all_of = [
        (told.readings, Line2D([], [], **ticks, label="reading")),
        (told.gaps, Patch(**patch(_GAP), label="gap in the record")),
        (told.layups, Patch(**patch(_LAYUP), label="in storage")),
        (told.changes, Line2D([], [], **_CHANGE, label="new instrument")),
        (told.ends, Line2D([], [], **_END, label="disposed of")),
    ]
    return [handle for frame, handle in all_of if len(frame)]
