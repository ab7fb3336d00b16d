"""Every occasion on which a task fell due: when, what came first, when it was done, how late, and whether it counts in the rate.

`occasions` judges by what was known: nothing is late before anyone could know, and nothing is taken to be in order for want of a reading.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals.due import AXES, DUE, EARLY, EPS, LATE, SPAN
from wearbar.intervals.events import occasions_due
from wearbar.intervals.fleet import Fleet, as_dates, fleet_of
from wearbar.intervals.judged import back_in_use, judged, planned, rested, staleness
from wearbar.intervals.pace import day_reached, expected_day
from wearbar.intervals.schedule import ONCE, points
from wearbar.log.plan import plan_of
from wearbar.log.schema import TEXT

__all__ = ["occasions"]

KM, HOURS, DAY = range(3)
PLAIN = ["vehicle", "plan", "task", "title", "position", "action", "safety", "statutory"]


def occasions(log, readings=None, late_share=None):
    """Every occasion of every task of the log's plan: one row each, sorted by vehicle, task, position and number; empty without a plan.

    vehicle, task, title, position ("" none), action, safety, statutory, plan; number: 1, 2, ... in its series; is_current: the open one.
    basis: regular, first, severe, expiry, new-plan, unknown-history (due at once), first-reading, joined. severe_since: a date.
    anchor_date, anchor_km; due_, early_, late_ with km, hours and date; interval_km, _hours, _days; due_low_km, due_high_km: bounds where
        the anchor's odometer is not known; due_odometer_km, due_meter_hours: what the instruments show at due_km and due_hours.
    duty: severe, normal, not-known, or "" where the task has no severe limits; severe_due_km, severe_due_date: were the duty severe.
    first_limit: distance, hours, date, both; with " (forecast)" where not yet reached; "" where neither was. expected_date: a forecast.
    done_date, done_km (with _low_, _high_), done_hours, visit; is_open. overrun_km, _hours, _days (negative: early; open: so far);
        end_km: where it was then; overrun_share: the largest as a share of its interval; early_share: the share left unused by work before
        its window.
    state: before-window, in-window, due, past-window or not-known where open (probably: what it is by the last reading), else done, missed
        or not-finished. past_km, past_days: beyond each late edge; driven_past_km: distance from the first of the late edges passed.
    late_edge_date: the last day of its window, as far as can be told yet: NaT where distance alone will close it. is_matured: closed by
        the report date. outcome: on-time, early, late or "".
    before_next_use: open, due in a lay-up, and not used since: to be done before its next use. Used without it, it is late from the
        first day of use, and the days over count from there.
    is_typed_late: done in time, and typed in after its window had closed: late as it was judged then, and out of the rate.
    in_rate; why: "counts" or a key of `REASONS`. last_reading: date. Distances are cumulative km.
    near_work, near_date: of what is open, planned work since its anchor whose name comes near the task's ("" none), and its last day.

    readings: of `usage.readings`. late_share: a reader's own allowance after the due point, as a share of the interval, in place of the
    plan's. Sources: common practice, none; a length of service runs on through a lay-up.
    """
    if log.plan is None:
        log = replace(log.only([]), plan=plan_of({}))
    fleet = fleet_of(log, usage.readings(log) if readings is None else readings, late_share)
    frame, p = occasions_due(fleet)
    s, is_open = frame["s"].to_numpy(), frame["done"].to_numpy() < 0
    x, x_low, x_high = _where(fleet, frame)
    slack = _slack(fleet, frame)
    shut = _shut_days(fleet, s, p)
    laid = back_in_use(log, fleet, s, p, shut, x)
    q, shut = rested(p, shut, laid)
    stale, seen = staleness(log, fleet, s, p)
    columns = {name: fleet.series.rows[name].array.take(s) for name in PLAIN}
    columns |= {name: frame[name].to_numpy() for name in ("number", "is_current", "basis")} | {
        "is_open": is_open
    }
    columns |= {"severe_since": as_dates(frame["since"]), "last_reading": as_dates(seen)}
    columns |= (
        _anchor_columns(fleet, frame, p, slack) | _point_columns(p) | _duty_columns(fleet, frame, p)
    )
    columns |= _done_columns(fleet, frame, x, x_low, x_high) | _overrun_columns(
        fleet, frame, q, x, shut, laid
    )
    columns |= _first_columns(fleet, frame, p)
    found = pd.DataFrame(
        columns | judged(fleet, frame, q, (x, x_low, x_high), slack, shut, laid, stale), copy=False
    )
    told = fleet.series.rows["told_from"].notna().to_numpy()[s]
    found = found.assign(**_near(log, found))
    return found[~told | found["in_rate"]].reset_index(drop=True) if told.any() else found


def _where(fleet: Fleet, frame):
    """Where each occasion ended, or now stands: (3, n), and the bounds of its km."""
    s, done = frame["s"].to_numpy(), frame["done"].to_numpy()
    if not len(fleet.act_series):
        x = fleet.at(s, frame["to"].to_numpy())
        return x, x[KM], x[KM]
    closed, x = done >= 0, fleet.act_x[:, done]
    x[:, ~closed] = fleet.at(s[~closed], frame["to"].to_numpy()[~closed])
    return (
        x,
        np.where(closed, fleet.act_low[done], x[KM]),
        np.where(closed, fleet.act_high[done], x[KM]),
    )


def _near(log, found):
    """Work that may be the open occasions', by names that come near their task's."""
    words = log.words[log.words["how"].eq("near")] if len(log.words) else log.words
    if not len(words):
        none = pd.Series("", found.index, dtype=TEXT)
        return {
            "near_work": none,
            "near_date": pd.Series(pd.NaT, found.index, dtype="datetime64[ns]"),
        }
    latest = words.sort_values("date", kind="stable").drop_duplicates(
        ["vehicle", "task"], keep="last"
    )
    told = latest.set_index(["vehicle", "task"])[["written", "date"]]
    told = told.reindex(pd.MultiIndex.from_frame(found[["vehicle", "task"]])).reset_index(drop=True)
    after = found["is_open"].to_numpy(dtype=bool) & ~(
        told["date"] <= found["anchor_date"]
    ).to_numpy(dtype=bool)
    after &= told["written"].notna().to_numpy()
    date = pd.to_datetime(told["date"]).where(after)
    return {"near_work": told["written"].where(after, "").astype(TEXT), "near_date": date}


def _slack(fleet, frame):
    """How far the anchor's km may lie below and above what it is taken for: (2, n)."""
    act = frame["act"].to_numpy()
    hangs = (act >= 0) & fleet.series.rows["measured_from"].eq("done").to_numpy(dtype=bool)[
        frame["s"]
    ]
    hangs &= ~frame["basis"].isin(["joined", "unknown-history", "new-plan"]).to_numpy()
    if not len(fleet.act_series):
        return np.zeros((2, len(act)))
    km, low, high = fleet.act_x[KM][act], fleet.act_low[act], fleet.act_high[act]
    return np.where(
        hangs, np.nan_to_num(np.stack([km - low, high - km]), nan=0.0, posinf=np.inf), 0.0
    )


