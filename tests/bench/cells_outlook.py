"""Cells of the outlook: ranges of jobs corrected by past years; fleets made anew, whose outlook of a year ago is set beside what came.
See holds.py.

A replayed sample takes some seconds (a log is made, read and replayed at past days), so that some dozens are run, not two thousand.
"""

import tempfile
from functools import cache

import numpy as np
from holds import cells

import wearbar_synthetic as synthetic
from wearbar import outlook
from wearbar.log import read_log
from wearbar.outlook.simulate import Simulated
from wearbar.outlook.year import COUNTED, PRIOR_SD, corrected, learned
from wearbar.usage.replay import Replay

CLASSES = ("money", "planned", "wear", "unplanned")
# of a year's jobs, as simulated: the mean of eight such fleets
SPREAD = {3: 0.065, 10: 0.055, 34: 0.03}
# what forecasts miss beyond that: sd of what all years share, and of each year's own. Those fleets: 0.1 at 3 vehicles, else 0.03 to 0.06
MISSED = {
    "chance alone": (0.0, 0.0),
    "years alike by 8%": (0.08, 0.03),
    "each year its own 5%": (0.0, 0.05),
    "each year its own 10%": (0.0, 0.10),
    "both 10%": (0.10, 0.10),
}


@cells(
    "jobs of the year ahead, corrected by past years",
    "conservative",
    vehicles=(3, 10, 34),
    years=(1, 2, 3),
    missed=tuple(MISSED),
)
def jobs(rng, samples, vehicles, years, missed):
    """Past forecasts of 25 jobs a vehicle, what came of each, and the year after them."""
    mean, spread, (alike, own) = 25.0 * vehicles, SPREAD[vehicles], MISSED[missed]
    nil = dict.fromkeys((*PRIOR_SD, *COUNTED), np.zeros((2, 12)))
    for _ in range(samples):
        off = alike * rng.standard_normal() + np.hypot(spread, own) * rng.standard_normal(years + 1)
        *past, truth = mean * np.maximum(1 + off, 0.0)
        drawn = mean * (1 + spread * rng.standard_normal((years + 1, 400, 1))) * np.ones(12) / 12
        told = [
            (nil | {"jobs": d}, dict.fromkeys(nil, 0.0) | {"jobs": x})
            for d, x in zip(drawn, past, strict=False)
        ]
        year = Simulated(None, nil | {"jobs": drawn[-1]}, None, None, {}, frozenset(), {})
        year = corrected(year, learned(told).loc[["jobs"]], rng).totals["jobs"].sum(axis=1)
        yield *np.quantile(year, [0.05, 0.95]), truth


def write_log(seed, vehicles, folder):
    """A fleet's log with these vehicles alone, as they come: motorcycles, pickups and vans."""
    tables, _ = synthetic.fleet(seed=seed, vehicles=max(vehicles, 3), dirt=False)
    kept = tables["vehicles"]["vehicle"].sample(vehicles, random_state=seed)
    tables = {
        name: t[t["vehicle"].isin(kept)] if "vehicle" in t else t for name, t in tables.items()
    }
    plans = synthetic.plan_text(tables["vehicles"]["plan"].unique())
    synthetic.write(tables, synthetic.header(), folder, plans)


@cache
def past(seed, vehicles):
    """Totals of last year's outlook, or None."""
    with tempfile.TemporaryDirectory() as folder:
        write_log(seed, vehicles, folder)
        log = read_log(folder)
        found = outlook.last_year(log, None, Replay(log), rng=np.random.default_rng(seed))
    return None if found is None else found.totals.set_index("what")


@cells("workshop money of next year, by replay", "words", vehicles=(1, 3, 10, 34), of=CLASSES)
def money(rng, samples, vehicles, of):
    for seed in range(samples):
        totals = past(1000 + seed, vehicles)
        yield (
            tuple(totals.loc[of, ["low", "high", "actual"]])
            if totals is not None
            else (np.nan, np.nan, 1.0)
        )
