"""The due points of every vehicle's tasks: what a log's plan, readings and work make of the arithmetic in `due`.

All occasions of all series are reckoned at once. Where the next due point hangs on the work itself that is one shift within each series;
where it hangs on a schedule or on an expiry, the k-th occasions of all series are taken together.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from wearbar import due, usage
from wearbar.done import Series, acts_of, series_of
from wearbar.due import DUE, EARLY, EPS, LATE, Limits

__all__ = ["COVERAGE", "Fleet", "as_dates", "as_days", "fleet_of", "occasions_due"]

COVERAGE = 0.5  # of the trailing distance must be described by `use`, or the duty is not known
UNITS = ("km", "hours", "days", "months")
DAY = 2


def as_days(dates):
    """Dates as days since 1970-01-01, floats; NaT as NaN."""
    dates = np.asarray(dates, dtype="datetime64[ns]")
    return np.where(np.isnat(dates), np.nan, dates.astype("datetime64[D]").astype("int64"))


def as_dates(days):
    """Days since 1970-01-01 as datetime64[ns]; NaN and infinity as NaT."""
    days = np.asarray(days, dtype=float)
    dates = np.where(np.isfinite(days), days, np.iinfo(np.int32).min).astype("int64").astype("datetime64[D]")
    return np.where(np.isfinite(days), dates, np.datetime64("NaT", "D")).astype("datetime64[ns]")


@dataclass(frozen=True, eq=False)
class Fleet:
    """A log laid out for reckoning. Arrays ending in `_x` are (3, n): km, hours, day.

    code: each series' vehicle in the paths (-1: without readings). origin_x: new, in service. join_x: from when its occasions are ours:
    acquired, the log's first day, or the day its task entered the plan (is_new). end_day: the last day that counts; ended: why, where that
    is before the log's day. counts: (2, series) whether its vehicle counts km, hours. duty: frame `code, day, hard` sorted, hard 1, 0, or
    -1 not known. act_*: every act, sorted by series and day; act_low, act_high: bounds of its km.
    """

    series: Series
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
    act_visit: pd.Series

    @cached_property
    def rules(self):
        """The plan's tasks as arrays by row of `series.rules`."""
        r = self.series.rules
        shares = np.stack([r["early_share"], r["late_share"]]).astype(float)
        amounts = np.stack([r["tolerance_km"], r["tolerance_hours"], r["tolerance_days"]]).astype(float)
        every = {kind: np.stack([r[f"{kind}_{unit}"] for unit in UNITS]).astype(float) for kind in ("first", "every", "severe")}
        return {kind: Limits(e, shares, amounts) for kind, e in every.items()} | {
            "from": np.nan_to_num(as_days(r["valid_from"]), nan=-np.inf),
            "expiry": r["measured_from"].eq("expiry").to_numpy(dtype=bool),
            "first_reading": r["unknown_history"].eq("from-first-reading").to_numpy(dtype=bool),
            "has_severe": r[[f"severe_{unit}" for unit in UNITS]].notna().any(axis=1).to_numpy(),
        }

    def at(self, s, day):
        """Where the vehicles of series s were at the end of each day, or by the nearest reading: (3, n)."""
        return place(self.distance, self.clock, self.code[s], day)

    def limits(self, s, rule, first, severe):
        """Limits by rule: the first ones where `first` (3, n) says so and there are any, else the severe or the normal ones."""
        got = self.rules["every"].take(rule).where(severe & self.rules["has_severe"][rule], self.rules["severe"].take(rule))
        run_in = self.rules["first"].take(rule)
        use = first & run_in.axes
        every = np.where(use[[0, 1, 2, 2]], run_in.every, got.every)
        every[:2] = np.where(self.counts[:, s], every[:2], np.nan)
        return replace(got, every=every)

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


