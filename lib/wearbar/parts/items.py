"""How long items last, why parts were removed early, what an item costs a distance, and whether two
items differ; the vehicle is the unit.

A part costs E[price + fitting] / E[distance in service] in the long run, whatever it is removed for
(Ross 1996, Stochastic Processes, section 3.6; from memory). Items are compared only for the same
place on the same kind of vehicle, and money alone never chooses a tyre or a pad."""

from dataclasses import replace
from itertools import combinations
from math import nan

import numpy as np
import pandas as pd
from scipy import special, stats

from wearbar.parts.lives import GOES_ON, HOLE, axle_of, watched
from wearbar.stats import fit_groups, life_of
from wearbar.stats.estimate import Estimate, holm
from wearbar.stats.likelihood import FAMILIES

PLACE = ["category", "kind", "place_on"]
ITEM = [*PLACE, "item"]
STILL = ("still-on", "disposed", "not-told", HOLE, *GOES_ON)  # what ends the watching alone
UNBOUNDED = 10  # a limit this many times the estimate is none
MIN_CARS = 4  # for limits by their spread: of three vehicles, 90% hold 85 times in 100
SHORT = 0.01  # so much more is asked of those limits: they hold 87 to 89 without it
MIN_ENDS = 5  # of an item, for the same
FIT_ENDS = 3  # of a sample without one vehicle, for a fit
NEAR = 0.9  # of the median life: no point is told where that with early ends as worn lies below
EXACT = 0.05  # of the median life: looks nearer together than this tell the end itself
ROWS = ["vehicle", "duration_km", "observed", "entry_km"]
NO_RANGE = {"low": nan, "high": nan, "note": "few vehicles: no range"}
LIFE = "n n_ended n_early n_between life_km low_km high_km floor_km note"
PAIR_VEHICLES = 8  # of two items together: with fewer, 90% limits of their ratio held 86 to 97
CLEAR_P = 0.05  # a pair's Holm-adjusted chance below this is called a difference
COST = "n n_off vehicles price fitting service_km service_low_km service_high_km"
COST += " cost_per_km low_per_km high_per_km note"
PAIR = "other ratio low high p break_even break_even_low break_even_high lives_needed"


def service_lives(spans):
    """The lives `watched`, with `came_off`: that service ended, for whatever reason."""
    return watched(spans).assign(came_off=lambda lives: ~lives["cause"].isin(STILL))


def with_place(spans):
    """Adds `place_on`: the axle of a part; "all round" where its kind moves between axles."""
    axles = axle_of(spans["positions"]).str.split(", ").map(set)
    moved = axles.str.len().gt(1).groupby([spans["category"], spans["kind"]]).transform("any")
    return spans.assign(place_on=axles.map(min).mask(moved, "all round"))


def decisions(lives):
    """The lives, those of one vehicle that ran the same km and ended on one day (a pair of pads) as
    one: one that wore out or failed stands for it."""
    key = lives[["entry_km", "duration_km"]].round()
    key = key.assign(vehicle=lives["vehicle"], day=lives.get("end"))
    first = (~lives["observed"]).sort_values(kind="stable").index
    return lives.loc[key.loc[first].drop_duplicates().index.sort_values()]


def life_by_vehicle(place, confidence, *items):
    """(`Estimate`, degrees of freedom) of an item's "median", "mean" or "early" life (90% reach
    it), or its ratio to another's.

    Lives of one vehicle follow a Weibull law, those of a fleet whose vehicles differ a wider one:
    so its fit is averaged with a lognormal one by their Akaike weights (Burnham and Anderson 2002,
    Model selection and multimodel inference, section 2.9; from memory). Lives: `vehicle,
    duration_km, observed, entry_km` and perhaps `last_seen_km`. Limits: each vehicle left out in
    turn, log scale, Student's t; none where a sample has no fit."""
    names = pd.Index(pd.concat([lives["vehicle"] for lives in items]).unique())
    n, logs = len(names), []
    for lives in items:
        laws = _laws_without(lives, names)
        weibull, lognormal = (
            np.log(law[place].where(law["n_observed"] >= FIT_ENDS)) for law in laws
        )
        share = special.expit(laws[0]["loglik"] - laws[1]["loglik"])
        logs.append((share * weibull + (1 - share) * lognormal).to_numpy())
    value, *parts = logs[0] - sum(logs[1:])
    is_shared = sum(lives["vehicle"].nunique() for lives in items) > n
    freedom = n - (1 if is_shared else len(items))
    se = np.sqrt((n - 1) * np.var(parts)) if freedom >= MIN_CARS - 1 else nan
    half = stats.t.ppf((1 + confidence + SHORT) / 2, max(freedom, 1)) * se
    ends = np.exp([value, value - half, value + half]).tolist()
    method, unit = "jackknife over vehicles", "km" if len(items) == 1 else ""
    return Estimate(*ends, confidence, n, unit=unit, method=method), freedom


