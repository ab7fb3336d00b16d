"""Days of use: a calendar on which a season's days weigh more or less, and those of a declared lay-up nothing."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.paths import days_of, last_not_above
from wearbar.season import season
from wearbar.usage import merged

__all__ = ["YEARS_BACK", "Clock", "clock_of"]

YEARS_BACK, _YEARS_AHEAD = 3, 12


@dataclass(frozen=True, eq=False)
class Clock:
    """Days of use: calendar days by the season's weight, those of a declared lay-up left out.

    origin: day of total[0]; total: weight up to the end of each day. Lay-ups by vehicle number: rows `first` to `last` (not included),
    each from the end of day `begin` to the end of day `until`, `before` the weight of those above it.
    """

    origin: int
    total: np.ndarray
    first: np.ndarray
    last: np.ndarray
    begin: np.ndarray
    until: np.ndarray
    before: np.ndarray

    @property
    def last_day(self):
        return self.origin + len(self.total) - 1

    def _sum(self, day):
        return self.total[np.clip(day - self.origin, 0, len(self.total) - 1)]

    def _laid_up(self, code, day):
        if not len(self.begin):
            return np.zeros(len(code))
        first, last = self.first[code], self.last[code]
        row = last_not_above(self.begin, first, last, day)
        begun = row >= first
        row = np.where(begun, row, 0)
        return np.where(begun, self.before[row] + self._sum(np.minimum(day, self.until[row])) - self._sum(self.begin[row]), 0.0)

    def between(self, code, start, end):
        """Days of use from the end of day start to the end of day end."""
        return self._sum(end) - self._sum(start) - self._laid_up(code, end) + self._laid_up(code, start)

    def after(self, code, start, days):
        """The first day by whose end so many days of use have gone since the end of day start; past `last_day` where none is."""
        low, high = start.copy(), np.full(len(start), self.last_day + 1)
        while np.any(low < high):
            middle = (low + high) // 2
            short = (self.between(code, start, middle) < days - 1e-9) & (low < high)
            low, high = np.where(short, middle + 1, low), np.where(short, high, np.minimum(middle, high))
        return low


def clock_of(names, spans, end, layups=None):
    """The clock of the vehicles in Index `names`, which spans number and layups (the log's table, or None) name.

    It runs from three years before day `end` to twelve after it. A lay-up still open on day `end` is taken to end then.
    """
    origin = int(min(spans["start"].min(initial=end), end - 366 * YEARS_BACK))
    total = np.cumsum(season(spans, origin, end + 366 * _YEARS_AHEAD))
    rows = layups.dropna(subset=["from"]) if layups is not None else pd.DataFrame({"vehicle": [], "from": [], "to": []})
    begin = np.maximum(days_of(rows["from"]) - 1, origin)
    until = np.where(rows["to"].isna(), end, days_of(rows["to"]))
    who, begin, until = merged(rows["vehicle"], begin, until)
    code = names.get_indexer(pd.Index(who))
    order = np.lexsort((begin, code))[np.count_nonzero(code < 0) :]
    code, begin, until = code[order], begin[order], np.minimum(until[order], origin + len(total) - 1)
    first = np.searchsorted(code, np.arange(len(names)))
    last = np.searchsorted(code, np.arange(len(names)), side="right")
    spent = total[until - origin] - total[begin - origin]
    so_far = np.append(0.0, np.cumsum(spent))
    return Clock(origin, total, first, last, begin, until, so_far[:-1] - so_far[first][code])
