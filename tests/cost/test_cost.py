"""Money lines, cost per distance and fuel: against hand-worked logs, identities and the tank-to-tank case."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from wearbar import usage
from wearbar.cost.account import (
    account,
    depreciation,
    depreciation_per_km,
    exposure,
    owning_per_km,
    value_points,
)
from wearbar.cost.bills import double_entries, known_shares, money_lines
from wearbar.cost.fuel import economy_by_quarter, fuel_economy, liquid, tanks
from wearbar.cost.per_distance import (
    by_site,
    by_vehicle,
    by_year,
    change_of_years,
    cost_per_km,
    differences,
    largest_bill,
    total_per_km,
)
from wearbar.log import log_of
from wearbar.log.units import l_per_100km_from_mpg
from wearbar.report.quantities import Show, plain
from wearbar.report.words import cost as wording

HEADER = {
    "distance": "km",
    "volume": "L",
    "currency": "GBP",
    "money": "net",
    "first_day": "2025-01-01",
    "as_of": "2025-12-31",
}


def made(header=HEADER, **tables):
    return log_of({name: pd.DataFrame(columns) for name, columns in tables.items()}, header)


def cars(*names, **more):
    return {
        "vehicle": list(names),
        "kind": ["van"] * len(names),
        "in_service": ["2025-01-01"] * len(names),
        **more,
    }


def drive(*names, end=10000):
    """Readings: 0 on the first day, `end` on the last."""
    n = len(names)
    return {
        "vehicle": [*names] * 2,
        "date": ["2025-01-01"] * n + ["2025-12-31"] * n,
        "odometer": [0] * n + [end] * n,
    }


def insurance(*names, amount):
    n = len(names)
    year = {"from": ["2025-01-01"] * n, "to": ["2025-12-31"] * n}
    return {"vehicle": list(names), **year, "category": ["insurance"] * n, "amount": [amount] * n}


def work(**more):
    n = max(len(v) for v in more.values())
    base = {
        "vehicle": ["A"] * n,
        "date": ["2025-03-01"] * n,
        "task": ["oil"] * n,
        "why": ["planned"] * n,
    }
    return {**base, **more}


def one_tyre(**more):
    return {
        "vehicle": ["A"],
        "position": ["front"],
        "category": ["tyre"],
        "item": ["x"],
        "fitted": ["2025-02-01"],
        **more,
    }


class TestMoneyLines:
    def test_work_adds_what_is_known_and_a_blank_is_not_none(self):
        log = made(
            vehicles=cars("A"),
            odometer=drive("A"),
            work=work(
                labour_cost=[40, None, 0, None, -30, 60],
                parts_cost=[20.5, None, 0, 12, None, None],
                other_cost=[None, 0, None, None, None, None],
                recovered=[10, None, None, None, None, None],
                tax=[5, None, None, None, None, None],
                paid_by=["us", "us", "us", None, "us", "warranty"],
            ),
        )
        lines = money_lines(log)
        assert lines["amount"].tolist()[:1] + lines["amount"].tolist()[2:] == [50.5, 0, 12, -30, 0]
        assert np.isnan(lines["amount"].iat[1])
        assert lines["is_free"].tolist() == [False] * 5 + [True]
        assert known_shares(lines)["known_share"].tolist() == [5 / 6]

    def test_every_row_is_in_once(self):
        log = made(
            vehicles=cars("A"),
            odometer=drive("A"),
            work=work(labour_cost=[1, 2]),
            fitted=one_tyre(price=[90], fitting_cost=[10]),
            fuel={
                "vehicle": ["A"],
                "date": ["2025-02-01"],
                "odometer": [900],
                "volume": [30],
                "cost": [45],
            },
            fixed_costs=insurance("A", amount=365),
        )
        lines = money_lines(log)
        assert lines.groupby("source")["amount"].sum().to_dict() == {
            "work": 3,
            "fitted": 100,
            "fuel": 45,
            "fixed_costs": 365,
        }
        assert not lines.duplicated(["source", "line"]).any()
        assert lines["category"].tolist() == [
            "servicing",
            "servicing",
            "tyres",
            "fuel",
            "insurance",
        ]

    def test_what_came_with_the_vehicle_or_was_moved_is_no_purchase(self):
        log = made(
            vehicles=cars("A"),
            odometer=drive("A"),
            fitted={
                "vehicle": ["A"] * 4,
                "position": ["front", "front", "rear", "rear"],
                "category": ["tyre"] * 4,
                "item": ["x"] * 4,
                "part": ["P1", "P2", "P2", "P3"],
                "fitted": ["2025-01-01", "2025-03-01", "2025-06-02", "2025-07-02"],
                "removed": ["2025-02-28", "2025-06-01", "2025-07-01", None],
                "reason": ["worn", "moved", "worn", None],
                "price": [None, 70, None, None],
            },
        )
        lines = money_lines(log)
        assert lines["amount"].tolist()[0] == 70
        assert lines["line"].tolist() == [3, 5]

    def test_parts_of_a_repair_share_its_reason(self):
        log = made(
            vehicles=cars("A"),
            odometer=drive("A"),
            work=work(
                visit=["1", "1", "2"], why=["defect", "defect", "planned"], labour_cost=[5, 5, 5]
            ),
            fitted={
                "vehicle": ["A", "A"],
                "position": ["engine", "front"],
                "category": ["battery", "tyre"],
                "item": ["x", "y"],
                "fitted": ["2025-03-01"] * 2,
                "visit": ["1", "2"],
                "price": [80, 60],
            },
        )
        assert money_lines(log).query("source == 'fitted'")["why"].tolist() == ["defect", "planned"]


class TestAccount:
    def test_fixed_costs_are_spread_by_day_and_cut_to_the_vehicles_days(self):
        log = made(
            vehicles={
                **cars(
                    "A",
                    "B",
                    acquired=["2025-01-01", "2025-07-01"],
                    acquired_odometer=[0, 100],
                    disposed=["2025-03-31", None],
                ),
                "in_service": ["2024-01-01", "2024-01-01"],
            },
            odometer={
                "vehicle": ["A", "A", "B", "B"],
                "date": ["2025-01-01", "2025-03-31", "2025-07-01", "2025-12-31"],
                "odometer": [0, 900, 100, 1100],
            },
            fixed_costs={
                "vehicle": ["A", "B"],
                "from": ["2024-07-01", "2025-01-01"],
                "to": ["2025-06-30", "2026-06-30"],
                "category": ["insurance"] * 2,
                "amount": [365, 546],
            },
        )
        book = account(log)
        sums = book.lines.groupby("vehicle")["amount"].sum()
        assert sums["A"] == pytest.approx(90)
        assert sums["B"] == pytest.approx(184)
        assert len(book.lines) == 3 + 6
        assert book.vehicles["days"].tolist() == [90, 184]

    def test_two_halves_make_the_whole(self):
        log = made(
            vehicles={
                **cars("A", price=[9000], in_service_odometer=[None]),
                "in_service": ["2024-06-01"],
                "acquired": ["2024-06-02"],
            },
            odometer={
                "vehicle": ["A"] * 4,
                "date": ["2024-12-31", "2025-04-11", "2025-09-03", "2025-12-31"],
                "odometer": [0, 3000, 7000, 10000],
            },
            work=work(date=["2025-02-02", "2025-06-30", "2025-07-01"], labour_cost=[10, 20, 40]),
            fixed_costs={
                "vehicle": ["A"],
                "from": ["2024-11-01"],
                "to": ["2026-01-31"],
                "category": ["storage"],
                "amount": [457],
            },
            valuations={"vehicle": ["A"], "date": ["2026-01-10"], "value": [8000]},
        )
        whole = account(log)
        halves = [
            account(replace(log, as_of=pd.Timestamp("2025-06-30"))),
            account(replace(log, first_day=pd.Timestamp("2025-07-01"))),
        ]
        assert whole.lines["amount"].sum() == pytest.approx(
            sum(h.lines["amount"].sum() for h in halves)
        )
        assert (
            whole.vehicles["distance_km"].sum()
            == pytest.approx(sum(h.vehicles["distance_km"].sum() for h in halves))
            == 10000
        )
        assert whole.quarters["distance_km"].sum() == pytest.approx(10000)
        assert whole.quarters["quarter"].astype(str).tolist() == [
            "2025Q1",
            "2025Q2",
            "2025Q3",
            "2025Q4",
        ]
        assert whole.lines["amount"].sum() == pytest.approx(70 + 365)

    def test_money_on_days_without_a_known_distance_is_kept_apart(self):
        log = made(
            vehicles=cars("A", in_service_odometer=[None], acquired=["2025-01-02"]),
            odometer={
                "vehicle": ["A", "A"],
                "date": ["2025-02-01", "2025-11-30"],
                "odometer": [500, 9500],
            },
            work=work(date=["2025-01-15", "2025-06-01", "2025-12-15"], labour_cost=[7, 100, 11]),
        )
        book = account(log)
        assert book.lines["with_distance"].tolist() == [False, True, False]
        row = cost_per_km(book).iloc[0]
        assert row["cost_per_km"] == pytest.approx(100 / 9000)
        assert row["cost_per_day"] == pytest.approx(118 / 364)

    def test_work_before_a_vehicle_was_acquired_is_not_ours(self):
        log = made(
            vehicles=cars(
                "A", in_service=["2020-01-01"], acquired=["2025-02-01"], acquired_odometer=[50000]
            ),
            odometer={"vehicle": ["A"], "date": ["2025-12-31"], "odometer": [60000]},
            work=work(date=["2025-01-15", "2025-06-01"], labour_cost=[500, 100]),
        )
        book = account(log)
        assert book.lines["amount"].tolist() == [100]

    def test_exposure_telescopes(self):
        path = usage.log_path(made(vehicles=cars("A"), odometer=drive("A")))
        start, end = (
            pd.to_datetime(["2025-01-01", "2025-05-06", "2025-01-01"]),
            pd.to_datetime(["2025-05-05", "2025-12-31", "2025-12-31"]),
        )
        spans = exposure(path, ["A", "A", "A"], start, end)
        assert spans["distance_km"][:2].sum() == pytest.approx(spans["distance_km"][2]) == 10000


class TestCostPerKm:
    @pytest.fixture
    def book(self):
        names = ["A", "B", "C", "D"]
        log = made(
            vehicles={
                **cars(*names),
                "kind": ["van", "van", "van", "car"],
                "site": ["north", "north", "south", None],
            },
            odometer={**drive(*names), "odometer": [0] * 4 + [10000, 20000, 5000, 1000]},
            work={
                "vehicle": ["A", "B", "C", "D", "B"],
                "date": ["2025-03-01", "2025-04-01", "2025-05-01", "2025-06-01", "2025-10-01"],
                "task": ["oil"] * 5,
                "why": ["planned", "planned", "defect", "planned", "defect"],
                "labour_cost": [100, 150, 200, 50, 500],
            },
            fixed_costs=insurance(*names, amount=400),
        )
        return account(log)

    def test_what_nobody_wrote_down_is_not_free(self):
        log = made(
            vehicles=cars("A", "B"),
            odometer=drive("A", "B"),
            work=work(vehicle=["A", "B"], labour_cost=[None, 30]),
        )
        found = cost_per_km(account(log), "vehicle").set_index("vehicle")
        assert np.isnan(found.at["A", "amount"])
        assert np.isnan(found.at["A", "cost_per_day"])
        assert found.at["B", "amount"] == 30

    def test_total_reconciles(self, book):
        total = total_per_km(book)
        assert total.value == pytest.approx((1000 + 1600) / 36000)
        assert np.isnan(total.low)  # ten bills are too few for a range
        assert "30 rows with money" in total.note
        assert total.n == 4
        for by in ("category", "is_fixed", "kind", "site", "vehicle"):
            rows = cost_per_km(book, by)
            assert rows["amount"].sum() == pytest.approx(2600)
            assert rows["share"].sum() == pytest.approx(1)
        assert cost_per_km(book, "category")["cost_per_km"].sum() == pytest.approx(total.value)
        fixed = cost_per_km(book, "is_fixed").set_index("is_fixed")["cost_per_day"]
        assert fixed.to_dict() == pytest.approx({True: 1600 / 1460, False: 1000 / 1460})

    def test_groups(self, book):
        kinds = cost_per_km(book, "kind").set_index("kind")
        assert kinds.loc["van", "cost_per_km"] == pytest.approx(2150 / 35000)
        assert np.isnan(kinds.loc["van", "low"])  # nine bills are too few for a range
        assert kinds.loc["car", "n"] == 1
        sites = cost_per_km(book, "site").set_index("site")
        assert set(sites.index) == {"north", "south", "not known"}
        assert sites.loc["north", "cost_per_km"] == pytest.approx(1550 / 30000)

    def test_one_vehicle_has_no_range(self, book):
        """Its quarters are not independent: 90% limits from them hold 68 to 82 times in 100."""
        rows = cost_per_km(book, "vehicle").set_index("vehicle")
        assert rows["low"].isna().all()
        assert rows["cost_per_km"].notna().all()
        assert rows["n"].tolist() == [1] * 4

    def test_too_little_money_told_is_refused(self, book):
        lines = book.lines.copy()
        lines.loc[lines["category"].eq("servicing"), "amount"] = np.nan
        poor = account_with(book, lines)
        assert np.isnan(total_per_km(poor).value)
        assert "money" in total_per_km(poor).note
        kinds = cost_per_km(poor, "category").set_index("category")
        assert np.isnan(kinds.loc["servicing", "cost_per_km"])
        assert kinds.loc["insurance", "cost_per_km"] > 0

    def test_the_largest_bill(self, book):
        bill = largest_bill(book)
        assert (bill["vehicle"], bill["amount"]) == ("B", 500)
        assert bill["share"] == pytest.approx(500 / 2600)

    def test_a_site_of_two_is_not_told(self, book):
        sites = by_site(book).set_index("site")
        assert sites["vehicles"].to_dict() == {"north": 2, "south": 1, "not known": 1}
        assert sites[["cost_per_km", "amount", "cost_per_day"]].isna().all(axis=None)

    def test_dear_vehicles_are_drawn_to_their_kind(self, book):
        rows = by_vehicle(book).set_index("vehicle")
        vans = rows[rows["kind"].eq("van")]
        assert vans["drawn_per_km"].max() < vans["cost_per_km"].max()
        assert vans["drawn_per_km"].min() > vans["cost_per_km"].min()
        assert rows.loc["A", "km_per_year"] == pytest.approx(10000 / 365 * 365.25)

    def test_by_year_the_whole_year_is_the_total(self, book):
        year = by_year(book).iloc[0]
        assert year["cost_per_km"] == pytest.approx(total_per_km(book).value)
        assert (year["year"], year["n"], year["is_whole"]) == (2025, 4, True)

    def test_an_empty_log_has_words(self):
        book = account(made(vehicles=cars("A"), odometer=drive("A")))
        assert total_per_km(book).note == "the log holds no money"
        assert largest_bill(book) is None
        none = account(made(vehicles=cars("A", meter=["none"]), work=work(labour_cost=[5])))
        assert total_per_km(none).note == "no vehicle has a distance meter"
        assert cost_per_km(none)["cost_per_day"].iat[0] == pytest.approx(5 / 365)


def account_with(book, lines):
    return replace(book, lines=lines)


class TestWorth:
    def log(self, **more):
        return made(
            vehicles=cars(
                "A",
                "B",
                price=[10000, 8000],
                disposed=[None, "2025-12-31"],
                disposed_value=[None, 5000],
                **more,
            ),
            odometer=drive("A", "B"),
            valuations={
                "vehicle": ["A", "A", "A"],
                "date": ["2025-07-02", "2025-07-02", "2025-12-31"],
                "value": [9000, 8500, 8400],
                "basis": ["retail", "trade", "trade"],
            },
        )

    def test_points_take_one_basis(self):
        points = value_points(self.log())
        assert points["value"].tolist() == [10000, 8500, 8400, 8000, 5000]
        assert points["basis"].tolist() == ["price", "valuation", "valuation", "price", "received"]

    def test_a_settlement_is_named(self):
        assert (
            value_points(self.log(disposal=[None, "written-off"]))["basis"].iat[-1] == "settlement"
        )

    def test_fall_from_point_to_point(self):
        log = self.log()
        assert depreciation(log)["amount"].tolist() == [1500, 100, 3000]
        book = account(log)
        assert book.worth["amount"].sum() == pytest.approx(4600)
        assert "depreciation" not in set(book.lines["category"])
        assert depreciation_per_km(book).value == pytest.approx(4600 / (20000 * 364 / 365))

    def test_the_fall_of_one_vehicle_is_added_to_its_own_spending_alone(self):
        """A, second by name, drove 10,000 km, lost 3,000 and cost 1,000; B spent 9,000 and its fall is not known."""
        log = made(
            vehicles=cars("Z", "B", "A", price=[5000, 8000, 10000]),
            odometer=drive("Z", "B", "A"),
            valuations={"vehicle": ["A", "Z"], "date": ["2025-12-31"] * 2, "value": [7000, 3000]},
            work=work(vehicle=["A", "B"], labour_cost=[1000, 9000]),
        )
        book = account(log)
        km = 10000 * 364 / 365
        assert depreciation_per_km(book).value == pytest.approx(5000 / (2 * km))
        assert owning_per_km(book).value == pytest.approx((5000 + 1000 * 364 / 365) / (2 * km))
        assert np.isnan(owning_per_km(account(self.log())).value)  # no money but the values

    def test_each_vehicle_weighs_by_its_own_distance_whatever_the_order_of_names(self):
        log = made(
            vehicles=cars("B", "Z", "A", price=[None, 5000, 10000]),
            odometer={
                "vehicle": ["B", "Z", "A"] * 2, "date": ["2025-01-01"] * 3 + ["2025-12-31"] * 3, "odometer": [0, 0, 0, 500, 1000, 20000]
            },
            valuations={"vehicle": ["A", "Z"], "date": ["2025-12-31"] * 2, "value": [7000, 3000]},
        )  # fmt: skip
        assert depreciation_per_km(account(log)).value == pytest.approx(5000 / (21000 * 364 / 365))

    def test_half_a_year_has_half_the_fall(self):
        log = self.log()
        book = account(replace(log, as_of=pd.Timestamp("2025-07-02")))
        assert book.worth.groupby("vehicle")["amount"].sum().to_dict() == pytest.approx(
            {"A": 1500, "B": 1500}
        )


def test_double_entries_are_listed():
    log = made(
        vehicles=cars("A"),
        odometer=drive("A"),
        work=work(
            visit=["1", "2", None],
            date=["2025-03-01", "2025-04-01", "2025-05-01"],
            parts_cost=[90, 7, 60],
        ),
        fitted={
            "vehicle": ["A"] * 5,
            "position": ["front", "rear", "engine", "left", "right"],
            "category": ["tyre"] * 5,
            "item": ["one", "two", "three", "four", "four"],
            "fitted": ["2025-03-01", "2025-04-01", "2025-05-01", "2025-06-01", "2025-08-01"],
            "removed": [None, None, None, "2025-07-31", None],
            "reason": [None, None, None, "moved", None],
            "visit": ["1", "2", None, None, None],
            "part": [None, None, None, "P4", "P4"],
            "price": [90, 90, 60, 70, 70],
        },
    )
    found = double_entries(log)
    assert found["item"].tolist() == ["one", "three", "four"]
    assert found["price"].sum() == 220
    assert found["date"].dt.strftime("%m-%d").tolist() == ["03-01", "05-01", "08-01"]


def test_parts_of_another_position_or_of_no_known_day_are_no_double_entry():
    log = made(
        vehicles=cars("A"),
        odometer=drive("A"),
        work=work(visit=["1"], date=["2025-03-01"], position=["front"], parts_cost=[90]),
        fitted={
            "vehicle": ["A"] * 3,
            "position": ["front", "rear", "front"],
            "category": ["tyre"] * 3,
            "item": ["one", "two", "three"],
            "fitted": ["2025-03-01", "2025-03-01", None],
            "visit": ["1", "1", "1"],
            "price": [90, 90, 90],
        },
    )
    assert double_entries(log)["item"].tolist() == ["one"]


def fills(odometer, volume, **more):
    """A log in miles of one car's fills, ten days apart."""
    n = len(odometer)
    dates = pd.date_range("2025-01-01", periods=n, freq="10D").strftime("%Y-%m-%d")
    table = {"vehicle": ["A"] * n, "date": dates, "odometer": odometer, "volume": volume, **more}
    log = made(
        {**HEADER, "distance": "mi"}, vehicles=cars("A", in_service=["2020-01-01"]), fuel=table
    )
    return tanks(log)


