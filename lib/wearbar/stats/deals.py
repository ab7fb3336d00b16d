"""Units dealt among groups again: how far apart groups come by chance (a permutation test)."""

import numpy as np
from scipy.special import comb

__all__ = ["inside_outside", "least_p"]


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
