"""What must hold of the due points of random plans and logs (`random_due`), and of those stored in tests/reference/due/random.csv."""

import math
import runpy
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from random_due import random_log

from wearbar.intervals import due, occasions
from wearbar.intervals.due import Limit
from wearbar.intervals.schedule import add_months, last_met, points

STORED = Path(__file__).parent.parent / "reference" / "due" / "random.csv"
BENCH = Path(__file__).parent.parent / "bench" / "bench_due.py"
SERIES = ["vehicle", "task", "position"]
SEEDS, VEHICLES = (0, 1, 2), 20


@pytest.fixture(scope="module", params=SEEDS)
def case(request):
    log = random_log(np.random.default_rng(request.param), VEHICLES)
    return request.param, log, occasions(log)


def stored(found):
    """The last two occasions of each series as the file has them."""
    columns = [
        *SERIES,
        "number",
        "basis",
        "due_km",
        "due_hours",
        "due_date",
        "early_date",
        "late_km",
        "late_date",
        "why",
    ]
    last = found.groupby(SERIES, sort=False).tail(2)[columns]
    return last.astype({"position": object}).reset_index(drop=True)


def test_the_stored_cases_come_out_as_the_former_code_gave_them(case):
    seed, _, found = case
    then = pd.read_csv(STORED, comment="#", keep_default_na=False, na_values=[""])
    then = then[then["seed"] == seed].drop(columns="seed").reset_index(drop=True)
    then["position"] = then["position"].fillna("")
    dates = [c for c in then if c.endswith("_date")]
    then[dates] = then[dates].astype("datetime64[ns]")
    pd.testing.assert_frame_equal(stored(found), then, check_dtype=False, rtol=1e-9, atol=1e-3)


def test_a_window_lies_about_its_point(case):
    _, _, found = case
    for axis in ("km", "hours", "date"):
        early, point, late = (found[f"{edge}_{axis}"] for edge in ("early", "due", "late"))
        assert not ((early > point) | (late < point)).any()
        assert point.isna().equals(late.isna())


def test_work_measured_from_itself_is_due_an_interval_after_it(case):
    """R5: odometer and date restart from the work, early or late."""
    _, log, found = case
    tasks = log.plan.tasks.drop_duplicates(["plan", "code"], keep="last")
    tasks = tasks.rename(columns={"code": "task"})[["plan", "task", "measured_from"]]
    rows = found.merge(tasks, on=["plan", "task"])
    rows = rows[rows["measured_from"].eq("done") & rows["basis"].isin(["regular", "first"])]
    rows = rows[rows["due_km"].notna() & rows["anchor_km"].notna()]
    assert len(rows) > 25
    assert np.allclose(rows["due_km"], rows["anchor_km"] + rows["interval_km"])
    days = (rows["due_date"] - rows["anchor_date"]).dt.days
    assert (days.dropna() == rows["interval_days"][days.notna()]).all()


def test_no_schedule_leaves_a_gap_longer_than_the_interval_and_its_window(case):
    """R6: work before the early edge re-bases the ladder; otherwise the gap could be as long as two intervals."""
    _, log, found = case
    once = log.plan.plans["plan"].value_counts().eq(1)
    found = found[found["plan"].map(once).astype(bool)]  # another version may loosen it
    learned = found["basis"].eq("severe")  # due no earlier than it could be known
    before = found.groupby(SERIES)[
        ["done_km", "due_km", "early_km", "done_date", "due_date", "early_date"]
    ].shift()
    allowed = (
        before["done_km"]
        + found["interval_km"]
        + (before["due_km"] - before["early_km"]).fillna(0.0)
    )
    gaps = (found["due_km"] - allowed)[~learned]
    assert gaps.notna().sum() > 50
    assert not (gaps > 1e-3).any()


def test_occasions_are_numbered_and_one_at_most_is_current(case):
    _, _, found = case
    by = found.groupby(SERIES, sort=False)
    assert (by["number"].diff().dropna() > 0).all()
    assert (by["is_current"].sum() <= 1).all()
    assert (found["is_open"] | (found["done_date"].notna() | found["state"].eq("missed"))).all()


def test_one_and_many_at_once_give_the_same_points():
    """`schedule` reckons one point, `due` arrays of them for the year ahead: R1, R2 and R6 are the same in both."""
    rng = np.random.default_rng(7)
    nan = math.nan
    limits = [
        (
            Limit(float(rng.integers(100, 9000)), 0, 0.1, 0.2, 0.0, False),
            Limit(float(rng.integers(10, 400)), 0, nan, nan, float(rng.integers(0, 9)), False),
            Limit(
                *[(0.0, int(rng.integers(1, 30))), (float(rng.integers(9, 700)), 0)][i % 2],
                0.9,
                0.1,
                0.0,
                True,
            ),
        )
        for i in range(300)
    ]
    base = np.stack(
        [
            rng.uniform(0, 9e4, 300),
            rng.uniform(0, 999, 300),
            rng.integers(9_000, 21_000, 300).astype(float),
        ]
    )
    x = base + np.stack(
        [rng.uniform(0, 4e4, 300), rng.uniform(0, 999, 300), rng.integers(0, 2_000, 300)]
    )
    every = [[of[0].every, of[1].every, of[2].every or nan, of[2].months or nan] for of in limits]
    amounts = [[0.0, of[1].amount, 0.0] for of in limits]
    for axis, share in ((0, (0.1, 0.2)), (1, (nan, nan)), (2, (0.9, 0.1))):
        many = due.Limits(np.array(every).T, np.tile(share, (300, 1)).T, np.array(amounts).T)
        rungs = due.rungs(base, x, many)[axis]
        for nth in (1, 2, 14):
            several = due.points(base, np.full((3, 300), float(nth)), many)[:, axis]
            one = [
                points(b, (nth,) * 3, of)[axis]
                for b, of in zip(base.T.tolist(), limits, strict=True)
            ]
            np.testing.assert_allclose(several.T, one)
        one = [
            last_met(b, to, of[axis])
            for b, to, of in zip(base[axis].tolist(), x[axis].tolist(), limits, strict=True)
        ]
        np.testing.assert_array_equal(rungs, one)


def test_a_month_ends_where_it_ends():
    """R1: 31 January and one month is 29 February; and two, 31 March."""
    assert [str(np.datetime64(add_months(19753, n), "D")) for n in (1, 2)] == [
        "2024-02-29",
        "2024-03-31",
    ]


def test_the_bench_runs_and_its_due_points_are_the_plain_ones(capsys):
    """Whether it is fast enough is for thousands of vehicles to show; that the points of five are alike it asserts itself."""
    assert runpy.run_path(str(BENCH))["main"](20, 5, 1) in (0, 1)
    said = capsys.readouterr().out
    assert said.startswith("20 vehicles, 6,820 readings, 800 rows of work: ")
    assert "times faster (bound 40)" in said
