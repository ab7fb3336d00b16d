"""Last year's outlook, made from the log as it stood then, beside what came."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import items, occasions
from wearbar.outlook.learn import corrected, learned
from wearbar.outlook.paths import month_edges
from wearbar.outlook.prices import CLASSES, classed

RECORD_DAYS, MOST_YEARS = 365, 3  # before an outlook; replayed
NAMES = ("jobs", "hours", "money", *CLASSES)


@dataclass(frozen=True, eq=False)
class LastYear:
    """as_of: the day of that outlook. months: one row a month, `month`, and for jobs, hours and money what was foreseen (`jobs, jobs_low,
    jobs_high`), what came (`jobs_actual`) and what the year before had (`jobs_before`). totals: one row a figure (jobs, hours, money, and
    the classes of money): `what, forecast, low, high, actual, before, is_inside, is_known` (both known). joined: money spent on
    vehicles that were not there yet; left: vehicles that left. learning: of `learn.learned`, by this year and those before it; n_earlier:
    years before it whose outlooks corrected this one.
    """

    as_of: pd.Timestamp
    months: pd.DataFrame
    totals: pd.DataFrame
    joined: float
    n_joined: int
    n_left: int
    confidence: float
    learning: pd.DataFrame | None = None
    n_earlier: int = 0

    def is_known(self, name):
        """Whether both sides are known, and one of them is not nil."""
        row = self.totals.set_index("what").loc[name]
        return bool(row["is_known"] and (row["forecast"] > 0 or row["actual"] > 0))

    def inside(self, name):
        """(months whose figure lay within its band, months)."""
        m = self.months
        return int(m[f"{name}_actual"].between(m[f"{name}_low"], m[f"{name}_high"]).sum()), len(m)

    def off(self, name):
        """Mean distance, by month, between what came and what was foreseen, and what the year before had."""
        m = self.months
        return tuple(
            float((m[f"{name}_actual"] - m[name + other]).abs().mean()) for other in ("", "_before")
        )


def actual_year(log, found, table, worn, start, vehicles):
    """What came in the twelve months after day `start`: dict of (12,) arrays by month, of jobs, hours and the classes of money, of these
    vehicles. NaN: hours where there was work and no row of it tells any, jobs where neither plan nor certificate asks for any, money where
    the log has no work and no part.
    """
    edges, _ = month_edges(start)

    def month(dates):
        return np.searchsorted(edges, (dates - start).dt.days - 1, "right") - 1

    done = (
        _own(log, found[found["done_date"].notna() & found["vehicle"].isin(vehicles)])
        if len(found)
        else found
    )
    tests = table[
        table["what"].eq("certificate")
        & table["done_date"].notna()
        & table["vehicle"].isin(vehicles)
    ]
    dates = pd.concat([done["done_date"], tests["done_date"]]) if len(found) else tests["done_date"]
    is_asked = len(found) > 0 or table["what"].eq("certificate").any()
    got = {"jobs": _sums(month(dates), np.ones(len(dates))) + (0.0 if is_asked else np.nan)}
    lines = classed(log, worn)
    nil = 0.0 if len(lines) else np.nan
    lines = lines[lines["vehicle"].isin(vehicles) & lines["what"].ne("")]
    at = month(lines["date"])
    year = lines[lines["source"].eq("work") & (at >= 0) & (at < 12)]
    is_blank = len(year) > 0 and year["hours"].isna().all()
    got["hours"] = nil + np.where(
        is_blank, np.nan, _sums(at, lines["hours"].fillna(0.0).to_numpy())
    )
    for what in CLASSES:
        got[what] = nil + _sums(
            at, np.where(lines["what"].eq(what), lines["amount"].fillna(0.0), 0.0)
        )
    return got | {"money": sum(got[what] for what in CLASSES)}


def _own(log, done):
    """The occasions that were done for themselves: not those that other work did along with it."""
    work, fitted = log.tables["work"], log.tables["fitted"]
    part = log.plan.tasks[["code", "fits"]].drop_duplicates().set_axis(["task", "category"], axis=1)
    put_on = (
        fitted[["vehicle", "fitted", "category"]]
        .merge(part, on="category")
        .rename(columns={"fitted": "date"})
    )
    keys = pd.concat(
        [work[["vehicle", "date", "task"]], put_on[["vehicle", "date", "task"]]]
    ).drop_duplicates()
    return done[
        pd.MultiIndex.from_frame(done[["vehicle", "done_date", "task"]]).isin(
            pd.MultiIndex.from_frame(keys)
        )
    ]


def _sums(month, values):
    inside = (month >= 0) & (month < 12)
    return np.bincount(month[inside], values[inside], 12)


def replayed(log, test, replay, outlook_of, by_month, total, confidence, rng, draws):
    """`LastYear`, or None where the record is too short. See `outlook.last_year`."""
    starts = [log.as_of - pd.DateOffset(years=k) for k in range(1, MOST_YEARS + 1)]
    starts = [start for start in starts if (start - log.first_day).days >= RECORD_DAYS]
    if not starts:
        return None
    readings = usage.readings(log)
    found = occasions(log, readings)
    table = items(log, found, readings)
    years = [
        _replay(log, test, replay, outlook_of, found, table, start, rng, draws, confidence)
        for start in starts
    ]
    sums = [
        (
            {n: o.simulated.totals[n].sum(axis=1) for n in CLASSES},
            {n: year[n].sum() for n in CLASSES},
        )
        for o, year, _, _ in years
    ]
    outlook, year, then, worn = years[0]
    outlook = replace(outlook, simulated=corrected(outlook.simulated, learned(sums[1:]), rng))
    start, fleet, names = starts[0], then.tables["vehicles"], log.tables["vehicles"]["vehicle"]
    before = actual_year(
        log, found, table, worn, start - pd.DateOffset(years=1), _there(then, start)
    )
    for one in (year, before):  # as the forecast has it
        one["money"] = sum(one[c] for c in CLASSES if c not in outlook.simulated.thin)
    months = by_month(outlook)
    months = months.assign(
        **{f"{n}_actual": year[n] for n in NAMES[:3]},
        **{f"{n}_before": before[n] for n in NAMES[:3]},
    )
    estimates = {name: total(outlook, name) for name in NAMES}
    totals = pd.DataFrame(
        [(n, e.value, e.low, e.high, year[n].sum(), before[n].sum()) for n, e in estimates.items()],
        columns=["what", "forecast", "low", "high", "actual", "before"],
    )
    totals["is_inside"] = totals["actual"].between(totals["low"], totals["high"])
    totals["is_known"] = totals[["forecast", "actual"]].notna().all(axis=1)
    joined = [v for v in names if v not in set(fleet["vehicle"])]
    spent = actual_year(log, found, table, worn, start, joined)["money"]
    left = int(
        log.tables["vehicles"]["disposed"].between(start + pd.Timedelta(days=1), log.as_of).sum()
    )
    return LastYear(
        start,
        months,
        totals,
        float(np.nansum(spent)),
        len(joined),
        left,
        confidence,
        learned(sums),
        len(years) - 1,
    )


def _replay(log, test, replay, outlook_of, found, table, start, rng, draws, confidence):
    """(outlook of that day, corrected by nothing; what came; the log as it stood; categories whose wear is read)."""
    then = replay.at(start)
    names = set(log.tables["vehicles"]["vehicle"])
    then = then.only([v for v in then.tables["vehicles"]["vehicle"] if v in names])
    known, nothing = _known_then(test, start), learned([], ())
    outlook = outlook_of(
        then, whole=then, test=known, confidence=confidence, rng=rng, draws=draws, learning=nothing
    )
    worn = {
        *outlook.sets.rows["category"],
        *(b for others in outlook.prices.companions.values() for b in others),
    }
    return outlook, actual_year(log, found, table, worn, start, _there(then, start)), then, worn


def _there(then, start):
    fleet = then.tables["vehicles"]
    return fleet.loc[~fleet["disposed"].le(start), "vehicle"]


def _known_then(test, start):
    """The choice of method and widening that could be made by that day."""
    if test is None or not len(test.choices):
        return None
    known = test.choices[test.choices["cut"] <= start]
    if not len(known):
        return None
    last = known.iloc[-1]
    return replace(test, used=last["method"], widen=last["widen"], common_sd=last["common_sd"])
