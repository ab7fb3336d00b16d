"""Censored and truncated likelihood of a log-location-scale life, for one sample or thousands of groups at once.

The log of a life is `mu + sigma * Z`. The likelihood is maximised in a = mu / sigma and b = 1 / sigma, so that z = b log(t) - a: in these
it is concave for a log-concave Z without late entry (Burridge 1981, JRSS B 43:41, from memory), and Newton's method reaches a score of
zero to rounding.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

__all__ = ["FAMILIES", "Sample", "evaluate", "maximise", "maximise_along", "sample_of"]

MAX_STEPS = 80


@dataclass(frozen=True)
class Family:
    """Standard distribution of Z: `exact` and `beyond` give log density and log survival with two derivatives, `ppf` quantiles,
    `log_mean(s)` the log of E[exp(s Z)] with two derivatives in s."""

    name: str
    exact: object
    beyond: object
    density_slope: object
    ppf: object
    upper: object
    log_mean: object


def _sev_exact(z):
    e = np.exp(z)
    return z - e, 1 - e, -e


def _sev_beyond(z):
    e = -np.exp(z)
    return e, e, e


def _normal_exact(z):
    return -0.5 * z * z - 0.5 * np.log(2 * np.pi), -z, np.full_like(z, -1.0)


def _normal_beyond(z):
    log_survival = special.log_ndtr(-z)
    with np.errstate(invalid="ignore", over="ignore"):
        hazard = np.exp(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - log_survival)
        return log_survival, -hazard, -hazard * (hazard - z)


def _sev_log_mean(s):
    return special.gammaln(1 + s), special.digamma(1 + s), special.polygamma(1, 1 + s)


FAMILIES = {
    "weibull": Family(
        "weibull",
        _sev_exact,
        _sev_beyond,
        lambda z: 1 - np.exp(z),
        lambda p: np.log(-np.log1p(-np.asarray(p, float))),
        lambda log_s: np.log(-log_s),
        _sev_log_mean,
    ),
    "lognormal": Family(
        "lognormal",
        _normal_exact,
        _normal_beyond,
        np.negative,
        special.ndtri,
        lambda log_s: -special.ndtri_exp(log_s),
        lambda s: (s * s / 2, s, np.ones_like(s)),
    ),
}


@dataclass(frozen=True)
class Sample:
    """Rows as the likelihood uses them, on the log scale, centred and scaled by group: `u = (log t - centre) / spread`.

    exact: (u, weight, group) of ends seen. beyond: the same for lives known to be longer, with late entries at a negative weight.
    between: (u_left, u_right, weight, group) of ends known to lie between two looks. ends: weight of ends by group.
    """

    family: Family
    exact: tuple
    beyond: tuple
    between: tuple
    ends: np.ndarray
    centre: np.ndarray
    spread: np.ndarray
    constant: np.ndarray

    @property
    def n_groups(self):
        return len(self.ends)


def sample_of(family, duration, observed, entry=None, weights=None, last_seen=None, group=None, n_groups=1):
    """`Sample` from clean arrays of shape (n,); `group`: integer code below `n_groups`. An end with `last_seen` < duration lies between."""
    group = np.zeros(len(duration), np.intp) if group is None else group
    weights = np.ones(len(duration)) if weights is None else weights
    y = np.log(duration)
    count = np.maximum(_by_group(np.ones_like(y), group, n_groups), 1)
    centre = _by_group(y, group, n_groups) / count
    spread = np.sqrt(_by_group((y - (centre if n_groups == 1 else centre[group])) ** 2, group, n_groups) / count)
    spread = np.where(spread > 0, spread, 1.0)

    def scaled(values, rows):
        own = 0 if n_groups == 1 else group[rows]
        with np.errstate(divide="ignore"):
            return (np.log(values[rows]) - centre[own]) / spread[own]

    between = observed & (last_seen < duration) if last_seen is not None else np.zeros(len(y), bool)
    exact, late = observed & ~between, (entry > 0) if entry is not None else None
    beyond = [(scaled(duration, ~observed), weights[~observed], group[~observed])]
    if late is not None and late.any():
        beyond.append((scaled(entry, late), -weights[late], group[late]))
    inner = (scaled(last_seen, between), scaled(duration, between)) if between.any() else (np.empty(0), np.empty(0))
    plain = weights * exact
    return Sample(
        FAMILIES[family],
        (scaled(duration, exact), weights[exact], group[exact]),
        tuple(np.concatenate(parts) for parts in zip(*beyond, strict=True)),
        (*inner, weights[between], group[between]),
        _by_group(weights * observed, group, n_groups),
        centre,
        spread,
        -_by_group(plain * y, group, n_groups) - _by_group(plain, group, n_groups) * np.log(spread),
    )


def _by_group(values, group, n_groups):
    return np.array([values.sum()]) if n_groups == 1 else np.bincount(group, values, n_groups)


def evaluate(sample, a, b):
    """Log-likelihood by group, scaled and without the constant, and its derivatives: l, l_a, l_b, l_aa, l_ab, l_bb; shape (6, groups)."""
    total = np.zeros((6, sample.n_groups))
    for (u, weight, group), terms in ((sample.exact, sample.family.exact), (sample.beyond, sample.family.beyond)):
        if not len(u):
            continue
        one = sample.n_groups == 1
        value, first, second = terms((u * b[0] - a[0]) if one else (u * b[group] - a[group]))
        first, second = first * weight, second * weight
        curve = second * u
        if one:
            total[:, 0] += value @ weight, -first.sum(), first @ u, second.sum(), -curve.sum(), curve @ u
        else:
            parts = (value * weight, -first, first * u, second, -curve, curve * u)
            total += np.array([np.bincount(group, part, sample.n_groups) for part in parts])
    if len(sample.between[0]):
        total += _between(sample, a, b)
    plain = _by_group(sample.exact[1], sample.exact[2], sample.n_groups)
    total[0] += plain * np.log(b)
    total[2] += plain / b
    total[5] -= plain / b**2
    return total


def _between(sample, a, b):
    left, right, weight, group = sample.between
    open_left = np.isneginf(left)
    left = np.where(open_left, 0.0, left)
    z_left, z_right = left * b[group] - a[group], right * b[group] - a[group]
    beyond, exact, slope = sample.family.beyond, sample.family.exact, sample.family.density_slope
    log_left = np.where(open_left, 0.0, beyond(z_left)[0])
    log_gap = log_left + np.log(-np.expm1(np.minimum(beyond(z_right)[0] - log_left, -1e-300)))
    at_left = np.where(open_left, 0.0, np.exp(exact(z_left)[0] - log_gap))
    at_right = np.exp(exact(z_right)[0] - log_gap)
    h_ll, h_rr, h_lr = -slope(z_left) * at_left - at_left**2, slope(z_right) * at_right - at_right**2, at_left * at_right
    parts = (
        log_gap,
        at_left - at_right,
        at_right * right - at_left * left,
        h_ll + 2 * h_lr + h_rr,
        -(h_ll * left + h_lr * (left + right) + h_rr * right),
        h_ll * left**2 + 2 * h_lr * left * right + h_rr * right**2,
    )
    return np.array([_by_group(part * weight, group, sample.n_groups) for part in parts])


def maximise(sample, b_fixed=None):
    """Maximum of every group's likelihood by one damped Newton iteration: a, b, derivatives as `evaluate`. b_fixed holds b (scaled)."""
    b = np.ones(sample.n_groups) if b_fixed is None else np.broadcast_to(np.asarray(b_fixed, float), sample.n_groups).copy()
    a = np.zeros(sample.n_groups)

    def step(now):
        _, l_a, l_b, l_aa, l_ab, l_bb = now
        if b_fixed is not None:
            return l_a / np.maximum(-l_aa, 1e-300), np.zeros_like(l_a)
        # away from the top the surface may bend the wrong way under late entry: shift the curvature until it is a maximum's
        largest = (l_aa + l_bb) / 2 + np.hypot((l_aa - l_bb) / 2, l_ab)
        shift = np.maximum(largest + 1e-9 * np.abs(l_aa + l_bb), 0) * 1.5
        l_aa, l_bb = l_aa - shift, l_bb - shift
        determinant = np.where((d := l_aa * l_bb - l_ab**2) > 0, d, np.inf)
        return (l_ab * l_b - l_bb * l_a) / determinant, (l_ab * l_a - l_aa * l_b) / determinant

    return _climb(sample, a, b, step)


