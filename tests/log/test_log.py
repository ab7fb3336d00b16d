"""Reading a log: every row ends in one place, every fault is named, nothing is changed unseen."""

import itertools
import re
import shutil
import tomllib

import numpy as np
import pandas as pd
import pytest

from wearbar import log as logs
from wearbar.log.checks.odometers import likely_reading, longest_likely
from wearbar.log.checks.problems import RULES
from wearbar.log.places import place
from wearbar.log.schema import MAIN_DATE, PERIODS, READINGS, TABLES, column

HEADER = {"distance": "mi", "volume": "L", "depth": "mm", "currency": "GBP", "pressure": "psi"}


def vehicles(**more):
    base = {
        "vehicle": ["A", "B"],
        "kind": ["van", "motorcycle"],
        "in_service": ["2020-01-01", "2021-01-01"],
        "in_service_odometer": [0, 0],
    }
    return pd.DataFrame(base | more)


def readings(pairs, vehicle="A"):
    return pd.DataFrame([{"vehicle": vehicle, "date": d, "odometer": o} for d, o in pairs])


def monthly(*values, **changed):
    days = pd.date_range("2022-01-01", periods=len(values), freq="MS")
    frame = readings(zip(days, values, strict=True))
    for name, cells in changed.items():
        frame[name] = pd.Series(cells)
    return frame


def log_of(header=HEADER, **frames):
    frames = (
        {"vehicles": vehicles()}
        | ({} if "odometer" in frames else {"odometer": monthly(100, 200)})
        | frames
    )
    return logs.log_of(frames, header)


def told(log, kind="set_aside"):
    return [
        tuple(row)
        for row in getattr(log, kind)[["table", "line", "column", "rule"]].itertuples(index=False)
    ]


def write(folder, toml='distance = "mi"\nvolume = "L"\n', **files):
    folder.mkdir(exist_ok=True)
    (folder / "log.toml").write_text(toml)
    (folder / "vehicles.csv").write_text(
        "vehicle,kind,in_service,meter\nA,van,2020-01-01,none\nB,car,2020-01-01,none\n"
    )
    for name, data in files.items():
        (folder / f"{name}.csv").write_bytes(data if isinstance(data, bytes) else data.encode())
    return folder


FUEL = "vehicle,date,volume,note\n"
ROW = "A,2022-01-01,40,x\n"


class TestLedger:
    @pytest.mark.parametrize("name", ["fleet", "owner"])
    def test_every_row_of_the_demo_logs_is_accounted_for(self, name):
        log = logs.read_log(place("data", name))
        ledger = log.ledger.set_index("table")
        assert (ledger["read"] == ledger["used"] + ledger["set_aside"] + ledger["after"]).all()
        for table in log.present:
            lines = len((place("data", name, f"{table}.csv")).read_text().splitlines()) - 1
            assert ledger.loc[table, "read"] == lines
            assert ledger.loc[table, "used"] == len(log.tables[table])
        assert ledger["set_aside"].sum() == len(log.set_aside)

    def test_the_slips_put_into_the_demo_are_named_with_their_place(self):
        log = logs.read_log(place("data", "fleet"))
        dirt = pd.read_csv(place("data", "truth", "fleet", "dirt.csv"), dtype=str).query(
            'kind != "after the report date"'
        )
        found = pd.concat([log.set_aside, log.warnings])
        named = set(zip(found["table"], found["line"], strict=True))
        lost = [
            row
            for row in zip(dirt["table"], dirt["line"].astype(int), strict=True)
            if row not in named
        ]
        assert not lost
        slips = dirt[dirt["kind"].isin(["a digit twice", "two digits changed places"])]
        remedy = found.set_index(["table", "line"])["remedy"]
        likely = [
            remedy[row.table, int(row.line)].endswith(f"? {row.true}") for row in slips.itertuples()
        ]
        assert np.mean(likely) > 0.7

    def test_rows_after_the_day_are_counted_and_their_faults_are_not(self):
        log = log_of(HEADER | {"as_of": "2022-02-15"}, odometer=monthly(100, 200, "x", 300))
        assert log.ledger.set_index("table").loc["odometer"].tolist() == [4, 2, 0, 2]
        assert not len(log.set_aside)

    def test_a_vehicle_that_had_not_come_takes_its_rows_with_it(self):
        odometer = pd.concat([monthly(100, 200), readings([("2021-02-01", 50)], "B")])
        log = log_of(HEADER | {"as_of": "2020-12-31"}, odometer=odometer)
        assert log.ledger.set_index("table").loc[["vehicles", "odometer"], "after"].tolist() == [
            1,
            3,
        ]

    def test_what_ended_later_was_still_going_on(self):
        fitted = pd.DataFrame(
            {
                "vehicle": ["A"],
                "position": ["rear"],
                "category": ["tyre"],
                "item": ["T"],
                "fitted": ["2021-01-01"],
                "removed": ["2023-01-01"],
            }
            | {"reason": ["worn"], "removed_odometer": [9000]}
        )
        log = log_of(HEADER | {"as_of": "2022-06-30"}, fitted=fitted)
        assert log.tables["fitted"][["removed", "reason", "removed_odometer"]].isna().all(axis=None)
        assert told(log, "warnings") == [
            ("fitted", 2, c, "known-later") for c in ("removed", "removed_odometer", "reason")
        ]

    def test_one_row_is_set_aside_once_with_all_that_is_wrong(self):
        log = log_of(valuations=pd.DataFrame({"vehicle": ["Z"], "date": ["x"], "value": ["y"]}))
        assert told(log) == [("valuations", 2, "date", "not-a-date")]
        assert "also value y" in log.set_aside["remedy"][0]

    def test_a_cell_passed_over_is_told_with_the_row_that_it_leaves_empty(self):
        log = log_of(odometer=monthly(100, 200, None, hours=[None, None, "-3"]))
        assert told(log) == [("odometer", 4, "odometer", "no-value")]
        assert "also hours -3" in log.set_aside["remedy"][0]

    def test_a_set_aside_vehicle_takes_its_rows_along_naming_its_rule(self):
        log = log_of(
            vehicles=vehicles(in_service=["2020-01-01", "soon"]),
            odometer=readings([("2022-01-01", 5)], "B"),
        )
        assert told(log) == [
            ("vehicles", 3, "in_service", "not-a-date"),
            ("odometer", 2, "vehicle", "vehicle-set-aside"),
        ]
        assert log.set_aside["remedy"][1].endswith("not-a-date")


