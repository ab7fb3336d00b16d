"""Events that come again: mean cumulative function, tests of a trend, power-law process."""

from dataclasses import dataclass
from math import comb, nan

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

MIN_UNITS = 3
# of one unit: with four, the spread of the gaps makes 13 in 100 trends of none (simulated)
MIN_EVENTS = 6
ROUNDING = 1e-13  # of sums, below which they are nil
MIN_AT_RISK = 5  # units, where limits end


def mean_cumulative(
    unit, time, amount, end, entry=0.0, variance="robust", scale="log", df=None, confidence=0.9
):
    """Mean cumulative function: the mean number of events, or their mean total amount, of one unit.

    unit, time, amount: one entry an event (amount None counts each as 1). end: Series, index the
    unit, one entry a period in which it was observed, the value its last time; entry: its first (a
    scalar or aligned with `end`). Both ends belong to the period: a late entry and a gap leave the
    risk set, events precede censorings. Events of a unit at one time are one jump; those outside
    every period are in `frame.attrs["outside"]` alone. variance: "robust" (units independent, their
    events not: Lawless & Nadeau 1995) or "poisson" (events independent). scale: of the limits,
    "log" or "plain". df: of Student's t; `inf` gives normal limits of the variance as published.
    None: for a robust variance Satterthwaite's, each step widened by m / (m - 1) of the m at risk,
    no limits where fewer than `MIN_AT_RISK` are; else units - 1. Below three units, no limits.
    Gives a frame `time, mcf, se, low, high, df, at_risk`, one row a time with events (Nelson 1995,
    Technometrics 37:147); `attrs` has `confidence`, and `until`, where as many units end as limits
    need. Raises ValueError where `end` is no Series.

    >>> end = pd.Series([10.0, 10.0, 6.0], index=["A", "B", "C"])
    >>> mean_cumulative(["A", "C", "A"], [2, 5, 8], None, end)["mcf"].round(3).tolist()
    [0.333, 0.667, 1.167]
    """
    if not isinstance(end, pd.Series):
        give = "give a Series of each unit's last time, its index the unit"
        raise ValueError(f"end is {type(end).__name__}; {give}")
    is_robust, n_units = variance == "robust", len(end.index.unique())
    times, place, at, is_inside, periods = _laid_out(unit, time, end, entry)
    amount = np.ones(len(time)) if amount is None else np.asarray(amount, float)
    amount, size = np.where(np.isnan(amount), 0.0, amount)[is_inside], len(times) + 1
    entered, left = (np.bincount(edge % size, minlength=size)[:-1] for edge in periods)
    at_risk = np.cumsum(entered - left)
    risk = np.maximum(at_risk, 1)  # where it is none there is no event
    mean_jump = np.bincount(at, amount, len(times)) / risk
    value, free = np.cumsum(mean_jump), float(n_units - 1)
    square = wide = np.cumsum(np.bincount(at, amount**2, len(times)) / risk**2)
    if is_robust:
        square, wide, fourth = _residuals(place, at, amount, periods, mean_jump, at_risk)
    if is_robust and df is None:
        with np.errstate(divide="ignore", invalid="ignore"):  # Satterthwaite 1946, from memory
            free = np.maximum(wide**2 / fourth, 1.0)
    few = (df is None) & ((n_units < MIN_UNITS) | ((at_risk < MIN_AT_RISK) & is_robust))
    free = np.where(few, nan, free if df is None else df)
    half = stats.t.ppf((1 + confidence) / 2, free) * np.sqrt(wide if df is None else square)
    low, high = value - half, value + half
    if scale == "log":
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            factor = np.exp(half / value)
        low, high = np.where(value > 0, [value / factor, value * factor], [low, high])
    columns = {"time": times, "mcf": value, "se": np.sqrt(square), "low": low, "high": high}
    columns |= {"df": np.broadcast_to(free, value.shape), "at_risk": at_risk}
    has_events = np.bincount(at, minlength=len(times)) > 0
    frame = pd.DataFrame({name: found[has_events] for name, found in columns.items()})
    last = np.sort(end.to_numpy(float))[-MIN_AT_RISK if is_robust and df is None else -1 :]
    until = float(last[0]) if len(last) else nan
    frame.attrs = {"outside": len(time) - len(place), "confidence": confidence, "until": until}
    return frame


