"""What every sentence is made of: quantities in the reader's units, text out of a log made harmless, plurals and lists.

Numbers are printed with no more digits than their interval deserves (`decimals_of`).
"""

import html
import math
import re
from dataclasses import dataclass, field

import pandas as pd

from wearbar.log.units import Units
from wearbar.report.scales import scale_of

__all__ = [
    "MISSING",
    "Harmless",
    "Show",
    "clean",
    "decimals_of",
    "has_width",
    "interval",
    "listing",
    "number",
    "plain",
    "plural",
    "safe",
]

MISSING = "not known"
_HARMLESS = set(" ,.%/-")
# control characters, and those that turn the direction of the text around them
_UNSEEN = re.compile("[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]+")
_MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]


def clean(text, most=160):
    """Text out of a log on one line: no control characters, nothing invisible, cut at `most` characters; a missing value is `MISSING`."""
    if _is_missing(text):
        return MISSING
    line = " ".join(_UNSEEN.sub(" ", str(text)).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


class Harmless(str):
    """Text that `safe` has been through."""

    __slots__ = ()


def safe(text, most=160, starts=True):
    """Text out of a log, fit to stand inside a Markdown sentence: no character of it can become markup, a link or a formula.

    starts: whether it may begin a line, where a digit could begin a list.

    >>> safe("*new* <b>")
    '&#42;new&#42; &#60;b&#62;'
    """
    line = clean(text, most)
    first = 0 if starts else 1
    return Harmless(
        "".join(c if _is_harmless(c, at + first) else f"&#{ord(c)};" for at, c in enumerate(line))
    )


def plain(text):
    """The same text without the character references of `safe`, for alternative texts and files."""
    return html.unescape(text)


def plural(n, one, many=None):
    """A count with its noun: "no vehicles", "1 vehicle", "1,200 vehicles"."""
    many = many or one + "s"
    return f"no {many}" if n == 0 else f"{n:,.0f} {one if n == 1 else many}"


def listing(items, last="and", most=6):
    """Items of a list as words: "a", "a and b", "a, b and 7 more". Text out of a log goes through `safe` first."""
    items = [str(i) for i in items]
    if len(items) > most:
        items = [*items[: most - 1], f"{len(items) - most + 1:,} more"]
    return (
        f" {last} ".join([", ".join(items[:-1]), items[-1]]) if len(items) > 1 else "".join(items)
    )


def has_width(low, high):
    """Whether limits make an interval; figures that are all alike give one of no width, which says nothing.

    >>> has_width(0.1 + 0.2, 0.3)
    False
    """
    return not (_is_missing(low) or _is_missing(high)) and high - low > 1e-9 * max(
        abs(low), abs(high)
    )


def decimals_of(low, high):
    """Decimals (negative: tens, hundreds) that an interval deserves; None if it has no width.

    The half width keeps two significant digits where its first three are 100 to 354, one from 355 to 949, and two of the next power of ten
    from 950 (Particle Data Group, Review of Particle Physics, introduction, 5.3; from memory).
    """
    if not has_width(low, high) or not math.isfinite(high - low):
        return None
    half = (high - low) / 2
    power = math.floor(math.log10(half))
    lead = half / 10**power
    return min((1 if lead < 3.55 else 0) - power, 6)


def number(x, decimals=None):
    """A number as print has it: thousands apart, never an exponent. Without `decimals`: whole if it is, else three significant digits."""
    if _is_missing(x) or math.isinf(x):
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


def _is_harmless(character, at):
    return character.isalpha() or (at > 0 and (character.isalnum() or character in _HARMLESS))


def _is_missing(x):
    return x is None or bool(pd.isna(x))


@dataclass(frozen=True)
class Show:
    """The reader's units. Methods take SI and give words; a missing value is said to be not known.

    >>> Show(Units(distance="mi")).distance(16.09344)
    '10 mi'
    """

    units: Units = field(default_factory=Units)

    def scale(self, unit):
        """The `Scale` of a unit's name: km, km_per_day, mm, mm_per_1000km, money, money_per_km, share, l_per_100km (see `SCALES`)."""
        return scale_of(unit, self.units)

    def quantity(self, x, unit, decimals=None):
        """One quantity in SI with the reader's unit."""
        if _is_missing(x):
            return MISSING
        scale = self.scale(unit)
        turned = scale.turn(x)
        return f"{scale.before}{number(turned, _places(scale, turned, decimals))}{scale.after}"

    def range(self, low, high, unit, decimals=None):
        """ "low to high" with the unit once; a missing end is said."""
        if _is_missing(low) and _is_missing(high):
            return MISSING
        if _is_missing(low):
            return f"up to {self.quantity(high, unit, decimals)}"
        if _is_missing(high):
            return f"at least {self.quantity(low, unit, decimals)}"
        scale = self.scale(unit)
        low, high = scale.ends(low, high)
        places = decimals_of(low, high) if decimals is None else decimals
        return f"{scale.before}{interval(low, high, _places(scale, high, places))}{scale.after}"

    def estimate(self, estimate, unit=None):
        """An `Estimate` in full: value, interval, n and how many had not ended; its note where it was refused."""
        e, unit = estimate, estimate.unit if unit is None else unit
        counts = f"n = {number(e.n)}" + (
            f", {number(e.n_censored)} of them not ended" if e.n_censored else ""
        )
        percent = f"{number(100 * e.confidence)}%"
        if _is_missing(e.value):
            if _is_missing(e.low) and _is_missing(e.high):
                return e.note or MISSING
            return f"{self.range(e.low, e.high, unit)} ({percent} bound; {counts})"
        if not has_width(e.low, e.high):
            bound = (
                ""
                if _is_missing(e.low) == _is_missing(e.high)
                else f"{percent} bound: {self.range(e.low, e.high, unit)}; "
            )
            return f"{self.quantity(e.value, unit)} ({bound}{counts})"
        scale = self.scale(unit)
        low, high = scale.ends(e.low, e.high)
        value = scale.turn(e.value)
        places = _places(scale, value, decimals_of(low, high))
        return f"{scale.before}{number(value, places)}{scale.after} ({percent} interval {interval(low, high, places)}; {counts})"

    def distance(self, km, decimals=None):
        return self.quantity(km, "km", decimals)

    def span(self, low_km, high_km, decimals=None):
        return self.range(low_km, high_km, "km", decimals)

    def money(self, amount, decimals=None):
        return self.quantity(amount, "money", decimals)

    def per_distance(self, money_per_km, decimals=None):
        return self.quantity(money_per_km, "money_per_km", decimals)

    def depth(self, mm, decimals=None):
        return self.quantity(mm, "mm", decimals)

    def rate_mm_per_1000km(self, rate, decimals=None):
        return self.quantity(rate, "mm_per_1000km", decimals)

    def percent(self, share, decimals=None):
        return self.quantity(share, "share", decimals)

    def fuel(self, l_per_100km, decimals=None):
        """Litres per 100 km, or miles per gallon where distances are read in miles."""
        return self.quantity(l_per_100km, "l_per_100km", decimals)

    def volume(self, litres, decimals=None):
        return self.quantity(litres, "l", decimals)

    def pressure(self, kpa, decimals=None):
        return self.quantity(kpa, "kpa", decimals)

    def days(self, n):
        return MISSING if _is_missing(n) else plural(round(n), "day")

    def date(self, day):
        """ "31 Oct 2026", the same in every locale."""
        if _is_missing(day):
            return MISSING
        day = pd.Timestamp(day)
        return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"

    def month(self, day):
        """ "Oct 2026"."""
        return MISSING if _is_missing(day) else self.date(day).split(" ", 1)[1]


def _places(scale, turned, decimals):
    """The decimals asked for, else the scale's own, else whole from ten upwards where the unit is a large one."""
    if decimals is not None:
        return max(decimals, 0) if scale.suffix == "share" else decimals
    if scale.suffix in ("km", "mi"):
        return 0 if abs(turned) >= 10 or float(turned).is_integer() else 1
    if scale.suffix == "money":
        return 0 if abs(turned) >= 100 or float(turned).is_integer() else 2
    return scale.places(turned)
