"""Every occasion on which a task fell due: when, what came first, when it was done, how late, and
whether it counts in the rate.

`occasions` judges by what was known: nothing is late before anyone could know, and nothing is taken
to be in order for want of a reading.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals.done import PLAIN
from wearbar.intervals.due import DAY, DUE, EARLY, EPS, HOURS, KM, LATE, SPAN
from wearbar.intervals.events import occasions_due
from wearbar.intervals.fleet import fleet_of
from wearbar.intervals.judged import back_in_use, judged, rested, staleness
from wearbar.intervals.pace import day_reached, expected_day
from wearbar.intervals.schedule import ONCE, points
from wearbar.log.plan import plan_of
from wearbar.log.schema import TEXT
from wearbar.usage.distance import as_dates


def occasions(log, readings=None, late_share=None):
    """Every occasion of every task of the log's plan: one row each, sorted by vehicle, task,
    position and number; empty without a plan.

    vehicle, task, title, position ("" none), action, safety, statutory, plan; number: 1, 2, ... in
    its series; is_current: the open one. basis: regular, first, severe, expiry, new-plan,
    unknown-history (due at once), first-reading, joined. severe_since: a date. anchor_date,
    anchor_km; due_, early_, late_ with km, hours and date; interval_km, _hours, _days; due_low_km,
    due_high_km: bounds where the anchor's odometer is not known; due_odometer_km, due_meter_hours:
    what the instruments show at due_km and due_hours. duty: severe, normal, not-known, or "" where
    the task has no severe limits; severe_due_km, severe_due_date: were the duty severe.
    first_limit: distance, hours, date, both; with " (forecast)" where not yet reached; "" where
    neither was. expected_date: a forecast. done_date, done_km (with _low_, _high_), done_hours,
    visit; is_open. overrun_km, _hours, _days (negative: early; open: so far); end_km: where it was
    then; overrun_share: the largest as a share of its interval; early_share: the share left unused
    by work before its window. state: before-window, in-window, due, past-window or not-known where
    open (probably: what it is by the last reading), else done, missed or not-finished. past_km,
    past_days: beyond each late edge; driven_past_km: distance from the first of the late edges
    passed. late_edge_date: the last day of its window, as far as can be told yet: NaT where
    distance alone will close it. is_matured: closed by the report date. outcome: on-time, early,
    late or "". before_next_use: open, due in a lay-up, and not used since: to be done before its
    next use. Used without it, it is late from the first day of use, and the days over count from
    there. is_typed_late: done in time, and typed in after its last day on time: late as it was
    judged then, and out of the rate. in_rate; why: "counts" or a key of `REASONS`. last_reading:
    date. Distances are cumulative km. near_work, near_date: of what is open, planned work since its
    anchor whose name comes near the task's ("" none), and its last day.

    readings: of `usage.readings`. late_share: a reader's own allowance after the due point, as a
    share of the interval, in place of the plan's. Sources: common practice, none; a length of
    service runs on through a lay-up (R9).
    """
    if log.plan is None:
        log = replace(log.only([]), plan=plan_of({}))
    fleet = fleet_of(log, usage.readings(log) if readings is None else readings, late_share)
    frame, p, x = occasions_due(fleet)
    s, is_open, rows = frame["s"].to_numpy(), frame["done"].lt(0).to_numpy(), fleet.series.rows
    bounds = np.where(is_open, x[KM], fleet.of_act(["low", "high"], frame["done"]))
    slack = _slack(fleet, frame)
    shut = _shut_days(fleet, s, p)
    laid = back_in_use(log, fleet, s, p, shut, x)
    q, shut = rested(p, shut, laid)
    stale, seen = staleness(log, fleet, s, p)
    columns = {name: rows[name].array.take(s) for name in ("vehicle", *PLAIN)}
    columns |= {name: frame[name].to_numpy() for name in ("number", "is_current", "basis")}
    columns |= {"is_open": is_open, "severe_since": as_dates(frame["since"])}
    columns |= {"last_reading": as_dates(seen)} | _point_columns(fleet, frame, p, slack)
    columns |= _duty_columns(fleet, frame, p) | _done_columns(fleet, frame, x, bounds)
    columns |= _overrun_columns(fleet, frame, q, x, shut, laid) | _first_columns(fleet, frame, p)
    columns |= judged(fleet, frame, q, x, bounds, slack, shut, laid, stale)
    asked = ("vehicle", "task", "is_open", "anchor_date")
    columns |= _near(log, pd.DataFrame({name: columns[name] for name in asked}))
    found = pd.DataFrame(columns, copy=False)
    told = rows["told_from"].notna().to_numpy()[s]
    return found[~told | found["in_rate"]].reset_index(drop=True) if told.any() else found


def _near(log, found):
    """Work that may be the open occasions', by names that come near their task's."""
    words = log.words[log.words["how"].eq("near")] if len(log.words) else log.words
    if not len(words):
        date = pd.Series(pd.NaT, found.index, dtype="datetime64[ns]")
        return {"near_work": pd.Series("", found.index, dtype=TEXT), "near_date": date}
    words = words.sort_values("date", kind="stable")
    latest = words.drop_duplicates(["vehicle", "task"], keep="last")
    key = ["vehicle", "task"]
    near = found.merge(latest, on=key, how="left")
    is_after = near["is_open"] & near["written"].notna() & ~(near["date"] <= near["anchor_date"])
    date = pd.to_datetime(near["date"]).where(is_after)
    return {"near_work": near["written"].where(is_after, "").astype(TEXT), "near_date": date}


def _slack(fleet, frame):
    """How far the anchor's km may lie below and above what it is taken for: (2, n)."""
    act, s = frame["act"].to_numpy(), frame["s"].to_numpy()
    hangs = (act >= 0) & ~fleet.on_ladder[s]
    hangs &= ~frame["basis"].isin(["joined", "unknown-history", "new-plan"]).to_numpy()
    km, low, high = fleet.of_act(["km", "low", "high"], act)
    return np.where(hangs, np.nan_to_num([km - low, high - km], posinf=np.inf), 0.0)


