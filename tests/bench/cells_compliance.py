"""Cells of interval compliance: the rate's own interval, and whether sites, kinds, tasks and vehicles differ. See holds.py."""

from types import SimpleNamespace
from unittest.mock import patch

import numpy as np
import pandas as pd
from holds import cells
from scipy.special import expit

from wearbar import intervals
from wearbar.outlook import lateness

LEVEL, OWN, VISIT = 1.9, 0.6, 0.8  # log odds of work on time; their spread by vehicle and by visit
DAY0 = pd.Timestamp("2022-01-01")
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(40)


def mean_rate(level, spread):
    """Mean of the chance over a normal spread of its log odds; level: scalar or array."""
    return expit(np.asarray(level)[..., None] + spread * NODES) @ WEIGHTS / WEIGHTS.sum()


def jobs(
    rng,
    vehicles,
    sites=1,
    tasks=8,
    site_effect=(),
    task_effect=(),
    own=OWN,
    visits=14,
    task_own=0.3,
):
    """Jobs that count, as `intervals.placed` gives them: jobs of one visit are late together, those of one vehicle are alike, and each
    vehicle has tasks of its own that fare better or worse. Gives (frame, log odds of each vehicle)."""
    level = LEVEL + own * rng.standard_normal(vehicles)
    site = rng.permutation(np.arange(vehicles) % sites)
    at = np.repeat(np.arange(vehicles), 1 + rng.poisson(visits, vehicles))
    shared, day = VISIT * rng.standard_normal(len(at)), rng.integers(0, 1400, len(at))
    visit, task = np.nonzero(rng.random((len(at), tasks)) < 0.35)
    who = at[visit]
    effect = {
        name: np.append(e, np.zeros(n - len(e)))
        for name, e, n in (("s", site_effect, sites), ("t", task_effect, tasks))
    }
    odds = level[who] + shared[visit] + effect["s"][site[who]] + effect["t"][task]
    odds = odds + task_own * rng.standard_normal((vehicles, tasks))[who, task]
    late = rng.random(len(who)) > expit(odds)
    date = DAY0 + pd.to_timedelta(day[visit], unit="D")
    rows = pd.DataFrame(
        {"vehicle": who, "task": task, "site": site[who], "late_edge_date": date, "done_date": date}
    )
    rows = rows.assign(
        **{c: c[0] + rows[c].astype(str).str.zfill(2) for c in ("vehicle", "task", "site")},
        kind="van",
        in_rate=True,
    )
    rows["month"] = rows["late_edge_date"].dt.to_period("M").dt.to_timestamp()
    return rows.assign(outcome=np.where(late, "late", "on-time"), is_open=False), level


def rates(rng, samples, vehicles, visits):
    for _ in range(samples):
        found, level = jobs(rng, vehicles, visits=visits, task_own=0.0)
        e = intervals.rate(found) if len(found) else None
        truth = (
            mean_rate(level[0], VISIT) if vehicles == 1 else mean_rate(LEVEL, np.hypot(OWN, VISIT))
        )
        yield (e.low, e.high, float(truth)) if e else (np.nan, np.nan, 1.0)


cells("share of work on time", vehicles=(1,), visits=(14,))(rates)
cells("share of work on time", vehicles=(10, 34), visits=(4, 14))(rates)
cells("share of work on time, few vehicles or visits", "conservative", vehicles=(1,), visits=(4,))(
    rates
)
cells(
    "share of work on time, few vehicles or visits", "conservative", vehicles=(3, 6), visits=(4, 14)
)(rates)


def says(found, by):
    """Whether the report says that some group is clearly apart from the others; None where it refuses to compare."""
    table = intervals.differences(found, by)
    return (
        bool(table["is_clear"].any() or table.attrs["p_all"] < intervals.rates.CLEAR_P)
        if len(table)
        else None
    )


@cells(
    "sites differ in work on time, when all are alike", "claim", vehicles=(10, 34), sites=(2, 3, 10)
)
def sites_alike(rng, samples, vehicles, sites):
    for _ in range(samples):
        yield says(jobs(rng, vehicles, sites)[0], "site")


@cells(
    "sites differ in work on time, when one is 15 points lower",
    "found",
    vehicles=(10, 34),
    sites=(3,),
)
def sites_apart(rng, samples, vehicles, sites):
    for _ in range(samples):
        yield says(jobs(rng, vehicles, sites, site_effect=[-0.9])[0], "site")


@cells(
    "tasks differ in work on time, when all are alike",
    "claim",
    vehicles=(1, 3, 10, 34),
    tasks=(4, 18),
)
def tasks_alike(rng, samples, vehicles, tasks):
    for _ in range(samples):
        yield says(jobs(rng, vehicles, tasks=tasks)[0], "task")


