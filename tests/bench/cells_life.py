"""Cells of lives by removal, cost of an item, comparisons of items, wear, ages of replacement. See holds.py."""

import numpy as np
import pandas as pd
from holds import cells
from scipy import optimize, special

from wearbar import parts as choice
from wearbar import parts as wear
from wearbar import stats
from wearbar.parts.items import closer_law

SHAPE, SPREAD, SCALE = (
    3.0,
    0.25,
    20_000.0,
)  # of a life within a vehicle; of vehicles, on the log scale
PLACES = ["rear-left", "rear-right", "rear-left-inner", "rear-right-inner"]
MEAN_LIFE = SCALE * special.gamma(1 + 1 / SHAPE)


def ended_by(x, spread=SPREAD):
    """Share of lives of all vehicles ended by x: Weibull within a vehicle, lognormal of mean one between them."""
    z, weight = np.polynomial.hermite_e.hermegauss(41)
    level = np.exp(spread * z - spread**2 / 2)
    return float((weight / weight.sum()) @ -np.expm1(-((x / (SCALE * level)) ** SHAPE)))


def quantile(p, spread=SPREAD):
    return optimize.brentq(lambda x: ended_by(x, spread) - p, SCALE / 100, SCALE * 20)


def parts(
    rng,
    vehicles,
    together=1,
    sets=(1, 5),
    censored=0.4,
    late=0.3,
    item="a",
    longer=1.0,
    spread=SPREAD,
    level=None,
):
    """Spans of parts fitted in sets that come off together: one decision a set. Some are on still, some enter late."""
    level = (
        np.exp(spread * rng.standard_normal(vehicles) - spread**2 / 2) if level is None else level
    )
    car = np.repeat(np.arange(vehicles), rng.integers(*sets, vehicles))
    n = len(car)
    entry = np.where(rng.random(n) < late, rng.uniform(0, 0.5, n), 0.0)
    x = (
        level[car]
        * longer
        * (((entry / (level[car] * longer)) ** SHAPE) + rng.exponential(size=n)) ** (1 / SHAPE)
    )
    until = np.where(rng.random(n) < 1.6 * censored, entry + rng.uniform(0, 1.6, n), np.inf)
    made = pd.DataFrame(
        {
            "vehicle": [f"v{c:02d}" for c in car],
            "set": np.arange(n),
            "kind": "van",
            "category": "tyre",
            "item": item,
        }
    )
    made = made.assign(
        duration_km=SCALE * np.minimum(x, until), entry_km=SCALE * entry, observed=x <= until
    )
    made["last_seen_km"] = np.nan  # its wear is not read
    made = made.loc[made.index.repeat(together)].reset_index(drop=True)
    made["position"] = np.resize(PLACES[:together], len(made))
    return dressed(made)


def dressed(made):
    """Columns that every span has."""
    made["part_key"] = made["item"] + made["set"].astype(str) + made["position"] + made["vehicle"]
    made["cause"] = (
        np.where(made["observed"], "worn", "still-on") if "cause" not in made else made["cause"]
    )
    # days stand for what the log tells of one decision: same vehicle, same day
    end = pd.Timestamp("2024-01-01") + pd.to_timedelta(made["set"], unit="D")
    on = made["cause"].eq("still-on")
    made = made.assign(
        positions=made["position"],
        last_position=made["position"],
        is_on=on,
        end=end,
        start=pd.NaT,
        age_known=True,
    )
    return made.assign(site="depot", price=100.0, fitting_cost=20.0, removed_depth_mm=np.nan)


@cells("median life by ends", "conservative", vehicles=(1, 3), changed_together=(1, 2, 4))
@cells("median life by ends", vehicles=(10, 34), changed_together=(1, 2, 4))
def median_life(rng, samples, vehicles, changed_together):
    truth = quantile(0.5)
    for _ in range(samples):
        level = np.exp(SPREAD * rng.standard_normal(vehicles) - SPREAD**2 / 2)
        sets = (6, 13) if vehicles == 1 else (1, 5)
        row = choice.lives_by_item(parts(rng, vehicles, changed_together, sets, level=level)).iloc[
            0
        ]
        own = level[0] * SCALE * np.log(2) ** (1 / SHAPE)
        yield row["low_km"], row["high_km"], own if vehicles == 1 else truth


@cells(
    "mean distance in service and cost by it",
    "conservative",
    vehicles=(1, 3),
    changed_together=(1, 2, 4),
)
@cells("mean distance in service and cost by it", vehicles=(10, 34), changed_together=(1, 2, 4))
def service(rng, samples, vehicles, changed_together):
    for _ in range(samples):
        level = np.exp(SPREAD * rng.standard_normal(vehicles) - SPREAD**2 / 2)
        sets = (6, 13) if vehicles == 1 else (1, 5)
        row = choice.cost_per_distance(
            parts(rng, vehicles, changed_together, sets, level=level)
        ).iloc[0]
        yield (
            row["service_low_km"],
            row["service_high_km"],
            MEAN_LIFE * (level[0] if vehicles == 1 else 1.0),
        )


