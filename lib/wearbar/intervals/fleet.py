"""A log laid out for reckoning its due points: where every vehicle was and when it got there, what
was done, which limits hold, how hard the use was."""

from dataclasses import replace

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals.done import acts_of, duty_of, series_of
from wearbar.intervals.due import FAR, HOURS, KM, Rules
from wearbar.log.keys import least_after
from wearbar.usage.distance import as_dates, as_days, known_on, last_known

AXES = ["km", "hours", "day"]
NEVER = 73_000  # days since 1970: beyond it a date says nothing


class Fleet:
    """A log that has a plan, laid out for reckoning. Arrays ending in `_x` are (3, n): km, hours,
    day. A row typed after a later one was known changes nothing that hangs on it (R8).

    late_share: a reader's own window after the due point, in place of the plan's.
    """

    def __init__(self, log, readings, late_share=None):
        series, rules = series_of(log)
        known, by = readings["known"], ["vehicle", "date"]
        if (known > readings["date"]).any():  # without those typed after a later one was known
            days = known.groupby([readings[c] for c in by]).min().rename("first").reset_index()
            days = days.assign(later=least_after(days["first"], days["vehicle"]))
            later = readings[by].merge(days, on=by, how="left")["later"].to_numpy()
            readings = readings[~(known.to_numpy() > later)]
        rules = rules if late_share is None else rules.assign(late_share=float(late_share))
        distance, clock = usage.path_of(readings), usage.path_of(readings, "hours")
        vehicles = distance.vehicles.append(
            clock.vehicles.difference(distance.vehicles, sort=False)
        )
        self.series, self.rules = series, Rules(rules)  # of `series_of`
        self.distance = replace(distance, vehicles=pd.RangeIndex(len(distance.vehicles)))
        self.clock = replace(clock, vehicles=pd.Index(vehicles.get_indexer(clock.vehicles)))
        self.meters = (KM, self.distance), (HOURS, self.clock)  # (axis, path)
        # each series' vehicle in the paths (-1: without readings), and its task in the rules
        self.code, self.key = vehicles.get_indexer(series["vehicle"]), series["key"].to_numpy()
        v = log.si("vehicles").set_index("vehicle").loc[series["vehicle"]]
        in_service = as_days(v["in_service"])
        acquired = as_days(v["acquired"].fillna(v["in_service"]))
        is_new, km = acquired <= in_service, v["in_service_odometer_km"].to_numpy()
        km = np.where(np.isnan(km) & is_new, 0.0, km)
        self.origin_x = np.stack([km, np.where(is_new, 0.0, np.nan), in_service])  # in service
        by_key, (first_day, as_of) = rules.groupby("key"), as_days([log.first_day, log.as_of])
        begins = np.nan_to_num(as_days(by_key["valid_from"].nth(0).iloc[self.key]), nan=-np.inf)
        leaves, gone = as_days(by_key["valid_to"].nth(-1).iloc[self.key]), as_days(v["disposed"])
        ours = np.maximum(acquired, first_day)
        # from when its occasions are ours: acquired, the log's first day, or the day its task
        # entered the plan (is_new)
        self.join_x = self.at(np.arange(len(series)), np.maximum(ours, begins))
        self.is_new = begins > ours
        told_from = as_days(series["told_from"])
        self.end_day = np.fmin(np.fmin(gone, leaves), np.fmin(told_from - 1, as_of))
        self.ended = (self.end_day < as_of) | (gone <= as_of)  # before the report date
        meter = v["meter"].fillna("distance").to_numpy()  # whether km, hours are counted:
        self.counts = np.stack([np.isin(meter, [name, "both"]) for name in ("distance", "hours")])
        self.on_ladder = series["measured_from"].ne("done").to_numpy(dtype=bool)
        self.duty = duty_of(log, vehicles, self.distance, readings)
        self.acts = self._placed(acts_of(log, series, rules))
        work, fitted = log.tables["work"], log.tables["fitted"]
        known = [known_on(work["date"], work["recorded"])]
        known += [known_on(fitted["fitted"], fitted["recorded"])]
        # the day since when the record is being kept
        self.kept_from = np.fmin.reduce(as_days(pd.concat(known)), initial=np.nan)

    def _placed(self, acts):
        """The acts with `km, hours, day`, bounds `low, high` of their km and `known_day`; a last
        row, of act -1: none."""
        who, day = self.code[acts["series"].to_numpy()], acts["date"]
        km = usage.distance_of(self.distance, who, day, acts["odometer_km"])
        own = usage.to_cumulative(self.clock, who, day, acts["hours"])
        kept = ["series", "restarts", "planned", "visit"]
        acts = acts[kept].assign(
            km=last_known(km).array,
            hours=own.fillna(last_known(usage.distance_at(self.clock, who, day))).array,
            day=as_days(day),
            low=km["low_km"].array,
            high=km["high_km"].fillna(np.inf).array,
            known_day=as_days(acts["known"]),
        )
        none = {"series": [-1], "restarts": [False], "planned": [True], "visit": [None]}
        none = pd.DataFrame(none).reindex(columns=acts.columns).astype(acts.dtypes)
        return pd.concat([acts, none], ignore_index=True)

    def at(self, s, day):
        """Where the vehicles of series s were at the end of each day, (3, n); where a meter was not
        read then, by the reading before, else the one after."""
        at = [usage.distance_at(path, self.code[s], as_dates(day)) for _, path in self.meters]
        km, hours = (last_known(found).fillna(found["high_km"]) for found in at)
        return np.stack([km, hours, np.asarray(day, dtype=float)])

    def of_act(self, names, act):
        """Columns of acts, one row a name: (n,) of one name, (names, n) of several."""
        return self.acts[names].to_numpy().T[..., act]

    def anchors(self, s, act):
        """Where each act of series s was, or of -1 the vehicle when it was new: (3, n)."""
        return np.where(act >= 0, self.of_act(AXES, act), self.origin_x[:, s])

    def reached(self, s, points):
        """The day at whose end the vehicle of each series had reached each of its points (3, n); a
        date as it is, NaN where it has not."""
        days = points.copy()
        for axis, path in self.meters:
            rows = np.flatnonzero(np.isfinite(points[axis]))
            at = usage.date_at(path, self.code[s[rows]], points[axis, rows])
            days[axis, rows] = as_days(at)
        return days

    def expected(self, s, to, points):
        """The day each of the points is reached at the pace of the year before day `to`; NaN where
        there is no pace."""
        days = points.copy()
        for axis, path in self.meters:
            here, rate = _pace(path, self.code[s], to)
            with np.errstate(divide="ignore", invalid="ignore"):
                day = to + np.ceil((points[axis] - here) / rate)
            days[axis] = np.where((rate > 0) & (day < NEVER), day, np.nan)
        return days

    def last_read(self, s, day):
        """The last day not after `day` with a reading of each meter: (2, n), NaN where there is
        none."""
        code = self.code[s]
        return np.stack(
            [path.get("day", path.around("day", code, day)[0]) for _, path in self.meters]
        )

    def at_pace(self, s, x, to):
        """Where each vehicle is by now at the pace of the year before its last reading."""
        now = x.copy()
        for (axis, path), last in zip(self.meters, self.last_read(s, to), strict=True):
            here, rate = _pace(path, self.code[s], np.nan_to_num(last))
            now[axis] = np.where(np.isnan(last + rate), x[axis], here + rate * (to - last))
        return now

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


def _pace(path, code, to):
    """(where it was, mean rate a day of the year before) at the end of each day; NaN: none."""
    first, _ = path.rows(code)
    start = np.maximum(to - 365, path.get("day", first))
    now, before = (usage.distance_at(path, code, as_dates(day)) for day in (to, start))
    high, low = last_known(now).to_numpy(), last_known(before).to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        return high, np.where(to > start, (high - low) / (to - start), np.nan)
