"""The kinds of column that a service log's tables are made of."""

from dataclasses import dataclass
from math import inf

import numpy as np
import pandas as pd

__all__ = [
    "CATEGORY_EXAMPLES", "HOURS", "MEASURED", "MOST_DISTANCE", "NOTE", "ODOMETER", "REASONS", "RECORDED", "RESTART", "SI_SUFFIX", "TEXT",
    "VEHICLE", "VEHICLE_KINDS", "VISIT", "Column", "code", "date", "distance", "ident", "money",
    "number", "period", "share", "text",
]  # fmt: skip

TEXT = pd.StringDtype("pyarrow", na_value=np.nan)

SI_SUFFIX = {"distance": "_km", "depth": "_mm", "volume": "_l"}
VEHICLE_KINDS = (
    "motorcycle",
    "car",
    "van",
    "pickup",
    "truck",
    "bus",
    "quad",
    "trailer",
    "plant",
    "other",
)
REASONS = "worn failed damaged convenience age unsuited rotated moved stored recalled disposed"
MOST_DISTANCE = 1e7  # further than any vehicle goes (as a plan's limits)
CATEGORY_EXAMPLES = "tyre, brake-pad, chain, sprocket, air-filter, battery"

# quantity of a measurement -> the unit its value is in inside the library; any other quantity needs a unit of its own
MEASURED = {
    "depth": "mm",
    "thickness": "mm",
    "slack": "mm",
    "elongation": "%",
    "pressure": "kPa",
    "top-up": "mL",
}


@dataclass(frozen=True)
class Column:
    """One column of a table.

    kind: "id" and "text" are kept to the letter; "code" and "yes_no" are trimmed and case-folded; "date"; "number".
    quantity: what a number measures ("distance", "depth", "volume", "money", "hours", "days", "share" or ""): it decides the unit.
    codes: the only values a code may have; empty means free. default: what a blank stands for, where the format says so.
    blank: what a blank tells, where it is more than "not known"; a cell that can't be read is never passed over as such a blank.
    low, high: the range of a number, both ends allowed. kept: whether a row that lacks it is kept, with a doubt, for what else it tells.
    """

    name: str
    kind: str
    meaning: str
    required: bool = False
    quantity: str = ""
    codes: tuple = ()
    default: str = ""
    low: float = -inf
    high: float = inf
    blank: str = ""
    kept: bool = False

    @property
    def must_read(self):
        """Whether a cell here that can't be read sets its row aside: passed over as blank, the row would say something else."""
        return not self.kept and (self.required or bool(self.default or self.blank))


def ident(name, meaning, **more):
    return Column(name, "id", meaning, **more)


def code(name, meaning, codes="", **more):
    return Column(name, "code", meaning, codes=tuple(codes.split()), **more)


def text(name, meaning, **more):
    return Column(name, "text", meaning, **more)


def date(name, meaning, **more):
    return Column(name, "date", meaning, **more)


def number(name, meaning, quantity="", low=0.0, **more):
    return Column(name, "number", meaning, quantity=quantity, low=low, **more)


def distance(name, meaning, **more):
    return number(name, meaning, "distance", high=MOST_DISTANCE, **more)


def money(name, meaning, low=-inf, **more):
    return number(name, meaning, "money", low=low, **more)


def share(name, meaning):
    return number(name, meaning, "share", high=1.0)


VEHICLE = ident("vehicle", "the vehicle, as in table vehicles", required=True)
ODOMETER = distance("odometer", "reading of the instrument then fitted")
HOURS = number("hours", "reading of the hour meter", "hours", high=1e6)
VISIT = ident("visit", "the workshop visit that this row belongs to")
RESTART = "the instrument was changed or rolled over: the new one's first reading; odometer is the old one's last"
NOTE = text("note", "anything worth keeping")
RECORDED = date("recorded", "the day the row was typed")


def period(what, until_required=True):
    to = date(
        "to",
        f"last day of {what}",
        required=until_required,
        blank="" if until_required else "still going on",
    )
    return (date("from", f"first day of {what}", required=True), to)
