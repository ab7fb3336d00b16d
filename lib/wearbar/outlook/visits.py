"""Which visits to make: work that falls due together done together, in the fewest visits, nothing
later than its due point.

For each vehicle a mixed-integer programme (HiGHS, by `scipy.optimize.milp`). Every job is a path
through days on which a visit may be made: from a day on which it is done, the next lies in its
window, not before the early edge and not after the due point; the late half of a window is for
mishap. A path may only use days with a visit: one a week, and the due days of every job if it is
always done on them, so that there is always a plan. The number of visits is made least, and among
plans with as few, what early work wastes. What is already past its due point is planned at once.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, sparse

SLACK = 0.9  # of one visit: all the waste of a vehicle's plan weighs less than that
STEP_DAYS = 7


@dataclass(frozen=True, eq=False)
class Jobs:
    """Work ahead of n jobs over m days.

    rows: one row a job, `vehicle, task, position, amount` (its money, NaN not known) and any other.
    days: (m,), the days looked at, from now, the first 0. first_early, first_due: (n,) whole days
    from now. early, due: (n, m), the days between which each job is to be done again if it is done
    on each of `days`; a due day within them is one of them.
    """

    rows: pd.DataFrame
    days: np.ndarray
    first_early: np.ndarray
    first_due: np.ndarray
    early: np.ndarray
    due: np.ndarray

    def take(self, rows, places=slice(None)):
        """Some of the jobs, with visits on some of the days alone."""
        first = (self.first_early[rows], self.first_due[rows])
        both = (x[rows][:, places] for x in (self.early, self.due))
        return Jobs(self.rows.iloc[rows].reset_index(drop=True), self.days[places], *first, *both)


@dataclass(frozen=True, eq=False)
class VisitPlan:
    """jobs: one row a job at a visit, `vehicle, day, task, position, due_day, unused_share` (of its
    interval), `amount, wasted_amount, is_past` (its due point had gone by already). n_visits;
    n_single: with a visit for every job; n_own_day: with every job on its own due day, those of one
    day together.
    """

    jobs: pd.DataFrame
    n_visits: int
    n_single: int
    n_own_day: int

    @property
    def saved_share(self):
        return 1 - self.n_visits / self.n_single if self.n_single else np.nan


def plan_visits(jobs, step=STEP_DAYS):
    """The `VisitPlan` of all vehicles. step: a visit may be made each so many days."""
    code, names = pd.factorize(jobs.rows["vehicle"], sort=True)
    amount = jobs.rows["amount"]
    usual = amount.median() if amount.notna().any() else 1.0
    weight = amount.fillna(usual).to_numpy(dtype=float)
    row, own = own_days(jobs)
    found = [np.zeros((2, 0), dtype=int)]
    for v in range(len(names)):
        rows = np.flatnonzero(code == v)
        places = np.union1d(np.arange(0, len(jobs.days), step), own[np.isin(row, rows)])
        job, at = bundle(jobs.take(rows, places), weight[rows])
        found.append(np.stack([rows[job], places[at]]))
    told = _told(jobs, *np.concatenate(found, axis=1))
    n_own_day = len(np.unique(np.stack([code[row], own]), axis=1).T)
    return VisitPlan(told, len(told[["vehicle", "day"]].drop_duplicates()), len(row), n_own_day)


def bundle(jobs, weight=None):
    """The fewest visits of one vehicle: (job, place in `days`) of every doing, two arrays.

    weight: (n,) what a whole interval is worth.
    """
    n, m = jobs.due.shape
    weight = np.ones(n) if weight is None else np.maximum(np.asarray(weight, dtype=float), 1e-3)
    # jobs with the same windows throughout are one
    table = np.column_stack([jobs.first_early, jobs.first_due, jobs.early, jobs.due])
    _, first, group = np.unique(table, axis=0, return_index=True, return_inverse=True)
    one, group = jobs.take(first), group.ravel()
    value = np.bincount(group, weight)
    arcs = _arcs(one)
    job, _start, end, unused = arcs
    cost, scale = unused * value[job], _most_waste(one, value)
    solved = optimize.milp(
        np.append(np.ones(m), SLACK * cost / scale if scale > 0 else 0 * cost),
        constraints=_constraints(arcs, len(first), m),
        integrality=np.append(np.ones(m), np.zeros(len(job))),
        bounds=optimize.Bounds(0, 1),
    )
    if solved.x is None:
        raise RuntimeError(f"the visits could not be planned: {solved.message}")
    used = np.flatnonzero((solved.x[m:] > 0.5) & (end < m))
    arc, member = np.nonzero(job[used][:, None] == group)
    return member, end[used][arc]


def _windows(jobs):
    """The first and last place in `days`, for the first doing (column 0) and after one on each day
    (columns 1 to m), and whether it may lie past the last day.

    Where the due point has gone by it is the next day there is; where no day lies in the window the
    last place comes before the first.
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
    """(job, start, end, unused share): start -1 the beginning, end m past the last day."""
    m = len(jobs.days)
    first, last, beyond = _windows(jobs)
    due, ends = np.column_stack([jobs.first_due, jobs.due]), np.arange(m)
    job, start, end = np.nonzero((ends >= first[..., None]) & (ends <= last[..., None]))
    whole = np.column_stack([jobs.due[:, 0], jobs.due - jobs.days])
    unused = _unused(due[job, start], jobs.days[end], whole[job, start])
    out_job, out_start = np.nonzero(beyond)
    far = np.repeat([[m], [0]], len(out_job), axis=1)
    out = (out_job, out_start - 1, *far)
    return [np.append(a, b) for a, b in zip((job, start - 1, end, unused), out, strict=True)]


