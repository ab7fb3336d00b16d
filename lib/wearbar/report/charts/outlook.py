"""Figures of the year ahead: work by month with its band, what last year's outlook foresaw beside what came, forecasts against chance,
visits.
"""

import numpy as np
import pandas as pd

from wearbar.report.charts import style

__all__ = ["by_month", "last_year", "reliability", "visits"]

MOST_VEHICLES = 60


def by_month(table, column, label):
    """A month a step: the mean and the band of jobs, hours or money."""
    figure, axes = style.new_figure(height=2.8)
    _bands(axes, table, column)
    _months(axes, table["month"])
    axes.set_ylabel(label)
    axes.set_ylim(bottom=0)
    style.thousands(axes.yaxis)
    return figure


def last_year(table, column, label):
    """What was foreseen with its band, what came, and what the year before had, month by month."""
    figure, axes = style.new_figure(height=3.1)
    x = np.arange(len(table))
    _bands(axes, table, column)
    for i, (suffix, name, offset) in enumerate(
        (("_came", "came", 0.16), ("_before", "the year before", -0.16)), start=1
    ):
        axes.plot(
            x + offset, table[f"{column}{suffix}"], **style.series(i, linestyle="none", label=name)
        )
    _months(axes, table["month"])
    axes.set_ylabel(label)
    axes.set_ylim(bottom=0)
    style.thousands(axes.yaxis)
    figure.legend(loc="outside upper left", ncols=3, fontsize=8.5)
    return figure


def reliability(table):
    """How often the truth lay in the interval, by days ahead, with two standard errors; the dashed line is what it says."""
    figure, axes = style.new_figure(height=1.2 + 0.34 * max(len(table), 2))
    value, half = 100 * table["inside"], 200 * table["se"]
    labels = [f"{row.horizon} ({row.n:,})" for row in table.itertuples()]
    style.ranges(axes, labels, value, (value - half).clip(lower=0), (value + half).clip(upper=100))
    axes.axvline(100 * table["confidence"].iloc[0], color=style.INK, linestyle="--", linewidth=1)
    axes.set_xlim(min(50, float((value - half).min()) - 3), 101)
    axes.set_xlabel("Truths inside the interval (%), in brackets the forecasts")
    return figure


def visits(plan, as_of):
    """A row a vehicle, a mark a visit, larger with more jobs."""
    table = plan.jobs.groupby(["vehicle", "day"]).size().rename("jobs").reset_index()
    names = sorted(table["vehicle"].unique())[:MOST_VEHICLES]
    table = table[table["vehicle"].isin(names)]
    figure, axes = style.new_figure(height=1.4 + 0.19 * max(len(names), 3))
    at = table["vehicle"].map({v: i for i, v in enumerate(names)})
    date = as_of + pd.to_timedelta(table["day"], unit="D")
    axes.scatter(
        date, at, s=10 + 9 * table["jobs"], color=style.PALETTE[0], alpha=0.8, linewidths=0
    )
    axes.set_yticks(range(len(names)), [" ".join(str(n).split())[:30] for n in names])
    axes.set_ylim(len(names) - 0.4, -0.6)
    style.dates(axes.xaxis)
    return figure


def _bands(axes, table, column):
    x, look = np.arange(len(table)), style.series(0, linestyle="none", zorder=3)
    axes.vlines(
        x,
        table[f"{column}_low"],
        table[f"{column}_high"],
        color=look["color"],
        linewidth=5,
        alpha=0.3,
    )
    axes.plot(x, table[column], label="foreseen, with its band", **look)


def _months(axes, starts):
    axes.set_xticks(
        range(len(starts)),
        [f"{d:%b}\n{d:%Y}" if i == 0 or d.month == 1 else f"{d:%b}" for i, d in enumerate(starts)],
    )
