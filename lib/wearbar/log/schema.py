"""The service log's tables: every name, kind, unit, code and range, of shared/log/tables.toml.

`TABLES` maps a table's name to its columns (`Column`), in the order in which an empty log writes
them. Reading, checking, writing, the data dictionary and the descriptor are made from it.
"""

import tomllib
from dataclasses import dataclass
from math import inf

import numpy as np
import pandas as pd

from wearbar.log.places import place

TEXT = pd.StringDtype("pyarrow", na_value=np.nan)
_FORMAT = tomllib.loads(place("shared", "log", "tables.toml").read_text(encoding="utf-8"))
VEHICLE_KINDS = tuple(_FORMAT["vehicle_kinds"])

# what a number measures -> the range that it has by itself
_RANGES = dict.fromkeys(("number", "volume", "depth", "hours", "days"), (0.0, inf))
_RANGES |= {"distance": (0.0, 1e7), "money": (-inf, inf), "share": (0.0, 1.0)}

# quantity of a measurement -> the unit inside the library; any other needs a unit of its own
MEASURED = dict.fromkeys(("depth", "thickness", "slack"), "mm")
MEASURED |= {"elongation": "%", "pressure": "kPa", "top-up": "mL"}


@dataclass(frozen=True)
class Column:
    """One column of a table, as the head of tables.toml says."""

    name: str
    kind: str
    meaning: str
    required: bool = False
    quantity: str = ""  # of a number, "" where it measures nothing that has a unit
    codes: tuple = ()
    default: str = ""
    low: float = -inf
    high: float = inf
    blank: str = ""
    kept: bool = False

    @property
    def must_read(self):
        """A cell here that can't be read sets its row aside: a blank would say something else."""
        return not self.kept and (self.required or bool(self.default or self.blank))


def _column(name, told):
    kind, codes = told["kind"], told.get("codes", ())
    more = {key: told[key] for key in ("required", "default", "blank", "kept") if key in told}
    if kind in _RANGES:
        low, high = _RANGES[kind]
        more["low"], more["high"] = float(told.get("low", low)), float(told.get("high", high))
        kind, more["quantity"] = "number", kind if kind != "number" else ""
    codes = VEHICLE_KINDS if codes == "vehicle_kinds" else tuple(codes)
    return Column(name, kind, told["is"], codes=codes, **more)


_RECORDED = Column("recorded", "date", "the day the row was typed")
TABLES = {
    table: (*(_column(name, told) for name, told in columns.items()), _RECORDED)
    for table, columns in _FORMAT.items()
    if table != "vehicle_kinds"
}


def _having(*names):
    """The tables that have all of these columns."""
    return [table for table in TABLES if {*names} <= {c.name for c in TABLES[table]}]


# tables that name no vehicle and no day
WHOLE_FLEET = tuple(name for name in TABLES if name not in _having("vehicle"))

# earlier names of tables, still read; a log's fingerprint goes by them
CALLED = {"reminders": "dash_events"}
FIRST_NAMES = {new: old for old, new in CALLED.items()}

# what must not stand twice in a table
UNIQUE = {"vehicles": ("vehicle",), "defects": ("defect",)}

# the date that places a row before or after the report date; the first that is not blank
MAIN_DATE = {
    **dict.fromkeys(_having("date"), ("date",)),
    **dict.fromkeys(_having("from"), ("from",)),
    "vehicles": ("acquired", "in_service"),
    "fitted": ("fitted",),
    "defects": ("found",),
    "certificates": ("tested",),
    "campaigns": ("issued",),
}

# what nobody could know before its date: if that is after the report date, it and these are blank
LATER = {
    "vehicles": ("disposed", ("disposed_odometer", "disposal", "disposed_value")),
    "fitted": ("removed", ("removed_odometer", "reason", "removed_depth")),
    "defects": ("closed", ("closing_visit", "closed_as")),
    "campaigns": ("done", ("visit",)),
}

# the columns that are readings of the odometer, each with its date
READINGS = {
    **dict.fromkeys(_having("odometer", "date"), (("odometer", "date"),)),
    "vehicles": tuple((f"{day}_odometer", day) for day in ("in_service", "acquired", "disposed")),
    "fitted": (("fitted_odometer", "fitted"), ("removed_odometer", "removed")),
    "defects": (("odometer", "found"),),
}

# results with which an inspection or a test does not count as done
RESETS_NOTHING = ("fail", "not-checked")

# first and last day of what a row tells of; the last must not come before the first
PERIODS = {
    **dict.fromkeys(_having("from", "to"), ("from", "to")),
    "vehicles": ("in_service", "disposed"),
    "fitted": ("fitted", "removed"),
    "defects": ("found", "closed"),
    "certificates": ("tested", "valid_to"),
}


def table_of(name):
    """The format's name of a table by that of its file, sheet or table."""
    plain = name.strip().casefold()
    return CALLED.get(plain, plain)


def column(table, name):
    """The `Column` of that name, or None where the format does not name it."""
    return next((c for c in TABLES[table] if c.name == name), None)
