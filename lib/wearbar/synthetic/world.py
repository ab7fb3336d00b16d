"""The vehicles and their use, day by day: distance, going, exposure, lay-ups, and what the instrument shows."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.synthetic.plans import severe_when
from wearbar.synthetic.settings import EFFECTS, TYPES, Setting

__all__ = ["NEVER", "World", "day_reached", "make_world", "reading"]

HISTORY_DAYS = 1826  # every vehicle is followed from new, up to five years before the log opens
NEVER = 10**6


@dataclass(frozen=True)
class World:
    """Day by day (rows, from `start`) and vehicle by vehicle (columns). Distances in km; `odometer` is distance from new, at the day's end."""

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
    exposure: dict
    instrument_day: np.ndarray
    instrument_shift: np.ndarray

    @property
    def n(self):
        return len(self.vehicles)

    @property
    def log_start(self):
        """First day of the log, counted from `start`."""
        return HISTORY_DAYS

    def dates(self, day):
        """datetime64[ns] of day numbers; a day at or above NEVER, or below 0, is NaT."""
        day = np.asarray(day, dtype=np.int64)
        known = (day >= 0) & (day < NEVER)
        return np.where(known, self.start + np.where(known, day, 0), np.datetime64("NaT")).astype("datetime64[ns]")


def make_world(setting, n, years, dirt, rng):
    """A `World` of n vehicles whose log is `years` long."""
    streams = rng.spawn(6)
    log_days = int((setting.last - _years_before(setting.last, years)).astype(int))
    days = HISTORY_DAYS + log_days
    start = setting.last - (days - 1)
    vehicles = _vehicles(setting, n, days, streams[0])
    repairs = _repairs(vehicles, days, streams[1])
    month = (start + np.arange(days)).astype("datetime64[M]").astype(int)
    layups = _layups(setting, vehicles, repairs, month, days, streams[2])
    laid_up = _mask(layups, days, n)
    site = _sites(setting, vehicles, days, streams[3])
    odometer = _odometer(setting, vehicles, laid_up, month, start, dirt, streams[4])
    loose, mud = _going(setting, vehicles, site, month, streams[5])
    km = np.diff(odometer, axis=0, prepend=0.0)
    loose_limit, mud_limit = severe_when(vehicles["plan"], setting.distance)
    severe = (_trailing(loose, km) >= loose_limit) | (_trailing(mud, km) >= mud_limit)
    exposure = {c: np.cumsum(km * (1 + e.loose * loose + e.mud_water * mud), axis=0) for c, e in EFFECTS.iterrows()}
    changed, shift = _instruments(setting, vehicles, odometer, log_days, dirt)
    return World(setting, start, vehicles, layups, repairs, laid_up, site, loose, mud, severe, odometer, exposure, changed, shift)


def day_reached(cumulative, vehicle, amount):
    """First day on which column `vehicle` of a non-decreasing table (days x vehicles) reaches `amount`; NEVER where it does not."""
    days, n = cumulative.shape
    step = float(cumulative[-1].max()) + 1e7
    flat = (cumulative + step * np.arange(n)).T.ravel()
    vehicle, amount = np.broadcast_arrays(vehicle, np.clip(amount, 0.0, step / 2))
    day = np.searchsorted(flat, amount + step * vehicle) - vehicle * days
    return np.where(day >= days, NEVER, day)


def reading(world, vehicle, day):
    """What the instrument showed, in whole units of the log; NaN outside the days followed and on the day that an instrument was changed."""
    vehicle, day = np.broadcast_arrays(np.asarray(vehicle), np.asarray(day))
    inside = (day >= 0) & (day < len(world.odometer))
    true = world.odometer[np.where(inside, day, 0), vehicle]
    shown = np.floor(true / world.setting.unit_km) - np.where(day > world.instrument_day[vehicle], world.instrument_shift[vehicle], 0)
    return np.where(inside & (day != world.instrument_day[vehicle]), shown, np.nan)


def _years_before(day, years):
    return (pd.Timestamp(day) - pd.DateOffset(years=years)).to_numpy().astype("datetime64[D]")


def _vehicles(setting, n, days, rng):
    """One row a vehicle: type, site and side of the work, first and last day, yearly distance, price."""
    counts = _apportion(list(setting.types.values()), n)
    kind = np.repeat(list(setting.types), counts)
    place = np.arange(n) - np.repeat(np.cumsum(counts) - counts, counts)  # the vehicle's number within its type
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
        frame["vehicle"] = frame["letter"] + pd.Series(place + 1).astype(str).str.zfill(2 if n < 200 else 3)
        _dispose(frame, place, log_days)
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
    frame.loc[first, "end_day"] = HISTORY_DAYS + (log_days * np.array([0.55, 0.72, 0.8])[np.arange(first.sum()) % 3]).astype(int)
    frame.loc[first, "disposal"] = np.array(["sold", "written-off", "sold"])[np.arange(first.sum()) % 3]
    used = (place == 3) & frame["kind"].eq("van").to_numpy()
    frame.loc[used, "join_day"] = HISTORY_DAYS + int(0.4 * log_days)


