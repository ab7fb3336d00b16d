"""How much oil engines use, from what is added at level checks: refused where the level before is not known, or cold and hot are mixed."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.log.keys import is_among
from wearbar.stats.estimate import MIN_VEHICLES, ratios

__all__ = ["oil_by_kind", "oil_use"]

CHECK, OIL = (
    "engine-oil-level",
    "engine-oil",
)  # a task of the first reads the level; any other that begins with the second changes the oil
BEFORE = "level before"  # place of a reading of what was missing before topping up
MIN_PERIODS = 3
UNREAD = "the level before topping up is not in the log"
MIXED = "cold and hot readings are mixed, or it is not told which"


def oil_use(log, readings, confidence=0.9):
    """Oil used by each vehicle that has top-ups: one row a vehicle.

    `vehicle, kind, n_topups, n` (periods), `distance_km`, `used_ml`, `ml_per_1000km` with `low`, `high` (jackknife over periods),
    `why_not` (words where it is refused).
    A period runs between two occasions at which the level was known before and after: read (a top-up at place "level before" is what was
    missing), nothing to add, or topped up at a level check, which is to the mark. One with an oil change in it counts in none.
    """
    seen = _occasions(log)
    same = seen["vehicle"].eq(seen["vehicle"].shift())
    path = usage.path_of(readings)
    seen["distance_km"] = usage.distance_of(
        path, seen["vehicle"], seen["date"], seen["odometer_km"]
    )["distance_km"].to_numpy()
    changes = _changes_until(log, seen)
    period = (
        same & seen["known"] & seen["known"].shift(fill_value=False) & changes.eq(changes.shift())
    )
    seen["driven"] = seen["distance_km"].diff().where(period)
    seen["used_ml"] = (seen["missing"] - seen["left"].shift()).where(period & (seen["driven"] > 0))
    seen["driven"] = seen["driven"].where(seen["used_ml"].notna())
    by = seen.groupby("vehicle")
    table = by.agg(
        n_topups=("known", "size"),
        n=("used_ml", "count"),
        distance_km=("driven", "sum"),
        used_ml=("used_ml", "sum"),
    )
    table["why_not"] = _why_not(
        table,
        by["known"].sum() < 2,
        by["state"].agg(lambda s: s.nunique(dropna=False)) > 1,
        by["state"].first(),
    )
    found = ratios(seen["vehicle"], seen["used_ml"], seen["driven"] / 1000, confidence)
    rate = found[["value", "low", "high"]].reindex(table.index).where(table["why_not"].eq(""))
    table = table.join(rate.rename(columns={"value": "ml_per_1000km"})).reset_index()
    kind = log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")["kind"]
    table.insert(1, "kind", table["vehicle"].map(kind))
    return table.sort_values(
        "ml_per_1000km", ascending=False, na_position="last", kind="stable", ignore_index=True
    )


def _why_not(table, unread, mixed, state):
    reasons = [unread, mixed | state.isna(), table["n"] < MIN_PERIODS]
    return np.select(
        reasons,
        [UNREAD, MIXED, "under three periods between level checks without an oil change"],
        "",
    )


def _occasions(log):
    """One row a vehicle and day with a top-up: `missing` before and `left` missing after, in mL, `known` that both are, `state`."""
    rows = log.si("measurements")
    rows = rows[rows["quantity"].eq("top-up") & rows["value"].notna()]
    before = rows["place"].eq(BEFORE)
    rows = rows.assign(added=rows["value"].where(~before), missing=rows["value"].where(before))
    keys = ["vehicle", "date"]
    days = rows.groupby(keys)
    seen = days.agg(
        odometer_km=("odometer_km", "max"),
        added=("added", "sum"),
        missing=("missing", "max"),
        state=("state", "first"),
    )
    seen["states"] = days["state"].nunique()
    seen = seen.reset_index()
    work = log.tables["work"]
    checks = work[work["task"].eq(CHECK) & ~work["result"].isin(["fail", "not-checked"])]
    checked = is_among(seen, checks, keys)
    seen["state"] = seen["state"].where(seen["states"].eq(1))
    seen["known"] = seen["missing"].notna() | checked | seen["added"].eq(0)
    seen["left"] = (seen["missing"] - seen["added"]).fillna(0.0)
    return seen.assign(missing=seen["missing"].fillna(seen["added"]))


def _changes_until(log, seen):
    """How many oil changes each vehicle had by the end of the day of each occasion."""
    work = log.tables["work"]
    changes = work.loc[
        work["task"].str.startswith(OIL).fillna(False) & work["task"].ne(CHECK), ["vehicle", "date"]
    ].dropna()
    both = pd.concat(
        [
            changes.assign(change=1, row=-1),
            seen[["vehicle", "date"]].assign(change=0, row=seen.index),
        ],
        ignore_index=True,
    )
    both = both.sort_values(
        ["vehicle", "date", "change"], ascending=[True, True, False], kind="stable"
    )
    total = both.groupby("vehicle")["change"].cumsum()
    asked = both["row"] >= 0
    return pd.Series(total[asked].to_numpy(), both.loc[asked, "row"].to_numpy()).reindex(seen.index)


def oil_by_kind(table, confidence=0.9):
    """Oil use of a kind of vehicle, from `oil_use`: one row a kind with three vehicles or more that have a rate; limits over vehicles."""
    known = table[table["why_not"].eq("")]
    found = (
        ratios(known["kind"], known["used_ml"], known["distance_km"] / 1000, confidence)
        .rename_axis("kind")
        .reset_index()
    )
    found = found[found["n"] >= MIN_VEHICLES].rename(
        columns={"value": "ml_per_1000km", "n": "vehicles"}
    )
    return found[["kind", "vehicles", "ml_per_1000km", "low", "high"]].reset_index(drop=True)
