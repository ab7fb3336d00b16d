"""What age does to repairs: how unplanned visits mount up, whether they come more often."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.cost.bills import ONE_DAY
from wearbar.log.keys import look_up
from wearbar.stats.recurrence import MIN_AT_RISK, Trend, mean_cumulative, trend

MIN_VISITS = 30  # for limits: of fewer heavy bills, 90% hold 84 times in 100 in simulation
YEAR_DAYS = 365.25
START = dict.fromkeys(("mcf", "se", "low", "high"), 0.0) | {"at_risk": 0}


@dataclass(frozen=True)
class RepairTrend:
    """Whether unplanned visits come more often with age."""

    test: Trend
    # variance over mean of the vehicles' counts; well above 1 visits bunch, or vehicles differ
    dispersion: float
    per_year: float  # visits of one vehicle
    n: int
    free: int  # visits that others paid for
    apart: int = 0  # visits of vehicles with a hole in their record, left out


def repair_visits(account, log):
    """Visits with work for a defect or on advice, and parts of the same visit: one row each.

    Frame `vehicle, date, amount` (where known), `is_free` (others bore all of it), `age_years`."""
    lines = account.lines
    for_repair = lines["source"].eq("fitted") & lines["why"].isin(["defect", "advice"])
    lines = lines[for_repair | lines["category"].eq("repairs")]
    own = lines["vehicle"].astype(str) + "|" + lines["date"].astype(str)
    how = {"vehicle": "first", "date": "min", "amount": "sum", "is_free": "all"}
    made = lines.groupby(lines["visit"].fillna(own).to_numpy()).agg(how)
    made = made.sort_values(["vehicle", "date"], ignore_index=True)
    made["age_years"] = _age(log, made["vehicle"], made["date"])
    return made


def _age(log, vehicle, date):
    return (date - look_up(vehicle, log.vehicles["in_service"])).dt.days / YEAR_DAYS


def observed_periods(account, log):
    """When each vehicle's record was kept, without the holes in its readings: one row a period.

    Frame `vehicle, start, end, from_years, to_years`. A hole mostly filled by a lay-up is none."""
    fleet = account.vehicles
    holes = usage.gaps(usage.log_path(log)).merge(fleet, on="vehicle", suffixes=("", "_kept"))
    holes["start"] = np.maximum(holes["start"], holes["start_kept"])
    holes["end"] = np.minimum(holes["end"], holes["end_kept"])
    holes = holes[holes["start"] < holes["end"]]
    laid_up = usage.layup_days(log, holes["vehicle"], holes["start"], holes["end"])
    holes = holes[laid_up < 0.5 * holes["days"]]
    # a hole's start ends a period
    rows = pd.concat([fleet, holes.rename(columns={"start": "end", "end": "start"})])
    made = rows[["vehicle", "start"]].sort_values(["vehicle", "start"], ignore_index=True)
    made["end"] = rows.sort_values(["vehicle", "end"])["end"].to_numpy()
    made["from_years"] = _age(log, made["vehicle"], made["start"])
    made["to_years"] = _age(log, made["vehicle"], made["end"] + ONE_DAY)
    return made


def cost_by_kind(visits, periods, kind_of, confidence=0.9):
    """Mean cumulative cost of unplanned visits of one vehicle still kept, by its age in years: dict
    of frames as of `recurrence.mean_cumulative`, a kind of vehicle each.

    kind_of: Series of kinds by vehicle. Vehicles that joined late, holes in the record and disposal
    leave those at risk. Over the ages at which `MIN_AT_RISK` vehicles or more are on record; where
    there are none, or fewer than `MIN_VISITS` visits at them, from the youngest age on record to
    the oldest of two (or of one), without limits. The first and last row have no event. `attrs`
    counts visits: "inside" the curve, "outside" of every record, "apart" at ages of too few."""
    made = {}
    for kind, some in periods.groupby(periods["vehicle"].map(kind_of).to_numpy()):
        own = visits[visits["vehicle"].isin(some["vehicle"])]
        starts, ends = (np.sort(some[edge]) for edge in ("from_years", "to_years"))
        ages = np.sort(np.append(starts, ends))
        at_risk = np.searchsorted(starts, ages, "right") - np.searchsorted(ends, ages, "left")
        many, oldest = ages[at_risk >= MIN_AT_RISK], some.groupby("vehicle")["to_years"].max()
        least = starts[0], oldest.nlargest(2).iloc[-1 if len(oldest) > 2 else 0]
        begin, last = (many[0], many[-1]) if len(many) and many[-1] > many[0] else least
        if few := own["age_years"].between(begin, last).sum() < MIN_VISITS:
            begin, last = least
        inside, cut = own["age_years"].between(begin, last), some.set_index("vehicle")
        cut["from_years"] = cut["from_years"].clip(lower=begin)
        cut["to_years"] = cut["to_years"].clip(upper=last)
        cut = cut.query("from_years <= to_years")
        events = (own.loc[inside, name] for name in ("vehicle", "age_years", "amount"))
        at_risk = {"end": cut["to_years"], "entry": cut["from_years"]}
        curve = mean_cumulative(*events, **at_risk, confidence=confidence)
        start, end = pd.DataFrame({"time": [begin], **START}), curve.tail(1).assign(time=last)
        outside, apart = curve.attrs["outside"], own[~inside]
        made[kind] = pd.concat([start, curve, end], ignore_index=True)
        if few:
            made[kind][["low", "high"]] = np.nan
        counts = {"inside": int(inside.sum()) - outside, "outside": outside}
        counts |= {"apart": len(apart), "apart_amount": float(apart["amount"].sum())}
        made[kind].attrs = counts
    return made


def repair_trend(visits, periods):
    """`RepairTrend` of vehicles without a hole in their record: of three or more by the robust
    test, else of the one with most visits by Lewis & Robinson's."""
    whole = periods[~periods.duplicated("vehicle", keep=False)].set_index("vehicle")
    total, visits = len(visits), visits[visits["vehicle"].isin(whole.index)]
    cars, method = whole, "robust"
    if len(whole) < 3:
        cars, method = whole.loc[visits["vehicle"].mode().iloc[:1]], "lewis-robinson"
    own = visits[visits["vehicle"].isin(cars.index)]
    span = cars["to_years"], cars["from_years"]
    test = trend(own["vehicle"], own["age_years"], *span, method=method)
    years = (whole["to_years"] - whole["from_years"]).where(lambda years: years > 0)
    count = visits["vehicle"].value_counts().reindex(whole.index).fillna(0)
    rate, spread = count.sum() / years.sum() if years.sum() > 0 else np.nan, np.nan
    if len(whole) > 1 and rate > 0:
        spread = ((count - rate * years) ** 2 / (rate * years)).sum() / (len(whole) - 1)
    free = int(visits["is_free"].sum())
    return RepairTrend(test, float(spread), float(rate), len(visits), free, total - len(visits))


def minimal_repair(change, repair, scale, shape):
    """(age, cost a year) at which a change pays where repairs mend things only as far as they were,
    (age / scale) ** shape of them by an age; infinite, NaN unless the shape is above 1 (Barlow &
    Hunter 1960, from memory)."""
    if not shape > 1:
        return np.inf, np.nan
    age = scale * (change / (repair * (shape - 1))) ** (1 / shape)
    return age, (change + repair * (age / scale) ** shape) / age