def _repairs(vehicles, days, rng):
    """Repairs as a power-law process in years of age: vehicle, day, cost of parts and labour, hours in the workshop."""
    end = np.minimum(vehicles["end_day"], days)
    years = (end - vehicles["in_day"]).clip(lower=0) / 365.25
    mean = (years / vehicles["repair_eta_years"]) ** vehicles["repair_beta"]
    count = rng.poisson(mean)
    v = np.repeat(np.arange(len(vehicles)), count)
    own = vehicles.iloc[v].reset_index(drop=True)
    age = own["repair_eta_years"] * (rng.random(len(v)) * mean.to_numpy()[v]) ** (1 / own["repair_beta"])
    cost = own["repair_median"] * np.exp(own["repair_sigma"] * rng.standard_normal(len(v)))
    frame = pd.DataFrame({"v": v, "day": own["in_day"] + (age * 365.25).astype(int), "cost": cost})
    return frame.sort_values(["v", "day"], ignore_index=True, kind="stable")


def _layups(setting, vehicles, repairs, month, days, rng):
    """Lay-ups in days: each winter for some motorcycles, after the dearest repairs, before a write-off, and one still open."""
    winters = np.flatnonzero((month % 12 == 11) & (np.diff(month, prepend=month[0]) == 1))  # the first of each December
    stored = np.flatnonzero(vehicles["kind"].eq("motorcycle") & (vehicles.index % (3 if not setting.names else 1) == 0))
    v, w = (a.ravel() for a in np.meshgrid(stored, winters, indexing="ij"))
    first = w + rng.integers(-12, 14, len(v))
    season = pd.DataFrame({"v": v, "from": first, "to": first + rng.integers(60, 95, len(v)), "reason": "season"})
    long = repairs[repairs["cost"] > 2.6 * vehicles["repair_median"].to_numpy()[repairs["v"]]]
    shop = pd.DataFrame({"v": long["v"], "from": long["day"] + 1, "to": long["day"] + rng.integers(4, 16, len(long)), "reason": "in-workshop"})
    lost = vehicles.index[vehicles["disposal"].eq("written-off")]
    wreck = pd.DataFrame({"v": lost, "from": vehicles.loc[lost, "end_day"] - 25, "to": vehicles.loc[lost, "end_day"], "reason": "accident"})
    out = vehicles.index[vehicles["kind"].eq("motorcycle") & vehicles["end_day"].eq(NEVER)][2:3] if len(vehicles) >= 12 else []
    waiting = pd.DataFrame({"v": out, "from": days - 9, "to": NEVER, "reason": "awaiting-parts"})
    frame = pd.concat([season, shop, wreck, waiting], ignore_index=True).astype({"v": int, "from": int, "to": int})
    own = vehicles.iloc[frame["v"]].reset_index(drop=True)
    frame = frame[(frame["from"] > own["in_day"] + 40) & ((frame["to"] < own["end_day"].clip(upper=days)) | ~frame["reason"].isin(["season", "in-workshop"]))]
    frame = frame.sort_values(["v", "from"], ignore_index=True, kind="stable")
    clash = frame["v"].eq(frame["v"].shift()) & (frame["from"] <= frame.groupby("v")["to"].cummax().shift())
    return frame[~clash].reset_index(drop=True)


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
        site[:, posted] = np.where(away, (site[:, posted] + 1) % len(setting.sites), site[:, posted])
    return site


def _odometer(setting, vehicles, laid_up, month, start, dirt, rng):
    """Distance from new at the end of each day, km."""
    days, n = laid_up.shape
    date = start + np.arange(days)
    year_day = (date - date.astype("datetime64[Y]")).astype(int)
    season = 1 + np.outer(np.sin(2 * np.pi * (year_day - 100) / 365.25), vehicles["season"])
    weekend = np.isin((date.astype(int) + 3) % 7, [5, 6])
    week = np.where(weekend, 0.5, 1.2)[:, None] if not setting.names else np.where(weekend, 1.5, 0.8)[:, None]
    level = np.exp(0.18 * rng.standard_normal((month[-1] - month[0] + 1, n)))[month - month[0]]
    daily = rng.standard_gamma(1.6, (days, n)) / 1.6 * (rng.random((days, n)) > 0.15) / 0.85
    day = np.arange(days)[:, None]
    running = (day > vehicles["in_day"].to_numpy()) & (day <= vehicles["end_day"].to_numpy()) & ~laid_up
    odometer = np.cumsum(daily * season * week * level * running * vehicles["km_per_year"].to_numpy() / 365.25, axis=0)
    old = _rolls_over(vehicles) if dirt and not setting.names else []
    odometer[:, old] *= 100000 * setting.unit_km / odometer[int(HISTORY_DAYS + 0.85 * (days - HISTORY_DAYS)), old]
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
    loose = base[site, 0] + 2 * setting.side_loose * side + vehicles["own_loose"].to_numpy() - 0.02 * winter + 0.03 * noise[0, months]
    mud = base[site, 1] * (1 + 0.4 * winter) + 2 * setting.side_mud * side * (base[site, 1] > 0.04) + 0.012 * noise[1, months]
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
    some = vehicles.index[vehicles["kind"].eq("motorcycle") & (vehicles["in_day"] < HISTORY_DAYS) & vehicles["end_day"].eq(NEVER)][:1]
    changed[some] = HISTORY_DAYS + int(0.45 * log_days)
    shift[some] = np.floor(odometer[changed[some], some] / setting.unit_km) - 12
    full = _rolls_over(vehicles) if not setting.names else []
    changed[full] = day_reached(odometer, np.asarray(full, dtype=int), 100000 * setting.unit_km)
    shift[full] = 100000
    return changed, shift
