"""Every occasion of a log and its due points: counted from the work for all at once, and by the
loop of `schedule` where more rules bear."""

import numpy as np
import pandas as pd

from wearbar.intervals import due
from wearbar.intervals.due import DAY
from wearbar.intervals.fleet import AXES
from wearbar.intervals.schedule import Event, Task, schedule


def occasions_due(fleet):
    """(frame, points of shape (4, 3, n), where each ended (3, n)): every occasion of every series,
    its due, early and late points and interval by axis.

    The frame: `s` (series), `number`, `act` (its anchor, -1: none of ours), `done` (the act that
    closed it, -1: open), `to` (its last day), `basis`, `since` (severe from this day), `rule`,
    `missed`, `is_current`.
    """
    rows, base, end = _events(fleet)
    s, rule, is_first = (rows[c].to_numpy() for c in ("s", "rule", "is_first"))
    hard = (rows["since"] <= rows["begin"]).to_numpy()
    is_run_in = is_first & fleet.rules.has_first[rule]
    rows["basis"] = np.select([is_run_in, hard], ["first", "severe"], "regular").astype(object)
    limits = fleet.rules.many(rule, is_first, hard, fleet.counts[:, s])
    points = due.points(base, np.ones_like(base), limits)  # from the work alone (R5)
    changes = _changes(fleet, rows)
    # where more bears: a ladder or an expiry (R6), taken over (R11, R13), learned since (R8, R13)
    asked = fleet.on_ladder[s] | fleet.rules.expires[rule]
    asked |= (rows["begin"] > base[DAY]).to_numpy()
    asked[list(changes)] = True
    looped, of_loop = _looped(fleet, rows[asked], base, end, points, changes)
    frame = pd.concat([rows[~asked].assign(nth=0, left=0), looped], ignore_index=True)
    points = np.concatenate([points[:, :, ~asked], of_loop], axis=2)
    order = np.lexsort((frame["nth"], frame["row"]))
    kept = order[np.isfinite(points[0]).any(axis=0)[order]]
    frame, points = frame.iloc[kept].reset_index(drop=True), points[:, :, kept]
    is_open = frame["done"].lt(0)
    frame = frame.assign(
        number=frame.groupby("s").cumcount() + 1,
        since=frame["since"].where(frame["nth"] == 0),
        missed=(frame["left"] > 0) & ~is_open,
        is_current=(frame["nth"] == 0) & is_open,
    )
    return frame, points, end[:, frame["row"]]


def _events(fleet):
    """(rows, where each begins (3, n), and ends): what occasions hang from, each series' origin,
    then its acts; of those before it was ours the last alone, in the origin's place. What came with
    a new vehicle on its first day is its origin, not a doing.

    The rows: `row, s, act, done` as in `occasions_due`, and the fields of `Event`.
    """
    acts = fleet.acts[:-1]
    s, day, joined = acts["series"].to_numpy(), acts["day"].to_numpy(), fleet.join_x[DAY]
    before = day < joined[s]
    follows = np.append(before[1:] & (s[1:] == s[:-1]), False)[: len(s)]
    came_with = np.maximum(day, joined[s]) <= fleet.origin_x[DAY][s]
    kept = np.flatnonzero(~(before & follows) & ~came_with & (day <= fleet.end_day[s]))
    live = np.setdiff1d(np.arange(len(joined)), s[kept[before[kept]]])
    who, act = np.append(live, s[kept]), np.append(np.full(len(live), -1), kept)
    order = np.lexsort((act, who))
    order = order[(joined <= fleet.end_day)[who[order]]]
    s, act = who[order], act[order]
    done = np.full(len(s), -1)
    done[:-1] = np.where(s[1:] == s[:-1], act[1:], -1)
    base, end = fleet.anchors(s, act), fleet.of_act(AXES, done)
    end[:, done < 0] = fleet.at(s[done < 0], fleet.end_day[s[done < 0]])
    begin, to, key = np.maximum(base[DAY], joined[s]), end[DAY], fleet.key[s]
    rule = fleet.rules.in_force(key, begin)
    since = np.where(fleet.rules.ever_severe[rule], fleet.hard_since(s, begin, to), np.nan)
    rows = {"row": np.arange(len(s)), "s": s, "act": act, "done": done, "begin": begin, "to": to}
    rows |= {"rule": rule, "last_rule": fleet.rules.in_force(key, np.maximum(begin, to))}
    rows |= {"since": since, "is_first": (act < 0) | fleet.of_act("restarts", act)}
    return pd.DataFrame(rows), base, end


def _looped(fleet, rows, base, end, points, changes):
    """(rows with `basis, nth, left`, points) as `schedule` finds them, series by series."""
    at, found = rows["row"].to_numpy(), []
    told = rows.assign(base=base[:, at].T.tolist(), end=end[:, at].T.tolist())
    told["start"] = points[:, :, at].T.tolist()
    told["changes"] = [changes.get(row, ()) for row in at.tolist()]
    told = told[list(Event._fields)].itertuples(index=False, name=None)
    events = [Event(*of) for of in told]
    for s, mine in rows.groupby("s", sort=False).indices.items():
        counts, joined = tuple(fleet.counts[:, s].tolist()), fleet.join_x[:, s].tolist()
        task = Task(counts, joined, fleet.is_new[s], fleet.on_ladder[s])
        found += schedule([events[i] for i in mine.tolist()], task, fleet.rules)
    row, basis, nth, left, points = zip(*found, strict=True) if found else [()] * 5
    rows = rows.loc[[event.row for event in row]]
    points = np.array(points, dtype=float).reshape(-1, 3, 4).T
    nth, left = (np.array(values, dtype=int) for values in (nth, left))
    return rows.assign(basis=np.array(basis, dtype=object), nth=nth, left=left), points


def _changes(fleet, rows):
    """What was learned in the course of each event, by its row, in order: later versions of the
    plan, and severe use."""
    rules, told = fleet.rules, []
    learned = rows[(rows["last_rule"] > rows["rule"]) | (rows["since"] > rows["begin"])]
    since = learned["since"].fillna(learned["begin"]).to_numpy()
    hard = rules.in_force(fleet.key[learned["s"]], since)
    for event, severe in zip(learned.itertuples(), hard.tolist(), strict=True):
        later = range(event.rule + 1, event.last_rule + 1)
        days = {float(rules.starts[rule]): (rule, "new-plan") for rule in later}
        if event.since > event.begin:
            days.setdefault(event.since, (severe, "severe"))
        told += [(event.row, event.s, day, *days[day]) for day in sorted(days)]
    told = pd.DataFrame(told, columns=["row", "s", "day", "rule", "name"])
    at = fleet.at(told["s"].to_numpy(int), told["day"].to_numpy(float)).T.tolist()
    found = {}
    for row, _, day, rule, name, x in zip(*(told[c].tolist() for c in told), at, strict=True):
        found.setdefault(row, []).append((day, rule, name, tuple(x)))
    return found
