"""Whether cost by distance differs between years, kinds and sites, by a test of that difference."""

import numpy as np
import pandas as pd
from scipy.special import comb

from wearbar.cost.per_distance import MIN_DAYS, MIN_KNOWN, entries_of, known_by
from wearbar.stats.estimate import (
    SMALL_SITE,
    Estimate,
    holm,
    ratio_apart,
    ratio_change,
    ratios,
    untold,
)

__all__ = ["CLEAR_P", "by_year", "change_of_years", "differences"]

CLEAR_P = 0.05  # a Holm-adjusted chance below this is called a difference

DEALS = 1999  # of vehicles among groups, for the chance of a difference

MIN_APART = 5  # vehicles on either side, for limits of a difference


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
    known = known_by(lines, lines["year"]).reindex(made["year"]).fillna(1.0).to_numpy()
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
    return entries_of(
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
    made = entries_of(account.lines, cars["distance_km"], ["vehicle"], None)
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
    known = known_by(account.lines, account.lines["vehicle"].map(cars[by]))
    refused = set(known.index[known < MIN_KNOWN])
    if by == "site":
        small = untold(cars["site"].value_counts())
        refused |= set(small.index[small])
    return refused