class TestDays:
    def test_the_default_day_is_the_newest_reading_or_work_not_later_than_today(self, tmp_path):
        folder = write(
            tmp_path / "log",
            odometer="vehicle,date,odometer\nA,2022-05-01,10\nA,2062-05-01,20\n",
            use="vehicle,from,to,distance\nA,2023-01-01,2023-02-01,9\n",
        )
        log = logs.read_log(folder, today=pd.Timestamp("2024-01-01"))
        assert log.as_of == pd.Timestamp("2022-05-01")
        assert ("odometer", 3, "date", "future") in told(log, "warnings")

    def test_the_first_day_is_the_oldest_record(self):
        work = pd.DataFrame(
            {"vehicle": ["A"], "date": ["2021-03-04"], "task": ["oil"], "why": ["planned"]}
        )
        assert log_of(work=work).first_day == pd.Timestamp("2021-03-04")
        assert log_of(HEADER | {"first_day": "2021-01-01"}, work=work).first_day == pd.Timestamp(
            "2021-01-01"
        )

    @pytest.mark.parametrize("first", ["2022-01-02", "2099-01-01"])
    def test_a_log_that_begins_after_its_last_day_is_refused(self, first):
        with pytest.raises(
            logs.LogError,
            match=f"first_day is {first}, after the last day to count, 2022-01-01; mend",
        ):
            log_of(HEADER | {"as_of": "2022-01-01", "first_day": first})

    def test_a_log_without_a_day_says_so(self):
        with pytest.raises(logs.LogError, match="as_of"):
            logs.log_of(
                {"vehicles": vehicles(meter=["none", "none"]).drop(columns="in_service_odometer")},
                HEADER,
            )


class TestCells:
    @pytest.mark.parametrize(
        "text",
        [
            "2022-03-04",
            "20220304",
            "2022-03-04T10:20",
            "2022-03-04 00:00:00",
            "2022-W09-5",
            " 2022-03-04 ",
        ],
    )
    def test_days_in_any_form_of_the_standard(self, text):
        assert log_of(odometer=readings([(text, 5)])).tables["odometer"]["date"].tolist() == [
            pd.Timestamp("2022-03-04")
        ]

    @pytest.mark.parametrize(
        "text, remedy",
        [
            ("03/04/2022", "2022-04-03 or 2022-03-04?"),
            ("25.4.2022", "2022-04-25?"),
            ("44654", "2022-04-03?"),
            ("2022-02-30", "no such day"),
        ],
    )
    def test_other_days_are_refused_with_what_they_may_mean(self, text, remedy):
        log = log_of(odometer=readings([(text, 5), ("2022-01-01", 4)]))
        assert told(log) == [("odometer", 2, "date", "not-a-date")]
        assert remedy in log.set_aside["remedy"][0]

    @pytest.mark.parametrize(
        "text, value", [("12340", 12340), (" 7.5 ", 7.5), ("+3", 3), (".5", 0.5), ("1e3", 1000)]
    )
    def test_numbers(self, text, value):
        assert log_of(odometer=readings([("2022-01-01", text)])).tables["odometer"][
            "odometer"
        ].tolist() == [value]

    @pytest.mark.parametrize(
        "text, remedy",
        [
            ("12,340", "12340 or 12.340?"),
            ("12,340 mi", "12340"),
            ("12.340,5", "12340.5?"),
            ("32 psi", "32?"),
            ("£4", "4?"),
            ("nan", "point"),
            ("inf", "point"),
            ("1e999", "point"),
            ("0x10", "point"),
            ("1_000", "1000?"),
            ("٣", "point"),
            ("9OO", "alone: 900?"),
            ("1I,5lO km", "alone: 11510 or 11.510?"),
            ("9OOO", "alone: 9000?"),
            ("40.5L", "alone: 40.5?"),
            ("40 l", "alone: 40?"),
            ("120 EUR", "alone: 120?"),
            ("=1+1", "point"),
        ],
    )
    def test_other_numbers_are_refused_with_what_they_may_mean(self, text, remedy):
        log = log_of(odometer=readings([("2022-01-01", text), ("2022-01-01", 4)]))
        assert told(log) == [("odometer", 2, "odometer", "not-a-number")]
        assert remedy in log.set_aside["remedy"][0]

    @pytest.mark.parametrize("text", ["9k", "0xFF", "40l", "12 ABC", "O", "5M", "9O0x", "1.2.3"])
    def test_no_number_is_offered_where_none_can_be_told(self, text):
        log = log_of(odometer=readings([("2022-01-01", text), ("2022-01-01", 4)]))
        assert log.set_aside["remedy"][0].endswith("a decimal point alone")

    def test_codes_are_trimmed_and_folded_and_ids_are_not(self):
        log = log_of(
            vehicles=vehicles(kind=[" VAN", "Motorcycle "], vehicle=[" A", "b"]),
            odometer=readings([("2022-01-01", 4)], " A"),
        )
        assert log.tables["vehicles"][["vehicle", "kind"]].values.tolist() == [
            [" A", "van"],
            ["b", "motorcycle"],
        ]
        assert log_of(odometer=readings([("2022-01-01", 4)], "a")).set_aside["remedy"].tolist() == [
            "mend the name: A?"
        ]

    def test_a_cell_that_cannot_be_read_costs_the_row_only_where_a_blank_says_something(self):
        fitted = {
            "vehicle": "A",
            "position": "rear",
            "category": "tyre",
            "item": "T",
            "fitted": "2021-01-01",
        }
        rows = [fitted | {"removed": "soon"}, fitted | {"price": "cheap"}]
        log = log_of(fitted=pd.DataFrame(rows))
        assert told(log) == [("fitted", 2, "removed", "not-a-date")]
        assert told(log, "warnings") == [("fitted", 3, "price", "not-a-number")]
        assert log.tables["fitted"]["price"].isna().all()

    def test_every_column_that_must_be_read_is_one_whose_blank_says_something(self):
        meaning = {
            f"{t}.{c.name}"
            for t, columns in TABLES.items()
            for c in columns
            if c.must_read and not c.required
        }
        assert {
            "fitted.removed",
            "fitted.fitted",
            "fuel.filled_to",
            "work.result",
            "defects.closed",
            "layups.to",
        } <= meaning
        assert not meaning & {"work.odometer", "fitted.price", "measurements.odometer"}

    def test_blank_is_not_known_and_no_column_is_missing(self):
        log = log_of(
            odometer=readings([("2022-01-01", 0), ("2022-01-02", " ")]).assign(hours=[None, "3"])
        )
        assert log.tables["odometer"]["odometer"].isna().tolist() == [False, True]
        for name, columns in TABLES.items():
            assert list(log.tables[name].columns) == [c.name for c in columns]
            assert log.tables[name].index.name == "line"

    def test_unknown_columns_are_kept_and_said(self):
        log = log_of(vehicles=vehicles(colour=["red", "blue"]))
        assert told(log, "warnings") == [("vehicles", 1, "colour", "unknown-column")]
        assert log.extra["vehicles"]["colour"].tolist() == ["red", "blue"]

    def test_a_share_in_per_cent(self):
        use = pd.DataFrame(
            {
                "vehicle": ["A"],
                "from": ["2022-01-01"],
                "to": ["2022-01-31"],
                "distance": [100],
                "loose": [25],
            }
        )
        assert log_of(use=use).warnings["remedy"].tolist() == [
            "read as blank; a share is from 0 to 1: 0.25?"
        ]


