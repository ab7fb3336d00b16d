"""How each vehicle is used, and what its parts were used in."""

import numpy as np
import pandas as pd

from wearbar import intervals, usage
from wearbar.log.keys import look_up
from wearbar.log.once import kept_with
from wearbar.log.schema import SHARES, column
from wearbar.parts import segments_of
from wearbar.severity.evidence import MIN_COVERAGE

# kind of use to its words: "on gravel or dirt", "in short trips"
USE = {
    name: column("use", name).meaning.removeprefix("share ").removeprefix("of the distance ")
    for name in SHARES
}
SHORT_KM = 10  # a day in all, on which no trip was longer
DERIVED = {"short_days": f"on days of at most {SHORT_KM} km", "winter": "from November to March"}
USE |= {name: f"{words} (derived from readings)" for name, words in DERIVED.items()}
MIN_SPREAD = 0.05  # of shares between vehicles


@kept_with
def by_vehicle(log):
    """How each vehicle was used over its time in this log, the hardest used first.

    vehicle, site (where it was last), kind, coverage_share (of the distance that `use` tells of),
    severe_now (yes, no or not known: whether work now open is due by the plan's severe limits, as
    every list has it), first_severe (the first day on which its year before was known to be hard),
    and a column for each kind of use in the log, in the order of `conditions`."""
    fleet = log.tables["vehicles"]
    start = fleet["acquired"].fillna(log.first_day).clip(lower=log.first_day)
    end = fleet["disposed"].fillna(log.as_of)
    shares = usage.use_shares(log, fleet["vehicle"], start, end, derived(log))
    for e in (e for e in DERIVED if e in shares):
        shares[e] = shares[e].where(shares[f"{e}_coverage_share"] >= MIN_COVERAGE)
    names = [e for e in USE if e in shares and shares[e].notna().any()]
    names = sorted(names, key=lambda e: e not in conditions(log))
    table = pd.concat([fleet[["vehicle", "kind"]], shares[["coverage_share", *names]]], axis=1)
    table.insert(1, "site", usage.site_at(log, fleet["vehicle"], end).to_numpy())
    jobs = intervals.occasions(log)
    now = jobs[jobs["is_current"] & jobs["duty"].isin(["severe", "normal"])]
    is_severe = now["duty"].eq("severe").groupby(now["vehicle"]).any()
    severe_now = table["vehicle"].map(is_severe.map({True: "yes", False: "no"})).astype(object)
    table["severe_now"] = severe_now.fillna("not known")
    hard = intervals.use_by_day(log).query("duty == 'severe'").groupby("vehicle")["date"].min()
    table["first_severe"] = look_up(table["vehicle"], hard)
    order = dict.fromkeys(names[:1], False) | {"vehicle": True}
    return table.sort_values([*order], ascending=[*order.values()], ignore_index=True)


def conditions(log):
    """Kind of use to the least share that a plan of the log calls severe."""
    versions = log.plan_or_empty.plans["severe_when"]
    limits = pd.DataFrame([dict(v) for v in versions if isinstance(v, dict)]).min()
    return {e: float(limits[e]) for e in SHARES if e in limits.index}


def exposures(table, limits):
    """Kinds of use worth testing: those of `limits` in the log, else three that differ."""
    known = [name for name in table.columns if name in USE]
    differ = [e for e in known if table[e].std() >= MIN_SPREAD]
    return [e for e in known if e in limits] or differ[:3]


@kept_with
def derived(log):
    """Where `use` tells no share, rows in its place out of readings, by month; None where it tells
    any. They make no work severe. short_days: of the distance of days with a reading on the day
    before too, that of days of at most `SHORT_KM`. winter: all from November to March."""
    if log.tables["use"][[*SHARES]].notna().any(axis=None):
        return None
    path, fleet = usage.log_path(log), log.tables["vehicles"][["vehicle"]]
    days = pd.DataFrame({"vehicle": path.vehicles[path.code()], "day": path.day, "km": path.high})
    days["month"] = pd.to_datetime(days["day"], unit="D").dt.to_period("M")
    step = days.groupby("vehicle")[["day", "km"]].diff()
    days = days.assign(distance_km=step["km"], short=step["km"].where(step["km"] <= SHORT_KM))
    by = days[step["day"] == 1].groupby(["vehicle", "month"])
    days = by[["distance_km", "short"]].sum().query("distance_km > 0").reset_index()
    month = pd.DataFrame({"month": pd.period_range(log.first_day, log.as_of, freq="M")})
    month["winter"] = month["month"].dt.month.isin([11, 12, 1, 2, 3]).astype(float)
    days["short_days"] = days["short"] / days["distance_km"]
    rows = pd.concat([days, fleet.merge(month, how="cross")], ignore_index=True)
    ends = {"from": rows["month"].dt.start_time, "to": rows["month"].dt.end_time.dt.normalize()}
    return rows.assign(**ends)[["vehicle", "from", "to", "distance_km", *DERIVED]]


def with_use(parts, log):
    """`parts` (category, part_key, start, end) with what they were used in, over the distance that
    the log saw of them: as `usage.use_shares` has it, by distance where on several vehicles, and
    `<exposure>_error`, the sd that recalling gives each share."""
    rows = segments_of(log)
    begin = rows["start"].fillna(log.first_day).clip(lower=log.first_day)
    share = usage.use_shares(log, rows["vehicle"], begin, rows["end"], derived(log))
    names = [e for e in USE if e in share]
    covered = [f"{e}_coverage_share" for e in names]
    seen_from = np.fmax(rows["start_km"], rows["watch_km"])
    length = (rows["end_km"] - seen_from).clip(lower=0)
    known = share[["coverage_share", *covered]].mul(length, axis=0)
    used = share[names] * known[covered].to_numpy()
    key = ["category", "part_key"]
    sums = pd.concat([rows[key], length.rename("length"), known, used], axis=1).groupby(key).sum()
    cover = sums[[*known]].div(sums["length"].where(sums["length"] > 0), axis=0)
    shares = sums[names] / sums[covered].where(sums[covered] > 0).to_numpy()
    parts = parts.merge(cover.join(shares), how="left", left_on=key, right_index=True)
    use = log.tables["use"].dropna(subset=["from", "to"])
    use = use.sort_values(["vehicle", "from"], kind="stable")
    days = ((use["to"] - use["from"]).dt.days + 1).median()
    watched = (parts["end"] - parts["start"].clip(lower=log.first_day)).dt.days
    told = np.sqrt((watched / days).clip(lower=1.0))  # of as many rows, each with its error
    for e in SHARES:
        if use[e].notna().any():
            parts[f"{e}_error"] = recall_error(use["vehicle"], use[e]) / told
    return parts


def recall_error(vehicle, share):
    """sd of the error of one row's share, by differences between a vehicle's successive rows, in
    order of time (von Neumann 1941, from memory); changes of use itself are in it too.

    >>> float(recall_error(pd.Series(list("aabb")), pd.Series([0.1, 0.3, 0.5, 0.3])).round(4))
    0.1414
    """
    step = share.groupby(vehicle.to_numpy()).diff()
    return np.sqrt((step**2).mean() / 2)