def fleet_of(log, readings):
    """The `Fleet` of a log that has a plan."""
    series = series_of(log)
    rows = series.rows
    plans = log.plan.plans[["plan", "valid_from", "unknown_history"]]
    series = replace(series, rules=series.rules.merge(plans, on=["plan", "valid_from"], how="left"))
    distance, clock = usage.path_of(readings), usage.path_of(readings, "hours")
    vehicles = pd.Index(distance.vehicles)
    clock = replace(clock, vehicles=pd.Index(vehicles.get_indexer(clock.vehicles)))
    distance = replace(distance, vehicles=pd.RangeIndex(len(vehicles)))
    code = vehicles.get_indexer(rows["vehicle"])
    acts = acts_of(log, series)
    acts_x, low, high = _act_places(distance, clock, code, acts)
    life = _lives(log, series, distance, clock, code)
    return Fleet(
        series=series,
        distance=distance,
        clock=clock,
        code=code,
        key=rows["key"].to_numpy(),
        duty=_duty(log, rows, vehicles, readings),
        act_series=acts["series"].to_numpy(),
        act_x=acts_x,
        act_low=low,
        act_high=high,
        act_restarts=acts["restarts"].to_numpy(dtype=bool),
        act_visit=acts["visit"],
        **life,
    )


def _act_places(distance, clock, code, acts):
    who = code[acts["series"].to_numpy()]
    km = usage.distance_of(distance, who, acts["date"], acts["odometer_km"])
    hours = usage.distance_at(clock, who, acts["date"])
    hour = acts["hours"].reset_index(drop=True).fillna(hours["distance_km"]).fillna(hours["low_km"])
    x = np.stack([km["distance_km"].fillna(km["low_km"]), hour, as_days(acts["date"])])
    return x, km["low_km"].to_numpy(), km["high_km"].fillna(np.inf).to_numpy()


def _lives(log, series, distance, clock, code):
    """Origin, joining and end of every series."""
    rows = series.rows
    v = log.si("vehicles").set_index("vehicle").loc[rows["vehicle"]]
    acquired = v["acquired"].fillna(v["in_service"])
    is_new = (acquired <= v["in_service"]).to_numpy()
    start_km = v["in_service_odometer_km"].mask(v["in_service_odometer_km"].isna() & is_new, 0.0).to_numpy()
    origin_x = np.stack([start_km, np.where(is_new, 0.0, np.nan), as_days(v["in_service"])])
    last = series.versions.shape[1] - 1 - np.argmax(series.versions[:, ::-1] >= 0, axis=1)
    key = rows["key"].to_numpy()
    begins = np.nan_to_num(as_days(series.rules["valid_from"]), nan=-np.inf)[series.versions[key, 0]]
    ends = np.nan_to_num(as_days(series.rules["valid_to"]), nan=np.inf)[series.versions[key, last[key]]]
    ours = np.maximum(as_days(acquired), float(as_days([log.first_day])[0]))
    gone, as_of = np.nan_to_num(as_days(v["disposed"]), nan=np.inf), float(as_days([log.as_of])[0])
    end = np.minimum(np.minimum(gone, ends), as_of)
    ended = np.where(end == as_of, np.where(gone <= as_of, "disposed", ""), np.where(gone <= ends, "disposed", "left the plan"))
    meter = v["meter"].fillna("distance").to_numpy()
    join = np.maximum(ours, begins)
    return {
        "origin_x": origin_x,
        "join_x": place(distance, clock, code, join),
        "is_new": begins > ours,
        "end_day": end,
        "ended": ended,
        "counts": np.stack([np.isin(meter, ["distance", "both"]), np.isin(meter, ["hours", "both"])]),
    }


def _duty(log, rows, vehicles, readings):
    """Whether the trailing 365 days met the severe condition, on each day that a period of `use` ended, and 182 days after the last."""
    empty = pd.DataFrame({"code": np.zeros(0, int), "day": np.zeros(0), "hard": np.zeros(0, int)})
    plans = log.plan.plans[log.plan.plans["severe_when"].map(bool).to_numpy(dtype=bool)]
    plan_of = rows.drop_duplicates("vehicle").set_index("vehicle")["plan"]
    known = log.tables["use"][log.tables["use"]["vehicle"].map(plan_of).isin(plans["plan"]).to_numpy(dtype=bool)]
    if known.empty:
        return empty
    ends = known[["vehicle", "to"]].drop_duplicates()
    ends = pd.concat([ends, ends.assign(to=ends["to"] + pd.Timedelta(days=182))]).drop_duplicates()
    ends = ends[ends["to"] <= log.as_of].reset_index(drop=True)
    shares = usage.use_shares(log, readings, ends["vehicle"], ends["to"] - pd.Timedelta(days=365), ends["to"])
    plan = ends["vehicle"].map(plan_of)
    hard = np.full(len(ends), -1)
    for version in plans.itertuples():
        mine = (plan == version.plan).to_numpy(dtype=bool) & ~(ends["to"] < version.valid_from) & ~(ends["to"] > version.valid_to)
        told = {name: shares[f"{name}_coverage_share"] >= COVERAGE for name in version.severe_when}
        met = np.logical_or.reduce([told[name] & (shares[name] >= share - 1e-9) for name, share in version.severe_when.items()])
        hard = np.where(mine, np.where(met, 1, np.where(np.logical_and.reduce(list(told.values())), 0, -1)), hard)
    code = vehicles.get_indexer(ends["vehicle"])
    out = pd.DataFrame({"code": code, "day": as_days(ends["to"]), "hard": hard})
    return out[code >= 0].sort_values(["code", "day"], ignore_index=True)


