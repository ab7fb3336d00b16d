"""The lesson on repairs that recur: vans repaired again and again, some of them sold before."""

import numpy as np
import pandas as pd

import wearbar as wb
from wearbar.stats.estimate import Estimate
from wearbar_lessons import draw
from wearbar_lessons.draw import AS_OF, World
from wearbar_lessons.exercises import CONFIDENCE, Exercise, limit

TASK = "sliding-door"
AT_KM = 80_000  # the distance that the exercises ask about
HALF_KM = AT_KM / 2


def drawn(rng):
    """Vans whose repairs come as a power law of their km, each van by a factor of its own; some
    are sold at a distance that has nothing to do with their repairs."""
    n, longest = int(rng.integers(40, 66)), int(rng.integers(1800, 2400))
    vehicles, first = draw.vans(rng, n, (350, longest))
    shape, level = rng.uniform(1.1, 2.2), rng.uniform(1.2, 4.0)  # level: repairs by AT_KM
    sold_km = rng.uniform(45_000, 110_000, len(vehicles))
    kept = np.ceil(sold_km / vehicles["km_per_day"])
    is_sold = (kept < vehicles["days"] - 30) & (rng.random(len(vehicles)) < rng.uniform(0.4, 0.9))
    vehicles["kept_days"] = kept.where(is_sold, vehicles["days"])
    vehicles["km"] = np.floor(vehicles["km_per_day"] * vehicles["kept_days"])
    spread = rng.uniform(1.5, 5.0)
    factor = rng.gamma(spread, 1 / spread, len(vehicles))
    n = rng.poisson(factor * level * (vehicles["km"] / AT_KM) ** shape)
    v = np.repeat(vehicles.index, n)
    km = np.ceil(vehicles["km"].to_numpy()[v] * rng.random(len(v)) ** (1 / shape))
    events = pd.DataFrame({"v": v, "km": km}).drop_duplicates()
    truth = {"told": float(level), "shape": float(shape)}
    truth["scale"] = float(AT_KM * level ** (-1 / shape))  # km by which a van has had one repair
    return World(vehicles, None, truth, first, events=events)


def tables(world, category, item):
    """The tables of its log."""
    own, events = world.vehicles, world.events
    is_sold = own["kept_days"] < own["days"]
    left = (AS_OF - pd.to_timedelta(own["days"] - own["kept_days"], unit="D")).where(is_sold)
    vehicles = draw.vehicles_table(world.vehicles).assign(disposed=left)
    vehicles["disposed_odometer"] = own["km"].where(is_sold)
    vehicles["disposal"] = pd.Series("sold", own.index).where(is_sold)
    sold = vehicles.loc[is_sold, ["vehicle", "disposed", "disposed_odometer"]]
    last = sold.rename(columns={"disposed": "date", "disposed_odometer": "odometer"})
    read = draw.odometer_table(world).merge(sold[["vehicle", "disposed"]], how="left")
    read = read[~(read["date"] >= read.pop("disposed"))]
    read = pd.concat([read, last]).sort_values(["vehicle", "date"], ignore_index=True)
    work = pd.DataFrame({"vehicle": vehicles["vehicle"].to_numpy()[events["v"]]})
    work["date"] = draw.day_of(world, events["v"].to_numpy(), events["km"])
    work = work.assign(odometer=events["km"].to_numpy(), task=TASK, why="defect")
    work = work.sort_values(["date", "vehicle"], ignore_index=True)
    return {"vehicles": vehicles, "odometer": read, "work": work}


def of_world(world):
    """A row a repair and one for the end of each van's record: v (its row in vehicles), km on it,
    is_end, is_sold (its record ended because it was sold)."""
    own, events = world.vehicles, world.events
    return _rows(events["v"], events["km"], own["km"], own["kept_days"] < own["days"])


def of_log(log, task):
    """The same, read from a log."""
    vehicles, work = log.tables["vehicles"], log.si("work").query("task == @task")
    at = pd.Series(range(len(vehicles)), vehicles["vehicle"])
    last = log.si("odometer").groupby("vehicle")["odometer_km"].max()
    end = last.reindex(vehicles["vehicle"]).reset_index(drop=True)
    is_sold = vehicles["disposed"].notna().reset_index(drop=True)
    return _rows(work["vehicle"].map(at), work["odometer_km"], end, is_sold)