@cells(
    "tasks differ in work on time, when two are 8 points lower",
    "found",
    vehicles=(3, 10, 34),
    tasks=(18,),
)
def tasks_apart(rng, samples, vehicles, tasks):
    for _ in range(samples):
        yield says(jobs(rng, vehicles, tasks=tasks, task_effect=[-0.55, -0.55])[0], "task")


@cells("vehicles differ in work on time, when all are alike", "claim", vehicles=(3, 10, 34))
def vehicles_alike(rng, samples, vehicles):
    for _ in range(samples):
        yield says(jobs(rng, vehicles, own=0.0, task_own=0.0)[0], "vehicle")


@cells("vehicles differ in work on time, when they do", "found", vehicles=(3, 10, 34))
def vehicles_apart(rng, samples, vehicles):
    for _ in range(samples):
        yield says(jobs(rng, vehicles)[0], "vehicle")


@cells("days that late work runs over, their median", vehicles=(1, 3, 6, 8, 10, 34))
def overrun(rng, samples, vehicles):
    """Lognormal days, of a level of its own for each vehicle; for one vehicle, of that vehicle."""
    for _ in range(samples):
        found, _ = jobs(rng, vehicles)
        own = 0.4 * rng.standard_normal(vehicles) * (vehicles > 1)
        days = 25 * np.exp(
            own[found["vehicle"].str[1:].astype(int)] + 0.9 * rng.standard_normal(len(found))
        )
        found = found.assign(overrun_days=days, state="done")
        e = intervals.median_overrun(found, "overrun_days", rng)
        yield e.low, e.high, 25.0


def site_moved(rng, vehicles, sites, worse=0.0):
    """Whether a site is said to have changed between the last two years: None where none is compared. worse: share of the
    work on time of the first site's last year that is late instead."""
    found, _ = jobs(rng, vehicles, sites)
    as_of = DAY0 + pd.Timedelta(days=1400)
    is_hit = found["site"].eq("s00") & (found["late_edge_date"] > as_of - pd.DateOffset(years=1))
    is_hit &= rng.random(len(found)) < worse
    late = found["outcome"].mask(is_hit, "late")
    table = intervals.site_changes(found.assign(outcome=late), as_of)
    return bool(table["is_clear"].any()) if len(table) else None


@cells(
    "a site's work on time changed over a year, when none did",
    "claim",
    vehicles=(10, 34),
    sites=(1, 2, 3),
)
def sites_stay(rng, samples, vehicles, sites):
    for _ in range(samples):
        yield site_moved(rng, vehicles, sites)


@cells(
    "a site's work on time changed over a year, when one fell by 15 points",
    "found",
    vehicles=(10, 34),
    sites=(1, 3),
)
def sites_fall(rng, samples, vehicles, sites):
    for _ in range(samples):
        yield site_moved(rng, vehicles, sites, 0.18)


def linked(rng, vehicles, kinds, link=0.0, sigma=0.8):
    """Whether late work is said to go with repair money. Of two kinds one is dearer; repairs come at a rate of each vehicle's own,
    that rises by `link` for each unit of log odds by which it is late more often."""
    found, level = jobs(rng, vehicles)
    at = np.arange(vehicles) % kinds
    names = np.array([f"v{i:02d}" for i in range(vehicles)])
    km = 40_000 * np.exp(0.4 * rng.standard_normal(vehicles))
    often = km / 12_000 * np.exp(0.4 * rng.standard_normal(vehicles) + at - link * (level - LEVEL))
    who = np.repeat(np.arange(vehicles), rng.poisson(often))
    lines = pd.DataFrame({"vehicle": names[who], "with_distance": True, "why": "defect"})
    lines["amount"] = 250 * np.exp(sigma * rng.standard_normal(len(who)))
    fleet = pd.DataFrame({"vehicle": names, "kind": at.astype(str), "distance_km": km})
    book = SimpleNamespace(vehicles=fleet, lines=lines)
    with patch.object(lateness, "account", lambda _: book):
        p = lateness.late_and_repairs(None, found, rng).p
    return None if np.isnan(p) else p < intervals.CLEAR_P


@cells(
    "late work goes with repair money, when it does not", "claim", vehicles=(10, 34), kinds=(1, 2)
)
def no_link(rng, samples, vehicles, kinds):
    for _ in range(samples):
        yield linked(rng, vehicles, kinds)


@cells("late work goes with repair money, when it does", "found", vehicles=(10, 34), kinds=(1, 2))
def link(rng, samples, vehicles, kinds):
    for _ in range(samples):
        yield linked(rng, vehicles, kinds, 0.8)
