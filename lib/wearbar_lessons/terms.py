"""The lessons there are: what each draws, how hard it may be, and what it asks."""

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import wearbar as wb
from wearbar_lessons import (
    ahead,
    distance,
    draw,
    exercises,
    hard_use,
    manager,
    rate,
    repairs,
    tread,
    whichever,
    worn_off,
)
from wearbar_lessons.draw import World
from wearbar_lessons.exercises import Exercise

KNOWN_SHAPE = 2.0  # stated in the lesson on few lives, and true of its logs


def counts(rows):
    """What the bands count: lives, ends, the shares that have not ended and that are late."""
    ends = rows["observed"].sum()
    late = (rows["entry_km"] > 0).mean()
    shares = {"censored": 1 - ends / len(rows), "late": late}
    return {"lives": len(rows), "ends": ends} | shares


PARTS = ("draw", "exercises", "told", "of_world", "of_log", "count", "tables")


@dataclass(frozen=True)
class Lesson:
    """A lesson's number in the term, its part and items, what it draws, its bands, its exercises.
    told: what the class's figure shows: an `Estimate` of the rows; its truth is `truth["told"]`."""

    number: int
    counts: dict
    answer: dict
    draw: Callable
    exercises: dict[str, Exercise]
    told: Callable
    category: str = ""
    items: tuple = ("",)
    of_world: Callable = draw.lives_frame  # rows of what was drawn, and the same read from a log
    of_log: Callable = lambda log, category: wb.part_lives(log, category, units="km")
    count: Callable = counts
    tables: Callable = draw.tables_of  # of its logs
    plan: str = ""  # and their plan, as the text of a plan.toml
    slips: tuple = ()  # the rules by which rows of its logs are set aside on purpose

    def holds(self, world):
        """Whether what was drawn is as hard as the lesson asks, and no mistake hides another."""
        rows = self.of_world(world)
        if not draw.in_bands(self.count(rows), self.counts):
            return False
        if not draw.in_bands(self.hardness(rows), self.answer):
            return False
        return all(
            draw.far_apart([asked.right(rows), *asked.mistakes(rows).values()], asked.tolerance)
            for asked in self.exercises.values()
        )

    def rights(self, world):
        """The right answers on what was drawn, by exercise."""
        rows = self.of_world(world)
        return {name: asked.right(rows) for name, asked in self.exercises.items()}

    def are_apart(self, one, other):
        """Whether no exercise has the same right answer in both, as near as its tolerance."""
        asked = self.exercises.items()
        return all(draw.far_apart([one[name], other[name]], e.tolerance) for name, e in asked)

    def hardness(self, rows):
        """The width of the answer's interval (high over low), and by its name each mistake of the
        first exercise that has a band, as a share of the right answer."""
        asked, found = next(iter(self.exercises.values())), self.told(rows)
        made, right = asked.mistakes(rows, self.answer), asked.right(rows)
        return {"width": found.high / found.low} | {name: x / right for name, x in made.items()}

    def rows_of(self, log):
        """What the exercises ask of, read from a log: lives of its part, or readings, in km."""
        return self.of_log(log, self.category)


def _lives(rng, n, days, scale, shape, joined=0, told=0.1):
    """A world of lives alone, each argument a (least, most); shape: one number where it is known.
    Its truth `told` is the life by which that share has failed."""
    law = {"scale": float(np.exp(rng.uniform(*np.log(scale))))}
    law["shape"] = shape if isinstance(shape, float) else rng.uniform(*shape)
    law["told"] = float(draw.failed_by(law["scale"], law["shape"], told))
    last = int(rng.integers(days[1], days[2] + 1))
    vehicles, first = draw.vans(rng, int(rng.integers(n[0], n[1] + 1)), (days[0], last), joined)
    return World(vehicles, draw.renewals(rng, vehicles, law["scale"], law["shape"]), law, first)


def censoring(rng):
    """Vans that joined one by one: most of their parts have not failed yet."""
    return _lives(rng, (75, 110), (150, 1100, 1600), (50_000, 125_000), (1.6, 3.0))


def late(rng):
    """Old vans whose record began when many of their parts had run for years."""
    return _lives(rng, (60, 90), (300, 2600, 3200), (60_000, 150_000), (1.8, 3.4), 1500, 0.5)


def few(rng):
    """A dozen vans of which two to four parts have failed."""
    return _lives(rng, (12, 24), (300, 900, 1500), (30_000, 400_000), KNOWN_SHAPE)


def replace(rng):
    """Vans whose belts run until they fail; a change after a failure costs a stop as well."""
    shape, scale = (2.4, 4.5), (50_000, 110_000)
    world = _lives(rng, (60, 100), (300, 1100, 1700), scale, shape, told=0.5)
    follows = world.parts["begin_km"].gt(0)  # the first on a van was bought with it
    parts = draw.priced(rng, world.parts, follows)
    return World(world.vehicles, parts, world.truth, world.first_day)


def wear(rng):
    """Vans with one tyre each, read six to nine times; a tyre loses some tread at once when new."""
    vehicles, first = draw.vans(rng, int(rng.integers(10, 17)), (700, 1000))
    return draw.worn(rng, World(vehicles, None, {}, first), *rng.uniform((0.12, 6), (0.3, 10)))


def _median(rows):
    return exercises.early(rows, 0.5)


def _early_known(rows):
    return exercises.early(rows, shape=KNOWN_SHAPE)


_OF_READINGS = (draw.readings_frame, exercises.readings_of, exercises.of_readings)
_CENSORING = {"early": exercises.life(), "still-on": exercises.still_on(40_000)}
_CENSORING["early-low"] = exercises.life_low()  # last, since it takes longest
_LATE = {"early": exercises.life(0.1, None, exercises.LATE), "at-risk": exercises.at_risk(50_000)}
_FEW = {
    "early": exercises.life(0.1, KNOWN_SHAPE),
    "early-low": exercises.life_low(0.1, KNOWN_SHAPE),
}
_ASKED = {
    "censoring": (censoring, _CENSORING, exercises.early),
    "late": (late, _LATE, _median),
    "few": (few, _FEW, _early_known),
    "wear": (wear, exercises.WEAR, exercises.wear_rate, *_OF_READINGS),
    "hard_use": hard_use.LESSON,
    "repairs": repairs.LESSON,
    "ahead": ahead.LESSON,
    "manager": manager.LESSON,
    "worn_off": worn_off.LESSON,
    "replace": (replace, exercises.REPLACE, _median),
    "rate": rate.LESSON,
    "distance": distance.LESSON,
    "whichever": whichever.LESSON,
    "tread": tread.LESSON,
}
_TOLD = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
LESSONS = {
    name: Lesson(**told, **dict(zip(PARTS, _ASKED[name], strict=False)))
    for name, told in _TOLD.items()
}
