"""What is true of the demo fleet stands in data/truth, apart from its log: the report on hard use must find it, or say that it cannot."""

import json

import numpy as np
import pandas as pd
import pytest

import wearbar as wb
from wearbar import parts, read_log, severity
from wearbar.log.places import place
from wearbar.report.words.severity import SAY
from wearbar.severity import use as hard_use
from wearbar.severity.sites import site_factors
from wearbar.stats.estimate import holm

USES = ["loose", "mud_water"]


NOTEBOOK = json.loads((place("notebooks") / "severe_use.ipynb").read_text("utf-8"))
CELLS = {cell["id"]: "".join(cell["source"]) for cell in NOTEBOOK["cells"]}


@pytest.fixture(name="log", scope="module")
def _log():
    return read_log()


@pytest.fixture(name="worn", scope="module")
def _worn(log):
    rates = parts.wear_of(parts.spans_of(log), parts.looks_of(log), parts.law_of(log)).rates
    return hard_use.with_use(rates, log)


@pytest.fixture(name="found", scope="module")
def _found(worn):
    return {(e.category, e.exposure): e for e in severity.effects(worn, USES)}


def true_ratio(worn, e):
    """Of wear for 10 points more, where the parts are: effects add up (data/truth/fleet/effects.csv)."""
    effects = pd.read_csv(place("data", "truth", "fleet", "effects.csv")).set_index("category")
    own = effects.loc[e.category, USES]
    wear = 1 + (own * worn.loc[worn["category"] == e.category, USES].mean()).sum()
    return 1 + 0.1 * own[e.exposure] / wear


def test_true_effects_lie_inside_the_ranges_and_those_of_loose_ground_are_told(worn, found):
    shown = {key: e for key, e in found.items() if e.is_shown}
    assert set(shown) == {("tyre", "loose"), ("brake-pad", "loose")}
    for e in shown.values():
        assert e.ratio.low < true_ratio(worn, e) < e.ratio.high
        assert e.ratio.low > 1
        assert e.p_holm < 0.05


def test_the_chains_true_effect_is_refused_for_too_few(worn, found):
    e = found["chain", "loose"]
    assert true_ratio(worn, e) > 1.05
    assert e.refusals == ("few-lines",)
    assert pd.isna(e.ratio.value)


def test_of_a_site_that_owns_its_exposure_only_the_adjusted_range_holds_the_truth(worn, found):
    e, parts_of = found["brake-pad", "loose"], worn[worn["category"] == "brake-pad"]
    blind = severity.effect(parts_of.assign(site="all"), "loose", ["mud_water"])
    assert blind.ratio.low > true_ratio(worn, e) + 0.03
    assert blind.ratio.low > e.ratio.high


@pytest.mark.parametrize("category", ["tyre", "brake-pad", "chain"])
def test_sites_are_as_hard_on_their_parts_as_the_truth_says(worn, category):
    # a vehicle's true wear a km over that on metalled road, mean of its site: ground and hills
    truth = pd.read_csv(place("data", "truth", "fleet", "parts.csv")).query("category == @category")
    site = worn.drop_duplicates("vehicle").set_index("vehicle")["site"]
    each = np.log(truth.drop_duplicates("vehicle").set_index("vehicle")["exposure"])
    logs = each.groupby(site.reindex(each.index)).mean()
    found = site_factors(worn[worn["category"] == category]).set_index("site")
    assert (found["low"] < np.exp(logs - logs.mean())).all()
    assert (found["high"] > np.exp(logs - logs.mean())).all()
    if category == "brake-pad":
        assert found.loc["Highfell", "low"] > 1.15
        assert found.loc["Highfell", "p_holm"] < 0.01


def test_what_is_said_of_sites_follows_what_is_clear(worn):
    pads = site_factors(worn[worn["category"] == "brake-pad"]).assign(category="brake-pad")
    said = SAY("site_factors", table=pads, moved=pd.Series([1] * 34))
    assert said.startswith("Brake pad wear is ")
    assert "% slower &#40;" in said.split(" at Ferry Quay and ")[0]
    assert "at Highfell than the average of all sites." in said
    assert "None of 34 vehicles has parts worn at more than one site." in said
    vague = pads.assign(p_holm=0.2)
    assert SAY("site_factors", table=vague, moved=pd.Series([1, 2, 2])).startswith("No site wears")
    none = pads.assign(value=np.nan, p_holm=np.nan)
    for table in (none, none[:0]):
        assert SAY("site_factors", table=table, moved=pd.Series([1, 2])).startswith("No part runs")
    assert "1 of 2 vehicles has parts" in SAY("site_factors", table=none, moved=pd.Series([1, 2]))


@pytest.mark.parametrize(
    "sites, said",
    [
        (["a"], "One vehicle cannot show its use"),
        (["a", "a"], "The vehicles work from one place"),
        (["a", "b"], "Site accounts for 100%"),
    ],
)
def test_what_is_said_of_site_and_use(sites, said):
    table = pd.DataFrame({"site": sites})
    assert SAY("by_site", table=table, first="loose", share=1.0, misled=[]).startswith(said)


def control(log, lives):
    """What the report's cell makes of the control part, and what it says."""
    names = {
        "control": "battery",
        "lives": lives,
        "hard_use": hard_use,
        "wb": wb,
        "pd": pd,
        "holm": holm,
    }
    names |= {"tested": USES, "severity": severity, "found": []}
    names["report"] = type("Report", (), {"log": log, "confidence": 0.9})
    exec(CELLS["assumed-control"], names)
    said = SAY("control", table=names["steady"], part="battery", aged=names["aged"])
    return names["steady"], said


def test_a_part_that_cannot_feel_the_ground_shows_no_effect_unless_one_is_planted(log):
    lives = parts.spans_of(log)
    (row,), said = (x if isinstance(x, str) else x.itertuples() for x in control(log, lives))
    assert row.low < 1 < row.high  # the truth: batteries age by the calendar alone
    assert row.high / row.low < 1.25
    assert "No effect is clear, as it should be." in said
    loose = lives["vehicle"].map(hard_use.by_vehicle(log).set_index("vehicle")["loose"])
    long = (lives["end"] - lives["start"]) * np.exp(-2.5 * loose)
    planted = lives.assign(end=lives["start"] + long.dt.floor("D"), watched_from=lives["start"])
    table, said = control(log, planted)
    assert table["high"].iloc[0] < 1
    assert "is a warning: vehicles in hard use differ in something else too" in said


def test_a_control_part_with_few_lives_or_none_is_said(log):
    lives = parts.spans_of(log)
    few = lives[lives["vehicle"].isin(["M02", "M03", "P02"])]
    assert control(log, few)[1].startswith("Too few battery lives have ended")
    _, said = control(log, lives[lives["category"] != "battery"])
    assert said == "The log has no battery lives, which use should not change, to check this with."
