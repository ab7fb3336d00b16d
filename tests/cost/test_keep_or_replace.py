"""Keep or replace each vehicle now, planned replacement of parts, and repairs that pay a new one: by hand, and against a known truth.

What the report makes in its own cells is run as it stands in the notebook.
"""

import json
import re
from dataclasses import replace as replaced
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from wearbar import parts, usage
from wearbar.cost import ageing, bills, keep_now, part_age
from wearbar.cost import per_distance as cost
from wearbar.cost.account import account, value_points
from wearbar.cost.ageing import observed_periods, repair_visits
from wearbar.cost.keep_now import keep_or_replace
from wearbar.cost.keeping import Keeping, cheapest_ages
from wearbar.cost.part_age import best_age
from wearbar.log import log_of, read_log
from wearbar.log.places import place
from wearbar.report.quantities import Show, plain
from wearbar.report.words.cost import replace, words_in
from wearbar.stats.estimate import holm, refused
from wearbar.stats.recurrence import power_law

HEADER = {"distance": "km", "currency": "GBP", "money": "net"}
HEADER |= {"first_day": "2018-01-01", "as_of": "2025-12-31"}
NEW, FALL = 20000.0, 0.2
WORDS = words_in(Show())
CELLS = {
    cell["id"]: "".join(cell["source"])
    for cell in json.loads((place("notebooks") / "running_cost.ipynb").read_text("utf-8"))["cells"]
}
TOOLS = {"np": np, "pd": pd, "parts": parts, "usage": usage, "bills": bills, "cost": cost}
TOOLS |= {"ageing": ageing, "keep_now": keep_now, "part_age": part_age, "holm": holm}
TOOLS |= {"power_law": power_law}


def run(log, *cells, change=(), **names):
    """What the report's cells make of a log: their names; change: (old, new) in their code."""
    book = account(log)
    names = (
        TOOLS
        | {"account": book, "values": value_points(log), "vehicles": log.tables["vehicles"]}
        | names
    )
    names["report"] = SimpleNamespace(log=log, confidence=0.9)
    names["periods"] = observed_periods(book, log)
    names["visits"], names["kind_of"] = repair_visits(book, log), log.vehicles["kind"]
    names["born"] = log.vehicles["in_service"]
    of_kinds = book.vehicles, book.lines, names["periods"], names["values"], names["born"]
    names.setdefault("kept", cheapest_ages(*of_kinds))
    for cell in cells:
        code = CELLS[cell]
        for old, new in change:
            code = code.replace(old, new)
        exec(code, names)
    return names


def fleet(yearly, n=10, bad=None, **vehicles):
    """A log of vans bought new from 2018 on, half a year apart; work in each quarter of a year costs a quarter of yearly(age), three
    times that on the vehicle `bad`; their value falls by a fifth a year."""
    names = [f"V{i}" for i in range(n)]
    born = [pd.Timestamp("2018-01-01") + pd.Timedelta(days=183 * i) for i in range(n)]
    work, reads, worth = [], [], []
    for name, first in zip(names, born, strict=True):
        for day in pd.date_range(first, "2025-12-31", freq="91D"):
            age = (day - first).days / 365.25
            work.append((name, day, yearly(age) / 4 * (3 if name == bad else 1)))
            reads.append((name, day, 10000 * age))
            worth.append((name, day, NEW * (1 - FALL) ** age))
    cars = {"vehicle": names, "kind": "van", "in_service": born, "price": NEW, **vehicles}
    tables = {
        "vehicles": pd.DataFrame(cars),
        "odometer": pd.DataFrame(reads, columns=["vehicle", "date", "odometer"]),
        "work": pd.DataFrame(work, columns=["vehicle", "date", "labour_cost"]),
        "valuations": pd.DataFrame(worth, columns=["vehicle", "date", "value"]),
    }
    tables["work"] = tables["work"].assign(task="service", why="planned")
    tables["valuations"] = tables["valuations"].query("date > '2018-01-01'").assign(basis="trade")
    return log_of(tables, HEADER)


def record_of(log):
    """(kept, cars) as the report works them out."""
    made = run(log, "answer-now")
    return made["kept"], made["cars"]


@pytest.fixture(scope="module")
def usual():
    """Vans whose work rises by 400 a year of age: V0 is eight years old."""
    return record_of(fleet(lambda age: 300 + 400 * age))


