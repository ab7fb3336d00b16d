"""What sentences are made of: quantities in the reader's units, harmless text, plurals, lists."""

import html
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache, partial

import pandas as pd

from wearbar.log.units import (
    DEPTH_MM,
    DISTANCE_KM,
    PRESSURE_KPA,
    VOLUME_L,
    Units,
    l_per_100km_from_mpg,
)

MISSING = "not known"
_HARMLESS = set(" ,.%/-")
# control characters, and those that turn the direction of the text around them
_UNSEEN = re.compile("[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]+")


def clean(text, most=160):
    """Text out of a log on one line, nothing invisible in it, cut at `most` characters."""
    if pd.isna(text):
        return MISSING
    line = " ".join(_UNSEEN.sub(" ", str(text)).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


class Harmless(str):
    """Text that `safe` has been through."""


def safe(text, most=160, starts=True):
    """Text out of a log, fit for a Markdown sentence: none of it becomes markup, link or formula.
    starts: whether it may begin a line, where a digit could begin a list.

    >>> safe("*new* <b>")
    '&#42;new&#42; &#60;b&#62;'
    """
    said = ""
    for c in clean(text, most):
        is_inside = bool(said) or not starts
        is_harmless = c.isalpha() or (is_inside and (c.isalnum() or c in _HARMLESS))
        said += c if is_harmless else f"&#{ord(c)};"
    return Harmless(said)


plain = html.unescape  # text without the character references of `safe`, for files and the like


def plural(n, one, many=None):
    """A count with its noun: "no vehicles", "1 vehicle", "1,200 vehicles"."""
    many = many or one + "s"
    return f"no {many}" if n == 0 else f"{n:,.0f} {one if n == 1 else many}"


def listing(items, last="and", most=6):
    """A list as words: "a", "a and b", "a, b and 7 more". Make text out of a log `safe` first."""
    items = [str(i) for i in items]
    if len(items) > most:
        items = [*items[: most - 1], f"{len(items) - most + 1:,} more"]
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def has_width(low, high):
    """Whether limits make an interval: one of no width, as of figures all alike, says nothing."""
    return pd.notna(low) and pd.notna(high) and high - low > 1e-9 * max(abs(low), abs(high))


def decimals_of(low, high):
    """Decimals (negative: tens, hundreds) that an interval deserves; None if it has no width. The
    half width keeps two significant digits where its first three are 100 to 354, one from 355 to
    949, two of the next power of ten from 950 (Review of Particle Physics, 5.3; from memory)."""
    if not has_width(low, high) or not math.isfinite(high - low):
        return None
    half = (high - low) / 2
    power = math.floor(math.log10(half))
    lead = half / 10**power
    return min((1 if lead < 3.55 else 0) - power, 6)


def number(x, decimals=None):
    """A number as print has it: thousands apart, no exponent; else whole or three digits."""
    if pd.isna(x) or math.isinf(x):
        return MISSING
    if decimals is None:
        whole = float(x).is_integer() or abs(x) >= 1000
        decimals = 0 if whole else min(max(2 - math.floor(math.log10(abs(x))), 0), 6)
    rounded = round(float(x), decimals) + 0.0
    return f"{rounded:,.{max(decimals, 0)}f}"


def interval(low, high, decimals=None):
    """ "low to high", both rounded to the same place; the one figure where they are alike."""
    if not has_width(low, high):
        return number(high, decimals)
    decimals = decimals_of(low, high) if decimals is None else decimals
    return f"{number(low, decimals)} to {number(high, decimals)}"


@dataclass(frozen=True)
class Scale:
    """How a reader has a quantity that the library holds in SI: its factor, words and digits."""

    turn: Callable = field(repr=False)  # SI to the reader's figure, printed before `after`
    after: str = ""
    suffix: str = ""  # of a column's name once turned
    decimals: int | None = None  # of a single value; None lets `number` choose
    digits: int = 1  # significant ones that a small value keeps
    whole_from: float | None = None  # no decimals from here on, nor of a whole figure
    before: str = ""
    heading: str = ""

    @property
    def head(self):  # the unit in a heading
        return self.heading or f"{self.before}{self.after.strip()}".strip()

    def places(self, turned):
        """Decimals for a value already turned, where no interval decides."""
        if self.whole_from:
            is_whole = abs(turned) >= self.whole_from or float(turned).is_integer()
            return 0 if is_whole else self.decimals
        if self.decimals is None or not turned:
            return self.decimals
        return min(max(self.decimals, self.digits - 1 - math.floor(math.log10(abs(turned)))), 6)

    def ends(self, low, high):
        """The interval turned, the lower end first (fuel economy turns round)."""
        return tuple(sorted((self.turn(low), self.turn(high))))


@cache
def _scales(units):
    """Name of each unit, as columns end with it, to its `Scale` for a reader of `units`."""
    far, to_km, from_km = units.distance, units.to_km, units.from_km
    sign, pressure = f"{units.currency} ".lstrip(), units.pressure
    depth = "/32 in" if units.depth == "in32" else " mm"
    wear, factor = f"{depth} per 1,000 {far}", DISTANCE_KM[far] / DEPTH_MM[units.depth]
    volume = {"L": " L", "gal_uk": " imperial gal", "gal_us": " US gal"}[units.volume]
    fuel = Scale(_same, " L/100 km", "l_per_100km", 1)
    if far == "mi":
        gallon, nation = ("gal_us", "US") if units.volume == "gal_us" else ("gal_uk", "imperial")
        turn, after = partial(l_per_100km_from_mpg, gallon=gallon), f" miles per {nation} gallon"
        fuel = Scale(turn, after, f"mpg_{gallon[4:]}", 1, heading=f"mpg, {nation}")
    return {
        "km": Scale(from_km, f" {far}", far, 1, whole_from=10),
        "km_per_day": Scale(from_km, f" {far} per day", f"{far}_per_day", 1),
        "km_per_year": Scale(from_km, f" {far} per year", f"{far}_per_year", 0),
        "per_1000km": Scale(to_km, f" per 1,000 {far}", f"per_1000{far}"),
        "per_100km": Scale(to_km, f" per 100 {far}", f"per_100{far}", 1),
        "money": Scale(_same, "", "money", 2, whole_from=100, before=sign),
        "money_per_km": Scale(to_km, f" per {far}", f"per_{far}", 2, 2, before=sign),
        "mm": Scale(units.from_mm, depth, units.depth, 1),
        "mm_per_1000km": Scale(lambda x: x * factor, wear, f"{units.depth}_per_1000{far}", 2, 2),
        "share": Scale(lambda x: 100 * x, "%", "share", 0),
        "l": Scale(lambda x: x / VOLUME_L[units.volume], volume, units.volume.lower(), 1),
        "l_per_100km": fuel,
        "kpa": Scale(
            lambda x: x / PRESSURE_KPA[pressure],
            f" {pressure}",
            pressure.lower(),
            2 * (pressure == "bar"),
        ),
        **{name: Scale(_same, f" {name}", name, 0) for name in ("days", "months")},
        **{name: Scale(_same, f" {name}", name, 1) for name in ("years", "hours", "jobs")},
    }


def _same(x):
    return x


def _in(unit):
    return lambda self, x, decimals=None: self.quantity(x, unit, decimals)


@dataclass(frozen=True)
class Show:
    """The reader's units. Methods take SI and give words; a missing value is said to be not known.

    >>> Show(Units(distance="mi")).distance(16.09344)
    '10 mi'
    """

    units: Units = field(default_factory=Units)

    def with_distance(self, unit):
        """The same with distances in `unit`; "" leaves them."""
        return Show(replace(self.units, distance=unit or self.units.distance))

    def scale(self, unit):
        """The `Scale` of a unit such as km, money_per_km or share; one not known stays as it is."""
        known = _scales(self.units).get(unit.replace(" ", "_"))
        return known or Scale(_same, f" {unit.replace('_', ' ')}".rstrip(), unit)

    def quantity(self, x, unit, decimals=None):
        """One quantity in SI with the reader's unit."""
        if pd.isna(x):
            return MISSING
        scale = self.scale(unit)
        turned = scale.turn(x)
        places = scale.places(turned) if decimals is None else decimals
        return f"{scale.before}{number(turned, places)}{scale.after}"

    def range(self, low, high, unit, decimals=None):
        """ "low to high" with the unit once; a missing end is said."""
        if pd.isna(low):
            return MISSING if pd.isna(high) else f"up to {self.quantity(high, unit)}"
        if pd.isna(high):
            return f"at least {self.quantity(low, unit)}"
        scale = self.scale(unit)
        low, high = scale.ends(low, high)
        places = decimals_of(low, high) if decimals is None else decimals
        if places is None:
            places = scale.places(high)
        elif scale.suffix == "share":
            places = max(places, 0)
        return f"{scale.before}{interval(low, high, places)}{scale.after}"

    distance, depth, percent = _in("km"), _in("mm"), _in("share")
    money, per_distance = _in("money"), _in("money_per_km")

    def height(self, x, quantity, decimals=None):
        """A part's depth, thickness or stretch."""
        if pd.isna(x) or pd.isna(quantity):
            return MISSING
        if quantity == "depth":
            return self.depth(x, decimals)
        return f"{x:.1f}%" if quantity == "elongation" else f"{x:.1f} mm"

    def days(self, n):
        return MISSING if pd.isna(n) else plural(round(n), "day")

    def date(self, day):
        """ "31 Oct 2026", the same in every locale."""
        if pd.isna(day):
            return MISSING
        day = pd.Timestamp(day)
        return f"{day.day} {day.month_name()[:3]} {day.year}"
