"""Weibull and lognormal fits of many groups in one call, each as the fit of one sample would be."""

from math import nan

import numpy as np
import pandas as pd

from wearbar.stats.bootstrap import BOOTSTRAPS, bootstrap_limits
from wearbar.stats.likelihood import sample_of
from wearbar.stats.limits import Place, Shape, fit_all, mean_place, quantile_place
from wearbar.stats.product_limit import clean
from wearbar.stats.weibull import BOOTSTRAP_ENDS, DRAWN_ENDS, LIMITS, PROFILE_ENDS

__all__ = ["fit_lognormal_groups", "fit_weibull_groups"]

AT_ONCE = 300_000  # lives drawn together: what a processor keeps at hand


def fit_weibull_groups(
    duration,
    observed,
    group,
    entry=None,
    weights=None,
    shape=None,
    confidence=0.9,
    p=0.5,
    method="wald",
    last_seen=None,
    rng=None,
):
    """Weibull fits of all groups in one Newton iteration: a frame, one row a group in order of first appearance.

    Columns `group, n, n_observed, scale, shape, quantile, mean, loglik`, the middle four with `_low` and `_high`; `p`: which quantile;
    of several (a tuple) the columns are `quantile_0.1` and so on.
    method: of the limits, "wald" (normal on the log scale, quick), "profile" (likelihood ratio; infinite where not bounded), or "auto"
    (for quantile and mean: profile from twenty ends, its bootstrap below, drawn by `rng`; without weights and with the shape free); NaN
    where a group has fewer than five ends or no maximum.
    """
    rows = clean(duration, observed, entry, weights, last_seen)
    if method == "auto" and (weights is not None or shape is not None):
        raise ValueError(
            "method: the bootstrap of auto takes no weights and no known shape; use profile"
        )
    frame, fits, code = _fit_groups("weibull", rows, group, None if shape is None else 1 / shape)
    simple = "profile" if method == "auto" else method
    frame["scale"], frame["shape"] = np.exp(fits.mu), 1 / fits.sigma
    zero = Place(lambda s: (0 * s, 0 * s, 0 * s))
    frame["scale_low"], frame["scale_high"] = np.exp(_limits(fits, zero, confidence, simple))
    frame["shape_high"], frame["shape_low"] = np.exp(-_limits(fits, Shape(), confidence, simple))
    return _with_places(
        frame, fits, _places(fits, p), confidence, method, (rows, code, rng)
    ).assign(loglik=fits.loglik)


def fit_lognormal_groups(
    duration,
    observed,
    group,
    entry=None,
    weights=None,
    shape=None,
    confidence=0.9,
    p=0.5,
    method="wald",
    last_seen=None,
):
    """Lognormal fits of all groups, as `fit_weibull_groups` ("wald" or "profile"), with columns `mu, sigma` and the latter's limits."""
    frame, fits, _ = _fit_groups(
        "lognormal", clean(duration, observed, entry, weights, last_seen), group, shape
    )
    frame["mu"], frame["sigma"] = fits.mu, fits.sigma
    frame["sigma_low"], frame["sigma_high"] = np.exp(_limits(fits, Shape(), confidence, method))
    return _with_places(frame, fits, _places(fits, p), confidence, method).assign(
        loglik=fits.loglik
    )


def _places(fits, p):
    family = fits.sample.family
    several = {f"quantile_{q:g}": q for q in p} if isinstance(p, tuple) else {"quantile": p}
    return {name: quantile_place(family, q) for name, q in several.items()} | {
        "mean": mean_place(family)
    }


def _fit_groups(family, rows, group, sigma):
    duration, observed, entry, weights, last_seen = rows
    code, names = pd.factorize(group if isinstance(group, pd.Series) else np.asarray(group))
    if (code < 0).any():
        raise ValueError(
            f"group: missing in {int((code < 0).sum())} rows; name the group of every life"
        )
    fits = fit_all(
        sample_of(family, duration, observed, entry, weights, last_seen, code, len(names)), sigma
    )
    n = np.bincount(code, weights, len(names))
    return pd.DataFrame({"group": names, "n": n, "n_observed": fits.sample.ends}), fits, code


def _limits(fits, target, confidence, method):
    if isinstance(target, Shape) and fits.is_shape_fixed:
        return np.full((2, fits.sample.n_groups), nan)
    enough = fits.sample.ends >= BOOTSTRAP_ENDS
    return np.where(enough, LIMITS[method](fits, target, confidence), nan)


def _with_places(frame, fits, places, confidence, method, rest=None):
    for name, place in places.items():
        frame[name] = np.exp(place.value(fits))
        limits = _limits(fits, place, confidence, "profile" if method == "auto" else method)
        frame[f"{name}_low"], frame[f"{name}_high"] = np.exp(limits)
    ends = fits.sample.ends
    few = (
        np.flatnonzero((ends >= BOOTSTRAP_ENDS) & (ends < PROFILE_ENDS))
        if method == "auto"
        else np.empty(0, int)
    )
    if len(few):
        found = _bootstrap(few, fits.sample.family.name, list(places.values()), confidence, *rest)
        columns = [f"{name}_{side}" for name in places for side in ("low", "high")]
        frame.loc[few, columns] = np.exp(found).reshape(len(columns), -1).T
    return frame


def _bootstrap(few, family, places, confidence, rows, code, rng):
    """Bootstrap limits of the groups `few`, as many at once as memory bears: shape (places, 2, groups)."""
    rng = rng or np.random.default_rng(0)
    size = np.bincount(code)[few]
    batch = np.cumsum(size) * BOOTSTRAPS // AT_ONCE
    number = np.full(code.max() + 1, -1)
    number[few] = np.arange(len(few))
    found = []
    for k in np.unique(batch):
        inside = number[few[batch == k]]
        mine = np.isin(number[code], inside)
        own = [
            column if column is None else column[mine]
            for column in (rows[0], rows[1], rows[2], rows[4])
        ]
        own[2] = np.zeros(mine.sum()) if own[2] is None else own[2]
        group = number[code[mine]] - inside[0]
        fits = fit_all(sample_of(family, own[0], own[1], own[2], None, own[3], group, len(inside)))
        found.append(bootstrap_limits(fits, places, (*own, group), confidence, rng, DRAWN_ENDS))
    return np.concatenate(found, axis=2)
