"""When one task of one vehicle falls due: a plain loop over its events, by the rules R1 to R17 of the due rules.

A point is (due, early edge, late edge, interval) of one axis, NaN where that axis has none; an occasion has three: km, hours, day (R17:
hours are a limit like the others). Days count from 1970-01-01. The edges belong to the window. Common practice, no source.
"""

from calendar import monthrange
from datetime import date
from functools import lru_cache
from math import floor, inf, nan
from typing import NamedTuple

from wearbar.intervals.due import DUE, EARLY, EPS, LATE, MONTH_DAYS, SPAN

__all__ = ["NONE", "Limit", "Task", "add_months", "last_met", "point", "points", "schedule"]

DAY = 2
AXES = range(3)
ONCE = (1, 1, 1)
NONE = (nan, nan, nan, nan)
EPOCH = date(1970, 1, 1).toordinal()


class Limit(NamedTuple):
    """A limit of one axis: `every` so many km, hours or days, or `months`, whichever is sooner (0: none). The window: shares of the
    interval, or `amount` on each side where a share is NaN."""

    every: float
    months: int
    early_share: float
    late_share: float
    amount: float
    is_day: bool


class Task(NamedTuple):
    """What holds for a series. counts: whether the vehicle counts km, hours; joined: km, hours and day since when it is ours; is_new:
    its task came into the plan after that; on_ladder: not measured from the work."""

    counts: tuple
    joined: tuple
    is_new: bool
    on_ladder: bool


@lru_cache(2**16)
def add_months(day, months):
    """Calendar months on from a day; a day that the month does not have becomes its last (R1).

    >>> add_months(19753, 1)  # 31 Jan 2024 and one month: 29 Feb 2024
    19782
    """
    start = date.fromordinal(day + EPOCH)
    year, month = divmod(start.year * 12 + start.month - 1 + months, 12)
    length = monthrange(year, month + 1)[1]
    return date(year, month + 1, min(start.day, length)).toordinal() - EPOCH


def _rung(base, nth, limit):
    """The nth scheduled value from its base, never chained (R1)."""
    if not limit.months:
        return base + nth * limit.every
    due = add_months(int(base), nth * limit.months)
    return min(due, base + nth * limit.every) if limit.every else due


def point(base, nth, limit):
    """The nth due point from a base, with its window (R2)."""
    if limit is None or base != base:
        return NONE
    due = _rung(base, nth, limit)
    span = due - (base if nth == 1 else _rung(base, nth - 1, limit))
    _, _, early, late, amount, is_day = limit
    early = early * span if early == early else amount
    late = late * span if late == late else amount
    if is_day:
        early, late = floor(early + 1e-9), floor(late + 1e-9)
    return due, due - early, due + late, span


def points(base, times, limits):
    """The point of each axis."""
    return [
        point(base[0], times[0], limits[0]),
        point(base[1], times[1], limits[1]),
        point(base[2], times[2], limits[2]),
    ]


def last_met(base, x, limit):
    """Which point from the base is the last whose early edge is at or before x (0 and less: none yet)."""
    days = min(limit.months * MONTH_DAYS or inf, limit.every or inf)
    nth = floor((x - base) / days) + 2
    while point(base, nth, limit)[EARLY] > x + EPS:
        nth -= 1
    return nth


def schedule(events, task, plan):
    """The occasions of one series by its `Event`s in order: list of (event, basis, how many points before it this passed over, how many
    more it passed over, points)."""
    found, ladder = [], None
    for event in events:
        hard = event.since <= event.begin  # R8: severe from the start
        limits = plan.limits(event.rule, task.counts, event.is_first, hard)
        if ladder is None or event.is_first:  # R5: both restart from the work
            base, times = event.base, ONCE
        else:  # R6
            base, times = _carried_on(ladder, limits)
        start = now = points(base, times, limits)
        basis = "severe" if hard else "regular"
        if event.is_first and plan.has_first[event.rule]:  # R7
            basis = "first"
        if event.begin > event.base[DAY]:
            now, basis = _taken_over(event, task, plan, base, now, basis)
        for change in event.changes:
            now, basis = _learned(event, task, plan, base, times, limits, change, now, basis)
        if plan.expires[event.rule]:  # a certificate has no time beyond its last day
            now, basis = [(p[DUE], p[EARLY], p[DUE], p[SPAN]) for p in now], "expiry"
        if not task.on_ladder:
            found.append((event, basis, 0, 0, now))
            continue
        ladder, passed = _climb(event, task, plan, base, times, start, now)
        found.append((event, basis, 0, len(passed), now))
        found += [(event, "regular", j, len(passed) - j, p) for j, p in enumerate(passed, 1)]
    return found


