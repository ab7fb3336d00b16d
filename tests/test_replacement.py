"""Economic life and age replacement against published examples, quadrature and limits."""

import numpy as np
import pytest
from scipy import integrate, optimize

from wearbar.replacement import age_replacement, age_replacement_rate, annual_cost, best_age, economic_life, minimal_repair


class TestEconomicLife:
    MARKET, OPERATING = [9000, 8000, 6000, 2000, 0], [2500, 2700, 3000, 3500, 4500]

    def test_machine_bought_at_13000(self):
        """Example 11.2 of an engineering-economy lecture (studylib.net 8536260): 7,800, 6,276 and 6,132 a year; keep it three years."""
        cost = annual_cost(13000, self.MARKET, self.OPERATING, 0.10)
        np.testing.assert_allclose(cost[:3], [7800, 6276, 6132], atol=1)
        np.testing.assert_allclose(cost, [7800.00, 6276.19, 6132.33, 6556.30, 6579.84], atol=0.01)
        years, least = economic_life(13000, self.MARKET, self.OPERATING, 0.10)
        assert (int(years), float(least)) == (3, pytest.approx(6132.33, abs=0.01))

    def test_truck_kept_five_years(self):
        """Printed 29,616 a year (lecture notes on annual worth, truck of 45,000 at 12%); 29,615.94 with full factors."""
        assert annual_cost(45000, [0, 0, 0, 0, 9000], [15000, 17000, 19000, 21000, 23000], 0.12)[-1] == pytest.approx(29615.94, abs=0.01)

    def test_without_interest_it_is_the_plain_average(self):
        cost = annual_cost(13000, self.MARKET, self.OPERATING)
        assert cost[2] == pytest.approx((13000 - 6000 + 2500 + 2700 + 3000) / 3)

    def test_many_at_once(self):
        twice = np.array([[1.0], [2.0]])
        years, least = economic_life([13000, 26000], twice * self.MARKET, twice * self.OPERATING, 0.1)
        assert years.tolist() == [3, 3]
        assert least[1] == pytest.approx(2 * least[0])


class TestAgeReplacement:
    def test_published_case(self):
        """reliability's documentation, "Optimal replacement time": costs 1 and 5, scale 1000, shape 2.5.

        It prints an age of 493.19, which is a point of its grid, and 0.0035; the optimum itself is from scipy's quadrature and minimiser.
        """
        found = age_replacement(1, 5, 1000, 2.5)
        assert found.age == pytest.approx(493.04695, rel=1e-3)
        assert found.age == pytest.approx(493.19, rel=1e-3)
        assert found.cost_rate == pytest.approx(0.00346204274, rel=1e-5)
        assert found.failure_rate == pytest.approx(0.00563530249, rel=1e-5)
        assert 1 - found.saving == pytest.approx(0.614349, abs=1e-5)
        np.testing.assert_allclose(age_replacement_rate(np.array([250, 1000]), 1, 5, 1000, 2.5), [0.00453236969, 0.00451640550], rtol=1e-5)

    @pytest.mark.parametrize("shape", [1.3, 2.0, 3.5, 8.0])
    def test_is_the_least_of_the_definition(self, shape):
        def rate(age):
            lived = integrate.quad(lambda t: np.exp(-(t**shape)), 0, age)[0]
            return (1 + 3 * -np.expm1(-(age**shape))) / lived

        least = optimize.minimize_scalar(rate, bounds=(0.05, 1.5 if shape > 3 else 6), method="bounded", options={"xatol": 1e-9})
        found = age_replacement(1, 4, 1.0, shape)
        assert found.age == pytest.approx(least.x, rel=1e-4)
        assert found.cost_rate == pytest.approx(least.fun, rel=1e-9)
        assert found.flat_low > found.cost_rate < found.flat_high

    @pytest.mark.parametrize("planned, failure, shape", [(1, 5, 1.0), (1, 5, 0.7), (5, 1, 3.0), (1, 1, 3.0)])
    def test_no_planned_replacement(self, planned, failure, shape):
        found = age_replacement(planned, failure, 1000, shape)
        assert found.age == np.inf
        assert found.saving == 0
        assert found.cost_rate == found.failure_rate

    def test_near_exponential_lives_do_not_overflow(self):
        found = age_replacement(1, 1.01, 1000, 1.001)
        assert found.age == np.inf
        assert np.isfinite(found.cost_rate)

    def test_draws_at_once(self):
        ages = best_age(1, 5, np.array([1000.0, 2000.0, 1000.0]), np.array([2.5, 2.5, 0.9]))
        assert ages[:2] == pytest.approx([493.04695, 986.0939], rel=1e-6)
        assert ages[2] == np.inf

    def test_what_is_not_above_zero_is_refused(self):
        with pytest.raises(ValueError, match="above 0"):
            age_replacement(0, 5, 1000, 2.5)


def test_minimal_repair():
    """Barlow & Hunter 1960 (from memory): age = scale (cp / (cf (shape - 1))) ** (1 / shape)."""
    age, rate = minimal_repair(1, 5, 1000, 2.5)
    assert age == pytest.approx(446.65839, rel=1e-7)
    assert rate == pytest.approx(0.00373141244, rel=1e-8)
    least = optimize.minimize_scalar(lambda t: (1 + 5 * (t / 1000) ** 2.5) / t, bounds=(50, 3000), method="bounded")
    assert age == pytest.approx(least.x, rel=1e-5)
    assert minimal_repair(1, 5, 1000, 1.0)[0] == np.inf
