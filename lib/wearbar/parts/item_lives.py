"""How long items last by their ends, and why parts came off early."""

from dataclasses import replace
from math import nan

import numpy as np
import pandas as pd

from wearbar.parts.by_vehicle import (
    PLACE,
    STILL,
    UNBOUNDED,
    by_both_laws,
    decisions,
    jackknife,
    named,
    with_place,
)
from wearbar.parts.lives import watched
from wearbar.stats import life_of
from wearbar.stats.weibull import BOOTSTRAP_ENDS

__all__ = ["early_ends", "lives_by_item"]

NEAR = 0.9  # of the median life: where that with early ends as worn lies below it, how they depend on wear decides, and no point is told
EXACT = 0.05  # of the middle life: looks nearer together than this tell the end itself


def lives_by_item(spans, confidence=0.9, rng=None):
    """Life until worn out or failed, from ends alone: one row a (category, kind, place_on, item) with a life watched, most ends first.

    `n`, `n_ended` (worn or failed), `n_early` (taken off early: never sure to be independent of wear), `n_between` (ends that lie between
    two looks: where those are a twentieth of the middle life apart or more; nil where ends are taken as exact), `life_km` (the median life,
    early ends taken as independent; NaN where `floor_km` is below `NEAR` of it: then a range alone) and `floor_km` (were every part
    taken off early about to wear out), limits by the spread between vehicles, of one vehicle or few ends by `life.life_of` on its
    decisions; `low_km`, the low limit of the latter, and `high_km`, the high one of the former: how early ends depend on wear is not
    known; `note`, `method`.
    """
    rng = rng or np.random.default_rng(0)
    lives = watched(with_place(spans))
    rows = [
        {**named(key), **_life(group, confidence, rng)}
        for key, group in lives.groupby([*PLACE, "item"])
    ]
    columns = [
        *PLACE,
        "item",
        "n",
        "n_ended",
        "n_early",
        "n_between",
        "life_km",
        "low_km",
        "high_km",
        "floor_km",
        "note",
        "method",
    ]
    return pd.DataFrame(rows, columns=columns).sort_values(
        ["category", "kind", "place_on", "n_ended"],
        ascending=[True, True, True, False],
        ignore_index=True,
    )


def _life(group, confidence, rng):
    early = group["cause"].eq("removed-early")
    told = {
        "n": group["part_key"].nunique(),
        "n_ended": int(group["observed"].sum()),
        "n_early": int(early.sum()),
    }
    group = decisions(group)
    early = group["cause"].eq("removed-early")
    rows = group["duration_km"], group["observed"], group["entry_km"], None
    found = _median(group["vehicle"], rows, confidence, rng)
    apart = (group["duration_km"] - group["last_seen_km"])[group["cause"].eq("worn")].dropna()
    if len(apart) and apart.median() >= EXACT * found.value:
        rows = _between_looks(group)
        early = early.reindex(rows[0].index)
        found = _median(group["vehicle"], rows, confidence, rng)
    told["n_between"] = 0 if rows[3] is None else int((rows[3] < rows[0]).sum())
    worst = (rows[0], rows[1] | early, *rows[2:])
    floor = _median(group["vehicle"], worst, confidence, rng) if early.any() else found
    high = nan if found.high > UNBOUNDED * found.value else found.high
    life = {
        "life_km": found.value,
        "low_km": np.fmin(found.low, floor.low),
        "high_km": high,
        "floor_km": floor.value,
    }
    if floor.value < NEAR * found.value:
        life["life_km"] = nan
    return {**told, **life, "note": found.note, "method": found.method}


def _median(vehicle, rows, confidence, rng):
    """The median life: by the spread between vehicles; of one vehicle, or of few ends, by its decisions alone."""
    x, seen, entry, last_seen = rows
    names = vehicle.reindex(x.index)
    if seen.sum() < BOOTSTRAP_ENDS or names.nunique() == 1:
        return life_of(x, seen, entry, confidence=confidence, rng=rng, last_seen=last_seen)
    code, cars = pd.factorize(names)
    columns = [None if c is None else c.to_numpy() for c in (x, seen, entry, last_seen)]
    found = jackknife(
        lambda w: by_both_laws("median", columns, w[:, code]), len(cars), 1, confidence, "km"
    )
    if np.isfinite(found.low):
        return replace(found, n=len(x))
    return replace(found, n=len(x), low=nan, high=nan, note="few vehicles: no range")


def _between_looks(group):
    """(duration, observed, entry, last seen) of lives whose wearing out is found by looking: an end lies after the look before it, and a
    life that goes on is known to at its last look alone; one never looked at says nothing."""
    worn, failed = group["cause"].eq("worn"), group["cause"].eq("failed")
    seen = (
        group["last_seen_km"]
        .fillna(group["entry_km"])
        .clip(group["entry_km"], group["duration_km"])
    )
    until = group["duration_km"].where(worn | failed, seen)
    known = until > group["entry_km"]
    return (
        until[known],
        group.loc[known, "observed"],
        group.loc[known, "entry_km"],
        seen.where(worn, until)[known],
    )


def early_ends(parts):
    """Why parts came off before they were worn out: one row a category and cause, the costliest first.

    parts: `wear.wear_of(...).parts`, or spans with `limit`. `n`, `of` (parts of the category that came off), `unused_share` (mean share
    of the usable depth that went with them, where their removed depth is known), `n_known`, `wasted` (that share of their price and
    fitting, summed over those with both known).
    """
    off = parts[~parts["cause"].isin(STILL)]
    early = off[~off["observed"]].copy()
    usable = early["new_depth_mm"] - early["limit"]
    early["unused_share"] = (
        (early["removed_depth_mm"] - early["limit"]) / usable.where(usable > 0)
    ).clip(0, 1)
    early["wasted"] = early["unused_share"] * (early["price"] + early["fitting_cost"].fillna(0))
    groups = early.groupby(["category", "cause"])
    frame = groups.agg(
        n=("part_key", "size"),
        unused_share=("unused_share", "mean"),
        n_known=("unused_share", "count"),
    )
    frame["wasted"] = groups["wasted"].sum(min_count=1)
    frame = frame.reset_index()
    frame["of"] = frame["category"].map(off.groupby("category").size())
    return frame.sort_values(
        ["wasted", "n"], ascending=False, na_position="last", ignore_index=True
    )
