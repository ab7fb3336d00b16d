"""What is said of a reader's own criterion, and of what has changed since an earlier pack."""

import math

from wearbar.report.quantities import listing, number, plural

__all__ = ["HEADS_SINCE", "became_said", "became_table", "rate_changed", "two_rates"]

KINDS = {
    "defect": "defect",
    "finding": "failed",
    "certificate": "certificate",
    "campaign": "recall",
    "wear": "worn",
}
BECAME = {"new": "new", "still": "as then", "gone": "no longer listed", "done": "done"}
HEADS_SINCE = {
    "vehicle": "Vehicle",
    "thing": "Work, or what stood in the way",
    "position": "Position",
    "due_date": "Due",
    "now": "Since then",
    "done_date": "Done",
}
MEANS = (
    "The plan's window draws the states on the list and grants each task an allowance of its own. The criterion grants every task the same "
    "share, counts in this figure alone and moves no due point. So work can be overdue on the list and in time here, or the other way "
    "round. A certificate has no allowance by either."
)


def two_rates(rate, other, moves, criterion, show):
    """The rate by the plan's own window beside that by a reader's criterion, and how they come to differ."""
    if math.isnan(rate.value) or math.isnan(other.value):
        return "No occasion has run its course by both the plan's window and the criterion asked for, so there are no two rates to compare."
    by_plan = f"In time by the plan's own window: **{show.estimate(rate)}**."
    by_own = f"By a criterion of {show.percent(criterion)} of the interval after the due point: **{show.estimate(other)}**."
    alone = (
        ("late_by_plan", "late by the plan's window alone"),
        ("late_by_criterion", "late by the criterion alone"),
    )
    parts = [
        f"{plural(moves[name], 'occasion')} {_are(moves[name])} {words}" for name, words in alone
    ]
    n = moves["waiting"]
    waits = (
        f"; {plural(n, 'occasion')} {'waits' if n == 1 else 'wait'} until the criterion's later edge has passed"
        if n
        else ""
    )
    said = f"{listing(parts)}{waits}."
    return f"{by_plan} {by_own} {said[:1].upper()}{said[1:]} {MEANS}"


def rate_changed(change, then, recent, show):
    """The change of the rate since an earlier pack, and the rate of what has come since."""
    start = f"**Since {show.date(then.as_of)}**, the day of the earlier pack:"
    if math.isnan(change.value):
        return f"{start} {change.note}, so no change can be told."
    then_and_now = (
        f"from {show.percent(then.share, 1)} to {show.percent(then.share + change.value, 1)}"
    )
    moved = (
        f"the rate went {then_and_now}, by {_points(change.value)} percentage points"
        if change.value
        else "the rate is as it was"
    )
    fresh = (
        f" Of what closed since then, {show.estimate(recent)} was in time."
        if recent.n
        else " No window has closed since then."
    )
    return f"{start} {moved} ({_limits(change)}).{fresh}"


def _limits(change):
    if math.isnan(change.low):
        return change.note
    percent = f"{number(100 * change.confidence)}%"
    chance = "; no more than chance would bring" if change.low <= 0 <= change.high else ""
    return f"{percent} interval {_points(change.low)} to {_points(change.high)}, each vehicle set against itself{chance}"


def _points(share):
    points = number(abs(100 * share), 1)
    return points if points == "0.0" else f"{'+' if share > 0 else '−'}{points}"


def became_said(rows, then, show):
    """How much of what was overdue, or not to be driven, is seen to, and how much is new."""
    n = rows["became"].value_counts()
    ends = (
        ("done", "done since"),
        ("still", "still so"),
        ("gone", "no longer listed, and not by being done"),
    )
    told = listing([f"{number(n[name])} {words}" for name, words in ends if n.get(name)])
    before, fresh = int(len(rows) - n.get("new", 0)), int(n.get("new", 0))
    were = f"{plural(before, 'thing')} {'was' if before == 1 else 'were'} overdue or in the way of driving"
    new = f"{plural(fresh, 'thing')} {_are(fresh)} new since." if fresh else "Nothing is new since."
    return f"On {show.date(then.as_of)}, the day of the earlier pack, {were}{f': {told}' if told else ''}. {new[:1].upper()}{new[1:]}"


def _are(n):
    return "is" if n == 1 else "are"


def became_table(rows):
    """The rows as the reader sees them."""
    kind, item = rows["what"].map(KINDS).fillna("").astype(str), rows["item"].astype(str)
    return rows.assign(
        now=rows["became"].map(BECAME), thing=item.where(kind == "", kind + ": " + item)
    )
