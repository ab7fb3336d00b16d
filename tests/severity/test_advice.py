"""The intervals that the evidence supports: cases by hand and made-up logs; use derived from readings."""

import html
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from cells import run
from statsmodels.stats.multitest import multipletests

from wearbar import intervals, log, severity, usage
from wearbar.log import plan
from wearbar.log.units import Units
from wearbar.parts.items import life_by_vehicle
from wearbar.report.quantities import Show
from wearbar.report.template import column_of
from wearbar.report.words import severity as words
from wearbar.severity import lives as duty
from wearbar.severity import use as hard_use
from wearbar.severity.advice import advice
from wearbar.stats.estimate import Estimate

TASKS = [
    {"code": "tyres-inspect", "action": "inspect", "every": {"distance": 10_000}},
    {"code": "rotate", "action": "adjust", "part": "tyre", "every": {"distance": 8000}, "severe": {"distance": 3000}},
    {"code": "tyre-replace", "action": "replace", "part": "tyre"},
    {"code": "chain-adjust", "action": "adjust", "every": {"distance": 900}},
    {"code": "engine-oil-level", "action": "inspect", "every": {"distance": 5000}},
    {"code": "air-filter-replace", "action": "replace", "part": "air-filter", "every": {"distance": 20_000}, "severe": {"distance": 12_000}},
]  # fmt: skip
PLAN = plan.plan_of(
    {"rough": {"applies_to": ["van"], "severe_when": {"loose": 0.35}, "task": TASKS}}, distance="km"
)
NOTHING = pd.DataFrame(columns=duty.EMPTY)
DAY0, HEAD = pd.Timestamp("2021-01-01"), {"distance": "km", "first_day": "2021-01-01"}


def day(km):
    """Of a van that goes 50 km a day."""
    return DAY0 + pd.to_timedelta(km / 50, unit="D")


@pytest.fixture(name="vans", scope="module")
def _vans():
    """Twelve vans over 30,000 km, six of them used hard (0.5 of loose against 0.2). Their filters wear out well before the plan's 20,000 km,
    but for hard use's 12,000: there they are replaced, and called worn, on the day."""
    name = [f"v{n:02}" for n in range(12)]
    life = [9000, 9500, 10_000, 10_500, 14_000, 15_000]
    rows = []
    for n, vehicle in enumerate(name):
        at = 0
        for turn in range(3):
            last = at + (life[(n + 2 * turn) % 6] if n < 6 else 11_900)
            off = (day(last), last, "worn") if last < 30_000 else (pd.NaT, np.nan, "")
            rows.append((vehicle, "air-filter", "engine", "x", day(at), at, *off))
            if (at := last) >= 30_000:
                break
    columns = (
        "vehicle category position item fitted fitted_odometer removed removed_odometer reason"
    )
    share = np.repeat([0.2, 0.5], 6)
    frames = {
        "vehicles": pd.DataFrame({"vehicle": name, "kind": "van", "site": "s", "in_service": DAY0, "in_service_odometer": 0}),
        "odometer": pd.DataFrame({"vehicle": name * 2, "date": [DAY0] * 12 + [day(30_000)] * 12, "odometer": [0] * 12 + [30_000] * 12}),
        "use": pd.DataFrame({"vehicle": name, "from": DAY0, "to": day(30_000), "loose": share}),
        "fitted": pd.DataFrame(rows, columns=columns.split()),
    }  # fmt: skip
    return log.log_of(frames, HEAD | {"as_of": str(day(30_000).date())}, plan=PLAN)


def told(lower, p=0.001):
    points, added = pd.DataFrame({"share": [0.1, 0.3]}), Estimate(3.0, 2.0, 4.0, 0.9, 100)
    ratio = Estimate(1.2, lower, 1.4, 0.9, 100)
    figures = {"ratio": ratio, "additive": added, "additive_lower": 2.5, "log_linear_lower": lower}
    return severity.Effect("tyre", "loose", 100, 34, p=p, points=points, **figures)


def row(basis, what, value, low, high, p=0.001):
    told = {"basis": basis, "what": what, "exposure": "loose", "value": value, "low": low}
    told |= {"high": high, "p": p, "note": "", "n_ends": 40, "n_vehicles": 12, "n_censored": 3}
    return pd.DataFrame([told])


