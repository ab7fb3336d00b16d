"""The service log's tables: every name, kind, unit, code and range, in one place.

A table is a tuple of `Column`; `TABLES` maps each table's name to its columns, in the order in which an empty log
writes them. Reading, checking, writing, the data dictionary and the Data Package descriptor are all made from it.
"""

from wearbar.log.columns import MEASURED, SI_SUFFIX, TEXT, VEHICLE_KINDS, Column
from wearbar.log.tables import TABLES

__all__ = [
    "CALLED", "FIRST_NAMES", "LATER", "LIKELY_KM_A_DAY", "MAIN_DATE", "MEASURED", "PERIODS", "READINGS", "TABLES", "TEXT", "UNIQUE",
    "VEHICLE_KINDS", "WHOLE_FLEET", "Column", "column", "si_name", "table_of",
]  # fmt: skip

# tables that name no vehicle and no day
WHOLE_FLEET = ("limits", "budget")

# earlier names of tables, still read; a log's fingerprint goes by them, so that a new name changes none
CALLED = {"reminders": "dash_events"}
FIRST_NAMES = {new: old for old, new in CALLED.items()}

# what must not stand twice in a table
UNIQUE = {"vehicles": ("vehicle",), "defects": ("defect",)}

# the date that places a row before or after the report date; the first that is not blank
MAIN_DATE = {
    **dict.fromkeys(
        ("odometer", "work", "measurements", "fuel", "valuations", "deferrals", "dash_events"),
        ("date",),
    ),
    **dict.fromkeys(("use", "fixed_costs", "layups", "postings"), ("from",)),
    "vehicles": ("acquired", "in_service"),
    "fitted": ("fitted",),
    "defects": ("found",),
    "certificates": ("tested",),
    "campaigns": ("issued",),
}

# what nobody could know on the report date: if the date is later, it and these cells are read as blank
LATER = {
    "vehicles": ("disposed", ("disposed_odometer", "disposal", "disposed_value")),
    "fitted": ("removed", ("removed_odometer", "reason", "removed_depth")),
    "defects": ("closed", ("closing_visit", "closed_as")),
    "campaigns": ("done", ("visit",)),
}

# the columns that are readings of the odometer, each with its date
READINGS = {
    **dict.fromkeys(
        ("odometer", "work", "measurements", "fuel", "dash_events"), (("odometer", "date"),)
    ),
    "vehicles": (
        ("in_service_odometer", "in_service"),
        ("acquired_odometer", "acquired"),
        ("disposed_odometer", "disposed"),
    ),
    "fitted": (("fitted_odometer", "fitted"), ("removed_odometer", "removed")),
    "defects": (("odometer", "found"),),
}

# first and last day of what a row tells of; the last must not come before the first
PERIODS = {
    **dict.fromkeys(("use", "fixed_costs", "layups", "postings"), ("from", "to")),
    "vehicles": ("in_service", "disposed"),
    "fitted": ("fitted", "removed"),
    "defects": ("found", "closed"),
    "certificates": ("tested", "valid_to"),
}

# more than this in a day, on average between two readings, is a slip (common practice, no source: so high that no true day is doubted)
LIKELY_KM_A_DAY = dict.fromkeys(VEHICLE_KINDS, 2000.0) | {
    "motorcycle": 1500.0,
    "quad": 800.0,
    "plant": 500.0,
}


def table_of(name):
    """The format's name of a table by the name of its file, sheet or table of a database; `name` in small letters where it has none."""
    plain = name.strip().casefold()
    return CALLED.get(plain, plain)


def column(table, name):
    """The `Column` of that name, or None where the format does not name it."""
    return next((c for c in TABLES[table] if c.name == name), None)


def si_name(col):
    """A column's name once its values are in SI: `odometer` becomes `odometer_km`, `new_depth` `new_depth_mm`."""
    return col.name + SI_SUFFIX.get(col.quantity, "")
