"""Exercises: the right answer from a student's own rows, and what each known mistake answers there.
A mistake is made on purpose: of the rows that are asked (`SPOILED`), or of the answer."""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.cost import ageing, part_age
from wearbar.log.units import DISTANCE_KM
from wearbar.stats import fit_weibull
from wearbar.stats.estimate import Estimate
from wearbar_lessons.draw import LIMIT_MM, failed_by

MILE_KM = DISTANCE_KM["mi"]
CONFIDENCE = 0.9
UNIT = "mm per 1,000 km"
LABOUR = 60.0  # of a planned change, GBP: stated in the lesson

SPOILED = {
    "failed-only": lambda rows: rows[rows["observed"]],
    "on-as-failed": lambda rows: rows.assign(observed=True),
    "flag-inverted": lambda rows: rows.assign(observed=~rows["observed"]),
    "entry-ignored": lambda rows: rows.assign(entry_km=0.0),
    "age-from-record": lambda rows: rows.assign(
        duration_km=rows["duration_km"] - rows["entry_km"], entry_km=0.0
    ),
}
FLAGS = ("failed-only", "on-as-failed", "flag-inverted")
LATE = ("entry-ignored", "age-from-record", "failed-only", "flag-inverted")


@dataclass(frozen=True)
class Exercise:
    """One number to find: `right(rows)`, in `unit`, as near as `tolerance` (a share of it).
    spoiled: names in `SPOILED`; slips: other mistakes by name, each a function of the rows."""

    unit: str
    right: Callable
    spoiled: tuple = ()
    slips: dict = field(default_factory=dict)
    tolerance: float = 0.01

    def mistakes(self, rows, only=None):
        """What each known mistake, or of them those in `only`, answers on these rows, by name."""
        known = {name: lambda rows, of=SPOILED[name]: self.right(of(rows)) for name in self.spoiled}
        known = (known | self.slips).items()
        return {name: float(slip(rows)) for name, slip in known if only is None or name in only}

    def answers(self, rows):
        """The right answer on these rows, and those of `mistakes`."""
        return {"right": float(self.right(rows))} | self.mistakes(rows)

    def verdict(self, answer, rows):
        """ "right", the name of the nearest known mistake within the tolerance, or ""."""
        return self.nearest(answer, self.answers(rows))

    def nearest(self, answer, answers):
        """The same, of what `answers` gave."""
        off = {n: abs(answer - x) for n, x in answers.items() if self._is_near(answer, x)}
        return "right" if "right" in off else min(off, key=off.get, default="")

    def _is_near(self, answer, value):
        return bool(np.isfinite(value) and abs(answer - value) <= self.tolerance * abs(value))


def fitted(rows, confidence=CONFIDENCE, shape=None):
    """The Weibull law of these lives, late entries allowed for; its shape too, where not known."""
    return _fitted(*_bytes(rows), confidence, shape)


def early(rows, p=0.1, confidence=CONFIDENCE, shape=None):
    """The km by which a share `p` has failed: an `Estimate`."""
    return _early(p, *_bytes(rows), confidence, shape)


# right answers and mistakes ask again and again for what the same lives give
@lru_cache(maxsize=256)
def _fitted(km, ended, entry, confidence, shape):
    entry = np.frombuffer(entry)
    entry = entry if (entry > 0).any() else None
    ends = np.frombuffer(km), np.frombuffer(ended, bool)
    return fit_weibull(*ends, entry, shape=shape, confidence=confidence)


@lru_cache(maxsize=256)
def _early(p, *asked):
    return _fitted(*asked).quantile(p)


def _bytes(rows):
    kinds = {"duration_km": float, "observed": bool, "entry_km": float}
    return (rows[name].to_numpy(kind).tobytes() for name, kind in kinds.items())


def life_by(rows, p=0.1, shape=None):
    """The same without its limits, which take most of the time."""
    fit = fitted(rows, shape=shape)
    return failed_by(fit.scale, fit.shape, p)


def in_miles(right):
    """The slip of an answer in miles where km are asked."""
    return {"in-miles": lambda rows: right(rows) / MILE_KM}


