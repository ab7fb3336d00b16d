import re
from dataclasses import replace
from functools import partial
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from cells import run

from wearbar import outlook
from wearbar.log import log_from, log_of
from wearbar.log.plan import plan_of
from wearbar.log.units import Units
from wearbar.outlook.action_list import PRESSING, actions
from wearbar.outlook.lastyear import actual_year
from wearbar.outlook.next_visits import ALL_DAYS, GAP_DAYS, MONTH_DAYS
from wearbar.outlook.parts import Sets, _habits, _worn, order_list, packs, sets_of
from wearbar.outlook.prices import CLASSES, Prices, draw_bills, prices_of, visit_rates
from wearbar.outlook.simulate import _shares, month_edges, paths
from wearbar.outlook.visits import VisitPlan, expected_km, visit_jobs
from wearbar.outlook.year import COUNTED, HORIZON_DAYS, _bands, corrected, learned
from wearbar.report.charts import style
from wearbar.report.charts.style import png
from wearbar.report.quantities import Show, clean, plain, plural
from wearbar.report.tables import view_of
from wearbar.report.template import about
from wearbar.report.words import action_pages as on_actions
from wearbar.report.words import outlook as wording
from wearbar.usage import backtest

NOTHING = pd.DataFrame(columns=["urgency"])  # an action list with nothing to do
HEADER = {
    "name": "x",
    "distance": "km",
    "first_day": "2023-01-01",
    "as_of": "2024-12-31",
    "currency": "GBP",
    "money": "net",
}
OIL = {"item": "engine oil", "quantity": 2.3, "unit": "L", "pack": 1.0, "price": 9.0}
TASKS = [
    {
        "code": "oil",
        "action": "replace",
        "every": {"distance": 6000},
        "covers": ["level"],
        "hours": 1.0,
        "parts": [OIL],
        "tolerance": 0.1,
    },
    {"code": "level", "action": "inspect", "every": {"months": 3}, "hours": 0.2, "tolerance": 0.2},
    {"code": "fluid", "action": "replace", "every": {"months": 12}, "hours": 0.5, "tolerance": 0.1},
]
SHOW = Show(Units(distance="km", currency="GBP"))
WORDS = wording.words_in(SHOW)


def even_log(n=3, tasks=TASKS, km_a_day=30, **more):
    """Vehicles driven alike every day, everything done on 1 Nov 2024."""
    days = pd.date_range("2023-01-01", "2024-12-31", freq="7D")
    vehicles = [f"V{i}" for i in range(n)]
    odometer = pd.concat(
        [
            pd.DataFrame(
                {"vehicle": v, "date": days, "odometer": km_a_day * np.arange(len(days)) * 7}
            )
            for v in vehicles
        ]
    )
    work = pd.DataFrame(
        [
            {"vehicle": v, "date": "2024-11-01", "task": t["code"], "why": "planned"}
            for v in vehicles
            for t in tasks
        ]
    )
    frames = {
        "vehicles": pd.DataFrame(
            {"vehicle": vehicles, "kind": "van", "in_service": "2023-01-01", "site": "north"}
        )
    }
    return log_of(
        frames | {"odometer": odometer, "work": work} | more,
        HEADER,
        plan_of({"van": {"applies_to": ["van"], "task": tasks}}, "km"),
    )


def pieces(**prices):
    """`Prices.pieces` of a van's tyres: item to price."""
    index = pd.MultiIndex.from_tuples(
        [("van", "tyre", item) for item in prices], names=["kind", "category", "item"]
    )
    return pd.DataFrame({"price": list(prices.values())}, index, dtype=float).assign(
        amount=lambda t: t["price"], hours=np.nan
    )


def total(year, name, draws=None):
    return outlook.totals(year, [name], draws)[name]


@pytest.fixture(scope="module")
def year():
    return outlook.outlook_of(even_log())


@pytest.fixture(scope="module")
def fleet(demo_log):
    return demo_log("fleet")


@pytest.fixture(scope="module")
def fleet_year(fleet):
    return outlook.outlook_of(fleet, draws=100)


class TestEvenUse:
    def test_work_comes_as_often_as_its_limits_say(self, year):
        """30 km a day: oil every 200 days, the level every three months or with the oil, fluid once a year."""
        jobs = outlook.by_task(year).set_index("task")["jobs"]
        assert jobs["fluid"] == pytest.approx(3, abs=0.2)
        assert jobs["oil"] == pytest.approx(3 * 2, abs=0.4)
        assert 3 * 2 <= jobs["level"] <= 3 * 4

    def test_what_covers_another_puts_it_off(self):
        """Oil every 67 days: the level, every three months, never comes round where the oil covers it."""

        def levels(covers):
            tasks = [TASKS[0] | {"every": {"distance": 2000}, "covers": covers}, TASKS[1]]
            return outlook.by_task(outlook.outlook_of(even_log(tasks=tasks))).set_index("task")[
                "jobs"
            ]["level"]

        assert levels([]) == pytest.approx(3 * 4, abs=0.3)
        assert levels(["level"]) == 0

    def test_the_months_hold_what_falls_due_in_them(self, year):
        months = outlook.by_month(outlook.outlook_of(even_log(tasks=TASKS[2:])))["jobs"]
        assert months[10] > 0.9 * 3  # 1 Nov 2025, in the eleventh month
        assert months.sum() == pytest.approx(3, abs=0.2)
        jobs = year.simulated.totals["jobs"].sum(axis=1)
        assert year.simulated.by_row.sum(axis=1).tolist() == jobs.tolist()
        assert year.simulated.starts[0] == pd.Timestamp("2025-01-01")

    def test_chances_of_the_next_due_point(self, year):
        table = outlook.next_work(year).set_index(["vehicle", "task"])
        oil = table.loc[("V0", "oil")]
        assert abs((oil["due_date"] - pd.Timestamp("2025-05-20")).days) <= 2
        assert oil["low_date"] <= oil["due_date"] <= oil["high_date"]
        assert (oil["within_90"], oil["within_365"]) == pytest.approx((0, 1), abs=0.01)
        assert (np.diff(table[[f"within_{d}" for d in HORIZON_DAYS]], axis=1) >= 0).all()

    def test_the_same_log_gives_the_same_figures(self, year):
        pd.testing.assert_frame_equal(
            outlook.by_month(outlook.outlook_of(even_log())), outlook.by_month(year)
        )

    def test_hours_are_those_of_the_jobs(self, year):
        jobs = outlook.by_task(year).set_index("task")["jobs"]
        assert total(year, "hours").value == pytest.approx(
            jobs @ pd.Series({"oil": 1.0, "level": 0.2, "fluid": 0.5}), rel=1e-6
        )

    def test_visits_keep_to_the_windows(self, year):
        plan = outlook.plan_of_visits(year)
        assert not plan.jobs["is_past"].any()
        assert (plan.jobs["day"] <= plan.jobs["due_day"]).all()
        oil = plan.jobs[plan.jobs["task"].eq("oil") & plan.jobs["vehicle"].eq("V0")]
        assert 120 <= oil["day"].iloc[0] <= 140

    def test_an_overdue_job_is_in_the_first_visit(self):
        log = even_log(
            work=pd.DataFrame(
                {"vehicle": ["V0"], "date": ["2023-06-01"], "task": ["fluid"], "why": ["planned"]}
            )
        )
        plan = outlook.plan_of_visits(outlook.outlook_of(log))
        late = plan.jobs[plan.jobs["task"].eq("fluid") & plan.jobs["vehicle"].eq("V0")].iloc[0]
        assert late["day"] == 0
        assert late["is_past"]