def _shut_days(fleet, s, p):
    """The day each axis' late edge was reached, and the day it was passed: (2, 3, n); NaN where not
    yet."""
    found = np.full((2, 3, len(s)), np.nan)
    for axis, path in fleet.meters:
        edge, code = p[LATE, axis], fleet.code[s]
        found[0, axis] = day_reached(path, code, edge - EPS)
        is_reached = ~np.isnan(found[0, axis])
        found[1, axis] = day_reached(path, code, np.where(is_reached, edge + EPS, np.nan))
    found[:, DAY] = p[LATE, DAY], p[LATE, DAY] + 1
    return found


def _point_columns(fleet, frame, p, slack):
    s = frame["s"].to_numpy()
    anchor, code = fleet.anchors(s, frame["act"].to_numpy()), fleet.code[s]
    columns = {"anchor_date": as_dates(anchor[DAY]), "anchor_km": anchor[KM]}
    columns["due_low_km"] = p[DUE, KM] - slack[0]
    columns["due_high_km"] = np.where(np.isfinite(slack[1]), p[DUE, KM] + slack[1], np.nan)
    shown = [usage.odometer_of(path, code, p[DUE, axis]).to_numpy() for axis, path in fleet.meters]
    columns["due_odometer_km"], columns["due_meter_hours"] = shown
    for at, name in ((DUE, "due"), (EARLY, "early"), (LATE, "late")):
        columns |= {f"{name}_km": p[at, KM], f"{name}_hours": p[at, HOURS]}
    for at, name in ((DUE, "due"), (EARLY, "early"), (LATE, "late")):
        columns[f"{name}_date"] = as_dates(p[at, DAY])
    return columns | {f"interval_{unit}": p[SPAN, a] for a, unit in enumerate(UNITS)}


UNITS = ("km", "hours", "days")