class TestNextYear:
    def test_of_each_vehicle_is_what_the_generator_spends(self, usual):
        now = keep_or_replace(*usual).set_index("vehicle")
        for name in ("V0", "V4"):
            age = now.loc[name, "age_years"]
            assert now.loc[name, "work_cost"] == pytest.approx(300 + 400 * (age + 0.5), rel=0.06)
            lost = NEW * (1 - FALL) ** age * FALL
            assert now.loc[name, "lost_cost"] == pytest.approx(lost, rel=0.03)
        np.testing.assert_allclose(now["keep_cost"], now["work_cost"] + now["lost_cost"])
        np.testing.assert_allclose(now["saving_cost"], now["keep_cost"] - now["new_cost"])
        assert now["saving_cost"].is_monotonic_decreasing

    def test_a_new_one_costs_its_economic_life(self, usual):
        now, (kept,) = keep_or_replace(*usual), usual[0]
        years = np.arange(2, 8.01, 0.25)
        by_hand = (NEW * (1 - (1 - FALL) ** years) + 300 * years + 200 * years**2) / years
        assert now["new_cost"].iloc[0] == pytest.approx(by_hand.min(), rel=0.02)
        assert now["new_cost"].iloc[0] == pytest.approx(kept.life.cost)

    def test_a_vehicle_whose_work_costs_thrice_is_to_be_replaced(self):
        now = keep_or_replace(*record_of(fleet(lambda age: 900 + 100 * age, 20, bad="V5")))
        assert now["vehicle"].iloc[0] == "V5"
        told = now.set_index("vehicle")["answer"]
        assert told["V5"] == "replace"
        assert not (told.drop("V5") == "replace").any()
        assert (told == "keep").any()
        text = WORDS("now", now=now, left=0)
        assert "By money alone, replace V5: the next year costs clearly more" in text
        assert "replace V5" in plain(replace([], Show(), now)[0])

    def test_one_alone_with_a_high_bill_is_no_claim(self):
        """Ten alike but for chance: bills of one visit in eight, ten times as large."""
        rng = np.random.default_rng(4)
        log = fleet(lambda age: (4000 if rng.random() < 0.125 else 0) + 400 + 250 * age)
        now = keep_or_replace(*record_of(log))
        assert (now["answer"] == "").sum() >= 8
        assert (now["low_cost"] < now["saving_cost"]).all()
        assert (now["saving_cost"] < now["high_cost"]).all()
        assert not (now["answer"] == "replace").any()

    def test_what_would_turn_the_answer(self, usual):
        kept, cars = usual
        now = keep_or_replace(kept, cars, change=500.0).set_index("vehicle")
        row, free = now.loc["V2"], keep_or_replace(kept, cars).set_index("vehicle").loc["V2"]
        assert row["new_cost"] - free["new_cost"] == pytest.approx(500 / kept[0].life.year, rel=0.1)
        assert row["flip_work_cost"] == pytest.approx(row["new_cost"] - row["lost_cost"])
        even = keep_or_replace(kept, cars, {"van": row["flip_price"]}, change=500.0)
        assert even.set_index("vehicle").loc["V2", "saving_cost"] == pytest.approx(0, abs=0.5)
        dear = keep_or_replace(kept, cars, {"van": 2 * NEW}).set_index("vehicle")
        assert (
            dear["new_cost"] > keep_or_replace(kept, cars).set_index("vehicle")["new_cost"]
        ).all()

    def test_interest_counts_on_what_is_tied_up(self, usual):
        plain_, paid = keep_or_replace(*usual), keep_or_replace(*usual, rate=0.05)
        now = usual[1].set_index("vehicle")["value"]
        both = [rows.set_index("vehicle")["lost_cost"] for rows in (plain_, paid)]
        gained = (both[1] - both[0]) / now[both[0].index]
        assert gained.to_numpy() == pytest.approx(0.05, rel=0.06)
        assert (paid["new_cost"] > plain_["new_cost"]).all()

    def test_days_off_the_road_and_fixed_costs_count_against_the_kinds(self):
        """V3 stood 90 of its days in the workshop, at 100 a day; insurance of 800 a year for all but V4."""
        log = fleet(lambda age: 300 + 400 * age)
        before = run(log, "answer-now")["now"].set_index("vehicle")
        stood = {
            "vehicle": ["V3"],
            "from": ["2024-01-01"],
            "to": ["2024-03-30"],
            "reason": "in-workshop",
        }
        names = [f"V{i}" for i in range(10) if i != 4]
        paid = {"vehicle": names, "from": "2025-01-01", "to": "2025-12-31", "category": "insurance"}
        tables = {
            "layups": pd.DataFrame(stood),
            "fixed_costs": pd.DataFrame(paid).assign(amount=800.0),
        }
        held = log_of(log.tables | tables, HEADER)
        cars = run(held, "answer-now")["cars"].set_index("vehicle")
        years = (pd.Timestamp("2025-12-31") - pd.Timestamp("2019-07-04")).days / 365.25
        assert cars["down_days"]["V3"] == pytest.approx(90 / years, rel=0.01)
        assert cars["fixed_cost"]["V3"] == pytest.approx(800 / years, rel=0.01)
        rows = run(held, "answer-now", change=[("{}, 0.0, 0.0", "{}, 0.0, 100.0")])["now"]
        gained = rows.set_index("vehicle")["keep_cost"] - before["keep_cost"]
        assert gained["V3"] == pytest.approx(9000 / years + 800 / years, rel=0.01)
        assert gained["V4"] == pytest.approx(0, abs=1e-6)
        new = rows.set_index("vehicle")["new_cost"] - before["new_cost"]
        besides = cars["fixed_cost"] + 100 * cars["down_days"]
        assert new["V3"] == pytest.approx(besides.mean(), rel=0.01)
        assert new["V4"] == pytest.approx(0, abs=1e-6)

    def test_a_least_keep_of_log_toml_names_those_below_both_of_its_limits(self):
        """Ten thousand km a year: V6 is 5 years old and has gone 50,000, V9 3.5 years and 35,000."""
        log = fleet(lambda age: 300 + 400 * age)
        made = run(replaced(log, least_keep={"van": {"years": 5, "distance": 44000}}), "answer-now")
        assert made["policy"]["vehicle"].tolist() == ["V8", "V9"]  # V7, 4.5 years, has gone 45,000
        assert "By the least keep in log.toml, V8 and V9 stay: below each" in WORDS(
            "now", now=made["now"], left=0, policy=made["policy"]["vehicle"].tolist()
        )
        assert not len(run(log, "answer-now")["policy"])

    def test_finance_pays_a_price_and_is_no_cost_of_keeping(self):
        log = fleet(lambda age: 300 + 400 * age)
        paid = {
            "vehicle": ["V3"],
            "from": ["2025-01-01"],
            "to": ["2025-12-31"],
            "category": "finance",
        }
        held = log_of(log.tables | {"fixed_costs": pd.DataFrame(paid).assign(amount=800.0)}, HEADER)
        assert run(held, "answer-now")["cars"]["own_cost"].eq(0).all()

    def test_vehicles_that_left_have_no_row(self):
        gone = {
            "disposed": [pd.Timestamp("2025-06-30")] + [pd.NaT] * 9,
            "disposal": ["sold"] + [None] * 9,
        }
        kept, cars = record_of(fleet(lambda age: 300 + 400 * age, **gone))
        now = keep_or_replace(kept, cars)
        assert cars.set_index("vehicle")["has_left"].sum() == 1
        assert "V0" not in now["vehicle"].tolist()
        assert "1 vehicle that left is not in the table" in WORDS("now", now=now, left=1)

    def test_refused_in_words(self, usual):
        kept, cars = usual
        few = keep_or_replace(*record_of(fleet(lambda age: 100, n=2)))
        assert few["why_not"].unique().tolist() == ["needs 3 vehicles of a kind"]
        assert "No figures for V0 and V1: needs 3 vehicles of a kind." in WORDS(
            "now", now=few, left=0
        )
        unvalued = cars.assign(value=cars["value"].where(cars["vehicle"] != "V1"))
        rows = keep_or_replace(kept, unvalued)
        assert rows.set_index("vehicle").loc["V1", "why_not"] == "its value is not known"
        assert rows["vehicle"].iloc[-1] == "V1"
        four = keep_or_replace(*record_of(fleet(lambda age: 300 + 400 * age, n=4)))
        assert four["low_cost"].isna().all()
        assert (four["answer"] == "").all()
        assert "No range is shown" in WORDS("now", now=four, left=0)
        none = Keeping("van", refused("no price", 0.9), pd.DataFrame())
        assert keep_or_replace([none], cars)["why_not"].unique().tolist() == ["no price"]
        assert keep_or_replace([], cars[:0]).empty

    def test_of_the_demo_fleet_the_one_vehicle_that_should_go_is_to_be_replaced(self):
        truth = pd.read_csv(place("data", "truth", "fleet", "keeping.csv")).set_index("vehicle")
        now = run(read_log(place("data", "fleet")), "answer-now")["now"].set_index("vehicle")
        assert set(now.index) == set(truth.index)
        said = now["answer"][now["answer"] != ""]
        assert (said == truth["better"][said.index]).all()
        assert said[said == "replace"].index.tolist() == ["M09"]
        assert truth.query("better == 'replace'").index.tolist() == ["M09"]
        assert WORDS("now", now=now.reset_index(), left=3).startswith(
            "By money alone, replace M09: the next year costs clearly more than a new one's."
        )


