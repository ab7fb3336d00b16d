"""The account of a log: its money spread over its days, beside the distance that was driven in them."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.cost.bills import ONE_DAY, joined, money_lines
from wearbar.cost.value import depreciation
from wearbar.log.keys import look_up

__all__ = ["Account", "account", "exposure"]


def _by_day(periods, start, stop):
    """Rows with `from`, `to`, `amount` spread evenly by day, cut to start..stop (Series by row): one row a period and calendar month."""
    first, last = np.maximum(periods["from"], start), np.minimum(periods["to"], stop)
    rows = periods.assign(first=first, last=last)[first <= last]
    month = rows["first"].dt.to_period("M")
    count = (rows["last"].dt.to_period("M").astype("int64") - month.astype("int64") + 1).to_numpy()
    long = rows.loc[rows.index.repeat(count)]
    step = np.arange(len(long)) - np.repeat(np.cumsum(count) - count, count)
    month = pd.PeriodIndex.from_ordinals(
        month.astype("int64").to_numpy().repeat(count) + step, freq="M"
    )
    begin = np.maximum(long["first"].to_numpy(), month.start_time.to_numpy())
    end = np.minimum(long["last"].to_numpy(), month.end_time.normalize().to_numpy())
    days = (end - begin) / ONE_DAY.to_timedelta64() + 1
    amount = (
        long["amount"].to_numpy() * days / ((long["to"] - long["from"]) / ONE_DAY + 1).to_numpy()
    )
    return long.assign(date=end, amount=amount, days=days).drop(
        columns=["first", "last", "from", "to"]
    )


def exposure(readings, vehicle, start, end):
    """Distance from day `start` to day `end`, both counted, so far as readings tell it: frame `known_from, known_to, distance_km`.

    known_from, known_to: the first and last day whose distance is in it (NaT, and distance NaN, where no reading is inside).
    """
    path = usage.path_of(readings)
    start, end = pd.Series(start).reset_index(drop=True), pd.Series(end).reset_index(drop=True)
    ends = _ends(path).reindex(vehicle).reset_index(drop=True)
    from_day, to_day = (
        start.where(start > ends["first"], ends["first"]),
        end.where(end < ends["last"], ends["last"]),
    )
    known = ends["first"].notna() & (from_day < to_day)
    from_day, to_day = from_day.where(known), to_day.where(known)
    before = np.maximum(from_day - ONE_DAY, ends["first"])
    names = list(vehicle)
    distance = (
        usage.distance_at(path, names, to_day)["distance_km"]
        - usage.distance_at(path, names, before)["distance_km"]
    )
    return pd.DataFrame(
        {"known_from": from_day, "known_to": to_day, "distance_km": distance.where(known)}
    )


def _ends(path):
    """First and last day with a reading, by vehicle."""
    day = path.day.astype("datetime64[D]").astype("datetime64[ns]")
    return pd.DataFrame({"first": day[path.first], "last": day[path.last - 1]}, index=path.vehicles)


@dataclass(frozen=True, eq=False)
class Account:
    """The money and the distance of a log's vehicles between two days.

    vehicles: one row a vehicle, `vehicle, kind, site, meter, start, end, days, known_from, known_to, distance_km`: its days in the
        account, those whose distance is known, and that distance. site: where it was on its last day.
    lines: as `money_lines`, those of the account's days; what is fixed or depreciates stands by calendar month. `with_distance`: on a
        day whose distance is known. Category "depreciation" is in `worth`, of the same form, never in `lines`.
    quarters: one row a vehicle and calendar quarter with known distance, `vehicle, quarter, distance_km`.
    outside: number of rows dated outside the vehicle's days. money: "net", "gross" or "" (not said).
    """

    vehicles: pd.DataFrame
    lines: pd.DataFrame
    worth: pd.DataFrame
    quarters: pd.DataFrame
    outside: int
    money: str
    present: frozenset


def account(log, readings, start=None, end=None):
    """The `Account` of a log from `start` (default its first day) to `end` (default its as_of).

    A vehicle is in it from the day it was acquired to the day it was disposed of.
    """
    readings = usage.path_of(readings)
    fleet = _fleet(log, pd.Timestamp(start or log.first_day), pd.Timestamp(end or log.as_of))
    fleet = pd.concat(
        [fleet, exposure(readings, fleet["vehicle"], fleet["start"], fleet["end"])], axis=1
    )
    own = fleet.set_index("vehicle")
    lines = money_lines(log)
    begin, until = (look_up(lines["vehicle"], own[end]) for end in ("start", "end"))
    inside = (lines["date"] >= begin) & (lines["date"] <= until)
    outside = int((~inside & ~lines["is_fixed"]).sum())
    single = lines[inside & ~lines["is_fixed"]].assign(days=1.0)
    days = (look_up(single["vehicle"], own[end]) for end in ("known_from", "known_to"))
    single["with_distance"] = single["date"].between(*days)
    fixed = (
        lines[lines["is_fixed"]]
        .drop(columns="date")
        .join(log.tables["fixed_costs"][["from", "to"]], on="line")
    )
    worth = depreciation(log).drop(columns="date")
    lines, worth = (
        pd.concat([single, *_cut(fixed, own)], ignore_index=True),
        pd.concat(_cut(worth, own), ignore_index=True),
    )
    return Account(fleet, lines, worth, _quarters(fleet, readings), outside, log.money, log.present)


def _fleet(log, start, end):
    v = log.tables["vehicles"]
    begin = joined(v).set_axis(v.index).clip(lower=start)
    stop = v["disposed"].fillna(end).clip(upper=end)
    fleet = pd.DataFrame(
        {
            "vehicle": v["vehicle"],
            "kind": v["kind"],
            "start": begin,
            "end": stop,
            "disposal": v["disposal"],
        }
    )
    fleet["meter"] = v["meter"].fillna("distance")
    fleet = fleet[fleet["start"] <= fleet["end"]].reset_index(drop=True)
    fleet["site"] = usage.site_at(log, fleet["vehicle"], fleet["end"])
    fleet["days"] = (fleet["end"] - fleet["start"]).dt.days + 1
    return fleet


def _quarters(fleet, readings):
    known = fleet[fleet["known_from"].notna()]
    first, last = (
        known[c].dt.to_period("Q").astype("int64").to_numpy() for c in ("known_from", "known_to")
    )
    count = last - first + 1
    long = known.loc[known.index.repeat(count)].reset_index(drop=True)
    step = np.arange(len(long)) - np.repeat(np.cumsum(count) - count, count)
    quarter = pd.PeriodIndex.from_ordinals(first.repeat(count) + step, freq="Q")
    start, end = quarter.start_time, quarter.end_time.normalize()
    span = exposure(
        readings,
        long["vehicle"],
        long["known_from"].clip(lower=start),
        long["known_to"].clip(upper=end),
    )
    made = pd.DataFrame(
        {"vehicle": long["vehicle"], "quarter": quarter, "distance_km": span["distance_km"]}
    )
    return made.dropna(ignore_index=True)


def _cut(periods, own):
    """Periods by month: those on days whose distance is known, and those on the other days of the account, apart."""
    start, end, known_from, known_to = (
        look_up(periods["vehicle"], own[c]) for c in ("start", "end", "known_from", "known_to")
    )
    without = known_from.isna()
    return [
        _by_day(periods, known_from, known_to).assign(with_distance=True),
        _by_day(periods, start, (known_from - ONE_DAY).where(~without, end)).assign(
            with_distance=False
        ),
        _by_day(periods[~without], (known_to + ONE_DAY)[~without], end[~without]).assign(
            with_distance=False
        ),
    ]
