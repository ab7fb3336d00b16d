"""What lives and rates of events go with: errors take vehicles, not rows, as independent.

Of log life = intercept + sum of coefficient x covariate + sigma x Z the likelihood is maximised in
1 / sigma and the other coefficients over sigma, as in `likelihood`."""

import warnings
from dataclasses import dataclass, field
from functools import partial
from math import nan

import numpy as np
import pandas as pd
from scipy import optimize, stats

from wearbar.stats.clustered import ClusteredFit, robust
from wearbar.stats.estimate import Estimate
from wearbar.stats.likelihood import FAMILIES, MAX_STEPS
from wearbar.stats.weibull import clean

# judgement, held to by simulation: ends a covariate; degrees of freedom of a range; the share of
# what a covariate shows beside the others that one vehicle may have
MIN_ENDS, MIN_FREEDOM, MOST_OF_ONE = 5, 3, 0.5
CLOSE = 1e-7  # of log-likelihood: from as near a top the next of Newton's steps is rounding alone
MANY, EACH = 20_000, 16  # lives, of which one in so many then show where to begin
ALIKE = 1e-9  # of correlation, below which a covariate follows from others
FEW_DIFFER = "too few vehicles differ in it"
NOTES = "nothing to compare", "the same throughout", "follows from the other covariates"


@dataclass(frozen=True, eq=False)
class Regression:
    """A fit by `fit_life_regression` or `fit_rate_regression`."""

    family: str
    intercept: float  # of the log
    sigma: float  # of log life (of a Weibull one, 1 / shape); of counts: variance m + sigma m^2
    loglik: float
    n: int
    n_censored: int
    n_vehicles: int
    confidence: float
    # by covariate: coefficient of the log, se, df, two-sided p, note (why it has no limits, or "")
    table: pd.DataFrame = field(repr=False)

    def ratio(self, covariate, step=1.0):
        """Life, or rate, at `step` more of a covariate over that without: an `Estimate`."""
        if covariate not in self.table.index:
            raise ValueError(f"covariate is {covariate!r}; give one of {[*self.table.index]}")
        row, counts = self.table.loc[covariate], (self.confidence, self.n, self.n_censored)
        if row["note"]:
            return Estimate(nan, nan, nan, *counts, note=row["note"])
        half = stats.t.ppf((1 + self.confidence) / 2, row["df"]) * row["se"]
        ends = np.exp(np.clip(step * (row["coefficient"] + np.array([0, -half, half])), -300, 300))
        method = f"by vehicle, t with {row['df']:.1f} degrees of freedom"
        return Estimate(float(ends[0]), *sorted(ends[1:].tolist()), *counts, method=method)

    def _repr_html_(self):
        """What a notebook shows: the ratio of each covariate."""
        told = {name: self.ratio(name).cells() for name in self.table.index}
        return pd.DataFrame(told).T.to_html()


def fit_life_regression(lives, covariates, family="weibull", confidence=0.9):
    """Accelerated life: how many times as long parts last: a `Regression`.

    lives: frame, one row a life: a column whose name begins with `duration` and, of late entries,
    one with `entry` (as of `part_lives`); `observed`; `vehicle` (without it each life is one's
    own). covariates: names of its columns; texts become one of 0 or 1 a value but the first, named
    `kind=van`. family: "weibull" or "lognormal". Rows censored and truncated as in `fit_weibull`.
    Errors as of `clustered.robust`. A ratio has limits only where they held in simulation: from
    five ends a covariate and three degrees of freedom, and where no vehicle alone carries it.
    ValueError for a missing column or value. Source: Lawless 2003, ch. 6 (from memory).

    >>> lives = pd.DataFrame({"duration": [2.0, 3, 5, 4, 8, 9], "hard": [1, 1, 1, 0, 0, 0]})
    >>> fit = fit_life_regression(lives.assign(observed=True), ["hard"])
    >>> fit.table["coefficient"].round(4).tolist(), fit.ratio("hard").note
    ([-0.6922], 'too few vehicles differ in it')
    """
    if family not in FAMILIES:
        raise ValueError(f"family is {family!r}; give one of {[*FAMILIES]}")
    frame, duration, observed, entry, code = _laid_out(lives, covariates)
    fit = partial(_fitted, FAMILIES[family], duration, observed, entry, code)
    return _regressed(family, frame, code, observed, confidence, fit, int((~observed).sum()))


