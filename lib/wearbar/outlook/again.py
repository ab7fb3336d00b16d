"""When work falls due again once it is done: after the work, at the next point of its ladder, or a term after an expiry.

A ladder goes on by its own points, however late the work was; work before a point's early edge begins it anew.
"""

from dataclasses import dataclass

import numpy as np

from wearbar.intervals import due
from wearbar.intervals.due import DUE, EARLY, EPS

__all__ = ["Again"]

DAY = 2


@dataclass(frozen=True, eq=False)
class Again:
    """What n rows of the work ahead repeat after. limits: of all three axes. on_ladder, is_expiry: (n,). base: (3, n), the point of each
    limit's ladder that is due now, or from which the first one counts. today: the report date, in days since 1970.
    """

    limits: due.Limits
    on_ladder: np.ndarray
    is_expiry: np.ndarray
    base: np.ndarray
    today: int

    def points(self, rows, km, hours, day, base=None):
        """(due points, early edges), each (3, n) km, hours and days from the report date, infinite without a limit, of rows done at `km` and
        `hours` on `day`.

        rows: which, any number of times each. base: (3, n), the due points told last; the ladder's own where it has not yet been done.
        """
        limits, expires = self.limits.take(rows), self.is_expiry[rows]
        x = self._axes(km, hours, np.floor(day))
        base = self.base[:, rows] if base is None else self._axes(*base)
        late = expires & (x[DAY] > base[DAY] + EPS)
        rung = due.rungs(base, x, limits)
        met = self.on_ladder[rows] & (rung >= 0)
        met[DAY] &= ~late
        x[DAY] -= expires
        once = np.ones_like(x)
        told = np.where(
            met, due.points(base, np.maximum(rung, 0) + 1, limits), due.points(x, once, limits)
        )[[DUE, EARLY]]
        told[:, DAY] -= self.today
        return np.nan_to_num(told, nan=np.inf)

    def _axes(self, km, hours, day):
        km, hours, day = (
            np.where(np.isfinite(v), v, np.nan) for v in np.broadcast_arrays(km, hours, day)
        )
        return np.stack([km, hours, day + self.today])
