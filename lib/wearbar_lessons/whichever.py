"""Lesson `whichever`: services by distance or by date, whichever comes first, sooner in hard use.
When is the next one due, and how many services does a fleet need in a year?"""

import numpy as np
import pandas as pd
from scipy import stats

from wearbar_lessons import draw
from wearbar_lessons.draw import AS_OF, World
from wearbar_lessons.exercises import CONFIDENCE, Exercise, by_t, in_miles

TASK = "oil-service"
NORMAL_KM, SEVERE_KM, YEAR, ALLOWED = 12_000, 7_000, 365, 0.1  # as in its plan
FIRST_KM, FIRST_DAYS = 1_500, 60  # a little under the plan's two months
LOOSE = 0.25  # of the year's distance, from which use counts as hard


def vans_serviced(rng):
    """A world of vans, `parts` a row a service: v, day (from the report date), km. The first van
    is one of hard use whose distance comes first, the second one whose date does."""
    vans, first = draw.vans(rng, int(rng.integers(24, 35)), (800, int(rng.integers(1200, 1500))))
    n, middle, spread = len(vans), rng.uniform(10_000, 16_000), rng.uniform(0.45, 0.7)
    hard = rng.uniform(0.25, 0.5)
    vans["year_km"] = np.round(middle * rng.lognormal(0, spread, n))
    vans["before_km"] = vans["year_km"] * rng.uniform(0.6, 1.5, n)  # a year, in the years before
    vans["is_severe"] = rng.random(n) < hard
    vans["km"] = np.round(vans["before_km"] * (vans["days"] / YEAR - 1)) + vans["year_km"]
    share = vans["year_km"] / _limit(vans)
    likely = vans["is_severe"] & share.between(1.4, 4), ~vans["is_severe"] & (share < 0.8)
    if not (likely[0].any() and likely[1].any()):
        return None
    shown = [which.idxmax() for which in likely]
    vans = vans.loc[[*shown, *vans.index.drop(shown)]].reset_index(drop=True)
    services = [_services(rng, v, van) for v, van in enumerate(vans.itertuples())]
    truth = {"told": _mean_services(middle, spread, hard), "scale": 0.0}
    return World(vans, pd.concat(services, ignore_index=True), truth, first)


def _limit(vans):
    return np.where(vans["is_severe"], SEVERE_KM, NORMAL_KM)


def _mean_services(middle, spread, hard):
    """What such a van needs in a year on average: of a log-normal Y, the mean of max(1, Y)."""
    mu = np.log(middle / np.array([SEVERE_KM, NORMAL_KM]))
    above = np.exp(mu + spread**2 / 2) * stats.norm.cdf(mu / spread + spread)
    return float(np.array([hard, 1 - hard]) @ (stats.norm.cdf(-mu / spread) + above))


def km_on(van, day):
    """What a van's odometer showed that many days from the report date."""
    late = van.km + van.year_km * day / YEAR
    early = van.km - van.year_km + van.before_km * (day + YEAR) / YEAR
    return np.round(np.where(day > -YEAR, late, early))


def _services(rng, v, van):
    """A van's services since new, each about when it fell due."""
    days = np.arange(-int(van.days), 1)
    km, rows, begun = km_on(van, days), [], 0
    limits = FIRST_KM, FIRST_DAYS
    while True:
        reached = (km >= km[begun] + limits[0]) | (days >= days[begun] + limits[1])
        due = int(reached.argmax()) if reached.any() else len(days)
        done = due + round((due - begun) * rng.uniform(-0.08, 0.09))
        if done >= len(days) - 5:
            return pd.DataFrame(rows, columns=["v", "day", "km"])
        rows.append((v, float(days[done]), km[done]))
        begun, limits = done, (SEVERE_KM if van.is_severe else NORMAL_KM, YEAR)


def vans_frame(world):
    """A row a van: v, last_day and last_km of its last service, former_km of the one before,
    now_km, year_km (in the year to the report date), in_days (since new), is_severe."""
    vans, done = world.vehicles, world.parts.groupby("v")
    made = {"v": vans.index, "last_day": done["day"].last(), "last_km": done["km"].last()}
    made |= {"former_km": done["km"].nth(-2).to_numpy(), "now_km": vans["km"]}
    made |= {"year_km": vans["year_km"], "in_days": vans["days"], "is_severe": vans["is_severe"]}
    return pd.DataFrame(made).reset_index(drop=True)


def vans_of(log, _):
    """The same read from a log."""
    vans, read = log.tables["vehicles"], log.tables["odometer"]
    work = log.tables["work"].sort_values(["vehicle", "date"]).groupby("vehicle")
    read, last = read.sort_values("date").groupby("vehicle")["odometer"], work.last()
    loose = log.tables["use"].groupby("vehicle")["loose"].mean()
    made = {"last_day": (last["date"] - AS_OF).dt.days.astype(float), "last_km": last["odometer"]}
    former = work.nth(-2).set_index("vehicle")["odometer"]
    made |= {"former_km": former, "now_km": read.last(), "year_km": read.last() - read.first()}
    days = (AS_OF - vans.set_index("vehicle")["in_service"]).dt.days
    made |= {"in_days": days, "is_severe": loose >= LOOSE}
    rows = pd.DataFrame(made).loc[vans["vehicle"]].reset_index(drop=True)
    return rows.assign(v=np.arange(len(rows)))[["v", *made]]


