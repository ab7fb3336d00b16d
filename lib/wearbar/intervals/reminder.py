"""How far a dashboard's own service reminder has drifted from the plan.

A reminder counts its own distance and days from when it was last restarted, and can be restarted only once it has run over; the plan counts
from the work (common practice, no source). So the two part company, and only the plan's day counts.
"""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.usage.distance import days_later
from wearbar.usage.forecast import forecast_dates

__all__ = ["reminder_drift"]

ENDS = ("date", "low", "high")


def reminder_drift(log, found, readings, confidence=0.9, use=None):
    """The plan's next due point beside the reminder's: one row a vehicle on the road whose reminder was seen and is in the plan.

    vehicle; task: what the reminder stands for, the one done most often on the days it was restarted, of several the one whose interval is
        nearest to its own, replacing before inspecting; last_date: when that was last done.
    restarted; is_showing: it has run over since, and was seen to.
    plan_date, plan_km: due by the plan, the earlier of its date and the day its distance is reached (by readings, or the forecast's
        median); plan_odometer_km: what the instrument then shows.
    reminder_date, reminder_km: the same of the reminder; where it is showing, the day it was first seen to.
    drift_days, drift_km: the reminder's less the plan's, positive where it comes too late; drift_low_days, drift_high_days: by the
        forecasts' limits, faster use and slower.
    The latest reminder first; those that are not known last. use: as of `due_list`.
    """
    seen = (
        log.si("dash_events")
        .dropna(subset=["date"])
        .sort_values(["vehicle", "date", "event"], kind="stable")
    )
    now = found[found["is_current"] & (found["state"] != "not-finished")]
    dash = _dash(seen, usage.path_of(readings))
    rows = _stands_for(now, found, seen, dash).rename(
        columns={"anchor_date": "last_date", "due_km": "plan_km"}
    )
    dates = _dates(log, rows, readings if use is None else use, confidence)
    for end in ENDS:
        shown = np.where(rows["is_showing"], rows["shown"], dates[f"reminder_{end}"])
        dates[f"reminder_{end}"] = pd.to_datetime(pd.Series(shown, rows.index))
        dates[f"drift_{end}"] = (dates[f"reminder_{end}"] - dates[f"plan_{end}"]).dt.days
    drift = dates[[f"drift_{end}" for end in ENDS]]
    rows = rows.assign(
        **{name: dates[name] for name in ("plan_date", "reminder_date")},
        **{
            "drift_days": drift["drift_date"],
            "drift_low_days": drift.min(axis=1),
            "drift_high_days": drift.max(axis=1),
        },
        **{
            "plan_odometer_km": rows["due_odometer_km"],
            "drift_km": rows["reminder_km"] - rows["plan_km"],
        },
    )
    kept = [
        "vehicle",
        "task",
        "last_date",
        "restarted",
        "is_showing",
        "plan_date",
        "plan_km",
        "plan_odometer_km",
        "reminder_date",
    ]
    kept += ["reminder_km", "drift_days", "drift_low_days", "drift_high_days", "drift_km"]
    rows = rows.sort_values(
        ["drift_days", "vehicle"], ascending=[False, True], kind="stable"
    ).drop_duplicates("vehicle")
    return rows[kept].reset_index(drop=True)


def _dash(seen, path):
    """Where each vehicle's reminder stands: its last restart, what it counts down from there, and when it has shown since."""
    begun = (
        seen[seen["event"] == "restarted"]
        .drop_duplicates("vehicle", keep="last")
        .reset_index(drop=True)
    )
    at = usage.distance_of(path, begun["vehicle"], begun["date"], begun["odometer_km"])[
        "distance_km"
    ]
    shown = seen[seen["event"] == "shown"].merge(
        begun[["vehicle", "date"]], on="vehicle", how="left", suffixes=("", "_begun")
    )
    first = shown[~(shown["date"] < shown["date_begun"])].groupby("vehicle")["date"].min()
    dash = begun.assign(restarted=begun["date"], reminder_km=at + begun["span_distance_km"])
    dash["reminder_day"] = days_later(begun["date"], begun["span_days"])
    dash = dash.merge(first.rename("shown").reset_index(), on="vehicle", how="outer")
    dash["is_showing"] = dash["shown"].notna()
    return dash[
        [
            "vehicle",
            "restarted",
            "reminder_km",
            "reminder_day",
            "span_distance_km",
            "span_days",
            "shown",
            "is_showing",
        ]
    ]


def _stands_for(now, found, seen, dash):
    """The open occasions of the task that each reminder stands for, with what the dash tells."""
    restarts = (
        seen.loc[seen["event"] == "restarted", ["vehicle", "date"]]
        .drop_duplicates()
        .rename(columns={"date": "done_date"})
    )
    did = (
        found[["vehicle", "task", "done_date"]]
        .drop_duplicates()
        .merge(restarts, on=["vehicle", "done_date"])
    )
    times = did.groupby(["vehicle", "task"], observed=True).size().rename("times").reset_index()
    rows = (
        now.merge(dash, on="vehicle")
        .merge(times, on=["vehicle", "task"], how="left")
        .fillna({"times": 0})
    )
    by_km, by_days = (
        rows["span_distance_km"] / rows["interval_km"],
        rows["span_days"] / rows["interval_days"],
    )
    apart = [np.abs(np.log(ratio.where(ratio > 0))) for ratio in (by_km, by_days)]
    rows = rows.assign(
        apart=pd.concat(apart, axis=1).mean(axis=1).fillna(np.inf),
        is_lesser=rows["action"] != "replace",
    )
    rows = rows.sort_values(
        ["vehicle", "times", "apart", "is_lesser", "task"],
        ascending=[True, False, True, True, True],
        kind="stable",
    )
    chosen = rows.drop_duplicates("vehicle")[["vehicle", "task"]]
    return rows.merge(chosen, on=["vehicle", "task"]).reset_index(drop=True)


def _dates(log, rows, use, confidence):
    """Due by the plan and shown by the reminder: columns `plan_` and `reminder_` with date, low, high; the earlier of day and distance."""
    fleet, stays = log.tables["vehicles"][["vehicle", "kind", "site"]], log.tables["layups"]
    vehicle, km = (
        pd.concat([rows["vehicle"]] * 2, ignore_index=True),
        pd.concat([rows["plan_km"], rows["reminder_km"]], ignore_index=True),
    )
    ask = km.notna()
    told = forecast_dates(use, fleet, vehicle[ask], km[ask], log.as_of, confidence, stays).reindex(
        km.index
    )
    parts = (
        (rows["due_date"], told.iloc[: len(rows)]),
        (rows["reminder_day"], told.iloc[len(rows) :].set_axis(rows.index)),
    )
    dates = {}
    for name, (day, reached) in zip(("plan", "reminder"), parts, strict=True):
        dates |= {
            f"{name}_{end}": pd.concat([day, reached[end]], axis=1).min(axis=1) for end in ENDS
        }
    return pd.DataFrame(dates, index=rows.index)
