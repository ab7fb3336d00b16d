"""Economic life, age replacement, minimal repair and cost per distance against published cases."""

from typing import ClassVar

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, optimize

from wearbar.cost.account import account
from wearbar.cost.ageing import minimal_repair
from wearbar.cost.household import mileage_allowance
from wearbar.cost.keep_now import below_least
from wearbar.cost.keeping import annual_cost, economic_life
from wearbar.cost.part_age import best_age, cost_rate
from wearbar.cost.per_distance import by_year, cost_per_km
from wearbar.log import log_of
from wearbar.log.units import DISTANCE_KM

MILE = DISTANCE_KM["mi"]


class TestEconomicLife:
    """Example 11.2 of an engineering-economy lecture (studylib.net 8536260, read): 7,800, 6,276 and 6,132 a year; keep it three years."""

    MARKET, OPERATING = [9000, 8000, 6000, 2000, 0], [2500, 2700, 3000, 3500, 4500]

    def test_machine_bought_at_13000(self):
        found = economic_life(13000, self.MARKET, self.OPERATING, rate=0.10)
        cost = found.curve["cost_per_year"]
        np.testing.assert_allclose(cost[:3], [7800, 6276, 6132], atol=1)
        np.testing.assert_allclose(cost, [7800.00, 6276.19, 6132.33, 6556.30, 6579.84], atol=0.01)
        assert (found.year, found.cost) == (3, pytest.approx(6132.33, abs=0.01))
        assert found.curve["year"].tolist() == [1, 2, 3, 4, 5]

    def test_runner_up_and_near_ties_by_their_years(self):
        found = economic_life(13000, self.MARKET, self.OPERATING, rate=0.10)
        assert (found.runner_up, found.near) == (2, (2, 3))
        assert found.gap == pytest.approx(6276.19 / 6132.33 - 1, abs=1e-5)
        one = economic_life(13000, [9000], [2500])
        assert (one.year, one.near, one.cost) == (1, (1,), 6500)
        assert np.isnan([one.runner_up, one.gap]).all()

    def test_truck_kept_five_years(self):
        """Printed 29,616 a year (lecture notes on annual worth, truck of 45,000 at 12%); 29,615.94 with full factors."""
        work = [15000, 17000, 19000, 21000, 23000]
        cost = annual_cost(45000, [0, 0, 0, 0, 9000], work, rate=0.12)
        assert cost[-1] == pytest.approx(29615.94, abs=0.01)

    def test_without_interest_it_is_the_plain_average_at_any_step(self):
        cost = annual_cost(13000, self.MARKET, self.OPERATING)
        assert cost[2] == pytest.approx((13000 - 6000 + 2500 + 2700 + 3000) / 3)
        half = annual_cost(1000, [900, 700], [10, 30], age=[0.5, 1.0])
        assert half.tolist() == pytest.approx([(100 + 10) / 0.5, 300 + 40])
        quarter = annual_cost(1000, [900, 700], [10, 30], age=[0.5, 1.0], rate=0.1)
        worth = 1000 - 700 / 1.1 + 10 / 1.1**0.5 + 30 / 1.1  # of a year, at its end
        assert quarter[1] == pytest.approx(worth * 1.1)


