"""Tyres by what is no wear: cold pressure too low, and age from the day of make.

A limit is the law's (a lowest pressure, a greatest age in years), or, for pressure, the plan's
figure with a source that is no example: `TOO_LOW` below it is out (common practice, no source). A
tyre without a limit is not in these frames: that is no word that it is in order.
"""

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up
from wearbar.log.law import law_of
from wearbar.log.units import PRESSURE_KPA, is_example

TYRE = "tyre"
TOO_LOW = 0.10
STALE_DAYS = 60  # an older pressure says nothing of today's (judgement)
COLUMNS = ["vehicle", "position", "value", "date", "limit", "source"]
YEAR_DAYS = 365.25


def soft_tyres(log):
    """Tyres whose last pressure is below a limit (kPa): frame `COLUMNS`, the farthest below first.

    The lowest reading of the last day, not older than `STALE_DAYS`; one taken hot counts too, since
    cold it is lower still. The greater of the law's limit and the plan's.
    """
    read = _kept(log.si("measurements"), log)
    read = read[read["quantity"].eq("pressure")]
    read = read.sort_values(["date", "value"], ascending=[False, True], kind="stable")
    read = read.drop_duplicates(["vehicle", "position"])
    read = read[(log.as_of - read["date"]).dt.days <= STALE_DAYS].reset_index(drop=True)
    plan, law = _plan_limits(log, read), _legal(log, read, "pressure")
    by_law = ~(plan["limit"] > law["limit"]) & law["limit"].notna()
    found = read.assign(**law.where(by_law, plan)).dropna(subset="limit")
    found = found[found["value"] < found["limit"]]
    worst = (found["value"] / found["limit"]).sort_values(kind="stable").index
    return found.loc[worst, COLUMNS].reset_index(drop=True)


def old_tyres(log):
    """Fitted tyres older than a limit: as `soft_tyres` in years, `date` the day of make."""
    on = _kept(log.tables["fitted"], log)
    on = on[on["removed"].isna() & on["made"].notna()].reset_index(drop=True)
    years = (log.as_of - on["made"]).dt.days / YEAR_DAYS
    found = on.assign(value=years, date=on["made"], **_legal(log, on, "age")).dropna(subset="limit")
    found = found[found["value"] > found["limit"]]
    found = found.sort_values(["value", "vehicle"], ascending=[False, True], kind="stable")
    return found[COLUMNS].reset_index(drop=True)


def _kept(rows, log):
    """The rows of tyres of vehicles that are not disposed of."""
    return rows[rows["category"].eq(TYRE) & rows["vehicle"].isin(log.here)]


def _legal(log, rows, quantity):
    """The law's limit of each row: `limit`, `source`."""
    kind = log.tables["vehicles"].set_index("vehicle")["kind"]
    asked = rows.assign(kind=look_up(rows["vehicle"], kind), last_position=rows["position"])
    legal = law_of(log).limits_of(asked, (quantity,))
    source = legal["legal_source"] + " (" + legal["jurisdiction"] + ")"
    return pd.DataFrame({"limit": legal["legal_limit"], "source": source})


def _plan_limits(log, rows):
    """The lowest pressure that a tyre task of the vehicle's plan names with a source, at each row's
    place or else for its axle: `limit` kPa, `source`; NaN and "" where there is none."""
    limits = pd.DataFrame({"limit": np.nan, "source": ""}, rows.index)
    if log.plan is None or rows.empty:
        return limits
    tasks = log.plan.in_force(log.as_of)
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
    told = told.sort_values("limit", kind="stable").drop_duplicates(["plan", "place"])
    told, plan = told.set_index(["plan", "place"]), log.plan_for(rows["vehicle"])
    for place in (rows["position"], rows["position"].str.partition("-")[0]):
        found = told.reindex(pd.MultiIndex.from_arrays([plan, place])).set_axis(rows.index)
        limits = limits.mask(limits["limit"].isna(), found)
    return limits