def _duty_columns(fleet, frame, p):
    s, act, rule = frame["s"].to_numpy(), frame["act"].to_numpy(), frame["rule"].to_numpy()
    known = fleet.duty_at(s, frame["to"].to_numpy())
    is_severe = frame["since"].notna()
    kinds = [~fleet.rules.has_severe[rule], is_severe, known < 0]
    duty = np.select(kinds, ["", "severe", "not-known"], "normal")
    ask, sooner = np.flatnonzero(duty == "not-known"), np.full((3, len(duty)), np.nan)
    base = fleet.anchors(s[ask], act[ask])
    for i, where in zip(ask.tolist(), base.T.tolist(), strict=True):
        limits = fleet.rules.limits(int(rule[i]), tuple(fleet.counts[:, s[i]]), False, True)
        hard = [point[DUE] for point in points(where, ONCE, limits)]
        sooner[:, i] = np.fmin(hard, p[DUE][:, i])
    return {"duty": duty, "severe_due_km": sooner[KM], "severe_due_date": as_dates(sooner[DAY])}


def _done_columns(fleet, frame, x, bounds):
    show = (frame["done"].ge(0) & ~frame["missed"]).to_numpy()
    low, high = np.where(show & np.isfinite(bounds), bounds, np.nan)
    km, hours, day = np.where(show, x, np.nan)
    visit = fleet.acts["visit"].iloc[frame["done"]].reset_index(drop=True)
    return {
        "done_date": as_dates(day),
        "done_km": km,
        "done_low_km": low,
        "done_high_km": high,
        "done_hours": hours,
        "visit": visit.where(show).array,
    }


def _overrun_columns(fleet, frame, p, x, shut, laid):
    over = x - p[DUE]
    rest = ~np.isnan(laid) & (x[DAY] > p[LATE, DAY])  # R9: counted from the first day of use
    over[DAY] = np.where(rest, x[DAY] - laid, over[DAY])
    past = np.maximum(x - p[LATE], 0.0)
    edge = np.fmin.reduce(shut[0], axis=0)
    rows, driven = np.flatnonzero((past > EPS).any(axis=0)), np.zeros(len(frame))
    code = fleet.code[frame["s"].to_numpy()[rows]]
    at_edge = usage.distance_at(fleet.distance, code, as_dates(edge[rows]))["distance_km"]
    opened = np.fmin(p[LATE, KM, rows], at_edge.to_numpy())
    driven[rows] = np.maximum(x[KM, rows] - opened, 0.0)
    largest = np.fmax.reduce(over / p[SPAN], axis=0)
    wasted = ~(x >= p[EARLY] - EPS).any(axis=0) & fleet.of_act("planned", frame["done"])
    columns = {f"overrun_{unit}": over[a] for a, unit in enumerate(UNITS)}
    columns |= {"overrun_share": largest, "early_share": np.where(wasted, -largest, 0.0)}
    columns |= {f"past_{unit}": past[a] for a, unit in enumerate(UNITS)}
    return columns | {"end_km": x[KM], "driven_past_km": driven, "late_edge_date": as_dates(edge)}


def _first_columns(fleet, frame, p):
    """Which limit came first by its end, or else which is expected to (R4)."""
    s, to = frame["s"].to_numpy(), frame["to"].to_numpy()
    code, rows = fleet.code[s], np.flatnonzero(frame["done"].lt(0))
    day, ahead = p[DUE].copy(), np.full((3, len(s)), np.nan)
    for axis, path in fleet.meters:
        day[axis] = day_reached(path, code, p[DUE, axis] - EPS)
        ahead[axis, rows] = expected_day(path, code[rows], to[rows], p[DUE, axis, rows])
    ahead[DAY, rows] = day[DAY, rows]
    day = np.where(day <= to, day, np.nan)
    first = _said(day)
    ask = rows[first[rows] == ""]
    forecast = _said(ahead[:, ask])
    first[ask] = np.where(forecast == "", "", np.char.add(forecast, " (forecast)"))
    soonest = np.fmin.reduce(np.where(np.isnan(day), ahead, day), axis=0)
    soonest[frame["done"].ge(0)] = np.nan
    return {"first_limit": first, "expected_date": as_dates(soonest)}


def _said(day):
    """Which axis' day comes first, in words; "" where there is none."""
    which = day == np.fmin.reduce(day, axis=0)
    kinds = [which.sum(axis=0) > 1, *which]
    return np.select(kinds, ["both", "distance", "hours", "date"], "").astype("U24")
