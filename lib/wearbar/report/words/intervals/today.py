"""What is said of the list of work, of the states of tasks, and of work put off or looked at again."""

from wearbar.intervals import FORECAST_DAYS
from wearbar.report.quantities import listing, number, plain, plural, safe
from wearbar.report.words.action_pages import counted

__all__ = [
    "MOST_VEHICLES",
    "STATES",
    "alt_states",
    "caption_states",
    "coming_caption",
    "list_said",
    "looked_again",
    "no_plan",
    "none_coming",
    "none_overdue",
    "open_heads",
    "put_off",
    "states_said",
]

STATES = {
    "before-window": "○ not yet due",
    "in-window": "□ may be done",
    "due": "◆ due",
    "past-window": "✖ overdue",
    "not-known": "? not known",
    "done": "done",
    "missed": "missed",
    "not-finished": "not finished",
}
MOST_VEHICLES = 60  # in the grid of states
OVER = {
    "over_days": ("Over by, days", ""),
    "over_km": "Over by",
    "over_hours": ("Over by, hours", ""),
}


def no_plan(log):
    """Said where nothing can be due, because the log has no plan; else nothing."""
    if log.plan is not None:
        return ""
    return (
        "The log has no maintenance plan, so nothing can be said to be due or late. Name one in log.toml (`plan`); templates come with the "
        "suite, and the maker's handbook has the figures."
    )


def list_said(rows, missing, told, items, found):
    """What the list holds, and what it cannot. rows: of `actionlist.actions`."""
    old = {None: "", 0: " The oldest last reading is of the report date itself."}
    old = old.get(
        told.oldest_days, f" The oldest last reading is {plural(told.oldest_days or 0, 'day')} old."
    )
    blind = f" The log has no record of {listing(missing)}." if missing else ""
    n = int((items["what"].eq("recheck") & items["is_open"] & items["state"].eq("not-known")).sum())
    write = "Write each as work: the task's code with -recheck."
    looks = f" {plural(n, 'job')} asked for a re-check that is not in the log. {write}" if n else ""
    return f"{_start(rows, found)}{old}{blind}{looks} The maker's handbook and the local law win over this list."


def _start(rows, found):
    now = rows[~rows["urgency"].eq("coming")]
    start = (
        f"On the report date: {counted(now)}." if len(now) else "This log shows nothing to do now."
    )
    if not found.empty:
        return start
    missing = "**No vehicle here has a task of a maintenance plan, so the log cannot say what work is due.**"
    return (
        f"{missing} The list holds only what has a due point of its own. {start}"
        if len(now)
        else missing
    )


def _over_heads(rows):
    """Headings of how far rows are beyond their due points: of what is counted there."""
    return {name: head for name, head in OVER.items() if rows[name].notna().any()}


def open_heads(rows):
    """Headings of open work: its due points, of what is counted there, and how far it is beyond them."""
    by_hours = {"due_meter_hours": ("Due at, hours", "")} if rows["due_hours"].notna().any() else {}
    head = {
        "vehicle": "Vehicle",
        "title": "Task",
        "position": "Position",
        "due_date": "Due",
        "due_odometer_km": "Due at",
        **by_hours,
    }
    return head | _over_heads(rows) | {"driven_past_km": "Driven since its window closed"}


def coming_caption():
    return (
        f"Coming in the next {FORECAST_DAYS} days, by its date or by how far the vehicle is driven"
    )


def none_coming(found):
    """Said in place of an empty list of coming work; nothing where no plan says when work is due."""
    return (
        "" if found.empty else f"Nothing more is listed as coming in the next {FORECAST_DAYS} days."
    )


def none_overdue(found):
    """Said in place of an empty list of overdue work; nothing where no plan says when work is due."""
    return "" if found.empty else "No job of the plan is open and overdue by this log."


def put_off(table):
    """Why work was put off."""
    if table.empty:
        return "The log has no work put off on record."
    top = listing([f"{safe(row.reason)} ({number(row.n)})" for row in table.itertuples()], most=5)
    return f"Work was put off {plural(int(table['n'].sum()), 'time')}: {top}. Putting off moves no due point."


def looked_again(items):
    """Whether what was disturbed was looked at again in time."""
    looks = items[items["what"].eq("recheck") & items["outcome"].isin(["on-time", "late"])]
    if looks.empty:
        return ""
    late = int((looks["outcome"] == "late").sum())
    seen_to = f"Of {plural(len(looks), 'look')} again after work (tightness, level, bedding), {number(late)} came late."
    return f"{seen_to} They stand apart from the rate."


def states_said(found):
    """How to read the grid of states."""
    now = found[found["is_current"] & found["duty"].eq("not-known")]
    if now.empty:
        return ""
    n = now["vehicle"].nunique()
    whose = f"{plural(n, 'vehicle')} {'is' if n == 1 else 'are'}"
    return f"How hard {whose} used is not known, for want of rows in `use`: states are by the normal limits, and work may be due sooner."


def caption_states(found):
    n = found.loc[found["is_current"], "vehicle"].nunique()
    return (
        f"The {MOST_VEHICLES} vehicles with the gravest states, of {number(n)}."
        if n > MOST_VEHICLES
        else "Of several positions, the gravest."
    )


def alt_states(found):
    """The figure of states in words."""
    now = found[found["is_current"]]
    n = now["state"].map(STATES).value_counts()
    parts = [f"{number(count)} {word.split(' ', 1)[-1]}" for word, count in n.items()]
    return plain(
        f"Grid of vehicles against tasks, a mark for the state of each on the log's day: {listing(parts)}."
    )