def _shut_days(fleet, s, p):
    """The day each axis' late edge was reached, and the day it was passed: (2, 3, n); NaN where not yet."""
    code = fleet.code[s]
    found = np.full((2, 3, len(s)), np.nan)
    for axis, path in ((KM, fleet.distance), (HOURS, fleet.clock)):
        found[0, axis] = day_reached(path, code, p[LATE, axis] - EPS)
        found[1, axis] = day_reached(
            path, code, np.where(np.isnan(found[0, axis]), np.nan, p[LATE, axis] + EPS)
        )
    found[0, DAY], found[1, DAY] = p[LATE, DAY], p[LATE, DAY] + 1
    return found


def _anchor_columns(fleet, frame, p, slack):
    s, act = frame["s"].to_numpy(), frame["act"].to_numpy()
    anchor = fleet.anchors(s, act)
    shown, meter = (
        usage.odometer_of(path, fleet.code[s], p[DUE, axis]).to_numpy()
        for axis, path in ((KM, fleet.distance), (HOURS, fleet.clock))
    )
    return {
        "anchor_date": as_dates(anchor[DAY]),
        "anchor_km": anchor[KM],
        "due_low_km": p[DUE, KM] - slack[0],
        "due_high_km": np.where(np.isfinite(slack[1]), p[DUE, KM] + slack[1], np.nan),
        "due_odometer_km": shown,
        "due_meter_hours": meter,
    }


def _point_columns(p):
    names = {DUE: "due", EARLY: "early", LATE: "late"}
    columns = {
        f"{name}_{axis}": p[at, a] for at, name in names.items() for a, axis in enumerate(AXES[:2])
    }
    columns |= {f"{name}_date": as_dates(p[at, DAY]) for at, name in names.items()}
    return columns | {
        "interval_km": p[SPAN, KM],
        "interval_hours": p[SPAN, HOURS],
        "interval_days": p[SPAN, DAY],
    }