class TestReadings:
    def test_no_slip_is_named_that_would_be_written_with_a_nought_in_front(self):
        log = log_of(odometer=monthly(0, 90000))
        assert "? 0" not in log.set_aside["remedy"][0]

    def test_an_extra_digit_is_named_with_what_it_stands_between(self):
        log = log_of(odometer=monthly(14400, 14480, 114520, 14610))
        assert told(log) == [("odometer", 4, "odometer", "odometer-back")]
        assert log.set_aside["remedy"][0] == "114520 between 14480 and 14610: an extra digit? 14520"

    @pytest.mark.parametrize(
        "slip, named",
        [
            (15420, "two digits the wrong way round? 14520"),
            (23367, "in the other unit? 14520"),
            (24520, "one digit wrong? 14520"),
            (145520, "an extra digit? 14520"),
            (1452, "a digit left out?"),
            (14.52, "a point too many? 14520"),
        ],
    )
    def test_other_slips(self, slip, named):
        text = likely_reading(float(slip), 14480.0, 14610.0, False)
        assert text == f"{slip} between 14480 and 14610: {named}"

    def test_a_change_of_instrument_is_no_slip(self):
        assert not len(
            log_of(
                odometer=monthly(48000, 48500, 40, 90, 130, restarts_at=[None, 0, None, None, None])
            ).set_aside
        )
        assert not len(
            log_of(
                odometer=monthly(99000, 100000, 400, 900, restarts_at=[None, 0, None, None])
            ).set_aside
        )

    def test_a_reading_on_the_day_of_a_change_belongs_to_the_instrument_it_is_nearer_to(self):
        odometer = pd.concat(
            [
                monthly(48000, 48500, 60, restarts_at=[None, 0, None]),
                readings([("2022-02-01", 48490), ("2022-02-01", 3)]),
            ]
        )
        assert not len(log_of(odometer=odometer).set_aside)

    def test_an_undeclared_change_sets_the_shorter_side_aside_and_says_what_to_write(self):
        log = log_of(odometer=monthly(*range(47000, 48500, 100), 40, 90, 130))
        assert log.set_aside["line"].tolist() == [17, 18, 19]
        assert log.set_aside["remedy"].str.contains("restarts_at").all()

    def test_work_and_fills_keep_their_row_and_lose_the_reading(self):
        fuel = monthly(14500, 94520, 14610).assign(
            volume=40.0, date=["2022-01-10", "2022-02-10", "2022-03-10"]
        )
        log = log_of(odometer=monthly(14400, 14505, 14600, 14700), fuel=fuel)
        assert told(log, "warnings") == [("fuel", 3, "odometer", "odometer-back")]
        assert log.tables["fuel"]["odometer"].isna().tolist() == [False, True, False]

    def test_every_reading_column_is_looked_at(self):
        fitted = pd.DataFrame(
            {
                "vehicle": ["A"],
                "position": ["rear"],
                "category": ["tyre"],
                "item": ["T"],
                "fitted": ["2022-01-15"],
                "removed": ["2022-03-15"],
            }
            | {"fitted_odometer": [91000], "removed_odometer": [12]}
        )
        log = log_of(odometer=monthly(1000, 2000, 3000, 4000), fitted=fitted)
        assert {c for _, _, c, _ in told(log, "warnings")} == {
            "fitted_odometer",
            "removed_odometer",
        }
        assert {c for pairs in READINGS.values() for c, _ in pairs} == {
            c.name for t in TABLES.values() for c in t if c.name.endswith("odometer")
        } - {"until_odometer", "warranty_odometer"}

    def test_more_than_a_day_can_hold(self):
        log = log_of(odometer=readings([("2022-01-01", 1000), ("2022-01-02", 9000)]))
        assert [rule for *_, rule in told(log)] == ["daily-distance"]
        assert not len(
            log_of(odometer=readings([("2022-01-01", 1000), ("2022-01-02", 1900)])).set_aside
        )

    def test_of_two_that_contradict_each_other_the_one_off_the_line_is_doubted(self):
        assert log_of(odometer=monthly(1000, 2000, 4800, 4000, 5000)).set_aside[
            "value"
        ].tolist() == ["4800"]
        assert log_of(odometer=monthly(1000, 2000, 3000, 2200, 5000)).set_aside[
            "value"
        ].tolist() == ["2200"]

    def test_the_chain_is_the_heaviest_there_is(self):
        rng = np.random.default_rng(3)
        for _ in range(60):
            n = rng.integers(2, 40)
            day, value = np.sort(rng.integers(0, 400, n)), np.cumsum(rng.exponential(30, n)).round()
            wrong = rng.random(n) < 0.2
            value[wrong] *= rng.choice([10, 0.1, 1.6, 0.62], wrong.sum())
            order = np.lexsort((value, day))
            day, value = day[order], value[order]
            kept = longest_likely(np.zeros(n, int), day, value, np.full(n, 500.0), np.ones(n))
            assert kept.sum() == self.longest(day, value, 500.0)
            assert (np.diff(value[kept]) >= 0).all()

    @staticmethod
    def longest(day, value, limit):
        best = np.ones(len(day), int)
        for i, j in itertools.combinations(range(len(day)), 2):
            if value[j] >= value[i] and value[j] - value[i] <= limit * (day[j] - day[i] + 1):
                best[j] = max(best[j], best[i] + 1)
        return best.max()

    def test_long_series_are_searched_near_each_fault_with_the_same_outcome(self):
        rng = np.random.default_rng(4)
        day, value = np.arange(3000), np.arange(3000) * 40.0
        slips = rng.choice(np.arange(5, 2995, 10), 60, replace=False)
        value[slips] *= 10
        order = np.lexsort((value, day))
        kept = longest_likely(
            np.zeros(3000, int), day[order], value[order], np.full(3000, 1000.0), np.ones(3000)
        )
        assert set(np.flatnonzero(~kept)) == set(slips)

    @pytest.mark.parametrize("begin, end", [(200, 260), (450, 600), (0, 90)])
    def test_a_long_stretch_of_another_unit_or_instrument_gives_way_to_a_longer(self, begin, end):
        day = np.arange(600)
        value = 10_000 + 40.0 * day
        value[begin:end] = (
            value[begin:end] * 1.609 + 30_000 if begin < 450 else 40.0 * (day[begin:end] - begin)
        )
        order = np.lexsort((value, day))
        kept = longest_likely(
            np.zeros(600, int), day[order], value[order], np.full(600, 1000.0), np.ones(600)
        )
        assert np.flatnonzero(~kept).tolist() == list(range(begin, end))

    def test_hour_meters_run_no_more_than_the_clock(self):
        log = log_of(odometer=monthly(1, 2, 3, 4, hours=[100, 200, 9000, 350]))
        assert told(log, "warnings") == [("odometer", 4, "hours", "hours-back")]


