"""How a log covers its period, what its doubtful rows move, what can be said because of it, and how that is told."""

import re
from html import unescape
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import seaborn
from cells import run
from matplotlib.ticker import PercentFormatter

from wearbar import log as logs
from wearbar import severity
from wearbar.log.units import Units
from wearbar.report import answerable, coverage
from wearbar.report.charts import style
from wearbar.report.charts import vehicles as pictures
from wearbar.report.charts.style import png
from wearbar.report.quantities import Show, plain
from wearbar.report.tables import view_of
from wearbar.report.template import coded
from wearbar.report.words import log_check as words
from wearbar.report.words import severity as use_words
from wearbar.severity import use as hard_use
from wearbar.stats.estimate import Estimate

HEADER = {
    "distance": "km",
    "as_of": "2024-12-31",
    "first_day": "2024-01-01",
    "currency": "GBP",
    "money": "net",
}


def log_of(vehicles, **tables):
    fleet = pd.DataFrame({"vehicle": vehicles, "kind": "van", "in_service": "2023-01-01"})
    return logs.log_of({"vehicles": fleet, **tables}, HEADER)


def readings_of(vehicle, days, odometer):
    return pd.DataFrame({"vehicle": vehicle, "date": days, "odometer": odometer})


def year():
    """A: read on the first of every month. B: every month to June, laid up July to September, read to December. C: to March. D: never."""
    days = [f"2024-{m:02d}-01" for m in range(1, 13)]
    rows = [
        readings_of("A", days, range(1000, 2200, 100)),
        readings_of("B", days[:6] + days[9:], range(1000, 1900, 100)),
        readings_of("C", [*days[:3], "2024-11-01"], range(1000, 1400, 100)),
    ]
    layups = pd.DataFrame(
        {"vehicle": ["B"], "from": ["2024-06-10"], "to": ["2024-09-25"], "reason": ["season"]}
    )
    use = pd.DataFrame(
        {
            "vehicle": ["A", "A"],
            "from": ["2024-01-01", "2024-03-01"],
            "to": ["2024-02-29", "2024-03-31"],
            "loose": [0.5, 0.1],
        }
    )
    return log_of(list("ABCD"), odometer=pd.concat(rows), layups=layups, use=use)


def test_record_of_each_vehicle_by_hand():
    told = year()
    table = coverage.record(told).set_index("vehicle")
    assert table.index.tolist() == [
        "D",
        "C",
        "B",
        "A",
    ]  # not read at all, then by the longest time without a reading
    assert table["n_readings"].to_dict() == {"A": 12, "B": 9, "C": 4, "D": 0}
    assert table["longest_gap_days"].drop("D").to_dict() == {"A": 31, "B": 122, "C": 245}
    assert table["gap_days"].drop("D").to_dict() == {
        "A": 0,
        "B": 0,
        "C": 245,
    }  # B's is laid up but for a few days
    assert table["since_days"].drop("D").to_dict() == {"A": 30, "B": 30, "C": 60}
    assert table["is_stale"].to_dict() == {"A": False, "B": False, "C": True, "D": True}
    assert table.loc["C", "observed_share"] == pytest.approx((305 - 245) / 365)
    assert table.loc["D", "observed_share"] == 0


def test_tables_cover_months_by_hand():
    table = coverage.by_table(year()).set_index("table")
    assert table.loc["odometer", "months_share"] == pytest.approx((12 + 9 + 4) / 48)
    assert table.loc["use", "months_share"] == pytest.approx(3 / 48)
    assert table.loc["use", "n_vehicles"] == 1
    assert not table.loc["fuel", "is_present"]
    assert np.isnan(table.loc["fuel", "months_share"])
    assert np.isnan(table.loc["layups", "months_share"])  # need not happen


