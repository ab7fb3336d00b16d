"""Values with ties, as logs have them: counted where they are whole numbers or few, else sorted."""

import numpy as np
import pandas as pd

LOOK = 1000  # values, or fewer, that show whether many are alike


def is_counted(values, most=4):
    """Whether they are whole numbers, none above `most` times how many they are."""
    return values.max(initial=0.0) < most * len(values) and (np.floor(values) == values).all()


def tally(values, marked=False, weights=None):
    """(distinct values, rising; how many of each; how many of each are marked), of values >= 0,
    `weights` giving how often each counts."""
    if is_counted(values):
        at, times = values.astype(int), np.arange(values.max() + 1)
    elif _is_alike(values):
        at, times = pd.factorize(values, sort=True)
    else:
        times, at = np.unique(values, return_inverse=True)
    key, size = at if marked is False else at + len(times) * marked, len(times)
    count, count_marked = np.bincount(key, weights, 2 * size).reshape(2, -1)
    held = np.bincount(at, minlength=size) > 0
    told = times, count + count_marked, count_marked
    return tuple(part[held].astype(float) for part in told)


def _is_alike(values):
    """Whether distinct values are likely fewer than a fourth of all: by how many of some are alike,
    as birthdays are (Feller 1968, chapter II; from memory)."""
    some = values[:: len(values) // LOOK + 1]
    alike = len(some) - len(np.unique(some))
    return alike * len(values) > 2 * len(some) ** 2
