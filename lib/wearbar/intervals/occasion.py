"""Every occasion on which a task fell due: when, what came first, when it was done, how late, and
whether it counts in the rate. Nothing is late before anyone could know, and nothing is taken to be
in order for want of a reading."""

from dataclasses import replace

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import due
from wearbar.intervals.done import PLAIN
from wearbar.intervals.due import DAY, DUE, EARLY, EPS, HOURS, KM, LATE, SPAN, UNITS
from wearbar.intervals.fleet import BASES, Fleet, occasions_due
from wearbar.log.once import kept_with
from wearbar.log.schema import SHARES, TEXT, said
from wearbar.stats.recurrence import merged
from wearbar.usage.distance import as_dates, as_days, known_on, last_not_above

NEAR = {"vehicle": TEXT, "task": TEXT, "written": TEXT, "date": "datetime64[ns]"}

# a reading older than this no longer says where a vehicle is (common practice, no source)
STALE_DAYS = 45
HAIR = np.array([[EPS], [EPS], [0.0]])  # of km, hours and day: what is on an edge belongs to it
COUNTS = "counts"
DUTIES = ["", "severe", "not-known", "normal"]
FIRST = ["", "both", "distance", "hours", "date"]
FIRST = np.array([*FIRST, *(f"{name} (forecast)" for name in FIRST)], dtype=object)
NEVER = 73_000  # days since 1970: beyond it a date says nothing
REASONS = said("reasons")  # why an occasion is left out of the rate, the one that wins first


@kept_with
def occasions(log, late_share=None):
    """Every occasion of every task of the log's plan: one row each, by vehicle, task, position and
    number; empty without a plan. Distances are cumulative km.

    vehicle, task, title, position ("" none), action, safety, statutory, plan; number: in its
    series; is_current: the open one; is_open. basis: regular, first, severe, expiry, new-plan,
    unknown-history (due at once), first-reading, joined. anchor_date, anchor_km: what it counts
    from. due_, early_, late_ with km, hours and date; interval_, overrun_ (negative: early; open:
    so far), over_ (NaN where it is not), past_ (beyond the late edge) with km, hours and days.
    due_low_km, due_high_km: where the anchor's odometer is not known; due_odometer_km,
    due_meter_hours: as the instruments show it. duty: severe (severe_since), normal, not-known, ""
    without severe limits; severe_due_km, severe_due_date: were it severe. first_limit: distance,
    hours, date, both, with " (forecast)" where not yet reached, "" none. expected_date: a forecast.
    done_date, done_km, done_hours, visit; end_km: where it was then. overrun_share: the largest;
    early_share: left unused by work before its window. driven_past_km: since the first late edge.
    late_edge_date: the last day of its window, NaT where distance alone will close it. state: of
    `due.STATES` or not-known where open (probably: by the last reading), else done, missed or
    not-finished. is_matured: closed by the report date. outcome: on-time, early, late or "".
    before_next_use: open, due in a lay-up, and not used since (used without it, it is late from the
    first day of use). is_typed_late: done in time, typed in after it. in_rate; why: "counts" or a
    key of `REASONS`. near_work, near_date: of what is open, the last planned work since its anchor
    whose name comes near the task's. late_share: a reader's own allowance after the due point, as a
    share of the interval, in place of the plan's. Source: common practice, none."""
    fleet = _fleet(log, late_share)
    frame, p, x = occasions_due(fleet)
    s, act = frame["s"].to_numpy(), frame["act"].to_numpy()
    # how far the anchor's km may lie below and above what it is taken for
    hangs = (act >= 0) & ~fleet.on_ladder[s]
    hangs &= ~np.isin(BASES, ["joined", "unknown-history", "new-plan"])[frame["basis"]]
    km, low, high = fleet.of_act(["km", "low", "high"], act)
    slack = np.where(hangs, np.nan_to_num([km - low, high - km], posinf=np.inf), 0.0)
    q, shut, laid = _kept_open(log, fleet, s, p, x)
    columns = {name: fleet.series[name].array.take(s) for name in ("vehicle", *PLAIN)}
    columns |= {name: frame[name].to_numpy() for name in ("number", "is_current")}
    columns["basis"] = np.array(BASES, dtype=object)[frame["basis"]]
    columns |= _points_and_ends(fleet, frame, p, q, x, slack, shut, laid)
    columns |= _duty_and_first(fleet, frame, p)
    columns |= _judged(log, fleet, frame, q, x, slack, shut, laid)
    found = pd.DataFrame(columns, copy=False)
    # work that may be the open ones', by names that come near their task's
    words = log.words.reindex(columns=["vehicle", "task", "how", "written", "date"])
    words = words[words["how"].eq("near")].sort_values("date", kind="stable")
    none = pd.Series("", found.index, dtype=TEXT)
    found = found.assign(near_work=none, near_date=np.datetime64("NaT", "ns"))
    if len(words):
        words = words.drop_duplicates(["vehicle", "task"], keep="last").astype(NEAR)
        near = found.loc[found["is_open"], ["vehicle", "task", "anchor_date"]].reset_index()
        near = near.merge(words, on=["vehicle", "task"])
        near = near[~(near["date"] <= near["anchor_date"])].set_index("index").reindex(found.index)
        found = found.assign(near_work=near["written"].fillna(""), near_date=near["date"])
    told = fleet.series["told_from"].notna().to_numpy()[s]
    return found[~told | found["in_rate"]].reset_index(drop=True) if told.any() else found


