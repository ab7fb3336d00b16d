"""The places on vehicles where parts wear, what may be fitted there, and the damage that tyres meet."""

import numpy as np
import pandas as pd

from wearbar_synthetic.settings import CHANCES, EFFECTS, ITEMS, LAWS, NEVER
from wearbar_synthetic.world import day_reached

__all__ = ["AXLE_RATE", "PLACES", "WHEELS", "damage", "make_slots", "slot_facts"]

AXLE_RATE = pd.DataFrame(CHANCES["axle_rate"]).T.stack()  # by type and axle
WHEELS = ("front-left", "front-right", "rear-left", "rear-right")
PLACES = {
    "tyre": ("centre", "left-shoulder", "right-shoulder"),
    "brake-pad": ("inner", "outer"),
    "chain": ("tight-spot",),
    "air-filter": ("",),
}
# wear of each place beside the quickest, before its own scatter
PLACE_WEAR = {
    "front": (0.90, 1.0, 0.97),
    "rear": (1.0, 0.88, 0.86),
    "wheel": (0.93, 1.0, 0.97),
    "brake-pad": (1.0, 0.84, 0.0),
    "one": (1.0, 0.0, 0.0),
}


def make_slots(world, grid):
    """One row a slot: v, category, position, axle, type; stored (a set on the shelf) and shelf (the slot it changes with, or -1);
    mate (the other side of the axle, or itself); partner (the other axle, or -1); inspected_by and renewed_by (task columns, or -1)."""
    v = np.arange(world.n)
    two = world.vehicles["kind"].eq("motorcycle").to_numpy()
    parts = [(v[two], "tyre", p) for p in ("front", "rear")] + [
        (v[~two], "tyre", p) for p in WHEELS
    ]
    parts += [
        (v, "brake-pad", "front"),
        (v, "brake-pad", "rear"),
        (v[two], "chain", "drive"),
        (v, "air-filter", "engine"),
    ]
    slots = pd.concat(
        [pd.DataFrame({"v": a, "category": c, "position": p}) for a, c, p in parts],
        ignore_index=True,
    )
    winter = _winter_van(world)
    store = pd.DataFrame(
        {"v": np.repeat(winter, 4), "category": "tyre", "position": np.tile(WHEELS, len(winter))}
    )
    slots = pd.concat([slots.assign(stored=False), store.assign(stored=True)], ignore_index=True)
    slots["axle"] = slots["position"].str.split("-").str[0]
    slots["type"] = world.vehicles["type"].to_numpy()[slots["v"]]
    key = slots["v"].astype(str) + slots["category"] + slots["stored"].astype(str)
    side = (
        slots["position"]
        .str.replace("left", "x")
        .str.replace("right", "left")
        .str.replace("x", "right")
    )
    other_axle = (
        slots["position"]
        .str.replace("front", "x")
        .str.replace("rear", "front")
        .str.replace("x", "rear")
    )
    number = pd.Series(slots.index, index=key + slots["position"])
    wheels = slots["category"].eq("tyre") & slots["position"].isin(WHEELS)
    slots["mate"] = np.where(wheels, number.reindex(key + side).fillna(-1), slots.index).astype(int)
    slots["partner"] = np.where(
        wheels & ~slots["stored"], number.reindex(key + other_axle).fillna(-1), -1
    ).astype(int)
    shelf = (
        slots["v"].astype(str)
        + slots["category"]
        + (~slots["stored"]).astype(str)
        + slots["position"]
    )
    slots["shelf"] = number.reindex(shelf).fillna(-1).to_numpy().astype(int)
    tasks = {
        "tyre": "tyres-inspect",
        "brake-pad": "brake-pads-inspect",
        "chain": "chain-adjust",
        "air-filter": "air-filter-inspect",
    }
    slots["inspected_by"] = _task_column(grid, slots, slots["category"].map(tasks))
    slots["renewed_by"] = np.where(
        slots["category"].eq("air-filter"),
        _task_column(grid, slots, pd.Series("air-filter-replace", slots.index)),
        -1,
    )
    return slots


def _winter_van(world):
    """The vehicle that has a second set of wheels: the newest van but one of a fleet."""
    return (
        world.vehicles.index[world.vehicles["kind"].eq("van")][-2:-1].to_numpy()
        if world.n >= 12
        else np.array([], dtype=int)
    )


