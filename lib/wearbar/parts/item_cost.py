"""What an item costs a distance, by the renewal-reward theorem, and whether two items can be told apart.

A part fitted, used and replaced over and over costs E[price + fitting] / E[distance in service] in the long run (Ross 1996, Stochastic
Processes, section 3.6; from memory): the distance until it came off for whatever reason, so that what ends early counts. Fitness for the
use comes first: items are compared only for the same place on the same kind of vehicle, and money alone never chooses a tyre or a pad.
"""

from dataclasses import replace
from itertools import combinations
from math import nan

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.parts.by_vehicle import (
    PLACE,
    UNBOUNDED,
    by_both_laws,
    by_parts_of_one,
    decisions,
    jackknife,
    named,
    service_lives,
    with_place,
)
from wearbar.stats import kaplan_meier, life_of
from wearbar.stats.estimate import holm

__all__ = ["MIN_ENDS", "cost_per_distance", "pairs"]

MIN_ENDS = 5  # of an item, for limits by the spread between vehicles
PAIR_VEHICLES = 8  # of two items together: with fewer, 90% limits of their ratio held 86 to 97
CLEAR_P = 0.05  # a pair's Holm-adjusted chance below this is called a difference
MONEY = [
    "service_km",
    "service_low_km",
    "service_high_km",
    "cost_per_km",
    "low_per_km",
    "high_per_km",
    "beyond_share",
]


def cost_per_distance(spans, confidence=0.9, rng=None):
    """What each item costs a distance at its place: one row a (category, kind, place_on, item) that has a price.

    Columns `n`, `n_off` (lives, and those that came off), `vehicles`, `price`, `fitting` (means of those known; fitting nil where none
    is), `service_km`, `service_low_km`, `service_high_km` (mean distance in service, all ends), `cost_per_km`, `low_per_km`, `high_per_km`,
    `beyond_share` (of the mean, that lies beyond the longest life seen), `note`. Limits: jackknife over
    vehicles; where vehicles or ends are too few, `life.life_of` on the parts alone, by the number that came off, and the note says so.
    """
    rng = rng or np.random.default_rng(0)
    groups = _groups(with_place(spans))
    rows = [{**named(key), **_costs(group, confidence, rng)} for key, group in groups.items()]
    told = ["n", "n_off", "vehicles", "price", "fitting", *MONEY, "note"]
    return pd.DataFrame(rows, columns=[*PLACE, "item", *told])


def _groups(spans):
    lives = service_lives(spans)
    priced = spans[spans["price"].notna()].groupby([*PLACE, "item"])
    money = priced.agg(price=("price", "mean"), fitting=("fitting_cost", "mean")).fillna(
        {"fitting": 0.0}
    )
    keyed = dict(list(lives.groupby([*PLACE, "item"])))
    return {key: (keyed[key], *money.loc[key]) for key in money.index if key in keyed}


def _costs(group, confidence, rng):
    lives, price, fitting = group
    told = {
        "n": lives["part_key"].nunique(),
        "n_off": int(lives["came_off"].sum()),
        "vehicles": lives["vehicle"].nunique(),
    }
    told |= {"price": price, "fitting": fitting}
    lives = decisions(lives)
    vehicles = told["vehicles"]
    if by_parts_of_one(lives) or lives["came_off"].sum() < MIN_ENDS:
        found = _by_parts(lives, confidence, rng)
    else:
        found = jackknife(lambda w: _mean_service(lives, w), vehicles, 1, confidence, "km")
        if not np.isfinite(found.low) or found.high > UNBOUNDED * found.value:
            found = replace(found, low=nan, high=nan, note="few vehicles: no range")
    spent = price + fitting
    cost = {
        "cost_per_km": spent / found.value,
        "low_per_km": spent / found.high,
        "high_per_km": spent / found.low,
    }
    service = {
        "service_km": found.value,
        "service_low_km": found.low,
        "service_high_km": found.high,
    }
    return {
        **told,
        **service,
        **cost,
        "beyond_share": _beyond(lives, found.value),
        "note": found.note,
    }


def _by_parts(lives, confidence, rng):
    """Mean service of few ends, or of one vehicle: from its decisions alone."""
    found = life_of(
        lives["duration_km"],
        lives["came_off"],
        lives["entry_km"],
        None,
        confidence=confidence,
        rng=rng,
    )
    one = "one vehicle: its own parts alone" if by_parts_of_one(lives) else ""
    note = "; ".join(filter(None, [one, found.note]))
    return replace(
        found, high=nan if found.high > UNBOUNDED * found.value else found.high, note=note
    )


