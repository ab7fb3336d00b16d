"""Events that come again: mean cumulative function, tests of a trend."""

from dataclasses import dataclass
from math import nan

import numpy as np
import pandas as pd
from scipy import stats

MIN_UNITS = 3
# of one unit: with four, the spread of the gaps makes 13 in 100 trends of none (simulated)
MIN_EVENTS = 6
MIN_AT_RISK = 5  # units, where limits end


def mean_cumulative(
    unit, time, amount, end, entry=0.0, variance="robust", scale="log", df=None, confidence=0.9
):
    """Mean cumulative function: the mean number of events, or their mean total amount, of one unit.

    unit, time, amount: one entry an event (amount None counts each as 1). end: Series, index the
    unit, one entry a period in which it was observed, the value its last time; entry: its first (a
    scalar or aligned with `end`). Both ends belong to the period: a late entry and a gap leave the
    risk set, events precede censorings. Events of a unit at one time are one jump; those outside
    every period of their unit are in `frame.attrs["outside"]` alone. variance: "robust" (units
    independent, their events not: Lawless & Nadeau 1995) or "poisson" (events independent). scale:
    of the limits, "log" or "plain". df: of Student's t; `inf` gives normal limits of the variance
    as published. None: for a robust variance Satterthwaite's from the units' squared residuals, as
    few units tell of some ages, each step widened by m / (m - 1) of the m at risk, no limits where
    fewer than `MIN_AT_RISK` are; for the other, units - 1. Below three units, no limits. Gives a
    frame `time, mcf, se, low, high, at_risk`, one row a time with events (Nelson 1995,
    Technometrics 37:147). Raises ValueError where `end` is no Series.

    >>> end = pd.Series([10.0, 10.0, 6.0], index=["A", "B", "C"])
    >>> mean_cumulative(["A", "C", "A"], [2, 5, 8], None, end)["mcf"].round(3).tolist()
    [0.333, 0.667, 1.167]
    """
    if not isinstance(end, pd.Series):
        give = "give a Series of each unit's last time, its index the unit"
        raise ValueError(f"end is {type(end).__name__}; {give}")
    names, is_robust = pd.Index(end.index).unique(), variance == "robust"
    start = np.broadcast_to(np.asarray(entry, float), len(end))
    periods = {"unit": names.get_indexer(end.index), "start": start, "stop": end.to_numpy(float)}
    amount = np.ones(len(time)) if amount is None else np.asarray(amount, float)
    events = {"unit": names.get_indexer(np.asarray(unit)), "time": np.asarray(time, float)}
    events = pd.DataFrame(events | {"amount": amount})
    events, periods, outside = _observed(events, pd.DataFrame(periods))
    times, at = np.unique(events["time"].to_numpy(), return_inverse=True)
    began = np.searchsorted(np.sort(periods["start"]), times, "right")
    at_risk = began - np.searchsorted(np.sort(periods["stop"]), times, "left")
    mean_jump = np.bincount(at, events["amount"], len(times)) / at_risk
    value, free = np.cumsum(mean_jump), float(len(names) - 1)
    square = wide = np.cumsum(np.bincount(at, events["squares"], len(times)) / at_risk**2)
    if is_robust:
        (square, wide), (_, fourth) = _residuals(events, times, at, periods, mean_jump, at_risk)
    if is_robust and df is None:
        with np.errstate(divide="ignore", invalid="ignore"):  # Satterthwaite 1946, from memory
            free = np.maximum(wide**2 / fourth, 1.0)
    few = (df is None) & ((len(names) < MIN_UNITS) | ((at_risk < MIN_AT_RISK) & is_robust))
    t = stats.t.ppf((1 + confidence) / 2, np.where(few, nan, free if df is None else df))
    half = t * np.sqrt(wide if df is None else square)
    low, high = value - half, value + half
    if scale == "log":
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            factor = np.exp(half / value)
        low, high = np.where(value > 0, [value / factor, value * factor], [low, high])
    columns = {"time": times, "mcf": value, "se": np.sqrt(square), "low": low, "high": high}
    frame = pd.DataFrame(columns | {"at_risk": at_risk})
    frame.attrs["outside"] = outside
    return frame