def _regressed(family, frame, code, ends, confidence, fit, n_censored=0, of="ends"):
    """The `Regression` of covariates as numbers (frame) by `fit`, and what it refuses. code: each
    row's vehicle; ends: how many in each. fit: takes covariates of mean nil and spread one, a row
    each; gives ((coefficients, se, df), [intercept, sigma, log-likelihood]), None without maximum.
    """
    n, x, n_ends = len(frame), frame.to_numpy(float).T, int(ends.sum())
    centre = x.sum(axis=1) / max(n, 1)
    x = x - centre[:, None]
    scale = np.sqrt((x**2).sum(axis=1) / max(n, 1))
    is_flat = scale <= 1e-12 * np.abs(centre)
    x /= np.where(is_flat, 1.0, scale)[:, None]
    kept, tied = _independent(x, ~is_flat)
    found, line = np.full((3, len(x)), nan), (nan, nan, nan)
    need = MIN_ENDS * max(int(kept.sum()), 1)
    few = f"{n_ends:,} {of} seen, and it takes {need}"
    if n_ends <= kept.sum() + 1:
        notes = few
    elif n <= kept.sum() + 1:
        notes = FEW_DIFFER
    elif _independent(x[:, ends > 0], kept)[1].any():
        notes = "some value of a covariate has none: leave it, or those rows, out"
    elif (made := fit(x[kept])) is None:
        notes = "the fit has no maximum"
    else:
        found[:, kept], line = made
        found[:2, kept] /= scale[kept]
        line[0] -= found[0, kept] @ centre[kept]
        found[:, tied] = nan
        rest = np.linalg.inv(x[kept] @ x[kept].T) @ x[kept]  # what each shows beside the others
        of_one = np.zeros(len(x))
        of_one[kept] = [(own := np.bincount(code, row)).max() / own.sum() for row in rest**2]
        rules = {
            few: np.full(len(x), n_ends < need),
            "one vehicle alone carries it": of_one >= MOST_OF_ONE,
            FEW_DIFFER: ~(found[2] >= MIN_FREEDOM),
        }
        notes = np.select([*rules.values()], [*rules], "")
    table = pd.DataFrame(found.T, frame.columns, ["coefficient", "se", "df"])
    table["p"] = 2 * stats.t.sf(np.abs(table["coefficient"] / table["se"]), table["df"])
    table["note"] = np.select([is_flat & (n == 0), is_flat, tied], NOTES, notes)
    counts = n, n_censored, int(code.max(initial=-1)) + 1, confidence
    return Regression(family, *map(float, line), *counts, table)


