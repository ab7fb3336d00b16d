"""Odometers and hour meters: of all readings the longest series in which none falls and none rises
too fast; the others are doubted. Near each step that can't be, a dynamic programme finds what to
leave out, by the whole of a short series or the last `REACH` readings. Where two long stretches
still contradict each other, it chooses those with the most readings."""

from functools import partial

import numpy as np
import pandas as pd

from wearbar.log.checks.peers import LIKELY
from wearbar.log.checks.problems import codes, problems
from wearbar.log.keys import order_by
from wearbar.log.schema import READINGS
from wearbar.log.units import DISTANCE_KM

# meter to the (table, column, column of its date) of each kind of reading, first table odometer's
PLACES = {
    "odometer": [(name, *pair) for name, pairs in READINGS.items() for pair in pairs],
    "hours": [(name, "hours", "date") for name in ("odometer", "work")],
}
HOURS_A_DAY = 24.0
GUESS = 0.4  # what keeping an estimate is worth
USUAL = 0.2  # of the most in a day, what is likely of the last reading
MOST_CHANGES, DAYS = 1000, 2**20  # of a vehicle's instruments; more than any day's number
MOST_NAMED, LAST = 3, "a digit left out"
MILE = DISTANCE_KM["mi"]
COLUMNS = ["vehicle", "day", "value", "series", "weight", "place"]
REACH, SHORT = 16, 100  # readings looked back at; of a series that is looked at whole
BREAK = 8.0  # readings that beginning anew costs


def likely_a_day(vehicles, distance):
    """The most that each vehicle can cover in a day, in its odometer's unit: an array."""
    km = [DISTANCE_KM[unit] for unit in vehicles["distance_unit"].fillna(distance)]
    most = LIKELY["km_a_day"]
    return np.array([most.get(kind, most["other"]) for kind in vehicles["kind"]]) / np.array(km)