class TestAgeReplacement:
    def test_published_case(self):
        """reliability's documentation, "Optimal replacement time" (read): costs 1 and 5, scale 1000, shape 2.5.

        It prints an age of 493.19, which is a point of its grid, and 0.0035; the optimum itself is from scipy's quadrature and minimiser.
        """
        age, saving = best_age(1, 5, 1000, 2.5)
        assert age == pytest.approx(493.04695, rel=1e-6)
        assert age == pytest.approx(493.19, rel=1e-3)
        assert 1 - saving == pytest.approx(0.614349, abs=1e-6)
        mean = 1000 * integrate.quad(lambda t: np.exp(-(t**2.5)), 0, 50)[0]
        assert (1 - saving) * 5 / mean == pytest.approx(0.00346204274, rel=1e-8)
        rates = cost_rate([250, 493.04695, 1000, np.inf], 1, 5, 1000, 2.5)
        told = [0.00453236969, 0.00346204274, 0.00451640550, 0.00563530249]
        assert rates == pytest.approx(told, rel=1e-8)

    @pytest.mark.parametrize("shape", [1.3, 2.0, 3.5, 8.0])
    def test_is_the_least_of_the_definition(self, shape):
        def rate(age):
            lived = integrate.quad(lambda t: np.exp(-(t**shape)), 0, age)[0]
            return (1 + 3 * -np.expm1(-(age**shape))) / lived

        limits = (0.05, 1.5 if shape > 3 else 6)
        least = optimize.minimize_scalar(
            rate, bounds=limits, method="bounded", options={"xatol": 1e-9}
        )
        age, saving = best_age(1, 4, 1.0, shape)
        assert age == pytest.approx(least.x, rel=1e-4)
        assert saving == pytest.approx(1 - least.fun / rate(20), rel=1e-7)

    @pytest.mark.parametrize(
        "planned, failure, shape", [(1, 5, 1.0), (1, 5, 0.7), (5, 1, 3.0), (1, 1, 3.0)]
    )
    def test_no_planned_replacement(self, planned, failure, shape):
        age, saving = best_age(planned, failure, 1000, shape)
        assert (age, saving) == (np.inf, 0)

    def test_near_exponential_lives_do_not_overflow(self):
        age, saving = best_age(1, 1.01, 1000, [1.001, 60.0])
        assert age[0] > 1e6
        assert saving == pytest.approx([0, 0], abs=0.02)
        assert age[1] == pytest.approx(1000, rel=0.1)

    def test_many_at_once(self):
        ages = best_age(1, 5, [1000.0, 2000.0, 1000.0], [2.5, 2.5, 0.9])[0]
        assert ages[:2] == pytest.approx([493.04695, 986.0939], rel=1e-6)
        assert ages[2] == np.inf


def test_minimal_repair():
    """Barlow & Hunter 1960 (from memory): age = scale (cp / (cf (shape - 1))) ** (1 / shape).

    The package reliability 0.9.0 gives 1618.645 for it (q=1): the ratio of costs inverted. Its own cost, 0.005148, is that of the costs swapped.
    """
    age, rate = minimal_repair(1, 5, 1000, 2.5)
    assert age == pytest.approx(446.65839, rel=1e-7)
    assert rate == pytest.approx(0.00373141244, rel=1e-8)

    def cost(t):
        return (1 + 5 * (t / 1000) ** 2.5) / t

    least = optimize.minimize_scalar(cost, bounds=(50, 3000), method="bounded")
    assert age == pytest.approx(least.x, rel=1e-5)
    assert age != pytest.approx(1618.645, rel=0.1)
    assert cost(1618.645) > rate
    swapped = (5 + 1.618645**2.5) / 1618.645
    assert swapped == pytest.approx(0.005148, abs=1e-6)
    assert minimal_repair(1, 5, 1000, 1.0)[0] == np.inf


def driven(miles, money, first="2024-01-01"):
    """An account of cars, one a distance in miles and money, driven from `first` to the year's end."""
    names, year = [f"C{i}" for i in range(len(miles))], first[:4]
    cars = {"vehicle": names, "kind": "car", "in_service": first}
    reads = [(n, first, 0) for n in names] + [(n, f"{year}-12-31", m) for n, m in zip(names, miles, strict=True)]  # fmt: skip
    paid = [(n, f"{year}-06-30", 1.0, m, "petrol") for n, m in zip(names, money, strict=True)]
    tables = {
        "vehicles": pd.DataFrame(cars),
        "odometer": pd.DataFrame(reads, columns=["vehicle", "date", "odometer"]),
        "fuel": pd.DataFrame(paid, columns=["vehicle", "date", "volume", "cost", "kind"]),
    }
    header = {"distance": "mi", "volume": "L", "currency": "GBP", "money": "net"}
    return account(log_of(tables, header | {"first_day": first, "as_of": f"{year}-12-31"}))