def test_paths_agree_with_the_model(fleet, fleet_year):
    """The median of the simulated distances is the forecast's, and their spread its interval."""
    model, rng = fleet_year.model, np.random.default_rng(1)
    names = model.vehicles.index[model.vehicles["method"].eq("own")][:10]
    weeks = np.arange(0, 365, 7)
    km = paths(model, names, fleet.as_of, weeks, rng, np.zeros(4000))
    middle = expected_km(model, names, fleet.as_of, weeks)
    gone, foretold = (
        np.median(km, axis=0) - km[:, :, 0].mean(axis=0)[:, None],
        middle - middle[:, :1],
    )
    assert np.abs(gone[:, -1] / foretold[:, -1] - 1).max() < 0.05
    from wearbar.usage.forecast import chance_reached

    level = middle[:, 26]
    chance = chance_reached(
        model,
        names,
        level,
        np.repeat((fleet.as_of + pd.Timedelta(days=182)).to_datetime64(), len(names)),
    )
    assert np.abs((km[:, :, 26] >= level).mean(axis=0) - chance).max() < 0.06
    assert (np.diff(km, axis=2) >= 0).all()


def test_distance_unknown_is_foreseen_as_none_driven():
    log = even_log(
        odometer=pd.DataFrame({"vehicle": ["V0"], "date": ["2024-12-01"], "odometer": [500]})
    )
    found = outlook.outlook_of(log)
    assert found.model.vehicles["method"].eq("none").all()
    assert np.isfinite(total(found, "jobs").value)
    assert outlook.by_task(found).set_index("task")["jobs"]["oil"] == 0


def test_habits_move_the_work():
    late, early = (np.full((1, 100), share) for share in (0.1, -0.2))
    told = [
        _shares(h, np.array([-1.0]), np.array([False]), np.full((5, 1), 0.5), 0.0)[0, 0]
        for h in (late, early)
    ]
    assert told == [0.1, -0.2]
    spread = np.linspace(-0.5, 0.5, 100)[None, :]
    gone = _shares(
        spread, np.array([0.2]), np.array([False]), np.random.default_rng(1).random((500, 1)), 0.0
    )
    assert gone.min() >= 0.2
    assert gone.mean() == pytest.approx(0.35, abs=0.02)


class TestOrder:
    @pytest.mark.parametrize(
        "quantity, pack, n",
        [(2.3, 1.0, 3), (2.0, 1.0, 2), (0.2, 0.5, 1), (7.4, 5.0, 2), (0.9, 0.3, 3)],
    )
    def test_packs_are_whole(self, quantity, pack, n):
        assert packs(quantity, pack) == n

    def test_oil_is_ordered_by_the_can(self, year):
        log = even_log()
        table = order_list(log, year.ahead, year.sets, year.simulated, year.prices).set_index(
            "item"
        )
        n = outlook.by_task(year).set_index("task")["jobs"]["oil"]
        assert table.loc["engine oil", "expected"] == pytest.approx(2.3 * n, rel=1e-6)
        assert table.loc["engine oil", "order_packs"] >= 2.3 * n
        assert table.loc["engine oil", "amount"] == 9 * table.loc["engine oil", "order_packs"]

    def test_an_opened_pack_is_not_kept_for_a_safety_task(self):
        def cans(safety):
            task = {
                "code": "fluid",
                "action": "replace",
                "every": {"months": 12},
                "safety": safety,
                "parts": [OIL | {"quantity": 0.4}],
            }
            log = even_log(tasks=[task])
            found = outlook.outlook_of(log)
            return order_list(log, found.ahead, found.sets, found.simulated, found.prices)[
                "order_packs"
            ].item()

        assert (cans(False), cans(True)) == (2, 3)

    def test_four_in_ten_of_a_tyre_is_order_none(self):
        rows = pd.DataFrame(
            [
                {
                    "vehicle": "V0",
                    "site": "n",
                    "kind": "van",
                    "category": "tyre",
                    "axle": "front",
                    "item": "Plover",
                    "size": 2,
                    "life_km": 40_000.0,
                }
            ]
        )
        sets = Sets(rows, pd.DataFrame(), np.ones((1, 40)))
        prices = Prices(pd.DataFrame(), pieces(), pd.DataFrame(), frozenset())

        class Told:
            sets = np.repeat([[1.0], [0.0]], [40, 60], axis=0)

        table = _worn(sets, Told, prices).assign(**{"item": "Plover"})
        assert table["order_packs"].item() == 0
        assert table["chance"].item() == 0.4
        assert table["expected"].item() == 0.4
        assert "Not ordered, though a need is possible: Plover (4 in 10)." in WORDS(
            "order", n=1, maybe=table
        )
        unread = Sets(rows.assign(life_km=np.inf), pd.DataFrame(), np.ones((1, 40)))
        assert _worn(unread, Told, prices).empty  # no reading, and of no like part
        Told.sets = np.repeat([[1.0], [0.0]], [90, 10], axis=0)
        assert _worn(sets, Told, prices)["order_packs"].item() == 1
        order = view_of("outlook", "order", _worn(sets, Told, prices), SHOW)["frame"]
        assert order["order"].item() == "1 set of 2"


class TestSets:
    def sets(self, left, size=1):
        rows = pd.DataFrame(
            {
                "vehicle": ["V0"],
                "kind": "van",
                "category": "tyre",
                "axle": "front",
                "item": "x",
                "size": [size],
                "life_km": 30_000.0,
                "life_sd": 0.2,
                "damage_per_km": 0.0,
            }
        )
        parts = pd.DataFrame({"set": 0, "left_km": left, "left_sd": 0.0})
        return Sets(rows, parts, np.ones((1, 40)))

    def test_the_least_of_an_axle_decides(self):
        assert (
            self.sets([9000.0, 4000.0], 2).left(np.array([0]), 3, np.random.default_rng(1)).tolist()
            == [[4000]] * 3
        )

    def test_a_part_not_read_is_taken_as_anywhere_in_its_life(self):
        left = self.sets([np.nan]).left(np.array([0]), 4000, np.random.default_rng(1))
        assert left.mean() == pytest.approx(15_000, rel=0.1)
        assert left.min() < 1000

    def test_no_damage_on_record_is_none(self):
        assert self.sets([1.0]).damage(np.array([0]), 10, np.random.default_rng(1)).min() > 1e8


class TestBills:
    def bills(self, n, vehicle="V0", amount=100.0):
        dates = pd.date_range("2023-01-15", "2024-12-15", periods=n)
        return pd.DataFrame(
            {
                "vehicle": vehicle,
                "kind": "van",
                "date": dates,
                "what": "unplanned",
                "amount": amount,
                "hours": 1.0,
            }
        )

    def test_the_rate_is_the_logs_own(self):
        log, rng = even_log(n=10), np.random.default_rng(1)
        spread = pd.concat([self.bills(8, f"V{i}") for i in range(10)])
        rate = visit_rates(log, spread, pd.Index([f"V{i}" for i in range(10)]), rng, 4000)
        assert np.median(rate.sum(axis=1)) == pytest.approx(40, rel=0.15)
        none = visit_rates(log, spread[:0], pd.Index(["V0"]), rng, 4000)
        assert 0 < np.median(none) < 0.2

    def test_money_is_rate_times_bill(self):
        bills = self.bills(30)
        money, hours, untold = draw_bills(
            np.full((4000, 1), 6.0),
            np.ones(12),
            bills,
            np.array(["van"]),
            pd.Timestamp("2024-12-31"),
            np.random.default_rng(1),
        )
        assert money.sum(axis=1).mean() == pytest.approx(600, rel=0.03)
        assert hours.sum(axis=1).mean() == pytest.approx(6, rel=0.03)
        assert money.sum(axis=1).std() == pytest.approx(100 * np.sqrt(6), rel=0.1)
        assert untold == [0, 0]

    def test_a_bill_without_hours_is_not_one_of_none(self):
        bills = self.bills(30).assign(hours=np.nan)
        _, hours, untold = draw_bills(
            np.full((400, 1), 6.0),
            np.ones(12),
            bills,
            np.array(["van"]),
            pd.Timestamp("2024-12-31"),
            np.random.default_rng(1),
        )
        assert hours.sum() == 0
        assert untold == [0, pytest.approx(6, rel=0.1)]


