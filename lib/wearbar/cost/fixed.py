"""Fixed costs that a year lacks: insurance or tax that a vehicle has in other years."""

import numpy as np
import pandas as pd

from wearbar.usage.distance import as_dates, days_of

GAPS = ["year", "category", "vehicles", "days"]
YEARLY, LEAST = 300, 30  # days: what covers as many is a standing cost; fewer without it are no gap


def fixed_gaps(log, vehicles):
    """Days of each year on which vehicles had no fixed cost of a kind that they have at other
    times.

    vehicles: frame `vehicle, start, end`, the days in the account. Frame `GAPS`, one row a year and
    category, most days first.
    """
    cost = log.tables["fixed_costs"].dropna(subset=["from", "to", "category"])
    rows, found = vehicles.merge(cost, on="vehicle").dropna(subset=["start", "end"]), []
    rows = rows.assign(**{name: days_of(rows[name]) for name in ("start", "end", "from", "to")})
    for (_, category), own in rows.groupby(["vehicle", "category"]):
        start, end = own["start"].iat[0], own["end"].iat[0]
        lacks = np.ones(end - start + 1, dtype=bool)
        for first, last in zip(own["from"] - start, own["to"] - start, strict=True):
            lacks[max(first, 0) : max(last + 1, 0)] = False
        if np.count_nonzero(~lacks) >= YEARLY:
            years = pd.DatetimeIndex(as_dates(start + np.flatnonzero(lacks))).year
            found += [(year, category, days) for year, days in years.value_counts().items()]
    gaps = pd.DataFrame(found, columns=["year", "category", "days"]).astype({"days": int})
    by = gaps[gaps["days"] > LEAST].groupby(["year", "category"])["days"]
    made = by.agg(["size", "sum"]).reset_index().set_axis(GAPS, axis=1)
    return made.sort_values("days", ascending=False, kind="stable", ignore_index=True)
