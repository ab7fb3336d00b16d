"""The timeline of readings: a row a vehicle, so that holes in the record can be seen."""

import pandas as pd

from wearbar.report.charts import style
from wearbar.report.quantities import clean

LOOKS = {
    "reading": {"marker": "|", "markersize": 6, "color": style.PALETTE[0], "zorder": 3}
    | {"markeredgewidth": 0.9},
    "gap in the record": {"facecolor": "#F6D9B8", "edgecolor": style.PALETTE[4], "linewidth": 0.9},
    "in storage": {"facecolor": "white", "edgecolor": style.MUTED, "linewidth": 0.7}
    | {"hatch": "////"},
    "new instrument": {"marker": "D", "markersize": 6, "color": style.PALETTE[2], "zorder": 4}
    | {"markerfacecolor": "white"},
    "disposed of": {"marker": "X", "markersize": 7, "color": style.PALETTE[4], "zorder": 4},
}


def timeline(told):
    """A row a vehicle of a `coverage.Timeline`: ticks for readings, a bar for a gap, marks."""
    rows = {name: at for at, name in enumerate(told.vehicles)}
    figure, axes = style.new_figure(height=1.35 + 0.19 * max(len(rows), 2))
    begin, end = (
        frame.set_index("vehicle")["date"].reindex(told.vehicles)
        for frame in (told.begins, told.ends)
    )
    line = {"color": style.RULE, "linewidth": 1, "zorder": 1}
    axes.hlines(range(len(rows)), begin.to_numpy(), end.fillna(told.as_of).to_numpy(), **line)
    frames = (told.readings, told.gaps, told.layups, told.changes, told.ends)
    handles = [
        _drawn(axes, frame, frame["vehicle"].map(rows), label)
        for label, frame in zip(LOOKS, frames, strict=True)
        if len(frame)
    ]
    axes.set_yticks(range(len(rows)), [clean(v, 30) for v in told.vehicles])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlim(told.first_day - pd.Timedelta(days=10), told.as_of + pd.Timedelta(days=10))
    axes.grid(visible=False, axis="y")
    style.dates(axes.xaxis)
    above = {"loc": "outside upper left", "ncols": 5, "fontsize": style.SMALL, "frameon": False}
    figure.legend(handles=handles, handlelength=1.6, columnspacing=1.2, **above)
    return figure


def _drawn(axes, frame, at, label):
    """The marks or bars of one kind, as the legend shows them."""
    look = LOOKS[label] | {"label": label}
    if "marker" in look:
        return axes.plot(frame["date"], at, linestyle="none", **look)[0]
    width = frame["end"] - frame["start"]
    return axes.barh(at, width, left=frame["start"], height=0.62, zorder=2, **look)
