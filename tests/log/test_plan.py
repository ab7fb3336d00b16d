import copy
import tomllib

import pandas as pd
import pytest

from wearbar.log import LogError
from wearbar.log.plan import plan_of, read_plan
from wearbar.log.units import DISTANCE_KM

MILE = 1.609344  # km, exactly: the international yard and pound agreement of 1959

GUIDE = """
[trail-motorcycle]
applies_to = ["motorcycle"]
from = 2023-01-01
unknown_history = "due-at-once"
[trail-motorcycle.severe_when]
loose = 0.25
mud_water = 0.10

[[trail-motorcycle.task]]
code = "Engine-Oil-and-Filter "
action = "replace"
first = { distance = 700, months = 2 }
every = { distance = 5000, months = 12 }
severe = { distance = 2500 }
tolerance = 0.10
measured_from = "done"
positions = ["front", "rear"]
part = "oil-filter"
covers = ["engine-oil-level"]
recheck = { distance = 50, days = 2 }
hours = 1.0
parts = [ { item = "engine oil", quantity = 2.3, unit = "L", pack = 1.0, price = 9.0 }, { item = "oil filter", quantity = 1, price = 7.0 } ]
figures = [ { name = "drain plug torque", value = 20, unit = "N.m", source = "EXAMPLE, NOT FOR USE" } ]
steps = [ "warm the engine", "drain and refill" ]
caution = "Hot oil burns."

[[trail-motorcycle.task]]
code = "engine-oil-level"
action = "inspect"
every = { distance = 500 }
"""


def guide():
    return tomllib.loads(GUIDE)


def simple(**more):
    """A plan with one task that has these keys."""
    return {"van": {"applies_to": ["van"], "task": [{"code": "oil", "action": "replace", **more}]}}


def vehicles(*rows):
    return pd.DataFrame(rows, columns=["vehicle", "kind", "plan"])


def test_a_task_as_written():
    plan = plan_of(guide(), "mi")
    oil, level = (row for _, row in plan.tasks.iterrows())
    assert (oil["plan"], oil["code"], oil["action"]) == (
        "trail-motorcycle",
        "engine-oil-and-filter",
        "replace",
    )
    assert oil["measured_from"] == "done"
    assert oil["valid_from"] == pd.Timestamp("2023-01-01")
    assert pd.isna(oil["valid_to"])
    assert (oil["first_km"], oil["every_km"], oil["recheck_km"]) == pytest.approx(
        (700 * MILE, 5000 * MILE, 50 * MILE), rel=1e-15
    )
    assert (oil["first_months"], oil["every_months"]) == (2, 12)
    assert (oil["early_share"], oil["late_share"]) == (0.10, 0.10)
    assert (oil["recheck_days"], oil["hours"]) == (2, 1)
    assert oil["positions"] == ("front", "rear")
    assert oil["parts"][1] == {
        "item": "oil filter",
        "number": "",
        "quantity": 1,
        "unit": "",
        "pack": 1,
        "price": 7,
    }
    assert oil["figures"][0]["source"] == "EXAMPLE, NOT FOR USE"
    assert oil["steps"] == ("warm the engine", "drain and refill")
    absent = [
        "first_days",
        "first_hours",
        "every_days",
        "every_hours",
        "tolerance_km",
        "tolerance_days",
        "tolerance_hours",
    ]
    assert oil[absent].isna().all()
    assert (
        level[["first_km", "every_months", "severe_km", "recheck_km", "hours", "part", "caution"]]
        .isna()
        .all()
    )
    assert (level["early_share"], level["positions"], level["parts"], level["safety"]) == (
        0,
        (),
        (),
        False,
    )
    head = plan.plans.iloc[0]
    assert head["severe_when"] == {"loose": 0.25, "mud_water": 0.10}
    assert (head["applies_to"], head["unknown_history"]) == (("motorcycle",), "due-at-once")


def test_severe_limits_inherit_what_they_do_not_name():
    oil, level = plan_of(guide(), "km").tasks.to_dict("records")
    assert (oil["severe_km"], oil["severe_months"]) == (2500, 12)
    assert pd.isna(oil["severe_days"])
    assert pd.isna(level["severe_km"])


