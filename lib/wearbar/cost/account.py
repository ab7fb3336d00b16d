"""The account of a log: its money spread over its days, beside the distance driven in them."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.cost.bills import LINE_TYPES, ONE_DAY, money_lines
from wearbar.cost.value import depreciation
from wearbar.log.once import kept_with
from wearbar.usage.distance import as_dates, days_of
from wearbar.usage.rates import driven, within_readings


@dataclass(frozen=True, eq=False)
class Account:
    """The money and the distance of a log's vehicles, over the days that each is in it."""

    # one row a vehicle: vehicle, kind, disposal, start, end (its days of record), site (on its last
    # day), meter, days, and known_from, known_to, distance_km as of `exposure`
    vehicles: pd.DataFrame
    # as `money_lines`, those of the account's days; what is fixed stands by calendar month;
    # with_distance: on a day whose distance is known
    lines: pd.DataFrame
    worth: pd.DataFrame  # depreciation, of the same form; never in `lines`
    quarters: pd.DataFrame  # vehicle, quarter (calendar), distance_km
    money: str  # "net", "gross" or "" (not said)
    present: frozenset


@kept_with
def account(log):
    """The `Account` of a log: each vehicle from the day it was acquired to the day it was disposed
    of, within the log's first day and its as_of."""
    path, vehicles = usage.log_path(log), log.tables["vehicles"]
    fleet = vehicles[["vehicle", "kind", "disposal"]].assign(meter=vehicles["meter"])
    fleet = fleet.fillna({"meter": "distance"}).join(log.record_periods)
    fleet = fleet.rename(columns={"begin": "start"}).query("start <= end").reset_index(drop=True)
    fleet["site"] = usage.site_at(log, fleet["vehicle"], fleet["end"])
    fleet["days"] = (fleet["end"] - fleet["start"]).dt.days + 1
    fleet = fleet.join(exposure(path, fleet["vehicle"], fleet["start"], fleet["end"]))

    days = fleet.set_index("vehicle")[["start", "end", "known_from", "known_to"]]
    lines = money_lines(log).join(days, on="vehicle")
    told = lines["date"].between(lines["known_from"], lines["known_to"])
    single = lines.assign(days=1.0, with_distance=told)
    single = single[lines["date"].between(lines["start"], lines["end"]) & ~lines["is_fixed"]]
    fixed = lines[lines["is_fixed"]].join(log.tables["fixed_costs"][["from", "to"]], on="line")
    lines = pd.concat([single.drop(columns=days.columns), _by_month(fixed)], ignore_index=True)
    worth = _by_month(depreciation(log).join(days, on="vehicle")).reset_index(drop=True)

    known = fleet.dropna(subset="known_from")
    known, quarter = _each_period(known, known["known_from"], known["known_to"], "Q")
    start = known["known_from"].clip(lower=quarter.start_time)
    end = known["known_to"].clip(upper=quarter.end_time.normalize())
    driven_km = exposure(path, known["vehicle"], start, end)["distance_km"].array
    quarters = known[["vehicle"]].assign(quarter=quarter, distance_km=driven_km)
    quarters = quarters.dropna(ignore_index=True)
    return Account(fleet, lines, worth, quarters, log.money, log.present)


def exposure(path, vehicle, start, end):
    """Distance from day `start` to day `end`, both counted, so far as readings tell it.

    Frame `known_from, known_to` (the first and last day whose distance is in it), `distance_km`;
    missing where no reading is inside.
    """
    first = days_of(start)
    begin, stop = within_readings(path, vehicle, first - 1, days_of(end))
    first = np.maximum(first, begin)
    days = {"known_from": as_dates(first), "known_to": as_dates(stop)}
    found = pd.DataFrame(days | {"distance_km": driven(path, vehicle, begin, stop)})
    return found[first < stop].reindex(range(len(first)))


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
    start, end = rows["start"], rows["end"]
    spells = [
        (rows["known_from"], rows["known_to"], True),
        (start, (rows["known_from"] - ONE_DAY).fillna(end), False),
        (rows["known_to"] + ONE_DAY, end, False),
    ]
    parts = []
    for first, last, is_known in spells:
        first, last = np.maximum(rows["from"], first), np.minimum(rows["to"], last)
        parts.append(rows.assign(first=first, last=last, with_distance=is_known))
    rows = pd.concat(parts, ignore_index=True)
    rows = rows[rows["first"] <= rows["last"]]
    long, month = _each_period(rows, rows["first"], rows["last"], "M")
    begin = np.maximum(long["first"].to_numpy(), month.start_time.to_numpy())
    end = np.minimum(long["last"].to_numpy(), month.end_time.normalize().to_numpy())
    days = (end - begin) / ONE_DAY.to_timedelta64() + 1
    share = days / ((long["to"] - long["from"]) / ONE_DAY + 1)
    long = long.assign(date=end, amount=long["amount"] * share, days=days)
    return long[[*LINE_TYPES, "days", "with_distance"]]
