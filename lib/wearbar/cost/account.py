"""The account of a log: its money spread over its days, beside the distance driven in them."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.cost.bills import LINE_TYPES, ONE_DAY, joined, money_lines
from wearbar.cost.value import depreciation
from wearbar.usage.distance import as_dates, days_of
from wearbar.usage.rates import driven, within_readings


@dataclass(frozen=True, eq=False)
class Account:
    """The money and the distance of a log's vehicles between two days."""

    # one row a vehicle: its days in the account, those whose distance is known, and that distance
    # vehicle, kind, site (on its last day), meter, start, end, days, known_from, known_to,
    # distance_km
    vehicles: pd.DataFrame
    # as `money_lines`, those of the account's days; what is fixed stands by calendar month;
    # with_distance: on a day whose distance is known
    lines: pd.DataFrame
    worth: pd.DataFrame  # depreciation, of the same form; never in `lines`
    quarters: pd.DataFrame  # vehicle, quarter (calendar), distance_km
    outside: int  # rows dated outside the vehicle's days
    money: str  # "net", "gross" or "" (not said)
    present: frozenset


def account(log, readings, start=None, end=None):
    """The `Account` of a log from `start` (default its first day) to `end` (default its as_of).

    A vehicle is in it from the day it was acquired to the day it was disposed of.
    """
    path = usage.path_of(readings)
    fleet = _fleet(log, pd.Timestamp(start or log.first_day), pd.Timestamp(end or log.as_of))
    known = exposure(path, fleet["vehicle"], fleet["start"], fleet["end"])
    fleet = pd.concat([fleet, known], axis=1)
    days = fleet.set_index("vehicle")[["start", "end", "known_from", "known_to"]]
    lines = money_lines(log).join(days, on="vehicle")
    date, is_fixed = lines["date"], lines["is_fixed"]
    inside = date.between(lines["start"], lines["end"])
    told = date.between(lines["known_from"], lines["known_to"])
    single = lines.assign(days=1.0, with_distance=told)[inside & ~is_fixed]
    fixed = lines[is_fixed].join(log.tables["fixed_costs"][["from", "to"]], on="line")
    lines = pd.concat([single.drop(columns=days.columns), _by_month(fixed)], ignore_index=True)
    worth = _by_month(depreciation(log).join(days, on="vehicle")).reset_index(drop=True)
    outside = int((~inside & ~is_fixed).sum())
    return Account(fleet, lines, worth, _quarters(fleet, path), outside, log.money, log.present)


def exposure(readings, vehicle, start, end):
    """Distance from day `start` to day `end`, both counted, so far as readings tell it.

    Frame `known_from, known_to` (the first and last day whose distance is in it), `distance_km`;
    missing where no reading is inside.
    """
    path, first = usage.path_of(readings), days_of(start)
    begin, stop = within_readings(path, vehicle, first - 1, days_of(end))
    first = np.maximum(first, begin)
    days = {"known_from": as_dates(first), "known_to": as_dates(stop)}
    found = pd.DataFrame(days | {"distance_km": driven(path, vehicle, begin, stop)})
    return found[first < stop].reindex(range(len(first)))


def _fleet(log, start, end):
    v = log.tables["vehicles"]
    fleet = v[["vehicle", "kind"]].assign(
        start=joined(v).set_axis(v.index).clip(lower=start),
        end=v["disposed"].fillna(end).clip(upper=end),
        disposal=v["disposal"],
        meter=v["meter"].fillna("distance"),
    )
    fleet = fleet[fleet["start"] <= fleet["end"]].reset_index(drop=True)
    fleet["site"] = usage.site_at(log, fleet["vehicle"], fleet["end"])
    fleet["days"] = (fleet["end"] - fleet["start"]).dt.days + 1
    return fleet


def _quarters(fleet, path):
    known = fleet.dropna(subset="known_from")
    long, quarter = _each_period(known, known["known_from"], known["known_to"], "Q")
    start = long["known_from"].clip(lower=quarter.start_time)
    end = long["known_to"].clip(upper=quarter.end_time.normalize())
    distance = exposure(path, long["vehicle"], start, end)["distance_km"].array
    made = long[["vehicle"]].assign(quarter=quarter, distance_km=distance)
    return made.dropna(ignore_index=True)


def _each_period(rows, first, last, freq):
    """(rows, PeriodIndex): each row for every calendar period from its day `first` to `last`."""
    first, last = (day.dt.to_period(freq).astype("int64").to_numpy() for day in (first, last))
    count = last - first + 1
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    period = pd.PeriodIndex.from_ordinals(first.repeat(count) + step, freq=freq)
    return rows.loc[rows.index.repeat(count)], period


def _by_month(rows):
    """Amounts spread evenly by day from `from` to `to`, a row a month, cut to the account's days
    and parted there: those with distance, and those without."""
    known, start, end = rows["known_from"], rows["start"], rows["end"]
    before = (known - ONE_DAY).fillna(end)
    parts = [(known, rows["known_to"], True), (start, before, False)]
    parts.append((rows["known_to"] + ONE_DAY, end, False))
    parts = [
        rows.assign(
            first=np.maximum(rows["from"], first),
            last=np.minimum(rows["to"], last),
            with_distance=is_known,
        )
        for first, last, is_known in parts
    ]
    rows = pd.concat(parts, ignore_index=True)
    rows = rows[rows["first"] <= rows["last"]]
    long, month = _each_period(rows, rows["first"], rows["last"], "M")
    begin = np.maximum(long["first"].to_numpy(), month.start_time.to_numpy())
    end = np.minimum(long["last"].to_numpy(), month.end_time.normalize().to_numpy())
    days = (end - begin) / ONE_DAY.to_timedelta64() + 1
    share = days / ((long["to"] - long["from"]) / ONE_DAY + 1)
    long = long.assign(date=end, amount=long["amount"] * share, days=days)
    return long[[*LINE_TYPES, "days", "with_distance"]]
