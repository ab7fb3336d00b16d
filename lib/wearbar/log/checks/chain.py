"""The longest series of readings that can all be true: none falls, none rises too fast.

Near each step that can't be, a dynamic programme finds what to leave out: of a short series the
whole is looked at, of a long one the last `REACH` readings. Where two long stretches still
contradict each other, the same programme chooses among stretches: those with the most readings.
"""

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


def longest_likely(series, day, value, limit, weight, slack=0.0):
    """Which readings to keep: an array of bools.

    series: ints, ascending; within each, day ascends and, within a day, value. limit: the most that
    value may rise in a day, by reading. weight: what keeping a reading is worth (1 for one that was
    read, less for a guess). A step within a day counts as a day. slack: how far value may fall from
    one to the next, where it is read with an error.
    """

    def follows(a, b):
        """Whether each reading at `b` can come next after that at `a`."""
        rise, days = value[b] - value[a], day[b] - day[a]
        return (value[b] >= value[a] - slack) & (rise <= limit[b] * (days + 1))

    kept = np.ones(len(series), dtype=bool)
    goes_on = follows(slice(None, -1), slice(1, None))
    bad = np.flatnonzero((series[1:] == series[:-1]) & ~goes_on)
    if not len(bad):
        return kept
    # near each break; stretches looked at that meet are one
    begins, ends = (np.searchsorted(series, series[bad], side) for side in ("left", "right"))
    is_short = ends - begins <= SHORT
    low = np.where(is_short, begins, np.maximum(bad - REACH, begins))
    high = np.where(is_short, ends, np.minimum(bad + 2 + REACH, ends))
    first = np.flatnonzero(np.r_[True, (low[1:] > high[:-1]) | (begins[1:] != begins[:-1])])
    spans = zip(low[first], np.maximum.reduceat(high, first), is_short[first], strict=True)
    for a, b, whole in spans:
        at, reach = np.arange(a, b), b - a if b - a <= SHORT else REACH
        kept[a:b] = _heaviest(follows, at, at, weight[a:b], np.inf if whole else BREAK, reach)
    # of stretches that contradict each other, those of the heaviest chain
    at = np.flatnonzero(kept)
    goes_on = follows(at[:-1], at[1:]) & (series[at[1:]] == series[at[:-1]])
    starts = np.flatnonzero(np.r_[True, ~goes_on])
    length = np.diff(starts, append=len(at))
    begins, ends, heavy = at[starts], at[starts + length - 1], np.add.reduceat(weight[at], starts)
    chosen = np.ones(len(starts), dtype=bool)
    _, low, size = np.unique(series[begins], return_index=True, return_counts=True)
    for a, n in zip(low[size > 1], size[size > 1], strict=True):
        mine = slice(a, a + n)
        chosen[mine] = _heaviest(follows, begins[mine], ends[mine], heavy[mine], np.inf, n)
    kept[at] = np.repeat(chosen, length)
    _nearest_the_line(kept, follows, series, day, value)
    return kept


def _heaviest(follows, first, last, weight, cost, reach):
    """Which steps are in the heaviest chain: an array of bools.

    first, last: the readings at which each step begins and ends. cost: what beginning anew after
    other steps costs. reach: how many steps back one looks for that which it follows.
    """
    first, last, best, top = first.tolist(), last.tolist(), [], 0
    came = [-1] * len(first)
    for k in range(len(first)):
        most = 0.0
        for j in range(k - 1, max(k - reach, 0) - 1, -1):
            if best[j] > most and follows(last[j], first[k]):
                most, came[k] = best[j], j
        if k and best[top] - cost > most:
            most, came[k] = best[top] - cost, top
        best.append(most + weight[k])
        top = k if best[k] > best[top] else top
    kept = np.zeros(len(first), dtype=bool)
    while top >= 0:
        kept[top], top = True, came[top]
    return kept


def _nearest_the_line(kept, follows, series, day, value):
    """Of two readings that contradict each other alone, keep the nearer to the line around."""
    alone = kept[:-3] & (kept[1:-2] != kept[2:-1]) & kept[3:] & (series[:-3] == series[3:])
    a = np.flatnonzero(alone)
    lost = np.where(kept[a + 1], a + 2, a + 1)
    a = a[follows(a, lost) & follows(lost, a + 3)]
    a = a[np.diff(a, prepend=-4) > 2]
    slope = (value[a + 3] - value[a]) / np.maximum(day[a + 3] - day[a], 1)
    x, y = (np.abs(value[k] - value[a] - slope * (day[k] - day[a])) for k in (a + 1, a + 2))
    wrong = a[np.where(kept[a + 1], y < x, x < y)]
    kept[wrong + 1] ^= True
    kept[wrong + 2] ^= True
