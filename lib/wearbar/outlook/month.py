"""The last whole calendar month, beside the month before and a year before, paired by vehicle: work
on time, spend, cost per distance, days down."""

from dataclasses import replace
from math import nan

import numpy as np
import pandas as pd
from scipy import stats

from wearbar import intervals, usage
from wearbar.cost import account as money
from wearbar.cost.per_distance import MIN_DAYS, MIN_KNOWN, known_by
from wearbar.log.once import kept_with
from wearbar.stats.estimate import Estimate, holm, ratio_change, refused, share_change

DOWN = ("in-workshop", "awaiting-parts")  # why a vehicle in a lay-up is down
HISTORY = 24  # months before that a month is set against
LEAST_VEHICLES, LEAST_JOBS = 6, 10  # of a change with limits; jobs: in either month
CLEAR_P = 0.05  # a Holm-adjusted chance below this is called a change
UNITS = {"on_time": "share", "spend": "money", "cost_per_km": "money_per_km", "downtime": "days"}
SIDES = {"before": 1, "year": 12}  # months back
COUNTS = ["jobs", "won", "spend", "cost", "distance_km", "down_days", "blank"]
AT = ["vehicle", "month"]
DAY, END = pd.Timedelta(days=1), pd.offsets.MonthEnd(0)


def months_of(log):
    """First days of the whole calendar months of the record, the report month the last."""
    months = pd.date_range(log.first_day, log.as_of, freq="MS")
    return months[months + END <= log.as_of][-HISTORY - 1 :]


@kept_with
def by_vehicle(log):
    """What each vehicle adds to each of `months_of`: frame `COUNTS`, is_whole by vehicle and month.

    jobs whose time to be done ended in it, those done on time (won); spend; cost and distance_km of
    days whose distance is known; days in a lay-up for `DOWN`; rows whose amount is not known
    (blank). is_whole: the vehicle was here all of it."""
    book, months = money.account(log), pd.DataFrame({"month": months_of(log)})
    grid = book.vehicles[["vehicle", "start", "end"]].merge(months, how="cross")
    last = grid["month"] + END
    grid["is_whole"] = (grid["start"] <= grid["month"]) & (grid["end"] >= last)
    grid["start"], grid["end"] = grid[["start", "month"]].max(axis=1), np.minimum(last, grid["end"])
    grid = grid[grid["start"] <= grid["end"]].reset_index(drop=True)
    who, start, end = (grid[name] for name in ("vehicle", "start", "end"))
    grid["distance_km"] = money.exposure(usage.log_path(log), who, start, end)["distance_km"].array
    grid["down_days"] = usage.layup_days(log, who, start - DAY, end, DOWN).array
    lines = book.lines.assign(month=_month_of(book.lines["date"]))
    jobs = intervals.placed(intervals.occasions(log), log).query("in_rate")
    won = jobs["outcome"].ne("late").groupby([jobs[name] for name in AT])
    sums = {"jobs": won.size(), "won": won.sum(), "spend": lines.groupby(AT)["amount"].sum()}
    sums["cost"] = lines[lines["with_distance"]].groupby(AT)["amount"].sum()
    sums["blank"] = lines[lines["amount"].isna() & ~lines["is_fixed"]].groupby(AT).size()
    grid = grid.set_index(AT)
    grid = grid.assign(**{name: x.reindex(grid.index).fillna(0) for name, x in sums.items()})
    return grid[[*COUNTS, "is_whole"]]


@kept_with
def by_month(log):
    """The figures of each of `months_of`: frame of `UNITS` by month, NaN where not known. Money
    needs 8 rows of 10 with their amount, cost per distance three months of record, downtime a log
    that has lay-ups."""
    total, lines = by_vehicle(log)[COUNTS].groupby("month").sum(), money.account(log).lines
    share = known_by(lines, _month_of(lines["date"])).reindex(total.index).fillna(1.0)
    total["spend"] = total["spend"].where((share >= MIN_KNOWN) & lines["amount"].notna().any())
    known = total["spend"].notna() & (total["distance_km"] > 0) & (log.record_days >= MIN_DAYS)
    total["on_time"] = total["won"] / total["jobs"].where(total["jobs"] > 0)
    total["cost_per_km"] = total["cost"] / total["distance_km"].where(known)
    has_stays = log.ledger.set_index("table")["used"].get("layups", 0) > 0  # the whole log
    total["downtime"] = total["down_days"] if has_stays else nan
    return total[list(UNITS)]


