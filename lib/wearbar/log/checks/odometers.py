"""Odometers and hour meters: readings of every table beside each other, doubted where untrue."""

import numpy as np
import pandas as pd

from wearbar.log.checks.chain import longest_likely, neighbours
from wearbar.log.checks.problems import codes, problems
from wearbar.log.schema import READINGS, VEHICLE_KINDS
from wearbar.log.units import DISTANCE_KM

# meter to the (table, column, column of its date) of each kind of reading
PLACES = {
    "odometer": [(name, *pair) for name, pairs in READINGS.items() for pair in pairs],
    "hours": [(name, "hours", "date") for name in ("odometer", "work")],
}
HOURS_A_DAY = 24.0
GUESS = 0.4
USUAL = 0.2
MOST_CHANGES = 1000
DAYS = 2**20
DIGITS = 9
MOST_NAMED = 3
LAST = "a digit left out"
# km: more in a day, on average between two readings, is a slip (common practice, no source)
LIKELY_KM_A_DAY = dict.fromkeys(VEHICLE_KINDS, 2000.0)
LIKELY_KM_A_DAY |= {"motorcycle": 1500.0, "quad": 800.0, "plant": 500.0}


def likely_a_day(vehicles, distance):
    """The most that each vehicle can cover in a day, in its odometer's unit: an array."""
    most = vehicles["kind"].map(LIKELY_KM_A_DAY).astype(float)
    km = vehicles["distance_unit"].fillna(distance).map(DISTANCE_KM).astype(float)
    return (most.fillna(max(LIKELY_KM_A_DAY.values())) / km).to_numpy()


def doubtful_readings(tables, distance):
    """Odometer readings that can't be true beside the others of their vehicle.

    Each instrument is looked at alone: a reading with `restarts_at` ends one and begins the next.
    """
    vehicles = tables["vehicles"]
    in_km = vehicles["distance_unit"].fillna(distance).eq("km").to_numpy()
    yield from _doubtful(tables, "odometer", likely_a_day(vehicles, distance), in_km)


def doubtful_hours(tables):
    """Hour-meter readings that can't be true: an hour meter runs 24 hours a day at most.

    A reading of hours with `restarts_at`, and no odometer, ends one meter and begins the next.
    """
    yield from _doubtful(tables, "hours", np.full(len(tables["vehicles"]), HOURS_A_DAY))


def _doubtful(tables, meter, limit, in_km=None):
    """limit: the most in a day, by vehicle. in_km: whether its instrument counts km."""
    places = PLACES[meter]
    read = [_readings(tables, place, *where) for place, where in enumerate(places)]
    rows = pd.concat(read, ignore_index=True)
    changes = _changes(tables, meter)
    rows["series"] = rows["vehicle"] * MOST_CHANGES
    if len(changes):
        rows["series"] += _instrument(rows, changes, places.index(("odometer", meter, "date")))
        fresh = changes.assign(value=changes["new"], weight=1.0, place=-1)
        fresh["series"] = fresh["vehicle"] * MOST_CHANGES + fresh["nth"] + 1
        rows = pd.concat([rows, fresh[list(rows)]], ignore_index=True)
    order = np.lexsort((rows["value"], rows["series"] * DAYS + rows["day"]))
    rows = rows.iloc[order].reset_index(drop=True)
    rows["limit"] = limit[rows["vehicle"]]
    read = (rows[name].to_numpy() for name in ("series", "day", "value", "limit", "weight"))
    kept = longest_likely(*read)
    out = np.flatnonzero(~kept & (rows["place"] >= 0))
    if not len(out):
        return
    rows = _with_remedies(rows, kept, out, in_km)
    for (place, rule), some in rows.groupby(["place", "rule"]):
        table, name, _ = places[place]
        severity = None
        if table == name == "odometer":
            alone = tables[table].loc[some["line"], ["restarts_at", "hours"]].isna().all(axis=1)
            severity = np.where(alone, "set-aside", "adjust")
        yield problems(table, some["line"], name, some["value"], rule, some["remedy"], severity)


def _readings(tables, place, table, name, date):
    frame = tables[table][["vehicle", date, name] + ["source"] * (table == "odometer")]
    frame = frame[(frame[name].notna() & frame[date].notna()).to_numpy()]
    weight = np.ones(len(frame))
    if table == "odometer":
        weight[frame["source"].eq("estimate").to_numpy()] = GUESS
    value = frame[name].to_numpy()
    return _placed(frame, tables, date, value=value, weight=weight, place=place)


def _placed(rows, tables, date, **more):
    vehicle = codes(rows["vehicle"], tables["vehicles"]["vehicle"]).astype("int64")
    day = rows[date].to_numpy().astype("datetime64[D]").astype("int64")
    return pd.DataFrame({"vehicle": vehicle, "day": day, "line": rows.index} | more)


def _changes(tables, meter):
    """Changes of instrument: `vehicle, day, old, new, line`, the `nth` of its vehicle; in order."""
    rows = tables["odometer"]
    of_hours = rows["odometer"].isna() & rows["hours"].notna()
    mine = rows["restarts_at"].notna() & rows["date"].notna() & of_hours.eq(meter == "hours")
    rows = rows[mine.to_numpy()]
    old, new = rows[meter].to_numpy(), rows["restarts_at"].to_numpy()
    changes = _placed(rows, tables, "date", old=old, new=new)
    changes = changes.sort_values(["vehicle", "day"], kind="stable", ignore_index=True)
    return changes.assign(nth=changes.groupby("vehicle").cumcount())


