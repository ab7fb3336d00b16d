"""Which visits to make: as few as will do, nothing later than its due point.

For each vehicle a mixed-integer programme (HiGHS, by `scipy.optimize.milp`). Every job is a path
through days on which a visit may be made: from a day on which it is done, the next lies in its
window, not before the early edge and not after the due point; the late half of a window is for
mishap. A path may only use days with a visit: one a week, and the due days of every job if it is
always done on them, so that there is always a plan. The number of visits is made least, and among
plans with as few, what early work wastes. What is already past its due point is planned at once.

Where a vehicle would come twice within GAP_DAYS, its plan is made anew: each such pair weighs more
than a visit, and work may be done up to GAP_DAYS before it is due, as in the month (`next_visits`).
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import optimize, sparse

from wearbar.log.keys import is_among, stacked
from wearbar.outlook.ahead import EARLIEST, POINT
from wearbar.outlook.next_visits import GAP_DAYS, MONTH_DAYS
from wearbar.outlook.simulate import days_of_use
from wearbar.outlook.year import QUARTER_DAYS

SLACK = 0.9  # of one visit: all the waste of a vehicle's plan weighs less than that
CLOSE = 3.0  # visits: a second one within the gap weighs as many more
STEP_DAYS, PLAN_DAYS = 7, 364
FAR_DAYS = 2.0 * PLAN_DAYS
LOT = 150  # vehicles at once
OF_LIST = ["vehicle", "listed", "position"]
ROW = ["vehicle", "site", "listed", "task", "title", "position"]
ROW = dict.fromkeys(ROW, object) | {"amount": float}


@dataclass(frozen=True, eq=False)
class Jobs:
    """The windows of n jobs: the first time, and again after each of m days on which it is done."""

    rows: pd.DataFrame  # one row a job: `vehicle, task, position, amount` (NaN not known) and more
    days: np.ndarray  # (m,) from now, the first 0; a due day within them is one of them
    early: np.ndarray  # (n, 1 + m), whole days, the first time in column 0
    due: np.ndarray

    def take(self, rows, places):
        at = np.ix_(rows, np.append(0, np.add(places, 1)))
        return Jobs(self.rows.iloc[rows], self.days[places], self.early[at], self.due[at])

    def unused(self, job, start, day):
        """Share of its interval that a job gives up by being done on a day of window `start`."""
        due, since = self.due[job, start], np.maximum(start, 1)
        whole = self.due[job, since] - self.days[since - 1]
        return np.clip((due - day) / np.maximum(whole, 1.0), 0.0, 1.0)

    def windows(self):
        """First and last place in `days` of each window, the last before the first where no day
        lies in it, and whether it may lie past the last day. What is past is due the next day."""
        soonest = np.arange(len(self.days) + 1)
        gone = self.due < np.append(0, self.days + 1)
        last = np.where(gone, soonest, np.searchsorted(self.days, self.due, "right") - 1)
        first = np.maximum(np.searchsorted(self.days, self.early, "left"), soonest)
        beyond = self.due > self.days[-1]
        beyond[:, -1] = True
        return np.where(gone, soonest, first), last, beyond


@dataclass(frozen=True, eq=False)
class VisitPlan:
    """The visits of a year."""

    # one row a job at a visit: those of `ROW`, `day, due_day, unused_share` (of its interval),
    # `wasted_amount, is_past` (its due point had gone by already)
    jobs: pd.DataFrame
    n_visits: int
    n_single: int  # with a visit for every job
    n_own_day: int  # with every job on its own due day, those of one day together

    @property
    def saved_share(self):
        return 1 - self.n_visits / self.n_single if self.n_single else np.nan

    @property
    def n_close(self):
        """Visits within GAP_DAYS of the vehicle's last."""
        visits = self.jobs[["vehicle", "day"]].drop_duplicates().sort_values(["vehicle", "day"])
        return int((visits.groupby("vehicle")["day"].diff() <= GAP_DAYS).sum())


