"""What keeping a vehicle to an age costs a year, and the age at which that is least.

Kept from new to an age, a vehicle costs a year [its fall in value + the mean cost of its work until
then] / age, without interest unless a rate is given. Fuel and fixed costs are taken not to hang on
age. It is money alone: no vehicle is safer, or fitter for its use, for being cheaper."""

from collections import namedtuple
from dataclasses import dataclass, field
from math import nan

import numpy as np
import pandas as pd

from wearbar.cost.ageing import YEAR_DAYS
from wearbar.log.keys import look_up
from wearbar.stats.estimate import Estimate, percentiles, refused, vehicle_draws

AGE_CATEGORIES = ("servicing", "repairs", "tyres", "parts")  # accidents, recalls don't come of age
STEP_YEARS = 0.25
MIN_KEPT = 3  # vehicles, at every age told of and with a later value
MIN_YEARS = 2.0
NEAR = 1.05  # times the least: ages as cheap as that are near ties
EARLY = "in its first years, which warranty and the parts that it came with carry"


# what a kind's vehicles cost by age, a row a vehicle, a column a step of age: cars (their names);
# age at a step's end; years on record and cost of work; decline and square: of a vehicle's values,
# sums of years x log fall and of years squared; price as new; usable: steps with MIN_KEPT or more
Record = namedtuple("Record", "cars age years cost decline square price usable")


# the age at which a year costs least, what it does; curve: frame `year, cost_per_year`; runner_up:
# the next cheapest age a year or more away, and the gap as a share; near: all ages within 5%
EconomicLife = namedtuple("EconomicLife", "year cost curve runner_up gap near")


def annual_cost(price, value, work, age=None, rate=0.0):
    """Equivalent annual cost of keeping a vehicle to each age: shape (..., ages).

    price: as new, shape (...). value, work: its worth, and the work paid since the one before, at
    each age. age: in years; None is 1, 2, 3 ... rate: of interest a year. Source: as `keep_now`'s.
    """
    value, work = np.asarray(value, float), np.asarray(work, float)
    age = np.arange(1.0, value.shape[-1] + 1) if age is None else np.asarray(age, float)
    discount = (1 + rate) ** -age
    spent = np.asarray(price, float)[..., None] - value * discount
    spent = spent + np.cumsum(work * discount, axis=-1)
    return spent / ((1 - discount) / rate if rate else age)


def economic_life(price, value, work, age=None, rate=0.0):
    """The `EconomicLife` of one vehicle: arguments as in `annual_cost`.

    >>> economic_life(9000, [6000, 4500, 3500], [800, 1000, 2500]).year
    2.0
    """
    cost = annual_cost(price, value, work, age, rate)
    age = np.arange(1.0, len(cost) + 1) if age is None else np.asarray(age, float)
    least, at = cost.min(), age[cost.argmin()]
    far = np.where(np.abs(age - at) >= 1, cost, np.inf)
    second = age[far.argmin()] if np.isfinite(far).any() else nan
    gap = far.min() / least - 1 if second > 0 else nan
    curve = pd.DataFrame({"year": age, "cost_per_year": cost})
    near = tuple(age[cost <= NEAR * least].tolist())
    return EconomicLife(float(at), float(least), curve, float(second), float(gap), near)


def parts_of(record, weights):
    """(price as new, value at each usable age, work of each step, yearly log fall) of each row of
    weights: how often each vehicle counts."""
    new, usable = np.isfinite(record.price), record.usable
    with np.errstate(invalid="ignore", divide="ignore"):
        fall = (weights @ record.decline) / (weights @ record.square)
        price = (weights[:, new] @ record.price[new]) / weights[:, new].sum(axis=1)
        rate = (weights @ record.cost) / (weights @ record.years)
    value = price[:, None] * np.exp(-fall[:, None] * record.age[:usable])
    return price, value, STEP_YEARS * rate[:, :usable], fall


@dataclass(frozen=True, eq=False)
class Keeping:
    """What keeping one kind of vehicle to each age costs a year."""

    kind: str
    # the cheapest age in years, without limits (in simulation 90% ones hold 67 to 90 times in 100);
    # NaN where refused, or where the least is within a year of the curve's end
    best: Estimate
    # age_years, cost_per_year, at_risk, to the first age with fewer than MIN_KEPT vehicles
    curve: pd.DataFrame = field(repr=False)
    near: tuple = (np.nan, np.nan)  # first and last age within 5% of the least
    fall: float = np.nan  # share of its value that a vehicle loses a year
    price: float = np.nan  # as new
    # what one change of vehicle must cost for the curve's last age to be as cheap as the best
    change: float = np.nan
    oldest: float = np.nan  # age on record
    is_clear: bool = False  # keeping to the curve's end costs more than to the best, by a bootstrap
    life: EconomicLife = field(default=None, repr=False)  # as the curve has it
    record: Record = field(default=None, repr=False)


def cheapest_ages(fleet, lines, periods, values, born, confidence=0.9):
    """`cheapest_age` of each kind in `fleet` (`vehicle, kind`): a list, by name of kind."""
    kind = look_up(periods["vehicle"], fleet.set_index("vehicle")["kind"]).to_numpy()
    kinds = periods.groupby(kind)
    return [cheapest_age(name, lines, own, values, born, confidence) for name, own in kinds]