def of(vans, found=(), beyond=NOTHING):
    table = advice(vans, found, beyond).set_index("code")
    return table.drop(index="air-filter-replace", errors="ignore")


def test_wear_by_hand(vans):
    # hard use is 0.3 more: were rates to add up, it wears at least (1 + 1.5 x 0.5) / (1 + 1.5 x 0.2) = 1.346 times as much, and by the
    # log-linear form 1.1^3 = 1.331, so 10,000 / 1.331 = 7,513, in print 7,500; 3,000 is sooner than 8,000 / 1.331
    table = of(vans, [told(1.1)])
    assert table.index.tolist() == ["rotate", "tyres-inspect"]
    assert table["hard_km"].tolist() == pytest.approx([3000, 7500])
    assert table["normal_km"].tolist() == [8000, 10_000]
    assert table["is_sooner"].tolist() == [False, True]
    assert table["ratio"].tolist() == pytest.approx([2.0 / 1.4] * 2)
    mild = replace(told(1.2), additive_lower=1.6)  # (1 + 0.6 x 0.5) / (1 + 0.6 x 0.2) = 1.161
    assert of(vans, [mild]).loc["tyres-inspect", "hard_km"] == pytest.approx(8600)


@pytest.mark.parametrize("lower, p", [(0.8, 0.001), (0.999, 0.6), (1.1, 0.06), (1.1, np.nan)])
def test_an_interval_is_never_longer_than_the_plans(vans, lower, p):
    table = of(vans, [told(lower, p)])
    assert table["hard_km"].tolist() == [3000, 10_000]
    assert table["normal_km"].tolist() == [8000, 10_000]
    assert not table["is_sooner"].any()


def test_lives_faults_and_oil_by_hand(vans):
    # lives of 0.9 times (at most 0.95) for 0.10 more: 0.95^-3 = 1.166 times as many ends in hard use, 10,000 / 1.166 = 8,573
    table = of(vans, beyond=row("life", "tyre", 0.9, 0.85, 0.95))
    assert table.loc["tyres-inspect", ["hard_km", "p"]].tolist() == pytest.approx([8500, 0.0005])
    assert table.loc["tyres-inspect", "lower_ratio"] == pytest.approx(0.95**-3)
    longer = of(vans, beyond=row("life", "tyre", 1.1, 1.05, 1.2))
    assert (longer["hard_km"].tolist(), longer["p"].tolist()) == ([3000, 10_000], [0.9995] * 2)
    # faults at least 1.2 times as often for 0.10 more: 900 / 1.2^3 = 520.8; oil 5,000 / 1.1^3 = 3,756; each for its own task
    beyond = [row("faults", "chain-adjust", 1.3, 1.2, 1.4), row("oil", "engine-oil-level", 1.2, 1.1, 1.3)]  # fmt: skip
    table = of(vans, beyond=pd.concat([*beyond, row("visits", "visits", 2, 1.5, 3)]))
    assert table["hard_km"].to_dict() == pytest.approx(
        {"chain-adjust": 520, "engine-oil-level": 3700}
    )


def test_evidence_of_one_task_decides_by_what_asks_for_most_and_p_counts_every_task(vans):
    rows = [
        row("life", "tyre", 0.9, 0.85, 0.95, 0.04),
        row("faults", "chain-adjust", 1.3, 1.2, 1.4, 0.06),
        row("oil", "engine-oil-level", 1.2, 1.1, 1.3, 0.2),
    ]
    table = advice(vans, [told(1.1, 0.012)], pd.concat(rows)).set_index("code")
    p = [0.012, 0.02, 0.03, 0.1, table.loc["air-filter-replace", "p"]]
    expected = multipletests(p, method="holm")[1]
    assert table.loc["chain-adjust", "p_holm"] == pytest.approx(expected[2])
    assert table.loc["tyres-inspect", ["basis", "p_holm"]].tolist() == ["wear", pytest.approx(expected[0])]  # fmt: skip
    assert table.loc["chain-adjust", "is_sooner"] == (expected[2] < 0.05)
    alone = advice(vans, [told(1.1, 0.001)], rows[0]).set_index("code")
    assert alone.loc["tyres-inspect", "basis"] == "wear"  # 7,500 is less than 8,500