class TestOtherRules:
    def test_each_rule_has_words(self):
        assert all(
            rule.says and rule.mend and rule.severity in ("set-aside", "cell", "adjust", "warn")
            for rule in RULES.values()
        )

    def test_the_tables_that_name_columns_name_real_ones(self):
        named = [(t, c) for t, columns in MAIN_DATE.items() for c in columns] + [
            (t, c) for t, pair in PERIODS.items() for c in pair
        ]
        assert all(column(t, c).kind == "date" for t, c in named)
        assert set(MAIN_DATE) == set(TABLES) - {"budget", "limits", "price_index"}

    def test_a_row_twice_is_kept_and_a_fill_twice_is_not(self):
        work = pd.DataFrame(
            {
                "vehicle": ["A"] * 2,
                "date": ["2022-01-01"] * 2,
                "task": ["oil"] * 2,
                "why": ["planned"] * 2,
            }
        )
        fuel = pd.DataFrame(
            {
                "vehicle": ["A"] * 3,
                "date": ["2022-01-01"] * 3,
                "volume": [40, 40, 40],
                "note": ["", "", "other"],
            }
        )
        log = log_of(work=work, fuel=fuel)
        assert told(log, "warnings") == [("work", 3, "date", "same-row")]
        assert told(log) == [("fuel", 3, "date", "same-reading")]

    def test_rows_that_differ_in_a_column_of_ones_own_are_not_alike(self):
        fuel = pd.DataFrame(
            {
                "vehicle": ["A"] * 2,
                "date": ["2022-01-01"] * 2,
                "volume": [40, 40],
                "pump": ["1", "2"],
            }
        )
        assert not len(log_of(fuel=fuel).set_aside)

    def test_on_a_day_of_fitting_a_depth_may_be_of_either_part(self):
        part = {"vehicle": "A", "position": "rear", "category": "tyre", "item": "T"}
        rows = [
            part | {"fitted": "2021-01-01", "removed": "2022-01-15"},
            part | {"fitted": "2022-01-15"},
        ]
        depth = pd.DataFrame(
            {
                "vehicle": "A",
                "date": ["2021-06-01", "2022-01-15", "2022-01-20"],
                "position": "rear",
                "category": "tyre",
            }
        )
        log = log_of(
            fitted=pd.DataFrame(rows),
            measurements=depth.assign(quantity="depth", value=[5.0, 2.0, 7.9]),
        )
        assert not len(log.warnings)

    def test_depths(self):
        fitted = pd.DataFrame(
            {
                "vehicle": ["A"],
                "position": ["rear"],
                "category": ["tyre"],
                "item": ["T"],
                "fitted": ["2021-12-01"],
                "new_depth": [8],
            }
        )
        days = pd.date_range("2022-01-01", periods=5, freq="MS")
        depth = pd.DataFrame(
            {
                "vehicle": "A",
                "date": days,
                "position": "rear",
                "category": "tyre",
                "quantity": "depth",
            }
        )
        log = log_of(fitted=fitted, measurements=depth.assign(value=[7, 65, 6, 7.9, 5]))
        assert told(log) == [("measurements", 3, "value", "depth-above-new")]
        assert (
            log.set_aside["remedy"][0]
            == "65 above 8, its depth when new: a lost decimal point? 6.5"
        )
        assert told(log, "warnings") == [("measurements", 5, "value", "depth-rises")]
        assert not len(
            log_of(fitted=fitted, measurements=depth.assign(value=[7, 6.8, 7.1, 6, 5])).warnings
        )

    def test_a_depth_in_mm_among_thirty_seconds(self):
        depth = pd.DataFrame(
            {
                "vehicle": "A",
                "date": pd.date_range("2022-01-01", periods=5, freq="MS"),
                "position": "rear",
                "category": "tyre",
            }
        )
        log = log_of(
            HEADER | {"depth": "in32"},
            measurements=depth.assign(quantity="depth", value=[9.0, 8.6, 6.6, 8.2, 8.0]),
        )
        assert "in mm? 8.3" in log.warnings["remedy"][0]

    def test_fills(self):
        fuel = pd.DataFrame(
            {
                "vehicle": "A",
                "date": pd.date_range("2022-01-01", periods=12, freq="MS"),
                "volume": [40.0] * 10 + [412, 80],
            }
        )
        log = log_of(fuel=fuel)
        assert not len(log.set_aside)
        assert log.warnings["remedy"][0].endswith("a lost decimal point? 41.2")
        assert told(log, "warnings") == [
            ("fuel", 12, "volume", "fill-too-big"),
            ("fuel", 13, "volume", "fill-big"),
        ]

    def test_spans_that_overlap(self):
        part = {"vehicle": "A", "position": "rear", "category": "tyre", "item": "T"}
        rows = [
            part | {"fitted": "2020-01-01"},
            part | {"fitted": "2021-01-01", "removed": "2021-06-01"},
            part | {"fitted": "2021-06-01"},
        ]
        log = log_of(fitted=pd.DataFrame(rows))
        assert told(log, "warnings") == [("fitted", 2, "removed", "spans-overlap")]
        assert "line 3 was fitted there on 2021-01-01" in log.warnings["remedy"][0]

    @pytest.mark.parametrize(
        "table, row, name, rule",
        [
            (
                "fitted",
                {
                    "position": "rear",
                    "category": "tyre",
                    "item": "T",
                    "fitted": "2022-01-01",
                    "removed": "2021-06-01",
                },
                "removed",
                "ends-first",
            ),
            ("use", {"from": "2022-02-01", "to": "2022-01-01", "distance": 3}, "to", "ends-first"),
            ("fuel", {"date": "1923-05-01", "volume": 3}, "date", "before-service"),
            ("deferrals", {"date": "2022-01-01", "reason": "no part"}, "task", "no-value"),
            (
                "measurements",
                {
                    "date": "2022-01-01",
                    "position": "x",
                    "category": "y",
                    "quantity": "play",
                    "value": 1,
                },
                "unit",
                "unit-lacking",
            ),
            ("odometer", {"date": "2022-01-01", "source": "dash"}, "odometer", "no-value"),
            ("valuations", {"date": "2022-01-01", "value": -3}, "value", "out-of-range"),
            ("fuel", {"date": "1802-01-01", "volume": 3}, "date", "date-range"),
            ("fuel", {"date": "0000-01-01", "volume": 3}, "date", "not-a-date"),
        ],
    )
    def test_rows_that_cannot_be(self, table, row, name, rule):
        assert told(
            log_of(**{table: pd.DataFrame([{"vehicle": "A"} | row]), "work": self.work()})
        ) == [(table, 2, name, rule)]

    @staticmethod
    def work():
        return pd.DataFrame(
            {
                "vehicle": ["A"],
                "date": ["2022-03-01"],
                "odometer": [500],
                "task": ["oil"],
                "why": ["planned"],
            }
        )

    def test_likely_names_and_years_are_said(self):
        use = pd.DataFrame(
            {"vehicle": ["A"], "from": ["2021-05-01"], "to": ["2011-05-31"], "distance": [3]}
        )
        assert log_of(use=use).set_aside["remedy"].tolist() == ["from is 2021-05-01: 2021-05-31?"]
        log = log_of(
            vehicles=vehicles(vehicle=["A", "M10"]),
            odometer=pd.concat([monthly(1, 2), readings([("2022-01-01", 3)], "m1O")]),
        )
        assert log.set_aside["remedy"].tolist() == ["mend the name: M10?"]

    def test_a_century_is_mended_in_the_remedy(self):
        assert (
            log_of(fuel=pd.DataFrame({"vehicle": ["A"], "date": ["1922-01-05"], "volume": [3]}))
            .set_aside["remedy"][0]
            .endswith("2022-01-05?")
        )


