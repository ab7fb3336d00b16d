"""Curves of lives of which many have not ended, and Weibull fits: of one sample, with limits of
what follows, and of many groups at once."""

from dataclasses import dataclass, field, replace
from math import nan

import numpy as np
import pandas as pd
from scipy import special, stats

from wearbar.stats import limits
from wearbar.stats.estimate import Estimate, refused
from wearbar.stats.likelihood import FAMILIES, sample_of
from wearbar.stats.ties import is_counted, tally

LAW = FAMILIES["weibull"]
PROFILE_ENDS = 20  # from here the likelihood ratio's chi-square limits are used
BOOTSTRAP_ENDS = 5  # from here its bootstrap limits; below it none without a known shape
SHAPES = (1.5, 3.0, 6.0)  # of parts that wear out: common practice, no source
ENDED = {"early": 0.1, "median": 0.5}  # share ended by then
NO_END = "no end seen: a lower bound alone"
METHODS = {
    "profile": "likelihood ratio",
    "bootstrap": "likelihood ratio, bootstrap quantiles",
    "wald": "normal on the log scale",
    "known-shape": "known shape, chi-square",
}


def clean(duration, observed, entry=None, weights=None, last_seen=None):
    """The rows of a life table as arrays; ValueError where one is no life."""
    duration = np.asarray(duration, float)
    observed = np.broadcast_to(True if observed is None else observed, duration.shape).astype(bool)
    entry = np.broadcast_to(np.asarray(0.0 if entry is None else entry, float), duration.shape)
    weights = np.asarray(1.0 if weights is None else weights, float)
    wrong = np.flatnonzero(~(np.isfinite(duration) & (duration > entry) & (entry >= 0)))
    if len(wrong):
        at = wrong[0]
        raise ValueError(
            f"duration: {len(wrong)} of {len(duration)} are missing or not longer than their entry"
            f" (first at {at}: duration {duration[at]}, entry {entry[at]});"
            " leave those lives out or mend them"
        )
    if not (np.isfinite(weights) & (weights >= 0)).all():
        found = "found a missing or negative one"
        raise ValueError(f"weights: {found}; a weight is how often the row counts")
    last_seen = None if last_seen is None else np.asarray(last_seen, float)
    return duration, observed, entry, np.broadcast_to(weights, duration.shape), last_seen


def kaplan_meier(duration, observed, entry=None, weights=None, confidence=0.9):
    """Share still in service after each duration: the product-limit curve.

    Gives a frame `duration, survival, low, high, at_risk, events`, one row a distinct duration.
    Ends precede censorings at the same duration; a life is at risk from just after its entry.
    Limits: Greenwood's variance on the log-log scale (Kalbfleisch & Prentice 2002; from memory); 1
    before the first end, and once nobody is left the lower is 0 and the upper stays.

    >>> kaplan_meier([1, 2, 3, 4], [True, False, True, True])["survival"].tolist()
    [0.75, 0.75, 0.375, 0.0]
    """
    # our own: statsmodels' SurvfuncRight (equal where it has a row: tests) has none where no life
    # ended, and normal limits
    duration, observed, begun, counts, _ = clean(duration, observed, entry, weights)
    counts = None if weights is None else counts
    times, left, events = tally(duration, observed, counts)
    at_risk = left[::-1].cumsum()[::-1]
    if entry is not None:  # less those whose entry is not before that time
        opened, entered, _ = tally(begun, False, counts)
        later = np.append(entered[::-1].cumsum()[::-1], 0.0)
        at_risk = at_risk - later[np.searchsorted(opened, times)]
    with np.errstate(divide="ignore", invalid="ignore"):
        survival = np.cumprod(np.where(at_risk > 0, 1 - events / at_risk, 1.0))
        greenwood = np.cumsum(np.where(events > 0, events / (at_risk * (at_risk - events)), 0.0))
        half = special.ndtri((1 + confidence) / 2) * np.sqrt(greenwood) / np.abs(np.log(survival))
        low, high = survival ** np.exp(half), survival ** np.exp(-half)
    low = np.where(survival == 1, 1.0, np.where(survival > 0, low, 0.0))
    high, alive = np.where(survival == 1, 1.0, high), np.count_nonzero(survival > 0)
    high[alive:] = high[alive - 1] if alive else 1.0
    curve = {"duration": times, "survival": survival, "low": low, "high": high}
    return pd.DataFrame(curve | {"at_risk": at_risk, "events": events})


