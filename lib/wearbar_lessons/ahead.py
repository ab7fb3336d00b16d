"""The lesson on the year ahead: jobs that fall due by distance, bundled into visits, a forecast
scored against what came, and what would be otherwise."""

import numpy as np
import pandas as pd

from wearbar_lessons import draw
from wearbar_lessons.draw import AS_OF, World
from wearbar_lessons.exercises import Exercise, by_t

TASKS = {"engine-oil": 15_000, "filters": 25_000, "gearbox-oil": 40_000}  # km; invented
HOURS, PARTS = (0.8, 0.5, 1.2), (48.0, 65.0, 70.0)  # of each; GBP
AN_HOUR = 60.0  # GBP
CHANGES = {"use": {"use": 1.2}, "sooner": {"sooner": {"engine-oil": {"distance": 10_000}}}}
YEAR, WINDOW = 365, 60  # days; the second of a visit, from its first job
OF = ("jobs", "planned")  # the figures that a change is asked for
MONTHS, MONTHS_SD = 12, 0.25  # of each year; how a van's months differ, on the log scale
SLIP_KM = 2000  # by which a job is done early or late
READ = ("km_0", "km_1", "km_2")  # the odometer when the first of two years began, and at their ends
_KM = np.array([*TASKS.values()])


def drawn(rng):
    """Vans that drive more in one year, and in one month, than in another; three jobs come again by
    distance. Of the year ahead, which no log holds, `told` is the number of jobs that will be done,
    and the others what each of `CHANGES` would bring."""
    n, spread = int(rng.integers(24, 41)), rng.uniform(0.1, 0.3)
    before = rng.integers(50, 700, n)  # days on the road before the first of two years
    base = rng.lognormal(np.log(rng.uniform(55, 80)), 0.25, n)[:, None]
    rate = base * rng.lognormal(0, spread, (n, 4))  # km a day: before, two years, the year ahead
    months = rng.lognormal(-(MONTHS_SD**2) / 2, MONTHS_SD, (n, 4 * MONTHS))
    days = np.column_stack([before, np.full((n, 3), YEAR)]).repeat(MONTHS, axis=1) / MONTHS
    km = (rate.repeat(MONTHS, axis=1) * months * days).cumsum(axis=1)
    read = np.floor(km[:, MONTHS - 1 :: MONTHS])
    done = (_KM[:, None] + rng.uniform(-SLIP_KM, SLIP_KM, (n, len(_KM), 30)).round()).cumsum(axis=2)
    now, then = (read[:, year, None, None] for year in (2, 3))
    truth = {"told": lived(done, now, then)[0], "scale": float(read[:, 2].sum())}
    truth |= _otherwise(done, now, then)
    first = AS_OF - pd.Timedelta(days=int(before.max()) + 2 * YEAR)
    vehicles = pd.DataFrame(read[:, :3], columns=[*READ]).assign(days=before + 2 * YEAR)
    events = _dated(days, km, read[:, 2], done)
    return World(vehicles, None, truth, first, events=events)


def lived(done, now, then, oil_km=TASKS["engine-oil"]):
    """(jobs, money) of a year, by the km at which each job is done, (vans, tasks, times), and each
    van's at both ends of the year. oil_km: a shorter interval of engine oil: each comes so much
    sooner, from the last one done; what is overdue by it is done at once."""
    sooner = np.array([TASKS["engine-oil"] - oil_km, 0, 0])[:, None]
    ahead = np.where(done > now, done - (done > now).cumsum(axis=2) * sooner, np.inf)
    late = (now - ahead.min(axis=2, keepdims=True)).clip(min=0)
    jobs = (ahead + late <= then).sum(axis=(0, 2))
    return float(jobs.sum()), float(jobs @ (AN_HOUR * np.array(HOURS) + PARTS))


def _otherwise(done, now, then):
    """How many more jobs, and how much more money, each of `CHANGES` would bring in that year."""
    was, (use, oil) = np.array(lived(done, now, then)), CHANGES.values()
    oil_km = oil["sooner"]["engine-oil"]["distance"]
    more = lived(done, now, now + use["use"] * (then - now)), lived(done, now, then, oil_km)
    more = dict(zip(CHANGES, np.array(more) - was, strict=True))
    return {f"{name}_{of}": float(x[at]) for name, x in more.items() for at, of in enumerate(OF)}


