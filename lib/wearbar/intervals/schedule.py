"""When one task of one vehicle falls due: a plain loop over its events, by the due rules R1 to R17.

A point is (due, early edge, late edge, interval) of one axis, NaN where that axis has none; an
occasion has three: km, hours, day (R17: hours are a limit like the others). Days count from
1970-01-01. The edges belong to the window. Common practice, no source."""

from calendar import monthrange
from datetime import date
from functools import lru_cache
from math import floor, inf, nan
from typing import NamedTuple

from wearbar.intervals.due import AXES, DAY, DUE, EARLY, EPS, LATE, MONTH_DAYS, SPAN

ONCE = (1, 1, 1)
EPOCH = date(1970, 1, 1).toordinal()


class Task(NamedTuple):  # what holds for a series
    counts: tuple  # whether the vehicle counts km, hours
    joined: tuple  # km, hours and day since when it is ours
    is_new: bool  # its task came into the plan after that
    on_ladder: bool  # not measured from the work


class Event(NamedTuple):  # what an occasion hangs from and how it ended
    row: int  # of the events
    act: int  # where it counts from (-1: new, or in service)
    base: tuple  # km, hours and day of that
    end: tuple  # of the act that closed it, or of the last day
    begin: float  # its first and last day
    to: float
    rule: int  # the plan's task in force on those
    last_rule: int
    since: float  # severe from that day (NaN: not)
    is_first: bool  # the first limits apply
    start: list  # its points counted from the work alone, and by which limits
    basis: str
    changes: tuple  # learned between: (day, rule, "new-plan" or "severe", km, hours and day then)


@lru_cache(2**16)
def add_months(day, months):
    """`due.add_months` of one day."""
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
        return nan, nan, nan, nan
    due = _rung(base, nth, limit)
    span = due - (base if nth == 1 else _rung(base, nth - 1, limit))
    shares = limit.early_share, limit.late_share
    early, late = (limit.amount if share != share else share * span for share in shares)
    if limit.is_day:
        early, late = floor(early + 1e-9), floor(late + 1e-9)
    return due, due - early, due + late, span


def points(base, times, limits):
    return [point(*of) for of in zip(base, times, limits, strict=True)]


def last_met(base, x, limit):
    """The last point from the base whose early edge is at or before x (0 and less: none)."""
    days = min(limit.months * MONTH_DAYS or inf, limit.every or inf)
    nth = floor((x - base) / days) + 2
    while point(base, nth, limit)[EARLY] > x + EPS:
        nth -= 1
    return nth


def schedule(events, task, plan):
    """The occasions of one series by its `Event`s in order: list of (event, basis, how many points
    before it this passed over, how many more it passed over, points)."""
    found, ladder = [], None
    for event in events:
        is_hard = event.since <= event.begin  # R8: severe from the start
        limits = plan.limits(event.rule, task.counts, event.is_first, is_hard)
        base, times, start, basis = event.base, ONCE, event.start, event.basis  # R5, R7
        if ladder is not None and not event.is_first:  # R6
            base, times = _carried_on(ladder, limits)
            start = points(base, times, limits)
        now = start
        if event.begin > event.base[DAY]:  # R11, R13
            now, basis = _taken_over(event, task, plan, base, now, basis)
        for change in event.changes:  # R8, R13
            now, basis = _learned(event, task, plan, base, times, limits, change, now, basis)
        if plan.expires[event.rule]:  # a certificate has no time beyond its last day
            now, basis = [(p[DUE], p[EARLY], p[DUE], p[SPAN]) for p in now], "expiry"
        passed = []
        if task.on_ladder:  # R6
            ladder, passed = _climb(event, task, plan, base, times, start, now)
        found.append((event, basis, 0, len(passed), now))
        found += [(event, "regular", j, len(passed) - j, p) for j, p in enumerate(passed, 1)]
    return found


def _carried_on(ladder, limits):
    """(base, times) of ladders that go on; by other limits than before, from the last point they
    came to (R6)."""
    bases, times = [], []
    for (base, nth, before), limit in zip(ladder, limits, strict=True):
        if nth > 1 and (before is None or limit is None or before[:2] != limit[:2]):
            base, nth = nan if before is None else _rung(base, nth - 1, before), 1
        bases.append(base)
        times.append(nth)
    return bases, times


