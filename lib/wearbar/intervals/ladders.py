"""The due points of every vehicle's tasks: what a log's plan, readings and work make of the arithmetic in `due`.

All occasions of all series are reckoned at once. Where the next due point hangs on the work itself that is one shift within each series;
where it hangs on a schedule or on an expiry, the k-th occasions of all series are taken together.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearbar.intervals import due
from wearbar.intervals.due import DUE, EARLY, EPS, LATE

__all__ = ["occasions_due"]

DAY = 2


def occasions_due(fleet, late_share=None):
    """Every occasion of every series and its due points: (frame, points of shape (4, 3, n)).

    The frame: `s` (series), `number`, `act` (its anchor, -1: none of ours), `done` (the act that closed it, -1: open), `to` (its last day),
    `basis`, `since` (severe from this day), `missed`, `is_current`. late_share: a reader's own window after the due point, not the plan's.
    """
    if late_share is not None:
        fleet = _with_late_share(fleet, late_share)
    laddered = fleet.series.rows["measured_from"].ne("done").to_numpy(dtype=bool)
    events = _events(fleet)
    parts = [
        _shifted(fleet, events[~laddered[events["s"]]]),
        *_climbed(fleet, events[laddered[events["s"]]]),
    ]
    frame, p = parts[0]
    if len(parts) > 1:
        frame, p = (
            pd.concat([f for f, _ in parts], ignore_index=True),
            np.concatenate([q for _, q in parts], axis=2),
        )
        order = np.lexsort((frame["to"], frame["step"], frame["s"]))
        frame, p = frame.iloc[order], p[:, :, order]
    kept = np.isfinite(p[DUE]).any(axis=0)
    if not kept.all():
        frame, p = frame[kept], p[:, :, kept]
    frame = frame.reset_index(drop=True)
    frame["number"] = frame.groupby("s").cumcount() + 1
    return frame, p


def _with_late_share(fleet, share):
    return replace(
        fleet, series=replace(fleet.series, rules=fleet.series.rules.assign(late_share=share))
    )


def _events(fleet):
    """What occasions hang from: each series' origin, then its acts; of those before it was ours the last alone, in the origin's place.

    What came with a new vehicle on its first day is its origin, not a doing.
    """
    s, day = fleet.act_series, fleet.act_x[DAY]
    before = day < fleet.join_x[DAY][s]
    follows = np.append(before[1:] & (s[1:] == s[:-1]), False)[: len(s)]
    came_with = np.maximum(day, fleet.join_x[DAY][s]) <= fleet.origin_x[DAY][s]
    kept = np.flatnonzero(~(before & follows) & ~came_with & (day <= fleet.end_day[s]))
    live = np.flatnonzero(fleet.join_x[DAY] <= fleet.end_day)
    live = np.setdiff1d(live, s[kept[before[kept]]])
    events = pd.DataFrame(
        {"s": np.append(live, s[kept]), "act": np.append(np.full(len(live), -1), kept)}
    )
    events = events[fleet.join_x[DAY][events["s"]] <= fleet.end_day[events["s"]]].sort_values(
        ["s", "act"], ignore_index=True
    )
    same = np.append(events["s"].to_numpy()[1:] == events["s"].to_numpy()[:-1], False)[
        : len(events)
    ]
    events["done"] = np.where(same, np.append(events["act"].to_numpy()[1:], -1)[: len(events)], -1)
    events["step"] = events.groupby("s").cumcount()
    return events


def _ends(fleet, events):
    s, done = events["s"].to_numpy(), events["done"].to_numpy()
    return np.where(
        done >= 0, fleet.act_x[DAY][done] if len(fleet.act_series) else 0.0, fleet.end_day[s]
    )


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
    force = _in_force(fleet, frame)
    limits = fleet.limits(force.s, force.rule, first, force.severe)
    p, more = _due(fleet, frame, force, limits, base, np.ones_like(base), first)
    return frame.assign(**more), p


def _climbed(fleet, events):
    """Occasions on ladders, a list of (frame, points): the k-th of every series, k = 0, 1, ..."""
    steps = int(events["step"].max()) + 1 if len(events) else 0
    n = len(fleet.key)
    state = _Ladders(
        np.full((3, n), np.nan),
        np.ones((3, n)),
        due.Limits(*(np.full((k, n), np.nan) for k in (4, 2, 3))),
    )
    found = []
    for k in range(steps):
        now = events[events["step"] == k]
        s = now["s"].to_numpy()
        anchor, first = _anchors(fleet, now)
        fresh = first.all(axis=0) | (k == 0)
        base, times = (
            np.where(fresh, anchor, state.base[:, s]),
            np.where(fresh, 1.0, state.times[:, s]),
        )
        found += _step(fleet, now, s, state, base, times, first)
    return found


@dataclass
class _Ladders:
    """Where each series' ladder stands: the next point is the `times`-th from `base` by `limits`."""

    base: np.ndarray
    times: np.ndarray
    limits: due.Limits


