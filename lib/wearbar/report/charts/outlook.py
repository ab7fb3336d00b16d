"""Figures of the year ahead that a cell does not draw by itself: visits, and an axis of months."""

import pandas as pd

from wearbar.report.charts import style
from wearbar.report.quantities import clean

MOST_VEHICLES = 40


def months(axes, starts, label):
    """Make a category axis one of months (their first days); the other is `label`, from nil."""
    ticks = [
        f"{d:%b}\n{d:%Y}" if i == 0 or d.month == 1 else f"{d:%b}" for i, d in enumerate(starts)
    ]
    axes.set_xticks(range(len(starts)), ticks)
    axes.set(xlabel="", ylabel=label)
    axes.set_ylim(bottom=0)
    style.thousands(axes.yaxis)


def visits(plan, as_of):
    """A row a vehicle, those with the most visits on top; a mark a visit, larger with more jobs."""
    table = plan.jobs.groupby(["vehicle", "day"]).size().rename("jobs").reset_index()
    count = table.groupby("vehicle").size().sort_values(ascending=False, kind="stable")
    names = count.index[:MOST_VEHICLES]
    table = table[table["vehicle"].isin(names)]
    figure, axes = style.new_figure(height=1.2 + 0.2 * max(len(names), 3))
    date = as_of + pd.to_timedelta(table["day"], unit="D")
    look = {"color": style.PALETTE[0], "alpha": 0.8, "linewidths": 0}
    axes.scatter(date, names.get_indexer(table["vehicle"]), s=10 + 6 * table["jobs"], **look)
    axes.set_yticks(range(len(names)), [clean(n, 24) for n in names])
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.set_xlabel("Date of the visit")
    style.dates(axes.xaxis)
    return figure