@cells(
    "mean distance in service, most still on", "conservative", vehicles=(3,), changed_together=(2,)
)
@cells("mean distance in service, most still on", vehicles=(10, 34), changed_together=(2,))
def service_on(rng, samples, vehicles, changed_together):
    for _ in range(samples):
        row = choice.cost_per_distance(
            parts(rng, vehicles, changed_together, censored=0.6, late=0.6)
        ).iloc[0]
        yield row["service_low_km"], row["service_high_km"], MEAN_LIFE


def two_items(rng, vehicles, together, longer, shared):
    """Spans of two items, the second's lives `longer` times as long; on the same vehicles, or on as many others."""
    level = np.exp(SPREAD * rng.standard_normal(vehicles) - SPREAD**2 / 2)
    a = parts(rng, vehicles, together, level=level)
    b = parts(rng, vehicles, together, item="b", longer=longer, level=level if shared else None)
    return pd.concat([a, b if shared else b.assign(vehicle="w" + b["vehicle"])], ignore_index=True)


@cells(
    "ratio of two items' costs",
    vehicles=(3, 10, 34),
    changed_together=(1, 2, 4),
    on_the_same_vehicles=(False, True),
)
def cost_ratio(rng, samples, vehicles, changed_together, on_the_same_vehicles):
    for _ in range(samples):
        found = choice.pairs(two_items(rng, vehicles, changed_together, 1.25, on_the_same_vehicles))
        row = found.iloc[0] if len(found) else {"item": "a", "low": np.nan, "high": np.nan}
        yield (
            (row["low"], row["high"], 1.25)
            if row["item"] == "a"
            else (1 / row["high"], 1 / row["low"], 1.25)
        )


@cells(
    "some items differ in cost, when all are alike",
    "claim",
    vehicles=(10, 34),
    items=(2, 4),
    changed_together=(2,),
)
def items_alike(rng, samples, vehicles, items, changed_together):
    for _ in range(samples):
        many = pd.concat(
            [parts(rng, vehicles, changed_together, item=f"i{k}") for k in range(items)],
            ignore_index=True,
        )
        found = choice.pairs(many.assign(vehicle=many["vehicle"] + many["item"]))
        yield bool(found["apart"].any()) if len(found) else None


@cells(
    "two items differ in cost, one lasting 1.5 times as long",
    "found",
    vehicles=(10, 34),
    changed_together=(2,),
)
def items_apart(rng, samples, vehicles, changed_together):
    for _ in range(samples):
        found = choice.pairs(two_items(rng, vehicles, changed_together, 1.5, False))
        yield bool(found["apart"].any()) if len(found) else None


LOOK_KM = 4_000.0


@cells(
    "median life by ends, taken off because nearly worn",
    "conservative",
    vehicles=(10, 34),
    share_so=(0.5, 0.9),
)
def nearly_worn(rng, samples, vehicles, share_so):
    """Looked at every 4,000 km; most come off at the last look before they are worn, the rest at the first look after."""
    truth = quantile(0.5)
    for _ in range(samples):
        made = parts(rng, vehicles, 2, (2, 5), censored=0, late=0)
        before = np.floor(made["duration_km"] / LOOK_KM) * LOOK_KM
        so = (rng.random(len(made)) < share_so)[made["set"].to_numpy()] & (before > 0)
        made["duration_km"], made["last_seen_km"] = np.where(so, before, before + LOOK_KM), before
        made["observed"], made["cause"] = ~so, np.where(so, "removed-early", "worn")
        row = choice.lives_by_item(made).iloc[0]
        yield row["low_km"], row["high_km"], truth


USABLE_MM, BY_PART, BY_CAR, ERROR_MM, BETWEEN_KM, LIFE_KM = 6.0, 0.12, 0.15, 0.2, 1500.0, 10_000.0


