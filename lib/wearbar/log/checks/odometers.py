"""Odometers and hour meters: readings of every table on one line a vehicle, and those that can't be true."""

import numpy as np

from wearbar.log.checks.chain import longest_likely
from wearbar.log.checks.problems import codes, join, none_found, problems
from wearbar.log.checks.slips import likely_reading
from wearbar.log.schema import LIKELY_KM_A_DAY, READINGS
from wearbar.log.units import DISTANCE_KM

__all__ = ["doubtful_hours", "doubtful_readings"]

HOUR_METERS = tuple((name, "hours", "date") for name in ("odometer", "work"))
ODOMETERS = tuple((name, *pair) for name, pairs in READINGS.items() for pair in pairs)
HOURS_A_DAY = 24.0
GUESS = 0.4
USUAL = 0.2
MOST_CHANGES = 1000
DAYS = 2**20


def doubtful_readings(tables, distance):
    """Odometer readings that can't be true beside the others of their vehicle. tables: name to frame. distance: the log's unit.

    Each instrument is looked at for itself: a reading with `restarts_at` ends one and begins the next.
    """
    vehicles = tables["vehicles"]
    unit = vehicles["distance_unit"].fillna(distance)
    limit = vehicles["kind"].map(LIKELY_KM_A_DAY).astype(float)
    limit = limit.fillna(max(LIKELY_KM_A_DAY.values())) / unit.map(DISTANCE_KM).astype(float)
    return _doubtful(
        _gathered(tables, ODOMETERS), tables, ODOMETERS, limit.to_numpy(), unit.eq("km").to_numpy()
    )


def doubtful_hours(tables):
    """Hour-meter readings that can't be true: an hour meter runs 24 hours a day at most.

    Each meter is looked at for itself: a reading of hours with `restarts_at`, and no odometer, ends one and begins the next.
    """
    return _doubtful(
        _gathered(tables, HOUR_METERS),
        tables,
        HOUR_METERS,
        np.full(len(tables["vehicles"]), HOURS_A_DAY),
        None,
    )


def _gathered(tables, places):
    """Every reading of those columns, as arrays: `vehicle, day, value, weight, place` (of `places`), `at` (which row of its table)."""
    names, parts = tables["vehicles"]["vehicle"], []
    for place, (table, name, date) in enumerate(places):
        frame = tables[table]
        at = np.flatnonzero((frame[name].notna() & frame[date].notna()).to_numpy())
        if not len(at):
            continue
        weight = (
            np.where(frame["source"].eq("estimate").to_numpy()[at], GUESS, 1.0)
            if table == "odometer"
            else np.ones(len(at))
        )
        vehicle = codes(frame["vehicle"], names)[at]
        day = frame[date].to_numpy()[at].astype("datetime64[D]").astype("int32")
        parts.append(
            (
                vehicle.astype("int32"),
                day,
                frame[name].to_numpy()[at],
                weight,
                np.full(len(at), place, "int8"),
                at.astype("int32"),
            )
        )
    keys = ("vehicle", "day", "value", "weight", "place", "at")
    return (
        {
            key: np.concatenate(part)
            for key, part in zip(keys, zip(*parts, strict=True), strict=True)
        }
        if parts
        else {}
    )


def _doubtful(rows, tables, places, limit, in_km):
    if not rows:
        return none_found()
    rows["series"] = rows["vehicle"].astype("int64") * MOST_CHANGES
    rows = _with_changes(rows, tables, places, "hours" if in_km is None else "odometer")
    order = _in_order(rows["series"] * DAYS + rows["day"], rows["value"])
    rows = {key: values[order] for key, values in rows.items()}
    rows["limit"] = limit[rows["vehicle"]]
    kept = longest_likely(*(rows[key] for key in ("series", "day", "value", "limit", "weight")))
    out = np.flatnonzero(~kept & (rows["place"] >= 0))
    return _told(rows, kept, out, tables, places, in_km) if len(out) else none_found()


