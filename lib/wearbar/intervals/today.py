"""What the report can speak of on its date: vehicles seen, open and overdue work with its forecast,
the tables that tell of danger, why work was deferred, how far a dashboard's own service reminder
has drifted from the plan; and how the rate has changed since an earlier report."""

from dataclasses import dataclass
from math import nan

import numpy as np
import pandas as pd
from scipy import stats

from wearbar import usage
from wearbar.intervals.occasion import STALE_DAYS
from wearbar.log.keys import is_among
from wearbar.stats.estimate import FEW_VEHICLES, MIN_VEHICLES, Estimate, refused
from wearbar.usage.distance import days_later
from wearbar.usage.forecast import ENDS, due_dates, model_of

FORECAST_DAYS = 60
GUARDED = ("defects", "certificates", "campaigns")  # tables without which a danger can't be seen
FEWEST = 8  # expected late, and in time, among the occasions that came since
REMINDER = """
    vehicle task last_date restarted is_showing plan_date plan_km plan_odometer_km reminder_date
    reminder_km drift_days drift_low_days drift_high_days drift_km
"""


@dataclass(frozen=True)
class Seen:  # vehicles on the report date
    owned: int
    read: int  # with a reading in the last STALE_DAYS
    judged: int  # no open task of theirs is not known
    oldest_days: int | None  # age of the oldest last reading; None: there is none


def seen(log, found):
    """How many vehicles the report can speak of. A vehicle in storage since its last reading, or
    without a meter, needs no fresh one."""
    readings = usage.readings(log)
    last = readings[readings["date"] <= log.as_of].groupby("vehicle")["date"].max()
    age = (log.as_of - last.reindex(log.here)).dt.days
    now = found[found["is_current"] & (found["state"] != "not-finished")]
    unsure = set(now.loc[now["state"] == "not-known", "vehicle"])
    judged = log.here.isin(set(now["vehicle"]) - unsure)
    oldest = int(age.max()) if age.notna().any() else None
    return Seen(len(log.here), int(age.le(STALE_DAYS).sum()), int(judged.sum()), oldest)


def untold(log):
    """Of the tables that tell of danger, those that the log holds no usable row of: that shows not
    that there is none, unless log.toml says so."""
    used = log.ledger.set_index("table")["used"].reindex(GUARDED).fillna(0)
    return [name for name in GUARDED if not used[name] and name not in log.none]


def put_off(log):
    """Why work was deferred: frame `reason, n, vehicles`, the commonest first."""
    by = log.tables["deferrals"].groupby("reason")["vehicle"]
    found = by.agg(n="size", vehicles="nunique").reset_index()
    return found.sort_values(["n", "reason"], ascending=[False, True], ignore_index=True)


def overdue(found):
    """Work past its window, the longest over its due point first: what one doing settles is one
    row."""
    late = found[found["is_current"] & (found["state"] == "past-window")]
    return late.sort_values(["over_days", "over_km", "over_hours"], ascending=False, kind="stable")


def counts(found):
    """Occasions that count, by vehicle: frame `vehicle, n, late`."""
    counted = found[found["in_rate"]]
    by = (counted["outcome"] == "late").groupby(counted["vehicle"], observed=True)
    return by.agg(n="size", late="sum").reset_index()


def rate_change(then, now, confidence=0.9):
    """The rate now less the rate then: `Estimate`, a share; then, now: of `counts`.

    Vehicles are paired: jackknife over them, each left out of both rates at once, with Student's t
    (Efron & Tibshirani 1993, ch. 11, from memory). No limits below three vehicles, or where fewer
    than `FEWEST` of what came since would be late, or in time, at the rate of all: they would cover
    79 to 87 times for 90. Above, they cover 88 to 92 in simulation with 3 to 100 vehicles."""
    both = then.set_index("vehicle").add_suffix("_then")
    both = both.join(now.set_index("vehicle").add_suffix("_now"), how="outer")
    both = both.astype(float).fillna(0.0)
    total, n = both.sum(), len(both)
    if not min(total["n_then"], total["n_now"]) > 0:
        return refused("no occasion had run its course, then or now", confidence, unit="share")
    sums = (total, total - both)
    value, rest = (x["late_then"] / x["n_then"] - x["late_now"] / x["n_now"] for x in sums)
    spread = np.sqrt((n - 1) / n * ((rest - rest.mean()) ** 2).sum(skipna=False))
    late = total["late_now"] / total["n_now"]
    few = (both["n_now"] - both["n_then"]).abs().sum() * min(late, 1 - late) < FEWEST
    half, method, note = nan, "", ""
    if n < MIN_VEHICLES:
        note = FEW_VEHICLES
    elif few or not spread > 0:
        note = "too little has come since to give it an interval"
    else:
        half = float(stats.t.ppf((1 + confidence) / 2, n - 1) * spread)
        method = f"jackknife over {n} vehicles, paired, t with {n - 1} degrees of freedom"
    limits, jobs = (float(value), value - half, value + half), int(total["n_now"])
    return Estimate(*limits, confidence, jobs, unit="share", method=method, note=note)


