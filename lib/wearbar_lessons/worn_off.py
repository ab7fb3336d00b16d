"""The lesson on when censoring lies: tyres removed because they are nearly worn."""

import numpy as np
import pandas as pd

import wearbar as wb
from wearbar_lessons import draw, exercises
from wearbar_lessons.draw import LIMIT_MM, NEW_MM, World
from wearbar_lessons.exercises import MILE_KM, Exercise, life_by

EARLY, WORN = "convenience", "worn"  # why a tyre was removed, as a log says it
BY = 0.5  # the share of tyres that the exercises ask about


def drawn(rng):
    """Vans with a tyre each, one after another: some reach the limit, some are removed before."""
    n, longest = int(rng.integers(28, 46)), int(rng.integers(900, 1300))
    vehicles, first = draw.vans(rng, n, (500, longest))
    scale, shape = float(np.exp(rng.uniform(*np.log((22_000, 48_000))))), rng.uniform(2.5, 7.0)
    is_early = rng.uniform(0.3, 0.8)  # the chance that somebody removes a tyre that is nearly worn
    most = int(12 + 3 * vehicles["km"].max() / scale)
    life = np.maximum(np.round(scale * rng.weibull(shape, (len(vehicles), most))), 4000)
    used = np.where(rng.random(life.shape) < is_early, rng.uniform(0.78, 0.97, life.shape), 1.0)
    parts, at = draw.in_turn(vehicles, np.round(life * used))
    used = used[at]
    left = (NEW_MM - LIMIT_MM) * (1 - used)
    read = LIMIT_MM + (left + rng.normal(0, 0.08, len(used))).round(1).clip(0.1)
    depth = np.where(used < 1, read, LIMIT_MM).round(1)
    parts = draw.removed(parts, np.where(used < 1, EARLY, WORN), depth)
    told = draw.failed_by(scale, shape, BY)
    return World(vehicles, parts, {"scale": scale, "shape": float(shape), "told": told}, first)


def of_world(world):
    """A row a tyre: entry_km (nil), duration_km, observed (it reached its limit), early (removed
    before), depth_mm when removed."""
    rows, why = draw.lives_frame(world), world.parts["reason"]
    return _rows(rows["duration_km"], why, rows["removed_depth"])


def of_log(log, category):
    """The same, read from a log, as a student reads it."""
    lives = wb.part_lives(log, category, units="km")
    own = log.si("fitted").rename(columns={"fitted": "start"})
    lives = lives.merge(own[["vehicle", "start", "reason", "removed_depth_mm"]])
    return _rows(lives["duration_km"], lives["reason"], lives["removed_depth_mm"])


def _rows(km, why, depth):
    made = {"entry_km": 0.0, "duration_km": km, "observed": why.eq(WORN), "early": why.eq(EARLY)}
    return pd.DataFrame(made | {"depth_mm": depth}).reset_index(drop=True)


def count(rows):
    """What the bands count."""
    return {"lives": len(rows), "early": rows["early"].mean(), "worn": rows["observed"].mean()}


def to_limit(rows, limit=LIMIT_MM):
    """The tyres, those removed early carried along their wear line to the limit."""
    gone = NEW_MM - rows["depth_mm"]
    whole = rows["duration_km"] * (NEW_MM - limit) / gone
    km = rows["duration_km"].mask(rows["early"], whole)
    return rows.assign(duration_km=km, observed=rows["observed"] | rows["early"])


def told(rows):
    """The km by which half have reached the limit: an `Estimate`."""
    return exercises.early(to_limit(rows), BY)


def half(rows):
    """The same without its limits."""
    return life_by(to_limit(rows), BY)


def _as_ends(rows):
    return life_by(rows.assign(observed=rows["observed"] | rows["early"]), BY)


def _as_running(rows):
    return life_by(rows, BY)


def _ended_alone(rows):
    made = to_limit(rows)
    return life_by(made[made["observed"]], BY)


def too_long(rows):
    """By how many percent the life is too long if tyres removed early count as still running."""
    return 100 * (_as_running(rows) / half(rows) - 1)


def unused(rows, limit=LIMIT_MM):
    """The km that a tyre removed early would still have gone, on average."""
    own = rows[rows["early"]]
    return float((to_limit(own, limit)["duration_km"] - own["duration_km"]).mean())


_HALF = {
    "removed-as-running": _as_running,
    "removed-as-end": _as_ends,
    "worn-alone": lambda rows: life_by(rows[~rows["early"]], BY),
    "ended-alone": _ended_alone,
    "on-as-failed": lambda rows: life_by(to_limit(rows).assign(observed=True), BY),
    "to-nothing": lambda rows: life_by(to_limit(rows, 0.0), BY),
    "in-miles": lambda rows: half(rows) / MILE_KM,
}
_TOO_LONG = {
    "share-for-percent": lambda rows: too_long(rows) / 100,
    "hundred-and": lambda rows: too_long(rows) + 100,
    "of-the-wrong-one": lambda rows: 100 * (1 - half(rows) / _as_running(rows)),
    "from-removals": lambda rows: 100 * (_as_running(rows) / _as_ends(rows) - 1),
    "km-for-percent": lambda rows: _as_running(rows) - half(rows),
}
_UNUSED = {
    "life-for-left": lambda rows: to_limit(rows[rows["early"]])["duration_km"].mean(),
    "to-nothing": lambda rows: unused(rows, 0.0),
    "of-all-removed": lambda rows: unused(rows) * rows["early"].sum() / rows["depth_mm"].count(),
    "sum-for-mean": lambda rows: unused(rows) * rows["early"].sum(),
    "in-miles": lambda rows: unused(rows) / MILE_KM,
}
EXERCISES = {
    "half": Exercise("km", half, (), _HALF, 0.005),
    "too-long": Exercise("percent", too_long, (), _TOO_LONG),
    "unused": Exercise("km", unused, (), _UNUSED, 0.005),
}
LESSON = (drawn, EXERCISES, told, of_world, of_log, count)
