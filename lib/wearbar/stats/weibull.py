"""Weibull and lognormal fits of one sample, with limits of what follows from them."""

from dataclasses import dataclass, field
from math import nan

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.stats.bootstrap import bootstrap_limits
from wearbar.stats.estimate import Estimate
from wearbar.stats.likelihood import sample_of
from wearbar.stats.limits import (
    Fits,
    Height,
    Place,
    Shape,
    fit_all,
    mean_place,
    profile_limits,
    quantile_place,
    wald_limits,
)
from wearbar.stats.product_limit import clean

__all__ = ["LognormalFit", "WeibullFit", "fit_lognormal", "fit_weibull"]

PROFILE_ENDS = 20  # from here the likelihood ratio's chi-square limits are used
BOOTSTRAP_ENDS = (
    5  # from here its bootstrap limits; below it nothing without a known shape or a prior
)
DRAWN_ENDS = (
    2  # of a drawn sample, for a fit: leaving out more than cannot be fitted would cut the tail off
)
METHODS = {
    "profile": "likelihood ratio",
    "bootstrap": "likelihood ratio, bootstrap quantiles",
    "wald": "normal on the log scale",
    "known-shape": "known shape, chi-square",
}

LIMITS = {"profile": profile_limits, "wald": wald_limits}


@dataclass(frozen=True)
class LifeFit:
    """A fitted life. `mu` and `sigma` are the place and spread of its log (NaN where the data have no maximum).

    n: lives (weights counted); n_observed: ends seen. `quantile`, `mean`, `survival` and `interval` give an `Estimate` each, with limits
    by `method`: "profile" (likelihood ratio), "bootstrap" (likelihood ratio with quantiles from a parametric bootstrap), "wald" (normal
    on the log scale), "known-shape", or "auto": the known shape's where it was given, else profile from 20 ends, bootstrap from 5, none
    below. `rng` draws the bootstrap; by default one seeded alike each time.
    """

    mu: float
    sigma: float
    loglik: float
    n: float
    n_observed: float
    confidence: float
    is_shape_fixed: bool
    fits: Fits = field(repr=False, compare=False)
    rows: tuple = field(repr=False, compare=False)

    @property
    def family(self):
        return self.fits.sample.family

    def quantile(self, p, method="auto", rng=None):
        """The duration by which a share `p` (0 < p < 1) has ended."""
        return self._estimate(quantile_place(self.family, p), np.exp, method, rng)

    def mean(self, method="auto", rng=None):
        """The mean life. Beyond the longest life seen it rests on the form fitted."""
        return self._estimate(mean_place(self.family), np.exp, method, rng)

    def survival(self, x, method="auto", rng=None):
        """The share still in service after `x` (> 0)."""
        return self._estimate(
            Height(np.log(x)),
            lambda z: np.exp(self.family.beyond(np.asarray(z, float))[0]),
            method,
            rng,
            "share",
        )

    def survival_at(self, x):
        """Shares still in service after each of `x`, without limits."""
        with np.errstate(divide="ignore"):
            return np.exp(
                self.family.beyond((np.log(np.asarray(x, float)) - self.mu) / self.sigma)[0]
            )

    def band_at(self, x):
        """(low, high) shares still in service after each of `x`: pointwise limits, normal on the scale of a probability plot."""
        low, high = np.transpose(
            [
                wald_limits(self.fits, Height(log_x), self.confidence)
                for log_x in np.log(np.asarray(x, float))
            ]
        )[0]
        return np.exp(self.family.beyond(high)[0]), np.exp(self.family.beyond(low)[0])

    def _repr_html_(self):
        """What a notebook shows: the parameters and the median life, each with its interval; a known shape is no estimate."""
        names = ("scale", "shape") if self.family.name == "weibull" else ("mu", "sigma")
        found = {name: self.interval(name) for name in names[: 1 if self.is_shape_fixed else 2]}
        found["median life"] = self.quantile(0.5)
        return pd.DataFrame([e.cells() for e in found.values()], index=[*found]).to_html()

    def _covariance(self, jacobian):
        return jacobian @ self.fits.covariance[0] @ jacobian.T

    def _estimate(self, target, natural, method, rng, unit=""):
        method = self._method(method, target)
        value = float(natural(target.value(self.fits)[0]))
        if not method:
            note = f"{self.n_observed:,.10g} ends seen: too few for limits without a known shape or a prior"
            return Estimate(
                value, nan, nan, self.confidence, self.n, self.n - self.n_observed, unit, note=note
            )
        ends = [float(natural(end)) for end in np.ravel(self._limits(target, method, rng))]
        note = (
            "no limits: too few samples could be fitted"
            if np.isnan(ends).all()
            else "not bounded"
            if np.isinf(ends).any()
            else ""
        )
        note = "no end seen: a lower bound alone" if self.n_observed == 0 else note
        return Estimate(
            value,
            min(ends),
            max(ends),
            self.confidence,
            self.n,
            self.n - self.n_observed,
            unit,
            METHODS[method],
            note,
        )

    def _method(self, method, target):
        if method != "auto":
            return method
        if self.is_shape_fixed:
            return (
                "known-shape"
                if self._total() is not None and not isinstance(target, Shape)
                else "profile"
                if self.n_observed
                else ""
            )
        few = (
            self.n_observed < PROFILE_ENDS
            and self.rows is not None
            and not isinstance(target, Shape)
        )
        return (
            ""
            if self.n_observed < BOOTSTRAP_ENDS or np.isnan(self.mu)
            else "bootstrap"
            if few
            else "profile"
        )

    def _limits(self, target, method, rng):
        if method == "known-shape":
            return self._known_shape(target)
        if method == "bootstrap":
            rng = rng or np.random.default_rng(0)
            return bootstrap_limits(
                self.fits, [target], (*self.rows, None), self.confidence, rng, DRAWN_ENDS
            )[0]
        return LIMITS[method](self.fits, target, self.confidence)

    def _total(self):
        return None


