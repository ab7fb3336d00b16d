"""The year ahead of a log: work by month, task and site, hours and money, each with its range."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import SMALL_SITE, items, occasions
from wearbar.outlook.ahead import Ahead, work_ahead
from wearbar.outlook.learn import corrected, learned
from wearbar.outlook.parts import Sets, sets_of
from wearbar.outlook.prices import CLASSES, Prices, prices_of
from wearbar.outlook.simulate import MONTHS, Simulated, simulate
from wearbar.stats.estimate import Estimate
from wearbar.usage.backtest import best_model
from wearbar.usage.distance import days_later
from wearbar.usage.forecast import UsageModel, chance_due, due_dates

DRAWS = 400
YEAR_DAYS, QUARTER_DAYS = 365, 91  # a year's total needs a year of record, a month's three months
HORIZON_DAYS = (30, 90, 180, 365)
FAR_DAYS = 36_525
UNITS = {"jobs": "", "hours": "hours", "km": "km"}  # of totals; others are money


@dataclass(frozen=True, eq=False)
class Outlook:
    """The year ahead of a log. record_days: `ServiceLog.record_days`."""

    model: UsageModel
    ahead: Ahead
    sets: Sets
    prices: Prices
    simulated: Simulated
    as_of: pd.Timestamp
    confidence: float
    record_days: int

    @property
    def has_year(self):
        """Whether the record is long enough for a year's totals."""
        return self.record_days >= YEAR_DAYS

    @property
    def has_months(self):
        """Whether it is long enough for a month's."""
        return self.record_days >= QUARTER_DAYS


def rng_of(log):
    """A generator seeded from what the log says: the same log, the same figures."""
    return np.random.default_rng(int(log.sha256[:15] or "0", 16))


def outlook_of(log, whole=None, test=None, confidence=0.9, rng=None, draws=DRAWS, learning=None):
    """The `Outlook` of a log.

    whole: the log before it was cut to some vehicles, whose use says what is usual. test: of
    `backtest.back_test`. learning: what past outlooks were out by (`LastYear.learning`); None: what
    is usual; an empty frame: nothing.
    """
    whole, readings = log if whole is None else whole, usage.readings(log)
    model = best_model(whole, usage.readings(whole), test)
    found = occasions(log, readings)
    ahead = work_ahead(log, found, items(log, found, readings), readings)
    sets = sets_of(log, readings)
    prices = prices_of(log, found, tuple(sorted(sets.rows["category"].unique())))
    rng, common_sd = rng or rng_of(log), 0.0 if test is None else test.common_sd
    told = simulate(log, model, ahead, sets, prices, rng, draws, common_sd)
    told = corrected(told, learned([]) if learning is None else learning, rng)
    return Outlook(model, ahead, sets, prices, told, log.as_of, confidence, log.record_days)


def draws_of(outlook):
    """The simulated years: a frame with one row a draw and month, `draw, month` (its first day),
    `jobs, hours, km`, the classes of money, `money` the sum of those with enough bills; NaN where
    nothing is known.
    """
    simulated = outlook.simulated
    n = len(simulated.totals["jobs"])
    rows = {"draw": np.repeat(np.arange(n), MONTHS), "month": np.tile(simulated.starts, n)}
    for name in ("jobs", "hours", "km", *CLASSES, "money"):
        values, is_known = _of(simulated, name)
        rows[name] = np.where(is_known, values, np.nan).ravel()
    return pd.DataFrame(rows)


def by_month(outlook, draws=None):
    """One row a month: `month` (its first day) and `jobs, hours, money` with `_low, _high`.

    Means of the simulated totals, and their limits as of `_band`; NaN where nothing is known, or
    the record is shorter than three months. draws: of `draws_of`.
    """
    draws = draws_of(outlook) if draws is None else draws
    rows = {"month": pd.DatetimeIndex(draws["month"].unique())}
    for name in ("jobs", "hours", "money"):
        values = draws.pivot(index="draw", columns="month", values=name).to_numpy()
        band = _band(values, outlook.has_months, outlook.confidence)
        rows |= dict(zip((name, f"{name}_low", f"{name}_high"), band, strict=True))
    return pd.DataFrame(rows)


def _of(told, name):
    """(simulated totals by month, whether any of it is known)."""
    if name in told.thin:
        return told.totals[name], False
    names = [c for c in CLASSES if c not in told.thin] if name == "money" else [name]
    values = sum(told.totals[n] for n in names)
    is_blank = sum(told.unknown.get(n, 0.0) for n in names) > 0 or told.blind.issuperset(names)
    return values, bool(values.any()) or not is_blank


def _band(values, is_known, confidence):
    """(means, lower, upper limits) over the draws: values drawn, on both sides of the mean."""
    mean = values.mean(axis=0)
    low, high = (
        np.quantile(values, (1 + side * confidence) / 2, axis=0, method=m)
        for side, m in ((-1, "lower"), (1, "higher"))
    )
    slack = 1e-9 * (1 + np.abs(mean))
    low = np.minimum(low, np.where(values <= mean + slack, values, -np.inf).max(axis=0))
    high = np.maximum(high, np.where(values >= mean - slack, values, np.inf).min(axis=0))
    return tuple(np.where(is_known, x, np.nan) for x in (mean, low, high))


