import numpy as np
import pandas as pd
import pytest
from scipy import special

from wearbar.log import log_of, places, read_log
from wearbar.log.plan import plan_of
from wearbar.usage import backtest
from wearbar.usage.backtest import back_test, best_model, by_horizon
from wearbar.usage.days_of_use import usual_layups
from wearbar.usage.distance import path_of
from wearbar.usage.forecast import GRID, STEP, Truth, crps, shares, truth_of, two_way_se
from wearbar.usage.replay import Replay, plan_at

HEADER = {"name": "x", "distance": "km", "first_day": "2022-01-01", "as_of": "2025-06-30"}


def fleet(rng, n=8, years=3.5, season=0.0, every=14):
    """Vehicles of even use but for chance and a season: frames of vehicles and odometer."""
    days = np.arange(0, int(365 * years), every)
    frames, start = [], pd.Timestamp("2022-01-01")
    for i in range(n):
        wave = 1 + season * np.cos(2 * np.pi * (np.arange(days[-1] + 1) - 200) / 365.25)
        km = np.cumsum((20 + 5 * i) * wave * rng.gamma(4, 0.25, days[-1] + 1))
        frames.append(
            pd.DataFrame(
                {
                    "vehicle": f"V{i}",
                    "date": start + pd.to_timedelta(days, unit="D"),
                    "odometer": km[days].round(),
                }
            )
        )
    vehicles = pd.DataFrame(
        {"vehicle": [f"V{i}" for i in range(n)], "kind": "van", "in_service": "2021-12-31"}
    )
    return {"vehicles": vehicles, "odometer": pd.concat(frames, ignore_index=True)}


@pytest.fixture(scope="module")
def seasonal_log():
    return log_of(fleet(np.random.default_rng(1), season=0.7), HEADER)


@pytest.fixture(scope="module")
def seasonal_test(seasonal_log):
    return back_test(seasonal_log)


def test_of_a_fleet_past_its_bound_every_second_vehicle_is_asked(monkeypatch):
    frames = fleet(np.random.default_rng(5), n=6)
    monkeypatch.setattr(backtest, "MOST_VEHICLES", 4)
    some = {name: of[of["vehicle"].isin(["V0", "V2", "V4"])] for name, of in frames.items()}
    whole, part = back_test(log_of(frames, HEADER)), back_test(log_of(some, HEADER))
    pd.testing.assert_frame_equal(whole.cases, part.cases)
    assert (whole.used, whole.widen, whole.common_sd) == (part.used, part.widen, part.common_sd)
    assert whole.cases["vehicle"].nunique() == 3


