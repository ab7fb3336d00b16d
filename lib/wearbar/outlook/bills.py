"""Work that nobody planned: how often by kind and age of vehicle, and what a day of it costs."""

import numpy as np
import pandas as pd
from scipy import stats

RECENT_DAYS, LEAST_BILLS, LEAST_CELLS, YEAR = 730, 20, 10, 365.25
PRIOR_LEVEL_SD, PRIOR_AGE_SD = 1.0, 0.15  # of the log rate; of its rise a year of age: judgement
# bills that usual ones are worth, and the sd of their log: judgement
PRIOR_BILLS, PRIOR_BILL_SD, MANY_BILLS = 2.0, 1.0, 2000


def visit_rates(log, bills, vehicles, rng, draws):
    """Days of such work in the year ahead by vehicle: (draws, vehicles) means.

    A Poisson regression on the vehicles' years of record: a level for each kind and one rise with
    age, with normal priors; each draw has its own parameters, from the normal about their mode;
    what counts vary beyond that (Pearson) is a gamma draw by vehicle.
    """
    cells, fleet = _cells(log, bills), log.tables["vehicles"].set_index("vehicle")
    kinds = pd.Index(sorted(fleet["kind"].dropna().unique()))
    fleet = fleet.reindex(vehicles)
    age = (log.as_of - fleet["in_service"]).dt.days / YEAR + 0.5
    x, ahead = _design(kinds, cells["kind"], cells["age"]), _design(kinds, fleet["kind"], age)
    n, years = cells["n"].to_numpy(dtype=float), cells["years"].to_numpy()
    if not years.sum() > 0:
        return np.zeros((draws, len(vehicles)))
    start = np.log((n.sum() + 0.5) / years.sum())
    prior = np.append(np.full(len(kinds), PRIOR_LEVEL_SD), PRIOR_AGE_SD) ** -2.0
    centre = mode = np.append(np.full(len(kinds), start), 0.0)
    for _ in range(30):
        mean = years * np.exp(np.clip(x @ mode, -12, 6))
        curve = (x * mean[:, None]).T @ x + np.diag(prior)
        slope = x.T @ (n - mean) - prior * (mode - centre)
        mode = mode + np.clip(np.linalg.solve(curve, slope), -1, 1)
    spare, dispersion = max(len(n) - x.shape[1], 1), 1.0
    if spare >= LEAST_CELLS:
        dispersion = max(((n - mean) ** 2 / np.maximum(mean, 0.05)).sum() / spare, 1.0)
    variance = np.linalg.inv(curve)
    variance = (variance + variance.T) / 2 * dispersion
    drawn = rng.multivariate_normal(mode, variance, draws)
    rate = np.exp(np.clip(drawn @ ahead.T, -12, 6))
    return rng.gamma(rate / (dispersion - 1), dispersion - 1) if dispersion > 1.05 else rate


def _design(kinds, kind, age):
    """A level for each kind, and age about five years."""
    level = kinds.get_indexer(kind)[:, None] == np.arange(len(kinds))
    return np.column_stack([level, np.nan_to_num(age) - 5.0]).astype(float)


def _cells(log, bills):
    """One row a vehicle and year of record: `vehicle, kind, age, years, n`."""
    n_years = max(int(np.ceil(((log.as_of - log.first_day).days + 1) / YEAR)), 1)
    ends = [log.as_of - pd.DateOffset(years=k) for k in range(n_years, -1, -1)]
    years = pd.DataFrame({"year": range(n_years), "after": ends[:-1], "to": ends[1:]})
    fleet = log.tables["vehicles"][["vehicle", "kind", "in_service"]].join(log.record_periods)
    cells = years.merge(fleet, how="cross")
    bills = bills[bills["date"] >= log.first_day]
    year = pd.cut(bills["date"], ends, labels=False).rename("year")
    cells = cells.join(bills.groupby([year, "vehicle"]).size().rename("n"), on=["year", "vehicle"])
    start = cells["begin"].clip(lower=cells["after"] + pd.Timedelta(days=1))
    days = cells["end"].clip(upper=cells["to"]) - start
    age = (start + days / 2 - cells["in_service"]).dt.days / YEAR
    cells = cells.assign(age=age, years=(days.dt.days + 1) / YEAR, n=cells["n"].fillna(0))
    return cells[cells["years"] > 0]


def draw_bills(rate, kept, bills, kind, as_of, rng):
    """(money, hours, unknown): two (draws, months) arrays, Poisson days of work, each with a bill
    of the log's last two years, of its kind where enough; and how many such days a year have no
    money, and no hours, since no bill tells any. What the log's bills leave unsure of their mean is
    in it (`_weighed`).

    rate: (draws, vehicles) a year; kept: (months,) chance that a vehicle is still here.
    """
    draws, months = len(rate), len(kept)
    sums, unknown = np.zeros((2, draws, months)), [0.0, 0.0]
    recent = bills[bills["date"] > as_of - pd.Timedelta(days=RECENT_DAYS)]
    for name in pd.unique(kind) if len(bills) else ():
        pools = (recent[recent["kind"].eq(name)], recent)
        pool = next((p for p in pools if len(p) >= LEAST_BILLS), bills)
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
    """A bill for each entry of `draw` (the number of its draw).

    Each draw has weights of its own over the bills on record (the Bayesian bootstrap: Rubin 1981,
    from memory), and over PRIOR_BILLS more of the log's mean but spread as repair bills are.
    """
    if len(known) > MANY_BILLS:
        return known[rng.integers(0, len(known), len(draw))]
    usual = np.exp(PRIOR_BILL_SD * stats.norm.ppf((np.arange(9) + 0.5) / 9))
    amounts = np.append(known, known.mean() * usual / usual.mean())
    shape = np.append(np.ones(len(known)), np.full(len(usual), PRIOR_BILLS / len(usual)))
    upto = np.cumsum(rng.standard_gamma(shape, (draws, len(shape))), axis=1)
    upto = upto / upto[:, -1:] + np.arange(draws)[:, None]
    at = np.searchsorted(upto.ravel(), draw + rng.random(len(draw)), "right")
    return amounts[np.minimum(at - draw * len(shape), len(shape) - 1)]
