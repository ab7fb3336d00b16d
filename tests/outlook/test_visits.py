from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearbar.outlook.next_visits import GAP_DAYS
from wearbar.outlook.visits import CLOSE, Jobs, bundle, own_days, plan_visits

DAYS, FEW_DAYS = np.arange(0, 71), np.arange(0, 11)


def jobs_of(first_due, every, window, days=DAYS, vehicle=None, amount=None):
    """Jobs by days alone: due `first_due` days from now, again every `every` days, each in a window of `window` days before."""
    first_due, every, window = (np.asarray(x, dtype=float) for x in (first_due, every, window))
    due = days + every[:, None]
    names = ["a"] * len(every) if vehicle is None else vehicle
    rows = pd.DataFrame(
        {"vehicle": names, "task": [f"t{i}" for i in range(len(every))], "position": ""}
    )
    rows["amount"] = 10.0 if amount is None else amount
    due = np.column_stack([first_due, due])
    return Jobs(rows, days, due - window[:, None], due)


def least(jobs, weight):
    """(visits, waste) of the best plan, by trying every set of days."""
    m = len(jobs.days)
    (first, last, beyond), due = jobs.windows(), jobs.due
    whole = np.column_stack([np.maximum(due[:, 1], 1.0), due[:, 1:] - jobs.days])
    for size in range(m + 1):
        costs = [
            sum(
                _cost(j, open_days, first, last, beyond, due, whole, jobs.days, weight)
                for j in range(len(due))
            )
            for open_days in combinations(range(m), size)
        ]
        if np.isfinite(costs).any():
            return size, min(costs)
    return None