class TestReplay:
    def test_rows_after_the_day_are_gone_and_ends_not_yet_known_blank(self):
        frames = fleet(np.random.default_rng(2), n=2)
        frames["layups"] = pd.DataFrame(
            {
                "vehicle": "V0",
                "from": ["2023-01-01", "2024-05-20"],
                "to": ["2023-02-01", "2024-08-01"],
            }
        )
        frames["use"] = pd.DataFrame(
            {
                "vehicle": "V0",
                "from": ["2024-04-01", "2024-05-01"],
                "to": ["2024-04-30", "2024-06-30"],
                "loose": 0.5,
            }
        )
        row = {
            "vehicle": "V0",
            "position": "rear",
            "category": "tyre",
            "item": "t",
            "fitted": "2024-01-01",
            "removed": "2024-09-01",
        }
        frames["fitted"] = pd.DataFrame([row | {"reason": "worn", "price": 100}])
        frames["vehicles"]["disposed"] = ["2025-01-01", None]
        then = Replay(log_of(frames, HEADER)).at("2024-06-01")
        assert then.as_of == pd.Timestamp("2024-06-01")
        assert then.tables["odometer"]["date"].max() <= then.as_of
        assert then.tables["layups"]["to"].isna().tolist() == [False, True]
        assert then.tables["use"]["to"].tolist() == [pd.Timestamp("2024-04-30")]
        assert then.tables["fitted"][["removed", "reason"]].isna().all(axis=None)
        assert then.tables["vehicles"]["disposed"].isna().all()

    def test_what_was_recorded_later_is_not_known(self):
        frames = fleet(np.random.default_rng(3), n=1)
        late = frames["odometer"].assign(
            recorded=frames["odometer"]["date"] + pd.Timedelta(days=60)
        )
        log = log_of(frames | {"odometer": late}, HEADER)
        then = Replay(log).at("2024-06-01")
        assert then.tables["odometer"]["date"].max() <= pd.Timestamp("2024-04-02")
        assert Replay(log).tells_when_recorded()
        assert not Replay(log_of(frames, HEADER)).tells_when_recorded()

    def test_a_spike_that_only_a_later_reading_exposes_is_there_in_the_replay(self):
        frames = fleet(np.random.default_rng(4), n=1)
        km = frames["odometer"]["odometer"].iloc[60] + 9000
        spike = pd.DataFrame(
            {"vehicle": "V0", "date": [pd.Timestamp("2024-05-27")], "odometer": [km]}
        )
        log = log_of(
            frames | {"odometer": pd.concat([frames["odometer"], spike], ignore_index=True)}, HEADER
        )
        before, after = (Replay(log).at(day) for day in ("2024-05-28", "2024-07-15"))
        assert spike["odometer"].iloc[0] in before.tables["odometer"]["odometer"].tolist()
        assert spike["odometer"].iloc[0] not in after.tables["odometer"]["odometer"].tolist()

    def test_a_replay_of_the_last_day_is_the_log(self):
        log = read_log(places.place("data", "owner"))
        same = Replay(log).at(log.as_of)
        for name in ("odometer", "fuel", "measurements", "vehicles", "fitted"):
            pd.testing.assert_frame_equal(same.tables[name], log.tables[name])

    def test_plans_to_come_are_not_known(self):
        task = {"code": "oil", "action": "replace", "every": {"months": 12}}
        versions = [
            {"applies_to": ["van"], "task": [task]},
            {"applies_to": ["van"], "from": pd.Timestamp("2024-01-01").date(), "task": [task]},
        ]
        plan = plan_of({"van": versions}, "km")
        before, after = (plan_at(plan, pd.Timestamp(day)) for day in ("2023-12-31", "2024-01-01"))
        assert (len(before.tasks), len(after.tasks)) == (1, 2)
        assert before.plans["valid_to"].isna().all()
        assert after.plans["valid_to"].notna().sum() == 1
        assert plan_at(None, pd.Timestamp("2029-12-31")) is None


def test_cuts_leave_a_year_before_and_a_quarter_after(seasonal_log, seasonal_test):
    cuts = seasonal_test.choices["cut"]
    assert cuts.iloc[-1] == seasonal_log.as_of - pd.Timedelta(days=91)
    assert (cuts >= seasonal_log.first_day + pd.Timedelta(days=365)).all()
    assert set(cuts.diff().dropna()) == {pd.Timedelta(days=91)}
    assert len(cuts) == seasonal_test.n_cuts == 10


def test_the_future_changes_nothing_that_was_foretold(seasonal_log):
    """Another future, the same past: what a cut answers is the same."""
    other = fleet(np.random.default_rng(1), season=0.7)
    odometer = other["odometer"]
    later = odometer["date"] > pd.Timestamp("2024-06-01")
    odometer["odometer"] = odometer["odometer"] + np.where(later, 500.0, 0.0)
    a, b = (
        backtest._asked(Replay(log).at("2024-06-01"))
        for log in (seasonal_log, log_of(other, HEADER))
    )
    pd.testing.assert_frame_equal(a.rows, b.rows)
    for name in a.chance:
        np.testing.assert_array_equal(a.chance[name], b.chance[name])


def test_choices_rest_on_earlier_days_alone(seasonal_log, seasonal_test):
    """A log that ends earlier made the same choices at the same days."""
    short = back_test(Replay(seasonal_log).at(seasonal_log.as_of - pd.Timedelta(days=4 * 91)))
    both = seasonal_test.choices.merge(short.choices, on="cut", suffixes=("", "_short"))
    assert len(both) >= 4
    assert both["method"].tolist() == both["method_short"].tolist()
    assert both["widen"].tolist() == both["widen_short"].tolist()


def test_the_season_is_chosen_and_beats_the_mean_of_the_trailing_year(seasonal_test):
    assert seasonal_test.used in (
        "season-and-lay-ups",
        "season",
        "season-and-lay-ups-steady",
        "last-year",
    )
    c = seasonal_test.cases
    assert c["crps_days"].mean() < 0.7 * c["crps_days_trailing-year"].mean()
    assert (
        seasonal_test.methods.loc[seasonal_test.methods["is_used"], "crps_days"].item()
        == seasonal_test.methods["crps_days"].min()
    )


