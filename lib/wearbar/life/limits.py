"""Limits of a fitted life: likelihood ratio, parametric bootstrap and normal, for one sample or for every group at once."""

from dataclasses import dataclass
from math import inf

import numpy as np
from scipy import stats

from wearbar.life.likelihood import Sample, evaluate, maximise, maximise_along, sample_of

__all__ = ["Fits", "Height", "Place", "Shape", "bootstrap_limits", "fit_all", "profile_limits", "wald_limits"]

BOOTSTRAPS = 999
MOST_DRAWN = 3_000_000  # lives drawn in one bootstrap, to bound its memory


@dataclass(frozen=True)
class Fits:
    """Fits of every group: `mu`, `sigma` of log life, shape (groups,), and `covariance` of (mu, log sigma), shape (groups, 2, 2)."""

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
                determinant = l_aa * l_bb - l_ab**2
                var_aa, var_ab, var_bb = -l_bb / determinant, l_ab / determinant, -l_aa / determinant
            mu_a, mu_b, lam_b = spread / b, -spread * a / b**2, -1 / b
            of_mu = mu_a**2 * var_aa + 2 * mu_a * mu_b * var_ab + mu_b**2 * var_bb
            both = lam_b * (mu_a * var_ab + mu_b * var_bb)
        return np.moveaxis(np.array([[of_mu, both], [both, lam_b**2 * var_bb]]), -1, 0)


def fit_all(sample, sigma=None):
    """`Fits` of a sample; `sigma` fixes the spread of the log life. A group without a maximum (no ends, or all ends alike) has NaN."""
    a, b, surface = maximise(sample, None if sigma is None else sample.spread / sigma)
    _, _, _, l_aa, l_ab, l_bb = surface
    curved = (l_aa < 0) if sigma is not None else (l_aa * l_bb - l_ab**2 > 1e-9 * l_aa * l_bb) & (l_aa < 0)
    known = (sample.ends > 0) & curved
    if sigma is None and (b > 30).any():
        known &= ~_all_at_the_last(sample)
    return Fits(sample, np.where(known, a, np.nan), np.where(known, b, np.nan), np.where(known, surface, np.nan), sigma is not None)


def _all_at_the_last(sample):
    """Groups whose ends all fall together with no life known to be longer: the likelihood then has no maximum."""
    first, last = np.full(sample.n_groups, inf), np.full(sample.n_groups, -inf)
    longer = sample.beyond[1] > 0
    for u, group in ((sample.exact[0], sample.exact[2]), (np.where(longer, sample.beyond[0], -inf), sample.beyond[2])):
        np.maximum.at(last, np.broadcast_to(group, u.shape), u)
    np.minimum.at(first, np.broadcast_to(sample.exact[2], sample.exact[0].shape), sample.exact[0])
    return (last - first < 1e-12) & (sample.ends == sample.plain)


@dataclass(frozen=True)
class Place:
    """The log of a duration: mu + sigma w(sigma). `w` gives the value and two derivatives in sigma: constant for a quantile."""

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


def standard_error(fits, target):
    """Standard error of a target by the observed information."""
    g = target.gradient(fits)
    with np.errstate(invalid="ignore"):
        return np.sqrt(np.einsum("ig,gij,jg->g", g, fits.covariance, g))


def wald_limits(fits, target, confidence):
    """Normal limits on the target's own scale."""
    half = stats.norm.ppf((1 + confidence) / 2) * standard_error(fits, target)
    return target.value(fits) - half, target.value(fits) + half


def profile_limits(fits, target, confidence):
    """Where twice the log-likelihood ratio reaches the chi-square quantile on one degree of freedom; infinite where it never does."""
    z = stats.norm.ppf((1 + confidence) / 2)
    return _root(fits, target, -z), _root(fits, target, z)


def _profile(fits, target, theta):
    if isinstance(target, Shape):
        return maximise(fits.sample, fits.sample.spread / np.exp(theta))[2][0]
    path = target.path(fits, theta)
    if fits.is_shape_fixed:
        return evaluate(fits.sample, path(fits.b)[0], fits.b)[0]
    return maximise_along(fits.sample, path, fits.b)[0]


