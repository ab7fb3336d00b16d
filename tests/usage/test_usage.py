from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pandas as pd
import pytest

from wearbar import usage
from wearbar.log import ServiceLog
from wearbar.log.schema import TABLES, TEXT
from wearbar.log.units import DISTANCE_KM, Units
from wearbar.usage.distance import days_later


def typed(name, rows):
    """Table `name` of the format from rows of dicts, typed as a log's tables are."""
    frame = pd.DataFrame(rows, columns=[c.name for c in TABLES[name]])
    types = {
        c.name: {"number": float, "date": "datetime64[ns]"}.get(c.kind, TEXT) for c in TABLES[name]
    }
    frame.index = pd.RangeIndex(2, len(frame) + 2, name="line")
    return frame.astype(types)


def a_log(distance="km", vehicles=("A",), **tables):
    """A log of these vehicles (names, or rows) and tables (rows of dicts)."""
    used = {"kind": "car", "in_service": "2020-01-01", "acquired": "2020-01-02"}
    rows = [{"vehicle": v} | used if isinstance(v, str) else v for v in vehicles]
    frames = {name: typed(name, tables.get(name, [])) for name in TABLES} | {
        "vehicles": typed("vehicles", rows)
    }
    nothing = dict.fromkeys(("set_aside", "warnings", "ledger"), pd.DataFrame())
    days = {"first_day": pd.Timestamp("2020-01-01"), "as_of": pd.Timestamp("2025-12-31")}
    return ServiceLog(
        name="test", tables=MappingProxyType(frames), units=Units(distance), **days, **nothing
    )


def odometer(*rows, vehicle="A"):
    names = ("date", "odometer", "restarts_at")
    return [{"vehicle": vehicle} | dict(zip(names, row, strict=False)) for row in rows]


def line(*rows, **more):
    return usage.readings(a_log(odometer=odometer(*rows), **more))


def at(readings, *dates, vehicle="A"):
    return usage.distance_at(
        usage.path_of(readings), [vehicle] * len(dates), pd.to_datetime(list(dates))
    )


def when(readings, *distances, vehicle="A", of="distance_km"):
    return (
        usage.date_at(usage.path_of(readings, of), [vehicle] * len(distances), distances)
        .dt.strftime("%Y-%m-%d")
        .fillna("not yet")
        .tolist()
    )


# readings


def test_every_table_with_a_reading_gives_it_at_its_date():
    vehicle = {
        "vehicle": "A", "kind": "car", "in_service": "2020-01-01", "in_service_odometer": 5, "acquired": "2020-02-01",
        "acquired_odometer": 100, "disposed": "2024-01-01", "disposed_odometer": 9000,
    }  # fmt: skip
    log = a_log(
        vehicles=[vehicle],
        odometer=[{"vehicle": "A", "date": "2020-03-01", "odometer": 200, "source": "tracker"}],
        work=[
            {"vehicle": "A", "date": "2020-04-01", "odometer": 300},
            {"vehicle": "A", "date": "2020-04-02"},
        ],
        fitted=[
            {
                "vehicle": "A",
                "fitted": "2020-05-01",
                "fitted_odometer": 400,
                "removed": "2021-05-01",
                "removed_odometer": 4000,
            }
        ],
        measurements=[{"vehicle": "A", "date": "2020-06-01", "odometer": 500}],
        fuel=[{"vehicle": "A", "date": "2020-07-01", "odometer": 600}],
        defects=[{"vehicle": "A", "found": "2020-08-01", "odometer": 700}],
        dash_events=[{"vehicle": "A", "date": "2020-09-01", "odometer": 800}],
    )
    found = usage.readings(log)
    assert found["odometer_km"].tolist() == [5, 100, 200, 300, 400, 500, 600, 700, 800, 4000, 9000]
    assert found["distance_km"].tolist() == found["odometer_km"].tolist()
    assert found["date"].is_monotonic_increasing


