"""Estimators that several questions share, each with its interval.

`Estimate` is what every figure with an interval is; a refused one has NaN and says why. Vehicles, not rows, are taken as independent.
"""

from dataclasses import dataclass
from math import nan

import numpy as np
from scipy import stats

__all__ = ["Estimate", "bootstrap_by_vehicle", "proportion", "ratio"]

MIN_VEHICLES = 3  # fewer independent vehicles than this give a value without an interval
FEW_TRIALS = 10  # below this the exact limits of a proportion are used


@dataclass(frozen=True)
class Estimate:
    """A value with its limits.

    value, low, high: NaN where refused (then `note` says why, in words); low or high alone is a one-sided bound.
    confidence: of the interval, 0 to 1. n: what was counted; n_censored: how many of them had not ended.
    unit: SI, as in a column's suffix ("km", "share", "per km"). method: the interval's, in a few words.
    """

    value: float
    low: float
    high: float
    confidence: float
    n: int
    n_censored: int = 0
    unit: str = ""
    method: str = ""
    note: str = ""


def proportion(successes, trials, clusters=None, confidence=0.9):
    """Share of trials that succeeded.

    successes, trials: counts, scalars or one entry a row. clusters: None, or the vehicle of each entry.
    Without clusters: Wilson's interval (Brown, Cai & DasGupta 2001), exact (Clopper-Pearson) below 10 trials.
    With clusters: Wilson's with the number of trials that independent ones would need for the variance seen between vehicles,
    and Student's t on vehicles - 1 (in the manner of Korn & Graubard 1998). Sources from memory.
    """
    won, tried = np.atleast_1d(np.asarray(successes, float)), np.atleast_1d(np.asarray(trials, float))
    n = tried.sum()
    if not n > 0:
        return Estimate(nan, nan, nan, confidence, 0, unit="share", note="nothing to count")
    p, upper = won.sum() / n, (1 + confidence) / 2
    vehicles = 1 if clusters is None else len(np.unique(np.asarray(clusters, str)))
    if vehicles > 1:
        effective = _effective_trials(won, tried, clusters)
        low, high = _wilson(p, effective, stats.t.ppf(upper, vehicles - 1))
        method = f"Wilson, {effective:.0f} effective trials, t with {vehicles - 1} degrees of freedom"
    elif n < FEW_TRIALS:
        low, high = _exact(won.sum(), n, upper)
        method = "Clopper-Pearson"
    else:
        low, high = _wilson(p, n, stats.norm.ppf(upper))
        method = "Wilson"
    return Estimate(float(p), float(low), float(high), confidence, int(n), unit="share", method=method)


def _effective_trials(won, tried, clusters):
    _, code = np.unique(np.asarray(clusters, str), return_inverse=True)
    won, tried = np.bincount(code, won), np.bincount(code, tried)
    n, v = tried.sum(), len(tried)
    p = won.sum() / n
    between = v / (v - 1) * ((won - p * tried) ** 2).sum() / n**2
    return min(n, p * (1 - p) / between) if between > 0 else n


def _wilson(p, n, z):
    centre, spread = p + z**2 / (2 * n), z * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
    return max((centre - spread) / (1 + z**2 / n), 0.0), min((centre + spread) / (1 + z**2 / n), 1.0)


def _exact(won, n, upper):
    low = stats.beta.ppf(1 - upper, won, n - won + 1) if won > 0 else 0.0
    high = stats.beta.ppf(upper, won + 1, n - won) if won < n else 1.0
    return low, high


def ratio(numerator, denominator, confidence=0.9, unit=""):
    """Sum of numerators over sum of denominators, one entry a vehicle (cost over distance, litres over distance).

    Entries with either missing are left out; n is the number used. Linearised variance between vehicles on the log scale, with Student's t
    on vehicles - 1 (Cochran 1977, ch. 6, from memory); on the plain scale where the ratio is not positive. Below three vehicles, no limits.
    """
    num, den = np.asarray(numerator, float), np.asarray(denominator, float)
    used = np.isfinite(num) & np.isfinite(den)
    num, den = num[used], den[used]
    v = len(num)
    if not den.sum() > 0:
        return Estimate(nan, nan, nan, confidence, v, unit=unit, note="nothing to divide by")
    value = float(num.sum() / den.sum())
    if v < MIN_VEHICLES:
        note = "an interval needs at least three vehicles"
        return Estimate(value, nan, nan, confidence, v, unit=unit, note=note)
    half = stats.t.ppf((1 + confidence) / 2, v - 1) * np.sqrt(v / (v - 1) * ((num - value * den) ** 2).sum()) / den.sum()
    low, high = (value * np.exp(-half / value), value * np.exp(half / value)) if value > 0 else (value - half, value + half)
    return Estimate(value, float(low), float(high), confidence, v, unit=unit, method=f"log ratio, t with {v - 1} degrees of freedom")


def bootstrap_by_vehicle(statistic, n_vehicles, rng, samples=2000, confidence=0.9, unit=""):
    """Interval of any statistic by drawing whole vehicles again, all samples at once.

    statistic: takes weights of shape (samples, n_vehicles), how often each vehicle was drawn, and gives shape (samples,); NaN where a
        sample has none. The value is that of one row of ones.
    Percentiles, widened for few vehicles as Student's t would (Hesterberg 2015, Am. Stat. 69:371, from memory). No limits below three
    vehicles or where more than a tenth of the samples have no value.
    """
    value = float(np.asarray(statistic(np.ones((1, n_vehicles))))[0])
    if n_vehicles < MIN_VEHICLES:
        return Estimate(value, nan, nan, confidence, n_vehicles, unit=unit, note="an interval needs at least three vehicles")
    draws = np.asarray(statistic(rng.multinomial(n_vehicles, np.full(n_vehicles, 1 / n_vehicles), size=samples).astype(float)))
    known = draws[np.isfinite(draws)]
    if not np.isfinite(value) or len(known) < 0.9 * samples:
        return Estimate(value, nan, nan, confidence, n_vehicles, unit=unit, note="too few vehicles have what it needs")
    tail = stats.norm.cdf(np.sqrt(n_vehicles / (n_vehicles - 1)) * stats.t.ppf((1 - confidence) / 2, n_vehicles - 1))
    low, high = np.quantile(known, [tail, 1 - tail])
    method = f"bootstrap of {samples} samples of {n_vehicles} vehicles"
    return Estimate(value, float(low), float(high), confidence, n_vehicles, unit=unit, method=method)
