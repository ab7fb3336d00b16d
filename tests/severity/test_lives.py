"""Lives and unplanned visits by use: what is counted, the demo's truth, what is refused, how it is said."""

import html
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from statsmodels.genmod import families
from statsmodels.genmod.generalized_linear_model import GLM

import wearbar as wb
from wearbar import parts
from wearbar.cost.account import account
from wearbar.report.quantities import Show
from wearbar.report.words import severity as words
from wearbar.severity import lives as duty
from wearbar.severity import use as hard_use
from wearbar.stats.regression import cox, fit_life_regression
from wearbar_synthetic.settings import EFFECTS

USES = ["loose", "mud_water"]


@pytest.fixture(name="fleet", scope="module")
def _fleet():
    return wb.read_log()


@pytest.fixture(name="driven", scope="module")
def _driven(fleet):
    return duty.visits_by_vehicle(fleet, account(fleet))


@pytest.fixture(name="told", scope="module")
def _told(fleet, driven):
    return duty.lives_and_visits(fleet, driven[1], USES).set_index(["what", "exposure"])


def test_the_demo_tyres_own_truth_is_inside(fleet, told):
    # wear is multiplied by 1 + effect x share, so life at 10 points more is the inverse of that ratio, near the mean share
    share = hard_use.by_vehicle(fleet)["loose"].mean()
    effect = EFFECTS.loc["tyre", "loose"]
    truth = (1 + effect * share) / (1 + effect * (share + 0.1))
    row = told.loc[("tyre", "loose")]
    assert row["low"] < truth < row["high"] < 1
    assert row["p_holm"] < 0.05
    assert row["second"] > 1  # the risk of an end, by Cox


def test_a_row_is_the_fit_that_anyone_makes(fleet, told):
    lives = parts.watched(hard_use.with_use(parts.with_place(parts.spans_of(fleet)), fleet))
    own = parts.items.decisions(lives).query("category == 'brake-pad' and coverage_share >= 0.5")
    asked = own, ["loose", "mud_water", "kind", "site", "place_on"]
    fit, row = fit_life_regression(*asked), told.loc[("brake-pad", "loose")]
    assert row["value"] == pytest.approx(np.exp(0.1 * fit.table.loc["loose", "coefficient"]))
    assert row["second"] == pytest.approx(np.exp(0.1 * cox(*asked)["loose"]))
    assert row["p"] == fit.table.loc["loose", "p"]
    assert (row["n"], row["n_ends"]) == (len(own), own["observed"].sum())
    assert row["n_censored"] == row["n"] - row["n_ends"]
    assert row["n_vehicles"] == own["vehicle"].nunique()


def test_few_ends_are_refused_in_words(told):
    row = told.loc[("battery", "loose")]
    assert np.isnan([row["value"], row["low"], row["p"], row["second"]]).all()
    assert row["note"] == f"{row['n_ends']} ends seen, and it takes 30"


def test_visits_are_those_within_the_readings(fleet, driven, told):
    visits, each = driven
    assert each["events"].sum() == len(visits) == told.loc[("visits", "loose"), "n_ends"]
    books = account(fleet).vehicles.set_index("vehicle")
    pd.testing.assert_series_equal(
        each.set_index("vehicle")["distance_km"], books["distance_km"].dropna()
    )
    longest = each.set_index("vehicle")["distance_km"].loc[visits["vehicle"]].to_numpy()
    assert (visits["km"] >= 0).all()
    assert (visits["km"] <= longest + 1e-6).all()
    rate = told.loc[("visits", "loose")]
    assert rate["low"] < rate["value"] < rate["high"]
    books, day = account(fleet), pd.Timestamp("2024-06-30")
    early = replace(books, vehicles=books.vehicles.assign(known_to=day))
    fewer, _ = duty.visits_by_vehicle(fleet, early)
    assert len(fewer) == (visits["date"] <= day).sum() < len(visits)


def test_vehicles_whose_use_is_mostly_unknown_are_left_out(fleet, driven):
    each = driven[1].assign(coverage_share=np.where(driven[1]["kind"] == "van", 0.4, 0.6))
    row = duty.lives_and_visits(fleet.only([]), each, ["loose"]).iloc[0]
    assert row["n_vehicles"] == (each["kind"] != "van").sum()