def test_a_vehicle_that_was_new_starts_at_nothing_and_a_used_one_does_not():
    new = {"vehicle": "N", "kind": "car", "in_service": "2020-01-01"}
    rows = [
        new,
        new | {"vehicle": "S", "acquired": "2020-01-01"},
        new | {"vehicle": "U", "acquired": "2021-01-01"},
    ]
    rows.append(new | {"vehicle": "H", "meter": "hours"})
    found = usage.readings(a_log(vehicles=rows))
    assert found[["vehicle", "odometer_km"]].to_numpy().tolist() == [["N", 0.0], ["S", 0.0]]


def test_through_changes_of_instrument_and_a_rollover():
    found = line(
        ("2021-01-01", 98000),
        ("2021-06-01", 100000, 0),  # rolled over
        ("2021-12-01", 3000),
        ("2022-03-01", 4000, 120000),  # a used instrument from another vehicle
        ("2022-06-01", 121000),
        ("2022-07-01", 121500, 7),
        ("2022-08-01", 107),
    )
    assert found["odometer_km"].tolist() == [
        98000,
        100000,
        0,
        3000,
        4000,
        120000,
        121000,
        121500,
        7,
        107,
    ]
    assert found["distance_km"].tolist() == [
        98000,
        100000,
        100000,
        103000,
        104000,
        104000,
        105000,
        105500,
        105500,
        105600,
    ]
    # the due point 103,000 will show as 3,000; one due later shows on the instrument that is fitted now
    assert usage.odometer_of(
        usage.path_of(found), ["A"] * 5, [97000, 99999, 103000, 105000, 106500]
    ).tolist() == [
        97000,
        99999,
        3000,
        121000,
        1007,
    ]


def test_the_due_point_past_a_rollover_that_was_entered_one_short_is_one_out():
    right, short = (
        usage.readings(a_log(odometer=odometer(("2021-01-01", last, 0))))
        for last in (100000, 99999)
    )
    assert usage.odometer_of(usage.path_of(right), ["A"], [103000]).tolist() == [3000]
    assert usage.odometer_of(usage.path_of(short), ["A"], [103000]).tolist() == [3001]


def test_readings_on_the_day_of_a_change_belong_to_the_nearer_instrument():
    log = a_log(
        odometer=odometer(("2021-01-01", 44000), ("2021-02-01", 45000, 10), ("2021-03-01", 900)),
        fuel=[{"vehicle": "A", "date": "2021-02-01", "odometer": o} for o in (35, 44950)],
    )
    found = usage.readings(log)
    assert found["odometer_km"].tolist() == [44000, 44950, 45000, 10, 35, 900]
    assert found["distance_km"].tolist() == [44000, 44950, 45000, 45000, 45025, 45890]
    assert found["distance_km"].is_monotonic_increasing


def test_a_change_is_that_vehicles_alone_and_keeps_its_hours():
    changed = {
        "vehicle": "A",
        "date": "2021-02-01",
        "odometer": 45000,
        "restarts_at": 10,
        "hours": 70,
    }
    rows = [changed, *odometer(("2021-03-01", 5), vehicle="B")]
    found = usage.readings(a_log(vehicles="AB", odometer=rows))
    assert found["distance_km"].tolist() == [45000, 45000, 5]
    assert found["hours"].fillna(-1).tolist() == [70, -1, -1]


def test_readings_of_one_day_stand_as_driven():
    assert line(*(("2021-02-01", o) for o in (30, 10, 50, 20, 40)))["odometer_km"].tolist() == [
        10,
        20,
        30,
        40,
        50,
    ]


def test_two_changes_on_one_day_are_taken_in_the_order_written():
    found = line(
        ("2021-01-01", 500), ("2021-02-01", 1000, 0), ("2021-02-01", 2, 7000), ("2021-03-01", 7100)
    )
    assert found["distance_km"].tolist() == [500, 1000, 1000, 1002, 1002, 1102]


def test_a_change_whose_old_reading_was_not_written_down_goes_on_from_the_last():
    found = line(("2021-01-01", 500), ("2021-02-01", None, 0), ("2021-03-01", 40))
    assert found["distance_km"].dropna().tolist() == [500, 500, 540]
    assert line(("2021-02-01", None, 30), ("2021-03-01", 40))["distance_km"].dropna().tolist() == [
        30,
        40,
    ]