def failing(n=12, shape=3.0, scale=1000.0, category="battery", seed=0, years=9, urgent=400.0):
    """A log of vans whose part fails by a Weibull law in days and is renewed on the roadside: the part costs 80, the visit `urgent` more."""
    rng, fitted, work = np.random.default_rng(seed), [], []
    first, last = pd.Timestamp("2018-01-01"), pd.Timestamp("2025-12-31")
    for name in (f"V{i}" for i in range(n)):
        start, visit = first, None
        while start < last:
            end = start + pd.Timedelta(days=np.clip(int(scale * rng.weibull(shape)), 1, 30_000))
            failed = end <= last
            on = (name, "engine", category, start, 0 if visit is None else np.nan)
            fitted.append(
                (*on, end if failed else pd.NaT, "failed" if failed else None, 80.0, visit)
            )
            visit = f"{name}-{end:%Y%m%d}"
            if failed:
                work.append((visit, name, end, "roadside", "defect", urgent))
            start = end
    columns = ["vehicle", "position", "category", "fitted", "fitted_odometer", "removed", "reason"]
    columns += ["price", "visit"]
    cars = {"vehicle": [f"V{i}" for i in range(n)], "kind": "van", "in_service": first}
    reads = [
        (v, d, k * 1000)
        for v in cars["vehicle"]
        for k, d in enumerate(pd.date_range(first, last, freq="30D"))
    ]
    work = pd.DataFrame(work, columns=["visit", "vehicle", "date", "task", "why", "labour_cost"])
    tables = {
        "vehicles": pd.DataFrame(cars),
        "odometer": pd.DataFrame(reads, columns=["vehicle", "date", "odometer"]),
        "fitted": pd.DataFrame(fitted, columns=columns).assign(item="x"),
        "work": work,
    }
    return log_of(tables, HEADER)


