"""A whole log checked, one rule after another; what becomes of each row is settled here and nowhere else."""

import hashlib
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd

from wearbar.log.checks import dates, depths, law, parts, peers, rows, sizes
from wearbar.log.checks import odometers as readings
from wearbar.log.checks.problems import join
from wearbar.log.intake import read_tables
from wearbar.log.schema import READINGS, TABLES
from wearbar.log.sources.header import ESCAPED
from wearbar.log.sources.raw import LogError

__all__ = ["check"]

RECORDS = ("odometer", "work", "fuel", "measurements")
JOINED_DAYS = 365  # a record begins where a vehicle joined, if its rows follow within these


def check(source, header, today=None):
    """Read the source's tables and put them through every rule: a `Checked`. Raises LogError for what can't be read at all.

    header: checked (`sources.header.check_header`). today: a default `as_of` is no later; None where any day will do.
    """
    with ThreadPoolExecutor() as beside:
        log, found, hashes = read_tables(source, header, beside)
        _settle(log, found, header, today)
    said = repr(
        sorted((k, str(v)) for k, v in header.items() if k not in ("plan", "name", ESCAPED))
    )
    log.sha256 = hashlib.sha256(
        said.encode() + b"".join(part.result() for part in hashes)
    ).hexdigest()
    return log


def _settle(log, found, header, today):
    log.as_of = header.get("as_of") or _newest(log.tables, today)
    if header.get("first_day", log.as_of) > log.as_of:
        first, last = (f"{day:%Y-%m-%d}" for day in (header["first_day"], log.as_of))
        raise LogError(
            f"log.toml: first_day is {first}, after the last day to count, {last}; mend first_day, or say a later as_of."
        )
    log.take(_drop_after(log, found, today))
    held = [name for name in TABLES if len(log.tables[name])]
    for name in held:
        log.take(rows.repeated_ids(name, log.tables[name]))
        log.take(dates.periods(name, log.tables[name], log.as_of))
        log.take(dates.lacking(name, log.tables[name]))
        log.take(rows.known_later(name, log.tables[name], log.as_of))
    names = log.tables["vehicles"]["vehicle"].tolist()
    for name in held:
        log.take(
            rows.known_vehicles(name, log.tables[name], names, pd.Series(log.lost, dtype=object))
        )
        log.take(rows.same_rows(name, log.tables[name], log.extra[name]))
        log.take(dates.service(name, log.tables[name], log.tables["vehicles"], log.as_of))
        log.take(dates.one_at_a_time(name, log.tables[name]))
    _beside_each_other(log, header)
    log.first_day = header.get("first_day") or _oldest(log.tables, log.as_of)


def _beside_each_other(log, header):
    tables, depth = log.tables, header.get("depth", "mm")
    log.take(parts.fills(tables["fuel"], tables["vehicles"]))
    log.take(readings.doubtful_readings(tables, header["distance"]))
    log.take(readings.doubtful_hours(tables))
    log.take(parts.deep(tables["fitted"], depth))
    log.take(depths.doubtful_depths(tables["measurements"], tables["fitted"], depth))
    log.take(sizes.depths(tables, depth))
    log.take(
        sizes.pressures(tables["measurements"], tables["vehicles"], header.get("pressure", "kPa"))
    )
    log.take(sizes.distances(tables["use"], tables["vehicles"], header["distance"]))
    log.take(peers.doubtful_money(tables))
    log.take(peers.doubtful_fuel_money(tables["fuel"]))
    log.take(peers.doubtful_hours_worked(tables["work"]))
    log.take(parts.overlaps(tables["fitted"]))
    log.take(dates.references(tables))
    log.take(law.unknown_law(tables, header.get("jurisdiction", "").strip()))


def _newest(tables, today):
    days = [tables[name]["date"] for name in RECORDS]
    pairs = [
        (name, *pair)
        for name, all_pairs in READINGS.items()
        if name not in RECORDS
        for pair in all_pairs
    ]
    days += [
        tables[name][date].where(tables[name][reading].notna()) for name, reading, date in pairs
    ]
    days = pd.concat(days).dropna()
    if today is not None:
        days = days[days <= today.normalize()]
    if len(days):
        return days.max()
    if today is not None:
        return today.normalize()
    raise LogError(
        "The log holds no reading and no work, so its last day is not known; say as_of in log.toml."
    )


def _oldest(tables, as_of):
    """The oldest day of a record, or of joining by a vehicle whose own rows begin within a year of it.

    A vehicle that joined long before its first row was not written down from that day on.
    """
    rows = pd.concat([tables[name][["vehicle", "date"]] for name in RECORDS], ignore_index=True)
    begun = rows.groupby("vehicle")["date"].min()
    joined = tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")["acquired"]
    near = joined[(begun.reindex(joined.index) - joined).dt.days.between(0, JOINED_DAYS)]
    oldest = pd.Series([begun.min(), near.min()], dtype="datetime64[ns]").min()
    return as_of if pd.isna(oldest) or oldest > as_of else oldest


def _drop_after(log, found, today):
    """Count and leave out what lies after the report date; gives what was found wrong in the rows that stay."""
    not_yet, told = [], []
    for name in TABLES:
        frame = log.tables[name]
        later = (
            rows.after(name, frame, log.as_of, not_yet) if len(frame) else np.array([], dtype=bool)
        )
        log.after[name] = int(later.sum())
        if not later.any():
            continue
        if name == "vehicles":
            not_yet = frame.loc[later, "vehicle"].dropna().tolist()
        found = found[
            ~((found["table"] == name) & found["line"].isin(frame.index[later])).to_numpy()
        ]
        log.tables[name] = frame[~later]
        if today is not None:
            told.append(dates.future(name, frame[later], today))
    return join([found, *told])
