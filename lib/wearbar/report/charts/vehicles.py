"""Figures with a row a vehicle that seaborn has not: when it was read, every task's state today;
and the last months of their figures together."""

import pandas as pd

from wearbar.log.places import read_toml
from wearbar.report.charts import style
from wearbar.report.quantities import clean

MARKS = read_toml("shared", "report", "figures.toml")
STATES = MARKS["states"]  # code to words, colour and marker, the most urgent last
MOST_VEHICLES = 60


def timeline(marks, log):
    """The marks of a `coverage.timeline`, and a line for each vehicle's time in the log."""
    names = marks["vehicle"].unique()
    marks = marks.assign(row=pd.Index(names).get_indexer(marks["vehicle"]))
    figure, axes = style.new_figure(height=1.35 + 0.19 * max(len(names), 2))
    here = marks[marks["what"].eq("in the log")]
    axes.hlines(here["row"], here["start"], here["end"], color=style.RULE, linewidth=1, zorder=1)
    for label, look in MARKS["looks"].items():
        own = marks[marks["what"].eq(label)]
        if len(own) and "marker" in look:
            more = {"linestyle": "none", "zorder": 3, "label": label}
            axes.plot(own["start"], own["row"], **more, **look)
        elif len(own):
            bar = {"left": own["start"], "height": 0.62, "zorder": 2, "label": label}
            axes.barh(own["row"], own["end"] - own["start"], **bar, **look)
    style.rows(axes, [clean(name, 30) for name in names])
    axes.set_xlim(log.first_day - pd.Timedelta(days=10), log.as_of + pd.Timedelta(days=10))
    axes.grid(visible=False, axis="y")
    style.dates(axes.xaxis)
    style.legend_above(figure, 5, fontsize=style.SMALL, handlelength=1.6, columnspacing=1.2)
    return figure


def states_now(found):
    """A row a vehicle, a column a task, a mark for its state, the most urgent first and on top."""
    now = found[found["is_current"] & found["state"].isin(list(STATES))]
    now = now.assign(rank=now["state"].map(list(STATES).index))
    now = now.sort_values("rank").drop_duplicates(["vehicle", "task"], keep="last")
    worst = (now.groupby(of)["rank"].agg(["max", "sum"]) for of in ("vehicle", "task"))
    order = {"by": ["max", "sum"], "ascending": False, "kind": "stable"}
    vehicles, tasks = (ranks.sort_values(**order).index for ranks in worst)
    vehicles = vehicles[:MOST_VEHICLES]
    now = now[now["vehicle"].isin(vehicles)]
    figure, axes = style.new_figure(height=2.8 + 0.2 * max(len(vehicles), 3))
    for state, own in now.groupby("state"):
        label, colour, marker = STATES[state]
        look = {"label": label, "color": colour, "marker": marker, "linestyle": "none"}
        at = tasks.get_indexer(own["task"]), vehicles.get_indexer(own["vehicle"])
        axes.plot(*at, markersize=3.5 if state == "before-window" else 7, **look)
    titles = now.drop_duplicates("task").set_index("task")["title"].reindex(tasks)
    small = {"rotation": 90, "fontsize": style.SMALL}
    axes.set_xticks(range(len(tasks)), [clean(t, 26) for t in titles], **small)
    axes.set_xlim(-0.6, len(tasks) - 0.4)
    style.rows(axes, [clean(v, 14) for v in vehicles])
    style.legend_above(figure, 3, fontsize=style.SMALL)
    return figure


def months(values, titles):
    """A small panel for each column of a frame by month, from nil; `titles`, one each."""
    figure, axes = style.panels(len(titles), 1.25)
    for axis, name, title in zip(axes, values, titles, strict=True):
        axis.plot(range(len(values)), values[name], **style.series(0))  # a gap where not known
        style.months(axis, values.index, "")
        axis.set_ylim(0, 1.15 * top if (top := values[name].max()) > 0 else 1)
        style.thousands(axis.yaxis, 3)
        style.name_axes(axis, "", "", title)
    return figure
