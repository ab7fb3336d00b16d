"""What is true of a synthetic log and stands in no table of it: rates, lives, hazards, effects, use. SI units."""

import numpy as np
import pandas as pd
from scipy.special import ndtri

from wearbar_synthetic.settings import CHANCES, EFFECTS, HISTORY_DAYS, ITEMS, LAWS, NEVER, TYPES
from wearbar_synthetic.slots import AXLE_RATE

__all__ = ["truth_of"]

UNITS = {
    "*_km": "km",
    "*_mm": "mm",
    "rate_per_1000km": "mm (chain: % of new length) per 1,000 km on metalled road, at the place that wears quickest, mean over parts",
    "loose, mud_water": "share of distance, 0 to 1; as an effect: wear or hazard is multiplied by 1 + effect x share",
    "spread_sigma": "standard deviation of the log of a part's own rate",
    "life_*_km": "distance from new until the quickest place truly reaches the change limit, over the parts that this log fitted there",
    "scale, shape": "Weibull law, in the unit that `clock` names; exposure is distance x (1 + effect x share)",
    "repair_*": "expected repairs to age t years: (t / eta) ** beta; cost of one: lognormal (median, sigma), in the log's currency",
    "price, fitting": "the log's currency; a price paid is this x a uniform draw from 0.94 to 1.06",
    "l_per_100km": "summer, metalled road, before each vehicle's own factor `thirst`",
    "kept_share": "value at age t years: 0.92 x price new x kept_share ** t",
    "site_wear": "site to how many times as fast a category wears there, whatever the ground",
    "repair_times": "vehicle to how many times as often as its type it needs repair, else 1",
}


def truth_of(world, history, failed, names):
    """Frames `items`, `parts`, `failing_parts`, `laws`, `effects`, `types`, `vehicles`, and the dict `parameters` (units among them)."""
    types = world.vehicles["type"].unique()
    vehicles = _vehicles(world)
    parts = _parts(world, history, names[0], vehicles)
    failing = failed.assign(part=names[1], vehicle=world.names(failed["v"]))
    failing = failing[failing["to"] > HISTORY_DAYS].rename(columns={"life": "true_life"})
    effects = EFFECTS.reset_index()
    mean = np.average(vehicles["loose"], weights=vehicles["distance_km"].clip(lower=1))
    effects["ratio_of_10_points_loose"] = (1 + effects["loose"] * (mean + 0.1)) / (
        1 + effects["loose"] * mean
    )
    world_own = {"site_wear": world.setting.site_wear, "repair_times": world.setting.repair_times}
    own = world_own | {"mean_loose": round(float(mean), 4), "lost_fill_share": 0.012}
    return {
        "items": _items(parts),
        "parts": parts.drop(columns=["slot", "item_number"]),
        "failing_parts": failing[
            ["part", "vehicle", "category", "position", "clock", "true_life", "reason"]
        ].reset_index(drop=True),
        "laws": LAWS[LAWS["type"].isin(types)]
        .drop(columns=["price", "fitting"])
        .reset_index(drop=True),
        "effects": effects.round(4),
        "types": TYPES.loc[types].drop(columns=["letter", "plan"]).reset_index(),
        "vehicles": vehicles,
        "keeping": _keeping(world),
        "parameters": {"units": UNITS, "phrase": world.setting.phrase, **CHANCES, **own},
    }


def _vehicles(world):
    """Mean going over a vehicle's days in the log, weighted by distance, and its distance there."""
    v, last = world.vehicles, world.last
    begin, end = np.maximum(HISTORY_DAYS, v["join_day"]), np.minimum(v["end_day"], last)
    km = np.diff(world.odometer, axis=0, prepend=0.0)
    day = np.arange(last + 1)[:, None]
    km = np.where((day > begin.to_numpy()) & (day <= end.to_numpy()), km, 0.0)
    total = km.sum(0)
    frame = pd.DataFrame(
        {"vehicle": v["vehicle"], "type": v["type"], "distance_km": total.round(1)}
    )
    for name, share in (("loose", world.loose), ("mud_water", world.mud_water)):
        frame[name] = ((km * share).sum(0) / np.maximum(total, 1.0)).round(4)
    return frame.assign(
        rough_side=v["rough"].astype(int), thirst=v["thirst"].round(4), price_new=v["price"]
    )


def _exposure(world):
    """Mean exposure per km of each category (rows of `EFFECTS`) on each vehicle over its days in the log."""
    v, begin, end = np.arange(world.n), world.begin, world.end
    gained, km = (
        np.subtract(a[..., end, v], a[..., begin, v])
        for a in (world.exposure_table, world.odometer)
    )
    return gained / np.maximum(km, 1.0)


