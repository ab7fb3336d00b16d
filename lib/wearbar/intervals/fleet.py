"""A log laid out for reckoning its due points: where every vehicle was and when it got there, what
was done, which limits hold, how hard the use was; and every occasion with its points, counted from
the work for all at once, and by the loop of `schedule` where more rules bear."""

from dataclasses import replace

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import due
from wearbar.intervals.done import acts_of, duty_of, series_of
from wearbar.intervals.due import DAY, FAR, HOURS, KM, Rules
from wearbar.intervals.schedule import Event, Task, schedule
from wearbar.log.keys import least_after
from wearbar.usage.distance import as_dates, as_days, bounds_at, days_of, known_on, last_known

AXES = ["km", "hours", "day"]
BASES = ["regular", "first", "severe", "expiry", "new-plan"]
BASES += ["unknown-history", "first-reading", "joined"]
NONE = {"series": -1, "restarts": False, "planned": True}  # of an act that there is not


class Fleet:
    """A log that has a plan, laid out for reckoning. Arrays ending in `_x` are (3, n): km, hours,
    day. A row typed after a later one was known changes nothing that hangs on it (R8). late_share:
    a reader's own window after the due point, in place of the plan's."""

    def __init__(self, log, late_share=None):
        readings, (series, rules) = usage.readings(log), series_of(log)
        known, by = readings["known"], ["vehicle", "date"]
        if (known > readings["date"]).any():  # without those typed after a later one was known
            days = known.groupby([readings[c] for c in by]).min().rename("first").reset_index()
            days = days.assign(later=least_after(days["first"], days["vehicle"]))
            later = readings[by].merge(days, on=by, how="left")["later"].to_numpy()
            readings = readings[~(known.to_numpy() > later)]
        rules = rules if late_share is None else rules.assign(late_share=float(late_share))
        distance, clock = usage.path_of(readings), usage.path_of(readings, "hours")
        self.vehicles = vehicles = distance.vehicles.union(clock.vehicles, sort=False)
        self.series, self.rules = series, Rules(rules)  # of `series_of`
        self.distance = distance.numbered()
        self.clock = replace(clock, vehicles=pd.Index(vehicles.get_indexer(clock.vehicles)))
        self.meters = (KM, self.distance), (HOURS, self.clock)  # (axis, path)
        # each series' vehicle in the paths (-1: without readings), and its task in the rules
        v, own, self.key = log.si("vehicles"), series["own"].to_numpy(), series["key"].to_numpy()
        self.code = vehicles.get_indexer(v["vehicle"])[own]
        in_service, acquired = as_days(v["in_service"]), as_days(log.joined)
        is_new, km = acquired <= in_service, v["in_service_odometer_km"].to_numpy()
        km, hours = np.where(is_new & np.isnan(km), 0.0, km), np.where(is_new, 0.0, np.nan)
        self.origin_x = np.stack([km, hours, in_service])[:, own]  # in service
        first_day, as_of = as_days([log.first_day, log.as_of])
        first, last = (np.searchsorted(rules["key"], self.key, to) for to in ("left", "right"))
        begins = np.nan_to_num(as_days(rules["valid_from"])[first], nan=-np.inf)
        leaves, gone = as_days(rules["valid_to"])[last - 1], as_days(v["disposed"])[own]
        ours, told = np.maximum(acquired, first_day)[own], as_days(series["told_from"])
        # from when its occasions are ours: acquired, the log's first day, or the day its task
        # entered the plan (is_new)
        self.join_x = self.at(np.arange(len(series)), np.maximum(ours, begins))
        self.is_new = begins > ours
        self.end_day = np.fmin.reduce([gone, leaves, told - 1, np.full(len(gone), as_of)])
        self.ended = (self.end_day < as_of) | (gone <= as_of)  # before the report date
        meter = v["meter"].fillna("distance").to_numpy()[own]  # whether km, hours are counted:
        self.counts = np.stack([np.isin(meter, [name, "both"]) for name in ("distance", "hours")])
        self.on_ladder = series["measured_from"].ne("done").to_numpy(dtype=bool)
        duty = duty_of(log, vehicles, self.distance, readings)
        self.duty = duty.assign(key=duty["code"] * FAR + duty["day"])
        # the acts; low, high: bounds of their km; a last row, of act -1: none
        acts = acts_of(log, series)
        who, day = self.code[acts["series"].to_numpy()], acts["date"]
        x = usage.distance_of(self.distance, who, day, acts["odometer_km"])
        hours = last_known(usage.distance_of(self.clock, who, day, acts["hours"]))
        self.visit, high = acts["visit"].array, x["high_km"].fillna(np.inf)
        km = {"km": last_known(x), "low": x["low_km"], "high": high, "hours": hours}
        km |= {"day": as_days(day), "known_day": as_days(acts["known"])}
        acts = km | {name: acts[name] for name in NONE}
        self.acts = {name: np.append(of, NONE.get(name, np.nan)) for name, of in acts.items()}
        # the day since when the record is being kept
        tables = (log.tables["work"], "date"), (log.tables["fitted"], "fitted")
        known = [known_on(of[day], of["recorded"]) for of, day in tables]
        self.kept_from = np.fmin.reduce(as_days(pd.concat(known)), initial=np.nan)

    def at(self, s, day):
        """Where the vehicles of series s were at the end of each day, (3, n); where a meter was not
        read then, by the reading before, else the one after."""
        at = (bounds_at(path, self.code[s], days_of(as_dates(day))) for _, path in self.meters)
        found = [np.where(np.isnan(km), np.where(np.isnan(low), up, low), km) for km, low, up in at]
        return np.stack([*found, np.asarray(day, dtype=float)])

    def of_act(self, names, act):
        """Columns of acts, one row a name: (n,) of one name, (names, n) of several."""
        one = isinstance(names, str)
        return self.acts[names][act] if one else np.stack([self.acts[c][act] for c in names])

    def anchors(self, s, act):
        """Where each act of series s was, or of -1 the vehicle when it was new: (3, n)."""
        return np.where(act >= 0, self.of_act(AXES, act), self.origin_x[:, s])

    def reached(self, s, points):
        """The day at whose end the vehicle of each series had reached each of its points (3, n); a
        date as it is, NaN where it has not."""
        days = points.copy()
        for axis, path in self.meters:
            ask = np.flatnonzero(~np.isnan(points[axis]))
            days[axis, ask] = as_days(usage.date_at(path, self.code[s[ask]], points[axis, ask]))
        return days

    def last_read(self, s, day):
        """The last day not after `day` with a reading of each meter: (2, n), NaN: none."""
        rows = [(path, path.around("day", self.code[s], day)[0]) for _, path in self.meters]
        return np.stack([path.get("day", row) for path, row in rows])

    def pace(self, s, days):
        """(km and hours at the end of `days`: (2, n), their mean rates a day of the year before
        it); NaN: none."""
        code, paces = self.code[s], []
        for (_, path), to in zip(self.meters, days, strict=True):
            start = np.maximum(to - 365, path.get("day", next(path.rows(code))))
            at = (bounds_at(path, code, days_of(as_dates(day))) for day in (start, to))
            low, high = (np.where(np.isnan(km), before, km) for km, before, _ in at)
            paces.append((high, (high - low) / np.where(to > start, to - start, np.nan)))
        return np.array(paces).swapaxes(0, 1)

    def duty_at(self, s, day):
        """Duty at each day, by what was known then: 1 severe, 0 normal, -1 not known."""
        now = np.searchsorted(self.duty["key"], self.code[s] * FAR + day, "right") - 1
        is_own = np.append(self.duty["code"], -1)[now] == self.code[s]
        return np.where(is_own, np.append(self.duty["hard"], -1)[now], -1)


