"""Visits and parts: what was done, when, and how each part wore, from new to the end of the log.

One round takes the next occasion of every vehicle at once: a planned visit, or damage to a tyre.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar_synthetic.parts import Parts, frame_of
from wearbar_synthetic.planner import Planner
from wearbar_synthetic.plans import task_grid
from wearbar_synthetic.settings import HISTORY_DAYS
from wearbar_synthetic.slots import damage, make_slots, slot_facts

__all__ = ["History", "simulate"]


@dataclass(frozen=True)
class History:
    """What happened, all of it, with what no log shows.

    slots: a place for a part: v, category, position. spans: one row a part's stay in a slot. parts: one row a physical part, with its true
    rate. tasks: planned tasks done (v, day, column). readings: slot, day, part and what was read at three places (NaN where it has fewer).
    occasions: v, day, planned.
    """

    grid: object
    slots: pd.DataFrame
    spans: pd.DataFrame
    parts: pd.DataFrame
    tasks: pd.DataFrame
    readings: pd.DataFrame
    occasions: pd.DataFrame


def simulate(world, rng):
    """The `History` of a `World`."""
    plan_rng, part_rng, hit_rng = rng.spawn(3)
    grid = task_grid(world.vehicles["plan"], world.setting.distance)
    slots = make_slots(world, grid)
    state = Parts(world, slots, slot_facts(world, slots), part_rng)
    plan = Planner(world, grid, plan_rng)
    hits = damage(world, slots, hit_rng)
    swap_day = HISTORY_DAYS + int(0.55 * (len(world.odometer) - HISTORY_DAYS))
    occasions = []
    for until in (swap_day, world.last):
        while (step := _next(world, plan, hits, until)) is not None:
            occasions.append(step)
            state.visit(step, plan.do(step))
        if until == swap_day:
            occasions.append(state.swap_between_vehicles(until))
    spans, parts, readings = state.record()
    return History(grid, slots, spans, parts, frame_of(plan.log), readings, frame_of(occasions))


def _next(world, plan, hits, until):
    """Vehicles' next occasions up to day `until`, as arrays v, day, planned, hit (slot damaged, or -1); None when there are no more."""
    hit_day = hits["day"][hits["pointer"]]
    day = np.minimum(plan.next_day, hit_day)
    v = np.flatnonzero(day <= np.minimum(until, world.vehicles["end_day"].to_numpy()))
    if not len(v):
        return None
    planned = plan.next_day[v] <= hit_day[v]
    hit = np.where(planned, -1, hits["slot"][hits["pointer"][v]])
    hits["pointer"][v[~planned]] += 1
    return {"v": v, "day": day[v], "planned": planned, "hit": hit}
