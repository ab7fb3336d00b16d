"""Keep or replace each vehicle now: what keeping it one more year costs, against a new one.

While its next year's work, fall in value and fixed cost are below a year of a new one kept to its
cheapest age, keep it (Park, Contemporary Engineering Economics; from memory). It is money alone."""

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.cost.keeping import MIN_YEARS, STEP_YEARS, annual_cost, parts_of
from wearbar.stats.estimate import holm

REACH = 6.0  # years of age, over which work at other ages tells of one
LEAST_SPREAD = 0.3  # of vehicles' costs beside their kind's: what few of them may fail to show
MIN_CARS = 5  # of a kind, for a range
FIGURES = """work_cost lost_cost keep_cost new_cost saving_cost low_cost high_cost p flip_work_cost
    flip_price"""


def keep_or_replace(kept, cars, prices=None, change=0.0, rate=0.0, confidence=0.9):
    """Each vehicle's next year against a new one of its kind: `cars` and `FIGURES`, most to save
    first, `p_holm`, `answer` and `why_not` (it has none).

    kept: `keeping.cheapest_ages`. cars: `vehicle, kind, has_left` (then it has no row), `age_years,
    value` as of `value_age` years ago (NaN not known), `own_cost` of a year besides, as fixed ones,
    and a new one's, `usual_cost`. prices: of a new one by kind, else the log's. change: what one
    costs. rate: of interest a year. saving_cost: by how much a new one costs less, with limits
    (jackknife over the kind's vehicles of the log ratio, wider by how far a vehicle's own record
    may mislead). answer: "replace" or "keep" where they leave out nil and Holm's p over all is
    below 1 - confidence. flip_*: at which work, or price of a new one, both cost the same."""
    here, names = cars[~cars["has_left"]], FIGURES.split()
    found = [cars[:0].reindex(columns=[*cars, *names, "why_not"])]
    for k in kept:
        own = here[here["kind"] == k.kind]
        known = own["value"].notna() & (k.record is not None)
        why = k.best.note if k.record is None else "its value is not known"
        found.append(own[~known].assign(why_not=why))
        if known.any():
            costs = (prices or {}).get(k.kind, k.price), change, rate
            figures = zip(names, _figures(k, own[known], costs, confidence), strict=True)
            found.append(own[known].assign(**dict(figures), why_not=""))
    made = pd.concat(found).sort_values("saving_cost", ascending=False, ignore_index=True)
    made["p_holm"] = holm(made["p"].astype(float))
    clear = (made["low_cost"] * made["high_cost"] > 0) & (made["p_holm"] < 1 - confidence)
    side = np.where(made["saving_cost"] > 0, "replace", "keep")
    return made.assign(answer=np.where(clear, side, ""))


def below_least(cars, least):
    """Rows of `cars` (`kind, age_years, total_km`) below each least that a policy gives their kind:
    it keeps a vehicle at least so many years or so far. least: frame `years, km` by kind, NaN not
    given. Policy, not an optimum; such as 41 CFR 102-34.270, "at least the years or miles"."""
    given = least.reindex(cars["kind"]).set_axis(cars.index)
    is_old = ~(cars["age_years"] < given["years"]) & given["years"].notna()
    is_far = ~(cars["total_km"] < given["km"]) & given["km"].notna()
    return cars[given.notna().any(axis=1) & ~is_old & ~is_far]


@np.errstate(divide="ignore", invalid="ignore")
def _figures(k, own, costs, confidence):
    """`FIGURES` of the vehicles `own`."""
    record, n, (price, change, rate) = k.record, len(k.record.cars), costs
    weights = np.vstack([np.ones(n), 1 - np.eye(n)])  # all, then each left out in turn
    as_new, value, work, fall = parts_of(record, weights)
    age, scale = record.age[: record.usable], price / k.price
    a_year = annual_cost(scale * as_new + change, scale * value, work, age, rate)
    a_year = np.where(age >= MIN_YEARS, a_year, np.inf)
    new = a_year[:, [a_year[0].argmin()]]
    place, (factor, spread) = record.cars.get_indexer(own["vehicle"]), _own_levels(record)
    usual = work_at(record, weights, own["age_years"].to_numpy() + 0.5)
    now = own["value"].to_numpy() * np.exp(-fall[:, None] * own["value_age"].to_numpy())
    work, lost = usual * factor[place], now * (rate - np.expm1(-fall)[:, None])
    keep, new = work + lost + own["own_cost"].to_numpy(), new + own["usual_cost"].to_numpy()
    logs, (keep, *_), (new, *_) = np.log(np.maximum(keep, 1e-9) / new), keep, new
    falls = (record.decline / record.square)[record.square > 0]
    apart = np.mean((falls - fall[0]) ** 2)  # of how vehicles of the kind lose value
    own_error = spread[place] * usual[0] ** 2 + apart * (now[0] - lost[0]) ** 2
    se = np.sqrt((n - 1) * np.var(logs[1:], axis=0) + own_error / keep**2)
    half = stats.t.ppf((1 + confidence) / 2, n - 1) * se if n >= MIN_CARS else np.nan
    saving, limits = keep - new, (new * np.expm1(logs[0] + side * half) for side in (-1, 1))
    p = 2 * stats.t.sf(np.abs(logs[0]) / se, n - 1) + 0 * half
    # the cost a year is linear in the price: at which is it what keeping costs?
    slope = annual_cost(1.0, value[0] / as_new[0], 0 * age, age, rate)
    even = price + ((saving[:, None] + a_year[0].min() - a_year[0]) / slope).max(axis=1)
    return work[0], lost[0], keep, new, saving, *limits, p, work[0] - saving, even


@np.errstate(divide="ignore", invalid="ignore")
def work_at(record, weights, age):
    """Mean cost of a year's work at each age, of each row of weights: a line through the cost at
    nearby ages, the nearest counting most (local linear: Fan & Gijbels 1996; from memory)."""
    far = record.age - STEP_YEARS / 2 - np.asarray(age, float)[:, None]
    near = np.clip(1 - np.abs(far) / REACH, 0, None)
    s0, s1, s2 = (weights @ record.years @ (near * far**power).T for power in range(3))
    y0, y1 = (weights @ record.cost @ (near * far**power).T for power in range(2))
    line = (s2 * y0 - s1 * y1) / (s0 * s2 - s1**2)
    return np.clip(np.where(np.isfinite(line), line, y0 / s0), 0, None)


def _own_levels(record):
    """(each vehicle's work beside its kind's, drawn towards it where its record is short; the
    variance left): credibility (Buhlmann & Straub 1970, from memory)."""
    usual = work_at(record, np.ones((1, len(record.cars))), record.age - STEP_YEARS / 2)[0]
    expected, spent = np.maximum(record.years @ usual, 1e-9), record.cost.sum(axis=1)
    noise = ((record.cost - record.years * usual) ** 2).sum() / expected.sum()
    between = ((spent - expected) ** 2 - noise * expected).sum() / (expected**2).sum()
    between = max(between, LEAST_SPREAD**2)
    trust = between * expected / np.maximum(between * expected + noise, 1e-9)
    return 1 + trust * (spent / expected - 1), between * (1 - trust)