def _mean_service(lives, weights):
    """Mean distance in service for each row of vehicle weights."""
    code, _ = pd.factorize(lives["vehicle"])
    rows = *(lives[c].to_numpy() for c in ("duration_km", "came_off", "entry_km")), None
    return by_both_laws("mean", rows, weights[:, code])


def _beyond(lives, mean):
    curve = kaplan_meier(lives["duration_km"], lives["came_off"], lives["entry_km"])
    edges = np.concatenate([[0.0], curve["duration"]])
    within = (np.concatenate([[1.0], curve["survival"][:-1]]) * np.diff(edges)).sum()
    return float(np.clip(1 - within / mean, 0, 1))


def pairs(spans, confidence=0.9):
    """Every two items of one place, compared: one row a pair, `item` against `other`, the cheaper by the estimate first.

    `ratio` of their costs a distance (item over other) with `low`, `high` (jackknife over the vehicles of both), `p` that they cost the
    same, `p_holm` (over all pairs), `apart` (below `CLEAR_P`), `break_even` (the price at which the other would cost the same) with
    limits, `other_price`, `lives_needed` (of both together, for the interval to leave out 1 were the ratio as estimated; 0 where it does,
    -1 where they are too near). No row where either has under five ends, both together are on under
    `PAIR_VEHICLES`, or no limits can be given.
    """
    by_place = {}
    for key, group in _groups(with_place(spans)).items():
        group = (decisions(group[0]), *group[1:])
        if group[0]["came_off"].sum() >= MIN_ENDS:
            by_place.setdefault(key[:3], []).append((key[3], *group))
    rows = [
        _pair(place, a, b, confidence)
        for place, items in by_place.items()
        for a, b in combinations(items, 2)
    ]
    columns = [
        *PLACE,
        "item",
        "other",
        "ratio",
        "low",
        "high",
        "p",
        "break_even",
        "break_even_low",
        "break_even_high",
        "other_price",
    ]
    frame = pd.DataFrame(rows, columns=[*columns, "lives_needed"])
    frame = frame[frame["low"].notna()].reset_index(drop=True)
    frame["p_holm"] = holm(frame["p"].to_numpy(float))
    return frame.assign(apart=frame["p_holm"] < CLEAR_P)


def _pair(place, a, b, confidence):
    spent = {name: price + fitting for name, _, price, fitting in (a, b)}
    both = pd.concat([a[1], b[1]])
    names = pd.factorize(both["vehicle"])[1]

    def longer(weights):  # service of a over service of b
        draws = [
            _mean_service(own[1], weights[:, names.get_indexer(pd.factorize(own[1]["vehicle"])[1])])
            for own in (a, b)
        ]
        return draws[0] / draws[1]

    shared = a[1]["vehicle"].nunique() + b[1]["vehicle"].nunique() > len(names)
    found = jackknife(longer, len(names), 1 if shared else 2, confidence)
    if len(names) < PAIR_VEHICLES:
        found = replace(found, low=nan, high=nan)
    money = spent[a[0]] / spent[b[0]]
    ratio, low, high = money / found.value, money / found.high, money / found.low
    if ratio > 1:
        a, b, ratio, low, high = b, a, 1 / ratio, 1 / high, 1 / low
        found = replace(found, value=1 / found.value, low=1 / found.high, high=1 / found.low)
    # the other's price p with (p + its fitting) / its service = a's cost: service of b over a is 1 / found
    even = [spent[a[0]] / x - b[3] for x in (found.value, found.high, found.low)]
    half = np.log(high / low) / 2
    p = _chance(ratio, half, len(names) - (1 if shared else 2), confidence)
    needed = (
        0
        if high < 1 or not half > 0
        else int(np.ceil(len(both) * (half / abs(np.log(ratio))) ** 2))
        if ratio < 0.99
        else -1
    )
    return (*place, a[0], b[0], ratio, low, high, p, *even, b[2], needed)


def _chance(ratio, half, freedom, confidence):
    """p that a ratio is 1, from the half width of its limits on the log scale."""
    if not half > 0:
        return nan
    return float(
        2
        * stats.t.sf(
            abs(np.log(ratio)) / half * stats.t.ppf((1 + confidence) / 2, freedom), freedom
        )
    )