def month_of(log, confidence=0.9):
    """The month and its changes: a frame, a row a measure of `UNITS`; empty without a whole month.

    month; this, before, year: of all vehicles, as in `by_month`. For before and year `change_`,
    `low_`, `high_`, `n_`, `why_` (not limits), `is_clear_` (Holm's p of all is below `CLEAR_P`): of
    the n vehicles here all of both months, a difference or, of money, how many times it became,
    less 1. In simulation 90% limits hold 87 to 93 times in 100 (tests/reference/coverage.md).
    """
    values, rows, chances = by_month(log), [], []
    for name, unit in UNITS.items() if len(values) else ():
        month, known = values.index[-1], values[name]
        row = {"month": month, "measure": name, "unit": unit, "this": known[month]}
        for side, back in SIDES.items():
            then = month - pd.DateOffset(months=back)
            found, p = _change(log, name, month, then, confidence)
            told = {"change": found.value, "low": found.low, "high": found.high}
            told |= {"n": found.n, "why": found.note}
            row |= {side: known.get(then, nan)} | {f"{k}_{side}": x for k, x in told.items()}
            chances.append(p)
        rows.append(row)
    clear = holm(chances).reshape(-1, len(SIDES)) < CLEAR_P
    return pd.DataFrame(rows).assign(**{f"is_clear_{s}": clear[:, i] for i, s in enumerate(SIDES)})


def _change(log, name, month, then, confidence):
    """(`Estimate`, p) of a measure's change between two months."""
    values, grid, lines = by_month(log)[name], by_vehicle(log), money.account(log).lines
    steady = lines[lines["source"].isin(["fuel", "fixed_costs"])].groupby("source")["date"].min()
    if not pd.notna(values.get(then)) or np.isnan(values[month]):
        return refused("not known", confidence), nan
    if name in ("spend", "cost_per_km") and (steady > then + END).any():
        return refused("recorded later", confidence), nan
    grid = grid[grid["is_whole"] & ((name != "cost_per_km") | (grid["distance_km"] > 0))]
    was, now = (grid.xs(day, level="month") for day in (then, month))
    both = was.index.intersection(now.index)
    return paired(name, was.loc[both], now.loc[both], confidence)


def paired(name, was, now, confidence=0.9):
    """(`Estimate`, p) of a measure's change: frames of `COUNTS`, the same vehicles in both. On
    time: `share_change`; downtime: Student's t of the differences; money: `ratio_change`."""
    n, few, one = len(was), False, np.ones(len(was))
    if name == "on_time":
        few = any(x["jobs"].sum() < LEAST_JOBS or (x["jobs"] > 0).sum() < 3 for x in (was, now))
        found, p = share_change(was["won"], was["jobs"], now["won"], now["jobs"], confidence)
    elif name == "downtime":
        apart = (now["down_days"] - was["down_days"]).to_numpy(float)
        down = (was["down_days"] + now["down_days"] > 0).sum()
        few = down < LEAST_VEHICLES or not np.ptp(apart) > 0
        found, p = Estimate(apart.sum(), nan, nan, confidence, n), nan
        if not few:
            test = stats.ttest_1samp(apart, 0.0)
            low, high = test.confidence_interval(confidence)
            found, p = replace(found, low=n * low, high=n * high), test.pvalue
    else:
        sides = [(x["cost"], x["distance_km"]) for x in (was, now)]
        sides = sides if name == "cost_per_km" else [(x["spend"], one) for x in (was, now)]
        found, p = ratio_change(*sides, confidence)
        found = replace(found, value=found.value - 1, low=found.low - 1, high=found.high - 1)
    why = "few vehicles" if n < LEAST_VEHICLES else "few" if few else found.note
    if why:
        found, p = replace(found, low=nan, high=nan), nan
    return replace(found, n=n, note=why), p


def _month_of(date):
    return date.dt.to_period("M").dt.to_timestamp()
