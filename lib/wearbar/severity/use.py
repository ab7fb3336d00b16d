"""How each vehicle is used, and the interval that the evidence supports: never above the plan's."""

from math import nan

import numpy as np
import pandas as pd

from wearbar import intervals, usage
from wearbar.log.keys import look_up
from wearbar.log.once import kept_with
from wearbar.log.schema import SHARES, column
from wearbar.parts import segments_of
from wearbar.stats.clustered import added_up

# kind of use to its words: "on gravel or dirt", "in short trips"
USE = {
    name: column("use", name).meaning.removeprefix("share ").removeprefix("of the distance ")
    for name in SHARES
}
COVERED = [f"{name}_coverage_share" for name in SHARES]
MIN_SPREAD = 0.05  # of shares between vehicles
EVIDENCE = ["category", "exposure", "share_easy", "share_hard", "wear_ratio", "lower_ratio"]
SUPPORTED = ["plan", "code", "title", *EVIDENCE]
SUPPORTED += ["plan_km", "severe_km", "supported_km", "is_sooner"]


@kept_with
def by_vehicle(log):
    """How each vehicle was used over its time in this log, the hardest used first.

    vehicle, site (where it was last), kind, coverage_share (of the distance that `use` tells of),
    severe_now (yes, no or not known: whether work now open is due by the plan's severe limits, as
    every list has it), first_severe (the first day on which its year before was known to be hard),
    and a column for each kind of use in the log, in the order of `conditions`.
    """
    fleet = log.tables["vehicles"]
    start = fleet["acquired"].fillna(log.first_day).clip(lower=log.first_day)
    end = fleet["disposed"].fillna(log.as_of)
    shares = usage.use_shares(log, fleet["vehicle"], start, end)
    names = [e for e in SHARES if shares[e].notna().any()]
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


def with_use(parts, log):
    """`parts` (category, part_key, start, end) with what they were used in, over the distance that
    the log saw of them: as `usage.use_shares` has it, by distance where on several vehicles, and
    `<exposure>_error`, the sd that recalling gives each share."""
    rows = segments_of(log)
    begin = rows["start"].fillna(log.first_day).clip(lower=log.first_day)
    share = usage.use_shares(log, rows["vehicle"], begin, rows["end"])
    seen_from = np.fmax(rows["start_km"], rows["watch_km"])
    length = (rows["end_km"] - seen_from).clip(lower=0)
    known = share[["coverage_share", *COVERED]].mul(length, axis=0)
    used = share[[*SHARES]] * known[COVERED].to_numpy()
    key = ["category", "part_key"]
    sums = pd.concat([rows[key], length.rename("length"), known, used], axis=1).groupby(key).sum()
    cover = sums[[*known]].div(sums["length"].where(sums["length"] > 0), axis=0)
    shares = sums[[*SHARES]] / sums[COVERED].where(sums[COVERED] > 0).to_numpy()
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


def supported(found, plan, limits, unit_km=1.0):
    """The interval that the evidence supports for hard use: a row a task with a distance limit.

    found: list of `Effect`. plan: `Plan` or None; a task belongs to a category that is its part, or
    that its code begins with. limits: as from `conditions`; a kind of use without one is parted at
    the median vehicle. unit_km: of the reader's distances. Columns `SUPPORTED`. supported_km is the
    least of the plan's, the plan's severe limit, and the plan's over the one-sided 95% lower limit
    of the wear ratio between hard use and easy (share_hard, share_easy: their means), rounded down
    to two figures, the last only where that limit is above 1 and Holm's p below 0.05. wear_ratio
    takes rates to add up by share; its limit is the lower of that form's and the log-linear one's.
    is_sooner: the evidence goes below what the plan says already.
    """
    shown = [e for e in found if e.is_shown and e.points is not None]
    if not shown or plan is None:
        return pd.DataFrame(columns=SUPPORTED)
    tasks = plan.tasks[plan.tasks["valid_to"].isna() & plan.tasks["every_km"].notna()]
    tasks = tasks[["plan", "code", "title", "part", "every_km", "severe_km"]]
    rows = []
    for e in shown:
        share, limit = e.points["share"], limits.get(e.exposure, nan)
        cut = limit if share.min() < limit <= share.max() else share.median()
        easy, hard = share[share < cut].mean(), share[share >= cut].mean()
        ratio, lower = (added_up(k, easy, hard) for k in (e.additive.value, e.additive_lower))
        lower = min(lower, e.log_linear_lower ** ((hard - easy) / e.step))
        rows.append((e.category, e.exposure, easy, hard, ratio, lower, e.p_holm))
    rows = pd.DataFrame(rows, columns=[*EVIDENCE, "p_holm"])
    table = tasks.rename(columns={"every_km": "plan_km"}).merge(rows, how="cross")
    both = zip(table["code"], table["category"], strict=True)
    is_of = [code.startswith(category) for code, category in both]
    table = table[(table["part"] == table["category"]) | np.array(is_of, bool)]
    evidence = table["plan_km"] / table["lower_ratio"] / unit_km
    place = 10.0 ** (np.floor(np.log10(evidence)) - 1)  # down to two figures
    evidence = np.floor(evidence / place + 1e-9) * place * unit_km
    evidence = evidence.where((table["lower_ratio"] > 1) & (table["p_holm"] < 0.05))
    planned = table[["plan_km", "severe_km"]].min(axis=1)
    table = table.assign(supported_km=np.fmin(planned, evidence), is_sooner=evidence < planned)
    return table[SUPPORTED]