@kept_with
def _fleet(log, late_share=None):
    if log.plan is None:
        log = replace(log.only([]), plan=log.plan_or_empty)
    return Fleet(log, late_share)


@kept_with
def use_by_day(log):
    """How hard the year before each day was, as was known on that day (R8): a row each day that
    brought something to light, by vehicle and date, which holds until the vehicle's next row.

    vehicle, date, duty (severe, normal or not-known, by the plan in force), and the share of each
    kind of use, NaN where less than half of the distance is told of."""
    fleet = _fleet(log)
    days = fleet.duty.assign(vehicle=fleet.vehicles[fleet.duty["code"]])
    duty = days["hard"].map({1: "severe", 0: "normal", -1: "not-known"}).astype(object)
    days = days.assign(date=as_dates(days["day"]), duty=duty)
    return days[["vehicle", "date", "duty", *SHARES]].reset_index(drop=True)


def _points_and_ends(fleet, frame, p, q, x, slack, shut, laid):
    """The points of each occasion, its end, and how far that lies beyond them. q: p with the
    windows that a lay-up kept open."""
    s, act, done = (frame[name].to_numpy() for name in ("s", "act", "done"))
    code, anchor, is_open = fleet.code[s], fleet.anchors(s, act), done < 0
    columns = {"anchor_date": as_dates(anchor[DAY]), "anchor_km": anchor[KM], "is_open": is_open}
    for at, name in ((DUE, "due"), (EARLY, "early"), (LATE, "late")):
        columns |= {f"{name}_km": p[at, KM], f"{name}_hours": p[at, HOURS]}
        columns[f"{name}_date"] = as_dates(p[at, DAY])
    shown = [usage.odometer_of(path, code, p[DUE, axis]).to_numpy() for axis, path in fleet.meters]
    columns["due_odometer_km"], columns["due_meter_hours"] = shown
    columns["due_low_km"] = p[DUE, KM] - slack[0]
    columns["due_high_km"] = np.where(np.isfinite(slack[1]), p[DUE, KM] + slack[1], np.nan)
    # where and when it ended, or is now
    show = ~is_open & ~frame["missed"].to_numpy()
    visit = fleet.visit.take(np.where(show, done, -1), allow_fill=True)
    km, hours, day = np.where(show, x, np.nan)
    columns |= {"done_km": km, "done_hours": hours, "done_date": as_dates(day), "visit": visit}
    over, past = x - p[DUE], np.maximum(x - q[LATE], 0.0)
    rest = ~np.isnan(laid) & (x[DAY] > q[LATE, DAY])  # R9: counted from the first day of use
    over[DAY] = np.where(rest, x[DAY] - laid, over[DAY])
    beyond = np.where(over > 0, over, np.nan)
    for a, unit in enumerate(UNITS[:3]):
        columns |= {f"interval_{unit}": p[SPAN, a], f"overrun_{unit}": over[a]}
        columns |= {f"over_{unit}": beyond[a], f"past_{unit}": past[a]}
    largest = np.fmax.reduce(over / p[SPAN], axis=0)
    wasted = ~(x >= p[EARLY] - EPS).any(axis=0) & fleet.of_act("planned", done)
    columns |= {"overrun_share": largest, "early_share": np.where(wasted, -largest, 0.0)}
    edge, driven = np.fmin.reduce(shut[0], axis=0), np.zeros(len(s))
    rows = np.flatnonzero((past > EPS).any(axis=0))
    at_edge = usage.distance_at(fleet.distance, code[rows], as_dates(edge[rows]))
    opened = np.fmin(q[LATE, KM, rows], at_edge["distance_km"].to_numpy())
    driven[rows] = np.maximum(x[KM, rows] - opened, 0.0)
    return columns | {"end_km": x[KM], "driven_past_km": driven, "late_edge_date": as_dates(edge)}


