"""What a mile and a day cost, by category, vehicle, kind and site, with what it rests on; and
whether years, kinds and sites differ in it, by a test of that difference."""

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.log.keys import look_up
from wearbar.stats import estimate
from wearbar.stats.clustered import inside_outside, least_p
from wearbar.stats.estimate import Estimate, ratios, refused, shrink, untold

COST = "cost_per_km low high n distance_km amount days bills share cost_per_day known_share"
MIN_DAYS, YEAR_DAYS = 91, 365  # of record: for a cost by distance or day; for a year's distance
MIN_BILLS = 30  # rows with money, for limits: of fewer, 90% hold 40 times in 100 in simulation
MIN_KNOWN = 0.8  # of rows with their money: below it a cost per distance is refused
CLEAR_P = 0.05  # a Holm-adjusted chance below this is called a difference
DEALS = 1999  # of vehicles among groups, the one that is seen among them
MIN_APART = 5  # vehicles on either side, for limits of a difference
YEAR = ["year", "cost_per_km", "low", "high", "n", "distance_km", "is_whole"]


def cost_per_km(account, by=None, confidence=0.9):
    """Cost per distance and day of the account, or by `by`, largest total first.

    by: "category", "is_fixed", "vehicle", "kind" or "site". Frame: the group and `COST`: total cost
    over total distance of the days whose distance is known; amount and cost_per_day are of all
    days. Limits by the spread between n vehicles, of three or more and `MIN_BILLS` rows with money.
    cost_per_km is NaN where known_share, the least share of rows with money over the workshop's and
    the fuel, is below `MIN_KNOWN`; both costs are NaN where no vehicle has been here `MIN_DAYS`."""
    lines, cars = account.lines, account.vehicles
    if by in ("category", "is_fixed"):  # each vehicle's distance counts for every group
        lines = lines.assign(group=lines[by])
        groups = lines.loc[lines["with_distance"], ["group"]].dropna().drop_duplicates()
        days, units = cars["days"].sum(), cars.merge(groups, how="cross")
    else:
        units = cars.assign(group=cars[by].fillna("not known") if by else "all")
        lines = lines.assign(group=look_up(lines["vehicle"], units.set_index("vehicle")["group"]))
        days = units.groupby("group")["days"].sum()
    entries = entries_of(lines, units.set_index(["vehicle", "group"])["distance_km"])
    made = ratios(entries["group"], entries["amount"], entries["distance_km"], confidence)
    # what is spread by month counts once
    bills = lines[lines["amount"].fillna(0).ne(0)].drop_duplicates(["source", "line"])
    money = {
        "amount": lines.groupby("group")["amount"].sum(min_count=1),
        "bills": bills.groupby("group").size(),
        "known_share": known_by(lines, lines["group"]),
    }
    made = made.join(pd.DataFrame(money), how="outer").assign(days=days)
    has_lines = made.index.isin(lines["group"].unique())
    made["amount"] = made["amount"].where(has_lines, 0.0)
    made.loc[has_lines & made["known_share"].isna(), "known_share"] = 1.0  # fixed costs alone
    made = made.fillna({"bills": 0, "known_share": 0.0}).astype({"bills": int, "n": "Int64"})
    made["share"] = made["amount"] / made["amount"].sum()
    made["cost_per_day"] = made["amount"] / made["days"]
    made[["low", "high"]] = made[["low", "high"]].where(made["bills"] >= MIN_BILLS)
    short = (made["days"] if by == "vehicle" else cars["days"].max()) < MIN_DAYS
    blank = ~(made["known_share"] >= MIN_KNOWN) | short
    made[["value", "low", "high"]] = made[["value", "low", "high"]].mask(blank)
    made["cost_per_day"] = made["cost_per_day"].mask(blank & short)
    made = made.rename(columns={"value": "cost_per_km", "denominator": "distance_km"})
    made = made.sort_values("amount", ascending=False)[COST.split()]
    return made.rename_axis(by or "group").reset_index()


def entries_of(lines, distance):
    """Amount and distance of every unit with a distance: a Series by columns of `lines`."""
    distance, lines = distance[distance > 0].rename("distance_km"), lines[lines["with_distance"]]
    amount = lines.groupby(list(distance.index.names), observed=True)["amount"].sum()
    entries = distance.to_frame().assign(amount=amount.reindex(distance.index).fillna(0.0))
    return entries.reset_index()


def known_by(lines, group):
    """Least share of rows with money over the workshop's (work, fitted) and fuel, by group."""
    rows = lines[~lines["is_fixed"]]
    part = np.where(rows["source"].eq("fuel"), "fuel", "workshop")
    shares = rows["amount"].notna().groupby([group.loc[rows.index], part]).mean()
    return shares.groupby(level=0).min()