def test_timeline_has_every_vehicle_or_the_worst():
    told = year()
    line = coverage.timeline(told)
    assert line["vehicle"].unique().tolist() == ["A", "B", "C", "D"]
    gaps = line[line["what"].eq("gap in the record")]
    assert gaps[["vehicle", "start"]].to_numpy().tolist() == [["C", pd.Timestamp("2024-03-01")]]
    assert line.loc[line["what"].eq("in storage"), "vehicle"].tolist() == ["B"]
    assert line["what"].value_counts()["disposed of"] == 0
    worst = coverage.timeline(told, most=2)
    assert worst["vehicle"].unique().tolist() == ["D", "C"]
    assert set(worst.loc[worst["what"].eq("reading"), "vehicle"]) == {"C"}


def doubtful():
    work = {
        "vehicle": "A",
        "date": ["2024-02-01", "2024-02-01", "2024-05-01"],
        "task": "oil",
        "why": "planned",
        "parts_cost": [40, 40, 120],
    }
    return log_of(
        ["A"],
        odometer=readings_of("A", ["2024-01-01", "2024-12-01"], [1000, 2000]),
        work=pd.DataFrame(work),
    )


def test_doubtful_rows_that_move_a_headline_are_found():
    told = doubtful()
    assert coverage.headlines(told)["work_money"] == 200
    moved = coverage.moved(told)
    assert moved[["rule", "table", "figure"]].to_numpy().tolist() == [
        ["same-row", "work", "work_money"],
        ["same-row", "work", "work_money_per_km"],
    ]
    assert moved["change_share"].tolist() == pytest.approx([-0.2, -0.2])
    assert "Yes. Leaving out the doubtful rows, rule by rule, moves 2 figures" in words.moved(
        moved, told
    )
    assert "cost of work: 20.0%" in words.moved(moved, told)
    table = view_of("log_check", "moved", words.with_rules(moved), Show(told.units))["frame"]
    assert table["with_them"].tolist() == [
        "GBP 200",
        "GBP 0.10 per km",
    ]


def test_rows_that_broke_a_rule_are_counted_with_their_place():
    bad = pd.DataFrame(
        {
            "vehicle": ["A", "A", "Z"],
            "date": ["2024-02-30", "soon", "2024-03-01"],
            "odometer": [1, 2, 3],
        }
    )
    told = log_of(["A"], odometer=bad)
    table = coverage.problems(told)
    assert table["rows"].sum() == 3
    assert set(table["action"]) == {"set aside"}
    assert table.loc[table["rule"] == "unknown-vehicle", "first_line"].tolist() == [4]
    assert table["rows"].sum() == told.ledger["set_aside"].sum()
    assert words.problems_said(told).startswith("3 rows are set aside")
    assert "3 read = 0 used + 3 set aside" not in words.identity(told)  # the vehicle's row is used
    identity = plain(words.identity(told))
    assert identity.startswith("4 read = 1 used + 3 set aside + 0 after")


def answers_of(told):
    return answerable.answers(told, coverage.record(told))


def test_what_is_not_in_the_log_cannot_be_said():
    found = answers_of(year()).set_index(["report", "subject"])
    assert found.loc[("interval_compliance", "certificates")].tolist()[:2] == [
        "no",
        "no-certificates",
    ]
    assert found.loc[("severe_use", "effect"), "why"] == "no-measurements"
    assert found.loc[("running_cost", "cost"), "can"] == "no"
    cost = answers_of(doubtful()).set_index("subject").loc["cost"]
    assert cost.tolist()[1:3] == ["in part", "no-fixed"]