def _laws_without(lives, names):
    """Weibull and lognormal fits: a frame each, of all vehicles (`names`), then without each."""
    n = len(names)
    weights = np.vstack([np.ones(n), 1 - np.eye(n)])[:, names.get_indexer(lives["vehicle"])]
    sample, row = np.nonzero(weights)
    x, seen, entry = (lives[c].to_numpy()[row] for c in ("duration_km", "observed", "entry_km"))
    looks = lives["last_seen_km"].to_numpy()[row] if "last_seen_km" in lives else None
    rows = x, seen, sample, entry, weights[sample, row], looks
    laws = [fit_groups(law, *rows).set_index("group") for law in FAMILIES]
    return [law.reindex(np.arange(n + 1)) for law in laws]


def closer_law(lives):
    """Which law the distance in service of one item follows, by its rows of `service_lives`: Series
    n, n_off, gap (Akaike's criterion of the lognormal law less the Weibull's: above 0 the latter
    fits better), weibull_km, lognormal_km (by which a tenth is removed), p (that both are as near
    to the truth: Vuong 1989, Econometrica 57:307, from memory; its units are vehicles, left out in
    turn; NaN below `MIN_CARS`)."""
    own = decisions(lives).drop(columns="last_seen_km", errors="ignore")
    own = own.assign(observed=own["came_off"])
    names = pd.Index(own["vehicle"].unique())
    laws, n = _laws_without(own, names), len(names)
    gap = 2 * (laws[0]["loglik"] - laws[1]["loglik"]).to_numpy()
    se = np.sqrt(n * np.var(gap[0] - gap[1:], ddof=1)) if n >= MIN_CARS else nan
    told = {"n": len(own), "n_off": int(own["observed"].sum()), "gap": gap[0]}
    for law, (name, family) in zip(laws, FAMILIES.items(), strict=True):
        told[f"{name}_km"] = np.exp(law["mu"].iat[0] + law["sigma"].iat[0] * family.ppf(0.1))
    told["p"] = 2 * stats.t.sf(abs(gap[0]) / se, n - 1) if se > 0 else nan
    return pd.Series(told)


def life_of_item(place, rows, confidence, rng):
    """The "median" or "mean" life by the spread between vehicles; of few by `life_of`."""
    if rows["vehicle"].nunique() == 1 or rows["observed"].sum() < MIN_ENDS:
        p, lives = 0.5 if place == "median" else None, (rows[column] for column in ROWS[1:])
        return life_of(*lives, p, confidence, rng, rows.get("last_seen_km"))
    found = replace(life_by_vehicle(place, confidence, rows)[0], n=len(rows))
    return found if np.isfinite(found.low) else replace(found, **NO_RANGE)


def lives_by_item(spans, confidence=0.9, rng=None):
    """Life until worn out or failed, from ends alone: a row an item at its place, most ends first.

    Columns `ITEM` and `LIFE`: n_early: removed early; n_between: ends that lie between two looks
    `EXACT` of the median life apart or more; life_km: the median, early ends taken as independent
    of wear (NaN where floor_km is below `NEAR` of it); floor_km: were every part removed early
    about to wear out; low_km: the low limit of the latter, high_km: the high one of the former."""
    rng, rows = rng or np.random.default_rng(0), []
    for key, group in watched(with_place(spans)).groupby(ITEM):
        n, n_ended = group["part_key"].nunique(), int(group["observed"].sum())
        n_early, n_between = int(group["cause"].eq("removed-early").sum()), 0
        group = decisions(group)
        entry, end, worn = group["entry_km"], group["duration_km"], group["cause"].eq("worn")
        lives = group[ROWS]
        found = life_of_item("median", lives, confidence, rng)
        apart = (end - group["last_seen_km"])[worn].dropna()
        if len(apart) and apart.median() >= EXACT * found.value:
            # wearing out is found by looking: an end lies after the look before it, and a life
            # that goes on is known to at its last look alone
            seen = group["last_seen_km"].fillna(entry).clip(entry, end)
            until = end.where(worn | group["cause"].eq("failed"), seen)
            lives = lives.assign(duration_km=until, last_seen_km=seen.where(worn, until))
            lives = lives[until > entry]
            n_between = int((lives["last_seen_km"] < lives["duration_km"]).sum())
            found = life_of_item("median", lives, confidence, rng)
        early, floor = group.loc[lives.index, "cause"].eq("removed-early"), found
        if early.any():
            as_worn = lives.assign(observed=lives["observed"] | early)
            floor = life_of_item("median", as_worn, confidence, rng)
        life = nan if floor.value < NEAR * found.value else found.value
        high = nan if found.high > UNBOUNDED * found.value else found.high
        limits = np.fmin(found.low, floor.low), high, floor.value
        rows.append((*key, n, n_ended, n_early, n_between, life, *limits, found.note))
    frame = pd.DataFrame(rows, columns=[*ITEM, *LIFE.split()])
    return frame.sort_values([*PLACE, "n_ended"], ascending=[True] * 3 + [False], ignore_index=True)


