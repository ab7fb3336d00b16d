"""Units: exact factors, and quantities as a reader wants them.

Inside the library a distance is in km, a depth in mm, a volume in litres, a pressure in kPa
(gauge). Factors come from `scipy.constants`, exact by definition (SI Brochure, 9th ed.; NIST
SP 811, appendix B).
"""

from dataclasses import dataclass

from scipy import constants as _c

DISTANCE_KM = {"km": 1.0, "mi": _c.mile / 1000}
VOLUME_L = {"L": 1.0, "gal_uk": _c.gallon_imp / _c.liter, "gal_us": _c.gallon_US / _c.liter}
DEPTH_MM = {"mm": 1.0, "in32": _c.inch * 1000 / 32}
PRESSURE_KPA = {"kPa": 1.0, "bar": _c.bar / 1000, "psi": _c.psi / 1000}
FACTORS = {"distance": DISTANCE_KM, "volume": VOLUME_L, "depth": DEPTH_MM}
FACTORS |= {"pressure": PRESSURE_KPA}
TORQUE_NM = {"N.m": 1.0, "lbf.ft": _c.lbf * _c.foot}


@dataclass(frozen=True)
class Units:
    """The units that a log is written in, or a reader reads in, with the currency.

    >>> round(Units(distance="mi").to_km(10), 5)
    16.09344
    """

    distance: str = "km"
    volume: str = "L"
    depth: str = "mm"
    pressure: str = "kPa"
    currency: str = ""

    def __post_init__(self):
        for field, factors in FACTORS.items():
            if (unit := getattr(self, field)) not in factors:
                raise ValueError(f"{field}: found {unit!r}; use one of {', '.join(factors)}")

    def to_km(self, distance):
        return distance * DISTANCE_KM[self.distance]

    def from_km(self, distance_km):
        return distance_km / DISTANCE_KM[self.distance]

    def from_mm(self, depth_mm):
        return depth_mm / DEPTH_MM[self.depth]

    def from_l(self, litres):
        return litres / VOLUME_L[self.volume]

    def from_kpa(self, kpa):
        return kpa / PRESSURE_KPA[self.pressure]


def l_per_100km_from_mpg(mpg, gallon="gal_uk"):
    """Litres per 100 km from miles per gallon; the same formula turns it back.

    >>> round(l_per_100km_from_mpg(100.0), 6)
    2.824809
    """
    return 100 * VOLUME_L[gallon] / DISTANCE_KM["mi"] / mpg