def test_order_of_rows_and_tables_changes_nothing():
    rng = np.random.default_rng(3)
    rows = [
        r
        for v in "ABC"
        for r in odometer(
            ("2021-01-01", 10),
            ("2021-02-01", 50, 5),
            ("2021-02-01", 9),
            ("2021-03-01", 60),
            vehicle=v,
        )
    ]
    expected = usage.readings(a_log(vehicles="ABC", odometer=rows))
    for _ in range(5):
        shuffled = [rows[i] for i in rng.permutation(len(rows))]
        pd.testing.assert_frame_equal(
            usage.readings(a_log(vehicles="CAB", odometer=shuffled)), expected
        )


def test_miles_are_kilometres_by_a_factor_and_a_vehicle_may_have_its_own_unit():
    rows = odometer(("2021-01-01", 10), ("2021-02-01", 50, 5), ("2021-03-01", 60))
    in_km, in_mi = (usage.readings(a_log(unit, odometer=rows)) for unit in ("km", "mi"))
    np.testing.assert_allclose(
        in_mi["distance_km"], in_km["distance_km"] * DISTANCE_KM["mi"], rtol=1e-15
    )
    own = {
        "vehicle": "A",
        "kind": "car",
        "in_service": "2020-01-01",
        "acquired": "2020-01-02",
        "distance_unit": "mi",
    }
    pd.testing.assert_frame_equal(usage.readings(a_log("km", vehicles=[own], odometer=rows)), in_mi)


def test_no_readings_at_all():
    found = usage.readings(a_log())
    assert found.columns.tolist() == [
        "vehicle",
        "date",
        "known",
        "odometer_km",
        "distance_km",
        "meter_hours",
        "hours",
    ]
    assert len(found) == 0
    assert at(found, "2021-01-01")["distance_km"].isna().all()
    assert when(found, 5) == ["not yet"]
    assert (
        len(usage.gaps(usage.path_of(found)))
        == len(usage.daily_rate(usage.path_of(found), pd.Timestamp("2021-01-01")))
        == 0
    )
    assert (
        usage.odometer_of(usage.path_of(found), ["A"], [5]).tolist()
        == usage.to_cumulative(usage.path_of(found), ["A"], [pd.NaT], [5]).tolist()
        == [5]
    )


def test_hours():
    rows = [
        {"vehicle": "A", "date": d, "hours": h}
        for d, h in (("2021-01-01", 100), ("2021-01-11", 120))
    ]
    found = usage.readings(a_log(odometer=rows))
    assert found["distance_km"].isna().all()
    meter = usage.path_of(found, "hours")
    hours = usage.distance_at(meter, ["A"], ["2021-01-06"]).iloc[0]
    assert hours.tolist() == [110, 100, 120]
    assert when(found, 115, 121, of="hours") == ["2021-01-09", "not yet"]


# distance at a date, date at a distance


def test_work_without_a_reading_lies_between_those_around_it():
    # 4,000 on 1 July and 4,560 on the 29th: on the 15th about 4,280, and surely between the two
    found = at(
        line(("2025-07-01", 4000), ("2025-07-29", 4560)),
        "2025-07-15",
        "2025-07-01",
        "2025-07-30",
        "2025-06-30",
    )
    assert found["distance_km"].tolist()[:2] == [4280, 4000]
    assert found["low_km"].tolist()[:3] == [4000, 4000, 4560]
    assert found["high_km"].dropna().tolist() == [4560, 4000, 4000]
    assert found["distance_km"].isna().tolist() == [False, False, True, True]
    assert np.isnan(found["low_km"].iloc[3])
    assert np.isnan(found["high_km"].iloc[2])


def test_readings_that_differ_on_a_day_are_its_range():
    found = line(("2021-01-01", 0), ("2021-01-11", 100), ("2021-01-11", 140), ("2021-01-21", 200))
    assert at(found, "2021-01-11").iloc[0].to_dict() == {
        "distance_km": 140,
        "low_km": 100,
        "high_km": 140,
    }
    assert at(found, "2021-01-06", "2021-01-16")["distance_km"].tolist() == [50, 170]
    assert when(found, 95, 100, 120, 140, 170) == [
        "2021-01-11",
        "2021-01-11",
        "2021-01-11",
        "2021-01-11",
        "2021-01-16",
    ]


