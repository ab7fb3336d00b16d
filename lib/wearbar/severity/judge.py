"""When an effect's own result refuses it, and how far to trust it."""

from dataclasses import replace
from math import ceil, nan

import numpy as np

from wearbar.severity.effect import NONE, e_value
from wearbar.severity.parts import RELIABILITY
from wearbar.stats.estimate import Estimate

MIN_KEPT = 0.5  # of the reliability of recalled shares, beside the adjusters
SETTLED = (0.9, 1.5)  # an interval that holds both says nothing of use
NEGLIGIBLE = 0.05  # of a ratio


def judged(found, confidence):
    """What the result itself refuses, and how far to trust it: unseen causes, and shares recalled with error."""
    ratio, (low, high) = found.ratio, found.without_vehicle
    moves = low < ratio.low or high > ratio.high or _turns(ratio.value, low, high)
    reasons = {
        "not-estimable": not np.isfinite(ratio.value),
        "disagree": found.p_disagree < 0.05,
        "one-vehicle-decides": moves,
    }
    refusals = tuple(code for code, bad in reasons.items() if bad)
    if refusals:
        note = "refused: " + ", ".join(refusals)
        none = replace(NONE, n=found.n_parts, confidence=confidence, note=note)
        figures = dict.fromkeys(("ratio", "additive", "log_linear"), none)
        limits = dict.fromkeys(("lower", "additive_lower", "log_linear_lower"), nan)
        return replace(found, refusals=refusals, **figures, **limits)
    # reliability that is left once the adjusters are known (Carroll et al. 2006, ch. 3)
    kept = (RELIABILITY - found.r2) / (1 - found.r2)
    ends = [ratio.value, ratio.low, ratio.high]
    recalled = [float(v ** (1 / kept)) for v in ends] if kept >= MIN_KEPT else [nan] * 3
    nearer = ratio.low if ratio.value > 1 else ratio.high
    return replace(
        found,
        vehicles_needed=_needed(found),
        e_value=e_value(ratio.value),
        attenuated=Estimate(*recalled, confidence, found.n_parts),
        e_value_limit=1.0 if (nearer - 1) * (ratio.value - 1) <= 0 else e_value(nearer),
    )


def _turns(value, low, high):
    """Whether leaving one vehicle out turns more wear into less, or less into more; not where both are as good as none."""
    other = low if value > 1 else high
    return (other - 1) * (value - 1) < 0 and max(abs(other - 1), abs(value - 1)) > NEGLIGIBLE


def _needed(found):
    """Vehicles for a log-linear interval that no longer holds both of `SETTLED` (the additive ratio's range is bounded by its form)."""
    low, high = found.log_linear.low, found.log_linear.high
    if not (low < SETTLED[0] and high > SETTLED[1]):
        return 0
    return ceil(found.n_vehicles * (np.log(high / low) / np.log(SETTLED[1] / SETTLED[0])) ** 2)
