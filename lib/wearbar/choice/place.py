"""Where items stand beside each other: one category, one kind of vehicle, one axle."""

from wearbar.spans import GOES_ON, watched

__all__ = ["PLACE", "STILL", "UNBOUNDED", "named", "service_lives", "with_place"]

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
