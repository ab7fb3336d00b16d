"""The year ahead of a log: work by month, task and site, hours and money, each with its range."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.outlook.ahead import Ahead, work_ahead
from wearbar.outlook.parts import Sets, sets_of
from wearbar.outlook.prices import CLASSES, Prices, prices_of
from wearbar.outlook.simulate import MONTHS, Simulated, simulate
from wearbar.stats.estimate import SMALL_SITE, Estimate
from wearbar.usage.backtest import best_model
from wearbar.usage.distance import days_later
from wearbar.usage.forecast import chance_due, due_dates
from wearbar.usage.model import UsageModel

DRAWS = 400
YEAR_DAYS, QUARTER_DAYS = 365, 91  # a year's total needs a year of record, a month's three months
HORIZON_DAYS = (30, 90, 180, 365)
# of the log of what comes over what was forecast: judgement, tried in tests/reference/coverage.md
PRIOR_SD = {"planned": 0.08, "wear": 0.10, "unplanned": 0.20, "other": 0.50}
COUNTED = ("jobs", "hours")  # of what was forecast, what has no prior
FEW_PIECES_SD = 0.8  # over the root of the parts on record: what they leave unsure of lives here
FAR = np.log(2)  # forecasts of counts that were out by this, on the log scale, tell no range
CHANCE = 0.4  # how often chance alone misses by less than what is put down to it: tried there too
OWN_YEAR = 0.5  # sd of a year's own part, as a share of that of the bias
UNITS = {"jobs": "", "hours": "hours", "km": "km"}  # of totals; others are money


@dataclass(frozen=True, eq=False)
class Outlook:
    """The year ahead of a log."""

    model: UsageModel
    ahead: Ahead
    sets: Sets
    prices: Prices
    simulated: Simulated
    as_of: pd.Timestamp
    confidence: float
    record_days: int  # of the log
    raw: Simulated  # before past years corrected it

    @property
    def has_year(self):
        return self.record_days >= YEAR_DAYS

    @property
    def has_months(self):
        return self.record_days >= QUARTER_DAYS


def rng_of(log):
    """A generator seeded from what the log says: the same log, the same figures."""
    return np.random.default_rng(int(log.sha256[:15] or "0", 16))


def outlook_of(
    log, whole=None, test=None, confidence=0.9, rng=None, draws=DRAWS, learning=None, change=None
):
    """The `Outlook` of a log.

    whole: the log before it was cut, whose use is what is usual. test: of `backtest.back_test`.
    learning: what past outlooks were out by (`LastYear.learning`); None: the usual; empty: nothing.
    change: a function that gives model, work ahead, sets and prices as they would be otherwise.
    """
    model = best_model(log if whole is None else whole, test)
    ahead, sets = work_ahead(log), sets_of(log)
    prices = prices_of(log, frozenset(sets.rows["category"]))
    if change:
        model, ahead, sets, prices = change(model, ahead, sets, prices)
    rng, common_sd = rng or rng_of(log), 0.0 if test is None else test.common_sd
    raw = simulate(log, model, ahead, sets, prices, rng, draws, common_sd)
    told = corrected(raw, learned([]) if learning is None else learning, rng)
    return Outlook(model, ahead, sets, prices, told, log.as_of, confidence, log.record_days, raw)


def draws_of(outlook):
    """The simulated years, a row a draw and month (its first day): `draw, month, jobs, hours, km`,
    the classes of money, `money`, the sum of those with enough bills; NaN where not known."""
    told = outlook.simulated
    parts = {name: [name] for name in ("jobs", "hours", "km", *CLASSES)}
    parts["money"] = [name for name in CLASSES if name not in told.thin]
    n = len(told.by_row)
    rows = {"draw": np.repeat(np.arange(n), MONTHS), "month": np.tile(told.starts, n)}
    for name, of in parts.items():
        values = sum(told.totals[one] for one in of)
        is_blank = any(told.unknown.get(one) for one in of) or told.blind.issuperset(of)
        is_known = name not in told.thin and (values.any() or not is_blank)
        rows[name] = np.where(is_known, values, np.nan).ravel()
    return pd.DataFrame(rows)


def _bands(values, outlook, is_known=True):
    """The mean of each column over the draws, a frame's rows, and its limits, which are values
    drawn, on both sides of it: a row a column, `mean, low, high`."""
    mean, slack = values.mean(), 1e-9 * (1 + values.mean().abs())
    low = np.quantile(values, (1 - outlook.confidence) / 2, axis=0, method="lower")
    high = np.quantile(values, (1 + outlook.confidence) / 2, axis=0, method="higher")
    low = np.minimum(low, values.where(values <= mean + slack).max())
    high = np.maximum(high, values.where(values >= mean - slack).min())
    made = pd.DataFrame({"mean": mean, "low": low, "high": high})
    return made if is_known else made.assign(**dict.fromkeys(made, np.nan))


def by_month(outlook, draws=None):
    """One row a month: `month` (its first day) and `jobs, hours, money` with `_low, _high`.

    Means of the simulated totals and their limits; NaN: not known, or under three months of record.
    """
    draws, parts = draws_of(outlook) if draws is None else draws, []
    for name in ("jobs", "hours", "money"):
        values = draws.pivot(index="draw", columns="month", values=name)
        band = _bands(values, outlook, outlook.has_months)
        if name in outlook.simulated.far:
            band[["low", "high"]] = np.nan
        parts.append(band.set_axis([name, f"{name}_low", f"{name}_high"], axis=1))
    return pd.concat(parts, axis=1).reset_index()


def totals(outlook, names, draws=None):
    """The year's total of each name (jobs, hours, km, money or a class of it): an `Estimate` each.

    NaN where nothing is known, or the record is shorter than a year. draws: of `draws_of`.
    """
    draws, made = draws_of(outlook) if draws is None else draws, {}
    years = draws.groupby("draw")[list(names)].sum(min_count=1)
    for name, band in _bands(years, outlook, outlook.has_year).iterrows():
        note = "" if years[name].notna().all() else "neither the log nor the plan says"
        note = note if outlook.has_year else "a year's total needs a year of record"
        told = {"unit": UNITS.get(name, "money"), "method": f"{len(years)} simulated years"}
        if name in outlook.simulated.far:
            band[["low", "high"]], note = np.nan, "past years were too far off for a range"
        rests_on = outlook.confidence, len(outlook.ahead.rows)
        made[name] = Estimate(*band.tolist(), *rests_on, **told, note=note)
    return made


def _summed(values, by, outlook, is_known=True):
    """`_bands` of (draws, rows) values summed by group of rows; none in too short a record."""
    sums = pd.DataFrame(values.T, dtype=float).groupby(by.fillna("").astype(str).to_numpy()).sum()
    made = _bands(sums.T, outlook, is_known).rename_axis(by.name).reset_index()
    return made.head(len(made) * outlook.has_year)


def by_task(outlook):
    """Doings in the year by task, most first: `task, jobs, low, high, each_hours, each_cost`; none
    where the record is shorter than a year."""
    made = _summed(outlook.simulated.by_row, outlook.ahead.rows["task"], outlook)
    each = outlook.prices.tasks.groupby(level=-1)[["hours", "amount"]].mean()
    each = each.set_axis(["each_hours", "each_cost"], axis=1)
    made = made.rename(columns={"mean": "jobs"}).join(each, on="task")
    return made.sort_values("jobs", ascending=False, ignore_index=True)


def by_site(outlook):
    """Labour hours of planned work and of fitting parts in the year, by site with work ahead:
    `site, hours, low, high, vehicles`; no figures of a site too small to show."""
    rows, sets, told = outlook.ahead.rows, outlook.sets.rows, outlook.simulated
    each = outlook.prices.of_pieces(sets)["hours"] * sets["size"]
    each = np.append(outlook.prices.of_tasks(rows)["hours"], each).astype(float)
    hours = np.hstack([told.by_row, told.sets]) * np.nan_to_num(each)
    is_known = draws_of(outlook)["hours"].notna().all()
    site = pd.Series([*rows["site"], *sets["site"]], name="site", dtype=object)
    made = _summed(hours, site, outlook, is_known)
    n = rows.drop_duplicates("vehicle")["site"].fillna("").value_counts().rename("vehicles")
    made = made.rename(columns={"mean": "hours"}).merge(n, on="site")
    is_shown, shown = (made["vehicles"] >= SMALL_SITE) | (len(made) == 1), ["hours", "low", "high"]
    made[shown] = made[shown].where(is_shown)
    return made.assign(site=made["site"].replace("", "not known"))


def next_work(outlook):
    """When each task next falls due, the soonest first.

    Frame `vehicle, site, task, position, safety, due_date, low_date, high_date, within_30 ...
    within_365` (chances that its due point will have been reached).
    """
    model, rows, as_of = outlook.model, outlook.ahead.rows, outlook.as_of
    rows = rows.assign(due_date=days_later(as_of, rows["due_day"].replace(np.inf, np.nan)))
    found = due_dates(model, rows, outlook.confidence).add_suffix("_date")
    made = rows[["vehicle", "site", "task", "position", "safety"]]
    made = made.join(found.rename(columns={"date_date": "due_date"}))
    for days in HORIZON_DAYS:
        made[f"within_{days}"] = chance_due(model, rows, as_of + pd.Timedelta(days=days))
    by = ["due_date", "vehicle", "task", "position"]
    return made.sort_values(by, kind="stable", ignore_index=True)


def learned(years):
    """What past outlooks were out by: frame indexed by class of money, jobs and hours, `mean, sd`
    of the log of the next year's over its forecast, and `n`, the years that tell.

    Each year tells how much came for each unit forecast. Money: a bias that years share, and a part
    of each year's own; both have a stated prior: one year with few bills moves little, three with
    many move much. Normal posterior of the bias. Jobs and hours have no prior. Their mean square
    miss beyond what the bands alone exceed in 1 - CHANCE of n years is the excess: all of it widens
    the bands, by Student's t with n degrees of freedom over the normal, since so few misses tell
    their own spread poorly; half of it counts as shared by years, and moves them (empirical Bayes).
    In simulation 90% then hold 88 to 96 times in 100 (tests/reference/coverage.md). Years that were
    out by `FAR` have an sd of inf: a log of other work than the plan's tells no range.
    years: list of (`Simulated.totals` of that year, `actual_year`).
    """
    rows = {}
    for name in (*PRIOR_SD, *COUNTED):
        told = []
        for drawn, came in years:
            year, actual = drawn[name].sum(axis=1), np.sum(came[name])
            forecast, spread = year.mean(), year.std()
            if np.isfinite(actual) and forecast > 0:
                variance = (spread / forecast) ** 2
                # as if that much more of both: nil is no ratio of nought
                held = forecast * variance
                told.append((np.log((actual + held) / (forecast + held)), np.log1p(variance)))
        ratio, variance = np.array(told, dtype=float).reshape(-1, 2).T
        n = len(told)
        if name in COUNTED and not n:
            rows[name] = 0.0, 0.0, n
        elif name in COUNTED and (ratio**2).mean() > FAR**2:
            rows[name] = 0.0, np.inf, n
        elif name in COUNTED:
            excess = max((ratio**2).mean() - stats.chi2.ppf(CHANCE, n) / n * variance.mean(), 0.0)
            worth = 1 + 2 * variance.mean() / excess if excess else np.inf
            wider = stats.t.ppf(0.95, n) / stats.norm.ppf(0.95)
            rows[name] = ratio.mean() / (1 + worth / n), wider * np.sqrt(excess), n
        else:
            own_variance = (OWN_YEAR * PRIOR_SD[name]) ** 2
            worth, precision = 1 / (variance + own_variance), PRIOR_SD[name] ** -2
            precision = precision + worth.sum()
            sd = np.sqrt(1 / precision + own_variance)
            rows[name] = (ratio * worth).sum() / precision, sd, n
    made = dict(zip(("mean", "sd", "n"), zip(*rows.values(), strict=True), strict=True))
    return pd.DataFrame(made, pd.Index(list(rows), name="what"))


def corrected(told, learning, rng):
    """`Simulated` with each class of money moved and widened as `learned` says, a year alike; jobs
    and hours by what their years differ from the mean, so that no year's band is narrower than it
    was. Those past years were too far off for stand as they are, and are `far`."""
    totals, sds = dict(told.totals), learning["sd"].to_numpy(dtype=float)
    far = frozenset(learning.index[np.isinf(sds)])
    for name, bias, sd in zip(learning.index, learning["mean"].to_numpy(), sds, strict=True):
        if name in far or not sd > 0:
            continue
        drawn, n = totals[name], len(totals[name])
        if name in COUNTED:
            year, mean = drawn.sum(axis=1), drawn.mean(axis=0)
            wider = np.hypot(1.0, sd * year.mean() / max(year.std(), 1e-9)) - 1
            more = wider * (year - year.mean())[:, None] / max(year.mean(), 1e-9)  # a year alike
            moved = np.maximum(drawn + mean * (np.expm1(bias) + more), 0.0)
            asked = year.mean() * np.exp(bias)  # which what is cut off at nil would raise
            totals[name] = moved * (asked / max(moved.sum(axis=1).mean(), 1e-9))
        else:
            few = FEW_PIECES_SD / np.sqrt(max(told.bills["wear"], 1)) if name == "wear" else 0.0
            noise = np.hypot(sd, few) * rng.standard_normal((n, 1))
            totals[name] = drawn * np.exp(bias + noise)
    return replace(told, totals=totals, far=far)
