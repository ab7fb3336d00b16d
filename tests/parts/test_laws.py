"""Competing ends by Aalen and Johansen, and Weibull against lognormal: against statsmodels, lifelines' data, and plain arithmetic."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.duration.survfunc import CumIncidenceRight

from wearbar.parts import service_lives, with_place
from wearbar.parts.items import closer_law
from wearbar.stats import kaplan_meier
from wearbar.stats.weibull import cumulative_incidence


def lives(rng, n=200):
    x = np.ceil(10 * rng.weibull(2.0, n) * 4) / 4  # with ties
    return x, rng.choice(["worn", "damaged", "failed", ""], n, p=[0.5, 0.2, 0.1, 0.2])


class TestCumulativeIncidence:
    def test_is_statsmodels_of_lives_watched_from_new(self):
        x, cause = lives(np.random.default_rng(1))
        found = cumulative_incidence(x, cause)
        names = ["damaged", "failed", "worn"]
        code = [["", *names].index(c) for c in cause]
        want = CumIncidenceRight(x, np.array(code))
        assert list(found) == ["duration", *names]
        at = np.searchsorted(found["duration"], want.times)
        for name, share in zip(names, want.cinc, strict=True):
            np.testing.assert_allclose(found[name].to_numpy()[at], share, atol=1e-12)

    def test_with_late_entry_the_shares_and_what_goes_on_are_one(self):
        rng = np.random.default_rng(2)
        x, cause = lives(rng)
        entry = x * rng.uniform(0, 0.5, len(x)) * (rng.random(len(x)) < 0.4)
        found = cumulative_incidence(x, cause, entry)
        left = kaplan_meier(x, cause != "", entry)["survival"]
        shares = found.drop(columns="duration")
        np.testing.assert_allclose(shares.sum(axis=1) + left, 1, atol=1e-12)
        assert (shares.diff().dropna() >= 0).all(axis=None)
        assert not np.allclose(shares, cumulative_incidence(x, cause).drop(columns="duration"))

    def test_one_cause_is_what_has_not_survived_and_none_has_no_column(self):
        x, cause = lives(np.random.default_rng(3))
        found = cumulative_incidence(x, np.where(cause == "", "", "worn"))
        np.testing.assert_allclose(found["worn"], 1 - kaplan_meier(x, cause != "")["survival"])
        assert list(cumulative_incidence([1.0, 2.0], ["", ""])) == ["duration"]


def spans(draw, vehicles=20, each=4, end=None):
    """Lives of one item, `each` on every vehicle, one after another; the last still fitted."""
    x = draw((vehicles, each)) * 1000
    rows = pd.DataFrame({"vehicle": np.repeat([f"V{i}" for i in range(vehicles)], each)})
    rows = rows.assign(category="tyre", kind="van", positions="front", item="x", age_known=True)
    rows = rows.assign(duration_km=x.ravel(), entry_km=0.0, cause="worn", observed=True)
    rows["end"] = pd.Timestamp("2025-01-01") + pd.to_timedelta(x.cumsum(axis=1).ravel(), "h")
    is_last = np.arange(len(rows)) % each == each - 1
    rows.loc[is_last, ["cause", "observed"]] = ["still-on", False]
    return rows.assign(part_key=[f"p{i}" for i in range(len(rows))])


def closer(rows):
    return closer_law(service_lives(with_place(rows)))


class TestLaws:
    def test_the_likelihoods_and_the_tenth_are_those_of_scipy(self):
        """All seen to end: fits by scipy's weibull_min and the mean and sd of the logs."""
        rng = np.random.default_rng(4)
        rows = spans(lambda size: 8 * rng.weibull(2.0, size))
        rows = rows.assign(cause="worn", observed=True)
        x = rows["duration_km"].to_numpy()
        shape, _, scale = stats.weibull_min.fit(x, floc=0)
        mean, sd = np.log(x).mean(), np.log(x).std()
        gap = stats.weibull_min.logpdf(x, shape, 0, scale).sum()
        gap = 2 * (gap - stats.lognorm.logpdf(x, sd, 0, np.exp(mean)).sum())
        row = closer(rows)
        assert row["gap"] == pytest.approx(gap, abs=1e-5)
        assert row["weibull_km"] == pytest.approx(stats.weibull_min.ppf(0.1, shape, 0, scale), rel=1e-4)  # fmt: skip
        assert row["lognormal_km"] == pytest.approx(np.exp(mean - 1.2815516 * sd), rel=1e-7)
        assert (row["n"], row["n_off"]) == (80, 80)

    def test_p_is_vuongs_of_the_vehicles_likelihoods(self):
        """One life a vehicle, so many that each hardly moves the fits: z = sum of differences over the root of n times their variance."""
        rng = np.random.default_rng(6)
        rows = spans(lambda size: 8 * rng.lognormal(0, 0.5, size), 400, 1)
        rows = rows.assign(cause="worn", observed=True)
        x = rows["duration_km"].to_numpy()
        shape, _, scale = stats.weibull_min.fit(x, floc=0)
        apart = stats.weibull_min.logpdf(x, shape, 0, scale)
        apart = apart - stats.lognorm.logpdf(x, np.log(x).std(), 0, np.exp(np.log(x).mean()))
        z = apart.sum() / np.sqrt(len(x) * apart.var(ddof=1))
        found = closer(rows)
        assert stats.t.isf(found["p"] / 2, 399) == pytest.approx(abs(z), rel=0.1)

    def test_each_law_is_told_where_there_is_much_and_none_where_there_is_little(self):
        rng = np.random.default_rng(5)
        weibull = closer(spans(lambda size: 8 * rng.weibull(2.5, size), 60, 10))
        lognormal = closer(spans(lambda size: 8 * rng.lognormal(0, 0.6, size), 60, 10))
        assert (weibull["gap"] > 0, weibull["p"] < 0.05) == (True, True)
        assert (lognormal["gap"] < 0, lognormal["p"] < 0.05) == (True, True)
        few = closer(spans(lambda size: 8 * rng.weibull(2.5, size), 5))
        one = closer(spans(lambda size: 8 * rng.weibull(2.5, size), 1, 9))
        assert few["p"] > 0.05
        assert np.isnan(one["p"])
