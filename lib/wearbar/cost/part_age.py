"""Planned against unplanned replacement of parts: at an age or at failure, whichever is first, it
costs [cp R + cf (1 - R)] / integral of R (Barlow & Proschan 1965; from memory). Money advises
nothing where a failure can hurt someone: such parts are refused. Nothing may put work later."""

import re

import numpy as np
import pandas as pd
from scipy import special, stats

from wearbar.cost.keeping import MIN_KEPT
from wearbar.stats import fit_groups
from wearbar.stats.estimate import vehicle_draws

# of a category's name; common practice, no source
SAFETY = "brake|tyre|tire|steer|suspension|wheel|chain|sprocket|hub|axle|damper|shock|fork"
SAFETY += "|light|lamp|seat|airbag|coupling|tow"
MIN_FAILED, MIN_CARS = 10, 8  # for an age
SHORT = 0.02  # so much more is asked of limits: 90% hold 85 to 89 times in 100 without it
MOST_FLAT = 0.05  # of samples without ageing, for an age to be told
AGES = """n n_failed planned_cost unplanned_cost age low_age high_age saving_share low_share
    flat_share why_not"""


def best_age(planned, failed, scale, shape):
    """(age, saving) of the cheapest planned replacement of parts with Weibull lives: arrays.

    saving: share of what replacing at failure costs. Infinite, 0 where no age helps: the shape is 1
    or less, or a failure costs no more."""
    ratio, scale, k = np.broadcast_arrays(np.asarray(planned, float) / failed, scale, shape)
    helps = (k > 1) & (ratio < 1)
    k, goal = np.where(helps, k, 2.0), np.where(helps, ratio / np.where(helps, 1 - ratio, 1.0), 1.0)
    low, high = np.full(k.shape, -40.0), np.log(2 + goal) / (k - 1) + 1
    # in log(age / scale): hazard x mean life so far - share failed rises from 0 without end
    for _ in range(80):
        z = (low + high) / 2
        hazard = np.exp(np.minimum(k * z, 700))
        lived = special.gamma(1 + 1 / k) * special.gammainc(1 / k, hazard)
        rises = np.exp(np.minimum(np.log(k) + (k - 1) * z, 700)) * lived + np.expm1(-hazard) > goal
        low, high = np.where(rises, low, z), np.where(rises, z, high)
    age = np.where(helps, scale * np.exp(np.minimum(z, 700)), np.inf)
    cost = cost_rate(age, ratio, 1.0, scale, k)
    return age, np.where(helps, 1 - cost * scale * special.gamma(1 + 1 / k), 0.0)


def cost_rate(age, planned, failed, scale, shape):
    """What a part costs a km or day, replaced at an age or at failure: arrays; infinite: never."""
    hazard, whole = (np.asarray(age, float) / scale) ** shape, scale * special.gamma(1 + 1 / shape)
    lived = whole * special.gammainc(1 / shape, hazard)
    return (planned * np.exp(-hazard) - failed * np.expm1(-hazard)) / lived


@np.errstate(divide="ignore", invalid="ignore")
def planned_age(category, lives, bills, safety=(), stop=0.0, confidence=0.9, rng=None, samples=500):
    """The cheapest age of planned replacement of a category at one place: a dict of `AGES`.

    lives: as `parts.watched` gives them, in km or days; bills: of those that ended, `vehicle, part`
    (a new one, fitted), `bill` (with its work) and `has_failed`. safety: the plan's. stop: what an
    unplanned stop costs besides. Limits: jackknife over vehicles, log scale, Student's t; of the
    saving, the low one. flat_share: of samples of vehicles drawn again, those without ageing.
    planned_cost: below `MIN_KEPT` planned bills, of the part alone. why_not: it has no age."""
    names, ended = pd.Index(lives["vehicle"].unique()), lives["cause"].eq("failed").to_numpy()
    n, car = len(names), names.get_indexer(lives["vehicle"])
    counts = {"n": lives["part_key"].nunique(), "n_failed": int(ended.sum())}
    row = dict.fromkeys(AGES.split(), np.nan) | counts
    if category in safety or re.search(SAFETY, category):
        return row | {"why_not": "safety"}
    if row["n_failed"] < MIN_FAILED or n < MIN_CARS:
        return row | {"why_not": "few" if row["n_failed"] else "none failed"}
    drawn = vehicle_draws(n, rng or np.random.default_rng(0), samples)
    weights = np.vstack([np.ones(n), 1 - np.eye(n), drawn])
    bills = bills[bills["bill"].notna() & bills["vehicle"].isin(names)]

    def mean(side, column):
        at = names.get_indexer(side["vehicle"])
        return weights @ np.bincount(at, side[column], n) / (weights @ np.bincount(at, None, n))

    planned, failed = bills[~bills["has_failed"]], mean(bills[bills["has_failed"]], "bill") + stop
    planned = mean(bills, "part") if len(planned) < MIN_KEPT else mean(planned, "bill")
    row |= {"planned_cost": planned[0], "unplanned_cost": failed[0]}
    if not failed[0] > planned[0]:
        return row | {"why_not": "costs no more" if failed[0] <= planned[0] else "no bills"}
    sample, life = np.nonzero(weights[:, car])
    x, entry = (lives[c].to_numpy(float)[life] for c in ("duration_km", "entry_km"))
    fits = fit_groups("weibull", x, ended[life], sample, entry, weights[sample, car[life]])
    fits = fits.set_index("group").reindex(np.arange(len(weights)))
    age, saving = best_age(planned, failed, np.exp(fits["mu"]), 1 / fits["sigma"])
    # of a sample without a fit nothing shows that parts age
    row["flat_share"] = float(1 - (fits["sigma"][n + 1 :] < 1).mean())
    logs = np.log([age, 1 - saving])[:, : n + 1]
    se = np.sqrt((n - 1) * np.var(logs[:, 1:], axis=1))
    half = stats.t.ppf((1 + confidence + SHORT) / 2, n - 1) * se
    low, high = np.exp([logs[:, 0] - half, logs[:, 0] + half])
    if not (row["flat_share"] <= MOST_FLAT and high[1] < 1):
        return row | {"why_not": "not clear"}
    row |= {"age": age[0], "low_age": low[0], "high_age": high[0], "saving_share": saving[0]}
    return row | {"low_share": 1 - high[1], "why_not": ""}