def _carried_on(ladder, limits):
    """(base, times) of ladders that go on; by other limits than before, from the last point they came to (R6)."""
    base, times = [0.0] * 3, [1] * 3
    for a in AXES:
        base[a], times[a], before = ladder[a]
        if times[a] > 1 and (before is None or limits[a] is None or before[:2] != limits[a][:2]):
            base[a], times[a] = nan if before is None else _rung(base[a], times[a] - 1, before), 1
    return base, times


def _at_once(now, at):
    """The points moved to `at`, windows as wide as they were; an axis whose place is not known stays."""
    moved = []
    for p, x in zip(now, at, strict=True):
        by = x - p[DUE]
        moved.append((p[DUE] + by, p[EARLY] + by, p[LATE] + by, p[SPAN]) if by == by else p)
    return moved


def _passed(now, at):
    return any(p[DUE] < x - EPS for p, x in zip(now, at, strict=True))


def _taken_over(event, task, plan, base, now, basis):
    """What was due before the vehicle was ours, or its task in the plan, is due at once from then: nobody is late before (R11, R13)."""
    at, is_origin = task.joined, event.act < 0
    hard = event.since <= event.begin
    regular = plan.limits(event.rule, task.counts, False, hard)
    lost = any(regular[a] is not None and base[a] != base[a] for a in AXES)
    if not lost and not _passed(now, at):
        return now, basis
    if is_origin and task.is_new and not lost:
        stands = points(base, ONCE, regular)
        if not _passed(stands, at):
            return stands, "regular"
    onward = points(at, ONCE, regular)
    if not is_origin:
        return _at_once(onward, at), "joined"
    if task.is_new:
        return _at_once(onward, at), "new-plan"
    if plan.from_first_reading[event.rule]:
        return onward, "first-reading"
    return _at_once(onward, at), "unknown-history"


def _learned(event, task, plan, base, times, limits, change, now, basis):
    """The points once severe use (R8) or another version of the plan (R13) is known, from that day on."""
    day, rule, name, at = change
    is_first = event.is_first and name != "severe"
    other = plan.limits(rule, task.counts, is_first, event.since <= day)
    ladder = [(base[a], times[a], limits[a]) for a in AXES]
    new = points(*_carried_on(ladder, other), other)
    if name == "severe":
        new = [p if q[DUE] > p[DUE] else q for p, q in zip(now, new, strict=True)]
    then = _brought_forward(now, new, at)
    moved = any(abs(p[DUE] - q[DUE]) > EPS for p, q in zip(now, then, strict=True))
    return then, name if moved else basis


def _brought_forward(now, new, at):
    """A tighter limit comes at the later of its point and `at`: nobody is late before they could know. Where one lies before `at`, the
    work is due at once, by every limit. A looser one counts unless the old point was reached."""
    once = new
    if any(q[DUE] < x - EPS for p, q, x in zip(now, new, at, strict=True) if not q[DUE] > p[DUE]):
        once = _at_once(new, at)
    return [p if p[DUE] <= x else q for p, q, x in zip(now, once, at, strict=True)]


def _climb(event, task, plan, base, times, start, now):
    """(ladder, points passed over): where each limit's ladder stands after the event, (base, nth, limit) an axis, the next point being
    the nth from its base (R6)."""
    rule, hard, expires = event.rule, event.since <= event.begin, plan.expires[event.rule]
    own = plan.limits(rule, task.counts, False, hard, event.last_rule)
    ends = plan.limits(event.last_rule, task.counts, False, event.since <= event.to)
    late = expires and event.end[DAY] > now[DAY][DUE] + EPS
    stood, ladder, most = [], [], 0
    for a in AXES:
        x, nth, limit = event.end[a], times[a], own[a]
        at = base[a]
        if (
            not abs(start[a][DUE] - now[a][DUE]) <= EPS
        ):  # brought forward: it begins a ladder of its own
            at, nth, limit = now[a][DUE], 0, ends[a]
        elif (
            event.is_first and plan.first_axes[rule][a]
        ):  # R7: the regular limit counts from the same base
            nth = 0
        stood.append((at, nth, limit))
        if not x >= now[a][EARLY] - EPS or (
            late and a == DAY
        ):  # before its early edge: from the work
            ladder.append((x - 1 if expires and a == DAY else x, 1, limit))
            continue
        over = (
            0 if late or limit is None else max(last_met(at, x, limit) - nth, 0)
        )  # it satisfies them all
        ladder.append((at, nth + over + 1, limit))
        most = max(most, over)
    passed = [[point(at, nth + j, limit) for at, nth, limit in stood] for j in range(1, most + 1)]
    return ladder, passed
