"""Fixed costs that a year lacks: insurance or tax that a vehicle has in other years, and not in this."""

import numpy as np
import pandas as pd

from wearbar.usage.distance import days_of
from wearbar.usage.rates import merged

__all__ = ["GAPS", "fixed_gaps"]

GAPS = ["year", "category", "vehicles", "days"]
YEARLY, LEAST = 300, 30  # days: what covers as many is a standing cost; fewer without it are no gap


def fixed_gaps(log, vehicles):
    """Days of each year on which vehicles had no fixed cost of a kind that they have at other times.

    vehicles: frame `vehicle, start, end`, the days in the account. Frame `GAPS`, one row a year and
    category, most days first; of a vehicle 30 days a year or fewer are no gap. Kinds of cost that
    cover less than 300 days of a vehicle's time are no standing cost, and left out.
    """
    cost = log.tables["fixed_costs"].dropna(subset=["from", "to", "category"])
    rows = vehicles.merge(cost, on="vehicle").dropna(subset=["start", "end"])
    key = rows["vehicle"].astype(str) + "\x1f" + rows["category"].astype(str)
    start, end = days_of(rows["start"]) - 1, days_of(rows["end"])
    begin, until = (
        np.maximum(days_of(rows["from"]) - 1, start),
        np.minimum(days_of(rows["to"]), end),
    )
    name, begin, until = merged(pd.Series(key.array), begin, until)
    held = pd.DataFrame({"key": name.to_numpy(), "begin": begin, "until": until})
    spans = pd.DataFrame({"key": key, "category": rows["category"], "start": start, "end": end})
    spans = spans.drop_duplicates("key").set_index("key")
    length = (held["until"] - held["begin"]).groupby(held["key"]).sum()
    standing = spans[spans.index.isin(length.index[length >= YEARLY])]
    if standing.empty:
        return pd.DataFrame(columns=GAPS)
    first, last = (int(np.datetime64(int(d), "D").astype("datetime64[Y]").astype(int)) + 1970
                   for d in (standing["start"].min() + 1, standing["end"].max()))  # fmt: skip
    years = pd.DataFrame({"year": np.arange(first, last + 1)})
    edge = days_of(pd.to_datetime(years["year"].astype(str) + "-01-01")) - 1
    years = years.assign(open=edge, shut=np.append(edge[1:], days_of([f"{last}-12-31"])))
    asked = standing.reset_index().merge(years, how="cross")
    asked["there"] = (
        asked[["end", "shut"]].min(axis=1) - asked[["start", "open"]].max(axis=1)
    ).clip(lower=0)
    both = held.merge(years, how="cross")
    both["days"] = (both[["until", "shut"]].min(axis=1) - both[["begin", "open"]].max(axis=1)).clip(
        lower=0
    )
    asked = asked.merge(
        both.groupby(["key", "year"])["days"].sum().reset_index(), on=["key", "year"], how="left"
    )
    asked["days"] = asked["there"] - asked["days"].fillna(0)
    told = (
        asked[asked["days"] > LEAST]
        .groupby(["year", "category"], observed=True)["days"]
        .agg(["size", "sum"])
    )
    told = told.reset_index().set_axis(GAPS, axis=1)
    return told.sort_values(
        ["days", "year", "category"], ascending=[False, True, True], ignore_index=True
    )
