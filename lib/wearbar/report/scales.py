"""How each quantity that the library holds in SI is read: the factor, the words, and the digits of a single value."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from wearbar.log.units import DEPTH_MM, DISTANCE_KM, PRESSURE_KPA, VOLUME_L, l_per_100km_from_mpg

__all__ = ["Scale", "scale_of"]

_MPG = {"L": "gal_uk", "gal_uk": "gal_uk", "gal_us": "gal_us"}


@dataclass(frozen=True)
class Scale:
    """How a quantity in SI is read: `turn` it, print it between `before` and `after`; `head` stands in a table's heading.

    suffix: what a column's name ends with once turned. decimals: for a single value, more where fewer than `digits` significant ones would
    be left; None lets `number` choose.
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
    """The `Scale` of a unit's name for a reader of `units`; a unit of no known name is printed as it stands."""
    make = SCALES.get(unit.replace(" ", "_"))
    return (
        make(units)
        if make
        else Scale(
            _same, unit.replace("_", " "), after=f" {unit.replace('_', ' ')}".rstrip(), suffix=unit
        )
    )


def _same(x):
    return x


def _distance(units):
    unit = units.distance
    return Scale(units.from_km, unit, after=f" {unit}", suffix=unit)


def _distance_each(period, decimals):
    def scale(units):
        said = f"{units.distance} per {period}"
        return Scale(
            units.from_km, said, after=f" {said}", suffix=said.replace(" ", "_"), decimals=decimals
        )

    return scale


def _depth(units):
    unit = "/32 in" if units.depth == "in32" else " mm"
    return Scale(units.from_mm, unit.strip(), after=unit, suffix=units.depth, decimals=1)


def _wear_rate(units):
    unit, depth = units.distance, "/32 in" if units.depth == "in32" else " mm"
    factor = DISTANCE_KM[unit] / DEPTH_MM[units.depth]
    head = f"{depth.strip()} per 1,000 {unit}"
    return Scale(
        lambda x: x * factor,
        head,
        after=f"{depth} per 1,000 {unit}",
        suffix=f"{units.depth}_per_1000{unit}",
        decimals=2,
        digits=2,
    )


def _per(distance, decimals=None):
    def scale(units):
        said = f"per {distance:,} {units.distance}"
        suffix = f"per_{distance}{units.distance}"
        return Scale(units.to_km, said, after=f" {said}", suffix=suffix, decimals=decimals)

    return scale


def _money(units):
    currency = units.currency
    return Scale(_same, currency, before=f"{currency} ".lstrip(), suffix="money")


def _money_per_distance(units):
    unit, currency = units.distance, units.currency
    head = f"{currency} per {unit}".strip()
    return Scale(
        units.to_km,
        head,
        f"{currency} ".lstrip(),
        f" per {unit}",
        f"per_{unit}",
        decimals=2,
        digits=2,
    )


def _fuel(units):
    if units.distance == "km":
        return Scale(_same, "L/100 km", after=" L/100 km", suffix="l_per_100km", decimals=1)
    gallon = _MPG[units.volume]
    nation = "imperial" if gallon == "gal_uk" else "US"
    after, suffix = f" miles per {nation} gallon", f"mpg_{gallon[4:]}"
    return Scale(
        lambda x: l_per_100km_from_mpg(x, gallon),
        f"mpg, {nation}",
        after=after,
        suffix=suffix,
        decimals=1,
    )


def _volume(units):
    unit = units.volume
    words = {"L": "L", "gal_uk": "imperial gal", "gal_us": "US gal"}[unit]
    return Scale(
        lambda x: x / VOLUME_L[unit], words, after=f" {words}", suffix=unit.lower(), decimals=1
    )


def _pressure(units):
    unit = units.pressure
    places = 2 if unit == "bar" else 0
    return Scale(
        lambda x: x / PRESSURE_KPA[unit],
        unit,
        after=f" {unit}",
        suffix=unit.lower(),
        decimals=places,
    )


def _share(units):
    return Scale(lambda x: 100 * x, "%", after="%", suffix="share", decimals=0)


def _word(word, decimals=0):
    return lambda units: Scale(_same, word, after=f" {word}", suffix=word, decimals=decimals)


SCALES = {
    "km": _distance,
    "km_per_day": _distance_each("day", 1),
    "km_per_year": _distance_each("year", 0),
    "mm": _depth,
    "mm_per_1000km": _wear_rate,
    "per_1000km": _per(1000),
    "per_100km": _per(100, 1),
    "money": _money,
    "money_per_km": _money_per_distance,
    "share": _share,
    "l": _volume,
    "l_per_100km": _fuel,
    "kpa": _pressure,
    "days": _word("days"),
    "jobs": _word("jobs", 1),
    "months": _word("months"),
    "hours": _word("hours", 1),
    "years": _word("years", 1),
}
