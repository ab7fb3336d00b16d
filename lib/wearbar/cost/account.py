"""The money of a log: every row with money once, spread over its days, beside the distance that was driven in them.

A blank amount is not known and is never taken for none; work that others paid for is at no cost and still counts as work. Amounts stay net
or gross of recoverable tax as the log has them: the column `tax` is neither added nor taken off.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.log.schema import TEXT

__all__ = [
    "Account",
    "account",
    "depreciation",
    "double_entries",
    "exposure",
    "fuel_cost",
    "known_shares",
    "money_lines",
    "value_points",
]

ONE_DAY = pd.Timedelta(days=1)
WORK_CATEGORY = {
    "planned": "servicing",
    "defect": "repairs",
    "advice": "repairs",
    "accident": "accidents",
    "campaign": "recalls",
}
LINE_TYPES = {
    "vehicle": TEXT,
    "date": "datetime64[ns]",
    "category": TEXT,
    "detail": TEXT,
    "amount": float,
    "source": TEXT,
    "line": "int64",
}
LINE_TYPES |= {"is_fixed": bool, "visit": TEXT, "why": TEXT, "is_free": bool}
NOT_SOLD = ("written-off", "stolen")  # what is received then is a settlement, not a market value


def money_lines(log):
    """Every row with money, once, whatever its date: frame `LINE_TYPES`; amount NaN where not known; a credit is negative.

    work: labour + parts + other - recovered, of those that are known; not known where labour and parts are blank and other is none;
    0 and `is_free` where others paid. fitted: price + fitting; what came with the vehicle, and a later row of the same part, is no purchase
    if it has no price, and is left out.
    fixed_costs: the whole period's amount, dated on its last day. `line` is the row's index in its table.
    """
    return pd.concat([*_by_table(log), *_set_aside(log)], ignore_index=True)[list(LINE_TYPES)]


def _by_table(log):
    return [_work(log), _fitted(log), _fuel(log), _fixed(log)]


def _set_aside(log):
    """Lines of the rows set aside, amount not known, so that no sum without them passes for whole.

    A fill typed twice lacks nowhere.
    """
    if not log.aside:
        return []
    tables = {name: log.aside.get(name, frame.iloc[:0]) for name, frame in log.tables.items()}
    tables["vehicles"] = log.tables["vehicles"]
    twice = log.set_aside.loc[log.set_aside["rule"].eq("same-reading"), ["table", "line"]]
    parts = []
    for lines in _by_table(replace(log, tables=tables, _si={})):
        place = pd.MultiIndex.from_frame(lines[["source", "line"]])
        lacks = ~place.isin(pd.MultiIndex.from_frame(twice)) & lines["date"].notna()
        lacks &= lines["vehicle"].isin(tables["vehicles"]["vehicle"])
        parts.append(lines[lacks].assign(amount=np.nan))
    return parts


def _lines(frame, source, **columns):
    """Money lines from a table's rows: `columns` over the defaults."""
    visit = frame["visit"] if "visit" in frame else pd.Series(pd.NA, frame.index, dtype=TEXT)
    default = {
        "source": source,
        "line": frame.index,
        "is_fixed": False,
        "visit": visit,
        "why": "",
        "is_free": False,
    }
    made = pd.DataFrame({"vehicle": frame["vehicle"], **default, **columns}, index=frame.index)
    return made.astype({name: LINE_TYPES[name] for name in made if name in LINE_TYPES})


def _work(log):
    work = log.tables["work"]
    parts = work[["labour_cost", "parts_cost", "other_cost"]]
    free = work["paid_by"].fillna("us").ne("us")
    told = (
        work["labour_cost"].notna()
        | work["parts_cost"].notna()
        | work["other_cost"].fillna(0).ne(0)
    )
    amount = (parts.sum(axis=1) - work["recovered"].fillna(0)).where(told).mask(free, 0.0)
    category = work["why"].map(WORK_CATEGORY)
    return _lines(
        work,
        "work",
        date=work["date"],
        category=category,
        detail=work["task"],
        amount=amount,
        why=work["why"],
        is_free=free,
    )


def _fitted(log):
    fitted, work = log.tables["fitted"], log.tables["work"]
    amount = fitted[["price", "fitting_cost"]].sum(axis=1, min_count=1)
    category = pd.Series(np.where(fitted["category"].eq("tyre"), "tyres", "parts"), fitted.index)
    one_why = (
        work.dropna(subset=["visit"])
        .groupby("visit")["why"]
        .agg(["first", "nunique"])
        .query("nunique == 1")["first"]
    )
    why = fitted["visit"].map(one_why).fillna("planned")
    made = _lines(
        fitted,
        "fitted",
        date=fitted["fitted"],
        category=category,
        detail=fitted["category"],
        amount=amount,
        why=why,
    )
    joined = fitted["vehicle"].map(_joined(log.tables["vehicles"]))
    again = (
        fitted.sort_values("fitted", kind="stable").duplicated("part").reindex(fitted.index)
        & fitted["part"].notna()
    )
    no_purchase = amount.isna() & (again | (fitted["fitted"] <= joined))
    return made[fitted["fitted"].notna() & ~no_purchase]


def _joined(vehicles):
    """The day that each vehicle joined the log."""
    return vehicles["acquired"].fillna(vehicles["in_service"]).set_axis(vehicles["vehicle"])


def _fuel(log):
    fuel = log.tables["fuel"]
    return _lines(
        fuel,
        "fuel",
        date=fuel["date"],
        category="fuel",
        detail=fuel["kind"],
        amount=fuel_cost(fuel),
    )