def cheapest_age(kind, lines, periods, values, born, confidence=0.9, samples=1000):
    """`Keeping` of the vehicles in `periods`, all of one kind.

    lines: money lines; those of `AGE_CATEGORIES` count. periods: `observed_periods`.
    values: `account.value_points`; settlements are left out. born: Series of in_service by vehicle.
    Value is taken to fall by the same share each year; one bought used counts from its age then."""
    record = _record(lines, periods, values, born)
    n, at_risk = len(record.cars), (record.years > 0).sum(axis=0)
    usable, age = record.usable, record.age[: record.usable]
    curve = pd.DataFrame({"age_years": age, "at_risk": at_risk[:usable]})
    oldest, few = float(periods["to_years"].max()), f"fewer than {MIN_KEPT} vehicles"
    valued = min((record.square > 0).sum(), np.isfinite(record.price).sum())
    whys = {
        f"needs {MIN_KEPT} vehicles of a kind": n < MIN_KEPT,
        f"{few} were on record when new": at_risk[0] < MIN_KEPT,
        f"{few} were on record at an age of {MIN_YEARS:.0f} years": usable * STEP_YEARS < MIN_YEARS,
        f"{few} have a price and a later value: record valuations": valued < MIN_KEPT,
    }
    if why := next((why for why, lacks in whys.items() if lacks), ""):
        return Keeping(kind, refused(why, confidence, n, "years"), curve, oldest=oldest)

    (price,), (value,), (work,), (fall,) = parts_of(record, np.ones((1, n)))
    life = economic_life(price, value, work, age)
    draws = parts_of(record, vehicle_draws(n, np.random.default_rng(20), samples))[:3]
    draws, point = annual_cost(*draws, age), life.curve["cost_per_year"].to_numpy()
    curve["cost_per_year"] = point
    later = percentiles(draws[:, -1] - draws[:, np.argmin(point)], n, confidence)[0]
    best, change, note = life.year, nan, ""
    if best > age[-1] - 1:
        best, note = nan, "still falling near the oldest age on record"
    else:
        change = float((point[-1] - life.cost) / (1 / best - 1 / age[-1]))
        note = EARLY if best < MIN_YEARS else ""
    best = Estimate(best, nan, nan, confidence, n, unit="years", note=note)
    near, lost = (life.near[0], life.near[-1]), float(-np.expm1(-fall))
    found = near, lost, float(price), change, oldest, bool(later > 0)
    return Keeping(kind, best, curve, *found, life, record)


def _record(lines, periods, values, born):
    """The `Record` of the vehicles in `periods`: arguments as in `cheapest_age`."""
    cars = pd.Index(periods["vehicle"].unique())
    # one step where none has yet begun: a vehicle may be bought before it is in service
    steps = max(np.ceil(periods["to_years"].max() / STEP_YEARS), 1)
    edges = np.arange(steps + 1) * STEP_YEARS
    first, last = (periods[c].to_numpy()[:, None] for c in ("from_years", "to_years"))
    overlap = np.minimum(last, edges[1:]) - np.maximum(first, edges[:-1])
    years, cost = np.zeros((2, len(cars), len(edges) - 1))
    np.add.at(years, cars.get_indexer(periods["vehicle"]), np.clip(overlap, 0, None))
    lines = lines[lines["category"].isin(AGE_CATEGORIES) & lines["vehicle"].isin(cars)]
    lines = lines.dropna(subset=["amount", "date"])
    age = (lines["date"] - look_up(lines["vehicle"], born)).dt.days / YEAR_DAYS
    step = np.clip((age / STEP_YEARS).astype(int), 0, years.shape[1] - 1)
    np.add.at(cost, (cars.get_indexer(lines["vehicle"]), step), lines["amount"].to_numpy())
    cost, usable = np.where(years > 0, cost, 0.0), (years > 0).sum(axis=0) < MIN_KEPT
    worth = _decline(values, born, cars)
    return Record(cars, edges[1:], years, cost, *worth, int(np.argmax(np.append(usable, True))))


def _decline(values, born, cars):
    """By vehicle: sums of years x log fall, and of years squared; its price as new."""
    values = values[values["basis"].ne("settlement") & values["value"].gt(0)]
    values = values[values["vehicle"].isin(cars)]
    bought = values.drop_duplicates("vehicle").set_index("vehicle")
    later = values[values.duplicated("vehicle")]
    since = (later["date"] - look_up(later["vehicle"], bought["date"])).dt.days / YEAR_DAYS
    fall = np.log(look_up(later["vehicle"], bought["value"]) / later["value"])
    sums = pd.DataFrame({"fall": since * fall, "square": since**2}).groupby(later["vehicle"]).sum()
    decline, weight = sums.reindex(cars).fillna(0.0).to_numpy().T
    yearly = decline.sum() / weight.sum() if weight.sum() > 0 else 0.0
    age = ((bought["date"] - born.reindex(bought.index)).dt.days / YEAR_DAYS).reindex(cars)
    return decline, weight, (bought["value"].reindex(cars) * np.exp(yearly * age)).to_numpy(float)
