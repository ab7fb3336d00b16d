"""What a mile and a day cost, by category, vehicle, kind and site, with what the figures rest on."""

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import comb

from wearbar.stats.estimate import (
    SMALL_SITE,
    Estimate,
    holm,
    ratio,
    ratio_apart,
    ratio_change,
    ratios,
    shrink,
    untold,
)

__all__ = [
    "CLEAR_P",
    "MIN_KNOWN",
    "SMALL_SITE",
    "by_site",
    "by_vehicle",
    "by_year",
    "change_of_years",
    "cost_per_km",
    "depreciation_per_km",
    "differences",
    "largest_bill",
    "owning_per_km",
    "total_per_km",
]

MIN_DAYS, YEAR_DAYS = (
    91,
    365,
)  # a cost by distance or day needs so long a record, a year's distance a year
CLEAR_P = 0.05  # a Holm-adjusted chance below this is called a difference
DEALS = 1999  # of vehicles among groups, for the chance of a difference
MIN_APART = 5  # vehicles on either side, for limits of a difference
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
    entries = _entries(account.lines, cars["distance_km"], ["vehicle"], by if of_lines else None)
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


def _entries(lines, distance, keys, column):
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
        _known_by(lines, group).reindex(made.index).fillna(pd.Series(1.0, amount.index)).fillna(0.0)
    )
    return made.astype({"n": "Int64"})


def _known_by(lines, group):
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
    inner = _entries(dated, quarters, ["vehicle", "quarter"], None)
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


def by_year(account, confidence=0.9):
    """Cost per distance of each calendar year, where the distance is known.

    Frame `year, cost_per_km, low, high, n, distance_km, is_whole`; limits from the spread between vehicles. is_whole: the account spans
    the year.
    """
    lines, entries = (
        account.lines.assign(year=account.lines["date"].dt.year),
        _by_vehicle_and_year(account),
    )
    made = ratios(entries["year"], entries["amount"], entries["distance_km"], confidence)
    made = (
        made.rename(columns={"value": "cost_per_km", "denominator": "distance_km"})
        .rename_axis("year")
        .reset_index()
    )
    known = _known_by(lines, lines["year"]).reindex(made["year"]).fillna(1.0).to_numpy()
    shown = (pd.Series(known) >= MIN_KNOWN) & (account.vehicles["days"].max() >= MIN_DAYS)
    made[["cost_per_km", "low", "high"]] = made[["cost_per_km", "low", "high"]].where(shown)
    first, last = account.vehicles["start"].min(), account.vehicles["end"].max()
    year = made["year"].astype(str)
    made["is_whole"] = (pd.to_datetime(year + "-01-01") >= first) & (
        pd.to_datetime(year + "-12-31") <= last
    )
    made["n"] = made["year"].map(
        account.quarters.groupby(account.quarters["quarter"].dt.year)["vehicle"].nunique()
    )
    return made[["year", "cost_per_km", "low", "high", "n", "distance_km", "is_whole"]]


def _by_vehicle_and_year(account):
    """Amount and distance of every vehicle and calendar year with a distance."""
    distance = account.quarters.groupby(
        ["vehicle", account.quarters["quarter"].dt.year.rename("year")]
    )["distance_km"].sum()
    return _entries(
        account.lines.assign(year=account.lines["date"].dt.year),
        distance,
        ["vehicle", "year"],
        None,
    )


def change_of_years(account, confidence=0.9):
    """How the cost per distance changed from the first whole year to the last, of the vehicles driven in both: (`Estimate`, p, years).

    The value is the last year's cost over the first's, vehicles paired; years: (first, last), or None where fewer than two whole years
    have their money.
    """
    told = by_year(account, confidence)
    told = told[told["is_whole"] & told["cost_per_km"].gt(0)]
    if len(told) < 2:
        note = "needs two whole calendar years with their money"
        return Estimate(np.nan, np.nan, np.nan, confidence, 0, note=note), np.nan, None
    years = int(told["year"].iat[0]), int(told["year"].iat[-1])
    made = _by_vehicle_and_year(account)
    wide = (
        made.pivot(index="vehicle", columns="year", values=["amount", "distance_km"])
        .reindex(columns=years, level=1)
        .dropna()
    )
    found, p = ratio_change(
        *((wide["amount"][y], wide["distance_km"][y]) for y in years), confidence
    )
    return found, p, years


