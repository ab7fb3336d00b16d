"""What holds where rows come in clusters, such as vehicles, and those are few: least squares, and
permutation tests, which deal clusters again among groups or within strata."""

from dataclasses import dataclass
from itertools import chain, permutations, product

import numpy as np
import pandas as pd
from scipy import optimize
from scipy.special import comb, factorial

SMALL = 0.02  # parts of each cluster in a fit, below which a series is exact to six figures
MAX_PERMUTATIONS = 50_000  # as many orders are all gone through; of more, this many are drawn


@dataclass(frozen=True)
class ClusteredFit:
    """A fit by `fit_clustered` of n rows, p columns, g clusters."""

    beta: np.ndarray  # coefficients (p)
    residual: np.ndarray  # of the rows as weighted (n)
    ratio: float
    u: np.ndarray  # orthonormal basis of the weighted design (n, p)
    r_inverse: np.ndarray  # turns its coordinates into those of beta
    cluster: np.ndarray  # of each row

    def contrast(self, weights):
        """(value, standard error, degrees of freedom) of weights @ beta, as of `robust`."""
        a = self.r_inverse.T @ np.asarray(weights, float)
        (se,), (df,) = robust(*self._sums(self.cluster), a[None])
        return float(np.dot(weights, self.beta)), float(se), float(df)

    def without_each(self, groups=None):
        """beta with each cluster left out in turn (g, p), or each group of clusters, `groups`
        giving one label a row, in the labels' order; the weights stay those of the whole fit."""
        gram, scores = self._sums(self.cluster if groups is None else groups)
        left = np.eye(self.u.shape[1]) - gram
        inverse = np.linalg.pinv(left, rcond=1e-8, hermitian=True)
        return self.beta - np.einsum("gij,gj->gi", inverse, scores) @ self.r_inverse.T

    def _sums(self, labels):
        """u'u (g, p, p) and u' residual (g, p) of each cluster."""
        rows = pd.Series(0, range(len(self.u))).groupby(np.asarray(labels)).indices.values()
        parts = [(self.u[own], self.residual[own]) for own in rows]
        return np.array([u.T @ u for u, _ in parts]), np.array([left @ u for u, left in parts])


def robust(gram, scores, contrasts):
    """(standard errors, degrees of freedom), each (k), of `contrasts` (k, p) @ the coordinates in
    which a fit's information is the identity.

    gram (g, p, p), scores (g, p): each cluster's part of that information and of the score.
    Bias-reduced cluster-robust variance with Satterthwaite's degrees of freedom (Bell & McCaffrey
    2002, Survey Methodology 28:169; for fits with dropped directions, the generalised inverse of
    Pustejovsky & Tipton 2018, J. Bus. Econ. Stat. 36:672)."""
    if not (are_small := np.trace(gram, axis1=1, axis2=2).max() < SMALL):
        eigen, vectors = np.linalg.eigh(np.eye(gram.shape[1]) - gram)
        shrink = np.where(eigen > 1e-8, 1 / np.sqrt(np.clip(eigen, 1e-8, None)), 0.0)
    found = []
    for a in contrasts:
        if are_small:  # the series of the inverse root
            first = gram @ a
            m_a = a + first / 2 + 0.375 * np.einsum("gij,gj->gi", gram, first)
        else:
            m_a = np.einsum("gij,gj->gi", vectors, shrink * np.einsum("gij,i->gj", vectors, a))
        b = np.einsum("gij,gj->gi", gram, m_a)
        # of the matrix diag(own) - b b', g x g: its trace and its sum of squares
        own, square = np.einsum("gi,gi->g", m_a, b), (b**2).sum(axis=1)
        trace = (own - square).sum()
        squares = (own**2 - 2 * own * square).sum() + ((b.T @ b) ** 2).sum()
        df = trace**2 / squares if squares > 1e-14 * (own**2).sum() else 0.0
        found.append((np.sqrt((np.einsum("gi,gi->g", m_a, scores) ** 2).sum()), df))
    return np.array(found).reshape(-1, 2).T


