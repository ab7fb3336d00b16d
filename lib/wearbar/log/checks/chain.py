"""The longest series of readings that can all be true: each no lower than the one before, and reached at a likely rate.

All series are worked on at once. Near each step that can't be, a dynamic programme finds what to leave out: the whole of a short series,
of a long one the last `REACH` readings at a time. Where two long stretches still contradict each other, a second one over whole stretches
chooses those that hold the most readings.
"""

import numpy as np

__all__ = ["longest_likely"]

REACH = 16
SHORT = 100
BREAK = 8.0


def longest_likely(series, day, value, limit, weight, slack=0.0):
    """Which readings to keep: an array of bools.

    series: ints, ascending; within each, day ascends and, within a day, value. limit: the most that value may rise in a day, by reading.
    weight: what keeping a reading is worth (1 for one that was read, less for a guess). A step within a day counts as a day.
    slack: how far value may fall from one to the next, where it is read with an error.
    """
    kept = np.ones(len(series), dtype=bool)
    bad = np.flatnonzero(
        (series[1:] == series[:-1])
        & ~_follows(day, value, limit, slack, slice(None, -1), slice(1, None))
    )
    if len(bad):
        _near_each_break(kept, series, bad, day, value, limit, weight, slack)
        _whole_stretches(kept, series, day, value, limit, weight, slack)
        _nearest_the_line(kept, series, day, value, limit, slack)
    return kept


def _follows(day, value, limit, slack, a, b):
    return (value[b] >= value[a] - slack) & (
        value[b] - value[a] <= limit[b] * (day[b] - day[a] + 1)
    )


def _near_each_break(kept, series, bad, day, value, limit, weight, slack):
    begins = np.searchsorted(series, series[bad])
    ends = np.searchsorted(series, series[bad], side="right")
    low, high = np.maximum(bad - REACH, begins), np.minimum(bad + 2 + REACH, ends)
    short = ends - begins <= SHORT
    low, high = np.where(short, begins, low), np.where(short, ends, high)
    first = np.flatnonzero(np.r_[True, (low[1:] > high[:-1]) | (begins[1:] != begins[:-1])])
    low, size, cost = (
        low[first],
        np.maximum.reduceat(high, first) - low[first],
        np.where(short, np.inf, BREAK)[first],
    )
    for width in np.unique(np.ceil(np.log2(size)).astype(int)):
        mine = np.ceil(np.log2(size)).astype(int) == width
        at = low[mine, None] + np.arange(size[mine].max())
        inside = np.arange(at.shape[1]) < size[mine, None]
        at = np.where(inside, at, low[mine, None])
        kept[at[inside]] = _best_chains(
            day[at], value[at], limit[at], np.where(inside, weight[at], 0.0), cost[mine], slack
        )[inside]


def _best_chains(day, value, limit, weight, cost, slack):
    """For each row of a matrix of readings, those on its heaviest chain; a step that can't be costs `cost`, by row."""
    rows, width = day.shape
    best, back = np.zeros((rows, width)), np.full((rows, width), -1)
    reach = width if width <= SHORT else REACH
    top, top_at, every = np.full(rows, -np.inf), np.zeros(rows, dtype=int), np.arange(rows)
    for k in range(width):
        low = max(0, k - reach)
        score, came = np.where(top > cost, top - cost, 0.0), np.where(top > cost, top_at, -1)
        if k:
            rise, days = value[:, k, None] - value[:, low:k], day[:, k, None] - day[:, low:k]
            fits = (rise >= -slack) & (rise <= limit[:, k, None] * (days + 1))
            linked = np.where(fits, best[:, low:k], -np.inf)
            nearest = linked.shape[1] - 1 - np.argmax(linked[:, ::-1], axis=1)
            better = linked[every, nearest] >= score
            score, came = (
                np.where(better, linked[every, nearest], score),
                np.where(better, nearest + low, came),
            )
        best[:, k], back[:, k] = score + weight[:, k], came
        higher = (best[:, k] > top) & (weight[:, k] > 0)
        top, top_at = np.where(higher, best[:, k], top), np.where(higher, k, top_at)
    kept, at = np.zeros((rows, width), dtype=bool), top_at
    while (at >= 0).any():
        kept[every[at >= 0], at[at >= 0]] = True
        at = np.where(at >= 0, back[every, at], -1)
    return kept


def _whole_stretches(kept, series, day, value, limit, weight, slack):
    """Of stretches that contradict each other, keep those of the heaviest chain."""
    at = np.flatnonzero(kept)
    same = series[at[1:]] == series[at[:-1]]
    starts = np.flatnonzero(
        np.r_[True, ~(same & _follows(day, value, limit, slack, at[:-1], at[1:]))]
    )
    heavy = np.add.reduceat(weight[at], starts)
    first, last = at[starts], at[np.r_[starts[1:], len(at)] - 1]
    owner = np.repeat(np.arange(len(starts)), np.diff(np.r_[starts, len(at)]))
    nth = np.arange(len(starts)) - np.searchsorted(series[first], series[first])
    best, back = heavy.copy(), np.full(len(starts), -1)
    for k in range(1, nth.max() + 1):
        mine = np.flatnonzero(nth == k)
        for step in range(1, k + 1):
            before = mine - step
            better = _follows(day, value, limit, slack, last[before], first[mine]) & (
                best[before] + heavy[mine] > best[mine]
            )
            best[mine], back[mine] = (
                np.where(better, best[before] + heavy[mine], best[mine]),
                np.where(better, before, back[mine]),
            )
    chosen, groups = np.zeros(len(starts), dtype=bool), np.flatnonzero(nth == 0)
    order = np.lexsort((np.arange(len(best)), -best, series[first]))
    end = order[groups]
    while len(end):
        chosen[end] = True
        end = back[end]
        end = end[end >= 0]
    kept[at[~chosen[owner]]] = False


def _nearest_the_line(kept, series, day, value, limit, slack):
    """Of two readings that contradict each other alone, keep the one nearer to the line between those around them."""
    first = np.flatnonzero(
        kept[:-3] & (kept[1:-2] != kept[2:-1]) & kept[3:] & (series[:-3] == series[3:])
    )
    lost = np.where(kept[first + 1], first + 2, first + 1)
    first = first[
        _follows(day, value, limit, slack, first, lost)
        & _follows(day, value, limit, slack, lost, first + 3)
    ]
    first = first[np.diff(first, prepend=-4) > 2]
    a, x, y, b = (first + i for i in range(4))
    lost, held = np.where(kept[x], y, x), np.where(kept[x], x, y)
    slope = (value[b] - value[a]) / np.maximum(day[b] - day[a], 1)
    off = [np.abs(value[k] - value[a] - slope * (day[k] - day[a])) for k in (lost, held)]
    swap = off[0] < off[1]
    kept[lost[swap]], kept[held[swap]] = True, False