def mean_cumulative_difference(a, b, at=None):
    """Mean cumulative function of `a` less that of `b`: a frame `time, difference, low, high, p`.

    a, b: frames of `mean_cumulative`, no unit in both. at: the ages asked for, one or more; None:
    each at which either steps while both are watched. p: two-sided, of no difference at that age,
    which has to be chosen before the difference is seen. NaN where one of them has no limits, or
    ends before. Each vehicle is one observation and variances add (Nelson 2003, Recurrent Events
    Data Analysis, ch. 5), side by side (Zou & Donner 2008, Stat. Med. 27:1693), with Welch's
    degrees of freedom; sources from memory. Raises ValueError where their confidences differ.

    >>> end = pd.Series(10.0, index=range(6))
    >>> often = mean_cumulative([0, 1, 1, 2, 3, 4, 5], [2, 3, 8, 5, 6, 7, 9], None, end)
    >>> seldom = mean_cumulative([0, 1, 3], [4, 5, 9], None, end)
    >>> mean_cumulative_difference(often, seldom, at=9.0).round(3).iloc[0].tolist()
    [9.0, 0.667, -0.048, 1.311, 0.121]
    """
    if (confidence := a.attrs["confidence"]) != b.attrs["confidence"]:
        raise ValueError(
            f"a has limits of {confidence}, b of others; make both with one confidence"
        )
    until = min(a.attrs["until"], b.attrs["until"])
    if at is None:
        at = np.union1d(a["time"], b["time"])
        at = at[at <= until]
    at, sides = np.atleast_1d(np.asarray(at, float)), []
    for frame in (a, b):
        rows = frame[["mcf", "low", "high", "df"]].to_numpy(float)
        rows = np.vstack([[0.0, nan, nan, nan], rows])[np.searchsorted(frame["time"], at, "right")]
        sides.append(np.where((at <= until)[:, None], rows, nan))
    value, low, high, free = np.transpose(sides, (2, 0, 1))  # each (2, ages)
    t = stats.t.ppf((1 + confidence) / 2, free)
    below, above = ((value - low) / t) ** 2, ((high - value) / t) ** 2
    squares = np.array([(below[0], above[1]), (above[0], below[1])])  # of either limit, of a and b
    total, difference = squares.sum(axis=1), value[0] - value[1]
    with np.errstate(invalid="ignore", divide="ignore"):
        free = total**2 / np.where(total > 0, (squares**2 / free).sum(axis=1), nan)  # Welch 1947
        se, (low, high) = np.sqrt(total), np.sqrt(total) * stats.t.ppf((1 + confidence) / 2, free)
        se, free = (np.where(difference > 0, *ends) for ends in (se, free))
        p = 2 * stats.t.sf(np.abs(difference) / se, free)
    ends = {"low": difference - low, "high": difference + high}
    return pd.DataFrame({"time": at, "difference": difference, **ends, "p": p})


def merged(vehicle, begin, until):
    """(vehicle, begin, until) of the stretches that overlapping or touching periods make."""
    rows = pd.DataFrame({"vehicle": vehicle.array, "begin": begin, "until": until})
    rows = rows[rows["begin"] <= rows["until"]].sort_values(["vehicle", "begin"], kind="stable")
    so_far = rows.groupby("vehicle")["until"].cummax()
    apart = (rows["vehicle"] != rows["vehicle"].shift()) | (rows["begin"] > so_far.shift())
    ends = {"vehicle": "first", "begin": "min", "until": "max"}
    stretch = rows.groupby(apart.cumsum().to_numpy()).agg(ends)
    return stretch["vehicle"], stretch["begin"].to_numpy(), stretch["until"].to_numpy()


def _laid_out(unit, time, end, entry):
    """(times, rising; of the events in a period of their unit the places and the numbers of their
    times; which events these are; (begin, past) of the periods, rising, those that touch joined). A
    place is the number of a time, counted on from unit to unit; `past` is the first after one."""
    names, (at, times) = end.index.unique(), pd.factorize(np.asarray(time, float), sort=True)
    size, stop = len(times) + 1, end.to_numpy(float)
    start, base = np.broadcast_to(np.asarray(entry, float), len(end)), names.get_indexer(end.index)
    begin = base * size + np.searchsorted(times, start, "left")
    past = base * size + np.searchsorted(times, stop, "right")
    order = np.argsort(begin)
    order = order[((start <= stop) & (begin < past))[order]]
    begin, past = begin[order], np.maximum.accumulate(past[order])
    is_first = begin > np.append(-1, past)[:-1]
    begin, past = begin[is_first], past[np.append(is_first, True)[1:]]
    # an unknown unit or time, number -1, has a place before all periods or between units
    place = names.get_indexer(np.asarray(unit)) * size + at
    is_inside = place < np.append(-2 * size, past)[np.searchsorted(begin, place, "right")]
    return times, place[is_inside], at[is_inside], is_inside, (begin, past)


