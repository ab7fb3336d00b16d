"""The service log's tables: every name, kind, unit, code and range, in one place.

`TABLES` maps a table's name to its columns (`Column`), in the order in which an empty log writes
them. Reading, checking, writing, the data dictionary and the descriptor are made from it.
"""

from wearbar.log.tables import MEASURED, SI_SUFFIX, TABLES, TEXT, VEHICLE_KINDS, Column

__all__ = [
    "CALLED", "FIRST_NAMES", "LATER", "MAIN_DATE", "MEASURED", "PERIODS", "READINGS",
    "RESETS_NOTHING", "TABLES", "TEXT", "UNIQUE", "VEHICLE_KINDS", "WHOLE_FLEET",
    "Column", "column", "si_name", "table_of",
]  # fmt: skip


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


def si_name(col):
    """A column's name in SI: `odometer` becomes `odometer_km`, `new_depth` `new_depth_mm`."""
    return col.name + SI_SUFFIX.get(col.quantity, "")
