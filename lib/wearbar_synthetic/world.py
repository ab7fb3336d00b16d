"""The vehicles and their use, day by day: distance, going, exposure, lay-ups, and what the instrument shows."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar_synthetic.plans import severe_when
from wearbar_synthetic.settings import EFFECTS, HISTORY_DAYS, NEVER, Setting
from wearbar_synthetic.vehicles import make_layups, make_repairs, make_vehicles

__all__ = ["Reach", "World", "day_reached", "make_world", "reading"]


@dataclass(frozen=True)
class World:
    """Day by day (rows, from `start`) and vehicle by vehicle (columns). Distances in km.

    odometer: distance from new at the day's end. exposure_table: the same weighted by the going, one table for each row of `EFFECTS`.
    """

    setting: Setting
    start: np.datetime64
    vehicles: pd.DataFrame
    layups: pd.DataFrame
    repairs: pd.DataFrame
    laid_up: np.ndarray
    site: np.ndarray
    loose: np.ndarray
    mud_water: np.ndarray
    severe: np.ndarray
    odometer: np.ndarray
    exposure_table: np.ndarray
    instrument_day: np.ndarray
    instrument_shift: np.ndarray

    @property
    def n(self):
        return len(self.vehicles)

    @property
    def last(self):
        """The log's last day, counted from `start`."""
        return len(self.odometer) - 1

    @property
    def begin(self):
        """First day of each vehicle in the log."""
        return np.maximum(HISTORY_DAYS, self.vehicles["join_day"]).to_numpy()

    @property
    def end(self):
        """Last day of each vehicle in the log."""
        return np.minimum(self.vehicles["end_day"], self.last).to_numpy()

    def names(self, v):
        """Vehicles' names by number."""
        return self.vehicles["vehicle"].to_numpy()[v]

    def exposure(self, category):
        """Exposure of a category of parts, days x vehicles, km."""
        return self.exposure_table[EFFECTS.index.get_loc(category)]

    def dates(self, day):
        """datetime64[ns] of day numbers; a day at or above NEVER, or below 0, is NaT."""
        day = np.asarray(day, dtype=np.int64)
        known = (day >= 0) & (day < NEVER)
        return np.where(known, self.start + np.where(known, day, 0), np.datetime64("NaT")).astype(
            "datetime64[ns]"
        )


def make_world(setting, n, years, dirt, rng):
    """A `World` of n vehicles whose log is `years` long."""
    streams = rng.spawn(6)
    log_days = int((setting.last - _years_before(setting.last, years)).astype(int))
    days = HISTORY_DAYS + log_days
    start = setting.last - (days - 1)
    vehicles = make_vehicles(setting, n, days, streams[0])
    repairs = make_repairs(vehicles, days, streams[1])
    month = (start + np.arange(days)).astype("datetime64[M]").astype(int)
    layups = make_layups(setting, vehicles, repairs, month, days, streams[2])
    laid_up = _mask(layups, days, n)
    site = _sites(setting, vehicles, days, streams[3])
    odometer = _odometer(setting, vehicles, laid_up, month, start, dirt, streams[4])
    loose, mud = _going(setting, vehicles, site, month, streams[5])
    km = np.diff(odometer, axis=0, prepend=0.0)
    loose_limit, mud_limit = severe_when(vehicles["plan"], setting.distance)
    severe = (_trailing(loose, km) >= loose_limit) | (_trailing(mud, km) >= mud_limit)
    rough = np.multiply.outer(EFFECTS["loose"].to_numpy(), loose) + np.multiply.outer(
        EFFECTS["mud_water"].to_numpy(), mud
    )
    wear = [
        [setting.site_wear.get(s, {}).get(c, 1.0) for s in setting.sites] for c in EFFECTS.index
    ]
    exposure = np.cumsum(km * (1 + rough) * np.array(wear)[:, site], axis=1)
    changed, shift = _instruments(setting, vehicles, odometer, log_days, dirt)
    return World(
        setting,
        start,
        vehicles,
        layups,
        repairs,
        laid_up,
        site,
        loose,
        mud,
        severe,
        odometer,
        exposure,
        changed,
        shift,
    )


class Reach:
    """First days on which the columns of a non-decreasing table (days x vehicles) reach given amounts."""

    def __init__(self, cumulative):
        self.days, n = cumulative.shape
        self.step = float(cumulative[-1].max()) + 1e7
        self.flat = (cumulative + self.step * np.arange(n)).T.ravel()

    def __call__(self, vehicle, amount):
        """Day by day number; NEVER where it is not reached."""
        vehicle, amount = np.broadcast_arrays(vehicle, np.clip(amount, 0.0, self.step / 2))
        day = np.searchsorted(self.flat, amount + self.step * vehicle) - vehicle * self.days
        return np.where(day >= self.days, NEVER, day)


def day_reached(cumulative, vehicle, amount):
    """`Reach` for one question."""
    return Reach(cumulative)(vehicle, amount)


def reading(world, vehicle, day):
    """What the instrument showed, in whole units of the log; NaN outside the days followed and on the day of a change of instrument."""
    vehicle, day = np.broadcast_arrays(np.asarray(vehicle), np.asarray(day))
    inside = (day >= 0) & (day < len(world.odometer))
    true = world.odometer[np.where(inside, day, 0), vehicle]
    shown = np.floor(true / world.setting.unit_km) - np.where(
        day > world.instrument_day[vehicle], world.instrument_shift[vehicle], 0
    )
    return np.where(inside & (day != world.instrument_day[vehicle]), shown, np.nan)