def _step(fleet, now, s, state, base, times, first):
    """One occasion of series s, and those that it passed over; moves their ladders on, in place."""
    frame = now.assign(to=_ends(fleet, now), missed=False, is_current=now["done"] < 0)
    force = _in_force(fleet, frame)
    limits, no_first = fleet.limits(s, force.rule, first, force.severe), np.zeros_like(first)
    base, times = due.rebased(base, times, state.limits.take(s), limits)
    p, more = _due(fleet, frame, force, limits, base, times, first)
    is_open = (now["done"] < 0).to_numpy()
    x = fleet.at(s, frame["to"].to_numpy())
    if len(fleet.act_series):
        x = np.where(is_open, x, fleet.act_x[:, now["done"].to_numpy()])
    # a point that was brought forward begins a ladder of its own, by the limits then in force
    altered = ~(np.abs(due.points(base, times, limits)[DUE] - p[DUE]) <= EPS)
    nth = np.where(first & fleet.rules["first"].take(force.rule).axes, 0.0, times)
    base, nth = np.where(altered, p[DUE], base), np.where(altered, 0.0, nth)
    ends = fleet.limits(s, force.last_rule, no_first, force.since <= frame["to"].to_numpy())
    onward = fleet.limits(s, force.rule, no_first, force.severe).where_axes(altered, ends)
    met = x >= p[EARLY] - EPS
    rung = due.rungs(base, x, onward)
    skipped = np.where(met & np.isfinite(rung), np.maximum(rung - nth, 0.0), 0.0)
    is_day = (np.arange(3) == DAY)[:, None]
    expires = fleet.rules["expiry"][force.rule]
    late = expires & (x[DAY] > p[DUE, DAY] + EPS)
    skipped = np.where(late, 0.0, skipped)
    found = _passed_over(frame.assign(**more), p, base, nth, onward, skipped)
    again = ~met | (late & is_day)
    state.base[:, s] = np.where(again, x - np.where(expires & is_day, 1.0, 0.0), base)
    state.times[:, s] = np.where(again, 1.0, nth + skipped + 1)
    state.limits.put(s, onward)
    return found


def _passed_over(frame, p, base, nth, regular, skipped):
    """The occasion itself, and one for each further point whose early edge was passed: if it was done, all but the last were missed."""
    most = skipped.max(axis=0, initial=0.0)
    is_open = frame["done"].lt(0).to_numpy()
    found = []
    for j in range(int(most.max(initial=0.0)) + 1):
        rows = np.flatnonzero(most >= j)
        q = (
            p[:, :, rows]
            if j == 0
            else due.points(base[:, rows], nth[:, rows] + j, regular.take(rows))
        )
        part = frame.iloc[rows]
        part = part.assign(
            missed=(most[rows] > j) & ~is_open[rows],
            is_current=is_open[rows] & (j == 0),
            step=part["step"] + j / 1000,
        )
        found.append((part if j == 0 else part.assign(basis="regular", since=np.nan), q))
    return found


@dataclass(frozen=True)
class _Force:
    """What is in force of occasions of series `s`: from day `begin`, the version `rule` of the plan (`nth` of `versions`, which start on
    `starts`; `last_rule` at the end), and, from day `since` on, severe use: `severe` where that is so from the beginning."""

    s: np.ndarray
    begin: np.ndarray
    versions: np.ndarray
    starts: np.ndarray
    nth: np.ndarray
    rule: np.ndarray
    last_rule: np.ndarray
    since: np.ndarray
    severe: np.ndarray


