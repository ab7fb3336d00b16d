"""The limits of a plan's tasks, ready for the loop of `schedule`."""

import numpy as np

from wearbar.intervals import due
from wearbar.intervals.schedule import Limit

__all__ = ["UNITS", "Rules"]

UNITS = ("km", "hours", "days", "months")


class Rules:
    """The limits of each row of a plan's tasks; lists by that row: has_severe, has_first, first_axes (of which axes), expires (measured
    from an expiry), from_first_reading (what is not known counts from there)."""

    def __init__(self, rules):
        self._every = {kind: _every(rules, kind) for kind in ("first", "every", "severe")}
        self._windows, self._known = _windows(rules), {}
        self.first_axes = [tuple(map(any, row)) for row in self._every["first"]]
        self.has_first = list(map(any, self.first_axes))
        self.has_severe = [any(map(any, row)) for row in self._every["severe"]]
        self.expires = rules["measured_from"].eq("expiry").tolist()
        self.from_first_reading = rules["unknown_history"].eq("from-first-reading").tolist()

    def limits(self, rule, counts, first, severe, window=None):
        """(km, hours, day), each a `Limit` or None: the first ones where `first` and there are any, else the severe or the normal ones.

        counts: whether the vehicle counts km, hours. window: another row, whose windows they have.
        """
        key = (rule, counts, first, severe, window)
        if key not in self._known:
            every = self._every["severe" if severe and self.has_severe[rule] else "every"][rule]
            early = self._every["first"][rule] if first else [(0, 0)] * 3
            windows = self._windows[rule if window is None else window]
            rows = zip(every, early, windows, (*counts, True), strict=True)
            self._known[key] = tuple(
                Limit(*(run_in if any(run_in) else normal), *window)
                if counted and any(run_in + normal)
                else None
                for normal, run_in, window, counted in rows
            )
        return self._known[key]

    def arrays(self, keys):
        """`due.Limits` of many, one column each of (rule, first, severe, whether it counts km, and hours)."""
        every, windows = np.zeros((len(keys), 4)), np.zeros((len(keys), 3, 4))
        for i, (rule, first, severe, *counts) in enumerate(keys):
            limits = self.limits(rule, tuple(counts), first, severe)
            km, hours, (days, months) = (limit[:2] if limit else (0, 0) for limit in limits)
            every[i] = km[0], hours[0], days, months
            windows[i] = self._windows[rule]
        every = np.where(every > 0, every, np.nan)
        return due.Limits(every.T, windows[:, 0, :2].T, windows[:, :, 2].T)


def _every(rules, kind):
    """Of each row (every, months) of each axis, 0 where there is none."""
    columns = rules[[f"{kind}_{unit}" for unit in UNITS]].fillna(0.0).to_numpy(dtype=float)
    return [
        ((km, 0), (hours, 0), (days, int(months))) for km, hours, days, months in columns.tolist()
    ]


def _windows(rules):
    """Of each row (early share, late share, amount, whether in days) of each axis."""
    shares = rules[["early_share", "late_share"]].to_numpy(dtype=float).tolist()
    amounts = rules[[f"tolerance_{unit}" for unit in UNITS[:3]]].fillna(0.0).to_numpy(dtype=float)
    return [
        [(*share, km, False), (*share, hours, False), (*share, days, True)]
        for share, (km, hours, days) in zip(shares, amounts.tolist(), strict=True)
    ]
