"""The vehicle as the unit: lives are its decisions, limits come from their spread."""

from math import nan

import numpy as np
import pandas as pd
from scipy import special, stats

from wearbar.parts.fitted import GOES_ON, axles_of
from wearbar.parts.lives import HOLE, watched
from wearbar.stats import fit_groups
from wearbar.stats.estimate import Estimate

PLACE = ["category", "kind", "place_on"]
ITEM = [*PLACE, "item"]
STILL = ("still-on", "disposed", "not-told", HOLE, *GOES_ON)  # what ends the watching alone
UNBOUNDED = 10  # a limit this many times the estimate is none
MIN_CARS = 4  # for limits by their spread: of three vehicles, 90% hold 85 times in 100
SHORT = 0.01  # so much more is asked of those limits: they hold 87 to 89 without it
FIT_ENDS = 3  # of a sample without one vehicle, for a fit


def service_lives(spans):
    """The lives `watched`, with `came_off`: that service ended, for whatever reason."""
    lives = watched(spans)
    return lives.assign(came_off=~lives["cause"].isin(STILL))


def with_place(spans):
    """Adds `place_on`: the axle of a part; "all round" where its kind moves between axles."""
    axles = axles_of(spans["positions"]).map(set)
    moved = axles.str.len().gt(1).groupby([spans["category"], spans["kind"]]).transform("any")
    return spans.assign(place_on=axles.map(min).mask(moved, "all round"))


def decisions(lives):
    """The lives, those of one vehicle that ran the same km and ended on one day as one.

    A pair of pads or the tyres of an axle are changed by one decision: as two lives they would
    count it twice. The row that wore out or failed stands for its set.
    """
    key = lives[["entry_km", "duration_km"]].round()
    key = key.assign(vehicle=lives["vehicle"], day=lives.get("end"))
    first = (~lives["observed"]).sort_values(kind="stable").index
    return lives.loc[key.loc[first].drop_duplicates().index.sort_values()]


def by_both_laws(place, lives, names, weights):
    """The "median" or "mean" life for each row of weights (rows, vehicles by `names`).

    Lives of one vehicle follow a Weibull law, those of a fleet whose vehicles differ a wider one:
    the Weibull fit alone puts their median 2% high, with 34 vehicles beyond its range. So it is
    averaged with a lognormal fit by their Akaike weights (Burnham and Anderson 2002, Model
    selection and multimodel inference, section 2.9; from memory). lives: `vehicle, duration_km,
    observed, entry_km` and, of ends between two looks, `last_seen_km`.
    """
    weights = weights[:, names.get_indexer(lives["vehicle"])]
    sample, row = np.nonzero(weights)
    x, seen, entry = (lives[c].to_numpy()[row] for c in ("duration_km", "observed", "entry_km"))
    looks = lives["last_seen_km"].to_numpy()[row] if "last_seen_km" in lives else None
    rows = x, seen, sample, entry, weights[sample, row], looks
    laws = [fit_groups(law, *rows).set_index("group") for law in ("weibull", "lognormal")]
    laws = [law.reindex(np.arange(len(weights))) for law in laws]
    weibull, lognormal = (np.log(law[place].where(law["n_observed"] >= FIT_ENDS)) for law in laws)
    share = special.expit(laws[0]["loglik"] - laws[1]["loglik"])
    return np.exp(share * weibull + (1 - share) * lognormal).to_numpy()


def jackknife(statistic, vehicles, estimated, confidence, unit=""):
    """An `Estimate` of a positive statistic, each vehicle left out in turn: log scale, Student's t.

    statistic: takes weights (rows, vehicles) and gives a value a row, NaN where a sample has none:
    then no limits. estimated: what is taken off the number of vehicles for the degrees of freedom.
    In simulation (tests/reference/coverage.md) 90% limits hold 87 to 93 times in 100 from
    `MIN_CARS`.
    """
    value, *parts = np.log(statistic(np.vstack([np.ones(vehicles), 1 - np.eye(vehicles)])))
    freedom = vehicles - estimated
    se = np.sqrt((vehicles - 1) * np.var(parts)) if freedom >= MIN_CARS - 1 else nan
    half = stats.t.ppf((1 + confidence + SHORT) / 2, max(freedom, 1)) * se
    low, high = np.exp([value - half, value + half])
    method = "jackknife over vehicles"
    return Estimate(float(np.exp(value)), low, high, confidence, vehicles, unit=unit, method=method)


def life_by_vehicle(place, lives, confidence):
    """An `Estimate` of the "median" or "mean" of `by_both_laws`, by the vehicles' spread."""
    names = pd.Index(lives["vehicle"].unique())

    def life(weights):
        return by_both_laws(place, lives, names, weights)

    return jackknife(life, len(names), 1, confidence, "km")
