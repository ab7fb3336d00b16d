"""Units dealt again, among groups or within strata: what comes by chance (permutation tests)."""

from itertools import permutations

import numpy as np
import pandas as pd
from scipy.special import comb, factorial

MAX_PERMUTATIONS = 50_000  # as many orders are all gone through; of more, this many are drawn


def inside_outside(cells, order, first):
    """Sums of each of `cells` (k, units) in every group and in the others: two (k, deals, groups).

    order: (deals, units), the units as dealt. first: where each group begins.

    >>> inside, outside = inside_outside(np.array([[1.0, 2.0, 4.0]]), np.array([[0, 1, 2]]), [0, 2])
    >>> inside.tolist(), outside.tolist()
    ([[[3.0, 4.0]]], [[[4.0, 3.0]]])
    """
    inside = np.stack([np.add.reduceat(c[order], first, axis=1) for c in cells])
    return inside, cells.sum(axis=1)[:, None, None] - inside


def least_p(size, deals):
    """The least p that `deals` of units among groups of these sizes (array) can give."""
    ways = comb(size.sum(), size.min()) / (2 if len(size) == 2 else 1)
    return max(1 / deals, 1 / ways)


def permutation_p(y, x, strata, rng):
    """One-sided p of no slope of y on x within strata, exact whatever the errors' shape.

    One entry a vehicle. x is dealt again within each stratum, in all ways where they are few; else
    by `rng`, the observed one counting among them (Phipson & Smyth 2010, Stat. Appl. Genet. Mol.
    Biol. 9:39).
    """
    code = pd.factorize(np.asarray(strata), sort=True)[0]
    order, sizes = np.argsort(code, kind="stable"), np.bincount(code)
    y, x, code = np.asarray(y, float)[order], np.asarray(x, float)[order], code[order]
    if np.prod(factorial(sizes)) <= MAX_PERMUTATIONS:
        deals = np.zeros((1, 0), int)
        for first, size in zip(np.cumsum(sizes) - sizes, sizes, strict=True):
            block = first + np.array(list(permutations(range(size))), int)
            earlier = np.repeat(deals, len(block), axis=0)
            deals = np.hstack([earlier, np.tile(block, (len(deals), 1))])
    else:
        deals = np.argsort(code + rng.random((MAX_PERMUTATIONS, len(code))), axis=1)
        deals[0] = np.arange(len(code))
    near = 1e-12 * (np.abs(x) @ np.abs(y))  # rounding alone may part deals that are as good
    return float((x[deals] @ y >= x @ y - near).mean())
