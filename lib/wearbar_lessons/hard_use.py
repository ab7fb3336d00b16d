"""The lesson on hard use: tyres of vans on more or less gravel, at sites that differ as well."""

import numpy as np
import pandas as pd

from wearbar.stats.estimate import Estimate
from wearbar_lessons import draw
from wearbar_lessons.draw import AS_OF, LIMIT_MM, NEW_MM, World
from wearbar_lessons.exercises import CONFIDENCE, Exercise, by_t, limit

HARD = 0.3  # the share on gravel from which a van counts as hard-used
A_SIDE = 2  # vans of either use that a site needs to tell them apart
SITES = ("Ash Quay", "Birk Hill", "Crag End", "Dale Foot", "East Moor", "Fen Gate")


def drawn(rng):
    """Vans at a few sites. Gravel wears tyres; a site with much gravel wears them by its loads too,
    and that is no doing of the gravel."""
    n, longest = int(rng.integers(30, 49)), int(rng.integers(1000, 1400))
    vehicles, first = draw.vans(rng, n, (700, longest))
    n_sites = int(rng.integers(4, 7))
    site = np.sort(rng.integers(0, n_sites, n))
    level = rng.permutation(np.linspace(0.12, rng.uniform(0.4, 0.65), n_sites))
    loose = (level[site] + rng.normal(0, rng.uniform(0.09, 0.2), n)).clip(0, 0.95).round(2)
    effect, loads = rng.uniform(0.1, 1.1), rng.uniform(0.4, 1.3)
    own = loads * level[site] + rng.normal(0, 0.08, n_sites)[site] + rng.normal(0, 0.1, n)
    rate = rng.uniform(0.12, 0.2) * np.exp(effect * loose + own)  # mm per 1,000 km
    parts, vehicles = _tyres(rng, vehicles, rate), vehicles.assign(site=site, loose=loose)
    truth = {"told": float(np.exp(effect)), "scale": float(1e4 * rate[0])}
    return World(vehicles, parts, truth, first)


def tables(world, category, item):
    """The tables of its log."""
    own = world.vehicles
    made = draw.vehicles_table(world.vehicles).assign(site=np.array(SITES)[own["site"]])
    use = pd.DataFrame({"vehicle": made["vehicle"], "from": made["in_service"], "to": AS_OF})
    own_tables = {"vehicles": made, "use": use.assign(loose=own["loose"])}
    return draw.tables_of(world, category, item) | own_tables


def _tyres(rng, vehicles, rate):
    """Tyres one after another, each removed at some depth above the limit; the last still on."""
    shape = len(vehicles), 12
    depth = (LIMIT_MM + rng.uniform(0.1, 1.4, shape)).round(1)
    own = rate[:, None] * rng.lognormal(0, 0.12, shape)
    parts, at = draw.in_turn(vehicles, np.round(1000 * (NEW_MM - depth) / own))
    return draw.removed(parts, "worn", depth[at])


def of_world(world):
    """A row a tyre removed: v (its van's row in vehicles), site (its number), loose (the share of
    the van's distance on gravel), rate (mm per 1,000 km)."""
    own = world.parts[world.parts["observed"]]
    vans = world.vehicles.loc[own["v"]].set_index(own.index)
    km, depth = own["end_km"] - own["begin_km"], own["removed_depth"]
    return _rows(own["v"], vans["site"], vans["loose"], km, depth)


def of_log(log, category):
    """The same, read from a log."""
    own = log.si("fitted").query("category == @category and removed.notna()")
    vehicles = log.tables["vehicles"]
    at = dict(zip(vehicles["vehicle"], range(len(vehicles)), strict=True))
    number = {name: at for at, name in enumerate(SITES)}
    site = own["vehicle"].map(vehicles.set_index("vehicle")["site"].map(number))
    loose = own["vehicle"].map(log.si("use").set_index("vehicle")["loose"])
    km = own["removed_odometer_km"] - own["fitted_odometer_km"]
    return _rows(own["vehicle"].map(at), site, loose, km, own["removed_depth_mm"])