def ages_of(log, stop=0.0, safety=""):
    """(ages, bills) of the report's cells."""
    change = [("stop_cost = 0.0", f"stop_cost = {stop}"), ("safety = ", f"safety = {safety} or ")]
    made = run(log, "bills", "part-age", change=change if safety else change[:1])
    return made["ages"], made["replaced"]


class TestPartAges:
    def test_the_true_age_and_saving_of_a_part_that_ages(self):
        ages, bills = ages_of(failing(40))
        (row,) = ages.to_dict("records")
        age, saving = best_age(80, 480, 1000.0, 3.0)
        assert (row["why_not"], row["clock"], row["n_failed"]) == ("", "days", len(bills))
        assert (row["planned_cost"], row["unplanned_cost"]) == (80, 480)
        assert row["low_age"] < age < row["high_age"]
        assert row["age"] == pytest.approx(float(age), rel=0.1)
        assert row["low_share"] < saving < 1
        assert row["saving_share"] == pytest.approx(float(saving), abs=0.08)
        assert row["flat_share"] == 0
        text = plain(WORDS("part_ages", ages=ages))
        assert "By money alone, a battery (van) costs least replaced at about" in text
        assert "The plan's interval stands where it is shorter" in text

    def test_parts_that_do_not_age_have_none(self):
        ages = ages_of(failing(20, shape=1.0))[0]
        assert ages["why_not"].tolist() == ["not clear"]
        assert ages["flat_share"].iloc[0] > 0.05
        assert ages["age"].isna().all()
        assert "Planned replacement is not shown to save: battery" in WORDS("part_ages", ages=ages)

    @pytest.mark.parametrize(
        "category", ["tyre", "brake-pad", "steering-joint", "wheel-bearing", "chain"]
    )
    def test_a_part_that_can_hurt_someone_is_refused(self, category):
        ages = ages_of(failing(20, category=category))[0]
        assert ages["why_not"].tolist() == ["safety"]
        assert ages[["age", "saving_share", "planned_cost"]].isna().all(axis=None)
        assert "failure can hurt someone" in WORDS("part_ages", ages=ages)

    def test_so_is_one_that_the_plan_marks(self):
        assert ages_of(failing(20), safety="['battery']")[0]["why_not"].tolist() == ["safety"]

    def test_few_failures_or_vehicles_are_refused_in_words(self):
        ages = ages_of(failing(3))[0]
        assert ages["why_not"].tolist() == ["few"]
        assert "Too few parts have failed" in WORDS("part_ages", ages=ages)
        assert ages_of(failing(10, scale=1e5))[0]["why_not"].tolist() == ["none failed"]

    def test_where_a_failure_costs_no_more_no_age_helps_unless_a_stop_costs(self):
        log = failing(20, urgent=0.0)
        ages = ages_of(log)[0]
        assert ages["why_not"].tolist() == ["costs no more"]
        assert "saves nothing in these bills: battery (van" in WORDS("part_ages", ages=ages)
        stopped = ages_of(log, stop=400.0)[0].iloc[0]
        assert (stopped["unplanned_cost"], stopped["why_not"]) == (480, "")

    def test_planned_bills_count_with_their_own_work(self):
        """Planned filters at 20 with 15 of labour on their task, other work of the visit left out; one that failed with a tow of 90."""
        reasons = ["age"] * 4 + ["failed"]
        days = pd.date_range("2019-01-01", periods=6, freq="365D")
        fitted = {"vehicle": "A", "position": "engine", "category": "air-filter", "item": "x"}
        fitted |= {"fitted": days, "removed": [*days[1:], pd.NaT], "reason": [*reasons, None]}
        fitted |= {"price": 20.0, "fitted_odometer": [5000.0 * i for i in range(6)]}
        fitted |= {"visit": [None, *[f"W{i}" for i in range(1, 6)]]}
        lines = [
            (f"W{i}", d, "air-filter-replace", "planned", 15.0) for i, d in enumerate(days[1:5], 1)
        ]
        lines += [
            ("W2", days[2], "engine-oil", "planned", 70.0),
            ("W5", days[5], "tow", "defect", 90.0),
        ]
        work = pd.DataFrame(lines, columns=["visit", "date", "task", "why", "labour_cost"])
        cars = {"vehicle": ["A"], "kind": "van", "in_service": "2019-01-01"}
        reads = {"vehicle": "A", "date": days, "odometer": [5000 * i for i in range(6)]}
        tables = {
            "vehicles": cars,
            "odometer": reads,
            "fitted": fitted,
            "work": work.assign(vehicle="A"),
        }
        bills = ages_of(log_of({k: pd.DataFrame(v) for k, v in tables.items()}, HEADER))[1]
        assert bills.groupby("has_failed")["bill"].apply(list).to_dict() == {
            False: [35.0] * 4,
            True: [110.0],
        }

    def test_batteries_of_the_demo_by_their_truth(self, monkeypatch):
        """Ten failed on motorcycles, just enough; the true age by their law lies in the range."""
        log = read_log(place("data", "fleet"))
        laws = pd.read_csv(place("data", "truth", "fleet", "laws.csv"))
        law = laws.query("category == 'battery' and type == 'trail-motorcycle'").iloc[0]

        def row():
            ages = ages_of(log, stop=150.0)[0]
            return ages.query("category == 'battery' and kind == 'motorcycle'").iloc[0]

        told = row()
        assert (told["why_not"], told["clock"]) == ("", law["clock"])
        costs = told["planned_cost"], told["unplanned_cost"]
        assert np.diff(costs).item() == pytest.approx(150)
        age = best_age(*costs, law["scale"], law["shape"])[0]
        assert told["low_age"] < age < told["high_age"]
        monkeypatch.setattr("wearbar.cost.part_age.MIN_FAILED", 11)
        assert row()["why_not"] == "few"