def test_the_first_day_that_reached_a_distance():
    found = line(("2021-01-01", 100), ("2021-01-11", 200), ("2021-01-31", 200), ("2021-02-10", 300))
    expected = {
        99: "2021-01-01",
        100: "2021-01-01",
        101: "2021-01-02",
        110: "2021-01-02",
        111: "2021-01-03",
        200: "2021-01-11",
    }
    expected |= {201: "2021-02-01", 300: "2021-02-10", 301: "not yet"}
    assert when(found, *expected) == list(expected.values())


def test_unknown_vehicles_and_blanks_are_not_known():
    found = line(("2021-01-01", 100), ("2021-01-11", 200))
    assert at(found, "2021-01-05", vehicle="Z").isna().all(axis=None)
    assert at(found, None).drop(columns="high_km").isna().all(axis=None)
    assert when(found, 150, vehicle="Z") == when(found, np.nan) == ["not yet"]


def random_fleet(seed, n=40, vehicles="ABCDE"):
    rng = np.random.default_rng(seed)
    rows = []
    for v in vehicles:
        days = pd.Timestamp("2021-01-01") + pd.to_timedelta(
            np.sort(rng.choice(900, n, replace=False)), unit="D"
        )
        km = np.cumsum(rng.choice([0.0, 3.7, 55.1, 400.0], n))
        rows += odometer(*zip(days, km, strict=True), vehicle=v)
    return a_log(vehicles=tuple(vehicles), odometer=rows), rng


@pytest.mark.parametrize("seed", range(5))
def test_date_and_distance_are_each_others_inverse(seed):
    log, rng = random_fleet(seed)
    found = usage.readings(log)
    last = found.groupby("vehicle")["distance_km"].max()
    vehicle = rng.choice(list("ABCDE"), 500)
    wanted = rng.uniform(0, 1, 500) * last[vehicle].to_numpy()
    day = usage.date_at(usage.path_of(found), vehicle, wanted)
    reached = usage.distance_at(usage.path_of(found), vehicle, day)["distance_km"].to_numpy()
    before = usage.distance_at(usage.path_of(found), vehicle, day - pd.Timedelta(days=1))[
        "distance_km"
    ].to_numpy()
    assert (reached >= wanted - 1e-6).all()
    assert ((before < wanted) | np.isnan(before)).all()


@pytest.mark.parametrize("seed", range(3))
def test_the_distance_of_a_day_is_first_reached_on_that_day(seed):
    rng = np.random.default_rng(seed)
    days = pd.Timestamp("2021-01-01") + pd.to_timedelta(
        np.cumsum(rng.integers(1, 40, 50)), unit="D"
    )
    found = line(*zip(days, np.cumsum(rng.uniform(1, 900, 50)), strict=True))
    every = pd.date_range(days[0], days[-1])
    assert (
        usage.date_at(
            usage.path_of(found), ["A"] * len(every), at(found, *every)["distance_km"]
        ).tolist()
        == every.tolist()
    )


@pytest.mark.parametrize("seed", range(3))
def test_as_numpy_interpolates_each_vehicle(seed):
    found = usage.readings(random_fleet(seed)[0])
    days = pd.Timestamp("2021-01-01") + pd.to_timedelta(np.arange(-5, 905), unit="D")
    for vehicle, rows in found.groupby("vehicle"):
        x, y = (rows["date"] - days[0]).dt.days, rows["distance_km"]
        expected = np.interp(np.arange(len(days)), x, y, left=np.nan, right=np.nan)
        np.testing.assert_allclose(
            at(found, *days, vehicle=vehicle)["distance_km"], expected, rtol=1e-12
        )


