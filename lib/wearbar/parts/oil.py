"""How much oil engines use, by top-ups at level checks; refused where levels tell nothing."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.log.keys import is_among, look_up
from wearbar.log.schema import RESETS_NOTHING
from wearbar.stats.estimate import MIN_VEHICLES, ratios

CHECK = "engine-oil-level"  # reads the level
OIL = "engine-oil"  # other tasks so begun change the oil
BEFORE = "level before"  # place of a reading of what was missing before topping up
MIN_PERIODS = 3
UNREAD = "the level before topping up is not in the log"
MIXED = "cold and hot readings are mixed, or it is not known which"
FEW = "under three periods between level checks without an oil change"
KEYS, RATE = ["vehicle", "date"], ["ml_per_1000km", "low", "high"]


def oil_use(log, readings, confidence=0.9):
    """Oil used by each vehicle that has top-ups: one row a vehicle.

    `vehicle, kind, n_topups, n` (periods), `distance_km`, `used_ml`, `ml_per_1000km` with limits
    (jackknife over periods), `why_not` (words where it is refused). A period runs between two days
    at which the level was known before and after: read (a top-up at place "level before" is what
    was missing), nothing to add, or topped up at a level check, which is to the mark. One with an
    oil change in it counts in none.
    """
    seen = _occasions(log)
    at = usage.distance_of(readings, seen["vehicle"], seen["date"], seen["odometer_km"])
    driven, before = at["distance_km"].diff(), seen.groupby("vehicle").shift()
    is_period = seen["known"] & before["known"].eq(True) & (driven > 0)
    is_period &= ~(seen["changed"] > before["date"])
    seen["used_ml"] = (seen["missing"] - before["left"]).where(is_period)
    seen["distance_km"] = driven.where(is_period)
    by = seen.groupby("vehicle")
    table = by.agg(n_topups=("known", "size"), n=("used_ml", "count"))
    table = table.join(by[["distance_km", "used_ml"]].sum())
    is_mixed = by["state"].nunique().ne(1) | by["state"].count().lt(by.size())
    refusals = [by["known"].sum() < 2, is_mixed, table["n"] < MIN_PERIODS]
    table["why_not"] = np.select(refusals, [UNREAD, MIXED, FEW], "")
    rates = _rates(seen["vehicle"], seen, confidence).reindex(table.index)[RATE]
    table = table.join(rates.where(table["why_not"].eq(""))).reset_index()
    kind = log.tables["vehicles"].set_index("vehicle")["kind"]
    table.insert(1, "kind", look_up(table["vehicle"], kind))
    return table.sort_values("ml_per_1000km", ascending=False, kind="stable", ignore_index=True)


def _rates(group, rows, confidence):
    found = ratios(group, rows["used_ml"], rows["distance_km"] / 1000, confidence)
    return found.rename(columns={"value": "ml_per_1000km"})


def _occasions(log):
    """One row a vehicle and day with a top-up: `missing` before and `left` missing after, in mL,
    `known` that both are, `state`, `changed` (the day of its oil, by the end of that day)."""
    rows = log.si("measurements")
    rows = rows[rows["quantity"].eq("top-up") & rows["value"].notna()]
    before, value = rows["place"].eq(BEFORE), rows["value"]
    rows = rows.assign(added=value.where(~before), missing=value.where(before))
    by = rows.groupby(KEYS)
    seen = by.agg({"odometer_km": "max", "added": "sum", "missing": "max", "state": "first"})
    seen = seen.assign(state=seen["state"].where(by["state"].nunique().eq(1))).reset_index()
    work = log.tables["work"].dropna(subset=KEYS)
    is_check = work["task"].eq(CHECK)
    checked = is_among(seen, work[is_check & ~work["result"].isin(RESETS_NOTHING)], KEYS)
    seen["known"] = seen["missing"].notna() | checked | seen["added"].eq(0)
    seen["left"] = (seen["missing"] - seen["added"]).fillna(0.0)
    seen["missing"] = seen["missing"].fillna(seen["added"])
    oil = work.loc[work["task"].str.startswith(OIL).fillna(False) & ~is_check, KEYS]
    oil = oil.assign(changed=oil["date"]).sort_values("date", kind="stable")
    seen = pd.merge_asof(seen.sort_values("date", kind="stable"), oil, on="date", by="vehicle")
    return seen.sort_values(KEYS, kind="stable", ignore_index=True)


def oil_by_kind(table, confidence=0.9):
    """Oil use of a kind of vehicle, from `oil_use`: one row a kind with three vehicles or more that
    have a rate, `kind, vehicles, ml_per_1000km, low, high`; limits over vehicles."""
    known = table[table["why_not"].eq("")]
    found = _rates(known["kind"], known, confidence).rename(columns={"n": "vehicles"})
    found = found[found["vehicles"] >= MIN_VEHICLES].rename_axis("kind").reset_index()
    return found[["kind", "vehicles", *RATE]]
