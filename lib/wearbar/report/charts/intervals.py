"""What figures of work due share, and one that seaborn has not: every task's state today."""

from wearbar.report.charts import style
from wearbar.report.quantities import clean

OUTCOMES = {"early": "before its window", "on-time": "in its window", "late": "late"}
WHEN = {name: style.PALETTE[i] for name, i in zip(OUTCOMES.values(), (6, 0, 4), strict=True)}
# state of a task, the most urgent last: its words, colour and marker, whose shape tells it too
STATES = {
    "before-window": ("not yet due", "#56B4E9", "o"),
    "in-window": ("may be done", "#009E73", "s"),
    "not-known": ("not known", style.MUTED, "$?$"),
    "due": ("due", "#E69F00", "D"),
    "past-window": ("overdue", "#D55E00", "X"),
}
MOST_VEHICLES = 60


def states_now(found):
    """A row a vehicle, a column a task, a mark for its state, the most urgent first and on top."""
    now = found[found["is_current"] & found["state"].isin(list(STATES))]
    now = now.assign(rank=now["state"].map(list(STATES).index))
    now = now.sort_values("rank").drop_duplicates(["vehicle", "task"], keep="last")
    vehicles, tasks = _by_urgency(now, "vehicle")[:MOST_VEHICLES], _by_urgency(now, "task")
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
    axes.set_yticks(range(len(vehicles)), [clean(v, 14) for v in vehicles])
    axes.set_ylim(len(vehicles) - 0.4, -0.6)
    axes.set_xlim(-0.6, len(tasks) - 0.4)
    style.legend_above(figure, 3, fontsize=style.SMALL)
    return figure


def _by_urgency(now, column):
    worst = now.groupby(column)["rank"].agg(["max", "sum"])
    return worst.sort_values(["max", "sum"], ascending=False, kind="stable").index
