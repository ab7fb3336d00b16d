"""How an occasion stands, how it came out, and whether it counts in the rate."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import due
from wearbar.intervals.due import DAY, DUE, EARLY, EPS, HOURS, KM, LATE, SPAN
from wearbar.usage.distance import as_dates, as_days, known_on, last_not_above
from wearbar.usage.rates import merged

# a reading older than this no longer says where a vehicle is (common practice, no source)
STALE_DAYS = 45
HAIR = np.array([[EPS], [EPS], [0.0]])  # of km, hours and day: what is on an edge belongs to it
COUNTS = "counts"
# why an occasion is left out of the rate, in the order in which one reason wins over another
REASONS = {
    "unknown-history": "when it was last done is not known",
    "joined": "it fell due before the vehicle joined this log",
    "laid-up": "it fell due while the vehicle was in storage, and was done before its next use or "
    "still can be",
    "repair": "a repair did it before its window opened",
    "typed-late": "it was done on time, but typed in only after its last day on time",
    "ended": "the vehicle left, or the task left the plan, before its last day on time",
    "stale": "no recent reading shows whether its last day on time has passed",
    "open-window": "its window has not closed yet",
    "odometer": "the odometer at the work is not known closely enough",
}


def kept_open(log, fleet, s, p, x):
    """(points, the days on which their late edges were reached and passed: (2, 3, n), and of
    `_back_in_use`): what fell due in a lay-up may be done until the first day of use after it, or
    the end of its window (R9). x: where each occasion ended."""
    shut = np.stack([fleet.reached(s, p[LATE] - HAIR)] * 2)
    shut[1] = fleet.reached(s, np.where(np.isnan(shut[0]), np.nan, p[LATE] + HAIR))
    shut[1, DAY] += 1
    laid = _back_in_use(log, fleet, s, p, np.fmin.reduce(shut[1]), x)
    q = p.copy()
    q[LATE, DAY] = np.fmax(p[LATE, DAY], laid)
    shut[:, DAY] = np.where(np.isfinite(q[LATE, DAY]), q[LATE, DAY] + [[0], [1]], np.nan)
    return q, shut, laid


def _back_in_use(log, fleet, s, p, passed_day, x):
    """For occasions that were due, by their date, in a lay-up: the first day of use after it
    (infinite: not yet), else NaN.

    Those due before the stay began count where they were still open then. Stays end to end are one.
    Use is the first reading that shows distance since. What was past a window before the stay began
    is late.
    """
    back = np.full(len(s), np.nan)
    stays = log.tables["layups"].dropna(subset=["from"])
    code = fleet.series.assign(code=fleet.code).drop_duplicates("vehicle")
    stays = stays.merge(code[["vehicle", "code"]], on="vehicle")
    if stays.empty:
        return back
    known = known_on(stays["from"], stays["recorded"])
    stays["known"] = np.where(known > stays["from"], as_days(known), -np.inf)
    alike = stays.groupby(["code", "known"]).ngroup()  # one is joined to those known that day alone
    until = np.nan_to_num(as_days(stays["to"]), nan=np.inf)
    group, begin, until = merged(alike, as_days(stays["from"]) - 1, until)
    stays = stays[["code", "known"]].groupby(alike).first().loc[group].reset_index(drop=True)
    stays = stays.assign(a=begin + 1, b=until)
    use = [_first_use(path, stays["code"], until) for _, path in fleet.meters]
    stays["use"] = np.minimum(*use)
    rows = {"row": np.arange(len(s)), "code": fleet.code[s], "due": p[DUE, DAY], "end": x[DAY]}
    rows = pd.DataFrame(rows | {"late": p[LATE, DAY], "passed": passed_day})
    rows = rows.merge(stays, on="code").sort_values(["row", "a"], kind="stable")
    began = (rows["a"] <= rows["due"]) | ((rows["a"] <= rows["late"]) & (rows["a"] <= rows["end"]))
    was_late = rows["passed"] <= rows[["a", "known"]].max(axis=1)
    rows = rows[began & (rows["due"] <= rows["b"]) & ~was_late].drop_duplicates("row")
    back[rows["row"]] = rows["use"]
    return back


def _first_use(path, code, day):
    """The day of the first reading after each day that shows more distance than there was; infinite
    where there is none."""
    first, last = path.rows(code)
    stood = last_not_above(path.day, first, last, day)
    level = np.nan_to_num(path.get("high", np.where(stood >= first, stood, -1)), nan=-np.inf)
    moved = last_not_above(path.high, np.maximum(stood + 1, first), last, level + EPS) + 1
    return np.nan_to_num(path.get("day", np.where(moved < last, moved, -1)), nan=np.inf)


def is_stale(log, fleet, s, p):
    """Whether the last reading is too old to tell where an occasion stands by distance or hours;
    days in storage apart."""
    end, read = fleet.end_day[s], fleet.last_read(s, fleet.end_day[s])
    has_limit = np.isfinite(p[DUE, :DAY])
    seen = np.fmin.reduce(np.where(has_limit, read, np.nan))
    who = fleet.series["vehicle"].iloc[s].reset_index(drop=True)
    laid_up = who.isin(log.tables["layups"]["vehicle"]).to_numpy(dtype=bool)
    rows, rest = np.flatnonzero(np.isfinite(seen) & laid_up), np.zeros(len(s))
    rest[rows] = usage.layup_days(log, who.iloc[rows], as_dates(seen[rows]), as_dates(end[rows]))
    return has_limit.any(axis=0) & ~(end - seen - rest <= STALE_DAYS)


def judged(fleet, frame, p, x, bounds, slack, shut, laid, stale):
    """State (R3), outcome, and whether it counts. p, shut: with the windows that a lay-up kept
    open; bounds: of x's km."""
    s, done, missed, to = (frame[name].to_numpy() for name in ("s", "done", "missed", "to"))
    is_open, ended, resting = done < 0, fleet.ended[s], ~np.isnan(laid)
    passed_day = np.fmin.reduce(shut[1], axis=0)
    apart = resting & (x[DAY] <= laid)  # R9: counted apart from the rate
    matured = (passed_day <= fleet.end_day[s]) | (apart & ~is_open)
    q = p.copy()
    q[:SPAN, KM] -= slack[0]
    now = due.state(q, x)
    unsure = is_open & stale & (now != "past-window") & ~ended
    states = [is_open & ended, unsure, is_open, missed]
    state = np.select(states, ["not-finished", "not-known", now, "missed"], "done")
    probably = np.full(len(s), "", dtype=object)
    by_now = fleet.at_pace(s[unsure], x[:, unsure], to[unsure])
    probably[unsure] = due.state(q[:, :, unsure], by_now)
    is_past = (x[HOURS:] > p[LATE, HOURS:] + EPS).any(axis=0)
    surely_late = is_past | (bounds[0] > q[LATE, KM] + slack[0] + slack[1] + EPS)
    maybe_late = is_past | (bounds[1] > q[LATE, KM] + EPS)
    late = missed | is_open | surely_late
    unclear = maybe_late & ~late
    typed_after = (fleet.of_act("known_day", done) >= passed_day) & (fleet.kept_from < passed_day)
    typed_late = ~late & matured & ~apart & typed_after
    late |= typed_late
    early = (x < p[EARLY] - EPS).any(axis=0) & (due.state(p, x) == "before-window")
    repair = early & ~late & ~fleet.of_act("planned", done)  # R16: it resets, and is not scored
    early &= ~(repair | apart)
    outcome = np.select([~matured, late, unclear, early], ["", "late", "", "early"], "on-time")
    came_used = np.isnan(fleet.origin_x[HOURS, s]) & (frame["act"] < 0) & (frame["number"] == 1)
    unanchored = came_used & (frame["basis"] != "first")  # R11: never scored
    unanchored |= frame["basis"].isin(["unknown-history", "first-reading"])
    joined, waits = frame["basis"].eq("joined"), ~matured & is_open
    reasons = [unanchored, joined, apart, repair, typed_late, waits & ended, waits & stale]
    why = np.select([*reasons, ~matured, unclear & ~typed_late], list(REASONS), COUNTS)
    return {
        "state": state,
        "probably": probably,
        "is_laid_up": resting,
        "before_next_use": is_open & np.isinf(laid),
        "is_matured": matured,
        "outcome": outcome,
        "is_typed_late": typed_late,
        "in_rate": why == COUNTS,
        "why": why,
    }
