"""Cells of the intervals that the evidence supports: their limits, and what is brought forward when nothing is shorter. See holds.py."""

import gc
from functools import cache

import numpy as np
import pandas as pd
from cells_severity import fleet
from holds import cells
from scipy import optimize, special, stats

from wearbar import log, severity
from wearbar.cost.account import account
from wearbar.log.plan import plan_of
from wearbar.parts.items import MIN_ENDS, life_by_vehicle
from wearbar.severity import lives as duty
from wearbar.severity.advice import advice

DAY0, YEARS, KM = pd.Timestamp("2021-01-01"), 5, 20_000.0  # km: of a mean year
SLOPE = {"": 0.0, "hard use asks for more": 0.9}  # of the log of each need on the share of hard use
OWN, SHAPE, EARLY, ALIKE = (
    0.15,
    3.0,
    18_000,
    9_000,
)  # of lives: sd of vehicles, Weibull shape; planned intervals, km
OIL_ML, FAULTS = 90.0, 0.12  # a 1,000 km
PLAN = plan_of({"van": {
    "applies_to": ["van"], "severe_when": {"loose": 0.35}, "unknown_history": "from-first-reading",
    "task": [
        {"code": "air-filter-replace", "action": "replace", "part": "air-filter", "every": {"distance": EARLY}, "severe": {"distance": ALIKE}},
        {"code": "engine-oil-level", "action": "inspect", "every": {"distance": 4000}},
        {"code": "lights-inspect", "action": "inspect", "every": {"distance": 4000}},
        {"code": "tyres-inspect", "action": "inspect", "every": {"distance": 4000}},
        {"code": "wheel-bearing-inspect", "action": "inspect", "every": {"distance": 20_000}},
    ],
}}, "km")  # fmt: skip


def lasting(km):
    """The Weibull scale of which 90% of parts reach so many km, vehicles differing by OWN."""
    z, w = special.roots_hermitenorm(31)

    def ended(log_scale):
        return w @ stats.weibull_min.cdf(km, SHAPE, scale=np.exp(log_scale + OWN * z)) / w.sum()

    return np.exp(optimize.brentq(lambda x: ended(x) - 0.1, 8, 14))


SCALE = lasting(EARLY)


def written(rng, vehicles, slope):
    """A log of a fleet whose vehicles keep to their use: filters replaced when planned (half called worn, being due) or worn out before,
    wheel bearings that fail, oil topped up at checks, faults found at inspections; the share of each vehicle."""
    day = lambda km: DAY0 + pd.to_timedelta(np.floor(km / KM * 365.25), unit="D")  # noqa: E731
    share, own = rng.uniform(0.05, 0.65, vehicles), OWN * rng.standard_normal(vehicles)
    name, end = [f"v{v:02}" for v in range(vehicles)], rng.uniform(0.6, 1.0, vehicles) * YEARS * KM
    about, use, fitted, work, top = [], [], [], [], []
    for v, vehicle in enumerate(name):
        needs = np.exp(slope * share[v] + own[v])
        about.append((vehicle, "van", f"s{v % 3}", DAY0, 0, day(end[v]), end[v]))
        for begin in pd.date_range(DAY0, day(end[v]), freq="QS"):
            said = np.clip(share[v] + 0.06 * rng.standard_normal(), 0, 1)
            use.append((vehicle, begin, begin + pd.DateOffset(months=3, days=-1), said))
        lives = {
            "air-filter": (SCALE, EARLY if share[v] < 0.35 else ALIKE),
            "wheel-bearing": (30_000, np.inf),
        }
        for part, (scale, planned) in lives.items():
            at = 0.0
            while at < end[v]:
                life, due = scale / needs * rng.weibull(SHAPE), planned * rng.uniform(0.93, 1.07)
                why = "worn" if life < due or rng.uniform() < 0.5 else "age"
                off = at + min(life, due)
                done = (day(off), off, why) if off < end[v] else (pd.NaT, np.nan, "")
                fitted.append((vehicle, part, "engine", "x", day(at), at, *done))
                at = off
        for at in np.arange(4000, end[v], 4000.0):
            used = OIL_ML * np.exp(slope * share[v] + 2 * own[v]) * 4 * rng.gamma(4, 1 / 4)
            top.append(
                (vehicle, day(at), at, "engine-oil", "engine", "top-up", round(used), "cold")
            )
            found = "fail" if rng.uniform() < FAULTS * needs else "pass"
            work += [
                (vehicle, day(at), at, "engine-oil-level", "planned", ""),
                (vehicle, day(at), at, "lights-inspect", "planned", found),
            ]
    columns = {
        "vehicles": (about, "vehicle kind site in_service in_service_odometer disposed disposed_odometer"),
        "use": (use, "vehicle from to loose"),
        "fitted": (fitted, "vehicle category position item fitted fitted_odometer removed removed_odometer reason"),
        "work": (work, "vehicle date odometer task why result"),
        "measurements": (top, "vehicle date odometer category position quantity value state"),
    }  # fmt: skip
    frames = {
        table: pd.DataFrame(rows, columns=names.split()) for table, (rows, names) in columns.items()
    }
    head = {"distance": "km", "as_of": str(day(YEARS * KM).date()), "first_day": str(DAY0.date())}
    return log.log_of(frames, head, plan=PLAN)