def _in_order(key, value):
    """By key and, within it, by value. Most rows come in order by table: a merge sort finds them so, and few share a key."""
    order = np.argsort(key, kind="stable")
    key = key[order]
    same = np.r_[key[1:] == key[:-1], False]
    at = np.flatnonzero(same | np.r_[False, same[:-1]])
    order[at] = order[at][np.lexsort((value[order[at]], key[at]))]
    return order


def _with_changes(rows, tables, places, meter):
    """A series for each instrument (`meter`: odometer or hours) of each vehicle, and a reading more for each new one's first."""
    changed = tables["odometer"]
    of_hours = changed["odometer"].isna() & changed["hours"].notna()
    mine = changed["restarts_at"].notna() & changed["date"].notna() & of_hours.eq(meter == "hours")
    at = np.flatnonzero(mine.to_numpy())
    if not len(at):
        return rows
    changed = changed.iloc[at]
    vehicle = codes(changed["vehicle"], tables["vehicles"]["vehicle"]).astype("int32")
    day = changed["date"].to_numpy().astype("datetime64[D]").astype("int32")
    order = np.lexsort((day, vehicle))
    at, vehicle, day = at[order], vehicle[order], day[order]
    old, new = changed[meter].to_numpy()[order], changed["restarts_at"].to_numpy()[order]
    key, mine = (
        vehicle.astype("int64") * DAYS + day,
        rows["vehicle"].astype("int64") * DAYS + rows["day"],
    )
    begin = np.searchsorted(vehicle, rows["vehicle"])
    before, upto = np.searchsorted(key, mine), np.searchsorted(key, mine, side="right")
    first = np.minimum(before, len(key) - 1)
    is_new = (upto > before) & (
        np.abs(rows["value"] - new[first]) < np.abs(rows["value"] - old[first])
    )
    nth = np.where(is_new, upto, before) - begin
    own = np.arange(len(at)) - np.searchsorted(vehicle, vehicle)
    ends = np.flatnonzero(
        (rows["place"] == places.index(("odometer", meter, "date"))) & np.isin(rows["at"], at)
    )
    nth[ends] = own[np.argsort(at)][np.searchsorted(np.sort(at), rows["at"][ends])]
    rows["series"] += nth
    fresh = {
        "vehicle": vehicle,
        "day": day,
        "value": new,
        "weight": np.ones(len(at)),
        "place": np.full(len(at), -1, "int8"),
        "at": at,
    }
    fresh["series"] = vehicle.astype("int64") * MOST_CHANGES + own + 1
    return {name: np.concatenate([values, fresh[name]]) for name, values in rows.items()}


def _told(rows, kept, out, tables, places, in_km):
    """Problems for the readings left out, each between its neighbours that are kept."""
    at = np.flatnonzero(kept)
    place = np.searchsorted(at, out)
    before, behind = at[np.maximum(place - 1, 0)], at[np.minimum(place, len(at) - 1)]
    low = np.where(
        (place > 0) & (rows["series"][before] == rows["series"][out]), rows["value"][before], np.nan
    )
    high = np.where(
        (place < len(at)) & (rows["series"][behind] == rows["series"][out]),
        rows["value"][behind],
        np.nan,
    )
    most = low + rows["limit"][out] * USUAL * (rows["day"][out] - rows["day"][before] + 1)
    value = rows["value"][out]
    remedy = likely_reading(
        value, low, high, None if in_km is None else in_km[rows["vehicle"][out]], most
    )
    back = (value < low) | (value > high)
    rules = (
        (("hours-back", np.ones(len(out), bool)),)
        if in_km is None
        else (("odometer-back", back), ("daily-distance", ~back))
    )
    parts = []
    for place in np.unique(rows["place"][out]):
        table, name, _ = places[place]
        frame = tables[table]
        for rule, mask in rules:
            mine = np.flatnonzero((rows["place"][out] == place) & mask)
            where = rows["at"][out][mine]
            severity = None
            if table == "odometer" and name == "odometer":
                alone = frame[["restarts_at", "hours"]].isna().all(axis=1).to_numpy()[where]
                severity = np.where(alone, "set-aside", "adjust")
            found = problems(
                table,
                frame.index.to_numpy()[where],
                name,
                value[mine],
                rule,
                remedy[mine],
                severity,
            )
            parts.append(found)
    return join(parts)
