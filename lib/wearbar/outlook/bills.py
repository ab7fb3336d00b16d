"""Work that nobody planned: how often by kind and age of vehicle, and what a day of it costs."""

import itertools

import numpy as np
import pandas as pd
from scipy import stats

__all__ = ["draw_bills", "visit_rates"]

RECENT_DAYS, LEAST_BILLS, LEAST_CELLS = 730, 20, 10
PRIOR_LEVEL_SD, PRIOR_AGE_SD = (
    1.0,
    0.15,
)  # of the log rate; and of its rise a year of age: judgement
PRIOR_BILLS, PRIOR_BILL_SD, MANY_BILLS = (
    2.0,
    1.0,
    2000,
)  # bills that usual ones are worth, and the sd of their log: judgement
YEAR = 365.25


def visit_rates(log, bills, vehicles, rng, draws):
    """Days of such work in the year ahead by vehicle: (draws, vehicles) means, each draw with its own parameters.

    A Poisson regression on the vehicles' years of record: a level for each kind and one rise with age, with normal priors, the parameters
    drawn from the normal about their mode; what counts vary beyond that (Pearson) is a gamma draw by vehicle.
    """
    cells = _cells(log, bills)
    kinds = pd.Index(sorted(log.tables["vehicles"]["kind"].dropna().unique()))
    fleet = log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle").reindex(vehicles)
    ahead = _design(
        kinds, fleet["kind"], (log.as_of - fleet["in_service"]).dt.days.to_numpy() / YEAR + 0.5
    )
    if not cells["years"].sum() > 0:
        return np.zeros((draws, len(vehicles)))
    x, n, years = (
        _design(kinds, cells["kind"], cells["age"].to_numpy()),
        cells["n"].to_numpy(dtype=float),
        cells["years"].to_numpy(),
    )
    start = np.log((n.sum() + 0.5) / years.sum())
    prior = np.append(np.full(len(kinds), PRIOR_LEVEL_SD), PRIOR_AGE_SD) ** -2.0
    mode = np.append(np.full(len(kinds), start), 0.0)
    centre = mode.copy()
    for _ in range(30):
        mean = years * np.exp(np.clip(x @ mode, -12, 6))
        curve = (x * mean[:, None]).T @ x + np.diag(prior)
        mode = mode + np.clip(
            np.linalg.solve(curve, x.T @ (n - mean) - prior * (mode - centre)), -1, 1
        )
    spare = max(len(n) - x.shape[1], 1)
    dispersion = (
        max(float(((n - mean) ** 2 / np.maximum(mean, 0.05)).sum() / spare), 1.0)
        if spare >= LEAST_CELLS
        else 1.0
    )
    drawn = rng.multivariate_normal(mode, _inverse(curve) * dispersion, draws)
    rate = np.exp(np.clip(drawn @ ahead.T, -12, 6))
    return rng.gamma(rate / (dispersion - 1), dispersion - 1) if dispersion > 1.05 else rate


def _inverse(curve):
    inverse = np.linalg.inv(curve)
    return (inverse + inverse.T) / 2


def _design(kinds, kind, age):
    """A level for each kind, and age about five years."""
    return np.column_stack(
        [kinds.get_indexer(kind)[:, None] == np.arange(len(kinds)), np.nan_to_num(age) - 5.0]
    ).astype(float)


def _cells(log, bills):
    """One row a vehicle and year of record: `vehicle, kind, age, years, n`."""
    fleet = log.tables["vehicles"].drop_duplicates("vehicle")
    first, last = log.first_day, log.as_of
    begin = fleet["acquired"].fillna(fleet["in_service"]).clip(lower=first)
    end = fleet["disposed"].clip(upper=last).fillna(last)
    count = max(int(np.ceil(((last - first).days + 1) / YEAR)), 1)
    edges = [last - pd.DateOffset(years=k) for k in range(count, -1, -1)]
    frames = []
    for a, b in itertools.pairwise(edges):
        start, stop = begin.clip(lower=a + pd.Timedelta(days=1)), end.clip(upper=b)
        years = ((stop - start).dt.days + 1).clip(lower=0) / YEAR
        age = ((start + (stop - start) / 2) - fleet["in_service"]).dt.days / YEAR
        inside = bills[(bills["date"] > a) & (bills["date"] <= b) & (bills["date"] >= first)]
        n = fleet["vehicle"].map(inside["vehicle"].value_counts()).fillna(0)
        frames.append(
            pd.DataFrame(
                {
                    "vehicle": fleet["vehicle"],
                    "kind": fleet["kind"],
                    "age": age,
                    "years": years,
                    "n": n,
                }
            )[years > 0]
        )
    return pd.concat(frames, ignore_index=True)


def draw_bills(rate, kept, bills, kind, as_of, months, rng):
    """(money, hours, unknown): two (draws, months) arrays, Poisson days of work, each with a bill of the log's last two years, of its kind
    where enough; and how many such days a year have no money, and no hours, since no bill tells any. What the log's bills leave unsure of
    their mean is in it (`_weighed`).

    rate: (draws, vehicles) a year; kept: (months,) chance that a vehicle is still here.
    """
    draws = len(rate)
    sums, unknown = np.zeros((2, draws, months)), [0.0, 0.0]
    recent = bills[bills["date"] > as_of - pd.Timedelta(days=RECENT_DAYS)]
    for name in pd.unique(kind):
        pool = next(
            p
            for p in (recent[recent["kind"].eq(name)], recent, bills)
            if len(p) >= LEAST_BILLS or p is bills
        )
        if not len(pool):
            continue
        mine = rate[:, np.asarray(kind == name)].sum(axis=1)
        count = rng.poisson(mine[:, None] * kept / months)
        where = np.repeat(np.arange(count.size), count.ravel())
        for i, column in enumerate(("amount", "hours")):
            known = pool[column].dropna().to_numpy()
            if len(known):
                drawn = _weighed(known, where // months, draws, rng)
                sums[i] += np.bincount(where, drawn, count.size).reshape(count.shape)
            else:
                unknown[i] += len(where) / draws
    return *sums, unknown


def _weighed(known, draw, draws, rng):
    """A bill for each entry of `draw` (the number of its draw): each draw has weights of its own over the bills on record (the Bayesian
    bootstrap: Rubin 1981, from memory), and over PRIOR_BILLS more of the log's mean but spread as repair bills are, larger ones among
    them."""
    if len(known) > MANY_BILLS:
        return known[rng.integers(0, len(known), len(draw))]
    usual = np.exp(PRIOR_BILL_SD * stats.norm.ppf((np.arange(9) + 0.5) / 9))
    amounts = np.append(known, known.mean() * usual / usual.mean())
    shape = np.append(np.ones(len(known)), np.full(len(usual), PRIOR_BILLS / len(usual)))
    upto = np.cumsum(rng.standard_gamma(shape, (draws, len(shape))), axis=1)
    upto = upto / upto[:, -1:] + np.arange(draws)[:, None]
    at = np.searchsorted(upto.ravel(), draw + rng.random(len(draw)), "right")
    return amounts[np.minimum(at - draw * len(shape), len(shape) - 1)]
