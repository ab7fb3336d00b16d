"""Limits of a fitted life, of many samples at once: by the likelihood ratio, whose quantiles are
chi-square's or, where ends are few, a parametric bootstrap's; and normal ones."""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, nan

import numpy as np
from scipy import optimize, stats

from wearbar.stats.likelihood import Sample, evaluate, greatest_along, maximise, sample_of

BOOTSTRAPS = 999
MOST_DRAWN = 3_000_000  # lives drawn in one bootstrap, to bound its memory
DRAWN_ENDS = 2  # of a drawn sample, for a fit: to leave out more would cut the tail off
FARTHEST = 1e3  # standard errors, where a limit is none


@dataclass(frozen=True)
class Fits:
    """Fits of every group."""

    sample: Sample
    is_shape_fixed: bool
    a: np.ndarray
    b: np.ndarray
    surface: np.ndarray  # what `evaluate` gives there
    mu: np.ndarray
    sigma: np.ndarray
    loglik: np.ndarray

    def standard_error(self, target):
        """By the observed information."""
        d_a, d_b = target.gradient(self)
        _, _, _, l_aa, l_ab, l_bb = self.surface
        with np.errstate(all="ignore"):
            if self.is_shape_fixed:
                return np.sqrt(-(d_a**2) / l_aa)
            square = 2 * d_a * d_b * l_ab - d_a**2 * l_bb - d_b**2 * l_aa
            return np.sqrt(square / (l_aa * l_bb - l_ab**2))


def fit_all(sample, sigma=None):
    """`Fits` of a sample; `sigma` fixes the spread. NaN for a group without a maximum."""
    a, b, surface = maximise(sample, None if sigma is None else sample.spread / sigma)
    _, _, _, l_aa, l_ab, l_bb = surface
    known = (sample.ends > 0) & (l_aa < 0) & (b < sample.steepest)
    if sigma is None:
        known &= l_aa * l_bb - l_ab**2 > 1e-9 * l_aa * l_bb
        if (b > 30).any():
            # groups whose ends fall together with no life known to be longer have no maximum
            group, exact = np.broadcast_to(sample.group, sample.u.shape), slice(sample.n_exact)
            first, last = np.full(len(b), inf), np.full(len(b), -inf)
            np.minimum.at(first, group[exact], sample.u[exact])
            np.maximum.at(last, group, np.where(sample.weight > 0, sample.u, -inf))
            known &= ~((last - first < 1e-12) & (sample.ends == sample.plain))
    a, b, surface = (np.where(known, x, nan) for x in (a, b, surface))
    is_fixed, sigma = sigma is not None, sample.spread / b
    mu, loglik = sample.centre + sigma * a, surface[0] - sample.pull * sample.spread
    loglik = loglik - sample.plain * (sample.centre + np.log(sample.spread))
    return Fits(sample, is_fixed, a, b, surface, mu, sigma, loglik)


# What limits are given of. Each target has its `value` of `Fits`, its `gradient` in (a, b), and
# `profile`: the greatest log-likelihood with it held at theta, scaled as `Fits.surface`.


@dataclass(frozen=True)
class Place:
    """The log of a duration: mu + sigma w."""

    w: Callable  # of sigma: w and two derivatives

    def value(self, fits):
        return fits.mu + fits.sigma * self.w(fits.sigma)[0]

    def gradient(self, fits):
        w, first, _ = self.w(fits.sigma)
        return fits.sigma, -fits.sigma / fits.b * (fits.a + w + fits.sigma * first)

    def profile(self, fits, theta):
        spread = fits.sample.spread
        q = (theta - fits.sample.centre) / spread

        def path(b):
            w, first, second = self.w(spread / b)
            turn = -spread / b**2
            return b * q - w, q - first * turn, -(second * turn**2 - 2 * first * turn / b)

        if fits.is_shape_fixed:
            return evaluate(fits.sample, path(fits.b)[0], fits.b)[0]
        return greatest_along(fits.sample, path, fits.b)


def constant_place(w):
    """The `Place` of the standard value w: of 0, the scale's."""
    return Place(lambda s: (w, 0 * s, 0 * s))


@dataclass(frozen=True)
class Height:
    """The standard value z of a given log duration; it falls as survival rises."""

    log_x: float

    def value(self, fits):
        return (self.log_x - fits.mu) / fits.sigma

    def gradient(self, fits):
        return -1.0, (self.log_x - fits.sample.centre) / fits.sample.spread

    def profile(self, fits, theta):
        return constant_place(theta).profile(fits, self.log_x)


@dataclass(frozen=True)
class Shape:
    """The log of sigma."""

    def value(self, fits):
        return np.log(fits.sigma)

    def gradient(self, fits):
        return 0.0, -1 / fits.b

    def profile(self, fits, theta):
        return maximise(fits.sample, fits.sample.spread / np.exp(theta))[2][0]