def test_what_has_no_meter_is_neither_stale_nor_unread():
    fleet = {
        "vehicle": ["A", "T"],
        "kind": ["van", "trailer"],
        "in_service": "2023-01-01",
        "meter": ["distance", "none"],
    }
    rows = readings_of("A", [f"2024-{m:02d}-20" for m in range(1, 13)], range(0, 1200, 100))
    told = logs.log_of({"vehicles": pd.DataFrame(fleet), "odometer": rows}, HEADER)
    table = coverage.record(told).set_index("vehicle")
    assert table["is_stale"].to_dict() == {"A": False, "T": False}
    assert np.isnan(table.loc["T", "observed_share"])
    assert coverage.by_table(told).set_index("table").loc["odometer", "months_share"] == 1
    assert "1 vehicle has no meter (T)" in plain(words.record_said(table.reset_index()))
    assert "no reading" not in words.headline(told, table, answers_of(told))[0]
    tyre = {
        "vehicle": ["T"],
        "position": ["left"],
        "category": ["tyre"],
        "item": ["x"],
        "fitted": ["2024-01-01"],
        "price": [80],
    }
    depth = {
        "vehicle": ["T"],
        "date": ["2024-12-01"],
        "position": ["left"],
        "category": ["tyre"],
        "quantity": ["depth"],
        "value": [4],
    }
    tables = {
        "vehicles": pd.DataFrame(fleet).tail(1),
        "fitted": pd.DataFrame(tyre),
        "measurements": pd.DataFrame(depth),
    }
    alone = answers_of(logs.log_of(tables, HEADER)).set_index("subject")
    assert alone.loc["cost"].tolist()[1:3] == ["no", "no-distance"]
    assert alone.loc["wear"].tolist()[1:3] == ["in part", "few-measured"]
    assert alone.loc["part-cost", "why"] == "no-distance"


def test_wear_and_prices_are_counted_as_the_reports_count_them():
    """One tyre in three rows, priced in the first, new at 8, read once and taken off at 2; another read when new alone."""
    fitted = pd.DataFrame({
        "vehicle": "A", "position": ["front", "rear", "front", "rear"], "category": "tyre", "item": "x", "part": ["P", "P", "P", None],
        "fitted": ["2024-01-01", "2024-03-01", "2024-05-01", "2024-03-01"], "removed": ["2024-03-01", "2024-05-01", "2024-08-01", None],
        "reason": ["rotated", "rotated", "worn", None], "price": [90, None, None, 95], "new_depth": [8, 8, 8, None],
        "removed_depth": [None, None, 2, None],
    }).assign(position=["front", "rear", "front", "spare"])  # fmt: skip
    rows = readings_of("A", [f"2024-{m:02d}-01" for m in range(1, 13)], range(0, 12000, 1000))
    told = log_of(["A"], odometer=rows, fitted=fitted)
    found = answers_of(told).set_index("subject")
    assert found.loc["part-cost", "can"] == "yes"
    assert found.loc["wear"].tolist()[1:] == ["in part", "few-measured-parts", 1]


def test_cost_is_told_of_what_the_report_tells():
    """Fuel and a sale, no work at all: a cost by distance, in part; three of a kind are needed for an age to replace."""
    days = ["2024-02-01", "2024-03-01", "2024-11-01"]
    fuel = {
        "vehicle": "A",
        "date": days,
        "odometer": [1000, 1500, 5000],
        "volume": 40.0,
        "cost": 60.0,
    }
    told = log_of(
        ["A"],
        odometer=readings_of("A", ["2024-01-01", "2024-12-01"], [500, 6000]),
        fuel=pd.DataFrame(fuel),
    )
    found = answers_of(told).set_index("subject")
    assert found.loc["cost"].tolist()[1:3] == ["in part", "no-work"]
    assert found.loc["fuel", "can"] == "yes"
    value = {"vehicle": ["A"], "date": ["2024-12-01"], "value": [900]}
    valued = log_of(
        ["A"],
        odometer=told.tables["odometer"][["vehicle", "date", "odometer"]],
        valuations=pd.DataFrame(value),
    )
    assert answers_of(valued).set_index("subject").loc["replace"].tolist()[1:3] == ["no", "no-kind"]