def _keeping(world):
    """What each vehicle costs a year in repairs and fall of value, kept on as long as is cheapest, and what a new one of its type does.

    All else, such as servicing, wearing parts and fixed costs, is taken to cost the same for both.
    """
    v = world.vehicles[world.vehicles["end_day"].eq(NEVER)]
    age, free = (world.last - v["in_day"]) / 365.25, CHANCES["repair_in_warranty_days"] / 365.25
    one = v["repair_median"] * np.exp(v["repair_sigma"] ** 2 / 2)  # mean cost of a repair

    def a_year(worth, age, times, years):
        value = 0.92 * v["price"] * v["kept_share"] ** (age + years)
        first, last = (np.maximum(t, free) / v["repair_eta_years"] for t in (age, age + years))
        repairs = times * one * (last ** v["repair_beta"] - first ** v["repair_beta"])
        return (worth - value + repairs) / years

    now = 0.92 * v["price"] * v["kept_share"] ** age
    kept = [a_year(now, age, v["repair_times"], years) for years in range(1, 21)]
    new = [a_year(v["price"], 0 * age, 1.0, years) for years in range(1, 21)]
    frame = v[["vehicle", "type", "repair_times"]].assign(
        age_years=age, kept_a_year=np.min(kept, axis=0), new_one_a_year=np.min(new, axis=0)
    )
    better = np.where(frame["kept_a_year"] > frame["new_one_a_year"], "replace", "keep")
    return frame.round(2).assign(better=better).reset_index(drop=True)


def _parts(world, history, names, vehicles):
    """Every wearing part that was on during the log: its own rate, and its life to the limit on its first vehicle's mean going."""
    slots = history.slots
    spans = history.spans
    seen = spans[
        (
            spans["to"]
            > np.maximum(
                HISTORY_DAYS,
                world.vehicles["join_day"].to_numpy()[slots["v"].to_numpy()[spans["slot"]]],
            )
        )
    ]
    parts = history.parts[history.parts["part"].isin(seen["part"])].reset_index(drop=True)
    own = slots.loc[parts["slot"], ["v", "type", "category", "position", "axle"]].reset_index(
        drop=True
    )
    item = ITEMS.loc[parts["item"]].reset_index(drop=True)
    exposure = _exposure(world)[EFFECTS.index.get_indexer(own["category"]), own["v"]]
    axle = AXLE_RATE.reindex(pd.MultiIndex.from_frame(own[["type", "axle"]])).fillna(1.0).to_numpy()
    axle = np.where(own["category"].eq("tyre"), axle, 1.0)
    rate = parts["rate"] * axle
    allowance = (item["new"] - item["limit"]).abs().fillna(1.0)
    frame = pd.DataFrame(
        {"part": parts["part"].map(names), "vehicle": vehicles["vehicle"].to_numpy()[own["v"]]}
    )
    frame = pd.concat([frame, own[["type", "category", "position"]]], axis=1).assign(
        item=item["item"], exposure=exposure.round(5)
    )
    frame["rate_per_1000km"] = (rate * 1000).round(6)
    frame["life_to_limit_km"] = (allowance / (rate * exposure)).round(0)
    frame["fitted_used"] = parts["fitted_used"]
    for i in range(3):
        frame[f"place_{i}"] = parts[f"place_{i}"].where(item["new"].notna()).round(4)
    return frame.assign(slot=parts["slot"], item_number=parts["item"])


def _items(parts):
    """An item at a position: its rate there, and the law of the life of the parts that this log fitted there."""
    sigma = CHANCES["wear_spread_sigma"]
    wearing = parts[parts["category"].ne("air-filter")].reset_index(drop=True)
    item = ITEMS.loc[wearing["item_number"]].reset_index(drop=True)
    axle = AXLE_RATE.reindex(
        pd.MultiIndex.from_arrays([wearing["type"], wearing["position"].str.split("-").str[0]])
    )
    rate = item["rate"] * np.where(wearing["category"].eq("tyre"), axle.fillna(1.0), 1.0)
    # the law of each part's life is lognormal about its vehicle's going: a grid of its quantiles, pooled, is the law over the parts
    z = ndtri((np.arange(400) + 0.5) / 400)
    allowance = (item["new"] - item["limit"]).abs()
    life = (1000 * allowance / (rate * wearing["exposure"])).to_numpy()[:, None] * np.exp(
        -sigma * z + sigma**2 / 2
    )
    key = ["type", "category", "position", "item"]
    group, names = pd.MultiIndex.from_frame(wearing[key]).factorize()
    pooled = pd.Series(life.ravel()).groupby(np.repeat(group, len(z)))
    frame = pd.DataFrame(list(names), columns=key)
    first = pd.Series(np.arange(len(group))).groupby(group).first().to_numpy()
    frame["rate_per_1000km"] = rate.to_numpy()[first].round(6)
    frame["spread_sigma"] = sigma
    frame["mean_exposure"] = wearing.groupby(group)["exposure"].mean().round(4).to_numpy()
    frame["parts_in_log"] = np.bincount(group)
    frame["life_mean_km"] = pooled.mean().round(0).to_numpy()
    for share in (0.1, 0.5, 0.9):
        frame[f"life_{round(share * 100)}_percent_ended_km"] = (
            pooled.quantile(share).round(0).to_numpy()
        )
    own = item.iloc[first].reset_index(drop=True)
    frame = frame.assign(
        new_mm=own["new"], limit_mm=own["limit"], price=own["price"], fitting=own["fitting"]
    )
    return frame.sort_values(key, ignore_index=True)