def occasions_due(fleet):
    """(frame, points of shape (4, 3, n), where each ended (3, n)): every occasion of every series.
    The frame: `s` (series), `number`, `act` (its anchor, -1: none of ours), `done` (the act that
    closed it, -1: open), `to` (its last day), `basis`, `since` (severe), `rule`, and more."""
    rows, base, end = _events(fleet)
    s, rule, is_first = (rows[c].to_numpy() for c in ("s", "rule", "is_first"))
    hard = (rows["since"] <= rows["begin"]).to_numpy()
    is_run_in = is_first & fleet.rules.first_axes[rule].any(axis=1)
    rows["basis"] = np.select([is_run_in, hard], [1, 2], 0)  # its place in `BASES`
    limits = fleet.rules.many(rule, is_first, hard, fleet.counts[:, s])
    points = due.points(base, np.ones_like(base), limits)  # from the work alone (R5)
    changes = _changes(fleet, rows)
    # where more bears: a ladder or an expiry (R6), taken over (R11, R13), learned since (R8, R13)
    asked = fleet.on_ladder[s] | fleet.rules.expires[rule]
    asked |= (rows["begin"] > base[DAY]).to_numpy()
    asked[list(changes)] = True
    told, found = rows[asked].assign(base=base[:, asked].T.tolist()), []
    told["basis"] = [BASES[basis] for basis in told["basis"]]
    told["end"], told["start"] = end[:, asked].T.tolist(), points[:, :, asked].T.tolist()
    told["changes"] = [changes.get(row, ()) for row in told["row"]]
    events = [Event(*of) for of in told[[*Event._fields]].itertuples(index=False, name=None)]
    for s, mine in told.groupby("s", sort=False).indices.items():
        counts, joined = tuple(fleet.counts[:, s].tolist()), fleet.join_x[:, s].tolist()
        task = Task(counts, joined, fleet.is_new[s], fleet.on_ladder[s])
        found += schedule([events[i] for i in mine.tolist()], task, fleet.rules)
    # by the work alone, and what the loop found: place in `points`, row, basis, nth, how many left
    plain, n = np.flatnonzero(~asked), len(rows)
    picked = np.stack([plain, plain, rows["basis"].to_numpy()[plain], 0 * plain, 0 * plain])
    if found:
        looped = [(n + i, of[0].row, BASES.index(of[1]), *of[2:4]) for i, of in enumerate(found)]
        picked = np.append(picked, np.transpose(looped), axis=1)
        points = np.append(points, np.transpose([of[4] for of in found]), axis=2)
    picked = picked[:, np.isfinite(points[0]).any(axis=0)[picked[0]]]
    place, row, basis, nth, left = picked[:, np.lexsort(picked[[3, 1]])]
    frame = {c: rows[c].to_numpy()[row] for c in ("s", "act", "done", "to", "rule", "since")}
    s, is_open, is_own = frame["s"], frame["done"] < 0, nth == 0
    frame["number"] = np.arange(len(s)) - np.searchsorted(s, s) + 1
    frame |= {"basis": basis, "is_current": is_own & is_open, "missed": (left > 0) & ~is_open}
    frame["since"] = np.where(is_own, frame["since"], np.nan)
    return pd.DataFrame(frame), points[:, :, place], end[:, row]


