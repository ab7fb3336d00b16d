"""Due points of many at once, and the state of open work.

`schedule` has the same arithmetic for one occasion. An axis is what is counted: km, hours, day
(days since 1970-01-01), all floats, NaN where there is no limit (R17: hours are a limit like the
others). `Limits` holds one column an occasion; points are arrays of shape (4, 3, n): DUE, EARLY,
LATE, SPAN by axis by occasion. Edges belong to the window. Common practice, no source.
"""

from dataclasses import dataclass
from math import nan

import numpy as np

AXES = KM, HOURS, DAY = range(3)
DUE, EARLY, LATE, SPAN = range(4)
EPS = 1e-6  # km or hours: a millimetre settles what is on an edge
MONTH_DAYS = 30.436875
STATES = np.array(["before-window", "in-window", "due", "past-window"])


@dataclass(frozen=True)
class Limits:
    """Limits of n occasions."""

    every: np.ndarray  # (4, n): km, hours, days, months
    share: np.ndarray  # (2, n): the window as shares of the interval, early and late
    amount: np.ndarray  # (3, n): km, hours, days on both sides, where a share is NaN

    def take(self, rows):
        return Limits(self.every[:, rows], self.share[:, rows], self.amount[:, rows])


def add_months(day, months):
    """Calendar months on from a day; a day that the month does not have becomes its last (R1).

    >>> float(add_months(np.array([19753.0]), np.array([1.0]))[0])  # 31 Jan 2024: 29 Feb 2024
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
    """The `times`-th point of each axis' ladder from its base, with its window (R2): (4, 3, n).

    base, times: (3, n). The n-th date is base and n x months, never chained (R1). A share of days
    is rounded down to whole days.
    """
    due = _rung(base, times, limits.every)
    before = base if (times == 1).all() else _rung(base, times - 1, limits.every)
    span, share = due - before, limits.share[:, None, :]
    width = np.where(np.isfinite(share), share * span, np.nan_to_num(limits.amount))
    width[:, DAY] = np.floor(width[:, DAY] + 1e-9)
    return np.stack([due, due - width[0], due + width[1], span])


def _rung(base, times, every):
    km, hours, days = base + times * every[:3]
    return np.stack([km, hours, np.fmin(add_months(base[DAY], times[DAY] * every[3]), days)])


def rungs(base, x, limits):
    """The last point of each axis' ladder whose early edge is at or before x (0 and less: none
    yet): (3, n)."""
    km, hours, days, months = limits.every
    step = np.stack([km, hours, np.fmin(months * MONTH_DAYS, days)])
    guess = np.floor((x - base) / step) + 2
    for _ in range(4):
        guess = guess - (points(base, guess, limits)[EARLY] > x + EPS)
    return guess


def state(p, x):
    """The state of open work at x (3, n), as codes (R3): past a late edge, past a due point, at or
    past an early edge, or before them all. Work on the due day or at the due reading is not
    past."""
    reached = [(x > p[LATE] + EPS), (x > p[DUE] + EPS), (x >= p[EARLY] - EPS)]
    return np.select([at.any(axis=0) for at in reached], STATES[:0:-1], STATES[0])