def _duty_columns(fleet, frame, p):
    s, act, rule = frame["s"].to_numpy(), frame["act"].to_numpy(), frame["rule"].to_numpy()
    has = np.array(fleet.rules.has_severe, dtype=bool)[rule]
    known = np.array(["not-known", "normal", "severe"])[
        fleet.duty_at(s, frame["to"].to_numpy()) + 1
    ]
    duty = np.where(
        has,
        np.where(frame["since"].notna(), "severe", np.where(known == "severe", "normal", known)),
        "",
    )
    ask, sooner = np.flatnonzero(duty == "not-known"), np.full((3, len(duty)), np.nan)
    base = fleet.anchors(s[ask], act[ask])
    for i, of, nth, where in zip(ask, s[ask], rule[ask].tolist(), base.T.tolist(), strict=True):
        hard = points(where, ONCE, fleet.rules.limits(nth, fleet.tasks[of].counts, False, True))
        sooner[:, i] = np.fmin([point[DUE] for point in hard], p[DUE][:, i])
    return {"duty": duty, "severe_due_km": sooner[KM], "severe_due_date": as_dates(sooner[DAY])}


def _done_columns(fleet, frame, x, x_low, x_high):
    closed = frame["done"].to_numpy() >= 0
    show = closed & ~frame["missed"].to_numpy()
    visit = fleet.act_visit.array.take(frame["done"].to_numpy(), allow_fill=True)
    return {
        "done_date": as_dates(np.where(show, x[DAY], np.nan)),
        "done_km": np.where(show, x[KM], np.nan),
        "done_low_km": np.where(show, x_low, np.nan),
        "done_high_km": np.where(show & np.isfinite(x_high), x_high, np.nan),
        "done_hours": np.where(show, x[HOURS], np.nan),
        "visit": pd.Series(visit).where(show).array,
    }


def _overrun_columns(fleet, frame, p, x, shut, laid):
    s = frame["s"].to_numpy()
    over = x - p[DUE]
    over[DAY] = np.where(~np.isnan(laid) & (x[DAY] > p[LATE, DAY]), x[DAY] - laid, over[DAY])
    past = np.maximum(x - p[LATE], 0.0)
    edge = np.fmin.reduce(shut[0], axis=0)
    rows, driven = np.flatnonzero((past > EPS).any(axis=0)), np.zeros(len(s))
    at_edge = usage.distance_at(fleet.distance, fleet.code[s[rows]], as_dates(edge[rows]))[
        "distance_km"
    ].to_numpy()
    driven[rows] = np.maximum(x[KM, rows] - np.fmin(p[LATE, KM, rows], at_edge), 0.0)
    share = over / p[SPAN]
    largest = np.fmax.reduce(share, axis=0)
    return {
        "overrun_km": over[KM],
        "overrun_hours": over[HOURS],
        "overrun_days": over[DAY],
        "overrun_share": largest,
        "early_share": np.where(
            (x >= p[EARLY] - EPS).any(axis=0) | ~planned(fleet, frame), 0.0, -largest
        ),
        "past_km": past[KM],
        "past_hours": past[HOURS],
        "past_days": past[DAY],
        "end_km": x[KM],
        "driven_past_km": driven,
        "late_edge_date": as_dates(edge),
    }


def _first_columns(fleet, frame, p):
    """Which limit came first by its end, or else which is expected to."""
    s, to, is_open = frame["s"].to_numpy(), frame["to"].to_numpy(), frame["done"].to_numpy() < 0
    code = fleet.code[s]
    day = np.stack(
        [
            day_reached(fleet.distance, code, p[DUE, KM] - EPS),
            day_reached(fleet.clock, code, p[DUE, HOURS] - EPS),
            p[DUE, DAY],
        ]
    )
    day = np.where(day <= to, day, np.nan)
    told, rows = _said(day), np.flatnonzero(is_open)
    expected = np.full((3, len(s)), np.nan)
    expected[DAY] = p[DUE, DAY]
    for axis, path in ((KM, fleet.distance), (HOURS, fleet.clock)):
        expected[axis, rows] = expected_day(fleet, path, s[rows], to[rows], p[DUE, axis, rows])
    ask = np.flatnonzero(is_open & (told == ""))
    ahead = _said(expected[:, ask])
    told[ask] = np.where(ahead == "", "", np.char.add(ahead, " (forecast)"))
    soonest = np.full(len(s), np.nan)
    soonest[rows] = np.fmin.reduce(
        np.where(np.isnan(day[:, rows]), expected[:, rows], day[:, rows]), axis=0
    )
    return {"first_limit": told, "expected_date": as_dates(soonest)}


def _said(day):
    """Which axis' day comes first, in words; "" where there is none."""
    which = day == np.fmin.reduce(day, axis=0)
    count = which.sum(axis=0)
    return np.select(
        [count > 1, which[KM], which[HOURS], which[DAY]],
        [np.str_("both"), "distance", "hours", "date"],
        "",
    ).astype("U24")
