"""Odometers and hour meters: readings of every table on one line a vehicle, and those that can't be true."""

import numpy as np
import pandas as pd

from wearbar.checks.chain import longest_likely
from wearbar.checks.found import join, none_found, problems
from wearbar.checks.slips import likely_reading
from wearbar.tables import LIKELY_KM_A_DAY, READINGS, TEXT
from wearbar.units import DISTANCE_KM

__all__ = ["doubtful_hours", "doubtful_readings"]

HOUR_METERS = tuple((name, "hours", "date") for name in ("odometer", "work"))
ODOMETERS = tuple((name, *pair) for name, pairs in READINGS.items() for pair in pairs)
GUESS = 0.4
BIG = 2**20


def doubtful_readings(tables, distance):
    """Odometer readings that can't be true beside the others of their vehicle. tables: name to frame. distance: the log's unit.

    Each instrument is looked at for itself: a reading with `restarts_at` ends one and begins the next.
    """
    rows = _gathered(tables, ODOMETERS)
    if not len(rows):
        return none_found()
    vehicles = tables["vehicles"].set_index("vehicle")
    factor = vehicles["distance_unit"].fillna(distance).map(DISTANCE_KM).astype(float)
    limit = vehicles["kind"].map(LIKELY_KM_A_DAY).fillna(max(LIKELY_KM_A_DAY.values())).astype(float) / factor
    return _doubted(rows, limit, _is_in_km(vehicles, distance))


def doubtful_hours(tables):
    """Hour-meter readings that can't be true: an hour meter runs 24 hours a day at most."""
    rows = _gathered(tables, HOUR_METERS)
    if not len(rows):
        return none_found()
    names = tables["vehicles"]["vehicle"]
    return _doubted(rows, pd.Series(24.0, names), None, "hours-back")


def _is_in_km(vehicles, distance):
    return vehicles["distance_unit"].fillna(distance).eq("km")


def _gathered(tables, places):
    """Every reading of those columns: `vehicle, day, value, restarts_at, weight, whole, place, line`; place is an index into `places`."""
    parts = []
    for place, (table, name, date) in enumerate(places):
        frame = tables[table]
        frame = frame[(frame[name].notna() & frame[date].notna()).to_numpy()]
        if not len(frame):
            continue
        blank = np.full(len(frame), np.nan)
        has = table == "odometer" and name == "odometer"
        parts.append(
            pd.DataFrame(
                {
                    "vehicle": frame["vehicle"].array,
                    "day": frame[date].to_numpy().astype("datetime64[D]").astype("int64"),
                    "value": frame[name].to_numpy(),
                    "restarts_at": frame["restarts_at"].to_numpy() if has else blank,
                    "weight": np.where(frame["source"].eq("estimate"), GUESS, 1.0) if has else 1.0,
                    "whole": (frame["restarts_at"].isna() & frame["hours"].isna()).to_numpy() if has else False,
                    "place": np.int8(place),
                    "line": frame.index.to_numpy(),
                }
            )
        )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _doubted(rows, limit, in_km, rule=None):
    code, names = pd.factorize(rows["vehicle"])
    rows = rows.assign(code=code, limit=limit.reindex(names).to_numpy()[code])
    rows = _with_restarts(rows)
    order = np.lexsort((rows["value"], rows["day"], rows["series"]))
    rows = rows.iloc[order].reset_index(drop=True)
    arrays = [rows[name].to_numpy() for name in ("series", "day", "value", "limit", "weight")]
    kept = longest_likely(*arrays)
    out = np.flatnonzero(~kept & (rows["place"] >= 0).to_numpy())
    if not len(out):
        return none_found()
    return _told(rows, kept, out, None if in_km is None else in_km.reindex(names).to_numpy()[rows["code"].to_numpy()], rule)


def _with_restarts(rows):
    """A number for each instrument of each vehicle, and a row more for each new one's first reading."""
    changed = rows[rows["restarts_at"].notna().to_numpy()].sort_values(["code", "day"])
    rows = rows.assign(series=rows["code"].to_numpy() * 1000)
    if not len(changed):
        return rows
    key, mine = changed["code"].to_numpy() * BIG + changed["day"].to_numpy(), rows["code"].to_numpy() * BIG + rows["day"].to_numpy()
    begin = np.searchsorted(changed["code"].to_numpy(), rows["code"].to_numpy())
    before, upto = np.searchsorted(key, mine), np.searchsorted(key, mine, side="right")
    first = np.minimum(before, len(key) - 1)
    old, new = changed["value"].to_numpy()[first], changed["restarts_at"].to_numpy()[first]
    value = rows["value"].to_numpy()
    is_new = (upto > before) & (np.abs(value - new) < np.abs(value - old)) & rows["restarts_at"].isna().to_numpy()
    nth = np.where(is_new, upto, before) - begin
    own = np.arange(len(changed)) - np.searchsorted(changed["code"].to_numpy(), changed["code"].to_numpy())
    rows["series"] += nth
    rows.loc[changed.index, "series"] = changed["code"].to_numpy() * 1000 + own
    fresh = changed.assign(series=changed["code"] * 1000 + own + 1, value=changed["restarts_at"], place=-1, restarts_at=np.nan)
    return pd.concat([rows, fresh], ignore_index=True)


def _told(rows, kept, out, in_km, rule):
    """Problems for the readings left out, each between its neighbours that are kept."""
    series, value, day = rows["series"].to_numpy(), rows["value"].to_numpy(), rows["day"].to_numpy()
    at = np.flatnonzero(kept)
    place = np.searchsorted(at, out)
    before, behind = at[np.maximum(place - 1, 0)], at[np.minimum(place, len(at) - 1)]
    has_low = (place > 0) & (series[before] == series[out])
    has_high = (place < len(at)) & (series[behind] == series[out])
    low, high = np.where(has_low, value[before], np.nan), np.where(has_high, value[behind], np.nan)
    x, places = value[out], rows["place"].to_numpy()[out]
    back = (x < low) | (x > high)
    remedy = likely_reading(x, low, high, None if in_km is None else in_km[out], np.where(has_low, day[out] - day[before], 0))
    parts = []
    kinds = HOUR_METERS if rule else ODOMETERS
    whole = rows["whole"].to_numpy()[out]
    for place in np.unique(places):
        table, name, _ = kinds[place]
        for code, is_code in ((rule, np.ones(len(out), bool)),) if rule else (("odometer-back", back), ("daily-distance", ~back)):
            for alone in (True, False):
                mine = (places == place) & is_code & (whole == alone)
                found = problems(table, rows["line"].to_numpy()[out][mine], name, x[mine], code, remedy[mine])
                parts.append(found.assign(severity=pd.array(["set-aside" if alone else "adjust"] * len(found), dtype=TEXT)))
    return join(parts)
