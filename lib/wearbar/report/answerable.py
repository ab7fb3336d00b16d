"""What each report can say of a log, what it cannot, and which gap in the record is to blame.

Where a report decides by an estimate whether it can tell (wear, cost, fuel, the age to replace), that estimate is asked.
"""

import numpy as np
import pandas as pd

from wearbar import parts
from wearbar.cost import account as money
from wearbar.cost import fuel, repairs, value
from wearbar.cost import per_distance as cost
from wearbar.cost import replacement as keeping
from wearbar.log.schema import TABLES

__all__ = ["answers"]

FEW_LINES, FEW_VEHICLES, FEW_ENDS, YEAR = 3, 8, 3, 365
WORN = ["depth", "thickness", "elongation"]
COSTS = ["labour_cost", "parts_cost", "other_cost"]


def answers(log, record, readings):
    """What each report can say of this log: report, subject, can ("yes", "in part", "no"), why (a code, "" for yes), amount.

    record: `coverage.record` of the log; readings: `usage.readings`. amount: the count or share that the code speaks of, NaN where it
    needs none.
    """
    f = _facts(log, record) | _wear_facts(log, readings) | _cost_facts(log, readings)
    unread = ("no-readings", f["metered"] and not f["readings"])
    stale, no_meter = (
        ("stale", f["stale"] > 0, f["stale"]),
        ("no-meter", f["no_meter"] > 0, f["no_meter"]),
    )
    rows = [
        ("interval_compliance", "on-time", _first(("no-plan", not f["plan"]), unread),
         _first(("no-work-yet", not f["work"]), stale,
                ("work-without-reading", f["work_blind"] > 0.1, f["work_blind"]), ("no-layups", not f["layups"]))),
        ("interval_compliance", "defects", _first(("no-defects", not f["defects"])), None),
        ("interval_compliance", "certificates", _first(("no-certificates", not f["certificates"])), None),
        ("interval_compliance", "campaigns", _first(("no-campaigns", not f["campaigns"])), None),
        ("consumable_life", "wear", _first(("no-measurements", not f["looks"])),
         _first(("few-measured", f["measured_parts"] == 0), ("few-measured-parts", f["measured_parts"] < FEW_LINES, f["measured_parts"]),
                ("parts-no-meter", f["bare_parts"] > 0, f["bare_parts"]))),
        ("consumable_life", "life", _first(("no-fitted", not f["fitted"])),
         _first(("few-ends", f["ends"] < FEW_ENDS, f["ends"]), ("age-unknown", f["age_unknown"] > 0, f["age_unknown"]))),
        ("consumable_life", "part-cost", _first(("no-fitted", not f["fitted"]), ("no-prices", f["priced"] == 0),
                                              ("no-distance", not f["distance"])),
         _first(("some-prices", f["priced"] < 0.95, f["priced"]))),
        ("severe_use", "effect", _first(("no-use", not f["use"]), ("no-measurements", not f["measurements"]),
                                        ("few-vehicles", f["vehicles"] < FEW_VEHICLES, f["vehicles"])), None),
        ("running_cost", "cost",
         _first(("no-money", not f["money"]), ("no-distance", not f["distance"]),
                ("short-cost", f["days"] < cost.MIN_DAYS, f["days"]), ("few-money", not f["cost"], f["known_money"])),
         _first(("some-money", f["work"] and f["costed"] < 0.95, f["costed"]), ("net-or-gross", not log.money),
                ("no-work", not f["work"]), ("no-fixed", not f["fixed_costs"]), no_meter)),
        ("running_cost", "fuel", _first(("no-fuel", not f["fuel"]), ("no-tanks", not f["tanks"])),
         _first(("fills-without-reading", f["fuel_blind"] > 0.05, f["fuel_blind"]))),
        ("running_cost", "replace", _first(("no-values", not (f["valuations"] or f["sold"])), ("no-kind", not f["kinds_told"])),
         _first(("some-kinds", f["kinds_untold"] > 0, f["kinds_untold"]))),
        ("outlook", "next-year",
         _first(("none-owned", not f["owned"]), ("no-plan", not f["plan"] and f["days"] < YEAR), unread),
         _first(("no-plan-year", not f["plan"]), ("short", f["days"] < YEAR, f["days"]), stale)),
        ("visit_sheet", "sheet", _first(("no-plan", not f["plan"])), _first(stale)),
    ]  # fmt: skip
    told = [(report, subject, *_told(no, part)) for report, subject, no, part in rows]
    return pd.DataFrame(told, columns=["report", "subject", "can", "why", "amount"])