def test_every_reason_and_subject_has_words():
    found = answers_of(year())
    codes = {code.split("/")[0] for ask in answerable.ASKED for code in ask["no"] + ask["in_part"]}
    assert codes >= {"no-plan", "few-ends", "no-certificates"}
    subjects = set(found["subject"])
    for code in codes - subjects:  # a code without words is an error in the template
        assert words.SAY("answers_because", why=code, amount=2, stale_days=45)
    table = view_of("log_check", "answers", found.assign(stale_days=45), Show())["frame"]
    assert table.drop(columns="amount").notna().all(axis=None)
    assert "a lapsed test would not be seen" in " ".join(table["because"])
    assert "certificates" in words.cannot(answers_of(year()))


def many(n):
    vehicles = [f"V{k:03d}" for k in range(n)]
    days = pd.date_range("2024-01-05", periods=8, freq="45D").strftime("%Y-%m-%d")
    rows = pd.DataFrame(
        {
            "vehicle": np.repeat(vehicles, 8),
            "date": np.tile(days, n),
            "odometer": np.tile(range(0, 8000, 1000), n),
        }
    )
    return log_of(vehicles, odometer=rows)


UNFIT = re.compile(r"\b(nan|NaT|None|inf)\b|\d[eE][+-]?\d|<NA>")


@pytest.mark.parametrize(
    "make",
    [lambda: many(1), year, doubtful, lambda: many(300)],
    ids=["one", "four", "doubtful", "many"],
)
def test_the_check_is_told_for_small_and_large_logs(make):
    told = make()
    record, line, answers = (
        coverage.record(told),
        coverage.timeline(told),
        answers_of(told),
    )
    marks = line["what"].value_counts()
    said = [
        words.headline(told, record, answers)[0], words.identity(told), words.problems_said(told), words.record_said(record),
        words.cannot(answers), words.SAY("alt_timeline", marks=marks), words.moved(coverage.moved(told), told),
        words.SAY("timeline", marks=marks, vehicles=len(record), gap_days=60, most=40),
        *view_of("log_check", "answers", answers.assign(stale_days=45), Show())["frame"]["because"],
    ]  # fmt: skip
    assert not [s for s in said if UNFIT.search(s)]
    assert line["vehicle"].nunique() == min(len(record), coverage.MOST_ROWS)
    assert png(pictures.timeline(line, told)).startswith(b"\x89PNG")


def test_hostile_names_are_text():
    name = "<img src=x onerror=alert(1)>"
    told = log_of([name], odometer=readings_of(name, ["2024-02-01", "2024-09-01"], [1000, 2000]))
    record = coverage.record(told)
    assert "<img" not in words.record_said(record)
    assert "<img" not in use_words.SAY(
        "effect", e=severity.Effect(name, "loose", 0, 0, refusals=("no-parts",))
    )


def effect(**changes):
    base = {
        "ratio": Estimate(1.1, 1.05, 1.15, 0.9, 100), "lower": 1.05, "p": 0.001, "p_holm": 0.002, "share_low": 0.1,
        "share_mid": 0.3, "share_high": 0.6, "r2": 0.5, "without_vehicle": (1.08, 1.12), "without_site": (0.97, 1.2),
        "e_value": 1.4,
        "e_value_limit": 1.3, "additive": Estimate(2.0, 1.5, 2.5, 0.9, 100), "log_linear": Estimate(1.1, 1.05, 1.15, 0.9, 100),
        "is_additive": True,
        "points": pd.DataFrame({"vehicle": ["a", "b"], "kind": "van", "share": [0.1, 0.5], "wear_ratio": [0.9, 1.1], "n_parts": 3}),
    }  # fmt: skip
    return severity.Effect("brake-pad", "loose", 100, 34, **{**base, **changes})


def test_an_effect_in_words():
    text = use_words.SAY("effect", e=effect())
    assert text.startswith(
        "**Brake pad wear, use on gravel or dirt:** 10% faster for each 10 points more of the distance"
    )
    assert "(range 5 to 15%)" in unescape(text)
    assert "100 parts of 34 vehicles" in text
    assert "3.0% slower and 20% faster" in use_words.all_checks([effect()])
    unsure = use_words.SAY(
        "effect", e=effect(ratio=Estimate(1.1, 0.8, 1.6, 0.9, 100), vehicles_needed=80)
    )
    assert "not settled" in unsure
    assert "80 such vehicles" in unsure


