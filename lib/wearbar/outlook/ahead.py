"""The work ahead of each vehicle: the open task of every series and the certificates, with what each repeats after, and where it stands."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals.due import MONTH_DAYS
from wearbar.paths import days_of
from wearbar.visits import Jobs

__all__ = ["YEAR_DAYS", "Ahead", "expected_km", "visit_jobs", "work_ahead"]

YEAR_DAYS = 365.25
HABIT_DAYS, LEAST_HABITS, QUANTILES = 730, 20, 100
STEP_DAYS, PLAN_DAYS = 7, 364


@dataclass(frozen=True, eq=False)
class Ahead:
    """rows: one row a series: `vehicle, site, kind, plan, task, position, safety, statutory, is_expiry`; `due_km, early_km` (cumulative)
    and `due_day, early_day` (days from the log's day), infinite without such a limit; `every_km, every_days`: what it repeats after;
    `past_share`: how far past its due point it is, in shares of the interval (negative: before it). covers: (doing, done too) rows.
    habits: (rows, quantiles) ascending, the shares of the interval by which such work has been done here after its due point; habit_sd:
    how much the mean of a year differs from another's.
    """

    rows: pd.DataFrame
    covers: tuple
    habits: np.ndarray
    habit_sd: float


def work_ahead(log, found, table, habits=True):
    """The `Ahead` of a log. found, table: of `intervals.occasions` and `intervals.items`. habits: else all is done on its due day."""
    now = found[found["is_current"] & found["is_open"] & ~found["state"].isin(["not-finished"])] if len(found) else found
    parts = [_tasks(log, now), _certificates(log, table)]
    rows = pd.concat([p for p in parts if len(p)] or parts[:1], ignore_index=True)
    home = log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")
    rows["kind"] = rows["vehicle"].map(home["kind"])
    rows["site"] = usage.site_at(log, rows["vehicle"], np.repeat(log.as_of.to_datetime64(), len(rows))).to_numpy()
    done = found[found["in_rate"] & found["done_date"].notna() & found["overrun_share"].notna()] if habits and len(found) else found[:0]
    return Ahead(rows, _covers(log, rows), _habits(log, done, rows), _habit_sd(log, done))


COLUMNS = {"due_km": float, "early_km": float, "due_day": float, "early_day": float, "every_km": float, "every_days": float}
PLAIN = ["vehicle", "plan", "task", "position", "safety", "statutory"]


def _tasks(log, now):
    if not len(now):
        return pd.DataFrame(columns=[*PLAIN, "is_expiry", *COLUMNS, "past_share"]).astype({**COLUMNS, "past_share": float})
    rules = log.plan.tasks.sort_values("valid_from", na_position="first", kind="stable")
    rules = rules[~(rules["valid_from"] > log.as_of)].drop_duplicates(["plan", "code"], keep="last").set_index(["plan", "code"])
    rule = rules.reindex(pd.MultiIndex.from_frame(now[["plan", "task"]]))
    hard = (
        now["duty"].eq("severe").to_numpy()
        & rule[["severe_km", "severe_days", "severe_months", "severe_hours"]].notna().any(axis=1).to_numpy()
    )
    every = {u: np.where(hard, rule[f"severe_{u}"], rule[f"every_{u}"]).astype(float) for u in ("km", "days", "months", "hours")}
    left = (now["expected_date"] - log.as_of).dt.days.to_numpy(dtype=float)
    by_hours = now["due_hours"].notna().to_numpy() & (left > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        hours_days = np.where(by_hours, every["hours"] * left / np.maximum(-now["overrun_hours"].to_numpy(), 0.1), np.nan)
    due_day = np.fmin(_days(now["due_date"], log.as_of), np.where(by_hours, left, np.nan))
    found = {
        **{name: now[name].array for name in PLAIN},
        "is_expiry": rule["measured_from"].eq("expiry").to_numpy(dtype=bool),
        "due_km": now["due_km"].to_numpy(),
        "early_km": now["early_km"].to_numpy(),
        "due_day": due_day,
        "early_day": np.fmin(_days(now["early_date"], log.as_of), due_day),
        "every_km": every["km"],
        "every_days": np.fmin(np.fmin(every["days"], every["months"] * MONTH_DAYS), hours_days),
    }
    return pd.DataFrame(found).fillna(dict.fromkeys(COLUMNS, np.inf)).assign(past_share=now["overrun_share"].fillna(-1.0).to_numpy())


def _days(dates, as_of):
    return (dates - as_of).dt.days.to_numpy(dtype=float)


def _certificates(log, table):
    c = table[table["what"].eq("certificate") & table["is_open"]]
    code = {kind: kind for kind in c["item"].unique()}
    if log.plan is not None:
        tests = log.plan.tasks.loc[log.plan.tasks["measured_from"].eq("expiry"), "code"].unique()
        code = {kind: next((t for t in tests if t == kind or t.startswith(f"{kind}-")), kind) for kind in code}
    plan = c["vehicle"].map(log.plan.assign(log.tables["vehicles"])).array if log.plan is not None else np.nan
    due = _days(c["due_date"], log.as_of)
    found = {
        "vehicle": c["vehicle"].array,
        "plan": plan,
        "task": c["item"].map(code).array,
        "position": "",
        "safety": True,
        "statutory": True,
    }
    found |= {"is_expiry": True, "due_km": np.inf, "early_km": np.inf, "due_day": due, "early_day": _days(c["early_date"], log.as_of)}
    return pd.DataFrame(found | {"every_km": np.inf, "every_days": YEAR_DAYS, "past_share": due / -YEAR_DAYS}, index=range(len(c)))


def _covers(log, rows):
    """(rows that do, rows done too): by the plan's covers, at the same position or where the covered task has none."""
    none = (np.zeros(0, dtype=int), np.zeros(0, dtype=int))
    if log.plan is None or not len(log.plan.covers) or not len(rows):
        return none
    pairs = log.plan.covers.drop_duplicates(["plan", "code", "covered"])
    at = rows.reset_index(names="row")[["row", "vehicle", "plan", "task", "position"]]
    both = at.merge(pairs[["plan", "code", "covered"]], left_on=["plan", "task"], right_on=["plan", "code"])
    both = both.merge(at, left_on=["vehicle", "covered"], right_on=["vehicle", "task"], suffixes=("", "_too"))
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
    own = {task: np.quantile(s, chance) for task, s in share.groupby(done["task"]) if len(s) >= LEAST_HABITS}
    return np.array([own.get(task, every) for task in rows["task"]]).reshape(len(rows), QUANTILES)


def _habit_sd(log, done):
    """Standard deviation between the years' mean lateness, less what chance gives; nil below three years."""
    if not len(done):
        return 0.0
    year = ((log.as_of - done["done_date"]).dt.days // YEAR_DAYS).to_numpy()
    by = done["overrun_share"].clip(-0.9, 1.0).groupby(year).agg(["mean", "var", "size"])
    by = by[by["size"] >= LEAST_HABITS]
    return float(np.sqrt(max(by["mean"].var() - (by["var"] / by["size"]).mean(), 0.0))) if len(by) >= 3 else 0.0


def expected_km(model, vehicles, as_of, days):
    """Where each vehicle will be on the median path at the end of each of `days` from the log's day: (vehicles, days)."""
    row, known = model.of(vehicles)
    start, today = days_of(known["last_date"]), int(days_of([as_of])[0])
    n, m = len(row), len(days)
    end = (today + np.asarray(days)).astype(np.int64)
    gone = model.clock.between(np.repeat(row, m), np.repeat(start, m), np.tile(end, n)).reshape(n, m)
    is_told = known["method"].isin(["own", "kind-and-site"]).to_numpy()
    rate = np.where(is_told, known["rate_km_per_day"], 0.0)
    last = known["last_km"].fillna(0.0).to_numpy()
    return last[:, None] + rate[:, None] * np.where(is_told[:, None], gone, 0.0)


def visit_jobs(ahead, model, as_of, amounts=None, plan_days=PLAN_DAYS):
    """The `visits.Jobs` of the work ahead by each vehicle's median path. amounts: of each row of `ahead.rows`."""
    rows = ahead.rows.assign(amount=np.nan if amounts is None else amounts)
    names = pd.Index(rows["vehicle"].unique())
    at = names.get_indexer(rows["vehicle"])
    days = np.arange(0, plan_days + 1, STEP_DAYS)
    path = expected_km(model, names, as_of, np.arange(plan_days + 1))
    there = path[at][:, days]
    share = _early_shares(rows)

    def reached(km):
        flat = (path + 1e9 * np.arange(len(names))[:, None]).ravel()
        wanted = np.clip(np.where(np.isfinite(km), km, 1e8), 0, 1e8) + 1e9 * at.reshape(-1, *[1] * (km.ndim - 1))
        place = np.searchsorted(flat, wanted - 1e-6) - (at * path.shape[1]).reshape(-1, *[1] * (km.ndim - 1))
        return np.where(place >= path.shape[1], np.inf, place)

    def first(km, day):
        return np.minimum(reached(km), day)

    every_km, every_days = rows["every_km"].to_numpy()[:, None], rows["every_days"].to_numpy()[:, None]
    far = 2.0 * plan_days
    due = np.minimum(first(there + every_km, days + every_days), far)
    early = np.minimum(first(there + every_km * (1 - share), days + np.ceil(every_days * (1 - share))), due)
    first_due = np.minimum(first(rows["due_km"].to_numpy(), rows["due_day"].to_numpy()), far)
    first_early = np.minimum(first(rows["early_km"].to_numpy(), rows["early_day"].to_numpy()), first_due)
    behind = rows["due_km"].to_numpy() < path[at, 0] - 1e-6
    first_due = np.where(behind, np.minimum(first_due, -1.0), first_due)
    return Jobs(rows, days, np.floor(first_early), np.floor(first_due), np.floor(early), np.floor(due))


def _early_shares(rows):
    """The early half of each window as a share of the interval, by the open occasion's own window."""
    with np.errstate(invalid="ignore", divide="ignore"):
        by_day = (rows["due_day"] - rows["early_day"]) / rows["every_days"]
        by_km = (rows["due_km"] - rows["early_km"]) / rows["every_km"]
    share = np.fmax(by_day.where(np.isfinite(by_day)), by_km.where(np.isfinite(by_km)))
    return share.fillna(0.0).clip(0.0, 0.9).to_numpy()[:, None]