def _climb(sample, a, b, step):
    now = evaluate(sample, a, b)
    for _ in range(MAX_STEPS):
        d_a, d_b = step(now)
        scale = np.minimum(1, np.minimum(2 / np.maximum(np.abs(d_a), 1e-300), np.where(d_b < 0, 0.7 * b / np.maximum(-d_b, 1e-300), 1)))
        for _ in range(40):
            with np.errstate(all="ignore"):
                new = evaluate(sample, a + scale * d_a, b + scale * d_b)
            worse = ~(new[0] >= now[0] - 1e-13 * (1 + np.abs(now[0])))
            if not worse.any():
                break
            scale = np.where(worse, scale / 2, scale)
        moved = ~worse
        a, b, now = np.where(moved, a + scale * d_a, a), np.where(moved, b + scale * d_b, b), np.where(moved, new, now)
        # convergence is quadratic: after a full step this small the next would be below rounding
        small = (scale == 1) & (np.abs(d_a) <= 3e-8 * (1 + np.abs(a))) & (np.abs(d_b) <= 3e-8 * b)
        if np.all(~moved | small | (b > 1e6)):
            break
    return a, b, now


def maximise_along(sample, path, b):
    """Greatest log-likelihood of every group along a(b), found from `b`; `path(b)` gives a and its two derivatives. Returns l, b."""

    def at(b):
        a, a_1, a_2 = path(b)
        with np.errstate(all="ignore"):
            height, l_a, l_b, l_aa, l_ab, l_bb = evaluate(sample, a, b)
            first = (l_b + l_a * a_1) * b
            second = (l_bb + 2 * l_ab * a_1 + l_aa * a_1**2 + l_a * a_2) * b**2 + first
        return height, first, second

    now = at(b)
    for _ in range(MAX_STEPS):
        stride = np.clip(now[1] / np.maximum(np.abs(now[2]), 1e-12), -1, 1)
        for _ in range(30):
            new = at(b * np.exp(stride))
            worse = ~(new[0] >= now[0] - 1e-12 * (1 + np.abs(now[0])))
            if not worse.any():
                break
            stride = np.where(worse, stride / 2, stride)
        stride = np.where(worse, 0.0, stride)
        b, now = b * np.exp(stride), tuple(np.where(worse, old, this) for old, this in zip(now, new, strict=True))
        if np.all(np.abs(stride) < 1e-9):
            break
    return now[0], b