def _root(fits, target, z):
    # the signed root of the likelihood ratio is nearly straight in the target, so a kept-in-bracket secant needs few steps
    centre, size = target.value(fits), abs(z)
    step = np.sign(z) * standard_error(fits, target)
    known = np.isfinite(centre) & np.isfinite(step)
    near, far, r_near = np.zeros_like(centre), np.full_like(centre, inf), np.zeros_like(centre)
    at, r_far = np.full_like(centre, size), np.full_like(centre, inf)
    for _ in range(60):
        with np.errstate(all="ignore"):
            drop = fits.surface[0] - _profile(fits, target, np.where(known, centre + at * step, 0.0))
            r = np.sqrt(2 * np.maximum(drop, 0))
            short = r < size
            near, r_near = np.where(short, at, near), np.where(short, r, r_near)
            far, r_far = np.where(short, far, at), np.where(short, r_far, r)
            if np.all(~known | (np.abs(r - size) < 1e-9) | (far - near < 1e-10 * far) | (near > 1e3)):
                break
            inner = near + (far - near) * np.clip((size - r_near) / (r_far - r_near), 0.02, 0.98)
            at = np.where(np.isinf(far), near * np.clip(size / np.maximum(r_near, 1e-9), 1.05, 2), inner)
    return np.where(known, np.where(near > 1e3, np.sign(z) * inf, centre + at * step), np.nan)


def bootstrap_limits(fits, target, rows, confidence, rng, fewest=3, samples=BOOTSTRAPS):
    """Likelihood ratio limits (one group), the signed root's quantiles taken from a parametric bootstrap.

    Lives are drawn past each row's entry; rows are censored where they were, ended rows at a draw from the product-limit curve of the
    censoring times past their end. Samples with fewer ends than `fewest` are left out, as such data are. Sources: Jeng & Meeker 2000,
    Technometrics 42:135; Davison & Hinkley 1997, section 7.3 (from memory).
    """
    duration, observed, entry = rows
    n = len(duration)
    samples = int(np.clip(MOST_DRAWN // n, 199, samples))
    lives = _draw_lives(fits, entry, (samples, n), rng)
    until = _draw_censoring(duration, observed, entry, (samples, n), rng)
    until = np.maximum(until, entry * (1 + 1e-9))
    group = np.repeat(np.arange(samples), n)
    seen = (lives <= until).ravel()
    family = fits.sample.family.name
    drawn = sample_of(family, np.minimum(lives, until).ravel(), seen, np.tile(entry, samples), group=group, n_groups=samples)
    again = fit_all(drawn)
    truth = target.value(fits)[0]
    kept = (drawn.ends >= fewest) & np.isfinite(again.b)
    with np.errstate(all="ignore"):
        ratio = 2 * np.maximum(again.surface[0] - _profile(again, target, np.full(samples, truth)), 0)
        root = (np.sign(target.value(again) - truth) * np.sqrt(ratio))[kept]
    root = root[np.isfinite(root)]
    if len(root) < samples / 2:
        return np.array([np.nan]), np.array([np.nan])
    below, above = np.quantile(root, [(1 - confidence) / 2, (1 + confidence) / 2])
    return _root(fits, target, -above), _root(fits, target, -below)


def _draw_lives(fits, entry, size, rng):
    """Lives longer than each row's entry, shape (samples, rows)."""
    family, mu, sigma = fits.sample.family, fits.mu[0], fits.sigma[0]
    with np.errstate(divide="ignore"):
        log_survival = np.where(entry > 0, family.beyond((np.log(entry) - mu) / sigma)[0], 0.0)
    return np.exp(mu + sigma * family.upper(log_survival - rng.exponential(size=size)))


def _draw_censoring(duration, observed, entry, size, rng):
    """Censoring times: a censored row's own; an ended row's from the product-limit curve of censoring times, given that it is longer."""
    order = np.lexsort((observed, duration))
    times, ended = duration[order], observed[order]
    at_risk = np.searchsorted(np.sort(entry), times, "left") - np.arange(len(times))
    curve = np.cumprod(np.where(ended, 1.0, 1 - 1 / np.maximum(at_risk, 1)))
    past = np.ones(len(times))
    past[order] = curve
    target = past * rng.uniform(size=size)
    # the first time at which the curve is at or below the drawn height; none: never censored
    place = np.searchsorted(-curve, -target, "left")
    drawn = np.append(times, inf)[place]
    return np.where(observed, np.maximum(drawn, duration), duration)
