"""Censored and truncated likelihood of log life `mu + sigma * Z`, of many samples at once. In a =
mu / sigma and b = 1 / sigma, so that z = b log(t) - a, it is concave for a log-concave Z without
late entry (Burridge 1981, JRSS B 43:41, from memory): Newton's method reaches a score of zero."""

from dataclasses import dataclass

import numpy as np
from scipy import special

MAX_STEPS = 80


# Of a family, `exact` and `beyond` give log density and log survival of Z, `mean_at(s)` the log of
# E[exp(s Z)] over s, each with two derivatives; `ppf` gives quantiles.


class Weibull:
    """The log of a Weibull life: smallest extreme value."""

    def exact(self, z):
        e = np.exp(z)
        return z - e, 1 - e, -e

    def beyond(self, z):
        e = -np.exp(z)
        return e, e, e

    def ppf(self, p):
        return np.log(-np.log1p(-np.asarray(p, float)))

    def mean_at(self, s):
        x = 1 + s
        value, first = special.gammaln(x) / s, special.digamma(x) / s
        slope = first - value / s
        return value, slope, special.polygamma(1, x) / s - 2 * slope / s


class Lognormal:
    """The log of a lognormal life: normal."""

    ppf = staticmethod(special.ndtri)

    def exact(self, z):
        return -0.5 * z * z - 0.5 * np.log(2 * np.pi), -z, np.full_like(z, -1.0)

    def beyond(self, z):
        log_survival = special.log_ndtr(-z)
        with np.errstate(invalid="ignore", over="ignore"):
            hazard = np.exp(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - log_survival)
            return log_survival, -hazard, -hazard * (hazard - z)

    def mean_at(self, s):
        return s / 2, np.full_like(s, 0.5), np.zeros_like(s)


FAMILIES = {"weibull": Weibull(), "lognormal": Lognormal()}


@dataclass(frozen=True)
class Sample:
    """Rows by group, centred and scaled."""

    family: Weibull | Lognormal
    u: np.ndarray  # (log t - centre) / spread
    weight: np.ndarray  # negative of late entries
    group: np.ndarray | int  # of each row; 0 where there is one alone
    n_exact: int  # the first rows are ends seen, the rest lives known to be longer
    between: tuple  # (u_left, u_right, weight, group) of ends known to lie between two looks
    ends: np.ndarray  # weight of all ends by group
    plain: np.ndarray  # of exact ones
    pull: np.ndarray  # sum of weight times u of exact ones
    centre: np.ndarray
    spread: np.ndarray
    steepest: float  # a fit that climbs past this b has no maximum: its ends may be at one point

    def total(self, parts, group):
        """Sums by group of each of `parts` (a value a row): (parts, groups)."""
        if len(self.ends) == 1:
            return np.array([[part.sum()] for part in parts])
        return np.array([np.bincount(group, part, len(self.ends)) for part in parts])


def sample_of(family, duration, observed, entry, weights, last_seen=None, group=None, n_groups=1):
    """`Sample` from clean arrays of shape (n,); `group`: integer code below `n_groups`. An end with
    `last_seen` < duration lies between."""
    last_seen = duration if last_seen is None else last_seen
    code = np.zeros(len(duration), int) if group is None else group

    def total(values):
        return np.bincount(code, values, n_groups)

    def scaled(values, rows):
        with np.errstate(divide="ignore"):
            return (np.log(values[rows]) - centre[code[rows]]) / spread[code[rows]]

    y = np.log(duration)
    count = np.maximum(np.bincount(code, minlength=n_groups), 1)
    centre = total(y) / count
    spread = np.sqrt(total((y - centre[code]) ** 2) / count)
    spread = np.where(spread > 0, spread, 1.0)
    u = (y - centre[code]) / spread[code]
    between, late = observed & (last_seen < duration), entry > 0
    exact = observed & ~between
    rows = np.concatenate([np.flatnonzero(exact), np.flatnonzero(~observed)])
    return Sample(
        family=FAMILIES[family],
        u=np.append(u[rows], scaled(entry, late)),
        weight=np.append(weights[rows], -weights[late]),
        group=0 if group is None else np.append(code[rows], code[late]),
        n_exact=int(exact.sum()),
        between=(scaled(last_seen, between), u[between], weights[between], code[between]),
        ends=total(weights * observed),
        plain=total(weights * exact),
        pull=total(weights * np.where(exact, u, 0.0)),
        centre=centre,
        spread=spread,
        steepest=30.0 if between.any() else 1e5,
    )


