"""The longest series of readings that can all be true: none falls, none rises too fast.

All series are worked on at once. Near each step that can't be, a dynamic programme finds what to
leave out: the whole of a short series, of a long one the last `REACH` readings at a time. Where two
long stretches still contradict each other, a second one over whole stretches chooses those that
hold the most readings.
"""

from typing import NamedTuple

import numpy as np

REACH = 16
SHORT = 100
BREAK = 8.0


def neighbours(series, value, kept, out):
    """(values kept before and after each of `out` in its series, NaN for none; where those stand).

    kept: array of bools. out: ints, where those left out stand.
    """
    at = np.flatnonzero(kept)
    place = np.searchsorted(at, out)
    before, behind = at[np.maximum(place - 1, 0)], at[np.minimum(place, len(at) - 1)]
    first = np.where((place > 0) & (series[before] == series[out]), value[before], np.nan)
    then = np.where((place < len(at)) & (series[behind] == series[out]), value[behind], np.nan)
    return first, then, before, behind


class _Readings(NamedTuple):
    series: np.ndarray
    day: np.ndarray
    value: np.ndarray
    limit: np.ndarray
    weight: np.ndarray
    slack: float

    def follows(self, a, b):
        """Whether each reading at `b` can come next after that at `a`."""
        rise, days = self.value[b] - self.value[a], self.day[b] - self.day[a]
        return (self.value[b] >= self.value[a] - self.slack) & (rise <= self.limit[b] * (days + 1))


def longest_likely(series, day, value, limit, weight, slack=0.0):
    """Which readings to keep: an array of bools.

    series: ints, ascending; within each, day ascends and, within a day, value. limit: the most that
    value may rise in a day, by reading. weight: what keeping a reading is worth (1 for one that was
    read, less for a guess). A step within a day counts as a day. slack: how far value may fall from
    one to the next, where it is read with an error.
    """
    read = _Readings(series, day, value, limit, weight, slack)
    kept = np.ones(len(series), dtype=bool)
    goes_on = read.follows(slice(None, -1), slice(1, None))
    bad = np.flatnonzero((series[1:] == series[:-1]) & ~goes_on)
    if len(bad):
        _near_each_break(kept, read, bad)
        _whole_stretches(kept, read)
        _nearest_the_line(kept, read)
    return kept


def _near_each_break(kept, read, bad):
    series = read.series
    begins = np.searchsorted(series, series[bad])
    ends = np.searchsorted(series, series[bad], side="right")
    short = ends - begins <= SHORT
    low = np.where(short, begins, np.maximum(bad - REACH, begins))
    high = np.where(short, ends, np.minimum(bad + 2 + REACH, ends))
    first = np.flatnonzero(np.r_[True, (low[1:] > high[:-1]) | (begins[1:] != begins[:-1])])
    low, size = low[first], np.maximum.reduceat(high, first) - low[first]
    cost = np.where(short, np.inf, BREAK)[first]
    widths = np.ceil(np.log2(size)).astype(int)
    for width in np.unique(widths):
        mine = widths == width
        at = low[mine, None] + np.arange(size[mine].max())
        inside = np.arange(at.shape[1]) < size[mine, None]
        at = np.where(inside, at, low[mine, None])
        kept[at[inside]] = _best_chains(read, at, inside, cost[mine])[inside]


def _best_chains(read, at, inside, cost):
    """Of each row of a matrix of readings, its heaviest chain; what can't follow has a `cost`."""
    day, value, limit, weight = (v[at] for v in (read.day, read.value, read.limit, read.weight))
    weight = np.where(inside, weight, 0.0)
    rows, width = at.shape
    best, back = np.zeros((rows, width)), np.full((rows, width), -1)
    reach = width if width <= SHORT else REACH
    top, top_at, every = np.full(rows, -np.inf), np.zeros(rows, dtype=int), np.arange(rows)
    for k in range(width):
        low = max(0, k - reach)
        score, came = np.where(top > cost, top - cost, 0.0), np.where(top > cost, top_at, -1)
        if k:
            rise, days = value[:, k, None] - value[:, low:k], day[:, k, None] - day[:, low:k]
            fits = (rise >= -read.slack) & (rise <= limit[:, k, None] * (days + 1))
            linked = np.where(fits, best[:, low:k], -np.inf)
            nearest = linked.shape[1] - 1 - np.argmax(linked[:, ::-1], axis=1)
            from_there = linked[every, nearest]
            came = np.where(from_there >= score, nearest + low, came)
            score = np.maximum(from_there, score)
        best[:, k], back[:, k] = score + weight[:, k], came
        higher = (best[:, k] > top) & (weight[:, k] > 0)
        top, top_at = np.where(higher, best[:, k], top), np.where(higher, k, top_at)
    kept, at = np.zeros((rows, width), dtype=bool), top_at
    while (at >= 0).any():
        kept[every[at >= 0], at[at >= 0]] = True
        at = np.where(at >= 0, back[every, at], -1)
    return kept


def _whole_stretches(kept, read):
    """Of stretches that contradict each other, keep those of the heaviest chain."""
    at, series = np.flatnonzero(kept), read.series
    same = series[at[1:]] == series[at[:-1]]
    starts = np.flatnonzero(np.r_[True, ~(same & read.follows(at[:-1], at[1:]))])
    ends = np.r_[starts[1:], len(at)]
    heavy = np.add.reduceat(read.weight[at], starts)
    first, last = at[starts], at[ends - 1]
    nth = np.arange(len(starts)) - np.searchsorted(series[first], series[first])
    best, back = heavy.copy(), np.full(len(starts), -1)
    for k in range(1, nth.max() + 1):
        mine = np.flatnonzero(nth == k)
        for step in range(1, k + 1):
            joined = best[mine - step] + heavy[mine]
            better = read.follows(last[mine - step], first[mine]) & (joined > best[mine])
            back[mine] = np.where(better, mine - step, back[mine])
            best[mine] = np.where(better, joined, best[mine])
    chosen, groups = np.zeros(len(starts), dtype=bool), np.flatnonzero(nth == 0)
    end = np.lexsort((-best, series[first]))[groups]
    while len(end):
        chosen[end] = True
        end = back[end]
        end = end[end >= 0]
    kept[at[~np.repeat(chosen, ends - starts)]] = False


def _nearest_the_line(kept, read):
    """Of two readings that contradict each other alone, keep the nearer to the line around."""
    series, day, value = read.series, read.day, read.value
    alone = kept[:-3] & (kept[1:-2] != kept[2:-1]) & kept[3:] & (series[:-3] == series[3:])
    first = np.flatnonzero(alone)
    lost = np.where(kept[first + 1], first + 2, first + 1)
    first = first[read.follows(first, lost) & read.follows(lost, first + 3)]
    first = first[np.diff(first, prepend=-4) > 2]
    a, x, y, b = (first + i for i in range(4))
    lost, held = np.where(kept[x], y, x), np.where(kept[x], x, y)
    slope = (value[b] - value[a]) / np.maximum(day[b] - day[a], 1)
    off = [np.abs(value[k] - value[a] - slope * (day[k] - day[a])) for k in (lost, held)]
    swap = off[0] < off[1]
    kept[lost[swap]], kept[held[swap]] = True, False
