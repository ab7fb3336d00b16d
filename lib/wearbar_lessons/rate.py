"""Lesson `rate`: vans with a monthly safety check. What share was on time, of all that fell due?"""

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

import wearbar as wb
from wearbar.stats.estimate import proportion
from wearbar_lessons import draw
from wearbar_lessons.draw import AS_OF, World
from wearbar_lessons.exercises import CONFIDENCE, Exercise, limit

TASK, ALLOWED_DAYS = "safety-check", 5  # as in its plan
MONTH = pd.Period("2026-08")  # of an exercise


def vans_checked(rng):
    """A world of vans: `parts` has a row a check that fell due by the report date, in days from it:
    v, due, done (NaN: not yet, or never). Each van has a chance of its own to be on time."""
    vans, first = draw.vans(rng, int(rng.integers(20, 31)), (120, int(rng.integers(360, 430))))
    share, alike = rng.uniform(0.6, 0.93), rng.uniform(0.08, 0.35)
    chance = rng.beta(*np.array([share, 1 - share]) * (1 / alike - 1), len(vans))
    begun = (AS_OF - pd.to_timedelta(vans["days"], unit="D")).to_numpy().astype("datetime64[D]")
    due = months_on(begun[:, None], np.arange(1, 15)) - np.datetime64(AS_OF, "D")
    due = due.astype(float)
    in_time = rng.random(due.shape) < chance[:, None]
    is_never = rng.random(due.shape) < rng.uniform(0.2, 0.5)
    off = np.where(in_time, rng.integers(-4, 6, due.shape), rng.integers(6, 23, due.shape))
    done = np.where(in_time | ~is_never, due + off, np.nan)
    v, at = np.nonzero(due <= 0)
    jobs = pd.DataFrame({"v": v, "due": due[v, at], "done": done[v, at]})
    jobs["done"] = jobs["done"].where(jobs["done"] <= 0)
    return World(vans, jobs, {"told": float(share), "scale": 0.0}, first)


def months_on(day, months):
    """The day that many calendar months after each `day` (datetime64[D]); the last of a month that
    is too short."""
    month = day.astype("datetime64[M]")
    in_month, month = day - month.astype("datetime64[D]"), month + months
    last = (month + 1).astype("datetime64[D]") - np.timedelta64(1, "D")
    return np.minimum(month.astype("datetime64[D]") + in_month, last)


def checks_frame(world):
    """The checks that fell due by the report date, in days from it: v, due, done, is_open (neither
    done nor overtaken by a later one), is_closed (its last day on time is past), on_time."""
    jobs = world.parts
    last_done = jobs["due"].where(jobs["done"].notna()).groupby(jobs["v"]).transform("max")
    return judged(jobs.assign(is_open=jobs["done"].isna() & ~(jobs["due"] < last_done)))


def checks_of(log, _):
    """The same read from a log, as `wb.due` has it."""
    jobs = wb.due(log).query("due_date <= @AS_OF")
    v = pd.factorize(jobs["vehicle"])[0]
    made = {n: (jobs[f"{n}_date"] - AS_OF).dt.days.astype(float) for n in ("due", "done")}
    is_open = jobs["done_date"].isna() & jobs["state"].ne("missed")
    return judged(pd.DataFrame({"v": v} | made | {"is_open": is_open}).reset_index(drop=True))


def judged(jobs):
    """Each check with is_closed and on_time, by the days that the plan allows."""
    edge = jobs["due"] + ALLOWED_DAYS
    return jobs.assign(is_closed=edge < 0, on_time=jobs["done"] <= edge)


def told(rows, confidence=CONFIDENCE):
    """The share on time, an `Estimate`; vans are what varies."""
    jobs = rows[rows["is_closed"]]
    size, won = np.bincount(jobs["v"]), np.bincount(jobs["v"], jobs["on_time"])
    return proportion(won[size > 0], size[size > 0], np.flatnonzero(size), confidence)


def count(rows):
    """What the bands count: checks, those of the month, vans, those never or not yet done."""
    jobs = rows[rows["is_closed"]]
    made = {"checks": len(jobs), "vans": jobs["v"].nunique(), "month": _in_month(rows).sum()}
    return made | {"not_done": jobs["done"].isna().mean(), "open": jobs["is_open"].sum()}


def tables(world, *_):
    """The tables of its logs: vans, and a row of work a check done."""
    vans, done = world.vehicles, world.parts.dropna(subset="done")
    made = draw.vehicles_table(vans).drop(columns="in_service_odometer").assign(meter="none")
    work = pd.DataFrame({"vehicle": draw.names(len(vans))[done["v"]]})
    work["date"] = AS_OF + pd.to_timedelta(done["done"].to_numpy(), unit="D")
    work = work.assign(task=TASK, why="planned")
    return {"vehicles": made, "work": work.sort_values(["date", "vehicle"], ignore_index=True)}


def _share(rows, which=True):
    """The share on time of the closed ones among `which`; NaN of none."""
    which = rows["is_closed"] & which
    return (rows["on_time"] & which).sum() / which.sum() if which.any() else np.nan


def _in_month(rows, day=None):
    """Which have their last day on time, or that `day`, in the month, and are closed."""
    day = rows["due"] + ALLOWED_DAYS if day is None else day
    first, last = ((end.normalize() - AS_OF).days for end in (MONTH.start_time, MONTH.end_time))
    return rows["is_closed"] & (day >= first) & (day <= last)


def _of_month(rows):
    return _share(rows, _in_month(rows))


def _mean_of_vans(rows):
    jobs = rows[rows["is_closed"]]
    return jobs.groupby("v")["on_time"].mean().mean()


def _by_jobs(rows):
    won = rows["on_time"][rows["is_closed"]]
    return proportion_confint(won.sum(), len(won), 1 - CONFIDENCE, "wilson")[0]


RATE = {
    "done-only": lambda rows: _share(rows, rows["done"].notna()),
    "open-left-out": lambda rows: _share(rows, ~rows["is_open"]),
    # checks done whose last day on time is still to come count as well
    "window-open": lambda rows: _share(rows.assign(is_closed=rows["is_closed"] | rows["on_time"])),
    "no-allowance": lambda rows: _share(rows.assign(on_time=rows["done"] <= rows["due"])),
    "mean-of-vans": _mean_of_vans,
    "late-share": lambda rows: 1 - _share(rows),
    "as-percent": lambda rows: 100 * _share(rows),
}
OF_MONTH = {
    "by-month-done": lambda rows: _share(rows, _in_month(rows, rows["done"])),
    "done-only": lambda rows: _share(rows, _in_month(rows) & rows["done"].notna()),
    "whole-record": _share,
    "late-share": lambda rows: 1 - _of_month(rows),
    "as-percent": lambda rows: 100 * _of_month(rows),
}
_low, LOW = limit(told)
LOW |= {"jobs-as-unit": _by_jobs, "as-percent": lambda rows: 100 * _low(rows)}
EXERCISES = {
    "rate": Exercise("share", _share, (), RATE, 0.0005),
    "month": Exercise("share", _of_month, (), OF_MONTH, 0.0005),
    "rate-low": Exercise("share", _low, (), LOW, 0.002),
}
LESSON = (vans_checked, EXERCISES, told, checks_frame, checks_of, count, tables)
