"""Last year's outlook, made from the log as it stood then, beside what came."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearbar.intervals import items, occasions
from wearbar.log.keys import is_among
from wearbar.outlook.prices import CLASSES, classed
from wearbar.outlook.simulate import MONTHS, month_edges
from wearbar.outlook.year import by_month, corrected, learned, outlook_of, rng_of, totals

RECORD_DAYS, MOST_YEARS = 365, 3  # before an outlook; replayed
DONE = ["vehicle", "done_date", "task"]


@dataclass(frozen=True, eq=False)
class LastYear:
    """The outlook of a year ago beside what came."""

    as_of: pd.Timestamp
    # as of `by_month`, with `jobs_actual`, what came, and `jobs_before`, of the year before
    months: pd.DataFrame
    # a row a figure: `what, forecast, low, high, actual, before, is_inside, is_known` (both sides)
    totals: pd.DataFrame
    joined: float  # money spent on vehicles not there yet
    n_joined: int
    n_left: int
    learning: pd.DataFrame  # of `learned`, by this year and those before it

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
        away = self.months[[name, f"{name}_before"]].sub(self.months[f"{name}_actual"], axis=0)
        return tuple(away.abs().mean().tolist())


def actual_year(log, worn, start, vehicles):
    """What came in the twelve months after day `start`, of these vehicles: dict of (12,) arrays by
    month, of jobs, hours and the classes of money. worn: of `Prices`.

    NaN: hours where no row of work tells any, jobs where nothing asks for any, money where the log
    has no work and no part."""
    edges, _ = month_edges(start)

    def sums(dates, values=None):
        """Values (1 each) summed by month."""
        at = np.searchsorted(edges, (dates - start).dt.days - 1, "right") - 1
        inside = (at >= 0) & (at < MONTHS)
        return np.bincount(at[inside], None if values is None else values[inside], MONTHS)

    found, tests = occasions(log), items(log).query("what == 'certificate'")
    done, tested = (f[f["done_date"].notna() & f["vehicle"].isin(vehicles)] for f in (found, tests))
    # what was done for itself, not along with other work
    part = log.plan_or_empty.tasks[["code", "fits"]].drop_duplicates()
    put_on = log.tables["fitted"].merge(part, left_on="category", right_on="fits")
    put_on = put_on.rename(columns={"fitted": "done_date", "code": "task"})
    did = log.tables["work"].rename(columns={"date": "done_date"})
    done = done[is_among(done, pd.concat([did[DONE], put_on[DONE]]), DONE)]
    is_asked = len(found) + len(tests) > 0
    jobs = sums(pd.concat([done["done_date"], tested["done_date"]]))
    lines = classed(log, worn)
    nil = 0.0 if len(lines) else np.nan
    lines = lines[lines["vehicle"].isin(vehicles) & lines["what"].ne("")]
    work = lines[lines["source"].eq("work")]
    is_blank = sums(work["date"]).any() and not sums(work["date"], work["hours"].notna()).any()
    hours = sums(lines["date"], lines["hours"].fillna(0.0)) + (np.nan if is_blank else nil)
    got = {"jobs": jobs + (0.0 if is_asked else np.nan), "hours": hours}
    for what in CLASSES:
        some = lines[lines["what"].eq(what)]
        got[what] = nil + sums(some["date"], some["amount"].fillna(0.0))
    return got | {"money": sum(got[what] for what in CLASSES)}


def last_year(log, test, replay, confidence=0.9, rng=None):
    """The `LastYear` of a log, from the log as it stood then; None where the record is too short.
    test: of `backtest.back_test`, or None. replay: the log's `Replay`."""
    starts = [log.as_of - pd.DateOffset(years=k) for k in range(1, MOST_YEARS + 1)]
    starts = [start for start in starts if (start - log.first_day).days >= RECORD_DAYS]
    if not starts:
        return None
    rng, fleet = rng or rng_of(log), log.tables["vehicles"]
    years = []
    for start in starts:
        then, known = replay.at(start).only(fleet["vehicle"]), None
        # the choice of method and widening that could be made by that day
        choices = () if test is None else test.choices[test.choices["cut"] <= start].itertuples()
        for last in choices:
            known = replace(test, used=last.method, widen=last.widen, common_sd=last.common_sd)
        told = outlook_of(then, None, known, confidence, rng, learning=learned([]).head(0))
        years.append((told, actual_year(log, told.prices.worn, start, then.here), then))
    sums = [(told.simulated.totals, actual) for told, actual, _ in years]
    (told, actual, then), start = years[0], starts[0]
    told = replace(told, simulated=corrected(told.simulated, learned(sums[1:]), rng))
    worn, names = told.prices.worn, then.tables["vehicles"]["vehicle"]
    before = actual_year(log, worn, start - pd.DateOffset(years=1), then.here)
    for one in (actual, before):  # as the forecast has it
        one["money"] = sum(one[c] for c in CLASSES if c not in told.simulated.thin)
    columns = ["what", "forecast", "low", "high", "actual", "before"]
    made = totals(told, ("jobs", "hours", "money", *CLASSES)).items()
    figures = [(n, e.value, e.low, e.high, actual[n].sum(), before[n].sum()) for n, e in made]
    figures = pd.DataFrame(figures, columns=columns)
    figures["is_inside"] = figures["actual"].between(figures["low"], figures["high"])
    figures["is_known"] = figures[["forecast", "low", "actual"]].notna().all(axis=1)
    months = by_month(told).assign(jobs_actual=actual["jobs"], jobs_before=before["jobs"])
    joined = fleet.loc[~fleet["vehicle"].isin(names), "vehicle"]
    n_left = fleet["disposed"].between(start + pd.Timedelta(days=1), log.as_of).sum()
    spent = float(np.nansum(actual_year(log, worn, start, joined)["money"]))
    return LastYear(start, months, figures, spent, len(joined), int(n_left), learned(sums))