def _task_column(grid, slots, code):
    """Column of the task that looks at a slot: the one for its position, or for the whole vehicle."""
    own = grid.code[slots["v"]] == code.to_numpy()[:, None]
    position = grid.position[slots["v"]]
    own &= (position == "") | (position == slots["position"].to_numpy()[:, None])
    return np.where(own.any(1), own.argmax(1), -1)


def damage(world, slots, rng):
    """Damage to tyres as a Poisson process in distance, quicker on loose ground: day and slot by vehicle, and a pointer a vehicle."""
    km = np.diff(world.odometer, axis=0, prepend=0.0)
    hazard = np.cumsum(km * (1 + CHANCES["damage_loose_effect"] * world.loose) / 1000, axis=0)
    tyres = slots.index[slots["category"].eq("tyre") & ~slots["stored"]].to_numpy()
    v = slots["v"].to_numpy()[tyres]
    mean = hazard[-1, v] * world.vehicles["type"].map(CHANCES["damage_per_1000km"]).to_numpy()[v]
    count = rng.poisson(mean)
    slot, v = np.repeat(tyres, count), np.repeat(v, count)
    day = day_reached(hazard, v, rng.random(len(v)) * hazard[-1, v])
    order = np.lexsort((day, v))
    v, day, slot = v[order], day[order], slot[order]
    start = np.searchsorted(v, np.arange(world.n))
    end = start + np.bincount(
        v, minlength=world.n
    )  # one row that never comes closes each vehicle's list
    return {
        "day": np.insert(day, end, NEVER),
        "slot": np.insert(slot, end, -1),
        "pointer": start + np.arange(world.n),
    }


def slot_facts(world, slots):
    """What holds of each slot throughout, as arrays by slot.

    options, chance: rows of `ITEMS` that fit it (up to 3) and the cumulative chance of each. pattern: wear of its places beside the
    quickest. law: scale and shape of the Weibull law of an air filter, NaN for parts that wear. rate_factor: the axle's share of an item's
    rate. error: standard deviation of a reading. table: which exposure it feels, as a row of `EFFECTS`.
    """
    tyre, chain = slots["category"].eq("tyre"), slots["category"].eq("chain")
    wheel = np.where(slots["position"].isin(WHEELS), "wheel", slots["axle"])
    pattern = np.where(tyre, wheel, np.where(slots["category"].eq("brake-pad"), "brake-pad", "one"))
    places = pd.DataFrame(PLACE_WEAR).T
    laws = LAWS[LAWS["category"].eq("air-filter")].set_index("type")
    own = laws.reindex(slots["type"].where(slots["category"].eq("air-filter")))
    axle = (
        AXLE_RATE.reindex(pd.MultiIndex.from_frame(slots[["type", "axle"]])).fillna(1.0).to_numpy()
    )
    options, chance = _options(world, slots)
    return {
        "options": options,
        "chance": chance,
        "pattern": places.loc[pattern].to_numpy(),
        "law": own[["scale", "shape"]].to_numpy(dtype=float),
        "rate_factor": np.where(tyre, axle, 1.0),
        "error": np.where(
            chain, CHANCES["chain_reading_error_percent"], CHANCES["reading_error_mm"]
        ),
        "table": EFFECTS.index.get_indexer(slots["category"]),
    }


def _options(world, slots):
    """Items that fit each slot (slots x 3, rows of `ITEMS`) and the cumulative chance of each."""
    loose = world.loose.mean(0)[slots["v"]]
    kind, category, axle = (slots[c].to_numpy()[:, None] for c in ("type", "category", "axle"))
    fits = (ITEMS["type"].to_numpy() == kind) & (ITEMS["category"].to_numpy() == category)
    fits &= (ITEMS["axle"].to_numpy() == "") | (ITEMS["axle"].to_numpy() == axle)
    weight = (
        fits * ITEMS["weight"].to_numpy() * np.exp(np.outer(loose - 0.3, ITEMS["tilt"].to_numpy()))
    )
    options = np.argsort(~fits, axis=1, kind="stable")[:, :3]
    chance = np.take_along_axis(weight, options, axis=1)
    chance = np.cumsum(chance / chance.sum(1, keepdims=True), axis=1)
    return options, np.where(chance > 1 - 1e-12, 2.0, chance)
