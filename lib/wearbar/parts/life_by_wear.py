"""Life to the limit of parts of a kind, by their wear."""

from dataclasses import replace

import numpy as np
from scipy import stats

from wearbar.parts.wear import STRATUM, t_quantile
from wearbar.parts.wear_bend import LAST
from wearbar.parts.wear_limits import usable_of


def life_to_limit(wear, by=tuple(STRATUM), confidence=0.9):
    """Life to the limit of new parts of a kind, by their wear: one row a group of `by`.

    Columns of `by`, `n` (wear lines), `vehicles`, `worn` (ended worn), `quantity`,
    `rate_mm_per_1000km`, `life_km`, `low_km`, `high_km` (of the median part: usable depth over the
    geometric mean rate), `quick_km` (the life that nine parts in ten exceed, by the spread between
    parts), `note`. Where wear bends in the last third (`wear.bent`) the rate is that before it, and
    the low limit the lower of both forms'. Vehicles are independent, parts of one are not: limits
    are Student's t on vehicles - 1, on the log scale; below three vehicles none are given.
    """
    by = list(by)
    if wear.bent is not None:
        forms = (replace(form, bent=None) for form in (wear.bent, wear))
        bent, straight = (life_to_limit(form, by, confidence) for form in forms)
        low = {name: np.fmin(bent[name], straight[name]) for name in ("low_km", "quick_km")}
        return bent.assign(**low)
    parts, rate = wear.parts, wear.parts["rate_mm_per_1000km"]
    parts = parts[(rate > 0) & (parts["n"] > 2) & parts["limit"].notna()].copy()
    rate = parts["rate_mm_per_1000km"]
    parts["usable"] = usable_of(parts) * (1 - LAST + LAST / (1 + parts["bend"]))
    parts["weight"] = 1 / ((parts["se"] / rate) ** 2 + parts["spread_cv"].fillna(0.25) ** 2)
    parts["pull"] = parts["weight"] * np.log(rate)
    groups = parts.groupby(by, dropna=False)
    frame = groups.agg(
        n=("pull", "size"),
        vehicles=("vehicle", "nunique"),
        worn=("observed", "sum"),
        quantity=("quantity", "first"),
    )
    total, middle = groups[["weight", "pull"]].sum(), groups[["usable", "spread_cv"]].median()
    log_rate = total["pull"] / total["weight"]
    half = _vehicle_error(parts, by, log_rate) * t_quantile(confidence, frame["vehicles"] - 1)
    half = half.where(frame["vehicles"] >= 3)
    frame["rate_mm_per_1000km"] = np.exp(log_rate)
    life = frame["life_km"] = 1000 * middle["usable"] / frame["rate_mm_per_1000km"]
    frame["low_km"], frame["high_km"] = life * np.exp(-half), life * np.exp(half)
    spread = np.sqrt(np.log1p(middle["spread_cv"] ** 2))  # of a lognormal
    frame["quick_km"] = life * np.exp(-stats.norm.ppf(0.9) * spread)
    frame["note"] = np.where(frame["vehicles"] < 3, "under three vehicles: no limits", "")
    return frame.reset_index()


def _vehicle_error(parts, by, mean):
    """Standard error of a weighted mean with parts clustered in vehicles (as for a ratio)."""
    keyed = parts.merge(mean.rename("mean").reset_index(), on=by)
    log_rate = np.log(keyed["rate_mm_per_1000km"])
    keyed["pull"] = keyed["weight"] * (log_rate - keyed["mean"])
    each = keyed.groupby([*by, "vehicle"], dropna=False)[["pull", "weight"]].sum()
    groups = each.assign(pull=each["pull"] ** 2).groupby(level=by, dropna=False)
    sums, v = groups.sum(), groups.size()
    return np.sqrt(sums["pull"] * v / (v - 1).where(v > 1)) / sums["weight"]