class TestDemoFleet:
    def test_bundling_saves_a_quarter_and_keeps_every_window_that_could_be_met(self, fleet_year):
        plan = outlook.plan_of_visits(fleet_year)
        assert plan.saved_share >= 0.25
        assert plan.n_visits < plan.n_own_day
        late = plan.jobs[plan.jobs["day"] > np.maximum(plan.jobs["due_day"], 0)]
        assert late.empty
        assert (plan.jobs["day"] >= 0).all()

    def test_the_years_plan_begins_with_the_action_lists_visits(self, fleet, fleet_year):
        rows = actions(fleet, use=fleet_year.model, days=ALL_DAYS)
        found = outlook.visits_ahead(rows, fleet)
        # all that cannot wait is on the first visit, nothing is late, none comes twice in a fortnight
        pressing, first = rows[rows["urgency"].isin(PRESSING)], found[found["day"].eq(fleet.as_of)]
        assert set(pressing["rank"]) <= set(first["rank"])
        assert not (found["day"] > found["by"].clip(lower=fleet.as_of)).any()
        days = found[["vehicle", "day"]].drop_duplicates().groupby("vehicle")["day"]
        assert not (days.diff().dt.days <= GAP_DAYS).any()
        jobs = outlook.plan_of_visits(fleet_year, on_actions.told(found, SHOW)).jobs
        near, mine = jobs[jobs["day"] <= MONTH_DAYS], found[~found["waits"]]
        want = {(v, (d - fleet.as_of).days) for v, d in mine[["vehicle", "day"]].to_numpy()}
        assert set(zip(near["vehicle"], near["day"], strict=True)) == want
        assert len(near) == len(mine)

    def test_totals_agree_with_their_parts(self, fleet_year):
        told = fleet_year.simulated.totals
        assert total(fleet_year, "money").value == pytest.approx(
            sum(told[c].sum(axis=1).mean() for c in CLASSES)
        )
        assert outlook.by_task(fleet_year)["jobs"].sum() == pytest.approx(
            total(fleet_year, "jobs").value
        )
        sites = outlook.by_site(fleet_year)
        assert sites["hours"].notna().all()
        assert sites["hours"].sum() < total(fleet_year, "hours").value

    def test_tests_of_certificates_are_foreseen_once_a_year(self, fleet_year):
        rows = fleet_year.ahead.rows
        tests = rows.index[rows["task"].eq("roadworthiness-test")]
        assert len(tests) == rows["vehicle"].nunique() == rows.loc[tests, "vehicle"].nunique()
        assert fleet_year.simulated.by_row[:, tests].mean() == pytest.approx(1, abs=0.15)

    def test_vehicles_that_left_are_not_in_it(self, fleet, fleet_year):
        gone = fleet.tables["vehicles"].loc[fleet.tables["vehicles"]["disposed"].notna(), "vehicle"]
        assert not fleet_year.ahead.rows["vehicle"].isin(gone).any()
        assert not fleet_year.sets.rows["vehicle"].isin(gone).any()

    @pytest.mark.slow
    def test_last_years_outlook_was_near_what_came(self, fleet):
        replay = backtest.Replay(fleet)
        past = outlook.last_year(fleet, None, replay)
        t = past.totals.set_index("what")
        for name in ("jobs", "hours", "money"):
            assert t.loc[name, "actual"] == pytest.approx(t.loc[name, "forecast"], rel=0.15)
        assert past.inside("jobs")[0] >= 6
        assert past.off("jobs")[0] < past.off("jobs")[1]


def test_what_waits_in_storage_is_told_apart_from_what_the_first_visits_take():
    """Two must not be driven; one of them stands without a return date and has no visit."""
    rows = pd.DataFrame({"urgency": ["do not drive", "do not drive", "at its limit", "coming"]})
    plan = SimpleNamespace(jobs=pd.DataFrame({"day": [0], "vehicle": ["B"]}))
    waits = pd.Series([True, False, True, True])
    text = wording.first_visits(plan, rows, waits, pd.Timestamp("2026-10-31"), SHOW)
    assert "The first visits take all that cannot wait: do not drive 1." in text
    assert "before the next use: do not drive 1, at its limit 1." in text
    assert "storage" not in wording.first_visits(plan, rows, ~waits & waits, pd.Timestamp(0), SHOW)