def fuel_cost(fuel):
    """The cost of each fill: as it is in the log, or its unit price times its volume; NaN where neither is known."""
    return fuel["cost"].fillna(fuel["unit_price"] * fuel["volume"])


def _fixed(log):
    fixed = log.tables["fixed_costs"]
    columns = {
        "category": fixed["category"],
        "detail": fixed["category"],
        "amount": fixed["amount"],
    }
    return _lines(fixed, "fixed_costs", date=fixed["to"], **columns, is_fixed=True)


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
    begin, until = lines["vehicle"].map(own["start"]), lines["vehicle"].map(own["end"])
    inside = (lines["date"] >= begin) & (lines["date"] <= until)
    outside = int((~inside & ~lines["is_fixed"]).sum())
    single = lines[inside & ~lines["is_fixed"]].assign(days=1.0)
    days = single["vehicle"].map(own["known_from"]), single["vehicle"].map(own["known_to"])
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
    begin = _joined(v).set_axis(v.index).clip(lower=start)
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
    start, end = periods["vehicle"].map(own["start"]), periods["vehicle"].map(own["end"])
    known_from, known_to = (
        periods["vehicle"].map(own["known_from"]),
        periods["vehicle"].map(own["known_to"]),
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


def value_points(log):
    """What each vehicle was worth on a day: frame `vehicle, date, value, basis`, sorted: price, valuations of one basis, money received.

    Of several bases the one with most rows is taken. What came for one written off or stolen has basis "settlement".
    """
    v, worth = log.tables["vehicles"], log.tables["valuations"]
    basis = worth["basis"].fillna("")
    worth = worth[basis == basis.mode().iloc[0]] if len(worth) else worth
    settled = np.where(v["disposal"].isin(NOT_SOLD), "settlement", "received")
    points = [
        pd.DataFrame(
            {
                "vehicle": v["vehicle"],
                "date": _joined(v).to_numpy(),
                "value": v["price"],
                "basis": "price",
            }
        ),
        worth[["vehicle", "date", "value"]].assign(basis="valuation"),
        pd.DataFrame(
            {
                "vehicle": v["vehicle"],
                "date": v["disposed"],
                "value": v["disposed_value"],
                "basis": settled,
            }
        ),
    ]
    points = pd.concat([p.dropna(subset=["date", "value"]) for p in points], ignore_index=True)
    return points.sort_values(["vehicle", "date"], kind="stable").drop_duplicates(
        ["vehicle", "date"], keep="last", ignore_index=True
    )


def depreciation(log):
    """Fall in value from each `value_points` to the next: money lines with `from`, `to`, category "depreciation"; a rise is negative."""
    points = value_points(log)
    after = points.groupby("vehicle")[["date", "value", "basis"]].shift(-1)
    fall = {
        "category": "depreciation",
        "detail": after["basis"],
        "amount": points["value"] - after["value"],
        "is_fixed": True,
    }
    periods = _lines(points, "vehicles", date=after["date"], **fall).assign(
        **{"from": points["date"] + ONE_DAY, "to": after["date"]}
    )
    return periods[after["date"].notna()].reset_index(drop=True)


def known_shares(lines):
    """Rows and how many have their money, by source: frame `source, rows, known, known_share`; what is spread by month counts once."""
    rows = lines.drop_duplicates(["source", "line"])
    made = rows.groupby("source")["amount"].agg(rows="size", known="count").reset_index()
    return made.assign(known_share=made["known"] / made["rows"])


def double_entries(log):
    """Where the same money may stand twice: frame `vehicle, date, item, price, other_cost, why`.

    A part's price in `fitted`, and in `work` of the same visit or day and no other position parts of the same money, or parts on a task of
    the plan that fits this category; or a price on more than one row of the same part. A part fitted on no known day is in no sum.
    """
    fitted, work = log.tables["fitted"], log.tables["work"]
    kept = ["vehicle", "visit", "position", "fitted", "item", "category", "price", "part"]
    left = fitted.loc[(fitted["price"] > 0) & fitted["fitted"].notna(), kept]
    left = left.rename(columns={"fitted": "date"}).reset_index(names="line")
    right = work.loc[
        work["parts_cost"] > 0, ["vehicle", "visit", "position", "date", "task", "parts_cost"]
    ]
    right = right.rename(columns={"parts_cost": "other_cost", "date": "done"})
    pairs = left.merge(right, on="vehicle", suffixes=("", "_of"))
    pairs = pairs[
        (pairs["visit"].notna() & (pairs["visit"] == pairs["visit_of"]))
        | (pairs["date"] == pairs["done"])
    ]
    pairs = pairs[pairs["position_of"].isna() | (pairs["position_of"] == pairs["position"])]
    same = (pairs["other_cost"] / pairs["price"]).between(0.999, 1.001)
    fits = (pairs["task"].map(_part_of_task(log.plan)) == pairs["category"]).fillna(False)
    pairs = pairs.assign(
        why=np.where(
            same, "the same money for parts in work", "parts on the task that fits it in work"
        )
    )[same | fits]
    part = left[left["part"].notna() & left.duplicated("part")].assign(
        why="priced on an earlier row of the same part", other_cost=np.nan
    )
    found = pd.concat(
        [f.astype({"why": TEXT, "other_cost": float}) for f in (pairs, part)]
    ).drop_duplicates("line")
    return found.sort_values(["date", "vehicle"], ignore_index=True)[
        ["vehicle", "date", "item", "price", "other_cost", "why"]
    ]


def _part_of_task(plan):
    if plan is None:
        return pd.Series(dtype=TEXT)
    tasks = plan.tasks.dropna(subset=["part"]).drop_duplicates("code")
    return tasks.set_index("code")["part"].astype(TEXT)