def _instrument(rows, changes, own_place):
    """Which of its vehicle's instruments (0 the first) each reading is of: an array.

    On a day of change, the one whose reading is nearer; the row that tells of it, the old one.
    """
    key, mine = (each["vehicle"] * DAYS + each["day"] for each in (changes, rows))
    before, upto = np.searchsorted(key, mine), np.searchsorted(key, mine, side="right")
    that_day = changes.iloc[np.minimum(before, len(key) - 1)]
    old, new = ((rows["value"].to_numpy() - that_day[c].to_numpy()) for c in ("old", "new"))
    is_new = (upto > before) & (np.abs(new) < np.abs(old))
    nth = np.where(is_new, upto, before) - np.searchsorted(changes["vehicle"], rows["vehicle"])
    told = rows["line"].where(rows["place"] == own_place).map(changes.set_index("line")["nth"])
    return np.where(told.notna(), told.fillna(0), nth).astype("int64")


def _with_remedies(rows, kept, out, in_km):
    """The readings left out, each with its `rule` and `remedy` by its neighbours that are kept."""
    series, value, day = (rows[name].to_numpy() for name in ("series", "value", "day"))
    low, high, before, _ = neighbours(series, value, kept, out)
    rows, value = rows.iloc[out], value[out]
    most = low + (rows["limit"] * USUAL * (day[out] - day[before] + 1)).to_numpy()
    if in_km is None:
        return rows.assign(rule="hours-back", remedy=likely_reading(value, low, high, None, most))
    remedy = likely_reading(value, low, high, in_km[rows["vehicle"]], most)
    back = (value < low) | (value > high)
    return rows.assign(rule=np.where(back, "odometer-back", "daily-distance"), remedy=remedy)


def likely_reading(x, low, high, in_km=None, most=None):
    """A remedy for each doubtful reading: what it stands between, and the slip that would fit.

    x: readings. low, high: the true readings before and after, NaN where there is none. in_km:
    whether the instrument counts km. most: the most that is likely where no reading comes after.
    """
    text = np.array([_between(*row) for row in zip(x, low, high, strict=True)], dtype=object)
    bounded = np.isfinite(high)
    high = high if most is None else np.where(bounded, high, most)
    open_ = np.isfinite(low) & np.isfinite(high)
    for name, made in _slips(x, in_km):
        fits = (made >= low[:, None]) & (made <= high[:, None]) & (made != x[:, None])
        for k in np.flatnonzero(open_ & fits.any(axis=1)):
            likely = np.unique(made[k][fits[k]])
            if len(likely) <= MOST_NAMED or name == LAST:
                few = likely if len(likely) <= MOST_NAMED else []
                text[k] += f": {name}? {' or '.join(map(_number, few))}".rstrip()
                open_[k] = False
    text[open_ & ~bounded] += "; if the instrument was changed before it, say restarts_at"
    return text


def _between(x, low, high):
    if np.isfinite(low) and np.isfinite(high):
        return f"{_number(x)} between {_number(low)} and {_number(high)}"
    if np.isfinite(low):
        return f"{_number(x)} after {_number(low)}"
    beside = f"before {_number(high)}" if np.isfinite(high) else "alone"
    return f"{_number(x)} {beside}: mend it or its date"


def _number(value):
    return f"{round(value, 2):.15g}"


def _slips(x, in_km):
    """Each slip with the values that undo it, a column each; NaN where it can't be."""
    whole = np.where((x == np.floor(x)) & (x < 10**DIGITS), x, 0).astype("int64")[:, None]
    power = 10 ** np.arange(DIGITS, dtype="int64")
    digits, real = whole // power % 10, whole >= power
    least = 10.0 ** (real.sum(axis=1) - 1)[:, None]  # no reading is written with a 0 in front
    shorter = whole // (power * 10) * power + whole % power
    fewer = np.where(real & (shorter >= least / 10), shorter, np.nan)
    yield "an extra digit", np.where(digits[:, :-1] == digits[:, 1:], fewer[:, :-1], np.nan)
    yield "an extra digit", fewer
    swapped = whole + (digits[:, :-1] - digits[:, 1:]) * (power[1:] - power[:-1])
    swapped = np.where(real[:, 1:] & (swapped >= least), swapped, np.nan)
    yield "two digits the wrong way round", swapped
    if in_km is not None:
        mile = DISTANCE_KM["mi"]
        yield "in the other unit", np.round(np.where(in_km, x * mile, x / mile), 0)[:, None]
    x = x[:, None]
    yield "a lost decimal point", x / np.array([10.0, 100.0])
    yield "a point too many", np.where(whole == x, np.nan, x * np.array([10.0, 100.0, 1000.0]))
    other = whole[:, None] + (np.arange(10) - digits[:, :, None]) * power[:, None]
    other = np.where(real[:, :, None] & (other >= least[:, None]), other, np.nan)
    yield "one digit wrong", other.reshape(len(x), -1)
    wider = (whole // power * power * 10 + whole % power)[:, :, None]
    more = np.where(real[:, :, None], wider + np.arange(10) * power[:, None], np.nan)
    yield LAST, more.reshape(len(x), -1)
