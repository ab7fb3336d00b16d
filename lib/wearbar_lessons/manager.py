"""The lesson that closes a term: one log, several questions, one page to a manager."""

from dataclasses import replace

import numpy as np

from wearbar_lessons import draw, exercises
from wearbar_lessons.draw import World
from wearbar_lessons.exercises import REPLACE, Exercise, fitted

AHEAD_KM = 15_000  # that each van drives next year: stated in the lesson


def drawn(rng):
    """Old vans and new ones, whose belts run until they fail; the record began when many belts had
    run already, and only those that it saw fitted have a bill."""
    n, longest = int(rng.integers(60, 91)), int(rng.integers(2300, 3001))
    vehicles, first = draw.vans(rng, n, (300, longest), 1400)
    scale = float(np.exp(rng.uniform(*np.log((55_000, 120_000)))))
    shape = float(rng.uniform(2.2, 4.2))
    parts = draw.renewals(rng, vehicles, scale, shape)
    first_km = vehicles["first_km"].to_numpy()[parts["v"]]
    has_bill = parts["begin_km"].gt(0) & (parts["begin_km"] > first_km)
    truth = {"scale": scale, "shape": shape, "told": float(draw.failed_by(scale, shape, 0.1))}
    return World(vehicles, draw.priced(rng, parts, has_bill), truth, first)


def spares(rows, ahead=AHEAD_KM):
    """The belts running now that will fail within their next `ahead` km, by the law of all."""
    fit, age = fitted(rows), rows.loc[~rows["observed"], "duration_km"].to_numpy()
    return float((1 - fit.survival_at(age + ahead) / fit.survival_at(age)).sum())


def _as_new(rows):
    return (~rows["observed"]).sum() * (1 - float(fitted(rows).survival_at(AHEAD_KM)))


def _ever(rows):
    age = rows.loc[~rows["observed"], "duration_km"].to_numpy()
    return float((1 - fitted(rows).survival_at(age + AHEAD_KM)).sum())


def _steady(rows):
    watched = (rows["duration_km"] - rows["entry_km"]).sum()
    return (~rows["observed"]).sum() * AHEAD_KM * rows["observed"].sum() / watched


_SPARES = {
    "as-if-new": _as_new,
    "not-given-age": _ever,
    "steady-failures": _steady,
    "all-parts-ahead": lambda rows: spares(rows) / (~rows["observed"]).mean(),
    "miles-ahead": lambda rows: spares(rows, AHEAD_KM * exercises.MILE_KM),
}
EXERCISES = {
    "early": exercises.life(0.1, None, exercises.LATE),
    "age": replace(REPLACE["age"], spoiled=("flag-inverted",), tolerance=0.01),
    "spares": Exercise("belts", spares, ("entry-ignored",), _SPARES),
}
LESSON = (drawn, EXERCISES, exercises.early)