def life(p=0.1, shape=None, spoiled=FLAGS):
    """Asks for the km by which a share `p` has failed; shape: where it is stated beforehand."""

    def right(rows):
        return life_by(rows, p, shape)

    slips = {"steady-rate": lambda rows: life_by(rows, p, 1.0)} | in_miles(right)
    if p != 0.5:
        slips["median-for-early"] = lambda rows: life_by(rows, 0.5, shape)
    if shape:
        slips["scale-for-early"] = lambda rows: fitted(rows, shape=shape).scale
    elif p != 0.5:
        slips["wrong-tail"] = lambda rows: life_by(rows, 1 - p)
    return Exercise("km", right, spoiled, slips)


def by_t(value, error, free, n, unit, confidence=CONFIDENCE):
    """The `Estimate` of a value with a standard error on so many degrees of freedom."""
    half = stats.t.ppf((1 + confidence) / 2, free) * error
    return Estimate(value, value - half, value + half, confidence, n, unit=unit)


def limit(told, end="low"):
    """(right answer, slips) of an exercise that asks for one limit, "low" or "high", of the 90%
    range of told(rows, confidence), an `Estimate`."""
    other = {"low": ("upper-for-lower", "high"), "high": ("lower-for-upper", "low")}[end]

    def at(rows, confidence=CONFIDENCE, end=end):
        return getattr(told(rows, confidence), end)

    slips = {
        "no-limit": lambda rows: at(rows, end="value"),
        other[0]: lambda rows: at(rows, end=other[1]),
        "one-sided": lambda rows: at(rows, 0.8),
        "other-confidence": lambda rows: at(rows, 0.95),
    }
    return at, slips


def life_low(p=0.1, shape=None):
    """Asks for the lower limit of that life's range of 90%."""
    right, slips = limit(lambda rows, confidence: early(rows, p, confidence, shape))
    return Exercise("km", right, FLAGS, slips | in_miles(right))


def still_on(at_km):
    """Asks for the share of parts still in service after `at_km`, by the law fitted."""

    def share(rows):
        return fitted(rows).survival_at(at_km)

    slips = {
        "failed-for-on": lambda rows: 1 - share(rows),
        "counted-share": lambda rows: 1 - rows["observed"].mean(),
        "count-beyond": lambda rows: (rows["duration_km"] > at_km).mean(),
        "as-percent": lambda rows: 100 * share(rows),
    }
    return Exercise("share", share, FLAGS, slips)


def at_risk(at_km):
    """Asks how many parts are under watch, of their own age, at `at_km`: a whole number."""

    def count(rows, begun=True, there=True):
        is_there, is_begun = rows["duration_km"] >= at_km, rows["entry_km"] < at_km
        return float(((is_there == there) & (is_begun if begun else True)).sum())

    slips = {
        "entry-ignored": lambda rows: count(rows, begun=False),
        "not-begun": lambda rows: float((rows["entry_km"] < at_km).sum()),
        "gone-by": lambda rows: count(rows, begun=False, there=False),
        "late-alone": lambda rows: count(rows[rows["entry_km"] > 0]),
    }
    spoiled = ("age-from-record", "failed-only")
    return Exercise("parts", count, spoiled, slips, tolerance=0.004)


def costs(rows, labour=LABOUR):
    """(cost of a planned change, of one after a failure), as the bills have them on average."""
    return rows["price"].mean() + labour, (rows["price"] + rows["fitting_cost"]).mean()


def best(rows, labour=LABOUR):
    """(km at which a planned change costs least, its cost for 1,000 km)."""
    fit, (planned, failed) = fitted(rows), costs(rows, labour)
    age = part_age.best_age(planned, failed, fit.scale, fit.shape)[0]
    return float(age), 1000 * float(part_age.cost_rate(age, planned, failed, fit.scale, fit.shape))


def _minimal_repair(rows):
    """The age for parts that are mended as bad as old (Barlow & Hunter 1960; from memory)."""
    fit, (planned, failed) = fitted(rows), costs(rows)
    return ageing.minimal_repair(planned, failed, fit.scale, fit.shape)[0]


def _never(rows):
    fit = fitted(rows)
    return 1000 * float(part_age.cost_rate(np.inf, *costs(rows), fit.scale, fit.shape))