def by_vehicle(account, confidence=0.9):
    """`cost_per_km` by vehicle, with `kind`, `km_per_year` and `drawn_per_km`: drawn towards its
    kind's mean as its own error asks, for the highest cost of many is high in part by chance."""
    made = cost_per_km(account, "vehicle", confidence)
    made["kind"] = made["vehicle"].map(account.vehicles.set_index("vehicle")["kind"])
    per_year = made["distance_km"] / made["days"] * 365.25
    made["km_per_year"] = per_year.where(made["days"] >= YEAR_DAYS)
    quarters = account.quarters.set_index(["vehicle", "quarter"])["distance_km"]
    dated = account.lines.assign(quarter=pd.DatetimeIndex(account.lines["date"]).to_period("Q"))
    inner = entries_of(dated, quarters)
    within = ratios(inner["vehicle"], inner["amount"], inner["distance_km"], confidence)
    within = within.reindex(made["vehicle"])
    t = stats.t.ppf((1 + confidence) / 2, (within["n"] - 1).clip(lower=1).astype(float))
    se = np.log((within["high"] / within["low"]).where(within["low"] > 0)).to_numpy() / (2 * t)
    drawn = shrink(np.log(made["cost_per_km"].where(made["cost_per_km"] > 0)), se, made["kind"])
    made["drawn_per_km"] = np.where(made["cost_per_km"].notna(), np.exp(drawn), np.nan)
    return made


def by_site(account, confidence=0.9):
    """`cost_per_km` by site, without the money of sites too small to show (`estimate.untold`)."""
    made = cost_per_km(account, "site", confidence)
    made["vehicles"] = made["site"].map(account.vehicles["site"].fillna("not known").value_counts())
    told = ["cost_per_km", "low", "high", "cost_per_day", "amount", "share"]
    made[told] = made[told].mask(untold(made["vehicles"]))
    return made


def total_per_km(account, confidence=0.9):
    """The account's cost per distance as an `Estimate`; its note says why there is none."""
    made, unit = cost_per_km(account, None, confidence), "money_per_km"
    days = account.vehicles["days"].max()
    if not account.lines["amount"].notna().any():
        return refused("the log holds no money", confidence, unit=unit)
    if made.empty or (not made["distance_km"].iat[0] > 0 and days >= MIN_DAYS):
        metered = account.vehicles["meter"].isin(["distance", "both"]).any()
        note = "no distance is known" if metered else "no vehicle has a distance meter"
        return refused(note, confidence, unit=unit)
    row = made.iloc[0]
    notes = {
        f"it needs three months of record, and this log has {days} days": days < MIN_DAYS,
        "too few rows have their money": np.isnan(row["cost_per_km"]),
        f"a range needs three vehicles and {MIN_BILLS} rows with money": np.isnan(row["low"]),
    }
    notes = {"note": next((why for why, lacks in notes.items() if lacks), ""), "unit": unit}
    limits = (float(row[c]) for c in ("cost_per_km", "low", "high"))
    n = 0 if pd.isna(row["n"]) else int(row["n"])  # a record of one day has no distance to count
    return Estimate(*limits, confidence, n, method="jackknife over vehicles", **notes)


def largest_bill(account):
    """The day of one vehicle that cost most, but for fixed costs and fuel: Series, or None."""
    lines = account.lines[~account.lines["is_fixed"] & account.lines["source"].ne("fuel")]
    days = lines.groupby(["vehicle", "date"], as_index=False)["amount"].sum()
    days = days.assign(share=days["amount"] / account.lines["amount"].sum())
    most = days[days["amount"] > 0].nlargest(1, "amount")
    return most.iloc[0] if len(most) else None


def by_year(account, confidence=0.9):
    """Cost per distance of each calendar year, where the distance is known: frame `YEAR`; limits by
    the spread between vehicles; is_whole: the account spans the year."""
    cars, quarters, entries = account.vehicles, account.quarters, _by_vehicle_and_year(account)
    made = ratios(entries["year"], entries["amount"], entries["distance_km"], confidence)
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
    """How the cost per distance changed between whole years: (`Estimate`, p, (first, last) year).

    The last's over the first's, of vehicles driven in both, paired; years None where under two."""
    told = by_year(account, confidence).query("is_whole and cost_per_km > 0")
    if len(told) < 2:
        note = "needs two whole calendar years with their money"
        return refused(note, confidence), np.nan, None
    years = int(told["year"].iat[0]), int(told["year"].iat[-1])
    wide = _by_vehicle_and_year(account).pivot(index="vehicle", columns="year")
    wide = wide.reindex(columns=years, level=1).dropna()
    both = ((wide["amount"][y], wide["distance_km"][y]) for y in years)
    return *estimate.ratio_change(*both, confidence), years


def differences(account, by, confidence=0.9, rng=None):
    """Which groups of vehicles, by "kind" or "site", cost more or less a distance than the others.

    Frame `by, ratio` (cost over the others' together), `low, high` (none below `MIN_APART`
    vehicles), `n` (vehicles), `p` (vehicles dealt among the groups again by `rng`), `p_holm`,
    `is_clear` (below `CLEAR_P`), one row a group. Groups not known, not shown or of fewer than
    `SMALL_SITE` vehicles are left out; empty where under two remain, or no deal could be clear."""
    lines, cars = account.lines, account.vehicles.set_index("vehicle")
    made = entries_of(lines, cars["distance_km"])
    made["group"] = made["vehicle"].map(cars[by])
    size, known = made["group"].value_counts(), known_by(lines, lines["vehicle"].map(cars[by]))
    shown = size.index[size >= estimate.SMALL_SITE].difference(known.index[known < MIN_KNOWN])
    if by == "site":
        small = untold(cars["site"].value_counts())
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
