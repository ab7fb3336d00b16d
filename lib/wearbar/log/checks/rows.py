"""Rows and keys: which lie after the report date, which stand twice, which name a vehicle that is not there."""

import numpy as np
import pandas as pd

from wearbar.log.checks.problems import codes, join, none_found, problems
from wearbar.log.schema import LATER, MAIN_DATE, TABLES, UNIQUE, WHOLE_FLEET

__all__ = ["after", "known_later", "known_vehicles", "main_date", "repeated_ids", "same_rows"]

TWICE_SET_ASIDE = ("fuel", "odometer")
LOOK_ALIKE = str.maketrans("oilsbz", "011582")
ODD = np.uint64(0x9E3779B97F4A7C15)
CANDIDATES = ("date", "number")


def main_date(table, frame):
    """The date that places each row: an array of days, NaT where it has none."""
    if table in WHOLE_FLEET:
        return pd.Series(pd.NaT, frame.index, dtype="datetime64[ns]", name="")
    first, *others = MAIN_DATE[table]
    date = frame[first]
    for name in others:
        date = date.fillna(frame[name])
    return date


def after(table, frame, as_of, vehicles_after):
    """Which rows lie after the report date, or belong to a vehicle that had not come by then: an array of bools."""
    later = (main_date(table, frame) > as_of).to_numpy()
    if table in WHOLE_FLEET:
        return later
    return (
        later | frame["vehicle"].isin(vehicles_after).to_numpy() if len(vehicles_after) else later
    )


def known_later(table, frame, as_of):
    """Ends that lie after the report date, when nobody could know them."""
    end, others = LATER.get(table, (None, ()))
    if end is None:
        return none_found()
    rows = frame[(frame[end] > as_of).to_numpy()]
    parts = [
        problems(table, rows.index, name, rows[name], "known-later") for name in (end, *others)
    ]
    return join(p[(p["value"] != "").to_numpy()] for p in parts)


def repeated_ids(table, frame):
    """Ids that must stand once and stand again."""
    if table not in UNIQUE:
        return none_found()
    (name,) = UNIQUE[table]
    first = ~frame[name].duplicated()
    rows = frame[~first & frame[name].notna()]
    where = pd.Series(frame.index[first], frame.loc[first, name])
    remedy = (
        "first on line "
        + where.reindex(rows[name]).astype(str).to_numpy()
        + "; give it an id of its own, or delete the row"
    )
    return problems(table, rows.index, name, rows[name], "repeated-id", remedy.astype(object))


def known_vehicles(table, frame, vehicles, set_aside):
    """Rows whose vehicle is not in table vehicles, or is there but set aside.

    vehicles: the names in use. set_aside: Series of the rule broken by each vehicle set aside.
    """
    if table in WHOLE_FLEET:
        return none_found()
    rows = frame[codes(frame["vehicle"], vehicles) < 0]
    rows = rows[rows["vehicle"].notna().to_numpy()]
    if not len(rows):
        return none_found()
    gone = rows["vehicle"].isin(set_aside.index).to_numpy()
    why = (
        "mend the vehicle's row: " + rows["vehicle"][gone].map(set_aside).astype(object).to_numpy()
    )
    alike = {_plain(v): v for v in vehicles}
    meant = (
        rows["vehicle"][~gone]
        .map({v: alike.get(_plain(v), "") for v in rows["vehicle"].unique()})
        .fillna("")
        .astype(object)
        .to_numpy()
    )
    likely = np.where(
        meant == "", "add it to vehicles, or mend the name", "mend the name: " + meant + "?"
    )
    return join(
        [
            problems(
                table, rows.index[gone], "vehicle", rows["vehicle"][gone], "vehicle-set-aside", why
            ),
            problems(
                table,
                rows.index[~gone],
                "vehicle",
                rows["vehicle"][~gone],
                "unknown-vehicle",
                likely,
            ),
        ]
    )


def _plain(name):
    """The name as a tired eye sees it: O is 0, l is 1."""
    return "".join(ch for ch in name.casefold() if ch.isalnum()).translate(LOOK_ALIKE)


def same_rows(table, frame, extra):
    """Rows alike in every column, also those of `extra`, to one above. Dates and numbers first: few rows are left to compare whole."""
    names = [c.name for c in TABLES[table] if c.kind in CANDIDATES]
    once = frame[pd.Series(_mixed(frame[names])).duplicated(keep=False).to_numpy()]
    if not len(once):
        return none_found()
    whole = once.join(extra.add_suffix(" (extra)")) if len(extra.columns) else once
    rows = once[whole.duplicated().to_numpy()]
    rule = "same-reading" if table in TWICE_SET_ASIDE else "same-row"
    name = TABLES[table][0].name if table in WHOLE_FLEET else MAIN_DATE[table][0]
    return problems(table, rows.index, name, rows[name], rule)


def _mixed(frame):
    """One number for each row, the same where dates and numbers are the same (and, seldom, where they are not)."""
    mixed = np.zeros(len(frame), dtype="uint64")
    for _, values in frame.items():
        if values.notna().any():
            bits = (
                values.to_numpy() + 0.0 if values.dtype.kind == "f" else values.to_numpy()
            ).view("uint64")
            mixed = (mixed ^ bits) * ODD
            mixed = mixed ^ (mixed >> np.uint64(29))
    return mixed