def test_a_reading_on_the_line_changes_nothing():
    rows = [("2021-01-01", 0), ("2021-01-21", 200), ("2021-03-01", 300)]
    days = pd.date_range("2021-01-01", "2021-03-01")
    bare, split = line(*rows), line(*rows, ("2021-01-11", 100))
    assert at(bare, *days)["distance_km"].tolist() == pytest.approx(
        at(split, *days)["distance_km"].tolist()
    )
    assert when(bare, *range(0, 300, 7)) == when(split, *range(0, 300, 7))


def test_a_line_that_goes_back_is_held_level():
    found = line(("2021-01-01", 100), ("2021-01-11", 90), ("2021-01-21", 120))
    assert at(found, "2021-01-11", "2021-01-16")["distance_km"].tolist() == [100, 110]
    assert when(found, 100, 110) == ["2021-01-01", "2021-01-16"]


def test_a_reading_is_put_on_the_scale_of_its_instrument():
    found = line(("2021-01-01", 44000), ("2021-02-01", 45000, 0), ("2021-03-01", 900))
    dates = ["2021-01-15", "2021-02-01", "2021-02-01", "2021-02-15", "2025-01-01", None]
    shown = [44500, 44990, 20, 400, 5000, 43000]
    assert usage.to_cumulative(
        usage.path_of(found), ["A"] * 6, pd.to_datetime(dates), shown
    ).tolist() == [
        44500,
        44990,
        45020,
        45400,
        50000,
        43000,
    ]
    assert usage.to_cumulative(usage.path_of(found), ["Z"], [pd.NaT], [7]).tolist() == [7]


def test_rows_with_and_without_a_reading_of_their_own():
    found = line(("2021-01-01", 0), ("2021-01-11", 100, 0), ("2021-01-21", 100))
    rows = usage.distance_of(
        usage.path_of(found),
        ["A"] * 3,
        pd.to_datetime(["2021-01-06", "2021-01-06", "2021-01-16"]),
        [np.nan, 70, 30],
    )
    assert rows["distance_km"].tolist() == [50, 70, 130]
    assert rows["low_km"].tolist() == [0, 70, 130]
    assert rows["high_km"].tolist() == [100, 70, 130]


# rates, gaps


def test_daily_rate_over_the_trailing_year():
    # 10 km a day for 100 days, then 20 for 100: windows of 200 and of 50 days
    found = line(("2021-01-01", 0), ("2021-04-11", 1000), ("2021-07-20", 3000))
    rate = usage.daily_rate(usage.path_of(found), pd.Timestamp("2021-07-20"), days=200).iloc[0]
    assert (rate["rate_km_per_day"], rate["last_km"]) == (15, 3000)
    assert rate["last_date"] == pd.Timestamp("2021-07-20")
    # two spans of 100 days, 5 a day off the mean each: variance (500^2/100)*2/1 = 5000 a day; s.e. 5; t(1) at 95% is 6.3138
    assert rate["high"] == pytest.approx(15 + 5 * 6.313752, rel=1e-6)
    recent = usage.daily_rate(usage.path_of(found), pd.Timestamp("2021-07-20"), days=50).iloc[0]
    assert recent["rate_km_per_day"] == 20
    assert np.isnan(recent["high"])
    earlier = usage.daily_rate(usage.path_of(found), pd.Timestamp("2021-05-01"), days=365).iloc[0]
    assert (earlier["rate_km_per_day"], earlier["last_km"]) == (10, 1000)
    stale = usage.daily_rate(usage.path_of(found), pd.Timestamp("2023-01-01"), days=365).iloc[0]
    assert np.isnan(stale["rate_km_per_day"])
    assert stale["last_km"] == 3000


def test_daily_rate_is_one_row_a_vehicle_and_the_same_alone():
    log, _ = random_fleet(1)
    every = usage.daily_rate(usage.log_path(log), pd.Timestamp("2023-01-01"))
    alone = [
        usage.daily_rate(usage.log_path(log.only([v])), pd.Timestamp("2023-01-01")) for v in "ABCDE"
    ]
    pd.testing.assert_frame_equal(every, pd.concat(alone, ignore_index=True))