def evaluate(sample, a, b):
    """Log-likelihood by group, scaled and less its constant: l, l_a, l_b, l_aa, l_ab, l_bb."""
    u, plain, pull = sample.u, sample.plain, sample.pull
    z = u * b[sample.group] - a[sample.group]
    if sample.family is FAMILIES["weibull"]:  # as the general way, in half the time
        hazard = np.exp(z, out=z)
        hazard *= sample.weight
        first = hazard * u
        s0, s1, s2 = sample.total((hazard, first, first * u), sample.group)
        total = np.array([b * pull - a * plain - s0, s0 - plain, pull - s1, -s0, s1, -s2])
    else:
        ended, going = np.split(z, [sample.n_exact])
        terms = sample.family.exact(ended), sample.family.beyond(going)
        value, first, second = np.concatenate(terms, axis=1) * sample.weight
        curve = second * u
        parts = value, -first, first * u, second, -curve, curve * u
        total = sample.total(parts, sample.group)
    if len(sample.between[0]):
        total += _between(sample, a, b)
    total[0] += plain * np.log(b)
    total[2] += plain / b
    total[5] -= plain / b**2
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
    return sample.total([part * weight for part in parts], group)


def maximise(sample, b_fixed=None):
    """Maximum of every group: a, b, `evaluate`; b_fixed holds b."""
    b = np.ones(len(sample.ends)) * (1.0 if b_fixed is None else b_fixed)

    def step(x, now):
        _, l_a, l_b, l_aa, l_ab, l_bb = now
        if b_fixed is not None:
            d_a, d_b = l_a / np.maximum(-l_aa, 1e-300), np.zeros_like(l_a)
        else:
            # away from the top the surface may bend the wrong way under late entry: shift the
            # curvature until it is a maximum's
            largest = (l_aa + l_bb) / 2 + np.hypot((l_aa - l_bb) / 2, l_ab)
            shift = np.maximum(largest + 1e-9 * np.abs(l_aa + l_bb), 0) * 1.5
            l_aa, l_bb = l_aa - shift, l_bb - shift
            determinant = np.where((d := l_aa * l_bb - l_ab**2) > 0, d, np.inf)
            d_a = (l_ab * l_b - l_bb * l_a) / determinant
            d_b = (l_ab * l_a - l_aa * l_b) / determinant
        longest = np.where(d_b < 0, 0.7 * x[1] / np.maximum(-d_b, 1e-300), 1)
        longest = np.minimum(2 / np.maximum(np.abs(d_a), 1e-300), longest)
        return np.minimum(1, longest) * np.array([d_a, d_b])

    (a, b), now = _climb(sample, lambda x: evaluate(sample, *x), step, np.array([0 * b, b]))
    return a, b, now


def greatest_along(sample, path, b):
    """Greatest log-likelihood of every group along `path(b)`: a and two derivatives."""

    def at(x):
        a, a_1, a_2 = path(x[0])
        height, l_a, l_b, l_aa, l_ab, l_bb = evaluate(sample, a, x[0])
        bend = l_bb + 2 * l_ab * a_1 + l_aa * a_1**2 + l_a * a_2
        return np.array([height, l_b + l_a * a_1, bend])

    def step(x, now):
        return np.clip(now[1] / np.maximum(np.abs(now[2]), 1e-300), -0.6 * x, 1.7 * x)

    return _climb(sample, at, step, b[None])[1][0]


def _climb(sample, at, step, x):
    """(x, `at` it) of the top of every group by damped Newton steps. x: (parameters, groups), b the
    last; at: heights first; step: of x and `at` it."""
    with np.errstate(all="ignore"):
        now, done = at(x), np.zeros(len(sample.ends), bool)
        for _ in range(MAX_STEPS):
            move = np.where(done, 0.0, step(x, now))
            small = (np.abs(move) <= 3e-8 * (1 + np.abs(x))).all(axis=0)
            for _ in range(40):
                new = at(x + move)
                worse = ~(new[0] >= now[0] - 1e-13 * (1 + np.abs(now[0])))
                far = (np.abs(move) > 1e-12 * (1 + np.abs(x))).any(axis=0)
                if not (worse & far).any():
                    break
                move = np.where(worse, move / 2, move)
            x, now = np.where(worse, x, x + move), np.where(worse, now, new)
            # convergence is quadratic: after a step this small the next would be below rounding
            done |= worse | small | (x[-1] > sample.steepest)
            if done.all():
                break
    return x, now
