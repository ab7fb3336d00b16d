"""The work ahead as jobs by each vehicle's median path, and the visits that do them."""

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up, stacked
from wearbar.log.schema import TEXT
from wearbar.outlook.action_frame import PRESSING
from wearbar.outlook.paths import days_of_use
from wearbar.outlook.visits import Jobs, VisitPlan, plan_visits
from wearbar.outlook.year import QUARTER_DAYS

LOT = 150  # vehicles at once
PLAN_DAYS = 364
FAR_DAYS = 2.0 * PLAN_DAYS
ROW = ["vehicle", "site", "task", "title", "position", "amount"]


def plan_of_visits(outlook, todo=None):
    """The `VisitPlan` of the year ahead; what `waiting` tells is not in it.

    todo: of `actions`, told in words (`job`): what of it cannot wait is done at the first visit of
    its vehicle, or on the day that its lay-up ends.
    """
    ahead, more = outlook.ahead, _at_once(outlook.ahead, todo)
    names = list(dict.fromkeys([*ahead.rows["vehicle"], *more["vehicle"]]))
    amounts, plans = outlook.prices.task(ahead.rows)["amount"].to_numpy(dtype=float), []
    for at in range(0, max(len(names), 1), LOT):
        some = names[at : at + LOT]
        jobs = visit_jobs(ahead, outlook.model, outlook.as_of, amounts, some)
        plans.append(plan_visits(_with_more(jobs, more[more["vehicle"].isin(some)])))
    counts = np.sum([(p.n_visits, p.n_single, p.n_own_day) for p in plans], axis=0).tolist()
    return VisitPlan(pd.concat([p.jobs for p in plans], ignore_index=True), *counts)


def _at_once(ahead, todo):
    """The pressing rows of an action list that the work ahead does not hold: frame `ROW`, `day`.

    task, title: the row in words. day: 0, now, or the end of the lay-up that its vehicle is in,
    infinite where that is not on record. Tasks and certificates are in the work ahead already.
    """
    if todo is None:
        return pd.DataFrame(columns=[*ROW, "day"]).astype({"amount": float, "day": float})
    mine = todo["urgency"].isin([*PRESSING, "recall"]) & ~todo["kind"].isin(["task", "certificate"])
    rows = todo[mine].reset_index(drop=True)
    wait = ahead.rows.groupby("vehicle")["wait_days"].max()
    day = rows["vehicle"].map(wait).astype(float).replace(0.0, np.nan).fillna(np.inf)
    rows = rows.assign(task=rows["job"], title=rows["job"], position="", amount=np.nan)
    return rows[ROW].assign(day=day.where(rows["is_laid_up"], 0.0))


def _with_more(jobs, more):
    """The jobs, and rows of `_at_once` that have a day, each done once."""
    more = more[np.isfinite(more["day"])]
    if more.empty:
        return jobs
    first, never = more["day"].to_numpy(), np.full((len(more), len(jobs.days)), 2.0 * jobs.days[-1])
    types = dict.fromkeys(ROW[:-1], object) | {"amount": float}
    return Jobs(
        stacked([f[ROW].astype(types) for f in (jobs.rows, more)]),
        jobs.days,
        *(np.append(x, first) for x in (jobs.first_early, jobs.first_due)),
        *(np.vstack([x, never]) for x in (jobs.early, jobs.due)),
    )


def shown_visits(table, outlook):
    """The rows of visits that the record carries: a year's, or the next three months'."""
    until = outlook.as_of + pd.Timedelta(days=QUARTER_DAYS)
    return table if outlook.has_year else table[table["date"] <= until]


