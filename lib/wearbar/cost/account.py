"""The account of a log: its money spread over its days, beside the distance driven in them; what
its vehicles are worth, whose fall is a cost of distance too; fixed costs that a year lacks."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.cost.bills import LINE_TYPES, ONE_DAY, lines_of, money_lines
from wearbar.cost.per_distance import MIN_KNOWN, known_by
from wearbar.log.once import kept_with
from wearbar.stats.estimate import ratio, refused
from wearbar.usage.distance import as_dates, days_of
from wearbar.usage.rates import driven, within_readings

NOT_SOLD = ("written-off", "stolen")  # what is received then is a settlement, not a market value
GAPS = ["year", "category", "vehicles", "days"]
YEARLY, LEAST = 300, 30  # days: what covers as many is a standing cost; fewer without it are no gap


@dataclass(frozen=True, eq=False)
class Account:
    """The money and the distance of a log's vehicles, over the days that each is in it."""

    # one row a vehicle: vehicle, kind, disposal, start, end (its days of record), site (on its last
    # day), meter, days, and known_from, known_to, distance_km as of `exposure`
    vehicles: pd.DataFrame
    # as `money_lines`, in the account's days, fixed costs by month; with_distance: that is known
    lines: pd.DataFrame
    worth: pd.DataFrame  # depreciation, of the same form; never in `lines`
    quarters: pd.DataFrame  # vehicle, quarter (calendar), distance_km
    money: str  # "net", "gross" or "" (not said)
    present: frozenset


@kept_with
def account(log):
    """The `Account` of a log: each vehicle's days from acquisition to disposal, in the log's."""
    path, vehicles = usage.log_path(log), log.tables["vehicles"]
    fleet = vehicles[["vehicle", "kind", "disposal"]].assign(meter=vehicles["meter"])
    fleet = fleet.fillna({"meter": "distance"}).join(log.record_periods, on="vehicle")
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
    known, quarter = each_period(known, known["known_from"], known["known_to"], "Q")
    start = known["known_from"].clip(lower=quarter.start_time)
    end = known["known_to"].clip(upper=quarter.end_time.normalize())
    driven_km = exposure(path, known["vehicle"], start, end)["distance_km"].array
    quarters = known[["vehicle"]].assign(quarter=quarter, distance_km=driven_km)
    quarters = quarters.dropna(ignore_index=True)
    return Account(fleet, lines, worth, quarters, log.money, log.present)


def exposure(path, vehicle, start, end):
    """Distance from day `start` to day `end`, both counted, so far as readings tell it.

    Frame `known_from, known_to` (first and last day in it), `distance_km`; NaN without a reading.
    """
    first = days_of(start)
    begin, stop = within_readings(path, vehicle, first - 1, days_of(end))
    first = np.maximum(first, begin)
    days = {"known_from": as_dates(first), "known_to": as_dates(stop)}
    found = pd.DataFrame(days | {"distance_km": driven(path, vehicle, begin, stop)})
    return found[first < stop].reindex(range(len(first)))


def each_period(rows, first, last, freq):
    """(rows, PeriodIndex): each row for every calendar period from its day `first` to `last`."""
    first, last = (day.dt.to_period(freq).astype("int64").to_numpy() for day in (first, last))
    count = last - first + 1
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    period = pd.PeriodIndex.from_ordinals(first.repeat(count) + step, freq=freq)
    return rows.loc[rows.index.repeat(count)], period


def _by_month(rows):
    """Amounts spread evenly by day over their period, a row a month, with and without distance."""
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
    long, month = each_period(rows, rows["first"], rows["last"], "M")
    begin = np.maximum(long["first"].to_numpy(), month.start_time.to_numpy())
    end = np.minimum(long["last"].to_numpy(), month.end_time.normalize().to_numpy())
    days = (end - begin) / ONE_DAY.to_timedelta64() + 1
    share = days / ((long["to"] - long["from"]) / ONE_DAY + 1)
    long = long.assign(date=end, amount=long["amount"] * share, days=days)
    return long[[*LINE_TYPES, "days", "with_distance"]]