def fit_rate_regression(rows, covariates, family="poisson", confidence=0.9):
    """How many times as often events come in a distance: a `Regression`.

    rows: frame, one row a vehicle or a stretch of it: vehicle, events, distance_km (> 0).
    covariates, errors and refusals as in `fit_life_regression`, so that they hold where events
    bunch or vehicles differ. family: "poisson" or "negative binomial"; by statsmodels.

    >>> rows = pd.DataFrame({"vehicle": range(6), "events": [9, 7, 8, 4, 6, 5], "distance_km": 1.0})
    >>> fit = fit_rate_regression(rows.assign(hard=[1, 1, 1, 0, 0, 0]), ["hard"])
    >>> round(fit.ratio("hard").value, 2)
    1.6
    """
    from statsmodels.discrete.discrete_model import NegativeBinomial, Poisson

    frame = _numbered(rows, covariates, "vehicle", "events", "distance_km")
    events, km = (rows[name].to_numpy(float) for name in ("events", "distance_km"))
    code = pd.factorize(np.asarray(rows["vehicle"]))[0]

    def fit(x):
        design, sigma = np.column_stack([np.ones(len(events)), *x]), 0.0
        made = Poisson(events, design, exposure=km).fit(disp=0, maxiter=200)
        if family != "poisson":
            with warnings.catch_warnings():  # no spread beyond a Poisson's has no maximum
                warnings.simplefilter("ignore")
                other = NegativeBinomial(events, design, exposure=km).fit(disp=0, maxiter=200)
            if other.mle_retvals["converged"] and other.params[-1] > 1e-4:
                made, sigma = other, other.params[-1]
        beta = made.params[: len(x) + 1]
        mean = km * np.exp(design @ beta)
        root = np.sqrt(mean / (1 + sigma * mean))
        u, r = np.linalg.qr(root[:, None] * design)
        residual = (events - mean) / mean * root
        by_vehicle = ClusteredFit(beta, residual, 0.0, u, np.linalg.inv(r), code)
        each = [by_vehicle.contrast(row) for row in np.eye(len(r))[1:]]
        return np.reshape(each, (-1, 3)).T, [beta[0], sigma, made.llf]

    return _regressed(family, frame, code, events, confidence, fit, of="events")


def cox(lives, covariates, ties="efron"):
    """Cox's model of the same lives, which supposes no form of them: log hazard by covariate, by
    statsmodels' PHReg. ties: "efron" or "breslow"."""
    from statsmodels.duration.hazard_regression import PHReg

    x, duration, observed, entry, _ = _laid_out(lives, covariates)
    # at risk from just after the entry, as in R; statsmodels counts it in
    entry = np.nextafter(entry, np.inf) if (entry > 0).any() else None
    model = PHReg(duration, x.to_numpy(float), observed.astype(int), entry=entry, ties=ties)
    # not by its own fit, which fails where all ends of one value come before those of another
    asked = model.loglike, model.score, model.hessian
    loss, jac, hess = (lambda b, of=of: -of(b) for of in asked)
    how = {"jac": jac, "hess": hess, "method": "trust-exact", "options": {"gtol": 1e-6}}
    return pd.Series(optimize.minimize(loss, np.zeros(x.shape[1]), **how).x, x.columns)


def _laid_out(lives, covariates):
    """(covariates as numbers, duration, observed, entry, number of its vehicle) of lives."""
    rows = lives.rename(columns=lambda name: str(name).partition("_")[0])
    if "duration" not in rows:
        raise ValueError("found no column whose name begins with duration; give one")
    x = _numbered(lives, covariates, "observed")
    duration, observed, entry, *_ = clean(rows["duration"], lives["observed"], rows.get("entry"))
    vehicle = lives["vehicle"] if "vehicle" in lives else np.arange(len(lives))
    return x, duration, observed, entry, pd.factorize(np.asarray(vehicle))[0]


def _numbered(rows, covariates, *others):
    """The covariates as numbers; ValueError where a column or value, of others too, is missing."""
    for name in (*others, *covariates):
        if name not in rows:
            raise ValueError(f"found no column {name!r}; the columns are {[*rows]}")
        if n := int(rows[name].isna().sum()):
            raise ValueError(f"{name}: {n} of {len(rows)} are missing; leave those rows out")
    x = rows[[*covariates]]
    if texts := [c for c in x if not pd.api.types.is_numeric_dtype(x[c])]:
        x = pd.get_dummies(x, columns=texts, prefix_sep="=", drop_first=True, dtype=float)
    return x


def _independent(x, kept):
    """(which of the rows of x that are `kept` stand by themselves, which follow from others)."""
    kept, tied, n = kept.copy(), np.zeros(len(x), bool), max(x.shape[1], 1)
    mean = x.sum(axis=1) / n
    cross = x @ x.T / n - np.outer(mean, mean)
    while kept.any():
        own = np.flatnonzero(kept)
        values, vectors = np.linalg.eigh(cross[np.ix_(own, own)])
        involved = own[(np.abs(vectors[:, values < ALIKE]) > 1e-4).any(axis=1)]
        if not len(involved):
            break
        tied[involved], kept[involved[-1]] = True, False
    return kept, tied


