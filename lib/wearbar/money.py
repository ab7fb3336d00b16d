"""The money of a log: every row with money once, spread over its days, beside the distance that was driven in them.

A blank amount is not known and is never taken for none; work that others paid for is at no cost and still counts as work. Amounts stay net
or gross of recoverable tax as the log has them: the column `tax` is neither added nor taken off.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import usage

__all__ = ["Account", "account", "depreciation", "double_entries", "exposure", "known_shares", "money_lines", "value_points"]

ONE_DAY = pd.Timedelta(days=1)
WORK_CATEGORY = {"planned": "servicing", "defect": "repairs", "advice": "repairs", "accident": "accidents", "campaign": "recalls"}
LINE_COLUMNS = ["vehicle", "date", "category", "detail", "amount", "source", "line", "is_fixed", "visit", "why", "is_free"]
NOT_SOLD = ("written-off", "stolen")  # what is received then is a settlement, not a market value


def money_lines(log):
    """Every row with money, once, whatever its date: frame `LINE_COLUMNS`; amount NaN where not known; a credit is negative.

    work: labour + parts + other - recovered, of those that are known; 0 and `is_free` where others paid. fitted: price + fitting.
    fixed_costs: the whole period's amount, dated on its last day. `line` is the row's index in its table.
    """
    return pd.concat([_work(log), _fitted(log), _fuel(log), _fixed(log)], ignore_index=True)[LINE_COLUMNS]


def _lines(frame, source, category, detail, amount, date, is_fixed=False, why="", is_free=False):
    columns = {"vehicle": frame["vehicle"], "date": frame[date], "category": category, "detail": detail, "amount": amount, "source": source}
    columns |= {"line": frame.index, "is_fixed": is_fixed, "visit": frame.get("visit"), "why": why, "is_free": is_free}
    return pd.DataFrame(columns, index=frame.index)


def _work(log):
    work = log.tables["work"]
    parts = work[["labour_cost", "parts_cost", "other_cost"]]
    free = work["paid_by"].fillna("us").ne("us")
    amount = (parts.sum(axis=1, min_count=1) - work["recovered"].fillna(0)).mask(free, 0.0)
    return _lines(work, "work", work["why"].map(WORK_CATEGORY), work["task"], amount, "date", why=work["why"], is_free=free)


def _fitted(log):
    fitted, work = log.tables["fitted"], log.tables["work"]
    amount = fitted[["price", "fitting_cost"]].sum(axis=1, min_count=1)
    category = pd.Series(np.where(fitted["category"].eq("tyre"), "tyres", "parts"), fitted.index)
    one_why = work.dropna(subset=["visit"]).groupby("visit")["why"].agg(["first", "nunique"]).query("nunique == 1")["first"]
    why = fitted["visit"].map(one_why).fillna("planned")
    return _lines(fitted, "fitted", category, fitted["category"], amount, "fitted", why=why)[fitted["fitted"].notna()]


def _fuel(log):
    fuel = log.tables["fuel"]
    return _lines(fuel, "fuel", "fuel", fuel["kind"], fuel["cost"], "date")


def _fixed(log):
    fixed = log.tables["fixed_costs"]
    return _lines(fixed, "fixed_costs", fixed["category"], fixed["category"], fixed["amount"], "to", is_fixed=True)


def _by_day(periods, start, stop):
    """Rows with `from`, `to`, `amount` spread evenly by day, cut to start..stop (Series by row): one row a period and calendar month."""
    first, last = np.maximum(periods["from"], start), np.minimum(periods["to"], stop)
    rows = periods.assign(first=first, last=last)[first <= last]
    month = rows["first"].dt.to_period("M")
    count = (rows["last"].dt.to_period("M").astype("int64") - month.astype("int64") + 1).to_numpy()
    long = rows.loc[rows.index.repeat(count)]
    step = np.arange(len(long)) - np.repeat(np.cumsum(count) - count, count)
    month = pd.PeriodIndex.from_ordinals(month.astype("int64").to_numpy().repeat(count) + step, freq="M")
    begin = np.maximum(long["first"].to_numpy(), month.start_time.to_numpy())
    end = np.minimum(long["last"].to_numpy(), month.end_time.normalize().to_numpy())
    days = (end - begin) / ONE_DAY.to_timedelta64() + 1
    amount = long["amount"].to_numpy() * days / ((long["to"] - long["from"]) / ONE_DAY + 1).to_numpy()
    return long.assign(date=end, amount=amount, days=days).drop(columns=["first", "last", "from", "to"])


def exposure(readings, vehicle, start, end):
    """Distance from day `start` to day `end`, both counted, so far as readings tell it: frame `known_from, known_to, distance_km`.

    known_from, known_to: the first and last day whose distance is in it (NaT, and distance NaN, where no reading is inside).
    """
    path = usage.path_of(readings)
    start, end = pd.Series(start).reset_index(drop=True), pd.Series(end).reset_index(drop=True)
    ends = _ends(path).reindex(vehicle).reset_index(drop=True)
    from_day, to_day = start.where(start > ends["first"], ends["first"]), end.where(end < ends["last"], ends["last"])
    known = ends["first"].notna() & (from_day < to_day)
    from_day, to_day = from_day.where(known), to_day.where(known)
    before = np.maximum(from_day - ONE_DAY, ends["first"])
    names = list(vehicle)
    distance = usage.distance_at(path, names, to_day)["distance_km"] - usage.distance_at(path, names, before)["distance_km"]
    return pd.DataFrame({"known_from": from_day, "known_to": to_day, "distance_km": distance.where(known)})


def _ends(path):
    """First and last day with a reading, by vehicle."""
    day = path.day.astype("datetime64[D]").astype("datetime64[ns]")
    return pd.DataFrame({"first": day[path.first], "last": day[path.last - 1]}, index=path.vehicles)


@dataclass(frozen=True, eq=False)
class Account:
    """The money and the distance of a log's vehicles between two days.

    vehicles: one row a vehicle, `vehicle, kind, site, start, end, days, known_from, known_to, distance_km`: its days in the account, those
        whose distance is known, and that distance. site: where it was on its last day.
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
    fleet = pd.concat([fleet, exposure(readings, fleet["vehicle"], fleet["start"], fleet["end"])], axis=1)
    own = fleet.set_index("vehicle")
    lines = money_lines(log)
    begin, until = lines["vehicle"].map(own["start"]), lines["vehicle"].map(own["end"])
    inside = (lines["date"] >= begin) & (lines["date"] <= until)
    outside = int((~inside & ~lines["is_fixed"]).sum())
    single = lines[inside & ~lines["is_fixed"]].copy()
    days = single["vehicle"].map(own["known_from"]), single["vehicle"].map(own["known_to"])
    single["with_distance"] = single["date"].between(*days)
    fixed = lines[lines["is_fixed"]].drop(columns="date").join(log.tables["fixed_costs"][["from", "to"]], on="line")
    worth = depreciation(log).drop(columns="date")
    lines, worth = pd.concat([single, *_cut(fixed, own)], ignore_index=True), pd.concat(_cut(worth, own), ignore_index=True)
    return Account(fleet, lines, worth, _quarters(fleet, readings), outside, log.money, log.present)


