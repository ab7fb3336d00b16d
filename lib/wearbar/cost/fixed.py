"""Fixed costs that a year lacks: insurance or tax that a vehicle has in other years."""

import numpy as np
import pandas as pd

from wearbar.usage.distance import days_of
from wearbar.usage.rates import merged

GAPS = ["year", "category", "vehicles", "days"]
YEARLY, LEAST = 300, 30  # days: what covers as many is a standing cost; fewer without it are no gap


def fixed_gaps(log, vehicles):
    """Days of each year on which vehicles had no fixed cost of a kind that they have at other
    times.

    vehicles: frame `vehicle, start, end`, the days in the account. Frame `GAPS`, one row a year and
    category, most days first; of a vehicle `LEAST` days a year or fewer are no gap. Kinds of cost
    that cover less than `YEARLY` days of a vehicle's time are left out.
    """
    cost = log.tables["fixed_costs"].dropna(subset=["from", "to", "category"])
    rows = vehicles.merge(cost, on="vehicle").dropna(subset=["start", "end"])
    rows["key"] = rows["vehicle"].astype(str) + "\x1f" + rows["category"].astype(str)
    for name, before in (("start", 1), ("end", 0), ("from", 1), ("to", 0)):
        rows[name] = days_of(rows[name]) - before  # from the end of a day to the end of another
    begin, until = rows[["start", "from"]].max(axis=1), rows[["end", "to"]].min(axis=1)
    held = dict(zip(("key", "start", "end"), merged(rows["key"], begin, until), strict=True))
    held = pd.DataFrame({name: np.asarray(column) for name, column in held.items()})
    length = (held["end"] - held["start"]).groupby(held["key"]).sum()
    spans = rows[["key", "category", "start", "end"]].drop_duplicates("key")
    spans = spans[spans["key"].isin(length.index[length >= YEARLY])]
    if spans.empty:
        return pd.DataFrame(columns=GAPS)
    days = pd.to_datetime([spans["start"].min() + 1, spans["end"].max()], unit="D")
    years = pd.DataFrame({"year": np.arange(days[0].year, days[1].year + 1)})
    asked, got = (_days_by_year(part, years) for part in (spans, held))
    covered = got.groupby(["key", "year"])["days"].sum().reset_index(name="covered")
    asked = asked.merge(covered, on=["key", "year"], how="left")
    asked["days"] -= asked["covered"].fillna(0)
    by = asked[asked["days"] > LEAST].groupby(["year", "category"], observed=True)["days"]
    made = by.agg(["size", "sum"]).reset_index().set_axis(GAPS, axis=1)
    return made.sort_values(
        ["days", "year", "category"], ascending=[False, True, True], ignore_index=True
    )


def _days_by_year(spans, years):
    """Each of `spans` in each of `years`, with `days` of it in that year."""
    first = (pd.to_datetime((years["year"] + more).astype(str) + "-01-01") for more in (0, 1))
    edge = [days_of(day) - 1 for day in first]
    rows = spans.merge(years.assign(open=edge[0], shut=edge[1]), how="cross")
    inside = rows[["end", "shut"]].min(axis=1) - rows[["start", "open"]].max(axis=1)
    return rows.assign(days=inside.clip(lower=0))