def test_gaps_in_the_record():
    monthly = [
        (str(d.date()), 100 * i)
        for i, d in enumerate(pd.date_range("2021-01-01", periods=8, freq="30D"))
    ]
    found = line(*monthly, ("2021-10-28", 900), ("2021-12-07", 1000))  # 90 days, then 40
    assert len(usage.gaps(usage.path_of(found))) == 0  # three times the usual 30 is not exceeded
    holed = usage.gaps(usage.path_of(line(*monthly, ("2021-10-29", 900))))
    assert holed.astype(str).to_numpy().tolist() == [
        ["A", "2021-07-30", "2021-10-29", "91", "200.0"]
    ]
    weekly = [
        (str(d.date()), i) for i, d in enumerate(pd.date_range("2021-01-01", periods=8, freq="7D"))
    ]
    assert len(usage.gaps(usage.path_of(line(*weekly, ("2021-04-20", 900))))) == 0  # 60 days
    assert usage.gaps(usage.path_of(line(*weekly, ("2021-04-21", 900))))["days"].tolist() == [61]


# where, laid up, what use


def test_site_by_posting_or_else_the_vehicles_own():
    home = {"vehicle": "A", "kind": "car", "in_service": "2020-01-01", "site": "north"}
    postings = [
        {"vehicle": "A", "from": "2021-02-01", "to": "2021-02-28", "site": "east"},
        {"vehicle": "A", "from": "2021-02-10", "to": "2021-02-11", "site": "west"},
        {"vehicle": "A", "from": "2021-06-01", "site": "south"},
    ]
    log = a_log(vehicles=[home, {"vehicle": "B", "kind": "car"}], postings=postings)
    dates = [
        "2021-01-31",
        "2021-02-01",
        "2021-02-10",
        "2021-02-12",
        "2021-02-28",
        "2021-03-01",
        "2024-01-01",
    ]
    assert usage.site_at(log, ["A"] * 7, dates).tolist() == [
        "north",
        "east",
        "west",
        "east",
        "east",
        "north",
        "south",
    ]
    assert usage.site_at(log, ["B", "A"], dates[:2]).fillna("none").tolist() == ["none", "east"]


def test_days_laid_up_count_once_and_run_on_without_an_end():
    layups = [
        {"vehicle": "A", "from": "2021-01-01", "to": "2021-01-10"},
        {"vehicle": "A", "from": "2021-01-06", "to": "2021-01-15"},
        {"vehicle": "A", "from": "2021-01-02", "to": "2021-01-03"},
        {"vehicle": "B", "from": "2021-03-01"},
    ]
    log = a_log(vehicles="AB", layups=layups)
    spent = usage.layup_days(log, list("AAABBC"), ["2020-12-31", "2021-01-01", "2021-01-15", "2021-02-01", "2021-03-10", "2021-01-01"],
                             ["2021-02-01", "2021-01-12", "2021-02-01", "2021-03-02", "2021-03-20", "2022-01-01"])  # fmt: skip
    assert spent.tolist() == [15, 11, 0, 2, 10, 0]
    assert usage.layup_days(a_log(), ["A"], ["2021-01-01"], ["2021-02-01"]).tolist() == [0]


def shares(use, start, end, read=(("2021-01-01", 0), ("2022-01-01", 3650))):
    log = a_log(use=[{"vehicle": "A"} | row for row in use], odometer=odometer(*read))
    return usage.use_shares(log, ["A"], [start], [end]).iloc[0]


def test_use_is_weighted_by_distance():
    use = [
        {
            "from": "2021-01-02",
            "to": "2021-04-11",
            "distance": 3000,
            "loose": 0.1,
            "mud_water": 0.2,
        },  # 100 days
        {"from": "2021-04-12", "to": "2022-01-01", "distance": 650, "loose": 0.9},
    ]
    year = shares(use, "2021-01-01", "2022-01-01")
    assert year["loose"] == pytest.approx((300 + 585) / 3650)
    assert year["coverage_share"] == year["loose_coverage_share"] == pytest.approx(1)
    assert year["mud_water"] == pytest.approx(0.2)
    assert year["mud_water_coverage_share"] == pytest.approx(3000 / 3650)
    assert np.isnan(year["heat"])
    assert year["heat_coverage_share"] == 0