def _fleet(log, start, end):
    v = log.tables["vehicles"]
    begin = v["acquired"].fillna(v["in_service"]).clip(lower=start)
    stop = v["disposed"].fillna(end).clip(upper=end)
    fleet = pd.DataFrame({"vehicle": v["vehicle"], "kind": v["kind"], "start": begin, "end": stop, "disposal": v["disposal"]})
    fleet = fleet[fleet["start"] <= fleet["end"]].reset_index(drop=True)
    fleet["site"] = usage.site_at(log, fleet["vehicle"], fleet["end"])
    fleet["days"] = (fleet["end"] - fleet["start"]).dt.days + 1
    return fleet


def _quarters(fleet, readings):
    known = fleet[fleet["known_from"].notna()]
    first, last = (known[c].dt.to_period("Q").astype("int64").to_numpy() for c in ("known_from", "known_to"))
    count = last - first + 1
    long = known.loc[known.index.repeat(count)].reset_index(drop=True)
    step = np.arange(len(long)) - np.repeat(np.cumsum(count) - count, count)
    quarter = pd.PeriodIndex.from_ordinals(first.repeat(count) + step, freq="Q")
    start, end = quarter.start_time, quarter.end_time.normalize()
    span = exposure(readings, long["vehicle"], long["known_from"].clip(lower=start), long["known_to"].clip(upper=end))
    made = pd.DataFrame({"vehicle": long["vehicle"], "quarter": quarter, "distance_km": span["distance_km"]})
    return made.dropna(ignore_index=True)