class TestLearning:
    """What past outlooks were out by."""

    def years(self, *ratios, spread=0.05, name="wear"):
        drawn = 1000 * (1 + spread * np.random.default_rng(1).standard_normal(4000))
        others = {n: np.zeros((10, 1)) for n in (*CLASSES, *COUNTED) if n != name}
        return [
            ({name: drawn[:, None]} | others, {name: 1000.0 * r} | dict.fromkeys(others, 0.0))
            for r in ratios
        ]

    def test_without_a_past_year_the_range_widens_by_a_stated_prior_and_does_not_move(self):
        learning = learned([])
        assert (learning["mean"] == 0).all()
        assert (learning["sd"] > 0).tolist() == [True] * 4 + [False] * 2
        assert "No past year could be tested yet" in wording.learned_said(None)

    def test_years_that_were_forecast_a_fifth_high_pull_the_next_down(self):
        one, three = (learned(self.years(*[0.8] * n)).loc["wear"] for n in (1, 3))
        assert np.log(0.8) < three["mean"] < one["mean"] < -0.05
        assert three["sd"] < one["sd"]
        assert three["n"] == 3

    def test_a_year_of_few_bills_says_little_and_nil_is_no_ratio_of_nought(self):
        rare = learned(self.years(0.0, spread=1.2)).loc["wear"]
        assert -0.05 < rare["mean"] <= 0
        assert learned(self.years(0.8)).loc["unplanned", "n"] == 0  # nothing forecast, nothing come

    @pytest.mark.parametrize("years", [1, 2, 3])
    @pytest.mark.parametrize("bias, own", [(0.0, 0.0), (0.08, 0.03), (0.0, 0.1), (0.1, 0.1)])
    def test_ranges_of_jobs_hold_and_are_never_narrower(self, year, bias, own, years):
        """600 logs of past years whose forecasts have a spread of 5%, a bias that years share and a part of each year's own.
        More samples and fleets: tests/bench/cells_outlook.py."""
        rng, held = np.random.default_rng(1), []
        for _ in range(600):
            drawn = 800 * (1 + 0.05 * rng.standard_normal((200, 1))) * np.full(12, 1 / 12)
            off = bias * rng.standard_normal() + np.hypot(0.05, own) * rng.standard_normal(
                years + 1
            )
            *past, now = 800 * (1 + off)
            totals = {"jobs": drawn} | {n: np.zeros((10, 1)) for n in (*CLASSES, "hours")}
            known = learned([(totals, dict.fromkeys(totals, 0.0) | {"jobs": x}) for x in past])
            told = corrected(replace(year.simulated, totals=totals), known.tail(2), rng)
            for one in (totals, told.totals):
                low, high = np.quantile(one["jobs"].sum(axis=1), [0.05, 0.95])
                held.append((low <= now <= high, high - low))
        held = np.array(held, dtype=float).reshape(-1, 2, 2)
        (raw, kept), wide = held[:, :, 0].mean(axis=0), held[:, :, 1]
        assert (wide[:, 1] >= wide[:, 0] - 1e-6).all()
        assert 0.86 <= kept <= 0.97
        if bias or own:
            assert raw < 0.7

    def test_a_year_far_off_leaves_the_figure_as_simulated_and_without_a_range(self, year):
        """Of checks that nobody writes down: three jobs came where a thousand were forecast."""
        learning = learned(self.years(0.003, name="jobs"))
        assert np.isinf(learning.loc["jobs", "sd"])
        assert learned(self.years(0.6, name="jobs")).loc["jobs", "sd"] < np.inf
        told = corrected(year.raw, learning.loc[["jobs"]], np.random.default_rng(1))
        assert told.far == {"jobs"}
        assert (told.totals["jobs"] == year.raw.totals["jobs"]).all()
        so = replace(year, simulated=told)
        jobs = outlook.totals(so, ["jobs"])["jobs"]
        assert jobs.value == pytest.approx(year.raw.totals["jobs"].sum(axis=1).mean())
        assert np.isnan([jobs.low, jobs.high]).all()
        months = outlook.by_month(so)
        assert months["jobs"].notna().all()
        assert months[["jobs_low", "jobs_high"]].isna().all(axis=None)
        totals = {"jobs": jobs} | outlook.totals(so, ["hours", "money"])
        text, _ = wording.answer(so, totals, outlook.plan_of_visits(so), SHOW)
        assert f"need about {jobs.value:.0f} jobs by the plan, in" in text
        assert "No range is given" in text
        alt = {"months": months["jobs"], "what": "Jobs"}
        assert "range" not in WORDS("alt_months", **alt, is_ranged=False)
        assert "with its range" in WORDS("alt_months", **alt, is_ranged=True)
        assert WORDS("caption_months", is_ranged=False) == "Mark: forecast."
        assert WORDS("caption_months", is_ranged=True) == "Mark: forecast; bar: its range."
        said = WORDS("corrected", past=SimpleNamespace(learning=learning))
        assert "Past forecasts of jobs done missed by half or more" in said
        assert "wider" not in said

    def test_what_is_cut_off_at_nil_does_not_raise_the_mean(self, year):
        rng = np.random.default_rng(1)
        raw = 800 * (1 + 0.05 * rng.standard_normal((400, 1))) * np.full(12, 1 / 12)
        learning = learned(self.years(0.6, name="jobs")).loc[["jobs"]]
        told = corrected(replace(year.raw, totals={"jobs": raw}), learning, rng).totals["jobs"]
        told = told.sum(axis=1)
        assert told.min() == 0
        assert told.mean() == pytest.approx(800 * np.exp(learning.loc["jobs", "mean"]), rel=0.01)
        assert np.quantile(told, 0.95) > 1200

    def test_money_alone_is_moved_a_draw_at_a_time(self, year):
        tens = {n: np.full((4000, 12), 10.0) for n in ("jobs", "hours", "km", *CLASSES)}
        told = replace(year.simulated, bills={"wear": 10**9}, totals=tens)
        learning = learned(self.years(0.8, 0.8))
        moved = corrected(told, learning, np.random.default_rng(2)).totals
        assert (moved["jobs"] == 10).all()
        wear = np.log(moved["wear"][:, 0] / 10)
        assert [wear.mean(), wear.std()] == pytest.approx(
            learning.loc["wear", ["mean", "sd"]].tolist(), abs=0.01
        )
        assert np.ptp(moved["wear"], axis=1).max() < 1e-9

    def test_an_outlook_is_corrected_by_the_years_before_it_and_todays_by_it_too(self):
        days = pd.date_range("2021-01-05", "2024-12-20", freq="10D")
        price = np.where(days < "2022-01-01", 10.0, np.where(days < "2023-01-01", 20.0, 40.0))
        work = pd.DataFrame(
            {"vehicle": "V0", "date": days, "task": "repair", "why": "defect", "labour_cost": price}
        )
        whole = even_log(1)
        vehicles = whole.tables["vehicles"].assign(in_service=pd.Timestamp("2020-12-01"))
        log = log_of(
            {"vehicles": vehicles, "odometer": whole.tables["odometer"], "work": work},
            HEADER | {"first_day": "2020-12-01"},
        )
        past = outlook.last_year(log, None, backtest.Replay(log))
        assert past.learning.loc["unplanned", "n"] == 3
        assert (
            past.learning.loc["unplanned", "mean"] > 0.1
        )  # bills grew: each year came higher than forecast
        assert "unplanned repairs" in wording.learned_said(past)


class TestFewBills:
    def test_a_class_of_few_bills_has_no_figure_and_the_money_is_said_to_be_without_it(self):
        """A plan with prices, and three repair bills in two years: nothing like a year's repairs can be told."""
        days = ["2023-05-01", "2023-11-01", "2024-04-01"]
        oils = ["2023-07-01", "2024-02-01", "2024-08-01"]
        oil = [
            {"vehicle": "V0", "date": d, "task": "oil", "why": "planned", "parts_cost": 40}
            for d in oils
        ]
        work = pd.DataFrame(
            oil
            + [
                {"vehicle": "V0", "date": d, "task": "repair", "why": "defect", "labour_cost": 300}
                for d in days
            ]
        )
        year = outlook.outlook_of(even_log(1, work=work))
        assert year.simulated.thin == {"wear", "unplanned"}
        e = outlook.totals(year, ["unplanned", "wear", "planned", "money"])
        assert np.isnan([e["unplanned"].value, e["wear"].low]).all()
        assert e["money"].value == pytest.approx(
            e["planned"].value + year.simulated.totals["other"].sum(axis=1).mean()
        )
        said = WORDS("money", year=year, money=e["money"])
        assert "without parts that wear and unplanned repairs" in said
        assert "fewer than 10 bills for parts that wear and unplanned repairs" in said
        totals = outlook.totals(year, ["jobs", "hours", "money"])
        assert (
            ", without parts that wear and unplanned repairs"
            in wording.answer(year, totals, outlook.plan_of_visits(year), SHOW)[0]
        )


def renewals(*sizes, late=1.1):
    """`Wear.parts` of tyres that came off an axle, so many at a time, and the rows of `Sets`."""
    rows = [
        (f"V{i}", f"front-{side}", pd.Timestamp("2024-03-01"))
        for i, n in enumerate(sizes)
        for side in ("left", "right")[:n]
    ]
    parts = pd.DataFrame(rows, columns=["vehicle", "last_position", "end"]).assign(
        category="tyre", is_on=False, cause="worn"
    )
    parts = parts.assign(
        quantity="depth",
        new_depth_mm=8.0,
        fitted_depth_mm=np.nan,
        limit=2.0,
        rate_mm_per_1000km=0.2,
        usual_rate=0.2,
    )
    parts["duration_km"] = 30_000 * late
    sets = pd.DataFrame({"vehicle": ["V0"], "category": "tyre", "axle": "front", "size": [2]})
    return parts, sets


