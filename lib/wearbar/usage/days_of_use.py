"""Days of use: days on which a season weighs more or less, and a declared lay-up nothing."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.usage.distance import Path, days_later, days_of, distance_at, last_not_above
from wearbar.usage.rates import merged
from wearbar.usage.season import season_fit

YEARS_BACK, _YEARS_AHEAD = 3, 12


@dataclass(frozen=True, eq=False)
class Clock:
    """Days of use: calendar days by the season's weight, those of a declared lay-up left out.

    origin: day of total[0]; total: weight up to the end of each day. Lay-ups by vehicle number:
    rows `first` to `last` (not included), each from the end of day `begin` to the end of day
    `until`, `before` the weight of those above it. waves: the season's waves times the weight,
    summed up like total; variance: of their heights; None where there is no season.
    """

    origin: int
    total: np.ndarray
    first: np.ndarray
    last: np.ndarray
    begin: np.ndarray
    until: np.ndarray
    before: np.ndarray
    waves: np.ndarray | None = None
    variance: np.ndarray | None = None

    @property
    def last_day(self):
        return self.origin + len(self.total) - 1

    def _row(self, day):
        return np.clip(day - self.origin, 0, len(self.total) - 1)

    def _sum(self, day):
        return self.total[self._row(day)]

    def season_variance(self, start, end, record):
        """Variance of the log of the days of use from day start to end beside those of the year
        before, for want of knowing the season; record: days of record that the rate rests on."""
        if self.waves is None:
            return np.zeros(len(start))

        def mean(a, b):
            a, b = self._row(a), self._row(np.maximum(b, a + 1))
            weight = np.maximum(self.total[b] - self.total[a], 1e-9)
            return (self.waves[b] - self.waves[a]) / weight[:, None]

        off = mean(start, end) - mean(start - record, start)
        return np.einsum("ni,ij,nj->n", off, self.variance, off)

    def _laid_up(self, code, day):
        if not len(self.begin):
            return np.zeros(len(code))
        first, last = self.first[code], self.last[code]
        row = last_not_above(self.begin, first, last, day)
        begun, row = row >= first, np.maximum(row, 0)
        now = self._sum(np.minimum(day, self.until[row])) - self._sum(self.begin[row])
        return np.where(begun, self.before[row] + now, 0.0)

    def between(self, code, start, end):
        """Days of use from the end of day start to the end of day end."""
        gone = self._sum(end) - self._sum(start)
        return gone - self._laid_up(code, end) + self._laid_up(code, start)

    def after(self, code, start, days):
        """The first day by whose end so many days of use have gone since the end of day start; past
        `last_day` where none is."""
        low, high = start.copy(), np.full(len(start), self.last_day + 1)
        while np.any(low < high):
            middle = (low + high) // 2
            short = (self.between(code, start, middle) < days - 1e-9) & (low < high)
            low = np.where(short, middle + 1, low)
            high = np.where(short, high, np.minimum(middle, high))
        return low


@dataclass(frozen=True, eq=False)
class LastYear(Clock):
    """A clock on which each vehicle's days go as they did a year before, over and over: distance
    then, in days of its mean rate.

    path, names: the readings and the vehicles by number. last_read: each one's last day; rate: km a
    day, used before its record was a year long.
    """

    path: Path | None = None
    names: pd.Index | None = None
    last_read: np.ndarray | None = None
    rate: np.ndarray | None = None

    def _gone(self, code, day):
        """Days of use up to the end of each day, from any start."""
        last, day = np.maximum(self.last_read[code], self.origin), np.maximum(day, self.origin)
        years = np.maximum(np.ceil((day - last) / 365), 0).astype(np.int64)
        then, now, before = (
            distance_at(self.path, self.names[code], d.astype("datetime64[D]"))["distance_km"]
            for d in (day - 365 * years, last, last - 365)
        )
        return ((then + years * (now - before)) / self.rate[code]).to_numpy()

    def between(self, code, start, end):
        days = self._gone(code, end) - self._gone(code, start)
        return np.where(np.isnan(days), (end - start).astype(float), days)


def clock_of(names, spans, end, layups=None, seasonal=True):
    """The clock of the vehicles in Index `names`, which spans number and layups (the log's table,
    or None) name.

    It runs from three years before day `end` to twelve after it. A lay-up still open on day `end`
    is taken to end then.
    """
    origin = int(min(spans["start"].min(initial=end), end - 366 * YEARS_BACK))
    stop = end + 366 * _YEARS_AHEAD
    none = np.ones(stop - origin + 1), None, None
    weight, wave, variance = season_fit(spans, origin, stop) if seasonal else none
    waves = None if wave is None else np.cumsum(weight[:, None] * wave, axis=0)
    total = np.cumsum(weight)
    if layups is None:
        layups = pd.DataFrame({"vehicle": [], "from": [], "to": []})
    rows = layups.dropna(subset=["from"])
    begin = np.maximum(days_of(rows["from"]) - 1, origin)
    until = np.where(rows["to"].isna(), end, days_of(rows["to"]))
    who, begin, until = merged(rows["vehicle"], begin, until)
    code = names.get_indexer(pd.Index(who))
    order = np.lexsort((begin, code))[np.count_nonzero(code < 0) :]
    code, begin, until = code[order], begin[order], np.minimum(until[order], stop)
    first, last = (np.searchsorted(code, np.arange(len(names)), side) for side in ("left", "right"))
    spent = total[until - origin] - total[begin - origin]
    so_far = np.append(0.0, np.cumsum(spent))
    before = so_far[:-1] - so_far[first][code]
    return Clock(origin, total, first, last, begin, until, before, waves, variance)


def usual_layups(layups, as_of, years=2):
    """The lay-ups (the log's table) with those to be expected: a season's lay-up of the past year
    comes again, as long, in each of the next `years`; one of any reason still open on day `as_of`
    is taken to last as long as the median one of its reason."""
    rows = layups.dropna(subset=["from"])
    length = (rows["to"] - rows["from"]).dt.days
    ended = length.dropna()
    usual = rows["reason"].map(ended.groupby(rows["reason"]).median()).fillna(ended.median())
    open_until = days_later(rows["from"], usual).clip(lower=pd.Timestamp(as_of))
    rows = rows.assign(to=rows["to"].fillna(open_until))
    recent = rows["from"] > pd.Timestamp(as_of) - pd.Timedelta(days=365)
    again = rows[rows["reason"].eq("season") & recent]
    parts = [rows]
    for n in range(1, years + 1):
        parts.append(again.assign(**{c: again[c] + pd.DateOffset(years=n) for c in ("from", "to")}))
    return pd.concat(parts, ignore_index=True) if len(again) else rows