class TestTankToTank:
    """12,000 full, then 20 L at 12,100, 30 L at 12,400, 16 L at 12,500: method from memory, figures worked by hand."""

    def test_case(self):
        economy = fuel_economy(fills([12000, 12100, 12400, 12500], [25, 20, 30, 16])).iloc[0]
        assert economy["l_per_100km"] == pytest.approx(8.202100, abs=1e-6)
        assert l_per_100km_from_mpg(economy["l_per_100km"]) == pytest.approx(34.440076, abs=1e-6)
        assert l_per_100km_from_mpg(economy["l_per_100km"], "gal_us") == pytest.approx(
            28.677362, abs=1e-6
        )
        assert l_per_100km_from_mpg(economy["l_per_100km"]) != pytest.approx(32.201471, rel=0.01)
        assert (economy["n"], economy["volume_l"]) == (3, pytest.approx(66))

    def test_the_first_fill_never_counts(self):
        a, b = (
            fills([12000, 12100, 12400], [25, 20, 30]),
            fills([12000, 12100, 12400], [900, 20, 30]),
        )
        pd.testing.assert_frame_equal(a, b)

    def test_a_partial_fill_joins_the_next_full_one(self):
        split = fills(
            [12000, 12050, 12100, 12400], [25, 8, 12, 30], filled_to=["full", "part", None, "full"]
        )
        whole = fills([12000, 12100, 12400], [25, 20, 30])
        pd.testing.assert_frame_equal(split.drop(columns="date"), whole.drop(columns="date"))

    def test_no_figure_ends_at_an_unrecorded_fill_and_the_next_begins_there(self):
        made = fills(
            [12000, 12100, 12400, 12500],
            [25, 20, 30, 16],
            unrecorded_before=["no", "no", "yes", None],
        )
        assert made["volume_l"].tolist() == [20, 16]
        assert made.attrs["no_figure"] == 1

    def test_a_fill_without_a_reading_joins_the_next(self):
        made = fills([12000, None, 12400], [25, 20, 30])
        assert made["volume_l"].tolist() == [50]
        assert made["distance_km"].tolist() == pytest.approx([400 * 1.609344])

    def test_an_open_tank_has_no_figure(self):
        assert fills([12000, 12100], [25, 20], filled_to=["full", "part"]).empty
        assert fills([12000], [25]).empty

    def test_a_tank_far_from_the_usual_gives_no_figure(self):
        odometer = [12000 + 100 * i for i in range(10)]
        made = fills(odometer, [25, 20, 21, 19, 20, 9, 20, 20, 21, 20])
        assert made.attrs["far"] == 1
        assert 9 not in made["volume_l"].tolist()
        assert len(made) == 8

    def test_by_quarter_and_kind(self):
        made = fills([12000, 12100, 12400, 12500], [25, 20, 30, 16])
        made = made.assign(date=pd.to_datetime(["2025-02-01", "2025-05-01", "2025-05-09"]))
        by_quarter = economy_by_quarter(made, pd.Series({"A": "van"}))
        assert by_quarter["volume_l"].tolist() == [20, 46]
        assert liquid(fills([12000, 12100], [5, 20], kind=["electric"] * 2)).empty

    def test_kinds_of_fuel_are_apart(self):
        made = fills(
            [12000, 12100, 12400, 12500], [25, 5, 30, 6], kind=["diesel", "urea", "diesel", "urea"]
        )
        assert made.set_index("kind")["volume_l"].to_dict() == {"diesel": 30, "urea": 6}

    def test_through_a_change_of_instrument(self):
        log = made(
            vehicles=cars("A", in_service=["2020-01-01"]),
            odometer={
                "vehicle": ["A"],
                "date": ["2025-01-06"],
                "odometer": [12050],
                "restarts_at": [0],
            },
            fuel={
                "vehicle": ["A", "A"],
                "date": ["2025-01-01", "2025-01-11"],
                "odometer": [12000, 50],
                "volume": [25, 8],
            },
        )
        assert tanks(log)["distance_km"].tolist() == pytest.approx([100])


