"""Lesson `distance`: a van's readings, with an instrument changed, one reading in the wrong unit
and one slip of the pen. How far has it driven, by when, and how far will it?"""

import numpy as np
import pandas as pd

from wearbar_lessons import draw
from wearbar_lessons.draw import AS_OF, World
from wearbar_lessons.exercises import CONFIDENCE, MILE_KM, Exercise, by_t, in_miles, limit

ON_DAY = (pd.Timestamp("2026-01-01") - AS_OF).days  # of an exercise
AHEAD_DAYS = 30
IN_MILES, ROLLED_OVER = 2, 1  # the vans whose dash counts miles, and goes on from 0 at 100,000
FULL = 100_000  # km


def vans_read(rng):
    """A world of vans read once a month: `readings` has v, day (from the report date), written,
    restarts_at, is_slip. The first is the exercises': its instrument was changed once."""
    n, days = int(rng.integers(6, 9)), (1500, 2200)
    vans, first = draw.vans(rng, n, days, days[1] - int(rng.integers(690, 800)))
    frames, truth = [], {"scale": 0.0}
    for v in range(n):
        day = _days(rng, int(vans["first_days"][v]))
        spread = rng.uniform(0.1, 0.26)
        rate = vans["km_per_day"][v] * (1 + spread * rng.standard_normal(len(day)))
        steps = np.round(np.maximum(rate[1:], 1) * np.diff(day))
        at = np.append(0, steps.cumsum()) + rng.integers(30_000, 75_000)
        if v == 0:
            truth["told"] = float(AHEAD_DAYS * max(rate[0], 1))  # the month to come
            frames.append(_spoiled(rng, day, at))
        elif v == ROLLED_OVER:
            frames.append(_rolled_over(day, at + FULL - at[len(at) // 2]))
        else:
            at = np.round(at / MILE_KM) if v == IN_MILES else at
            frames.append(pd.DataFrame({"day": day, "written": at, "restarts_at": np.nan}))
        frames[-1].insert(0, "v", v)
    readings = pd.concat(frames, ignore_index=True)
    readings["is_slip"] = readings["is_slip"].eq(True)
    return World(vans, None, truth, first, readings)


def _days(rng, most):
    """Days of readings, about a month apart, the last on the report date."""
    back = rng.integers(27, 34, most // 30).cumsum()
    return -np.append(back[back < most][::-1], 0)


def _spoiled(rng, day, at):
    """One van's readings: an instrument changed for a used one, a reading in miles, two digits
    swapped; the three stand apart, and away from the ends."""
    quarter = len(day) // 4
    places = rng.permutation(np.arange(1, 4)) * quarter + rng.integers(-1, 2, 3)
    change, unit, swap = places
    new = float(round(rng.uniform(0.15, 0.5) * at[change], -2))
    written = np.where(np.arange(len(day)) > change, at - at[change] + new, at)
    restarts = np.where(np.arange(len(day)) == change, new, np.nan)
    written[unit] = np.round(written[unit] / MILE_KM)
    tens, ones = divmod(int(written[swap]) // 1000, 10)
    written[swap] += 9000 * (ones - tens) if ones != tens else 10_000
    made = {"day": day, "written": written, "restarts_at": restarts}
    return pd.DataFrame(made).assign(is_slip=np.isin(np.arange(len(day)), [unit, swap]))


def _rolled_over(day, at):
    """A dash of five digits: on the day when it went on from 0 its old figure is the full one."""
    over = int(np.argmax(at >= FULL))
    written = np.where(np.arange(len(day)) > over, at - FULL, at)
    restarts = np.where(np.arange(len(day)) == over, 0.0, np.nan)
    return pd.DataFrame({"day": day, "written": written, "restarts_at": restarts})


def readings_frame(world):
    """The first van's readings as written: day, written, restarts_at, is_slip."""
    return world.readings.query("v == 0").drop(columns="v").reset_index(drop=True)


def readings_of(log, _):
    """The same read from a log: those that its rules set aside are the slips."""
    first = log.tables["vehicles"]["vehicle"].iloc[0]
    rows = log.tables["odometer"].assign(is_slip=False)
    aside = log.aside["odometer"].assign(is_slip=True)
    aside["odometer"] = log.set_aside.set_index("line")["value"].astype(float)
    rows = pd.concat([rows, aside]).sort_values("date")
    rows = rows[rows["vehicle"].eq(first)]
    day = (rows["date"] - AS_OF).dt.days.astype(float)
    made = {"day": day, "written": rows["odometer"], "restarts_at": rows["restarts_at"]}
    return pd.DataFrame(made | {"is_slip": rows["is_slip"]}).reset_index(drop=True)


def tables(world, *_):
    """The tables of its logs: vans, and their readings."""
    vans, read = world.vehicles, world.readings
    names = draw.names(len(vans))
    unit = np.where(np.arange(len(vans)) == IN_MILES, "mi", "km")
    made = draw.vehicles_table(vans).assign(distance_unit=unit)
    rows = pd.DataFrame({"vehicle": names[read["v"]]})
    rows["date"] = AS_OF + pd.to_timedelta(read["day"], unit="D")
    rows["odometer"], rows["restarts_at"] = read["written"], read["restarts_at"]
    return {"vehicles": made, "odometer": rows}


def clean(rows):
    """The rows that are no slips."""
    return rows[~rows["is_slip"]]


def steps(rows):
    """(km from each reading to the next, days) through changed instruments."""
    shown, restart = rows["written"].to_numpy(), rows["restarts_at"].to_numpy()
    from_km = np.where(np.isnan(restart), shown, restart)[:-1]
    return shown[1:] - from_km, np.diff(rows["day"])


def driven(rows):
    """The km at each reading since the first."""
    return np.append(0, steps(rows)[0].cumsum())


def told(rows, confidence=CONFIDENCE):
    """The km of the days ahead: an `Estimate`; its range is of that one month, by Student's t."""
    km, days = steps(clean(rows))
    rate = AHEAD_DAYS * km / days
    return _around(rate, rate.std(ddof=1) * (1 + 1 / len(rate)) ** 0.5, confidence)


def _around(rate, error, confidence=CONFIDENCE):
    return by_t(rate.mean(), error, len(rate) - 1, len(rate), "km", confidence)


def count(rows):
    """What the bands count: readings, slips and changed instruments."""
    n = {"readings": len(rows), "slips": rows["is_slip"].sum()}
    return n | {"changes": rows["restarts_at"].notna().sum()}


def _all(rows):
    return driven(clean(rows))[-1]


def _plain(rows):
    """The km from reading to reading, as if no instrument had been changed."""
    return np.diff(clean(rows)["written"])


def _from_zero(rows):
    return _all(rows.assign(restarts_at=0 * rows["restarts_at"]))


def _slips_kept(rows):
    return steps(rows)[0].clip(min=0).sum()


def _on_day(rows):
    rows = clean(rows)
    return np.interp(ON_DAY, rows["day"], driven(rows))


def _beside(rows, side):
    """The km by the reading before that day (-1) or after it (0)."""
    rows = clean(rows)
    return driven(rows)[np.searchsorted(rows["day"], ON_DAY) + side]


def _steady(rows):
    first = rows["day"].iloc[0]
    return _all(rows) * (ON_DAY - first) / -first


def _shown(rows):
    rows = clean(rows)
    at = np.searchsorted(rows["day"], ON_DAY) - 1
    restart, shown = rows[["restarts_at", "written"]].iloc[at]
    return _on_day(rows) - driven(rows)[at] + (shown if np.isnan(restart) else restart)


def _of_mean(rows):
    km, days = steps(clean(rows))
    rate = AHEAD_DAYS * km / days
    return _around(rate, rate.std(ddof=1) / len(rate) ** 0.5).high


DRIVEN = {
    "last-less-first": lambda rows: rows["written"].iloc[-1] - rows["written"].iloc[0],
    "change-lost": lambda rows: _plain(rows).clip(min=0).sum(),
    "every-step": lambda rows: np.abs(_plain(rows)).sum(),
    "from-zero": _from_zero,
    "slips-kept": _slips_kept,
} | in_miles(_all)
OF_DAY = {
    "reading-before": lambda rows: _beside(rows, -1),
    "reading-after": lambda rows: _beside(rows, 0),
    "halfway": lambda rows: (_beside(rows, -1) + _beside(rows, 0)) / 2,
    "steady-line": _steady,
    "dash-for-driven": _shown,
} | in_miles(_on_day)
_high, HIGH = limit(told, "high")
HIGH |= {
    "range-of-mean": _of_mean,
    "per-day": lambda rows: _high(rows) / AHEAD_DAYS,
} | in_miles(_high)
EXERCISES = {
    "driven": Exercise("km", _all, (), DRIVEN, 0.001),
    "on-day": Exercise("km", _on_day, (), OF_DAY, 0.002),
    "next-high": Exercise("km", _high, (), HIGH, 0.005),
}
LESSON = (vans_read, EXERCISES, told, readings_frame, readings_of, count, tables)
