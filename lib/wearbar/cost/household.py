"""What a household asks of its one or two vehicles: what each costs, all in; whether its fuel moves
with the season or the year; and what the log seems to lack, with the row that would mend it."""

from dataclasses import replace

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.cost.account import valued
from wearbar.cost.bills import ONE_DAY
from wearbar.cost.per_distance import CLEAR_P, MIN_DAYS, MIN_KNOWN, by_vehicle, cost_per_km
from wearbar.log.keys import look_up
from wearbar.log.schema import TEXT
from wearbar.stats.estimate import ratio_apart
from wearbar.usage.rates import GAP_DAYS

MOST = 2  # vehicles of a household
MONTH_DAYS = 365.25 / 12
PARTS = {"running": "running costs", "fixed": "fixed costs", "lost": "loss in value"}
COLD = (10, 11, 12, 1, 2, 3)  # months; the other half of the year is the warm one, or the reverse
LEAST_TANKS = 8  # in either half, or year, for a comparison: judgement
FUEL = ["vehicle", "kind", "what", "ratio", "low", "high"]


def is_household(log):
    """Whether a log is of so few vehicles that each is asked about by itself."""
    return 0 < len(log.tables["vehicles"]) <= MOST


def all_in(account):
    """What each vehicle cost, all in: a row a vehicle.

    Frame `vehicle, kind, km_per_year`, and of each of `PARTS` and of all of them (`all_`) the
    `cost` of a month and `cost_per_km`, over its days of record and those with a known distance;
    `lacks`: parts, or fuel, of which the log has nothing. NaN as in `cost_per_km`; all of it where
    running costs are not known: their rows lack money, or the record is short."""
    lines, valued_by = account.lines, account.worth["vehicle"]
    pays_price = lines["category"].eq("finance") & lines["vehicle"].isin(valued_by)
    account = replace(account, lines=lines[~pays_price])  # the price counts as value lost
    made = by_vehicle(account)[["vehicle", "kind", "km_per_year"]].sort_values("vehicle")
    made, is_fixed = made.set_index("vehicle"), account.lines["is_fixed"]
    for name, own in (("running", account.lines[~is_fixed]), ("fixed", account.lines[is_fixed])):
        of = cost_per_km(replace(account, lines=own), "vehicle").set_index("vehicle")
        of = of[(of["bills"] > 0) & (of["known_share"] >= MIN_KNOWN)]
        made[f"{name}_cost"] = MONTH_DAYS * of["cost_per_day"]
        made[f"{name}_cost_per_km"] = of["cost_per_km"]
    fall, known = account.worth.groupby("vehicle")[["amount", "days"]].sum(), valued(account)
    fall = fall[fall["days"] >= MIN_DAYS]
    made["lost_cost"] = MONTH_DAYS * fall["amount"] / fall["days"]
    made["lost_cost_per_km"] = known["fall"] / known["distance_km"].where(known["distance_km"] > 0)
    months, per_km = (made[[f"{name}_{end}" for name in PARTS]] for end in ("cost", "cost_per_km"))
    made["all_cost"] = months.sum(axis=1).where(months["running_cost"].notna())
    is_whole = (per_km.notna().to_numpy() | months.isna().to_numpy()).all(axis=1)
    made["all_cost_per_km"] = per_km.sum(axis=1).where(made["all_cost"].notna() & is_whole)
    fuel = account.lines.loc[account.lines["source"].eq("fuel"), "vehicle"]
    no_fuel = made["kind"].ne("trailer") & ~made.index.isin(fuel)
    gone, names = np.column_stack([months.isna(), no_fuel]), [*PARTS.values(), "fuel"]
    made["lacks"] = [[x for x, no in zip(names, row, strict=True) if no] for row in gone]
    return made.reset_index()


