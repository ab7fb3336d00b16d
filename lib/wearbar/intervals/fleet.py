"""A log laid out for reckoning its due points: where every vehicle was, what was done, which limits hold, how hard the use was."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals.done import Series, acts_of, series_of
from wearbar.intervals.duty import duty_of, known_on
from wearbar.intervals.rules import Rules
from wearbar.intervals.schedule import Task
from wearbar.log.keys import least_after

__all__ = ["Fleet", "as_dates", "as_days", "fleet_of"]


def as_days(dates):
    """Dates as days since 1970-01-01, floats; NaT as NaN."""
    dates = np.asarray(dates, dtype="datetime64[ns]")
    return np.where(np.isnat(dates), np.nan, dates.astype("datetime64[D]").astype("int64"))


def as_dates(days):
    """Days since 1970-01-01 as datetime64[ns]; NaN and infinity as NaT."""
    days = np.asarray(days, dtype=float)
    dates = (
        np.where(np.isfinite(days), days, np.iinfo(np.int32).min)
        .astype("int64")
        .astype("datetime64[D]")
    )
    return np.where(np.isfinite(days), dates, np.datetime64("NaT", "D")).astype("datetime64[ns]")


@dataclass(frozen=True, eq=False)
class Fleet:
    """A log laid out for reckoning. Arrays ending in `_x` are (3, n): km, hours, day.

    code: each series' vehicle in the paths (-1: without readings). origin_x: new, in service. join_x: from when its occasions are ours:
    acquired, the log's first day, or the day its task entered the plan (is_new). end_day: the last day that counts; ended: why, where that
    is before the report date. counts: (2, series) whether its vehicle counts km, hours. duty: frame `code, day, hard` sorted, hard 1, 0, or
    -1 not known. act_*: every act, sorted by series and day; act_low, act_high: bounds of its km.
    """

    series: Series
    rules: Rules
    tasks: list
    distance: usage.Path
    clock: usage.Path
    code: np.ndarray
    key: np.ndarray
    origin_x: np.ndarray
    join_x: np.ndarray
    is_new: np.ndarray
    end_day: np.ndarray
    ended: np.ndarray
    counts: np.ndarray
    duty: pd.DataFrame
    act_series: np.ndarray
    act_x: np.ndarray
    act_low: np.ndarray
    act_high: np.ndarray
    act_restarts: np.ndarray
    act_planned: np.ndarray
    act_known: np.ndarray
    act_visit: pd.Series
    kept_from: float

    def at(self, s, day):
        """Where the vehicles of series s were at the end of each day, or by the nearest reading: (3, n)."""
        return place(self.distance, self.clock, self.code[s], day)

    def anchors(self, s, act):
        """Where each act of series s was, or of -1 the vehicle when it was new: (3, n)."""
        origin = self.origin_x[:, s]
        return np.where(act >= 0, self.act_x[:, act], origin) if len(self.act_series) else origin

    def versions(self, s):
        """(rows of the plan's tasks, days on which they begin), of each series by version, oldest first; -1, infinite where there are fewer."""
        versions = self.series.versions[self.key[s]]
        begins = np.nan_to_num(as_days(self.series.rules["valid_from"]), nan=-np.inf)
        return versions, np.where(versions >= 0, begins[versions], np.inf)

    def hard_since(self, s, begin, end):
        """The first day from begin to end on which the trailing use met the severe condition; NaN if none."""
        when, code = np.full(len(s), np.nan), self.code[s]
        who, day, hard = (self.duty[c].to_numpy() for c in ("code", "day", "hard"))
        if not len(who):
            return when
        key = who * 1e6 + day
        now = np.searchsorted(key, code * 1e6 + begin, "right") - 1
        already = (now >= 0) & (who[now] == code) & (hard[now] == 1)
        hit = np.flatnonzero(hard == 1)
        if not len(hit):
            return when
        at = np.searchsorted(key[hit], code * 1e6 + begin)
        nxt = hit[np.minimum(at, len(hit) - 1)]
        later = (at < len(hit)) & (who[nxt] == code) & (day[nxt] <= end)
        return np.where(already, begin, np.where(later, day[nxt], np.nan))

    def duty_at(self, s, day):
        """Duty at each day, by what was known then: 1 severe, 0 normal, -1 not known."""
        who, when, hard = (self.duty[c].to_numpy() for c in ("code", "day", "hard"))
        now = np.searchsorted(who * 1e6 + when, self.code[s] * 1e6 + day, "right") - 1
        if not len(who):
            return np.full(len(s), -1)
        return np.where((now >= 0) & (who[now] == self.code[s]), hard[now], -1)


def place(distance, clock, code, day):
    """Distance, hours and day at the end of each day; where a meter was not read then, by the reading before, else the one after."""
    found = []
    for path in (distance, clock):
        at = usage.distance_at(path, code, as_dates(day))
        found.append(at["distance_km"].fillna(at["low_km"]).fillna(at["high_km"]).to_numpy())
    return np.stack([*found, np.asarray(day, dtype=float)])


def fleet_of(log, readings, late_share=None):
    """The `Fleet` of a log that has a plan. A row typed after a later one was known changes nothing that hangs on it.

    late_share: a reader's own window after the due point, in place of the plan's.
    """
    readings = _not_overtaken(readings)
    series = series_of(log)
    rows = series.rows
    plans = log.plan.plans[["plan", "valid_from", "unknown_history"]]
    rules = series.rules.merge(plans, on=["plan", "valid_from"], how="left")
    rules = rules if late_share is None else rules.assign(late_share=float(late_share))
    series = replace(series, rules=rules)
    distance, clock = usage.path_of(readings), usage.path_of(readings, "hours")
    vehicles = pd.Index(distance.vehicles).append(
        pd.Index(clock.vehicles).difference(distance.vehicles, sort=False)
    )
    clock = replace(clock, vehicles=pd.Index(vehicles.get_indexer(clock.vehicles)))
    distance = replace(distance, vehicles=pd.RangeIndex(len(distance.vehicles)))
    code = vehicles.get_indexer(rows["vehicle"])
    acts = acts_of(log, series)
    acts_x, low, high = _act_places(distance, clock, code, acts)
    life = _lives(log, series, distance, clock, code)
    counts, joined = (list(zip(*life[name].tolist(), strict=True)) for name in ("counts", "join_x"))
    on_ladder = rows["measured_from"].ne("done").tolist()
    return Fleet(
        series=series,
        rules=Rules(rules),
        tasks=list(map(Task, counts, joined, life["is_new"].tolist(), on_ladder)),
        distance=distance,
        clock=clock,
        code=code,
        key=rows["key"].to_numpy(),
        duty=duty_of(log, rows, vehicles, readings),
        act_series=acts["series"].to_numpy(),
        act_x=acts_x,
        act_low=low,
        act_high=high,
        act_restarts=acts["restarts"].to_numpy(dtype=bool),
        act_planned=acts["planned"].to_numpy(dtype=bool),
        act_known=as_days(acts["known"]),
        kept_from=_kept_from(log),
        act_visit=acts["visit"],
        **life,
    )


def _kept_from(log):
    work, fitted = log.tables["work"], log.tables["fitted"]
    known = [
        as_days(known_on(t[date], t["recorded"]))
        for t, date in ((work, "date"), (fitted, "fitted"))
    ]
    return float(np.fmin.reduce(np.concatenate(known), initial=np.nan))


def _act_places(distance, clock, code, acts):
    who = code[acts["series"].to_numpy()]
    km = usage.distance_of(distance, who, acts["date"], acts["odometer_km"])
    hours = usage.distance_at(clock, who, acts["date"])
    own = usage.to_cumulative(clock, who, acts["date"], acts["hours"])
    hour = own.reset_index(drop=True).fillna(hours["distance_km"]).fillna(hours["low_km"])
    x = np.stack([km["distance_km"].fillna(km["low_km"]), hour, as_days(acts["date"])])
    return x, km["low_km"].to_numpy(), km["high_km"].fillna(np.inf).to_numpy()


def _lives(log, series, distance, clock, code):
    """Origin, joining and end of every series."""
    rows = series.rows
    v = log.si("vehicles").set_index("vehicle").loc[rows["vehicle"]]
    acquired = v["acquired"].fillna(v["in_service"])
    is_new = (acquired <= v["in_service"]).to_numpy()
    start_km = (
        v["in_service_odometer_km"]
        .mask(v["in_service_odometer_km"].isna() & is_new, 0.0)
        .to_numpy()
    )
    origin_x = np.stack([start_km, np.where(is_new, 0.0, np.nan), as_days(v["in_service"])])
    last = series.versions.shape[1] - 1 - np.argmax(series.versions[:, ::-1] >= 0, axis=1)
    key = rows["key"].to_numpy()
    begins = np.nan_to_num(as_days(series.rules["valid_from"]), nan=-np.inf)[
        series.versions[key, 0]
    ]
    ends = np.nan_to_num(as_days(series.rules["valid_to"]), nan=np.inf)[
        series.versions[key, last[key]]
    ]
    ours = np.maximum(as_days(acquired), float(as_days([log.first_day])[0]))
    gone, as_of = np.nan_to_num(as_days(v["disposed"]), nan=np.inf), float(as_days([log.as_of])[0])
    end = np.minimum(
        np.minimum(gone, ends),
        np.minimum(as_of, np.nan_to_num(as_days(rows["told_from"]) - 1, nan=np.inf)),
    )
    ended = np.where(
        end == as_of,
        np.where(gone <= as_of, "disposed", ""),
        np.where(gone <= ends, "disposed", "left the plan"),
    )
    meter = v["meter"].fillna("distance").to_numpy()
    join = np.maximum(ours, begins)
    return {
        "origin_x": origin_x,
        "join_x": place(distance, clock, code, join),
        "is_new": begins > ours,
        "end_day": end,
        "ended": ended,
        "counts": np.stack(
            [np.isin(meter, ["distance", "both"]), np.isin(meter, ["hours", "both"])]
        ),
    }


def _not_overtaken(readings):
    """The readings without those typed after a later one of their vehicle was known: the line had been drawn past them."""
    known = readings["known"]
    if not (known > readings["date"]).any():
        return readings
    days = (
        known.groupby([readings["vehicle"], readings["date"]]).min().rename("first").reset_index()
    )
    days = days.assign(later=least_after(days["first"], days["vehicle"]))
    later = (
        readings[["vehicle", "date"]]
        .merge(days, on=["vehicle", "date"], how="left")["later"]
        .to_numpy()
    )
    return readings[~(known.to_numpy() > later)]