def _residuals(place, at, amount, periods, mean_jump, at_risk):
    """Sums over units of the square of their residual at each time, as published; and of the square
    and the fourth power with each step widened.

    A unit's residual sums (its jump - mean jump) / m while at risk, m at risk: from one change to
    the next a height of its own, less a drift that all share, whose powers are summed apart."""
    (begin, past), size, risk = periods, len(at_risk) + 1, np.maximum(at_risk, 1)
    # a difference from a large drift would lose digits: at knots the drift begins anew from nil
    run = np.append(0.0, np.cumsum(np.abs(mean_jump) / risk))
    n_knots = 1 + int(np.sqrt(len(place) / max(len(begin), 1)))
    knots = np.unique(np.searchsorted(run, np.linspace(0, run[-1], n_knots, endpoint=False)))
    knot = knots[np.searchsorted(knots, np.arange(size), "right") - 1]  # of each time
    base = (begin - begin % size)[:, None]
    begin = np.maximum(begin[:, None], base + knots)
    past = np.minimum(past[:, None], base + np.append(knots[1:], size - 1))
    begin, past = begin[begin < past], past[begin < past]

    first, end, place = begin % size, past % size, np.concatenate([place, begin, past])
    change = np.repeat([0, 1, -1], [len(at), len(first), len(end)])  # of being at risk
    order = np.argsort(place, kind="stable")
    unit = place[order] // size
    when, is_at_risk = place[order] - unit * size, change[order].cumsum() > 0
    goes_on = unit[1:] == unit[:-1]
    # widened by the root of m / (m - 1): of one alone it would be nil
    weights = np.array([1 / risk, np.sqrt(risk / np.maximum(risk - 1, 1)) / risk])
    drift = np.insert(np.cumsum(mean_jump * weights, axis=1), 0, 0.0, axis=1)
    offset, fall = drift[:, knot[first]], drift[:, knot[:-1]] - drift[:, 1:]
    steps = amount * weights[:, at], drift[:, first] - offset, offset - drift[:, end]
    steps = pd.DataFrame(np.concatenate(steps, axis=1)[:, order].T)
    heights = steps.groupby(unit).cumsum().to_numpy().T

    def total(values):  # of all units, after each time
        values[1:] -= values[:-1] * goes_on
        return np.bincount(when, values, size)[:-1].cumsum()

    def powers(which, power):
        height, lower = heights[which], fall[which]
        own = height * is_at_risk
        highest, lowest = total(height**power), lower**power * at_risk
        middle = (comb(power, k) * lower ** (power - k) * total(own**k) for k in range(1, power))
        found = highest + sum(middle) + lowest
        return np.where(found > ROUNDING * np.maximum.accumulate(highest + lowest), found, 0.0)

    return powers(0, 2), powers(1, 2), powers(1, 4)


@dataclass(frozen=True)
class Trend:
    """Test of a trend."""

    z: float  # above 0: more often with time
    p: float  # two-sided, NaN where refused
    method: str
    note: str = ""


def trend(unit, time, end, entry=0.0, method="robust"):
    """Do events come more often as time goes on? A `Trend`.

    Arguments as in `mean_cumulative`, one period a unit, without an event for which the record
    stopped. method: "robust" (three units or more) takes each unit's sum of (time - middle of its
    period) as one observation, which holds when events cluster (Lawless, Cigsar & Cook 2012, from
    memory); "lewis-robinson" (one unit) divides Laplace's test by the spread of the gaps."""
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


def power_law(time, end, entry=0.0, less=0):
    """(shape, scale) of a power-law process that all units follow, by maximum likelihood.

    (t / scale) ** shape events come to a unit by a time t since new. time: of each event. end,
    entry: of each unit's record. less: 1 for the less biased shape, (n - 1) / n of it, where
    records end at a time. NaN below three events. Crow 1974, in MIL-HDBK-189 (from memory)."""
    time, end = (np.asarray(x, float) for x in (time, end))
    entry, time = np.broadcast_to(np.asarray(entry, float), end.shape), time[time > 0]
    n, longest = len(time), max(end.max(initial=0.0), 1e-9)
    # in shares of the longest, so that no power overflows
    edges, logs = np.array([end, entry]).clip(0) / longest, np.log(time / longest).sum()

    def lived(shape, power=0):
        return np.subtract(*special.xlogy(edges**shape, edges if power else np.e).sum(axis=1))

    def score(shape):
        return n / shape + logs - n * lived(shape, 1) / lived(shape)

    if n < MIN_UNITS or not score(0.01) > 0 > score(50.0):
        return nan, nan
    shape = optimize.brentq(score, 0.01, 50.0, xtol=1e-13) * (n - less) / n
    return shape, float(longest * (lived(shape) / n) ** (1 / shape))
