"""Limits of lives with few ends: the likelihood ratio, its quantiles from a parametric bootstrap, for every group at once."""

from math import inf

import numpy as np
import pandas as pd

from wearbar.stats.likelihood import sample_of
from wearbar.stats.limits import fit_all, profile, ratio_limit

__all__ = ["BOOTSTRAPS", "bootstrap_limits"]

BOOTSTRAPS = 999
MOST_DRAWN = 3_000_000  # lives drawn in one bootstrap, to bound its memory


def bootstrap_limits(fits, targets, rows, confidence, rng, fewest, samples=BOOTSTRAPS):
    """Likelihood ratio limits, the signed root's quantiles taken from a parametric bootstrap: a list of (low, high), one a target.

    rows: (duration, observed, entry, last_seen or None, group code or None). Lives are drawn past each row's entry; rows are censored
    where they were, ended rows at a draw from the product-limit curve of the censoring times past their end; where ends lie between two
    looks, a drawn one lies between looks as far apart, at any place between them. Samples with fewer ends than `fewest` have
    no fit and are left out. Sources: Jeng & Meeker 2000, Technometrics 42:135; Davison & Hinkley 1997, section 7.3 (from memory).
    """
    group = np.zeros(len(rows[0]), int) if rows[4] is None else rows[4]
    n, count = len(group), fits.sample.n_groups
    samples = int(np.clip(MOST_DRAWN // n, 199, samples))
    drawn = _draw(fits, rows[:4], group, samples, rng)
    again = fit_all(drawn)
    fitted = (drawn.ends >= fewest) & np.isfinite(again.b)
    found = []
    for target in targets:
        truth = np.tile(target.value(fits), samples)
        with np.errstate(all="ignore"):
            ratio = 2 * np.maximum(
                again.surface[0] - profile(again, target, np.where(fitted, truth, 0.0)), 0
            )
            root = np.where(
                fitted, np.sign(target.value(again) - truth) * np.sqrt(ratio), np.nan
            ).reshape(samples, count)
        below, above = _quantiles(root, [(1 - confidence) / 2, (1 + confidence) / 2])
        found.append((ratio_limit(fits, target, -above), ratio_limit(fits, target, -below)))
    return found


def _quantiles(values, shares):
    """Quantiles down the columns, NaN left out; NaN where more than half of a column is."""
    ordered, known = np.sort(values, axis=0), np.isfinite(values).sum(axis=0)
    for share in shares:
        place = share * np.maximum(known - 1, 0)
        under = np.floor(place).astype(int)
        ends = [
            np.take_along_axis(ordered, np.minimum(k, len(values) - 1)[None], 0)[0]
            for k in (under, np.ceil(place).astype(int))
        ]
        yield np.where(
            known >= len(values) / 2, ends[0] + (place - under) * (ends[1] - ends[0]), np.nan
        )


def _draw(fits, rows, group, samples, rng):
    """A `Sample` of `samples` bootstrap samples of every group, that of group g in sample k under code k x groups + g."""
    duration, observed, entry, last_seen = rows
    size = (samples, len(group))
    lives = _draw_lives(fits, entry, group, size, rng)
    until = np.maximum(
        _draw_censoring(duration, observed, entry, group, size, rng), entry * (1 + 1e-9)
    )
    seen, before = lives <= until, None
    if last_seen is not None:
        apart = _draw_looks(duration - last_seen, observed, group, size, rng)
        found = np.minimum(lives + rng.uniform(size=size) * apart, until)
        before = np.where(apart > 0, np.maximum(found - apart, entry), found).ravel()
        lives = found
    code = (np.arange(samples)[:, None] * fits.sample.n_groups + group).ravel()
    entry = np.broadcast_to(entry, size).ravel()
    ends = np.minimum(lives, until).ravel()
    return sample_of(
        fits.sample.family.name,
        ends,
        seen.ravel(),
        entry,
        None,
        before,
        code,
        samples * fits.sample.n_groups,
    )


def _draw_lives(fits, entry, group, size, rng):
    """Lives longer than each row's entry, shape (samples, rows); of a group without a fit, ones."""
    family = fits.sample.family
    mu, sigma = np.nan_to_num(fits.mu)[group], np.nan_to_num(fits.sigma, nan=1.0)[group]
    with np.errstate(divide="ignore"):
        log_survival = np.where(entry > 0, family.beyond((np.log(entry) - mu) / sigma)[0], 0.0)
    return np.exp(mu + sigma * family.upper(log_survival - rng.exponential(size=size)))


def _draw_censoring(duration, observed, entry, group, size, rng):
    """Censoring times: a censored row's own; an ended row's drawn for how long it would have been watched, given that this is longer.

    That is from the product-limit curve of its group's watching from entry on, and no longer than the longest, unless all were watched to
    their end.
    """
    watched = duration - entry
    order = np.lexsort((observed, watched, group))
    times, ended, code = watched[order], observed[order], group[order]
    at_risk = np.searchsorted(code, code, "right") - np.arange(len(code))
    curve = pd.Series(np.where(ended, 1.0, 1 - 1 / at_risk)).groupby(code).cumprod().to_numpy()
    past = np.empty(len(code))
    past[order] = curve
    # the first time of the group at which its curve is at or below the drawn height; none: the longest
    place = np.searchsorted(
        2.0 * code + 1 - curve, 2.0 * group + 1 - past * rng.uniform(size=size), "left"
    )
    whole = np.bincount(group, ~observed)[group] == 0
    longest = np.where(whole, inf, times[np.searchsorted(code, group, "right") - 1])
    drawn = np.where(np.append(code, -1)[place] == group, np.append(times, inf)[place], longest)
    return np.where(observed, np.maximum(entry + drawn, duration), duration)


def _draw_looks(apart, observed, group, size, rng):
    """How far apart the looks on either side of each end are: those of an ended row of the same group, nil where that was seen exactly."""
    ended = np.flatnonzero(observed)
    ended = ended[np.argsort(group[ended], kind="stable")]
    first, after = (np.searchsorted(group[ended], group, side) for side in ("left", "right"))
    at = first + np.floor(rng.uniform(size=size) * np.maximum(after - first, 1)).astype(int)
    return apart[ended[np.minimum(at, len(ended) - 1)]] if len(ended) else np.zeros(size)
