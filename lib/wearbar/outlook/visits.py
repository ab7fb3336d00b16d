"""Which visits to make: work that falls due together done together, in the fewest visits, nothing later than its due point.

For each vehicle a mixed-integer programme (solved by HiGHS, through `scipy.optimize.milp`). Every job is a path through days on which a
visit may be made: from a day on which it is done, the next lies in its window, not before the early edge and not after the due point; the
late half of a window is for mishap and is not the planner's. A path may only use days with a visit: one a week, and the due days of every
job if it is always done on them, so that there is always a plan. The number of visits is made least, and among plans with as few, what
early work throws away. What is already past its due point is planned at once.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, sparse

__all__ = ["Jobs", "VisitPlan", "bundle", "own_days", "plan_visits"]

SLACK = 0.9  # of one visit: all the waste of a vehicle's plan weighs less than that
STEP_DAYS = 7


@dataclass(frozen=True, eq=False)
class Jobs:
    """Work ahead. rows: one row a job, `vehicle, task, position, amount` (its money, NaN not known) and any other. days: (m,), the days
    looked at, from now, the first 0. first_early, first_due: (n,) whole days from now. early, due: (n, m), the days between which each
    job is to be done again if it is done on each of `days`; a due day within them is one of them.
    """

    rows: pd.DataFrame
    days: np.ndarray
    first_early: np.ndarray
    first_due: np.ndarray
    early: np.ndarray
    due: np.ndarray

    def take(self, rows):
        arrays = (
            getattr(self, name)[rows] for name in ("first_early", "first_due", "early", "due")
        )
        return Jobs(self.rows.iloc[rows].reset_index(drop=True), self.days, *arrays)

    def on(self, places):
        """The same with visits on some of the days alone."""
        return Jobs(
            self.rows,
            self.days[places],
            self.first_early,
            self.first_due,
            self.early[:, places],
            self.due[:, places],
        )


@dataclass(frozen=True, eq=False)
class VisitPlan:
    """jobs: one row a job at a visit, `vehicle, day, task, position, due_day, unused_share` (of its interval), `amount`, `wasted_amount`,
    `is_past` (its due point had gone by already). n_visits; n_single: with a visit for every job; n_own_day: with every job on its own
    due day, those of one day together.
    """

    jobs: pd.DataFrame
    n_visits: int
    n_single: int
    n_own_day: int

    @property
    def saved_share(self):
        return 1 - self.n_visits / self.n_single if self.n_single else np.nan


def plan_visits(jobs, step=STEP_DAYS):
    """The `VisitPlan` of all vehicles; one programme a vehicle. step: a visit may be made on each so many days, and on due days."""
    code, names = pd.factorize(jobs.rows["vehicle"], sort=True)
    weight = (
        jobs.rows["amount"]
        .fillna(jobs.rows["amount"].median() if jobs.rows["amount"].notna().any() else 1.0)
        .to_numpy(dtype=float)
    )
    row, own = own_days(jobs)
    found = []
    for v in range(len(names)):
        rows = np.flatnonzero(code == v)
        places = np.union1d(np.arange(0, len(jobs.days), step), own[np.isin(row, rows)])
        job, at = bundle(jobs.take(rows).on(places), weight[rows])
        found.append(pd.DataFrame({"job": rows[job], "at": places[at]}))
    told = _told(
        jobs,
        pd.concat(found, ignore_index=True)
        if found
        else pd.DataFrame({"job": [], "at": []}, dtype=int),
    )
    n_own_day = len(np.unique(np.stack([code[row], own]), axis=1).T)
    return VisitPlan(told, len(told[["vehicle", "day"]].drop_duplicates()), len(row), n_own_day)


def bundle(jobs, weight=None):
    """The fewest visits of one vehicle: (job, place in `days`) of every doing, two arrays. weight: (n,) what a whole interval is worth."""
    n, m = jobs.due.shape
    weight = np.ones(n) if weight is None else np.maximum(np.asarray(weight, dtype=float), 1e-3)
    group, index = _alike(jobs)
    value = np.bincount(index, weight)
    arcs = _arcs(jobs.take(group))
    job, _start, end, unused = arcs
    cost = unused * value[job]
    scale = _most_waste(jobs.take(group), value)
    c = np.concatenate([np.ones(m), SLACK * cost / scale if scale > 0 else 0 * cost])
    solved = optimize.milp(
        c,
        constraints=_constraints(arcs, len(group), m),
        integrality=np.append(np.ones(m), np.zeros(len(job))),
        bounds=optimize.Bounds(0, 1),
    )
    if solved.x is None:
        raise RuntimeError(f"the visits could not be planned: {solved.message}")
    used = np.flatnonzero((solved.x[m:] > 0.5) & (end < m))
    members = [np.flatnonzero(index == g) for g in range(len(group))]
    jobs_of = [members[g] for g in job[used]]
    return np.concatenate([*jobs_of, np.zeros(0, dtype=int)]).astype(int), np.repeat(
        end[used], [len(j) for j in jobs_of]
    )


def _alike(jobs):
    """Jobs with the same windows throughout are one: (first of each group, group of each)."""
    table = np.column_stack([jobs.first_early, jobs.first_due, jobs.early, jobs.due])
    _, first, index = np.unique(table, axis=0, return_index=True, return_inverse=True)
    return first, index.ravel()


def _windows(jobs):
    """First and last place in `days` for the first doing (row 0) and after one on each day (rows 1 to m); m stands for past the last day.

    Where the due point has gone by it is the next day there is; where no day lies in the window the last place comes before the first.
    """
    early = np.column_stack([jobs.first_early, jobs.early])
    due = np.column_stack([jobs.first_due, jobs.due])
    soonest = np.arange(len(jobs.days) + 1)
    gone = due < np.append(0, jobs.days + 1)
    last = np.where(gone, soonest, np.searchsorted(jobs.days, due, "right") - 1)
    first = np.where(gone, soonest, np.maximum(np.searchsorted(jobs.days, early, "left"), soonest))
    beyond = due > jobs.days[-1]
    beyond[:, -1] = True
    return first, last, beyond


def _arcs(jobs):
    """(job, start, end, unused share): start -1 the beginning, end m the far side of the last day."""
    m = len(jobs.days)
    first, last, beyond = _windows(jobs)
    ends = np.arange(m)
    inside = (ends >= first[..., None]) & (ends <= last[..., None])
    job, start, end = np.nonzero(inside)
    due = np.column_stack([jobs.first_due, jobs.due])
    whole = np.column_stack([np.maximum(jobs.due[:, 0], 1.0), jobs.due - jobs.days])
    unused = np.clip(
        (due[job, start] - jobs.days[end]) / np.maximum(whole[job, start], 1.0), 0.0, 1.0
    )
    out_job, out_start = np.nonzero(beyond)
    return (
        np.append(job, out_job),
        np.append(start, out_start) - 1,
        np.append(end, np.full(len(out_job), m)),
        np.append(unused, np.zeros(len(out_job))),
    )


def _constraints(arcs, n, m):
    """One path a job, and no doing on a day without a visit."""
    job, start, end, _ = arcs
    column = m + np.arange(len(job))
    width = m + len(job)
    leaves = sparse.csr_array(
        (np.ones((start < 0).sum()), (job[start < 0], column[start < 0])), shape=(n, width)
    )
    inner, onward = end < m, start >= 0
    node_in, node_out = job[inner] * m + end[inner], job[onward] * m + start[onward]
    into = sparse.csr_array((np.ones(inner.sum()), (node_in, column[inner])), shape=(n * m, width))
    out = sparse.csr_array(
        (np.ones(onward.sum()), (node_out, column[onward])), shape=(n * m, width)
    )
    visit = sparse.csr_array(
        (np.ones(n * m), (np.arange(n * m), np.tile(np.arange(m), n))), shape=(n * m, width)
    )
    return [
        optimize.LinearConstraint(leaves, 1, 1),
        optimize.LinearConstraint(into - out, 0, 0),
        optimize.LinearConstraint(into - visit, -np.inf, 0),
    ]


def _most_waste(jobs, value):
    """A bound on what all jobs of a plan can waste together."""
    shortest = np.maximum((jobs.due - jobs.days).min(axis=1), 1.0)
    times = np.ceil(jobs.days[-1] / np.maximum(shortest / 2, 7.0)) + 1
    return float((times * value).sum())


def own_days(jobs):
    """Every job on its due day throughout: (job, place in `days`) of every doing, two arrays."""
    _, last, beyond = _windows(jobs)
    job, state, found = (
        np.arange(len(jobs.due)),
        np.zeros(len(jobs.due), dtype=int),
        [np.zeros((2, 0), dtype=int)],
    )
    while len(job):
        job, state = (x[~beyond[job, state]] for x in (job, state))
        found.append(np.stack([job, last[job, state]]))
        job, state = (x[last[job, state] < len(jobs.days) - 1] for x in (job, state))
        state = last[job, state] + 1
    return np.concatenate(found, axis=1)


def _told(jobs, found):
    """The plan's rows, with what each job gives away."""
    found = found.sort_values(["job", "at"], ignore_index=True)
    job, at = found["job"].to_numpy(dtype=int), found["at"].to_numpy(dtype=int)
    before = np.where(
        np.append(False, job[1:] == job[:-1])[: len(job)], np.append(0, at)[: len(job)], -1
    )
    due = np.where(before < 0, jobs.first_due[job], jobs.due[job, np.maximum(before, 0)])
    start = np.where(before < 0, 0, jobs.days[np.maximum(before, 0)])
    whole = np.where(before < 0, jobs.due[job, 0], due - start)
    day = jobs.days[at]
    unused = np.clip((due - day) / np.maximum(whole, 1.0), 0.0, 1.0)
    rows = jobs.rows.iloc[job].reset_index(drop=True)
    told = rows.assign(
        day=day,
        due_day=due,
        unused_share=unused,
        wasted_amount=unused * rows["amount"],
        is_past=due < 0,
    )
    return told.sort_values(["vehicle", "day", "task", "position"], ignore_index=True)
