"""What an item costs a distance, by the renewal-reward theorem, and whether two items differ.

A part fitted, used and replaced over and over costs E[price + fitting] / E[distance in service] in
the long run (Ross 1996, Stochastic Processes, section 3.6; from memory): the distance until it is
removed for whatever reason, so that what ends early counts. Fitness for the use comes first: items
are compared only for the same place on the same kind of vehicle, and money alone never chooses a
tyre or a pad.
"""

from dataclasses import replace
from itertools import combinations
from math import nan
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.parts import by_vehicle
from wearbar.parts.by_vehicle import ITEM, UNBOUNDED
from wearbar.stats import life_of
from wearbar.stats.estimate import holm

MIN_ENDS = 5  # of an item, for limits by the spread between vehicles
PAIR_VEHICLES = 8  # of two items together: with fewer, 90% limits of their ratio held 86 to 97
CLEAR_P = 0.05  # a pair's Holm-adjusted chance below this is called a difference
COST = """
    n n_off vehicles price fitting service_km service_low_km service_high_km cost_per_km low_per_km
    high_per_km note
"""
PAIR = "other ratio low high p break_even break_even_low break_even_high lives_needed"


def cost_per_distance(spans, confidence=0.9, rng=None):
    """What each item costs a distance at its place: one row an item of a place that has a price.

    `category, kind, place_on, item`, `n`, `n_off` (lives, and parts removed), `vehicles`,
    `price`, `fitting` (means of those known; fitting nil where none is), `service_km`,
    `service_low_km`, `service_high_km` (mean distance in service, all ends), `cost_per_km`,
    `low_per_km`, `high_per_km`, `note`. Limits: jackknife over vehicles; where vehicles or ends are
    too few, `life_of` on the parts alone, by the number removed, and the note says so.
    """
    rng = rng or np.random.default_rng(0)
    rows = [(*item.key, *_cost(item, confidence, rng)) for item in _items(spans)]
    return pd.DataFrame(rows, columns=[*ITEM, *COST.split()])


class _Item(NamedTuple):
    """An item at its place: its `service_lives`, means of its price and fitting."""

    key: tuple
    lives: pd.DataFrame
    price: float
    fitting: float

    @property
    def spent(self):
        return self.price + self.fitting


def _items(spans):
    spans = by_vehicle.with_place(spans)
    lives = by_vehicle.service_lives(spans).drop(columns="last_seen_km", errors="ignore")
    lives = dict(list(lives.groupby(ITEM)))
    priced = spans[spans["price"].notna()].groupby(ITEM)[["price", "fitting_cost"]].mean()
    for key, money in priced.fillna({"fitting_cost": 0.0}).iterrows():
        if key in lives:
            yield _Item(key, lives[key], *money)


def _decided(item):
    """The item with lives changed together as one, and `observed` where its service ended."""
    lives = by_vehicle.decisions(item.lives)
    return item._replace(lives=lives.assign(observed=lives["came_off"]))


def _cost(item, confidence, rng):
    """The values of `COST`."""
    n, n_off = item.lives["part_key"].nunique(), int(item.lives["came_off"].sum())
    lives = _decided(item).lives
    vehicles = lives["vehicle"].nunique()
    if vehicles == 1 or lives["observed"].sum() < MIN_ENDS:
        found = _by_parts(lives, confidence, rng)
    else:
        found = by_vehicle.life_by_vehicle("mean", lives, confidence)
        if not np.isfinite(found.low) or found.high > UNBOUNDED * found.value:
            found = replace(found, low=nan, high=nan, note="few vehicles: no range")
    service = found.value, found.low, found.high
    cost = (item.spent / km for km in (found.value, found.high, found.low))
    return n, n_off, vehicles, item.price, item.fitting, *service, *cost, found.note


def _by_parts(lives, confidence, rng):
    """Mean service of few ends, or of one vehicle: from its decisions alone."""
    rows = (lives[column] for column in ("duration_km", "observed", "entry_km"))
    found = life_of(*rows, None, confidence=confidence, rng=rng)
    one = "one vehicle: its own parts alone" if lives["vehicle"].nunique() == 1 else ""
    high = nan if found.high > UNBOUNDED * found.value else found.high
    return replace(found, high=high, note="; ".join(filter(None, [one, found.note])))


def pairs(spans, confidence=0.9):
    """Every two items of one place, compared: a row a pair, `item`, the cheaper, against `other`.

    `ratio` of their costs a distance (item over other) with `low`, `high` (jackknife over the
    vehicles of both), `p` that they cost the same, `p_holm` (over all pairs), `apart` (below
    `CLEAR_P`), `break_even` (the price at which the other would cost the same) with limits,
    `lives_needed` (of both together, for the interval to leave out 1 were the ratio as estimated; 0
    where it does, -1 where they are too near). No row where either has under five ends, both
    together are on fewer than `PAIR_VEHICLES`, or no limits can be given.
    """
    items = [_decided(item) for item in _items(spans)]
    items = [item for item in items if item.lives["observed"].sum() >= MIN_ENDS]
    both = [(a, b) for a, b in combinations(items, 2) if a.key[:3] == b.key[:3]]
    rows = [row for a, b in both if (row := _pair(a, b, confidence))]
    frame = pd.DataFrame(rows, columns=[*ITEM, *PAIR.split()])
    frame = frame.astype(dict.fromkeys(PAIR.split()[1:-1], float))  # where empty too
    frame = frame[frame["low"].notna()].reset_index(drop=True)
    frame["p_holm"] = holm(frame["p"].to_numpy(float))
    return frame.assign(apart=frame["p_holm"] < CLEAR_P)


def _pair(a, b, confidence):
    """The values of `ITEM` and `PAIR`; None of too few vehicles."""
    vehicles = pd.concat([a.lives["vehicle"], b.lives["vehicle"]])
    names = pd.Index(vehicles.unique())
    if len(names) < PAIR_VEHICLES:
        return None

    def longer(weights):  # service of a over service of b
        means = [by_vehicle.by_both_laws("mean", i.lives, names, weights) for i in (a, b)]
        return means[0] / means[1]

    shared = a.lives["vehicle"].nunique() + b.lives["vehicle"].nunique() > len(names)
    estimated = 1 if shared else 2
    found = by_vehicle.jackknife(longer, len(names), estimated, confidence)
    money = a.spent / b.spent
    service, least, most = found.value, found.low, found.high
    if money > service:
        a, b, money = b, a, 1 / money
        service, least, most = 1 / service, 1 / most, 1 / least
    ratio, low, high = money / service, money / most, money / least
    # the other's price p with (p + its fitting) / its service = a's cost: service of b over a
    even = (a.spent / x - b.fitting for x in (service, most, least))
    half = np.log(high / low) / 2
    p = _chance(ratio, half, len(names) - estimated, confidence)
    if high < 1 or not half > 0:
        needed = 0
    else:
        near = ratio >= 0.99
        needed = -1 if near else int(np.ceil(len(vehicles) * (half / abs(np.log(ratio))) ** 2))
    return *a.key, b.key[3], ratio, low, high, p, *even, needed


def _chance(ratio, half, freedom, confidence):
    """p that a ratio is 1, from the half width of its limits on the log scale."""
    if not half > 0:
        return nan
    t = abs(np.log(ratio)) / half * stats.t.ppf((1 + confidence) / 2, freedom)
    return float(2 * stats.t.sf(t, freedom))
