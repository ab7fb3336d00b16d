"""Days of use: the fleet's season weighs each day more or less, a declared lay-up not at all."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.log.keys import stacked
from wearbar.usage.distance import Path, days_later, days_of, distance_at

YEARS_BACK, _YEARS_AHEAD = 3, 12
_LEAST_VEHICLES, _MANY_VEHICLES = 5, 15
_LEAST_FORTNIGHTS, _MOST_SPANS = 8, 100_000
LEAST_DISPERSION = 0.01  # days: a reading may be of any hour, and no two days are alike


@dataclass(frozen=True, eq=False)
class Clock:
    """Days of use: calendar days by the season's weight, those of a declared lay-up left out."""

    origin: int  # day of the first column
    total: np.ndarray  # weight up to the end of each day; row 0 is of vehicles never laid up
    row: np.ndarray  # of each vehicle in `total`, by number
    waves: np.ndarray | None = None  # the season's times the weight, summed up like total
    variance: np.ndarray | None = None  # of the waves' heights; None where there is no season

    @property
    def last_day(self):
        return self.origin + self.total.shape[1] - 1

    def _column(self, day):
        return np.clip(day, self.origin, self.last_day) - self.origin

    def season_variance(self, start, end, record):
        """Variance of the log of the days of use from day start to end beside those of the year
        before, for want of knowing the season; record: days of record that the rate rests on."""
        if self.waves is None:
            return np.zeros(len(start))
        means = []
        for first, last in ((start, end), (start - record, start)):
            first, last = self._column(first), self._column(np.maximum(last, first + 1))
            weight = np.maximum(self.total[0, last] - self.total[0, first], 1e-9)
            means.append((self.waves[last] - self.waves[first]) / weight[:, None])
        off = means[0] - means[1]
        return np.einsum("ni,ij,nj->n", off, self.variance, off)

    def gone(self, code, day):
        """Days of use up to the end of each day, from any start."""
        return self.total[self.row[code], self._column(day)]

    def between(self, code, start, end, gone=None):
        """Days of use from the end of day start to the end of day end. gone: by start, if known."""
        return self.gone(code, end) - (self.gone(code, start) if gone is None else gone)

    def after(self, code, start, days):
        """The first day by whose end so many days of use have gone since that of day start."""
        # of one never read, whose start is no day, from the first
        low, high = np.maximum(start, self.origin), np.full(len(start), self.last_day + 1)
        gone = self.gone(code, start)
        while np.any(low < high):
            middle = (low + high) // 2
            short = (self.between(code, start, middle, gone) < days - 1e-9) & (low < high)
            low = np.where(short, middle + 1, low)
            high = np.where(short, high, np.minimum(middle, high))
        return low


@dataclass(frozen=True, eq=False)
class LastYear(Clock):
    """A clock on which each vehicle's days go as they did a year before, over and over: distance
    then, in days of its mean rate."""

    path: Path | None = None  # its vehicles are numbers
    at: np.ndarray | None = None  # of each vehicle, by number: its number there
    last_read: np.ndarray | None = None  # each one's last day
    rate: np.ndarray | None = None  # km a day, used before its record was a year long

    def gone(self, code, day):
        last, day = np.maximum(self.last_read[code], self.origin), np.maximum(day, self.origin)
        years = np.maximum(np.ceil((day - last) / 365), 0).astype(np.int64)
        then, now, before = (
            distance_at(self.path, self.at[code], d.astype("datetime64[D]"))["distance_km"]
            for d in (day - 365 * years, last, last - 365)
        )
        return ((then + years * (now - before)) / self.rate[code]).to_numpy()

    def between(self, code, start, end, gone=None):
        days = super().between(code, start, end, gone)
        return np.where(np.isnan(days), (end - start).astype(float), days)


def clock_of(names, spans, end, layups=None, seasonal=True):
    """The clock of the vehicles in Index `names`, which spans number and layups (the log's table,
    or None) name, from three years before day `end`, when an open lay-up ends, to twelve after."""
    origin = int(min(spans["start"].min(initial=end), end - 366 * YEARS_BACK))
    stop = end + 366 * _YEARS_AHEAD
    none = np.ones(stop - origin + 1), None, None
    weight, wave, variance = season(spans, origin, stop) if seasonal else none
    waves = None if wave is None else np.cumsum(weight[:, None] * wave, axis=0)
    row, weight = np.zeros(len(names) + 1, dtype=np.int64), weight[None]  # the last row: no vehicle
    if layups is not None:
        stays = layups[layups["from"].notna() & layups["vehicle"].isin(names)]
        code = names.get_indexer(stays["vehicle"])
        stored = np.unique(code)
        row[stored] = np.arange(len(stored)) + 1
        weight = np.repeat(weight, len(stored) + 1, axis=0)
        begin = np.maximum(days_of(stays["from"]) - origin, 0)
        until = np.where(stays["to"].isna(), end, days_of(stays["to"])) - origin
        for vehicle, first, last in zip(row[code], begin, until, strict=True):
            weight[vehicle, first : max(last + 1, 0)] = 0.0
    return Clock(origin, np.cumsum(weight, axis=1), row, waves, variance)


