"""Scores of forecast dates when the truth is only known between two readings, or not yet.

A forecast is its chance by each day of GRID after a vehicle's last reading known then. The truth is
looked at on the later readings' days alone: on each it is known whether the level had been reached,
whatever the outcome, and a score over days chosen without the outcome stays proper
(threshold-weighted, Gneiting & Ranjan 2011, Journal of Business and Economic Statistics 29:411;
from memory). Over all days that the outcome happens to settle it would favour a forecast too sure.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.usage.distance import last_not_above

GRID = np.r_[0:90, 90:200:2, 200:501:5].astype(float)
STEP = np.gradient(GRID)


@dataclass(frozen=True, eq=False)
class Truth:
    """Of each case, in days after the last reading known then."""

    low: np.ndarray  # the level was reached after this
    high: np.ndarray  # and by this; infinite where it was not
    day: np.ndarray  # (cases, GRID) of the reading nearest to each day of GRID
    weight: np.ndarray  # (cases, GRID) days that it stands for, 0 past the last reading


def truth_of(path, vehicle, km, start):
    """The `Truth` of levels `km` (cumulative) of vehicles by the readings in `path`; start: day
    (since 1970) of the last reading known then."""
    below, reached = (path.get("day", row) for row in path.around("high", vehicle, km - 1e-6))
    low, high = np.nan_to_num(below - start), np.nan_to_num(reached - start, nan=np.inf)
    first, last = path.rows(vehicle)
    wanted = (start[:, None] + GRID.astype(int)).ravel()
    opens, stops = np.repeat(first, len(GRID)), np.repeat(last, len(GRID))
    row = np.clip(last_not_above(path.day, opens, stops, wanted), opens, None)
    after = np.minimum(row + 1, stops - 1)
    is_nearer = np.abs(path.day[after] - wanted) < np.abs(path.day[row] - wanted)
    nearest = np.where(is_nearer, after, row).reshape(len(km), len(GRID))
    day = (path.day[nearest] - start[:, None]).clip(0, GRID[-1]).astype(float)
    end = path.day[last - 1] - start
    weight = np.where(end[:, None] >= GRID, STEP, 0.0)
    return Truth(np.maximum(low, 0.0), high, day, weight)


def crps(chance, truth):
    """Continuous ranked probability score in days, of each row of `chance` (n, GRID): on the
    readings' days, for the days they stand for."""
    told = at_day(chance, truth.day)
    return ((told - (truth.high[:, None] <= truth.day)) ** 2 * truth.weight).sum(axis=1)


def at_day(values, day):
    """Each row's value at each day ((n,) or (n, k)), between the days of GRID."""
    day = np.minimum(day, GRID[-1])
    at = np.clip(np.searchsorted(GRID, day) - 1, 0, len(GRID) - 2)
    share = np.clip((day - GRID[at]) / (GRID[at + 1] - GRID[at]), 0, 1)
    row = np.arange(len(values)).reshape(-1, *[1] * (day.ndim - 1))
    return values[row, at] * (1 - share) + values[row, at + 1] * share


def shares(p_low, p_high, alpha):
    """Expected shares inside an interval that leaves alpha out at each side, and before it, of
    truths known to lie between two forecast chances."""
    span = np.maximum(p_high - p_low, 1e-9)
    p_high = p_low + span
    inside = np.clip(np.minimum(p_high, 1 - alpha) - np.maximum(p_low, alpha), 0, None) / span
    return inside, np.clip(np.minimum(p_high, alpha) - p_low, 0, None) / span


def two_way_se(values, one, other):
    """Standard error of a mean with two clusterings that cross (Cameron, Gelbach & Miller 2011,
    J. Bus. Econ. Stat. 29:238; from memory)."""
    off = values.to_numpy(dtype=float) - values.mean()

    def squares(group):
        sums = np.bincount(pd.factorize(group)[0], off)
        return (sums**2).sum() * len(sums) / max(len(sums) - 1, 1)

    both = squares(pd.Series(list(zip(one, other, strict=True))))
    return float(np.sqrt(max(squares(one) + squares(other) - both, both)) / len(off))
