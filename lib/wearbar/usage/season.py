"""The fleet's common season of use, as a weight for each day of the year."""

import numpy as np
from scipy import stats

_YEAR = 365.25
_LEAST_VEHICLES, _MANY_VEHICLES = 5, 15
_LEAST_FORTNIGHTS = 8
_MOST_SPANS = 100_000
LEAST_DISPERSION = 0.01  # days: a reading may be of any hour, and no two days are alike


def season(spans, origin, end):
    """Weight of every day from `origin` to `end`, 1 on average over a year; 1 throughout where the
    record doesn't show a season."""
    return season_fit(spans, origin, end)[0]


def season_fit(spans, origin, end):
    """(weight of every day as `season`, its waves by day, variance of their heights): waves (days,
    2 or 4), None where there is no season.

    spans: arrays `code, start, end, km` of distance between readings (int days), any number a
    vehicle. The log of the weight is a wave of one year, and of half a year too where there are two
    years of record or many vehicles, fitted to how each vehicle's distance divides over its spans
    (a quasi-multinomial likelihood: the vehicles' own rates cancel). Needs a year of record from
    five vehicles, or two years of any, read in eight fortnights or more for each wave; a wave is
    kept where chance would give as much less than once in a thousand.
    """
    days = np.arange(origin, end + 1)
    code, start, stop, km = _divided(spans)
    length = int(stop.max() - start.min()) if len(code) else 0
    n, fortnights = len(np.unique(code)), len(np.unique(stop // 14))
    most = min(length // 360 * (1 + (n >= _MANY_VEHICLES)), 2, fortnights // _LEAST_FORTNIGHTS)
    kept, gain, none = 0, 0.0, (np.ones(len(days)), None, None)
    if length < 720 and n < _LEAST_VEHICLES:
        return none
    for number in range(1, most + 1):
        part = _Shares(code, start - origin, stop - origin, km, _waves(days, number))
        height = part.fit()
        more = part.loglik(height) - part.loglik(0 * height)
        if 2 * (more - gain) / part.dispersion < stats.chi2.ppf(0.999, 2):
            break
        kept, gain, best = number, more, (height, part.variance(height))
    if not kept:
        return none
    wave, (height, variance) = _waves(days, kept), best
    mean = np.exp(_waves(np.arange(1461), kept) @ height).mean()
    return np.exp(wave @ height) / mean, wave, variance


def _waves(days, number):
    angle = 2 * np.pi * days[:, None] / _YEAR
    return np.hstack([f(k * angle) for k in range(1, number + 1) for f in (np.cos, np.sin)])


def _divided(spans):
    """Spans of vehicles that have two or more and have moved, of the first where there are many."""
    code, start, stop, km = (spans[name][:_MOST_SPANS] for name in ("code", "start", "end", "km"))
    n, driven = np.bincount(code, stop > start), np.bincount(code, km)
    kept = (n[code] >= 2) & (driven[code] > 0) & (stop > start)
    code, start, stop, km = (values[kept] for values in (code, start, stop, km))
    rate = driven[code] / np.bincount(code, stop - start, len(n))[code]
    return code, start, stop, km / rate


class _Shares:
    """How vehicles' distances (in days of their own mean rate) divide over spans, given the height
    of each wave."""

    def __init__(self, code, start, stop, gone, wave):
        self.code, self.start, self.stop, self.gone, self.wave = code, start, stop, gone, wave
        self.total = np.bincount(code, gone)
        even = self.total[code] * self._share((stop - start).astype(float))
        spread = ((gone - even) ** 2 / even).sum()
        spread /= max(len(code) - np.count_nonzero(self.total), 1)
        self.dispersion = max(spread, LEAST_DISPERSION)

    def _share(self, part):
        return part / np.bincount(self.code, part)[self.code]

    def _parts(self, height):
        weight = np.exp(self.wave @ height)[:, None]
        sums = np.cumsum(np.hstack([weight, weight * self.wave]), axis=0)
        return sums[self.stop] - sums[self.start]

    def loglik(self, height):
        return self.gone @ np.log(self._share(self._parts(height)[:, 0]))

    def fit(self):
        """Heights by Newton's steps, with a standard normal prior that tames a short record."""
        height = np.zeros(self.wave.shape[1])
        for _ in range(12):
            score, curve = self._slope(height)
            height = height + np.clip(np.linalg.solve(curve, score), -0.5, 0.5)
        return height

    def variance(self, height):
        """Variance of the heights, by the curve of the quasi-likelihood."""
        return self.dispersion * np.linalg.inv(self._slope(height)[1])

    def _slope(self, height):
        part = self._parts(height)
        slope, share = part[:, 1:] / part[:, :1], self._share(part[:, 0])
        mean = np.column_stack([np.bincount(self.code, share * column) for column in slope.T])
        off = slope - mean[self.code]
        score = (self.gone[:, None] * off).sum(0) - self.dispersion * height
        weighted = (self.total[self.code] * share)[:, None] * off
        return score, weighted.T @ off + self.dispersion * np.eye(len(height))
