"""The verbs of `import wearbar as wb`: light, in the reader's units, and the reports' own numbers."""

import subprocess
import sys
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

import wearbar as wb
from wearbar import intervals, outlook, parts, severity, usage
from wearbar.cost import account, ageing, fuel, keeping, per_distance
from wearbar.log.units import DISTANCE_KM
from wearbar.outlook import action_list
from wearbar.severity import use as hard_use
from wearbar.stats.estimate import Estimate
from wearbar.usage.backtest import back_test, best_model
from wearbar.usage.replay import Replay

MILE = DISTANCE_KM["mi"]
MPG = 100 * 4.54609 / MILE
MOST_COLUMNS = 15
WITH_UNITS = {
    "due": {},
    "part_lives": {"category": "tyre"},
    "wear": {},
    "remaining_life": {},
    "cost_per_distance": {"by": "vehicle"},
    "fuel_economy": {},
    "severe_use": {"intervals": True},
    "actions": {},
}
WITHOUT = {
    "compliance": {"by": "task"},
    "replacement": {},
    "next_year": {},
    "what_if": {"use": 1.5},
}
FORECASTS = (
    "actions",
    "next_year",
    "what_if",
)  # these replay the past of the whole log: tried on a small one
OF_ARRAYS = {
    "kaplan_meier": ([1.0, 2.0, 3.0], [True, False, True]),
    "fit_weibull": ([1.0, 2.0, 3.0, 4.0], [True, True, False, True]),
    "fit_life_regression": (
        pd.DataFrame({"duration": [1.0, 2.0, 3.0, 4.0], "observed": True, "hard": [1, 1, 0, 0]}),
        ["hard"],
    ),
    "mean_cumulative": (["A"], [2.0], None, pd.Series([5.0], index=["A"])),
}
_CURVE = wb.mean_cumulative([0, 1, 2], [4.0, 5.0, 6.0], None, pd.Series(9.0, index=range(6)))
OF_ARRAYS["mean_cumulative_difference"] = (_CURVE, _CURVE)
TWO_LINES = {
    "vehicles": "vehicle,kind,in_service,acquired,acquired_odometer\nHeron,motorcycle,2023-04-02,2023-04-02,0\n",
    "work": "vehicle,date,odometer,task,why,parts_cost\nHeron,2023-05-10,702,engine-oil-and-filter,planned,41.50\n",
}
NO_WORK = TWO_LINES | {"work": TWO_LINES["work"].split("\n")[0] + "\n"}
HOSTILE = "<script>alert(1)</script>"


@pytest.fixture(scope="module")
def three():
    """Three vehicles of the demo fleet, one of each kind."""
    return wb.read_log().only(["M12", "P02", "V08"])


@pytest.fixture(scope="module")
def log_for(three, by_hand):
    """Verb to the log that it is tried on; both are in miles."""
    little = wb.read_log(by_hand)
    return {verb: little if verb in FORECASTS else three for verb in WITH_UNITS | WITHOUT}


@pytest.fixture(scope="module")
def told(log_for):
    """Verb to its frame, made once."""
    more = WITH_UNITS | WITHOUT
    return cache(lambda verb: getattr(wb, verb)(log_for[verb], **more[verb]))


def folder_of(folder, tables, header='distance = "mi"\n'):
    folder.mkdir()
    (folder / "log.toml").write_text(header)
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text)
    return folder