def _years_before(day, years):
    return (pd.Timestamp(day) - pd.DateOffset(years=years)).to_numpy().astype("datetime64[D]")


def _mask(periods, days, n):
    """days x vehicles, True inside a period (both ends)."""
    step = np.zeros((days + 1, n), dtype=np.int32)
    np.add.at(step, (periods["from"].clip(lower=0, upper=days), periods["v"]), 1)
    np.add.at(step, ((periods["to"] + 1).clip(lower=0, upper=days), periods["v"]), -1)
    return np.cumsum(step[:-1], axis=0) > 0


def _sites(setting, vehicles, days, rng):
    """days x vehicles: number of the site where the vehicle then was; every ninth vehicle is posted elsewhere for a while."""
    site = np.tile(vehicles["site"].to_numpy(), (days, 1))
    if len(setting.sites) > 1:
        posted = np.arange(5, len(vehicles), 9)
        first = HISTORY_DAYS + (rng.random(len(posted)) * 0.6 * (days - HISTORY_DAYS)).astype(int)
        day = np.arange(days)[:, None]
        away = (day >= first) & (day < first + rng.integers(150, 400, len(posted)))
        site[:, posted] = np.where(
            away, (site[:, posted] + 1) % len(setting.sites), site[:, posted]
        )
    return site


def _odometer(setting, vehicles, laid_up, month, start, dirt, rng):
    """Distance from new at the end of each day, km."""
    days, n = laid_up.shape
    date = start + np.arange(days)
    year_day = (date - date.astype("datetime64[Y]")).astype(int)
    season = 1 + np.outer(np.sin(2 * np.pi * (year_day - 100) / 365.25), vehicles["season"])
    weekend = np.isin((date.astype(int) + 3) % 7, [5, 6])
    week = (
        np.where(weekend, 0.5, 1.2)[:, None]
        if not setting.names
        else np.where(weekend, 1.5, 0.8)[:, None]
    )
    level = np.exp(0.18 * rng.standard_normal((month[-1] - month[0] + 1, n)))[month - month[0]]
    daily = (
        (rng.standard_gamma(1.8, (days, n)) / 1.8).clip(max=2.8)
        * (rng.random((days, n)) > 0.15)
        / 0.85
    )
    day = np.arange(days)[:, None]
    running = (
        (day > vehicles["in_day"].to_numpy()) & (day <= vehicles["end_day"].to_numpy()) & ~laid_up
    )
    odometer = np.cumsum(
        daily * season * week * level * running * vehicles["km_per_year"].to_numpy() / 365.25,
        axis=0,
    )
    old = _rolls_over(vehicles) if dirt and not setting.names else []
    odometer[:, old] *= (
        100000 * setting.unit_km / odometer[int(HISTORY_DAYS + 0.85 * (days - HISTORY_DAYS)), old]
    )
    return odometer


def _rolls_over(vehicles):
    """The one vehicle driven hard enough to pass 100,000: the second oldest van of a fleet."""
    return vehicles.index[vehicles["kind"].eq("van")][1:2] if len(vehicles) >= 12 else []


def _going(setting, vehicles, site, month, rng):
    """Shares of distance on loose ground and in mud or water, days x vehicles, level within a month."""
    base = np.array(list(setting.sites.values()))
    side = vehicles["rough"].to_numpy() - 0.5
    months = month - month[0]
    noise = rng.standard_normal((2, months[-1] + 1, len(vehicles)))
    winter = np.cos(2 * np.pi * (month % 12 - 0.5) / 12)[:, None]
    loose = (
        base[site, 0]
        + 2 * setting.side_loose * side
        + vehicles["own_loose"].to_numpy()
        - 0.02 * winter
        + 0.03 * noise[0, months]
    )
    mud = (
        base[site, 1] * (1 + 0.4 * winter)
        + 2 * setting.side_mud * side * (base[site, 1] > 0.04)
        + 0.012 * noise[1, months]
    )
    return loose.clip(0.0, 0.95), mud.clip(0.0, 0.6)


def _trailing(share, km, days=365):
    """Distance-weighted share over the trailing year."""
    done, total = np.cumsum(share * km, axis=0), np.cumsum(km, axis=0)
    lag = np.zeros((min(days, len(km)), km.shape[1]))
    done, total = done - np.vstack([lag, done[:-days]]), total - np.vstack([lag, total[:-days]])
    return done / np.maximum(total, 1e-9)


def _instruments(setting, vehicles, odometer, log_days, dirt):
    """Day on which a vehicle's instrument was changed (rolled over), and what must be taken off the true reading afterwards."""
    changed, shift = np.full(len(vehicles), NEVER), np.zeros(len(vehicles))
    if not dirt:
        return changed, shift
    some = vehicles.index[
        vehicles["kind"].eq("motorcycle")
        & (vehicles["in_day"] < HISTORY_DAYS)
        & vehicles["end_day"].eq(NEVER)
    ][:1]
    changed[some] = HISTORY_DAYS + int(0.45 * log_days)
    shift[some] = np.floor(odometer[changed[some], some] / setting.unit_km) - 12
    full = _rolls_over(vehicles) if not setting.names else []
    changed[full] = day_reached(odometer, np.asarray(full, dtype=int), 100000 * setting.unit_km)
    shift[full] = 100000
    return changed, shift