def test_intervals_hold_within_their_error(seasonal_test):
    table = by_horizon(seasonal_test)
    assert abs(table.attrs["inside"] - 0.9) <= 3 * max(table.attrs["se"], 0.01)
    assert table["n"].sum() == len(seasonal_test.cases)
    assert table["low_days"].tolist() == [0, 31, 91, 181]


def test_levels_not_yet_reached_stay(seasonal_test):
    last = seasonal_test.cases[seasonal_test.cases["cut"] == seasonal_test.cases["cut"].max()]
    assert not last.loc[last["ahead_days"] == 320, "is_reached"].any()
    assert len(last) == 8 * 8
    assert last["crps_days"].notna().all()


def test_too_short_a_record_tests_nothing_and_still_gives_a_model():
    log = log_of(fleet(np.random.default_rng(5), n=2, years=1.0), HEADER | {"as_of": "2022-12-31"})
    test = back_test(log)
    assert not test.is_told
    assert test.n_cuts == 0
    assert by_horizon(test).empty
    assert test.widen == (1.0,) * 4
    assert best_model(log, test).vehicles["method"].eq("own").all()


def truth(day, read_on):
    """The truth of one level reached on `day`, with readings on these days."""
    read_on = np.asarray(read_on, dtype=float)
    low, later = read_on[read_on < day].max(initial=0), read_on[read_on >= day]
    nearest = read_on[np.abs(read_on[:, None] - GRID).argmin(axis=0)]
    weight = np.where(read_on.max() >= GRID, STEP, 0.0)
    return Truth(
        np.array([low]), np.array([later.min(initial=np.inf)]), nearest[None, :], weight[None, :]
    )


def test_the_score_of_a_sure_forecast_is_how_far_it_was_out():
    sure = np.where(GRID >= 50, 1.0, 0.0)[None, :]
    daily = np.arange(0, 501)
    for day, out in ((50, 0), (70, 20), (30, 20)):
        assert crps(sure, truth(day, daily))[0] == pytest.approx(out, abs=1.5)


def test_the_score_knows_only_what_readings_tell():
    sure = np.where(GRID >= 50, 1.0, 0.0)[None, :]
    assert crps(sure, truth(55, [0, 40, 60, 500]))[0] == 0
    assert crps(sure, truth(80, [0, 40, 45]))[0] == 0
    assert crps(sure, truth(200, range(0, 81)))[0] == pytest.approx(30, abs=1.5)


def test_truths_are_read_off_the_readings():
    frame = pd.DataFrame(
        {
            "vehicle": "A",
            "date": pd.to_datetime(["2024-01-01", "2024-01-11", "2024-01-31"]),
            "distance_km": [0.0, 100.0, 300.0],
        }
    )
    path = path_of(frame.assign(odometer_km=frame["distance_km"]))
    start = np.repeat(path.day[0], 3)
    found = truth_of(path, pd.Series(["A"] * 3), np.array([100.0, 250.0, 301.0]), start)
    assert found.low.tolist() == [0, 10, 30]
    assert found.high.tolist() == [10, 30, np.inf]
    assert found.day[0, [0, 4, 6, 19, 21, 30]].tolist() == [0, 0, 10, 10, 30, 30]
    assert (found.weight[:, GRID > 30] == 0).all()
    assert (found.weight[:, GRID <= 30] > 0).all()


def test_the_truth_scores_best_on_average():
    """The forecast that the truth was drawn from scores best, though the truth is told by readings a month apart and cut off."""
    rng = np.random.default_rng(6)
    day = 100 * np.exp(0.3 * rng.standard_normal(4000))
    truths = [
        truth(d, np.append(0, np.cumsum(rng.integers(20, 40, rng.integers(2, 8))))) for d in day
    ]
    whole = Truth(
        *(
            np.concatenate([getattr(t, name) for t in truths])
            for name in ("low", "high", "day", "weight")
        )
    )

    def score(middle, sd):
        chance = special.ndtr(np.log(np.maximum(GRID, 1e-9) / middle) / sd)
        return crps(np.tile(chance, (len(day), 1)), whole).mean()

    best = score(100, 0.3)
    assert all(best < score(*other) for other in ((92, 0.3), (108, 0.3), (100, 0.2), (100, 0.4)))


