"""How hard each vehicle was used, by the rows that could be known on the day that it is asked
(R8)."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.log.keys import look_up
from wearbar.usage.distance import days_of, known_on
from wearbar.usage.rates import driven

COVERAGE = 0.5  # of the trailing distance must be described by `use`, or the duty is not known
TRAILING, AGAIN = 365, pd.Timedelta(days=182)


def duty_of(log, series, vehicles, readings):
    """Whether the trailing 365 days met the plan's severe condition, as was known on that day.

    Frame `code` (of `vehicles`), `day`, `hard` (1, 0, or -1 not known), sorted: a row each day on
    which a period of `use` came to be known, and 182 days later.
    """
    plans = log.plan.plans[log.plan.plans["severe_when"].map(bool).to_numpy(dtype=bool)]
    plan_of = series.drop_duplicates("vehicle").set_index("vehicle")["plan"]
    use = log.si("use").dropna(subset=["from", "to"])
    use = use.assign(known=known_on(use["to"], use["recorded"]))
    use = use[look_up(use["vehicle"], plan_of).isin(plans["plan"]) & (use["known"] <= log.as_of)]
    asked = use[["vehicle", "known"]].rename(columns={"known": "day"})
    asked = pd.concat([asked, asked.assign(day=asked["day"] + AGAIN)]).drop_duplicates()
    asked = asked[asked["day"] <= log.as_of].sort_values(["day", "vehicle"], ignore_index=True)
    plan, hard = look_up(asked["vehicle"], plan_of), np.full(len(asked), -1)
    weights, gone = _weights(asked, use, readings)
    for version in plans.itertuples():
        begun = ~(asked["day"] < version.valid_from) & ~(asked["day"] > version.valid_to)
        is_met, is_told = np.zeros(len(asked), bool), np.ones(len(asked), bool)
        for name, least in version.severe_when.items():
            told = weights.dropna(subset=name)
            sums = [told["km"], told["km"] * told[name]]
            known, met = (np.bincount(told["row"], km, len(asked)) for km in sums)
            with np.errstate(invalid="ignore", divide="ignore"):
                covers, share = known / gone >= COVERAGE, met / known
            is_met |= covers & (share >= least - 1e-9)
            is_told &= covers
        holds = plan.eq(version.plan).to_numpy(dtype=bool) & begun
        hard = np.where(holds, np.select([is_met, is_told], [1, 0], -1), hard)
    code, day = vehicles.get_indexer(asked["vehicle"]), days_of(asked["day"]).astype(float)
    found = pd.DataFrame({"code": code, "day": day, "hard": hard})
    return found[code >= 0].sort_values(["code", "day"], ignore_index=True)


def _weights(asked, use, readings):
    """(the rows of `use` that bear on each row of `asked`, known by then and not a year old, with
    the `km` of each that lie in the year before; the distance of that year by readings known)."""
    path, last = usage.path_of(readings), days_of(asked["day"])
    seen = readings.loc[readings["distance_km"].notna(), ["vehicle", "known", "date"]]
    seen = seen.rename(columns={"known": "day"}).sort_values(["day", "date"], kind="stable")
    seen["date"] = seen.groupby("vehicle")["date"].cummax()
    latest = pd.merge_asof(asked, seen, on="day", by="vehicle")["date"]
    first, rows = path.rows(asked["vehicle"])
    begin = np.maximum(last - TRAILING, np.where(rows > 0, path.get("day", first), last))
    begin = begin.astype(int)
    stop = np.where(latest.notna(), days_of(latest.fillna(asked["day"])), begin)
    stop = np.maximum(np.minimum(stop, last), begin)
    gone = driven(path, asked["vehicle"], begin, stop)
    both = asked.rename_axis("row").reset_index().merge(use, on="vehicle")
    age = (both["day"] - both["to"]).dt.days
    both = both[(both["known"] <= both["day"]) & (age < TRAILING)]
    row, opens, ends = both["row"], days_of(both["from"]) - 1, days_of(both["to"])
    begin, stop, own = begin[row], stop[row], both["distance_km"].to_numpy()
    ends = np.where(np.isnan(own), np.maximum(np.minimum(ends, stop), opens), ends)
    weight = np.where(np.isnan(own), driven(path, both["vehicle"], opens, ends), own)
    inside = np.maximum(np.minimum(ends, stop) - np.maximum(opens, begin), 0)
    return both.assign(km=weight * inside / np.maximum(ends - opens, 1)), gone
