"""How far a dashboard's own service reminder has drifted from the plan: it counts from when it was
last restarted, the plan from the work, and only the plan's day counts (common practice, no source).
"""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.usage.distance import days_later
from wearbar.usage.forecast import ENDS, due_dates, model_of

COLUMNS = """
    vehicle task last_date restarted is_showing plan_date plan_km plan_odometer_km reminder_date
    reminder_km drift_days drift_low_days drift_high_days drift_km
"""


def reminder_drift(log, found, readings, confidence=0.9, use=None):
    """The plan's next due point beside the reminder's: one row a vehicle on the road whose reminder
    was seen and is in the plan.

    task: what the reminder stands for, the one done most often on the days it was restarted, of
    several the one whose interval is nearest to its own, replacing before inspecting; last_date:
    when that was last done. is_showing: the reminder has run over since `restarted`, and was seen
    to. plan_date, plan_km: due by the plan, the earlier of its date and the day its distance is
    reached (by readings, or the forecast's median); plan_odometer_km: as the instrument shows it.
    reminder_date, reminder_km: the same of the reminder; where it is showing, the day it was first
    seen to. drift_days (with limits by the forecasts', drift_low_, drift_high_), drift_km: the
    reminder's less the plan's, positive where it comes too late. The latest reminder first; those
    that are not known last. use: as of `open_tasks`; None: readings.
    """
    seen = log.si("dash_events").dropna(subset=["date"])
    seen = seen.sort_values(["vehicle", "date", "event"], kind="stable")
    rows = _stands_for(found, seen, _dash(seen, usage.path_of(readings)))
    names = {"anchor_date": "last_date", "due_km": "plan_km", "due_odometer_km": "plan_odometer_km"}
    rows = rows.rename(columns=names)
    days = {}
    use = readings if use is None else use
    model = model_of(use, log)
    for name, day in (("plan", "due_date"), ("reminder", "reminder_day")):
        point = {"due_km": rows[f"{name}_km"], "due_hours": np.nan, "due_date": rows[day]}
        asked = rows[["vehicle"]].assign(**point)
        days[name] = due_dates(model, asked, confidence)
    days["reminder"] = days["reminder"].where(~rows["is_showing"], rows["shown"], axis=0)
    drift = pd.DataFrame({e: (days["reminder"][e] - days["plan"][e]).dt.days for e in ENDS})
    rows = rows.assign(
        plan_date=days["plan"]["date"],
        reminder_date=days["reminder"]["date"],
        drift_days=drift["date"],
        drift_low_days=drift.min(axis=1),
        drift_high_days=drift.max(axis=1),
        drift_km=rows["reminder_km"] - rows["plan_km"],
    )
    order = {"by": ["drift_days", "vehicle"], "ascending": [False, True]}
    rows = rows.sort_values(**order, kind="stable").drop_duplicates("vehicle")
    return rows[COLUMNS.split()].reset_index(drop=True)


def _dash(seen, path):
    """Where each vehicle's reminder stands: its last restart, what it counts down from there, and
    when it has shown since."""
    dash = seen[seen["event"] == "restarted"].drop_duplicates("vehicle", keep="last")
    dash = dash.rename(columns={"date": "restarted"}).reset_index(drop=True)
    km = usage.distance_of(path, dash["vehicle"], dash["restarted"], dash["odometer_km"])
    dash["reminder_km"] = km["distance_km"] + dash["span_distance_km"]
    dash["reminder_day"] = days_later(dash["restarted"], dash["span_days"])
    shown = seen.loc[seen["event"] == "shown", ["vehicle", "date"]]
    shown = shown.merge(dash[["vehicle", "restarted"]], on="vehicle", how="left")
    first = shown[~(shown["date"] < shown["restarted"])].groupby("vehicle")["date"].min()
    dash = dash.merge(first.rename("shown").reset_index(), on="vehicle", how="outer")
    names = ["vehicle", "restarted", "span_distance_km", "span_days", "reminder_km", "reminder_day"]
    return dash[[*names, "shown"]].assign(is_showing=dash["shown"].notna())


def _stands_for(found, seen, dash):
    """The open occasions of the task that each reminder stands for, with what the dash tells."""
    key, now = ["vehicle", "task"], found[found["is_current"] & (found["state"] != "not-finished")]
    restarts = seen.loc[seen["event"] == "restarted", ["vehicle", "date"]].drop_duplicates()
    restarts = restarts.rename(columns={"date": "done_date"})
    did = found[[*key, "done_date"]].drop_duplicates().merge(restarts, on=["vehicle", "done_date"])
    times = did.groupby(key, observed=True).size().rename("times").reset_index()
    rows = now.merge(dash, on="vehicle").merge(times, on=key, how="left").fillna({"times": 0})
    ratios = rows[["span_distance_km", "span_days"]]
    ratios = ratios / rows[["interval_km", "interval_days"]].to_numpy()
    apart = np.log(ratios.where(ratios > 0)).abs().mean(axis=1).fillna(np.inf)
    rows = rows.assign(apart=apart, is_lesser=rows["action"] != "replace")
    order = ["vehicle", "times", "apart", "is_lesser", "task"]
    rows = rows.sort_values(order, ascending=[True, False, True, True, True], kind="stable")
    return rows.merge(rows.drop_duplicates("vehicle")[key], on=key).reset_index(drop=True)