def cumulative_incidence(duration, cause, entry=None):
    """Share that each cause has ended by each duration: a frame `duration` and a column a cause.

    cause: of each life, "" where it had not ended. Aalen & Johansen 1978 (from memory); our own,
    since statsmodels' takes no late entry.

    >>> cumulative_incidence([1, 2, 3, 4], ["worn", "", "lost", "worn"])["worn"].tolist()
    [0.25, 0.25, 0.25, 0.625]
    """
    cause = np.asarray(cause, object)
    curve = kaplan_meier(duration, cause != "", entry)
    each = curve["survival"].shift(fill_value=1.0) / curve["at_risk"].clip(lower=1)
    made = curve[["duration"]].copy()
    for name in sorted(set(cause) - {""}):
        made[name] = (each * kaplan_meier(duration, cause == name, entry)["events"]).cumsum()
    return made


@dataclass(frozen=True)
class WeibullFit:
    """A fitted Weibull life: survival(x) = exp(-(x / scale)^shape); NaN without a maximum.

    `quantile`, `mean`, `survival` and `interval` give an `Estimate` each, with limits by `method`:
    "profile" (likelihood ratio), "bootstrap" (the same with quantiles from a parametric bootstrap
    by `rng`, seeded alike by default), "wald" (normal on the log scale), "known-shape", or "auto":
    the known shape's where given, else profile from 20 ends, bootstrap from 5, none below."""

    mu: float  # the log of the scale
    sigma: float  # one over the shape
    loglik: float
    n: float  # lives, weights counted
    n_observed: float  # ends seen
    confidence: float
    fits: limits.Fits = field(repr=False, compare=False)
    # each life once, to draw from; None where weights are no counts
    rows: tuple | None = field(repr=False, compare=False)

    @property
    def scale(self):
        return float(np.exp(self.mu))

    @property
    def shape(self):
        return 1 / self.sigma

    def quantile(self, p, method="auto", rng=None):
        """The duration by which a share `p` (0 < p < 1) has ended."""
        return self._estimate(limits.constant_place(float(LAW.ppf(p))), np.exp, method, rng)

    def mean(self, method="auto", rng=None):
        """The mean life. Beyond the longest life seen it rests on the form fitted."""
        return self._estimate(limits.Place(LAW.mean_at), np.exp, method, rng)

    def survival(self, x, method="auto", rng=None):
        """The share still in service after `x` (> 0)."""
        return self._estimate(limits.Height(np.log(x)), self._share_at, method, rng, "share")

    def interval(self, name, method="auto", rng=None):
        """`Estimate` of "scale" or "shape"."""
        if name == "scale":
            return self._estimate(limits.constant_place(0.0), np.exp, method, rng)
        return self._estimate(limits.Shape(), lambda x: np.exp(-x), method, rng)

    def survival_at(self, x):
        """Shares still in service after each of `x`, without limits."""
        with np.errstate(divide="ignore"):
            return self._share_at((np.log(np.asarray(x, float)) - self.mu) / self.sigma)

    def band_at(self, x):
        """(low, high) shares after each of `x`: pointwise, normal on a probability plot's scale."""
        heights = limits.Height(np.log(np.asarray(x, float)))
        low, high = limits.wald_limits(self.fits, heights, self.confidence)
        return self._share_at(high), self._share_at(low)

    def _share_at(self, z):
        return np.exp(LAW.beyond(z)[0])

    def _repr_html_(self):
        """What a notebook shows: its parameters, less a known shape, and the median life."""
        names = ("scale",) if self.fits.is_shape_fixed else ("scale", "shape")
        found = {name: self.interval(name) for name in names} | {"median life": self.quantile(0.5)}
        return pd.DataFrame([e.cells() for e in found.values()], index=[*found]).to_html()

    def _estimate(self, target, natural, method, rng, unit=""):
        fits, ends, confidence = self.fits, self.n_observed, self.confidence
        drawn = self.rows is not None and not isinstance(target, limits.Shape)
        if method == "auto" and fits.is_shape_fixed:
            exact = drawn and not len(fits.sample.between[0])
            method = "known-shape" if exact else "profile" if ends else ""
        elif method == "auto":
            few = ends < BOOTSTRAP_ENDS or np.isnan(self.mu)
            method = "" if few else "bootstrap" if ends < PROFILE_ENDS and drawn else "profile"
        value = float(natural(target.value(fits)[0]))
        found = Estimate(value, nan, nan, confidence, self.n, self.n - ends, unit)
        if not method:
            few = "too few for limits without a known shape or a prior"
            return replace(found, note=f"{ends:,.10g} ends seen: {few}")
        if method == "known-shape":
            ends_at = self._known_shape(target)
        elif method == "bootstrap":
            rng = rng or np.random.default_rng(0)
            ends_at = limits.bootstrap_limits(fits, target, self.rows, confidence, rng)
        else:
            by = {"profile": limits.profile_limits, "wald": limits.wald_limits}[method]
            ends_at = by(fits, target, confidence)
        limit = natural(np.ravel(ends_at))
        note = "not bounded" if np.isinf(limit).any() else ""
        note = "no limits: too few samples could be fitted" if np.isnan(limit).all() else note
        note = NO_END if ends == 0 else note
        low, high = float(min(limit)), float(max(limit))
        return replace(found, low=low, high=high, method=METHODS[method], note=note)

    def _known_shape(self, target):
        # the ends expected, sum((x / scale)^shape), against those counted: 2 r degrees of freedom
        # where all were seen to end (exact), else 2 r + 1 for both sides (Cox 1953); with none
        # counted the lower side alone, on 2 (Nelson 1985, J. Qual. Technol. 17:140); from memory
        upper, none = (1 + self.confidence) / 2, self.n_observed == 0
        share = [self.confidence, 0] if none else [upper, 1 - upper]
        freedom = 2 if none else 2 * self.n_observed + (self.n_observed < self.n)
        watched = (self.rows[0] ** self.shape - self.rows[2] ** self.shape).sum()
        with np.errstate(divide="ignore"):
            log_scale = np.log(2 * watched / stats.chi2.ppf(share, freedom)) / self.shape
        if isinstance(target, limits.Height):
            return (target.log_x - log_scale) * self.shape
        return log_scale + self.sigma * target.w(np.array([self.sigma]))[0]