def early_ends(parts):
    """Why parts (spans with `limit`) were removed early: a row a category and cause, by cost. `n`,
    `of` (parts of the category that were removed), `unused_share` (mean share of the usable depth
    that went with them, of `n_known`), `wasted` (that share of their price and fitting)."""
    off = parts[~parts["cause"].isin(STILL)]
    early = off[~off["observed"]]
    usable = (early["new_depth_mm"] - early["limit"]).where(lambda usable: usable > 0)
    unused = ((early["removed_depth_mm"] - early["limit"]) / usable).clip(0, 1)
    wasted = unused * (early["price"] + early["fitting_cost"].fillna(0))
    groups = early.assign(unused=unused, wasted=wasted).groupby(["category", "cause"])
    frame = groups["unused"].agg(n="size", unused_share="mean", n_known="count")
    frame = frame.assign(wasted=groups["wasted"].sum(min_count=1)).reset_index()
    frame["of"] = frame["category"].map(off.groupby("category").size())
    return frame.sort_values(["wasted", "n"], ascending=False, ignore_index=True)


def _items(spans):
    """(figures, decisions) of each item of a place that has a price; `observed`: service ended."""
    spans = with_place(spans)
    by = service_lives(spans).groupby(ITEM)
    paid = spans[spans["price"].notna()].groupby(ITEM)[["price", "fitting_cost"]].mean().fillna(0.0)
    how = {"part_key": "nunique", "came_off": "sum", "vehicle": "nunique"}
    table = by.agg(how).join(paid, how="inner").assign(spent=paid.sum(axis=1))
    for item in table.reset_index().itertuples(index=False):
        own = decisions(by.get_group(item[: len(ITEM)]))
        own = own.drop(columns="last_seen_km", errors="ignore")
        yield item, own.assign(observed=own["came_off"])


def cost_per_distance(spans, confidence=0.9, rng=None):
    """What each item costs a distance at its place: one row an item of a place that has a price.

    Columns `ITEM` and `COST`: n, n_off: lives, and parts removed; price, fitting: means of those
    known; service_km: mean distance in service, all ends. Limits: jackknife over vehicles; where
    vehicles or ends are too few, as the note says, `life_of`."""
    rng, rows = rng or np.random.default_rng(0), []
    for (*about, spent), lives in _items(spans):
        found = life_of_item("mean", lives, confidence, rng)
        is_one = lives["vehicle"].nunique() == 1
        if found.high > UNBOUNDED * found.value:
            few = is_one or lives["observed"].sum() < MIN_ENDS
            found = replace(found, **({"high": nan} if few else NO_RANGE))
        notes = ["one vehicle: its own parts alone" if is_one else "", found.note]
        cost = (spent / km for km in (found.value, found.high, found.low))
        note = "; ".join(filter(None, notes))
        rows.append((*about, found.value, found.low, found.high, *cost, note))
    return pd.DataFrame(rows, columns=[*ITEM, *COST.split()])


def pairs(spans, confidence=0.9):
    """Every two items of one place, compared: a row a pair, `item`, the cheaper, against `other`.

    `ratio` of their costs a distance (item over other) with limits (jackknife over the vehicles of
    both), `p` that they cost the same, `p_holm`, `apart` (that is below `CLEAR_P`), `break_even`
    (the price at which the other would cost the same) with limits, `lives_needed` (of both, for the
    interval to leave out 1; -1 where they are too near). No row where either has under `MIN_ENDS`,
    both are on fewer than `PAIR_VEHICLES`, or no limits can be given."""
    items = [item for item in _items(spans) if item[1]["observed"].sum() >= MIN_ENDS]
    rows = []
    for (a, lives), (b, other_lives) in combinations(items, 2):
        vehicles = pd.concat([lives["vehicle"], other_lives["vehicle"]])
        if a[: len(PLACE)] != b[: len(PLACE)] or vehicles.nunique() < PAIR_VEHICLES:
            continue
        found, freedom = life_by_vehicle("mean", confidence, lives, other_lives)
        money, longer = a.spent / b.spent, np.array([found.value, found.high, found.low])
        if money > longer[0]:
            a, b, money, longer = b, a, 1 / money, 1 / longer[[0, 2, 1]]
        ratio, low, high = money / longer
        # the other's price p with (p + its fitting) / its service = a's cost
        even = a.spent / longer - b.fitting_cost
        half, p, needed = np.log(high / low) / 2, nan, 0
        if half > 0:
            t = abs(np.log(ratio)) / half * stats.t.ppf((1 + confidence) / 2, freedom)
            p = float(2 * stats.t.sf(t, freedom))
            if high >= 1:
                n = len(vehicles)
                needed = -1 if ratio >= 0.99 else int(np.ceil(n * (half / np.log(ratio)) ** 2))
        rows.append((*a[: len(ITEM)], b.item, ratio, low, high, p, *even, needed))
    frame = pd.DataFrame(rows, columns=[*ITEM, *PAIR.split()])
    frame = frame.astype(dict.fromkeys(PAIR.split()[1:-1], float))  # where empty too
    frame = frame[frame["low"].notna()].reset_index(drop=True)
    frame["p_holm"] = holm(frame["p"].to_numpy(float))
    return frame.assign(apart=frame["p_holm"] < CLEAR_P)
