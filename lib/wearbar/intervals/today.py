"""What the report can speak of on its date: vehicles seen, open and overdue work with its forecast,
the tables that tell of danger, and why work was deferred."""

from dataclasses import dataclass

from wearbar.intervals.judged import STALE_DAYS
from wearbar.usage.forecast import ENDS, due_dates

FORECAST_DAYS = 60
GUARDED = ("defects", "certificates", "campaigns")  # tables without which a danger can't be seen
OPEN = ("past-window", "due", "in-window", "not-known", "before-window")


@dataclass(frozen=True)
class Seen:
    """Vehicles on the report date: owned; with a reading in the last STALE_DAYS; judged, no open
    task of theirs being not known; and how old the oldest last reading is (None: there is none)."""

    owned: int
    read: int
    judged: int
    oldest_days: int | None = None


def seen(log, readings, found):
    """How many vehicles the report can speak of. A vehicle in storage since its last reading, or
    without a meter, needs no fresh one."""
    fleet = log.tables["vehicles"]
    fleet = fleet[~fleet["disposed"].le(log.as_of)]
    last = readings[readings["date"] <= log.as_of].groupby("vehicle")["date"].max()
    age = (log.as_of - last.reindex(fleet["vehicle"])).dt.days
    now = found[found["is_current"] & (found["state"] != "not-finished")]
    unsure = set(now.loc[now["state"] == "not-known", "vehicle"])
    judged = fleet["vehicle"].isin(set(now["vehicle"]) - unsure)
    oldest = int(age.max()) if age.notna().any() else None
    return Seen(len(fleet), int(age.le(STALE_DAYS).sum()), int(judged.sum()), oldest)


def untold(log):
    """Of the tables that tell of danger, those that the log does not have, or holds no usable row
    of: neither shows that there is none."""
    used = log.ledger.set_index("table")["used"].reindex(GUARDED).fillna(0)
    return [name for name in GUARDED if name not in log.present or not used[name]]


def put_off(log):
    """Why work was deferred: frame `reason, n, vehicles`, the commonest first."""
    by = log.tables["deferrals"].groupby("reason")["vehicle"]
    found = by.agg(n="size", vehicles="nunique").reset_index()
    return found.sort_values(["n", "reason"], ascending=[False, True], ignore_index=True)


def open_tasks(found, log, use, confidence=0.9):
    """The open occasions of `occasions`, with `expected_date, low_date, high_date`: when each is
    expected to fall due, and limits.

    By its date or by the forecast of distance or hours, whichever comes first; the limits are never
    after the due date. over_days, over_km, over_hours: beyond its due points, NaN where it is not.
    use: the `UsageModel` to forecast by (as of `backtest.model_by_test`), or the readings, whose
    limits no back-test has widened.
    """
    tasks = found[found["is_current"] & found["state"].isin(OPEN)]
    fleet, stays = log.tables["vehicles"][["vehicle", "kind", "site"]], log.tables["layups"]
    told = due_dates(use, fleet, tasks, log.as_of, confidence, stays)[list(ENDS)]
    told.columns = ["expected_date", "low_date", "high_date"]
    return _over_due(tasks.assign(**told))


def overdue(found):
    """Work past its window, the longest over its due point first: what one doing settles is one
    row. over_days, over_km, over_hours as of `open_tasks`."""
    is_late = found["is_current"] & found["is_open"] & (found["state"] == "past-window")
    late = _over_due(found[is_late])
    return late.sort_values(["over_days", "over_km", "over_hours"], ascending=False, kind="stable")


def _over_due(rows):
    over = {unit: rows[f"overrun_{unit}"] for unit in ("days", "km", "hours")}
    return rows.assign(**{f"over_{unit}": by.where(by > 0) for unit, by in over.items()})
