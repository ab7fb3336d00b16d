"""Odometers and hour meters: readings of every table beside each other, doubted where untrue."""

import numpy as np
import pandas as pd

from wearbar.log.checks.chain import longest_likely, neighbours
from wearbar.log.checks.problems import codes, problems
from wearbar.log.checks.sizes import likely_a_day
from wearbar.log.schema import READINGS
from wearbar.log.units import DISTANCE_KM

# meter to the (table, column, column of its date) of each kind of reading, first table odometer's
PLACES = {
    "odometer": [(name, *pair) for name, pairs in READINGS.items() for pair in pairs],
    "hours": [(name, "hours", "date") for name in ("odometer", "work")],
}
HOURS_A_DAY = 24.0
GUESS = 0.4
USUAL = 0.2
MOST_CHANGES = 1000
DAYS = 2**20
MOST_NAMED = 3
LAST = "a digit left out"
MILE = DISTANCE_KM["mi"]


def doubtful_readings(tables, header):
    """Odometer readings that can't be true beside the others of their vehicle.

    Each instrument is looked at alone: a reading with `restarts_at` ends one and begins the next.
    """
    vehicles, distance = tables["vehicles"], header["distance"]
    in_km = vehicles["distance_unit"].fillna(distance).eq("km").to_numpy()
    yield from _doubtful(tables, "odometer", likely_a_day(vehicles, distance), in_km)


def doubtful_hours(tables, _):
    """Hour-meter readings that can't be true: an hour meter runs 24 hours a day at most.

    A reading of hours with `restarts_at`, and no odometer, ends one meter and begins the next.
    """
    n = len(tables["vehicles"])
    yield from _doubtful(tables, "hours", np.full(n, HOURS_A_DAY), np.full(n, None))


def _doubtful(tables, meter, limit, in_km):
    """limit: the most in a day, by vehicle. in_km: whether its instrument counts km."""
    rows = _readings(tables, meter)
    rows = rows.iloc[np.lexsort((rows["value"], rows["series"] * DAYS + rows["day"]))]
    vehicle, day, value, series, weight, place = (
        rows[name].to_numpy() for name in ("vehicle", "day", "value", "series", "weight", "place")
    )
    kept = longest_likely(series, day, value, limit[vehicle], weight)
    out = np.flatnonzero(~kept & (place >= 0))
    low, high = neighbours(series, value, kept, out)
    since, _ = neighbours(series, day, kept, out)
    most = low + limit[vehicle[out]] * USUAL * (day[out] - since + 1)
    is_back = (value[out] < low) | (value[out] > high)
    too_fast = "daily-distance" if meter == "odometer" else "hours-back"
    found = rows.iloc[out].assign(rule=np.where(is_back, f"{meter}-back", too_fast))
    told = zip(value[out], low, high, in_km[vehicle[out]], most, strict=True)
    found["remedy"] = [likely_reading(*row) for row in told]
    for (place, rule), some in found.groupby(["place", "rule"]):
        table, name, _ = PLACES[meter][place]
        severity = None
        if table == name == "odometer":
            alone = tables[table].loc[some["line"], ["restarts_at", "hours"]].isna().all(axis=1)
            severity = np.where(alone, "set-aside", "adjust")
        yield problems(table, some["line"], name, some["value"], rule, some["remedy"], severity)


def _readings(tables, meter):
    """Every reading: `vehicle, day, line, value, place` (of `PLACES`, -1 for the first reading of
    a new instrument, told beside the last of the old), its `weight`, and the `series` it is of."""
    vehicles, read = tables["vehicles"], []
    for place, (table, name, date) in enumerate(PLACES[meter]):
        frame = tables[table][["vehicle", date, name]]
        frame = frame[(frame[name].notna() & frame[date].notna()).to_numpy()]
        if len(frame) or not read:
            read.append(_placed(frame, vehicles, date, value=name).assign(place=place))
    rows = pd.concat(read, ignore_index=True)
    own = rows["line"].where(rows["place"] == 0)  # the line in table odometer
    guessed = tables["odometer"].index[tables["odometer"]["source"].eq("estimate")]
    rows["weight"] = np.where(own.isin(guessed), GUESS, 1.0)
    rows["series"] = rows["vehicle"] * MOST_CHANGES
    changes = _changes(tables, meter)
    if len(changes):
        rows["series"] += _instrument(rows, changes, own)
        fresh = changes.assign(value=changes["new"], weight=1.0, place=-1)
        fresh["series"] = fresh["vehicle"] * MOST_CHANGES + fresh["nth"] + 1
        rows = pd.concat([rows, fresh[list(rows)]], ignore_index=True)
    return rows