def occasions_due(fleet, late_share=None):
    """Every occasion of every series and its due points: (frame, points of shape (4, 3, n)).

    The frame: `s` (series), `number`, `act` (its anchor, -1: none of ours), `done` (the act that closed it, -1: open), `to` (its last day),
    `basis`, `since` (severe from this day), `missed`, `is_current`. late_share: a reader's own window after the due point, not the plan's.
    """
    if late_share is not None:
        fleet = _with_late_share(fleet, late_share)
    laddered = fleet.series.rows["measured_from"].ne("done").to_numpy(dtype=bool)
    events = _events(fleet)
    parts = [_shifted(fleet, events[~laddered[events["s"]]]), *_climbed(fleet, events[laddered[events["s"]]])]
    frame, p = parts[0]
    if len(parts) > 1:
        frame, p = pd.concat([f for f, _ in parts], ignore_index=True), np.concatenate([q for _, q in parts], axis=2)
        order = np.lexsort((frame["to"], frame["step"], frame["s"]))
        frame, p = frame.iloc[order], p[:, :, order]
    kept = np.isfinite(p[DUE]).any(axis=0)
    if not kept.all():
        frame, p = frame[kept], p[:, :, kept]
    frame = frame.reset_index(drop=True)
    frame["number"] = frame.groupby("s").cumcount() + 1
    return frame, p


def _with_late_share(fleet, share):
    rules = fleet.series.rules
    rules = rules.assign(late_share=share, early_share=rules["early_share"].fillna(0.0))
    return replace(fleet, series=replace(fleet.series, rules=rules))


def _events(fleet):
    """What occasions hang from: each series' origin, then its acts; of those before it was ours the last alone, in the origin's place."""
    s, day = fleet.act_series, fleet.act_x[DAY]
    before = day < fleet.join_x[DAY][s]
    follows = np.append(before[1:] & (s[1:] == s[:-1]), False)[: len(s)]
    kept = np.flatnonzero(~(before & follows) & (day <= fleet.end_day[s]))
    live = np.flatnonzero(fleet.join_x[DAY] <= fleet.end_day)
    live = np.setdiff1d(live, s[kept[before[kept]]])
    events = pd.DataFrame({"s": np.append(live, s[kept]), "act": np.append(np.full(len(live), -1), kept)})
    events = events[fleet.join_x[DAY][events["s"]] <= fleet.end_day[events["s"]]].sort_values(["s", "act"], ignore_index=True)
    same = np.append(events["s"].to_numpy()[1:] == events["s"].to_numpy()[:-1], False)[: len(events)]
    events["done"] = np.where(same, np.append(events["act"].to_numpy()[1:], -1)[: len(events)], -1)
    events["step"] = events.groupby("s").cumcount()
    return events


def _ends(fleet, events):
    s, done = events["s"].to_numpy(), events["done"].to_numpy()
    return np.where(done >= 0, fleet.act_x[DAY][done] if len(fleet.act_series) else 0.0, fleet.end_day[s])


def _anchors(fleet, events):
    """(base, first) of each event: where its act was done; the first limits apply from the origin and after a part of `first_after`."""
    s, act = events["s"].to_numpy(), events["act"].to_numpy()
    if not len(fleet.act_series):
        return fleet.origin_x[:, s], np.ones((3, len(s)), dtype=bool)
    base = np.where(act >= 0, fleet.act_x[:, act], fleet.origin_x[:, s])
    return base, np.broadcast_to((act < 0) | fleet.act_restarts[act], (3, len(s))).copy()