def doubtful_readings(tables, header):
    """Readings of odometers and hour meters that can't be true beside the others of their vehicle,
    each instrument alone: a reading with `restarts_at` ends one and begins the next."""
    vehicles, distance = tables["vehicles"], header["distance"]
    in_km = vehicles["distance_unit"].fillna(distance).eq("km").to_numpy()
    most = {"odometer": likely_a_day(vehicles, distance), "hours": np.full(len(in_km), HOURS_A_DAY)}
    for meter, limit in most.items():
        rows = _readings(tables, meter)
        if not len(rows):
            continue
        order = order_by((rows["series"] * DAYS + rows["day"]).to_numpy(), rows["value"].to_numpy())
        vehicle, day, value, series, weight, place = (rows[n].to_numpy()[order] for n in COLUMNS)
        kept = longest_likely(series, day, value, limit[vehicle], weight)
        out = np.flatnonzero(~kept & (place >= 0))
        if not len(out):
            continue
        low, high = neighbours(series, value, kept, out)
        since, _ = neighbours(series, day, kept, out)
        usual = low + limit[vehicle[out]] * USUAL * (day[out] - since + 1)
        is_back = (value[out] < low) | (value[out] > high)
        too_fast = "daily-distance" if meter == "odometer" else "hours-back"
        found = rows.iloc[order[out]].assign(rule=np.where(is_back, f"{meter}-back", too_fast))
        units = in_km[vehicle[out]] if meter == "odometer" else [None] * len(out)
        told = (np.asarray(each).tolist() for each in (value[out], low, high, units, usual))
        found["remedy"] = list(map(likely_reading, *told))
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
    odometer, vehicles, read = tables["odometer"], tables["vehicles"]["vehicle"], []
    changed = odometer[odometer["restarts_at"].notna().to_numpy()]
    if len(changed):
        of_hours = changed["odometer"].isna() & changed["hours"].notna()
        changed = changed[of_hours.eq(meter == "hours").to_numpy()]
    places = [(tables[table], name, date) for table, name, date in PLACES[meter]]
    places = [(changed, "restarts_at", "date"), *places]
    for place, (frame, name, date) in enumerate(places, start=-1):
        if not len(frame):
            continue
        value, day = (frame[column].to_numpy() for column in (name, date))
        is_read = ~(np.isnan(value) | np.isnat(day))
        if is_read.any():
            vehicle = codes(frame["vehicle"][is_read], vehicles).astype("int64")
            day = day[is_read].astype("datetime64[D]").astype("int64")
            weight = np.ones(len(day))
            if place == 0:
                weight[frame["source"].eq("estimate").to_numpy()[is_read]] = GUESS
            which = np.full(len(day), place, dtype="int8")
            read.append((frame.index[is_read], vehicle, day, value[is_read], which, weight))
    if not read:
        return pd.DataFrame()
    names = ["line", "vehicle", "day", "value", "place", "weight"]
    rows = map(np.concatenate, zip(*read, strict=True))
    rows = pd.DataFrame(dict(zip(names, rows, strict=True)), copy=False)
    rows["series"] = rows["vehicle"].to_numpy() * MOST_CHANGES
    fresh = rows[rows["place"].to_numpy() == -1]
    if not len(fresh):
        return rows
    fresh = fresh.sort_values(["vehicle", "day"], kind="stable")
    # of its vehicle's instruments, on a day of change the one whose reading is nearer
    at = np.flatnonzero(np.isin(rows["vehicle"], fresh["vehicle"]))
    mine = rows.take(at).reset_index(drop=True)
    key, own = ((each["vehicle"] * DAYS + each["day"]).to_numpy() for each in (fresh, mine))
    before, upto = np.searchsorted(key, own), np.searchsorted(key, own, side="right")
    that_day = fresh.take(np.minimum(before, len(key) - 1))
    last = changed.loc[that_day["line"], meter].to_numpy()
    old, new = (np.abs(mine["value"].to_numpy() - each) for each in (last, that_day["value"]))
    nth = np.where((upto > before) & (new < old), upto, before)
    nth -= np.searchsorted(fresh["vehicle"], mine["vehicle"])
    # the row that tells of a change has the last reading of one and the first of the next
    told = fresh.groupby("vehicle").cumcount().set_axis(fresh["line"])
    told = mine["line"].where(mine["place"] <= 0).map(told) + mine["place"].eq(-1)
    rows.loc[at, "series"] += told.fillna(pd.Series(nth)).astype("int64").to_numpy()
    return rows


def likely_reading(x, low, high, in_km=None, most=np.nan):
    """A remedy for a doubtful reading: what it stands between, and the slip that would fit. low,
    high: the true readings before and after, NaN for none. in_km: whether the instrument counts km.
    most: the most that is likely where no reading comes after."""
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


def neighbours(series, value, kept, out):
    """The values kept before and after each of `out` (ints, none of them kept) in its series
    (ascending), NaN for none."""
    known = np.flatnonzero(kept & ~np.isnan(value))
    at = np.searchsorted(known, out)
    value, whose = np.r_[value[known], np.nan], np.r_[series[known], -1]
    return tuple(np.where(whose[k] == series[out], value[k], np.nan) for k in (at - 1, at))


