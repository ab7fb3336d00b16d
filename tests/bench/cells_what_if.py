"""Cells of what if: what keeping a vehicle some years more comes to, and how another year ahead differs. See holds.py."""

from functools import cache
from types import SimpleNamespace

import numpy as np
import pandas as pd
from cells_cost import DAY0, FUEL_A_KM, KM_A_YEAR, SERVICES, SIGMA, SPREAD, TYRES
from holds import cells

from wearbar.cost.keep_years import keep_years
from wearbar.log import log_of
from wearbar.log.plan import plan_of
from wearbar.outlook import outlook_of
from wearbar.outlook.what_if import Change, what_if
from wearbar.report.verbs_ahead import past_of

NEW, FALL, OWN_FALL, YEARS_FALL = 20_000.0, 0.15, 0.04, 0.05  # a year, on the log scale; sds
REPAIRS = {  # a year, their mean, their sd on the log scale
    "": (1.5, 300.0, SIGMA[""]),
    "heavy bills": (1.0, 400.0, SIGMA["heavy bills"]),
    "very heavy bills": (0.5, 1600.0, SIGMA["heavy bills"]),
}
RISE = 0.06  # of its repairs and their prices, a year


def money_of(rng, bills, record, years):
    """What one vehicle costs in each quarter of a record and the years after it, and its value at the end of each year."""
    quarters, level = 4 * (record + years), np.exp(SPREAD * rng.standard_normal())
    spent = KM_A_YEAR * FUEL_A_KM / 4 * level * rng.gamma(8, 1 / 8, quarters)
    spent[rng.integers(2) :: 2] += SERVICES / 2
    spent[rng.integers(6) :: 6] += 1.5 * TYRES
    each, mean, sigma = REPAIRS[bills]
    count = rng.poisson(each / 4 * level, quarters)
    size = mean * np.exp(sigma * rng.standard_normal(count.sum()) - sigma**2 / 2)
    np.add.at(spent, np.repeat(np.arange(quarters), count), size)
    spent *= (1 + RISE) ** (np.arange(quarters) / 4)
    fall = FALL + OWN_FALL * rng.standard_normal() + YEARS_FALL * rng.standard_normal(record + years)  # fmt: skip
    return spent, NEW * np.exp(-np.append(0, np.cumsum(fall)))


def book_of(spent, value, record):
    """The account of a vehicle's record, its money in the middle of quarters, and its values, of which the owner wrote down every other."""
    day = DAY0 + pd.to_timedelta(365.25 / 4 * (np.arange(4 * record) + 0.5), unit="D").round("D")
    lines = pd.DataFrame({"vehicle": "A", "date": day, "amount": spent[: 4 * record]})
    lines = lines.assign(category="work", source="work", is_fixed=False)
    at = np.union1d([0, record], np.arange(record % 2, record, 2))
    worth = pd.DataFrame(
        {
            "vehicle": "A",
            "date": DAY0 + pd.to_timedelta(365.25 * at, unit="D").round("D"),
            "value": value[at],
        }
    )
    end = worth["date"].iloc[-1]
    cars = pd.DataFrame({"vehicle": ["A"], "disposal": None, "end": end})
    cars["days"] = (end - DAY0).days + 1
    return SimpleNamespace(lines=lines, vehicles=cars), worth


SPANS = {f"{n} years on record, {k} more": (n, k) for n, k in ((2, 1), (4, 1), (4, 2), (4, 4), (8, 2), (8, 4))}  # fmt: skip


@cells(
    "what a vehicle kept some years more comes to",
    "conservative",
    vehicles=(1,),
    span=tuple(SPANS),
    bills=tuple(REPAIRS),
)
def kept_on(rng, samples, vehicles, span, bills):
    record, years = SPANS[span]
    for _ in range(samples):
        spent, value = money_of(rng, bills, record, years)
        (row,) = keep_years(*book_of(spent, value, record), years, rng=rng).itertuples()
        yield row.low, row.high, (value[record] - value[-1] + spent[4 * record :].sum()) / years


