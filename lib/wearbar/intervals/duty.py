"""How hard each vehicle was used, by the rows that could be known on the day that it is asked
(R8)."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.usage.distance import days_of, known_on
from wearbar.usage.rates import driven

COVERAGE = 0.5  # of the trailing distance must be described by `use`, or the duty is not known
TRAILING, AGAIN = 365, pd.Timedelta(days=182)


def duty_of(log, rows, vehicles, readings):
    """Whether the trailing 365 days met the plan's severe condition, as was known on that day.

    Frame `code` (of `vehicles`), `day`, `hard` (1, 0, or -1 not known), sorted: a row each day on
    which a period of `use` came to be known, and 182 days later.
    """
    plans = log.plan.plans[log.plan.plans["severe_when"].map(bool).to_numpy(dtype=bool)]
    plan_of = rows.drop_duplicates("vehicle").set_index("vehicle")["plan"]
    use = log.si("use").dropna(subset=["from", "to"])
    use = use[use["vehicle"].map(plan_of).isin(plans["plan"]).to_numpy(dtype=bool)]
    use = use.assign(known=known_on(use["to"], use["recorded"]))
    use = use[use["known"] <= log.as_of]
    if use.empty:
        return pd.DataFrame(
            {"code": np.zeros(0, int), "day": np.zeros(0), "hard": np.zeros(0, int)}
        )
    asked = use[["vehicle", "known"]].rename(columns={"known": "day"})
    asked = pd.concat([asked, asked.assign(day=asked["day"] + AGAIN)]).drop_duplicates()
    asked = asked[asked["day"] <= log.as_of]
    asked = asked.sort_values(["day", "vehicle"], kind="stable", ignore_index=True)
    kinds = sorted({name for when in plans["severe_when"] for name in when})
    shares = _shares(asked, use, readings, kinds)
    plan, hard = asked["vehicle"].map(plan_of), np.full(len(asked), -1)
    for version in plans.itertuples():
        begun = ~(asked["day"] < version.valid_from) & ~(asked["day"] > version.valid_to)
        is_told = {name: shares[name][0] >= COVERAGE for name in version.severe_when}
        is_met = [
            is_told[name] & (shares[name][1] >= share - 1e-9)
            for name, share in version.severe_when.items()
        ]
        all_told = np.logical_and.reduce(list(is_told.values()))
        now = np.select([np.logical_or.reduce(is_met), all_told], [1, 0], -1)
        hard = np.where((plan == version.plan).to_numpy(dtype=bool) & begun, now, hard)
    code, day = vehicles.get_indexer(asked["vehicle"]), days_of(asked["day"]).astype(float)
    found = pd.DataFrame({"code": code, "day": day, "hard": hard})
    return found[code >= 0].sort_values(["code", "day"], ignore_index=True)


def _shares(asked, use, readings, kinds):
    """name to (share of the distance that `use` tells of, mean share of it) over the year before
    each day asked: of rows and readings known by then, over the distance between readings alone."""
    path, last = usage.path_of(readings), days_of(asked["day"])
    begin, stop = _seen(readings, path, asked, last)
    gone = driven(path, asked["vehicle"], begin, stop)
    row, at = _pairs(asked, use, last)
    opens, ends = days_of(use["from"])[row] - 1, days_of(use["to"])[row]
    own = use["distance_km"].to_numpy(dtype=float)[row]
    ends = np.where(np.isnan(own), np.maximum(np.minimum(ends, stop[at]), opens), ends)
    weight = driven(path, use["vehicle"].to_numpy()[row], opens, ends)
    weight = np.where(np.isnan(own), weight, own)
    inside = np.maximum(np.minimum(ends, stop[at]) - np.maximum(opens, begin[at]), 0)
    part = weight * inside / np.maximum(ends - opens, 1)
    found = {}
    for name in kinds:
        share = use[name].to_numpy(dtype=float)[row]
        told = ~np.isnan(share)
        known, hard = (np.bincount(at[told], x[told], len(asked)) for x in (part, part * share))
        with np.errstate(invalid="ignore", divide="ignore"):
            found[name] = (np.nan_to_num(known / gone), hard / known)
    return found


def _seen(readings, path, asked, last):
    """(begin, stop): the year before each day, cut to the readings known by then."""
    seen = readings.loc[readings["distance_km"].notna(), ["vehicle", "known", "date"]]
    seen = seen.rename(columns={"known": "day"}).sort_values(["day", "date"], kind="stable")
    seen["date"] = seen.groupby("vehicle")["date"].cummax()
    latest = pd.merge_asof(asked, seen, on="day", by="vehicle")["date"]
    first, rows = path.rows(asked["vehicle"])
    opened = path.day[first] if len(path.day) else last
    begin = np.maximum(last - TRAILING, np.where(rows > 0, opened, last))
    stop = np.where(latest.notna(), days_of(latest.fillna(asked["day"])), begin)
    return begin, np.maximum(np.minimum(stop, last), begin)


def _pairs(asked, use, last):
    """(row of `use`, day asked) of all that bear on each other: known by then, and not a year
    old."""
    names, far = pd.Index(use["vehicle"].unique()), 10**6
    key, mine = (names.get_indexer(rows["vehicle"]) * far for rows in (asked, use))
    key = key + last
    order = np.argsort(key, kind="stable")
    low = np.searchsorted(key[order], mine + days_of(use["known"]))
    high = np.searchsorted(key[order], mine + days_of(use["to"]) + TRAILING)
    count = np.maximum(high - low, 0)
    nth = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return np.repeat(np.arange(len(use)), count), order[np.repeat(low, count) + nth]
