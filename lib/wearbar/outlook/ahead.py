"""The work ahead: open tasks and certificates, where each stands and what it repeats after."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import due, items, occasions
from wearbar.intervals.due import DAY, DUE, EARLY, EPS, MONTH_DAYS, UNITS, Limits
from wearbar.intervals.failed import kinds_tested
from wearbar.log.keys import look_up, stacked
from wearbar.log.once import kept_with
from wearbar.log.plan_tasks import title_of
from wearbar.log.schema import TEXT
from wearbar.usage.distance import days_of

YEAR_DAYS = 365.25
HABIT_DAYS, LEAST_HABITS, QUANTILES = 730, 20, 100
OF = ("due", "early", "base")
POINT, EARLIEST, BASE = ([f"{of}_{axis}" for axis in ("km", "hours", "day")] for of in OF)
EVERY = ["every_km", "every_hours", "every_days"]
LIMITS = ["every_km", "every_hours", "days", "months"]
AMOUNTS = ["tolerance_km", "tolerance_hours", "tolerance_days"]
WINDOW = ["early_share", *AMOUNTS]
ROW = ["vehicle", "plan", "listed", "task", "title", "position", "safety", "past_share"]
ROW += ["is_expiry", "on_ladder", *POINT, *EARLIEST, *LIMITS, *WINDOW, *BASE]


@dataclass(frozen=True, eq=False)
class Ahead:
    """The work ahead."""

    # one row a series: `vehicle, site, kind, plan, task, title, position, safety`, `listed` (its
    # `item` in the action list); `POINT, EARLIEST`: due points and early edges, cumulative km and
    # hours, days from the report date; `EVERY`: what it repeats after, about, infinite without such
    # a limit; `past_share`: how far past its due point, in shares of the interval; `wait_days`:
    # until its vehicle's lay-up ends (0: in none; infinite: no end on record); `BASE`: the point of
    # each limit's ladder that is due now, or from which the first one counts
    rows: pd.DataFrame
    limits: Limits
    today: int  # the report date, in days since 1970
    covers: np.ndarray  # (2, n) rows that do, and rows done with them
    # (rows, QUANTILES) ascending: shares of the interval by which such work was done late here
    habits: np.ndarray
    habit_sd: float  # how much the mean of a year differs from another's

    def points(self, rows, at, base=None):
        """(due points, early edges) of rows done at km, hours and day (3, n): when each falls due
        again, each (3, n), days from the report date, infinite without a limit.

        A ladder goes on by its own points; work before a point's early edge begins it anew; else it
        counts from the work, or a term after an expiry. rows: which, any number of times each.
        base: (3, n), the due points told last; None: not yet done."""
        limits = self.limits.take(rows)
        kinds = (self.rows[name] for name in ("is_expiry", "on_ladder"))
        is_expiry, on_ladder = (of.to_numpy(dtype=bool)[rows] for of in kinds)
        base = self.rows[BASE].to_numpy(dtype=float)[rows].T if base is None else base
        at, base = (np.where(np.isfinite(x), x, np.nan) for x in (at, base))
        at[DAY], base[DAY] = np.floor(at[DAY]) + self.today, base[DAY] + self.today
        rung = due.rungs(base, at, limits)
        met = on_ladder & (rung >= 0)
        met[DAY] &= ~(is_expiry & (at[DAY] > base[DAY] + EPS))
        at[DAY] -= is_expiry
        on, anew = due.points(base, np.maximum(rung, 0) + 1, limits), np.ones_like(at)
        told = np.where(met, on, due.points(at, anew, limits))[[DUE, EARLY]]
        told[:, DAY] -= self.today
        return np.nan_to_num(told, nan=np.inf)


@kept_with
def work_ahead(log):
    """The `Ahead` of a log."""
    rows = stacked([_tasks(log), _certificates(log)])
    stays, home = log.layups_now, log.vehicles
    waits = _days(stays["to"], log).fillna(np.inf).groupby(stays["vehicle"]).max()
    rows = rows.assign(
        kind=look_up(rows["vehicle"], home["kind"]),
        site=usage.site_at(log, rows["vehicle"], log.as_of),
        wait_days=look_up(rows["vehicle"], waits).fillna(0.0),
        every_days=np.fmin(rows["days"], rows["months"] * MONTH_DAYS),
    )
    every, amount = (rows[names].to_numpy(dtype=float).T for names in (LIMITS, AMOUNTS))
    share = np.tile(rows["early_share"].to_numpy(dtype=float), (2, 1))  # no late edge is looked at
    # rows that do and rows done too: at the same position or where the first has none
    at = rows[["vehicle", "plan", "task", "position"]].reset_index(names="row")
    pairs = log.plan_or_empty.covers[["plan", "code", "covered"]].drop_duplicates()
    both = at.merge(pairs.rename(columns={"code": "task"}), on=["plan", "task"])
    too = at.drop(columns="plan").rename(columns={"task": "covered"})
    both = both.merge(too, on=["vehicle", "covered"], suffixes=("", "_too"))
    both = both[both["position"].eq("") | (both["position"] == both["position_too"])]
    # how late work is done: by a task's own doings of two years where enough, else by all, nil
    # where too few; and the spread between years' means, less chance's
    done = occasions(log)[["in_rate", "task", "done_date", "overrun_share"]]
    done = done[done["in_rate"]].dropna()
    done = done.assign(share=done["overrun_share"].clip(-0.9, 1.0))
    ago = (log.as_of - done["done_date"]).dt.days
    years = done["share"].groupby(ago // YEAR_DAYS).agg(["mean", "var", "size"])
    years = years[years["size"] >= LEAST_HABITS]
    between = years["mean"].var() - (years["var"] / years["size"]).mean()
    done, chance = done[ago < HABIT_DAYS], (np.arange(QUANTILES) + 0.5) / QUANTILES
    habits, by = np.zeros((len(rows), QUANTILES)), done.groupby("task")["share"]
    if len(done) >= LEAST_HABITS:
        own = by.quantile(chance).unstack()[by.size() >= LEAST_HABITS]
        habits = own.reindex(rows["task"]).fillna(done["share"].quantile(chance)).to_numpy()
    habit_sd = float(np.sqrt(max(between, 0.0))) if len(years) >= 3 else 0.0
    rows = rows.fillna(dict.fromkeys([*POINT, *EARLIEST, *EVERY], np.inf))
    covers, today = both[["row", "row_too"]].to_numpy(dtype=int).T, int(days_of([log.as_of])[0])
    return Ahead(rows, Limits(every, share, amount), today, covers, habits, habit_sd)


def _days(dates, log):
    return (dates - log.as_of).dt.days.astype(float)


def _tasks(log):
    """The open occasions as rows. After a first service a ladder counts from where that counted."""
    now, rules = occasions(log), log.plan_or_empty.in_force(log.as_of)
    is_now = now["is_current"] & now["is_open"] & now["state"].ne("not-finished")
    now = now[is_now.to_numpy()].reset_index(drop=True)
    limits = [c for c in rules if c.startswith(("every_", "severe_", "first_"))]
    rules = rules.set_index(["plan", "code"])[[*limits, *WINDOW, "measured_from"]]
    rule = now[["plan", "task"]].join(rules, on=["plan", "task"])
    columns = ([f"{kind}_{unit}" for unit in UNITS] for kind in ("every", "severe"))
    normal, severe = (rule[names].set_axis(LIMITS, axis=1) for names in columns)
    is_hard = now["duty"].eq("severe") & severe.notna().any(axis=1)
    edges = ("due_date", "early_date", "anchor_date")
    due_day, early_day, anchor_day = (_days(now[edge], log) for edge in edges)
    is_first, of = now["basis"].eq("first"), (["km"], ["hours"], ["days", "months"])
    firsts = (rule[[f"first_{unit}" for unit in units]].notna().any(axis=1) for units in of)
    first_km, first_hours, first_day = (is_first & has_first for has_first in firsts)
    now = now.assign(
        listed=now["task"],
        **normal.mask(is_hard, severe),
        **rule[WINDOW],
        due_day=due_day,
        early_day=np.fmin(early_day, due_day),
        base_km=now["due_km"].mask(first_km, now["anchor_km"]),
        base_hours=now["due_hours"].mask(first_hours, 0.0),
        base_day=due_day.mask(first_day, anchor_day),
        is_expiry=rule["measured_from"].eq("expiry"),
        on_ladder=rule["measured_from"].isin(["schedule", "expiry"]),
        past_share=now["overrun_share"].fillna(-1.0),
    )
    return now[ROW]


def _certificates(log):
    """The open certificates as rows: the plan's task of that test, a year where it says no term."""
    c = items(log).query("what == 'certificate' and is_open").reset_index(drop=True)
    if c.empty:
        return c
    rules = log.plan_or_empty.in_force(log.as_of)
    rules = rules[rules["measured_from"].eq("expiry")]
    tests = kinds_tested(rules["code"], c["item"]).drop_duplicates("kind").set_index("kind")["task"]
    task = look_up(c["item"], tests).fillna(c["item"]).astype(TEXT)
    c = c.assign(plan=log.plan_for(c["vehicle"]), task=task)
    months = rules.set_index(["plan", "code"])["every_months"].rename("months")
    due_day, early_day = _days(c["due_date"], log), _days(c["early_date"], log)
    c = c.join(months, on=["plan", "task"]).fillna({"months": 12.0})
    c = c.assign(
        title=c["task"].map(title_of),
        listed=c["item"],
        position="",
        due_day=due_day,
        early_day=early_day,
        base_day=due_day,
        tolerance_days=due_day - early_day,
        past_share=due_day / -YEAR_DAYS,
        **dict.fromkeys(["safety", "is_expiry", "on_ladder"], True),
    )
    return c.reindex(columns=ROW)
