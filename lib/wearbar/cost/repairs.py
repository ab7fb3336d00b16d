"""Unplanned workshop visits: how they and their cost mount up with age or distance, and whether they come more often."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.cost.bills import ONE_DAY
from wearbar.log.keys import look_up
from wearbar.stats.recurrence import MIN_AT_RISK, Trend, mean_cumulative, trend

__all__ = [
    "RepairTrend",
    "cost_by_kind",
    "mean_repair_cost",
    "observed_periods",
    "repair_trend",
    "repair_visits",
]

UNPLANNED = ("repairs",)
MIN_VISITS = (
    30  # in a curve, for limits: of fewer and heavy bills, 90% hold 84 times in 100 in simulation
)
DAYS_IN_YEAR = 365.25


def repair_visits(account, log, readings):
    """One row a visit with work for a defect or on advice: frame `vehicle, date, age_years, distance_km, amount, lines, is_free`.

    Planned work, accidents and recalls are left out; parts of the same visit are in. A visit is one event however many lines it has.
    `is_free`: others bore all of it, at no money. amount: of the rows with money. age from `in_service`.
    """
    lines = account.lines
    lines = lines[
        lines["category"].isin(UNPLANNED)
        | (lines["source"].eq("fitted") & lines["why"].isin(["defect", "advice"]))
    ]
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
    """When each vehicle's record was kept: frame `vehicle, from_years, to_years, from_km, to_km`, holes in the readings left out.

    A hole that a lay-up fills for the most part is none.
    """
    path = usage.path_of(readings)
    cars = account.vehicles.set_index("vehicle")
    holes = usage.gaps(path)
    begin, until = (look_up(holes["vehicle"], cars[end]) for end in ("start", "end"))
    holes = holes.assign(
        start=np.maximum(holes["start"], begin), end=np.minimum(holes["end"], until)
    )
    holes = holes[holes["start"] < holes["end"]]
    holes = holes[
        usage.layup_days(log, holes["vehicle"], holes["start"], holes["end"]) < 0.5 * holes["days"]
    ]
    starts = pd.concat(
        [
            account.vehicles[["vehicle", "start"]],
            holes[["vehicle", "end"]].rename(columns={"end": "start"}),
        ]
    )
    ends = pd.concat(
        [
            account.vehicles[["vehicle", "end"]],
            holes[["vehicle", "start"]].rename(columns={"start": "end"}),
        ]
    )
    starts, ends = (
        f.sort_values(list(f), kind="stable", ignore_index=True) for f in (starts, ends)
    )
    made = starts.assign(end=ends["end"])
    ages = {
        "from_years": _age(log, made["vehicle"], made["start"]),
        "to_years": _age(log, made["vehicle"], made["end"] + ONE_DAY),
    }
    # NaT where the vehicle has no distance
    first, last = (look_up(made["vehicle"], cars[c]) for c in ("known_from", "known_to"))
    days = (
        made["start"].mask(made["start"] < first, first),
        made["end"].mask(made["end"] > last, last),
    )
    from_km, to_km = (usage.distance_at(path, made["vehicle"], day)["distance_km"] for day in days)
    return made.assign(**ages, from_km=from_km, to_km=to_km)


def mean_repair_cost(visits, periods, scale="years", count=False, confidence=0.9):
    """Mean cumulative cost (or, with `count`, number) of unplanned visits of one vehicle still kept, by age in years or by distance in km.

    Frame as `recurrence.mean_cumulative`. Vehicles that joined late, holes in the record and disposal leave those at risk.
    """
    column = {"years": "age_years", "km": "distance_km"}[scale]
    periods = periods.dropna(subset=[f"from_{scale}", f"to_{scale}"])
    end = pd.Series(periods[f"to_{scale}"].to_numpy(), periods["vehicle"])
    amount = None if count else visits["amount"]
    return mean_cumulative(
        visits["vehicle"],
        visits[column],
        amount,
        end,
        periods[f"from_{scale}"],
        confidence=confidence,
    )


def cost_by_kind(visits, periods, kind_of, confidence=0.9):
    """`mean_repair_cost` by age of each kind of vehicle: dict of frames, over the ages at which five vehicles or more are on record.

    Where a kind never has so many, or fewer than `MIN_VISITS` visits at those ages, from its youngest age on record to the oldest of two
    (or of one), without limits. kind_of: Series of
    kinds by vehicle. The first row (no cost yet) and the last (no more until then) have no event. `frame.attrs` counts its visits:
    "inside" the curve, "outside" of every period on record, and "apart" from the curve, at ages of too few vehicles; "apart_amount" is
    their money.
    """
    made = {}
    for kind, some in periods.groupby(periods["vehicle"].map(kind_of).to_numpy()):
        own = visits[visits["vehicle"].isin(some["vehicle"])]
        begin, last = _well_watched(some)
        if few := own["age_years"].between(begin, last).sum() < MIN_VISITS:
            begin, last = _watched(some)
        inside = own["age_years"].between(begin, last)
        cut = some.assign(
            from_years=some["from_years"].clip(lower=begin),
            to_years=some["to_years"].clip(upper=last),
        )
        curve = mean_repair_cost(
            own[inside], cut[cut["from_years"] <= cut["to_years"]], confidence=confidence
        )
        start = pd.DataFrame(
            {"time": [begin], "mcf": 0.0, "se": 0.0, "low": 0.0, "high": 0.0, "at_risk": 0}
        )
        made[kind] = pd.concat([start, curve, curve.tail(1).assign(time=last)], ignore_index=True)
        if few:
            made[kind][["low", "high"]] = np.nan
        apart, outside = own[~inside], curve.attrs["outside"]
        told = {"inside": int(inside.sum()) - outside, "outside": outside}
        made[kind].attrs = told | {
            "apart": len(apart),
            "apart_amount": float(apart["amount"].sum()),
        }
    return made


def _well_watched(periods):
    """(first, last) age at which `MIN_AT_RISK` vehicles are on record; where never so many, `_watched`."""
    ages = np.sort(np.concatenate([periods["from_years"], periods["to_years"]]))
    at_risk = np.searchsorted(np.sort(periods["from_years"]), ages, "right") - np.searchsorted(
        np.sort(periods["to_years"]), ages, "left"
    )
    many = ages[at_risk >= MIN_AT_RISK]
    return (many[0], many[-1]) if len(many) and many[-1] > many[0] else _watched(periods)


def _watched(periods):
    """(first, last) age of any vehicle on record, and of two (of one, where there are no more than two)."""
    oldest = periods.groupby("vehicle")["to_years"].max().nlargest(2)
    return periods["from_years"].min(), oldest.iloc[-1 if periods["vehicle"].nunique() > 2 else 0]


@dataclass(frozen=True)
class RepairTrend:
    """Whether unplanned visits come more often with age.

    dispersion: variance over mean of the vehicles' counts; well above 1, visits come in bunches or vehicles differ, and a test that
    supposes independent ones would cry wolf. per_year: visits of one vehicle a year. n: visits; free: those that others paid for;
    apart: visits of vehicles with a hole in their record, left out.
    """

    test: Trend
    dispersion: float
    per_year: float
    n: int
    free: int
    apart: int = 0


def repair_trend(visits, periods):
    """`RepairTrend` of vehicles without a hole in their record: the robust test of three vehicles or more, Lewis & Robinson's of one."""
    whole = periods[~periods.duplicated("vehicle", keep=False)].set_index("vehicle")
    total, visits = len(visits), visits[visits["vehicle"].isin(whole.index)]
    start, end = whole["from_years"], whole["to_years"]
    method = "robust" if len(whole) >= 3 else "lewis-robinson"
    one = (
        visits
        if method == "robust"
        else visits[visits["vehicle"].eq(visits["vehicle"].mode().iloc[0])]
        if len(visits)
        else visits
    )
    here = whole.index if method == "robust" else whole.index.intersection(one["vehicle"])
    test = trend(one["vehicle"], one["age_years"], end.loc[here], start.loc[here], method=method)
    years = (end - start).where(end > start)
    count = visits["vehicle"].value_counts().reindex(whole.index).fillna(0)
    rate = count.sum() / years.sum() if years.sum() > 0 else np.nan
    spread = (
        ((count - rate * years) ** 2 / (rate * years)).sum() / (len(whole) - 1)
        if len(whole) > 1 and rate > 0
        else np.nan
    )
    return RepairTrend(
        test,
        float(spread),
        float(rate),
        len(visits),
        int(visits["is_free"].sum()),
        total - len(visits),
    )