def _shifted(fleet, events):
    """Occasions measured from the work."""
    base, first = _anchors(fleet, events)
    frame = events.assign(to=_ends(fleet, events), missed=False, is_current=events["done"] < 0)
    p, _, more = _due(fleet, frame, base, np.ones_like(base), first)
    return frame.assign(**more), p


def _climbed(fleet, events):
    """Occasions on ladders, a list of (frame, points): the k-th of every series, k = 0, 1, ..."""
    steps = int(events["step"].max()) + 1 if len(events) else 0
    n = len(fleet.key)
    base, times, first = np.full((3, n), np.nan), np.ones((3, n)), np.zeros((3, n), dtype=bool)
    found = []
    for k in range(steps):
        now = events[events["step"] == k]
        s = now["s"].to_numpy()
        anchor, is_first = _anchors(fleet, now)
        fresh = is_first.all(axis=0) | (k == 0)
        base[:, s] = np.where(fresh, anchor, base[:, s])
        times[:, s], first[:, s] = np.where(fresh, 1.0, times[:, s]), is_first
        found += _step(fleet, now, s, base, times, first)
    return found


def _step(fleet, now, s, base, times, first):
    """One occasion of series s, and those that it passed over; moves their ladders on, in place."""
    frame = now.assign(to=_ends(fleet, now), missed=False, is_current=now["done"] < 0)
    p, limits, more = _due(fleet, frame, base[:, s], times[:, s], first[:, s])
    is_first = first[:, s] & fleet.rules["first"].take(more["rule"]).axes
    is_open = (now["done"] < 0).to_numpy()
    x = fleet.at(s, frame["to"].to_numpy())
    if len(fleet.act_series):
        x = np.where(is_open, x, fleet.act_x[:, now["done"].to_numpy()])
    regular = fleet.limits(s, more["rule"], np.zeros_like(is_first), np.zeros(len(s), dtype=bool))
    own = due.points(base[:, s], times[:, s], limits)[DUE]
    altered = ~(np.abs(own - p[DUE]) <= EPS)
    nth = np.where(is_first, 0.0, times[:, s])
    met = x >= p[EARLY] - EPS
    rung = due.rungs(base[:, s], x, regular)
    skipped = np.where(met & ~altered & np.isfinite(rung), np.maximum(rung - nth, 0.0), 0.0)
    late = fleet.rules["expiry"][more["rule"]] & (x[DAY] > p[DUE, DAY] + EPS)
    skipped = np.where(late, 0.0, skipped)
    found = _passed_over(frame.assign(**more), p, base[:, s], nth, regular, skipped)
    again = ~met | (late & (np.arange(3) == DAY)[:, None])
    before_day = np.where(fleet.rules["expiry"][more["rule"]], 1.0, 0.0) * (np.arange(3) == DAY)[:, None]
    base[:, s] = np.where(again, x - before_day, np.where(altered, p[DUE], base[:, s]))
    times[:, s] = np.where(again | altered, 1.0, nth + skipped + 1)
    return found


def _passed_over(frame, p, base, nth, regular, skipped):
    """The occasion itself, and one for each further point whose early edge was passed: if it was done, all but the last were missed."""
    most = skipped.max(axis=0, initial=0.0)
    is_open = frame["done"].lt(0).to_numpy()
    found = []
    for j in range(int(most.max(initial=0.0)) + 1):
        rows = np.flatnonzero(most >= j)
        q = p[:, :, rows] if j == 0 else due.points(base[:, rows], nth[:, rows] + j, regular.take(rows))
        part = frame.iloc[rows]
        part = part.assign(missed=(most[rows] > j) & ~is_open[rows], is_current=is_open[rows] & (j == 0), step=part["step"] + j / 1000)
        found.append((part if j == 0 else part.assign(basis="regular", since=np.nan), q))
    return found


