"""How long items last by their ends, and why parts were removed early."""

from dataclasses import replace
from math import nan

import numpy as np
import pandas as pd

from wearbar.parts import by_vehicle
from wearbar.parts.by_vehicle import ITEM, PLACE, STILL, UNBOUNDED
from wearbar.parts.lives import watched
from wearbar.stats import life_of
from wearbar.stats.weibull import BOOTSTRAP_ENDS

NEAR = 0.9  # of the median life: no point is told where that with early ends as worn lies below
EXACT = 0.05  # of the median life: looks nearer together than this tell the end itself
ROWS = ["vehicle", "duration_km", "observed", "entry_km"]
LIFE = "n n_ended n_early n_between life_km low_km high_km floor_km note method"


def lives_by_item(spans, confidence=0.9, rng=None):
    """Life until worn out or failed, from ends alone: a row an item at its place, most ends first.

    `category, kind, place_on, item, n`, `n_ended` (worn or failed), `n_early` (removed early:
    never sure to be independent of wear), `n_between` (ends that lie between two looks: where those
    are a twentieth of the median life apart or more; nil where ends are taken as exact), `life_km`
    (the median, early ends taken as independent; NaN where `floor_km` is below `NEAR` of it: then a
    range alone) and `floor_km` (were every part removed early about to wear out), limits by the
    spread between vehicles, of one vehicle or few ends by `life_of` on its decisions; `low_km`, the
    low limit of the latter, and `high_km`, the high one of the former: how early ends depend on
    wear is not known; `note`, `method`.
    """
    rng = rng or np.random.default_rng(0)
    groups = watched(by_vehicle.with_place(spans)).groupby(ITEM)
    rows = [(*key, *_life(group, confidence, rng)) for key, group in groups]
    frame = pd.DataFrame(rows, columns=[*ITEM, *LIFE.split()])
    order = [True, True, True, False]
    return frame.sort_values([*PLACE, "n_ended"], ascending=order, ignore_index=True)


def _life(group, confidence, rng):
    """The values of `LIFE`."""
    n, n_ended = group["part_key"].nunique(), int(group["observed"].sum())
    n_early = int(group["cause"].eq("removed-early").sum())
    group = by_vehicle.decisions(group)
    rows, n_between = group[ROWS], 0
    found = _median(rows, confidence, rng)
    apart = (group["duration_km"] - group["last_seen_km"])[group["cause"].eq("worn")].dropna()
    if len(apart) and apart.median() >= EXACT * found.value:
        rows = _between_looks(group)
        n_between = int((rows["last_seen_km"] < rows["duration_km"]).sum())
        found = _median(rows, confidence, rng)
    early, floor = group.loc[rows.index, "cause"].eq("removed-early"), found
    if early.any():
        floor = _median(rows.assign(observed=rows["observed"] | early), confidence, rng)
    life = nan if floor.value < NEAR * found.value else found.value
    high = nan if found.high > UNBOUNDED * found.value else found.high
    limits = np.fmin(found.low, floor.low), high, floor.value
    return n, n_ended, n_early, n_between, life, *limits, found.note, found.method


def _median(rows, confidence, rng):
    """The median life by the spread between vehicles; of one, or few ends, by its decisions."""
    if rows["observed"].sum() < BOOTSTRAP_ENDS or rows["vehicle"].nunique() == 1:
        lives = (rows[column] for column in ROWS[1:])
        looks = rows.get("last_seen_km")
        return life_of(*lives, confidence=confidence, rng=rng, last_seen=looks)
    found = replace(by_vehicle.life_by_vehicle("median", rows, confidence), n=len(rows))
    if np.isfinite(found.low):
        return found
    return replace(found, low=nan, high=nan, note="few vehicles: no range")


def _between_looks(group):
    """The rows of lives whose wearing out is found by looking: an end lies after the look before
    it, and a life that goes on is known to at its last look alone; one never looked at says
    nothing."""
    worn, entry, end = group["cause"].eq("worn"), group["entry_km"], group["duration_km"]
    seen = group["last_seen_km"].fillna(entry).clip(entry, end)
    until = end.where(worn | group["cause"].eq("failed"), seen)
    rows = group[ROWS].assign(duration_km=until, last_seen_km=seen.where(worn, until))
    return rows[until > entry]


def early_ends(parts):
    """Why parts were removed early: one row a category and cause, the costliest first.

    parts: `wear_of(...).parts`, or spans with `limit`. `n`, `of` (parts of the category that were
    removed), `unused_share` (mean share of the usable depth that went with them, where their
    removed depth is known), `n_known`, `wasted` (that share of their price and fitting, summed over
    those with both).
    """
    off = parts[~parts["cause"].isin(STILL)]
    early = off[~off["observed"]].copy()
    usable = early["new_depth_mm"] - early["limit"]
    unused = (early["removed_depth_mm"] - early["limit"]) / usable.where(usable > 0)
    early["unused_share"] = unused.clip(0, 1)
    early["wasted"] = early["unused_share"] * (early["price"] + early["fitting_cost"].fillna(0))
    groups = early.groupby(["category", "cause"])
    share = groups["unused_share"]
    frame = {"n": groups.size(), "unused_share": share.mean(), "n_known": share.count()}
    frame = pd.DataFrame(frame).assign(wasted=groups["wasted"].sum(min_count=1)).reset_index()
    frame["of"] = frame["category"].map(off.groupby("category").size())
    return frame.sort_values(["wasted", "n"], ascending=False, ignore_index=True)
