"""The age at which a vehicle costs least a year, by hand and against a known truth."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from wearbar.cost.account import account, value_points
from wearbar.cost.ageing import (
    cost_by_kind,
    observed_periods,
    repair_trend,
    repair_visits,
)
from wearbar.cost.keeping import cheapest_age, cheapest_ages
from wearbar.log import log_of, read_log
from wearbar.log.places import place
from wearbar.report.quantities import Show, plain
from wearbar.report.words.cost import keeping as keeping_said
from wearbar.report.words.cost import words_in
from wearbar.stats.recurrence import mean_cumulative

HEADER = {
    "distance": "km",
    "currency": "GBP",
    "money": "net",
    "first_day": "2020-01-01",
    "as_of": "2025-12-31",
}
WORDS = words_in(Show())


def ends_of(curve):
    """A van's curve as the notebook hands it on."""
    return {"kind": "van", "first": curve.iloc[0], "last": curve.iloc[-1], **curve.attrs}


def fleet(born, work, readings=None, **tables):
    """A log of vans A, B ... in km from 2020 to 2025; `born`: in_service of each; `work`: (vehicle, date, why, labour, paid_by)."""
    names = [chr(65 + i) for i in range(len(born))]
    days = (
        readings
        or pd.date_range("2020-01-01", "2025-12-31", freq="30D").strftime("%Y-%m-%d").tolist()
    )
    readings = {name: [d for d in days if d >= b] for name, b in zip(names, born, strict=True)}
    long = [(v, d, 1000 * i) for v, some in readings.items() for i, d in enumerate(some, 1)]
    acquired = [max(b, "2020-01-01") for b in born]
    frames = {
        "vehicles": {
            "vehicle": names,
            "kind": "van",
            "in_service": born,
            "acquired": acquired,
            "acquired_odometer": 0,
        },
        "odometer": pd.DataFrame(long, columns=["vehicle", "date", "odometer"]),
        "work": pd.DataFrame(
            work, columns=["vehicle", "date", "why", "labour_cost", "paid_by"]
        ).assign(task="repair"),
    }
    log = log_of({name: pd.DataFrame(f) for name, f in {**frames, **tables}.items()}, HEADER)
    book = account(log)
    return log, book, repair_visits(book, log), observed_periods(book, log)