class TestHeader:
    def test_capacity_and_what_a_pack_does_are_kept(self, tmp_path):
        folder = write(tmp_path / "log", odometer="vehicle,date,odometer\nA,2022-05-01,10\n")
        more = "least_keep = { van = { years = 6 } }\n"
        more += "mileage_rates = { car = [{ to = 10000, rate = 0.4 }, { rate = 0.2 }] }\n"
        more += 'capacity = { "Ferry Quay" = 120, "" = 40.5 }\n[pack]\nworkbook = true\nonly = ["outlook"]\n'
        (folder / "log.toml").write_text((folder / "log.toml").read_text() + more)
        copy = logs.write_marked(logs.read_log(folder), tmp_path / "copy") / "log"
        told = tomllib.loads((copy / "log.toml").read_text())
        assert told["capacity"] == {"Ferry Quay": 120, "": 40.5}
        assert told["mileage_rates"] == {"car": [{"to": 10000, "rate": 0.4}, {"rate": 0.2}]}
        assert logs.read_log(copy).least_keep == {"van": {"years": 6}}
        assert told["pack"] == {"workbook": True, "only": ["outlook"]}

    def test_signs_that_toml_wants_escaped_are_kept(self, tmp_path):
        folder = write(tmp_path / "log", odometer="vehicle,date,odometer\nA,2022-05-01,10\n")
        more = 'name = "a\\u007fb"\ncapacity = { "North\\u007f" = 8, "\\"\\\\" = 9 }\n'
        (folder / "log.toml").write_text((folder / "log.toml").read_text() + more)
        copy = logs.write_marked(logs.read_log(folder), tmp_path / "copy") / "log"
        told = tomllib.loads((copy / "log.toml").read_text())
        assert (told["name"], told["capacity"]) == ("a\x7fb", {"North\x7f": 8, '"\\': 9})

    @pytest.mark.parametrize(
        "key, value, says",
        [
            ("capacity", 120, 'write { "Ferry Quay" = 120 }'),
            (
                "capacity",
                {"Ferry Quay": -1},
                "capacity of 'Ferry Quay' is '-1'; write hours a month",
            ),
            ("capacity", {"Ferry Quay": True}, "write hours a month"),
            ("pack", "outlook", "write a table headed"),
            ("mileage_rates", 0.45, "write { car = [{ to = 10000"),
            ("mileage_rates", {"lorry": [{"rate": 0.4}]}, "write a kind of vehicle: motorcycle,"),
            *(
                ("mileage_rates", {"car": bands}, "write bands, the last without an end: [{ to =")
                for bands in (
                    0.45,
                    [],
                    [{"to": 10000, "rate": 0.45}],
                    [{"rate": 0.45}, {"rate": 0.25}],
                    [{"to": 9, "rate": 1}, {"to": 9, "rate": 1}, {"rate": 1}],
                    [{"rate": -1}],
                    [{"rate": "0.45"}],
                    [{"rate": 0.4, "until": 9}],
                )
            ),
            ("least_keep", {"car": 3}, "write { years = 6, distance = 50000 }, or one of them"),
            ("least_keep", {"car": {}}, "least_keep of 'car' is '{}'; write { years = 6"),
            ("least_keep", {"car": {"months": 3}}, "or one of them"),
            ("least_keep", {"car": {"years": True}}, "or one of them"),
        ],
    )
    def test_a_table_that_is_none_is_named(self, key, value, says):
        with pytest.raises(logs.LogError) as told:
            log_of(HEADER | {key: value})
        assert says in str(told.value)

    @pytest.mark.parametrize(
        "header, word",
        [
            ({"distance": "miles"}, "use one of km, mi"),
            ({"distance": "mi", "colour": "red"}, "no key 'colour'"),
            ({"distance": "mi", "as_of": "soon"}, "as_of"),
            ({"distance": "mi", "as_of": 3}, "as_of"),
            ({"distance": "mi", "name": 3}, "name"),
            ({"distance": "mi", "currency": "pounds"}, "ISO 4217"),
            ({"distance": ["mi"]}, "use one of"),
            ({}, "must say"),
        ],
    )
    def test_faults_are_sentences(self, header, word):
        with pytest.raises(logs.LogError, match=word) as error:
            log_of(header)
        assert str(error.value).endswith(".")

    def test_all_faults_are_said_at_once(self):
        with pytest.raises(logs.LogError) as error:
            log_of({"distance": "x", "money": "y", "z": 1})
        assert str(error.value).count("log.toml:") == 3

    def test_a_unit_that_is_not_said_is_said_to_be_taken(self):
        fuel = pd.DataFrame({"vehicle": ["A"], "date": ["2022-01-01"], "volume": [40], "cost": [3]})
        assert {
            c
            for _, _, c, rule in told(log_of({"distance": "mi"}, fuel=fuel), "warnings")
            if rule == "unit-not-said"
        } == {"volume", "currency"}

    def test_tables_that_must_be_there(self):
        with pytest.raises(logs.LogError, match="no table vehicles"):
            logs.log_of({"odometer": monthly(1, 2)}, HEADER)
        with pytest.raises(logs.LogError, match="no table with odometer readings"):
            logs.log_of({"vehicles": vehicles()}, HEADER | {"as_of": "2022-01-01"})
        with pytest.raises(logs.LogError, match="lacks date, volume; add the columns"):
            log_of(fuel=pd.DataFrame({"vehicle": ["A"]}))

    def test_a_column_of_readings_by_another_name_is_named(self, tmp_path):
        made = write(tmp_path, odometer="Vehicle,Date,Mileage\nA,2022-01-01,5\n")
        (made / "vehicles.csv").write_text("vehicle,kind,in_service\nA,van,2020-01-01\n")
        with pytest.raises(
            logs.LogError,
            match=r"odometer.csv, line 1: the header lacks odometer \('mileage' the format does not name\)",
        ):
            logs.read_log(made)

    def test_two_plans_for_one_vehicle_are_said_on_reading(self, tmp_path):
        task = "applies_to = ['van']\n[[{0}.task]]\ncode = 'oil'\naction = 'replace'\nevery = {{ months = 12 }}\n"
        made = write(tmp_path, 'distance = "mi"\nas_of = 2022-01-01\nplan = "plan.toml"\n')
        (made / "plan.toml").write_text(
            "".join(f"[{name}]\n" + task.format(name) for name in ("heavy", "light"))
        )
        with pytest.raises(logs.LogError, match="plans heavy and light both apply to kind van"):
            logs.read_log(made)