class TestRenewalHabits:
    def test_one_tyre_or_a_pair_is_learned_from_the_log(self):
        assert _habits(*renewals(*[2] * 9))[1].tolist() == [1.0]
        assert _habits(*renewals(*[1] * 9))[1].tolist() == [0.0]
        assert _habits(*renewals(*[1] * 5, *[2] * 5))[1].tolist() == [0.5]

    def test_parts_are_renewed_as_late_as_they_were(self):
        late, _ = _habits(*renewals(*[2] * 9, late=1.1))
        assert late == pytest.approx(1.1)
        sets = TestSets().sets([9000.0, 4000.0], 2)
        told = replace(sets, late=late[:1])
        assert told.left(np.array([0]), 2, np.random.default_rng(1)) == pytest.approx(
            4000 + 0.1 * 30_000
        )

    def test_few_renewals_tell_nothing(self):
        late, together = _habits(*renewals(1, 2))
        assert (late == 1).all()
        assert together.tolist() == [1.0]


def test_work_before_record_keeping_began_does_not_raise_a_tasks_price():
    rows = [
        {"vehicle": "V0", "date": day, "task": "fluid", "why": "planned", "labour_cost": 50.0}
        for day in ("2023-03-01", "2023-09-01", "2024-03-01", "2024-09-01")
    ]
    log = even_log(1, work=pd.DataFrame(rows))
    late = replace(log.origin, header=log.origin.header | {"first_day": pd.Timestamp("2024-06-01")})
    found = [prices_of(of, frozenset()).tasks["amount"] for of in (log, log_from(late, log.plan))]
    assert [of.loc["van", "fluid"] for of in found] == [50.0, 50.0]


def test_the_mean_bills_own_error_is_in_the_years_money():
    """Six bills, very many days: the pool alone gives a year no spread at all."""
    bills = TestBills().bills(6).assign(amount=[50.0, 60, 80, 100, 200, 710])
    day = (
        np.full((600, 1), 5000.0),
        np.ones(12),
        bills,
        np.array(["van"]),
        pd.Timestamp("2024-12-31"),
    )
    money, _, _ = draw_bills(*day, np.random.default_rng(1))
    total = money.sum(axis=1)
    assert total.mean() == pytest.approx(5000 * 200, rel=0.1)
    assert total.std() / total.mean() > 0.25


def test_what_came_is_counted_by_month():
    work = [
        {
            "vehicle": "V0",
            "date": d,
            "task": "oil",
            "why": "planned",
            "labour_cost": 40,
            "labour_hours": 1,
        }
        for d in ("2024-02-10", "2024-02-20")
    ]
    work += [
        {
            "vehicle": "V0",
            "date": "2024-06-01",
            "task": "repair",
            "why": "defect",
            "labour_cost": 70,
            "labour_hours": 2,
        }
    ]
    log = even_log(n=1, work=pd.DataFrame(work))
    got = actual_year(log, (), pd.Timestamp("2023-12-31"), ["V0"])
    assert got["jobs"].tolist() == [0, 2] + [0] * 10
    assert got["planned"][1] == 80
    assert got["unplanned"][5] == 70
    assert got["hours"].sum() == 4
    assert got["money"].sum() == 150


def test_a_short_record_has_no_last_year():
    log = even_log()
    assert (
        outlook.last_year(
            replace(log, first_day=pd.Timestamp("2023-06-01")), None, backtest.Replay(log)
        )
        is None
    )
    assert "two years" in WORDS("last_year", past=None)
    assert WORDS("a_year_ago", past=None) == ""
    assert wording.last_year_table(None).empty


class TestWords:
    def test_the_answer_names_jobs_visits_hours_and_no_money_where_there_is_none(self, year):
        plan = outlook.plan_of_visits(year)
        totals = outlook.totals(year, ["jobs", "hours", "money"])
        text, urgency = wording.answer(year, totals, plan, SHOW)
        assert urgency == "soon"
        assert re.search(rf"need \d+ jobs, in {plan.n_visits} visits\.", text)
        assert re.search(r"Labour is about \d+ hours \(\d+ to \d+\)\.", text)
        nothing = replace(year, ahead=replace(year.ahead, rows=year.ahead.rows[:0]))
        assert wording.answer(nothing, totals, plan, SHOW)[1] == "note"

    def test_no_words_hold_what_print_does_not(self, year, fleet_year):
        for found in (year, fleet_year):
            plan, months = outlook.plan_of_visits(found), outlook.by_month(found)
            money = outlook.totals(found, ["planned", "wear", "unplanned", "other", "money"])
            told = [
                WORDS("visits", plan=plan, now="", has_covers=False),
                wording.work_said(found, months, SHOW),
            ]
            told += [
                WORDS("money", year=found, money=money["money"]),
                WORDS("methods", year=found, n_items=0, learned=wording.learned_said(None)),
            ]
            told += [
                wording.first_visits(plan, NOTHING, NOTHING["urgency"].eq("x"), found.as_of, SHOW)
            ]
            told += [
                wording.changed_use(found, SHOW),
                WORDS(
                    "alt_months",
                    months=months["money"],
                    what="Money",
                    is_ranged=months["money_low"].notna().any(),
                ),
            ]
            told += [
                WORDS(
                    "hours",
                    year=found,
                    sites=outlook.by_site(found),
                    hours=total(found, "hours"),
                )
            ]
            assert not [
                text for text in told for bad in ("nan", "None", "inf ", "e+", "  ") if bad in text
            ]

    @pytest.mark.parametrize("n_single, saved, hence", [(4, "50%", True), (5, "60%", False)])
    def test_jobs_and_visits_are_reckoned_openly(self, n_single, saved, hence):
        jobs = pd.DataFrame(
            {
                "vehicle": "V0",
                "day": [3, 3, 3, 9, 9],
                "unused_share": 0.1,
                "wasted_amount": 0.0,
                "is_past": False,
            }
        )
        plan = VisitPlan(jobs, 2, n_single, 3)
        text = WORDS("visits", plan=plan, now="", has_covers=False)
        assert "2 visits do 5 jobs." in text
        assert (
            f"would make {n_single} visits: joint visits save {saved}. Joining only the jobs of one day would make 3."
            in text
        )
        assert ("falls due again sooner: 1 more job." in text) == hence
        assert "once more than needed" not in text
        assert "once more than needed" in WORDS("visits", plan=plan, now="", has_covers=True)

    def test_visits_with_more_jobs_than_the_forecast_say_why(self, year):
        plan, jobs = outlook.plan_of_visits(year), outlook.totals(year, ["jobs"])["jobs"]
        n, said = len(plan.jobs), partial(WORDS, "jobs_apart", plan=plan, past=None)
        assert said(jobs=replace(jobs, value=n / 1.04)) == ""
        assert "fewer jobs" in (text := said(jobs=replace(jobs, value=n / 1.2)))
        assert "past years" not in text
        assert "past years" in said(jobs=replace(jobs, value=n / 1.2), past=object())

    @pytest.mark.parametrize("n, text", [(0, "order none"), (3, "3 × 1 L")])
    def test_packs_in_words(self, n, text):
        order = {"order_packs": n, "unit": "L", "pack": 1.0}
        assert plain(WORDS("order_order", **order)) == text

    def test_one_of_a_thing(self):
        assert WORDS("order_order", order_packs=1, unit="", pack=1.0) == "1"
        assert WORDS("order_odds", chance=0.04) == "less than 1 chance in 10"
        assert about(1.0, 1.0, 1.0, lambda n: plural(n, "job")) == "1 job"
        assert about(2.2, 1.0, 4.0, lambda n: plural(n, "job")) == "about 2 jobs (1 to 4)"

    def test_a_site_of_few_vehicles_is_not_told_but_an_only_one_is(self, year):
        assert outlook.by_site(year)["hours"].notna().all()
        rows = year.ahead.rows.assign(
            site=np.where(year.ahead.rows["vehicle"].eq("V0"), "south", "north")
        )
        sites = outlook.by_site(replace(year, ahead=replace(year.ahead, rows=rows)))
        assert sites["site"].tolist() == ["north", "south"]
        assert sites["hours"].isna().all()


