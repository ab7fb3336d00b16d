"""How much oil engines use, by top-ups at level checks; refused where levels tell nothing."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.log.keys import is_among
from wearbar.log.schema import RESETS_NOTHING
from wearbar.stats.estimate import MIN_VEHICLES, ratios

CHECK = "engine-oil-level"  # reads the level
OIL = "engine-oil"  # other tasks so begun change the oil
BEFORE = "level before"  # place of a reading of what was missing before topping up
MIN_PERIODS = 3
UNREAD = "the level before topping up is not in the log"
MIXED = "cold and hot readings are mixed, or it is not known which"
FEW = "under three periods between level checks without an oil change"
KEYS = ["vehicle", "date"]


def oil_use(log, readings, confidence=0.9):
    """Oil used by each vehicle that has top-ups: one row a vehicle.

    `vehicle, kind, n_topups, n` (periods), `distance_km`, `used_ml`, `ml_per_1000km` with `low`,
    `high` (jackknife over periods), `why_not` (words where it is refused). A period runs between
    two occasions at which the level was known before and after: read (a top-up at place "level
    before" is what was missing), nothing to add, or topped up at a level check, which is to the
    mark. One with an oil change in it counts in none.
    """
    seen = _occasions(log)
    by, vehicle = seen.groupby("vehicle"), seen["vehicle"]
    at = usage.distance_of(usage.path_of(readings), vehicle, seen["date"], seen["odometer_km"])
    driven = at["distance_km"].set_axis(seen.index).diff()
    is_period = seen["known"] & by["known"].shift(fill_value=False)
    is_period &= seen["changes"].eq(by["changes"].shift()) & (driven > 0)
    seen["used_ml"] = (seen["missing"] - by["left"].shift()).where(is_period)
    seen["distance_km"] = driven.where(seen["used_ml"].notna())
    by = seen.groupby("vehicle")
    table = by.agg(n_topups=("known", "size"), n=("used_ml", "count"))
    table = table.join(by[["distance_km", "used_ml"]].sum())
    mixed = by["state"].agg(lambda s: s.nunique(dropna=False) > 1 or s.isna().iloc[0]).astype(bool)
    refusals = [by["known"].sum() < 2, mixed, table["n"] < MIN_PERIODS]
    table["why_not"] = np.select(refusals, [UNREAD, MIXED, FEW], "")
    found = ratios(vehicle, seen["used_ml"], seen["distance_km"] / 1000, confidence)
    rate = found[["value", "low", "high"]].reindex(table.index).where(table["why_not"].eq(""))
    table = table.join(rate.rename(columns={"value": "ml_per_1000km"})).reset_index()
    kind = log.tables["vehicles"].set_index("vehicle")["kind"]
    table.insert(1, "kind", table["vehicle"].map(kind))
    return table.sort_values("ml_per_1000km", ascending=False, kind="stable", ignore_index=True)


def _occasions(log):
    """One row a vehicle and day with a top-up: `missing` before and `left` missing after, in mL,
    `known` that both are, `state`, `changes` (of its oil by the end of that day)."""
    rows = log.si("measurements")
    rows = rows[rows["quantity"].eq("top-up") & rows["value"].notna()]
    before = rows["place"].eq(BEFORE)
    rows = rows.assign(added=rows["value"].where(~before), missing=rows["value"].where(before))
    seen = rows.groupby(KEYS).agg(
        odometer_km=("odometer_km", "max"),
        added=("added", "sum"),
        missing=("missing", "max"),
        state=("state", "first"),
        states=("state", "nunique"),
    )
    seen = seen.reset_index()
    work = log.tables["work"]
    is_check = work["task"].eq(CHECK)
    checked = is_among(seen, work[is_check & ~work["result"].isin(RESETS_NOTHING)], KEYS)
    seen["state"] = seen["state"].where(seen.pop("states").eq(1))
    seen["known"] = seen["missing"].notna() | checked | seen["added"].eq(0)
    seen["left"] = (seen["missing"] - seen["added"]).fillna(0.0)
    seen["missing"] = seen["missing"].fillna(seen["added"])
    changes = work.loc[work["task"].str.startswith(OIL).fillna(False) & ~is_check, KEYS].dropna()
    both = pd.concat([changes.assign(change=1), seen[KEYS].assign(change=0)])
    both = both.sort_values([*KEYS, "change"], ascending=[True, True, False], kind="stable")
    total = both.groupby("vehicle")["change"].cumsum()
    return seen.assign(changes=total[both["change"].eq(0)].to_numpy())  # in the same order


def oil_by_kind(table, confidence=0.9):
    """Oil use of a kind of vehicle, from `oil_use`: one row a kind with three vehicles or more that
    have a rate, `kind, vehicles, ml_per_1000km, low, high`; limits over vehicles."""
    known = table[table["why_not"].eq("")]
    found = ratios(known["kind"], known["used_ml"], known["distance_km"] / 1000, confidence)
    found = found[found["n"] >= MIN_VEHICLES].rename_axis("kind").reset_index()
    found = found.rename(columns={"value": "ml_per_1000km", "n": "vehicles"})
    return found[["kind", "vehicles", "ml_per_1000km", "low", "high"]]
