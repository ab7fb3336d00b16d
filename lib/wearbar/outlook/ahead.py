"""The work ahead: open tasks and certificates, where each stands and what it repeats after."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import due
from wearbar.intervals.due import DAY, DUE, EARLY, EPS, MONTH_DAYS, Limits
from wearbar.log.keys import look_up, stacked
from wearbar.log.plan import is_test_of
from wearbar.log.plan_tasks import title_of
from wearbar.usage.distance import days_of

YEAR_DAYS = 365.25
HABIT_DAYS, LEAST_HABITS, QUANTILES = 730, 20, 100
PLAIN = ["vehicle", "plan", "task", "title", "position", "safety", "statutory"]
POINT = [f"{edge}_{unit}" for edge in ("due", "early") for unit in ("km", "hours", "day")]
FAR = [*POINT, "every_km", "every_hours", "every_days"]  # infinite without such a limit
# what `Again` is made from: the limits, the window before a point, the ladder
EVERY = ["every_km", "every_hours", "days", "months"]
WINDOW = ["early_share", "tolerance_km", "tolerance_hours", "tolerance_days"]
BASE = ["base_km", "base_hours", "base_day"]


@dataclass(frozen=True, eq=False)
class Ahead:
    """The work ahead.

    rows: one row a series: `vehicle, site, kind, plan, task, title, position, safety, statutory,
        is_expiry`; `due_km, early_km, due_hours, early_hours` (cumulative) and `due_day, early_day`
        (days from the report date); `every_km, every_hours, every_days`: what it repeats after,
        about: infinite without such a limit. `past_share`: how far past its due point it is, in
        shares of the interval (negative: before it); `wait_days`: until the lay-up ends that the
        vehicle is in (0: in none; infinite: no end on record).
    again: when each falls due again. covers: (rows that do, rows done with them).
    habits: (rows, quantiles) ascending, the shares of the interval by which such work has been done
        here after its due point; habit_sd: how much the mean of a year differs from another's.
    """

    rows: pd.DataFrame
    again: "Again"
    covers: tuple
    habits: np.ndarray
    habit_sd: float


@dataclass(frozen=True, eq=False)
class Again:
    """When n rows of the work ahead fall due again once done: after the work, at the next point of
    their ladder, or a term after an expiry.

    A ladder goes on by its own points, however late the work was; work before a point's early edge
    begins it anew. limits: of all three axes. on_ladder, is_expiry: (n,). base: (3, n), the point
    of each limit's ladder that is due now, or from which the first one counts. today: the report
    date, in days since 1970.
    """

    limits: Limits
    on_ladder: np.ndarray
    is_expiry: np.ndarray
    base: np.ndarray
    today: int

    def points(self, rows, km, hours, day, base=None):
        """(due points, early edges) of rows done at `km` and `hours` on `day`: each (3, n) km,
        hours and days from the report date, infinite without a limit.

        rows: which, any number of times each. base: (3, n), the due points told last; the ladder's
        own where it has not yet been done.
        """
        limits, expires = self.limits.take(rows), self.is_expiry[rows]
        x = self._axes(km, hours, np.floor(day))
        base = self.base[:, rows] if base is None else self._axes(*base)
        late = expires & (x[DAY] > base[DAY] + EPS)
        rung = due.rungs(base, x, limits)
        met = self.on_ladder[rows] & (rung >= 0)
        met[DAY] &= ~late
        x[DAY] -= expires
        on, after = due.points(base, np.maximum(rung, 0) + 1, limits), np.ones_like(x)
        told = np.where(met, on, due.points(x, after, limits))[[DUE, EARLY]]
        told[:, DAY] -= self.today
        return np.nan_to_num(told, nan=np.inf)

    def _axes(self, km, hours, day):
        axes = np.stack(np.broadcast_arrays(km, hours, day + self.today)).astype(float)
        return np.where(np.isfinite(axes), axes, np.nan)


def work_ahead(log, found, table, readings):
    """The `Ahead` of a log. found, table: of `intervals.occasions` and `intervals.items`."""
    now = found[found["is_current"] & found["is_open"] & found["state"].ne("not-finished")]
    rows = [_certificates(log, table)]
    rows = stacked([_tasks(log, now.reset_index(drop=True)), *rows] if len(now) else rows)
    home = log.tables["vehicles"].set_index("vehicle")
    today = np.repeat(log.as_of.to_datetime64(), len(rows))
    rows["kind"] = look_up(rows["vehicle"], home["kind"])
    rows["site"] = usage.site_at(log, rows["vehicle"], today).to_numpy()
    rows["wait_days"] = rows["vehicle"].map(_waits(log)).fillna(0.0)
    done = found["in_rate"] & found["done_date"].notna() & found["overrun_share"].notna()
    done = found[done].assign(share=found["overrun_share"].clip(-0.9, 1.0))
    ago = (log.as_of - done["done_date"]).dt.days
    again = _again(rows, int(days_of([log.as_of])[0]))
    habits = _habits(done[ago < HABIT_DAYS], rows)
    used = ["days", "months", *WINDOW, "on_ladder", *BASE]
    return Ahead(rows.drop(columns=used), again, _covers(log, rows), habits, _habit_sd(done, ago))


def _waits(log):
    """Days until the lay-up of today ends, by vehicle; infinite where no end is on record."""
    now = log.layups_now
    return _days(now["to"], log.as_of).fillna(np.inf).groupby(now["vehicle"]).max()


def _days(dates, as_of):
    return (dates - as_of).dt.days.astype(float)


def _again(rows, today):
    rows = rows.assign(late_share=np.nan, base_day=rows["base_day"] + today)
    names = (EVERY, ["early_share", "late_share"], WINDOW[1:], BASE)
    every, share, amount, base = (rows[list(n)].to_numpy(dtype=float).T for n in names)
    flags = (rows[name].to_numpy(dtype=bool) for name in ("on_ladder", "is_expiry"))
    return Again(
        Limits(np.where(np.isfinite(every), every, np.nan), share, amount), *flags, base, today
    )


def _tasks(log, now):
    """The open occasions as rows. After a first service a ladder counts from where that counted."""
    rules = log.plan.tasks.sort_values("valid_from", na_position="first", kind="stable")
    rules = rules[~(rules["valid_from"] > log.as_of)].drop_duplicates(["plan", "code"], keep="last")
    rules = rules.set_index(["plan", "code"])
    rule = rules.reindex(pd.MultiIndex.from_frame(now[["plan", "task"]])).reset_index(drop=True)
    severe = rule.filter(regex="^severe_(km|days|months|hours)$")
    hard = now["duty"].eq("severe") & severe.notna().any(axis=1)
    every = {
        unit: rule[f"every_{unit}"].mask(hard, rule[f"severe_{unit}"]).astype(float)
        for unit in ("km", "hours", "days", "months")
    }
    due_day, anchor_day = (_days(now[f"{name}_date"], log.as_of) for name in ("due", "anchor"))
    rows = now[[*PLAIN, "due_km", "early_km", "due_hours", "early_hours"]].assign(
        is_expiry=rule["measured_from"].eq("expiry").to_numpy(dtype=bool),
        due_day=due_day,
        early_day=np.fmin(_days(now["early_date"], log.as_of), due_day),
        every_km=every["km"],
        every_hours=every["hours"],
        every_days=np.fmin(every["days"], every["months"] * MONTH_DAYS),
    )
    rows = rows.fillna(dict.fromkeys(FAR, np.inf))
    is_first = now["basis"].eq("first")
    first_day = rule[["first_days", "first_months"]].notna().any(axis=1)
    return rows.assign(
        past_share=now["overrun_share"].fillna(-1.0),
        days=every["days"],
        months=every["months"],
        **rule[WINDOW].astype(float),
        base_km=now["due_km"].mask(is_first & rule["first_km"].notna(), now["anchor_km"]),
        base_hours=now["due_hours"].mask(is_first & rule["first_hours"].notna(), 0.0),
        base_day=due_day.mask(is_first & first_day, anchor_day),
        on_ladder=rule["measured_from"].isin(["schedule", "expiry"]),
    )


def _certificates(log, table):
    """The open certificates as rows: the plan's task of that test, a year where it says no term."""
    c = table[table["what"].eq("certificate") & table["is_open"]].reset_index(drop=True)
    plan, code = pd.Series(np.nan, c.index, dtype=object), c["item"]
    months = pd.Series(12.0, c.index)
    if log.plan is not None:
        rules = log.plan.tasks[log.plan.tasks["measured_from"].eq("expiry")]
        codes = {kind: _test_of(kind, rules["code"].unique()) for kind in c["item"].unique()}
        plan, code = log.plan_for(c["vehicle"]), code.map(codes)
        term = rules.drop_duplicates(["plan", "code"], keep="last").set_index(["plan", "code"])
        term = term["every_months"].reindex(pd.MultiIndex.from_arrays([plan, code]))
        months = term.reset_index(drop=True).astype(float).fillna(12.0)
    due_day, early_day = (_days(c[f"{edge}_date"], log.as_of) for edge in ("due", "early"))
    rows = dict.fromkeys(FAR, np.inf) | dict.fromkeys(["days", *WINDOW, *BASE], np.nan)
    rows |= dict.fromkeys(["safety", "statutory", "is_expiry", "on_ladder"], True)
    rows |= {"vehicle": c["vehicle"], "plan": plan, "task": code, "position": ""}
    rows |= {"title": [title_of(c) for c in code], "due_day": due_day, "early_day": early_day}
    rows |= {"every_days": months * MONTH_DAYS, "past_share": due_day / -YEAR_DAYS}
    rows |= {"months": months, "tolerance_days": due_day - early_day, "base_day": due_day}
    return pd.DataFrame(rows, index=c.index)