def visits_drawn(plan, year):
    names = {"plan": plan, "year": year, "style": style, "clean": clean, "pd": pd}
    return run("outlook", "# a row a visit", **names)["figure"]


def test_pictures_are_drawn(year):
    assert png(visits_drawn(outlook.plan_of_visits(year), year)).startswith(b"\x89PNG")
    _, axes = style.new_figure()
    axes.plot(range(12), outlook.by_month(year)["jobs"])
    style.months(axes, outlook.by_month(year)["month"], "Jobs")
    ticks = [t.get_text() for t in axes.get_xticklabels()]
    assert ticks[:2] == ["Jan\n2025", "Feb"]
    assert axes.get_ylabel() == "Jobs"
    assert axes.get_ylim()[0] == 0


def test_visits_are_drawn_with_the_most_visited_vehicle_on_top():
    jobs = pd.DataFrame({"vehicle": ["A", "B", "B"], "day": [3, 3, 40]})
    year = SimpleNamespace(as_of=pd.Timestamp("2025-01-01"), has_year=True)
    axes = visits_drawn(SimpleNamespace(jobs=jobs, n_visits=3), year).axes[0]
    assert [t.get_text() for t in axes.get_yticklabels()] == ["B", "A"]


class TestDraws:
    """What a notebook makes with pandas from the simulated years is what the library says."""

    def test_points_made_in_a_cell_are_the_estimates(self, fleet_year):
        draws = outlook.draws_of(fleet_year)
        names = ["jobs", "hours", "money", *CLASSES]
        years = draws.groupby("draw")[names].sum(min_count=1).mean()
        totals = {name: e.value for name, e in outlook.totals(fleet_year, names).items()}
        assert years.to_dict() == pytest.approx(totals, rel=1e-9)
        months = draws.groupby("month")[["jobs", "money"]].mean().reset_index()
        pd.testing.assert_frame_equal(
            months, outlook.by_month(fleet_year)[["month", "jobs", "money"]]
        )

    def test_altered_draws_alter_the_figures(self, year):
        late = outlook.draws_of(year).query("month >= '2025-07-01'")
        assert len(outlook.by_month(year, late)) == 6
        half, whole = (total(year, "jobs", d).value for d in (late, None))
        assert half == pytest.approx(outlook.by_month(year)["jobs"][6:].sum())
        assert 0 < half < whole


def one_task(task, work, n=1, **more):
    """The outlook of vehicles with one task, done as `work` says of V0."""
    work = (
        pd.DataFrame(work).assign(vehicle="V0", task="it", why="planned")
        if work
        else pd.DataFrame(columns=["vehicle", "date", "task", "why"])
    )
    return outlook.outlook_of(
        even_log(n, [{"code": "it", "action": "inspect"} | task], work=work, **more)
    )


def planned(found):
    """Days from now of V0's visits."""
    return outlook.plan_of_visits(found).jobs.query("vehicle == 'V0'")["day"].tolist()


class TestLadder:
    """30 km a day, 21,840 km on 29 Dec 2024."""

    def test_late_work_does_not_move_a_ladder(self):
        """Every 6,000 km: due at 18,000, done at about 19,000; next at 24,000, in 70 days, not at 25,000; then at 30,000."""
        found = one_task(
            {"every": {"distance": 6000}, "measured_from": "schedule"},
            {"date": ["2023-07-20", "2024-02-05", "2024-09-27"]},
        )
        assert found.ahead.rows["due_km"].item() == pytest.approx(24_000)
        assert planned(found) == pytest.approx([70, 270], abs=1)
        assert total(found, "jobs").value == pytest.approx(2, abs=0.05)

    def test_overdue_work_does_not_move_it_either(self):
        """Due at 18,000, open at 21,840: done at once, and again at 24,000."""
        found = one_task(
            {"every": {"distance": 6000}, "measured_from": "schedule"},
            {"date": ["2023-07-20", "2024-02-05"]},
        )
        assert planned(found) == pytest.approx([0, 70, 270], abs=1)
        assert total(found, "jobs").value == pytest.approx(3, abs=0.05)

    def test_dates_are_the_ladders_own(self):
        """Every three months of 1 Jan 2023: from 31 Dec 2024 on 1 Jan, 1 Apr, 1 Jul, 1 Oct."""
        dates = [
            "2023-04-01",
            "2023-07-01",
            "2023-10-05",
            "2024-01-09",
            "2024-04-01",
            "2024-07-01",
            "2024-10-20",
        ]
        found = one_task({"every": {"months": 3}, "measured_from": "schedule"}, {"date": dates})
        assert planned(found) == [1, 91, 182, 274]

    def test_months_of_work_measured_from_it_are_the_calendars(self):
        """Six months from 20 Nov: 20 May, then 20 Nov, 140 and 324 days from 31 Dec."""
        assert planned(one_task({"every": {"months": 6}}, {"date": ["2024-11-20"]})) == [140, 324]

    def test_a_test_counts_from_the_expiry_and_not_from_the_day_it_was_taken(self):
        """Valid to 19 Feb: taken on 30 Jan or that day, to 19 Aug; on 1 Mar, too late, for six months from then."""
        certificates = pd.DataFrame(
            {
                "vehicle": ["V0"],
                "kind": "roadworthiness",
                "tested": "2024-02-20",
                "valid_to": "2025-02-19",
            }
        )
        task = {
            "every": {"months": 6},
            "measured_from": "expiry",
            "tolerance": {"days": 30},
            "code": "roadworthiness",
        }
        found = outlook.outlook_of(
            even_log(
                1,
                [{"action": "test"} | task],
                work=pd.DataFrame(columns=["vehicle", "date", "task", "why"]),
                certificates=certificates,
            )
        )
        due, early = found.ahead.points(
            np.array([0, 0, 0]), np.array([[0.0] * 3, [0.0] * 3, [30.0, 50.0, 60.0]])
        )
        assert (found.as_of + pd.to_timedelta(due[2], unit="D")).strftime("%Y-%m-%d").tolist() == [
            "2025-08-19",
            "2025-08-19",
            "2025-08-28",
        ]
        assert (due[2] - early[2]).tolist() == [30, 30, 30]

    def test_work_before_its_window_begins_the_ladder_anew(self):
        found = one_task(
            {"every": {"distance": 6000}, "measured_from": "schedule", "tolerance": 0.1},
            {"date": ["2023-07-20", "2024-02-05"]},
        )
        due, early = found.ahead.points(
            np.array([0, 0, 0]), np.array([[17_000.0, 17_400.0, 23_500.0], [0.0] * 3, [0.0] * 3])
        )
        assert due[0].tolist() == [23_000, 24_000, 30_000]
        assert early[0].tolist() == [22_400, 23_400, 29_400]