def _fitted(law, duration, observed, entry, code, x):
    """What `_regressed` asks of a fit, of lives."""
    late, n_lives = np.flatnonzero(entry > 0), len(duration)
    rows, code = np.append(np.arange(n_lives), late), np.append(code, code[late])
    order = np.argsort(code, kind="stable")
    first = np.flatnonzero(np.diff(code[order], prepend=-1))  # row of each vehicle
    rows, is_entry = rows[order], order >= n_lives
    times = np.log(np.append(duration, entry[late]))
    centre, spread = times[:n_lives].mean(), times[:n_lives].std() or 1.0
    sign, ended = np.where(is_entry, -1.0, 1.0), observed[rows] & ~is_entry
    design = np.empty((len(x) + 2, len(rows)))
    design[0], design[1:-1], design[-1] = -1.0, -x[:, rows], (times[order] - centre) / spread
    theta = np.append(np.zeros(len(design) - 1), 1.0)
    if n_lives > MANY:  # begin where some of them lead
        some = slice(None, None, EACH)
        begun = _climbed(law, design[:, some].copy(), sign[some], ended[some], theta)
        theta = theta if begun is None else begun[0]
    if not (climbed := _climbed(law, design, sign, ended, theta)):
        return None
    theta, height, slope, bend = climbed
    by_end = np.add.reduceat(ended, first, dtype=float) / theta[-1]
    scores = np.add.reduceat(design * slope, first, axis=1).T
    scores[:, -1] += by_end
    gram = np.empty((len(first), len(design), len(design)))
    for i, row in enumerate(-bend * design):
        for j, other in enumerate(design[: i + 1]):
            gram[:, i, j] = gram[:, j, i] = np.add.reduceat(row * other, first)
    gram[:, -1, -1] += by_end / theta[-1]
    # errors of the coefficients by the delta method, in coordinates of information one
    sigma = spread / theta[-1]
    slopes = np.column_stack([np.eye(len(theta) - 1), -theta[:-1] / theta[-1]])[1:] * sigma
    values, vectors = np.linalg.eigh(gram.sum(axis=0))
    root = (vectors / np.sqrt(np.maximum(values, 1e-12 * values[-1]))).T
    se, df = robust(root @ gram @ root.T, scores @ root.T, slopes @ root.T)
    loglik = height - (np.log(spread) + times[:n_lives][observed]).sum()
    intercept, *beta = theta[:-1] * sigma
    return (beta, se, df), [float(intercept + centre), float(sigma), float(loglik)]


def _climbed(law, design, sign, ended, theta):
    """(theta, height, two derivatives of each row) at the top by Newton's steps; None without."""
    n_ends = int(ended.sum())

    def at(theta):
        z = theta @ design
        value, first, second = np.where(ended, law.exact(z), law.beyond(z)) * sign
        return value.sum() + n_ends * np.log(theta[-1]), first, second

    with np.errstate(all="ignore"):
        now = at(theta)
        for _ in range(MAX_STEPS):
            height, first, second = now
            gradient, bend = design @ first, (design * second) @ design.T
            gradient[-1] += n_ends / theta[-1]
            bend[-1, -1] -= n_ends / theta[-1] ** 2
            # the surface may bend the wrong way under late entry, away from the top
            values, vectors = np.linalg.eigh(bend)
            size = np.maximum(np.abs(values), 1e-12 * np.abs(values).max())
            step = vectors @ (vectors.T @ gradient / size)
            step *= min(1.0, 0.7 * theta[-1] / max(-step[-1], 1e-300))
            gain = gradient @ step
            for move in step / 2.0 ** np.arange(60)[:, None]:
                if (now := at(theta + move))[0] >= height - 1e-12 * (1 + abs(height)):
                    break
            theta = theta + move
            if gain < CLOSE:
                return theta, *now
    return None