def _rows(v, site, loose, km, depth):
    made = {"v": v.astype(int), "site": site.astype(int), "loose": loose.astype(float)}
    return pd.DataFrame(made | {"rate": 1000 * (NEW_MM - depth) / km}).reset_index(drop=True)


def by_van(rows):
    """A row a van: its site, its share on gravel, the mean rate of its tyres."""
    _, at, n = np.unique(rows["v"], return_inverse=True, return_counts=True)
    return pd.DataFrame({name: np.bincount(at, rows[name]) / n for name in rows})


def count(rows):
    """What the bands count."""
    made = {"vans": rows["v"].nunique(), "tyres": len(rows), "sites": rows["site"].nunique()}
    return made | {"overlap": overlap(rows)}


def slope(rows, by_site=True):
    """(rise of the log of the rate from no gravel to gravel alone, its standard error, degrees of
    freedom): by least squares, with a level of its own for each site or one for all."""
    site = rows["site"].to_numpy(int) * by_site
    x, y = rows["loose"].to_numpy(float), np.log(rows["rate"].to_numpy(float))
    n = np.maximum(np.bincount(site), 1)
    x, y = (a - (np.bincount(site, a) / n)[site] for a in (x, y))
    rise, free = (x @ y) / (x @ x), len(x) - len(np.unique(site)) - 1
    return rise, np.sqrt(((y - rise * x) ** 2).sum() / free / (x @ x)), free


def effect(rows, confidence=CONFIDENCE, by_site=True):
    """How many times as fast a tyre wears on gravel alone as on none: an `Estimate` of the rows
    given, each taken for a fact of its own."""
    log = by_t(*slope(rows, by_site), len(rows), "", confidence)
    ends = np.exp([log.value, log.low, log.high])
    return Estimate(*ends, confidence, len(rows), unit="times as fast")


def told(rows, confidence=CONFIDENCE):
    """The effect of gravel by vans within their sites."""
    return effect(by_van(rows), confidence)


def right(rows):
    """Its value alone."""
    return np.exp(slope(by_van(rows))[0])


def _sites(rows):
    """The rows' means by site, as if all were at one."""
    return by_van(rows).groupby("site", as_index=False).mean().assign(site=0)


def overlap(rows):
    """The share of vans at sites that have `A_SIDE` vans of either use."""
    vans = by_van(rows)
    return float(np.isin(vans["site"], _both(vans)).mean())


def _both(vans):
    """The numbers of the sites that have so many vans of either use."""
    site, hard = vans["site"].to_numpy(int), vans["loose"].to_numpy() >= HARD
    sides = [np.bincount(site[side], minlength=len(SITES)) for side in (hard, ~hard)]
    return np.flatnonzero(np.min(sides, axis=0) >= A_SIDE)


_EFFECT = {
    "no-sites": lambda rows: effect(by_van(rows), by_site=False).value,
    "sites-alone": lambda rows: np.exp(slope(_sites(rows))[0]),
    "tyres-as-units": lambda rows: effect(rows).value,
    "ten-points": lambda rows: np.exp(slope(by_van(rows))[0] / 10),
    "log-for-factor": lambda rows: slope(by_van(rows))[0],
    "other-way-up": lambda rows: 1 / right(rows),
}
_low, _LOW = limit(told)
_LOW |= {
    "tyres-as-units": lambda rows: effect(rows).low,
    "no-sites": lambda rows: effect(by_van(rows), by_site=False).low,
}
_OVERLAP = {
    "sites-for-vans": lambda rows: len(_both(by_van(rows))) / rows["site"].nunique(),
    "tyres-for-vans": lambda rows: np.isin(rows["site"], _both(by_van(rows))).mean(),
    "hard-alone": lambda rows: by_van(rows)["loose"].ge(HARD).mean(),
    "one-sided-site": lambda rows: 1 - overlap(rows),
    "as-percent": lambda rows: 100 * overlap(rows),
}
EXERCISES = {
    "effect": Exercise("times as fast", right, (), _EFFECT, 0.004),
    "effect-low": Exercise("times as fast", _low, (), _LOW, 0.004),
    "overlap": Exercise("share", overlap, (), _OVERLAP, 0.004),
}
LESSON = (drawn, EXERCISES, told, of_world, of_log, count, tables)
