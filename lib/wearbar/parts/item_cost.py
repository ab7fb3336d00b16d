"""What an item costs a distance, by the renewal-reward theorem, and whether two items differ.

A part fitted, used and replaced over and over costs E[price + fitting] / E[distance in service] in
the long run (Ross 1996, Stochastic Processes, section 3.6; from memory), until it is removed for
whatever reason. Fitness for the use comes first: items are compared only for the same place on the
same kind of vehicle, and money alone never chooses a tyre or a pad.
"""

from collections import namedtuple
from dataclasses import replace
from itertools import combinations
from math import nan

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.parts import item_lives
from wearbar.parts.item_lives import ITEM, MIN_ENDS, NO_RANGE, UNBOUNDED
from wearbar.stats.estimate import holm

PAIR_VEHICLES = 8  # of two items together: with fewer, 90% limits of their ratio held 86 to 97
CLEAR_P = 0.05  # a pair's Holm-adjusted chance below this is called a difference
COST = """
    n n_off vehicles price fitting service_km service_low_km service_high_km cost_per_km low_per_km
    high_per_km note
"""
# an item at its place; lives: its decisions, `observed` where service ended
_Item = namedtuple("_Item", "key n n_off lives price fitting spent")
PAIR = "other ratio low high p break_even break_even_low break_even_high lives_needed"


def _items(spans):
    spans = item_lives.with_place(spans)
    lives = item_lives.service_lives(spans).drop(columns="last_seen_km", errors="ignore")
    lives = dict(list(lives.groupby(ITEM)))
    priced = spans[spans["price"].notna()].groupby(ITEM)[["price", "fitting_cost"]].mean()
    for key, (price, fitting) in priced.fillna({"fitting_cost": 0.0}).iterrows():
        if key in lives:
            own = lives[key]
            n, n_off, own = (
                own["part_key"].nunique(),
                own["came_off"].sum(),
                item_lives.decisions(own),
            )
            own = own.assign(observed=own["came_off"])
            yield _Item(key, n, int(n_off), own, price, fitting, price + fitting)


def cost_per_distance(spans, confidence=0.9, rng=None):
    """What each item costs a distance at its place: one row an item of a place that has a price.

    Columns `ITEM` and `COST`: n, n_off: lives, and parts removed; price, fitting: means of those
    known (fitting nil where none is); service_km: mean distance in service, all ends. Limits:
    jackknife over vehicles; where vehicles or ends are too few, as the note says, `life_of`.
    """
    rng = rng or np.random.default_rng(0)
    rows = [(*item.key, *_cost(item, confidence, rng)) for item in _items(spans)]
    return pd.DataFrame(rows, columns=[*ITEM, *COST.split()])


def _cost(item, confidence, rng):
    """The values of `COST`."""
    lives, vehicles = item.lives, item.lives["vehicle"].nunique()
    found = item_lives.life_of_item("mean", lives, confidence, rng)
    if found.high > UNBOUNDED * found.value:
        few = vehicles == 1 or lives["observed"].sum() < MIN_ENDS
        found = replace(found, **({"high": nan} if few else NO_RANGE))
    note = "one vehicle: its own parts alone" if vehicles == 1 else ""
    note = "; ".join(filter(None, [note, found.note]))
    cost = (item.spent / km for km in (found.value, found.high, found.low))
    counts = item.n, item.n_off, vehicles, item.price, item.fitting
    return *counts, found.value, found.low, found.high, *cost, note


def pairs(spans, confidence=0.9):
    """Every two items of one place, compared: a row a pair, `item`, the cheaper, against `other`.

    `ratio` of their costs a distance (item over other) with limits (jackknife over the vehicles of
    both), `p` that they cost the same, `p_holm` (over all pairs), `apart` (below `CLEAR_P`),
    `break_even` (the price at which the other would cost the same) with limits, `lives_needed` (of
    both together, for the interval to leave out 1; 0 where it does, -1 where they are too near). No
    row where either has under `MIN_ENDS`, both together are on fewer than `PAIR_VEHICLES`, or no
    limits can be given.
    """
    items = [item for item in _items(spans) if item.lives["observed"].sum() >= MIN_ENDS]
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
    if vehicles.nunique() < PAIR_VEHICLES:
        return None
    found, freedom = item_lives.life_by_vehicle("mean", confidence, a.lives, b.lives)
    money, longer = a.spent / b.spent, np.array([found.value, found.high, found.low])
    if money > longer[0]:
        a, b, money, longer = b, a, 1 / money, 1 / longer[[0, 2, 1]]
    ratio, low, high = money / longer
    # the other's price p with (p + its fitting) / its service = a's cost
    even = a.spent / longer - b.fitting
    half, p, needed = np.log(high / low) / 2, nan, 0
    if half > 0:
        t = abs(np.log(ratio)) / half * stats.t.ppf((1 + confidence) / 2, freedom)
        p = float(2 * stats.t.sf(t, freedom))
        if high >= 1 and ratio >= 0.99:
            needed = -1
        elif high >= 1:
            needed = int(np.ceil(len(vehicles) * (half / np.log(ratio)) ** 2))
    return *a.key, b.key[3], ratio, low, high, p, *even, needed