def _at_once(now, at):
    """The points moved to `at`, windows as wide as before; where that is not known they stay."""
    moved = []
    for p, x in zip(now, at, strict=True):
        by = x - p[DUE]
        moved.append((p[DUE] + by, p[EARLY] + by, p[LATE] + by, p[SPAN]) if by == by else p)
    return moved


def _passed(now, at):
    return any(p[DUE] < x - EPS for p, x in zip(now, at, strict=True))


def _taken_over(event, task, plan, base, now, basis):
    """What was due before the vehicle was ours (R11), or its task in the plan (R13), is due at once
    from then: nobody is late before."""
    at, is_origin = task.joined, event.act < 0
    regular = plan.limits(event.rule, task.counts, False, event.since <= event.begin)
    stands, onward = points(base, ONCE, regular), points(at, ONCE, regular)
    lost = any(regular[a] is not None and base[a] != base[a] for a in AXES)
    if not lost and not _passed(now, at):
        return now, basis
    if is_origin and task.is_new and not lost and not _passed(stands, at):
        return stands, "regular"
    if is_origin and not task.is_new and plan.from_first_reading[event.rule]:
        return onward, "first-reading"
    name = "joined" if not is_origin else "new-plan" if task.is_new else "unknown-history"
    return _at_once(onward, at), name


def _learned(event, task, plan, base, times, limits, change, now, basis):
    """The points once severe use (R8) or another version of the plan (R13) is known, from then
    on."""
    day, rule, name, at = change
    is_first = event.is_first and name != "severe"
    other = plan.limits(rule, task.counts, is_first, event.since <= day)
    new = points(*_carried_on(zip(base, times, limits, strict=True), other), other)
    if name == "severe":
        new = [p if q[DUE] > p[DUE] else q for p, q in zip(now, new, strict=True)]
    # a tighter limit comes at the later of its point and `at`: nobody is late before they could
    # know; where one lies before `at`, the work is due at once, by every limit. A looser one counts
    # unless the old point was reached
    once = new
    if any(q[DUE] < x - EPS for p, q, x in zip(now, new, at, strict=True) if not q[DUE] > p[DUE]):
        once = _at_once(new, at)
    then = [p if p[DUE] <= x else q for p, q, x in zip(now, once, at, strict=True)]
    moved = any(abs(p[DUE] - q[DUE]) > EPS for p, q in zip(now, then, strict=True))
    return then, name if moved else basis


def _climb(event, task, plan, base, times, start, now):
    """(ladder, points passed over): where each limit's ladder stands after the event, (base, nth,
    limit) an axis, the next point being the nth from its base (R6)."""
    rule, expires = event.rule, plan.expires[event.rule]
    is_hard = event.since <= event.begin, event.since <= event.to
    own = plan.limits(rule, task.counts, False, is_hard[0], event.last_rule)
    ends = plan.limits(event.last_rule, task.counts, False, is_hard[1])
    late = expires and event.end[DAY] > now[DAY][DUE] + EPS
    stood, ladder, most = [], [], 0
    for a in AXES:
        at, nth, limit, x = base[a], times[a], own[a], event.end[a]
        if not abs(start[a][DUE] - now[a][DUE]) <= EPS:  # brought forward: a ladder of its own
            at, nth, limit = now[a][DUE], 0, ends[a]
        elif event.is_first and plan.first_axes[rule][a]:  # R7: the regular one has the same base
            nth = 0
        stood.append((at, nth, limit))
        from_expiry = expires and a == DAY
        if not x >= now[a][EARLY] - EPS or (late and a == DAY):  # before its window: from the work
            ladder.append((x - 1 if from_expiry else x, 1, limit))
            continue
        over = 0 if late or limit is None else max(last_met(at, x, limit) - nth, 0)
        ladder.append((at, nth + over + 1, limit))  # it satisfies them all
        most = max(most, over)
    passed = [[point(at, nth + j, limit) for at, nth, limit in stood] for j in range(1, most + 1)]
    return ladder, passed