def _cut(periods, own):
    """Periods by month: those on days whose distance is known, and those on the other days of the account, apart."""
    start, end = periods["vehicle"].map(own["start"]), periods["vehicle"].map(own["end"])
    known_from, known_to = periods["vehicle"].map(own["known_from"]), periods["vehicle"].map(own["known_to"])
    without = known_from.isna()
    return [
        _by_day(periods, known_from, known_to).assign(with_distance=True),
        _by_day(periods, start, (known_from - ONE_DAY).where(~without, end)).assign(with_distance=False),
        _by_day(periods[~without], (known_to + ONE_DAY)[~without], end[~without]).assign(with_distance=False),
    ]


def value_points(log):
    """What each vehicle was worth on a day: frame `vehicle, date, value, basis`, sorted: price, valuations of one basis, money received.

    Of several bases the one with most rows is taken. What came for one written off or stolen has basis "settlement".
    """
    v, worth = log.tables["vehicles"], log.tables["valuations"]
    basis = worth["basis"].fillna("")
    worth = worth[basis == basis.mode().iloc[0]] if len(worth) else worth
    settled = np.where(v["disposal"].isin(NOT_SOLD), "settlement", "received")
    points = [
        pd.DataFrame({"vehicle": v["vehicle"], "date": v["acquired"].fillna(v["in_service"]), "value": v["price"], "basis": "price"}),
        worth[["vehicle", "date", "value"]].assign(basis="valuation"),
        pd.DataFrame({"vehicle": v["vehicle"], "date": v["disposed"], "value": v["disposed_value"], "basis": settled}),
    ]
    points = pd.concat([p.dropna(subset=["date", "value"]) for p in points], ignore_index=True)
    return points.sort_values(["vehicle", "date"], kind="stable").drop_duplicates(["vehicle", "date"], keep="last", ignore_index=True)


def depreciation(log):
    """Fall in value from each `value_points` to the next: money lines with `from`, `to`, category "depreciation"; a rise is negative."""
    points = value_points(log)
    after = points.groupby("vehicle")[["date", "value", "basis"]].shift(-1)
    periods = pd.DataFrame({"vehicle": points["vehicle"], "from": points["date"] + ONE_DAY, "to": after["date"]})
    periods = periods.assign(date=after["date"], category="depreciation", detail=after["basis"], amount=points["value"] - after["value"])
    periods = periods.assign(source="vehicles", line=points.index, is_fixed=True, visit=None, why="", is_free=False)
    return periods[after["date"].notna()].reset_index(drop=True)


def known_shares(lines):
    """Rows and how many have their money, by source: frame `source, rows, known, known_share`; what is spread by month counts once."""
    rows = lines.drop_duplicates(["source", "line"])
    made = rows.groupby("source")["amount"].agg(rows="size", known="count").reset_index()
    return made.assign(known_share=made["known"] / made["rows"])


def double_entries(log):
    """Where the same money may stand twice: frame `vehicle, date, item, price, other_cost, why`.

    A part's price in `fitted` beside parts of the same visit in `work` at least as dear, or of the same day and within 1% of it; or a
    price on more than one row of the same part.
    """
    fitted, work = log.tables["fitted"], log.tables["work"]
    fitted, work = fitted[fitted["price"] > 0], work[work["parts_cost"] > 0]
    columns = ["vehicle", "date", "item", "price", "other_cost", "why"]
    left = fitted[["vehicle", "visit", "fitted", "item", "price", "part"]].rename(columns={"fitted": "date"}).reset_index(names="line")
    right = work[["vehicle", "visit", "date", "parts_cost"]].rename(columns={"parts_cost": "other_cost"})
    visit = left.dropna(subset=["visit"]).merge(right[["vehicle", "visit", "other_cost"]].dropna(), on=["vehicle", "visit"])
    visit = visit[visit["other_cost"] >= 0.99 * visit["price"]].assign(why="parts of the same visit in work")
    day = left.merge(right[["vehicle", "date", "other_cost"]], on=["vehicle", "date"])
    day = day[(day["other_cost"] / day["price"]).between(0.99, 1.01)].assign(why="parts of the same day in work at the same price")
    part = left[left["part"].notna() & left.duplicated("part")].assign(why="priced on an earlier row of the same part", other_cost=np.nan)
    found = pd.concat([visit, day, part], ignore_index=True).drop_duplicates("line")
    return found.sort_values(["date", "vehicle"], ignore_index=True)[columns]
