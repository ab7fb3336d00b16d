"""How an occasion stands, how it came out, and whether it counts in the rate."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import due
from wearbar.intervals.due import DAY, DUE, EARLY, EPS, HOURS, KM, LATE, SPAN
from wearbar.intervals.pace import at_pace, last_read
from wearbar.usage.distance import as_dates, as_days, known_on, last_not_above
from wearbar.usage.rates import merged

# a reading older than this no longer says where a vehicle is (common practice, no source)
STALE_DAYS = 45
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


def back_in_use(log, fleet, s, p, shut, x):
    """For occasions that were due, by their date, in a lay-up: the first day of use after it
    (infinite: not yet), else NaN (R9).

    x: where each ended. Those due before the stay began count where they were still open then.
    Stays end to end are one. Use is the first reading that shows distance since. What was past a
    window before the stay began is late.
    """
    back = np.full(len(s), np.nan)
    stays = log.tables["layups"].dropna(subset=["from"])
    vehicles = fleet.series.rows.assign(code=fleet.code).drop_duplicates("vehicle")
    code = vehicles.set_index("vehicle")["code"]
    stays = stays[stays["vehicle"].isin(code.index)]
    if stays.empty:
        return back
    known = as_days(known_on(stays["from"], stays["recorded"]))
    typed = np.where(known > as_days(stays["from"]), known, -np.inf)
    parts = [_stretches(part, code, at) for at, part in stays.groupby(typed)]
    stays = pd.concat(parts, ignore_index=True)
    use = [_first_use(path, stays["code"], stays["b"].to_numpy()) for _, path in fleet.meters]
    stays["use"] = np.minimum(*use)
    rows = {"row": np.arange(len(s)), "code": fleet.code[s], "due": p[DUE, DAY], "end": x[DAY]}
    rows |= {"late": p[LATE, DAY], "shut": np.fmin.reduce(shut[1], axis=0)}
    rows = pd.DataFrame(rows).merge(stays, on="code").sort_values(["row", "a"], kind="stable")
    began = (rows["a"] <= rows["due"]) | ((rows["a"] <= rows["late"]) & (rows["a"] <= rows["end"]))
    was_late = (rows["shut"] <= rows["a"]) | (rows["shut"] <= rows["known"])
    rows = rows[began & (rows["due"] <= rows["b"]) & ~was_late].drop_duplicates("row")
    back[rows["row"]] = rows["use"]
    return back


def _stretches(stays, code, known):
    """Stays known on the same day, or in time (`known` -inf), as stretches: frame `code, a, b,
    known`, first and last day."""
    begin = as_days(stays["from"]) - 1
    until = np.nan_to_num(as_days(stays["to"]), nan=np.inf)
    who, begin, until = merged(stays["vehicle"].map(code), begin, until)
    who = who.astype(int).to_numpy()
    return pd.DataFrame({"code": who, "a": begin + 1, "b": until, "known": known})


def rested(p, shut, laid):
    """(points, days their edges were reached and passed) where the window of what was due in a
    lay-up stays open to the first day of use (R9).

    laid: of `back_in_use`. A lay-up never makes a window shorter.
    """
    late = np.where(np.isnan(laid), p[LATE, DAY], np.fmax(p[LATE, DAY], laid))
    q, shut = p.copy(), shut.copy()
    q[LATE, DAY] = late
    shut[0, DAY] = np.where(np.isfinite(late), late, np.nan)
    shut[1, DAY] = shut[0, DAY] + 1
    return q, shut


def _first_use(path, code, day):
    """The day of the first reading after each day that shows more distance than there was; infinite
    where there is none."""
    first, last = path.rows(code)
    stood = last_not_above(path.day, first, last, day)
    level = np.nan_to_num(path.get("high", np.where(stood >= first, stood, -1)), nan=-np.inf)
    moved = last_not_above(path.high, np.maximum(stood + 1, first), last, level + EPS) + 1
    return np.nan_to_num(path.get("day", np.where(moved < last, moved, -1)), nan=np.inf)


def staleness(log, fleet, s, p):
    """Whether the last reading is too old to tell where an occasion stands by distance or hours,
    and the day of that reading."""
    end, seen = fleet.end_day[s], np.full(len(s), np.nan)
    for axis, path in fleet.meters:
        last = last_read(path, fleet.code, fleet.end_day)[s]
        seen = np.fmin(seen, np.where(np.isfinite(p[DUE, axis]), last, np.nan))
    asked = np.isfinite(p[DUE, :2]).any(axis=0)
    who = fleet.series.rows["vehicle"].iloc[s].reset_index(drop=True)
    laid_up = who.isin(log.tables["layups"]["vehicle"]).to_numpy(dtype=bool)
    rows, rest = np.flatnonzero(asked & np.isfinite(seen) & laid_up), np.zeros(len(s))
    rest[rows] = usage.layup_days(log, who.iloc[rows], as_dates(seen[rows]), as_dates(end[rows]))
    return asked & ~(end - seen - rest <= STALE_DAYS), seen


def judged(fleet, frame, p, x, bounds, slack, shut, laid, stale):
    """State (R3), outcome, and whether it counts. p, shut: of `rested`; bounds: of x's km."""
    s, done, missed = (frame[name].to_numpy() for name in ("s", "done", "missed"))
    is_open, ended = done < 0, fleet.ended[s]
    passed_day = np.fmin.reduce(shut[1], axis=0)
    resting = ~np.isnan(laid)
    apart = resting & (x[DAY] <= laid)  # R9: counted apart from the rate
    matured = (passed_day <= fleet.end_day[s]) | (apart & ~is_open)
    q = p.copy()
    q[:SPAN, KM] -= slack[0]
    now = due.state(q, x)
    unsure = is_open & stale & (now != "past-window") & ~ended
    states = [is_open & ended, unsure, is_open, missed]
    state = np.select(states, ["not-finished", "not-known", now, "missed"], "done")
    probably, to = np.full(len(s), "", dtype=object), frame["to"].to_numpy()
    probably[unsure] = due.state(
        q[:, :, unsure], at_pace(fleet, s[unsure], x[:, unsure], to[unsure])
    )
    low, high, latest = x.copy(), x.copy(), q[LATE].copy()
    low[KM], high[KM] = bounds
    latest[KM] += slack[0] + slack[1]
    surely_late = (low > latest + EPS).any(axis=0)
    unclear = (high > q[LATE] + EPS).any(axis=0) & ~is_open & ~missed & ~surely_late
    late = missed | is_open | surely_late
    typed_after = (fleet.of_act("known_day", done) >= passed_day) & (fleet.kept_from < passed_day)
    typed_late = ~late & matured & ~apart & typed_after
    late |= typed_late
    early = (x < p[EARLY] - EPS).any(axis=0) & (due.state(p, x) == "before-window")
    repair = early & ~late & ~fleet.of_act("planned", done)  # R16: it resets, and is not scored
    early &= ~(repair | apart)
    outcome = np.select([~matured, late, unclear, early], ["", "late", "", "early"], "on-time")
    basis, number = frame["basis"].to_numpy(), frame["number"].to_numpy()
    came_used = np.isnan(fleet.origin_x[HOURS, s]) & (frame["act"].to_numpy() < 0)
    unanchored = came_used & (number == 1) & (basis != "first")  # R11: never scored
    unanchored |= np.isin(basis, ["unknown-history", "first-reading"])
    open_ended, open_stale = ~matured & is_open & ended, ~matured & is_open & stale
    reasons = [unanchored, basis == "joined", apart, repair, typed_late, open_ended, open_stale]
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