def test_oil_by_use_is_that_of_a_generalised_linear_model(fleet, driven, told):
    oil = parts.oil_use(fleet).rename(columns={"distance_km": "km"}).query("why_not == ''")
    own = driven[1].merge(oil[["vehicle", "used_ml", "n", "km"]], on="vehicle")
    x = pd.get_dummies(own[[*USES, "kind", "site"]], drop_first=True).assign(one=1).astype(float)
    made = GLM(own["used_ml"], x, families.Poisson(), exposure=own["km"]).fit()
    found = told.loc[("engine-oil-level", "loose")]
    assert found["value"] == pytest.approx(np.exp(0.1 * made.params["loose"]), rel=1e-5)
    assert found[["basis", "n_ends", "n_vehicles"]].tolist() == ["oil", own["n"].sum(), len(own)]


def test_faults_are_counted_by_day(fleet, driven, told):
    work = fleet.tables["work"].merge(
        driven[1][["vehicle", "known_from", "known_to"]], on="vehicle"
    )
    own = work[work["task"].eq("brake-pads-inspect") & work["result"].eq("fail")]
    own = own[(own["date"] >= own["known_from"]) & (own["date"] <= own["known_to"])]
    n = len(own[["vehicle", "date"]].drop_duplicates())
    assert told.loc[("brake-pads-inspect", "loose"), ["basis", "n_ends"]].tolist() == ["faults", n]
    assert n > 5
    early = driven[1].assign(known_to=own["date"].median())
    fewer = {what: rows["events"].sum() for _, what, rows in duty.by_task(fleet, early)}
    days = own.loc[own["date"] <= own["date"].median(), ["vehicle", "date"]]
    assert fewer["brake-pads-inspect"] == len(days.drop_duplicates()) < n


def test_of_one_vehicle_or_without_use_nothing_is_shown(fleet):
    one = fleet.only(["M12"])
    for uses in (USES, []):
        table = duty.lives_and_visits(one, duty.visits_by_vehicle(one, account(one))[1], uses)
        assert table[["what", "exposure", "note"]].ne("").all(axis=None)
        assert words.SAY("beyond", table=table).startswith("Not enough data to show part lives")


def test_a_blank_site_could_own_the_effect_so_its_vehicles_are_left_out(fleet, driven):
    each = driven[1].assign(site=None)
    table = duty.lives_and_visits(fleet.only([]), each, ["loose"])
    assert table["note"].tolist() == ["nothing to compare"]


ROWS = pd.DataFrame(
    {"basis": ["life", "visits"], "what": ["tyre", "visits"], "exposure": ["loose", "loose"], "value": [0.9, 1.3], "low": [0.85, 1.1],
     "high": [0.95, 1.5],
     "p_holm": [0.01, 0.04], "note": ["", ""]}
)  # fmt: skip


class TestWhatIsSaid:
    def test_a_clear_effect_and_the_rest(self):
        assert html.unescape(words.SAY("beyond", table=ROWS)) == (
            "For 10 points more of the distance, tyre life is 10% shorter (5 to 15%) on gravel or dirt and unplanned visits come"
            " 30% more often (10 to 50%) on gravel or dirt."
        )
        some = words.SAY("beyond", table=ROWS.assign(p_holm=[0.01, 0.5]))
        assert some.endswith(
            "No other effect of use on part lives, visits, faults or oil is clear."
        )
        none = words.SAY("beyond", table=ROWS.assign(p_holm=0.5))
        assert none == "No effect of use on part lives, visits, faults or oil is clear."

    def test_a_difference_is_claimed_by_its_test_alone(self):
        row = pd.Series({"time": 1000.0, "difference": 1.5, "low": -0.5, "high": 3.5, "p": 0.2})
        said = words.SAY("apart", row=row, n=[8, 9], show=Show())
        assert (
            "has 1.5 more unplanned visits than others (from 0.5 fewer to 3.5 more, 8 vehicles against 9)"
            in said
        )
        assert said.endswith("That is no clear difference.")
        clear = row.replace({0.2: 0.01, -0.5: 0.5})
        assert "clear" not in words.SAY("apart", row=clear, n=[8, 9], show=Show())
        nothing = words.SAY("apart", row=row * np.nan, n=[2, 0], show=Show())
        assert nothing.startswith("Unplanned visits of severe and normal use are not compared")
        assert not words.SAY("apart", row=row * np.nan, n=[1, 0], show=Show())