def _duty_and_first(fleet, frame, p):
    """How hard the use was (R8), and which of its limits each occasion reached first (R4)."""
    s, act, rule, to = (frame[name].to_numpy() for name in ("s", "act", "rule", "to"))
    is_open = frame["done"].to_numpy() < 0
    # R8: the duty, and where it is not known the points by the severe limits beside the normal ones
    known = fleet.duty_at(s, to)
    kinds = [~fleet.rules.has_severe[rule], frame["since"].notna(), known < 0]
    duty = np.select(kinds, [0, 1, 2], 3)
    ask, sooner = np.flatnonzero(duty == DUTIES.index("not-known")), np.full((3, len(duty)), np.nan)
    limits = fleet.rules.many(rule[ask], ask < 0, ask >= 0, fleet.counts[:, s[ask]])
    severe = due.points(fleet.anchors(s[ask], act[ask]), np.ones((3, len(ask))), limits)[DUE]
    sooner[:, ask] = np.fmin(severe, p[DUE][:, ask])
    columns = {"duty": _words(DUTIES, duty)}
    columns["severe_since"] = as_dates(frame["since"])
    columns |= {"severe_due_km": sooner[KM], "severe_due_date": as_dates(sooner[DAY])}
    # R4: which limit came first by its end, or else which is expected to
    day, ask = fleet.reached(s, p[DUE] - HAIR), np.flatnonzero(is_open)
    day, ahead = np.where(day <= to, day, np.nan), p[DUE][:, ask]
    at, rate = fleet.pace(s[ask], [to[ask], to[ask]])
    with np.errstate(divide="ignore", invalid="ignore"):
        when = to[ask] + np.ceil((ahead[:DAY] - at) / rate)
    ahead[:DAY] = np.where((rate > 0) & (when < NEVER), when, np.nan)
    first, forecast, soonest = _first_limit(day), _first_limit(ahead), np.full(len(s), np.nan)
    first[ask] += np.where((first[ask] == 0) & (forecast > 0), forecast + len(FIRST) // 2, 0)
    soonest[ask] = np.fmin.reduce(np.where(np.isnan(day[:, ask]), ahead, day[:, ask]), axis=0)
    return columns | {"expected_date": as_dates(soonest), "first_limit": FIRST[first]}


def _first_limit(day):
    """Which axis' day comes first, by its place in `FIRST`."""
    which = day == np.fmin.reduce(day, axis=0)
    return np.select([which.sum(axis=0) > 1, *which], [1, 2, 3, 4], 0)


def _words(names, place):
    return pd.Series(names).array.take(place)


def _kept_open(log, fleet, s, p, x):
    """(points, the days on which their late edges were reached and passed: (2, 3, n), and of what
    was due, by its date, in a lay-up the first day of use after it, infinite: not yet, else NaN).

    It may be done until then, or the end of its window (R9). What was due before the stay began
    counts where it was still open then, and no window had passed. Stays end to end are one."""
    shut, back, q = np.stack([fleet.reached(s, p[LATE] - HAIR)] * 2), np.full(len(s), np.nan), p
    shut[1] = fleet.reached(s, np.where(np.isnan(shut[0]), np.nan, p[LATE] + HAIR))
    shut[1, DAY] += 1
    stays = log.tables["layups"].dropna(subset="from")
    if len(stays):
        code = fleet.series.assign(code=fleet.code).drop_duplicates("vehicle")
        stays = stays.merge(code[["vehicle", "code"]], on="vehicle")
    if stays.empty:
        return q, shut, back
    known = known_on(stays["from"], stays["recorded"])
    stays["known"] = np.where(known > stays["from"], as_days(known), -np.inf)
    alike = stays.groupby(["code", "known"]).ngroup()  # one is joined to those known that day alone
    until = np.nan_to_num(as_days(stays["to"]), nan=np.inf)
    group, begin, until = merged(alike, as_days(stays["from"]) - 1, until)
    stays = stays[["code", "known"]].groupby(alike).first().loc[group].reset_index(drop=True)
    use = np.minimum(*(_first_use(path, stays["code"], until) for _, path in fleet.meters))
    stays = stays.assign(begin=begin + 1, until=until, use=use)
    rows = {"row": np.arange(len(s)), "code": fleet.code[s], "due": p[DUE, DAY], "end": x[DAY]}
    rows |= {"late": p[LATE, DAY], "passed": np.fmin.reduce(shut[1])}
    rows = pd.DataFrame(rows).merge(stays, on="code").sort_values(["row", "begin"], kind="stable")
    was_open = rows["begin"] <= rows[["late", "end"]].min(axis=1, skipna=False)
    in_it = ((rows["begin"] <= rows["due"]) | was_open) & (rows["due"] <= rows["until"])
    was_late = rows["passed"] <= rows[["begin", "known"]].max(axis=1)
    rows = rows[in_it & ~was_late].drop_duplicates("row")
    back[rows["row"]], q = rows["use"], p.copy()
    q[LATE, DAY] = np.fmax(p[LATE, DAY], back)
    shut[:, DAY] = np.where(np.isfinite(q[LATE, DAY]), q[LATE, DAY] + [[0], [1]], np.nan)
    return q, shut, back


def _first_use(path, code, day):
    """The day of the first reading after each day that shows more distance than there was; infinite
    where there is none."""
    first, last = path.rows(code)
    stood = last_not_above(path.day, first, last, day)
    level = np.nan_to_num(path.get("high", np.where(stood >= first, stood, -1)), nan=-np.inf)
    moved = last_not_above(path.high, np.maximum(stood + 1, first), last, level + EPS) + 1
    return np.nan_to_num(path.get("day", np.where(moved < last, moved, -1)), nan=np.inf)


def _judged(log, fleet, frame, p, x, slack, shut, laid):
    """State (R3), outcome, and whether it counts. p, shut: with the windows that a lay-up kept
    open."""
    s, act, done, missed = (frame[name].to_numpy() for name in ("s", "act", "done", "missed"))
    is_open, ended, end, basis = done < 0, fleet.ended[s], fleet.end_day[s], frame["basis"]
    # R3: the state, by the earliest place that its point may have
    nearer, now, ask = np.pad(slack[:1], [(0, 2), (0, 0)]), 0 * s, np.flatnonzero(is_open)
    now[ask] = due.state(p[:SPAN, :, ask] - nearer[:, ask], x[:, ask])
    # not known where no recent reading, days in storage apart, tells it by distance or hours
    has_limit, stale = np.isfinite(p[DUE, :DAY]), np.zeros(len(s), dtype=bool)
    ask = np.flatnonzero(is_open & ~ended & has_limit.any(axis=0))
    last = np.where(has_limit[:, ask], fleet.last_read(s[ask], end[ask]), np.nan)
    seen, who = np.fmin.reduce(last), fleet.series["vehicle"].iloc[s[ask]]
    rest = usage.layup_days(log, who, as_dates(seen), as_dates(end[ask])).to_numpy()
    stale[ask] = ~(end[ask] - seen - rest <= STALE_DAYS)
    unsure = stale & (now != due.STATES.index("past-window"))
    state = np.select([is_open & ended, unsure, is_open, missed], [4, 5, now, 6], 7)
    # probably: where it is by now at the pace of the year before its last reading
    probably, by_now = np.full(len(s), len(due.STATES)), x[:, unsure]
    to, last = end[unsure], fleet.last_read(s[unsure], end[unsure])
    at, rate = fleet.pace(s[unsure], np.nan_to_num(last))
    by_now[:DAY] = np.where(np.isnan(last + rate), by_now[:DAY], at + rate * (to - last))
    probably[unsure] = due.state(p[:SPAN, :, unsure] - nearer[:, unsure], by_now)
    # R9: what was done in storage, or waits there, is counted apart
    passed_day, apart = np.fmin.reduce(shut[1], axis=0), ~np.isnan(laid) & (x[DAY] <= laid)
    matured = (passed_day <= end) | (apart & ~is_open)
    # late: past a late edge wherever its km may lie, or typed in after it
    least, most = np.where(is_open, x[KM], fleet.of_act(["low", "high"], done))
    is_late = missed | is_open | (x[HOURS:] > p[LATE, HOURS:] + EPS).any(axis=0)
    is_late |= least > p[LATE, KM] + slack[1] + EPS
    unclear = ~is_late & (most > p[LATE, KM] - slack[0] + EPS)
    typed_late = (fleet.of_act("known_day", done) >= passed_day) & (fleet.kept_from < passed_day)
    typed_late &= ~is_late & matured & ~apart
    is_late |= typed_late
    # early: before its window by every limit; a repair then resets, and is not scored (R16)
    early = ~is_late & (x < p[EARLY] - EPS).any(axis=0)
    early[early] = due.state(p[:, :, early], x[:, early]) == due.STATES.index("before-window")
    repair = early & ~fleet.of_act("planned", done)
    early &= ~(repair | apart)
    outcome = np.select([~matured, is_late, unclear, early], [0, 1, 0, 2], 3)
    # why it does not count; R11: a job whose anchor is not known is never scored
    came_used = np.isnan(fleet.origin_x[HOURS, s]) & (act < 0) & (frame["number"] == 1)
    unanchored = came_used & (basis != BASES.index("first"))
    unanchored |= np.isin(BASES, ["unknown-history", "first-reading"])[basis]
    left, joined = is_open & ended & ~matured, basis == BASES.index("joined")
    reasons = [unanchored, joined, apart, repair, typed_late, left, stale & ~matured, ~matured]
    why = np.select([*reasons, unclear & ~typed_late], range(len(REASONS)), len(REASONS))
    state = _words([*due.STATES, "not-finished", "not-known", "missed", "done"], state)
    columns = {"state": state, "probably": np.array([*due.STATES, ""], dtype=object)[probably]}
    columns["outcome"] = _words(["", "late", "early", "on-time"], outcome)
    columns |= {"why": _words([*REASONS, COUNTS], why), "is_matured": matured}
    columns |= {"is_typed_late": typed_late, "in_rate": why == len(REASONS)}
    return columns | {"is_laid_up": ~np.isnan(laid), "before_next_use": is_open & np.isinf(laid)}
