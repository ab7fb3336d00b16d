"""The limits of a plan's tasks, due points of many at once (of one: `schedule`), and the state of
open work. An axis is what is counted: km, hours, day (since 1970-01-01), all floats, NaN where
there is no limit (R17). Points are arrays of shape (4, 3, n): DUE, EARLY, LATE, SPAN by axis by
occasion. Edges belong to the window. Common practice, no source."""

from dataclasses import dataclass
from math import nan
from typing import NamedTuple

import numpy as np

from wearbar.usage.distance import as_days

AXES = KM, HOURS, DAY = range(3)
DUE, EARLY, LATE, SPAN = range(4)
EPS = 1e-6  # km or hours: a millimetre settles what is on an edge
MONTH_DAYS = 30.436875
UNITS, AXIS_OF_UNIT = ("km", "hours", "days", "months"), [0, 1, 2, 2]
FAR = 1e6  # days: a task's or a vehicle's number times this and a day make one key
STATES = ["before-window", "in-window", "due", "past-window"]


@dataclass(frozen=True)
class Limits:  # of n occasions
    every: np.ndarray  # (4, n): km, hours, days, months
    share: np.ndarray  # (2, n): the window as shares of the interval, early and late
    amount: np.ndarray  # (3, n): km, hours, days on both sides, where a share is NaN

    def take(self, rows):
        return Limits(self.every[:, rows], self.share[:, rows], self.amount[:, rows])


class Limit(NamedTuple):  # of one axis
    every: float  # so many km, hours or days, or `months`, whichever is sooner (0: none)
    months: int
    early_share: float  # the window, or else `amount` on each side (a share NaN)
    late_share: float
    amount: float
    is_day: bool


class Rules:
    """The limits of each row of a plan's tasks (as of `done.series_of`), and what else holds by
    it."""

    def __init__(self, rules):
        kinds = ([f"{kind}_{unit}" for unit in UNITS] for kind in ("every", "severe", "first"))
        every = (rules[columns].to_numpy(dtype=float) for columns in kinds)
        normal, severe, first = (np.where(of > 0, of, np.nan) for of in every)
        is_first, self._known = np.isfinite(first), {}
        # which axes have a first limit
        self.first_axes = np.column_stack([is_first[:, :2], is_first[:, 2:].any(axis=1)])
        self.has_severe = np.isfinite(severe).any(axis=1)
        # as they hold: asked for the first or not (R7), the severe or not (R8), by row and unit
        later = np.stack([normal, np.where(self.has_severe[:, None], severe, normal)])
        first = np.where(self.first_axes[:, AXIS_OF_UNIT], first, later)
        self._every = np.stack([later, first])
        self._share = rules[["early_share", "late_share"]].to_numpy(dtype=float)
        amounts = rules[[f"tolerance_{unit}" for unit in UNITS[:3]]]
        self._amount = amounts.fillna(0.0).to_numpy(dtype=float)
        # a version of its task has
        self.ever_severe = np.isin(rules["key"], rules["key"][self.has_severe])
        self.expires = rules["measured_from"].eq("expiry").to_numpy(dtype=bool)
        # the day on which it begins to hold
        is_first = ~rules.duplicated("key").to_numpy()
        self.starts = np.where(is_first, 0.0, as_days(rules["valid_from"]))
        self._begin = rules["key"].to_numpy() * FAR + self.starts
        # what is not known counts from there
        self.from_first_reading = rules["unknown_history"].eq("from-first-reading").tolist()

    def in_force(self, key, day):
        """Which row holds for each task (`key`) on each day."""
        return np.searchsorted(self._begin, key * FAR + day, "right") - 1

    def many(self, rule, is_first, severe, counts):
        """The `Limits` of occasions: the first limits where they are asked for and there are
        any (R7), else the severe (R8) or the normal ones. counts: (2, n) whether km, hours are
        counted."""
        every = self._every[is_first.astype(int), severe.astype(int), rule].T
        every[:2] = np.where(counts, every[:2], np.nan)
        return Limits(every, self._share[rule].T, self._amount[rule].T)

    def limits(self, rule, counts, is_first, severe, window=None):
        """(km, hours, day) of one occasion, each a `Limit` or None. window: another row, whose
        windows they have."""
        key = (rule, counts, is_first, severe, window)
        if key not in self._known:
            every = np.nan_to_num(self._every[int(is_first), int(severe), rule])
            km, hours, days, months = every.tolist()
            every = (counts[KM] * km, 0), (counts[HOURS] * hours, 0), (days, int(months))
            at = rule if window is None else window
            shares = self._share[at].tolist()
            self._known[key] = tuple(
                Limit(*of, *shares, amount, axis == DAY) if any(of) else None
                for axis, of, amount in zip(AXES, every, self._amount[at].tolist(), strict=True)
            )
        return self._known[key]


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
    """The `times`-th point of each axis' ladder from its base, with its window (R2): (4, 3, n). A
    share of days is rounded down to whole days. base, times: (3, n)."""
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
    """The state of open work at x (3, n), by its place in `STATES` (R3). Work on the due day or at
    the due reading is not past."""
    reached = [x > p[LATE] + EPS, x > p[DUE] + EPS, x >= p[EARLY] - EPS]
    return np.select([at.any(axis=0) for at in reached], [3, 2, 1], 0)