_AGE_SLIPS = {
    "part-alone": lambda rows: best(rows, 0.0)[0],
    "as-bad-as-old": _minimal_repair,
    "median-for-age": lambda rows: life_by(rows, 0.5),
} | in_miles(lambda rows: best(rows)[0])
_COST_SLIPS = {
    "never-planned": _never,
    "part-alone": lambda rows: best(rows, 0.0)[1],
    "per-km": lambda rows: best(rows)[1] / 1000,
    "per-mile": lambda rows: MILE_KM * best(rows)[1],
}
_SPOILED = ("failed-only", "flag-inverted")
REPLACE = {
    "age": Exercise("km", lambda rows: best(rows)[0], _SPOILED, _AGE_SLIPS, 0.02),
    "cost": Exercise("GBP for 1,000 km", lambda rows: best(rows)[1], _SPOILED, _COST_SLIPS),
}


def readings_of(log, category):
    """The readings of the first van's tyre, as `draw.readings_frame` has them, read from a log."""
    fitted, read = log.si("fitted").iloc[0], log.si("measurements")
    read = read[read["vehicle"].eq(fitted["vehicle"]) & read["category"].eq(category)]
    driven = log.si("odometer").query("vehicle == @fitted.vehicle")["odometer_km"].max()
    begin, own = fitted["fitted_odometer_km"], read["odometer_km"]
    made = {"odometer_km": own, "on_km": own - begin, "depth_mm": read["value"]}
    made |= {"now_km": driven - begin, "new_mm": fitted["new_depth_mm"]}
    return pd.DataFrame(made).sort_values("on_km", ignore_index=True)


def wear_rate(rows, confidence=CONFIDENCE):
    """Least squares: mm per 1,000 km, an `Estimate` with Student's t on two fewer than readings."""
    fit, n = stats.linregress(rows["on_km"], rows["depth_mm"]), len(rows)
    return by_t(-1000 * fit.slope, 1000 * fit.stderr, n - 2, n, UNIT, confidence)


def of_readings(rows):
    """What the bands count in readings: how many, and how far is left."""
    return {"readings": len(rows), "left_km": left(rows)}


def left(rows, limit=LIMIT_MM, clock="on_km", now="now_km"):
    """The km from `now` until the line reaches the limit."""
    fit = stats.linregress(rows[clock], rows["depth_mm"])
    return (fit.intercept - limit) / -fit.slope - (rows[now].iloc[0] if now else 0.0)


def _rate(rows):
    return wear_rate(rows).value


def _by_two(rows, above=None):
    """The rate from the last reading and the first, or a depth `above` it at no distance."""
    first, last = rows.iloc[0], rows.iloc[-1]
    drop = (first["depth_mm"] if above is None else above) - last["depth_mm"]
    return 1000 * drop / (last["on_km"] - (first["on_km"] if above is None else 0.0))


_RATE_SLIPS = {
    "first-and-last": _by_two,
    "from-new": lambda rows: _by_two(rows, rows["new_mm"].iloc[0]),
    "sign": lambda rows: -_rate(rows),
    "per-km": lambda rows: _rate(rows) / 1000,
    "upside-down": lambda rows: 1 / _rate(rows),
    "per-mile": lambda rows: MILE_KM * _rate(rows),
}
_rate_high, _HIGH_SLIPS = limit(wear_rate, "high")
_HIGH_SLIPS |= {
    "sd-for-se": lambda rows: _rate(rows) + (_rate_high(rows) - _rate(rows)) * len(rows) ** 0.5,
    "per-mile": lambda rows: MILE_KM * _rate_high(rows),
}
_LEFT_SLIPS = {
    "life-for-left": lambda rows: left(rows, now=None),
    "to-nothing": lambda rows: left(rows, limit=0.0),
    "odometer-for-part": lambda rows: left(rows, clock="odometer_km"),
    "last-over-rate": lambda rows: 1000 * (rows["depth_mm"].iloc[-1] - LIMIT_MM) / _rate(rows),
}
WEAR = {
    # near: a wider tolerance would draw again the logs whose ranges are narrow, those that miss
    "rate": Exercise(UNIT, _rate, (), _RATE_SLIPS, 0.002),
    "rate-high": Exercise(UNIT, _rate_high, (), _HIGH_SLIPS, 0.002),
    "left": Exercise("km", left, (), _LEFT_SLIPS | in_miles(left), 0.002),
}
