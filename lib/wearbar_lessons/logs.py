"""A student's own log of a lesson, and apart from it what is true of it."""

from functools import lru_cache

from wearbar_lessons import draw
from wearbar_lessons.terms import LESSONS


def log(student, lesson="censoring", secret=None):
    """The checked `ServiceLog` of a student: any text is a seed. secret: a class's, else None.

    The same text, lesson and secret give the same log. KeyError: no such lesson.

    >>> log("anna").units.distance
    'km'
    """
    return made(student, lesson, secret)[0]


def truth(student, lesson="censoring", secret=None):
    """What is true of that log: `scale` (km), `shape`, `told` (what the class's figure asks)."""
    return dict(_world(student, lesson, secret, "log").truth)


@lru_cache(maxsize=64)
def made(student, lesson, secret=None, purpose="log"):
    """(log, its tables, its header), without the truth. purpose: "log", or "hidden" for the other
    one that a class's work is marked on."""
    tables, header = files(student, lesson, secret, purpose)
    return draw.service_log(tables, header), tables, header


def files(student, lesson, secret=None, purpose="log"):
    """(tables, header) of such a log, to be written: as in `made`, without reading it."""
    world = _world(student, lesson, secret, purpose)
    asked = LESSONS[lesson]
    item = asked.items[int(world.truth["scale"]) % len(asked.items)]
    header = draw.header_of(world.first_day, f"A lesson's vans: {lesson}", asked.plan)
    return asked.tables(world, asked.category, item), header


@lru_cache(maxsize=1024)
def _world(student, lesson, secret, purpose):
    asked, rng = LESSONS[lesson], draw.rng_of(student, lesson, secret, purpose)
    holds = asked.holds
    if purpose != "log":  # no answer typed from the student's own log may be right on the other
        own = asked.rights(_world(student, lesson, secret, "log"))

        def holds(world):
            return asked.holds(world) and asked.are_apart(own, asked.rights(world))

    return draw.until_held(rng, asked.draw, holds)
