"""What a mile and a day cost, by category, vehicle, kind and site, with what the figures rest on."""

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.stats.estimate import SMALL_SITE, Estimate, ratios, shrink, untold

__all__ = [
    "MIN_DAYS",
    "MIN_KNOWN",
    "SMALL_SITE",
    "by_site",
    "by_vehicle",
    "cost_per_km",
    "entries_of",
    "known_by",
    "largest_bill",
    "total_per_km",
]

MIN_DAYS, YEAR_DAYS = (
    91,
    365,
)  # a cost by distance or day needs so long a record, a year's distance a year
MIN_BILLS = 30  # rows with money of a group, for limits: of fewer, 90% hold as seldom as 40 times in 100 in simulation
MIN_KNOWN = 0.8  # a cost per distance is refused where a smaller share of the rows has its money


def cost_per_km(account, by=None, confidence=0.9):
    """Cost per distance and per day of the whole account or by "category", "is_fixed", "vehicle", "kind" or "site", largest total first.

    Frame: the group, `cost_per_km, low, high, n, bills, cost_per_day, amount, share, distance_km, days, known_share`. Total
    cost over total distance of the days whose distance is known; `amount` and `cost_per_day` are of all days. The limits come from the
    spread between `n` vehicles; none below three, or below `MIN_BILLS` rows with money (`bills`). cost_per_km is NaN where `known_share`,
    the least share of rows with money over the workshop's and the fuel, is below `MIN_KNOWN`; it and cost_per_day are NaN too where no
    vehicle (of its own row, that vehicle) has been in the account for `MIN_DAYS`.
    """
    of_lines = by in ("category", "is_fixed")
    cars = account.vehicles.set_index("vehicle")
    entries = entries_of(account.lines, cars["distance_km"], ["vehicle"], by if of_lines else None)
    group = entries[by] if of_lines else _group(entries["vehicle"], cars, by)
    made = ratios(group, entries["amount"], entries["distance_km"], confidence)
    made = _with_days(made, account, cars, by, of_lines)
    made[["low", "high"]] = made[["low", "high"]].where(made["bills"] >= MIN_BILLS)
    short = (made["days"] if by == "vehicle" else cars["days"].max()) < MIN_DAYS
    refused = ~(made["known_share"] >= MIN_KNOWN) | short
    made[["value", "low", "high"]] = made[["value", "low", "high"]].mask(refused)
    made["cost_per_day"] = made["cost_per_day"].mask(refused & short)
    made = made.rename(columns={"value": "cost_per_km", "denominator": "distance_km"}).drop(
        columns="numerator"
    )
    return (
        made.rename_axis(by or "group")
        .reset_index()
        .sort_values("amount", ascending=False, ignore_index=True)
    )


def _group(vehicle, cars, by):
    if by == "vehicle":
        return vehicle
    return vehicle.map(cars[by]).fillna("not known") if by else pd.Series("all", vehicle.index)


def entries_of(lines, distance, keys, column):
    """Amount and distance of every unit (vehicle, or vehicle and period) with a distance; one row for each value of `column`, if any."""
    distance = distance[distance > 0]
    lines = lines[lines["with_distance"]]
    sums = lines.groupby([*keys, *([column] if column else [])], observed=True)["amount"].sum()
    if column:
        table = sums.unstack(column).reindex(distance.index).fillna(0.0)
        return (
            table.stack()
            .rename("amount")
            .reset_index()
            .join(distance.rename("distance_km"), on=keys)
        )
    return pd.DataFrame(
        {"amount": sums.reindex(distance.index).fillna(0.0), "distance_km": distance}
    ).reset_index()


def _with_days(made, account, cars, by, of_lines):
    lines = account.lines
    group = lines[by] if of_lines else _group(lines["vehicle"], cars, by)
    names = pd.Series(cars.index, cars.index)
    days = cars["days"].sum() if of_lines else cars["days"].groupby(_group(names, cars, by)).sum()
    amount = lines["amount"].groupby(group).sum(min_count=1)
    made = made.reindex(made.index.union(amount.index))
    made["amount"] = amount.reindex(made.index).where(
        made.index.isin(amount.index), 0.0
    )  # rows without their money are not free
    made["days"] = days if of_lines else days.reindex(made.index)
    bills = lines[lines["amount"].fillna(0).ne(0)].drop_duplicates(
        ["source", "line"]
    )  # what is spread by month counts once
    made["bills"] = (
        bills.groupby(group.loc[bills.index]).size().reindex(made.index).fillna(0).astype(int)
    )
    made["share"] = made["amount"] / made["amount"].sum()
    made["cost_per_day"] = made["amount"] / made["days"]
    made["known_share"] = (
        known_by(lines, group).reindex(made.index).fillna(pd.Series(1.0, amount.index)).fillna(0.0)
    )
    return made.astype({"n": "Int64"})