def fit_weibull(
    duration, observed, entry=None, weights=None, shape=None, confidence=0.9, last_seen=None
):
    """Maximum likelihood Weibull fit: a `WeibullFit`.

    weights: how often each row counts. shape: known, so that the scale alone is fitted (as in
    IEC 61649 for few ends; from memory): with no end seen there is no scale, and `quantile` gives a
    lower bound. last_seen: the duration at which an ended life was last seen going on (0: never);
    its end lies between that and `duration`, as of a part found worn at an inspection.

    >>> round(fit_weibull([1.0, 2.0, 3.0, 4.0], [True, True, True, False]).shape, 4)
    1.8315
    """
    is_weighted = weights is not None
    x, seen, entry, weights, last_seen = clean(duration, observed, entry, weights, last_seen)
    known = None if shape is None else 1 / shape
    rows, lives = (x, seen, entry, last_seen), (x, seen, entry, weights)
    if is_weighted:
        times = weights.astype(int)
        again = (c if c is None else np.repeat(c, times) for c in rows)
        rows = tuple(again) if (times == weights).all() else None
    elif last_seen is None and is_counted(x, 1):
        lives = _collapsed(x, seen, entry)
    fits = limits.fit_all(sample_of("weibull", *lives, last_seen), known)
    mu, sigma, loglik = (float(part[0]) for part in (fits.mu, fits.sigma, fits.loglik))
    n, ends = float(weights.sum()), float(fits.sample.ends[0])
    return WeibullFit(mu, known or sigma, loglik, n, ends, confidence, fits, rows)