class TestRepairs:
    def test_a_visit_is_one_event_and_planned_work_and_accidents_are_none(self):
        work = [
            ("A", "2021-01-01", "defect", 10, None),
            ("A", "2021-01-01", "defect", 30, None),
            ("A", "2022-01-01", "advice", 5, None),
            ("A", "2023-01-01", "planned", 500, None),
            ("A", "2024-01-01", "accident", 700, None),
            ("B", "2021-06-01", "defect", 900, "warranty"),
        ]
        visits = fleet(["2019-01-01", "2020-06-01"], work)[2]
        assert visits["amount"].tolist() == [40, 5, 0]
        assert visits["is_free"].tolist() == [False, False, True]
        assert visits["age_years"].tolist() == pytest.approx(
            [731 / 365.25, 1096 / 365.25, 365 / 365.25]
        )

    def test_a_vehicle_that_joined_late_is_not_at_risk_before(self):
        work = [("A", "2020-07-01", "defect", 100, None), ("B", "2022-07-01", "defect", 300, None)]
        _, _, visits, periods = fleet(["2020-01-01", "2018-01-01"], work)
        ends = cost_by_kind(visits, periods, pd.Series({"A": "van", "B": "van"}))["van"]
        assert ends["at_risk"].tolist()[1:3] == [1, 2]
        assert ends["mcf"].tolist() == pytest.approx([0, 100, 250, 250])
        assert ends["time"].iloc[-1] == pytest.approx(8.0, abs=0.01)
        assert ends.attrs == {"inside": 2, "outside": 0, "apart": 0, "apart_amount": 0}

    def test_what_came_when_only_one_vehicle_was_as_old_is_counted_apart(self):
        work = [
            ("A", "2020-07-01", "defect", 0, "warranty"),
            ("C", "2025-07-01", "defect", 180, None),
        ]
        _, _, visits, periods = fleet(["2020-01-01", "2020-01-01", "2018-01-01"], work)
        curve = cost_by_kind(visits, periods, pd.Series(dict.fromkeys("ABC", "van")))["van"]
        assert curve["mcf"].tolist() == [0, 0, 0]
        assert curve.attrs == {"inside": 1, "outside": 0, "apart": 1, "apart_amount": 180}
        said = plain(WORDS("repairs_how", kinds=[ends_of(curve)]))
        assert "van: 1 visit; 1 visit more (180) at ages of too few vehicles" in said
        assert "0 to 0" not in said

    def test_the_curve_covers_the_ages_of_five_vehicles_and_has_a_range_there(self):
        """Six vans joined at ages of 0 to 5: five or more are on record from 4 to 6 years of age, and only there is a curve with limits."""
        names = [chr(65 + i) for i in range(6)]
        born = [f"{2020 - i}-01-01" for i in range(6)]
        days = [f"202{y}-{m}" for y in range(6) for m in ("02", "05", "08", "11")]
        work = [
            (v, f"{day}-1{k}", "defect", 50 + 40 * k, None)
            for k, v in enumerate(names)
            for day in days
        ]
        _, _, visits, periods = fleet(born, work)
        curve = cost_by_kind(visits, periods, pd.Series(dict.fromkeys(names, "van")))["van"]
        assert (curve["time"].iloc[0], curve["time"].iloc[-1]) == pytest.approx(
            (4.0, 7.0), abs=0.02
        )
        assert curve["high"].iloc[1:].notna().all()
        assert curve.attrs["apart"] > 0

    def test_visits_in_a_hole_of_the_record_are_told_apart(self):
        days = [
            *pd.date_range("2020-01-01", "2021-01-01", freq="20D"),
            *pd.date_range("2022-01-01", "2025-12-31", freq="20D"),
        ]
        days = [f"{d:%Y-%m-%d}" for d in days]
        _, _, visits, periods = fleet(
            ["2020-01-01"], [("A", "2021-07-01", "defect", 100, None)], days
        )
        curve = cost_by_kind(visits, periods, pd.Series({"A": "van"}))["van"]
        assert curve.attrs["outside"] == 1
        assert "1 visit in a gap of the record" in WORDS("repairs_how", kinds=[ends_of(curve)])
        found = repair_trend(visits, periods)
        assert (found.n, found.apart) == (0, 1)
        assert "1 visit to vehicles with a gap in their record is left out" in WORDS(
            "trend", found=found
        )

    def test_a_vehicle_without_distance_beside_one_with(self):
        kept = {
            "vehicle": ["A", "T"],
            "kind": ["van", "trailer"],
            "in_service": "2020-01-01",
            "meter": ["distance", "none"],
        }
        read = {
            "vehicle": "A",
            "date": ["2020-01-01", "2021-01-01", "2022-01-01"],
            "odometer": [0, 1000, 2000],
        }
        log = log_of({"vehicles": pd.DataFrame(kept), "odometer": pd.DataFrame(read)}, HEADER)
        periods = observed_periods(account(log), log).set_index("vehicle")
        assert periods["from_years"].tolist() == [0, 0]
        assert periods["to_years"].gt(1).all()

    def test_a_hole_in_the_record_leaves_those_at_risk_unless_it_was_laid_up(self):
        days = [
            *pd.date_range("2020-01-01", "2021-01-01", freq="20D"),
            *pd.date_range("2022-01-01", "2025-12-31", freq="20D"),
        ]
        days = [f"{d:%Y-%m-%d}" for d in days]
        work = [("A", "2023-07-01", "defect", 100, None)]
        periods = fleet(["2020-01-01"], work, days)[3]
        assert len(periods) == 2
        assert periods["to_years"].iloc[0] < 1.1
        assert periods["from_years"].iloc[1] == pytest.approx(2.0, abs=0.01)
        stand = {
            "vehicle": ["A"],
            "from": ["2021-01-02"],
            "to": ["2021-12-30"],
            "reason": ["season"],
        }
        assert len(fleet(["2020-01-01"], work, days, layups=stand)[3]) == 1

    def test_more_often_with_age(self):
        rng = np.random.default_rng(3)
        names = [chr(65 + i) for i in range(12)]
        late = pd.Timestamp("2020-01-01") + pd.to_timedelta(
            2190 * np.sqrt(rng.uniform(size=96)), "D"
        )
        work = [(names[i % 12], f"{d:%Y-%m-%d}", "defect", 50, None) for i, d in enumerate(late)]
        found = repair_trend(*fleet(["2020-01-01"] * 12, work)[2:])
        assert found.test.z > 2
        assert found.n == 96
        assert found.per_year == pytest.approx(96 / 72, rel=0.02)


