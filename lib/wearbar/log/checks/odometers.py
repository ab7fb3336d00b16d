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
COLUMNS = ["vehicle", "day", "value", "series", "weight", "place"]


def doubtful_readings(tables, header):
    """Readings of odometers and hour meters that can't be true beside the others of their vehicle.

    Each instrument is looked at alone: a reading with `restarts_at` ends one and begins the next.
    """
    vehicles, distance = tables["vehicles"], header["distance"]
    in_km = vehicles["distance_unit"].fillna(distance).eq("km").to_numpy()
    most = {"odometer": likely_a_day(vehicles, distance), "hours": np.full(len(in_km), HOURS_A_DAY)}
    for meter, limit in most.items():
        rows = _readings(tables, meter)
        if not len(rows):
            continue
        rows = rows.iloc[np.lexsort((rows["value"], rows["series"] * DAYS + rows["day"]))]
        vehicle, day, value, series, weight, place = (rows[name].to_numpy() for name in COLUMNS)
        kept = longest_likely(series, day, value, limit[vehicle], weight)
        out = np.flatnonzero(~kept & (place >= 0))
        low, high = neighbours(series, value, kept, out)
        since, _ = neighbours(series, day, kept, out)
        usual = low + limit[vehicle[out]] * USUAL * (day[out] - since + 1)
        is_back = (value[out] < low) | (value[out] > high)
        too_fast = "daily-distance" if meter == "odometer" else "hours-back"
        found = rows.iloc[out].assign(rule=np.where(is_back, f"{meter}-back", too_fast))
        units = in_km[vehicle[out]] if meter == "odometer" else [None] * len(out)
        told = zip(value[out], low, high, units, usual, strict=True)
        found["remedy"] = [likely_reading(*row) for row in told]
        for (place, rule), some in found.groupby(["place", "rule"]):
            table, name, _ = PLACES[meter][place]
            severity = None
            if table == name == "odometer":
                alone = tables[table].loc[some["line"], ["restarts_at", "hours"]].isna().all(axis=1)
                severity = np.where(alone, "set-aside", "adjust")
            yield problems(table, some["line"], name, some["value"], rule, some["remedy"], severity)


def _readings(tables, meter):
    """Every reading: `COLUMNS` and its `line`. The first reading of a new instrument, told beside
    the last of the old, has place -1."""
    odometer, read = tables["odometer"], []
    of_hours = odometer["odometer"].isna() & odometer["hours"].notna()
    changed = odometer["restarts_at"].notna() & of_hours.eq(meter == "hours")
    changed = odometer[changed.to_numpy()]
    places = [(tables[table], name, date) for table, name, date in PLACES[meter]]
    for place, (frame, name, date) in enumerate([*places, (changed, "restarts_at", "date")]):
        told = frame[["vehicle", date, name]].set_axis(COLUMNS[:3], axis=1)
        told = told[(told["day"].notna() & told["value"].notna()).to_numpy()]
        if len(told) or not read:
            place = place if place < len(places) else -1
            read.append(told.assign(place=place, line=told.index))
    rows = pd.concat(read, ignore_index=True)
    rows["vehicle"] = codes(rows["vehicle"], tables["vehicles"]["vehicle"]).astype("int64")
    rows["day"] = rows["day"].to_numpy().astype("datetime64[D]").astype("int64")
    guessed = odometer.index[odometer["source"].eq("estimate")]
    rows["weight"] = np.where(rows["place"].eq(0) & rows["line"].isin(guessed), GUESS, 1.0)
    rows["series"] = rows["vehicle"] * MOST_CHANGES
    fresh = rows[rows["place"].eq(-1)].sort_values(["vehicle", "day"], kind="stable")
    if not len(fresh):
        return rows
    # of its vehicle's instruments, on a day of change the one whose reading is nearer
    key, mine = (each["vehicle"] * DAYS + each["day"] for each in (fresh, rows))
    before, upto = np.searchsorted(key, mine), np.searchsorted(key, mine, side="right")
    that_day = fresh.iloc[np.minimum(before, len(key) - 1)]
    last = changed.loc[that_day["line"], meter].to_numpy()
    old, new = (np.abs(rows["value"].to_numpy() - each) for each in (last, that_day["value"]))
    nth = np.where((upto > before) & (new < old), upto, before)
    nth -= np.searchsorted(fresh["vehicle"], rows["vehicle"])
    # the row that tells of a change has the last reading of one and the first of the next
    told = fresh.groupby("vehicle").cumcount().set_axis(fresh["line"])
    told = rows["line"].where(rows["place"] <= 0).map(told) + rows["place"].eq(-1)
    rows["series"] += told.fillna(pd.Series(nth)).astype("int64")
    return rows


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
