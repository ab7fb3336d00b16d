"""When to replace: a vehicle by what keeping it costs a year, a part by planned against unplanned replacement.

Money alone: for a part whose failure can hurt someone the maker's limit stands, and nothing here may put work later.
"""

from dataclasses import dataclass
from math import gamma, inf, nan

import numpy as np
from scipy import special

__all__ = [
    "AgeAdvice", "AgeReplacement", "age_advice", "age_replacement", "age_replacement_rate", "annual_cost", "best_age", "economic_life",
    "minimal_repair",
]  # fmt: skip


def annual_cost(price, market_value, operating, rate=0.0):
    """Equivalent annual cost of keeping a vehicle n years, for each n.

    market_value, operating: value at the end of, and running cost in, years 1, 2 ...; shape (..., years). price: scalar or shape (...).
    rate: yearly interest as a share; 0 is the plain average. Costs fall at each year's end. Standard engineering economics.
    """
    value, operating = np.asarray(market_value, float), np.asarray(operating, float)
    years = np.arange(1, value.shape[-1] + 1)
    discount = (1 + rate) ** -years
    present = (
        np.asarray(price, float)[..., None]
        - value * discount
        + np.cumsum(operating * discount, axis=-1)
    )
    return present / np.cumsum(discount)


def economic_life(price, market_value, operating, rate=0.0):
    """(years, cost a year) at which `annual_cost` is least."""
    cost = annual_cost(price, market_value, operating, rate)
    best = np.argmin(cost, axis=-1)
    return best + 1, np.take_along_axis(cost, best[..., None], axis=-1)[..., 0]


MOST_FLAT = 0.05  # of drawn samples with a shape of 1 or less, for an age to be advised
LEAST_SAVING = 0.05
FAR = 1e6  # an age so many times the scale is reached by no part


@dataclass(frozen=True)
class AgeReplacement:
    """Cheapest age for planned replacement of a part with a Weibull life.

    age: infinite where planned replacement saves nothing. cost_rate: at that age; failure_rate: replacing at failure alone; saving: share.
    flat_low, flat_high: cost rates at 0.8 and 1.2 times the age, to show how little the exact age matters.
    """

    age: float
    cost_rate: float
    failure_rate: float
    saving: float
    flat_low: float = nan
    flat_high: float = nan


def age_replacement_rate(age, planned_cost, failure_cost, scale, shape):
    """Cost per unit of use of replacing at `age` or at failure: [cp R + cf (1 - R)] / integral of R.

    Barlow & Proschan 1965, from memory; the integral is an incomplete gamma function.
    """
    hazard = (np.asarray(age, float) / scale) ** shape
    lived = (
        scale
        * special.gamma(1 + 1 / np.asarray(shape, float))
        * special.gammainc(1 / np.asarray(shape, float), hazard)
    )
    return (planned_cost * np.exp(-hazard) - failure_cost * np.expm1(-hazard)) / lived


def best_age(planned_cost, failure_cost, scale, shape):
    """Age that makes `age_replacement_rate` least, vectorised over scale and shape.

    Infinite (no planned replacement) where the shape is 1 or less or a failure costs no more.
    """
    scale, shape = np.broadcast_arrays(np.asarray(scale, float), np.asarray(shape, float))
    wears = (shape > 1) & (failure_cost > planned_cost)
    k = np.where(wears, shape, 2.0)
    goal = planned_cost / (failure_cost - planned_cost) if failure_cost > planned_cost else 1.0
    mean = special.gamma(1 + 1 / k)
    # in z = log(age / scale): hazard x mean life so far - chance of failure rises steadily from 0 to infinity
    low, high = np.full(k.shape, -50.0), np.full(k.shape, 1.0)
    high = high + np.log(2 + goal) / (k - 1)
    for _ in range(100):
        z = (low + high) / 2
        cumulative = np.exp(np.minimum(k * z, 700.0))
        log_rate = np.log(k) + (k - 1) * z
        excess = np.exp(np.minimum(log_rate, 700.0)) * mean * special.gammainc(
            1 / k, cumulative
        ) + np.expm1(-cumulative)
        low, high = np.where(excess < goal, z, low), np.where(excess < goal, high, z)
    return np.where(wears, scale * np.exp(np.minimum((low + high) / 2, 700.0)), inf)