class TestLeastKeep:
    """41 CFR 102-34.270 (eCFR copy, read): "at least the years or miles" by kind; whichever comes first ends it."""

    RULE: ClassVar = {  # kind: years, miles
        "car": (3, 60000),  # sedans and station wagons
        "bus": (np.nan, 150000),  # city; no years are given
        "pickup": (6, 50000),  # trucks below 12,500 lb
        "truck": (9, 80000),  # of 24,000 lb and more
    }

    @pytest.mark.parametrize("kind", RULE)
    def test_either_limit_ends_the_least_keep(self, kind):
        years, miles = self.RULE[kind]
        near, far = (years - 0.1, miles - 1), (years, miles)
        ages = [near, (far[0], near[1]), (near[0], far[1]), far, (np.nan, np.nan)]
        cars = pd.DataFrame(ages, columns=["age_years", "total_km"]).assign(kind=kind)
        cars["total_km"] *= MILE
        rule = pd.DataFrame(self.RULE, index=["years", "km"]).T
        kept = below_least(cars, rule.assign(km=rule["km"] * MILE))
        assert kept.index.tolist() == ([0, 1] if kind == "bus" else [0])

    def test_a_kind_without_a_rule_is_not_kept_by_it(self):
        cars = pd.DataFrame({"kind": ["quad"], "age_years": [0.1], "total_km": [1.0]})
        assert below_least(cars, pd.DataFrame(columns=["years", "km"], dtype=float)).empty


class TestCostPerMile:
    """Published allowances as what was spent: the report's cost per distance must give back the rate a mile that they come to."""

    @pytest.mark.parametrize(
        "miles, rate", [(100, 0.45), (11500, 4875 / 11500), (20000, 7000 / 20000)]
    )
    def test_uk_approved_mileage_of_a_car(self, miles, rate):
        """45p for the first 10,000 business miles of a tax year, then 25p (secondary sources, read); 42.391p and 35p computed."""
        money = 0.45 * min(miles, 10000) + 0.25 * max(miles - 10000, 0)
        row = cost_per_km(driven([miles], [money])).iloc[0]
        assert row["cost_per_km"] * MILE == pytest.approx(rate, rel=1e-9)
        assert row["amount"] == pytest.approx(rate * miles)

    @pytest.mark.parametrize("miles, paid", [(0, 0), (100, 45), (11500, 4875), (20000, 7000)])
    def test_what_the_bands_of_the_uk_rate_pay(self, miles, paid):
        """The same bands as a log states them: 45.00 (inniaccounts.co.uk, read), 4,875.00 and 7,000.00 (computed)."""
        bands = [{"to": 10000, "rate": 0.45}, {"rate": 0.25}]
        assert mileage_allowance(miles, bands) == pytest.approx(paid, abs=1e-9)
        assert mileage_allowance(miles, [{"rate": 0.70}]) == pytest.approx(0.70 * miles)  # US, 2025

    def test_the_threshold_runs_across_a_change_of_car(self):
        """6,000 and 5,500 miles in two cars are 11,500 miles: 4,875.00 in all, not 5,175."""
        two = cost_per_km(driven([6000, 5500], [2700, 0.45 * 4000 + 0.25 * 1500])).iloc[0]
        assert two["cost_per_km"] * MILE == pytest.approx(0.42391, abs=1e-5)
        assert two["amount"] == 4875

    @pytest.mark.parametrize("year, rate", [("2024", 0.67), ("2025", 0.70)])
    def test_us_business_rate(self, year, rate):
        """67 cents a mile in 2024 and 70 in 2025 (read; secondary)."""
        row = by_year(driven([12000], [12000 * rate], f"{year}-01-01")).iloc[0]
        assert (row["year"], row["cost_per_km"] * MILE) == (int(year), pytest.approx(rate))

    def test_highway_and_city_miles_add_up(self):
        """Barnes & Langworthy 2003 (read): 17.1 cents a mile on the highway and 3.9 more in a city; half and half are 19.05."""
        row = cost_per_km(driven([5000, 5000], [855, 855 + 195])).iloc[0]
        assert row["cost_per_km"] * MILE == pytest.approx(0.1905)
