"""Fuel: what is burnt day by day, and the fills that somebody wrote down."""

import numpy as np
import pandas as pd

from wearbar_synthetic.parts import frame_of
from wearbar_synthetic.settings import CHANCES, NEVER
from wearbar_synthetic.world import Reach, day_reached, reading

__all__ = ["fuel_table"]

PRICE_PER_L = {"petrol": 1.22, "diesel": 1.30, "urea": 0.95}
PART_SHARE, LOST_SHARE = 0.06, 0.012


def fuel_table(world, dirt, rng):
    """Fills before the tank runs low; some not to the top, and one in a hundred or so never written down."""
    frame = _fills(world, _burnt(world), rng)
    lost = pd.Series(rng.random(len(frame)) < LOST_SHARE * dirt)
    frame["unrecorded_before"] = np.where(
        lost.shift(fill_value=False) & frame["v"].eq(frame["v"].shift()), "yes", ""
    )
    frame = pd.concat([frame[~lost], _urea(world, rng)], ignore_index=True).sort_values(
        ["day", "v"], kind="stable", ignore_index=True
    )
    return _fuel_rows(world, frame, dirt, rng)


def _burnt(world):
    """Litres burnt from new to the end of each day, days x vehicles."""
    own = world.vehicles
    month = (world.start + np.arange(len(world.odometer))).astype("datetime64[M]").astype(int) % 12
    winter = 0.5 + 0.5 * np.cos(2 * np.pi * (month - 0.5) / 12)[:, None]
    per_km = own["l_per_100km"].to_numpy() / 100 * own["thirst"].to_numpy()
    per_km = (
        per_km
        * (1 + CHANCES["fuel_winter_effect"] * winter)
        * (1 + CHANCES["fuel_loose_effect"] * world.loose)
    )
    return np.cumsum(np.diff(world.odometer, axis=0, prepend=0.0) * per_km, axis=0)


def _fills(world, burnt, rng):
    """Every fill in the log, sorted by vehicle and day; the next one of every vehicle at once."""
    size, end = world.vehicles["tank_l"].to_numpy(), world.end
    v, last, room, pieces = np.arange(world.n), world.begin, np.zeros(world.n), []
    reach = Reach(burnt)
    while len(v):
        gap = size[v] * (0.5 + 0.35 * rng.random(len(v))) - room
        day = np.maximum(reach(v, burnt[last, v] + gap) - 1, last + 1)
        some = (rng.random(len(v)) < PART_SHARE) & (room < 0.1 * size[v])
        left = size[v] * (
            np.where(some, 0.15 + 0.15 * rng.random(len(v)), 0.0) + 0.008 * rng.random(len(v))
        )  # where the pump cut out
        going = day < end[v]
        v, last, room, day, left, some = (a[going] for a in (v, last, room, day, left, some))
        volume = burnt[day, v] - burnt[last, v] + room - left
        day = day + (volume < 0.15 * size[v])  # too little to stop for: tomorrow, then
        volume = burnt[day, v] - burnt[last, v] + room - left
        pieces.append(
            {
                "v": v,
                "day": day,
                "volume": volume.round(2),
                "filled_to": np.where(some, "part", "full"),
            }
        )
        last, room = day, left
    frame = frame_of(pieces).sort_values(["v", "day"], ignore_index=True, kind="stable")
    return frame.assign(kind=world.vehicles["fuel"].to_numpy()[frame["v"]])


def _urea(world, rng):
    thirsty = np.flatnonzero(world.vehicles["fuel"].eq("diesel"))
    km = np.cumsum(
        9000 + 2500 * rng.random((int(world.odometer[-1].max() / 9000) + 1, len(thirsty))), axis=0
    )
    v = np.broadcast_to(thirsty, km.shape)
    frame = pd.DataFrame(
        {
            "v": v.ravel(),
            "day": day_reached(world.odometer, v, km).ravel(),
            "volume": (9 + 3 * rng.random(km.size)).round(1),
        }
    )
    frame = frame[(frame["day"] < NEVER) & (frame["day"] >= world.begin[frame["v"]])]
    return frame.assign(kind="urea", filled_to="part", unrecorded_before="")


def _fuel_rows(world, frame, dirt, rng):
    price = (
        frame["kind"].map(PRICE_PER_L)
        * (1 + 0.07 * np.sin(frame["day"] / 190))
        * (1 + 0.02 * rng.standard_normal(len(frame)))
    )
    table = pd.DataFrame({"vehicle": world.names(frame["v"]), "date": world.dates(frame["day"])})
    table["odometer"] = pd.Series(reading(world, frame["v"], frame["day"])).mask(
        rng.random(len(frame)) < 0.03 * dirt
    )
    table = table.assign(
        volume=frame["volume"], kind=frame["kind"], cost=(frame["volume"] * price).round(2)
    )
    table["cost"] = table["cost"].mask(rng.random(len(frame)) < 0.02 * dirt)
    return table.assign(filled_to=frame["filled_to"], unrecorded_before=frame["unrecorded_before"])