def _told(no, part):
    return ("no", *no) if no else ("in part", *part) if part else ("yes", "", np.nan)


def _first(*checks):
    """(code, amount) of the first check that is met, else None; a check is (code, is met) or (code, is met, amount)."""
    return next(
        ((code, float(more[0]) if more else np.nan) for code, met, *more in checks if met), None
    )


def _facts(log, record):
    """Counts and shares of the log's rows."""
    t = log.tables
    fitted, work, fills = t["fitted"], t["work"], t["fuel"]
    no_meter = t["vehicles"].loc[t["vehicles"]["meter"].isin(["hours", "none"]), "vehicle"]
    piece = (
        fitted["part"].fillna(pd.Series(fitted.index.astype(str), fitted.index))
        + "|"
        + fitted["category"]
    )
    return {
        **{name: len(t[name]) > 0 for name in TABLES},
        "plan": log.plan is not None,
        "owned": int(t["vehicles"]["disposed"].isna().sum()),
        "readings": int(record["n_readings"].sum()),
        "metered": bool(record["has_meter"].any()),
        "no_meter": len(no_meter),
        "vehicles": len(t["vehicles"]),
        "stale": int(record["is_stale"].sum()),
        "days": log.record_days,
        "work_blind": _share(
            work["odometer"].isna()
            & work["hours"].isna()
            & work["vehicle"].isin(record.query("has_meter")["vehicle"])
        ),
        "fuel_blind": _share(fills.loc[~fills["vehicle"].isin(no_meter), "odometer"].isna()),
        "costed": _share(work[COSTS].notna().any(axis=1)),
        "ends": int(fitted["reason"].isin(["worn", "failed"]).sum()),
        "age_unknown": int(
            (
                (fitted["fitted"].isna() | (fitted["fitted"] < log.first_day))
                & fitted["fitted_odometer"].isna()
            ).sum()
        ),
        "priced": _share(
            fitted["price"].notna().groupby(piece).any()
        ),  # a piece's price stands in one of its rows
        "sold": t["vehicles"]["disposed_value"].notna().any(),
    }


def _wear_facts(log, readings):
    """Parts whose wear was read at two distances or more; what `fitted` says of their depth is a reading too."""
    looks = parts.looks_of(log, readings)
    worn = log.tables["measurements"]["quantity"].isin(
        WORN
    )  # read on a vehicle without distance too
    bare = log.tables["fitted"].merge(log.tables["vehicles"][["vehicle", "meter"]], on="vehicle")
    return {
        "looks": len(looks) > 0 or bool(worn.any()),
        "measured_parts": int((looks.groupby("part_key")["distance_km"].nunique() > 1).sum()),
        "bare_parts": int((bare["meter"].isin(["hours", "none"]) & bare["removed"].isna()).sum()),
    }


def _cost_facts(log, readings):
    """What the report of running cost can tell."""
    book = money.account(log, readings)
    periods, born = (
        repairs.observed_periods(book, log, readings),
        log.tables["vehicles"].set_index("vehicle")["in_service"],
    )
    kept = keeping.cheapest_ages(book.vehicles, book.lines, periods, value.value_points(log), born)
    told = sum("cost_per_year" in kind.curve for kind in kept)
    return {
        "money": book.lines["amount"].notna().any(),
        "distance": book.vehicles["distance_km"].gt(0).any(),
        "cost": not np.isnan(cost.total_per_km(book).value),
        "known_money": cost.cost_per_km(book)["known_share"].min(),
        "tanks": len(fuel.tanks(log, readings)) > 0,
        "kinds_told": told,
        "kinds_untold": len(kept) - told,
    }


def _share(mask):
    return float(mask.mean()) if len(mask) else 0.0