class TestHoursMeter:
    def log(self, done):
        days = pd.date_range("2023-01-01", "2024-12-31", freq="7D")
        odometer = pd.DataFrame(
            {"vehicle": "P", "date": days, "hours": 2.0 * 7 * np.arange(len(days))}
        )
        vehicles = pd.DataFrame(
            {"vehicle": ["P"], "kind": "plant", "in_service": "2023-01-01", "meter": "hours"}
        )
        work = pd.DataFrame({"vehicle": "P", "date": done, "task": "teeth", "why": "planned"})
        tasks = [{"code": "teeth", "action": "inspect", "every": {"hours": 500}}]
        return log_of(
            {"vehicles": vehicles, "odometer": odometer, "work": work},
            HEADER,
            plan_of({"p": {"applies_to": ["plant"], "task": tasks}}, "km"),
        )

    def test_overdue_by_hours_is_past_its_due_point(self):
        """2 h a day, 1,456 h on 31 Dec 2024; done at 728 h, due at 1,228 h, 114 days before."""
        found = outlook.outlook_of(self.log(["2024-01-01"]))
        plan = outlook.plan_of_visits(found)
        assert plan.jobs["is_past"].tolist() == [True, False]
        assert plan.jobs["day"].tolist() == [0, 250]
        assert outlook.next_work(found)["due_date"].item() == pytest.approx(
            pd.Timestamp("2024-09-07"), abs=pd.Timedelta(days=2)
        )
        assert total(found, "jobs").value == pytest.approx(2, abs=0.05)

    def test_hours_still_to_go_are_foreseen_at_their_pace(self):
        found = outlook.outlook_of(self.log(["2024-11-04"]))
        assert (outlook.next_work(found)["due_date"].item() - found.as_of).days == pytest.approx(
            193, abs=2
        )


class TestLaidUp:
    def log(self, to):
        stays = pd.DataFrame(
            {"vehicle": ["V0"], "from": ["2024-11-15"], "to": [to], "reason": "accident"}
        )
        work = pd.DataFrame(
            {"vehicle": ["V0"], "date": ["2024-10-20"], "task": ["it"], "why": ["planned"]}
        )
        tasks = [{"code": "it", "action": "inspect", "every": {"days": 60}}]
        return even_log(2, tasks, work=work, layups=stays)

    def found(self, to):
        return outlook.outlook_of(self.log(to))

    def first(self, to):
        log = self.log(to)
        return on_actions.told(outlook.visits_ahead(actions(log, days=ALL_DAYS), log), SHOW)

    def test_no_visit_while_the_lay_up_has_no_end(self):
        found = self.found(None)
        assert planned(found) == []
        assert outlook.plan_of_visits(found).jobs["vehicle"].unique().tolist() == ["V1"]
        log, first = self.log(None), self.first(None)
        assert first[["vehicle", "item", "waits"]].to_numpy().tolist() == [
            ["V0", "it", True],
            ["V1", "it", False],
        ]
        assert "V0 (It). Do what is due before its next use" in wording.waiting_said(first, log)
        assert found.simulated.by_row[:, found.ahead.rows["vehicle"].eq("V0")].sum() == 0

    def test_what_falls_due_within_it_is_done_before_the_next_use(self):
        found = self.found("2025-01-20")
        assert planned(found)[0] == 20
        first = self.first("2025-01-20")
        assert [(d - found.as_of).days for d in first["day"]] == [0, 20]
        assert not first["waits"].any()
        assert wording.waiting_said(first, self.log("2025-01-20")) == ""


class TestBlankAndNone:
    TASKS = (
        {"code": "a", "action": "inspect", "every": {"months": 3}},
        {"code": "b", "action": "inspect", "every": {"months": 3}},
    )

    def year(self, hours, tasks=None):
        rows = [
            {"vehicle": "V0", "date": d, "task": "a", "why": "planned", "labour_hours": h}
            for d, h in hours.items()
        ]
        return outlook.outlook_of(even_log(1, tasks or list(self.TASKS), work=pd.DataFrame(rows)))

    def test_one_row_with_hours_tells_and_like_tasks_follow_it(self):
        each = outlook.by_task(self.year({"2024-11-01": 2.0})).set_index("task")["each_hours"]
        assert each.to_dict() == {"a": 2, "b": 2}

    def test_old_rows_tell_before_the_plan_does(self):
        year = self.year(
            {"2023-01-01": 3.0, "2024-11-01": None}, [t | {"hours": 1.0} for t in self.TASKS]
        )
        assert outlook.by_task(year).set_index("task")["each_hours"].to_dict() == {"a": 3, "b": 1}

    def test_nought_is_none_and_blank_is_not_known(self):
        none, blank = self.year({"2024-11-01": 0.0}), self.year({"2024-11-01": None})
        assert total(none, "hours").high == 0
        e = total(blank, "hours")
        assert np.isnan([e.value, e.low, e.high]).all()
        assert outlook.by_month(blank)["hours"].isna().all()
        assert blank.simulated.unknown["hours"] == pytest.approx(total(blank, "jobs").value)
        for name in ("money", "planned"):
            assert np.isnan(total(blank, name).value)
        told = outlook.totals(blank, ["jobs", "hours", "money"])
        text, _ = wording.answer(blank, told, outlook.plan_of_visits(blank), SHOW)
        assert "Not shown: hours and money. The log does not hold any." in text
        assert "Labour" not in text
        assert "hours have no forecast" in WORDS(
            "hours", year=blank, sites=outlook.by_site(blank), hours=e
        )

    def test_hours_that_came_are_not_known_where_none_is_on_record(self):
        log = even_log(1)
        got = actual_year(log, (), pd.Timestamp("2023-12-31"), ["V0"])
        assert np.isnan(got["hours"]).all()


class TestNothingToGoBy:
    """Not known is not nought."""

    def log(self, **more):
        whole = even_log(1)
        return log_of(
            {"vehicles": whole.tables["vehicles"], "odometer": whole.tables["odometer"]} | more,
            HEADER | {"first_day": "2022-12-01"},
        )

    def told(self, log):
        year = outlook.outlook_of(log)
        totals = outlook.totals(year, ["jobs", "hours", "money"])
        return (
            year,
            totals,
            wording.answer(year, totals, outlook.plan_of_visits(year), SHOW)[0],
        )

    def test_without_plan_and_work_no_figure_is_told(self):
        log = self.log()
        year, totals, text = self.told(log)
        assert np.isnan([e.value for e in totals.values()]).all()
        assert outlook.by_month(year)[["jobs", "hours", "money"]].isna().all(axis=None)
        assert "so jobs and visits have no forecast" in text
        assert "By past wear" not in text
        assert "due work has no forecast" in wording.work_said(year, outlook.by_month(year), SHOW)
        assert "hours have no forecast" in WORDS(
            "hours", year=year, sites=outlook.by_site(year), hours=totals["hours"]
        )
        assert "hold no prices" in WORDS("money", year=year, money=totals["money"])
        past = outlook.last_year(log, None, backtest.Replay(log))
        assert past.totals[["forecast", "actual"]].isna().all(axis=None)
        assert wording.last_year_table(past).empty

    def test_work_alone_tells_of_money_and_not_of_jobs(self):
        work = pd.DataFrame(
            {
                "vehicle": "V0",
                "date": pd.date_range("2023-02-01", "2024-12-01", freq="MS"),
                "task": "repair",
            }
        )
        log = self.log(work=work.assign(why="defect", labour_cost=50.0, labour_hours=1.0))
        _, totals, text = self.told(log)
        assert np.isnan(totals["jobs"].value)
        assert "so jobs and visits have no forecast" in text
        assert "the twelve months from 1 Jan 2025 need about GBP" in text
        assert "of labour" in text
        past = outlook.last_year(log, None, backtest.Replay(log))
        assert not past.is_known("jobs")
        said = WORDS("a_year_ago", past=past)
        assert "of workshop money. The actual was GBP 600, inside the range." in said
        assert "job" not in said + WORDS("last_year", past=past)

    def test_nothing_foreseen_and_nothing_come_is_not_boasted_of(self):
        past = outlook.last_year(self.log(), None, backtest.Replay(self.log()))
        totals = past.totals.assign(
            forecast=0.0, low=0.0, high=0.0, actual=0.0, is_inside=True, is_known=True
        )
        nothing = replace(past, totals=totals)
        assert "any work to compare" in WORDS("last_year", past=nothing)
        assert WORDS("a_year_ago", past=nothing) == ""
        more = replace(
            past, totals=totals.assign(actual=3.0, is_inside=False), months=past.months.fillna(0.0)
        )
        said = WORDS("a_year_ago", past=more)
        assert "the forecast was no jobs. The actual was 3, above the range." in said


