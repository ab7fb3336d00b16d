"""How a reader has each quantity that the library holds in SI: its factor, words and digits."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache

from wearbar.log.units import DEPTH_MM, DISTANCE_KM, l_per_100km_from_mpg


@dataclass(frozen=True)
class Scale:
    """`turn` gives the reader's figure, told between `before` and `after`; `head` is for headings.

    suffix: what a column's name ends with once turned. decimals: of a single value, more where
    fewer than `digits` significant ones would be left; None lets `number` choose.
    """

    turn: Callable = field(repr=False)
    head: str = ""
    before: str = ""
    after: str = ""
    suffix: str = ""
    decimals: int | None = None
    digits: int = 1

    def places(self, turned):
        """Decimals for a value already turned, where no interval decides."""
        if self.decimals is None or not turned:
            return self.decimals
        return min(max(self.decimals, self.digits - 1 - math.floor(math.log10(abs(turned)))), 6)

    def ends(self, low, high):
        """The interval turned, the lower end first (fuel economy turns round)."""
        return tuple(sorted((self.turn(low), self.turn(high))))


def scale_of(unit, units):
    """The `Scale` of a unit's name for a reader of `units`; one not known is printed as it is."""
    known = _scales(units).get(unit.replace(" ", "_"))
    return known or _named(_same, unit.replace("_", " "), unit)


@cache
def _scales(units):
    """Name of each unit, as columns end with it, to its `Scale` for a reader of `units`."""
    far, money, to_km, from_km = units.distance, units.currency, units.to_km, units.from_km
    sign = f"{money} ".lstrip()
    depth = "/32 in" if units.depth == "in32" else " mm"
    wear, wear_factor = f"{depth} per 1,000 {far}", DISTANCE_KM[far] / DEPTH_MM[units.depth]
    volume = {"L": "L", "gal_uk": "imperial gal", "gal_us": "US gal"}[units.volume]
    counts = {"days": 0, "months": 0, "years": 1, "hours": 1, "jobs": 1}
    return {
        "km": _named(from_km, far, far),
        "km_per_day": _named(from_km, f"{far} per day", f"{far}_per_day", 1),
        "km_per_year": _named(from_km, f"{far} per year", f"{far}_per_year", 0),
        "per_1000km": _named(to_km, f"per 1,000 {far}", f"per_1000{far}"),
        "per_100km": _named(to_km, f"per 100 {far}", f"per_100{far}", 1),
        "money": Scale(_same, money, sign, "", "money"),
        "money_per_km": Scale(
            to_km, f"{money} per {far}".strip(), sign, f" per {far}", f"per_{far}", 2, digits=2
        ),
        "mm": Scale(units.from_mm, depth.strip(), "", depth, units.depth, 1),
        "mm_per_1000km": Scale(
            lambda x: x * wear_factor, wear.strip(), "", wear, f"{units.depth}_per_1000{far}", 2, 2
        ),
        "share": Scale(lambda x: 100 * x, "%", "", "%", "share", 0),
        "l": _named(units.from_l, volume, units.volume.lower(), 1),
        "l_per_100km": _fuel(units),
        "kpa": _named(
            units.from_kpa, units.pressure, units.pressure.lower(), 2 * (units.pressure == "bar")
        ),
        **{name: _named(_same, name, name, decimals) for name, decimals in counts.items()},
    }


def _named(turn, words, suffix, decimals=None):
    return Scale(turn, words, "", f" {words}".rstrip(), suffix, decimals)


def _fuel(units):
    """Litres per 100 km, or miles per gallon where distances are read in miles."""
    if units.distance == "km":
        return _named(_same, "L/100 km", "l_per_100km", 1)
    gallon, nation = ("gal_us", "US") if units.volume == "gal_us" else ("gal_uk", "imperial")
    after, suffix = f" miles per {nation} gallon", f"mpg_{gallon[4:]}"
    return Scale(lambda x: l_per_100km_from_mpg(x, gallon), f"mpg, {nation}", "", after, suffix, 1)


def _same(x):
    return x
