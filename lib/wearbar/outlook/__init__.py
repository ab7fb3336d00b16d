"""What the next year will need: work by month with its chances, visits, parts to order, hours and money, and how well the last outlook
did.

`ahead` has the work ahead, `simulate` the year many times over, `parts` the parts, `prices` what work costs here, `lastyear` the outlook
as it would have been a year ago. Forecasts are by the method that `wearbar.usage.backtest` chose, widened as it found.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import SMALL_SITE, items, occasions
from wearbar.log.schema import TEXT
from wearbar.outlook.ahead import Ahead, visit_jobs, work_ahead
from wearbar.outlook.lastyear import LastYear, came, replayed
from wearbar.outlook.learn import corrected, learned
from wearbar.outlook.parts import Sets, order_list, packs, sets_of
from wearbar.outlook.prices import CLASSES, Prices, classed, prices_of
from wearbar.outlook.simulate import Simulated, simulate
from wearbar.outlook.urgent import at_once, with_more
from wearbar.outlook.visits import VisitPlan, plan_visits
from wearbar.stats.estimate import Estimate
from wearbar.usage.backtest import best_model
from wearbar.usage.distance import days_later
from wearbar.usage.forecast import UsageModel, chance_due, due_dates

__all__ = [
    "CLASSES",
    "Ahead",
    "LastYear",
    "Outlook",
    "Prices",
    "Sets",
    "Simulated",
    "VisitPlan",
    "by_month",
    "by_site",
    "by_task",
    "came",
    "classed",
    "last_year",
    "learned",
    "next_work",
    "order_list",
    "outlook_of",
    "packs",
    "plan_of_visits",
    "rng_of",
    "shown_visits",
    "total",
    "totals",
    "waiting",
]  # fmt: skip

DRAWS = 400
YEAR_DAYS, QUARTER_DAYS = 365, 91  # a year's total needs a year of record, a month's three months
LOOKS = (30, 90, 180, 365)
FAR_DAYS = 36_525
LOT = 150  # vehicles at once


@dataclass(frozen=True, eq=False)
class Outlook:
    """The year ahead of a log: `model` (of use), `ahead` (the work), `sets` (parts), `prices`,
    `told` (simulated), as_of, confidence, record_days (`ServiceLog.record_days`).
    """

    model: UsageModel
    ahead: Ahead
    sets: Sets
    prices: Prices
    told: Simulated
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


def outlook_of(
    log, whole=None, test=None, confidence=0.9, rng=None, draws=DRAWS, choice=None, learning=None
):
    """The `Outlook` of a log. whole: the log before it was cut to some vehicles, whose use says what is usual. test: of
    `backtest.back_test`. learning: what past outlooks were out by (`LastYear.learning`); None: what is usual; an empty frame: nothing.
    """
    whole = log if whole is None else whole
    readings = usage.readings(log)
    model = best_model(whole, usage.readings(whole), test if choice is None else choice)
    found = occasions(log, readings)
    ahead = work_ahead(log, found, items(log, found, readings), readings)
    sets = sets_of(log, readings)
    worn = tuple(sorted(sets.rows["category"].unique())) if len(sets.rows) else ()
    prices = prices_of(log, found, worn)
    rng = rng or rng_of(log)
    told = simulate(
        log, model, ahead, sets, prices, rng, draws, test.common_sd if test is not None else 0.0
    )
    told = corrected(told, learned([]) if learning is None else learning, rng)
    return Outlook(model, ahead, sets, prices, told, log.as_of, confidence, log.record_days)


def by_month(outlook):
    """One row a month: `month` (its first day) and `jobs, hours, money` with `_low, _high`: means of the simulated totals, and their limits
    as of `_band`; NaN where nothing is known, or the record is shorter than three months.
    """
    rows = {"month": outlook.told.starts}
    for name in ("jobs", "hours", "money"):
        values, is_known = _of(outlook.told, name)
        band = _band(values, is_known and outlook.has_months, outlook.confidence)
        rows |= dict(zip((name, f"{name}_low", f"{name}_high"), band, strict=True))
    return pd.DataFrame(rows)


def _of(told, name):
    """(simulated totals by month, whether any of it is known) of jobs, hours, km, money or a class of it."""
    if name in told.thin:
        return told.totals[name], False
    names = [c for c in CLASSES if c not in told.thin] if name == "money" else [name]
    values = sum(told.totals[n] for n in names)
    is_blank = sum(told.untold.get(n, 0.0) for n in names) > 0 or told.blind.issuperset(names)
    return values, bool(values.any()) or not is_blank


def _band(values, is_known, confidence):
    """(means, lower limits, upper limits) over the draws, limits that were drawn: quantiles, or the next beyond a mean outside of them."""
    mean = values.mean(axis=0)
    low, high = (
        np.quantile(values, (1 + side * confidence) / 2, axis=0, method=m)
        for side, m in ((-1, "lower"), (1, "higher"))
    )
    slack = 1e-9 * (1 + np.abs(mean))
    low = np.minimum(low, np.where(values <= mean + slack, values, -np.inf).max(axis=0))
    high = np.maximum(high, np.where(values >= mean - slack, values, np.inf).min(axis=0))
    return tuple(np.where(is_known, x, np.nan) for x in (mean, low, high))


def total(outlook, name):
    """The year's total of jobs, hours, km, money or a class of it, as an `Estimate`; n: jobs in view.

    NaN where nothing is known, or the record is shorter than a year.
    """
    values, is_known = _of(outlook.told, name)
    shown = is_known and outlook.has_year
    value, low, high = (float(x) for x in _band(values.sum(axis=1), shown, outlook.confidence))
    unit = {"jobs": "", "hours": "hours", "km": "km"}.get(name, "money")
    method, note = (
        f"{len(values)} simulated years",
        "" if is_known else "neither the log nor the plan tells",
    )
    note = note if outlook.has_year else "a year's total needs a year of record"
    return Estimate(
        value,
        low,
        high,
        outlook.confidence,
        len(outlook.ahead.rows),
        unit=unit,
        method=method,
        note=note,
    )


def totals(outlook, names):
    """`total` of each name: dict."""
    return {name: total(outlook, name) for name in names}


def by_task(outlook):
    """Doings in the year by task: frame `task, jobs, low, high, hours_each, cost_each`, most first.

    No row where the record is shorter than a year.
    """
    values = outlook.told.by_task if outlook.has_year else outlook.told.by_task.iloc[:, :0]
    jobs, low, high = _band(values.to_numpy(), True, outlook.confidence)
    made = pd.DataFrame({"task": values.columns, "jobs": jobs, "low": low, "high": high})
    each = (
        outlook.prices.tasks[["hours", "amount"]].groupby(level=1).mean()
        if len(outlook.prices.tasks)
        else pd.DataFrame(columns=["hours", "amount"])
    )
    made = made.assign(
        each_hours=made["task"].map(each["hours"]), each_cost=made["task"].map(each["amount"])
    )
    return made.sort_values("jobs", ascending=False, ignore_index=True)


def by_site(outlook):
    """Labour hours of planned work and of fitting parts in the year by site: frame `site, hours, low, high, vehicles`; of one among
    several sites with fewer than SMALL_SITE vehicles none, since they could point at a person.
    """
    values = outlook.told.by_site
    is_known = _of(outlook.told, "hours")[1] and outlook.has_year
    hours, low, high = _band(values.to_numpy(), is_known, outlook.confidence)
    made = pd.DataFrame({"site": values.columns, "hours": hours, "low": low, "high": high})
    n = outlook.ahead.rows.drop_duplicates("vehicle")["site"].fillna("").value_counts()
    made["vehicles"] = made["site"].map(n)
    told = ["hours", "low", "high"]
    made[told] = made[told].where((made["vehicles"] >= SMALL_SITE) | (len(made) == 1))
    made = made if outlook.has_year else made.head(0)
    return made.assign(site=made["site"].replace("", "not known"))


def next_work(outlook):
    """When each task next falls due: frame `vehicle, site, task, position, due_date, low_date, high_date, within_30 ... within_365`
    (chances that its due point will have been reached), the soonest first. The date limit is certain, those of distance and hours are not.
    """
    rows, as_of = outlook.ahead.rows, outlook.as_of
    rows = rows.assign(
        due_date=days_later(as_of, rows["due_day"].where(rows["due_day"].abs() < FAR_DAYS))
    )
    found = due_dates(outlook.model, None, rows, as_of, outlook.confidence)
    made = rows[["vehicle", "site", "task", "position", "safety"]].copy()
    for name, column in (("due_date", "date"), ("low_date", "low"), ("high_date", "high")):
        made[name] = found[column]
    for days in LOOKS:
        made[f"within_{days}"] = chance_due(outlook.model, rows, as_of + pd.Timedelta(days=days))
    return made.sort_values(
        ["due_date", "vehicle", "task", "position"], kind="stable", ignore_index=True
    )


def plan_of_visits(outlook, todo=None):
    """The `visits.VisitPlan` of the year ahead; what `waiting` tells is not in it.

    todo: of `actionlist.actions`, told in words (`job`): what of it cannot wait is done at the
    first visit of its vehicle, or on the day that its lay-up ends.
    """
    rows, more = outlook.ahead.rows, at_once(outlook.ahead, todo)
    key = pd.MultiIndex.from_frame(rows[["plan", "task"]])
    amounts = (
        outlook.prices.tasks["amount"].reindex(key).to_numpy(dtype=float)
        if len(outlook.prices.tasks)
        else np.full(len(key), np.nan)
    )
    names = list(dict.fromkeys([*rows["vehicle"], *more["vehicle"]]))
    plans = []
    for at in range(0, max(len(names), 1), LOT):
        some = names[at : at + LOT]
        jobs = visit_jobs(outlook.ahead, outlook.model, outlook.as_of, amounts, some)
        plans.append(plan_visits(with_more(jobs, more[more["vehicle"].isin(some)])))
    jobs = pd.concat([p.jobs for p in plans], ignore_index=True)
    return VisitPlan(
        jobs,
        *(sum(getattr(p, name) for p in plans) for name in ("n_visits", "n_single", "n_own_day")),
    )


def shown_visits(table, outlook):
    """The rows of visits that the record carries: a year's, or the next three months'."""
    until = outlook.as_of + pd.Timedelta(days=QUARTER_DAYS)
    return table if outlook.has_year else table[table["date"] <= until]


def waiting(outlook, todo=None):
    """The work due by now of vehicles laid up without an end on record: frame `vehicle, task, position`; task "" where none of it is.

    todo: as of `plan_of_visits`.
    """
    rows = outlook.ahead.rows[np.isinf(outlook.ahead.rows["wait_days"])]
    due = rows["due_day"] <= 0
    for meter, column in ((outlook.model, "due_km"), (outlook.model.hours, "due_hours")):
        due |= (
            False
            if meter is None
            else rows[column] <= rows["vehicle"].map(meter.vehicles["last_km"])
        )
    rows = rows.assign(task=rows["task"].where(due, ""), position=rows["position"].where(due, ""))
    more = at_once(outlook.ahead, todo)
    more = more[np.isinf(more["day"])]
    rows = rows[~(rows["task"].eq("") & rows["vehicle"].isin(more["vehicle"]))]
    kept = rows["task"].ne("") | ~rows["vehicle"].isin(rows.loc[rows["task"].ne(""), "vehicle"])
    names = ["vehicle", "task", "position"]
    both = [t[names].astype(TEXT) for t in (more, rows[kept])]
    return pd.concat([t for t in both if len(t)] or both[:1]).drop_duplicates(ignore_index=True)


def last_year(log, test, replay, confidence=0.9, rng=None, draws=DRAWS):
    """The `LastYear` of a log: its outlook of a year ago, from the log as it stood then, beside what came. None where the record is too
    short.
    """
    return replayed(
        log, test, replay, outlook_of, by_month, total, confidence, rng or rng_of(log), draws
    )