def wald_limits(fits, target, confidence):
    """Normal limits on the target's own scale."""
    half = stats.norm.ppf((1 + confidence) / 2) * fits.standard_error(target)
    return target.value(fits) - half, target.value(fits) + half


def profile_limits(fits, target, confidence):
    """Chi-square limits by the likelihood ratio; infinite where it never reaches that far."""
    z = stats.norm.ppf((1 + confidence) / 2)
    return _ratio_limit(fits, target, -z), _ratio_limit(fits, target, z)


def _ratio_limit(fits, target, z):
    """Where the signed root of the likelihood ratio of one sample's fit reaches z."""
    size, step = abs(z), np.sign(z) * fits.standard_error(target)[0]
    centre = target.value(fits)[0]
    if not np.isfinite([centre, step, size]).all():
        return nan

    def over(at):
        with np.errstate(all="ignore"):
            there = target.profile(fits, np.array([centre + at * step]))
            return np.sqrt(2 * np.maximum(fits.surface[0] - there, 0))[0] - size

    near, far = 0.0, size  # the root is nearly straight, and straight at this
    while not (reached := over(far)) >= 0:
        if far > FARTHEST or np.isnan(reached):
            return np.sign(z) * inf if reached < 0 else nan
        near, far = far, 2 * far
    return centre + step * optimize.brentq(over, near, far, xtol=1e-10, rtol=1e-12)


def bootstrap_limits(fits, target, rows, confidence, rng):
    """(low, high) by the likelihood ratio, the signed root's quantiles from a parametric bootstrap
    (Jeng & Meeker 2000, Technometrics 42:135; Davison & Hinkley 1997, section 7.3; from memory).
    fits: of one sample. rows: (duration, observed, entry, last_seen or None)."""
    samples = int(np.clip(MOST_DRAWN // len(rows[0]), 199, BOOTSTRAPS))
    drawn = _draw(fits, rows, samples, rng)
    again = fit_all(drawn)
    fitted = (drawn.ends >= DRAWN_ENDS) & np.isfinite(again.b)
    truth = np.tile(target.value(fits), samples)
    with np.errstate(all="ignore"):
        there = target.profile(again, np.where(fitted, truth, 0.0))
        root = np.sqrt(2 * np.maximum(again.surface[0] - there, 0))
        root = np.sign(target.value(again) - truth) * root
    known = root[fitted & np.isfinite(root)]
    if len(known) < samples / 2:
        return nan, nan
    below, above = np.quantile(known, [(1 - confidence) / 2, (1 + confidence) / 2])
    return _ratio_limit(fits, target, -above), _ratio_limit(fits, target, -below)


def _draw(fits, rows, samples, rng):
    """A `Sample` whose groups are the bootstrap samples."""
    duration, observed, entry, last_seen = rows
    n = len(duration)
    size = (samples, n)
    with np.errstate(divide="ignore"):
        z = (np.log(entry) - fits.mu) / fits.sigma  # lives are longer than this
    left = np.exp(z) + rng.exponential(size=size)
    lives = np.exp(fits.mu + fits.sigma * np.log(left))
    # rows are censored where they were; an ended row's censoring is drawn for how long it would
    # have been watched, given that this is longer than it was: by the product-limit curve of
    # watching from entry on, and no longer than the longest, unless all were watched to their end
    watched = duration - entry
    order = np.lexsort((observed, watched))
    times, curve = watched[order], np.cumprod(1 - ~observed[order] / (n - np.arange(n)))
    height = curve[np.argsort(order)] * rng.uniform(size=size)
    # the first time at which the curve is at or below the drawn height; none: the longest
    place = np.searchsorted(1 - curve, 1 - height, "left")
    drawn = entry + np.append(times, inf if observed.all() else times[-1])[place]
    until = np.where(observed, np.maximum(drawn, duration), duration)
    until = np.maximum(until, entry * (1 + 1e-9))
    seen, before = lives <= until, None
    if last_seen is not None:
        # the looks on either side of an end are as far apart as those of any ended row
        apart = (duration - last_seen)[observed] if observed.any() else np.zeros(1)
        apart = apart[np.floor(rng.uniform(size=size) * len(apart)).astype(int)]
        lives = np.minimum(lives + rng.uniform(size=size) * apart, until)
        before = np.where(apart > 0, np.maximum(lives - apart, entry), lives).ravel()
    ends, entry = np.minimum(lives, until).ravel(), np.broadcast_to(entry, size).ravel()
    code, once = np.repeat(np.arange(samples), n), np.ones(len(ends))
    return sample_of("weibull", ends, seen.ravel(), entry, once, before, code, samples)
