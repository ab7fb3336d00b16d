"""A whole log checked, one rule after another; what becomes of each row is settled here alone."""

import pandas as pd

from wearbar.log.checks import depths, fuel, odometers, peers, rows, sizes
from wearbar.log.intake import read_tables
from wearbar.log.schema import READINGS, TABLES
from wearbar.log.sources.raw import LogError

RECORDS = ("odometer", "work", "fuel", "measurements")
JOINED_DAYS = 365  # a record begins where a vehicle joined, if its rows follow within these


def check(source, header, today=None):
    """Read the source's tables and put them through every rule: a `Checked`.

    header: checked (`sources.header.check_header`). today: a default `as_of` is no later; None
    where any day will do. Raises LogError for what can't be read at all.
    """
    log, found = read_tables(source, header)
    log.as_of = header.get("as_of") or _newest(log.tables, today)
    if header.get("first_day", log.as_of) > log.as_of:
        first, last = (f"{day:%Y-%m-%d}" for day in (header["first_day"], log.as_of))
        late = f"{first}, after the last day to count, {last}"
        raise LogError(f"log.toml: first_day is {late}; mend first_day, or say a later as_of.")
    log.take(_drop_after(log, found, today))
    tables = log.tables
    held = [name for name in TABLES if len(tables[name])]
    for name in held:
        log.take(rows.repeated_ids(name, tables[name]))
        log.take(rows.periods(name, tables[name], log.as_of))
        log.take(rows.lacking(name, tables[name]))
        log.take(rows.known_later(name, tables[name], log.as_of))
    vehicles = tables["vehicles"]["vehicle"].tolist()
    for name in held:
        log.take(rows.known_vehicles(name, tables[name], vehicles, log.lost))
        log.take(rows.same_rows(name, tables[name], log.extra[name]))
        log.take(rows.service(name, tables[name], tables["vehicles"], log.as_of))
        log.take(rows.one_at_a_time(name, tables[name]))
    _beside_each_other(log, header)
    log.first_day = header.get("first_day") or _oldest(tables, log.as_of)
    return log


def _beside_each_other(log, header):
    tables, vehicles = log.tables, log.tables["vehicles"]
    distance, depth = header["distance"], header.get("depth", "mm")
    log.take(fuel.fills(tables["fuel"], vehicles))
    log.take(odometers.doubtful_readings(tables, distance))
    log.take(odometers.doubtful_hours(tables))
    log.take(depths.deeper_than_new(tables["fitted"], depth))
    log.take(depths.doubtful_depths(tables["measurements"], tables["fitted"], depth))
    log.take(depths.unlike_depths(tables, depth))
    log.take(sizes.pressures(tables["measurements"], vehicles, header.get("pressure", "kPa")))
    log.take(sizes.distances(tables["use"], vehicles, distance))
    log.take(peers.doubtful_money(tables))
    log.take(fuel.doubtful_fuel_money(tables["fuel"]))
    log.take(peers.doubtful_hours_worked(tables["work"]))
    log.take(rows.overlaps(tables["fitted"]))
    log.take(rows.references(tables))
    log.take(rows.unknown_law(tables, header.get("jurisdiction", "").strip()))


def _newest(tables, today):
    """The last day of a record or reading, today at most."""
    days = [tables[name]["date"] for name in RECORDS]
    for name in READINGS.keys() - {*RECORDS}:
        table = tables[name]
        days += [table[date].where(table[reading].notna()) for reading, date in READINGS[name]]
    days = pd.concat(days).dropna()
    if today is not None:
        days = days[days <= today.normalize()]
    if len(days):
        return days.max()
    if today is not None:
        return today.normalize()
    unknown = "so its last day is not known; say as_of in log.toml."
    raise LogError(f"The log holds no reading and no work, {unknown}")


def _oldest(tables, as_of):
    """The oldest day of a record, or of joining by a vehicle whose own rows begin within a year.

    A vehicle that joined long before its first row was not written down from that day on.
    """
    records = pd.concat([tables[name][["vehicle", "date"]] for name in RECORDS], ignore_index=True)
    begun = records.groupby("vehicle")["date"].min()
    joined = tables["vehicles"].set_index("vehicle")["acquired"]
    near = joined[(begun.reindex(joined.index) - joined).dt.days.between(0, JOINED_DAYS)]
    oldest = pd.Series([begun.min(), near.min()], dtype="datetime64[ns]").min()
    return as_of if pd.isna(oldest) or oldest > as_of else oldest


def _drop_after(log, found, today):
    """Leave out and count what lies after the report date; what was found wrong in the rest."""
    not_yet, told = [], []
    for name, frame in log.tables.items():
        later = rows.after(name, frame, log.as_of, not_yet)
        log.after[name] = int(later.sum())
        if not later.any():
            continue
        if name == "vehicles":
            not_yet = frame.loc[later, "vehicle"].dropna().tolist()
        gone = (found["table"] == name) & found["line"].isin(frame.index[later])
        found, log.tables[name] = found[~gone.to_numpy()], frame[~later]
        if today is not None:
            told += rows.future(name, frame[later], today)
    return [found, *told]