class TestCsv:
    @pytest.mark.parametrize(
        "data, lines",
        [
            (FUEL + ROW + "B,2022-01-02,3,\n", [2, 3]),
            ("\ufeff" + FUEL + ROW, [2]),
            ((FUEL + ROW).replace("\n", "\r\n"), [2]),
            ((FUEL + ROW).replace("\n", "\r"), [2]),
            ((FUEL + ROW).encode("utf-16"), [2]),
            (FUEL + ROW + "\n\n" + "B,2022-01-02,3,\n", [2, 5]),
            (FUEL + ",,,\n" + ROW, [3]),
            (FUEL + 'A,2022-01-01,40,"x\ny, ""z"""\nB,2022-01-02,3,', [2, 4]),
            (FUEL + ROW.replace("x", '"x, ""y"""'), [2]),
            (FUEL, []),
            (FUEL + "A,2022-01-01,40," + "x" * 3_000_000 + "\n", [2]),
            (FUEL.replace("\n", ",,\n") + ROW.replace("\n", ",,\n"), [2]),
        ],
    )
    def test_lines_are_the_files_own(self, tmp_path, data, lines):
        log = logs.read_log(write(tmp_path / "log", fuel=data), as_of="2023-01-01")
        assert log.tables["fuel"].index.tolist() == lines
        assert not len(log.set_aside)
        assert not len(log.warnings)

    @pytest.mark.parametrize(
        "data, line, rule",
        [
            (FUEL + ROW + "A,2022-01-02,1,250.00,x\n", 3, "row-length"),
            (FUEL + 'A,2022-01-02,3,"x\n' + ROW, 2, "open-quote"),
            (FUEL + 'A,2022-01-02,3,"x"y"\n' + ROW, 2, "open-quote"),
            (FUEL + "A,2022-01-02,3\n" + ROW, 2, "row-short"),
            (FUEL.encode() + b"A,2022-01-02,3,caf\xe9\n", 2, "not-utf-8"),
            (FUEL + "A,2022-01-02,3,x\0y\n", 2, "invisible"),
            (FUEL + "A,2022-01-02,3,\u202edrac\n", 2, "invisible"),
        ],
    )
    def test_rows_of_an_odd_form_are_named(self, tmp_path, data, line, rule):
        log = logs.read_log(write(tmp_path / "log", fuel=data), as_of="2023-01-01")
        assert (line, rule) in [(row[1], row[3]) for row in told(log) + told(log, "warnings")]
        assert log.ledger.set_index("table").loc["fuel", "read"] == len(data.splitlines()) - 1

    @pytest.mark.parametrize(
        "data, word",
        [
            ("", "is empty"),
            (b"PK\x03\x04...", "zip archive"),
            (b"\0" * 99, "not text"),
            (FUEL.replace(",", ";"), "where commas belong"),
            ("vehicle,date,volume,Volume \n", "two columns"),
            ('"vehicle,date\n', "never closed"),
        ],
    )
    def test_what_is_no_table_is_one_sentence(self, tmp_path, data, word):
        with pytest.raises(logs.LogError, match=word):
            logs.read_log(write(tmp_path / "log", fuel=data))

    def test_the_fingerprint_is_of_what_the_log_says(self, tmp_path):
        one = logs.read_log(write(tmp_path / "one", fuel=FUEL + ROW), as_of="2023-01-01")
        same = logs.read_log(
            write(
                tmp_path / "two",
                fuel=(
                    "note,"
                    + FUEL.replace(",note", "")
                    + "x,"
                    + ROW.replace(",x", "").replace("40", "40.0")
                ),
            )
        )
        other = logs.read_log(
            write(tmp_path / "three", fuel=FUEL + ROW.replace("40", "41")), as_of="2023-01-01"
        )
        assert len({one.sha256, other.sha256}) == 2
        assert logs.read_log(tmp_path / "one").sha256 == same.sha256


