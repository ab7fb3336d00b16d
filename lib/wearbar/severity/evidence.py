"""Which parts count, where use can be compared, what an effect is, when it is refused.

The thresholds are judgement, fixed in advance."""

from dataclasses import dataclass, replace
from math import ceil, nan

import numpy as np
import pandas as pd

from wearbar.stats.clustered import added_up, independent_columns
from wearbar.stats.estimate import Estimate, refused

STEP = 0.10  # of share; what the ratio is for
NONE = Estimate(nan, nan, nan, 0.9, 0)
RELIABILITY = 0.8  # of recalled shares: assumed, and asked of differences within vehicles
MIN_KEPT = 0.5  # of that reliability, beside the adjusters
SETTLED = (0.9, 1.5)  # an interval that holds both says nothing of use
NEGLIGIBLE = 0.05  # of a ratio
ADJUSTERS = ["site", "kind", "item", "position"]
# of a part: readings, share of its distance whose use is known, se against the median rate
MIN_READINGS, MIN_COVERAGE, MAX_RELATIVE_SE = 2, 0.5, 2.0
NO_SITE = "site not known"
# vehicles a side, in all and at a site that matters (intervals cover as well with two as five);
# sites with both; share of the contrast that makes a site matter
MIN_A_SIDE, MIN_AT_SITE, MIN_STRATA, WEIGHT = 4, 2, 3, 0.10
MAX_R2, MIN_RESIDUAL_SD, MIN_GAP = 0.90, 0.05, 0.05  # of share
LINES_A_COEFFICIENT = 12


@dataclass(frozen=True)
class Effect:
    """The effect of one kind of use on the wear of one category."""

    category: str
    exposure: str
    n_parts: int
    n_vehicles: int
    refusals: tuple = ()  # codes, empty where a figure is given
    # of wear rates for +0.10 of share at share_mid, if rates add up by share; NaN where refused
    ratio: Estimate = NONE
    between: Estimate = NONE  # the ratio from vehicles alone
    within: Estimate = NONE  # the ratio from parts of one vehicle alone
    lower: float = nan  # one-sided 95% limit of the ratio
    p: float = nan  # one-sided, of no effect; p_holm: over all effects tested
    p_holm: float = nan
    p_disagree: float = nan  # that between and within are one
    vehicles_needed: int = 0  # to settle it, 0 where settled
    coefficients: int = 0
    share_low: float = nan  # 5%, mean and 95% of the parts' share
    share_mid: float = nan
    share_high: float = nan
    r2: float = nan  # of the share on the adjusters
    without_vehicle: tuple = (nan, nan)  # least and greatest ratio with one left out
    without_site: tuple = (nan, nan)
    additive: Estimate = NONE  # wear in this use over wear in other use, and its lower limit
    additive_lower: float = nan
    log_linear: Estimate = NONE  # the ratio for +0.10 were it alike at every share
    log_linear_lower: float = nan
    is_additive: bool = True  # the additive form fits better than the log-linear one
    # the ratio if recalled shares have reliability 0.8; NaN where most would then be error
    attenuated: Estimate = NONE
    e_value: float = nan
    e_value_limit: float = nan
    overlap: pd.DataFrame | None = None  # a row a site
    left_out: pd.DataFrame | None = None  # parts not counted, by reason
    points: pd.DataFrame | None = None  # a row a vehicle, its wear over the mean once adjusted
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
    """How strongly an unseen cause must go with use and wear to be all (VanderWeele & Ding 2017).

    >>> round(e_value(3.9), 2)
    7.26
    """
    r = max(ratio, 1 / ratio)
    return float(r + np.sqrt(r * (r - 1)))


def usable(parts, exposure):
    """Parts that count, a missing site "not given", and how many do not by reason."""
    rate, covered = parts["rate_mm_per_1000km"], parts["coverage_share"]
    covered = parts.get(f"{exposure}_coverage_share", covered).where(parts[exposure].notna())
    rules = {
        "fewer than two readings": ~(parts["n_readings"] >= MIN_READINGS),
        "use not known for half of its distance": ~(covered >= MIN_COVERAGE),
        "wear too uncertain": ~(parts["se"] <= MAX_RELATIVE_SE * rate.median()) | rate.isna(),
        NO_SITE: parts["site"].isna() & (parts["vehicle"].nunique() > 1),
    }
    why = pd.Series(np.select(list(rules.values()), list(rules), ""), parts.index)
    counts = why[why != ""].value_counts().reindex(list(rules)).dropna().astype(int)
    used = parts[why == ""]
    site = used["site"].astype(object).where(used["site"].notna(), "not given")
    return used.assign(site=site), counts.rename_axis("why").reset_index(name="parts")