class TestComparisons:
    """A difference is claimed or denied by a test of that difference, with vehicles as units."""

    @staticmethod
    def fleet(costs, sites=None, km=10_000):
        """Vehicles driven `km` in each of two whole years, whose work cost `costs` (one row a vehicle, one column a year)."""
        names = [f"v{i}" for i in range(len(costs))]
        header = {**HEADER, "first_day": "2024-01-01"}
        places = {"site": sites} if sites is not None else {}
        days = ["2024-01-01", "2024-12-31", "2025-12-31"]
        odometer = {
            "vehicle": names * 3,
            "date": np.repeat(days, len(names)),
            "odometer": np.repeat([0, km, 2 * km], len(names)),
        }
        money = {
            "vehicle": names * 2,
            "date": np.repeat(["2024-06-01", "2025-06-01"], len(names)),
            "task": ["oil"] * 2 * len(names),
        }
        money |= {
            "why": ["planned"] * 2 * len(names),
            "labour_cost": np.asarray(costs, float).T.ravel(),
        }
        log = made(
            header,
            vehicles={**cars(*names, **places), "in_service": ["2024-01-01"] * len(names)},
            odometer=odometer,
            work=money,
        )
        return account(log)

    def test_years_are_compared_vehicle_by_vehicle(self):
        """Vehicles from 100 to 3,200 whose cost rose by 20% or so: the years' own ranges overlap, the change does not hold 1."""
        first = 100 * 2.0 ** np.arange(6)
        book = self.fleet(np.column_stack([first, first * [1.18, 1.22, 1.19, 1.21, 1.2, 1.2]]))
        year = by_year(book).set_index("year")
        assert year.loc[2024, "high"] > year.loc[2025, "low"]
        found, p, years = change_of_years(book)
        assert years == (2024, 2025)
        assert found.value == pytest.approx(1.2, rel=0.01)
        assert 1 < found.low < 1.2 < found.high < 1.25
        assert p < 0.01
        text = self.years_said(book)
        assert "rose by 20%" in plain(text)
        assert "6 vehicles" in text

    def test_years_that_only_scatter_show_no_clear_change(self):
        book = self.fleet([[100, 200], [300, 140], [250, 260], [90, 70], [400, 410]])
        assert "no clear change" in self.years_said(book)

    def test_two_vehicles_claim_no_change(self):
        book = self.fleet([[100, 120], [300, 360]])
        text = self.years_said(book)
        assert "cannot be compared: it needs three vehicles" in plain(text)

    def test_few_bills_of_many_vehicles_have_no_range_and_many_have(self):
        few = self.fleet([[100 + i, 0] for i in range(20)])
        many = self.fleet([[100 + i, 100 + i] for i in range(20)])
        assert cost_per_km(few)["low"].isna().all()
        assert cost_per_km(many, "category")["low"].gt(0).all()
        assert "No range is shown: a range needs three vehicles and 30 rows with money" in plain(
            wording.words_in(Show())("range", total=total_per_km(few))
        )

    def years_said(self, book):
        moved = change_of_years(book)
        return wording.words_in(Show())("years", table=by_year(book), moved=moved, is_real=False)

    def sites_said(self, book):
        found = differences(book, "site")
        words = wording.words_in(Show())
        return words("apart", what="site", table=by_site(book), apart=found)

    def test_one_dear_site_of_four_is_named_and_equal_sites_are_not(self):
        rng = np.random.default_rng(8)
        sites = np.repeat(["Ashby", "Corley", "Dunmere", "Elver"], 6)
        level = np.where(sites == "Corley", 1600, 800) * np.exp(0.2 * rng.standard_normal(24))
        dear, alike = (
            self.fleet(np.column_stack([x, x]), sites)
            for x in (level, 800 * np.exp(0.2 * rng.standard_normal(24)))
        )
        found = differences(dear, "site").set_index("site")
        assert found.index[0] == "Corley"
        assert found.loc["Corley", "is_clear"]
        assert found.loc["Corley", "low"] > 1.5
        assert "Corley" in self.sites_said(dear)
        assert "No site costs clearly more or less" in self.sites_said(alike)

    def test_groups_too_small_for_any_clear_difference_get_words(self):
        book = self.fleet(
            np.full((6, 2), 100.0) + np.arange(12).reshape(6, 2), ["A", "A", "A", "B", "B", "B"]
        )
        assert differences(book, "site").empty
        assert "There is not enough data to say whether sites differ" in self.sites_said(book)
