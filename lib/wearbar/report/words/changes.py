"""What is said of a reader's own tolerance, an earlier pack and dashboard reminders."""

import math

from wearbar.report.quantities import number
from wearbar.report.template import words_of

SAY = words_of("interval_compliance")
KINDS = {
    "defect": "defect",
    "finding": "failed",
    "certificate": "certificate",
    "campaign": "recall",
    "wear": "worn",
}
BECAME = {"new": "new", "still": "unchanged", "gone": "no longer listed", "done": "done"}
BECAME_SAID = {"done": "done since", "still": "unchanged", "gone": "no longer listed, but not done"}


def dash_said(rows, log, show):
    """How the reminders compare with the plan, or that there is nothing to compare."""
    n = len(rows)
    drift = rows["drift_days"].dropna() if n else rows.get("drift_days", [])
    after, before = (drift[drift > 0], drift[drift < 0]) if n else ([], [])
    return SAY(
        "dash_said",
        on_record=not log.tables["dash_events"].empty,
        n=n,
        after=len(after),
        latest=show.days(after.max()) if len(after) else "",
        before=len(before),
        earliest=show.days(-before.min()) if len(before) else "",
        lost=n - len(drift),
        showing=rows.loc[rows["is_showing"], "vehicle"].tolist() if n else [],
    )


def two_rates(rate, other, moves, criterion, show):
    """The rate by the plan's own tolerance beside that by a reader's, and why they differ."""
    by_plan, by_own = (SAY("rate_of", rate=r, show=show) for r in (rate, other))
    return SAY(
        "two_rates",
        both=not (math.isnan(rate.value) or math.isnan(other.value)),
        by_plan=by_plan,
        by_own=by_own,
        criterion=show.percent(criterion),
        **{name: moves[name] for name in ("late_by_plan", "late_by_criterion", "waiting")},
    )


def rate_changed(change, then, recent, show):
    """The change of the rate since an earlier pack, and the rate of what has come since."""
    none, limited = math.isnan(change.value), not math.isnan(change.low)
    ends = f"range {_points(change.low)} to {_points(change.high)}" if limited else change.note
    return SAY(
        "rate_changed",
        day=show.date(then.as_of),
        why=change.note if none else "",
        before=show.percent(then.share, 1),
        now="" if none else show.percent(then.share + change.value, 1),
        moved="" if none or not change.value else _points(change.value),
        limits=ends,
        low=limited,
        chance=limited and change.low <= 0 <= change.high,
        fresh=SAY("rate_of", rate=recent, show=show) if recent.n else "",
    )


def _points(share):
    points = number(abs(100 * share), 1)
    return points if points == "0.0" else f"{'+' if share > 0 else '−'}{points}"


def became_said(rows, then, show):
    """How much of what was overdue, or stopped a vehicle, is done, and how much is new."""
    n = rows["became"].value_counts()
    parts = [SAY("count_of", n=n[name], what=w) for name, w in BECAME_SAID.items() if n.get(name)]
    fresh = int(n.get("new", 0))
    day = show.date(then.as_of)
    return SAY("became_said", day=day, before=len(rows) - fresh, parts=parts, fresh=fresh)


def became_table(rows):
    """The rows as the reader sees them."""
    kind, item = rows["what"].map(KINDS).fillna("").astype(str), rows["item"].astype(str)
    thing = item.where(kind == "", kind + ": " + item)
    return rows.assign(now=rows["became"].map(BECAME), thing=thing)
