"""What is said of one kind of use and one category: `Effect`."""

from dataclasses import dataclass
from math import nan

import numpy as np
import pandas as pd

from wearbar.stats.clustered import added_up
from wearbar.stats.estimate import Estimate

STEP = 0.10  # of share; what the ratio is for
NONE = Estimate(nan, nan, nan, 0.9, 0)
REFUSALS = (
    "no-parts",
    "site-not-known",
    "few-vehicles",
    "one-vehicle",
    "no-contrast",
    "few-a-side",
    "one-sided-site",
    "few-lines",
    "disagree",
    "one-vehicle-decides",
    "not-estimable",
)


@dataclass(frozen=True)
class Effect:
    """The effect of one kind of use on the wear of one category.

    ratio: of wear rates for +0.10 of share at share_mid, were rates to add up by share; NaN where refused; lower: its one-sided 95% limit.
    p, p_holm: one-sided, of no effect. additive: wear in this use over wear in other use; log_linear: the ratio for +0.10 were it alike at
    every share; each with its lower limit; is_additive: that the first of the two fits better.
    between, within: the ratio from vehicles and from parts of one vehicle alone; p_disagree: that they are one.
    refusals: of `REFUSALS`, empty where a figure is given. vehicles_needed: to settle it, 0 where settled.
    share_low, share_mid, share_high: 5%, mean and 95% of the parts' share. r2, residual_sd: of the share on the adjusters.
    without_vehicle, without_site: least and greatest ratio with one left out.
    attenuated: the ratio if recalled shares have reliability 0.8; NaN where most of the contrast would then be error.
    overlap: a row a site; left_out: parts not counted, by reason; points: a row a vehicle, its wear as a ratio to the mean once adjusted.
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
        ends = [
            added_up(k, self.share_mid, share)
            for k in (self.additive.value, self.additive.low, self.additive.high)
        ]
        return pd.DataFrame(
            {"value": ends[0], "low": np.minimum(*ends[1:]), "high": np.maximum(*ends[1:])}
        )


def e_value(ratio):
    """How strongly an unseen cause would have to go with both hard use and wear to explain the ratio (VanderWeele & Ding 2017).

    >>> round(e_value(3.9), 2)
    7.26
    """
    r = max(ratio, 1 / ratio)
    return float(r + np.sqrt(r * (r - 1)))
