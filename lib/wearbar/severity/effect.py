"""The effect of one kind of use on one category, when it is refused, how far to trust it."""

from dataclasses import dataclass, replace
from math import ceil, nan

import numpy as np
import pandas as pd

from wearbar.stats.clustered import added_up
from wearbar.stats.estimate import Estimate, refused

STEP = 0.10  # of share; what the ratio is for
NONE = Estimate(nan, nan, nan, 0.9, 0)
RELIABILITY = 0.8  # of recalled shares: assumed, and asked of differences within vehicles
MIN_KEPT = 0.5  # of that reliability, beside the adjusters
SETTLED = (0.9, 1.5)  # an interval that holds both says nothing of use
NEGLIGIBLE = 0.05  # of a ratio


@dataclass(frozen=True)
class Effect:
    """The effect of one kind of use on the wear of one category.

    ratio: of wear rates for +0.10 of share at share_mid, were rates to add up by share; NaN where
    refused; lower: its one-sided 95% limit. p, p_holm: one-sided, of no effect. additive: wear in
    this use over wear in other use; log_linear: the ratio for +0.10 were it alike at every share;
    each with its lower limit; is_additive: that the first of the two fits better. between, within:
    the ratio from vehicles and from parts of one vehicle alone; p_disagree: that they are one.
    refusals: codes, empty where a figure is given. vehicles_needed: to settle it, 0 where settled.
    share_low, share_mid, share_high: 5%, mean and 95% of the parts' share. r2, residual_sd: of the
    share on the adjusters. without_vehicle, without_site: least and greatest ratio with one left
    out. attenuated: the ratio if recalled shares have reliability 0.8; NaN where most of the
    contrast would then be error. overlap: a row a site; left_out: parts not counted, by reason;
    points: a row a vehicle, its wear as a ratio to the mean once adjusted.
    """

    category: str
    exposure: str
    n_parts: int
    n_vehicles: int
    refusals: tuple = ()
    ratio: Estimate = NONE
    between: Estimate = NONE
    within: Estimate = NONE
    lower: float = nan
    p: float = nan
    p_holm: float = nan
    p_disagree: float = nan
    vehicles_needed: int = 0
    coefficients: int = 0
    share_low: float = nan
    share_mid: float = nan
    share_high: float = nan
    r2: float = nan
    residual_sd: float = nan
    without_vehicle: tuple = (nan, nan)
    without_site: tuple = (nan, nan)
    additive: Estimate = NONE
    additive_lower: float = nan
    log_linear: Estimate = NONE
    log_linear_lower: float = nan
    is_additive: bool = True
    attenuated: Estimate = NONE
    e_value: float = nan
    e_value_limit: float = nan
    overlap: pd.DataFrame | None = None
    left_out: pd.DataFrame | None = None
    points: pd.DataFrame | None = None
    step: float = STEP

    @property
    def is_shown(self):
        """Whether a figure is given."""
        return not self.refusals

    def wear_at(self, share):
        """Fitted wear at shares, as a multiple of that at share_mid: frame value, low, high."""
        times = (self.additive.value, self.additive.low, self.additive.high)
        value, *ends = (added_up(k, self.share_mid, share) for k in times)
        return pd.DataFrame({"value": value, "low": np.minimum(*ends), "high": np.maximum(*ends)})


def e_value(ratio):
    """How strongly an unseen cause would have to go with both hard use and wear to explain the
    ratio (VanderWeele & Ding 2017).

    >>> round(e_value(3.9), 2)
    7.26
    """
    r = max(ratio, 1 / ratio)
    return float(r + np.sqrt(r * (r - 1)))


def judged(found, confidence):
    """The `Effect` with what its result itself refuses, and how far to trust it."""
    ratio, (low, high) = found.ratio, found.without_vehicle
    moves = low < ratio.low or high > ratio.high or _turns(ratio.value, low, high)
    reasons = {
        "not-estimable": not np.isfinite(ratio.value),
        "disagree": found.p_disagree < 0.05,
        "one-vehicle-decides": moves,
    }
    refusals = tuple(code for code, bad in reasons.items() if bad)
    if refusals:
        none = refused("refused: " + ", ".join(refusals), confidence, found.n_parts)
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
    """Whether leaving one vehicle out turns more wear into less, or the other way."""
    other = low if value > 1 else high
    return (other - 1) * (value - 1) < 0 and max(abs(other - 1), abs(value - 1)) > NEGLIGIBLE


def _needed(found):
    """Vehicles for a log-linear interval that no longer holds both of `SETTLED`."""
    low, high = found.log_linear.low, found.log_linear.high
    if not (low < SETTLED[0] and high > SETTLED[1]):
        return 0
    return ceil(found.n_vehicles * (np.log(high / low) / np.log(SETTLED[1] / SETTLED[0])) ** 2)
