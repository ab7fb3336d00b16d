"""Few ends: a stated prior on a grid, and the ladder that chooses a method by the number of ends seen.

No end: a lower bound at a known shape. One to four: the known shape over a stated range of shapes. From five: the fit's own limits. With
three or four a fit's limits hold for lives all seen to their end, but not for the few of censored samples that have so many.
"""

from dataclasses import dataclass, field
from math import nan

import numpy as np
from scipy import special, stats

from wearbar.stats.estimate import Estimate
from wearbar.stats.product_limit import clean, kaplan_meier
from wearbar.stats.weibull import BOOTSTRAP_ENDS, fit_weibull

__all__ = ["Posterior", "life_of", "posterior_weibull"]

SHAPES = (1.5, 3.0, 6.0)  # of parts that wear out: common practice, no source
PRIOR_SHAPE = (1.2, 6.0)  # the middle 90% of the prior of the shape
_GRID = (121, 241)


@dataclass(frozen=True)
class Posterior:
    """Weights on a grid of Weibull scales and shapes; `prior` says in words what was assumed. Intervals are equal-tailed."""

    scale: np.ndarray = field(repr=False)
    shape: np.ndarray = field(repr=False)
    weight: np.ndarray = field(repr=False)
    n: int
    n_observed: int
    confidence: float
    prior: str

    def quantile(self, p):
        """The duration by which a share `p` has ended."""
        return self._estimate(self.scale * (-np.log1p(-p)) ** (1 / self.shape))

    def mean(self):
        return self._estimate(self.scale * special.gamma(1 + 1 / self.shape))

    def survival(self, x):
        """The share still in service after `x`."""
        return self._estimate(np.exp(-((x / self.scale) ** self.shape)), "share")

    def _estimate(self, values, unit=""):
        order = np.argsort(values, axis=None)
        running = np.cumsum(self.weight.ravel()[order])
        ends = [(1 - self.confidence) / 2, 0.5, (1 + self.confidence) / 2]
        low, middle, high = np.interp(ends, running, values.ravel()[order])
        method = f"posterior median and equal tails; {self.prior}"
        return Estimate(
            float(middle),
            float(low),
            float(high),
            self.confidence,
            self.n,
            self.n - self.n_observed,
            unit,
            method,
        )


def posterior_weibull(
    duration, observed, entry=None, weights=None, shape=PRIOR_SHAPE, median=None, confidence=0.9
):
    """Weibull posterior on a grid, without a sampler: a `Posterior`.

    shape: the prior's middle 90% for the shape, lognormal. median: the same for the median life, as (low, high); None is flat in its log,
    which needs at least one end seen. Raises ValueError where that is missing.
    """
    duration, observed, entry, weights, _ = clean(duration, observed, entry, weights)
    weights = np.ones_like(duration) if weights is None else weights
    unit = duration.max()
    duration, entry = duration / unit, 0 if entry is None else entry / unit
    median = None if median is None else np.divide(median, unit)
    ends = (weights * observed).sum()
    if median is None and ends == 0:
        raise ValueError(
            "median: no end was seen, so the data alone give the median no upper limit; give the prior's (low, high)"
        )
    mid, spread = _lognormal(shape)
    log_shape = mid + spread * np.linspace(-4, 4, _GRID[0])
    b = np.exp(log_shape)[:, None]
    total = (weights * (duration**b - entry**b)).sum(axis=1, keepdims=True)
    centre = np.log(np.maximum(total, 1e-300) / max(ends, 0.5)) / b + np.log(np.log(2)) / b
    log_median = _medians(centre, b, ends, median)
    log_scale = log_median - np.log(np.log(2)) / b
    expected = np.exp(np.minimum(np.log(np.maximum(total, 1e-300)) - b * log_scale, 700))
    loglik = (
        ends * (np.log(b) - b * log_scale)
        + (b - 1) * (weights * observed * np.log(duration)).sum()
        - expected
    )
    log_prior = stats.norm.logpdf(np.log(b), mid, spread)
    words = f"prior: shape {shape[0]:g} to {shape[1]:g} in the middle 90%, "
    if median is None:
        words += "median life flat on a log scale"
    else:
        log_prior = log_prior + stats.norm.logpdf(log_median, *_lognormal(median))
        words += f"median life {median[0] * unit:,.6g} to {median[1] * unit:,.6g} in the middle 90%"
    height = loglik + log_prior + np.log(log_median[:, 1:2] - log_median[:, :1])
    weight = np.exp(height - height.max())
    weight, b = weight / weight.sum(), np.broadcast_to(b, log_scale.shape)
    return Posterior(
        unit * np.exp(np.minimum(log_scale, 600)),
        b,
        weight,
        len(duration),
        int(ends),
        confidence,
        words,
    )


def _lognormal(middle):
    low, high = np.log(middle)
    return (low + high) / 2, (high - low) / (2 * stats.norm.ppf(0.95))


def _medians(centre, b, ends, median):
    """Log medians to weigh, a row a shape: as far as the data, and the prior where there is one, leave any weight."""
    reach = 8 / (b * np.sqrt(max(ends, 0.5)))
    low, high = centre - reach, centre + 2 * reach
    if median is not None:
        mid, spread = _lognormal(median)
        low, high = (
            np.maximum(low, mid - 6 * spread),
            np.minimum(high, mid + 6 * spread) if ends else mid + 6 * spread + 0 * high,
        )
        high = np.maximum(high, low + spread / 10)
    return low + (high - low) * np.linspace(0, 1, _GRID[1])


def life_of(
    duration, observed, entry=None, p=0.5, shapes=SHAPES, confidence=0.9, rng=None, last_seen=None
):
    """The life by which a share `p` has ended (p None: the mean life), by the method that the number of ends allows: an `Estimate`.

    shapes: low, middle and high of the known shapes, for fewer than five ends. With no end the value is NaN and `low` a one-sided bound.
    A quantile beyond where the product-limit curve reaches carries a note. last_seen: as in `fit_weibull`, of ends between two looks.
    """
    duration, observed, entry, _, last_seen = clean(duration, observed, entry, last_seen=last_seen)
    ends, n = int(observed.sum()), len(duration)
    if ends >= BOOTSTRAP_ENDS:
        fit = fit_weibull(duration, observed, entry, confidence=confidence, last_seen=last_seen)
        found = fit.mean(rng=rng) if p is None else fit.quantile(p, rng=rng)
        reached = 1 - kaplan_meier(duration, observed, entry)["survival"].min()
        if p is not None and reached < p and not found.note:
            found = Estimate(
                **{
                    **vars(found),
                    "note": f"beyond the data: the lives seen end at a share of {reached:.2f}",
                }
            )
        return found
    if n == 0:
        return Estimate(nan, nan, nan, confidence, 0, note="no lives to judge by")
    known = [
        _at_known_shape((duration, observed, entry), last_seen, p, shape, confidence)
        for shape in shapes
    ]
    low, high = min(k[1] for k in known), max(k[2] for k in known)
    words = f"known shape, {shapes[0]:g} to {shapes[-1]:g}, chi-square"
    if ends == 0:
        note = "no end seen: a lower bound alone"
        return Estimate(nan, low, nan, confidence, n, n, method=words + ", one-sided", note=note)
    note = "few ends: rests on the shapes stated"
    return Estimate(
        known[len(known) // 2][0], low, high, confidence, n, n - ends, method=words, note=note
    )


def _at_known_shape(rows, last_seen, p, shape, confidence):
    fit = fit_weibull(*rows, shape=shape, confidence=confidence, last_seen=last_seen)
    found = fit.mean() if p is None else fit.quantile(p)
    return found.value, found.low, found.high