def _events(fleet):
    """(rows, where each begins (3, n), and ends): what occasions hang from, each series' origin,
    then its acts; of those before it was ours the last alone, in the origin's place. What came with
    a new vehicle on its first day is its origin, not a doing. The rows: as of `Event`."""
    s, day, joined = fleet.acts["series"][:-1], fleet.acts["day"][:-1], fleet.join_x[DAY]
    before = day < joined[s]
    follows = np.append(before[1:] & (s[1:] == s[:-1]), False)[: len(s)]
    came_with = np.maximum(day, joined[s]) <= fleet.origin_x[DAY][s]
    kept = np.flatnonzero(~(before & follows) & ~came_with & (day <= fleet.end_day[s]))
    live = np.flatnonzero(~np.isin(np.arange(len(joined)), s[kept[before[kept]]]))
    s, act = np.append(live, s[kept]), np.append(0 * live - 1, kept)
    order = np.lexsort((act, s))
    order = order[(joined <= fleet.end_day)[s[order]]]
    s, act = s[order], act[order]
    done = np.where(np.diff(s, append=-1) == 0, np.append(act[1:], -1)[: len(s)], -1)
    base, end = fleet.anchors(s, act), fleet.of_act(AXES, done)
    end[:, done < 0] = fleet.at(s[done < 0], fleet.end_day[s[done < 0]])
    begin, to, key = np.maximum(base[DAY], joined[s]), end[DAY], fleet.key[s]
    rule = fleet.rules.in_force(key, begin)
    # the first day on which the trailing use met the severe condition, as was known then (R8)
    hard, own = fleet.duty.loc[fleet.duty["hard"] == 1, "key"], fleet.code[s] * FAR
    since = np.append(hard, np.inf)[np.searchsorted(hard, own + begin)] - own
    since = np.where(fleet.duty_at(s, begin) == 1, begin, np.where(since <= to, since, np.nan))
    rows = pd.DataFrame({"s": s, "act": act, "done": done, "begin": begin, "to": to, "rule": rule})
    rows["last_rule"] = fleet.rules.in_force(key, np.maximum(begin, to))
    rows["since"] = np.where(fleet.rules.ever_severe[rule], since, np.nan)
    is_first = (act < 0) | fleet.of_act("restarts", act)
    return rows.assign(row=rows.index, is_first=is_first), base, end


def _changes(fleet, rows):
    """What was learned in the course of each event, by its row, in order: later versions of the
    plan, and severe use."""
    rules, told, found = fleet.rules, [], {}
    learned = (rows["last_rule"] > rows["rule"]) | (rows["since"] > rows["begin"])
    for event in rows[learned].itertuples():
        later = range(event.rule + 1, event.last_rule + 1)
        days = {float(rules.starts[rule]): (rule, "new-plan") for rule in later}
        if event.since > event.begin:
            rule = int(rules.in_force(fleet.key[event.s], event.since))
            days.setdefault(event.since, (rule, "severe"))
        told += [(event.row, event.s, day, *days[day]) for day in sorted(days)]
    asked = pd.DataFrame(told, columns=["row", "s", "day", "rule", "name"])
    at = fleet.at(asked["s"].to_numpy(int), asked["day"].to_numpy(float)).T.tolist()
    for (row, _, day, rule, name), x in zip(told, at, strict=True):
        found.setdefault(row, []).append((day, rule, name, tuple(x)))
    return found