def _collapsed(duration, observed, entry):
    """Lives as fewer rows that count more often: duration, observed, entry, weights. A late entry
    takes away what a life known to be longer than it adds."""
    times, count, ended = tally(duration, observed)
    opened, entered, _ = tally(entry[entry > 0])
    rows = np.concatenate([times, times, opened])
    is_end = np.arange(len(rows)) < len(times)
    weights = np.concatenate([ended, count - ended, -entered])
    is_some = weights != 0
    return rows[is_some], is_end[is_some], np.zeros(is_some.sum()), weights[is_some]


def fit_groups(family, duration, observed, group, entry=None, weights=None, last_seen=None):
    """Fits of all groups in one Newton iteration: a frame, one row a group as they first appear.

    family: "weibull" or "lognormal". Columns `group, n, n_observed, mu, sigma` (mean and spread of
    the log of a lognormal life; of a Weibull one, log scale and 1 / shape), `loglik, early, median,
    mean` (early: 90% reach it); NaN without a maximum. The rest as in `fit_weibull`."""
    rows = clean(duration, observed, entry, weights, last_seen)
    code, names = pd.factorize(np.asarray(group))
    fits = limits.fit_all(sample_of(family, *rows, code, len(names)))
    law, n = fits.sample.family, np.bincount(code, rows[3], len(names))
    frame = pd.DataFrame({"group": names, "n": n, "n_observed": fits.sample.ends, "mu": fits.mu})
    places = {name: limits.constant_place(law.ppf(p)) for name, p in ENDED.items()}
    places["mean"] = limits.Place(law.mean_at)
    lives = {name: np.exp(place.value(fits)) for name, place in places.items()}
    return frame.assign(sigma=fits.sigma, loglik=fits.loglik, **lives)


def life_of(duration, observed, entry=None, p=0.5, confidence=0.9, rng=None, last_seen=None):
    """The life by which a share `p` has ended (None: the mean), as its ends allow: an `Estimate`.

    No end: NaN, with a one-sided lower bound at a known shape. One to four: the known shape over
    the range `SHAPES`, since a fit's limits don't hold for few censored samples. From five: the
    fit's own limits, noted where the product-limit curve does not reach the quantile."""
    rows = clean(duration, observed, entry, None, last_seen)
    ends, n = int(rows[1].sum()), len(rows[0])

    def fitted(shape=None):
        fit = fit_weibull(*rows[:3], None, shape, confidence, rows[4])
        return fit.mean(rng=rng) if p is None else fit.quantile(p, rng=rng)

    if n == 0:
        return refused("no lives to judge by", confidence)
    if ends >= BOOTSTRAP_ENDS:
        found = fitted()
        reached = 1 - kaplan_meier(*rows[:3])["survival"].min()
        beyond = f"beyond the data: the lives seen end at a share of {reached:.2f}"
        return found if p is None or reached >= p or found.note else replace(found, note=beyond)
    known = [fitted(shape) for shape in SHAPES]
    middle, low = known[len(known) // 2], min(k.low for k in known)
    method = f"known shape, {SHAPES[0]:g} to {SHAPES[-1]:g}, chi-square"
    found = Estimate(middle.value, low, nan, confidence, n, n - ends, method=method)
    if ends == 0:
        return replace(found, method=method + ", one-sided", note=NO_END)
    note = "few ends: rests on the shapes stated"
    return replace(found, high=max(k.high for k in known), note=note)