class TestCheapestAge:
    def make(self, fall, yearly, n=8, settled=0):
        """Vans bought new at 10,000; value falls by `fall` a year; work in year k costs yearly(k), in its middle."""
        names = [chr(65 + i) for i in range(n)]
        work = [
            (v, f"{2020 + k}-07-01", "planned", yearly(k), None) for v in names for k in range(6)
        ]
        worth = [
            (v, f"{2021 + k}-01-01", 10000 * (1 - fall) ** (k + 1)) for v in names for k in range(5)
        ]
        values = pd.DataFrame(worth, columns=["vehicle", "date", "value"])
        log, book, _, periods = fleet(["2020-01-01"] * n, work, valuations=values)
        vehicles = log.tables["vehicles"].assign(price=10000.0)
        log = log_of({**log.tables, "vehicles": vehicles}, HEADER)
        born = vehicles.set_index("vehicle")["in_service"]
        points = value_points(log)
        paid = pd.DataFrame(
            {
                "vehicle": names,
                "date": pd.Timestamp("2025-12-30"),
                "value": settled,
                "basis": "settlement",
            }
        )
        points = pd.concat([points, paid.astype({"value": float})]) if settled else points
        return cheapest_age("van", book.lines, periods, points, born)

    def test_agrees_with_the_annual_cost_of_the_same_figures(self):
        kept = self.make(0.25, lambda k: 200 + 900 * k)
        at = kept.curve.set_index("age_years")["cost_per_year"]
        value, operating = 10000 * 0.75 ** np.arange(1, 6), 200 + 900 * np.arange(5)
        by_hand = (10000 - value + np.cumsum(operating)) / np.arange(1, 6)
        np.testing.assert_allclose(at[[1.0, 2.0, 3.0, 4.0, 5.0]], by_hand, rtol=2e-3)
        assert kept.fall == pytest.approx(0.25, abs=1e-3)
        assert kept.best.value == pytest.approx(1 + np.argmin(by_hand), abs=0.8)
        assert kept.near[0] <= kept.best.value <= kept.near[1]

    def test_a_settlement_is_no_market_value(self):
        assert (
            self.make(0.25, lambda k: 100, settled=9000).fall == self.make(0.25, lambda k: 100).fall
        )

    def test_a_cost_that_still_falls_has_no_cheapest_age(self):
        kept = self.make(0.4, lambda k: 100)
        assert np.isnan(kept.best.value)
        assert not kept.is_clear
        assert "still falling" in kept.best.note

    def test_no_limits_are_shown_since_they_hold_too_seldom(self):
        kept = self.make(0.25, lambda k: 100)
        assert np.isnan(kept.best.low)
        assert list(kept.curve) == ["age_years", "at_risk", "cost_per_year"]

    def test_too_few_are_refused_in_words(self):
        kept = self.make(0.25, lambda k: 100, n=2)
        assert "cost_per_year" not in kept.curve
        assert "needs 3 vehicles" in kept.best.note

    @pytest.mark.parametrize("n", [1, 3])
    @pytest.mark.parametrize("begun", ["2026-02-01", "2027-02-01"])
    def test_vehicles_bought_but_not_yet_in_service_are_refused_in_words(self, n, begun):
        names = list("ABC")[:n]
        vehicles = {"vehicle": names, "kind": "van", "in_service": begun, "acquired": "2025-10-01"}
        reads = {"vehicle": names, "date": "2025-12-01", "odometer": 5}
        log = {"vehicles": pd.DataFrame(vehicles), "odometer": pd.DataFrame(reads)}
        log = log_of(log, HEADER)
        book, born = account(log), log.vehicles["in_service"]
        periods = observed_periods(book, log)
        (kept,) = cheapest_ages(book.vehicles, book.lines, periods, value_points(log), born)
        assert np.isnan(kept.best.value)
        assert kept.curve.empty
        new = "fewer than 3 vehicles were on record when new"
        assert kept.best.note == (new if n == 3 else "needs 3 vehicles of a kind")

    def test_the_end_of_the_curve_is_not_said_to_be_the_oldest_age_on_record(self):
        # eight vans from new for three years, two of them on to seven: the curve ends where fewer than three are left
        names = [chr(65 + i) for i in range(8)]
        work = [(v, f"{2020 + k}-07-01", "planned", 100, None) for v in names for k in range(3)]
        worth = [(v, f"{2021 + k}-01-01", 10000 * 0.6 ** (k + 1)) for v in names for k in range(3)]
        book, periods = fleet(
            ["2020-01-01"] * 8,
            work,
            valuations=pd.DataFrame(worth, columns=["vehicle", "date", "value"]),
        )[1::2]
        periods = periods.assign(to_years=np.where(periods["vehicle"].isin(["A", "B"]), 5.9, 3.0))
        log = fleet(
            ["2020-01-01"] * 8,
            work,
            valuations=pd.DataFrame(worth, columns=["vehicle", "date", "value"]),
        )[0]
        vehicles = log.tables["vehicles"].assign(price=10000.0)
        points = value_points(log_of({**log.tables, "vehicles": vehicles}, HEADER))
        kept = cheapest_age(
            "van", book.lines, periods, points, vehicles.set_index("vehicle")["in_service"]
        )
        assert (kept.curve["age_years"].iloc[-1], kept.oldest) == (3.0, 5.9)
        text = plain(keeping_said([kept], Show()))
        assert "oldest age on record" not in text
        assert "The figures end at 3.0 years: the oldest on record is 5.9 years" in text

    def test_break_even_cost_of_a_change(self):
        kept = self.make(0.12, lambda k: 100 + 1200 * k)
        last = kept.curve.iloc[-1]
        at = kept.curve.set_index("age_years")["cost_per_year"][kept.best.value]
        assert at + kept.change / kept.best.value == pytest.approx(
            last["cost_per_year"] + kept.change / last["age_years"]
        )


