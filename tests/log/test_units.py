"""Unit factors against the definitions (SI Brochure, 9th ed.; NIST SP 811, appendix B), typed here independently of scipy."""

import pytest

from wearbar.log.units import (
    DEPTH_MM,
    DISTANCE_KM,
    PRESSURE_KPA,
    TORQUE_NM,
    VOLUME_L,
    Units,
    l_per_100km_from_mpg,
)

EXACT = [
    (DISTANCE_KM["mi"], 1.609344),
    (VOLUME_L["gal_uk"], 4.54609),
    (VOLUME_L["gal_us"], 3.785411784),
    (VOLUME_L["gal_uk"] / VOLUME_L["gal_us"], 1.2009499255),
    (DEPTH_MM["in32"], 0.79375),
    (PRESSURE_KPA["psi"], 6.894757293168361),
    (PRESSURE_KPA["bar"], 100.0),
    (TORQUE_NM["lbf.ft"], 1.3558179483314),
    (l_per_100km_from_mpg(1.0), 282.4809363318),
    (l_per_100km_from_mpg(1.0, "gal_us"), 235.2145833333),
]


@pytest.mark.parametrize("found, expected", EXACT)
def test_factors(found, expected):
    assert found == pytest.approx(expected, rel=1e-9)


def test_there_and_back():
    imperial = Units(distance="mi", depth="in32")
    assert imperial.from_km(imperial.to_km(6000.0)) == pytest.approx(6000.0, rel=1e-15)
    assert imperial.from_mm(1.5875) == 2
    assert l_per_100km_from_mpg(l_per_100km_from_mpg(60.0)) == pytest.approx(60.0)


def test_an_unknown_unit_is_named():
    with pytest.raises(ValueError, match="distance: found 'miles'; use one of km, mi"):
        Units(distance="miles")