def criterion_moves(found, other):
    """How two ways of scoring the same occasions differ: dict of counts `late_by_plan` and
    `late_by_criterion` (by that one alone) and `waiting` (counted by the plan's window, not yet by
    the criterion). found, other: of `occasions`, other with a `late_share`."""
    a, b = (rows["in_rate"].to_numpy() for rows in (found, other))
    late, again = (rows["outcome"].eq("late").to_numpy() for rows in (found, other))
    moves = {"late_by_plan": a & b & late & ~again, "late_by_criterion": a & b & ~late & again}
    return {name: int(is_so.sum()) for name, is_so in (moves | {"waiting": a & ~b}).items()}


def reminder_drift(log, found, confidence=0.9, use=None):
    """The plan's next due point beside the reminder's: frame `REMINDER`, one row a vehicle on the
    road whose reminder was seen and is in the plan. Only the plan's day counts (common practice).

    task: what the reminder stands for (`_stands_for`); last_date: when that was last done.
    is_showing: it was seen to have run over since `restarted`. plan_date, plan_km: due by the plan,
    the earlier of its date and the day its distance is reached (by readings, or the forecast's
    median); plan_odometer_km: as the instrument shows it. reminder_date, reminder_km: the same of
    the reminder, or when it was first seen to show. drift_days, drift_km: the reminder's less the
    plan's, positive where it comes too late, the latest first. use: of `backtest.model_by_test`."""
    rows = _stands_for(found, log, usage.log_path(log))
    names = {"anchor_date": "last_date", "due_km": "plan_km", "due_odometer_km": "plan_odometer_km"}
    rows, model, days = rows.rename(columns=names), use or model_of(log), {}
    for name, day in (("plan", "due_date"), ("reminder", "reminder_day")):
        asked = {"due_km": rows[f"{name}_km"], "due_hours": nan, "due_date": rows[day]}
        days[name] = due_dates(model, rows[["vehicle"]].assign(**asked), confidence)
    days["reminder"] = days["reminder"].where(~rows["is_showing"], rows["shown"], axis=0)
    drift = pd.DataFrame({e: (days["reminder"][e] - days["plan"][e]).dt.days for e in ENDS})
    rows["plan_date"], rows["reminder_date"] = (days[of]["date"] for of in ("plan", "reminder"))
    rows["drift_days"], rows["drift_km"] = drift["date"], rows["reminder_km"] - rows["plan_km"]
    rows = rows.assign(drift_low_days=drift.min(axis=1), drift_high_days=drift.max(axis=1))
    rows = rows.sort_values(["drift_days", "vehicle"], ascending=[False, True], kind="stable")
    return rows.drop_duplicates("vehicle")[REMINDER.split()].reset_index(drop=True)


def _stands_for(found, log, path):
    """The open occasions of the task that each reminder stands for (done most often on the days it
    was restarted, then of the nearest interval, replacing before inspecting), with its last
    restart, what it counts down from there, and the day it was first seen to have run over."""
    seen = log.si("dash_events").dropna(subset=["date"])
    seen = seen.sort_values(["vehicle", "date", "event"], kind="stable")
    restarts = seen[seen["event"] == "restarted"].rename(columns={"date": "restarted"})
    dash = restarts.drop_duplicates("vehicle", keep="last").reset_index(drop=True)
    km = usage.distance_of(path, dash["vehicle"], dash["restarted"], dash["odometer_km"])
    dash["reminder_km"] = km["distance_km"] + dash["span_distance_km"]
    dash["reminder_day"] = days_later(dash["restarted"], dash["span_days"])
    names = ["restarted", "span_distance_km", "span_days", "reminder_km", "reminder_day"]
    dash = dash[["vehicle", *names]]
    shown = seen.loc[seen["event"] == "shown", ["vehicle", "date"]].merge(dash, "left", "vehicle")
    first = shown[~(shown["date"] < shown["restarted"])].groupby("vehicle")["date"].min()
    dash = dash.merge(first.rename("shown").reset_index(), on="vehicle", how="outer")
    # of the vehicle's open tasks the one done most often on the days of a restart, and then alike
    key, now = ["vehicle", "task"], found[found["is_current"] & (found["state"] != "not-finished")]
    did = found[[*key, "done_date"]].drop_duplicates().rename(columns={"done_date": "restarted"})
    did = did[is_among(did, restarts, ["vehicle", "restarted"])]
    times = did.groupby(key, observed=True).size().rename("times")
    rows = now.merge(dash, on="vehicle").join(times, on=key).fillna({"times": 0})
    ratios = rows[["span_distance_km", "span_days"]]
    ratios = ratios / rows[["interval_km", "interval_days"]].to_numpy()
    apart = np.log(ratios.where(ratios > 0)).abs().mean(axis=1).fillna(np.inf)
    is_lesser, is_showing = rows["action"] != "replace", rows["shown"].notna()
    rows = rows.assign(apart=apart, is_lesser=is_lesser, is_showing=is_showing)
    order = ["vehicle", "times", "apart", "is_lesser", "task"]
    rows = rows.sort_values(order, ascending=[True, False, True, True, True], kind="stable")
    return rows.merge(rows.drop_duplicates("vehicle")[key], on=key).reset_index(drop=True)
