"""Cells of lives and unplanned visits by use: the ratios' intervals, the difference of two curves, and what is claimed. See holds.py."""

import numpy as np
import pandas as pd
from holds import cells

from wearbar.severity import STEP
from wearbar.stats.recurrence import mean_cumulative, mean_cumulative_difference
from wearbar.stats.regression import fit_life_regression, fit_rate_regression

SLOPE = -0.9  # of log life on the share of hard use; 0.8 of the log rate of visits
OWN, SHAPE = 0.15, 3.0  # sd of vehicles' log life; Weibull shape of a part
USES = {"use alike in each vehicle": 0.0, "use varies in each vehicle": 0.12}
LIVES = {"many ends": 20_000, "few ends": 90_000}  # km, of a record of 40,000 to 160,000


def lives(rng, vehicles, use, life, slope=SLOPE, together=1, sites=3):
    """Parts at two places, one after another: some on before the record, the last still on; `together` are changed at once."""
    base, own = rng.uniform(0.05, 0.65, vehicles), OWN * rng.standard_normal(vehicles)
    rows = []
    for v in range(vehicles):
        end = rng.uniform(40_000, 160_000)
        for _ in range(2):
            at = -2 * rng.uniform() * LIVES[life]
            while at < end:
                share = np.clip(base[v] + USES[use] * rng.standard_normal(), 0, 1)
                km = LIVES[life] * np.exp(slope * share + own[v]) * rng.weibull(SHAPE)
                if at + km > 0:
                    seen = min(km, end - at), at + km <= end, max(-at, 0.0)
                    rows += [(f"v{v}", f"s{v % sites}", share, *seen)] * together
                at += km
    columns = ["vehicle", "site", "share", "duration_km", "observed", "entry_km"]
    return pd.DataFrame(rows, columns=columns)


def life_fit(rows):
    """As the report makes it, sites allowed for from six vehicles on."""
    many = rows["vehicle"].nunique() > 5
    fit = fit_life_regression(rows, ["share", "site"] if many else ["share"])
    return fit.ratio("share", STEP), fit.table.loc["share", "p"]


@cells(
    "life by hard use, few vehicles",
    "conservative",
    vehicles=(3, 10),
    use=tuple(USES),
    life=tuple(LIVES),
)
@cells("life by hard use", vehicles=(34,), use=tuple(USES), life=tuple(LIVES))
@cells(
    "life by hard use",
    vehicles=(34,),
    use=("use varies in each vehicle",),
    life=("many ends",),
    together=(2,),
)
def life_ratio(rng, samples, vehicles, use, life, together=1):
    for _ in range(samples):
        e, _ = life_fit(lives(rng, vehicles, use, life, together=together))
        yield e.low, e.high, np.exp(STEP * SLOPE)


def claims(e, p):
    """Whether a difference is claimed; None where it is refused."""
    return None if np.isnan(e.low) else bool(p < 0.05)


@cells(
    "hard use shortens lives, when it does not",
    "claim",
    vehicles=(10, 34),
    use=tuple(USES),
    life=tuple(LIVES),
)
def no_life_effect(rng, samples, vehicles, use, life):
    for _ in range(samples):
        yield claims(*life_fit(lives(rng, vehicles, use, life, slope=0.0)))


@cells(
    "hard use shortens lives, when it does",
    "found",
    vehicles=(10, 34),
    use=tuple(USES),
    life=("few ends",),
)
def life_effect(rng, samples, vehicles, use, life):
    for _ in range(samples):
        yield claims(*life_fit(lives(rng, vehicles, use, life)))


def visits(rng, vehicles, rate, slope=0.0):
    """(visits, a row a vehicle): a gamma rate each, in visits a 1,000 km, over records of unlike length."""
    each = pd.DataFrame(
        {"vehicle": np.arange(vehicles), "share": rng.uniform(0.05, 0.65, vehicles)}
    )
    each["distance_km"] = rng.uniform(20_000, 90_000, vehicles)
    own = rate * np.exp(slope * each["share"]) * rng.gamma(4, 1 / 4, vehicles)
    each["events"] = rng.poisson(own * each["distance_km"] / 1000)
    vehicle = np.repeat(each["vehicle"], each["events"])
    km = rng.uniform(size=len(vehicle)) * each["distance_km"].to_numpy()[vehicle]
    return pd.DataFrame({"vehicle": vehicle, "km": km}), each.astype({"events": float})


def apart(rng, vehicles, rates):
    """(row of the difference, its age) where both of two halves of a fleet are seen."""
    curves = []
    for rate in rates:
        seen, each = visits(rng, vehicles // 2, rate)
        end = each.set_index("vehicle")["distance_km"]
        curves.append(mean_cumulative(seen["vehicle"], seen["km"], None, end))
    km = min(curve.attrs["until"] for curve in curves)
    return mean_cumulative_difference(*curves, at=km).iloc[0], km


RATES = {"few visits": (0.04, 0.03), "many visits": (0.16, 0.12)}


@cells(
    "unplanned visits of two groups, their difference, few vehicles",
    "conservative",
    vehicles=(3, 10, 16),
    rate=tuple(RATES),
)
@cells("unplanned visits of two groups, their difference", vehicles=(34,), rate=tuple(RATES))
def visits_apart(rng, samples, vehicles, rate):
    for _ in range(samples):
        row, km = apart(rng, vehicles, RATES[rate])
        yield row["low"], row["high"], (RATES[rate][0] - RATES[rate][1]) * km / 1000


@cells(
    "two groups differ in unplanned visits, when they do not",
    "claim",
    vehicles=(10, 34),
    rate=tuple(RATES),
)
def no_visits_apart(rng, samples, vehicles, rate):
    for _ in range(samples):
        row, _ = apart(rng, vehicles, RATES[rate][:1] * 2)
        yield claims(row, row["p"])


@cells(
    "unplanned visits by hard use, few vehicles",
    "conservative",
    vehicles=(3, 10),
    rate=tuple(RATES),
)
@cells("unplanned visits by hard use", vehicles=(34,), rate=tuple(RATES))
def visit_ratio(rng, samples, vehicles, rate):
    for _ in range(samples):
        fit = fit_rate_regression(visits(rng, vehicles, RATES[rate][0], 0.8)[1], ["share"])
        e = fit.ratio("share", STEP)
        yield e.low, e.high, np.exp(0.8 * STEP)


@cells(
    "hard use brings unplanned visits, when it does not",
    "claim",
    vehicles=(10, 34),
    rate=tuple(RATES),
)
def no_visit_effect(rng, samples, vehicles, rate):
    for _ in range(samples):
        fit = fit_rate_regression(visits(rng, vehicles, RATES[rate][0])[1], ["share"])
        yield claims(fit.ratio("share", STEP), fit.table.loc["share", "p"])