class TestTheDoor:
    def test_it_opens_in_a_tenth_of_a_second_without_the_libraries(self):
        code = (
            "import sys, time; t = time.process_time(); import wearbar; t = time.process_time() - t; "
            "print(t, *{'pandas', 'numpy', 'matplotlib'} & set(sys.modules))"
        )
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        )
        seconds, *heavy = done.stdout.split()
        assert not heavy
        assert float(seconds) < 0.1

    def test_it_gives_the_verbs_and_says_so(self):
        elsewhere = {"read_log", "month"}  # tests/outlook/test_month.py
        tested = {*elsewhere, *WITH_UNITS, *WITHOUT, *OF_ARRAYS}
        assert tested == set(wb.__all__) <= set(dir(wb))
        with pytest.raises(AttributeError, match="no attribute 'drive'"):
            _ = wb.drive

    def test_no_verb_is_lost_once_every_room_is_imported(self):
        for _ in range(2):
            assert all(callable(getattr(wb, verb)) for verb in wb.__all__)

    @pytest.mark.parametrize("verb", OF_ARRAYS)
    def test_of_arrays_twice(self, verb):
        one, other = (getattr(wb, verb)(*OF_ARRAYS[verb]) for _ in range(2))
        if verb == "fit_weibull":
            assert one.shape == other.shape > 0
        elif verb == "fit_life_regression":
            pd.testing.assert_frame_equal(one.table, other.table)
        else:
            pd.testing.assert_frame_equal(one, other)

    @pytest.mark.parametrize("verb", WITHOUT)
    def test_of_a_log_twice(self, verb, log_for, told):
        again = getattr(wb, verb)(log_for[verb], **WITHOUT[verb])
        pd.testing.assert_frame_equal(again, told(verb))
        assert 0 < len(again.columns) <= MOST_COLUMNS

    @pytest.mark.parametrize("verb", WITH_UNITS)
    def test_in_the_logs_miles_and_in_kilometres(self, verb, log_for, told):
        miles, km = told(verb), getattr(wb, verb)(log_for[verb], **WITH_UNITS[verb], units="km")
        assert len(miles.columns) == len(km.columns) <= MOST_COLUMNS
        assert len(miles) == len(km)
        turned = 0
        for name, other in zip(miles.columns, km.columns, strict=True):
            if name == other:
                pd.testing.assert_series_equal(miles[name], km[other])
                continue
            turned += 1
            assert "mi" in name or "mpg_uk" in name
            assert "km" in other
            if "mpg" in name:
                low, high = ("low_", "high_") if name.startswith("low_") else ("high_", "low_")
                pair = name.replace(low, high).replace("mpg_uk", "l_per_100km")
                expected = MPG / km[pair]
            else:
                expected = km[other] * (
                    MILE if name.endswith(("per_mi", "per_1000mi")) else 1 / MILE
                )
            np.testing.assert_allclose(miles[name].astype(float), expected.astype(float), rtol=1e-9)
        assert turned


