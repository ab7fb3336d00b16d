"""Estimators that several questions share, each with its interval: the vehicle is the unit."""

from dataclasses import dataclass, replace
from math import nan

import numpy as np
import pandas as pd
from scipy import stats

MIN_VEHICLES = 3  # fewer independent vehicles than this give a value without an interval
SMALL_SITE = 3  # vehicles
FEW_VEHICLES = "an interval needs at least three vehicles"
FEW_TRIALS = 10  # below this the exact limits of a proportion are used


@dataclass(frozen=True)
class Estimate:
    """A value with its limits, NaN where refused: `note` then says why, in words."""

    value: float
    low: float  # it or `high` alone is a one-sided bound
    high: float
    confidence: float  # of the interval, 0 to 1
    n: int  # what was counted
    n_censored: int = 0  # of them had not ended
    unit: str = ""  # SI, as in a column's suffix ("km", "share", "per km")
    method: str = ""  # the interval's, in a few words
    note: str = ""

    def __float__(self):
        return float(self.value)

    def _repr_html_(self):
        """What a notebook shows: the value with its interval, and what was counted."""
        return pd.DataFrame([self.cells()]).to_html(index=False)  # which escapes

    def cells(self):
        """The estimate in words, by heading: four figures of each number."""
        low, high = _figures(self.low), _figures(self.high)
        interval = f"{low} to {high}" if np.isfinite(self.low) else f"up to {high}"
        if not np.isfinite(self.high):
            interval = f"at least {low}" if np.isfinite(self.low) else "none"
        return {
            "value": _figures(self.value),
            f"{100 * self.confidence:.4g}% interval": interval,
            "unit": self.unit,
            "n": _figures(self.n),
            "not ended": _figures(self.n_censored),
            "note": self.note,
        }


def refused(note, confidence, n=0, unit=""):
    """The `Estimate` without a figure, whose note says why."""
    return Estimate(nan, nan, nan, confidence, n, unit=unit, note=note)


def _figures(x):
    return "not known" if not np.isfinite(x) else f"{x:,.0f}" if abs(x) >= 1000 else f"{x:.4g}"


def untold(vehicles):
    """Sites (Series, their numbers of vehicles) whose figures would point at a person: those below
    `SMALL_SITE`; where that is one, the smallest other too, since the rest would tell it."""
    small = vehicles.fillna(0) < SMALL_SITE
    if small.sum() != 1 or small.all():
        return small
    return small | (vehicles.index == vehicles[~small].idxmin())


def proportion(successes, trials, clusters=None, confidence=0.9):
    """Share of trials that succeeded: counts, scalars or one entry a row.

    Wilson's interval (Brown, Cai & DasGupta 2001), exact (Clopper-Pearson) below 10 trials. With
    clusters, the vehicle of each: Wilson's with as many trials as independent ones would need for
    the variance seen between vehicles, and Student's t on vehicles - 1 (in the manner of Korn &
    Graubard 1998). Sources from memory."""
    from statsmodels.stats.proportion import proportion_confint

    won, tried = (np.atleast_1d(np.asarray(counts, float)) for counts in (successes, trials))
    n, alpha = tried.sum(), 1 - confidence
    if not n > 0:
        return refused("nothing to count", confidence, unit="share")
    p, count, worth = won.sum() / n, won.sum(), n
    names = np.zeros(len(won)) if clusters is None else np.asarray(clusters, str)
    names, of = np.unique(names, return_inverse=True)
    exact = len(names) == 1 and n < FEW_TRIALS
    method = "Clopper-Pearson" if exact else "Wilson"
    if (free := len(names) - 1) > 0:
        off = np.bincount(of, won - p * tried)
        between = (free + 1) / free * (off**2).sum() / n**2
        worth = min(n, p * (1 - p) / between) if between > 0 else n
        count = p * worth
        t = stats.t.ppf(1 - alpha / 2, free)
        alpha = 2 * stats.norm.sf(t)  # whose normal quantile is t's
        method += f", {worth:.0f} effective trials, t with {free} degrees of freedom"
    limits = proportion_confint(count, worth, alpha, "beta" if exact else "wilson")
    low, high = np.clip(limits, 0.0, 1.0).tolist()
    return Estimate(float(p), low, high, confidence, int(n), unit="share", method=method)


