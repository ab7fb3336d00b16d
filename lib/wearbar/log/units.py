"""Units: inside the library a distance is in km, a depth in mm, a volume in litres, a pressure in
kPa (gauge). Factors are exact, by `scipy.constants` (SI Brochure, 9th ed.; NIST SP 811)."""

import math
from dataclasses import dataclass

import numpy as np
from scipy import constants as _c

DISTANCE_KM = {"km": 1.0, "mi": _c.mile / 1000}
VOLUME_L = {"L": 1.0, "gal_uk": _c.gallon_imp / _c.liter, "gal_us": _c.gallon_US / _c.liter}
DEPTH_MM = {"mm": 1.0, "in32": _c.inch * 1000 / 32}
PRESSURE_KPA = {"kPa": 1.0, "bar": _c.bar / 1000, "psi": _c.psi / 1000}
FACTORS = {"distance": DISTANCE_KM, "volume": VOLUME_L, "depth": DEPTH_MM}
FACTORS |= {"pressure": PRESSURE_KPA}

# of a plan's figures, which come in any unit: those with another that a workshop may have
TORQUE_NM = {"N.m": 1.0, "lbf.ft": _c.lbf * _c.foot}
_LENGTH_MM = {"mm": 1.0, "in": _c.inch * 1000}
_LIQUID_L = {"L": 1.0, "mL": 0.001}
_LIQUID_L |= {"imperial pt": VOLUME_L["gal_uk"] / 8, "US qt": VOLUME_L["gal_us"] / 4}
SAME = dict.fromkeys(("n.m", "nm", "n·m"), "N.m")
SAME |= dict.fromkeys(("lbf·ft", "lb.ft", "lb-ft", "ft-lb", "ft.lb"), "lbf.ft")
SAME |= {"l": "L", "litre": "L", "litres": "L", "ml": "mL", "kpa": "kPa"}
MOST_OFF = 0.025  # by which rounding may move a converted figure


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


def l_per_100km_from_mpg(mpg, gallon="gal_uk"):
    """Litres per 100 km from miles per gallon; the same formula turns it back.

    >>> round(l_per_100km_from_mpg(100.0), 6)
    2.824809
    """
    return 100 * VOLUME_L[gallon] / DISTANCE_KM["mi"] / mpg


def is_example(source):
    """Whether a figure's source says that it is none to work by."""
    return "not for use" in source.casefold() or source.casefold().startswith("example")


def converted(value, unit, units):
    """A figure as (value, unit) in the workshop's other unit, with no more digits than its own:
    torque N.m and lbf.ft; pressure psi and bar or kPa, by the reader's `units`; volume litres and
    pints or quarts; length mm and in. None where there is no other, or rounding moves it much.

    >>> converted(23.0, "N.m", Units()), converted(30.0, "psi", Units(pressure="psi"))
    (('17', 'lbf.ft'), ('2.1', 'bar'))
    >>> converted(5.0, "N.m", Units()) is None
    True
    """
    unit = SAME.get(unit.strip().casefold(), unit.strip())
    pint = "US qt" if units.volume == "gal_us" else "imperial pt"
    gauge = "psi" if unit in ("bar", "kPa") else "kPa" if units.pressure == "kPa" else "bar"
    for factors, other in (
        (TORQUE_NM, "lbf.ft" if unit == "N.m" else "N.m"),
        (PRESSURE_KPA, gauge),
        (_LIQUID_L, pint if unit in ("L", "mL") else "L"),
        (_LENGTH_MM, "in" if unit == "mm" else "mm"),
    ):
        if unit in factors and value:
            exact = value * factors[unit] / factors[other]
            # trailing zeros before the point count as digits, those after it don't
            own = np.format_float_positional(abs(value), trim="-").replace(".", "").lstrip("0")
            places = len(own) - 1 - math.floor(math.log10(abs(exact)))
            text = f"{round(exact, places):.{max(places, 0)}f}"
            return (text, other) if abs(float(text) / exact - 1) <= MOST_OFF else None
    return None