def longest_likely(series, day, value, limit, weight, slack=0.0):
    """Which readings to keep: an array of bools.

    series: ints, ascending; within each, day ascends and, within a day, value. limit: the most that
    value may rise in a day (a step within one counts as one), by reading. weight: what keeping a
    reading is worth. slack: how far value may fall, where it is read with an error."""
    follows = partial(_can_follow, (value, day, limit, slack))

    def heaviest(first, last, *told):
        at = np.concatenate([last, first])
        lists = (each[at].tolist() for each in (value, day, limit))
        return _heaviest(partial(_can_follow, (*lists, slack)), *told)

    kept = np.ones(len(series), dtype=bool)
    goes_on = follows(slice(None, -1), slice(1, None))
    bad = np.flatnonzero((series[1:] == series[:-1]) & ~goes_on)
    if not len(bad):
        return kept
    # near each break; stretches looked at that meet are one
    begins, ends = (np.searchsorted(series, series[bad], side) for side in ("left", "right"))
    is_short = ends - begins <= SHORT
    low = np.where(is_short, begins, np.maximum(bad - REACH, begins))
    high = np.where(is_short, ends, np.minimum(bad + 2 + REACH, ends))
    first = np.flatnonzero(np.r_[True, (low[1:] > high[:-1]) | (begins[1:] != begins[:-1])])
    spans = zip(low[first], np.maximum.reduceat(high, first), is_short[first], strict=True)
    for a, b, whole in spans:
        at, reach = np.arange(a, b), b - a if b - a <= SHORT else REACH
        kept[a:b] = heaviest(at, at, weight[a:b], np.inf if whole else BREAK, reach)
    # of stretches that contradict each other, those of the heaviest chain
    at = np.flatnonzero(kept)
    goes_on = follows(at[:-1], at[1:]) & (series[at[1:]] == series[at[:-1]])
    starts = np.flatnonzero(np.r_[True, ~goes_on])
    length = np.diff(starts, append=len(at))
    begins, ends, heavy = at[starts], at[starts + length - 1], np.add.reduceat(weight[at], starts)
    chosen = np.ones(len(starts), dtype=bool)
    _, low, size = np.unique(series[begins], return_index=True, return_counts=True)
    for a, n in zip(low[size > 1], size[size > 1], strict=True):
        mine = slice(a, a + n)
        chosen[mine] = heaviest(begins[mine], ends[mine], heavy[mine], np.inf, n)
    kept[at] = np.repeat(chosen, length)
    _nearest_the_line(kept, follows, series, day, value)
    return kept


def _can_follow(readings, a, b):
    """Whether a reading at `b` can come next after that at `a`, places in arrays or lists."""
    value, day, limit, slack = readings
    rise, days = value[b] - value[a], day[b] - day[a]
    return (value[b] >= value[a] - slack) & (rise <= limit[b] * (days + 1))


def _heaviest(follows, weight, cost, reach):
    """Which steps are in the heaviest chain: an array of bools. follows: of the places of a step's
    last reading and of another's first, which stand after all the last. cost: of beginning anew
    after other steps. reach: how many steps back one looks."""
    weight, best, top = weight.tolist(), [], 0
    came, n = [-1] * len(weight), len(weight)
    for k in range(n):
        most = 0.0
        for j in range(k - 1, max(k - reach, 0) - 1, -1):
            if best[j] > most and follows(j, n + k):
                most, came[k] = best[j], j
            if most >= best[top]:
                break
        if k and best[top] - cost > most:
            most, came[k] = best[top] - cost, top
        best.append(most + weight[k])
        top = k if best[k] > best[top] else top
    kept = np.zeros(n, dtype=bool)
    while top >= 0:
        kept[top], top = True, came[top]
    return kept


def _nearest_the_line(kept, follows, series, day, value):
    """Of two readings that contradict each other alone, keep the nearer to the line around."""
    alone = kept[:-3] & (kept[1:-2] != kept[2:-1]) & kept[3:] & (series[:-3] == series[3:])
    a = np.flatnonzero(alone)
    lost = np.where(kept[a + 1], a + 2, a + 1)
    a = a[follows(a, lost) & follows(lost, a + 3)]
    a = a[np.diff(a, prepend=-4) > 2]
    slope = (value[a + 3] - value[a]) / np.maximum(day[a + 3] - day[a], 1)
    x, y = (np.abs(value[k] - value[a] - slope * (day[k] - day[a])) for k in (a + 1, a + 2))
    wrong = a[np.where(kept[a + 1], y < x, x < y)]
    kept[wrong + 1] ^= True
    kept[wrong + 2] ^= True
