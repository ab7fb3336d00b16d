"""The vehicle as the unit: lives of parts changed together are one decision, and limits come from the spread between vehicles."""

from math import nan

import numpy as np
import pandas as pd
from scipy import special, stats

from wearbar.parts.fitted import GOES_ON
from wearbar.parts.lives import watched
from wearbar.stats import fit_groups
from wearbar.stats.estimate import Estimate

__all__ = [
    "MIN_CARS",
    "PLACE",
    "STILL",
    "UNBOUNDED",
    "by_both_laws",
    "by_parts_of_one",
    "decisions",
    "jackknife",
    "named",
    "service_lives",
    "with_place",
]
MIN_CARS = 4  # vehicles, for limits from the spread between them: of three, 90% hold 85 times in 100 in simulation
SHORT = 0.01  # of limits from the spread between vehicles: so much more is asked than is told, for they hold 87 to 89 without it
FIT_ENDS = 3  # of a sample without one vehicle, for a fit
NEAR_KM = 1.0  # lives that begin and end within this and on the same day are one decision


def decisions(lives):
    """The lives (as `spans.watched`), those of one vehicle that ran the same distance and ended on the same day as one row.

    A pair of pads or the tyres of an axle are changed by one decision: as two lives they would count it twice. The row that wore out
    or failed stands for its set.
    """
    day = lives["end"] if "end" in lives else pd.Series(pd.NaT, lives.index)
    at = lives[["entry_km", "duration_km"]].div(NEAR_KM).round()
    key = at.assign(
        vehicle=lives["vehicle"].astype(str), day=day.astype("datetime64[ns]").astype("int64")
    )
    first = lives.assign(_order=~lives["observed"]).sort_values("_order", kind="stable").index
    kept = ~key.loc[first].duplicated()
    return lives.loc[kept.index[kept].sort_values()]


def by_both_laws(place, rows, weights):
    """The "median" or "mean" life of each row of weights (rows, lives), in one call; NaN below `FIT_ENDS` ends.

    Lives of one vehicle follow a Weibull law, those of a fleet whose vehicles differ a wider one: the Weibull fit alone puts their median
    2% high, with 34 vehicles beyond its range. So it is averaged with a lognormal fit by their Akaike weights (Burnham and Anderson 2002,
    Model selection and multimodel inference, section 2.9; from memory).

    rows: (duration, observed, entry, last_seen or None), an array each.
    """
    sample, row = np.nonzero(weights)
    x, seen, entry, last_seen = (None if column is None else column[row] for column in rows)
    laws = [
        fit_groups(law, x, seen, sample, entry, weights[sample, row], last_seen)
        .set_index("group")
        .reindex(np.arange(len(weights)))
        for law in ("weibull", "lognormal")
    ]
    weibull, lognormal = (np.log(law[place].where(law["n_observed"] >= FIT_ENDS)) for law in laws)
    share = special.expit(laws[0]["loglik"] - laws[1]["loglik"])
    return np.exp(share * weibull + (1 - share) * lognormal).to_numpy()


def jackknife(statistic, vehicles, estimated, confidence, unit=""):
    """An `Estimate` of a positive statistic, each vehicle left out in turn: log scale, Student's t.

    statistic: takes weights (rows, vehicles) and gives a value a row, NaN where a sample has none: then no limits. estimated: what is
    taken off the number of vehicles for the degrees of freedom. In simulation (tests/reference/coverage.md) 90% limits hold 87 to 93
    times in 100 from `MIN_CARS` vehicles.
    """
    value, *parts = np.log(statistic(np.vstack([np.ones(vehicles), 1 - np.eye(vehicles)])))
    freedom = vehicles - estimated
    se = np.sqrt((vehicles - 1) * np.var(parts)) if freedom >= MIN_CARS - 1 else nan
    half = stats.t.ppf((1 + confidence + SHORT) / 2, max(freedom, 1)) * se
    low, high = np.exp([value - half, value + half])
    return Estimate(
        float(np.exp(value)),
        low,
        high,
        confidence,
        vehicles,
        unit=unit,
        method="jackknife over vehicles",
    )


def by_parts_of_one(lives):
    """Whether the lives are of one vehicle: its decisions are then independent, and limits speak of that vehicle alone."""
    return lives["vehicle"].nunique() == 1


PLACE = ["category", "kind", "place_on"]
STILL = (
    "still-on",
    "disposed",
    "not-told",
    "record-gap",
    *GOES_ON,
)  # what ends the watching, not the service
UNBOUNDED = 10  # a limit this many times the estimate is none


def service_lives(spans):
    """Spans fit to judge distance in service by: watched, with `came_off` True where service ended, for whatever reason."""
    lives = watched(spans)
    return lives.assign(came_off=~lives["cause"].isin(STILL))


def with_place(spans):
    """Adds `place_on`: the axle (front, rear ...) that a part serves on, or "all round" where parts of that kind are moved "
    "between axles."""
    axle = (
        spans["positions"]
        .str.replace(r"\b(axle\d+|front|rear)(-[a-z]+)+", r"\1", regex=True)
        .str.split(", ")
        .map(set)
    )
    moved = axle.str.len().gt(1).groupby([spans["category"], spans["kind"]]).transform("any")
    return spans.assign(place_on=axle.map(lambda names: min(names)).mask(moved, "all round"))


def named(key):
    return dict(zip([*PLACE, "item"], key, strict=True))
