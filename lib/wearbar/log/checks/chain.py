"""The longest series of readings that can all be true: none falls, none rises too fast.

All series are worked on at once. Near each step that can't be, a dynamic programme finds what to
leave out: the whole of a short series, of a long one the last `REACH` readings at a time. Where two
long stretches still contradict each other, the same programme chooses among whole stretches: those
that hold the most readings.
"""

from typing import NamedTuple

import numpy as np

REACH = 16
SHORT = 100
BREAK = 8.0


def neighbours(series, value, kept, out):
    """The values kept before and after each of `out` in its series, NaN for none: two arrays.

    kept: array of bools. out: ints, where those left out stand.
    """
    at = np.flatnonzero(kept)
    after = np.searchsorted(at, out)
    for near in (after - 1, after):
        there = at[np.clip(near, 0, len(at) - 1)]
        is_there = (near >= 0) & (near < len(at)) & (series[there] == series[out])
        yield np.where(is_there, value[there], np.nan)


class _Readings(NamedTuple):
    series: np.ndarray
    day: np.ndarray
    value: np.ndarray
    limit: np.ndarray
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
    read = _Readings(series, day, value, limit, slack)
    kept = np.ones(len(series), dtype=bool)
    goes_on = read.follows(slice(None, -1), slice(1, None))
    bad = np.flatnonzero((series[1:] == series[:-1]) & ~goes_on)
    if len(bad):
        _near_each_break(kept, read, weight, bad)
        _whole_stretches(kept, read, weight)
        _nearest_the_line(kept, read)
    return kept


def _near_each_break(kept, read, weight, bad):
    begins = np.searchsorted(read.series, read.series[bad])
    ends = np.searchsorted(read.series, read.series[bad], side="right")
    short = ends - begins <= SHORT
    low = np.where(short, begins, np.maximum(bad - REACH, begins))
    high = np.where(short, ends, np.minimum(bad + 2 + REACH, ends))
    first = np.flatnonzero(np.r_[True, (low[1:] > high[:-1]) | (begins[1:] != begins[:-1])])
    low, size = low[first], np.maximum.reduceat(high, first) - low[first]
    each, cost = np.arange(len(kept)), np.where(short[first], np.inf, BREAK)
    _heaviest(kept, read, (each, each, weight), low, size, cost, REACH)


def _whole_stretches(kept, read, weight):
    """Of stretches that contradict each other, keep those of the heaviest chain."""
    at, series = np.flatnonzero(kept), read.series
    goes_on = read.follows(at[:-1], at[1:]) & (series[at[1:]] == series[at[:-1]])
    starts = np.flatnonzero(np.r_[True, ~goes_on])
    length = np.diff(starts, append=len(at))
    stretches = at[starts], at[starts + length - 1], np.add.reduceat(weight[at], starts)
    _, low, size = np.unique(series[at[starts]], return_index=True, return_counts=True)
    chosen = np.ones(len(starts), dtype=bool)
    _heaviest(chosen, read, stretches, low, size, np.full(len(low), np.inf), len(starts))
    kept[at] = np.repeat(chosen, length)


def _heaviest(kept, read, steps, low, size, cost, reach):
    """Of each run of `size` steps from `low` on, keep the heaviest chain; runs of a size at once.

    steps: first and last reading of each (ints), and its weight. cost: by run, what beginning anew
    inside it costs. reach: how far back a step looks for one to follow, where runs are long.
    """
    widths = np.ceil(np.log2(size)).astype(int)
    for width in np.unique(widths):
        mine = widths == width
        at = low[mine, None] + np.arange(size[mine].max())
        inside = at < (low + size)[mine, None]
        first, last, weight = (each[np.where(inside, at, low[mine, None])] for each in steps)
        chains = _chains(read, first, last, np.where(inside, weight, 0.0), cost[mine], reach)
        kept[at[inside]] = chains[inside]


def _chains(read, first, last, weight, cost, reach):
    """Which steps of each row of a matrix are in its heaviest chain."""
    day, value, limit = read.day[first], read.value[first], read.limit[first]
    last_day, last_value = read.day[last], read.value[last]
    rows, width = weight.shape
    reach = width if width <= SHORT else reach
    best, back = np.zeros((rows, width)), np.full((rows, width), -1)
    top, top_at, every = np.full(rows, -np.inf), np.zeros(rows, dtype=int), np.arange(rows)
    for k in range(width):
        low = max(0, k - reach)
        score, came = np.where(top > cost, top - cost, 0.0), np.where(top > cost, top_at, -1)
        if k:
            days = day[:, k, None] - last_day[:, low:k]
            rise = value[:, k, None] - last_value[:, low:k]
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


def _nearest_the_line(kept, read):
    """Of two readings that contradict each other alone, keep the nearer to the line around."""
    series, day, value = read.series, read.day, read.value
    alone = kept[:-3] & (kept[1:-2] != kept[2:-1]) & kept[3:] & (series[:-3] == series[3:])
    a = np.flatnonzero(alone)
    lost = np.where(kept[a + 1], a + 2, a + 1)
    a = a[read.follows(a, lost) & read.follows(lost, a + 3)]
    a = a[np.diff(a, prepend=-4) > 2]
    slope = (value[a + 3] - value[a]) / np.maximum(day[a + 3] - day[a], 1)
    x, y = (np.abs(value[k] - value[a] - slope * (day[k] - day[a])) for k in (a + 1, a + 2))
    wrong = a[np.where(kept[a + 1], y < x, x < y)]
    kept[wrong + 1] ^= True
    kept[wrong + 2] ^= True