def differences(account, by, confidence=0.9, rng=None):
    """Which groups of vehicles, by "kind" or "site", cost more or less a distance than the others together: one row a group.

    Frame `by, ratio` (its cost over the others'), `low, high` (`estimate.ratio_apart`; none below `MIN_APART` vehicles), `n` (vehicles),
    `p` (vehicles dealt among the groups again, `rng`), `p_holm` (over the groups), `is_clear` (below `CLEAR_P`). Groups of fewer than
    `SMALL_SITE` vehicles, those not known and, of sites, those not shown are left out; empty where fewer than two remain, or
    where no deal could make a difference clear.
    """
    cars = account.vehicles.set_index("vehicle")
    made = _entries(account.lines, cars["distance_km"], ["vehicle"], None)
    made["group"] = made["vehicle"].map(cars[by])
    made = made[made["group"].notna() & ~made["group"].isin(_refused_groups(account, cars, by))]
    size = made["group"].value_counts()
    made = made[made["group"].isin(size.index[size >= SMALL_SITE])].sort_values(
        "group", kind="stable"
    )
    names, money = made["group"].unique(), made[["amount", "distance_km"]].to_numpy().T
    p, least = (
        _dealt(money, made["group"].to_numpy(), names, rng or np.random.default_rng(30))
        if len(names) > 1
        else ([], 1.0)
    )
    rows = []
    for name, chance in zip(names, p, strict=False):
        own = made["group"].eq(name).to_numpy()
        found, _ = ratio_apart(money[:, own], money[:, ~own], confidence)
        limits = (
            (found.low, found.high)
            if min(own.sum(), (~own).sum()) >= MIN_APART
            else (np.nan, np.nan)
        )
        rows.append((name, found.value, *limits, int(own.sum()), chance))
    frame = pd.DataFrame(
        rows if least * len(rows) <= CLEAR_P else [], columns=[by, "ratio", "low", "high", "n", "p"]
    )
    frame["p_holm"] = holm(frame["p"].to_numpy(float))
    return frame.assign(is_clear=frame["p_holm"] < CLEAR_P).sort_values(
        "ratio", ascending=False, ignore_index=True
    )


def _dealt(money, group, names, rng):
    """p of each group's difference from the rest, vehicles dealt among the groups again; and the least p that could come."""
    first = np.searchsorted(group, names)
    order = rng.permuted(np.tile(np.arange(len(group)), (DEALS, 1)), axis=1)
    order[0] = np.arange(len(group))
    inside = np.stack([np.add.reduceat(m[order], first, axis=1) for m in money])
    outside = money.sum(axis=1)[:, None, None] - inside
    with np.errstate(divide="ignore", invalid="ignore"):
        far = np.abs(np.log(inside[0] / inside[1]) - np.log(outside[0] / outside[1]))
    size = np.diff(np.append(first, len(group)))
    ways = comb(len(group), size.min()) / (2 if len(names) == 2 else 1)
    return (far >= far[0] - 1e-9).mean(axis=0), max(1 / DEALS, 1 / ways)


def _refused_groups(account, cars, by):
    """Groups whose cost is not shown: too few rows with their money, or sites that could point at a person."""
    known = _known_by(account.lines, account.lines["vehicle"].map(cars[by]))
    refused = set(known.index[known < MIN_KNOWN])
    if by == "site":
        small = untold(cars["site"].value_counts())
        refused |= set(small.index[small])
    return refused


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


def depreciation_per_km(account, confidence=0.9):
    """Fall in value over the distance of the days whose change of value is known, as an `Estimate`."""
    part = _valued(account)
    return ratio(part["fall"], part["distance_km"], confidence, "money_per_km")


def owning_per_km(account, confidence=0.9):
    """What was spent and the fall in value together, over distance, of the vehicles whose change of value is known, as an `Estimate`.

    Each vehicle's spending counts by the share of its distance over which its value is known. Refused as `cost_per_km` is.
    """
    part = _valued(account)
    lines = account.lines[account.lines["vehicle"].isin(part.index)]
    spent = (
        lines[lines["with_distance"]]
        .groupby("vehicle")["amount"]
        .sum()
        .reindex(part.index)
        .fillna(0.0)
    )
    known = _known_by(lines, pd.Series("all", lines.index))
    made = ratio(
        part["fall"] + part["share"] * spent, part["distance_km"], confidence, "money_per_km"
    )
    if not lines["amount"].notna().any() or (known < MIN_KNOWN).any():
        return Estimate(
            np.nan,
            np.nan,
            np.nan,
            confidence,
            len(part),
            unit="money_per_km",
            note="too few rows have their money",
        )
    return made


def _valued(account):
    """Vehicles whose change of value is known on days with distance: frame `fall, share` (of its known days), `distance_km` in them."""
    worth = account.worth[account.worth["with_distance"]]
    by = worth.groupby("vehicle")[["amount", "days"]].sum()
    cars = account.vehicles.set_index("vehicle").loc[by.index]
    share = (by["days"] / ((cars["known_to"] - cars["known_from"]).dt.days + 1)).clip(upper=1)
    return pd.DataFrame(
        {"fall": by["amount"], "share": share, "distance_km": cars["distance_km"] * share}
    )