def test_miles_and_kilometres_differ_by_the_factor_alone():
    in_km, in_mi = plan_of(guide(), "km").tasks, plan_of(guide(), "mi").tasks
    distances = [c for c in in_km if c.endswith("_km")]
    pd.testing.assert_frame_equal(
        in_km[distances] * DISTANCE_KM["mi"], in_mi[distances], check_exact=True
    )
    pd.testing.assert_frame_equal(in_km.drop(columns=distances), in_mi.drop(columns=distances))


def test_the_argument_is_left_alone():
    given = guide()
    before = copy.deepcopy(given)
    plan_of(given)
    assert given == before


@pytest.mark.parametrize(
    "tolerance, columns",
    [
        (0.1, {"early_share": 0.1, "late_share": 0.1}),
        ({"early": 0.2}, {"early_share": 0.2, "late_share": 0}),
        ({"early": 0.2, "late": 0.05}, {"early_share": 0.2, "late_share": 0.05}),
        (
            {"distance": 300, "days": 14},
            {"tolerance_km": 300, "tolerance_days": 14, "tolerance_hours": 0},
        ),
    ],
)
def test_forms_of_tolerance(tolerance, columns):
    task = plan_of(simple(tolerance=tolerance), "km").tasks.iloc[0]
    found = task[
        ["early_share", "late_share", "tolerance_km", "tolerance_days", "tolerance_hours"]
    ].dropna()
    assert found.to_dict() == columns


def _task(code, covers=(), **more):
    return {"code": code, "action": "inspect", "covers": list(covers), **more}


def test_covers_are_transitive_and_each_pair_stands_once():
    tasks = [_task("c"), _task("a", ["b", "d"]), _task("b", ["c"]), _task("d", ["c"])]
    covers = plan_of({"van": {"task": tasks}}).covers
    pairs = set(zip(covers["code"], covers["covered"], strict=True))
    assert pairs == {("a", "b"), ("a", "c"), ("a", "d"), ("b", "c"), ("d", "c")}
    assert len(covers) == len(pairs)


VERSIONS = {
    "array of tables": {
        "van": [
            {"from": pd.Timestamp("2025-03-01").date(), **simple(every={"distance": 4000})["van"]},
            simple(every={"distance": 6000})["van"],
        ]
    },
    "tables that apply to the same kind": {
        "van-2025": {
            "from": pd.Timestamp("2025-03-01").date(),
            **simple(every={"distance": 4000})["van"],
        },
        "van": simple(every={"distance": 6000})["van"],
    },
}


@pytest.mark.parametrize("form", VERSIONS)
def test_versions_by_date(form):
    plan = plan_of(VERSIONS[form], "km")
    assert plan.tasks["plan"].tolist() == ["van", "van"]
    assert plan.tasks["every_km"].tolist() == [4000, 6000]
    assert plan.tasks["valid_from"].tolist() == [pd.Timestamp("2025-03-01"), pd.NaT]
    assert plan.tasks["valid_to"].tolist() == [pd.NaT, pd.Timestamp("2025-02-28")]
    assert plan.assign(vehicles(("V1", "van", None))).tolist() == ["van"]


def test_a_vehicle_may_name_any_version():
    plan = plan_of(VERSIONS["tables that apply to the same kind"])
    assert plan.assign(vehicles(("V1", "bus", "van-2025"), ("V2", "van", "van"))).tolist() == [
        "van",
        "van",
    ]


def test_own_plan_wins_then_kind_then_none():
    mapping = {**guide(), **simple()}
    assigned = plan_of(mapping).assign(
        vehicles(("V1", "van", "trail-motorcycle"), ("V2", "motorcycle", None), ("V3", "bus", None))
    )
    assert assigned.index.tolist() == ["V1", "V2", "V3"]
    assert assigned[:2].tolist() == ["trail-motorcycle", "trail-motorcycle"]
    assert pd.isna(assigned["V3"])
    assert (
        plan_of(mapping).assign(vehicles(("V1", "van", None)).drop(columns="plan"))["V1"] == "van"
    )


def test_two_plans_for_a_kind_only_matter_to_a_vehicle_left_to_choose():
    two = {"light": simple()["van"], "heavy": simple()["van"]}
    assert (
        plan_of(two).assign(vehicles(("V1", "van", "heavy"), ("V2", "car", None)))["V1"] == "heavy"
    )
    with pytest.raises(LogError, match=r"plans heavy and light both apply to kind van"):
        plan_of(two).assign(vehicles(("V1", "van", "heavy"), ("V2", "van", None)))


