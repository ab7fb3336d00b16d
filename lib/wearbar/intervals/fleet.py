"""A log laid out for reckoning its due points: where every vehicle was, what was done, which limits
hold, how hard the use was."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals.done import Series, acts_of, series_of
from wearbar.intervals.due import HOURS, KM
from wearbar.intervals.duty import duty_of
from wearbar.intervals.rules import Rules
from wearbar.intervals.schedule import Task
from wearbar.log.keys import least_after
from wearbar.usage.distance import as_dates, as_days, known_on, last_known

FAR = 1e6  # days: a vehicle's number times this and a day make one key


@dataclass(frozen=True, eq=False)
class Fleet:
    """A log laid out for reckoning. Arrays ending in `_x` are (3, n): km, hours, day.

    code: each series' vehicle in the paths (-1: without readings). origin_x: new, in service.
    join_x: from when its occasions are ours: acquired, the log's first day, or the day its task
    entered the plan (is_new). end_day: the last day that counts; ended: whether that is before the
    report date. counts: (2, series) whether its vehicle counts km, hours. on_ladder: not measured
    from the work. duty: frame `code, day, hard` sorted, hard 1, 0, or -1 not known. acts: as of
    `acts_of` with `km, hours, day`, bounds `low, high` of its km and `known_day`, and a last row
    for act -1: none. kept_from: the day since when the record is being kept.
    """

    series: Series
    rules: Rules
    distance: usage.Path
    clock: usage.Path
    code: np.ndarray
    origin_x: np.ndarray
    join_x: np.ndarray
    is_new: np.ndarray
    end_day: np.ndarray
    ended: np.ndarray
    counts: np.ndarray
    on_ladder: np.ndarray
    duty: pd.DataFrame
    acts: pd.DataFrame
    kept_from: float

    @property
    def meters(self):
        """(axis, path) of the distance and the hours."""
        return (KM, self.distance), (HOURS, self.clock)

    def task(self, s):
        counts, joined = self.counts[:, s].tolist(), self.join_x[:, s].tolist()
        return Task(tuple(counts), joined, self.is_new[s], self.on_ladder[s])

    def at(self, s, day):
        """Where the vehicles of series s were at the end of each day, or by the nearest reading:
        (3, n)."""
        return place(self.distance, self.clock, self.code[s], day)

    def of_act(self, names, act):
        """Columns of acts, one row a name: (n,) of one name, (names, n) of several."""
        return self.acts[names].to_numpy().T[..., act]

    def act_x(self, act):
        return self.of_act(["km", "hours", "day"], act)

    def anchors(self, s, act):
        """Where each act of series s was, or of -1 the vehicle when it was new: (3, n)."""
        return np.where(act >= 0, self.act_x(act), self.origin_x[:, s])

    def versions(self, s):
        """(rows of the plan's tasks, days on which they begin), of each series by version, oldest
        first; -1, infinite where there are fewer."""
        versions = self.series.versions[self.series.rows["key"].to_numpy()[s]]
        begins = np.nan_to_num(as_days(self.series.rules["valid_from"]), nan=-np.inf)
        return versions, np.where(versions >= 0, begins[versions], np.inf)

    def hard_since(self, s, begin, end):
        """The first day from begin to end on which the trailing use met the severe condition, by
        what was known then (R8); NaN if none."""
        hard = self.duty[self.duty["hard"] == 1]
        key, own = np.append(hard["code"] * FAR + hard["day"], np.inf), self.code[s] * FAR
        day = key[np.searchsorted(key, own + begin)] - own
        return np.where(self.duty_at(s, begin) == 1, begin, np.where(day <= end, day, np.nan))

    def duty_at(self, s, day):
        """Duty at each day, by what was known then: 1 severe, 0 normal, -1 not known."""
        key = (self.duty["code"] * FAR + self.duty["day"]).to_numpy()
        now = np.searchsorted(key, self.code[s] * FAR + day, "right") - 1
        is_own = np.append(self.duty["code"], -1)[now] == self.code[s]
        return np.where(is_own, np.append(self.duty["hard"], -1)[now], -1)


def place(distance, clock, code, day):
    """Distance, hours and day at the end of each day; where a meter was not read then, by the
    reading before, else the one after."""
    at = [usage.distance_at(path, code, as_dates(day)) for path in (distance, clock)]
    km, hours = (last_known(found).fillna(found["high_km"]) for found in at)
    return np.stack([km, hours, np.asarray(day, dtype=float)])


def fleet_of(log, readings, late_share=None):
    """The `Fleet` of a log that has a plan. A row typed after a later one was known changes nothing
    that hangs on it (R8).

    late_share: a reader's own window after the due point, in place of the plan's.
    """
    readings = _not_overtaken(readings)
    series = series_of(log)
    plans = log.plan.plans[["plan", "valid_from", "unknown_history"]]
    rules = series.rules.merge(plans, on=["plan", "valid_from"], how="left")
    rules = rules if late_share is None else rules.assign(late_share=float(late_share))
    series = replace(series, rules=rules)
    distance, clock = usage.path_of(readings), usage.path_of(readings, "hours")
    vehicles = distance.vehicles.append(clock.vehicles.difference(distance.vehicles, sort=False))
    clock = replace(clock, vehicles=pd.Index(vehicles.get_indexer(clock.vehicles)))
    distance = replace(distance, vehicles=pd.RangeIndex(len(distance.vehicles)))
    code = vehicles.get_indexer(series.rows["vehicle"])
    return Fleet(
        series=series,
        rules=Rules(rules),
        distance=distance,
        clock=clock,
        code=code,
        on_ladder=series.rows["measured_from"].ne("done").to_numpy(dtype=bool),
        duty=duty_of(log, series.rows, vehicles, readings),
        acts=_placed_acts(distance, clock, code, acts_of(log, series)),
        kept_from=_kept_from(log),
        **_lives(log, series, distance, clock, code),
    )


def _kept_from(log):
    dates = (("work", "date"), ("fitted", "fitted"))
    known = [known_on(log.tables[name][date], log.tables[name]["recorded"]) for name, date in dates]
    return float(np.fmin.reduce(np.concatenate([as_days(day) for day in known]), initial=np.nan))


def _placed_acts(distance, clock, code, acts):
    """The acts with where each was, and a last row for none."""
    who = code[acts["series"].to_numpy()]
    km = usage.distance_of(distance, who, acts["date"], acts["odometer_km"])
    own = usage.to_cumulative(clock, who, acts["date"], acts["hours"])
    acts = acts.assign(
        km=last_known(km).array,
        hours=own.fillna(last_known(usage.distance_at(clock, who, acts["date"]))).array,
        day=as_days(acts["date"]),
        low=km["low_km"].array,
        high=km["high_km"].fillna(np.inf).array,
        known_day=as_days(acts["known"]),
    )
    kept = ["series", "restarts", "planned", "visit", "km", "hours", "day", "low", "high"]
    none = {"series": [-1], "restarts": [False], "planned": [True], "visit": [None]}
    none = pd.DataFrame(none).reindex(columns=[*kept, "known_day"]).astype(acts.dtypes[kept])
    return pd.concat([acts[[*kept, "known_day"]], none], ignore_index=True)


def _lives(log, series, distance, clock, code):
    """Origin, joining and end of every series."""
    rows = series.rows
    v = log.si("vehicles").set_index("vehicle").loc[rows["vehicle"]]
    acquired, in_service = as_days(v["acquired"].fillna(v["in_service"])), as_days(v["in_service"])
    is_new = acquired <= in_service
    km = v["in_service_odometer_km"].to_numpy()
    km = np.where(np.isnan(km) & is_new, 0.0, km)
    first, last = (series.rules.drop_duplicates("key", keep=end) for end in ("first", "last"))
    begins = np.nan_to_num(
        as_days(first.set_index("key")["valid_from"].loc[rows["key"]]), nan=-np.inf
    )
    leaves = as_days(last.set_index("key")["valid_to"].loc[rows["key"]])
    first_day, as_of = as_days([log.first_day, log.as_of])
    ours, gone = np.maximum(acquired, first_day), as_days(v["disposed"])
    last_days = [gone, leaves, as_days(rows["told_from"]) - 1, np.full(len(rows), as_of)]
    end, meter = np.fmin.reduce(last_days), v["meter"].fillna("distance").to_numpy()
    return {
        "origin_x": np.stack([km, np.where(is_new, 0.0, np.nan), in_service]),
        "join_x": place(distance, clock, code, np.maximum(ours, begins)),
        "is_new": begins > ours,
        "end_day": end,
        "ended": (end < as_of) | (gone <= as_of),
        "counts": np.stack([np.isin(meter, [name, "both"]) for name in ("distance", "hours")]),
    }


def _not_overtaken(readings):
    """The readings without those typed after a later one of their vehicle was known: the line had
    been drawn past them."""
    by, known = ["vehicle", "date"], readings["known"]
    if not (known > readings["date"]).any():
        return readings
    days = known.groupby([readings[c] for c in by]).min().rename("first").reset_index()
    days = days.assign(later=least_after(days["first"], days["vehicle"]))
    later = readings[by].merge(days, on=by, how="left")["later"].to_numpy()
    return readings[~(known.to_numpy() > later)]