def waiting(outlook, todo=None):
    """The work due by now of vehicles off the road without an end on record.

    Frame `vehicle, task, position`; task "" where none of it is. todo: as of `plan_of_visits`.
    """
    rows, model = outlook.ahead.rows, outlook.model
    rows = rows[np.isinf(rows["wait_days"])]
    due = rows["due_day"] <= 0
    for meter, column in ((model, "due_km"), (model.hours, "due_hours")):
        if meter is not None:
            due |= rows[column] <= look_up(rows["vehicle"], meter.vehicles["last_km"])
    names = ["vehicle", "task", "position"]
    rows = rows[names].assign(**{name: rows[name].where(due, "") for name in names[1:]})
    more = _at_once(outlook.ahead, todo)
    more = more[np.isinf(more["day"])]
    is_blank, told = rows["task"].eq(""), (*more["vehicle"], *rows.loc[due, "vehicle"])
    rows = rows[~(is_blank & rows["vehicle"].isin(told))]
    return stacked([t[names].astype(TEXT) for t in (more, rows)]).drop_duplicates(ignore_index=True)


def expected_km(model, vehicles, as_of, days):
    """(vehicles, days): where each will be on the median path, days from the report date."""
    known, is_known, used = days_of_use(model, vehicles, as_of, days)
    last = known["last_km"].fillna(0.0).to_numpy()[:, None]
    return last + np.where(is_known, known["rate_km_per_day"], 0.0)[:, None] * used


def _first_day(line, at, value):
    """The first of the days of `line` (vehicles, days, never falling) on which each value is
    reached; infinite where none is.

    at: the vehicle of each value, (n,), or of each row of values, (n, m).
    """
    lift, place = 1e9 * np.arange(len(line))[:, None], at.reshape(-1, *[1] * (value.ndim - 1))
    wanted = np.clip(np.where(np.isfinite(value), value, 1e8), 0, 1e8) + 1e9 * place
    found = np.searchsorted((line + lift).ravel(), wanted - 1e-6) - place * line.shape[1]
    return np.where(found >= line.shape[1], np.inf, found)


def visit_jobs(ahead, model, as_of, amounts=np.nan, some=None):
    """The `visits.Jobs` of the work ahead by each vehicle's median path; none of a vehicle off the
    road without an end on record.

    amounts: of each row of `ahead.rows`. some: vehicles; None is all.
    """
    rows = ahead.rows.assign(amount=amounts)
    rows = rows if some is None else rows[rows["vehicle"].isin(some)]
    names = pd.Index(rows["vehicle"].unique())
    at, days = names.get_indexer(rows["vehicle"]), np.arange(PLAN_DAYS + 1)
    still = np.zeros((len(names), len(days)))
    km, hours = (
        still if meter is None else expected_km(meter, names, as_of, days)
        for meter in (model, model.hours)
    )

    def reached(on_km, on_hours, on_day):
        """The day on which the first of the limits is reached, of any number of doings a row."""
        first = np.minimum(_first_day(km, at, on_km), _first_day(hours, at, on_hours))
        return np.floor(np.minimum(first, np.minimum(on_day, FAR_DAYS)))

    done = (line[at].ravel() for line in (km, hours))
    told = ahead.again.points(np.repeat(rows.index, len(days)), *done, np.tile(days, len(rows)))
    due, early = (reached(*point) for point in told.reshape(2, 3, len(rows), len(days)))
    due_at, early_at = (
        [rows[f"{edge}_{unit}"].to_numpy() for unit in ("km", "hours", "day")]
        for edge in ("due", "early")
    )
    first_due, first_early = reached(*due_at), reached(*early_at)
    gone = (due_at[0] < km[at, 0] - 1e-6) | (due_at[1] < hours[at, 0] - 1e-6)
    first_due = np.where(gone, np.minimum(first_due, -1.0), first_due)
    # due while laid up: to be done before the next use, which may never come
    back = rows["wait_days"].to_numpy()
    first_due = np.maximum(first_due, np.where(back > 0, back, -np.inf))
    first_early = np.minimum(np.maximum(first_early, back), first_due)
    rows = rows.reset_index(drop=True)
    return Jobs(rows, days, first_early, first_due, np.minimum(early, due), due)
