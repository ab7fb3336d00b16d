"""Figures of the year ahead that a cell does not draw by itself: forecasts against chance, visits; and an axis of months."""

import pandas as pd

from wearbar.report.charts import style

__all__ = ["months", "reliability", "visits"]

MOST_VEHICLES = 40


def months(axes, starts, label):
    """Make a category axis one of months (their first days), and the other begin at nil under `label`."""
    ticks = [
        f"{d:%b}\n{d:%Y}" if i == 0 or d.month == 1 else f"{d:%b}" for i, d in enumerate(starts)
    ]
    axes.set_xticks(range(len(starts)), ticks)
    axes.set(xlabel="", ylabel=label)
    axes.set_ylim(bottom=0)
    style.thousands(axes.yaxis)


def reliability(table):
    """How often the actual value lay in the range, by days ahead, with two standard errors; the dashed line is what it says."""
    figure, axes = style.new_figure(height=1.2 + 0.36 * max(len(table), 2))
    value, half = 100 * table["inside"], 200 * table["se"]
    labels = [f"{row.horizon} ({row.n:,})" for row in table.itertuples()]
    style.ranges(axes, labels, value, (value - half).clip(lower=0), (value + half).clip(upper=100))
    axes.axvline(100 * table["confidence"].iloc[0], color=style.INK, linestyle="--", linewidth=1)
    axes.set_xlim(min(50, float((value - half).min()) - 3), 101)
    axes.set_xlabel("Actual values inside the range (%)")
    return figure


def visits(plan, as_of):
    """A row a vehicle, those with the most visits on top; a mark a visit, larger with more jobs."""
    table = plan.jobs.groupby(["vehicle", "day"]).size().rename("jobs").reset_index()
    order = table["vehicle"].value_counts().rename_axis("vehicle").reset_index()
    order = order.sort_values(["count", "vehicle"], ascending=[False, True])["vehicle"]
    names = order.tolist()[:MOST_VEHICLES]
    table = table[table["vehicle"].isin(names)]
    figure, axes = style.new_figure(height=1.2 + 0.2 * max(len(names), 3))
    at = table["vehicle"].map({v: i for i, v in enumerate(names)})
    date = as_of + pd.to_timedelta(table["day"], unit="D")
    look = {"color": style.PALETTE[0], "alpha": 0.8, "linewidths": 0}
    axes.scatter(date, at, s=10 + 6 * table["jobs"], **look)
    axes.set_yticks(range(len(names)), [" ".join(str(n).split())[:24] for n in names])
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.set_xlabel("Date of the visit")
    style.dates(axes.xaxis)
    return figure