TASKS = {"oil": (5_000.0, 60.0, 40.0), "plugs": (12_000.0, 40.0, 50.0)}  # km, labour, parts
SHORT, LONG, WEEKS = 60, 156, 52  # of a record, and of the year ahead
TYRE_KM, TREAD, LIMIT, TYRE, FITTING = 12_000.0, 8.0, 1.6, 60.0, 15.0  # of a long record alone
PLACES = ("front-left", "front-right", "rear-left", "rear-right")
CHANGES = {
    "30% more distance": Change(use=1.3),
    "half the distance": Change(use=0.5),
    "oil in half its interval": Change(sooner={"oil": {"km": 2_500.0}}),
    "oil by the owner": Change(own_work=("oil",)),
    "tyres of longer life and higher price": Change(parts={"tyre": {"life": 1.4, "price": 75.0}}),
}
FIGURES = {"jobs": "jobs", "planned": "planned work", "wear": "tyre money"}
ASKED = {  # of each change the figures that it moves
    f"{FIGURES[name]} at {what}": (what, name, SHORT)
    for what, change in CHANGES.items()
    for name in ("jobs", "planned")
    if not change.parts and (change.use != 1 or name == "planned" or change.sooner)
} | {
    f"{FIGURES[name]} at {what}, three years on record": (what, name, LONG)
    for what, name in (
        ("30% more distance", "jobs"),
        ("30% more distance", "planned"),
        ("30% more distance", "wear"),
        ("tyres of longer life and higher price", "wear"),
    )
}


def doings(km, late, every, last, since):
    """Odometers at which a task is done up to the end of `km`, and in which week: late[k] of its interval after each due point."""
    done, due, k = [], last + every, 0
    while (at := due + late[k] * every) <= km[-1]:
        week = max(int(np.searchsorted(km, at)), since)
        done.append((week, at))
        due, k = at + every, k + 1
    return done


def renewals(km, lives, record, longer=1.0):
    """Weeks in which the tyres of an axle are renewed, at their limit; those fitted after the record last longer."""
    weeks, end = [], lives[0]
    for life in lives[1:]:
        if end > km[-1]:
            break
        weeks.append(int(np.searchsorted(km, end)))
        end = km[weeks[-1]] + life * (longer if weeks[-1] > record else 1.0)
    return weeks


def world(rng, vehicles, record):
    """Some vehicles' last years, and each one's distance by week to the end of the next, lateness, prices and lives of tyres by axle."""
    cars = []
    for n in range(vehicles):
        pace = 380.0 * np.exp(0.35 * rng.standard_normal()) * np.exp(0.12 * rng.standard_normal(4)).repeat(52)[: record + WEEKS]  # fmt: skip
        km = np.append(0.0, np.cumsum(pace * rng.gamma(3.0, 1 / 3, record + WEEKS)))
        late = {task: np.clip(rng.normal(0.02, 0.05, 400), -0.1, 0.4) for task in TASKS}
        cost = {
            task: np.outer(np.exp(0.1 * rng.standard_normal(400)), of[1:])
            for task, of in TASKS.items()
        }
        own, of_set = 0.2 * rng.standard_normal(), 0.12 * rng.standard_normal((2, 60))
        cars.append((f"V{n}", km, late, cost, TYRE_KM * np.exp(own + of_set)))
    return cars


def tyres_of(name, km, lives, record, rng):
    """What the owner wrote of one vehicle's tyres: rows of `fitted`, and of `measurements`, one in four weeks."""
    day, fitted, looks = lambda week: DAY0 + pd.Timedelta(weeks=week), [], []
    for axle, of_sets in enumerate(lives):
        weeks = [0, *(week for week in renewals(km, of_sets, record) if week <= record)]
        for at, off, life in zip(weeks, [*weeks[1:], None], of_sets, strict=False):
            for position in PLACES[2 * axle : 2 * axle + 2]:
                part = {"vehicle": name, "category": "tyre", "position": position}
                row = {"item": "Dun", "condition": "new", "fitted": day(at), "fitted_odometer": km[at],
                       "price": TYRE, "fitting_cost": FITTING, "new_depth": TREAD, "limit_depth": LIMIT}  # fmt: skip
                if off is not None:
                    row |= {"removed": day(off), "removed_odometer": km[off], "reason": "worn"}
                fitted.append(part | row)
                for week in range(at + 4, record + 1 if off is None else off, 4):
                    left = TREAD - (TREAD - LIMIT) * (km[week] - km[at]) / life
                    left = max(left + 0.1 * rng.standard_normal(), 0.5)
                    looks.append(part | {"date": day(week), "odometer": km[week], "quantity": "depth", "value": left})  # fmt: skip
    return fitted, looks


