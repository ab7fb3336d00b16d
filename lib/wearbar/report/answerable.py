"""What each report can say of a log, what it cannot, and which gap in the record is to blame. Where
a report decides by an estimate (wear, cost, fuel, replacement age), that estimate is asked."""

import numpy as np
import pandas as pd

from wearbar import parts
from wearbar.cost import account as money
from wearbar.cost import ageing, fuel, keeping
from wearbar.cost import per_distance as cost
from wearbar.log.places import read_toml
from wearbar.log.schema import TABLES
from wearbar.report.coverage import COSTS

FEW_LINES, FEW_VEHICLES, FEW_ENDS, YEAR = 3, 8, 3, 365
WORN = ["depth", "thickness", "elongation"]
ASKED = read_toml("shared", "log", "answers.toml")["asked"]


def answers(log, record):
    """What each report can say of this log: report, subject, can, why, amount. can: "yes", "in
    part" or "no". why: a code, "" for yes. amount: the count or share that the code speaks of, NaN
    where it needs none. record: as of `record`."""
    gaps = _gaps_of_rows(log, record) + _gaps_of_estimates(log)
    gaps = {code: (is_met, *amount, np.nan) for code, is_met, *amount in gaps}
    rows = []
    for ask in ASKED:
        found = ("yes", "", np.nan)
        for can, codes in (("in part", ask["in_part"]), ("no", ask["no"])):
            if met := [code for code in codes if gaps[code][0]]:
                found = (can, met[0].split("/")[0], float(gaps[met[0]][1]))
        rows.append((ask["report"], ask["subject"], *found))
    return pd.DataFrame(rows, columns=["report", "subject", "can", "why", "amount"])


def _gaps_of_rows(log, record):
    """By counts and shares of the log's rows: code, whether it is met, the amount."""
    t, days, has_plan = log.tables, log.record_days, log.plan is not None
    fitted, work, fills, vehicles = t["fitted"], t["work"], t["fuel"], t["vehicles"]
    no_meter = vehicles.loc[vehicles["meter"].isin(["hours", "none"]), "vehicle"]
    metered = record.loc[record["has_meter"], "vehicle"]
    # a piece's price stands in one of its rows
    piece = fitted["part"].fillna(pd.Series(fitted.index.astype(str), fitted.index))
    priced = fitted["price"].notna().groupby(piece + "|" + fitted["category"]).any().mean()
    is_blank = work["odometer"].isna() & work["hours"].isna()
    unread = (is_blank & work["vehicle"].isin(metered)).mean()
    unread_fills = fills.loc[~fills["vehicle"].isin(no_meter), "odometer"].isna().mean()
    older = fitted["fitted"].isna() | (fitted["fitted"] < log.first_day)
    ageless = (older & fitted["fitted_odometer"].isna()).sum()
    ends = fitted["reason"].isin(["worn", "failed"]).sum()
    lacking = {name for name in TABLES if t[name].empty} - log.none
    costed, n_stale = work[COSTS].notna().any(axis=1).mean(), record["is_stale"].sum()
    return [
        *((f"no-{name}".replace("_", "-"), name in lacking) for name in TABLES),
        ("no-plan", not has_plan),
        ("no-plan-year", not has_plan),
        ("no-plan/year", not has_plan and days < YEAR),
        ("short", days < YEAR, days),
        ("short-cost", days < cost.MIN_DAYS, days),
        ("no-readings", len(metered) > 0 and not record["n_readings"].sum()),
        ("stale", n_stale > 0, n_stale),
        ("no-meter", len(no_meter) > 0, len(no_meter)),
        ("few-vehicles", len(vehicles) < FEW_VEHICLES, len(vehicles)),
        ("none-owned", not vehicles["disposed"].isna().any()),
        ("no-work-yet", work.empty),
        ("work-without-reading", unread > 0.1, unread),
        ("some-money", len(work) > 0 and costed < 0.95, costed),
        ("net-or-gross", not log.money),
        ("no-fixed", t["fixed_costs"].empty),
        ("no-measurements/use", t["measurements"].empty),
        ("few-ends", ends < FEW_ENDS, ends),
        ("age-unknown", ageless > 0, ageless),
        ("no-prices", not priced > 0),  # NaN where no part is on record
        ("some-prices", priced < 0.95, priced),
        ("fills-without-reading", unread_fills > 0.05, unread_fills),
        ("no-values", t["valuations"].empty and vehicles["disposed_value"].isna().all()),
    ]


def _gaps_of_estimates(log):
    """By what the estimates of wear, money, fuel and replacement age can tell."""
    looks, fitted = parts.looks_of(log), log.tables["fitted"]
    # read on a vehicle without distance too; depths of `fitted` are readings
    worn = log.tables["measurements"]["quantity"].isin(WORN)
    measured = (looks.groupby("part_key")["distance_km"].nunique() > 1).sum()
    fleet = log.vehicles
    has_no_meter = fitted["vehicle"].map(fleet["meter"]).isin(["hours", "none"])
    bare = (has_no_meter & fitted["removed"].isna()).sum()
    book, points = money.account(log), money.value_points(log)
    periods = ageing.observed_periods(book, log)
    kept = keeping.cheapest_ages(book.vehicles, book.lines, periods, points, fleet["in_service"])
    untold = sum("cost_per_year" not in kind.curve for kind in kept)
    known_money = cost.cost_per_km(book)["known_share"].min()
    return [
        ("no-measurements", looks.empty and not worn.any()),
        ("few-measured", measured == 0),
        ("few-measured-parts", measured < FEW_LINES, measured),
        ("parts-no-meter", bare > 0, bare),
        ("no-money", not book.lines["amount"].notna().any()),
        ("no-distance", not book.vehicles["distance_km"].gt(0).any()),
        ("few-money", np.isnan(cost.total_per_km(book).value), known_money),
        ("no-tanks", fuel.tanks(log).empty),
        ("no-kind", untold == len(kept)),
        ("some-kinds", untold > 0, untold),
    ]
