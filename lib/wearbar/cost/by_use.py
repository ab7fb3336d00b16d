"""What hard use costs beside normal use of the same kind of vehicle, by the days of each."""

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.cost.account import exposure
from wearbar.cost.bills import ONE_DAY
from wearbar.cost.per_distance import MIN_APART, entries_of
from wearbar.stats.estimate import MIN_VEHICLES, Estimate, log_change, refused

DUTIES = ["normal", "severe"]


def duty_on(days, vehicle, date):
    """Duty of each vehicle on each date: an array, "" before its first of `days`."""
    asked = pd.DataFrame({"vehicle": vehicle.array, "date": date.array}).reset_index()
    by = [rows.astype({"vehicle": object}).sort_values("date") for rows in (asked, days)]
    found = pd.merge_asof(by[0], by[1][["vehicle", "date", "duty"]], on="date", by="vehicle")
    return found.set_index("index")["duty"].sort_index().fillna("").to_numpy()


def money_by_use(account, days, path):
    """What each vehicle cost and drove in each use: `vehicle, duty, amount, distance_km`. Fixed
    costs are left out. days: `intervals.use_by_day`."""
    changes = days[days["duty"].ne(days.groupby("vehicle")["duty"].shift())]
    spells = changes[["vehicle", "date", "duty"]].merge(account.vehicles, on="vehicle")
    until = spells.groupby("vehicle")["date"].shift(-1) - ONE_DAY
    first = spells[["date", "known_from"]].max(axis=1, skipna=False)
    last = until.fillna(spells["known_to"]).clip(upper=spells["known_to"])
    driven = exposure(path, spells["vehicle"], first.fillna(last), last)["distance_km"]
    driven = driven.groupby([spells["vehicle"], spells["duty"]]).sum()
    lines = account.lines[~account.lines["is_fixed"]]
    return entries_of(lines.assign(duty=duty_on(days, lines["vehicle"], lines["date"])), driven)


def compared(entries, top, bottom, confidence=0.9):
    """(what hard use is over normal use of the same group: `Estimate`, the p of no difference).

    entries: `vehicle, group, duty` and sums `top`, `bottom`, whose ratios are compared in each
    group by `log_change`: a vehicle may be in both. Of groups with three vehicles in each use the
    mean log ratio, each counted as the difference of two means of its vehicles is, with Welch's
    degrees of freedom; refused below `MIN_APART` vehicles in either use of them together."""
    parts, entries = [], entries[entries["duty"].isin(DUTIES) & (entries[bottom] > 0)]
    for _, own in entries.groupby("group"):
        sums = own.pivot_table([top, bottom], "vehicle", "duty", "sum", fill_value=0.0)
        sums = sums.reindex(columns=pd.MultiIndex.from_product([[top, bottom], DUTIES]))
        sides = [(sums[top][duty], sums[bottom][duty]) for duty in DUTIES]
        sizes = [np.count_nonzero(side[1] > 0) for side in sides]
        if min(sizes) >= MIN_VEHICLES:
            parts.append((len(sums), *sizes, *log_change(*sides)))
    n, normal, hard, value, variance, free = np.array(parts).reshape(-1, 6).T
    if min(hard.sum(), normal.sum()) < MIN_APART or np.isnan(variance).any():
        return refused("too few vehicles in both uses", confidence, int(n.sum())), np.nan
    weight = (size := 1 / (1 / hard + 1 / normal)) / size.sum()
    value, variance = weight @ value, weight**2 * variance
    se = np.sqrt(variance.sum())
    free = se**4 / (variance**2 / free).sum()
    half = stats.t.ppf((1 + confidence) / 2, free) * se
    ends = np.exp([value, value - half, value + half]).tolist()
    return Estimate(*ends, confidence, int(n.sum())), float(2 * stats.t.sf(abs(value) / se, free))
