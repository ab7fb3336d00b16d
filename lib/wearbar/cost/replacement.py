"""The cheapest age to replace a kind of vehicle: the fall in its value against the work that mounts up, by its own record.

Kept from new to an age, a vehicle costs a year [its fall in value + the mean cost of its work until then] / age, without interest. Fuel
and fixed costs are taken not to hang on age. It is money alone: no vehicle is safer, or fitter for its use, for being cheaper.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up
from wearbar.stats.estimate import Estimate, percentiles, vehicle_draws

__all__ = ["AGE_CATEGORIES", "MIN_YEARS", "Keeping", "cheapest_age", "cheapest_ages"]

AGE_CATEGORIES = (
    "servicing",
    "repairs",
    "tyres",
    "parts",
)  # what is counted; accidents and recalls do not come of age
STEP_YEARS = 0.25
MIN_AT_RISK = 3  # vehicles, at every age told of and with a later value
MIN_YEARS = 2.0


@dataclass(frozen=True, eq=False)
class Keeping:
    """What keeping one kind of vehicle to each age costs a year.

    best: the cheapest age in years, without limits (in simulation 90% ones, of the curve too, hold 67 to 90 times in 100); its value is
        NaN where refused, or where the least is within a year of the curve's end. is_clear: whether keeping to the curve's end costs more
        than to the best, by a bootstrap of that difference. curve: frame `age_years, cost_per_year, at_risk`, up to the first age with
        fewer than `MIN_AT_RISK` vehicles. oldest: the greatest age on record, whether or not the curve reaches it.
    near: first and last age within 5% of the least.
    fall: share of its value that a vehicle loses a year. price: as new.
    change: what one change of vehicle must cost for the curve's last age to be as cheap as the best; NaN where there is no best.
    """

    kind: str
    best: Estimate
    curve: pd.DataFrame = field(repr=False)
    near: tuple = (np.nan, np.nan)
    fall: float = np.nan
    price: float = np.nan
    change: float = np.nan
    oldest: float = np.nan
    is_clear: bool = False


def cheapest_ages(fleet, lines, periods, values, born, confidence=0.9):
    """`cheapest_age` of each kind of vehicle in `fleet` (columns `vehicle, kind`): a list, by name of kind."""
    kind = look_up(periods["vehicle"], fleet.set_index("vehicle")["kind"]).to_numpy()
    return [
        cheapest_age(name, lines, some, values, born, confidence)
        for name, some in periods.groupby(kind)
    ]


def cheapest_age(kind, lines, periods, values, born, confidence=0.9, rng=None, samples=1000):
    """`Keeping` of the vehicles in `periods`, all of one kind.

    lines: money lines (categories other than `AGE_CATEGORIES` are left out). periods: `repairs.observed_periods`. values:
    `value.value_points`; one bought used counts from its age then; settlements are left out. born: Series of in_service by vehicle.
    Value is taken to fall by the same share each year. `is_clear` by drawing vehicles again; rng: default seeded alike each time.
    """
    cars = pd.Index(periods["vehicle"].unique())
    years, cost, edges = _cells(lines, periods, born, cars)
    decline, weight, price = _decline(values, born, cars)
    at_risk = (years > 0).sum(axis=0)
    usable = int(np.argmax(np.append(at_risk < MIN_AT_RISK, True)))
    curve = pd.DataFrame({"age_years": edges[1 : usable + 1], "at_risk": at_risk[:usable]})
    oldest = float(periods["to_years"].max())
    why = _refusal(len(cars), usable, at_risk, (weight > 0).sum(), np.isfinite(price).sum())
    if why:
        return Keeping(
            kind,
            Estimate(np.nan, np.nan, np.nan, confidence, len(cars), unit="years", note=why),
            curve,
            oldest=oldest,
        )

    def costs(weights):
        with np.errstate(invalid="ignore", divide="ignore"):
            fall = (weights @ decline) / (weights @ weight)
            new = np.isfinite(price)
            start = (weights[:, new] @ price[new]) / weights[:, new].sum(axis=1)
            rate = (weights @ cost[:, :usable]) / (weights @ years[:, :usable])
        age = edges[1 : usable + 1]
        return (
            (
                start[:, None] * -np.expm1(-fall[:, None] * age)
                + STEP_YEARS * np.cumsum(rate, axis=1)
            )
            / age,
            fall,
            start,
        )

    point, fall, start = costs(np.ones((1, len(cars))))
    draws = costs(vehicle_draws(len(cars), rng or np.random.default_rng(20), samples))[0]
    curve["cost_per_year"] = point[0]
    clear = percentiles(draws[:, -1] - draws[:, np.argmin(point[0])], len(cars), confidence)[0] > 0
    within = curve["age_years"][point[0] <= 1.05 * point[0].min()]
    best = _best(point[0], curve["age_years"].to_numpy(), len(cars), confidence)
    change = _break_even(curve, best.value)
    near, lost = (within.iloc[0], within.iloc[-1]), float(-np.expm1(-fall[0]))
    return Keeping(kind, best, curve, near, lost, float(start[0]), change, oldest, bool(clear))


def _break_even(curve, age):
    at = curve[curve["age_years"].eq(age)]
    if at.empty:
        return np.nan
    last = curve.iloc[-1]
    return float(
        (last["cost_per_year"] - at["cost_per_year"].iat[0]) / (1 / age - 1 / last["age_years"])
    )


def _cells(lines, periods, born, cars):
    """Years observed and money spent of each vehicle (rows) in each step of age (columns), and the steps' edges."""
    code = cars.get_indexer(periods["vehicle"])
    edges = np.arange(0, np.ceil(periods["to_years"].max() / STEP_YEARS) + 1) * STEP_YEARS
    first, last = (periods[c].to_numpy()[:, None] for c in ("from_years", "to_years"))
    overlap = np.minimum(last, edges[1:]) - np.maximum(first, edges[:-1])
    years = np.zeros((len(cars), len(edges) - 1))
    np.add.at(years, code, np.clip(overlap, 0, None))
    lines = lines[lines["category"].isin(AGE_CATEGORIES) & lines["vehicle"].isin(cars)].dropna(
        subset=["amount", "date"]
    )
    age = (lines["date"] - look_up(lines["vehicle"], born)).dt.days / 365.25
    cost = np.zeros_like(years)
    cell = (
        cars.get_indexer(lines["vehicle"]),
        np.clip((age / STEP_YEARS).astype(int), 0, years.shape[1] - 1),
    )
    np.add.at(cost, cell, lines["amount"].to_numpy())
    return years, np.where(years > 0, cost, 0.0), edges