def test_a_log_without_a_plan_or_with_nothing_seen_has_no_advice(vans):
    blind = severity.Effect("tyre", "loose", 0, 0, refusals=("no-parts",))
    assert of(vans, [blind]).empty
    assert advice(replace(vans, plan=None), [told(1.1)], NOTHING).empty


def test_what_90_of_100_parts_reach_brings_normal_work_forward_too(vans):
    lives = duty.lives_by_use(vans)
    # of hard use, ends near its planned 12,000 km are for being due
    assert lives.groupby(lives["loose"] > 0.35)["observed"].sum().tolist() == [12, 0]
    own = lives[lives["loose"] < 0.35].drop(columns="last_seen_km")
    life = life_by_vehicle("early", 0.9, own)[0]
    table = advice(vans, [], NOTHING).iloc[0]
    assert table[["reach_km", "high_km"]].tolist() == pytest.approx([life.value, life.high])
    assert table[["basis", "duty", "n_ends", "n_vehicles"]].tolist() == ["reach", "normal", 12, 6]
    assert 8000 < life.value < 10_000
    assert table["normal_km"] == np.floor(life.high / 100) * 100
    assert table["hard_km"] == min(table["normal_km"], 12_000)
    assert table["is_sooner"]


def test_of_many_vehicles_groups_are_left_out_in_turn(vans, monkeypatch):
    each = advice(vans, [], NOTHING).iloc[0]
    monkeypatch.setattr("wearbar.severity.advice.GROUPS", 5)
    some = advice(vans, [], NOTHING).iloc[0]
    assert some[["reach_km", "n_vehicles"]].tolist() == [each["reach_km"], 6]
    assert some["high_km"] != each["high_km"]


def test_what_bringing_forward_costs_by_hand(vans):
    task = {
        "plan": "rough",
        "code": "air-filter-replace",
        "title": "Filter",
        "part": "air-filter",
        "safety": False,
        "is_sooner": True,
    }
    task |= {"plan_km": 20_000.0, "severe_km": np.nan, "hard_km": 10_000.0}
    lines = [
        ("v00", 1, "air-filter-replace", 20.0, "planned", False), ("v00", 1, "air-filter", 10.0, "planned", False),
        ("v06", 2, "air-filter-replace", 100.0, "defect", False), ("v06", 2, "air-filter", 10.0, "defect", False),
        ("v07", 3, "air-filter", 9.0, "planned", True), ("v07", 3, "engine-oil-level", 5.0, "defect", False),
    ]  # fmt: skip
    lines = pd.DataFrame(lines, columns=["vehicle", "date", "detail", "amount", "why", "is_free"])
    show = Show(Units(distance="km"))
    names = {
        "supported": pd.DataFrame([task, task | {"safety": True}, task | {"is_sooner": False}]),
        "books": SimpleNamespace(lines=lines),
    }
    names |= {
        "driven": pd.DataFrame({"vehicle": ["v00", "v06", "v07"], "distance_km": 30_000.0}),
        "report": SimpleNamespace(log=vans, show=show),
    }
    names |= {"is_known": True, "is_severe": np.array([False, True, True]), "pd": pd, "np": np}
    (cost,) = run("severe_use", "pays_km", **names)["costs"].to_dict("records")
    # 30 each 10,000 km in place of each 20,000: 15 more for 10,000 km; 80 dearer when it fails, so once in 53,333 km pays
    assert (cost["planned_cost"], cost["failure_cost"]) == (30.0, 110.0)
    assert [cost["more_cost"], cost["pays_km"]] == pytest.approx([15.0, 80 / 0.0015])
    assert (cost["failures"], cost["driven_km"]) == (1, 60_000)
    said = html.unescape(words.SAY("forward", row=SimpleNamespace(**cost), show=show))
    assert said == (
        "Filter (rough), brought forward, costs 15 more for 10,000 km in hard use. A planned one costs 30, an unplanned one 110 by its"
        " bills alone. So it pays if it prevents one failure in 53,333 km. Hard-used vehicles had 1 failure in 60,000 km."
    )


