"""Values with ties, as logs have them: counted where they are whole numbers or few, else sorted."""

import numpy as np
import pandas as pd

LOOK = 1000  # values, or fewer, that show whether many are alike


def is_counted(values, most=4):
    """Whether they are whole numbers, none above `most` times how many they are: faster counted
    than sorted."""
    return values.max(initial=0.0) < most * len(values) and (np.floor(values) == values).all()


def tally(values, marked=False, weights=None):
    """(distinct values, rising; how many of each; how many of each are marked), of values >= 0,
    `weights` giving how often each counts."""
    if counted := is_counted(values):
        at, size = values.astype(int), int(values.max()) + 1
    elif weights is None and not _is_alike(values):
        # one sort of value and mark together: the bits of floats from 0 up, taken as whole numbers,
        # rise as the floats do, and their first, the sign's, leaves room for the mark
        keys = np.sort(np.uint64(2) * (values + 0.0).view(np.uint64) + np.uint64(marked))
        bits, marked = keys // np.uint64(2), (keys % np.uint64(2)).astype(int)
        is_first = np.append(True, bits[1:] != bits[:-1])[: len(bits)]
        times, at, size = bits[is_first].view(float), np.cumsum(is_first) - 1, is_first.sum()
    else:
        at, times = pd.factorize(values)
        order, size = np.argsort(times), len(times)
        at, times = np.argsort(order)[at], times[order]
    key = at if marked is False else at + size * marked
    count, count_marked = np.bincount(key, weights, 2 * size).reshape(2, -1)
    count += count_marked
    if counted:
        times = np.flatnonzero((count if weights is None else np.bincount(at)) > 0)
        count, count_marked = count[times], count_marked[times]
    return times.astype(float), count.astype(float), count_marked.astype(float)


def _is_alike(values):
    """Whether distinct values are likely fewer than a fourth of all: by how many of some are
    alike, as birthdays are (Feller 1968, chapter II; from memory)."""
    some = values[:: len(values) // LOOK + 1]
    alike = len(some) - len(np.unique(some))
    return alike * len(values) > 2 * len(some) ** 2