@dataclass(frozen=True)
class WeibullFit(LifeFit):
    """A Weibull life: survival(x) = exp(-(x / scale)^shape). `covariance` is that of (scale, shape)."""

    @property
    def scale(self):
        return float(np.exp(self.mu))

    @property
    def shape(self):
        return 1 / self.sigma

    @property
    def covariance(self):
        return self._covariance(np.diag([self.scale, -self.shape]))

    def interval(self, name, method="auto", rng=None):
        """`Estimate` of "scale" or "shape"."""
        if name == "scale":
            return self._estimate(Place(lambda s: (0 * s, 0 * s, 0 * s)), np.exp, method, rng)
        return self._estimate(Shape(), lambda log_sigma: np.exp(-log_sigma), method, rng)

    def _total(self):
        if self.rows is None or len(self.fits.sample.between[0]):
            return None
        return (self.rows[0] ** self.shape - self.rows[2] ** self.shape).sum()

    def _known_shape(self, target):
        # the ends expected, sum((x / scale)^shape), against those counted: 2 r degrees of freedom where all were seen to end (exact), else
        # 2 r + 1 for both sides (Cox 1953); with none counted the lower side alone, on 2 (Nelson 1985, J. Qual. Technol. 17:140); both
        # from memory
        upper, none = (1 + self.confidence) / 2, self.n_observed == 0
        share = [self.confidence, 0] if none else [upper, 1 - upper]
        freedom = 2 if none else 2 * self.n_observed + (self.n_observed < self.n)
        with np.errstate(divide="ignore"):
            log_scale = np.log(2 * self._total() / stats.chi2.ppf(share, freedom)) / self.shape
        if isinstance(target, Height):
            return (target.log_x - log_scale) * self.shape
        return log_scale + self.sigma * target.w(np.array([self.sigma]))[0]


@dataclass(frozen=True)
class LognormalFit(LifeFit):
    """A lognormal life: log x is normal with mean `mu` and standard deviation `sigma`. `covariance` is that of (mu, sigma)."""

    @property
    def covariance(self):
        return self._covariance(np.diag([1.0, self.sigma]))

    def interval(self, name, method="auto", rng=None):
        """`Estimate` of "mu" or "sigma"."""
        if name == "mu":
            return self._estimate(
                Place(lambda s: (0 * s, 0 * s, 0 * s)), lambda mu: mu, method, rng
            )
        return self._estimate(Shape(), np.exp, method, rng)


def fit_weibull(
    duration, observed, entry=None, weights=None, shape=None, confidence=0.9, last_seen=None
):
    """Maximum likelihood Weibull fit: a `WeibullFit`.

    weights: how often each row counts. shape: known, so that the scale alone is fitted (the method of IEC 61649 for few ends; from
    memory): with no end seen there is no scale, and `quantile` gives a lower bound. last_seen: the duration at which an ended life was
    last seen going on (0 where never); the end lies between it and `duration` (interval censoring, as of a part found worn at an
    inspection).

    >>> round(fit_weibull([1.0, 2.0, 3.0, 4.0], [True, True, True, False]).shape, 4)
    1.8315
    """
    return _fit(
        WeibullFit,
        "weibull",
        (duration, observed, entry, weights, last_seen),
        None if shape is None else 1 / shape,
        confidence,
    )


def fit_lognormal(
    duration, observed, entry=None, weights=None, shape=None, confidence=0.9, last_seen=None
):
    """Maximum likelihood lognormal fit: a `LognormalFit`. `shape` is a known sigma; the rest as in `fit_weibull`."""
    return _fit(
        LognormalFit,
        "lognormal",
        (duration, observed, entry, weights, last_seen),
        shape,
        confidence,
    )


def _fit(kind, family, rows, sigma, confidence):
    duration, observed, entry, weights, last_seen = clean(*rows)
    fits = fit_all(sample_of(family, duration, observed, entry, weights, last_seen), sigma)
    n = float(len(duration) if weights is None else weights.sum())
    plain = weights is None or np.all(weights == np.round(weights))
    kept = (
        (duration, observed, np.zeros_like(duration) if entry is None else entry, last_seen)
        if plain
        else None
    )
    if kept and weights is not None:
        kept = tuple(
            None if column is None else np.repeat(column, weights.astype(int)) for column in kept
        )
    return kind(
        float(fits.mu[0]),
        float(fits.sigma[0] if sigma is None else sigma),
        float(fits.loglik[0]),
        n,
        float(fits.sample.ends[0]),
        confidence,
        sigma is not None,
        fits,
        kept,
    )
