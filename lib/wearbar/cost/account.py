"""The account of a log: its money spread over its days, beside the distance driven in them."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.cost.bills import ONE_DAY, joined, money_lines
from wearbar.cost.value import depreciation
from wearbar.log.keys import look_up


@dataclass(frozen=True, eq=False)
class Account:
    """The money and the distance of a log's vehicles between two days.

    vehicles: one row a vehicle, `vehicle, kind, site, meter, start, end, days, known_from,
        known_to, distance_km`: its days in the account, those whose distance is known, and that
        distance. site: on its last day.
    lines: as `money_lines`, those of the account's days; what is fixed stands by calendar month.
        `with_distance`: on a day whose distance is known.
    worth: depreciation, of the same form; never in `lines`.
    quarters: one row a vehicle and calendar quarter, `vehicle, quarter, distance_km`.
    outside: rows dated outside the vehicle's days. money: "net", "gross" or "" (not said).
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
    known = exposure(readings, fleet["vehicle"], fleet["start"], fleet["end"])
    fleet = pd.concat([fleet, known], axis=1)
    lines, own = money_lines(log), fleet.set_index("vehicle")
    begin, until, known_from, known_to = _days_of(lines, own)
    inside = (lines["date"] >= begin) & (lines["date"] <= until)
    told = lines["date"].between(known_from, known_to)
    outside = int((~inside & ~lines["is_fixed"]).sum())
    single = lines.assign(days=1.0, with_distance=told)[inside & ~lines["is_fixed"]]
    fixed = lines[lines["is_fixed"]].drop(columns="date")
    fixed = fixed.join(log.tables["fixed_costs"][["from", "to"]], on="line")
    lines = pd.concat([single, *_by_month(fixed, own)], ignore_index=True)
    worth = pd.concat(_by_month(depreciation(log).drop(columns="date"), own), ignore_index=True)
    return Account(fleet, lines, worth, _quarters(fleet, readings), outside, log.money, log.present)


def exposure(readings, vehicle, start, end):
    """Distance from day `start` to day `end`, both counted, so far as readings tell it.

    Frame `known_from, known_to` (the first and last day whose distance is in it), `distance_km`;
    missing where no reading is inside.
    """
    path = usage.path_of(readings)
    start, end = pd.Series(start).reset_index(drop=True), pd.Series(end).reset_index(drop=True)
    day = path.day.astype("datetime64[D]").astype("datetime64[ns]")
    ends = pd.DataFrame({"first": day[path.first], "last": day[path.last - 1]}, path.vehicles)
    ends = ends.reindex(vehicle).reset_index(drop=True)
    from_day = start.where(start > ends["first"], ends["first"])
    to_day = end.where(end < ends["last"], ends["last"])
    known = ends["first"].notna() & (from_day < to_day)
    from_day, to_day = from_day.where(known), to_day.where(known)
    before = np.maximum(from_day - ONE_DAY, ends["first"])
    upto, so_far = (
        usage.distance_at(path, list(vehicle), d)["distance_km"] for d in (to_day, before)
    )
    known_days = {"known_from": from_day, "known_to": to_day}
    return pd.DataFrame(known_days | {"distance_km": (upto - so_far).where(known)})


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


def _quarters(fleet, readings):
    long, quarter = _each_period(fleet.dropna(subset="known_from"), "known_from", "known_to", "Q")
    long = long.reset_index(drop=True)
    start = long["known_from"].clip(lower=quarter.start_time)
    end = long["known_to"].clip(upper=quarter.end_time.normalize())
    distance = exposure(readings, long["vehicle"], start, end)["distance_km"]
    made = long[["vehicle"]].assign(quarter=quarter, distance_km=distance)
    return made.dropna(ignore_index=True)


def _each_period(rows, first, last, freq):
    """(rows, PeriodIndex): each row for every calendar period from day `first` to `last`."""
    first, last = (rows[c].dt.to_period(freq).astype("int64").to_numpy() for c in (first, last))
    count = last - first + 1
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    period = pd.PeriodIndex.from_ordinals(first.repeat(count) + step, freq=freq)
    return rows.loc[rows.index.repeat(count)], period


def _days_of(lines, own):
    """The days of each line's vehicle in the account, and those whose distance is known."""
    return (look_up(lines["vehicle"], own[c]) for c in ("start", "end", "known_from", "known_to"))


def _by_month(periods, own):
    """Periods by month, cut to the account's days: those with distance, and those without."""
    start, end, known_from, known_to = _days_of(periods, own)
    before = (known_from - ONE_DAY).where(known_from.notna(), end)
    return [
        _spread(periods, known_from, known_to).assign(with_distance=True),
        _spread(periods, start, before).assign(with_distance=False),
        _spread(periods, known_to + ONE_DAY, end).assign(with_distance=False),
    ]


def _spread(periods, start, stop):
    """Amounts spread evenly by day from `from` to `to`, cut to start..stop, a row a month."""
    first, last = np.maximum(periods["from"], start), np.minimum(periods["to"], stop)
    rows = periods.assign(first=first, last=last)[first <= last]
    long, month = _each_period(rows, "first", "last", "M")
    begin = np.maximum(long["first"].to_numpy(), month.start_time.to_numpy())
    end = np.minimum(long["last"].to_numpy(), month.end_time.normalize().to_numpy())
    days = (end - begin) / ONE_DAY.to_timedelta64() + 1
    amount = long["amount"] * days / ((long["to"] - long["from"]) / ONE_DAY + 1)
    long = long.drop(columns=["first", "last", "from", "to"])
    return long.assign(date=end, amount=amount.to_numpy(), days=days)