def value_points(log):
    """What each vehicle was worth on a day: frame `vehicle, date, value, basis`, sorted: its price,
    valuations of the basis with most rows, money received (settlement: written off or stolen)."""
    v, worth = log.tables["vehicles"], log.tables["valuations"]
    basis = worth["basis"].fillna("")
    worth = worth[basis == basis.mode().iloc[0]] if len(worth) else worth
    settled = np.where(v["disposal"].isin(NOT_SOLD), "settlement", "received")
    parts = [
        v[["vehicle"]].assign(date=log.joined.array, value=v["price"], basis="price"),
        worth[["vehicle", "date", "value"]].assign(basis="valuation"),
        v[["vehicle"]].assign(date=v["disposed"], value=v["disposed_value"], basis=settled),
    ]
    points = pd.concat([part.dropna(subset=["date", "value"]) for part in parts])
    points = points.sort_values(["vehicle", "date"], kind="stable")
    return points.drop_duplicates(["vehicle", "date"], keep="last", ignore_index=True)


def depreciation(log):
    """Fall in value between `value_points` (a rise is negative): money lines with `from`, `to`."""
    points = value_points(log)
    after = points.groupby("vehicle")[["date", "value", "basis"]].shift(-1)
    fall = {"date": after["date"], "detail": after["basis"], "is_fixed": True}
    fall |= {"category": "depreciation", "amount": points["value"] - after["value"]}
    lines = lines_of(points, "vehicles", **fall)
    lines = lines.assign(**{"from": points["date"] + ONE_DAY, "to": after["date"]})
    return lines[after["date"].notna()].reset_index(drop=True)


def depreciation_per_km(account, confidence=0.9):
    """Fall in value over the distance of the days whose change of value is known: `Estimate`."""
    part = valued(account)
    return ratio(part["fall"], part["distance_km"], confidence, "money_per_km")


def owning_per_km(account, confidence=0.9):
    """What was spent and the fall in value together, over distance: an `Estimate`.

    Of vehicles whose change of value is known; their spending counts by the share of their distance
    over which it is. Refused as `cost_per_km` is."""
    part = valued(account)
    lines = account.lines[account.lines["vehicle"].isin(part.index)]
    known = known_by(lines, pd.Series("all", lines.index))
    if not lines["amount"].notna().any() or (known < MIN_KNOWN).any():
        return refused("too few rows have their money", confidence, len(part), "money_per_km")
    spent = lines[lines["with_distance"]].groupby("vehicle")["amount"].sum()
    whole = part["fall"] + part["share"] * spent.reindex(part.index).fillna(0.0)
    return ratio(whole, part["distance_km"], confidence, "money_per_km")


def valued(account):
    """Vehicles with a known change of value: frame `fall, share` (of known days), `distance_km`."""
    worth = account.worth[account.worth["with_distance"]]
    by = worth.groupby("vehicle")[["amount", "days"]].sum()
    cars = account.vehicles.set_index("vehicle").loc[by.index]
    share = (by["days"] / ((cars["known_to"] - cars["known_from"]).dt.days + 1)).clip(upper=1)
    distance = cars["distance_km"] * share
    return pd.DataFrame({"fall": by["amount"], "share": share, "distance_km": distance})


def fixed_gaps(log, vehicles):
    """Days of each year on which vehicles had no fixed cost of a kind that they have otherwise.

    vehicles: frame `vehicle, start, end`. Frame `GAPS`, a row a year and category, most days first.
    """
    cost = log.tables["fixed_costs"].dropna(subset=["from", "to", "category"])
    rows, found = vehicles.merge(cost, on="vehicle").dropna(subset=["start", "end"]), []
    rows = rows.assign(**{name: days_of(rows[name]) for name in ("start", "end", "from", "to")})
    for (_, category), own in rows.groupby(["vehicle", "category"]):
        start, end = own["start"].iat[0], own["end"].iat[0]
        lacks = np.ones(end - start + 1, dtype=bool)
        for first, last in zip(own["from"] - start, own["to"] - start, strict=True):
            lacks[max(first, 0) : max(last + 1, 0)] = False
        if np.count_nonzero(~lacks) >= YEARLY:
            years = pd.DatetimeIndex(as_dates(start + np.flatnonzero(lacks))).year
            found += [(year, category, days) for year, days in years.value_counts().items()]
    gaps = pd.DataFrame(found, columns=["year", "category", "days"]).astype({"days": int})
    by = gaps[gaps["days"] > LEAST].groupby(["year", "category"])["days"]
    made = by.agg(["size", "sum"]).reset_index().set_axis(GAPS, axis=1)
    return made.sort_values("days", ascending=False, kind="stable", ignore_index=True)