def tables(world, *_):
    """The tables of its logs: vans, services, a reading a year ago and now, and how it was used."""
    vans, done = world.vehicles, world.parts
    names = draw.names(len(vans))
    day = AS_OF + pd.to_timedelta(done["day"], unit="D")
    work = pd.DataFrame({"vehicle": names[done["v"]], "date": day, "odometer": done["km"]})
    work = work.assign(task=TASK, why="planned")
    read = [
        pd.DataFrame({"vehicle": names, "date": AS_OF - pd.Timedelta(days=back), "odometer": km})
        for back, km in ((YEAR, vans["km"] - vans["year_km"]), (0, vans["km"]))
    ]
    ends = pd.date_range(world.first_day, AS_OF, freq="QE")
    v, at = (x.ravel() for x in np.indices((len(vans), len(ends))))
    use = pd.DataFrame({"vehicle": names[v], "from": ends[at] - pd.offsets.QuarterBegin(1)})
    use["from"], use["to"] = ends.to_period("Q").start_time[at], ends[at]
    use["loose"] = np.where(vans["is_severe"], 0.4, 0.05)[v] + 0.01 * ((v + at) % 7)
    begun = (AS_OF - pd.to_timedelta(vans["days"], unit="D")).to_numpy()[v]
    use = use[use["from"] >= begun].reset_index(drop=True)
    made = draw.vehicles_table(vans)
    return {"vehicles": made, "odometer": pd.concat(read), "work": work, "use": use}


def told(rows, confidence=CONFIDENCE):
    """The services that such a van needs in a year, an `Estimate`: Student's t over vans."""
    need, n = needed(rows), len(rows)
    error = need.std(ddof=1) / n**0.5
    return by_t(need.mean(), error, n - 1, n, "services a year", confidence)


def needed(rows, choose=np.maximum, limit=None):
    """The services a year of each van by distance and by date, chosen between: an array."""
    by_km = rows["year_km"].to_numpy() / (_limit(rows) if limit is None else limit)
    return choose(by_km, 1.0)


def days_left(rows, limit=SEVERE_KM, allowed=0.0, pace=None):
    """(days until the first van's distance is reached at its pace, days until its date)."""
    van = rows.iloc[0]
    due = AS_OF + pd.Timedelta(days=van["last_day"]) + pd.DateOffset(months=12)
    pace = van["year_km"] / YEAR if pace is None else pace
    by_km = (van["last_km"] + limit * (1 + allowed) - van["now_km"]) / pace
    return by_km, (due - AS_OF).days + YEAR * allowed


def count(rows):
    """What the bands count: vans, shares of hard use and of those whose date comes first, and the
    days left of the first van."""
    first = rows["year_km"] < _limit(rows)
    made = {"vans": len(rows), "severe": rows["is_severe"].mean(), "date_first": first.mean()}
    by_km, by_date = days_left(rows)
    return made | {"days_left": by_km, "sooner": by_km / by_date}


def _due_km(rows, limit=SEVERE_KM):
    return rows["last_km"].iloc[0] + limit


def _of_first(name, add):
    return lambda rows: rows[name].iloc[0] + add


def _when(rows, **given):
    return min(days_left(rows, **given))


def _life_pace(rows):
    return rows["now_km"].iloc[0] / rows["in_days"].iloc[0]


def _services_a_year(rows):
    return needed(rows).sum()


DUE_KM = {
    "normal-for-severe": _of_first("last_km", NORMAL_KM),
    "from-schedule": _of_first("former_km", 2 * SEVERE_KM),
    "late-edge": _of_first("last_km", (1 + ALLOWED) * SEVERE_KM),
    "from-now": _of_first("now_km", SEVERE_KM),
    "round-on-dash": lambda rows: np.ceil(rows["now_km"].iloc[0] / SEVERE_KM) * SEVERE_KM,
} | in_miles(_due_km)
WHEN = {
    "other-limit": lambda rows: max(days_left(rows)),
    "half-of-both": lambda rows: sum(days_left(rows)) / 2,
    "normal-for-severe": lambda rows: _when(rows, limit=NORMAL_KM),
    "late-edge": lambda rows: _when(rows, allowed=ALLOWED),
    "life-pace": lambda rows: _when(rows, pace=_life_pace(rows)),
    "from-last-work": lambda rows: _when(rows) - rows["last_day"].iloc[0],
}
SERVICES = {
    "distance-alone": lambda rows: needed(rows, lambda by_km, by_date: by_km).sum(),
    "date-alone": len,
    "both-counted": lambda rows: needed(rows, np.add).sum(),
    "later-of-both": lambda rows: needed(rows, np.minimum).sum(),
    "normal-for-severe": lambda rows: needed(rows, limit=NORMAL_KM).sum(),
}
EXERCISES = {
    "due-km": Exercise("km", _due_km, (), DUE_KM, 0.0005),
    "when": Exercise("days", _when, (), WHEN, 0.01),
    "services": Exercise("services", _services_a_year, (), SERVICES, 0.005),
}
LESSON = (vans_serviced, EXERCISES, told, vans_frame, vans_of, count, tables)