def age_replacement(planned_cost, failure_cost, scale, shape):
    """The `AgeReplacement` of a part with Weibull life (scale, shape) that costs planned_cost in time, failure_cost when it fails."""
    if not (planned_cost > 0 and failure_cost > 0 and scale > 0 and shape > 0):
        raise ValueError(
            f"costs, scale and shape must be above 0; found {planned_cost}, {failure_cost}, {scale}, {shape}"
        )
    age = float(best_age(planned_cost, failure_cost, scale, shape))
    at_failure = failure_cost / (scale * gamma(1 + 1 / shape))
    if age / scale > FAR:
        return AgeReplacement(inf, at_failure, at_failure, 0.0)
    rate, low, high = age_replacement_rate(
        age * np.array([1.0, 0.8, 1.2]), planned_cost, failure_cost, scale, shape
    )
    return AgeReplacement(
        age, float(rate), at_failure, float(1 - rate / at_failure), float(low), float(high)
    )


@dataclass(frozen=True)
class AgeAdvice:
    """Whether a cheapest age can be told of a part whose law is estimated: `found` as if it were known, and what that rests on.

    share_flat: of the drawn samples, those whose shape is 1 or less (replacing ahead of failure then saves nothing). saving_low,
    saving_high: the middle 90% of the drawn savings. note: why no age is advised; "" where one is.
    """

    found: AgeReplacement
    share_flat: float
    saving_low: float
    saving_high: float
    note: str = ""


def age_advice(planned_cost, failure_cost, scale, shape, drawn):
    """`AgeAdvice` of a Weibull life estimated as (scale, shape); drawn: (scales, shapes) of bootstrap samples of its vehicles.

    With few ends the estimated shape is above 1 in most samples of lives that do not age at all: an age is advised only where no more
    than `MOST_FLAT` of the samples have a shape of 1 or less and 95 in 100 save `LEAST_SAVING` or more.
    """
    found = age_replacement(planned_cost, failure_cost, scale, shape)
    scales, shapes = (np.asarray(x, float) for x in drawn)
    known = np.isfinite(scales) & np.isfinite(shapes)
    ages = best_age(planned_cost, failure_cost, scales[known], shapes[known])
    rate = age_replacement_rate(
        np.minimum(ages, FAR * scales[known]),
        planned_cost,
        failure_cost,
        scales[known],
        shapes[known],
    )
    at_failure = failure_cost / (scales[known] * special.gamma(1 + 1 / shapes[known]))
    savings = np.where(ages / scales[known] > FAR, 0.0, 1 - rate / at_failure)
    if known.mean() < 0.9:
        return AgeAdvice(
            found, nan, nan, nan, "too few ends to say how the chance of failure grows with age"
        )
    flat, (low, high) = float((shapes[known] <= 1).mean()), np.quantile(savings, [0.05, 0.95])
    sure = flat <= MOST_FLAT and low >= LEAST_SAVING
    note = (
        ""
        if sure
        else f"no age is clear: in {100 * flat:.0f}% of samples the chance of failure does not grow with age"
    )
    return AgeAdvice(found, flat, float(low), float(high), note)


def minimal_repair(planned_cost, repair_cost, scale, shape):
    """(age, cost per unit of use) of renewal when failures before it are mended only as far as they were.

    The expected number of repairs by age t is (t / scale) ** shape; a shape of 1 or less gives no such age: (inf, nan).
    Barlow & Hunter 1960, from memory.
    """
    if shape <= 1:
        return inf, nan
    age = scale * (planned_cost / (repair_cost * (shape - 1))) ** (1 / shape)
    return age, (planned_cost + repair_cost * (age / scale) ** shape) / age