def test_use_of_part_of_a_row_and_rows_that_overlap():
    use = [
        {
            "from": "2021-01-02",
            "to": "2021-01-11",
            "distance": 100,
            "loose": 1.0,
        },  # 50 km of it in the period
        {
            "from": "2021-01-07",
            "to": "2021-01-16",
            "loose": 0.0,
        },  # all of it, without a distance of its own: 100 by the readings
    ]
    found = shares(use, "2021-01-06", "2021-01-21")
    assert found["loose"] == pytest.approx(50 / 150)
    assert found["coverage_share"] == pytest.approx(1)  # 150 told of 150 driven
    assert shares(use[:1], "2021-01-06", "2021-01-21")["coverage_share"] == pytest.approx(50 / 150)
    assert shares(use[:1], "2021-03-01", "2021-04-01")["coverage_share"] == 0


def test_use_after_the_last_reading_counts_in_neither():
    read = ("2021-01-01", 0), ("2021-01-11", 100)
    use = [{"from": "2021-01-02", "to": "2021-01-31", "distance": 300, "loose": 0.5}]
    assert shares(use, "2020-06-01", "2021-06-01", read)["coverage_share"] == pytest.approx(1)
    later = [{"from": "2021-01-12", "to": "2021-01-31", "distance": 300, "loose": 0.5}]
    assert shares(later, "2020-06-01", "2021-06-01", read)["coverage_share"] == 0
    assert shares(use, "2021-01-11", "2021-02-10", read)["coverage_share"] == pytest.approx(
        20 / 30
    )  # by days


def test_use_of_many_at_once_is_that_of_each_alone():
    rng = np.random.default_rng(5)
    log, _ = random_fleet(2)
    use = [
        {"vehicle": v, "from": start}
        for v in "ABC"
        for start in pd.date_range("2021-01-01", "2023-01-01", freq="40D")
    ]
    for row in use:
        row |= {
            "to": row["from"] + pd.Timedelta(days=int(rng.integers(5, 60))),
            "distance": rng.uniform(0, 900),
            "loose": rng.uniform(),
        }
    table = typed("use", use)
    vehicle = rng.choice(list("ABCD"), 60)
    start = pd.Timestamp("2021-02-01") + pd.to_timedelta(rng.integers(0, 300, 60), unit="D")
    end = start + pd.to_timedelta(rng.integers(1, 365, 60), unit="D")

    def shares_of(use, *asked):
        return usage.use_shares(replace(log, tables={**log.tables, "use": use}), *asked)

    every = shares_of(table, vehicle, start, end)
    alone = [
        shares_of(table[table["vehicle"] == v], [v], [s], [e])
        for v, s, e in zip(vehicle, start, end, strict=True)
    ]
    pd.testing.assert_frame_equal(every, pd.concat(alone, ignore_index=True))
    assert every["coverage_share"].between(0, 1).all()
    # by hand: day by day
    for i in range(0, 60, 7):
        days = pd.date_range(start[i] + pd.Timedelta(days=1), end[i])
        km = loose = 0.0
        for row in (r for r in use if r["vehicle"] == vehicle[i]):
            part = (
                row["distance"]
                * days.isin(pd.date_range(row["from"], row["to"])).sum()
                / ((row["to"] - row["from"]).days + 1)
            )
            km, loose = km + part, loose + part * row["loose"]
        assert every["loose"].iloc[i] == pytest.approx(loose / km if km else np.nan, nan_ok=True)


def test_missing_days_are_no_date_and_no_warning():
    days = np.array([np.nan] * 100 + [1.5])
    for _ in range(20):
        waste = [np.full(len(days), 1.7e308) for _ in range(20)]
        told = pd.Series(days)
        del waste
        found = days_later(pd.Timestamp("2025-01-31"), told)
    assert found.iloc[:100].isna().all()
    assert found.iloc[100] == pd.Timestamp("2025-02-01 12:00")
    assert days_later(pd.Series([pd.NaT]), pd.Series([3.0])).isna().all()