def _decline(values, born, cars):
    """By vehicle: sum of years x log fall and of years squared since its first value (their ratio is the yearly fall), its price as new."""
    values = values[
        values["vehicle"].isin(cars) & values["basis"].ne("settlement") & values["value"].gt(0)
    ]
    bought = values.drop_duplicates("vehicle").set_index("vehicle")
    later = values[values.duplicated("vehicle")]
    since = (later["date"] - look_up(later["vehicle"], bought["date"])).dt.days / 365.25
    fall = np.log(look_up(later["vehicle"], bought["value"]) / later["value"])
    sums = (
        pd.DataFrame({"fall": since * fall, "square": since**2})
        .groupby(later["vehicle"])
        .sum()
        .reindex(cars)
        .fillna(0.0)
    )
    decline, weight = sums["fall"].to_numpy(), sums["square"].to_numpy()
    yearly = decline.sum() / weight.sum() if weight.sum() > 0 else 0.0
    age = ((bought["date"] - born.reindex(bought.index)).dt.days / 365.25).reindex(cars)
    return decline, weight, (bought["value"].reindex(cars) * np.exp(yearly * age)).to_numpy(float)


def _refusal(vehicles, usable, at_risk, valued, priced):
    if vehicles < MIN_AT_RISK:
        return f"needs {MIN_AT_RISK} vehicles of a kind"
    if at_risk[0] < MIN_AT_RISK:
        return f"fewer than {MIN_AT_RISK} vehicles were on record when new"
    if usable * STEP_YEARS < MIN_YEARS:
        return (
            f"fewer than {MIN_AT_RISK} vehicles were on record at an age of {MIN_YEARS:.0f} years"
        )
    if min(valued, priced) < MIN_AT_RISK:
        return (
            f"fewer than {MIN_AT_RISK} vehicles have a price and a later value: record valuations"
        )
    return ""


def _best(point, ages, vehicles, confidence):
    """The cheapest age; none where the least is within a year of the oldest age on record."""
    best = ages[np.argmin(point)]
    if best > ages[-1] - 1:
        note = "still falling near the oldest age on record"
        return Estimate(np.nan, np.nan, np.nan, confidence, vehicles, unit="years", note=note)
    note = (
        "in its first years, which warranty and the parts that it came with carry"
        if best < MIN_YEARS
        else ""
    )
    return Estimate(float(best), np.nan, np.nan, confidence, vehicles, unit="years", note=note)
