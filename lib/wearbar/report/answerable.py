"""What each report can say of a log, what it cannot, and which gap in the record is to blame.

Where a report decides by an estimate (wear, cost, fuel, replacement age), that estimate is asked.
"""

import numpy as np
import pandas as pd

from wearbar import parts
from wearbar.cost import account as money
from wearbar.cost import fuel, repairs, value
from wearbar.cost import per_distance as cost
from wearbar.cost import replacement as keeping
from wearbar.log.schema import TABLES
from wearbar.report.coverage import COSTS

FEW_LINES, FEW_VEHICLES, FEW_ENDS, YEAR = 3, 8, 3, 365
WORN = ["depth", "thickness", "elongation"]
# report, subject, the gaps for which it cannot be shown, those for which it is shown in part
ASKED = (
    ("interval_compliance", "on-time", "no-plan no-readings",
     "no-work-yet stale work-without-reading no-layups"),
    ("interval_compliance", "defects", "no-defects", ""),
    ("interval_compliance", "certificates", "no-certificates", ""),
    ("interval_compliance", "campaigns", "no-campaigns", ""),
    ("consumable_life", "wear", "no-measurements",
     "few-measured few-measured-parts parts-no-meter"),
    ("consumable_life", "life", "no-fitted", "few-ends age-unknown"),
    ("consumable_life", "part-cost", "no-fitted no-prices no-distance", "some-prices"),
    ("severe_use", "effect", "no-use no-measurements-of-use few-vehicles", ""),
    ("running_cost", "cost", "no-money no-distance short-cost few-money",
     "some-money net-or-gross no-work no-fixed no-meter"),
    ("running_cost", "fuel", "no-fuel no-tanks", "fills-without-reading"),
    ("running_cost", "replace", "no-values no-kind", "some-kinds"),
    ("outlook", "next-year", "none-owned no-plan-nor-year no-readings", "no-plan-year short stale"),
    ("visit_sheet", "sheet", "no-plan", "stale"),
)  # fmt: skip
# gaps that read alike and are found by a rule of their own
ALIKE = {"no-measurements-of-use": "no-measurements", "no-plan-nor-year": "no-plan"}


def answers(log, record, readings):
    """What each report can say of this log: report, subject, can, why, amount.

    can: "yes", "in part" or "no". why: a code, "" for yes. amount: the count or share that the code
    speaks of, NaN where it needs none. record: `coverage.record`; readings: `usage.readings`.
    """
    gaps = _gaps_of_rows(log, record) | _gaps_of_wear(log, readings)
    gaps |= _gaps_of_cost(log, readings)
    rows = [(report, subject, *_answer(no, part, gaps)) for report, subject, no, part in ASKED]
    return pd.DataFrame(rows, columns=["report", "subject", "can", "why", "amount"])


def _answer(no, part, gaps):
    """(can, why, amount) by the first gap met; an amount stands beside whether it is met."""
    for can, codes in (("no", no), ("in part", part)):
        for code in codes.split():
            met, amount = gaps[code] if isinstance(gaps[code], tuple) else (gaps[code], np.nan)
            if met:
                return can, ALIKE.get(code, code), float(amount)
    return "yes", "", np.nan


def _gaps_of_rows(log, record):
    """By counts and shares of the log's rows."""
    t, days, has_plan = log.tables, log.record_days, log.plan is not None
    fitted, work, fills, vehicles = t["fitted"], t["work"], t["fuel"], t["vehicles"]
    no_meter = vehicles.loc[vehicles["meter"].isin(["hours", "none"]), "vehicle"]
    metered = record.loc[record["has_meter"], "vehicle"]
    # a piece's price stands in one of its rows
    piece = fitted["part"].fillna(pd.Series(fitted.index.astype(str), fitted.index))
    priced = _share(fitted["price"].notna().groupby(piece + "|" + fitted["category"]).any())
    blank = work["odometer"].isna() & work["hours"].isna() & work["vehicle"].isin(metered)
    unread = _share(blank)
    unread_fills = _share(fills.loc[~fills["vehicle"].isin(no_meter), "odometer"].isna())
    older = fitted["fitted"].isna() | (fitted["fitted"] < log.first_day)
    costed = _share(work[COSTS].notna().any(axis=1))
    valued = len(t["valuations"]) > 0 or vehicles["disposed_value"].notna().any()
    empty = {f"no-{name}".replace("_", "-"): t[name].empty for name in TABLES}
    return empty | {
        "no-plan": not has_plan,
        "no-plan-year": not has_plan,
        "no-plan-nor-year": not has_plan and days < YEAR,
        "short": _few(days, YEAR),
        "short-cost": _few(days, cost.MIN_DAYS),
        "no-readings": len(metered) > 0 and not record["n_readings"].sum(),
        "stale": _some(record["is_stale"].sum()),
        "no-meter": _some(len(no_meter)),
        "few-vehicles": _few(len(vehicles), FEW_VEHICLES),
        "none-owned": not vehicles["disposed"].isna().any(),
        "no-work-yet": work.empty,
        "work-without-reading": (unread > 0.1, unread),
        "some-money": (len(work) > 0 and costed < 0.95, costed),
        "net-or-gross": not log.money,
        "no-fixed": t["fixed_costs"].empty,
        "no-measurements-of-use": t["measurements"].empty,
        "few-ends": _few(fitted["reason"].isin(["worn", "failed"]).sum(), FEW_ENDS),
        "age-unknown": _some((older & fitted["fitted_odometer"].isna()).sum()),
        "no-prices": priced == 0,
        "some-prices": _few(priced, 0.95),
        "fills-without-reading": (unread_fills > 0.05, unread_fills),
        "no-values": not valued,
    }


def _gaps_of_wear(log, readings):
    """By parts whose wear was read at two distances or more; depths of `fitted` are readings."""
    looks, fitted = parts.looks_of(log, readings), log.tables["fitted"]
    # read on a vehicle without distance too
    worn = log.tables["measurements"]["quantity"].isin(WORN)
    measured = (looks.groupby("part_key")["distance_km"].nunique() > 1).sum()
    meter = log.tables["vehicles"].set_index("vehicle")["meter"]
    bare = fitted["vehicle"].map(meter).isin(["hours", "none"]) & fitted["removed"].isna()
    return {
        "no-measurements": looks.empty and not worn.any(),
        "few-measured": measured == 0,
        "few-measured-parts": _few(measured, FEW_LINES),
        "parts-no-meter": _some(bare.sum()),
    }


def _gaps_of_cost(log, readings):
    """By what the report of running cost can tell."""
    book = money.account(log, readings)
    born = log.tables["vehicles"].set_index("vehicle")["in_service"]
    periods = repairs.observed_periods(book, log, readings)
    kept = keeping.cheapest_ages(book.vehicles, book.lines, periods, value.value_points(log), born)
    untold = sum("cost_per_year" not in kind.curve for kind in kept)
    known_money = cost.cost_per_km(book)["known_share"].min()
    return {
        "no-money": not book.lines["amount"].notna().any(),
        "no-distance": not book.vehicles["distance_km"].gt(0).any(),
        "few-money": (np.isnan(cost.total_per_km(book).value), known_money),
        "no-tanks": fuel.tanks(log, readings).empty,
        "no-kind": untold == len(kept),
        "some-kinds": _some(untold),
    }


def _some(n):
    return n > 0, n


def _few(n, least):
    return n < least, n


def _share(mask):
    return float(mask.mean()) if len(mask) else 0.0
