"""Last year's outlook, made from the log as it stood then, beside what came."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import items, occasions
from wearbar.log.keys import is_among
from wearbar.outlook.paths import MONTHS, month_edges
from wearbar.outlook.prices import CLASSES, classed
from wearbar.outlook.year import DRAWS, by_month, corrected, learned, outlook_of, rng_of, totals

RECORD_DAYS, MOST_YEARS = 365, 3  # before an outlook; replayed
BY_MONTH = ("jobs", "hours", "money")


@dataclass(frozen=True, eq=False)
class LastYear:
    """The outlook of a year ago beside what came.

    months: one row a month, `month`, and for jobs, hours and money the forecast (`jobs, jobs_low,
        jobs_high`), what came (`jobs_actual`) and the year before (`jobs_before`).
    totals: one row a figure, those and the classes of money: `what, forecast, low, high, actual,
        before, is_inside, is_known` (forecast and actual).
    """

    as_of: pd.Timestamp
    months: pd.DataFrame
    totals: pd.DataFrame
    joined: float  # money spent on vehicles not there yet
    n_joined: int
    n_left: int
    confidence: float
    learning: pd.DataFrame | None = None  # of `learned`, by this year and those before it
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
        """Mean distance by month of what came from the forecast, and from the year before."""
        m = self.months
        actual = m[f"{name}_actual"]
        return tuple(float((actual - m[name + other]).abs().mean()) for other in ("", "_before"))


def actual_year(log, found, table, worn, start, vehicles):
    """What came in the twelve months after day `start`, of these vehicles: dict of (12,) arrays by
    month, of jobs, hours and the classes of money.

    NaN: hours where there was work and no row of it tells any, jobs where neither plan nor
    certificate asks for any, money where the log has no work and no part.
    """
    edges, _ = month_edges(start)

    def sums(dates, values=None):
        """Values (1 each) summed by month."""
        at = np.searchsorted(edges, (dates - start).dt.days - 1, "right") - 1
        inside = (at >= 0) & (at < MONTHS)
        return np.bincount(at[inside], None if values is None else values[inside], MONTHS)

    tests = table[table["what"].eq("certificate")]
    done, tested = (f[f["done_date"].notna() & f["vehicle"].isin(vehicles)] for f in (found, tests))
    is_asked = len(found) + len(tests) > 0
    dates = pd.concat([_own(log, done)["done_date"], tested["done_date"]])
    got = {"jobs": sums(dates) + (0.0 if is_asked else np.nan)}
    lines = classed(log, worn)
    nil = 0.0 if len(lines) else np.nan
    lines = lines[lines["vehicle"].isin(vehicles) & lines["what"].ne("")]
    work = lines[lines["source"].eq("work")]
    is_blank = sums(work["date"]).any() and not sums(work["date"], work["hours"].notna()).any()
    got["hours"] = sums(lines["date"], lines["hours"].fillna(0.0)) + (np.nan if is_blank else nil)
    for what in CLASSES:
        some = lines[lines["what"].eq(what)]
        got[what] = nil + sums(some["date"], some["amount"].fillna(0.0))
    return got | {"money": sum(got[what] for what in CLASSES)}


def _own(log, done):
    """The occasions that were done for themselves: not those that other work did along with it."""
    part = log.plan_or_empty.tasks[["code", "fits"]].drop_duplicates()
    put_on = log.tables["fitted"].merge(part, left_on="category", right_on="fits")
    put_on = put_on.rename(columns={"fitted": "done_date", "code": "task"})
    did = log.tables["work"].rename(columns={"date": "done_date"})
    keys = ["vehicle", "done_date", "task"]
    return done[is_among(done, pd.concat([did[keys], put_on[keys]]), keys)]


def last_year(log, test, replay, confidence=0.9, rng=None, draws=DRAWS):
    """The `LastYear` of a log: its outlook of a year ago, from the log as it stood then, beside
    what came. None where the record is too short.

    test: of `backtest.back_test`, or None. replay: the log's `Replay`.
    """
    starts = [log.as_of - pd.DateOffset(years=k) for k in range(1, MOST_YEARS + 1)]
    starts = [start for start in starts if (start - log.first_day).days >= RECORD_DAYS]
    if not starts:
        return None
    readings, rng, fleet = usage.readings(log), rng or rng_of(log), log.tables["vehicles"]
    found = occasions(log, readings)
    came, years = (log, found, items(log, found, readings)), []
    for start in starts:
        then, known = replay.at(start), _known_then(test, start)
        names = then.tables["vehicles"]["vehicle"]
        then, nothing = then.only(names[names.isin(fleet["vehicle"])]), learned([]).head(0)
        told = outlook_of(then, then, known, confidence, rng, draws, nothing)
        years.append((told, actual_year(*came, told.prices.worn, start, then.here), then))
    sums = [
        [{n: month[n].sum(axis=-1) for n in CLASSES} for month in (told.simulated.totals, actual)]
        for told, actual, _ in years
    ]
    (told, actual, then), start = years[0], starts[0]
    told = replace(told, simulated=corrected(told.simulated, learned(sums[1:]), rng))
    worn, names = told.prices.worn, then.tables["vehicles"]["vehicle"]
    before = actual_year(*came, worn, start - pd.DateOffset(years=1), then.here)
    for one in (actual, before):  # as the forecast has it
        one["money"] = sum(one[c] for c in CLASSES if c not in told.simulated.thin)
    beside = {
        n + end: one[n] for n in BY_MONTH for end, one in (("_actual", actual), ("_before", before))
    }
    figures = pd.DataFrame(
        [
            (n, e.value, e.low, e.high, actual[n].sum(), before[n].sum())
            for n, e in totals(told, (*BY_MONTH, *CLASSES)).items()
        ],
        columns=["what", "forecast", "low", "high", "actual", "before"],
    )
    figures["is_inside"] = figures["actual"].between(figures["low"], figures["high"])
    figures["is_known"] = figures[["forecast", "actual"]].notna().all(axis=1)
    joined = fleet.loc[~fleet["vehicle"].isin(names), "vehicle"]
    spent = np.nansum(actual_year(*came, worn, start, joined)["money"])
    n_left = fleet["disposed"].between(start + pd.Timedelta(days=1), log.as_of).sum()
    return LastYear(
        start,
        by_month(told).assign(**beside),
        figures,
        float(spent),
        len(joined),
        int(n_left),
        confidence,
        learned(sums),
        len(years) - 1,
    )


def _known_then(test, start):
    """The choice of method and widening that could be made by that day."""
    known = test.choices[test.choices["cut"] <= start] if test is not None else ()
    if not len(known):
        return None
    last = known.iloc[-1]
    return replace(test, used=last["method"], widen=last["widen"], common_sd=last["common_sd"])
