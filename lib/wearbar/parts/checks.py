"""What regular checks tell of parts besides wear: oil used, tyres too soft, tyres too old.

A tyre's limit is the law's (a lowest pressure, a greatest age in years), or, for pressure, the
plan's figure with a source that is no example: `TOO_LOW` below it is out (common practice, no
source). A tyre without a limit is not in these frames: that is no word that it is in order."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.log.keys import is_among, look_up
from wearbar.log.law import law_of
from wearbar.log.once import kept_with
from wearbar.log.schema import RESETS_NOTHING
from wearbar.log.units import PRESSURE_KPA, is_example
from wearbar.stats.estimate import MIN_VEHICLES, ratios

CHECK = "engine-oil-level"  # reads the level
OIL = "engine-oil"  # other tasks so begun change the oil
BEFORE = "level before"  # place of a reading of what was missing before topping up
MIN_PERIODS = 3
UNREAD = "the level before topping up is not in the log"
MIXED = "cold and hot readings are mixed, or it is not known which"
FEW = "under three periods between level checks without an oil change"
KEYS, RATE = ["vehicle", "date"], ["ml_per_1000km", "low", "high"]

TYRE = "tyre"
TOO_LOW = 0.10
STALE_DAYS = 60  # an older pressure says nothing of today's (judgement)
COLUMNS = ["vehicle", "position", "value", "date", "limit", "source"]
YEAR_DAYS = 365.25


def oil_use(log, confidence=0.9):
    """Oil used by each vehicle that has top-ups: frame `vehicle, kind, n` (periods), `distance_km,
    used_ml, ml_per_1000km` with limits (jackknife over periods), `why_not` (words where refused).

    A period runs between two days at which the level was known before and after: read (a top-up at
    place "level before" is what was missing), nothing to add, or topped up at a level check, which
    is to the mark. One with an oil change in it counts in none."""
    # a row a vehicle and day with a top-up: mL missing before, and whether that is known
    rows = log.si("measurements")
    rows = rows[rows["quantity"].eq("top-up") & rows["value"].notna()]
    before, value = rows["place"].eq(BEFORE), rows["value"]
    by = rows.assign(added=value.where(~before), missing=value.where(before)).groupby(KEYS)
    seen = by.agg({"odometer_km": "max", "added": "sum", "missing": "max", "state": "first"})
    seen = seen.assign(state=seen["state"].where(by["state"].nunique().eq(1))).reset_index()
    work = log.tables["work"].dropna(subset=KEYS)
    is_check = work["task"].eq(CHECK)
    checked = is_among(seen, work[is_check & ~work["result"].isin(RESETS_NOTHING)], KEYS)
    seen["known"] = seen["missing"].notna() | checked | seen["added"].eq(0)
    seen["left"] = (seen["missing"] - seen["added"]).fillna(0.0)
    seen["missing"] = seen["missing"].fillna(seen["added"])
    # the day of its oil, by the end of that day
    oil = work.loc[work["task"].str.startswith(OIL).fillna(False) & ~is_check, KEYS]
    oil = oil.assign(changed=oil["date"]).sort_values("date", kind="stable")
    seen = pd.merge_asof(seen.sort_values("date", kind="stable"), oil, on="date", by="vehicle")
    seen = seen.sort_values(KEYS, kind="stable", ignore_index=True)

    at = usage.distance_of(usage.log_path(log), seen["vehicle"], seen["date"], seen["odometer_km"])
    driven, last = at["distance_km"].diff(), seen.groupby("vehicle").shift()
    is_period = seen["known"] & last["known"].eq(True) & (driven > 0)
    is_period &= ~(seen["changed"] > last["date"])
    used = (seen["missing"] - last["left"]).where(is_period)
    seen = seen.assign(used_ml=used, distance_km=driven.where(is_period))
    by = seen.groupby("vehicle")
    table = by[["distance_km", "used_ml"]].sum().assign(n=by["used_ml"].count())
    is_mixed = by["state"].nunique().ne(1) | by["state"].count().lt(by.size())
    refusals = [by["known"].sum() < 2, is_mixed, table["n"] < MIN_PERIODS]
    table["why_not"] = np.select(refusals, [UNREAD, MIXED, FEW], "")
    rates = _rates(seen["vehicle"], seen, confidence).reindex(table.index)[RATE]
    table = table.join(rates.where(table["why_not"].eq(""))).reset_index()
    table.insert(1, "kind", look_up(table["vehicle"], log.vehicles["kind"]))
    return table.sort_values("ml_per_1000km", ascending=False, kind="stable", ignore_index=True)


def oil_by_kind(table, confidence=0.9):
    """Oil use of a kind of vehicle, from `oil_use`: one row a kind with three vehicles or more that
    have a rate, `kind, vehicles, ml_per_1000km, low, high`; limits over vehicles."""
    known = table[table["why_not"].eq("")]
    found = _rates(known["kind"], known, confidence).rename(columns={"n": "vehicles"})
    found = found[found["vehicles"] >= MIN_VEHICLES].rename_axis("kind").reset_index()
    return found[["kind", "vehicles", *RATE]]


def _rates(group, rows, confidence):
    found = ratios(group, rows["used_ml"], rows["distance_km"] / 1000, confidence)
    return found.rename(columns={"value": "ml_per_1000km"})


@kept_with(of=["measurements"])
def soft_tyres(log):
    """Tyres whose last pressure is below a limit (kPa): frame `COLUMNS`, the farthest below first.
    The lowest reading of the last day, not older than `STALE_DAYS`; the greater of the law's limit
    and the lowest that a tyre task of the plan names with a source, for its place or axle."""
    read = _of_tyres(log.si("measurements"), log)
    read = read[read["quantity"].eq("pressure")]
    read = read.sort_values(["date", "value"], ascending=[False, True], kind="stable")
    read = read.drop_duplicates(["vehicle", "position"])
    read = read[(log.as_of - read["date"]).dt.days <= STALE_DAYS].reset_index(drop=True)

    tasks = log.plan_or_empty.in_force(log.as_of)
    tasks = tasks[tasks["code"].str.contains(TYRE) | tasks["part"].eq(TYRE)]
    kpa = {unit.casefold(): factor for unit, factor in PRESSURE_KPA.items()}
    told = []
    for name, figures in zip(tasks["plan"], tasks["figures"], strict=True):
        for f in figures:
            unit_kpa, source = kpa.get((f["unit"] or "").casefold()), f["source"]
            if unit_kpa and source and not is_example(source) and f["value"] is not None:
                place = f["name"].partition(",")[0].strip().casefold()
                told.append((name, place, f["value"] * unit_kpa * (1 - TOO_LOW), source))
    told = pd.DataFrame(told, columns=["plan", "place", "limit", "source"])
    told["source"] += f", less {TOO_LOW:.0%} (common practice, no source)"
    told = told.astype({"limit": float}).sort_values("limit", kind="stable")
    told = told.drop_duplicates(["plan", "place"])
    told, plan = told.set_index(["plan", "place"]), log.plan_for(read["vehicle"])
    at, axle = (
        told.reindex(pd.MultiIndex.from_arrays([plan, place])).set_axis(read.index)
        for place in (read["position"], read["position"].str.split("-").str[0])
    )
    planned, law = at.where(at["limit"].notna(), axle), _legal(log, read, "pressure")
    by_law = ~(planned["limit"] > law["limit"]) & law["limit"].notna()
    found = read.assign(**law.where(by_law, planned)).dropna(subset="limit")
    found = found[found["value"] < found["limit"]]
    worst = (found["value"] / found["limit"]).sort_values(kind="stable").index
    return found.loc[worst, COLUMNS].reset_index(drop=True)


@kept_with(of=["fitted"])
def old_tyres(log):
    """Fitted tyres older than a limit: as `soft_tyres` in years, `date` the day of make."""
    on = _of_tyres(log.tables["fitted"], log)
    on = on[on["removed"].isna() & on["made"].notna()].reset_index(drop=True)
    years = (log.as_of - on["made"]).dt.days / YEAR_DAYS
    found = on.assign(value=years, date=on["made"], **_legal(log, on, "age")).dropna(subset="limit")
    found = found[found["value"] > found["limit"]]
    found = found.sort_values(["value", "vehicle"], ascending=[False, True], kind="stable")
    return found[COLUMNS].reset_index(drop=True)


def _of_tyres(rows, log):
    """The rows of tyres of vehicles that are not disposed of."""
    return rows[rows["category"].eq(TYRE) & rows["vehicle"].isin(log.here)]


def _legal(log, rows, quantity):
    """The law's limit of each row: `limit`, `source`."""
    kind = look_up(rows["vehicle"], log.vehicles["kind"])
    asked = rows.assign(kind=kind, last_position=rows["position"])
    legal = law_of(log).limits_of(asked, (quantity,))
    source = legal["legal_source"] + " (" + legal["jurisdiction"] + ")"
    return pd.DataFrame({"limit": legal["legal_limit"], "source": source})
