"""Last year's outlook, made from the log as it stood then, beside what came."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import items, occasions
from wearbar.log.keys import is_among
from wearbar.outlook.learn import corrected, learned
from wearbar.outlook.paths import MONTHS, month_edges
from wearbar.outlook.prices import CLASSES, classed
from wearbar.outlook.year import DRAWS, by_month, outlook_of, rng_of, totals

RECORD_DAYS, MOST_YEARS = 365, 3  # before an outlook; replayed
BY_MONTH = ("jobs", "hours", "money")
NAMES = (*BY_MONTH, *CLASSES)


@dataclass(frozen=True, eq=False)
class LastYear:
    """The outlook of a year ago beside what came.

    as_of: its day. months: one row a month, `month`, and for jobs, hours and money the forecast
        (`jobs, jobs_low, jobs_high`), what came (`jobs_actual`) and the year before
        (`jobs_before`).
    totals: one row a figure (of `NAMES`): `what, forecast, low, high, actual, before, is_inside,
        is_known` (both known). joined: money spent on vehicles not there yet; n_left: that left.
    learning: of `learn.learned`, by this year and the `n_earlier` before it.
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

    certificates = table["what"].eq("certificate")
    done, tests = (f[f["done_date"].notna() & f["vehicle"].isin(vehicles)] for f in (found, table))
    dates = pd.concat([_own(log, done)["done_date"], tests.loc[certificates, "done_date"]])
    is_asked = len(found) > 0 or certificates.any()
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
    if done.empty:
        return done
    part = log.plan.tasks[["code", "fits"]].drop_duplicates()
    put_on = log.tables["fitted"].merge(part, left_on="category", right_on="fits")
    put_on = put_on.assign(date=put_on["fitted"], task=put_on["code"])
    keys = ["vehicle", "done_date", "task"]
    did = [f[["vehicle", "date", "task"]] for f in (log.tables["work"], put_on)]
    return done[is_among(done, pd.concat(did).rename(columns={"date": "done_date"}), keys)]


def last_year(log, test, replay, confidence=0.9, rng=None, draws=DRAWS):
    """The `LastYear` of a log: its outlook of a year ago, from the log as it stood then, beside
    what came. None where the record is too short.

    test: of `backtest.back_test`, or None. replay: the log's `Replay`.
    """
    starts = [log.as_of - pd.DateOffset(years=k) for k in range(1, MOST_YEARS + 1)]
    starts = [start for start in starts if (start - log.first_day).days >= RECORD_DAYS]
    if not starts:
        return None
    readings, rng = usage.readings(log), rng or rng_of(log)
    found = occasions(log, readings)
    came = (log, found, items(log, found, readings))
    how = {"confidence": confidence, "rng": rng, "draws": draws}
    years = [_replay(*came, test, replay, start, how) for start in starts]
    sums = [
        [{n: month[n].sum(axis=-1) for n in CLASSES} for month in (outlook.simulated.totals, year)]
        for outlook, year, *_ in years
    ]
    outlook, year, there, worn, known = years[0]
    outlook = replace(outlook, simulated=corrected(outlook.simulated, learned(sums[1:]), rng))
    start = starts[0]
    before = actual_year(*came, worn, start - pd.DateOffset(years=1), there)
    for one in (year, before):  # as the forecast has it
        one["money"] = sum(one[c] for c in CLASSES if c not in outlook.simulated.thin)
    months = by_month(outlook)
    for n in BY_MONTH:
        months[f"{n}_actual"], months[f"{n}_before"] = year[n], before[n]
    estimates = totals(outlook, NAMES).items()
    told = pd.DataFrame(
        [(n, e.value, e.low, e.high, year[n].sum(), before[n].sum()) for n, e in estimates],
        columns=["what", "forecast", "low", "high", "actual", "before"],
    )
    told["is_inside"] = told["actual"].between(told["low"], told["high"])
    told["is_known"] = told[["forecast", "actual"]].notna().all(axis=1)
    fleet = log.tables["vehicles"]
    joined = fleet.loc[~fleet["vehicle"].isin(known), "vehicle"]
    spent = actual_year(*came, worn, start, joined)["money"]
    left = fleet["disposed"].between(start + pd.Timedelta(days=1), log.as_of).sum()
    counts = float(np.nansum(spent)), len(joined), int(left)
    return LastYear(start, months, told, *counts, confidence, learned(sums), len(years) - 1)


def _replay(log, found, table, test, replay, start, how):
    """(outlook of that day, what came, vehicles there, categories with wear, vehicles known)."""
    then, names = replay.at(start), set(log.tables["vehicles"]["vehicle"])
    then = then.only([v for v in then.tables["vehicles"]["vehicle"] if v in names])
    nothing, known = learned([], ()), _known_then(test, start)
    outlook = outlook_of(then, whole=then, test=known, learning=nothing, **how)
    others = outlook.prices.companions.values()
    worn = {*outlook.sets.rows["category"], *(name for some in others for name in some)}
    year = actual_year(log, found, table, worn, start, then.here)
    return outlook, year, then.here, worn, then.tables["vehicles"]["vehicle"]


def _known_then(test, start):
    """The choice of method and widening that could be made by that day."""
    known = test.choices[test.choices["cut"] <= start] if test is not None else ()
    if not len(known):
        return None
    last = known.iloc[-1]
    return replace(test, used=last["method"], widen=last["widen"], common_sd=last["common_sd"])
