"""What sentences are made of: quantities in the reader's units, harmless text, plurals and lists.

Numbers are printed with no more digits than their interval deserves (`decimals_of`).
"""

import html
import math
import re
from dataclasses import dataclass, field

import pandas as pd

from wearbar.log.units import Units
from wearbar.report.scales import scale_of

MISSING = "not known"
_HARMLESS = set(" ,.%/-")
_MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
# control characters, and those that turn the direction of the text around them
_UNSEEN = re.compile("[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]+")


def clean(text, most=160):
    """Text out of a log on one line, nothing invisible in it, cut at `most` characters."""
    if _is_missing(text):
        return MISSING
    line = " ".join(_UNSEEN.sub(" ", str(text)).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


class Harmless(str):
    """Text that `safe` has been through."""

    __slots__ = ()


def safe(text, most=160, starts=True):
    """Text out of a log, fit for a Markdown sentence: none of it becomes markup, link or formula.

    starts: whether it may begin a line, where a digit could begin a list.

    >>> safe("*new* <b>")
    '&#42;new&#42; &#60;b&#62;'
    """
    first = 0 if starts else 1
    line = enumerate(clean(text, most), start=first)
    return Harmless("".join(c if _is_harmless(c, at) else f"&#{ord(c)};" for at, c in line))


def _is_harmless(character, at):
    return character.isalpha() or (at > 0 and (character.isalnum() or character in _HARMLESS))


def plain(text):
    """The text without the character references of `safe`, for alternative texts and files."""
    return html.unescape(text)


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
    """Whether limits make an interval: one of no width, as of figures all alike, says nothing.

    >>> has_width(0.1 + 0.2, 0.3)
    False
    """
    is_known = not (_is_missing(low) or _is_missing(high))
    return is_known and high - low > 1e-9 * max(abs(low), abs(high))


def decimals_of(low, high):
    """Decimals (negative: tens, hundreds) that an interval deserves; None if it has no width.

    The half width keeps two significant digits where its first three are 100 to 354, one from 355
    to 949, and two of the next power of ten from 950 (Particle Data Group, Review of Particle
    Physics, introduction, 5.3; from memory).
    """
    if not has_width(low, high) or not math.isfinite(high - low):
        return None
    half = (high - low) / 2
    power = math.floor(math.log10(half))
    lead = half / 10**power
    return min((1 if lead < 3.55 else 0) - power, 6)


def number(x, decimals=None):
    """A number as print has it: thousands apart, no exponent; else whole or three digits."""
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
        """The `Scale` of a unit's name, such as km, money, money_per_km, share, l_per_100km."""
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

    def percent(self, share, decimals=None):
        return self.quantity(share, "share", decimals)

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


def _places(scale, turned, decimals):
    """The decimals asked for, else the scale's own, else none of a large number."""
    if decimals is not None:
        return max(decimals, 0) if scale.suffix == "share" else decimals
    large, small = {"money": (100, 2), "km": (10, 1), "mi": (10, 1)}.get(scale.suffix, (0, None))
    if not large:
        return scale.places(turned)
    return 0 if abs(turned) >= large or float(turned).is_integer() else small
