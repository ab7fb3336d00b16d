"""Due points: the arithmetic of limits, windows, ladders and limits that become known midway.

Everything is arrays. An axis is what is counted: AXES = km, hours, day (days since 1970-01-01), all floats, NaN where there is no limit.
`Limits` holds one column an occasion; points are arrays of shape (4, 3, n): DUE, EARLY, LATE, SPAN by axis by occasion. Edges belong to
the window. How a limit, a window and a schedule are to be taken is common practice, with no source, but where a docstring names one.
"""

from dataclasses import dataclass
from math import nan

import numpy as np

__all__ = [
    "AXES",
    "DUE",
    "EARLY",
    "EPS",
    "LATE",
    "SPAN",
    "Limits",
    "add_months",
    "at_once",
    "bring_forward",
    "passed",
    "points",
    "rebased",
    "rungs",
    "state",
]

AXES = ("km", "hours", "day")
KM, HOURS, DAY = range(3)
DUE, EARLY, LATE, SPAN = range(4)
EPS = 1e-6  # km or hours: a millimetre settles what is on an edge
MONTH_DAYS = 30.436875
STATES = np.array(["before-window", "in-window", "due", "past-window"])


@dataclass(frozen=True)
class Limits:
    """Limits of n occasions. every: (4, n) km, hours, days, months; share: (2, n) of the interval, early and late; amount: (3, n)
    km, hours and days on both sides, used where share is NaN."""

    every: np.ndarray
    share: np.ndarray
    amount: np.ndarray

    def take(self, rows):
        return Limits(self.every[:, rows], self.share[:, rows], self.amount[:, rows])

    def put(self, rows, other):
        """Other limits in place of these for some occasions, in place."""
        for name in ("every", "share", "amount"):
            getattr(self, name)[:, rows] = getattr(other, name)

    def where_axes(self, mask, other):
        """These limits, and on the axes (3, n) where the mask holds `other`'s; shares are of all axes, and `other`'s where any is."""
        every = np.where(mask[[KM, HOURS, DAY, DAY]], other.every, self.every)
        return Limits(
            every,
            np.where(mask.any(axis=0), other.share, self.share),
            np.where(mask, other.amount, self.amount),
        )

    def where(self, mask, other):
        """These limits, and `other`'s where the mask holds."""
        pick = lambda name: np.where(mask, getattr(other, name), getattr(self, name))  # noqa: E731
        return Limits(pick("every"), pick("share"), pick("amount"))

    @property
    def axes(self):
        """(3, n): whether an axis has a limit."""
        known = np.isfinite(self.every)
        return np.stack([known[0], known[1], known[2] | known[3]])


def add_months(day, months):
    """Calendar months on from a day, in days since 1970-01-01; a day that the month does not have becomes its last. NaN where either is.

    >>> float(add_months(np.array([19753.0]), np.array([1.0]))[0])  # 31 Jan 2024 and one month: 29 Feb 2024
    19782.0
    """
    known = np.isfinite(day) & np.isfinite(months)
    day = np.where(known, day, 0).astype("int64").astype("datetime64[D]")
    start = day.astype("datetime64[M]")
    target = start + np.where(known, months, 0).astype("int64")
    first = target.astype("datetime64[D]")
    length = ((target + 1).astype("datetime64[D]") - first).astype("int64")
    nth = (day - start.astype("datetime64[D]")).astype("int64")
    return np.where(known, first.astype("int64") + np.minimum(nth, length - 1), nan)


def points(base, times, limits):
    """The `times`-th point of each axis' ladder from its base, with its window: (4, 3, n).

    base, times: (3, n). The n-th date is base and n x months, never chained. A share of days is rounded down to whole days.
    """
    due = _rung(base, times, limits.every)
    before = base if (times == 1).all() else _rung(base, times - 1, limits.every)
    span = due - before
    width = np.where(
        np.isfinite(limits.share)[:, None, :],
        limits.share[:, None, :] * span,
        np.nan_to_num(limits.amount),
    )
    width[:, DAY] = np.floor(width[:, DAY] + 1e-9)
    return np.stack([due, due - width[0], due + width[1], span])


def _rung(base, times, every):
    by_months, by_days = (
        add_months(base[DAY], times[DAY] * every[3]),
        base[DAY] + times[DAY] * every[2],
    )
    return np.stack(
        [
            base[KM] + times[KM] * every[0],
            base[HOURS] + times[HOURS] * every[1],
            np.fmin(by_months, by_days),
        ]
    )


def rebased(base, times, before, limits):
    """(base, times) of ladders that go on by `limits` from the last point they came to by `before`: on the axes where the two differ."""
    same = (before.every == limits.every) | (np.isnan(before.every) & np.isnan(limits.every))
    differs = (times > 1) & ~np.stack([same[0], same[1], same[2] & same[3]])
    return np.where(differs, _rung(base, times - 1, before.every), base), np.where(
        differs, 1.0, times
    )


def rungs(base, x, limits):
    """The last point of each axis' ladder whose early edge is at or before x (0 and less: none yet): (3, n)."""
    every = limits.every
    days = np.fmin(every[3] * MONTH_DAYS, every[2])
    step = np.stack([every[0], every[1], days])
    guess = np.floor((x - base) / step) + 2
    for _ in range(4):
        guess = guess - (points(base, guess, limits)[EARLY] > x + EPS)
    return guess


def at_once(p, at):
    """The same points moved to `at` (3, n), windows as wide as they were; axes without a limit, or not known then, stay."""
    moved = p.copy()
    moved[:SPAN] += np.nan_to_num(at - p[DUE])
    return moved


def passed(p, at):
    """Whether any limit lies before `at`: (n,)."""
    return (p[DUE] < at - EPS).any(axis=0)


def bring_forward(now, new, at):
    """The points once limits `new` become known at `at` (3, n), those so far being `now`.

    A tighter limit comes at the earlier of the old due point and the later of the new one and `at`: nobody is late before they could know.
    Where a tighter limit lies before `at`, the work is due at once, by every limit. A looser one counts unless the old point was reached.
    """
    tighter = new[DUE] <= np.where(np.isnan(now[DUE]), np.inf, now[DUE])
    urgent = (tighter & (new[DUE] < at - EPS)).any(axis=0)
    return np.where(now[DUE] <= at, now, np.where(urgent, at_once(new, at), new))


def state(p, x):
    """The state of open work at x (3, n), as codes: past a late edge, past a due point, at or past an early edge, or before them all."""
    rank = np.where((x >= p[EARLY] - EPS).any(axis=0), 1, 0)
    rank = np.where((x > p[DUE] + EPS).any(axis=0), 2, rank)
    return STATES[np.where((x > p[LATE] + EPS).any(axis=0), 3, rank)]
