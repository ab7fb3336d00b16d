"""One household's vehicles: what each costs, all in, held to sums by plain pandas of the CSV files;
fuel by season; what the log seems to lack, and that the row it offers mends it."""

import numpy as np
import pandas as pd
import pytest

from wearbar.cost import account as money
from wearbar.cost import ageing, fuel
from wearbar.cost import household as home
from wearbar.log import log_of, places, read_log

DAYS, MONTH = 1096, 365.25 / 12  # of the owner's log, 1 Nov 2023 to 31 Oct 2026
HEADER = {"distance": "km", "volume": "L", "currency": "EUR", "money": "gross"}
HEADER |= {"first_day": "2024-01-01", "as_of": "2025-12-31"}
CAR = {"vehicle": ["A"], "kind": ["car"], "in_service": ["2024-01-01"], "price": [9000]}

ONCE = {"vehicle": ["A"], "date": ["2024-01-01"], "odometer": [0]}


def logged(header=(), **tables):
    frames = {"vehicles": CAR, "odometer": ONCE} | tables
    return log_of({k: pd.DataFrame(t) for k, t in frames.items()}, HEADER | dict(header))


def read_on(*days):
    km = [50 * (pd.Timestamp(day) - pd.Timestamp("2024-01-01")).days for day in days]
    return {"vehicle": ["A"] * len(days), "date": days, "odometer": km}


def filled(per_100km, start="2024-01-05", days=9):
    """A fill to the top each so many days, 450 km on; volumes by a litres per 100 km of its date."""
    dates = pd.date_range(start, "2025-12-31", freq=f"{days}D")
    km = 450 * np.arange(len(dates))
    volume = [round(4.5 * per_100km(day), 2) for day in dates]
    return {"vehicle": "A", "date": dates.astype(str), "odometer": km, "volume": volume}


@pytest.fixture(scope="module")
def owner():
    log = read_log(places.place("data", "owner"))
    return log, money.account(log)


class TestAllIn:
    def test_owner_by_plain_pandas(self, owner):
        made = home.all_in(owner[1]).set_index("vehicle")
        csv = {
            name: pd.read_csv(places.place("data", "owner") / f"{name}.csv")
            for name in ("fixed_costs", "valuations")
        }
        fixed = csv["fixed_costs"].groupby("vehicle")["amount"].sum()
        worth = csv["valuations"].sort_values("date").groupby("vehicle")["value"]
        lost = worth.first() - worth.last()  # on the first and last day of the record
        assert made["fixed_cost"].to_dict() == pytest.approx((fixed / DAYS * MONTH).to_dict())
        assert made["lost_cost"].to_dict() == pytest.approx((lost / (DAYS - 1) * MONTH).to_dict())
        lines = owner[1].lines.query("not is_fixed").groupby("vehicle")["amount"].sum()
        assert made["running_cost"].to_dict() == pytest.approx((lines / DAYS * MONTH).to_dict())
        parts = made[["running_cost", "fixed_cost", "lost_cost"]].sum(axis=1)
        assert made["all_cost"].to_dict() == pytest.approx(parts.to_dict())

    def test_one_vehicle_alone_costs_what_the_report_says_of_owning_it(self, owner):
        log, _ = owner
        made = home.all_in(money.account(log)).set_index("vehicle")["all_cost_per_km"]
        for name in made.index:
            alone = money.owning_per_km(money.account(log.only([name])))
            assert made[name] == pytest.approx(alone.value)

    def test_what_the_log_lacks_is_named_and_left_out(self):
        work = {"vehicle": ["A"], "date": ["2024-07-01"], "task": ["oil"], "parts_cost": [731.0]}
        work |= {"why": ["planned"]}
        car = {k: v for k, v in CAR.items() if k != "price"}
        log = logged(vehicles=car, work=work, odometer=read_on("2024-01-01", "2025-12-31"))
        (row,) = home.all_in(money.account(log)).to_dict("records")
        assert row["lacks"] == ["fixed costs", "loss in value", "fuel"]
        assert row["all_cost"] == row["running_cost"] == pytest.approx(731 / 731 * MONTH)
        assert row["all_cost_per_km"] == pytest.approx(731 / (50 * 730))

    def test_finance_pays_the_price_which_counts_as_value_lost(self):
        spans = {"vehicle": ["A"] * 2, "from": ["2024-01-01"] * 2, "to": ["2025-12-31"] * 2}
        spans |= {"category": ["finance", "insurance"], "amount": [7000.0, 731.0]}
        worth = {"vehicle": ["A"], "date": ["2025-12-31"], "value": [6000], "basis": ["trade"]}
        for valued, a_month in ((worth, 731 / 731), ({}, 7731 / 731)):
            tables = {"fixed_costs": spans} | ({"valuations": valued} if valued else {})
            (row,) = home.all_in(money.account(logged(**tables))).to_dict("records")
            assert row["fixed_cost"] == pytest.approx(a_month * MONTH)

    @pytest.mark.parametrize("as_of", ["2024-01-01", "2024-03-01"])
    def test_a_short_or_empty_record_has_no_figure(self, as_of):
        (row,) = home.all_in(money.account(logged({"as_of": as_of}))).to_dict("records")
        assert np.isnan([row["all_cost"], row["all_cost_per_km"]]).all()


