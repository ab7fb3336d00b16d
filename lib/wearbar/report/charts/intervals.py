"""Figures of what was due: the state of every task today, the rate by month and by group, how far from the due point work was done."""

import numpy as np
import pandas as pd

from wearbar.report.charts import style

__all__ = ["by_group", "by_month", "distance_from_due", "states_now"]

WORDS = {
    "before-window": "not yet due",
    "in-window": "may be done",
    "due": "due",
    "past-window": "overdue",
    "not-known": "not known",
}
MOST_VEHICLES = 60
MONTHS = 24
OUTCOMES = (
    ("early", "before its window", 6, "...."),
    ("on-time", "in its window", 0, ""),
    ("late", "late", 4, "////"),
)


def states_now(found):
    """A row a vehicle, a column a task, a mark for its state; of several positions the gravest."""
    rank = {
        state: at
        for at, state in enumerate(
            ["before-window", "in-window", "not-known", "due", "past-window"]
        )
    }
    now = found[found["is_current"] & found["state"].isin(rank)]
    grave = (
        now.assign(rank=now["state"].map(rank))
        .sort_values("rank")
        .drop_duplicates(["vehicle", "task"], keep="last")
    )
    worst = (
        grave.groupby("vehicle")["rank"]
        .agg(["max", "sum"])
        .sort_values(["max", "sum"], ascending=False, kind="stable")
    )
    vehicles = sorted(worst.index[:MOST_VEHICLES])
    tasks = sorted(grave["task"].unique())
    grave = grave[grave["vehicle"].isin(vehicles)]
    at = grave["vehicle"].map({v: i for i, v in enumerate(vehicles)})
    across = grave["task"].map({t: i for i, t in enumerate(tasks)})
    figure, axes = style.new_figure(height=2.6 + 0.2 * max(len(vehicles), 3))
    for state, word in WORDS.items():
        own = grave["state"] == state
        if own.any():
            look = style.STATES[state]
            size = 3.5 if state == "before-window" else 7
            axes.plot(across[own], at[own], linestyle="none", markersize=size, label=word, **look)
    axes.set_xticks(
        range(len(tasks)),
        [_short(t) for t in tasks],
        rotation=60,
        ha="right",
        rotation_mode="anchor",
    )
    axes.set_yticks(range(len(vehicles)), [_short(v) for v in vehicles])
    axes.set_ylim(len(vehicles) - 0.4, -0.6)
    axes.set_xlim(-0.6, len(tasks) - 0.4)
    if len(grave):
        figure.legend(loc="outside upper left", ncols=5, fontsize=8.5)
    return figure


def by_month(table):
    """The rate of each month in which a window closed, with its interval; the latest MONTHS."""
    table = table.tail(MONTHS)
    figure, axes = style.new_figure(height=2.9)
    value = 100 * table["share"].to_numpy()
    spread = np.abs(np.stack([value - 100 * table["low"], 100 * table["high"] - value]))
    axes.errorbar(
        table["month"],
        value,
        spread,
        fmt="o",
        color=style.PALETTE[0],
        markersize=4.5,
        elinewidth=1.2,
    )
    axes.set_ylim(0, 103)
    axes.set_ylabel("Done on time (%)")
    axes.set_xlabel("Month in which the window closed")
    style.dates(axes.xaxis)
    return figure


def by_group(table, column):
    """The rate of each group with its interval, how many occasions beside its name."""
    figure, axes = style.new_figure(height=1.0 + 0.26 * max(len(table), 2))
    labels = [
        f"{_short(name, 34)} ({n:,})" for name, n in zip(table[column], table["n"], strict=True)
    ]
    if len(table):
        style.ranges(axes, labels, 100 * table["share"], 100 * table["low"], 100 * table["high"])
    axes.set_xlim(0, 103)
    axes.set_xlabel("Done on time (%), jobs in brackets")
    return figure


def distance_from_due(found):
    """How far from its due point each counted piece of work was done, in shares of its interval, by how it counted."""
    counted = found[found["in_rate"] & ~found["is_open"] & found["overrun_share"].notna()]
    edges = np.arange(-100, 101, 5)
    figure, axes = style.new_figure(height=2.9)
    bottom = np.zeros(len(edges) - 1)
    for outcome, word, colour, hatch in OUTCOMES:
        share = 100 * counted.loc[counted["outcome"] == outcome, "overrun_share"].clip(
            -0.9999, 0.9999
        )
        n, _ = np.histogram(share, edges)
        look = {
            "color": style.PALETTE[colour],
            "edgecolor": "white",
            "linewidth": 0.5,
            "hatch": hatch,
        }
        axes.bar(edges[:-1], n, 5, bottom=bottom, align="edge", label=word, **look)
        bottom += n
    axes.axvline(0, color=style.INK, linewidth=1)
    axes.set_xlabel(
        "Before the due point (negative) and after it (% of the interval; the ends hold what lies beyond)"
    )
    axes.set_ylabel("Pieces of work")
    style.thousands(axes.yaxis)
    axes.legend(loc="upper left")
    return figure


def _short(name, most=30):
    name = " ".join(str(name).split()) if not pd.isna(name) else "not known"
    return name if len(name) <= most else name[: most - 1] + "…"
