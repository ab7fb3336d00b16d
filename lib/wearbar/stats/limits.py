"""Limits of a fitted life: likelihood ratio and normal, of many samples at once."""

from dataclasses import dataclass
from math import inf

import numpy as np
from scipy import stats

from wearbar.stats.likelihood import Sample, evaluate, maximise, maximise_along


@dataclass(frozen=True)
class Fits:
    """Fits of every group; `covariance` is of (mu, log sigma), shape (groups, 2, 2)."""

    sample: Sample
    a: np.ndarray
    b: np.ndarray
    surface: np.ndarray
    is_shape_fixed: bool

    @property
    def sigma(self):
        return self.sample.spread / self.b

    @property
    def mu(self):
        return self.sample.centre + self.sample.spread * self.a / self.b

    @property
    def loglik(self):
        return self.surface[0] + self.sample.constant

    @property
    def covariance(self):
        _, _, _, l_aa, l_ab, l_bb = self.surface
        spread, a, b = self.sample.spread, self.a, self.b
        with np.errstate(all="ignore"):
            if self.is_shape_fixed:
                var_aa, var_ab, var_bb = -1 / l_aa, 0 * a, 0 * a
            else:
                d = l_aa * l_bb - l_ab**2
                var_aa, var_ab, var_bb = -l_bb / d, l_ab / d, -l_aa / d
            mu_a, mu_b, lam_b = spread / b, -spread * a / b**2, -1 / b
            of_mu = mu_a**2 * var_aa + 2 * mu_a * mu_b * var_ab + mu_b**2 * var_bb
            both = lam_b * (mu_a * var_ab + mu_b * var_bb)
        return np.moveaxis(np.array([[of_mu, both], [both, lam_b**2 * var_bb]]), -1, 0)


def fit_all(sample, sigma=None):
    """`Fits` of a sample; `sigma` fixes the spread. NaN for a group without a maximum."""
    a, b, surface = maximise(sample, None if sigma is None else sample.spread / sigma)
    _, _, _, l_aa, l_ab, l_bb = surface
    known = (sample.ends > 0) & (l_aa < 0) & (b < sample.steepest)
    if sigma is None:
        known &= l_aa * l_bb - l_ab**2 > 1e-9 * l_aa * l_bb
        if (b > 30).any():
            known &= ~_all_at_the_last(sample)
    a, b, surface = (np.where(known, values, np.nan) for values in (a, b, surface))
    return Fits(sample, a, b, surface, sigma is not None)


def _all_at_the_last(sample):
    """Groups whose ends fall together with no life known to be longer: they have no maximum."""
    first, last = np.full(sample.n_groups, inf), np.full(sample.n_groups, -inf)
    (exact, _, of_exact), (beyond, weight, of_beyond) = sample.exact, sample.beyond
    np.minimum.at(first, np.broadcast_to(of_exact, exact.shape), exact)
    np.maximum.at(last, np.broadcast_to(of_exact, exact.shape), exact)
    longer = np.where(weight > 0, beyond, -inf)
    np.maximum.at(last, np.broadcast_to(of_beyond, beyond.shape), longer)
    return (last - first < 1e-12) & (sample.ends == sample.plain)


# What limits are given of. Each target has its `value` of `Fits`, its `gradient` in (mu, log
# sigma), and, to be held at theta, a `path`: a as a function of b, with two derivatives.


@dataclass(frozen=True)
class Place:
    """The log of a duration: mu + sigma w(sigma). `w` has two derivatives in sigma with it."""

    w: object

    def value(self, fits):
        return fits.mu + fits.sigma * self.w(fits.sigma)[0]

    def gradient(self, fits):
        w, first, _ = self.w(fits.sigma)
        return np.array([np.ones_like(w), fits.sigma * (w + fits.sigma * first)])

    def path(self, fits, theta):
        sample = fits.sample
        q = (theta - sample.centre) / sample.spread

        def at(b):
            w, first, second = self.w(sample.spread / b)
            turn = -sample.spread / b**2
            return b * q - w, q - first * turn, -(second * turn**2 - 2 * first * turn / b)

        return at


def constant_place(w):
    """The `Place` of the standard value w: of 0, the scale's."""
    return Place(lambda s: (np.full_like(s, w), 0 * s, 0 * s))


def quantile_place(family, p):
    """The `Place` by which a share p has ended."""
    return constant_place(float(family.ppf(p)))


def mean_place(family):
    """The `Place` of the mean life."""

    def at(s):
        value, first, second = family.log_mean(s)
        return value / s, first / s - value / s**2, second / s - 2 * first / s**2 + 2 * value / s**3

    return Place(at)


@dataclass(frozen=True)
class Height:
    """The standard value z of a given log duration; it falls as survival rises."""

    log_x: float

    def value(self, fits):
        return (self.log_x - fits.mu) / fits.sigma

    def gradient(self, fits):
        return np.array([-1 / fits.sigma, -self.value(fits)])

    def path(self, fits, theta):
        q = (self.log_x - fits.sample.centre) / fits.sample.spread
        return lambda b: (b * q - theta, q, 0 * b)


@dataclass(frozen=True)
class Shape:
    """The log of sigma."""

    def value(self, fits):
        return np.log(fits.sigma)

    def gradient(self, fits):
        return np.array([np.zeros_like(fits.sigma), np.ones_like(fits.sigma)])


def _standard_error(fits, target):
    """By the observed information."""
    g = target.gradient(fits)
    with np.errstate(invalid="ignore"):
        return np.sqrt(np.einsum("ig,gij,jg->g", g, fits.covariance, g))


def wald_limits(fits, target, confidence):
    """Normal limits on the target's own scale."""
    half = stats.norm.ppf((1 + confidence) / 2) * _standard_error(fits, target)
    return target.value(fits) - half, target.value(fits) + half


def profile_limits(fits, target, confidence):
    """Chi-square limits by the likelihood ratio; infinite where it never reaches that far."""
    z = stats.norm.ppf((1 + confidence) / 2)
    return ratio_limit(fits, target, -z), ratio_limit(fits, target, z)


def profile(fits, target, theta):
    """Greatest log-likelihood with the target held at theta, scaled as `fits.surface[0]`."""
    if isinstance(target, Shape):
        return maximise(fits.sample, fits.sample.spread / np.exp(theta))[2][0]
    path = target.path(fits, theta)
    if fits.is_shape_fixed:
        return evaluate(fits.sample, path(fits.b)[0], fits.b)[0]
    return maximise_along(fits.sample, path, fits.b)


def ratio_limit(fits, target, z):
    """Where the signed root of the likelihood ratio of one sample's fit reaches z.

    The root is nearly straight in the target, so a secant kept in its bracket needs few steps.
    """
    size, step = abs(z), np.sign(z) * _standard_error(fits, target)[0]
    centre = target.value(fits)[0]
    if not np.isfinite([centre, step, size]).all():
        return np.nan
    near, far, r_near, r_far, at = 0.0, inf, 0.0, inf, size
    for _ in range(60):
        with np.errstate(all="ignore"):
            drop = fits.surface[0] - profile(fits, target, np.array([centre + at * step]))
        r = np.sqrt(2 * np.maximum(drop, 0))[0]
        if r < size:
            near, r_near = at, r
        else:
            far, r_far = at, r
        if near > 1e3:
            return np.sign(z) * inf
        if abs(r - size) < 1e-9 or far - near < 1e-10 * far:
            break
        if far == inf:
            at = near * np.clip(size / max(r_near, 1e-9), 1.05, 2)
        else:
            at = near + (far - near) * np.clip((size - r_near) / (r_far - r_near), 0.02, 0.98)
    return centre + at * step
