"""Whether cost by distance differs between years, kinds and sites, by a test of that difference."""

import numpy as np
import pandas as pd

from wearbar.cost.per_distance import MIN_DAYS, MIN_KNOWN, entries_of, known_by
from wearbar.stats import estimate
from wearbar.stats.clustered import inside_outside, least_p

CLEAR_P = 0.05  # a Holm-adjusted chance below this is called a difference
DEALS = 1999  # of vehicles among groups, the one that is seen among them
MIN_APART = 5  # vehicles on either side, for limits of a difference
YEAR = ["year", "cost_per_km", "low", "high", "n", "distance_km", "is_whole"]


def by_year(account, confidence=0.9):
    """Cost per distance of each calendar year, where the distance is known: frame `YEAR`; limits by
    the spread between vehicles; is_whole: the account spans the year."""
    cars, quarters, entries = account.vehicles, account.quarters, _by_vehicle_and_year(account)
    made = estimate.ratios(entries["year"], entries["amount"], entries["distance_km"], confidence)
    known = known_by(account.lines, account.lines["date"].dt.year).reindex(made.index).fillna(1.0)
    blank = (known < MIN_KNOWN) | (not cars["days"].max() >= MIN_DAYS)
    made[["value", "low", "high"]] = made[["value", "low", "high"]].mask(blank)
    made["n"] = quarters.groupby(quarters["quarter"].dt.year)["vehicle"].nunique()
    made = made.rename(columns={"value": "cost_per_km", "denominator": "distance_km"})
    made = made.rename_axis("year").reset_index()
    first, last = (pd.to_datetime(made["year"].astype(str) + day) for day in ("-01-01", "-12-31"))
    made["is_whole"] = (first >= cars["start"].min()) & (last <= cars["end"].max())
    return made[YEAR]


def _by_vehicle_and_year(account):
    """Amount and distance of every vehicle and calendar year with a distance."""
    years = account.quarters.assign(year=account.quarters["quarter"].dt.year)
    lines = account.lines.assign(year=account.lines["date"].dt.year)
    return entries_of(lines, years.groupby(["vehicle", "year"])["distance_km"].sum())


def change_of_years(account, confidence=0.9):
    """How the cost per distance changed from the first whole year to the last: (`Estimate`, p,
    years).

    The last year's cost over the first's, of the vehicles driven in both, paired; years: (first,
    last), or None where fewer than two whole years have their money.
    """
    told = by_year(account, confidence).query("is_whole and cost_per_km > 0")
    if len(told) < 2:
        note = "needs two whole calendar years with their money"
        return estimate.refused(note, confidence), np.nan, None
    years = int(told["year"].iat[0]), int(told["year"].iat[-1])
    wide = _by_vehicle_and_year(account).pivot(index="vehicle", columns="year")
    wide = wide.reindex(columns=years, level=1).dropna()
    both = ((wide["amount"][y], wide["distance_km"][y]) for y in years)
    return *estimate.ratio_change(*both, confidence), years


def differences(account, by, confidence=0.9, rng=None):
    """Which groups of vehicles, by "kind" or "site", cost more or less a distance than the others.

    Frame `by, ratio` (cost over the others' together), `low, high` (none below `MIN_APART`
    vehicles), `n` (vehicles), `p` (vehicles dealt among the groups again by `rng`), `p_holm`,
    `is_clear` (below `CLEAR_P`), one row a group. Groups of fewer than `SMALL_SITE` vehicles, those
    not known and those not shown are left out; empty where fewer than two remain, or where no deal
    could make a difference clear.
    """
    lines, cars = account.lines, account.vehicles.set_index("vehicle")
    made = entries_of(lines, cars["distance_km"])
    made["group"] = made["vehicle"].map(cars[by])
    size, known = made["group"].value_counts(), known_by(lines, lines["vehicle"].map(cars[by]))
    shown = size.index[size >= estimate.SMALL_SITE].difference(known.index[known < MIN_KNOWN])
    if by == "site":
        small = estimate.untold(cars["site"].value_counts())
        shown = shown.difference(small.index[small])
    made = made[made["group"].isin(shown)].sort_values("group", kind="stable")
    groups, money = made["group"].to_numpy(), made[["amount", "distance_km"]].to_numpy().T
    names, first, size = np.unique(groups, return_index=True, return_counts=True)
    rows = []
    if len(names) > 1 and least_p(size, DEALS) * len(names) <= CLEAR_P:
        # p of each group's difference from the rest: vehicles dealt among the groups again
        order = np.tile(np.arange(len(groups)), (DEALS, 1))
        order[1:] = (rng or np.random.default_rng(30)).permuted(order, axis=1)[1:]
        sums = inside_outside(money, order, first)
        with np.errstate(divide="ignore", invalid="ignore"):
            inside, outside = (np.log(spent / driven) for spent, driven in sums)
        far = np.abs(inside - outside)
        chances = (far >= far[0] - 1e-9).mean(axis=0)
        for name, n, p in zip(names, size, chances, strict=True):
            own = groups == name
            ratio, *limits = estimate.ratio_apart(money[:, own], money[:, ~own], confidence)
            few = min(n, len(own) - n) < MIN_APART
            rows.append((name, ratio, *([np.nan] * 2 if few else limits), n, p))
    frame = pd.DataFrame(rows, columns=[by, "ratio", "low", "high", "n", "p"])
    frame["p_holm"] = estimate.holm(frame["p"].to_numpy(float))
    frame["is_clear"] = frame["p_holm"] < CLEAR_P
    return frame.sort_values("ratio", ascending=False, ignore_index=True)