def _dated(days, km, now, done):
    """The jobs done so far, with how many days ago, by a van's even distance in each stretch of
    `days`, at whose end it had gone `km`."""
    v, task, _ = at = np.nonzero(done <= now[:, None, None])
    edges = np.column_stack([np.zeros(len(km)), km])[v]
    driven = ((done[at][:, None] - edges[:, :-1]) / np.diff(edges)).clip(0, 1)
    on = np.ceil((driven * days[v]).sum(axis=1) - 1e-6)  # days on the road
    ago = days[v, : 3 * MONTHS].sum(axis=1).round() - on
    return pd.DataFrame({"v": v, "task": task, "km": done[at], "ago": ago.astype(int)})


def tables(world, category, item):
    """The tables of its log."""
    own, jobs = world.vehicles, world.events
    vans, n = draw.names(len(own)), len(own)
    ago = np.tile([2 * YEAR, YEAR, 0], n)
    odometer = pd.DataFrame({"vehicle": np.repeat(vans, 3), "date": _day(ago)})
    odometer["odometer"] = own[[*READ]].to_numpy().ravel()
    work = pd.DataFrame({"vehicle": vans[jobs["v"]], "date": _day(jobs["ago"])})
    work = work.assign(odometer=jobs["km"], task=np.array([*TASKS])[jobs["task"]], why="planned")
    work["labour_hours"], work["parts_cost"] = (np.array(x)[jobs["task"]] for x in (HOURS, PARTS))
    work = work.assign(labour_cost=AN_HOUR * work["labour_hours"], done_by="workshop")
    work = work.sort_values(["date", "vehicle"], ignore_index=True)
    vehicles = draw.vehicles_table(world.vehicles)
    return {"vehicles": vehicles, "odometer": odometer, "work": work}


def _day(ago):
    return AS_OF - pd.to_timedelta(np.asarray(ago), unit="D")


def of_world(world):
    """A row a van and task: v, task (its number); km when the first of two years began, a year ago
    and now (km_0, km_1, km_2); at which it was last done by then (last_1, last_2; nil when new);
    jobs done in the first of the two years and in the last (came_1, came_2)."""
    read = world.vehicles[[*READ]].to_numpy(float)
    return _rows(read, *(world.events[name].to_numpy() for name in world.events))


def of_log(log, _):
    """The same, read from a log."""
    work, read = log.si("work"), log.si("odometer").sort_values(["vehicle", "date"])
    vans = {name: at for at, name in enumerate(log.tables["vehicles"]["vehicle"])}
    km = read["odometer_km"].to_numpy(float).reshape(-1, 3)
    km = km[np.argsort(read["vehicle"].map(vans).to_numpy(int)[::3])]
    v = work["vehicle"].map(vans).to_numpy(int)
    task = work["task"].map({name: at for at, name in enumerate(TASKS)}).to_numpy(int)
    ago = (AS_OF - work["date"]).dt.days.to_numpy()
    return _rows(km, v, task, work["odometer_km"].to_numpy(float), ago)


