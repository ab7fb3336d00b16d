"""What lives go with: log life = intercept + sum of coefficient x covariate + sigma x Z, by maximum
likelihood, with standard errors that take vehicles, not lives, as independent.

As in `likelihood`, it is maximised in 1 / sigma and the other coefficients over sigma.
"""

from dataclasses import dataclass, field, replace
from math import nan

import numpy as np
import pandas as pd
from scipy import linalg, stats

from wearbar.stats.clustered import robust
from wearbar.stats.estimate import Estimate, refused
from wearbar.stats.likelihood import FAMILIES, MAX_STEPS
from wearbar.stats.weibull import clean

# judgement, held to by simulation: ends a covariate; degrees of freedom of a range; the share of
# what a covariate shows beside the others that one vehicle may have
MIN_ENDS, MIN_FREEDOM, MOST_OF_ONE = 10, 3, 0.5
CLOSE = 1e-7  # of log-likelihood: from as near a top the next of Newton's steps is rounding alone
MANY, EACH = 20_000, 16  # lives, of which one in so many then show where to begin
ALIKE = 1e-9  # of correlation, below which a covariate follows from others
NO_END = "some value of a covariate has no end: leave it, or those lives, out"
NOTES = "the same in every life", "follows from the other covariates"


@dataclass(frozen=True, eq=False)
class LifeRegression:
    """A fit by `fit_life_regression`."""

    family: str
    intercept: float  # of log life
    sigma: float  # spread of log life; of a Weibull one, 1 / shape
    loglik: float
    n: int
    n_censored: int
    n_vehicles: int
    confidence: float
    # a row a covariate: covariate, coefficient (of log life), se, df, p (two-sided, of none), note
    # (why no limits are given, else ""); NaN where it has no maximum
    table: pd.DataFrame = field(repr=False)

    def time_ratio(self, covariate, step=1.0):
        """Life at `step` more of a covariate over life without, others alike: an `Estimate`."""
        table = self.table.set_index("covariate")
        if covariate not in table.index:
            raise ValueError(f"covariate is {covariate!r}; give one of {[*table.index]}")
        row = table.loc[covariate]
        if row["note"]:
            none = refused(row["note"], self.confidence, self.n)
            return replace(none, n_censored=self.n_censored)
        half = stats.t.ppf((1 + self.confidence) / 2, row["df"]) * row["se"]
        ends = np.exp(np.clip(step * (row["coefficient"] + np.array([0, -half, half])), -300, 300))
        method = f"by vehicle, t with {row['df']:.1f} degrees of freedom"
        low, high = sorted(ends[1:].tolist())
        counts = self.confidence, self.n, self.n_censored
        return Estimate(float(ends[0]), low, high, *counts, method=method)

    def _repr_html_(self):
        """What a notebook shows: the time ratio of each covariate."""
        names = self.table["covariate"]
        return pd.DataFrame([self.time_ratio(x).cells() for x in names], index=[*names]).to_html()


def fit_life_regression(lives, covariates, family="weibull", confidence=0.9):
    """Accelerated life: how many times as long parts last: a `LifeRegression`.

    lives: frame, one row a life: a column whose name begins with `duration` and, of late entries,
    one with `entry` (as of `part_lives`); `observed`; `vehicle` (without it each life is one's
    own). covariates: names of its columns; texts become one of 0 or 1 a value but the first, named
    `kind=van`. family: "weibull" or "lognormal". Rows censored and truncated as in `fit_weibull`.
    Standard errors as of `clustered.robust`. A ratio has limits only where they held in simulation:
    from ten ends a covariate and three degrees of freedom, and where no vehicle alone carries it.
    Raises ValueError for an unknown family, a missing column or value, or a life of none.
    Source: Lawless 2003, ch. 6; Burridge 1981, JRSS B 43:41 (from memory).

    >>> lives = pd.DataFrame({"duration": [2.0, 3, 5, 4, 8, 9], "hard": [1, 1, 1, 0, 0, 0]})
    >>> fit = fit_life_regression(lives.assign(observed=True), ["hard"])
    >>> fit.table["coefficient"].round(4).tolist(), fit.table["note"].tolist()
    ([-0.6922], ['6 ends seen, and it takes 10'])
    """
    if family not in FAMILIES:
        raise ValueError(f"family is {family!r}; give 'weibull' or 'lognormal'")
    frame, duration, observed, entry, vehicle = _laid_out(lives, covariates)
    n, ends, code = len(frame), int(observed.sum()), pd.factorize(vehicle)[0]
    x = frame.to_numpy(float).T
    centre = x.sum(axis=1) / max(n, 1)
    x = x - centre[:, None]
    scale = np.sqrt((x**2).sum(axis=1) / max(n, 1))
    is_flat = scale <= 1e-12 * np.abs(centre)
    x /= np.where(is_flat, 1.0, scale)[:, None]
    kept, tied = _independent(x, ~is_flat)
    found, line = np.full((3, len(x)), nan), (nan, nan, nan)  # coefficient, se, df; of the fit
    if ends <= kept.sum() + 1:
        notes = _few(ends, len(x))
    elif _independent(x[:, observed], kept)[1].any():
        notes = NO_END
    elif (fit := _fitted(FAMILIES[family], x[kept], duration, observed, entry, code)) is None:
        notes = "the fit has no maximum"
    else:
        found[:, kept], line = fit
        found[:2, kept] /= scale[kept]
        line[0] -= found[0, kept] @ centre[kept]
        found[:, tied] = nan
        notes = _notes(found, x, kept, ends, code)
    notes = np.select([is_flat, tied], NOTES, notes)
    table = pd.DataFrame(found.T, columns=["coefficient", "se", "df"])
    table["p"] = 2 * stats.t.sf(np.abs(table["coefficient"] / table["se"]), table["df"])
    table.insert(0, "covariate", frame.columns)
    counts = n, n - ends, int(code.max(initial=-1)) + 1, confidence
    return LifeRegression(family, *line, *counts, table.assign(note=notes))


