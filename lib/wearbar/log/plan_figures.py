"""Figures of a plan: which are examples, and what one is in the workshop's other unit."""

import math

import numpy as np

from wearbar.log.units import DEPTH_MM, PRESSURE_KPA, TORQUE_NM, VOLUME_L

MOST_OFF = 0.025  # by which rounding may move a converted figure


def is_example(source):
    """Whether a figure's source says that it is none to work by."""
    return "not for use" in source.casefold() or source.casefold().startswith("example")


# one unit to the other that a workshop may have; a figure in any other unit stands alone
_LENGTH_MM = {"mm": 1.0, "in": 32 * DEPTH_MM["in32"]}
_LIQUID_L = {"L": 1.0, "mL": 0.001}
_LIQUID_L |= {"imperial pt": VOLUME_L["gal_uk"] / 8, "US qt": VOLUME_L["gal_us"] / 4}
_SAME = dict.fromkeys(("n.m", "nm", "n·m"), "N.m")
_SAME |= dict.fromkeys(("lbf·ft", "lb.ft", "lb-ft", "ft-lb", "ft.lb"), "lbf.ft")
_SAME |= {"l": "L", "litre": "L", "litres": "L", "ml": "mL", "kpa": "kPa"}


def converted(value, unit, units):
    """A figure as (value, unit) in the workshop's other unit, with no more digits than its own.

    Torque N.m and lbf.ft; pressure psi and bar or kPa, by the reader's `units`; volume litres and
    pints or quarts; length mm and in. None where there is no other, or so few digits would move it
    by more than MOST_OFF: a rough limit is worse than one unit alone.

    >>> from wearbar.log.units import Units
    >>> converted(23.0, "N.m", Units()), converted(30.0, "psi", Units(pressure="psi"))
    (('17', 'lbf.ft'), ('2.1', 'bar'))
    >>> converted(5.0, "N.m", Units()) is None
    True
    """
    unit = _SAME.get(unit.strip().casefold(), unit.strip())
    pint = "US qt" if units.volume == "gal_us" else "imperial pt"
    gauge = "psi" if unit in ("bar", "kPa") else "kPa" if units.pressure == "kPa" else "bar"
    others = (
        (TORQUE_NM, "lbf.ft" if unit == "N.m" else "N.m"),
        (PRESSURE_KPA, gauge),
        (_LIQUID_L, pint if unit in ("L", "mL") else "L"),
        (_LENGTH_MM, "in" if unit == "mm" else "mm"),
    )
    for factors, other in others:
        if unit in factors and value:
            exact = value * factors[unit] / factors[other]
            text = _rounded(exact, _digits(value))
            return (text, other) if abs(float(text) / exact - 1) <= MOST_OFF else None
    return None


def _digits(value):
    """Significant digits, trailing zeros before the point counted, those after it not."""
    return len(np.format_float_positional(abs(value), trim="-").replace(".", "").lstrip("0"))


def _rounded(x, digits):
    decimals = digits - 1 - math.floor(math.log10(abs(x)))
    return f"{round(x, decimals):.{max(decimals, 0)}f}"