@cache
def told(samples, vehicles, need):
    """The table of advice of so many logs, which several cells judge; wear is of another fleet of as many vehicles."""
    rng, found, how = np.random.default_rng([vehicles, len(need)]), [], "use varies in each vehicle"
    gc.freeze()
    for _ in range(samples):
        made = written(rng, vehicles, SLOPE[need])
        wear = severity.effect(fleet(rng, vehicles, 3.0 if need else 1.0, how), "loose", rng=rng)
        _, driven = duty.visits_by_vehicle(made, account(made))
        beyond = duty.lives_and_visits(made, driven, ["loose"])
        found.append(advice(made, [wear], beyond).set_index("code"))
    return found


OF = {"oil": "engine-oil-level", "faults": "lights-inspect", "life": "wheel-bearing-inspect"}


def limits_of(samples, vehicles, need, basis):
    """(limit, infinite, truth) of how much more hard use asks for."""
    for table in told(samples, vehicles, need):
        row = table.loc[OF[basis]] if OF[basis] in table.index else None
        slope = SLOPE[need]
        if row is None:
            yield np.nan, np.nan, 1.0
        else:
            truth = np.exp(slope * (row["share_hard"] - row["share_easy"]))
            yield row["lower_ratio"], np.inf, truth


NEEDS = tuple(SLOPE)
LIMIT = "more need in hard use, its lower limit"


@cells(LIMIT, "conservative", vehicles=(3,), need=NEEDS[:1], basis=tuple(OF))
@cells(LIMIT, "conservative", vehicles=(10, 34), need=NEEDS, basis=tuple(OF))
def compared(_rng, samples, vehicles, need, basis):
    return limits_of(samples, vehicles, need, basis)


PLANNED = {"replaced when planned": EARLY, "replaced only when worn": np.inf}


@cells(
    "the distance that 90% reach, its high limit",
    "conservative",
    vehicles=(3, 10, 34),
    log=tuple(PLANNED),
)
def reached(rng, samples, vehicles, log):
    """As severity.advice judges one duty of a task: filters one after another, ends near the planned interval not counted."""
    for _ in range(samples):
        rows = []
        for v in range(vehicles):
            own, end, at = (
                np.exp(OWN * rng.standard_normal()),
                rng.uniform(0.6, 1) * YEARS * KM,
                0.0,
            )
            while at < end:
                life, due = SCALE / own * rng.weibull(SHAPE), PLANNED[log] * rng.uniform(0.93, 1.07)
                km = min(life, due, end - at)
                rows.append((v, km, km == life and km < (1 - duty.DUE) * PLANNED[log], 0.0))
                at += min(life, due)
        lives = pd.DataFrame(rows, columns=["vehicle", "duration_km", "observed", "entry_km"])
        if lives["observed"].sum() < MIN_ENDS:
            yield np.nan, np.nan, 1.0
        else:
            high = life_by_vehicle("early", 0.9, lives)[0].high
            yield (-np.inf if np.isfinite(high) else np.nan), high, EARLY


@cells("work is brought forward, when nothing is shorter", "claim", vehicles=(10, 34))
def none(_rng, samples, vehicles):
    return (bool(t["is_sooner"].any()) if len(t) else None for t in told(samples, vehicles, ""))


@cells("work is brought forward, when hard use asks for more", "found", vehicles=(10, 34))
def some(_rng, samples, vehicles):
    tables = told(samples, vehicles, NEEDS[1])
    return (bool(table["is_sooner"].any()) if len(table) else None for table in tables)
