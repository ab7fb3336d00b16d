"""The limits of a plan's tasks, for many occasions at once and for the loop of `schedule`."""

import numpy as np
import pandas as pd

from wearbar.intervals import due
from wearbar.intervals.schedule import Limit
from wearbar.usage.distance import as_days

UNITS = ("km", "hours", "days", "months")
AXIS_OF_UNIT = [0, 1, 2, 2]
FAR = 1e6  # days: a task's number times this and a day make one key


class Rules:
    """The limits of each row of a plan's tasks (as of `done.series_of`). By that row: has_severe,
    ever_severe (a version of its task has), has_first, first_axes (of which axes), expires
    (measured from an expiry), from_first_reading (what is not known counts from there), starts (the
    day on which it begins to hold)."""

    def __init__(self, rules):
        self._every = {}
        for kind in ("first", "every", "severe"):
            every = rules[[f"{kind}_{unit}" for unit in UNITS]].to_numpy(dtype=float)
            self._every[kind] = np.where(every > 0, every, np.nan)
        self._share = rules[["early_share", "late_share"]].to_numpy(dtype=float)
        amounts = rules[[f"tolerance_{unit}" for unit in UNITS[:3]]]
        self._amount, self._known = amounts.fillna(0.0).to_numpy(dtype=float), {}
        first = np.isfinite(self._every["first"])
        self.first_axes = np.column_stack([first[:, :2], first[:, 2:].any(axis=1)])
        self.has_first = first.any(axis=1)
        self.has_severe = np.isfinite(self._every["severe"]).any(axis=1)
        self.expires = rules["measured_from"].eq("expiry").to_numpy(dtype=bool)
        by_key = pd.Series(self.has_severe).groupby(rules["key"].to_numpy())
        self.ever_severe = by_key.transform("any").to_numpy(dtype=bool)
        first = ~rules.duplicated("key").to_numpy()
        self.starts = np.where(first, 0.0, as_days(rules["valid_from"]))
        self._begin = rules["key"].to_numpy() * FAR + self.starts
        self.from_first_reading = rules["unknown_history"].eq("from-first-reading").tolist()

    def in_force(self, key, day):
        """Which row holds for each task (`key`) on each day."""
        return np.searchsorted(self._begin, key * FAR + day, "right") - 1

    def many(self, rule, is_first, severe, counts):
        """The `due.Limits` of occasions: the first limits where they are asked for and there are
        any (R7), else the severe (R8) or the normal ones. counts: (2, n) whether km, hours are
        counted."""
        severe = (severe & self.has_severe[rule])[:, None]
        every = np.where(severe, self._every["severe"][rule], self._every["every"][rule])
        first = (is_first[:, None] & self.first_axes[rule])[:, AXIS_OF_UNIT]
        every = np.where(first, self._every["first"][rule], every).T
        every[:2] = np.where(counts, every[:2], np.nan)
        return due.Limits(every, self._share[rule].T, self._amount[rule].T)

    def limits(self, rule, counts, is_first, severe, window=None):
        """(km, hours, day) of one occasion, each a `Limit` or None. window: another row, whose
        windows they have."""
        key = (rule, counts, is_first, severe, window)
        if key not in self._known:
            own = np.array([[rule], [is_first], [severe]])
            found = self.many(own[0], own[1] > 0, own[2] > 0, np.array(counts)[:, None])
            km, hours, days, months = np.nan_to_num(found.every[:, 0]).tolist()
            at = rule if window is None else window
            every = ((km, 0), (hours, 0), (days, int(months)))
            windows = ((*self._share[at].tolist(), amount) for amount in self._amount[at].tolist())
            self._known[key] = tuple(
                Limit(*of, *width, axis == due.DAY) if any(of) else None
                for axis, of, width in zip(due.AXES, every, windows, strict=True)
            )
        return self._known[key]