def _placed(rows, vehicles, date, **columns):
    """Rows with vehicle and day as numbers, their `line`, and columns by new names."""
    vehicle = codes(rows["vehicle"], vehicles["vehicle"]).astype("int64")
    day = rows[date].to_numpy().astype("datetime64[D]").astype("int64")
    more = {new: rows[name].to_numpy() for new, name in columns.items()}
    return pd.DataFrame({"vehicle": vehicle, "day": day, "line": rows.index} | more)


def _changes(tables, meter):
    """Changes of instrument: `vehicle, day, old, new, line`, the `nth` of its vehicle; in order."""
    rows = tables["odometer"]
    of_hours = rows["odometer"].isna() & rows["hours"].notna()
    mine = rows["restarts_at"].notna() & rows["date"].notna() & of_hours.eq(meter == "hours")
    rows = rows[mine.to_numpy()]
    changes = _placed(rows, tables["vehicles"], "date", old=meter, new="restarts_at")
    changes = changes.sort_values(["vehicle", "day"], kind="stable", ignore_index=True)
    return changes.assign(nth=changes.groupby("vehicle").cumcount())


def _instrument(rows, changes, line):
    """Which of its vehicle's instruments (0 the first) each reading is of: an array.

    On a day of change, the one whose reading is nearer; the row that tells of it, the old one.
    line: of rows that may tell of a change.
    """
    key, mine = (each["vehicle"] * DAYS + each["day"] for each in (changes, rows))
    before, upto = np.searchsorted(key, mine), np.searchsorted(key, mine, side="right")
    that_day = changes.iloc[np.minimum(before, len(key) - 1)]
    old, new = (np.abs(rows["value"].to_numpy() - that_day[c].to_numpy()) for c in ("old", "new"))
    nth = np.where((upto > before) & (new < old), upto, before)
    nth -= np.searchsorted(changes["vehicle"], rows["vehicle"])
    return line.map(changes.set_index("line")["nth"]).fillna(pd.Series(nth)).astype("int64")


def likely_reading(x, low, high, in_km=None, most=np.nan):
    """A remedy for a doubtful reading: what it stands between, and the slip that would fit.

    low, high: the true readings before and after, NaN where there is none. in_km: whether the
    instrument counts km. most: the most that is likely where no reading comes after.
    """
    if not np.isfinite(low):
        beside = f"before {_number(high)}" if np.isfinite(high) else "alone"
        return f"{_number(x)} {beside}: mend it or its date"
    is_last = not np.isfinite(high)
    text = f"{_number(x)} after {_number(low)}"
    if not is_last:
        text = f"{_number(x)} between {_number(low)} and {_number(high)}"
    for name, made in _slips(x, in_km):
        likely = sorted({v for v in made if low <= v <= (most if is_last else high) and v != x})
        if 0 < len(likely) <= MOST_NAMED:
            return f"{text}: {name}? {' or '.join(map(_number, likely))}"
        if likely and name == LAST:
            return f"{text}: {name}?"
    return f"{text}; if the instrument was changed before it, say restarts_at" if is_last else text


def _number(value):
    return f"{round(value, 2):.15g}"


def _slips(x, in_km):
    """Each slip with the readings that undo it; none is written with a 0 in front."""

    def numbers(texts):
        return [float(text) for text in texts if text and text[0] != "0"]

    text = f"{x:.0f}" if x and float(x).is_integer() else ""
    ends = [(text[:k], text[k:]) for k in range(len(text) + 1)]
    inner = ends[1:-1]  # between two digits
    yield "an extra digit", numbers(a + b[1:] for a, b in inner if a[-1] == b[0])
    yield "an extra digit", numbers(a + b[1:] for a, b in ends[:-1])
    yield "two digits the wrong way round", numbers(a[:-1] + b[0] + a[-1] + b[1:] for a, b in inner)
    if in_km is not None:
        yield "in the other unit", [np.round(x * MILE if in_km else x / MILE)]
    yield "a lost decimal point", [x / 10, x / 100]
    yield "a point too many", [] if text else [x * 10, x * 100, x * 1000]
    yield "one digit wrong", numbers(a + d + b[1:] for a, b in ends[:-1] for d in "0123456789")
    yield LAST, numbers(a + d + b for a, b in ends[1:] for d in "0123456789")
