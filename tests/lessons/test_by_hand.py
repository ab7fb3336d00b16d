"""Lessons 1 to 4 on rows of hand size, and their truths beside many draws."""

import numpy as np
import pandas as pd
import pytest

from wearbar.log import read_log
from wearbar.log.write import write_tables
from wearbar_lessons import distance, rate, tread, whichever
from wearbar_synthetic import lessons

NAN = float("nan")


def test_months_are_counted_from_the_start_and_end_with_a_short_month():
    begun = np.array(["2024-01-31", "2025-05-15"], "datetime64[D]")[:, None]
    due = rate.months_on(begun, np.arange(1, 3)).astype(str)
    assert due.tolist() == [["2024-02-29", "2024-03-31"], ["2025-06-15", "2025-07-15"]]


def test_a_rate_counts_what_was_never_done_and_waits_for_the_last_day():
    # on its last day, a day after it, never done, still open; due too lately, with work and without
    due = [-70.0, -70.0, -40.0, -8.0, -5.0, -5.0]
    done = [-65.0, -64.0, NAN, NAN, -6.0, NAN]
    jobs = pd.DataFrame({"v": [0, 1, 0, 1, 2, 3], "due": due, "done": done})
    jobs["is_open"] = [False, False, False, True, False, True]
    rows, exercise = rate.judged(jobs), rate.EXERCISES["rate"]
    assert exercise.right(rows) == 1 / 4
    made = exercise.mistakes(rows)
    assert (made["done-only"], made["open-left-out"]) == (1 / 2, 1 / 3)
    assert (made["window-open"], made["no-allowance"]) == (2 / 5, 0)


def test_the_rate_of_eight_vans_as_on_paper():
    won = [10, 9, 10, 8, 5, 10, 9, 3]
    rows = pd.DataFrame({"v": np.repeat(range(8), 10), "is_closed": True})
    rows["on_time"] = np.concatenate([np.arange(10) < k for k in won])
    found = rate.told(rows)
    assert found.value == pytest.approx(0.8)
    assert "19 effective trials, t with 7 degrees" in found.method


def test_a_distance_goes_on_through_a_changed_instrument():
    written, restarts = [98_600.0, 100_000, 300, 3_900, 42_500], [NAN, 0, NAN, 41_000, NAN]
    days = [0.0, 30, 60, 90, 120]
    rows = pd.DataFrame({"day": days, "written": written, "restarts_at": restarts})
    assert distance.steps(rows)[0].tolist() == [1400, 300, 3600, 1500]
    rows["is_slip"] = [False, False, True, False, False]
    assert distance.EXERCISES["driven"].right(rows) == 1400 + 3900 + 1500


def test_next_months_range_by_hand():
    """Three months of 900, 1,000 and 1,100 km: Student's t of 2.92 on two, and a third for the mean."""
    days, written = [-90.0, -60, -30, 0], [0.0, 900, 1900, 3000]
    rows = pd.DataFrame({"day": days, "written": written, "restarts_at": NAN, "is_slip": False})
    found = distance.told(rows)
    assert found.value == 1000
    assert found.high - 1000 == pytest.approx(2.92 * 100 * (4 / 3) ** 0.5, rel=1e-3)


def test_services_a_year_beside_many_vans():
    rng = np.random.default_rng(3)
    km = 13_000 * rng.lognormal(0, 0.6, 400_000)
    limit = np.where(rng.random(len(km)) < 0.3, whichever.SEVERE_KM, whichever.NORMAL_KM)
    found = whichever._mean_services(13_000, 0.6, 0.3)
    assert found == pytest.approx(np.maximum(km / limit, 1).mean(), rel=0.005)


def test_whichever_comes_first_by_hand():
    van = {"last_day": -100.0, "last_km": 50_000.0, "former_km": 43_000.0, "now_km": 53_000.0}
    van |= {"year_km": 14_600.0, "in_days": 1_325, "is_severe": True}
    idle = van | {"year_km": 3_650.0, "is_severe": False}
    rows = pd.DataFrame([van, idle])
    right = {name: asked.right(rows) for name, asked in whichever.EXERCISES.items()}
    assert right["due-km"] == 57_000
    assert right["when"] == pytest.approx(4_000 / 40)  # the date is 265 days off
    assert right["services"] == pytest.approx(14_600 / 7_000 + 1)


def test_two_readers_as_on_paper():
    a, b = [5.1, 3.0, 6.8, 4.2, 2.0], [5.5, 3.3, 7.1, 4.6, 2.4]
    rows = pd.DataFrame({"A1": a, "A2": [5.3, 3.1, 6.6, 4.2, 2.2], "B1": b})
    rows["B2"] = [5.6, 3.5, 7.1, 4.4, 2.3]
    right = {name: asked.right(rows) for name, asked in tread.EXERCISES.items()}
    assert right["bias"] == pytest.approx(0.33)
    assert right["repeat"] == pytest.approx((0.23 / 20) ** 0.5)
    assert right["real"] == pytest.approx(0.297, abs=5e-4)


def test_a_plan_is_in_a_students_folder(tmp_path):
    log, tables, header = lessons.made("anna", "rate")
    write_tables(tables, header, tmp_path / "log")
    asked, read = lessons.LESSONS["rate"], read_log(tmp_path / "log")
    pd.testing.assert_frame_equal(asked.rows_of(read), asked.rows_of(log))