def fit_clustered(design, y, cluster, ratio=None, weights=None):
    """Generalised least squares with a random intercept a cluster: a `ClusteredFit`, whose standard
    errors do not rely on the intercept.

    design: (n, p) of independent columns; y: (n). ratio: variance between clusters over that within
    (of a row of weight 1); None: by restricted maximum likelihood (Patterson & Thompson 1971, from
    memory). weights: (n), the inverse of each row's variance; None: all alike."""
    code, names = pd.factorize(np.asarray(cluster), sort=True)
    root = np.ones((len(code), 1)) if weights is None else np.sqrt(weights)[:, None]
    rows = np.column_stack([np.asarray(design, float), np.asarray(y, float)]) * root
    sums = np.zeros((len(names), rows.shape[1] + 1))
    np.add.at(sums, code, np.column_stack([rows, root]) * root)
    sums, size = sums[:, :-1], sums[:, -1:]
    if ratio is None:
        ratio = 0.0 if len(names) == len(code) else _intercept_ratio(rows, size, sums)
    # less what a random intercept has clusters share, rows are independent and alike
    shared = (1 - 1 / np.sqrt(1 + size * ratio)) * sums / size
    rows = rows - root * shared[code]
    u, r = np.linalg.qr(rows[:, :-1])
    r_inverse = np.linalg.inv(r)
    beta = r_inverse @ (u.T @ rows[:, -1])
    return ClusteredFit(beta, rows[:, -1] - rows[:, :-1] @ beta, ratio, u, r_inverse, code)


def _intercept_ratio(rows, size, sums):
    """The `ratio` of rows of design and y, weighted, whose sums by cluster are given."""
    cross, spare = rows.T @ rows, len(rows) - rows.shape[1] + 1

    def loss(ratio):
        chol = np.linalg.cholesky(cross - (sums * (ratio / (1 + size * ratio))).T @ sums)
        diag = np.log(np.diag(chol))
        return spare * 2 * diag[-1] + np.log1p(size * ratio).sum() + 2 * diag[:-1].sum()

    if spare <= 0:
        return 0.0
    try:
        best = optimize.minimize_scalar(lambda t: loss(np.exp(t)), bounds=(-9, 5), method="bounded")
        return float(np.exp(best.x)) if best.fun < loss(0.0) else 0.0
    except np.linalg.LinAlgError:  # a perfect fit has no likelihood
        return 0.0


def independent_columns(design):
    """Mask (p) of the columns that are not made up of those before them."""
    unit = design / np.maximum(np.linalg.norm(design, axis=0), 1e-300)
    ranks = [np.linalg.matrix_rank(unit[:, :k], tol=1e-7) for k in range(unit.shape[1] + 1)]
    return np.diff(ranks) > 0


def tangent_of_additive(share, y, z, cluster, ratio, weights=None):
    """(t, slope, height) of y = z @ b + log(1 - share + share * exp(t)) + error at its least
    squares under a random intercept of `ratio`, t between -3 and 3: exp(t) is the rate at share 1
    over the rate at share 0, were rates to add up by share. Near t height (n) = z @ b + (step from
    t) * slope (n) + error, so a fit of that has t's error."""

    def bend(t):
        return np.log1p(np.expm1(t) * share)

    def squares(t):
        return (fit_clustered(z, y - bend(t), cluster, ratio, weights).residual ** 2).sum()

    t = float(optimize.minimize_scalar(squares, bounds=(-3, 3), method="bounded").x)
    return t, np.exp(t) * share / (1 + np.expm1(t) * share), y - bend(t)


def added_up(times, easy, hard):
    """Wear at share `hard` over wear at share `easy`, where rates add up by share and this use
    wears `times` as much as other use does.

    >>> round(float(added_up(2.5, 0.2, 0.4)), 4)
    1.2308
    """
    return (1 + (times - 1) * np.asarray(hard)) / (1 + (times - 1) * np.asarray(easy))


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
    """One-sided p of no slope of y on x within strata, one entry a vehicle, exact whatever the
    errors' shape: x is dealt again within strata, in all ways where they are few, else by `rng`,
    the observed one among them (Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9:39)."""
    code = pd.factorize(np.asarray(strata), sort=True)[0]
    order, sizes = np.argsort(code, kind="stable"), np.bincount(code)
    y, x, code = np.asarray(y, float)[order], np.asarray(x, float)[order], code[order]
    if np.prod(factorial(sizes)) <= MAX_PERMUTATIONS:
        blocks = np.split(np.arange(len(code)), np.cumsum(sizes)[:-1])
        ways = product(*(permutations(block) for block in blocks))
        deals = np.array([list(chain(*way)) for way in ways], int)
    else:
        deals = np.argsort(code + rng.random((MAX_PERMUTATIONS, len(code))), axis=1)
        deals[0] = np.arange(len(code))
    near = 1e-12 * (np.abs(x) @ np.abs(y))  # rounding alone may part deals that are as good
    return float((x[deals] @ y >= x @ y - near).mean())