def known_by(lines, group):
    """Least share of rows with money over the workshop's (work, fitted) and fuel, by group."""
    rows = lines[~lines["is_fixed"]]
    part = np.where(rows["source"].eq("fuel"), "fuel", "workshop")
    return (
        rows["amount"].notna().groupby([group.loc[rows.index], part]).mean().groupby(level=0).min()
    )


def by_vehicle(account, confidence=0.9):
    """`cost_per_km` by vehicle, with `kind`, `km_per_year` and `drawn_per_km`, drawn towards its kind's mean as its own error asks.

    The highest cost of many is high in part by chance; drawn towards the mean it is what the next years are more likely to show.
    """
    made = cost_per_km(account, "vehicle", confidence)
    made["kind"] = made["vehicle"].map(account.vehicles.set_index("vehicle")["kind"])
    made["km_per_year"] = (made["distance_km"] / made["days"] * 365.25).where(
        made["days"] >= YEAR_DAYS
    )
    quarters = account.quarters.set_index(["vehicle", "quarter"])["distance_km"]
    dated = account.lines.assign(quarter=pd.DatetimeIndex(account.lines["date"]).to_period("Q"))
    inner = entries_of(dated, quarters, ["vehicle", "quarter"], None)
    within = ratios(inner["vehicle"], inner["amount"], inner["distance_km"], confidence).reindex(
        made["vehicle"]
    )
    t = stats.t.ppf((1 + confidence) / 2, (within["n"] - 1).clip(lower=1).astype(float))
    se = np.log((within["high"] / within["low"]).where(within["low"] > 0)).to_numpy() / (2 * t)
    drawn = shrink(np.log(made["cost_per_km"].where(made["cost_per_km"] > 0)), se, made["kind"])
    made["drawn_per_km"] = np.where(made["cost_per_km"].notna(), np.exp(drawn), np.nan)
    return made


def by_site(account, confidence=0.9):
    """`cost_per_km` by site, without the money of sites too small to show (`estimate.untold`)."""
    made = cost_per_km(account, "site", confidence)
    cars = account.vehicles["site"].fillna("not known").value_counts()
    made["vehicles"] = made["site"].map(cars)
    told = ["cost_per_km", "low", "high", "cost_per_day", "amount", "share"]
    made[told] = made[told].mask(untold(made["vehicles"]))
    return made


def total_per_km(account, confidence=0.9):
    """The whole account's cost per distance as an `Estimate`; its note says in words why there is none, or what the interval rests on."""
    made = cost_per_km(account, None, confidence)
    if not account.lines["amount"].notna().any():
        return Estimate(
            np.nan,
            np.nan,
            np.nan,
            confidence,
            0,
            unit="money_per_km",
            note="the log holds no money",
        )
    if made.empty or (
        not made["distance_km"].iat[0] > 0 and account.vehicles["days"].max() >= MIN_DAYS
    ):
        return Estimate(
            np.nan, np.nan, np.nan, confidence, 0, unit="money_per_km", note=_no_distance(account)
        )
    row = made.iloc[0]
    note = (
        ""
        if np.isfinite(row["low"])
        else f"a range needs three vehicles and {MIN_BILLS} rows with money"
    )
    if np.isnan(row["cost_per_km"]):
        note = "too few rows have their money"
    if account.vehicles["days"].max() < MIN_DAYS:
        note = f"it needs three months of record, and this log has {account.vehicles['days'].max()} days"
    limits = [float(row[c]) for c in ("cost_per_km", "low", "high")]
    n = 0 if pd.isna(row["n"]) else int(row["n"])  # a record of one day has no distance to count
    return Estimate(
        *limits, confidence, n, unit="money_per_km", method="jackknife over vehicles", note=note
    )


def _no_distance(account):
    return (
        "no distance is known"
        if account.vehicles["meter"].isin(["distance", "both"]).any()
        else "no vehicle has a distance meter"
    )


def largest_bill(account):
    """The day of one vehicle that cost most, fixed costs and fuel apart: Series `vehicle, date, amount, share`, or None."""
    lines = account.lines[~account.lines["is_fixed"] & account.lines["source"].ne("fuel")]
    days = lines.groupby(["vehicle", "date"])["amount"].sum().reset_index()
    if not (days["amount"] > 0).any():
        return None
    return days.assign(share=days["amount"] / account.lines["amount"].sum()).loc[
        days["amount"].idxmax()
    ]