def test_a_vehicle_with_an_unknown_plan():
    with pytest.raises(
        LogError, match=r"vehicle V7 has plan 'lorry', which is not there; use one of van"
    ):
        plan_of(simple()).assign(vehicles(("V7", "van", "lorry")))


def test_an_empty_plan_has_the_same_columns():
    empty, full = plan_of({}), plan_of(guide())
    for name in ("tasks", "plans", "covers"):
        pd.testing.assert_series_equal(getattr(empty, name).dtypes, getattr(full, name).dtypes)
    assert empty.assign(vehicles(("V1", "van", None))).isna().all()


BAD_TASKS = [
    ({"colour": 1}, r"van, task oil, colour: found 1; no such key: use .*first"),
    (
        {"action": "polish"},
        r"task oil, action: found 'polish'; use one of inspect, adjust, clean, lubricate, replace, tighten, test",
    ),
    (
        {"measured_from": "start"},
        r"measured_from: found 'start'; use one of done, schedule, expiry",
    ),
    (
        {"every": 5000},
        r"every: found 5000; write a table with any of distance, days, months, hours",
    ),
    ({"every": {"miles": 5000}}, r"every\.miles: found 5000; no such key: use distance"),
    ({"every": {"distance": 0}}, r"every\.distance: found 0; write a number above 0"),
    ({"every": {"distance": float("nan")}}, r"every\.distance: found nan"),
    ({"every": {"distance": True}}, r"every\.distance: found True"),
    ({"every": {"months": 1.5}}, r"every\.months: found 1\.5; write a whole number above 0"),
    (
        {"every": {"distance": 3000}, "severe": {"distance": 3001}},
        r"severe\.distance: found 3001.*the normal limit is 3000",
    ),
    (
        {"every": {"distance": 3000}, "severe": {"distance": 1500}},
        r"severe: found .*add \[van\.severe_when\]",
    ),
    ({"tolerance": 10}, r"tolerance: found 10; write a number of at least 0 and at most 0\.99"),
    (
        {"tolerance": {"early": 0.1, "days": 3}},
        r"tolerance\.days: found 3; no such key: use early, late",
    ),
    (
        {"every": {"months": 99999999}},
        r"every\.months: found 99999999; write a whole number above 0 and at most 1,200",
    ),
    ({"first": {"days": 40000}}, r"first\.days: found 40000; .* at most 36,525"),
    ({"every": {"distance": 1e300}}, r"every\.distance: found 1e\+300; .* at most 10,000,000"),
    ({"every": {"hours": 2e6}}, r"every\.hours: found 2000000.0; .* at most 1,000,000"),
    ({"recheck": {"days": 99999}}, r"recheck\.days: found 99999; .* at most 36,525"),
    (
        {"every": {"distance": 6000}, "tolerance": {"distance": 6000}},
        r"tolerance\.distance: found 6000.0; a window is shorter .* 6000",
    ),
    (
        {"every": {"months": 12}, "tolerance": {"days": 400}},
        r"tolerance\.days: found 400.0; a window is shorter .* 365.25",
    ),
    ({"every": {"days": 90}, "tolerance": {"days": 90}}, r"tolerance\.days: found 90.0"),
    ({"every": {"hours": 50}, "tolerance": {"hours": 60}}, r"tolerance\.hours: found 60.0"),
    (
        {"every": {"months": 12}, "severe": {"days": 400}},
        r"severe\.days: found 400.0; the normal limit is 365.25 days",
    ),
    (
        {"every": {"days": 100}, "severe": {"months": 4}},
        r"severe\.months: found 4.0; the normal limit is 100 days",
    ),
    ({"positions": "front"}, r"positions: found 'front'; write a list"),
    ({"positions": ["front", "Front"]}, r"positions: .*twice"),
    ({"covers": ["level"]}, r"covers: found 'level'; no task of this plan has that code"),
    ({"covers": ["oil"]}, r"covers: found 'oil -> oil'; that goes round in a circle"),
    ({"safety": "yes"}, r"safety: found 'yes'; write true or false"),
    ({"parts": [{"quantity": 1}]}, r"parts: found .*; give its item"),
    ({"figures": [{"value": 23}]}, r"figures: found .*; give its name"),
    ({"recheck": {"months": 1}}, r"recheck\.months: found 1; no such key: use distance, days"),
    ({"caution": 7}, r"caution: found 7; write some text"),
]


