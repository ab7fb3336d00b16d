"""What each report can say of a log, what it cannot, and which gap in the record is to blame."""

import numpy as np
import pandas as pd

from wearbar.tables import TABLES

__all__ = ["answers"]

FEW_LINES, FEW_VEHICLES, FEW_ENDS, YEAR = 3, 8, 3, 365
COSTS = ["labour_cost", "parts_cost", "other_cost"]


def answers(log, record):
    """What each report can say of this log: report, subject, can ("yes", "in part", "no"), why (a code, "" for yes), amount.

    record: `coverage.record` of the log. amount: the count or share that the code speaks of, NaN where it needs none.
    """
    f = _facts(log, record)
    rows = [
        ("interval_compliance", "on-time",
         _first(("no-plan", not f["plan"]), ("no-work", not f["work"]), ("no-readings", not f["readings"])),
         _first(("stale", f["stale"] > 0, f["stale"]), ("work-without-reading", f["work_blind"] > 0.1, f["work_blind"]),
                ("no-layups", not f["layups"]))),
        ("interval_compliance", "defects", _first(("no-defects", not f["defects"])), None),
        ("interval_compliance", "certificates", _first(("no-certificates", not f["certificates"])), None),
        ("interval_compliance", "campaigns", _first(("no-campaigns", not f["campaigns"])), None),
        ("consumable_life", "wear", _first(("no-measurements", not f["measurements"]), ("few-measured", f["measured_parts"] == 0)),
         _first(("few-measured-parts", f["measured_parts"] < FEW_LINES, f["measured_parts"]))),
        ("consumable_life", "life", _first(("no-fitted", not f["fitted"])),
         _first(("few-ends", f["ends"] < FEW_ENDS, f["ends"]), ("age-unknown", f["age_unknown"] > 0, f["age_unknown"]))),
        ("consumable_life", "part-cost", _first(("no-fitted", not f["fitted"]), ("no-prices", f["priced"] == 0)),
         _first(("some-prices", f["priced"] < 0.95, f["priced"]))),
        ("severe_use", "effect", _first(("no-use", not f["use"]), ("no-measurements", not f["measurements"]),
                                        ("few-vehicles", f["vehicles"] < FEW_VEHICLES, f["vehicles"])), None),
        ("running_cost", "cost", _first(("no-work", not f["work"]), ("no-money", f["costed"] == 0)),
         _first(("some-money", f["costed"] < 0.95, f["costed"]), ("net-or-gross", not log.money), ("no-fixed", not f["fixed_costs"]))),
        ("running_cost", "fuel", _first(("no-fuel", not f["fuel"])),
         _first(("fills-without-reading", f["fuel_blind"] > 0.05, f["fuel_blind"]))),
        ("running_cost", "replace", _first(("no-values", not (f["valuations"] or f["sold"])), ("no-money", f["costed"] == 0)),
         _first(("some-values", f["valued"] < f["vehicles"], f["valued"]))),
        ("outlook", "next-year", _first(("no-plan", not f["plan"]), ("no-readings", not f["readings"])),
         _first(("short", f["days"] < YEAR, f["days"]), ("stale", f["stale"] > 0, f["stale"]))),
        ("visit_sheet", "sheet", _first(("no-plan", not f["plan"])), _first(("stale", f["stale"] > 0, f["stale"]))),
    ]  # fmt: skip
    told = [(report, subject, *_told(no, part)) for report, subject, no, part in rows]
    return pd.DataFrame(told, columns=["report", "subject", "can", "why", "amount"])


def _told(no, part):
    return ("no", *no) if no else ("in part", *part) if part else ("yes", "", np.nan)


def _first(*checks):
    """(code, amount) of the first check that is met, else None; a check is (code, is met) or (code, is met, amount)."""
    return next(((code, float(more[0]) if more else np.nan) for code, met, *more in checks if met), None)


def _facts(log, record):
    """Counts and shares that decide what can be said."""
    t = log.tables
    fitted, work = t["fitted"], t["work"]
    depth = t["measurements"][t["measurements"]["quantity"].isin(["depth", "thickness"])]
    places = depth.groupby(["vehicle", "position", "category"])["date"].nunique()
    own = t["vehicles"].dropna(subset=["price"])["vehicle"]
    return {
        **{name: len(t[name]) > 0 for name in TABLES},
        "plan": log.plan is not None,
        "readings": int(record["n_readings"].sum()),
        "vehicles": len(t["vehicles"]),
        "stale": int(record["is_stale"].sum()),
        "days": (log.as_of - log.first_day).days,
        "work_blind": _share(work["odometer"].isna() & work["hours"].isna()),
        "fuel_blind": _share(t["fuel"]["odometer"].isna()),
        "costed": _share(work[COSTS].notna().any(axis=1)),
        "measured_parts": int((places >= FEW_LINES).sum()),
        "ends": int(fitted["reason"].isin(["worn", "failed"]).sum()),
        "age_unknown": int((fitted["fitted"].isna() & fitted["fitted_odometer"].isna()).sum()),
        "priced": _share(fitted["price"].notna()),
        "sold": t["vehicles"]["disposed_value"].notna().any(),
        "valued": int(own.isin(t["valuations"]["vehicle"]).sum()) if len(t["valuations"]) else 0,
    }  # fmt: skip


def _share(mask):
    return float(mask.mean()) if len(mask) else 0.0