def plan_of_visits(outlook, first=None):
    """The `VisitPlan` of the year ahead. first: of `visits_ahead`, in words (`job`): the plan
    begins with these visits, and has no more before MONTH_DAYS but where work must come again.
    None: the work ahead alone."""
    names = list(dict.fromkeys(outlook.ahead.rows["vehicle"]))
    bound = pd.DataFrame(columns=[*OF_LIST, "site", "kind", "job", "day"])
    if first is not None:
        bound = first[~first["waits"]].rename(columns={"item": "listed"})
        bound = bound.assign(day=lambda v: (v["day"] - outlook.as_of).dt.days)
        names = list(dict.fromkeys([*names, *bound["vehicle"]]))
    is_ahead = bound["kind"].isin(["task", "certificate"])
    is_ahead &= is_among(bound, outlook.ahead.rows, OF_LIST)
    bound, more, plans = bound[is_ahead].drop_duplicates(OF_LIST), bound[~is_ahead], []
    for at in range(0, max(len(names), 1), LOT):
        some = names[at : at + LOT]
        jobs, also = visit_jobs(outlook, some), more[more["vehicle"].isin(some)]
        once = np.full((len(also), jobs.due.shape[1]), FAR_DAYS)
        once[:, 0] = also["day"]
        also = also.assign(task=also["job"], title=also["job"])
        also["position"] = also["position"].where(also["kind"].eq("wear"), "")
        rows = stacked([jobs.rows, also]).reindex(columns=ROW).astype(ROW)
        due, early = np.vstack([jobs.due, once]), np.vstack([jobs.early, once])
        on = rows[OF_LIST].merge(bound, "left", OF_LIST)["day"]
        real, on = Jobs(rows, jobs.days, early, due), on.to_numpy(dtype=float)
        if first is not None:
            early, due = early.copy(), due.copy()
            due[:, 0] = np.where(np.isnan(on), due[:, 0], on)
            later = np.minimum(np.maximum(early[:, 0], MONTH_DAYS + 1), due[:, 0])
            early[:, 0] = np.where(np.isnan(on), later, on)
        plans.append(plan_visits(Jobs(rows, jobs.days, early, due), real=real))
    counts = np.sum([(p.n_visits, p.n_single, p.n_own_day) for p in plans], axis=0).tolist()
    return VisitPlan(pd.concat([p.jobs for p in plans], ignore_index=True), *counts)


def plan_visits(jobs, step=STEP_DAYS, real=None, gap=GAP_DAYS):
    """The `VisitPlan` of all vehicles. step: a visit may be made each so many days. real: the due
    points, where those of `jobs` are bound to days. gap: days that part a vehicle's visits."""
    real = jobs if real is None else real
    code, names = pd.factorize(jobs.rows["vehicle"], sort=True)
    amount = jobs.rows["amount"].astype(float)
    weight = amount.fillna(amount.median() if amount.notna().any() else 1.0).to_numpy()
    row, own = own_days(jobs)
    done = [np.zeros((2, 0), dtype=int)]
    for v in range(len(names)):
        rows = np.flatnonzero(code == v)
        places = np.union1d(np.arange(0, len(jobs.days), step), own[np.isin(row, rows)])
        mine = jobs.take(rows, places)
        job, at = bundle(mine, weight[rows])
        if (np.diff(np.unique(mine.days[at])) <= gap).any():
            early = np.minimum(mine.early, mine.due - gap)
            job, at = bundle(replace(mine, early=early), weight[rows], gap)
        done.append(np.stack([rows[job], places[at]]))
    job, at = np.concatenate(done, axis=1)
    order = np.lexsort((at, job))
    job, at = job[order], at[order]
    start, day = np.where(np.diff(job, prepend=-1) != 0, 0, np.roll(at, 1) + 1), jobs.days[at]
    due, unused = real.due[job, start], real.unused(job, start, day)
    told = jobs.rows.iloc[job].assign(day=day, due_day=due, unused_share=unused)
    told = told.assign(wasted_amount=unused * amount.to_numpy()[job], is_past=due < 0)
    told = told.sort_values(["vehicle", "day", "task", "position"], ignore_index=True)
    row, own = own_days(real)
    n_own_day = len(np.unique(np.stack([code[row], own]), axis=1).T)
    return VisitPlan(told, len(told[["vehicle", "day"]].drop_duplicates()), len(row), n_own_day)


def own_days(jobs):
    """Every job on its due day throughout: as `bundle`."""
    _, last, beyond = jobs.windows()
    job = np.arange(len(jobs.due))
    start, found = np.zeros_like(job), [np.zeros((2, 0), dtype=int)]
    while len(job):
        job, start = (x[~beyond[job, start]] for x in (job, start))
        place = last[job, start]
        found.append(np.stack([job, place]))
        job, start = (x[place < len(jobs.days) - 1] for x in (job, place + 1))
    return np.concatenate(found, axis=1)