def ratio(numerator, denominator, confidence=0.9, unit=""):
    """Sum of numerators over sum of denominators, one entry a vehicle; limits as `ratios`."""
    row = ratios(np.zeros(len(numerator)), numerator, denominator, confidence)
    if row.empty or not row["denominator"].iat[0] > 0:
        return refused("nothing to divide by", confidence, len(numerator), unit)
    limits, n = row.iloc[0][["value", "low", "high"]].tolist(), int(row["n"].iat[0])
    note = "" if n >= MIN_VEHICLES else FEW_VEHICLES
    method = "" if note else f"jackknife over vehicles, t with {n - 1} degrees of freedom"
    return Estimate(*limits, confidence, n, unit=unit, method=method, note=note)


def ratios(group, numerator, denominator, confidence=0.9):
    """Ratio of sums in each group: a frame `value, low, high, n, numerator, denominator`.

    Entries with either missing are left out; no limits below three. Jackknife on the log scale (the
    plain one where some ratio is not positive) with Student's t on n - 1 (Cochran 1977, ch. 6, from
    memory). With rare, very large costs 90% limits miss low (79 to 88 times in 100 hold, by
    simulation): a large bill that has not come yet is in no interval."""
    num, den = np.asarray(numerator, float), np.asarray(denominator, float)
    known = np.asarray(~(np.isnan(num) | np.isnan(den) | pd.isna(group)))
    num, den = num[known], den[known]
    of, names = pd.factorize(np.asarray(group)[known], sort=True)

    def total(values):
        return np.bincount(of, values, len(names))

    n, nums, dens = np.bincount(of, minlength=len(names)), total(num), total(den)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(dens > 0, nums / dens, nan)
        rest = dens[of] - den
        without = np.where(rest > 0, (nums[of] - num) / rest, nan)
        is_log = (total(~(without > 0)) == 0) & (value > 0)
        without = np.where(is_log[of], np.log(without), without)
        spread = total((without - (total(without) / n)[of]) ** 2)
    free = np.where(n >= MIN_VEHICLES, n - 1, nan)
    half = stats.t.ppf((1 + confidence) / 2, free) * np.sqrt(free / n * spread) * [[-1], [1]]
    low, high = np.where(is_log, value * np.exp(half), value + half)
    low = np.where(total(num < 0) == 0, np.maximum(low, 0.0), low)
    columns = {"value": value, "low": low, "high": high, "n": n}
    columns |= {"numerator": nums, "denominator": dens}
    return pd.DataFrame(columns, pd.Index(names, name="group"))


def ratio_change(before, after, confidence=0.9):
    """How many times a ratio of sums became: an `Estimate`, and the p of no change.

    before, after: (numerator, denominator), one entry a vehicle in each, the same in both: paired;
    0 where it is in one alone. Limits by `log_change` and Student's t. No limits and p NaN where
    either has under three vehicles, or a sum is not positive."""
    n = len(before[0])
    if min(np.count_nonzero(side[1]) for side in (before, after)) < MIN_VEHICLES:
        return refused("needs three vehicles in both", confidence, n), nan
    change, variance, free = log_change(before, after)
    if np.isnan(variance):
        return refused("needs costs and distances above nil", confidence, n), nan
    half = stats.t.ppf((1 + confidence) / 2, free) * np.sqrt(variance)
    p = 2 * stats.t.sf(abs(change) / np.sqrt(variance), free) if variance > 0 else 0.0
    ends = np.exp(change + np.array([0, -half, half])).tolist()
    method = f"paired by vehicle, jackknife, t with {free:.4g} degrees of freedom"
    return Estimate(*ends, confidence, n, method=method), float(p)


