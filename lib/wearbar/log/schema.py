"""The service log's tables, by the files in shared/log: `TABLES` maps a table's name to its columns
(`Column`). Reading, checking, writing, the data dictionary and the descriptor are made from it."""

from dataclasses import dataclass
from math import inf

import numpy as np
import pandas as pd

from wearbar.log.places import read_toml

TEXT = pd.StringDtype("pyarrow", na_value=np.nan)

# what a number measures -> the range that it has by itself
_RANGES = dict.fromkeys(("number", "volume", "depth", "hours", "days"), (0.0, inf))
_RANGES |= {"distance": (0.0, 1e7), "money": (-inf, inf), "share": (0.0, 1.0)}

# results with which an inspection or a test does not count as done
RESETS_NOTHING = ("fail", "not-checked")


def said(name):
    """What a file of shared/log says."""
    return read_toml("shared", "log", f"{name}.toml")


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


_TOLD, _ROWS = said("tables"), said("rows")
VEHICLE_KINDS = tuple(_TOLD.pop("vehicle_kinds"))
_RECORDED = {"recorded": {"kind": "date", "is": "the day the row was typed"}}
TABLES = {
    table: tuple(_column(name, told) for name, told in (columns | _RECORDED).items())
    for table, columns in _TOLD.items()
}

# rows.toml says what each of these is
CALLED, MEASURED = _ROWS["called"], _ROWS["measured"]
FIRST_NAMES = {new: old for old, new in CALLED.items()}
UNIQUE, ONE_OF, MAIN_DATE, PERIODS = (
    {table: tuple(columns) for table, columns in _ROWS[name].items()}
    for name in ("unique", "one_of", "main_date", "periods")
)
READINGS = {table: tuple(days.items()) for table, days in _ROWS["readings"].items()}
LATER = {table: (end["date"], tuple(end["others"])) for table, end in _ROWS["later"].items()}
SHARES = tuple(c.name for c in TABLES["use"] if c.quantity == "share")


def table_of(name):
    """The format's name of a table by that of its file, sheet or table."""
    plain = name.strip().casefold()
    return CALLED.get(plain, plain)


def column(table, name):
    """The `Column` of that name, or None where the format does not name it."""
    return next((c for c in TABLES[table] if c.name == name), None)
