"""What is open on the report date: the tables that tell of danger, open tasks with their forecast, and why work was deferred."""

from wearbar.intervals.rates import over_due
from wearbar.usage.forecast import due_dates

__all__ = ["FORECAST_DAYS", "open_tasks", "put_off", "untold"]

FORECAST_DAYS = 60
GUARDED = ("defects", "certificates", "campaigns")  # tables without which a danger can't be seen
OPEN = ("past-window", "due", "in-window", "not-known", "before-window")


def untold(log):
    """Of the tables that tell of danger, those that the log does not have, or holds no usable row of: neither shows that there is none."""
    used = log.ledger.set_index("table")["used"].reindex(GUARDED).fillna(0)
    return [name for name in GUARDED if name not in log.present or not used[name]]


def put_off(log):
    """Why work was put off: frame `reason, n, vehicles`, the commonest first."""
    d = log.tables["deferrals"]
    found = d.groupby("reason")["vehicle"].agg(["size", "nunique"]).reset_index()
    return found.set_axis(["reason", "n", "vehicles"], axis=1).sort_values(
        ["n", "reason"], ascending=[False, True], ignore_index=True
    )


def open_tasks(found, log, use, confidence=0.9):
    """The open occasions of `occasions`, with `expected_date, low_date, high_date`: when each is expected to fall due, and limits.

    By its date or by the forecast of distance or hours, whichever comes first; the limits are never after the due date. over_days,
    over_km, over_hours: beyond its due points, NaN where it is not. use: the `UsageModel` to forecast by (as of
    `backtest.model_by_test`), or the readings, whose limits no back-test has widened.
    """
    tasks = found[found["is_current"] & found["state"].isin(OPEN)]
    fleet, stays = log.tables["vehicles"][["vehicle", "kind", "site"]], log.tables["layups"]
    told = due_dates(use, fleet, tasks, log.as_of, confidence, stays)
    return over_due(
        tasks.assign(expected_date=told["date"], low_date=told["low"], high_date=told["high"])
    )