class TestRepairAges:
    def fleet(self, shape, n=20):
        rng, work = np.random.default_rng(2), []
        first, last = pd.Timestamp("2018-01-01"), pd.Timestamp("2025-12-31")
        for i in range(n):
            ages = 8 * rng.random(rng.poisson((8 / 1.0) ** shape)) ** (1 / shape)
            work += [(f"V{i}", first + pd.Timedelta(days=int(a * 365)), 100.0) for a in ages]
        names = [f"V{i}" for i in range(n)]
        reads = [
            (v, d, k * 100)
            for v in names
            for k, d in enumerate(pd.date_range(first, last, freq="30D"))
        ]
        work = pd.DataFrame(work, columns=["vehicle", "date", "labour_cost"])
        tables = {
            "vehicles": pd.DataFrame({"vehicle": names, "kind": "van", "in_service": first}),
            "odometer": pd.DataFrame(reads, columns=["vehicle", "date", "odometer"]),
            "work": work.assign(task="mend", why="defect"),
        }
        kept = SimpleNamespace(kind="van", price=8000 / (1 - 0.8**8), fall=0.2, oldest=8.0)
        return run(log_of(tables, HEADER), "repair-age", kept=[kept])["by_repairs"]

    def test_more_repairs_with_age_pay_a_new_one(self):
        """Of the law (t / 1) ** 1.6 and repairs of 100, a change of 8,000 pays at (8,000 / 60) ** (1 / 1.6) years (Barlow & Hunter 1960)."""
        (row,) = self.fleet(1.6).to_dict("records")
        assert (row["shape"], row["scale_years"]) == (
            pytest.approx(1.6, rel=0.08),
            pytest.approx(1, rel=0.15),
        )
        assert row["repair_cost"] == pytest.approx(100, rel=0.08)
        assert row["age_years"] == pytest.approx((8000 / 60) ** (1 / 1.6), rel=0.25)
        rows = pd.DataFrame([row])
        far = WORDS("repair_ages", ages=rows, oldest={"van": 8.0})
        assert "Up to the oldest on record (8.0 years) they alone do not pay a new one" in far
        near = WORDS("repair_ages", ages=rows.assign(age_years=6.5), oldest={"van": 8.0})
        assert "they alone pay a new one at about 6.5 years" in near

    def test_without_a_trend_that_is_said(self):
        ages = self.fleet(1.0)
        assert ages["age_years"].isna().all()
        text = WORDS("repair_ages", ages=ages, oldest={"van": 8.0})
        assert "is not shown for van, so they give no age to replace" in text