def log_change(before, after):
    """(log of how many times a ratio of sums became, its variance, degrees of freedom), as of
    `ratio_change`: the jackknife over vehicles, the one side's, the other's and those in both
    joined as Welch's test joins groups."""
    change = _logs_without(*after) - _logs_without(*before)
    place = (np.asarray(before[1]) > 0) + 2 * (np.asarray(after[1]) > 0)
    size = np.maximum(np.bincount(place), 1)
    mean = np.where(size > 1, np.bincount(place, change[1:]) / size, change[0])
    part = np.bincount(place, (change[1:] - mean[place]) ** 2)
    part *= np.where(size > 1, (size - 1) / size, 1.0)
    free = part.sum() ** 2 / (part**2 / np.maximum(size - 1, 1)).sum() if part.any() else len(place)
    return change[0], part.sum(), free


def ratio_apart(one, other, confidence=0.9):
    """(ratio, low, high): a ratio of sums of `one` group over the `other`'s, no vehicle in both.
    Arguments and limits as in `ratio_change`; NaN where either has fewer than two vehicles or a sum
    is not positive."""
    n = len(one[0]), len(other[0])
    after = [np.append(x, np.zeros(n[1])) for x in one]
    before = [np.append(np.zeros(n[0]), x) for x in other]
    change, variance, free = log_change(before, after)
    half = stats.t.ppf((1 + confidence) / 2, free) * np.sqrt(variance) if min(n) > 1 else nan
    return tuple((np.exp(change + np.array([0, -half, half])) + 0 * half).tolist())


def share_change(won_then, n_then, won_now, n_now, confidence=0.9):
    """A share now less the share then: an `Estimate`, and the p of no change.

    One entry a vehicle in each: what was counted (n) and succeeded (won); paired. Limits from those
    of the two shares (`proportion` by vehicle) and the correlation of the vehicles' parts in them
    (Newcombe 1998, Stat. Med. 17:2635; Zou & Donner 2008, Stat. Med. 27:1693; from memory). p: of
    the limit on the side of none, as Student's t."""
    sides = np.array([(won_then, n_then), (won_now, n_now)], float)
    vehicles = sides.shape[2]
    if vehicles < 2 or not (sides[:, 1].sum(axis=1) > 0).all():
        return refused("nothing to compare", confidence, vehicles), nan
    then, now = (proportion(won, n, np.arange(vehicles), confidence) for won, n in sides)
    off = [(won - e.value * n) for (won, n), e in zip(sides, (then, now), strict=True)]
    size = np.sqrt((off[0] ** 2).sum() * (off[1] ** 2).sum())
    alike = max((off[0] * off[1]).sum() / size, 0.0) if size > 0 else 0.0
    value = now.value - then.value

    def half(a, b):
        return np.sqrt(max(a * a + b * b - 2 * alike * a * b, 0.0))

    below = half(now.value - now.low, then.high - then.value)
    above = half(now.high - now.value, then.value - then.low)
    t = stats.t.ppf((1 + confidence) / 2, vehicles - 1)
    near = below if value > 0 else above
    p = 2 * stats.t.sf(abs(value) / near * t, vehicles - 1) if near > 0 else 1.0
    ends = float(value), float(value - below), float(value + above)
    return Estimate(*ends, confidence, vehicles, unit="share", method="paired by vehicle"), float(p)


def _logs_without(num, den):
    """The log of a ratio of sums, and with each entry left out; NaN where a sum isn't positive."""
    both = np.asarray(num, float), np.asarray(den, float)
    sums = np.array([np.append(x.sum(), x.sum() - x) for x in both])
    return np.subtract(*np.log(np.where(sums > 0, sums, nan)))


