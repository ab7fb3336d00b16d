"""Tyres by what is no wear: cold pressure too low, and age from the day of make.

A limit is the law's (`law.law_of`: a lowest pressure, a greatest age in years), or, for pressure, the plan's figure where it
names a source that is no example: `TOO_LOW` below it is out (common practice, no source). Where there is no limit a tyre is
not in these frames: that is no word that it is in order.
"""

import numpy as np
import pandas as pd

from wearbar.log.law import law_of
from wearbar.log.plan_figures import is_example
from wearbar.log.units import PRESSURE_KPA

__all__ = ["old_tyres", "soft_tyres"]

TYRE = "tyre"
TOO_LOW = 0.10
STALE_DAYS = 60  # an older pressure says nothing of today's (judgement)
COLUMNS = ["vehicle", "position", "value", "date", "limit", "source"]
YEAR_DAYS = 365.25


def soft_tyres(log):
    """Tyres whose last pressure is below a limit: frame `vehicle, position, value, date, limit` (kPa), `source`.

    The lowest reading of the last day, not older than `STALE_DAYS`; one taken hot counts too, since cold it is lower still.
    The greater of the law's limit and the plan's. Sorted by how far below it.
    """
    read = log.si("measurements")
    read = read[
        read["category"].eq(TYRE)
        & read["quantity"].eq("pressure")
        & read["vehicle"].isin(_kept(log))
    ]
    read = read.sort_values(
        ["date", "value"], ascending=[False, True], kind="stable"
    ).drop_duplicates(["vehicle", "position"])
    read = read[(log.as_of - read["date"]).dt.days <= STALE_DAYS].reset_index(drop=True)
    plan, law = _plan_limits(log, read), _legal(log, read, "pressure")
    by_law = ~(plan["limit"] > law["limit"]) & law["limit"].notna()
    found = read.assign(**{c: law[c].where(by_law, plan[c]) for c in ("limit", "source")})
    found = found.dropna(subset="limit")
    found = found[found["value"] < found["limit"]]
    worst = (found["value"] / found["limit"]).sort_values(kind="stable").index
    return found.loc[worst, COLUMNS].reset_index(drop=True)


def old_tyres(log):
    """Fitted tyres older than a limit: frame as `soft_tyres`, `value` and `limit` in years, `date` the day of make."""
    on = log.tables["fitted"]
    on = on[
        on["category"].eq(TYRE)
        & on["removed"].isna()
        & on["made"].notna()
        & on["vehicle"].isin(_kept(log))
    ]
    on = on.reset_index(drop=True)
    found = on.assign(
        value=(log.as_of - on["made"]).dt.days / YEAR_DAYS,
        date=on["made"],
        **_legal(log, on, "age"),
    )
    found = found.dropna(subset="limit")
    found = found[found["value"] > found["limit"]]
    return found.sort_values(["value", "vehicle"], ascending=[False, True], kind="stable")[
        COLUMNS
    ].reset_index(drop=True)


def _kept(log):
    fleet = log.tables["vehicles"]
    return fleet.loc[~(fleet["disposed"] <= log.as_of), "vehicle"]


def _legal(log, rows, quantity):
    kind = rows["vehicle"].map(
        log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")["kind"]
    )
    asked = rows[["vehicle", "category"]].assign(kind=kind, last_position=rows["position"])
    legal = law_of(log).limits_of(asked, (quantity,))
    return pd.DataFrame(
        {
            "limit": legal["legal_limit"],
            "source": legal["legal_source"] + " (" + legal["jurisdiction"] + ")",
        }
    )


def _plan_limits(log, rows):
    """The plan's lowest pressure at each row's place: `limit` kPa, `source`; NaN and "" where it names none with a source."""
    none = pd.DataFrame({"limit": np.nan, "source": ""}, rows.index)
    if log.plan is None or rows.empty:
        return none
    figures = _pressures(log.plan, log.as_of)
    plan = rows["vehicle"].map(log.plan.assign(log.tables["vehicles"]))
    axle = rows["position"].str.partition("-")[0]
    for place in (rows["position"], axle):
        found = figures.reindex(pd.MultiIndex.from_arrays([plan, place])).set_axis(rows.index)
        none = none.mask(none["limit"].isna(), found)
    return none


def _pressures(plan, day):
    """The pressures that a plan's tyre tasks name with a source: (plan, place) to `limit`, the least of a place, and `source`."""
    now = plan.tasks
    now = now[
        ~(now["valid_from"] > day)
        & ~(now["valid_to"] < day)
        & (now["code"].str.contains(TYRE) | now["part"].eq(TYRE))
    ]
    kpa = {unit.casefold(): factor for unit, factor in PRESSURE_KPA.items()}
    rows = [
        (
            name,
            f["name"].partition(",")[0].strip().casefold(),
            f["value"] * kpa[f["unit"].casefold()] * (1 - TOO_LOW),
            f["source"],
        )
        for name, figures in zip(now["plan"], now["figures"], strict=True)
        for f in figures
        if (f["unit"] or "").casefold() in kpa
        and f["source"]
        and not is_example(f["source"])
        and f["value"] is not None
    ]
    frame = pd.DataFrame(rows, columns=["plan", "place", "limit", "source"]).sort_values(
        "limit", kind="stable"
    )
    frame["source"] += f", less {TOO_LOW:.0%} (common practice, no source)"
    return frame.drop_duplicates(["plan", "place"]).set_index(["plan", "place"])
