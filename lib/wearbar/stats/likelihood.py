"""Censored and truncated likelihood of log life `mu + sigma * Z`, of many samples at once.

It is maximised in a = mu / sigma and b = 1 / sigma, so that z = b log(t) - a: in these it is
concave for a log-concave Z without late entry (Burridge 1981, JRSS B 43:41, from memory), and
Newton's method reaches a score of zero to rounding.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import special

MAX_STEPS = 80


class Weibull:
    """The log of a Weibull life: smallest extreme value.

    Of a family, `exact` and `beyond` give log density and log survival of Z, each with two
    derivatives, `ppf` quantiles, `log_mean(s)` the log of E[exp(s Z)] with two derivatives in s.
    """

    name = "weibull"

    def exact(self, z):
        e = np.exp(z)
        return z - e, 1 - e, -e

    def beyond(self, z):
        e = -np.exp(z)
        return e, e, e

    def ppf(self, p):
        return np.log(-np.log1p(-np.asarray(p, float)))

    def log_mean(self, s):
        return special.gammaln(1 + s), special.digamma(1 + s), special.polygamma(1, 1 + s)


class Lognormal:
    """The log of a lognormal life: normal. As `Weibull`."""

    name = "lognormal"

    def exact(self, z):
        return -0.5 * z * z - 0.5 * np.log(2 * np.pi), -z, np.full_like(z, -1.0)

    def beyond(self, z):
        log_survival = special.log_ndtr(-z)
        with np.errstate(invalid="ignore", over="ignore"):
            hazard = np.exp(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - log_survival)
            return log_survival, -hazard, -hazard * (hazard - z)

    def ppf(self, p):
        return special.ndtri(p)

    def log_mean(self, s):
        return s * s / 2, s, np.ones_like(s)


FAMILIES = {family.name: family for family in (Weibull(), Lognormal())}


@dataclass(frozen=True)
class Sample:
    """Rows by group, centred and scaled: `u = (log t - centre) / spread`.

    exact: (u, weight, group) of ends seen. beyond: the same for lives known to be longer, with late
    entries at a negative weight. between: (u_left, u_right, weight, group) of ends known to lie
    between two looks. ends, plain: weight of ends, and of exact ones, by group.
    """

    family: Weibull | Lognormal
    exact: tuple
    beyond: tuple
    between: tuple
    ends: np.ndarray
    plain: np.ndarray
    centre: np.ndarray
    spread: np.ndarray
    constant: np.ndarray

    @property
    def n_groups(self):
        return len(self.ends)

    @property
    def steepest(self):
        """A fit that climbs past this b has no maximum: all its ends may be at one point."""
        return 30.0 if len(self.between[0]) else 1e5

    @cached_property
    def together(self):
        """Exact ends and lives beyond in one, and the sum of weight times u of the former."""
        u, weight, group = zip(self.exact, self.beyond, strict=True)
        group = 0 if self.n_groups == 1 else np.concatenate(group)
        pull = _by_group(self.exact[0] * self.exact[1], self.exact[2], self.n_groups)
        return np.concatenate(u), np.concatenate(weight), group, pull


def sample_of(
    family, duration, observed, entry=None, weights=None, last_seen=None, group=None, n_groups=1
):
    """`Sample` from clean arrays of shape (n,); `group`: integer code below `n_groups`.

    An end with `last_seen` < duration lies between.
    """
    weights = np.ones(len(duration)) if weights is None else weights
    last_seen = duration if last_seen is None else last_seen
    entry = np.zeros(len(duration)) if entry is None else entry
    with np.errstate(divide="ignore"):
        y, log_entry, log_seen = np.log(duration), np.log(entry), np.log(last_seen)

    def total(values):
        return _by_group(values, group, n_groups)

    count = np.maximum(total(np.ones_like(y)), 1)
    centre = total(y) / count
    spread = np.sqrt(total((y - centre[0 if group is None else group]) ** 2) / count)
    spread = np.where(spread > 0, spread, 1.0)

    def part(logs, rows, sign=1.0):
        which = 0 if group is None else group[rows]
        return (logs[rows] - centre[which]) / spread[which], sign * weights[rows], which

    between = observed & (last_seen < duration)
    exact = observed & ~between
    u, weight, which = zip(part(y, ~observed), part(log_entry, entry > 0, -1.0), strict=True)
    which = 0 if group is None else np.concatenate(which)
    rows = part(y, exact), (np.concatenate(u), np.concatenate(weight), which)
    looks = part(log_seen, between)[0], *part(y, between)
    plain = total(weights * exact)
    constant = -total(weights * np.where(exact, y, 0.0)) - plain * np.log(spread)
    ends = total(weights * observed)
    return Sample(FAMILIES[family], *rows, looks, ends, plain, centre, spread, constant)


def _by_group(values, group, n_groups):
    return np.array([values.sum()]) if n_groups == 1 else np.bincount(group, values, n_groups)


def evaluate(sample, a, b):
    """Log-likelihood by group, scaled and less its constant: l, l_a, l_b, l_aa, l_ab, l_bb."""
    total = _weibull_rows(sample, a, b) if sample.family.name == "weibull" else _rows(sample, a, b)
    if len(sample.between[0]):
        total += _between(sample, a, b)
    total[0] += sample.plain * np.log(b)
    total[2] += sample.plain / b
    total[5] -= sample.plain / b**2
    return total


def _weibull_rows(sample, a, b):
    u, weight, group, pull = sample.together
    hazard = np.exp(u * b[group] - a[group])
    hazard *= weight
    first = hazard * u
    s0, s1, s2 = (_by_group(part, group, sample.n_groups) for part in (hazard, first, first * u))
    return np.array([b * pull - a * sample.plain - s0, s0 - sample.plain, pull - s1, -s0, s1, -s2])


def _rows(sample, a, b):
    total = np.zeros((6, sample.n_groups))
    terms_of = sample.family.exact, sample.family.beyond
    for (u, weight, group), terms in zip((sample.exact, sample.beyond), terms_of, strict=True):
        value, first, second = terms(u * b[group] - a[group])
        first, second = first * weight, second * weight
        curve = second * u
        parts = (value * weight, -first, first * u, second, -curve, curve * u)
        total += np.array([_by_group(part, group, sample.n_groups) for part in parts])
    return total


def _between(sample, a, b):
    left, right, weight, group = sample.between
    open_left = np.isneginf(left)
    left = np.where(open_left, 0.0, left)
    z_left, z_right = left * b[group] - a[group], right * b[group] - a[group]
    beyond, exact = sample.family.beyond, sample.family.exact
    log_left = np.where(open_left, 0.0, beyond(z_left)[0])
    log_gap = log_left + np.log(-np.expm1(np.minimum(beyond(z_right)[0] - log_left, -1e-300)))
    (log_l, slope_l, _), (log_r, slope_r, _) = exact(z_left), exact(z_right)
    at_left, at_right = np.where(open_left, 0.0, np.exp(log_l - log_gap)), np.exp(log_r - log_gap)
    h_ll, h_lr = -slope_l * at_left - at_left**2, at_left * at_right
    h_rr = slope_r * at_right - at_right**2
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
    """Maximum of every group by damped Newton steps: a, b, `evaluate`; b_fixed holds b."""
    start = np.ones(sample.n_groups)
    b = start if b_fixed is None else b_fixed * start

    def step(now):
        _, l_a, l_b, l_aa, l_ab, l_bb = now
        if b_fixed is not None:
            return l_a / np.maximum(-l_aa, 1e-300), np.zeros_like(l_a)
        # away from the top the surface may bend the wrong way under late entry: shift the curvature
        # until it is a maximum's
        largest = (l_aa + l_bb) / 2 + np.hypot((l_aa - l_bb) / 2, l_ab)
        shift = np.maximum(largest + 1e-9 * np.abs(l_aa + l_bb), 0) * 1.5
        l_aa, l_bb = l_aa - shift, l_bb - shift
        determinant = np.where((d := l_aa * l_bb - l_ab**2) > 0, d, np.inf)
        return (l_ab * l_b - l_bb * l_a) / determinant, (l_ab * l_a - l_aa * l_b) / determinant

    return _climb(sample, np.zeros(sample.n_groups), b, step)


def _climb(sample, a, b, step):
    now, done = evaluate(sample, a, b), np.zeros(sample.n_groups, bool)
    for _ in range(MAX_STEPS):
        d_a, d_b = (np.where(done, 0.0, d) for d in step(now))
        longest = np.where(d_b < 0, 0.7 * b / np.maximum(-d_b, 1e-300), 1)
        longest = np.minimum(2 / np.maximum(np.abs(d_a), 1e-300), longest)
        scale = np.minimum(1, longest)
        for _ in range(40):
            with np.errstate(all="ignore"):
                new = evaluate(sample, a + scale * d_a, b + scale * d_b)
            worse = ~(new[0] >= now[0] - 1e-13 * (1 + np.abs(now[0])))
            far = scale * np.abs(d_a) > 1e-12 * (1 + np.abs(a))
            far |= scale * np.abs(d_b) > 1e-12 * b
            if not (worse & far).any():
                break
            scale = np.where(worse, scale / 2, scale)
        a, b = np.where(worse, a, a + scale * d_a), np.where(worse, b, b + scale * d_b)
        now = np.where(worse, now, new)
        # convergence is quadratic: after a full step this small the next would be below rounding
        small = (scale == 1) & (np.abs(d_a) <= 3e-8 * (1 + np.abs(a))) & (np.abs(d_b) <= 3e-8 * b)
        done |= worse | small | (b > sample.steepest)
        if done.all():
            break
    return a, b, now


def maximise_along(sample, path, b):
    """Greatest log-likelihood of every group along `path(b)`: a and two derivatives."""

    def at(b):
        a, a_1, a_2 = path(b)
        with np.errstate(all="ignore"):
            height, l_a, l_b, l_aa, l_ab, l_bb = evaluate(sample, a, b)
            first = (l_b + l_a * a_1) * b
            second = (l_bb + 2 * l_ab * a_1 + l_aa * a_1**2 + l_a * a_2) * b**2 + first
        return np.array([height, first, second])

    now = at(b)
    done = np.isnan(now[0])
    for _ in range(MAX_STEPS):
        stride = np.where(done, 0.0, np.clip(now[1] / np.maximum(np.abs(now[2]), 1e-12), -1, 1))
        for _ in range(30):
            new = at(b * np.exp(stride))
            worse = ~(new[0] >= now[0] - 1e-12 * (1 + np.abs(now[0])))
            if not (worse & (np.abs(stride) > 1e-9)).any():
                break
            stride = np.where(worse, stride / 2, stride)
        stride = np.where(worse, 0.0, stride)
        b, now = b * np.exp(stride), np.where(worse, now, new)
        done |= (np.abs(stride) < 1e-9) | (b > sample.steepest)
        if done.all():
            break
    return now[0]
