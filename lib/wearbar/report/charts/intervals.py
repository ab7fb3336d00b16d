"""What figures of work due share, and the one that seaborn has not: the state of every task today."""

import pandas as pd

from wearbar.report.charts import style

__all__ = ["OUTCOMES", "WHEN", "short", "states_now"]

OUTCOMES = {"early": "before its window", "on-time": "in its window", "late": "late"}
WHEN = dict(
    zip(OUTCOMES.values(), (style.PALETTE[6], style.PALETTE[0], style.PALETTE[4]), strict=True)
)
WORDS = {
    "before-window": "not yet due",
    "in-window": "may be done",
    "not-known": "not known",
    "due": "due",
    "past-window": "overdue",
}
MOST_VEHICLES = 60


def states_now(found):
    """A row a vehicle, a column a task, a mark for its state, the most urgent first; of several positions the most urgent."""
    now = found[found["is_current"] & found["state"].isin(list(WORDS))]
    now = now.assign(rank=now["state"].map({state: at for at, state in enumerate(WORDS)}))
    now = now.sort_values("rank").drop_duplicates(["vehicle", "task"], keep="last")
    vehicles, tasks = _by_urgency(now, "vehicle")[:MOST_VEHICLES], _by_urgency(now, "task")
    now = now[now["vehicle"].isin(vehicles)]
    at, across = (pd.Index(names) for names in (vehicles, tasks))
    figure, axes = style.new_figure(height=2.8 + 0.2 * max(len(vehicles), 3))
    for state, own in now.groupby("state"):
        size = 3.5 if state == "before-window" else 7
        x, y = across.get_indexer(own["task"]), at.get_indexer(own["vehicle"])
        look = {"label": WORDS[state], "linestyle": "none", "markersize": size}
        axes.plot(x, y, **look, **style.STATES[state])
    titles = now.drop_duplicates("task").set_index("task")["title"].reindex(tasks)
    axes.set_xticks(range(len(tasks)), [short(t, 26) for t in titles], rotation=90, fontsize=8.5)
    axes.set_yticks(range(len(vehicles)), [short(v, 14) for v in vehicles])
    axes.set_ylim(len(vehicles) - 0.4, -0.6)
    axes.set_xlim(-0.6, len(tasks) - 0.4)
    if len(now):
        figure.legend(loc="outside upper left", ncols=3, fontsize=8.5)
    return figure


def _by_urgency(now, column):
    worst = now.groupby(column)["rank"].agg(["max", "sum"])
    return worst.sort_values(["max", "sum"], ascending=False, kind="stable").index.tolist()


def short(name, most=28):
    """A name as a label has room for it."""
    name = " ".join(str(name).split()) if not pd.isna(name) else "not known"
    return name if len(name) <= most else name[: most - 1] + "…"