def log_of_past(cars, record, rng):
    """What the owner wrote: a reading a month, each job with its money; in a long record the tyres too."""
    day, readings, work, fitted, looks, last = DAY0, [], [], [], [], {}
    for name, km, late, cost, lives in cars:
        past = km[: record + 1]
        readings += [
            {"vehicle": name, "date": day + pd.Timedelta(weeks=w), "odometer": past[w]}
            for w in [*range(0, record, 4), record]
        ]
        for task, (every, *_) in TASKS.items():
            told = doings(past, late[task], every, 0.0, 0)
            last[name, task] = (told[-1][1] if told else 0.0, len(told))
            work += [
                {"vehicle": name, "date": day + pd.Timedelta(weeks=w), "odometer": at, "task": task, "why": "planned",
                 "labour_hours": 1.0, "labour_cost": cost[task][k, 0], "parts_cost": cost[task][k, 1], "done_by": "workshop"}
                for k, (w, at) in enumerate(told)
            ]  # fmt: skip
        if record == LONG:
            more = tyres_of(name, km, lives, record, rng)
            fitted, looks = fitted + more[0], looks + more[1]
    known = [
        {"vehicle": c[0], "kind": "van", "in_service": day, "in_service_odometer": 0} for c in cars
    ]
    tables = {"vehicles": known, "odometer": readings, "work": work}
    tables |= {"fitted": fitted, "measurements": looks} if fitted else {}
    plan = [{"code": task, "action": "replace", "every": {"distance": every}, "tolerance": 0.1} for task, (every, *_) in TASKS.items()]  # fmt: skip
    told = {"distance": "km", "depth": "mm", "currency": "GBP", "money": "gross"}
    told |= {
        "first_day": f"{day:%Y-%m-%d}",
        "as_of": f"{day + pd.Timedelta(weeks=record):%Y-%m-%d}",
    }
    tables = {name: pd.DataFrame(rows) for name, rows in tables.items()}
    plan = plan_of({"van": {"applies_to": ["van"], "task": plan}}, "km")
    return log_of(tables, told, plan=plan), last


def year_of(cars, last, change, record):
    """What came of the year: its jobs, money of planned work and of tyres, with the same luck however it is asked."""
    told = dict.fromkeys(FIGURES, 0.0)
    tyre = change.parts.get("tyre", {"life": 1.0, "price": TYRE})
    for name, km, late, cost, lives in cars:
        now = km[record]
        ahead = now + change.use * (km[record:] - now)
        whole = np.append(km[:record], ahead)
        for of_sets in lives if record == LONG else ():
            ends = renewals(whole, of_sets, record, tyre["life"])
            told["wear"] += sum(week > record for week in ends) * 2 * (tyre["price"] + FITTING)
        for task, (every, *_) in TASKS.items():
            asked = change.sooner.get(task, {}).get("km", every)
            begun, k = last[name, task]
            # what the shorter interval makes due at once is done at once
            done = doings(np.maximum(ahead, now), late[task][k:], asked, max(begun, now - asked), 0)
            told["jobs"] += len(done)
            money = cost[task][k : k + len(done)]
            told["planned"] += money[:, 1].sum() + (task not in change.own_work) * money[:, 0].sum()
    return told


@cache
def asked(seed, vehicles, record):
    """A fleet as it will be, its log, and the year ahead as it stands."""
    rng = np.random.default_rng(seed)
    cars = world(rng, vehicles, record)
    log, last = log_of_past(cars, record, rng)
    past = past_of(log, 0.9)
    return cars, last, log, past, outlook_of(log, **past)


@cache
def differs(seed, vehicles, what, record):
    """Of a fleet: the frame that `wb.what_if` shows, and by figure what did differ."""
    cars, last, log, past, now = asked(seed, vehicles, record)
    was, then = (year_of(cars, last, change, record) for change in (Change(), CHANGES[what]))
    found = what_if(log, CHANGES[what], now=now, **past).set_index("figure")
    return found, {name: then[name] - was[name] for name in FIGURES}


@cells("what if, how the year differs", "conservative", vehicles=(1, 3), figure=tuple(ASKED))
def what_if_differs(rng, samples, vehicles, figure):
    what, name, record = ASKED[figure]
    for seed in range(samples):
        found, truth = differs(7000 + seed, vehicles, what, record)
        yield found.loc[name, "low"], found.loc[name, "high"], truth[name]