def _unused(due, day, whole):
    """Share of its interval that work gives up by being done on a day before it is due."""
    return np.clip((due - day) / np.maximum(whole, 1.0), 0.0, 1.0)


def _constraints(arcs, n, m):
    """One path a job, and no doing on a day without a visit."""
    job, start, end, _ = arcs
    column, width = m + np.arange(len(job)), m + len(job)

    def ones(rows, columns, height):
        return sparse.csr_array((np.ones(len(rows)), (rows, columns)), shape=(height, width))

    first, inner, onward = start < 0, end < m, start >= 0
    leaves = ones(job[first], column[first], n)
    into = ones(job[inner] * m + end[inner], column[inner], n * m)
    out = ones(job[onward] * m + start[onward], column[onward], n * m)
    visit = ones(np.arange(n * m), np.tile(np.arange(m), n), n * m)
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
    job = np.arange(len(jobs.due))
    state, found = np.zeros_like(job), [np.zeros((2, 0), dtype=int)]
    while len(job):
        job, state = (x[~beyond[job, state]] for x in (job, state))
        found.append(np.stack([job, last[job, state]]))
        job, state = (x[last[job, state] < len(jobs.days) - 1] for x in (job, state))
        state = last[job, state] + 1
    return np.concatenate(found, axis=1)


def _told(jobs, job, at):
    """The plan's rows, with what each job gives away. job, at: job and place in `days` of each."""
    order = np.lexsort((at, job))
    job, at = job[order], at[order]
    is_first, before = np.diff(job, prepend=-1) != 0, np.roll(at, 1)
    due = np.where(is_first, jobs.first_due[job], jobs.due[job, before])
    whole = np.where(is_first, jobs.due[job, 0], due - jobs.days[before])
    rows, day = jobs.rows.iloc[job].reset_index(drop=True), jobs.days[at]
    unused = _unused(due, day, whole)
    told = rows.assign(day=day, due_day=due, unused_share=unused)
    told = told.assign(wasted_amount=unused * rows["amount"], is_past=due < 0)
    return told.sort_values(["vehicle", "day", "task", "position"], ignore_index=True)