def merged(vehicle, begin, until):
    """(vehicle, begin, until) of the stretches that overlapping or touching periods make together,
    sorted."""
    rows = pd.DataFrame({"vehicle": vehicle.array, "begin": begin, "until": until})
    rows = rows[rows["begin"] <= rows["until"]].sort_values(["vehicle", "begin"], kind="stable")
    so_far = rows.groupby("vehicle")["until"].cummax()
    apart = (rows["vehicle"] != rows["vehicle"].shift()) | (rows["begin"] > so_far.shift())
    ends = {"vehicle": "first", "begin": "min", "until": "max"}
    stretch = rows.groupby(apart.cumsum().to_numpy()).agg(ends)
    return stretch["vehicle"], stretch["begin"].to_numpy(), stretch["until"].to_numpy()


def _observed(events, periods):
    """(events in a period of their unit, a row a unit and time; periods, those that touch joined;
    how many events were outside)."""
    stretches = merged(periods["unit"], periods["start"], periods["stop"])
    periods = pd.DataFrame(dict(zip(periods, stretches, strict=True)))
    known = events[events["time"].notna() & (events["unit"] >= 0)]
    known = known.assign(squares=known["amount"] ** 2, lines=1)
    jumps = known.groupby(["unit", "time"], as_index=False).sum().sort_values("time")
    right = periods.sort_values("start")
    jumps = pd.merge_asof(jumps, right, left_on="time", right_on="start", by="unit")
    inside = jumps[jumps["time"] <= jumps["stop"]].sort_values(["unit", "time"])
    return inside, periods, len(events) - int(inside["lines"].sum())


def _residuals(events, times, at, periods, mean_jump, at_risk):
    """Sums over units of the second and the fourth power of their residual at each time: one row
    as published, one with each step widened.

    A unit's residual is the sum of (its jump - mean jump) / m while it is at risk, m at risk.
    """
    # widened by the root of m / (m - 1): of one alone it would be nil
    weights = np.array([1 / at_risk, np.sqrt(at_risk / np.maximum(at_risk - 1, 1)) / at_risk])
    first = np.searchsorted(times, periods["start"], "left")
    past = np.searchsorted(times, periods["stop"], "right")
    square, fourth = np.zeros((2, *weights.shape))
    amount, jumps = events["amount"].to_numpy(), events.groupby("unit").indices
    for unit, rows in periods.groupby("unit").indices.items():
        beyond, own = np.zeros(len(mean_jump)), jumps.get(unit, [])
        for row in rows:
            beyond[first[row] : past[row]] = -mean_jump[first[row] : past[row]]
        beyond[at[own]] += amount[own]
        residual = np.cumsum(beyond * weights, axis=1)
        square, fourth = square + residual**2, fourth + residual**4
    return square, fourth


@dataclass(frozen=True)
class Trend:
    """Test of a trend."""

    z: float  # above 0: more often with time
    p: float  # two-sided, NaN where refused
    method: str
    note: str = ""


def trend(unit, time, end, entry=0.0, method="robust"):
    """Do events come more often as time goes on? A `Trend`.

    Arguments as in `mean_cumulative`, one period a unit. Leave out an event at its unit's end where
    the record stopped because of it. method: "robust" (three units or more) takes each unit's sum
    of (time - middle of its period) as one observation, which holds when events cluster (Lawless,
    Cigsar & Cook 2012, from memory), with Student's t; "lewis-robinson" (one unit) divides
    Laplace's test, which supposes Poisson events, by the spread of the gaps.
    """
    start = pd.Series(np.broadcast_to(np.asarray(entry, float), len(end)), end.index)
    unit, time = np.asarray(unit), np.asarray(time, float)
    score = pd.Series(time - ((start + end) / 2).reindex(unit).to_numpy()).groupby(unit).sum()
    if method == "robust":
        if len(score) < MIN_UNITS or not score.std() > 0:
            return Trend(nan, nan, method, "needs three vehicles with events")
        z = float(score.mean() / score.std() * np.sqrt(len(score)))
        return Trend(z, float(2 * stats.t.sf(abs(z), len(score) - 1)), method)
    if len(time) < MIN_EVENTS:
        return Trend(nan, nan, method, "needs six events of one vehicle")
    spread = float(((end - start).reindex(unit) ** 2).sum() / 12) ** 0.5
    gaps = np.diff(np.sort(time), prepend=start.iloc[0])
    z = float(score.sum() / spread / (gaps.std(ddof=1) / gaps.mean()))
    return Trend(z, float(2 * stats.norm.sf(abs(z))), method)