def total(outlook, name, draws=None):
    """The year's total of jobs, hours, km, money or a class of it, as an `Estimate`; n: jobs in
    view.

    NaN where nothing is known, or the record is shorter than a year. draws: of `draws_of`.
    """
    draws = draws_of(outlook) if draws is None else draws
    years = draws.groupby("draw")[name].sum(min_count=1).to_numpy()
    limits = (float(x) for x in _band(years, outlook.has_year, outlook.confidence))
    note = "" if np.isfinite(years).all() else "neither the log nor the plan says"
    return Estimate(
        *limits,
        outlook.confidence,
        len(outlook.ahead.rows),
        unit=UNITS.get(name, "money"),
        method=f"{len(years)} simulated years",
        note=note if outlook.has_year else "a year's total needs a year of record",
    )


def totals(outlook, names, draws=None):
    """`total` of each name: dict."""
    draws = draws_of(outlook) if draws is None else draws
    return {name: total(outlook, name, draws) for name in names}


def _bands(values, name, is_known, outlook):
    """A row for each column of draws: `name`, its mean, `low, high`; none in too short a record."""
    band = _band(values.to_numpy(dtype=float), is_known, outlook.confidence)
    made = dict(zip(("mean", "low", "high"), band, strict=True))
    made = pd.DataFrame({name: values.columns} | made)
    return made if outlook.has_year else made.head(0)


def by_task(outlook):
    """Doings in the year by task: frame `task, jobs, low, high, each_hours, each_cost`, most first.

    No row where the record is shorter than a year.
    """
    tasks = outlook.ahead.rows["task"].fillna("").astype(str)
    values = pd.DataFrame(outlook.simulated.by_row.T).groupby(tasks).sum().T
    made = _bands(values, "task", True, outlook).rename(columns={"mean": "jobs"})
    each = outlook.prices.tasks.groupby(level=-1)[["hours", "amount"]].mean()
    for name, column in (("each_hours", "hours"), ("each_cost", "amount")):
        made[name] = made["task"].map(each[column])
    return made.sort_values("jobs", ascending=False, ignore_index=True)


def by_site(outlook):
    """Labour hours of planned work and of fitting parts in the year by site.

    Frame `site, hours, low, high, vehicles`; of one among several sites with fewer than SMALL_SITE
    vehicles none, since they could point at a person.
    """
    is_known = _of(outlook.simulated, "hours")[1]
    made = _bands(_hours_by_site(outlook), "site", is_known, outlook)
    made = made.rename(columns={"mean": "hours"})
    n = outlook.ahead.rows.drop_duplicates("vehicle")["site"].fillna("").value_counts()
    made["vehicles"], shown = made["site"].map(n), ["hours", "low", "high"]
    made[shown] = made[shown].where((made["vehicles"] >= SMALL_SITE) | (len(made) == 1))
    return made.assign(site=made["site"].replace("", "not known"))


def _hours_by_site(outlook):
    """A row a draw, a column a site with work ahead: of its jobs and of the sets renewed there."""
    rows, sets, told = outlook.ahead.rows, outlook.sets.rows, outlook.simulated
    piece = outlook.prices.piece(sets["kind"], sets["category"], sets["item"])["hours"]
    each = np.append(outlook.prices.task(rows)["hours"], piece * sets["size"])
    hours = np.hstack([told.by_row, told.sets]) * np.nan_to_num(each.astype(float))
    site, own = (s.fillna("").astype(str) for s in (rows["site"], sets["site"]))
    by = pd.DataFrame(hours.T).groupby(np.append(site, own)).sum()
    return by.reindex(np.unique(site)).T


def next_work(outlook):
    """When each task next falls due, the soonest first.

    Frame `vehicle, site, task, position, safety, due_date, low_date, high_date, within_30 ...
    within_365` (chances that its due point will have been reached). The date limit is certain,
    those of distance and hours are not.
    """
    rows, as_of = outlook.ahead.rows, outlook.as_of
    day = rows["due_day"].where(rows["due_day"].abs() < FAR_DAYS)
    rows = rows.assign(due_date=days_later(as_of, day))
    found = due_dates(outlook.model, None, rows, as_of, outlook.confidence)
    made = rows[["vehicle", "site", "task", "position", "safety"]].join(
        found.rename(columns={"date": "due_date", "low": "low_date", "high": "high_date"})
    )
    for days in HORIZON_DAYS:
        made[f"within_{days}"] = chance_due(outlook.model, rows, as_of + pd.Timedelta(days=days))
    by = ["due_date", "vehicle", "task", "position"]
    return made.sort_values(by, kind="stable", ignore_index=True)