def test_a_refused_effect_is_words_without_a_figure():
    nothing = {"ratio": severity.NONE, "lower": np.nan, "p_disagree": 0.01, "points": None}
    codes = """
        no-parts site-not-known few-vehicles one-vehicle no-contrast few-a-side one-sided-site
        few-lines disagree one-vehicle-decides not-estimable
    """
    for code in codes.split():
        refused = effect(refusals=(code,), between=severity.NONE, within=severity.NONE, **nothing)
        text = use_words.SAY("effect", e=refused)
        assert "not shown" in text
        assert not UNFIT.search(text)
        assert "10% faster" not in text
    both = use_words.effects(
        [
            effect(refusals=("few-vehicles",), **nothing),
            effect(refusals=("few-vehicles",), **nothing),
        ]
    )
    assert both.count("\n") == 0  # one reason, said once
    assert "Not enough data" in use_words.headline([refused], pd.DataFrame())[0]


def test_the_headline_says_how_much_faster_and_how_often_to_inspect():
    table = pd.DataFrame(
        {
            "title": ["Tyre inspection", "Tyre inspection", "Chain inspection"],
            "plan": ["van", "trail-bike", "van"],
            "plan_km": [5632.7, 2414.0, 1000.0],
            "severe_km": [np.nan, 2000.0, np.nan],
            "hard_km": [4345.2, 1770.3, 1000.0],
        }
    )
    clear = effect(ratio=Estimate(1.09, 1.08, 1.11, 0.9, 100))
    show = Show(Units(distance="mi"))
    text, urgency = use_words.headline([clear], table, show)
    assert (unescape(text), urgency) == (
        "Hard use matters here. 10 points more of the distance on gravel or dirt: brake pads wear 9% faster (8 to 11%). "
        "Tyre inspection of hard-used vehicles: every 1,100 mi (trail bike), 2,700 (van).",
        "soon",
    )
    text, _ = use_words.headline([clear], table.assign(severe_km=900, hard_km=900), show)
    assert text.endswith("The plan's own limits for severe use already allow for that.")


def test_small_sites_have_no_figures():
    table = pd.DataFrame({
        "site": ["shore", "hill", "quay"], "n_vehicles": [9, 2, 1], "n_easier": [5, 1, 1], "n_harder": [4, 1, 0],
        "share_least": [0.1, 0.2, 0.3], "share_most": [0.5, 0.6, 0.3], "weight_share": [0.8, 0.1, 0.1],
        "gap": 0.1, "has_both": [True, False, False],
    })  # fmt: skip
    told = use_words.overlaps([effect(overlap=table)])
    assert told["site"].tolist() == ["shore", "sites with too few vehicles to name"]
    assert told["n_vehicles"].tolist() == [9, 3]
    assert told["share_least"].isna().tolist() == [False, True]


def test_pictures_of_use():
    found = [effect(refusals=("few-lines",), ratio=severity.NONE), effect()]
    names = {"style": style, "np": np, "pd": pd, "sns": seaborn, "coded": coded, "found": found}
    names |= {"hard_use": hard_use, "wording": use_words, "PercentFormatter": PercentFormatter}
    names["words"] = use_words.SAY
    figure = run("severe_use", "not enough data to say", **names)["figure"]
    assert [text.get_text() for text in figure.axes[0].texts] == ["not enough data to say"]
    assert figure.axes[0].texts[0].xy[1] == 1  # the refused one is below
    assert png(figure).startswith(b"\x89PNG")
    drawn = []
    report = SimpleNamespace(figure=lambda figure, alt: drawn.append(figure))
    run("severe_use", "wear, adjusted", **names, report=report)
    (figure,) = drawn
    assert {text.get_text() for text in figure.axes[0].texts} <= {"a", "b"}  # the farthest off
    assert png(figure).startswith(b"\x89PNG")
