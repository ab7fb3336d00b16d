"""Every occasion of a log and its due points: what the loop of `schedule` needs, found for all at once, and what it gives, as arrays."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from wearbar.intervals import due
from wearbar.intervals.schedule import schedule

__all__ = ["occasions_due"]

DAY = 2


class Event(NamedTuple):
    """What an occasion hangs from and how it ended.

    row: of the events; act: where it counts from (-1: new, or in service); base: km, hours and day of that; end: of the act that closed
    it, or of the last day; begin, to: its first and last day; rule, last_rule: the plan's task in force on those; since: severe from that
    day (NaN: not); is_first: the first limits apply (R7: from new, and after a part of `first_after`); changes: what was learned
    between, (day, rule, "new-plan" or "severe", km, hours and day then).
    """

    row: int
    act: int
    base: tuple
    end: tuple
    begin: float
    to: float
    rule: int
    last_rule: int
    since: float
    is_first: bool
    changes: tuple


def occasions_due(fleet):
    """(frame, points of shape (4, 3, n)): every occasion of every series, and its due, early and late points and interval by axis.

    The frame: `s` (series), `number`, `act` (its anchor, -1: none of ours), `done` (the act that closed it, -1: open), `to` (its last
    day), `basis`, `since` (severe from this day), `rule`, `missed`, `is_current`.
    """
    rows = _events(fleet)
    columns = _laid_out(fleet, rows)
    asked = _in_question(fleet, rows, columns)
    parts = [_from_the_work(fleet, rows, columns, ~asked), _looped(fleet, rows, columns, asked)]
    frame = pd.concat([frame for frame, _ in parts], ignore_index=True)
    points = np.concatenate([points for _, points in parts], axis=2)
    order = np.lexsort((frame["nth"], frame["row"]))
    kept = order[np.isfinite(points[0]).any(axis=0)[order]]
    frame, points = frame.iloc[kept].reset_index(drop=True), points[:, :, kept]
    is_open = frame["done"].lt(0).to_numpy()
    frame = frame.assign(
        number=frame.groupby("s").cumcount() + 1,
        since=frame["since"].where(frame["nth"] == 0),
        missed=(frame["left"] > 0) & ~is_open,
        is_current=(frame["nth"] == 0) & is_open,
    )
    return frame, points


def _in_question(fleet, rows, columns):
    """The events for which it is not enough to count from the work: on a ladder, taken over, or with something learned on the way."""
    on_ladder = np.array([task.on_ladder for task in fleet.tasks], dtype=bool)[rows["s"]]
    expires = np.array(fleet.rules.expires, dtype=bool)[columns["rule"]]
    asked = on_ladder | expires | (columns["begin"] > columns["base"][DAY])
    asked[list(columns["changes"])] = True
    return asked


def _from_the_work(fleet, rows, columns, which):
    """(frame, points) of those that count from the work alone (R5), for all at once: as `schedule` gives them one by one."""
    at = np.flatnonzero(which)
    hard = columns["since"][at] <= columns["begin"][at]
    s, rule, is_first = rows["s"].to_numpy()[at], columns["rule"][at], columns["is_first"][at]
    flags = is_first + 2 * hard + 4 * fleet.counts[0, s] + 8 * fleet.counts[1, s]
    kinds, of = np.unique(16 * rule + flags, return_inverse=True)
    keys = [(kind // 16, *(bool(kind & flag) for flag in (1, 2, 4, 8))) for kind in kinds.tolist()]
    base = columns["base"][:, at]
    points = due.points(base, np.ones_like(base), fleet.rules.arrays(keys).take(of))
    has_first = np.array(fleet.rules.has_first, dtype=bool)[rule]
    basis = np.where(is_first & has_first, "first", np.where(hard, "severe", "regular"))
    return rows.iloc[at].assign(row=at, nth=0 * at, left=0 * at, basis=basis.astype(object)), points


def _looped(fleet, rows, columns, which):
    """(frame, points) of those that `schedule` goes through, series by series."""
    at = np.flatnonzero(which)
    s = rows["s"].to_numpy()[at]
    events = _as_events(columns, at)
    starts = np.flatnonzero(np.append(True, s[1:] != s[:-1])[: len(s)]).tolist()
    found = []
    stops = [*starts[1:], len(s)][: len(starts)]
    for start, stop, of in zip(starts, stops, s[starts].tolist(), strict=True):
        found += schedule(events[start:stop], fleet.tasks[of], fleet.rules)
    row, nth, left = (
        np.array([of[k] if k else of[0].row for of in found], dtype=int) for k in (0, 2, 3)
    )
    basis = np.array([of[1] for of in found], dtype=object)
    points = np.array([of[4] for of in found], dtype=float).reshape(-1, 3, 4).transpose(2, 1, 0)
    return rows.iloc[row].assign(row=row, nth=nth, left=left, basis=basis), points


def _events(fleet):
    """What occasions hang from, frame `s, act, done`: each series' origin, then its acts; of those before it was ours the last alone, in
    the origin's place. What came with a new vehicle on its first day is its origin, not a doing.
    """
    s, day, joined = fleet.act_series, fleet.act_x[DAY], fleet.join_x[DAY]
    before = day < joined[s]
    follows = np.append(before[1:] & (s[1:] == s[:-1]), False)[: len(s)]
    came_with = np.maximum(day, joined[s]) <= fleet.origin_x[DAY][s]
    kept = np.flatnonzero(~(before & follows) & ~came_with & (day <= fleet.end_day[s]))
    live = np.setdiff1d(np.arange(len(joined)), s[kept[before[kept]]])
    who, act = np.append(live, s[kept]), np.append(np.full(len(live), -1), kept)
    order = np.lexsort((act, who))
    order = order[(joined <= fleet.end_day)[who[order]]]
    who, act = who[order], act[order]
    same = np.append(who[1:] == who[:-1], False)[: len(who)]
    done = np.where(same, np.append(act[1:], -1)[: len(who)], -1)
    return pd.DataFrame({"s": who, "act": act, "done": done})


def _laid_out(fleet, rows):
    """Dict of the columns of `Event`, those of places (3, n), changes a dict by row; `to`, `since` and `rule` are added to the rows."""
    s, act, done = (rows[c].to_numpy() for c in ("s", "act", "done"))
    base, is_first, to = fleet.anchors(s, act), act < 0, fleet.end_day[s]
    closed, end = done >= 0, np.empty((3, len(s)))
    end[:, ~closed] = fleet.at(s[~closed], to[~closed])
    if len(fleet.act_series):
        is_first = is_first | fleet.act_restarts[act]
        end[:, closed] = fleet.act_x[:, done[closed]]
    to = end[DAY]
    begin = np.maximum(base[DAY], fleet.join_x[DAY][s])
    versions, starts = fleet.versions(s)
    nth, last = (_in_force(starts, day) for day in (begin, np.maximum(begin, to)))
    at = np.arange(len(s))
    hard = (np.append(fleet.rules.has_severe, False)[versions]).any(axis=1)
    since = np.where(hard, fleet.hard_since(s, begin, to), np.nan)
    rule = versions[at, nth]
    rows["to"], rows["since"], rows["rule"] = to, since, rule
    changes = _changes(fleet, s, begin, to, since, versions, starts, nth)
    return {
        "act": act,
        "base": base,
        "end": end,
        "begin": begin,
        "to": to,
        "rule": rule,
        "last_rule": versions[at, last],
        "since": since,
        "is_first": is_first,
        "changes": changes,
    }


def _as_events(columns, at):
    """The `Event`s of some rows."""
    listed = []
    for name in Event._fields[1:-1]:
        values = columns[name]
        listed.append(
            zip(*values[:, at].tolist(), strict=True) if values.ndim > 1 else values[at].tolist()
        )
    learned = [columns["changes"].get(row, ()) for row in at.tolist()]
    return list(map(Event, at.tolist(), *listed, learned))


def _in_force(starts, day):
    """Which of the versions is in force on each day."""
    return np.maximum((starts <= day[:, None]).sum(axis=1) - 1, 0)


def _changes(fleet, s, begin, to, since, versions, starts, nth):
    """What was learned in the course of each event, by its row, in order: later versions of the plan, and severe use."""
    n, v = np.nonzero((np.arange(versions.shape[1]) > nth[:, None]) & (starts <= to[:, None]))
    met = np.flatnonzero((since > begin) & ~(starts == since[:, None]).any(axis=1))
    row, day = np.append(n, met), np.append(starts[n, v], since[met])
    rule = np.append(versions[n, v], versions[met, _in_force(starts[met], since[met])])
    name = ["new-plan"] * len(n) + ["severe"] * len(met)
    at = zip(*fleet.at(s[row], day).tolist(), strict=True)
    found = {}
    for of, change in zip(
        row.tolist(), zip(day.tolist(), rule.tolist(), name, at, strict=True), strict=True
    ):
        found.setdefault(of, []).append(change)
    return {of: sorted(some) for of, some in found.items()}