class TestSi:
    def test_units(self):
        odometer = pd.concat(
            [monthly(100, 200), readings([("2022-01-01", 50)], "B")], ignore_index=True
        )
        log = log_of(vehicles=vehicles(distance_unit=["", "km"]), odometer=odometer)
        assert log.si("odometer")["odometer_km"].round(4).tolist() == [160.9344, 321.8688, 50.0]

    def test_only(self):
        odometer = pd.concat(
            [monthly(100, 200), readings([("2022-01-01", 50)], "B")], ignore_index=True
        )
        log = log_of(odometer=odometer).only(["B"])
        assert log.tables["odometer"]["odometer"].tolist() == [50.0]
        assert log.si("odometer")["vehicle"].tolist() == ["B"]


class TestWriting:
    def test_a_log_written_is_read_as_it_was(self, tmp_path):
        work = {
            "vehicle": ["A"] * 6,
            "date": ["2022-01-01"] * 6,
            "task": ["oil"] * 6,
            "why": ["planned"] * 6,
        }
        notes = ["=1+1", "'=x", "''-5", "@SUM(A1)", "a\nb", "-5"]
        log = log_of(
            vehicles=vehicles(colour=["+1", "x"]),
            work=pd.DataFrame(work | {"note": notes, "labour_cost": [-12.5] * 6}),
        )
        out = logs.write_marked(log, tmp_path / "out") / "log"
        again = logs.read_log(out)
        for name in log.present:
            pd.testing.assert_frame_equal(
                again.tables[name].reset_index(drop=True), log.tables[name].reset_index(drop=True)
            )
        assert again.tables["work"]["note"].tolist() == notes
        assert again.as_of == log.as_of
        assert again.extra["vehicles"]["colour"].tolist() == ["+1", "x"]
        text = (out / "work.csv").read_text()
        assert not [
            cell for cell in text.replace('"', "").split(",") if cell.startswith(("=", "@"))
        ]
        assert tomllib.loads((out / "log.toml").read_text())["distance"] == "mi"

    def test_the_marked_copy_reads_the_same_and_mended_has_nothing_set_aside(self, tmp_path):
        log = logs.read_log(place("data", "owner"))
        assert len(log.set_aside)
        logs.write_marked(log, tmp_path)
        again = logs.read_log(tmp_path / "log")
        pd.testing.assert_frame_equal(again.set_aside, log.set_aside)
        pd.testing.assert_frame_equal(again.ledger, log.ledger)
        assert again.sha256 == log.sha256
        listed = sum(len(pd.read_csv(file)) for file in (tmp_path / "set_aside").glob("*.csv"))
        assert listed == len(log.set_aside)
        self.mend(tmp_path / "log", log)
        assert not len(logs.read_log(tmp_path / "log").set_aside)

    def test_a_copy_that_may_be_mended_is_not_written_over(self, tmp_path):
        spoilt = logs.read_log(
            write(tmp_path / "a", fuel=FUEL + ROW + "A,soon,40,x\n"), as_of="2023-01-01"
        )
        out = tmp_path / "out"
        logs.write_marked(spoilt, out)
        assert (out / "set_aside" / "fuel.csv").exists()
        for name in ("log", "set_aside"):
            before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file()}
            told = rf"{name} is there already.*\(wearbar check .*log\)"
            with pytest.raises(logs.LogError, match=told):
                logs.write_marked(spoilt, out)
            assert {p: p.read_bytes() for p in out.rglob("*") if p.is_file()} == before
            shutil.rmtree(out / name)
        logs.write_marked(spoilt, out)
        assert sorted(p.name for p in out.iterdir()) == ["log", "set_aside"]

    @pytest.mark.parametrize(
        "row",
        [
            'A,2022-01-02,41,"x',
            'A,2022-01-02,41,"=1+1',
            '=A,2022-01-02,41,"x, y',
            'A,2022-01-02,41,"a"b',
            '"A,2022-01-02,41,x',
            '"',
        ],
    )
    @pytest.mark.parametrize(
        "below",
        ["", 'A,2022-01-03,42,"b, c"\n', 'B,2022-01-03,42,"d ""e"" f"\n', 'A,2022-01-03,42,"y\n'],
    )
    def test_a_quote_left_open_is_set_aside_again_until_it_is_mended(self, tmp_path, row, below):
        log = logs.read_log(
            write(tmp_path / "log", fuel=FUEL + ROW + row + "\n" + below), as_of="2023-01-01"
        )
        copies = [logs.write_marked(log, tmp_path / "one") / "log"]
        copies.append(logs.write_marked(logs.read_log(copies[0]), tmp_path / "two") / "log")
        for copy in copies:
            again = logs.read_log(copy, as_of="2023-01-01")
            assert told(again) == told(log)
            assert again.ledger.equals(log.ledger)
            assert "open-quote" in again.set_aside["rule"].tolist()
            assert not re.search(r'(^|,)"?=', (copy / "fuel.csv").read_text(), re.MULTILINE)

    @staticmethod
    def mend(folder, log):
        """Do as each remedy says: write the likely value, or delete the row."""
        for table, found in log.set_aside.groupby("table"):
            rows = (folder / f"{table}.csv").read_text().split("\n")
            for row in found.itertuples():
                marked = rows[row.line - 1]
                assert row.rule in RULES
                assert RULES[row.rule].says in marked
                likely = (
                    row.remedy.rpartition("? ")[2]
                    if "? " in row.remedy
                    else row.remedy.rpartition(": ")[2].rstrip("?")
                )
                head, _, tail = (
                    marked.partition(f",{row.value},")
                    if row.rule != "same-reading"
                    else ("", "", "")
                )
                rows[row.line - 1] = f"{head},{likely},{tail}" if tail else ""
            (folder / f"{table}.csv").write_text("\n".join(rows))

    def test_the_log_itself_is_never_written_over(self, tmp_path):
        log = logs.read_log(write(tmp_path / "log", fuel=FUEL + ROW), as_of="2023-01-01")
        with pytest.raises(logs.LogError, match="never written over"):
            logs.write_marked(log, tmp_path)


def test_no_argument_is_changed():
    frames = {"vehicles": vehicles(), "odometer": monthly(100, 90, 200)}
    before = {name: frame.copy() for name, frame in frames.items()}
    header = dict(HEADER)
    logs.log_of(frames, header)
    assert header == HEADER
    for name, frame in frames.items():
        pd.testing.assert_frame_equal(frame, before[name])