@pytest.mark.parametrize("severe", [{"days": 366}, {"months": 3}, {"days": 93, "distance": 10}])
def test_a_severe_limit_in_the_other_unit_of_time_may_be_as_long(severe):
    every = {"months": 12, "distance": 10} if "months" not in severe else {"days": 90}
    mapping = simple(every=every, severe=severe)
    mapping["van"]["severe_when"] = {"loose": 0.2}
    assert len(plan_of(mapping).tasks) == 1


@pytest.mark.parametrize(
    "keys, message",
    BAD_TASKS,
    ids=[next(reversed(keys)) + f"-{n}" for n, (keys, _) in enumerate(BAD_TASKS)],
)
def test_what_is_wrong_with_a_task_is_named(keys, message):
    with pytest.raises(LogError, match=message) as caught:
        plan_of(simple(**keys), source="fleet-plan.toml")
    assert str(caught.value).startswith("fleet-plan.toml: plan van, task oil, ")
    assert "\n" not in str(caught.value)


BAD_PLANS = [
    ({"name": "mine"}, r"plan name: found 'mine'; write a table with any of applies_to"),
    (
        {"van": {"applies_to": ["van"]}},
        r"plan van, task: found None; a plan needs at least one task",
    ),
    (
        {"van": {**simple()["van"], "applies_to": ["lorry"]}},
        r"applies_to: found 'lorry'; use one of motorcycle",
    ),
    ({"van": {**simple()["van"], "from": "2025-01-01"}}, r"from: found '2025-01-01'; write a date"),
    (
        {"van": {**simple()["van"], "severe_when": {"sand": 0.1}}},
        r"severe_when\.sand: found 0\.1; no such key: use loose",
    ),
    (
        {"van": {**simple()["van"], "severe_when": {"loose": 25}}},
        r"severe_when\.loose: found 25; write a number above 0 and at most 1",
    ),
    (
        {"van": {**simple()["van"], "unknown_history": "guess"}},
        r"unknown_history: found 'guess'; use one of due-at-once",
    ),
    (
        {"van": [simple()["van"], simple()["van"]]},
        r"from: found 'no date'; 2 versions of this plan begin then",
    ),
    ({"van": {"task": [_task("a"), _task("a")]}}, r"task a, code: found 'a'; two tasks have it"),
    (
        {"van": {"task": [{"action": "test"}]}},
        r"task number 1, code: found None; give the task its code",
    ),
    (
        {"van": {"task": [_task("a", ["b"]), _task("b", ["c"]), _task("c", ["a"])]}},
        r"covers: found 'a -> b -> c -> a'; .*circle",
    ),
    (
        {"van": {"task": [_task("a", ["mot"]), _task("mot", statutory=True)]}},
        r"task a, covers: found 'mot'; it is statutory",
    ),
]


@pytest.mark.parametrize("mapping, message", BAD_PLANS)
def test_what_is_wrong_with_a_plan_is_named(mapping, message):
    with pytest.raises(LogError, match=message):
        plan_of(mapping)


def test_files(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text("\ufeff" + GUIDE, encoding="utf-8")
    pd.testing.assert_frame_equal(read_plan(path, "km").tasks, plan_of(guide(), "km").tasks)
    path.write_text('[van]\napplies_to = ["van"]\nfrom = soon\n', encoding="utf-8")
    with pytest.raises(LogError, match=r"plan\.toml: not valid TOML: .*line 3"):
        read_plan(path)
    path.write_text(GUIDE + GUIDE, encoding="utf-8")
    with pytest.raises(LogError, match=r"written \[\[name\]\]"):
        read_plan(path)
    path.write_bytes(b'[van]\nx = "\xff"\n')
    with pytest.raises(LogError, match=r"plan\.toml: could not be read as UTF-8"):
        read_plan(path)
    with pytest.raises(LogError, match=r"gone\.toml: there is no such file"):
        read_plan(tmp_path / "gone.toml")
