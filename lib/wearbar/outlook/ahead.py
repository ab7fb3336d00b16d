"""The work ahead of each vehicle: the open task of every series and the certificates, with what each repeats after, and where it stands."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals.due import MONTH_DAYS, Limits
from wearbar.log.keys import look_up
from wearbar.log.plan_tasks import title_of
from wearbar.outlook.again import Again
from wearbar.usage.distance import days_of

YEAR_DAYS = 365.25
HABIT_DAYS, LEAST_HABITS, QUANTILES = 730, 20, 100


@dataclass(frozen=True, eq=False)
class Ahead:
    """rows: one row a series: `vehicle, site, kind, plan, task, position, safety, statutory, is_expiry`; `due_km, early_km, due_hours,
    early_hours` (cumulative) and `due_day, early_day` (days from the report date), infinite without such a limit; `every_km, every_hours,
    every_days`: what it repeats after, about;
    `past_share`: how far past its due point it is, in shares of the interval (negative: before it); `wait_days`: until the lay-up ends
    that the vehicle is in (0: in none; infinite: no end on record). again: when each falls due again. covers: (doing, done too) rows.
    habits: (rows, quantiles) ascending, the shares of the interval by which such work has been done here after its due point; habit_sd:
    how much the mean of a year differs from another's.
    """

    rows: pd.DataFrame
    again: Again
    covers: tuple
    habits: np.ndarray
    habit_sd: float


def work_ahead(log, found, table, readings, habits=True):
    """The `Ahead` of a log. found, table: of `intervals.occasions` and `intervals.items`. habits: else all is done on its due day."""
    now = (
        found[found["is_current"] & found["is_open"] & ~found["state"].isin(["not-finished"])]
        if len(found)
        else found
    )
    parts = [_tasks(log, now, readings), _certificates(log, table)]
    rows = pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)
    home = log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")
    rows["kind"] = look_up(rows["vehicle"], home["kind"])
    rows["site"] = usage.site_at(
        log, rows["vehicle"], np.repeat(log.as_of.to_datetime64(), len(rows))
    ).to_numpy()
    rows["wait_days"] = rows["vehicle"].map(_waits(log)).fillna(0.0)
    done = (
        found[found["in_rate"] & found["done_date"].notna() & found["overrun_share"].notna()]
        if habits and len(found)
        else found[:0]
    )
    again = _again(rows, int(days_of([log.as_of])[0]))
    return Ahead(
        rows.drop(columns=LIMITS),
        again,
        _covers(log, rows),
        _habits(log, done, rows),
        _habit_sd(log, done),
    )


def _waits(log):
    """Days until the lay-up of today ends, by vehicle; infinite where no end is on record."""
    stays = log.tables["layups"]
    now = stays[(stays["from"] <= log.as_of) & ~(stays["to"] < log.as_of)]
    return (
        (now["to"] - log.as_of).dt.days.astype(float).fillna(np.inf).groupby(now["vehicle"]).max()
    )


COLUMNS = dict.fromkeys(
    [f"{what}_{unit}" for what in ("due", "early") for unit in ("km", "hours", "day")], float
)
COLUMNS |= dict.fromkeys(["every_km", "every_hours", "every_days"], float)
PLAIN = ["vehicle", "plan", "task", "title", "position", "safety", "statutory"]
# what `_again` is made from: the limits, the window before a point, the ladder
LIMITS = ["days", "months", "early_share", "tolerance_km", "tolerance_hours", "tolerance_days"]
LIMITS += ["on_ladder", "base_km", "base_hours", "base_day"]


def _again(rows, today):
    """The `Again` of the rows."""
    finite = {
        name: rows[name].where(np.isfinite(rows[name])) for name in ("every_km", "every_hours")
    }
    r = rows.assign(**finite, none=np.nan, base_day=rows["base_day"] + today)
    names = [
        "every_km every_hours days months",
        "early_share none",
        "tolerance_km tolerance_hours tolerance_days",
    ]
    names += ["base_km base_hours base_day"]
    every, share, amount, base = (r[name.split()].to_numpy(dtype=float).T for name in names)
    flags = (r[name].to_numpy(dtype=bool) for name in ("on_ladder", "is_expiry"))
    return Again(Limits(every, share, amount), *flags, base, today)


def _tasks(log, now, readings):
    if not len(now):
        return pd.DataFrame(columns=[*PLAIN, "is_expiry", *COLUMNS, "past_share", *LIMITS]).astype(
            {**COLUMNS, "past_share": float}
        )
    rules = log.plan.tasks.sort_values("valid_from", na_position="first", kind="stable")
    rules = (
        rules[~(rules["valid_from"] > log.as_of)]
        .drop_duplicates(["plan", "code"], keep="last")
        .set_index(["plan", "code"])
    )
    rule = rules.reindex(pd.MultiIndex.from_frame(now[["plan", "task"]])).reset_index(drop=True)
    now = now.reset_index(drop=True)
    hard = now["duty"].eq("severe") & rule[
        ["severe_km", "severe_days", "severe_months", "severe_hours"]
    ].notna().any(axis=1)
    every = {
        u: rule[f"every_{u}"].mask(hard, rule[f"severe_{u}"]).astype(float)
        for u in ("km", "days", "months", "hours")
    }
    due_day, early_day = (_days(now[f"{edge}_date"], log.as_of) for edge in ("due", "early"))
    found = {
        **{name: now[name].array for name in PLAIN},
        "is_expiry": rule["measured_from"].eq("expiry").to_numpy(dtype=bool),
        **{name: now[name] for name in ("due_km", "early_km", "due_hours", "early_hours")},
        "due_day": due_day,
        "early_day": np.fmin(early_day, due_day),
        **{f"every_{unit}": every[unit] for unit in ("km", "hours")},
        "every_days": np.fmin(every["days"], every["months"] * MONTH_DAYS),
    }
    found = (
        pd.DataFrame(found)
        .fillna(dict.fromkeys(COLUMNS, np.inf))
        .assign(past_share=now["overrun_share"].fillna(-1.0))
    )
    return found.assign(
        days=every["days"], months=every["months"], **_ladder(log, now, rule, due_day)
    )


def _ladder(log, now, rule, due_day):
    """Window and ladder of each row: its ladder counts from the point that is due, or after a first service from where that counted."""
    first_day = rule[["first_days", "first_months"]].notna().any(axis=1)
    is_first = now["basis"].eq("first")
    base_km = now["due_km"].mask(is_first & rule["first_km"].notna(), now["anchor_km"])
    base_hours = now["due_hours"].mask(is_first & rule["first_hours"].notna(), 0.0)
    base_day = due_day.mask(is_first & first_day, _days(now["anchor_date"], log.as_of))
    window = {
        name: rule[name].astype(float)
        for name in ("early_share", "tolerance_km", "tolerance_hours", "tolerance_days")
    }
    base = {"base_km": base_km, "base_hours": base_hours, "base_day": base_day}
    return window | base | {"on_ladder": rule["measured_from"].isin(["schedule", "expiry"])}


def _days(dates, as_of):
    return (dates - as_of).dt.days.astype(float)


def _certificates(log, table):
    c = table[table["what"].eq("certificate") & table["is_open"]].reset_index(drop=True)
    code = {kind: kind for kind in c["item"].unique()}
    plan, months = pd.Series(np.nan, c.index, dtype=object), pd.Series(12.0, c.index)
    if log.plan is not None:
        rules = log.plan.tasks[log.plan.tasks["measured_from"].eq("expiry")]
        code = {
            kind: next(
                (t for t in rules["code"].unique() if t == kind or t.startswith(f"{kind}-")), kind
            )
            for kind in code
        }
        plan = c["vehicle"].map(log.plan.assign(log.tables["vehicles"]))
        term = rules.drop_duplicates(["plan", "code"], keep="last").set_index(["plan", "code"])[
            "every_months"
        ]
        months = (
            term.reindex(pd.MultiIndex.from_arrays([plan, c["item"].map(code)]))
            .reset_index(drop=True)
            .astype(float)
            .fillna(12.0)
        )
    due, early = _days(c["due_date"], log.as_of), _days(c["early_date"], log.as_of)
    found = {
        "vehicle": c["vehicle"],
        "plan": plan,
        "task": c["item"].map(code),
        "position": "",
        "safety": True,
        "statutory": True,
    }
    found |= dict.fromkeys(
        ["due_km", "early_km", "due_hours", "early_hours", "every_km", "every_hours"], np.inf
    )
    found |= {"is_expiry": True, "due_day": due, "early_day": early}
    found |= {"title": [title_of(code.get(kind, kind)) for kind in c["item"]]}
    found |= {
        "every_days": months * MONTH_DAYS,
        "past_share": due / -YEAR_DAYS,
        "days": np.nan,
        "months": months,
        "early_share": np.nan,
    }
    found |= dict.fromkeys(["tolerance_km", "tolerance_hours", "base_km", "base_hours"], np.nan)
    found |= {"tolerance_days": due - early, "on_ladder": True, "base_day": due}
    return pd.DataFrame(found, index=c.index)


def _covers(log, rows):
    """(rows that do, rows done too): by the plan's covers, at the same position or where the covered task has none."""
    none = (np.zeros(0, dtype=int), np.zeros(0, dtype=int))
    if log.plan is None or not len(log.plan.covers) or not len(rows):
        return none
    pairs = log.plan.covers.drop_duplicates(["plan", "code", "covered"])
    at = rows.reset_index(names="row")[["row", "vehicle", "plan", "task", "position"]]
    both = at.merge(
        pairs[["plan", "code", "covered"]], left_on=["plan", "task"], right_on=["plan", "code"]
    )
    both = both.merge(
        at, left_on=["vehicle", "covered"], right_on=["vehicle", "task"], suffixes=("", "_too")
    )
    both = both[(both["position"] == both["position_too"]) | (both["position"] == "")]
    return both["row"].to_numpy(), both["row_too"].to_numpy()