def _rows(read, v, task, done, ago):
    size, at = len(read) * len(TASKS), v * len(TASKS) + task
    made = {"v": np.arange(size) // len(TASKS), "task": np.arange(size) % len(TASKS)}
    made |= {name: np.repeat(read[:, year], len(TASKS)) for year, name in enumerate(READ)}
    for year, by in ((1, YEAR), (2, 0)):
        last = np.zeros(size)
        np.maximum.at(last, at[ago >= by], done[ago >= by])
        is_own = (ago >= by) & (ago < by + YEAR)
        made |= {f"last_{year}": last, f"came_{year}": np.bincount(at[is_own], minlength=size)}
    return pd.DataFrame(made)


def count(rows):
    """What the bands count."""
    km = rows["km_2"] - rows["last_2"]
    overdue = (km >= _KM[rows["task"]]).sum()
    return {"vans": rows["v"].nunique(), "jobs": jobs(rows), "overdue": overdue}


def _each(rows, year=2, driven=None):
    """The jobs that fall due in the year after `year`, by row, if each van drives as in the year
    that ends then (or `driven` km)."""
    now = rows[f"km_{year}"]
    driven = now - rows[f"km_{year - 1}"] if driven is None else driven
    return ((now + driven - rows[f"last_{year}"]) // _KM[rows["task"]]).to_numpy(int)


def jobs(rows):
    """The jobs that fall due in the year ahead, those overdue already among them."""
    return float(_each(rows).sum())


def errors(rows, forecast=None):
    """By van: the jobs of the last year less those forecast when it began."""
    forecast = _each(rows, 1) if forecast is None else forecast
    return np.bincount(rows["v"], rows["came_2"] - forecast)


def told(rows):
    """The jobs of the year ahead: an `Estimate`, its range as wide as last year's errors say."""
    off = errors(rows)
    return by_t(jobs(rows), np.sqrt((off**2).sum()), len(off), len(off), "jobs")


def due_days(rows):
    """A pair of arrays, rising by van and day: the van, and the day from now, of each job in the
    year ahead; what is overdue is due at once."""
    n, each = _each(rows), _KM[rows["task"]]
    at = np.repeat(np.arange(len(rows)), n)
    nth = np.arange(len(at)) - np.repeat(np.cumsum(n) - n, n) + 1
    left = rows["last_2"].to_numpy()[at] + nth * each[at] - rows["km_2"].to_numpy()[at]
    a_day = (rows["km_2"] - rows["km_1"]).to_numpy()[at] / YEAR
    van, day = rows["v"].to_numpy()[at], np.maximum(left / a_day, 0.0)
    order = np.lexsort([day, van])
    return van[order], day[order]


def visits(rows, window=WINDOW, chained=False):
    """The visits, where one takes in each job of its van due within `window` days of its first;
    chained: of the job before."""
    n, own, since = 0, -1, 0.0
    for van, day in zip(*due_days(rows), strict=True):
        is_new = van != own or day - since > window
        n, own = n + is_new, van
        since = day if is_new or chained else since
    return float(n)


def _in_blocks(rows):
    van, day = due_days(rows)
    return float(len(np.unique(1000 * van + day // WINDOW)))


def score(rows, forecast=None):
    """The mean absolute error of a van's forecast of a year ago."""
    return float(np.abs(errors(rows, forecast)).mean())


def _mean_van(rows):
    return _each(rows, driven=(rows["km_2"] - rows["km_1"]).mean()).sum()


def _by_odometer(rows):
    each, now = _KM[rows["task"]], rows["km_2"]
    return ((2 * now - rows["km_1"]) // each - now // each).sum()


def _overdue(rows):
    return ((rows["km_2"] - rows["last_2"]) // _KM[rows["task"]]).sum()


_JOBS = {
    "once-each": lambda rows: _each(rows).clip(max=1).sum(),
    "from-report-date": lambda rows: _each(rows.assign(last_2=rows["km_2"])).sum(),
    "by-odometer": _by_odometer,
    "mean-van": _mean_van,
    "both-years": lambda rows: _each(rows, driven=(rows["km_2"] - rows["km_0"]) / 2).sum(),
    "overdue-left-out": lambda rows: jobs(rows) - _overdue(rows),
}
_VISITS = {
    "jobs-for-visits": jobs,
    "chained": lambda rows: visits(rows, chained=True),
    "half-window": lambda rows: visits(rows, WINDOW / 2),
    "in-blocks": _in_blocks,
    "vans-for-visits": lambda rows: len(np.unique(due_days(rows)[0])),
}
_SCORE = {
    "signed": lambda rows: -errors(rows).mean(),
    "root-mean-square": lambda rows: np.sqrt((errors(rows) ** 2).mean()),
    "of-the-total": lambda rows: abs(errors(rows).sum()),
    "as-the-year-before": lambda rows: score(rows, rows["came_1"]),
    "hindsight": lambda rows: score(rows, _each(rows, 1, rows["km_2"] - rows["km_1"])),
    "by-task": lambda rows: np.abs(rows["came_2"] - _each(rows, 1)).mean(),
}
EXERCISES = {
    "jobs": Exercise("jobs", jobs, (), _JOBS, 0.003),
    "visits": Exercise("visits", visits, (), _VISITS, 0.003),
    "score": Exercise("jobs a van", score, (), _SCORE, 0.003),
}
LESSON = (drawn, EXERCISES, told, of_world, of_log, count, tables)
