"""The plan templates: steps and cautions for all, common practice marked as such, and no figure made up."""

import re
import tomllib
import warnings

import pandas as pd
import pytest

import wearbar_synthetic as synthetic
from wearbar.log import log_of
from wearbar.log.places import place
from wearbar.log.plan import read_plan
from wearbar.log.units import DISTANCE_KM
from wearbar.outlook.visit_sheet import visit_of
from wearbar.report.quantities import Show
from wearbar.report.words import sheet as wording

EXAMPLE, PRACTICE = "EXAMPLE, NOT FOR USE", "common practice, no source"
NAMES = sorted(path.stem for path in place("shared", "plans").glob("*.toml"))
FOUR_WHEELS = ("car", "pickup", "van")
# distance in miles, days, months: common practice, no source
PRACTISED = {
    "engine-oil-level": (600, 14, None),
    "tyre-pressures-inspect": (None, None, 1),
    "coolant-level-inspect": (None, None, 1),
    "brake-hoses-inspect": (None, None, 12),
    "lights-inspect": (None, None, 1),
    "tyre-age-inspect": (None, None, 12),
    "pre-use-check": (None, None, None),
}
CHAIN = {"chain-adjust": (500, None, None)}
BELT = {"timing-belt-replace": (60000, None, 60)}


def tasks_of(name):
    """The template's tasks by code, as it is written and as it is read."""
    path = place("shared", "plans", f"{name}.toml")
    written = tomllib.loads(path.read_text(encoding="utf-8"))[name]["task"]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        read = read_plan(path).tasks
    return {t["code"]: t for t in written}, read.set_index("code")


@pytest.mark.parametrize("name", NAMES)
class TestEveryTemplate:
    def test_every_task_has_steps_a_title_and_where_it_can_hurt_a_caution(self, name):
        _, tasks = tasks_of(name)
        assert tasks.index[tasks["steps"].map(len) < 2].tolist() == []
        assert tasks.index[tasks["safety"] & tasks["caution"].isna()].tolist() == []
        steps = tasks["steps"].explode()
        assert steps.str.split().str.len().max() <= 16
        hurts = steps.str.contains(
            "stands|hot|warm the|coolant|brake fluid|spring|belt|fuel|battery"
        )
        hurts &= steps.index != "engine-oil-level"
        assert tasks.loc[steps.index[hurts].unique(), "caution"].notna().all()
        written, _ = tasks_of(name)
        assert all(t.get("title") and t.get("also") for t in written.values())
        assert not tasks["title"].duplicated().any()

    def test_no_torque_nor_filling_is_made_up(self, name):
        written, tasks = tasks_of(name)
        figures = [f for t in written.values() for f in t.get("figures", [])]
        assert all("source" in f for f in figures if "value" in f)
        assert {f["source"] for f in figures if "value" in f} <= {EXAMPLE, PRACTICE}
        assert not [
            f
            for f in figures
            if f.get("source") == PRACTICE and f.get("unit") in ("N.m", "L", "psi", "mL")
        ]
        new = [f for t in written.values() if t["code"] in PRACTISED for f in t.get("figures", [])]
        assert all("value" not in f or f["unit"] == "years" for f in new)
        assert any("torque" in f["name"] and "value" not in f for f in figures)
        tightened = tasks[tasks["steps"].map(" ".join).str.contains("to torque|to its torque")]
        assert all(any("torque" in f["name"] for f in row) for row in tightened["figures"])

    def test_what_goes_by_common_practice_says_so(self, name):
        _, tasks = tasks_of(name)
        for code, limits in (
            PRACTISED | (CHAIN if "chain-adjust" in tasks.index else BELT)
        ).items():
            row = tasks.loc[code]
            miles = row["every_km"] / DISTANCE_KM["mi"]
            assert [
                None if pd.isna(x) else round(x)
                for x in (miles, row["every_days"], row["every_months"])
            ] == list(limits)
            assert row["source"] == PRACTICE
        if "chain-adjust" in tasks.index:
            assert tasks.loc["chain-adjust", "severe_km"] == pytest.approx(300 * DISTANCE_KM["mi"])

    def test_brakes_are_pumped_and_oil_is_read_again_after_it_has_run(self, name):
        _, tasks = tasks_of(name)
        said = tasks["steps"].map("; ".join)
        for code in ("brake-pads-replace", "brake-fluid-replace"):
            assert re.search(
                "pump the (lever or )?pedal until it is firm, before the (vehicle|motorcycle) moves",
                said[code],
            )
        # common practice, no source: fill short, run, two minutes' standing, read, top up
        assert re.search(
            "fill the first amount.*run the engine.*two minutes.*read the level.*top up",
            said["engine-oil-and-filter"],
        )
        assert "oil to fill first" in [
            f["name"] for f in tasks.loc["engine-oil-and-filter", "figures"]
        ]
        if "chain-adjust" in tasks.index:
            for code in ("chain-adjust", "chain-replace"):
                assert re.search(
                    "spindle.*to torque; work the rear brake; measure the slack again", said[code]
                )

    def test_wheel_nuts_are_tightened_again_soon(self, name):
        """After 25 to 60 miles: common practice, no source. A motorcycle has spindles."""
        _, tasks = tasks_of(name)
        off = tasks.loc[["tyre-replace", "brake-pads-replace"]]
        if name in FOUR_WHEELS:
            assert (off["recheck_km"] / DISTANCE_KM["mi"]).between(25, 60).all()
            assert off["source"].eq(PRACTICE).all()
        names = " ".join(f["name"] for figures in tasks["figures"] for f in figures)
        assert ("wheel nut" in names) == (name in FOUR_WHEELS)
        assert ("spindle" in names) == (name not in FOUR_WHEELS)

    def test_its_sheet_shows_practice_as_practice(self, name):
        """On a log of one vehicle that has done nothing yet."""
        plan = read_plan(place("shared", "plans", f"{name}.toml"), "mi")
        kind = plan.plans["applies_to"].iloc[0][0]
        tables = {
            "vehicles": pd.DataFrame(
                [
                    {
                        "vehicle": "V",
                        "kind": kind,
                        "in_service": "2025-01-01",
                        "in_service_odometer": 0,
                    }
                ]
            ),
            "odometer": pd.DataFrame([{"vehicle": "V", "date": "2025-06-01", "odometer": 3_000}]),
        }
        log = log_of(tables, {"distance": "mi", "as_of": "2025-06-10"}, plan=plan)
        visit = visit_of(log)
        words = wording.words(visit, log, Show(log.units))
        blocks = {b["code"]: b for b in words["blocks"]}
        assert (blocks["lights-inspect"]["source"], blocks["lights-inspect"]["safety"]) == (
            PRACTICE,
            True,
        )
        assert blocks["tyres-inspect"]["source"] == ""
        assert blocks["tyres-inspect"]["also"] == "tyre pressures"
        [check] = words["checks"]
        assert check["name"] == "Check before each use"
        assert len(check["steps"]) >= 5
        assert "pre-use-check" not in blocks


def test_the_demo_keeps_its_invented_limits():
    """Common practice is no invention: the demo's tables come of invented limits alone."""
    text = synthetic.plan_text(NAMES)
    plans = tomllib.loads(text)
    assert PRACTICE not in text
    assert {t["code"] for plan in plans.values() for t in plan["task"]} & {*PRACTISED, *BELT} == {
        "engine-oil-level"
    }
    [wheels] = [t["recheck"] for t in plans["van"]["task"] if t["code"] == "tyre-replace"]
    assert wheels == {"distance": 150, "days": 7}
    assert all(t.get("steps") for plan in plans.values() for t in plan["task"])
