"""Cells of the outlook's money: fleets made anew, whose outlook of a year ago is set beside what came. See coverage.py.

A sample takes some seconds (a log is made, read and replayed at three past days), so that a few hundred are run, not two thousand.
"""

import tempfile
from functools import cache

import numpy as np
from coverage import cells

import wearbar_synthetic as synthetic
from wearbar import outlook
from wearbar.log import read_log
from wearbar.usage.replay import Replay

CLASSES = ("money", "planned", "wear", "unplanned")


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
