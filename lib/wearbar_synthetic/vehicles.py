"""The vehicles of a keeper, with their repairs and lay-ups."""

import numpy as np
import pandas as pd

from wearbar_synthetic.settings import HISTORY_DAYS, NEVER, TYPES

__all__ = ["make_layups", "make_repairs", "make_vehicles"]


def make_vehicles(setting, n, days, rng):
    """One row a vehicle: type, site and side of the work, first and last day, yearly distance, price."""
    counts = _apportion(list(setting.types.values()), n)
    kind = np.repeat(list(setting.types), counts)
    place = np.arange(n) - np.repeat(
        np.cumsum(counts) - counts, counts
    )  # the vehicle's number within its type
    frame = pd.DataFrame({"type": kind}).join(TYPES, on="type")
    age_rank = (place + rng.random(n)) / np.repeat(np.maximum(counts, 1), counts)
    log_days = days - HISTORY_DAYS
    frame["in_day"] = (60 + age_rank * (HISTORY_DAYS + 0.55 * log_days)).astype(int)
    frame["join_day"] = frame["in_day"]
    frame["end_day"] = NEVER
    frame["disposal"] = ""
    if setting.names:
        frame["in_day"] = frame["join_day"] = np.array([500, 220])[np.arange(n) % 2]
        frame.loc[frame["type"].eq("car"), "join_day"] = HISTORY_DAYS - 240
        frame["vehicle"] = np.array(setting.names)[np.arange(n) % 2]
    else:
        frame["vehicle"] = frame["letter"] + pd.Series(place + 1).astype(str).str.zfill(
            2 if n < 200 else 3
        )
        _dispose(frame, place, log_days)
    frame["repair_times"] = frame["vehicle"].map(setting.repair_times).fillna(1.0)
    frame["site"] = (place + frame.groupby("type", sort=False).ngroup()) % len(setting.sites)
    frame["rough"] = (place // len(setting.sites) + frame["site"]) % 2
    frame["km_per_year"] *= np.exp(0.16 * rng.standard_normal(n))
    frame["price"] = (frame["price"] * np.exp(0.04 * rng.standard_normal(n)) / 10).round() * 10
    frame["own_loose"] = 0.035 * rng.standard_normal(n)
    frame["thirst"] = np.exp(0.05 * rng.standard_normal(n))
    return frame


def _apportion(shares, n):
    exact = np.array(shares) / np.sum(shares) * n
    counts = np.floor(exact).astype(int)
    counts[np.argsort(counts - exact, kind="stable")[: n - counts.sum()]] += 1
    return counts


def _dispose(frame, place, log_days):
    """The oldest of each type goes, and one joins used, where the fleet is large enough to spare them."""
    if len(frame) < 12:
        return
    first = place == 0
    frame.loc[first, "end_day"] = HISTORY_DAYS + (
        log_days * np.array([0.55, 0.72, 0.8])[np.arange(first.sum()) % 3]
    ).astype(int)
    frame.loc[first, "disposal"] = np.array(["sold", "written-off", "sold"])[
        np.arange(first.sum()) % 3
    ]
    used = (place == 3) & frame["kind"].eq("van").to_numpy()
    frame.loc[used, "join_day"] = HISTORY_DAYS + int(0.4 * log_days)


def make_repairs(vehicles, days, rng):
    """Repairs as a power-law process in years of age: vehicle, day, cost of parts and labour; whether beyond its type's.

    Those beyond come last, from draws of their own, so that all else is the same with and without them.
    """
    end = np.minimum(vehicles["end_day"], days)
    years = (end - vehicles["in_day"]).clip(lower=0) / 365.25
    mean = (years / vehicles["repair_eta_years"]) ** vehicles["repair_beta"]
    beyond = mean * (vehicles["repair_times"] - 1)
    more = _repairs(vehicles, beyond, mean, rng.spawn(1)[0]).assign(beyond=True)
    usual = _repairs(vehicles, mean, mean, rng).assign(beyond=False)
    return pd.concat([usual, more], ignore_index=True)


def _repairs(vehicles, number, mean, rng):
    """As many in the mean as `number`, spread over a vehicle's life as its type's `mean` of them are."""
    count = rng.poisson(number)
    v = np.repeat(np.arange(len(vehicles)), count)
    own = vehicles.iloc[v].reset_index(drop=True)
    age = own["repair_eta_years"] * (rng.random(len(v)) * mean.to_numpy()[v]) ** (
        1 / own["repair_beta"]
    )
    cost = own["repair_median"] * np.exp(own["repair_sigma"] * rng.standard_normal(len(v)))
    frame = pd.DataFrame({"v": v, "day": own["in_day"] + (age * 365.25).astype(int), "cost": cost})
    return frame.sort_values(["v", "day"], ignore_index=True, kind="stable")


def make_layups(setting, vehicles, repairs, month, days, rng):
    """Lay-ups in days: each winter for some motorcycles, after the dearest repairs, before a write-off, and one still open."""
    winters = np.flatnonzero(
        (month % 12 == 11) & (np.diff(month, prepend=month[0]) == 1)
    )  # the first of each December
    stored = np.flatnonzero(
        vehicles["kind"].eq("motorcycle") & (vehicles.index % (3 if not setting.names else 1) == 0)
    )
    v, w = (a.ravel() for a in np.meshgrid(stored, winters, indexing="ij"))
    first = w + rng.integers(-12, 14, len(v))
    season = pd.DataFrame(
        {"v": v, "from": first, "to": first + rng.integers(60, 95, len(v)), "reason": "season"}
    )
    repairs = repairs[~repairs["beyond"]]  # the others are mended the same day
    long = repairs[repairs["cost"] > 2.6 * vehicles["repair_median"].to_numpy()[repairs["v"]]]
    shop = pd.DataFrame(
        {
            "v": long["v"],
            "from": long["day"] + 1,
            "to": long["day"] + rng.integers(4, 16, len(long)),
            "reason": "in-workshop",
        }
    )
    lost = vehicles.index[vehicles["disposal"].eq("written-off")]
    wreck = pd.DataFrame(
        {
            "v": lost,
            "from": vehicles.loc[lost, "end_day"] - 25,
            "to": vehicles.loc[lost, "end_day"],
            "reason": "accident",
        }
    )
    out = (
        vehicles.index[vehicles["kind"].eq("motorcycle") & vehicles["end_day"].eq(NEVER)][2:3]
        if len(vehicles) >= 12
        else []
    )
    waiting = pd.DataFrame({"v": out, "from": days - 9, "to": NEVER, "reason": "awaiting-parts"})
    frame = pd.concat([season, shop, wreck, waiting], ignore_index=True).astype(
        {"v": int, "from": int, "to": int}
    )
    own = vehicles.iloc[frame["v"]].reset_index(drop=True)
    frame = frame[
        (frame["from"] > own["in_day"] + 40)
        & (
            (frame["to"] < own["end_day"].clip(upper=days))
            | ~frame["reason"].isin(["season", "in-workshop"])
        )
    ]
    frame = frame.sort_values(["v", "from"], ignore_index=True, kind="stable")
    clash = frame["v"].eq(frame["v"].shift()) & (
        frame["from"] <= frame.groupby("v")["to"].cummax().shift()
    )
    return frame[~clash].reset_index(drop=True)
