"""How an occasion stands, how it came out, and whether it counts in the rate."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import due
from wearbar.intervals.due import DUE, EARLY, EPS, LATE, SPAN
from wearbar.intervals.duty import known_on
from wearbar.intervals.fleet import as_dates, as_days
from wearbar.intervals.pace import at_pace, last_read
from wearbar.usage.distance import last_not_above
from wearbar.usage.rates import merged

__all__ = [
    "COUNTS",
    "REASONS",
    "STALE_DAYS",
    "back_in_use",
    "judged",
    "planned",
    "rested",
    "staleness",
]

STALE_DAYS = 45  # a reading older than this no longer says where a vehicle is
KM, HOURS, DAY = range(3)
COUNTS = "counts"
# why an occasion is left out of the rate, in the order in which one reason wins over another
REASONS = {
    "unknown-history": "when it was last done is not known",
    "joined": "it fell due before the vehicle joined this log",
    "laid-up": "it fell due while the vehicle was in storage, and was done before its next use or still can be",
    "repair": "a repair did it before its window opened",
    "typed-late": "it was done on time, but typed in only after its window had closed",
    "ended": "the vehicle left, or the task left the plan, before its window closed",
    "stale": "no recent reading tells whether its window has closed",
    "open-window": "its window has not closed yet",
    "odometer": "the odometer at the work is not known closely enough",
}


def back_in_use(log, fleet, s, p, shut, x):
    """For occasions that were due, by their date, in a lay-up: the first day of use after it (infinite: not yet), else NaN.

    x: where each ended. Those due before the stay began count where they were still open then. Stays end to end are one. Use is the
    first reading that shows distance since. What was past a window before the stay began is late.
    """
    back = np.full(len(s), np.nan)
    stays = log.tables["layups"].dropna(subset=["from"])
    known = known_on(stays["from"], stays["recorded"])
    code = (
        fleet.series.rows.assign(code=fleet.code)
        .drop_duplicates("vehicle")
        .set_index("vehicle")["code"]
    )
    stays = stays.assign(known=as_days(known))[stays["vehicle"].isin(code.index)]
    if stays.empty:
        return back
    typed = np.where(stays["known"] > as_days(stays["from"]), stays["known"], -np.inf)
    parts = [_stretches(part, code, at) for at, part in stays.groupby(typed)]
    stays, until = (
        pd.concat(parts, ignore_index=True),
        np.concatenate([part["b"] for part in parts]),
    )
    stays["use"] = np.minimum(
        *(_first_use(path, stays["code"], until) for path in (fleet.distance, fleet.clock))
    )
    rows = pd.DataFrame(
        {
            "row": np.arange(len(s)),
            "code": fleet.code[s],
            "due": p[DUE, DAY],
            "shut": np.fmin.reduce(shut[1], axis=0),
        }
    )
    rows = (
        rows.assign(end=x[DAY], late=p[LATE, DAY])
        .merge(stays, on="code")
        .sort_values(["row", "a"], kind="stable")
    )
    began = (rows["a"] <= rows["due"]) | ((rows["a"] <= rows["late"]) & (rows["a"] <= rows["end"]))
    rows = rows[
        began
        & (rows["due"] <= rows["b"])
        & ~(rows["shut"] <= rows["a"])
        & ~(rows["shut"] <= rows["known"])
    ].drop_duplicates("row")
    back[rows["row"]] = rows["use"]
    return back


def _stretches(stays, code, known):
    """Stays known on the same day, or in time (`known` -inf), as stretches: frame `code, a, b, known`, first and last day."""
    who, begin, until = merged(
        stays["vehicle"].map(code),
        as_days(stays["from"]) - 1,
        np.nan_to_num(as_days(stays["to"]), nan=np.inf),
    )
    return pd.DataFrame(
        {"code": who.astype(int).to_numpy(), "a": begin + 1, "b": until, "known": known}
    )


def rested(p, shut, laid):
    """(points, days their edges were reached and passed) where the window of what was due in a lay-up stays open to the first day of use.

    laid: of `back_in_use`. A lay-up never makes a window shorter.
    """
    late = np.where(np.isnan(laid), p[LATE, DAY], np.fmax(p[LATE, DAY], laid))
    q, shut = p.copy(), shut.copy()
    q[LATE, DAY] = late
    shut[0, DAY] = np.where(np.isfinite(late), late, np.nan)
    shut[1, DAY] = shut[0, DAY] + 1
    return q, shut


def _first_use(path, code, day):
    """The day of the first reading after each day that shows more distance than there was; infinite where there is none."""
    found = np.full(len(day), np.inf)
    first, last = path.rows(code)
    if not len(path.day):
        return found
    stood = last_not_above(path.day, first, last, day)
    level = np.where(stood >= first, path.high[np.maximum(stood, 0)], -np.inf)
    moved = last_not_above(path.high, np.maximum(stood + 1, first), last, level + EPS) + 1
    return np.where(moved < last, path.day[np.minimum(moved, len(path.day) - 1)], np.inf)


def staleness(log, fleet, s, p):
    """Whether the last reading is too old to tell where an occasion stands by distance or hours, and the day of that reading."""
    end = fleet.end_day[s]
    seen = np.full(len(s), np.nan)
    for axis, path in ((KM, fleet.distance), (HOURS, fleet.clock)):
        last = last_read(path, fleet.code, fleet.end_day)[s]
        seen = np.fmin(seen, np.where(np.isfinite(p[DUE, axis]), last, np.nan))
    asked = np.isfinite(p[DUE, :2]).any(axis=0)
    who = fleet.series.rows["vehicle"].iloc[s]
    rows = np.flatnonzero(
        asked & np.isfinite(seen) & who.isin(log.tables["layups"]["vehicle"]).to_numpy(dtype=bool)
    )
    rest = np.zeros(len(s))
    rest[rows] = usage.layup_days(
        log, who.iloc[rows].reset_index(drop=True), as_dates(seen[rows]), as_dates(end[rows])
    )
    return asked & ~(end - seen - rest <= STALE_DAYS), seen


def judged(fleet, frame, p, ends, slack, shut, laid, stale):
    """State, outcome, and whether it counts. p, shut: of `rested`."""
    x, x_low, x_high = ends
    s, is_open, missed = (
        frame["s"].to_numpy(),
        frame["done"].to_numpy() < 0,
        frame["missed"].to_numpy(),
    )
    end = fleet.end_day[s]
    ended = fleet.ended[s] != ""
    passed_day = np.fmin.reduce(shut[1], axis=0)
    resting = ~np.isnan(laid)
    q = p.copy()
    q[:SPAN, KM] -= slack[0]
    now = due.state(q, x)
    late_for_sure = (now == "past-window") & is_open
    apart = resting & (x[DAY] <= laid)
    matured = (passed_day <= end) & ~np.isnan(passed_day) | (apart & ~is_open)
    state = np.where(
        is_open,
        np.where(stale & ~late_for_sure, "not-known", now),
        np.where(missed, "missed", "done"),
    )
    state = np.where(is_open & ended, "not-finished", state)
    unsure, probably = np.flatnonzero(state == "not-known"), np.full(len(s), "", dtype=object)
    probably[unsure] = due.state(
        q[:, :, unsure], at_pace(fleet, s[unsure], x[:, unsure], frame["to"].to_numpy()[unsure])
    )
    low, high = x.copy(), x.copy()
    low[KM], high[KM] = x_low, x_high
    tight, wide = q[LATE].copy(), q[LATE].copy()
    wide[KM] += slack[0] + slack[1]
    surely_late = (low > wide + EPS).any(axis=0)
    surely_not = ~(high > tight + EPS).any(axis=0)
    unclear = ~is_open & ~missed & ~surely_late & ~surely_not
    late = missed | is_open | surely_late
    early = (x < p[EARLY] - EPS).any(axis=0) & (due.state(p, x) == "before-window")
    typed_late = (
        ~is_open
        & ~missed
        & matured
        & ~apart
        & ~surely_late
        & _typed_after(fleet, frame, passed_day)
    )
    late |= typed_late
    repair = early & ~late & ~planned(fleet, frame)
    early &= ~(repair | apart)
    outcome = np.where(
        matured,
        np.where(late, "late", np.where(unclear, "", np.where(early, "early", "on-time"))),
        "",
    )
    basis = frame["basis"].to_numpy()
    reasons = [
        _unanchored(fleet, frame),
        basis == "joined",
        apart,
        repair,
        typed_late,
        ~matured & is_open & ended,
        ~matured & is_open & stale,
        ~matured,
        unclear & ~typed_late,
    ]
    why = np.select(reasons, list(REASONS), COUNTS)
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


def _typed_after(fleet, frame, passed_day):
    """Whether what closed each occasion was typed only once its window had passed, in a record that was being kept by then."""
    done = frame["done"].to_numpy()
    known = np.where(done >= 0, fleet.act_known[done] if len(fleet.act_series) else np.nan, np.nan)
    return (known >= passed_day) & (fleet.kept_from < passed_day)


def _unanchored(fleet, frame):
    """Whether it is not known when an occasion's task was last done before: the first of a vehicle that came with unknown history."""
    s, act, basis = (frame[c].to_numpy() for c in ("s", "act", "basis"))
    used = (
        np.isnan(fleet.origin_x[HOURS, s])
        & (act < 0)
        & frame["number"].eq(1).to_numpy()
        & (basis != "first")
    )
    return used | np.isin(basis, ["unknown-history", "first-reading"])


def planned(fleet, frame):
    """Whether what closed each occasion was planned work; a repair, a recall or advice resets an interval and is no early work."""
    done = frame["done"].to_numpy()
    return np.where(done >= 0, fleet.act_planned[done] if len(fleet.act_series) else True, True)