class TestTheReportsNumbers:
    def test_due_and_compliance(self, three, told):
        found = intervals.placed(intervals.occasions(three), three)
        rate = intervals.rate(found)
        assert wb.compliance(three) == rate
        counted = told("due").query("counted")
        assert len(counted) == rate.n
        assert counted["on_time"].mean() == pytest.approx(rate.value)
        assert told("due")["why_not"].eq("").equals(told("due")["counted"])
        by_task = intervals.compliance(found, ["task"])
        assert told("compliance").to_numpy().tolist() == by_task.to_numpy().tolist()
        np.testing.assert_allclose(told("due")["due_odometer_mi"] * MILE, found["due_odometer_km"])

    def test_a_tolerance_of_ones_own(self, three):
        found = intervals.occasions(three, late_share=0.0)
        strict = wb.compliance(three, tolerance=0.0)
        assert strict == intervals.rate(found)
        assert strict.value < wb.compliance(three).value
        assert wb.due(three, tolerance=0.0).query("counted")["on_time"].mean() == strict.value

    def test_sites_that_would_point_at_a_person_have_no_figures(self, three):
        assert wb.compliance(three, by="site")["on_time_share"].isna().all()

    def test_lives(self, three, told):
        every = parts.spans_of(three, "tyre")
        lives = parts.watched(every)
        assert told("part_lives")["part_key"].tolist() == lives["part_key"].tolist()
        np.testing.assert_allclose(told("part_lives")["duration_mi"] * MILE, lives["duration_km"])
        assert len(wb.part_lives(three, "tyre", every=True)) == len(every) > 0
        curve = wb.kaplan_meier(
            *(told("part_lives")[c] for c in ("duration_mi", "observed", "entry_mi"))
        )
        assert curve["survival"].between(0, 1).all()

    def test_wear_and_what_is_left(self, three, told):
        lines, left = action_list.worn_of(three)
        rates = lines.parts[lines.parts["n_readings"] > 0]
        assert told("wear")["part_key"].tolist() == rates["part_key"].tolist()
        np.testing.assert_allclose(
            told("wear")["rate_per_1000mi"] / MILE, rates["rate_mm_per_1000km"]
        )
        assert told("remaining_life")["state"].tolist() == left["state"].tolist()
        np.testing.assert_allclose(
            told("remaining_life")["left_low_mi"] * MILE, left["left_low_km"]
        )
        assert set(told("wear")["unit"]) == {"mm", "%"}

    def test_a_log_in_thirty_seconds_of_an_inch(self, three, told):
        """Its own figures come back as they stand there; the library holds them in mm."""
        log = replace(three, units=replace(three.units, depth="in32"))
        inches, of_depth = wb.wear(log), told("wear")["unit"] == "mm"
        assert set(inches.loc[of_depth, "unit"]) == {"in32"}
        np.testing.assert_allclose(inches["limit"], told("wear")["limit"])

    def test_money(self, three, told):
        books = account.account(three)
        total, found = per_distance.total_per_km(books), wb.cost_per_distance(three)
        assert found.unit == "GBP per mi"
        assert [found.value, found.low, found.high] == pytest.approx(
            [x * MILE for x in (total.value, total.low, total.high)]
        )
        in_km = wb.cost_per_distance(three, units="km")
        assert in_km.value == pytest.approx(total.value)
        vehicles = per_distance.by_vehicle(books)
        costs = told("cost_per_distance")
        np.testing.assert_allclose(costs["cost_per_mi"] / MILE, vehicles["cost_per_km"])
        for by in ("category", "fixed", "kind", "site", "year"):
            assert len(wb.cost_per_distance(three, by=by).columns) <= MOST_COLUMNS

    def test_fuel(self, three, told):
        made = fuel.fuel_economy(fuel.liquid(fuel.tanks(three)))
        economy = told("fuel_economy")
        np.testing.assert_allclose(MPG / economy["mpg_uk"], made["l_per_100km"])
        assert (economy["low_mpg_uk"] < economy["mpg_uk"]).all()
        assert (economy["mpg_uk"] < economy["high_mpg_uk"]).all()
        assert len(wb.fuel_economy(three, by="quarter"))

    def test_replacement(self, three, told):
        books = account.account(three)
        periods = ageing.observed_periods(books, three)
        born = three.tables["vehicles"].set_index("vehicle")["in_service"]
        kept = keeping.cheapest_ages(
            books.vehicles, books.lines, periods, account.value_points(three), born
        )
        assert told("replacement")["kind"].tolist() == [k.kind for k in kept]
        assert told("replacement")["note"].tolist() == [k.best.note for k in kept]
        assert told("replacement")["oldest_years"].tolist() == [k.oldest for k in kept]

    def test_severe_use(self, three):
        lines = action_list.worn_of(three)[0]
        used, limits = hard_use.by_vehicle(three), hard_use.conditions(three)
        found = severity.effects(
            hard_use.with_use(lines.rates, three), hard_use.exposures(used, limits)
        )
        made = wb.severe_use(three)
        assert made[["category", "use"]].values.tolist() == [
            [e.category, e.exposure] for e in found
        ]
        assert made["parts"].tolist() == [e.n_parts for e in found]
        assert made["why_not"].tolist() == [", ".join(e.refusals) for e in found]
        np.testing.assert_array_equal(made["wear_ratio"], [e.ratio.value for e in found])

    def test_actions_and_the_year_ahead(self, log_for, told):
        log = log_for["actions"]
        replay, _readings = Replay(log), usage.readings(log)
        test = back_test(log, 0.9, replay=replay)
        rows = action_list.actions(log, use=best_model(log, test))
        assert len(rows)
        for name in ("rank", "urgency", "vehicle", "item", "by"):
            assert told("actions")[name].equals(rows[name])
        past = outlook.last_year(log, test, replay)
        year = outlook.outlook_of(log, log, test, learning=past and past.learning)
        totals = outlook.totals(year, ["jobs", "hours", "money"])
        assert totals["jobs"].value > 0
        shown = told("next_year").set_index("what").loc[["jobs", "labour", "workshop money"]]
        np.testing.assert_array_equal(shown["value"], [e.value for e in totals.values()])
        assert shown["unit"].tolist() == ["jobs", "hours", "GBP"]