def _test_of(kind, codes):
    """The task of a kind of certificate: its own code, or one that begins with it."""
    return next((code for code in codes if is_test_of(code, kind)), kind)


def _covers(log, rows):
    """(rows that do, rows done too), at the same position or where the first has none."""
    at = rows.reset_index(names="row")[["row", "vehicle", "plan", "task", "position"]]
    if log.plan is None or not len(at) or not len(log.plan.covers):
        return np.zeros(0, dtype=int), np.zeros(0, dtype=int)
    pairs = log.plan.covers[["plan", "code", "covered"]].drop_duplicates()
    both = at.merge(pairs, left_on=["plan", "task"], right_on=["plan", "code"])
    keys = {"left_on": ["vehicle", "covered"], "right_on": ["vehicle", "task"]}
    both = both.merge(at, **keys, suffixes=("", "_too"))
    both = both[(both["position"] == both["position_too"]) | (both["position"] == "")]
    return both["row"].to_numpy(), both["row_too"].to_numpy()


def _habits(done, rows):
    """By a task's own doings of two years where enough, else by all; nil where too few."""
    chance = (np.arange(QUANTILES) + 0.5) / QUANTILES
    if len(done) < LEAST_HABITS:
        return np.zeros((len(rows), QUANTILES))
    every = np.quantile(done["share"], chance)
    by = {task: s for task, s in done.groupby("task")["share"] if len(s) >= LEAST_HABITS}
    own = {task: np.quantile(s, chance) for task, s in by.items()}
    return np.array([own.get(task, every) for task in rows["task"]]).reshape(len(rows), QUANTILES)


def _habit_sd(done, ago):
    """Standard deviation between years' mean lateness, less chance's. ago: days."""
    by = done["share"].groupby(ago // YEAR_DAYS).agg(["mean", "var", "size"])
    by = by[by["size"] >= LEAST_HABITS]
    if len(by) < 3:
        return 0.0
    return float(np.sqrt(max(by["mean"].var() - (by["var"] / by["size"]).mean(), 0.0)))