@pytest.fixture(scope="module")
def demo():
    """The demo fleet's `Keeping` by kind, its repair curves, and the generator's truth by kind."""
    log = read_log(place("data", "fleet"))
    book = account(log)
    by_chance = replace(
        book, lines=book.lines[book.lines["detail"].fillna("").str.startswith("repair-")]
    )
    periods, visits = observed_periods(book, log), repair_visits(by_chance, log)
    born = log.vehicles["in_service"]
    kept = cheapest_ages(book.vehicles, book.lines, periods, value_points(log), born)
    truth = pd.read_csv(place("data", "truth", "fleet", "types.csv")).set_index("kind")
    return (
        {k.kind: k for k in kept},
        visits,
        periods,
        book.vehicles.set_index("vehicle")["kind"],
        truth,
    )


@pytest.mark.parametrize("kind", ["motorcycle", "pickup", "van"])
class TestAgainstTheTruthOfTheDemo:
    def test_fall_in_value(self, demo, kind):
        kept, *_, truth = demo
        assert kept[kind].fall == pytest.approx(1 - truth.loc[kind, "kept_share"], abs=0.02)

    @pytest.mark.parametrize("age", [2.0, 5.0, 6.5])
    def test_number_of_repairs_by_age(self, demo, kind, age):
        """The generator's repairs are a power-law process: (age / eta) ** beta of them by that age."""
        _, visits, periods, kind_of, truth = demo
        some, cars = (
            visits[visits["vehicle"].map(kind_of).eq(kind)],
            periods[periods["vehicle"].map(kind_of).eq(kind)],
        )
        times, cars = some["age_years"], cars.set_index("vehicle")
        ends, starts = cars["to_years"], cars["from_years"]
        curve = mean_cumulative(some["vehicle"], times, None, ends, starts, confidence=0.95)
        at = curve[curve["time"] <= age].iloc[-1]
        assert np.isnan(at["low"]) == (
            at["at_risk"] < 5
        )  # too few vehicles of that age for a range
        low, high = (
            (at["low"], at["high"])
            if at["low"] > 0
            else (at["mcf"] - 3 * at["se"], at["mcf"] + 3 * at["se"])
        )
        assert (
            low
            <= (age / truth.loc[kind, "repair_eta_years"]) ** truth.loc[kind, "repair_beta"]
            <= high
        )

    def test_price_as_new(self, demo, kind):
        kept, *_, truth = demo
        assert kept[kind].price == pytest.approx(truth.loc[kind, "price"], rel=0.15)