class TestWhatIsSaid:
    def test_of_each_task(self, vans):
        show = Show(Units(distance="km"))
        (rest,) = column_of(
            words.SAY, "rests_on", of(vans, [told(1.1)]).query("is_sooner"), show=show
        )
        assert (
            rest
            == "1.43 times the wear on gravel or dirt, at least 1.33 (100 wear lines, 34 vehicles)"
        )
        table = advice(vans, [], NOTHING)
        (rest,) = column_of(words.SAY, "rests_on", table, show=show)
        assert rest == "90% reach 8,733 km, at most 9,177 km (12 ends, 6 not ended, 6 vehicles)"
        said = [
            {
                "is_sooner": True,
                "plan_km": 9000.0,
                "normal_km": n,
                "hard_km": h,
                "p": 0.01,
                "p_holm": 0.02,
            }
            for n, h in [(9000.0, 7000.0), (8000.0, 7000.0), (8000.0, 8000.0)]
        ]
        said = column_of(
            words.SAY,
            "advice",
            pd.DataFrame(
                [
                    *said,
                    said[0] | {"is_sooner": False},
                    said[0] | {"is_sooner": False, "p_holm": 0.06},
                ]
            ),
            show=show,
        )
        assert said == [
            "in hard use every 7,000 km",
            "every 8,000 km, in hard use 7,000 km",
            "every 8,000 km",
            "keep to the plan",
            "keep to the plan: not clear enough",
        ]

    def test_how_many_are_shorter(self, vans):
        none = words.SAY("supported", table=of(vans, [told(0.9)]))
        assert none.startswith("The evidence asks for no work sooner than the plan")
        assert words.SAY("supported", table=[]).startswith("No evidence in this log reaches")
        one = html.unescape(words.SAY("supported", table=of(vans, [told(1.1)])))
        assert one.startswith("Of 2 intervals below, 1 is shorter than the plan's.")


@pytest.fixture(name="read", scope="module")
def _read():
    """Van A read daily, 8 km on each other day and 32 on the rest; B each month, and on one day more, 10 km a day, laid up in winter."""
    days = pd.date_range("2023-01-01", "2023-12-31")
    a = np.cumsum(np.where(np.arange(365) % 2, 8.0, 32.0)) - 32
    b = np.cumsum(np.where(days.month.isin([4, 5, 6, 7, 8, 9, 10]), 10.0, 0.0))
    monthly = days.is_month_end | (np.arange(365) == 0) | (days == "2023-05-01")
    odometer = pd.concat([
        pd.DataFrame({"vehicle": "A", "date": days, "odometer": a}),
        pd.DataFrame({"vehicle": "B", "date": days, "odometer": b})[monthly],
    ])  # fmt: skip
    vehicles = pd.DataFrame({"vehicle": ["A", "B"], "kind": "van", "in_service": "2023-01-01", "in_service_odometer": 0})  # fmt: skip
    head = {"distance": "km", "as_of": "2023-12-31", "first_day": "2023-01-01"}
    return log.log_of({"vehicles": vehicles, "odometer": odometer}, head, plan=PLAN)


class TestUseDerivedFromReadings:
    def test_short_days_and_winter_by_hand(self, read):
        table = hard_use.by_vehicle(read).set_index("vehicle")
        # A: 182 days of 8 km and 182 of 32; B's readings are too far apart to say
        assert table.loc["A", "short_days"] == pytest.approx(8 / 40, abs=0.002)
        assert np.isnan(table.loc["B", "short_days"])
        assert table.loc["A", "winter"] == pytest.approx(151 / 365, abs=0.005)
        assert table.loc["B", "winter"] == pytest.approx(0, abs=0.005)
        assert hard_use.exposures(table, {}) == ["winter"]
        assert "derived from readings" in hard_use.USE["winter"]

    def test_it_makes_no_work_severe_and_no_advice(self, read):
        assert "severe" not in set(intervals.occasions(read)["duty"])
        assert hard_use.by_vehicle(read)["severe_now"].tolist() == ["not known"] * 2
        found = replace(told(1.1), exposure="winter")
        assert advice(read, [found], row("oil", "engine-oil-level", 2, 1.5, 3).assign(exposure="winter")).empty  # fmt: skip

    def test_a_log_that_tells_of_use_has_none_derived(self, vans):
        assert hard_use.derived(vans) is None
        assert "winter" not in hard_use.by_vehicle(vans)
        some = usage.use_shares(vans, pd.Series(["v00"]), pd.Series([DAY0]), pd.Series([day(1000)]))
        assert some["loose"].tolist() == pytest.approx([0.2])