BARE = {"vehicles": {"vehicle": ["A"], "kind": ["van"], "in_service": ["2024-01-01"]}}
READ = {
    "odometer": {"vehicle": ["A", "A"], "date": ["2024-01-01", "2025-12-31"], "odometer": [0, 90]}
}
NEW_ONES = {"vehicles": {"vehicle": list("ABC"), "kind": "van", "in_service": "2026-02-01", "acquired": "2025-10-01", "price": 0.0},
            "odometer": {"vehicle": list("ABC"), "date": "2025-12-01", "odometer": 5}}  # fmt: skip
FREE = {"vehicle": ["A"], "position": ["engine"], "category": ["<b>x*"], "item": ["x"]}
FREE = {
    "fitted": FREE | {"fitted": ["2024-05-01"], "removed": ["2025-05-01"], "reason": ["failed"]}
}


WORK = {"vehicle": ["A"], "date": ["2024-05-10"], "task": ["oil"], "why": ["planned"]}
WORK = {"work": WORK | {"parts_cost": [41.5]}}


@pytest.mark.parametrize(
    "tables",
    [BARE | READ, BARE | READ | FREE, BARE | READ | WORK, BARE | READ | WORK | FREE, NEW_ONES],
)
def test_logs_that_tell_little_are_refused_in_printable_words(tables):
    log = log_of({name: pd.DataFrame(columns) for name, columns in tables.items()}, HEADER)
    made = run(log, "answer-now", "bills", "part-age", "repair-age")
    assert made["now"]["keep_cost"].isna().all()
    assert (made["now"]["why_not"].str.len() > 0).all()
    oldest = {k.kind: k.oldest for k in made["kept"]}
    said = [
        WORDS("now", now=made["now"], left=0),
        WORDS("part_ages", ages=made["ages"]),
        WORDS("repair_ages", ages=made["by_repairs"], oldest=oldest),
    ]
    assert "No figures for A" in said[0]
    assert not any("<b>" in text for text in said)
    for text in map(plain, said):
        assert not re.search(r"\bnan\b|None|\binf\b|  |\.\.|\.[A-Z]| [,.:;]", text), text
