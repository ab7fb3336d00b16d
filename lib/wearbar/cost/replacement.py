"""The cheapest age to replace a kind of vehicle: its fall in value against the work that mounts up.

Kept from new to an age, a vehicle costs a year [its fall in value + the mean cost of its work until
then] / age, without interest. Fuel and fixed costs are taken not to hang on age. It is money alone:
no vehicle is safer, or fitter for its use, for being cheaper.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up
from wearbar.stats.estimate import Estimate, percentiles, refused, vehicle_draws

AGE_CATEGORIES = ("servicing", "repairs", "tyres", "parts")  # accidents, recalls don't come of age
STEP_YEARS, YEAR_DAYS = 0.25, 365.25
MIN_AT_RISK = 3  # vehicles, at every age told of and with a later value
MIN_YEARS = 2.0
EARLY = "in its first years, which warranty and the parts that it came with carry"


@dataclass(frozen=True, eq=False)
class Keeping:
    """What keeping one kind of vehicle to each age costs a year."""

    kind: str
    # the cheapest age in years, without limits (in simulation 90% ones hold 67 to 90 times in 100);
    # NaN where refused, or where the least is within a year of the curve's end
    best: Estimate
    # age_years, cost_per_year, at_risk, to the first age with fewer than MIN_AT_RISK vehicles
    curve: pd.DataFrame = field(repr=False)
    near: tuple = (np.nan, np.nan)  # first and last age within 5% of the least
    fall: float = np.nan  # share of its value that a vehicle loses a year
    price: float = np.nan  # as new
    # what one change of vehicle must cost for the curve's last age to be as cheap as the best
    change: float = np.nan
    oldest: float = np.nan  # age on record
    is_clear: bool = False  # keeping to the curve's end costs more than to the best, by a bootstrap


def cheapest_ages(fleet, lines, periods, values, born, confidence=0.9):
    """`cheapest_age` of each kind in `fleet` (`vehicle, kind`): a list, by name of kind."""
    kind = look_up(periods["vehicle"], fleet.set_index("vehicle")["kind"]).to_numpy()
    kinds = periods.groupby(kind)
    return [cheapest_age(name, lines, own, values, born, confidence) for name, own in kinds]


def cheapest_age(kind, lines, periods, values, born, confidence=0.9, samples=1000):
    """`Keeping` of the vehicles in `periods`, all of one kind.

    lines: money lines; those of `AGE_CATEGORIES` count. periods: `repairs.observed_periods`.
    values: `account.value_points`; settlements are left out. born: Series of in_service by vehicle.
    Value is taken to fall by the same share each year; one bought used counts from its age then.
    """
    cars = pd.Index(periods["vehicle"].unique())
    years, cost, edges = _cells(lines, periods, born, cars)
    decline, weight, price = _decline(values, born, cars)
    new, at_risk = np.isfinite(price), (years > 0).sum(axis=0)
    usable = int(np.argmax(np.append(at_risk < MIN_AT_RISK, True)))
    age, years, cost = edges[1 : usable + 1], years[:, :usable], cost[:, :usable]
    curve = pd.DataFrame({"age_years": age, "at_risk": at_risk[:usable]})
    oldest = float(periods["to_years"].max())
    few, valued = f"fewer than {MIN_AT_RISK} vehicles", min((weight > 0).sum(), new.sum())
    whys = {
        f"needs {MIN_AT_RISK} vehicles of a kind": len(cars) < MIN_AT_RISK,
        f"{few} were on record when new": at_risk[0] < MIN_AT_RISK,
        f"{few} were on record at an age of {MIN_YEARS:.0f} years": usable * STEP_YEARS < MIN_YEARS,
        f"{few} have a price and a later value: record valuations": valued < MIN_AT_RISK,
    }
    if why := next((why for why, lacks in whys.items() if lacks), ""):
        none = refused(why, confidence, len(cars), "years")
        return Keeping(kind, none, curve, oldest=oldest)

    def costs(weights):
        """(cost a year by age, yearly fall, price as new) of each row of weights."""
        with np.errstate(invalid="ignore", divide="ignore"):
            fall = (weights @ decline) / (weights @ weight)
            start = (weights[:, new] @ price[new]) / weights[:, new].sum(axis=1)
            rate = (weights @ cost) / (weights @ years)
        lost = start[:, None] * -np.expm1(-fall[:, None] * age)
        return (lost + STEP_YEARS * np.cumsum(rate, axis=1)) / age, fall, start

    (point,), (fall,), (start,) = costs(np.ones((1, len(cars))))
    draws = costs(vehicle_draws(len(cars), np.random.default_rng(20), samples))[0]
    curve["cost_per_year"] = point
    later = percentiles(draws[:, -1] - draws[:, np.argmin(point)], len(cars), confidence)[0]
    within = curve["age_years"][point <= 1.05 * point.min()]
    best, change, note = float(age[np.argmin(point)]), np.nan, ""
    if best > age[-1] - 1:
        best, note = np.nan, "still falling near the oldest age on record"
    else:
        change = float((point[-1] - point.min()) / (1 / best - 1 / age[-1]))
        note = EARLY if best < MIN_YEARS else ""
    best = Estimate(best, np.nan, np.nan, confidence, len(cars), unit="years", note=note)
    near, lost = (within.iloc[0], within.iloc[-1]), float(-np.expm1(-fall))
    return Keeping(kind, best, curve, near, lost, float(start), change, oldest, bool(later > 0))


def _cells(lines, periods, born, cars):
    """Years observed and money spent of each vehicle (rows) at each step of age, and the edges."""
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
    return years, np.where(years > 0, cost, 0.0), edges


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