class TestFuel:
    def changes(self, per_100km):
        log = logged(fuel=filled(per_100km))
        return home.fuel_changes(fuel.liquid(fuel.tanks(log)), log.as_of).set_index("what")

    def test_a_season_is_shown_and_a_steady_use_is_not(self):
        rng = np.random.default_rng(1)
        cold = self.changes(lambda d: (6.6 if d.month in home.COLD else 6.0) + rng.normal(0, 0.2))
        assert cold["is_clear"].to_dict() == {"season": True, "year": False}
        assert cold.loc["season", "low"] < 1.10 < cold.loc["season", "high"]  # 6.6 over 6.0
        assert not self.changes(lambda d: 6.0 + rng.normal(0, 0.3))["is_clear"].any()

    def test_a_year_that_takes_more_is_shown(self):
        rng = np.random.default_rng(2)
        worse = self.changes(lambda d: (6.6 if d.year > 2024 else 6.0) + rng.normal(0, 0.2))
        assert worse["is_clear"].to_dict() == {"season": False, "year": True}

    def test_few_tanks_give_no_row(self):
        assert self.changes(lambda d: 6.0).shape[0] == 2
        log = logged(fuel=filled(lambda d: 6.0, days=60))
        assert not len(home.fuel_changes(fuel.tanks(log), log.as_of))

    def test_a_missing_fill_is_named(self):
        rows = pd.DataFrame(filled(lambda d: 6.0))
        lost, after = rows.loc[20], rows.loc[21, "date"]
        log = logged(fuel=rows.drop(index=20))
        assert fuel.tanks(log).attrs == {"no_figure": 0, "far": 1}
        missed = fuel.missed(log).squeeze()
        assert (missed["vehicle"], f"{missed['date']:%Y-%m-%d}") == ("A", after)
        assert lost["date"] < after


class TestLacks:
    def test_a_gap_is_offered_as_a_row_that_mends_it(self):
        days = ["2024-01-01", "2024-02-01", "2024-03-01", "2024-09-01", "2024-10-01", "2025-06-01"]
        tables = {"odometer": read_on(*days)}
        log = logged(**tables)
        gaps = home.unread(log, ageing.observed_periods(money.account(log), log))
        assert gaps["row"].tolist() == [
            "A,2024-03-02,2024-08-31,season",
            "A,2024-10-02,2025-05-31,season",
            "A,2025-06-02,,season",  # not read since, to the report date
        ]
        rows = [row.split(",") for row in gaps["row"]]
        stays = pd.DataFrame(rows, columns=["vehicle", "from", "to", "reason"])
        mended = logged(**tables, layups=stays)
        assert mended.set_aside.empty
        assert home.unread(mended, ageing.observed_periods(money.account(mended), mended)).empty

    def test_no_reading_no_vehicle_and_one_day_have_no_gap(self):
        for log in (
            logged().only([]),
            logged({"as_of": "2024-01-01"}),
            logged({"as_of": "2024-02-20"}),
        ):
            periods = ageing.observed_periods(money.account(log), log)
            assert home.unread(log, periods).empty

    def test_a_lapsed_insurance(self):
        def until(day, **more):
            row = {"vehicle": ["A"], "from": ["2025-01-01"], "to": [day], "amount": [300]}
            return home.lapsed(logged(fixed_costs=row | {"category": ["insurance"]} | more))

        assert until("2025-12-30")["to"].tolist() == [pd.Timestamp("2025-12-30")]
        assert until("2025-12-31").empty
        assert until("2025-06-30", category=["road-tax"]).empty


def test_a_household_is_one_or_two():
    one = logged()
    three = {key: values * 3 for key, values in CAR.items()} | {"vehicle": ["A", "B", "C"]}
    assert home.is_household(one)
    assert not home.is_household(one.only([]))
    assert not home.is_household(logged(vehicles=three))