def _rows(v, km, end, is_sold):
    events = pd.DataFrame({"v": v.to_numpy(int), "km": km.to_numpy(float)})
    ends = pd.DataFrame({"v": end.index, "km": end.astype(float), "is_sold": is_sold})
    made = [events.assign(is_sold=False, is_end=False), ends.assign(is_end=True)]
    return pd.concat(made, ignore_index=True)


def count(rows):
    """What the bands count."""
    ends = rows[rows["is_end"]]
    reached = (ends["km"] >= AT_KM).mean()
    made = {"vans": len(ends), "repairs": len(rows) - len(ends)}
    return made | {"sold": ends["is_sold"].mean(), "reached": reached}


def _split(rows):
    """(v, km) of the repairs, and the km at each van's end, by v."""
    is_end = rows["is_end"].to_numpy()
    v, km = rows["v"].to_numpy(int), rows["km"].to_numpy(float)
    return v[~is_end], km[~is_end], km[is_end][np.argsort(v[is_end])]


def mean_by(rows, at=AT_KM, end=None):
    """The mean number of repairs of a van by `at` km: each repair counts one over those at risk."""
    _, km, own = _split(rows)
    end = np.sort(own if end is None else end)
    return float((1 / (len(end) - np.searchsorted(end, km[km <= at], "left"))).sum())


def limits(rows, confidence=CONFIDENCE, variance="robust"):
    """The same as an `Estimate`, by the library."""
    v, km, end = _split(rows)
    how = {"variance": variance, "confidence": confidence}
    frame = wb.mean_cumulative(v, km, None, pd.Series(end), **how)
    last = frame[frame["time"] <= AT_KM].iloc[-1]
    return Estimate(*last[["mcf", "low", "high"]], confidence, len(end), unit="repairs")


def _counts(rows):
    """The repairs by AT_KM of each van, and its end."""
    v, km, end = _split(rows)
    return np.bincount(v[km <= AT_KM], minlength=len(end)), end


def _all_vans(rows):
    return _counts(rows)[0].mean()


def _reached(rows):
    """The rows of those vans that reached AT_KM."""
    _, end = _counts(rows)
    return rows[np.isin(rows["v"], np.flatnonzero(end >= AT_KM))].assign(
        v=lambda kept: pd.factorize(kept["v"])[0]
    )


def _first_alone(rows):
    at = rows[~rows["is_end"]].groupby("v")["km"].idxmin()
    return rows[rows["is_end"] | rows.index.isin(at)]


def _sold_stay(rows):
    """The end of each van, as if those sold had gone on."""
    own = rows[rows["is_end"]].sort_values("v")
    return own["km"].where(~own["is_sold"], np.inf).to_numpy()


def _steady(rows):
    _, km, end = _split(rows)
    return AT_KM * len(km) / end.sum()


def grown(rows, end=None):
    """How many times as many repairs come in the second half of AT_KM as in the first."""
    first = mean_by(rows, HALF_KM, end)
    return mean_by(rows, AT_KM, end) / first - 1 if first else np.inf


def _grown_counts(rows):
    km = _split(rows)[1]
    first = (km <= HALF_KM).sum()
    return (km <= AT_KM).sum() / first - 1 if first else np.inf


_BY = {
    "all-vans": _all_vans,
    "reached-alone": lambda rows: mean_by(_reached(rows)),
    "sold-at-risk": lambda rows: mean_by(rows, end=_sold_stay(rows)),
    "even-rate": _steady,
    "first-repair-alone": lambda rows: mean_by(_first_alone(rows)),
    "share-repaired": lambda rows: (_counts(rows)[0] > 0).mean(),
}
_high, _HIGH = limit(limits, "high")
_HIGH["repairs-as-units"] = lambda rows: limits(rows, variance="poisson").high
_GROWN = {
    "counts-alone": _grown_counts,
    "sold-at-risk": lambda rows: grown(rows, _sold_stay(rows)),
    "reached-alone": lambda rows: grown(_reached(rows)),
    "whole-for-half": lambda rows: grown(rows) + 1,
    "other-way-up": lambda rows: 1 / grown(rows),
    "difference": lambda rows: (grown(rows) - 1) * mean_by(rows, HALF_KM),
}
EXERCISES = {
    "by": Exercise("repairs", mean_by, (), _BY, 0.004),
    "by-high": Exercise("repairs", _high, (), _HIGH, 0.004),
    "grown": Exercise("times as many", grown, (), _GROWN, 0.004),
}
LESSON = (drawn, EXERCISES, limits, of_world, of_log, count, tables)