class TestOneItemInTwoPacks:
    def order(self, *kinds):
        """The order of two vehicles, each with a plan of its own, whose oil comes in cans of one and of five litres."""
        vehicles = pd.DataFrame(
            {
                "vehicle": ["V0", "V1"],
                "kind": kinds,
                "plan": ["small", "large"],
                "in_service": "2023-01-01",
                "meter": "none",
            }
        )
        work = pd.DataFrame(
            {"vehicle": ["V0", "V1"], "date": "2024-11-01", "task": "oil", "why": "planned"}
        )
        task = TASKS[0] | {"covers": [], "every": {"months": 6}}
        plans = {
            name: {"task": [task | {"parts": [OIL | {"pack": pack}]}]}
            for name, pack in (("small", 1.0), ("large", 5.0))
        }
        log = log_of({"vehicles": vehicles, "work": work}, HEADER, plan_of(plans, "km"))
        found = outlook.outlook_of(log)
        return (
            order_list(log, found.ahead, found.sets, found.simulated, found.prices)
            .set_index("pack")["for_what"]
            .to_dict()
        )

    def test_its_rows_are_told_apart_by_kind_else_by_plan(self, year):
        assert self.order("motorcycle", "car") == {1.0: "Oil (motorcycle)", 5.0: "Oil (car)"}
        assert self.order("van", "van") == {1.0: "Oil (small)", 5.0: "Oil (large)"}
        assert order_list(even_log(), year.ahead, year.sets, year.simulated, year.prices)[
            "for_what"
        ].tolist() == ["Oil"]


class TestItemsOwnPrice:
    def test_an_item_is_priced_by_its_own_else_by_its_kind(self):
        prices = Prices(
            pd.DataFrame(),
            pieces(**{"front one": 110, "rear one": 155, "": 140}),
            pd.DataFrame(),
            frozenset(),
        )
        items = ["front one", "rear one", "new one"]
        rows = pd.DataFrame({"kind": "van", "category": "tyre", "item": items})
        assert prices.of_pieces(rows)["price"].tolist() == [110, 155, 140]

    def test_the_log_tells_it_however_long_ago_and_a_moved_part_was_not_bought(self):
        fitted = pd.DataFrame(
            [
                {
                    "vehicle": "V0",
                    "position": "front-left",
                    "category": "tyre",
                    "item": "A",
                    "part": "1",
                    "fitted": "2023-01-01",
                    "price": 100,
                },
                {
                    "vehicle": "V0",
                    "position": "rear-left",
                    "category": "tyre",
                    "item": "A",
                    "part": "1",
                    "fitted": "2024-06-05",
                    "price": 0,
                },
                {
                    "vehicle": "V0",
                    "position": "front-left",
                    "category": "tyre",
                    "item": "B",
                    "part": "2",
                    "fitted": "2024-06-05",
                    "price": 70,
                },
            ]
        )
        fitted["removed"] = ["2024-06-05", None, None]
        log = even_log(1, fitted=fitted)
        log = replace(log, as_of=pd.Timestamp("2024-12-31"))
        found = prices_of(log, ("tyre",)).pieces["price"].loc["van", "tyre"]
        assert found.to_dict() == {"A": 100, "B": 70, "": 70}


class TestMonths:
    @pytest.mark.parametrize(
        "as_of, starts",
        [
            ("2026-06-30", ["2026-07-01", "2026-08-01", "2026-09-01", "2026-10-01"]),
            ("2026-02-28", ["2026-03-01", "2026-04-01", "2026-05-01", "2026-06-01"]),
            ("2026-01-30", ["2026-01-31", "2026-02-28", "2026-03-31", "2026-04-30"]),
            ("2026-05-20", ["2026-05-21", "2026-06-21", "2026-07-21", "2026-08-21"]),
        ],
    )
    def test_they_run_from_the_day_after_without_drift(self, as_of, starts):
        edges, found = month_edges(pd.Timestamp(as_of))
        assert found[:4].strftime("%Y-%m-%d").tolist() == starts
        assert edges[1] == (pd.Timestamp(starts[1]) - pd.Timestamp(starts[0])).days
        assert (len(edges), edges[-1]) == (13, 365)


class TestBands:
    def test_a_mean_lies_in_its_band_and_ends_are_whole(self):
        def band(draws):
            return _bands(pd.DataFrame({0: draws}), SimpleNamespace(confidence=0.9)).loc[0].tolist()

        assert band(np.where(np.arange(400) < 16, 100.0, 0.0)) == [4, 0, 100]
        assert band(np.repeat([1, 2, 3], [190, 190, 20])) == [1.575, 1, 3]
        assert band(np.where(np.arange(400) < 20, 3, 2)) == [2.05, 2, 3]
        assert band(np.full(9, 0.1)) == [pytest.approx(0.1)] * 3

    def test_intervals_are_rounded_outwards(self):
        def said(value, low, high):
            return about(value, low, high, lambda n: f"{n:,.0f} hours")

        assert said(620.0, 246.2, 1069.3) == "about 600 hours (200 to 1,100)"
        assert said(620.0, 586.2, 669.3) == "about 620 hours (580 to 670)"
        assert said(1.2, 0.5, 1.5) == "about 1 hours (0 to 2)"
        assert said(0.2, 0.0, 1.5) == "at most 2 hours"
        assert [WORDS("total", x=x, what="hours") for x in (0.5, 1.5, 2.0, 123.4)] == [
            "0.5",
            "1.5",
            "2",
            "123",
        ]


def test_visit_jobs_follow_the_median_path():
    """A limit by distance falls due on the day on which the median path reaches it."""
    found = outlook.outlook_of(even_log())
    jobs = visit_jobs(found, found.ahead.rows["vehicle"])
    rows = jobs.rows
    oil = rows.index[rows["task"].eq("oil")][0]
    assert jobs.due[oil, 0] == pytest.approx(140, abs=2)
    assert (jobs.due[oil, 1:] - jobs.days)[:5] == pytest.approx([200] * 5, abs=2)
    fluid = rows.index[rows["task"].eq("fluid")][0]
    assert jobs.due[fluid, 0] == 305
    assert jobs.early[fluid, 0] == 305 - 36


def test_damage_is_that_of_the_kind_not_of_all_tyres(fleet):
    sets = sets_of(fleet)
    rows = (
        sets.rows.assign(rate=1000 * sets.rows["damage_per_km"])
        .query("category == 'tyre'")
        .groupby("kind")["rate"]
        .first()
    )
    # made with 0.010 a 1,000 km for motorcycles and 0.0022 for vans, each times one and four times its loose share
    assert rows["motorcycle"] > 2.5 * rows["van"]
    assert 0.0015 < rows["van"] < 0.008