def usual_layups(layups, as_of):
    """The lay-ups (the log's table) with those to be expected: a season's lay-up of the past year
    comes again, as long, in each of the next two; one of any reason still open on day `as_of` is
    taken to last as long as the median one of its reason."""
    rows = layups.dropna(subset=["from"])
    length = (rows["to"] - rows["from"]).dt.days
    ended = length.dropna()
    usual = rows["reason"].map(ended.groupby(rows["reason"]).median()).fillna(ended.median())
    open_until = days_later(rows["from"], usual).clip(lower=pd.Timestamp(as_of))
    rows = rows.assign(to=rows["to"].fillna(open_until))
    recent = rows["from"] > pd.Timestamp(as_of) - pd.Timedelta(days=365)
    again, parts = rows[rows["reason"].eq("season") & recent], [rows]
    for n in (1, 2):
        parts.append(again.assign(**{c: again[c] + pd.DateOffset(years=n) for c in ("from", "to")}))
    return stacked(parts)


def season(spans, origin, end):
    """(weight of every day from `origin` to `end`, 1 on average over a year; its waves by day;
    variance of their heights): waves (days, 2 or 4), None where the record shows no season.

    spans: arrays `code, start, end, km` of distance between readings (int days). The log of the
    weight is a wave of one year, and of half a year too where there are two years of record or many
    vehicles, fitted to how each vehicle's distance divides over its spans (a quasi-multinomial
    likelihood). Needs a year of record from five vehicles, or two years of any, read in eight
    fortnights or more for each wave; one is kept where chance would give it once in a thousand."""
    days = np.arange(origin, end + 1)
    found = np.ones(len(days)), None, None
    # of vehicles that have two spans or more and have moved, of the first where there are many
    code, start, stop, km = (spans[name][:_MOST_SPANS] for name in ("code", "start", "end", "km"))
    n, driven = np.bincount(code, stop > start), np.bincount(code, km)
    kept = (n[code] >= 2) & (driven[code] > 0) & (stop > start)
    code, start, stop, km = (values[kept] for values in (code, start, stop, km))
    gone = km / (driven[code] / np.bincount(code, stop - start, len(n))[code])
    length = int(stop.max() - start.min()) if len(code) else 0
    n, fortnights = len(np.unique(code)), len(np.unique(stop // 14))
    if length < 720 and n < _LEAST_VEHICLES:
        return found
    most, gain = min(length // 360 * (1 + (n >= _MANY_VEHICLES)), 2), 0.0
    for number in range(1, min(most, fortnights // _LEAST_FORTNIGHTS) + 1):
        wave = _waves(days, number)
        height, more, dispersion, variance = _fit(code, start - origin, stop - origin, gone, wave)
        if 2 * (more - gain) / dispersion < stats.chi2.ppf(0.999, 2):
            break
        mean = np.exp(_waves(np.arange(1461), number) @ height).mean()
        gain, found = more, (np.exp(wave @ height) / mean, wave, variance)
    return found


def _waves(days, number):
    angle = 2 * np.pi * days[:, None] / 365.25
    return np.hstack([f(k * angle) for k in range(1, number + 1) for f in (np.cos, np.sin)])


def _fit(code, start, stop, gone, wave):
    """(height of each wave, gain in log likelihood over none, dispersion, variance of the heights)
    by Newton's steps, with a standard normal prior. gone: distance in days of the mean rate."""
    total, prior = np.bincount(code, gone), np.eye(wave.shape[1])

    def share(part):
        return part / np.bincount(code, part)[code]

    def newton(height):
        """The score, the curvature and the log likelihood there."""
        weight = np.exp(wave @ height)[:, None]
        sums = np.cumsum(np.hstack([weight, weight * wave]), axis=0)
        part = sums[stop] - sums[start]  # of each span its weight, and that times each wave
        tilt, own = part[:, 1:] / part[:, :1], share(part[:, 0])
        mean = np.column_stack([np.bincount(code, own * column) for column in tilt.T])
        off = tilt - mean[code]
        score = (gone[:, None] * off).sum(0) - dispersion * height
        curve = ((total[code] * own)[:, None] * off).T @ off + dispersion * prior
        return score, curve, gone @ np.log(own)

    even = share((stop - start).astype(float))
    spread = total[code] * (gone / total[code] - even) ** 2 / even
    free = max(len(code) - np.count_nonzero(total), 1)
    dispersion, height = max(spread.sum() / free, LEAST_DISPERSION), np.zeros(len(prior))
    for _ in range(12):
        score, curve, _ = newton(height)
        height = height + np.clip(np.linalg.solve(curve, score), -0.5, 0.5)
    _, curve, loglik = newton(height)
    return height, loglik - gone @ np.log(even), dispersion, dispersion * np.linalg.inv(curve)
