"""Cells of the month on the first page: changes between two months, claims of a change, movers. See holds.py."""

import numpy as np
import pandas as pd
from holds import cells
from scipy.special import expit

from wearbar.outlook import month as months
from wearbar.outlook import moved

KM, FIXED, SERVICE, TYRES, BILL = 1500.0, 60.0, 180.0, 350.0, 400.0  # a vehicle and month
OFTEN = 1 / 6, 1 / 12, 1 / 12  # services, pairs of tyres, repairs a month
SIGMA = {"": 0.5, "heavy bills": 1.5}  # of a repair's size, on the log scale
LEVEL, OWN, VISIT = 1.9, 0.6, 0.8  # log odds of work on time; their spread by vehicle and by visit
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(40)
MEAN_COST = 0.1 * KM + FIXED + OFTEN[0] * SERVICE + OFTEN[1] * TYRES + OFTEN[2] * BILL
WORSE = {"": 0.0, "worse": 1.0}


def share(level):
    """Mean share on time: over the spread of vehicles and visits."""
    return float(expit(level + np.hypot(OWN, VISIT) * NODES) @ WEIGHTS / WEIGHTS.sum())


def two_months(rng, vehicles, bills="", visits=0.8, stays=0.1, worse=0.0, level=LEVEL):
    """`month.COUNTS` of the same vehicles in two months: [then, now]. worse: 1 makes the second 30%
    more expensive and on time less often by 0.8 of log odds."""
    price = np.exp(0.25 * rng.standard_normal(vehicles) - 0.25**2 / 2)
    pace, odds = (
        KM * np.exp(0.4 * rng.standard_normal(vehicles) - 0.08),
        level + OWN * rng.standard_normal(vehicles),
    )
    made = []
    for bad in (0.0, worse):
        km, sigma = pace * rng.gamma(6, 1 / 6, vehicles), SIGMA[bills]
        often = [rng.poisson(rate, vehicles) for rate in OFTEN]
        repairs = [np.exp(sigma * rng.standard_normal(n) - sigma**2 / 2).sum() for n in often[2]]
        cost = 0.1 * km + FIXED + SERVICE * often[0] + TYRES * often[1] + BILL * np.array(repairs)
        who = np.repeat(np.arange(vehicles), rng.poisson(visits, vehicles))
        n = rng.binomial(8, 0.35, len(who))
        won = rng.binomial(n, expit(odds[who] - 0.8 * bad + VISIT * rng.standard_normal(len(who))))
        off = rng.poisson(stays, vehicles) * np.ceil(
            9 * np.exp(0.6 * rng.standard_normal(vehicles))
        )
        cost = cost * price * (1 + 0.3 * bad)
        sums = {"jobs": np.bincount(who, n, vehicles), "won": np.bincount(who, won, vehicles)}
        sums |= {"spend": cost, "cost": cost, "distance_km": km, "down_days": np.minimum(off, 31)}
        made.append(pd.DataFrame(sums).astype(float))
    return made


def _cell(measure, kind="90%", **options):
    def run(rng, samples, vehicles, worse="", level=LEVEL, **more):
        # a constant is added, so that a width can be put beside a truth that is not nil
        truth = 0.3 * WORSE[worse]
        if measure == "on_time":
            truth = share(level - 0.8 * WORSE[worse]) - share(level)
        if measure == "downtime":
            truth = 0.0
        for _ in range(samples):
            sides = two_months(rng, vehicles, worse=WORSE[worse], level=level, **more)
            found, _ = months.paired(measure, *sides)
            yield found.low + 1, found.high + 1, truth + 1

    names = {
        "on_time": "jobs on time",
        "spend": "spend",
        "cost_per_km": "cost per distance",
        "downtime": "days down",
    }
    few = ", few vehicles" if kind != "90%" else ""
    cells(f"change of a month's {names[measure]}{few}", kind, **options)(run)


_cell("on_time", vehicles=(10, 34), visits=(0.8, 2.0), worse=("", "worse"))
_cell("on_time", "conservative", vehicles=(6,), visits=(0.8, 2.0), worse=("", "worse"))
_cell("spend", vehicles=(6, 10, 34), bills=("", "heavy bills"), worse=("", "worse"))
_cell("cost_per_km", vehicles=(6, 10, 34), bills=("", "heavy bills"), worse=("", "worse"))
_cell("downtime", vehicles=(10, 34), stays=(0.1, 0.4))


@cells(
    "some figure of a month is said to have changed, when none did",
    "claim",
    vehicles=(6, 10, 34),
    bills=("", "heavy bills"),
)
def claims(rng, samples, vehicles, bills):
    yield from said(rng, samples, vehicles, bills, 0.0)


@cells(
    "some figure of a month is said to have changed, when it costs 30% more and less is on time",
    "found",
    vehicles=(10, 34),
    bills=("", "heavy bills"),
)
def found(rng, samples, vehicles, bills):
    yield from said(rng, samples, vehicles, bills, 1.0)


def said(rng, samples, vehicles, bills, worse):
    """Whether a page says of any of four figures that it changed, from either of two months."""
    for _ in range(samples):
        then, now = two_months(rng, vehicles, bills, worse=worse)
        year, _ = two_months(rng, vehicles, bills)
        p = [months.paired(name, was, now)[1] for name in months.UNITS for was in (then, year)]
        yield bool(np.nanmin(p) * np.isfinite(p).sum() < months.CLEAR_P)  # Holm's first step


def units(rng, vehicles, more=1.0, n=25):
    """What `moved.furthest` takes, of n months: vehicle V00 costs `more` times as much in the last."""
    size = vehicles, n
    level, odds = (
        np.exp(0.5 * rng.standard_normal(vehicles)),
        LEVEL + OWN * rng.standard_normal(vehicles),
    )
    bills = rng.poisson(0.25, size) * 300 * np.exp(rng.standard_normal(size))
    spend = level[:, None] * (200 + bills)
    spend[0, -1] *= more
    jobs = rng.binomial(8, 0.35, size) * rng.poisson(0.7, size)
    visit = odds[:, None] + VISIT * rng.standard_normal(size)
    names, days = (
        [f"V{i:02d}" for i in range(vehicles)],
        pd.date_range("2024-11-01", periods=n, freq="MS"),
    )
    index = pd.MultiIndex.from_product([["vehicle"], names, days], names=["of", "who", "month"])
    sums = {"jobs": jobs, "won": rng.binomial(jobs, expit(visit)), "spend": spend}
    return pd.DataFrame({name: x.ravel().astype(float) for name, x in sums.items()}, index)


@cells("a vehicle is named as a mover, when all months are alike", "claim", vehicles=(3, 10, 34))
def no_mover(rng, samples, vehicles):
    for _ in range(samples):
        yield len(moved.furthest(units(rng, vehicles))) > 0


@cells(
    "a vehicle is named as a mover, when it costs twenty times as much", "found", vehicles=(10, 34)
)
def mover(rng, samples, vehicles):
    for _ in range(samples):
        yield "V00" in set(moved.furthest(units(rng, vehicles, 20.0))["who"])
