"""Life to the limit of parts of a kind, by their wear."""

from dataclasses import replace

import numpy as np
from scipy import stats

from wearbar.parts.wear import STRATUM, t_quantile
from wearbar.parts.wear_bend import LAST
from wearbar.parts.wear_limits import usable_of

__all__ = ["life_to_limit"]


def life_to_limit(wear, by=tuple(STRATUM), confidence=0.9):
    """Life to the limit of new parts of a kind, by their wear: one row a group of `by`.

    Columns of `by`, `n` (wear lines), `vehicles`, `worn` (ended worn), `life_km`, `low_km`, `high_km` (of the middle part: usable depth
    over the geometric mean rate), `quick_km` (the life that nine parts in ten exceed, by the spread between parts), `rate_mm_per_1000km`,
    `note`. Where wear bends in the last third (`wear.bent`) the rate is that before it, and the low limit the lower of both forms'.
    Vehicles are independent, parts of one are not: limits are Student's t on vehicles - 1, on the log scale; below three vehicles none are
    given.
    """
    if wear.bent is not None:
        bent, straight = (
            life_to_limit(replace(w, bent=None), by, confidence) for w in (wear.bent, wear)
        )
        return bent.assign(
            low_km=np.fmin(bent["low_km"], straight["low_km"]),
            quick_km=np.fmin(bent["quick_km"], straight["quick_km"]),
        )
    parts = wear.parts[
        (wear.parts["rate_mm_per_1000km"] > 0) & (wear.parts["n"] > 2) & wear.parts["limit"].notna()
    ].copy()
    parts["y"] = np.log(parts["rate_mm_per_1000km"])
    parts["usable"] = usable_of(parts) * (1 - LAST + LAST / (1 + parts["bend"]))
    parts["weight"] = 1 / (
        (parts["se"] / parts["rate_mm_per_1000km"]) ** 2 + parts["spread_cv"].fillna(0.25) ** 2
    )
    parts["wy"] = parts["weight"] * parts["y"]
    by = list(by)
    groups = parts.groupby(by, dropna=False)
    frame = groups.agg(
        n=("y", "size"),
        vehicles=("vehicle", "nunique"),
        worn=("observed", "sum"),
        usable=("usable", "median"),
        quantity=("quantity", "first"),
        cv=("spread_cv", "median"),
    )
    total = groups[["weight", "wy"]].sum()
    frame["log_rate"] = total["wy"] / total["weight"]
    frame["se"] = _vehicle_error(parts, by, frame["log_rate"])
    half = np.where(
        frame["vehicles"] >= 3, frame["se"] * t_quantile(confidence, frame["vehicles"] - 1), np.nan
    )
    frame["rate_mm_per_1000km"] = np.exp(frame["log_rate"])
    frame["life_km"] = 1000 * frame["usable"] / frame["rate_mm_per_1000km"]
    frame["low_km"], frame["high_km"] = (
        frame["life_km"] * np.exp(-half),
        frame["life_km"] * np.exp(half),
    )
    frame["quick_km"] = frame["life_km"] * np.exp(
        -stats.norm.ppf(0.9) * np.sqrt(np.log1p(frame["cv"] ** 2))
    )
    frame["note"] = np.where(frame["vehicles"] < 3, "under three vehicles: no limits", "")
    return frame.drop(columns=["log_rate", "se", "cv", "usable"]).reset_index()


def _vehicle_error(parts, by, mean):
    """Standard error of a weighted mean with parts clustered in vehicles (as for a ratio)."""
    keyed = parts.merge(mean.rename("mean").reset_index(), on=by)
    keyed["pull"] = keyed["weight"] * (keyed["y"] - keyed["mean"])
    each = keyed.groupby([*by, "vehicle"], dropna=False)[["pull", "weight"]].sum()
    squares = (each["pull"] ** 2).groupby(level=list(range(len(by))), dropna=False).sum()
    weight = each["weight"].groupby(level=list(range(len(by))), dropna=False).sum()
    v = each["weight"].groupby(level=list(range(len(by))), dropna=False).size()
    return np.sqrt(squares * v / (v - 1).where(v > 1)) / weight