def test_shares_are_even_for_a_true_forecast():
    rng = np.random.default_rng(7)
    p = np.sort(rng.random((2, 20_000)), axis=0)
    u = rng.random(20_000)
    low, high = (
        np.where(u < p[0], 0, np.where(u < p[1], p[0], p[1])),
        np.where(u < p[0], p[0], np.where(u < p[1], p[1], 1.0)),
    )
    inside, before = shares(low, high, 0.05)
    assert inside.mean() == pytest.approx(0.9, abs=0.01)
    assert before.mean() == pytest.approx(0.05, abs=0.005)
    sure, _ = shares(np.array([0.5, 0.01, 0.99]), np.array([0.5, 0.01, 0.99]), 0.05)
    assert sure.tolist() == pytest.approx([1, 0, 0], abs=1e-6)


def test_the_error_grows_with_what_is_shared():
    rng = np.random.default_rng(8)
    vehicle, cut = (a.ravel() for a in np.meshgrid(np.arange(20), np.arange(10)))
    alone = pd.Series(rng.standard_normal(200))
    shared = alone + 2 * rng.standard_normal(10)[cut]
    plain = alone.std() / np.sqrt(200)
    assert two_way_se(alone, pd.Series(vehicle), pd.Series(cut)) == pytest.approx(plain, rel=0.5)
    assert two_way_se(shared, pd.Series(vehicle), pd.Series(cut)) > 5 * plain


def test_usual_layups_come_again_and_open_ones_end():
    layups = pd.DataFrame(
        {
            "vehicle": list("AABC"),
            "from": pd.to_datetime(["2023-12-01", "2024-12-01", "2025-04-20", "2025-01-10"]),
            "to": pd.to_datetime(["2024-02-01", "2025-02-01", None, "2025-01-20"]),
            "reason": ["season", "season", "in-workshop", "in-workshop"],
        }
    )
    rows = usual_layups(layups, pd.Timestamp("2025-05-01"))
    again = rows[(rows["vehicle"] == "A") & (rows["from"] > pd.Timestamp("2025-05-01"))]
    assert again["from"].tolist() == [pd.Timestamp("2025-12-01"), pd.Timestamp("2026-12-01")]
    assert again["to"].tolist() == [pd.Timestamp("2026-02-01"), pd.Timestamp("2027-02-01")]
    assert rows.loc[rows["vehicle"] == "B", "to"].item() == pd.Timestamp("2025-05-01")
    assert len(rows[rows["vehicle"] == "C"]) == 1


@pytest.mark.slow
def test_on_the_demo_fleet_the_score_beats_both_naive_methods_and_the_intervals_hold():
    test = back_test(read_log(places.place("data", "fleet")))
    c = test.cases
    assert c["crps_days"].mean() < min(
        c["crps_days_trailing-year"].mean(), c["crps_days_last-year"].mean()
    )
    assert c["interval_days"].mean() < min(
        c["interval_days_trailing-year"].mean(), c["interval_days_last-year"].mean()
    )
    table = by_horizon(test)
    assert abs(table.attrs["inside"] - test.confidence) <= 3 * table.attrs["se"]


def test_why_there_is_no_test_is_said_as_it_is():
    """Four years of a vehicle read once a year: the record is long, and nothing forecast was read again in time."""
    from wearbar.report.quantities import Show
    from wearbar.report.words import outlook as wording

    def log(first):
        days = pd.date_range(first, "2025-12-31", freq="365D")
        tables = {
            "vehicles": pd.DataFrame({"vehicle": ["V"], "kind": "van", "in_service": [first]}),
            "odometer": pd.DataFrame(
                {"vehicle": "V", "date": days, "odometer": 9000.0 * np.arange(len(days))}
            ),
        }
        return log_of(tables, {"distance": "km", "as_of": "2025-12-31", "first_day": first})

    four, short = (backtest.back_test(log(first)) for first in ("2022-01-01", "2025-03-01"))
    words = wording.words_in(Show())
    assert not four.is_told
    assert "fifteen months" not in words("dates_by", test=four)
    assert "too few distances forecast on past days were read again" in words("dates_by", test=four)
    assert "shorter than fifteen months" in words("dates_by", test=short)