def shrink(value, se, group=None):
    """Each value drawn towards its group's mean by as much as its own error asks: array like value.

    value, se: one entry a vehicle, NaN where not known; a value without an error becomes the mean.
    DerSimonian & Laird's moments (1986), Morris's (1983) empirical Bayes; both from memory."""
    from statsmodels.stats.meta_analysis import combine_effects

    value, variance = np.asarray(value, float), np.asarray(se, float) ** 2
    drawn, group = np.full(len(value), nan), np.zeros(len(value)) if group is None else group
    known = np.isfinite(value) & (variance > 0)
    for at in pd.Series(known).groupby(np.asarray(group), dropna=False).indices.values():
        y, v, tau2 = value[at][known[at]], variance[at][known[at]], 0.0
        if len(y) > 1:
            with np.errstate(invalid="ignore", divide="ignore"):  # a negative one has no weights
                tau2 = max(float(combine_effects(y - y.mean(), v, method_re="dl").tau2), 0.0)
        if len(y):
            mean = np.average(y, weights=1 / (v + tau2))
            own = np.nan_to_num(tau2 / (tau2 + variance[at]))
            drawn[at] = own * np.nan_to_num(value[at]) + (1 - own) * mean
    return drawn


def bootstrap_by_vehicle(statistic, n_vehicles, rng, samples=2000, confidence=0.9, unit=""):
    """`Estimate` of any statistic by drawing whole vehicles again, with limits by `percentiles`,
    none below three. statistic: of weights (samples, n_vehicles), how often each vehicle was drawn;
    gives (samples,), NaN where a sample has none; called with a tenth of the samples at once."""
    value = float(np.asarray(statistic(np.ones((1, n_vehicles))))[0])
    found = Estimate(value, nan, nan, confidence, n_vehicles, unit=unit)
    if n_vehicles < MIN_VEHICLES:
        return replace(found, note=FEW_VEHICLES)
    drawn = np.array_split(vehicle_draws(n_vehicles, rng, samples), 10)
    draws = np.concatenate([statistic(some) for some in drawn])
    low, high = percentiles(draws, n_vehicles, confidence)
    if not np.isfinite([value, low]).all():
        return replace(found, note="too few vehicles have what it needs")
    method = f"bootstrap of {samples} samples of {n_vehicles} vehicles"
    return replace(found, low=float(low), high=float(high), method=method)


def holm(p):
    """Holm's (1979) adjusted p-values; NaN stays and is not counted.

    >>> holm([0.01, 0.04, 0.03, 0.005]).round(3).tolist()
    [0.03, 0.06, 0.06, 0.02]
    """
    from statsmodels.stats.multitest import multipletests

    p = np.asarray(p, float)
    known, out = np.isfinite(p), np.full(len(p), nan)
    if known.any():
        out[known] = multipletests(p[known], method="holm")[1]
    return out


def vehicle_draws(n_vehicles, rng, samples=2000):
    """How often each vehicle is drawn in each sample of as many: (samples, n_vehicles)."""
    even = np.full(n_vehicles, 1 / n_vehicles)
    return rng.multinomial(n_vehicles, even, size=samples).astype(float)


def percentiles(draws, n_vehicles, confidence=0.9):
    """(low, high) of bootstrap draws along axis 0, NaN where over a tenth of them are; widened for
    few vehicles as Student's t (Hesterberg 2015, Am. Stat. 69:371, from memory)."""
    t = stats.t.ppf((1 - confidence) / 2, n_vehicles - 1)
    tail = stats.norm.cdf(np.sqrt(n_vehicles / (n_vehicles - 1)) * t)
    known = np.isfinite(draws)
    filled = np.where(known.any(axis=0), draws, 0.0)
    low, high = np.nanquantile(filled, [tail, 1 - tail], axis=0)
    enough = known.mean(axis=0) >= 0.9
    return np.where(enough, low, nan), np.where(enough, high, nan)