def _due(fleet, frame, base, times, first):
    """Due points of occasions from their bases: (points, the limits they began with, dict of columns `basis`, `since`, `rule`)."""
    s, act, to = (frame[c].to_numpy() for c in ("s", "act", "to"))
    came = fleet.act_x[DAY][act] if len(fleet.act_series) else np.full(len(s), np.nan)
    begin = np.maximum(np.where(act >= 0, came, fleet.origin_x[DAY][s]), fleet.join_x[DAY][s])
    versions = fleet.series.versions[fleet.key[s]]
    starts = np.where(versions >= 0, fleet.rules["from"][versions], np.inf)
    nth = np.maximum((starts <= begin[:, None]).sum(axis=1) - 1, 0)
    rule = versions[np.arange(len(s)), nth]
    since = np.where(fleet.rules["has_severe"][versions].any(axis=1), fleet.hard_since(s, begin, to), np.nan)
    severe = since <= begin
    limits = fleet.limits(s, rule, first, severe)
    p = due.points(base, times, limits)
    is_first = (first & fleet.rules["first"].take(rule).axes).any(axis=0)
    basis = np.where(is_first, "first", np.where(severe, "severe", "regular")).astype(object)
    _join(fleet, s, act, begin, rule, severe, base, p, basis)
    for v in range(versions.shape[1]):
        later = np.flatnonzero((v > nth) & (starts[:, v] <= to))
        _learn(fleet, later, s, versions[:, v], starts[:, v], base, times, first, since, p, basis, "new-plan")
        ends = starts[:, v + 1] if v + 1 < versions.shape[1] else np.full(len(s), np.inf)
        turned = np.flatnonzero((v >= nth) & (since > np.maximum(starts[:, v], begin)) & (since < ends))
        _learn(fleet, turned, s, versions[:, v], since, base, times, first & False, since, p, basis, "severe")
    p[LATE] = np.where(fleet.rules["expiry"][rule], p[DUE], p[LATE])
    basis[fleet.rules["expiry"][rule]] = "expiry"
    return p, limits, {"basis": basis, "since": since, "rule": rule}


def _join(fleet, s, act, begin, rule, severe, base, p, basis):
    """Due points that lay before the vehicle was ours, or before its task was in the plan: due at once from then. Changes p and basis."""
    anchor = np.where(act >= 0, fleet.act_x[DAY][act] if len(fleet.act_series) else np.nan, fleet.origin_x[DAY][s])
    rows = np.flatnonzero(begin > anchor)
    s, act, rule, at = s[rows], act[rows], rule[rows], fleet.join_x[:, s[rows]]
    none = np.zeros((3, len(rows)), dtype=bool)
    regular = fleet.limits(s, rule, none, severe[rows])
    lost = ~np.isfinite(base[:, rows]) & regular.axes
    over = due.passed(p[:, :, rows], at) | lost.any(axis=0)
    since_new = due.points(base[:, rows], np.ones_like(at), regular)
    stands = over & fleet.is_new[s] & (act < 0) & ~due.passed(since_new, at) & ~lost.any(axis=0)
    onward = due.points(at, np.ones_like(at), regular)
    waits = (act < 0) & ~fleet.is_new[s] & fleet.rules["first_reading"][rule]
    once = np.where(waits, onward, due.at_once(onward, at))
    p[:, :, rows] = np.where(stands, since_new, np.where(over, once, p[:, :, rows]))
    known = np.where(act >= 0, "joined", np.where(fleet.is_new[s], "new-plan", np.where(waits, "first-reading", "unknown-history")))
    basis[rows] = np.where(stands, "regular", np.where(over, known, basis[rows]))


def _learn(fleet, rows, s, rule, day, base, times, first, since, p, basis, name):
    """Bring forward what other limits, known from `day`, bring forward. Changes p and basis."""
    if not len(rows):
        return
    limits = fleet.limits(s[rows], rule[rows], first[:, rows], since[rows] <= day[rows])
    new = due.points(base[:, rows], times[:, rows], limits)
    old = p[:, :, rows]
    if name == "severe":
        new = np.where(new[DUE] > old[DUE], old, new)
    p[:, :, rows] = due.bring_forward(old, new, fleet.at(s[rows], day[rows]))
    moved = (np.abs(p[DUE][:, rows] - old[DUE]) > EPS).any(axis=0)
    basis[rows] = np.where(moved, name, basis[rows])