def compared(used, exposure, others):
    """(x, z): each part's share of this use in steps, array (n), and independent columns (n, p) of
    what is adjusted for: one, the levels of the adjusters, other uses known throughout.

    A share is that of the part's vehicle where shares differ within vehicles by little more than
    people's error in recalling them (`<exposure>_error`, its sd for the part; nil where not given).
    """
    share, vehicle = used[exposure], used["vehicle"]
    middle = share.groupby(vehicle).transform("mean")
    spare = max(len(used) - vehicle.nunique(), 1)
    error = used.get(f"{exposure}_error", pd.Series(0.0, used.index)).fillna(0.0)
    seen, recalled = ((share - middle) ** 2).sum() / spare, (error**2).mean()
    share = share if seen * (1 - RELIABILITY) >= recalled else middle
    levels = used[ADJUSTERS].astype(object)
    levels = levels.where(levels.notna(), "not given").astype(str)
    dummies = pd.get_dummies(levels, drop_first=True, dtype=float)
    other = used[[o for o in others if used[o].notna().all()]] / STEP
    z = np.column_stack([np.ones(len(used)), dummies.to_numpy(), other.to_numpy()])
    return share.to_numpy() / STEP, z[:, independent_columns(z)]


def overlap(used, share, rest):
    """A row a site: vehicles used easier and harder than expected, and whether that is enough."""
    parts = used[["vehicle", "site"]].assign(share=share, rest=rest, square=rest**2)
    how = {"site": "first", "share": "mean", "rest": "mean", "square": "sum"}
    each = parts.groupby("vehicle").agg(how)
    is_easy = each["rest"] <= 0
    each = each.assign(easy=each["rest"].where(is_easy), hard=each["rest"].mask(is_easy))
    of = {"n_vehicles": ("share", "size"), "n_easier": ("easy", "count")}
    of |= {"n_harder": ("hard", "count"), "share_least": ("share", "min")}
    of |= {"share_most": ("share", "max"), "weight_share": ("square", "sum")}
    table = each.groupby("site").agg(**of, easy=("easy", "mean"), hard=("hard", "mean"))
    table["weight_share"] /= max(table["weight_share"].sum(), 1e-300)
    table["gap"] = table.pop("hard") - table.pop("easy")
    enough = table[["n_easier", "n_harder"]].min(axis=1) >= MIN_AT_SITE
    matters = table["weight_share"] >= WEIGHT
    return table.assign(has_both=enough & (table["gap"] >= MIN_GAP), matters=matters).reset_index()


def judged(found, confidence):
    """The `Effect` with what its result itself refuses, and how far to trust it."""
    ratio, (low, high) = found.ratio, found.without_vehicle
    # one vehicle decides, or turns more wear into less or the other way
    value, other = ratio.value - 1, (low if ratio.value > 1 else high) - 1
    turns = other * value < 0 and max(abs(other), abs(value)) > NEGLIGIBLE
    moves = low < ratio.low or high > ratio.high or turns
    reasons = {
        "not-estimable": not np.isfinite(ratio.value),
        "disagree": found.p_disagree < 0.05,
        "one-vehicle-decides": moves,
    }
    if refusals := tuple(code for code, bad in reasons.items() if bad):
        none = refused("refused: " + ", ".join(refusals), confidence, found.n_parts)
        figures = dict.fromkeys(("ratio", "additive", "log_linear"), none)
        limits = dict.fromkeys(("lower", "additive_lower", "log_linear_lower"), nan)
        return replace(found, refusals=refusals, **figures, **limits)
    # reliability that is left once the adjusters are known (Carroll et al. 2006, ch. 3)
    kept, ends = (RELIABILITY - found.r2) / (1 - found.r2), (ratio.value, ratio.low, ratio.high)
    recalled = [float(v ** (1 / kept)) for v in ends] if kept >= MIN_KEPT else [nan] * 3
    nearer = ratio.low if ratio.value > 1 else ratio.high
    least, most = found.log_linear.low, found.log_linear.high
    needed = 0
    if least < SETTLED[0] and most > SETTLED[1]:  # vehicles for an interval that no longer is
        needed = found.n_vehicles * (np.log(most / least) / np.log(SETTLED[1] / SETTLED[0])) ** 2
    limit = 1.0 if (nearer - 1) * (ratio.value - 1) <= 0 else e_value(nearer)
    told = {
        "e_value": e_value(ratio.value),
        "e_value_limit": limit,
        "vehicles_needed": ceil(needed),
    }
    return replace(found, **told, attenuated=Estimate(*recalled, confidence, found.n_parts))