def _cost(j, open_days, first, last, beyond, due, whole, days, weight):
    """The least waste of one job on these days, infinite where it cannot keep its windows."""
    cost, end = {0: 0.0}, np.inf
    for state in range(len(days) + 1):
        if state not in cost:
            continue
        end = min(end, cost[state]) if beyond[j, state] else end
        for t in open_days:
            if first[j, state] <= t <= last[j, state]:
                unused = (
                    np.clip((due[j, state] - days[t]) / max(whole[j, state], 1.0), 0, 1) * weight[j]
                )
                cost[t + 1] = min(cost.get(t + 1, np.inf), cost[state] + unused)
    return end


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_no_plan_has_fewer_visits_or_as_few_with_less_waste(data):
    n = data.draw(st.integers(1, 4))
    every = data.draw(st.lists(st.integers(2, 9), min_size=n, max_size=n))
    window = [data.draw(st.integers(0, e // 2)) for e in every]
    first = [data.draw(st.integers(-2, e)) for e in every]
    weight = data.draw(st.lists(st.integers(1, 50), min_size=n, max_size=n))
    jobs = jobs_of(first, every, window, FEW_DAYS, amount=weight)
    plan = plan_visits(jobs, step=1, gap=0)
    size, waste = least(jobs, weight)
    assert plan.n_visits == size
    assert plan.jobs["wasted_amount"].sum() == pytest.approx(waste, abs=0.01 * (1 + sum(weight)))


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_nothing_is_planned_past_its_due_point_nor_before_its_window(data):
    n = data.draw(st.integers(1, 6))
    every = np.array(data.draw(st.lists(st.integers(20, 90), min_size=n, max_size=n)))
    window = np.floor(every * data.draw(st.floats(0.0, 0.4)))
    gap = data.draw(st.sampled_from([0, GAP_DAYS]))
    jobs = jobs_of(data.draw(st.lists(st.integers(-20, 90), min_size=n, max_size=n)), every, window)
    plan = plan_visits(jobs, gap=gap)
    for j in range(n):
        days = plan.jobs.loc[plan.jobs["task"].eq(f"t{j}"), "day"].sort_values()
        early, due = jobs.early[j, 0], jobs.due[j, 0]
        for day in days:
            assert min(early, max(due, 0) - gap) <= day <= max(due, 0)
            early, due = day + every[j] - window[j], day + every[j]
        assert due > DAYS[-1], "left undone, though it fell due within the plan"


@settings(max_examples=15, deadline=None)
@given(st.data())
def test_no_vehicle_comes_twice_in_a_fortnight_all_year(data):
    """Whatever the windows: what falls due within it is brought forward, never put back. But where that asks for more visits
    than CLOSE a pair, as by taking all that falls due within a fortnight each time."""
    n, days = data.draw(st.integers(2, 6)), np.arange(0, 365)
    every = np.array(data.draw(st.lists(st.integers(60, 300), min_size=n, max_size=n)))
    window = np.floor(every * data.draw(st.sampled_from([0.0, 0.1, 0.3])))
    first = data.draw(st.lists(st.integers(0, 60), min_size=n, max_size=n))
    plan = plan_visits(jobs_of(first, every, window, days))
    assert (plan.jobs["day"] <= plan.jobs["due_day"]).all()
    n_apart, due = 0, np.array(first)
    while (day := due.min()) < 365:
        n_apart, due = n_apart + 1, np.where(due <= day + GAP_DAYS, day + every, due)
    assert plan.n_close == 0 or plan.n_visits + CLOSE * plan.n_close <= n_apart


def test_work_that_comes_again_within_a_fortnight_is_said():
    plan = plan_visits(jobs_of([10, 20], [10, 200], [0, 0]))
    assert plan.jobs["day"].unique().tolist() == [10, 20, 30, 40, 50, 60, 70]
    assert plan.n_close == 6


def test_visits_eleven_days_apart_are_made_one_or_moved_apart():
    plan = plan_visits(jobs_of([30, 41], [200, 200], [0, 5]))
    assert plan.jobs[["day", "due_day"]].to_numpy().tolist() == [[30, 30], [30, 41]]
    apart = plan_visits(jobs_of([30, 45, 50], [200, 200, 200], [0, 0, 30]))
    assert (apart.n_close, apart.n_visits) == (0, 2)


def test_work_without_a_window_is_done_on_its_due_day():
    plan = plan_visits(jobs_of([20, 31], [30, 40], [0, 20]))
    assert plan.jobs.loc[plan.jobs["task"].eq("t0"), "day"].tolist() == [20, 50]
    assert plan.n_visits == 2


def test_a_few_days_to_choose_from_break_no_window():
    """Together on day 7 they would need fewer visits, but no day would then do for the first job's next: 37 is not there."""
    jobs = jobs_of([10, 7], [30, 300], [0, 0])
    jobs.early[:, 0] = 7.0
    jobs = jobs.take([0, 1], [0, 7, 10, 14, 40])
    assert sorted(jobs.days[bundle(jobs, [1.0, 1.0])[1]].tolist()) == [7, 10, 40]


def test_nor_do_days_far_apart():
    """After day 7 the next would be due on 39, and no day lies between."""
    due = np.array([[7.0, 30.0, 40.0, 39.0, 70.0], [7.0, *[300.0] * 4]])
    early = due.copy()
    early[0, 0] = 6.0
    jobs = Jobs(jobs_of([7, 7], [1, 1], [0, 0]).rows, np.array([0, 6, 7, 40]), early, due)
    assert sorted(jobs.days[bundle(jobs, [1.0, 1.0])[1]].tolist()) == [6, 7, 40]


def test_what_falls_due_together_is_done_together():
    plan = plan_visits(jobs_of([30, 33, 36], [200, 200, 200], [14, 14, 14]))
    assert plan.n_visits == 1
    assert plan.jobs["day"].tolist() == [30, 30, 30]
    assert (plan.n_single, plan.n_own_day) == (3, 3)
    assert plan.saved_share == pytest.approx(2 / 3)
    assert plan.jobs["unused_share"].tolist() == pytest.approx([0, 3 / 200, 6 / 200])
    assert plan.jobs["wasted_amount"].sum() == pytest.approx(10 * 9 / 200)


def test_windows_that_do_not_meet_need_a_visit_each():
    assert plan_visits(jobs_of([14, 35], [200, 200], [3, 3])).n_visits == 2


def test_of_plans_with_as_few_visits_the_least_wasteful_is_taken():
    plan = plan_visits(jobs_of([21, 42], [300, 300], [21, 28]))
    assert plan.n_visits == 1
    assert plan.jobs["day"].unique().tolist() == [21]


def test_what_is_past_is_planned_at_once_and_said():
    plan = plan_visits(jobs_of([-40, 3], [200, 200], [0, 5]))
    assert plan.jobs["day"].tolist() == [0, 0]
    assert plan.jobs["is_past"].tolist() == [True, False]


def test_a_job_that_comes_again_is_measured_from_when_it_was_planned():
    plan = plan_visits(jobs_of([20], [21], [7]))
    assert plan.jobs["day"].tolist() == [20, 41, 62]
    job, at = own_days(jobs_of([20, -3], [21, 50], [7, 0]))
    assert sorted(zip(job.tolist(), at.tolist(), strict=True)) == [
        (0, 20),
        (0, 41),
        (0, 62),
        (1, 0),
        (1, 50),
    ]


def test_vehicles_share_no_visit():
    plan = plan_visits(jobs_of([30, 30], [200, 200], [9, 9], vehicle=["a", "b"]))
    assert plan.n_visits == 2
    assert plan.n_own_day == 2


def test_nothing_to_do_needs_no_visit():
    empty = jobs_of([], [], [])
    plan = plan_visits(empty)
    assert (plan.n_visits, plan.n_single, len(plan.jobs)) == (0, 0, 0)
    assert np.isnan(plan.saved_share)
    assert plan_visits(jobs_of([400], [500], [30])).n_visits == 0
