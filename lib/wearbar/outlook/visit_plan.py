"""The work ahead as jobs with windows by each vehicle's median path, and the visits that do them."""

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up
from wearbar.log.schema import TEXT
from wearbar.outlook.urgent import at_once, with_more
from wearbar.outlook.visits import Jobs, VisitPlan, plan_visits
from wearbar.outlook.year import QUARTER_DAYS
from wearbar.usage.distance import days_of

LOT = 150  # vehicles at once
PLAN_DAYS = 364


def plan_of_visits(outlook, todo=None):
    """The `visits.VisitPlan` of the year ahead; what `waiting` tells is not in it.

    todo: of `actionlist.actions`, told in words (`job`): what of it cannot wait is done at the
    first visit of its vehicle, or on the day that its lay-up ends.
    """
    rows, more = outlook.ahead.rows, at_once(outlook.ahead, todo)
    key = pd.MultiIndex.from_frame(rows[["plan", "task"]])
    amounts = (
        outlook.prices.tasks["amount"].reindex(key).to_numpy(dtype=float)
        if len(outlook.prices.tasks)
        else np.full(len(key), np.nan)
    )
    names = list(dict.fromkeys([*rows["vehicle"], *more["vehicle"]]))
    plans = []
    for at in range(0, max(len(names), 1), LOT):
        some = names[at : at + LOT]
        jobs = visit_jobs(outlook.ahead, outlook.model, outlook.as_of, amounts, some)
        plans.append(plan_visits(with_more(jobs, more[more["vehicle"].isin(some)])))
    jobs = pd.concat([p.jobs for p in plans], ignore_index=True)
    return VisitPlan(
        jobs,
        *(sum(getattr(p, name) for p in plans) for name in ("n_visits", "n_single", "n_own_day")),
    )


def shown_visits(table, outlook):
    """The rows of visits that the record carries: a year's, or the next three months'."""
    until = outlook.as_of + pd.Timedelta(days=QUARTER_DAYS)
    return table if outlook.has_year else table[table["date"] <= until]


def waiting(outlook, todo=None):
    """The work due by now of vehicles off the road without an end on record: frame `vehicle, task, position`; task "" where none of it is.

    todo: as of `plan_of_visits`.
    """
    rows = outlook.ahead.rows[np.isinf(outlook.ahead.rows["wait_days"])]
    due = rows["due_day"] <= 0
    for meter, column in ((outlook.model, "due_km"), (outlook.model.hours, "due_hours")):
        due |= (
            False
            if meter is None
            else rows[column] <= look_up(rows["vehicle"], meter.vehicles["last_km"])
        )
    rows = rows.assign(task=rows["task"].where(due, ""), position=rows["position"].where(due, ""))
    more = at_once(outlook.ahead, todo)
    more = more[np.isinf(more["day"])]
    rows = rows[~(rows["task"].eq("") & rows["vehicle"].isin(more["vehicle"]))]
    kept = rows["task"].ne("") | ~rows["vehicle"].isin(rows.loc[rows["task"].ne(""), "vehicle"])
    names = ["vehicle", "task", "position"]
    both = [t[names].astype(TEXT) for t in (more, rows[kept])]
    return pd.concat([t for t in both if len(t)] or both[:1]).drop_duplicates(ignore_index=True)


def expected_km(model, vehicles, as_of, days):
    """Where each vehicle will be on the median path at the end of each of `days` from the report date: (vehicles, days)."""
    row, known = model.of(vehicles)
    start, today = days_of(known["last_date"]), int(days_of([as_of])[0])
    n, m = len(row), len(days)
    end = (today + np.asarray(days)).astype(np.int64)
    gone = model.clock.between(np.repeat(row, m), np.repeat(start, m), np.tile(end, n)).reshape(
        n, m
    )
    is_told = known["method"].isin(["own", "kind-and-site"]).to_numpy()
    rate = np.where(is_told, known["rate_km_per_day"], 0.0)
    last = known["last_km"].fillna(0.0).to_numpy()
    return last[:, None] + rate[:, None] * np.where(is_told[:, None], gone, 0.0)


def _first_day(line, at, value):
    """The first of the days of `line` (vehicles, days, never falling) on which each value is reached; infinite where none is.

    at: the vehicle of each value, (n,), or of each row of values, (n, m).
    """
    lift, place = 1e9 * np.arange(len(line))[:, None], at.reshape(-1, *[1] * (value.ndim - 1))
    wanted = np.clip(np.where(np.isfinite(value), value, 1e8), 0, 1e8) + 1e9 * place
    found = np.searchsorted((line + lift).ravel(), wanted - 1e-6) - place * line.shape[1]
    return np.where(found >= line.shape[1], np.inf, found)


def visit_jobs(ahead, model, as_of, amounts=None, some=None, plan_days=PLAN_DAYS):
    """The `visits.Jobs` of the work ahead by each vehicle's median path; none of a vehicle off the road without an end on record.

    amounts: of each row of `ahead.rows`. some: vehicles; None is all.
    """
    rows = ahead.rows.assign(amount=np.nan if amounts is None else amounts)
    rows = rows if some is None else rows[rows["vehicle"].isin(some)]
    names = pd.Index(rows["vehicle"].unique())
    at, days = names.get_indexer(rows["vehicle"]), np.arange(plan_days + 1)
    lines = [
        expected_km(meter, names, as_of, days)
        for meter in (model, model.hours)
        if meter is not None
    ]
    lines = lines if len(lines) > 1 else [*lines, np.zeros_like(lines[0])]
    n, far = len(rows), 2.0 * plan_days

    def reached(km, hours, day):
        """The day on which the first of the limits is reached, of rows of any number of doings each."""
        first = [
            _first_day(line, at, value) for line, value in zip(lines, (km, hours), strict=True)
        ]
        return np.floor(np.minimum(np.minimum(*first), np.minimum(day, far)))

    where = (line[at].ravel() for line in lines)
    told = ahead.again.points(np.repeat(rows.index, len(days)), *where, np.tile(days, n)).reshape(
        2, 3, n, len(days)
    )
    due, early = (reached(*point) for point in told)
    points = {
        edge: [rows[f"{edge}_{unit}"].to_numpy() for unit in ("km", "hours", "day")]
        for edge in ("due", "early")
    }
    first_due, first_early = (reached(*points[edge]) for edge in ("due", "early"))
    gone = np.logical_or.reduce(
        [point < line[at, 0] - 1e-6 for point, line in zip(points["due"][:2], lines, strict=True)]
    )
    first_due = np.where(gone, np.minimum(first_due, -1.0), first_due)
    back = rows[
        "wait_days"
    ].to_numpy()  # due while laid up: to be done before the next use, which may never come
    first_due, first_early = (
        np.maximum(first_due, np.where(back > 0, back, -np.inf)),
        np.maximum(first_early, back),
    )
    return Jobs(
        rows.reset_index(drop=True),
        days,
        np.minimum(first_early, first_due),
        first_due,
        np.minimum(early, due),
        due,
    )