def _laid_out(lives, covariates):
    """(covariates as numbers, duration, observed, entry, vehicle) of lives."""
    duration, entry = (
        next((c for c in lives if str(c).startswith(start)), None)
        for start in ("duration", "entry")
    )
    if duration is None:
        raise ValueError("lives: found no column whose name begins with duration; give one")
    for name in ("observed", *covariates):
        if name not in lives:
            raise ValueError(f"lives: found no column {name!r}; its columns are {[*lives]}")
        if n := int(lives[name].isna().sum()):
            found = f"{name}: {n} of {len(lives)} are missing"
            raise ValueError(f"{found}; leave those lives out or fill them in")
    x = lives[[*covariates]]
    texts = [c for c in x if not pd.api.types.is_numeric_dtype(x[c])]
    if texts:
        x = pd.get_dummies(x, columns=texts, prefix_sep="=", drop_first=True, dtype=float)
    entry = None if entry is None else lives[entry]
    duration, observed, entry, *_ = clean(lives[duration], lives["observed"], entry)
    vehicle = lives["vehicle"] if "vehicle" in lives else np.arange(len(lives))
    return x, duration, observed, entry, np.asarray(vehicle)


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
        tied[involved] = True
        kept[involved[-1]] = False
    return kept, tied


def _few(ends, n_covariates):
    return f"{ends:,} ends seen, and it takes {MIN_ENDS * max(n_covariates, 1)}"


def _notes(found, x, kept, ends, code):
    """Why each covariate has no limits, "" where it has."""
    rest = np.linalg.inv(x[kept] @ x[kept].T) @ x[kept]  # what each shows beside the others
    of_one = np.zeros(len(x))
    of_one[kept] = [(own := np.bincount(code, row)).max() / own.sum() for row in rest**2]
    rules = {
        _few(ends, kept.sum()): np.full(len(x), ends < MIN_ENDS * kept.sum()),
        "one vehicle alone carries it": of_one >= MOST_OF_ONE,
        "too few vehicles differ in it": ~(found[2] >= MIN_FREEDOM),
    }
    return np.select([*rules.values()], [*rules], "")


def _fitted(law, x, duration, observed, entry, code):
    """((coefficients, standard errors, degrees of freedom), (intercept, sigma, log-likelihood)) of
    rows x of mean nil; None where there is no maximum."""
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
    if (climbed := _climbed(law, design, sign, ended, theta)) is None:
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
    try:
        root = linalg.inv(np.linalg.cholesky(gram.sum(axis=0)))
    except np.linalg.LinAlgError:
        return None
    se, df = robust(root @ gram @ root.T, scores @ root.T, slopes @ root.T)
    loglik = height - (np.log(spread) + times[:n_lives][observed]).sum()
    intercept, *beta = theta[:-1] * sigma
    return (beta, se, df), [float(intercept + centre), float(sigma), float(loglik)]


def _climbed(law, design, sign, ended, theta):
    """(theta, height, first and second derivatives of each row) at the top, by Newton's steps from
    theta; None where there is none."""
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
            for _ in range(60):
                if (now := at(theta + step))[0] >= height - 1e-12 * (1 + abs(height)):
                    break
                step /= 2
            theta = theta + step
            if gain < CLOSE:
                return theta, *now
    return None
