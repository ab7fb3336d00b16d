"""What is true of the demo fleet stands in data/truth, apart from its log: the report on hard use must find it, or say that it cannot."""

import pandas as pd
import pytest

from wearbar import parts, read_log, severity
from wearbar.log.places import place
from wearbar.severity import use as hard_use

USES = ["loose", "mud_water"]


@pytest.fixture(name="worn", scope="module")
def _worn():
    log = read_log()
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