def bundle(jobs, weight, gap=0):
    """The fewest visits of one vehicle: (job, place in `days`) of every doing, two arrays. weight:
    (n,) what a whole interval is worth. gap: days within which a second visit weighs CLOSE more."""
    m = len(jobs.days)
    # jobs with the same windows throughout are one
    table = np.hstack([jobs.early, jobs.due])
    _, kept, group = np.unique(table, axis=0, return_index=True, return_inverse=True)
    value = np.bincount(group.ravel(), np.maximum(weight, 1e-3))
    jobs, place, n = jobs.take(kept, np.arange(m)), np.arange(m), len(kept)
    first, last, beyond = jobs.windows()
    # arcs from a start, 0 the beginning, else a place and one, to an end: a place, m past the last
    within = np.nonzero((place >= first[..., None]) & (place <= last[..., None]))
    out = *np.nonzero(beyond), np.full(beyond.sum(), m)
    job, start, end = (np.append(*ends) for ends in zip(within, out, strict=True))
    inside = end < m
    unused = jobs.unused(job, start, jobs.days[end * inside]) * inside
    shortest = np.maximum((jobs.due[:, 1:] - jobs.days).min(axis=1), 1.0)
    most_times = np.ceil(jobs.days[-1] / np.maximum(shortest / 2, 7.0)) + 1
    cost, most = unused * value[job], most_times @ value  # no plan wastes more
    arc = m + np.arange(len(job))

    def ones(is_in, row, column, height=n * m):
        at = row[is_in], column[is_in]
        return sparse.csr_array((np.ones(is_in.sum()), at), shape=(height, 2 * m + len(job)))

    # one path a job, and no doing on a day without a visit
    begins, is_place = start == 0, np.ones(n * m, dtype=bool)
    into, out = ones(inside, job * m + end, arc), ones(~begins, job * m + start - 1, arc)
    visit = ones(is_place, np.arange(n * m), np.tile(place, n))
    # visits within the gap of each place, but for one of them
    near = (place >= place[:, None]) & (jobs.days <= jobs.days[:, None] + gap)
    near = ones(near[near], *np.nonzero(near), m)
    near = near - sparse.eye_array(m, near.shape[1], k=m + len(job))
    solved = optimize.milp(
        np.concatenate([np.ones(m), SLACK * cost / most, np.full(m, CLOSE)]),
        constraints=[
            optimize.LinearConstraint(ones(begins, job, arc, n), 1, 1),
            optimize.LinearConstraint(into - out, 0, 0),
            optimize.LinearConstraint(into - visit, -np.inf, 0),
            optimize.LinearConstraint(near, -np.inf, 1),
        ],
        integrality=np.append(np.ones(m), np.zeros(len(job) + m)),
        bounds=optimize.Bounds(0, np.append(np.ones(m + len(job)), np.full(m, np.inf))),
    )
    if solved.x is None:
        raise RuntimeError(f"the visits could not be planned: {solved.message}")
    used = np.flatnonzero((solved.x[m : m + len(job)] > 0.5) & inside)
    arc, member = np.nonzero(job[used][:, None] == group.ravel())
    return member, end[used][arc]


def shown_visits(table, outlook):
    """The rows of visits that the record carries: a year's, or the next three months'."""
    until = outlook.as_of + pd.Timedelta(days=QUARTER_DAYS)
    return table if outlook.has_year else table[table["date"] <= until]


def expected_km(model, vehicles, as_of, days):
    """(vehicles, days): where each will be on the median path, days from the report date."""
    known, used = days_of_use(model, vehicles, as_of, days)
    return known["last_km"].to_numpy()[:, None] + known[["rate_km_per_day"]].to_numpy() * used


def visit_jobs(outlook, some):
    """The `Jobs` of some vehicles by median paths; none of one off the road without a known end."""
    ahead, model, days = outlook.ahead, outlook.model, np.arange(PLAN_DAYS + 1)
    rows = ahead.rows[ahead.rows["vehicle"].isin(some)]
    rows = rows.assign(amount=outlook.prices.of_tasks(rows)["amount"])
    names = pd.Index(rows["vehicle"].unique())
    who, back = names.get_indexer(rows["vehicle"]), rows["wait_days"].to_numpy()
    km = expected_km(model, names, outlook.as_of, days)
    hours = 0 * km if model.hours is None else expected_km(model.hours, names, outlook.as_of, days)
    done = np.stack([km[who], hours[who], np.broadcast_to(days, (len(rows), len(days)))])
    again = ahead.points(np.repeat(rows.index, len(days)), done.reshape(3, -1))
    first = rows[POINT + EARLIEST].to_numpy(dtype=float).T.reshape(2, 3, len(rows), 1)
    points = np.concatenate([first, again.reshape(2, 3, *done.shape[1:])], axis=3)

    def reached(on_km, on_hours, on_day):
        """The day on which the first of the limits is reached."""
        day = np.minimum(on_day, FAR_DAYS)
        for line, wanted in ((km, on_km), (hours, on_hours)):
            pairs = zip(who, wanted, strict=True)
            found = np.array([np.searchsorted(line[v], at - 1e-6) for v, at in pairs])
            found = found.reshape(day.shape)
            day = np.where(found < len(days), np.minimum(found, day), day)
        return np.floor(day)

    due, early = (reached(*point) for point in points)
    past = (first[0, :2, :, 0] < done[:2, :, 0] - 1e-6).any(axis=0)
    due[past, 0] = np.minimum(due[past, 0], -1.0)
    # due while laid up: to be done before the next use, which may never come
    due[:, 0] = np.maximum(due[:, 0], np.where(back > 0, back, -np.inf))
    early[:, 0] = np.maximum(early[:, 0], back)
    return Jobs(rows.reset_index(drop=True), days, np.minimum(early, due), due)
