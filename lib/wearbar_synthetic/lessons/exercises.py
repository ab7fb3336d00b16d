"""Exercises: the right answer from a student's own rows, and what each known mistake answers there.
A mistake is made on purpose: of the rows that are asked (`SPOILED`), or of the answer."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy import stats

from wearbar.log.units import DISTANCE_KM
from wearbar.stats import fit_weibull

MILE_KM = DISTANCE_KM["mi"]
CONFIDENCE = 0.9

SPOILED = {
    "failed-only": lambda rows: rows[rows["observed"]],
    "on-as-failed": lambda rows: rows.assign(observed=True),
    "flag-inverted": lambda rows: rows.assign(observed=~rows["observed"]),
    "entry-ignored": lambda rows: rows.assign(entry_km=0.0),
    "age-from-record": lambda rows: rows.assign(
        duration_km=rows["duration_km"] - rows["entry_km"], entry_km=0.0
    ),
}


@dataclass(frozen=True)
class Exercise:
    """One number to find: `right(rows)`, in `unit`, as near as `tolerance` (a share of it).
    spoiled: names in `SPOILED`; slips: other mistakes by name, each a function of the rows."""

    unit: str
    right: Callable
    spoiled: tuple = ()
    slips: dict = field(default_factory=dict)
    tolerance: float = 0.01

    def mistakes(self, rows):
        """What each known mistake answers on these rows, by its name."""
        made = {name: float(self.right(SPOILED[name](rows))) for name in self.spoiled}
        return made | {name: float(slip(rows)) for name, slip in self.slips.items()}

    def verdict(self, answer, rows):
        """ "right", the name of the nearest known mistake within the tolerance, or ""."""
        right = float(self.right(rows))
        if self._is_near(answer, right):
            return "right"
        made = self.mistakes(rows).items()
        off = {name: abs(answer - x) for name, x in made if self._is_near(answer, x)}
        return min(off, key=off.get) if off else ""

    def _is_near(self, answer, value):
        return bool(np.isfinite(value) and abs(answer - value) <= self.tolerance * abs(value))


def fitted(rows, confidence=CONFIDENCE, shape=None):
    """The Weibull law of these lives, late entries allowed for."""
    entry = rows["entry_km"] if (rows["entry_km"] > 0).any() else None
    ends = rows["duration_km"], rows["observed"]
    return fit_weibull(*ends, entry, shape=shape, confidence=confidence)


def early(rows, p=0.1, confidence=CONFIDENCE):
    """The km by which a share `p` has failed: an `Estimate`."""
    return fitted(rows, confidence).quantile(p)


def _life_by(rows, p=0.1):
    """The same without its limits."""
    fit = fitted(rows)
    return fit.scale * (-np.log(1 - p)) ** (1 / fit.shape)


def _watched(rows):
    return (rows["duration_km"] - rows["entry_km"]).sum()


def _no_wear_out(p):
    """The slip of a law without wear-out: all km over all failures, as if of a steady rate."""
    return lambda rows: -np.log(1 - p) * _watched(rows) / rows["observed"].sum()


EARLY = Exercise(
    "km",
    _life_by,
    ("failed-only", "on-as-failed", "flag-inverted"),
    {
        "steady-rate": _no_wear_out(0.1),
        "wrong-tail": lambda rows: _life_by(rows, 0.9),
        "in-miles": lambda rows: _life_by(rows) / MILE_KM,
        "median-for-early": lambda rows: _life_by(rows, 0.5),
    },
)
EARLY_LOW = Exercise(
    "km",
    lambda rows: early(rows).low,
    ("failed-only", "on-as-failed", "flag-inverted"),
    {
        "no-limit": _life_by,
        "upper-for-lower": lambda rows: early(rows).high,
        "one-sided": lambda rows: early(rows, confidence=0.8).low,
        "other-confidence": lambda rows: early(rows, confidence=0.95).low,
        "in-miles": lambda rows: early(rows).low / MILE_KM,
    },
)


def still_on(at_km):
    """The share of parts still in service after `at_km`, by the law fitted."""

    def share(rows):
        fit = fitted(rows)
        return np.exp(-((at_km / fit.scale) ** fit.shape))

    return Exercise(
        "share",
        share,
        ("failed-only", "on-as-failed", "flag-inverted"),
        {
            "failed-for-on": lambda rows: 1 - share(rows),
            "counted-share": lambda rows: 1 - rows["observed"].mean(),
            "count-beyond": lambda rows: (rows["duration_km"] > at_km).mean(),
            "as-percent": lambda rows: 100 * share(rows),
        },
    )


LATE = Exercise(
    "km",
    lambda rows: _life_by(rows, 0.5),
    ("entry-ignored", "age-from-record", "failed-only", "flag-inverted"),
    {
        "steady-rate": _no_wear_out(0.5),
        "in-miles": lambda rows: _life_by(rows, 0.5) / MILE_KM,
    },
    tolerance=0.01,
)


def at_risk(at_km):
    """How many parts are under watch, of their own age, at `at_km`: a whole number."""

    def count(rows, late=True):
        is_in = rows["duration_km"] >= at_km
        return float((is_in & (rows["entry_km"] < at_km)).sum() if late else is_in.sum())

    return Exercise(
        "parts",
        count,
        ("age-from-record", "failed-only"),
        {
            "entry-ignored": lambda rows: count(rows, late=False),
            "not-begun": lambda rows: float((rows["entry_km"] < at_km).sum()),
            "gone-by": lambda rows: float((rows["duration_km"] < at_km).sum()),
            "late-alone": lambda rows: float(
                (rows["entry_km"].between(1, at_km - 1) & (rows["duration_km"] >= at_km)).sum()
            ),
        },
        tolerance=0.004,
    )


def known_shape(shape):
    """The km by which a tenth has failed, of few ends at a shape stated beforehand."""

    def value(rows, at=shape, p=0.1):
        scale = ((rows["duration_km"] ** at).sum() / rows["observed"].sum()) ** (1 / at)
        return scale * (-np.log(1 - p)) ** (1 / at)

    return Exercise(
        "km",
        value,
        ("failed-only", "on-as-failed", "flag-inverted"),
        {
            "steady-rate": lambda rows: value(rows, at=1.0),
            "median-for-early": lambda rows: value(rows, p=0.5),
            "scale-for-early": lambda rows: value(rows, p=1 - np.exp(-1)),
            "in-miles": lambda rows: value(rows) / MILE_KM,
        },
    )


def known_shape_low(shape):
    """The lower limit of the same, of the two-sided 90% interval by chi-square."""

    def limit(rows, tail=0.95, more=1, at=shape):
        freedom = 2 * rows["observed"].sum() + more
        whole = (rows["duration_km"] ** at).sum()
        return (2 * whole / stats.chi2.ppf(tail, freedom) * -np.log(0.9)) ** (1 / at)

    return Exercise(
        "km",
        limit,
        ("failed-only", "on-as-failed", "flag-inverted"),
        {
            "one-sided": lambda rows: limit(rows, tail=0.9),
            "upper-for-lower": lambda rows: limit(rows, tail=0.05),
            "no-limit": known_shape(shape).right,
            "steady-rate": lambda rows: limit(rows, at=1.0),
            "in-miles": lambda rows: limit(rows) / MILE_KM,
        },
    )