def _habits(log, done, rows):
    """By the task's own doings of the last two years where there are enough, else by all; nil, the due day itself, where those are few
    too.
    """
    chance = (np.arange(QUANTILES) + 0.5) / QUANTILES
    if len(done):
        done = done[done["done_date"] > log.as_of - pd.Timedelta(days=HABIT_DAYS)]
    if len(done) < LEAST_HABITS:
        return np.zeros((len(rows), QUANTILES))
    share = done["overrun_share"].clip(-0.9, 1.0)
    every = np.quantile(share, chance)
    own = {
        task: np.quantile(s, chance)
        for task, s in share.groupby(done["task"])
        if len(s) >= LEAST_HABITS
    }
    return np.array([own.get(task, every) for task in rows["task"]]).reshape(len(rows), QUANTILES)


def _habit_sd(log, done):
    """Standard deviation between the years' mean lateness, less what chance gives; nil below three years."""
    if not len(done):
        return 0.0
    year = ((log.as_of - done["done_date"]).dt.days // YEAR_DAYS).to_numpy()
    by = done["overrun_share"].clip(-0.9, 1.0).groupby(year).agg(["mean", "var", "size"])
    by = by[by["size"] >= LEAST_HABITS]
    return (
        float(np.sqrt(max(by["mean"].var() - (by["var"] / by["size"]).mean(), 0.0)))
        if len(by) >= 3
        else 0.0
    )