def fuel_changes(tanks, as_of, confidence=0.9):
    """Fuel of October to March over that of April to September ("season"), and of the last twelve
    months over the twelve before ("year"): frame `FUEL`, a row a vehicle, kind of fuel and what.

    tanks: of `fuel.tanks`, each a draw of its vehicle's use. Limits by `ratio_apart`, of halves or
    years with `LEAST_TANKS` each. is_clear: with limits as wide as all rows together ask
    (Bonferroni), 1 is outside. The season is compared over whole years of tanks, the last ones."""
    ago = ((as_of - tanks["date"]).dt.days // 365.25).to_numpy()
    is_cold, rows = tanks["date"].dt.month.isin(COLD).to_numpy(), []
    fuel = tanks[["volume_l", "distance_km"]].to_numpy().T
    for about, at in sorted(tanks.groupby(["vehicle", "kind"]).indices.items()):
        whole = ago[at] < max(ago[at].max(), 1)
        halves = {"season": (whole & is_cold[at], whole & ~is_cold[at])}
        halves["year"] = (ago[at] == 0, ago[at] == 1)
        for what, sides in halves.items():
            if min(side.sum() for side in sides) >= LEAST_TANKS:
                rows.append((*about, what, [fuel[:, at[side]] for side in sides]))
    made = [(*about, *ratio_apart(*both, confidence)) for *about, both in rows]
    wide = [ratio_apart(*both, 1 - CLEAR_P / len(rows)) for *_, both in rows]
    clear = [low > 1 or high < 1 for _, low, high in wide]
    return pd.DataFrame(made, columns=FUEL).assign(is_clear=clear)


def mileage_allowance(distance, bands):
    """What a distance is paid at rates by bands: dicts `rate` (money for one of its unit) and `to`
    (where it ends; the last goes on). Whose rates hold, and for what, is the reader's law.

    >>> round(mileage_allowance(11500, [{"to": 10000, "rate": 0.45}, {"rate": 0.25}]), 2)
    4875.0
    """
    ends = np.clip([band.get("to", np.inf) for band in bands], None, distance)
    return float(np.diff(ends, prepend=0.0) @ [band["rate"] for band in bands])


def unread(log, periods):
    """Times without a reading that no lay-up tells of, up to the report date: frame `vehicle, from,
    to` (blank: it goes on), `days, row`: the row of `layups` that would tell it, as CSV.

    periods: `ageing.observed_periods`."""
    after = periods.groupby("vehicle")["start"].shift(-1)
    rows = periods[["vehicle", "end"]].assign(to=after - ONE_DAY)
    known = usage.readings(log)[["vehicle", "date"]].groupby("vehicle")["date"].max()
    last = periods.groupby("vehicle")["end"].transform("max").eq(periods["end"]) & after.isna()
    rows["end"] = rows["end"].mask(last, look_up(rows["vehicle"], known))
    rows["days"] = (rows["to"].fillna(log.as_of) - rows["end"]).dt.days
    stored = usage.layup_days(log, rows["vehicle"], rows["end"], rows["to"].fillna(log.as_of))
    is_gap = ~last | (rows["days"].gt(GAP_DAYS) & rows["vehicle"].isin(log.here))
    rows = rows[is_gap & (stored < 0.5 * rows["days"])].assign(reason="season")
    rows["from"] = rows["end"] + ONE_DAY
    told = rows[["vehicle", "from", "to", "reason"]]
    line = [told.loc[[i]].to_csv(index=False, header=False).strip() for i in told.index]
    rows = rows.assign(row=pd.Series(line, rows.index, dtype=TEXT))
    return rows[["vehicle", "from", "to", "days", "row"]].reset_index(drop=True)


def lapsed(log, category="insurance"):
    """Vehicles here whose fixed costs of a category end before the report date: `vehicle, to`."""
    rows = log.tables["fixed_costs"]
    rows = rows[rows["category"].eq(category) & rows["vehicle"].isin(log.here)]
    ends = rows.groupby("vehicle")["to"].max()
    return ends[ends < log.as_of].reset_index()