def worn_parts(rng, samples, vehicles, together, each=2, by_part=BY_PART, by_car=BY_CAR):
    """Parts as `wear.wear_of` wants them, a category a sample: (spans, looks, true life of each). The first of each sample is on now."""
    per = vehicles * each * together
    n = samples * per
    car = np.arange(n) // (each * together)
    level = by_car * rng.standard_normal(samples * vehicles)
    own = LIFE_KM * np.exp(level[car] + by_part * rng.standard_normal(n))
    pair = np.arange(n) // together
    first = pair % (per // together) == 0
    on = first | np.repeat(rng.random(n // together) < 0.3, together)
    worst = np.minimum.reduceat(own, np.arange(0, n, together))[
        pair
    ]  # a pair comes off when its first is worn
    share = np.repeat(rng.uniform(0.3, 0.95, n // together), together)
    until = np.where(on, worst * share, np.ceil(worst / BETWEEN_KM) * BETWEEN_KM)
    key = np.array([f"p{i}" for i in range(n)])
    sample = (np.arange(n) // per).astype(str)
    spans = pd.DataFrame(
        {
            "part_key": key,
            "vehicle": [f"v{c}" for c in car],
            "kind": "car",
            "category": sample,
            "item": "x",
        }
    )
    spans = spans.assign(
        position="rear",
        positions="rear",
        last_position="rear",
        is_on=on,
        age_known=True,
        duration_km=until,
    )
    spans = spans.assign(
        start=pd.NaT,
        last_start=pd.NaT,
        seen_km=np.nan,
        limit_depth_mm=2.0,
        new_depth_mm=2.0 + USABLE_MM,
        observed=~on,
    )
    at = np.arange(int(np.ceil(until.max() / BETWEEN_KM)) + 1) * BETWEEN_KM + 0 * until[:, None]
    row, k = np.nonzero(at <= until[:, None])
    x = at[row, k]
    depth = 2.0 + USABLE_MM * (1 - x / own[row]) + ERROR_MM * rng.standard_normal(len(x))
    looks = pd.DataFrame(
        {
            "part_key": key[row],
            "vehicle": spans["vehicle"].to_numpy()[row],
            "category": sample[row],
            "position": "rear",
        }
    )
    looks = looks.assign(
        place="",
        quantity="depth",
        date=pd.Timestamp("2024-01-01"),
        distance_km=x,
        value=depth,
    )
    return spans, looks.assign(source="reading", line=np.arange(len(x))), pd.Series(own, key)


def worn(rng, samples, vehicles, together, batch=50):
    for _ in range(-(-samples // batch)):
        spans, looks, own = worn_parts(rng, batch, vehicles, together)
        names = spans["category"].unique()
        yield spans, wear.wear_of(spans, looks, wear.Law()), own, names


@cells("life to the limit by wear", vehicles=(1, 3, 10, 34), changed_together=(1, 2, 4))
def wear_life(rng, samples, vehicles, changed_together):
    for _, found, _, names in worn(rng, samples, vehicles, changed_together):
        rows = wear.life_to_limit(found).set_index("category").reindex(names)
        yield from ((low, high, LIFE_KM) for low, high in rows[["low_km", "high_km"]].to_numpy())


@cells("distance left of a part", vehicles=(1, 3, 10, 34), changed_together=(1, 2))
def distance_left(rng, samples, vehicles, changed_together):
    for spans, found, own, _ in worn(rng, samples, vehicles, changed_together):
        on = wear.remaining(found, pd.Timestamp("2025-01-01")).set_index("part_key")
        on = on.reindex(spans.drop_duplicates("category")["part_key"])
        yield from zip(on["life_low_km"], on["life_high_km"], own.reindex(on.index), strict=True)


@cells(
    "median of lives of one kind, by the fit alone",
    "conservative",
    vehicles=(3,),
    censored=(0.0, 0.4, 0.8),
    late=(False, True),
)
@cells(
    "median of lives of one kind, by the fit alone",
    "conservative",
    vehicles=(10,),
    censored=(0.8,),
    late=(False, True),
)
@cells(
    "median of lives of one kind, by the fit alone",
    vehicles=(10,),
    censored=(0.0, 0.4),
    late=(False, True),
)
@cells(
    "median of lives of one kind, by the fit alone",
    vehicles=(50,),
    censored=(0.0, 0.4, 0.8),
    late=(False, True),
)
def fitted_median(rng, samples, vehicles, censored, late):
    """One life a vehicle: `life_of`, below five ends by known shapes, named conservative: of 3
    vehicles always, of 10 with 80% censored nearly always."""
    for _ in range(samples):
        rows = parts(rng, vehicles, sets=(1, 2), censored=censored, late=0.5 * late, spread=0.0)
        found = stats.life_of(rows["duration_km"], rows["observed"], rows["entry_km"], rng=rng)
        yield found.low, found.high, SCALE * np.log(2) ** (1 / SHAPE)


@cells(
    "the wrong one of two laws is called closer",
    "claim",
    vehicles=(1, 3, 10, 34),
    law=("Weibull", "lognormal"),
    changed_together=(1, 2),
)
def wrong_law(rng, samples, vehicles, law, changed_together):
    for _ in range(samples):
        made = parts(rng, vehicles, 1, spread=0.0)
        if law == "lognormal":  # the same censoring of lives whose logs are normal
            x = SCALE * np.exp(0.4 * rng.standard_normal(len(made)))
            until = np.where(made["observed"], np.inf, made["duration_km"])
            made = made.assign(duration_km=np.minimum(x, until), entry_km=0.0, observed=x <= until)
            made["cause"] = np.where(made["observed"], "worn", "still-on")
        made = made.loc[made.index.repeat(changed_together)].reset_index(drop=True)
        lives = wear.service_lives(wear.with_place(made))
        found = closer_law(lives) if lives["came_off"].sum() >= 5 else {"p": np.nan}
        is_told = np.isfinite(found["p"])
        yield (
            bool((found["gap"] > 0) != (law == "Weibull") and found["p"] < 0.05)
            if is_told
            else None
        )