def _in_force(fleet, frame):
    s, act, to = (frame[c].to_numpy() for c in ("s", "act", "to"))
    came = fleet.act_x[DAY][act] if len(fleet.act_series) else np.full(len(s), np.nan)
    begin = np.maximum(np.where(act >= 0, came, fleet.origin_x[DAY][s]), fleet.join_x[DAY][s])
    versions = fleet.series.versions[fleet.key[s]]
    starts = np.where(versions >= 0, fleet.rules["from"][versions], np.inf)
    nth, last = (
        np.maximum((starts <= day[:, None]).sum(axis=1) - 1, 0)
        for day in (begin, np.maximum(begin, to))
    )
    rule, last_rule = (versions[np.arange(len(s)), k] for k in (nth, last))
    since = np.where(
        fleet.rules["has_severe"][versions].any(axis=1), fleet.hard_since(s, begin, to), np.nan
    )
    return _Force(s, begin, versions, starts, nth, rule, last_rule, since, since <= begin)


def _due(fleet, frame, force, limits, base, times, first):
    """Due points of occasions from their bases, by the limits they begin with: (points, dict of columns `basis`, `since`, `rule`)."""
    s, act, to = (frame[c].to_numpy() for c in ("s", "act", "to"))
    begin, versions, starts, nth, rule, since = (
        force.begin,
        force.versions,
        force.starts,
        force.nth,
        force.rule,
        force.since,
    )
    p = due.points(base, times, limits)
    is_first = (first & fleet.rules["first"].take(rule).axes).any(axis=0)
    basis = np.where(is_first, "first", np.where(force.severe, "severe", "regular")).astype(object)
    _join(fleet, s, act, begin, rule, force.severe, base, p, basis)
    for v in range(versions.shape[1]):
        later = np.flatnonzero((v > nth) & (starts[:, v] <= to))
        _learn(
            fleet,
            later,
            s,
            versions[:, v],
            starts[:, v],
            base,
            times,
            limits,
            first,
            since,
            p,
            basis,
            "new-plan",
        )
        ends = starts[:, v + 1] if v + 1 < versions.shape[1] else np.full(len(s), np.inf)
        turned = np.flatnonzero(
            (v >= nth) & (since > np.maximum(starts[:, v], begin)) & (since < ends)
        )
        _learn(
            fleet,
            turned,
            s,
            versions[:, v],
            since,
            base,
            times,
            limits,
            first & False,
            since,
            p,
            basis,
            "severe",
        )
    p[LATE] = np.where(fleet.rules["expiry"][rule], p[DUE], p[LATE])
    basis[fleet.rules["expiry"][rule]] = "expiry"
    return p, {"basis": basis, "since": since, "rule": rule}


def _join(fleet, s, act, begin, rule, severe, base, p, basis):
    """Due points that lay before the vehicle was ours, or before its task was in the plan: due at once from then. Changes p and basis."""
    anchor = np.where(
        act >= 0, fleet.act_x[DAY][act] if len(fleet.act_series) else np.nan, fleet.origin_x[DAY][s]
    )
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
    known = np.where(
        act >= 0,
        "joined",
        np.where(fleet.is_new[s], "new-plan", np.where(waits, "first-reading", "unknown-history")),
    )
    basis[rows] = np.where(stands, "regular", np.where(over, known, basis[rows]))


def _learn(fleet, rows, s, rule, day, base, times, limits, first, since, p, basis, name):
    """Bring forward what other limits, known from `day`, bring forward, counted from the last point met. Changes p and basis."""
    if not len(rows):
        return
    other = fleet.limits(s[rows], rule[rows], first[:, rows], since[rows] <= day[rows])
    new = due.points(*due.rebased(base[:, rows], times[:, rows], limits.take(rows), other), other)
    old = p[:, :, rows]
    if name == "severe":
        new = np.where(new[DUE] > old[DUE], old, new)
    p[:, :, rows] = due.bring_forward(old, new, fleet.at(s[rows], day[rows]))
    moved = (np.abs(p[DUE][:, rows] - old[DUE]) > EPS).any(axis=0)
    basis[rows] = np.where(moved, name, basis[rows])