class TestLittleLogs:
    @pytest.mark.parametrize("tables", [TWO_LINES, NO_WORK])
    def test_every_verb_gives_a_frame_or_an_estimate(self, tables, tmp_path):
        log = wb.read_log(folder_of(tmp_path / "log", tables))
        for verb, more in (WITH_UNITS | WITHOUT).items():
            made = getattr(wb, verb)(log, **more)
            assert isinstance(made, pd.DataFrame), verb
            assert len(made.columns) <= MOST_COLUMNS
        for verb in ("compliance", "cost_per_distance"):
            made = getattr(wb, verb)(log)
            assert isinstance(made, Estimate)
            assert np.isnan(made.value)
            assert made.note

    def test_a_log_without_a_row_is_a_frame_or_a_sentence(self, tmp_path):
        head = TWO_LINES["vehicles"].split("\n")[0] + "\n"
        log = wb.read_log(folder_of(tmp_path / "log", {"vehicles": head}))
        for verb, more in (WITH_UNITS | WITHOUT).items():
            assert isinstance(getattr(wb, verb)(log, **more), pd.DataFrame), verb


class TestErrors:
    @pytest.mark.parametrize(
        "verb, more, said",
        [
            ("due", {"units": "miles"}, "units is 'miles'; give '', 'km' or 'mi'"),
            ("due", {"tolerance": 5}, "tolerance is 5; give a share"),
            ("compliance", {"by": "colour"}, "by is 'colour'; give 'task', 'site'"),
            ("part_lives", {"category": "tire"}, "category is 'tire'; give .*'tyre'"),
            ("cost_per_distance", {"by": "task"}, "by is 'task'; give"),
            ("fuel_economy", {"by": "site"}, "by is 'site'; give 'vehicle' or 'quarter'"),
            ("next_year", {"by": "day"}, "by is 'day'; give"),
            ("what_if", {"use": 4}, "the distance is a share of today's, 0 to 3"),
        ],
    )
    def test_what_is_not_known_is_said_in_a_sentence(self, verb, more, said, three):
        with pytest.raises(ValueError, match=f"^{said}"):
            getattr(wb, verb)(three, **more)

    def test_of_reading(self, tmp_path):
        with pytest.raises(ValueError, match=r"^There is no .*nowhere; give the folder"):
            wb.read_log(tmp_path / "nowhere")
        alone = folder_of(tmp_path / "alone", {"vehicles": TWO_LINES["vehicles"]})
        with pytest.raises(ValueError, match=r"^The log has no table with odometer readings"):
            wb.read_log(alone)
        with pytest.raises(ValueError, match=r"^as_of is 'tomorrow'; give a day as YYYY-MM-DD"):
            wb.read_log(as_of="tomorrow")

    def test_of_arrays(self):
        with pytest.raises(ValueError, match=r"^end is list; give a Series"):
            wb.mean_cumulative(["A"], [1.0], None, [2.0])


class TestInANotebook:
    def test_a_log_is_a_small_table_and_its_name_is_text(self, tmp_path):
        header = f'name = "{HOSTILE}"\ndistance = "mi"\n'
        log = wb.read_log(folder_of(tmp_path / "log", TWO_LINES, header))
        page = log._repr_html_()
        assert "<script" not in page
        assert "&lt;script&gt;" in page
        assert all(word in page for word in ("2023-05-10", "Vehicles", "Rows set aside"))

    def test_an_estimate_is_a_value_with_its_interval(self):
        page = Estimate(1234.5, 0.25, np.nan, 0.9, 40, 7, "km", note=HOSTILE)._repr_html_()
        assert "<script" not in page
        for cell in ("1,234", "90% interval", "at least 0.25", "40", "7", "km"):
            assert f">{cell}<" in page

    def test_a_regression_has_its_ratios_and_why_not(self):
        lives = pd.DataFrame({"duration": np.arange(1.0, 31.0), "observed": True})
        lives = lives.assign(hard=np.arange(30) % 2, **{HOSTILE: 1.0})
        page = wb.fit_life_regression(lives, ["hard", HOSTILE])._repr_html_()
        assert "<script" not in page
        for cell in ("hard", "90% interval", "the same throughout", "30"):
            assert f">{cell}<" in page

    def test_a_fit_has_its_parameters_and_median(self):
        life = wb.fit_weibull(np.arange(1.0, 31.0), np.arange(30) % 3 > 0)
        page, median = life._repr_html_(), life.quantile(0.5)
        for cell in (
            "scale",
            "shape",
            "median life",
            f"{median.value:.4g}",
            f"{median.n_censored:.4g}",
        ):
            assert f">{cell}<" in page

    def test_a_known_shape_is_no_estimate(self):
        page = wb.fit_weibull([1.0, 2.0], [False, False], shape=2.0)._repr_html_()
        assert ">shape<" not in page
        assert "at least" in page
