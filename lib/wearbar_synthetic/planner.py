"""When each vehicle is next in the workshop, and which planned tasks are then done."""

import numpy as np

from wearbar_synthetic.settings import CHANCES, NEVER
from wearbar_synthetic.world import Reach

__all__ = ["Planner"]

LONGEST_DELAYED_DAYS = 180  # lateness is a share of the interval, of no more than this


class Planner:
    """When each vehicle is next in, and which tasks are then done."""

    def __init__(self, world, grid, rng):
        self.world, self.grid, self.rng = world, grid, rng
        shape = grid.code.shape
        self.last_day = np.tile(world.vehicles["in_day"].to_numpy()[:, None], (1, shape[1])).astype(
            float
        )
        self.last_km = np.zeros(shape)
        self.severe_days, self.running_days = (
            np.cumsum(world.severe, axis=0),
            np.cumsum(~world.laid_up, axis=0),
        )
        self.reach, self.reach_running = Reach(world.odometer), Reach(self.running_days)
        self.begun = np.isinf(np.minimum(grid.first_km, grid.first_days))
        self.visit_day = world.vehicles["in_day"].to_numpy().copy()
        self.next_day = np.full(world.n, NEVER)
        self.log = []
        self._plan(np.arange(world.n))

    def _due(self, v):
        """Day on which each task of vehicles v falls due."""
        g = self.grid
        before = self.severe_days[np.maximum(self.last_day[v].astype(int) - 1, 0), v[:, None]]
        severe = (
            self.severe_days[self.visit_day[v], v][:, None] > before
        )  # met on some day since the task was last done
        km = np.where(self.begun[v], np.where(severe, g.severe_km[v], g.every_km[v]), g.first_km[v])
        days = np.where(
            self.begun[v], np.where(severe, g.severe_days[v], g.every_days[v]), g.first_days[v]
        )
        distance = np.where(np.isinf(km), 1e9, self.last_km[v] + km)
        by_distance = self.reach(v[:, None], distance)
        return np.minimum(
            np.where(np.isinf(km), NEVER, by_distance),
            self.last_day[v] + np.where(np.isinf(days), NEVER, days),
        )

    def _plan(self, v):
        due = self._due(v)
        column = due.argmin(1)
        first = due[np.arange(len(v)), column]
        length = np.minimum(first - self.last_day[v, column], LONGEST_DELAYED_DAYS)
        late = self.rng.random(len(v)) < CHANCES["late_share_of_visits"]
        share = np.where(
            late,
            0.13 + 0.16 * self.rng.standard_exponential(len(v)),
            -0.11 + 0.16 * self.rng.random(len(v)),
        )
        day = np.maximum(first + np.round(share * length), self.visit_day[v] + 3).astype(np.int64)
        self.next_day[v] = np.minimum(self._open_day(v, day), NEVER)

    def _open_day(self, v, day):
        """The workshop is shut at weekends, and a laid-up vehicle waits for its return."""
        days = len(self.world.odometer)
        weekday = (self.world.start.astype(int) + day + 3) % 7
        day = day + np.where(weekday == 5, -1, np.where(weekday == 6, 1, 0)) * (
            not self.world.setting.names
        )
        inside = day < days
        laid = np.zeros(len(v), dtype=bool)
        laid[inside] = self.world.laid_up[day[inside], v[inside]]
        running = self.running_days[np.where(laid, day, 0), v]
        return np.where(laid, self.reach_running(v, running + 1), day)

    def do(self, step):
        """Do the tasks due at the planned ones of these visits (arrays v, day, planned); gives them as vehicles x columns."""
        done_now = np.zeros(self.begun.shape, dtype=bool)
        v, day = (step[c][step["planned"]] for c in ("v", "day"))
        if not len(v):
            return done_now
        due = self._due(v)
        done = due <= day[:, None] + np.maximum(16, 0.07 * (due - self.last_day[v]))
        done &= (self.rng.random(done.shape) > 0.02) | (due == due.min(1, keepdims=True))
        done_now[v] = done
        self.last_day[v] = np.where(done, day[:, None], self.last_day[v])
        self.last_km[v] = np.where(done, self.world.odometer[day, v][:, None], self.last_km[v])
        self.begun[v] |= done
        self.visit_day[v] = day
        row, column = np.nonzero(done)
        self.log.append({"v": v[row], "day": day[row], "column": column})
        self._plan(v)
        return done_now
