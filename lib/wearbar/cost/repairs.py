"""Unplanned workshop visits: how they and their cost mount up, and whether they come more often."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.cost.bills import ONE_DAY
from wearbar.log.keys import look_up
from wearbar.stats.recurrence import MIN_AT_RISK, Trend, mean_cumulative, trend

MIN_VISITS = 30  # for limits: of fewer heavy bills, 90% hold 84 times in 100 in simulation
DAYS_IN_YEAR = 365.25
START = dict.fromkeys(("mcf", "se", "low", "high"), 0.0) | {"at_risk": 0}


@dataclass(frozen=True)
class RepairTrend:
    """Whether unplanned visits come more often with age."""

    test: Trend
    # variance over mean of the vehicles' counts; well above 1, visits come in bunches or vehicles
    # differ
    dispersion: float
    per_year: float  # visits of one vehicle
    n: int
    free: int  # visits that others paid for
    apart: int = 0  # visits of vehicles with a hole in their record, left out


def repair_visits(account, log, readings):
    """Visits with work for a defect or on advice, and parts of the same visit: one row each.

    Frame `vehicle, date, amount` (of the rows with money), `lines, is_free` (others bore all of
    it), `age_years` (from `in_service`), `distance_km`.
    """
    lines = account.lines
    for_repair = lines["source"].eq("fitted") & lines["why"].isin(["defect", "advice"])
    lines = lines[for_repair | lines["category"].eq("repairs")]
    own = lines["vehicle"].astype(str) + "|" + lines["date"].astype(str)
    made = lines.groupby(lines["visit"].fillna(own).to_numpy()).agg(
        vehicle=("vehicle", "first"),
        date=("date", "min"),
        amount=("amount", "sum"),
        lines=("amount", "size"),
        is_free=("is_free", "all"),
    )
    made = made.sort_values(["vehicle", "date"], ignore_index=True)
    made["age_years"] = _age(log, made["vehicle"], made["date"])
    made["distance_km"] = usage.distance_at(readings, made["vehicle"], made["date"])["distance_km"]
    return made


def _age(log, vehicle, date):
    born = log.tables["vehicles"].set_index("vehicle")["in_service"]
    return (date - look_up(vehicle, born)).dt.days / DAYS_IN_YEAR


def observed_periods(account, log, readings):
    """When each vehicle's record was kept, without the holes in its readings: one row a period.

    Frame `vehicle, start, end, from_years, to_years`. A hole that a lay-up fills for the most part
    is none.
    """
    fleet = account.vehicles
    holes = usage.gaps(readings).merge(fleet, on="vehicle", suffixes=("", "_kept"))
    holes["start"] = np.maximum(holes["start"], holes["start_kept"])
    holes["end"] = np.minimum(holes["end"], holes["end_kept"])
    holes = holes[holes["start"] < holes["end"]]
    laid_up = usage.layup_days(log, holes["vehicle"], holes["start"], holes["end"])
    holes = holes[laid_up < 0.5 * holes["days"]]
    turned = holes.rename(columns={"start": "end", "end": "start"})  # its start ends a period
    rows = pd.concat([some[["vehicle", "start", "end"]] for some in (fleet, turned)])
    made, ends = (
        rows.sort_values(["vehicle", edge], kind="stable", ignore_index=True)
        for edge in ("start", "end")
    )
    made["end"] = ends["end"]
    made["from_years"] = _age(log, made["vehicle"], made["start"])
    made["to_years"] = _age(log, made["vehicle"], made["end"] + ONE_DAY)
    return made


def mean_repair_cost(visits, periods, count=False, confidence=0.9):
    """Mean cumulative cost of unplanned visits of one vehicle still kept, by age in years.

    count: number in place of cost. Frame as `recurrence.mean_cumulative`. Vehicles that joined
    late, holes in the record and disposal leave those at risk.
    """
    kept = periods.dropna(subset=["from_years", "to_years"]).set_index("vehicle")
    amount = None if count else visits["amount"]
    vehicle, age = visits["vehicle"], visits["age_years"]
    begin, end = kept["from_years"], kept["to_years"]
    return mean_cumulative(vehicle, age, amount, end, begin, confidence=confidence)


def cost_by_kind(visits, periods, kind_of, confidence=0.9):
    """`mean_repair_cost` by age of each kind of vehicle: dict of frames.

    kind_of: Series of kinds by vehicle. Over the ages at which `MIN_AT_RISK` vehicles or more are
    on record; where there are none, or fewer than `MIN_VISITS` visits at them, from the youngest
    age on record to the oldest of two (or of one), without limits. The first and last row have no
    event. `attrs` counts visits: "inside" the curve, "outside" of every period on record, and
    "apart", at ages of too few vehicles; "apart_amount" is their money.
    """
    made = {}
    for kind, some in periods.groupby(periods["vehicle"].map(kind_of).to_numpy()):
        own = visits[visits["vehicle"].isin(some["vehicle"])]
        begin, last = _well_watched(some)
        if few := own["age_years"].between(begin, last).sum() < MIN_VISITS:
            begin, last = _watched(some)
        inside, begun = own["age_years"].between(begin, last), some["from_years"].clip(lower=begin)
        cut = some.assign(from_years=begun, to_years=some["to_years"].clip(upper=last))
        cut = cut[cut["from_years"] <= cut["to_years"]]
        curve = mean_repair_cost(own[inside], cut, confidence=confidence)
        start, end = pd.DataFrame({"time": [begin], **START}), curve.tail(1).assign(time=last)
        outside, apart = curve.attrs["outside"], own[~inside]
        made[kind] = pd.concat([start, curve, end], ignore_index=True)
        if few:
            made[kind][["low", "high"]] = np.nan
        counts = {"inside": int(inside.sum()) - outside, "outside": outside}
        counts |= {"apart": len(apart), "apart_amount": float(apart["amount"].sum())}
        made[kind].attrs = counts
    return made


def _well_watched(periods):
    """(first, last) age at which `MIN_AT_RISK` vehicles are on record; else `_watched`."""
    begin, end = (np.sort(periods[c]) for c in ("from_years", "to_years"))
    ages = np.sort(np.append(begin, end))
    at_risk = np.searchsorted(begin, ages, "right") - np.searchsorted(end, ages, "left")
    many = ages[at_risk >= MIN_AT_RISK]
    return (many[0], many[-1]) if len(many) and many[-1] > many[0] else _watched(periods)


def _watched(periods):
    """(first, last) age of any vehicle on record, and of two (of one, where no more than two)."""
    oldest = periods.groupby("vehicle")["to_years"].max().nlargest(2)
    return periods["from_years"].min(), oldest.iloc[-1 if periods["vehicle"].nunique() > 2 else 0]


def repair_trend(visits, periods):
    """`RepairTrend` of vehicles without a hole in their record.

    Of three or more by the robust test, else of the one with most visits by Lewis & Robinson's.
    """
    whole = periods[~periods.duplicated("vehicle", keep=False)].set_index("vehicle")
    total, visits = len(visits), visits[visits["vehicle"].isin(whole.index)]
    start, end = whole["from_years"], whole["to_years"]
    method, tried, here = "robust", visits, whole.index
    if len(whole) < 3:
        method = "lewis-robinson"
        tried = visits[visits["vehicle"].isin(visits["vehicle"].mode().iloc[:1])]
        here = whole.index.intersection(tried["vehicle"])
    test = trend(
        tried["vehicle"], tried["age_years"], end.loc[here], start.loc[here], method=method
    )
    years = (end - start).where(end > start)
    count = visits["vehicle"].value_counts().reindex(whole.index).fillna(0)
    rate = count.sum() / years.sum() if years.sum() > 0 else np.nan
    spread = np.nan
    if len(whole) > 1 and rate > 0:
        spread = ((count - rate * years) ** 2 / (rate * years)).sum() / (len(whole) - 1)
    free = int(visits["is_free"].sum())
    return RepairTrend(test, float(spread), float(rate), len(visits), free, total - len(visits))
