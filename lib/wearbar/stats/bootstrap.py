"""Limits of a life with few ends: the likelihood ratio with quantiles of a parametric bootstrap."""

from math import inf

import numpy as np

from wearbar.stats.likelihood import sample_of
from wearbar.stats.limits import fit_all, profile, ratio_limit

BOOTSTRAPS = 999
MOST_DRAWN = 3_000_000  # lives drawn in one bootstrap, to bound its memory
DRAWN_ENDS = 2  # of a drawn sample, for a fit: to leave out more would cut the tail off


def bootstrap_limits(fits, target, rows, confidence, rng):
    """(low, high) by the likelihood ratio, the signed root's quantiles from a parametric bootstrap.

    fits: of one sample. rows: (duration, observed, entry, last_seen or None). Lives are drawn past
    each row's entry; rows are censored where they were, ended rows at a draw from the product-limit
    curve of the censoring times past their end; where ends lie between two looks, a drawn one lies
    between looks as far apart, at any place between them. Sources: Jeng & Meeker 2000,
    Technometrics 42:135; Davison & Hinkley 1997, section 7.3 (from memory).
    """
    samples = int(np.clip(MOST_DRAWN // len(rows[0]), 199, BOOTSTRAPS))
    drawn = _draw(fits, rows, samples, rng)
    again = fit_all(drawn)
    fitted = (drawn.ends >= DRAWN_ENDS) & np.isfinite(again.b)
    truth = np.tile(target.value(fits), samples)
    with np.errstate(all="ignore"):
        there = profile(again, target, np.where(fitted, truth, 0.0))
        root = np.sqrt(2 * np.maximum(again.surface[0] - there, 0))
        root = np.where(fitted, np.sign(target.value(again) - truth) * root, np.nan)
    known = root[np.isfinite(root)]
    if len(known) < samples / 2:
        return np.nan, np.nan
    below, above = np.quantile(known, [(1 - confidence) / 2, (1 + confidence) / 2])
    return ratio_limit(fits, target, -above), ratio_limit(fits, target, -below)


def _draw(fits, rows, samples, rng):
    """A `Sample` whose groups are the bootstrap samples."""
    duration, observed, entry, last_seen = rows
    size = (samples, len(duration))
    lives = _draw_lives(fits, entry, size, rng)
    until = _draw_censoring(duration, observed, entry, size, rng)
    until = np.maximum(until, entry * (1 + 1e-9))
    seen, before = lives <= until, None
    if last_seen is not None:
        apart = _draw_looks(duration - last_seen, observed, size, rng)
        found = np.minimum(lives + rng.uniform(size=size) * apart, until)
        before = np.where(apart > 0, np.maximum(found - apart, entry), found).ravel()
        lives = found
    ends, entry = np.minimum(lives, until).ravel(), np.broadcast_to(entry, size).ravel()
    code = np.repeat(np.arange(samples), size[1])
    return sample_of("weibull", ends, seen.ravel(), entry, None, before, code, samples)


def _draw_lives(fits, entry, size, rng):
    """Lives longer than each row's entry."""
    with np.errstate(divide="ignore"):
        z = (np.log(entry) - fits.mu) / fits.sigma
        log_survival = np.where(entry > 0, fits.sample.family.beyond(z)[0], 0.0)
    return np.exp(fits.mu + fits.sigma * np.log(-(log_survival - rng.exponential(size=size))))


def _draw_censoring(duration, observed, entry, size, rng):
    """Censoring times: a censored row's own; an ended row's drawn for how long it would have been
    watched, given that this is longer than it was.

    From the product-limit curve of watching from entry on, and no longer than the longest, unless
    all were watched to their end.
    """
    watched, n = duration - entry, len(duration)
    order = np.lexsort((observed, watched))
    times, at_risk = watched[order], n - np.arange(n)
    curve = np.cumprod(np.where(observed[order], 1.0, 1 - 1 / at_risk))
    past = np.empty(n)
    past[order] = curve
    # the first time at which the curve is at or below the drawn height; none: the longest
    place = np.searchsorted(1 - curve, 1 - past * rng.uniform(size=size), "left")
    longest = inf if observed.all() else times[-1]
    drawn = np.where(place < n, np.append(times, inf)[place], longest)
    return np.where(observed, np.maximum(entry + drawn, duration), duration)


def _draw_looks(apart, observed, size, rng):
    """How far apart the looks on either side of each end are: those of any ended row."""
    ended = apart[observed]
    at = np.floor(rng.uniform(size=size) * max(len(ended), 1)).astype(int)
    return ended[np.minimum(at, len(ended) - 1)] if len(ended) else np.zeros(size)
