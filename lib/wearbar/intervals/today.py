"""What is due today and soon: what must not be driven, the list of work, and what was put off."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.forecast import due_dates
from wearbar.intervals.item import GRAVE
from wearbar.intervals.rates import over_due

__all__ = ["FORECAST_DAYS", "by_vehicle", "due_list", "must_not_drive", "put_off", "untold"]

FORECAST_DAYS = 60
NO_RECORD = "no earlier record"
_TEXT = pd.StringDtype("pyarrow", na_value=np.nan)
GUARDED = ("defects", "certificates", "campaigns")  # tables without which a danger can't be seen
_STATES = ("past-window", "due", "in-window", "not-known")
_SOON = "before-window"


def untold(log):
    """Of the tables that tell of danger, those that the log does not have, or holds no usable row of: neither shows that there is none."""
    used = log.ledger.set_index("table")["used"].reindex(GUARDED).fillna(0)
    return [name for name in GUARDED if name not in log.present or not used[name]]


def must_not_drive(table, log):
    """What stands in the way of driving: open off-road and before-next-use defects, expired certificates, open safety recalls.

    table: of `items`. Frame as `items` with `reason` (off-road, before-next-use, expired-certificate, safety-recall) and `is_laid_up`,
    whether the vehicle is laid up on the log's day; the gravest and oldest first.
    """
    is_open = table[table["is_open"]]
    lapsed = is_open["what"].eq("certificate") & is_open["state"].eq("past-window")
    recall = is_open["what"].eq("campaign") & is_open["grade"].eq("safety-recall")
    grave = is_open["what"].eq("defect") & is_open["grade"].isin(GRAVE)
    reason = is_open["grade"].where(grave | recall, "expired-certificate")
    stays = log.tables["layups"]
    now = stays[(stays["from"] <= log.as_of) & ~(stays["to"] < log.as_of)]
    rows = is_open.assign(reason=reason, is_laid_up=is_open["vehicle"].isin(now["vehicle"]))[grave | recall | lapsed]
    rank = rows["reason"].map({name: at for at, name in enumerate([*GRAVE, "expired-certificate", "safety-recall"])})
    return rows.assign(rank=rank).sort_values(["rank", "due_date"], kind="stable").drop(columns="rank").reset_index(drop=True)


def put_off(log):
    """Why work was put off: frame `reason, n, vehicles`, the commonest first."""
    d = log.tables["deferrals"]
    found = d.groupby("reason")["vehicle"].agg(["size", "nunique"]).reset_index()
    return found.set_axis(["reason", "n", "vehicles"], axis=1).sort_values(["n", "reason"], ascending=[False, True], ignore_index=True)


def due_list(found, table, log, readings, confidence=0.9, days=FORECAST_DAYS, use=None):
    """Today's list: one row a thing to do, what must not be driven first, then overdue, due, may be done, not known, and what is coming.

    Frame `order, vehicle, site, task, position, state, first_limit, due_date, due_odometer_km, over_days, over_km,
    over_hours, expected_date, low_date,
    high_date, note`. Coming: not yet due, and due by its date or by the forecast median within `days` of the log's day; low_date, high_date
    are the forecast's limits, never after the due date. use: the `UsageModel` to forecast by (as of `backtest.model_by_test`), or None for
    one of the readings alone, whose limits no back-test has widened. note: the log's text of a defect or recall, or NO_RECORD.
    """
    danger = must_not_drive(table, log)
    tasks = _tasks_now(found, log, readings if use is None else use, confidence, days)
    lesser = table[table["is_open"] & table["what"].isin(["recheck", "deferral", "certificate", "campaign"])]
    lesser = lesser[lesser["state"].isin(_STATES) & ~(lesser["what"].eq("recheck") & lesser["state"].eq("not-known"))]
    known = danger[["what", "vehicle", "item"]].apply(tuple, axis=1)
    lesser = lesser[~lesser[["what", "vehicle", "item"]].apply(tuple, axis=1).isin(set(known))]
    parts = [_as_rows(danger, danger["reason"], 0), _as_rows(lesser, lesser["what"], 1), tasks.assign(step=1, what="task")]
    parts = [p.reindex(columns=_COLUMNS) for p in parts if len(p)]
    if not parts:
        return pd.DataFrame(columns=[*_COLUMNS[1:], "site", "order"]).astype(_TYPES)
    rows = pd.concat([p.dropna(axis=1, how="all") for p in parts], ignore_index=True).reindex(columns=_COLUMNS).astype(_TYPES)
    rank = rows["state"].map({name: at for at, name in enumerate([*_STATES, _SOON])})
    is_danger = rows["step"] == 0
    by = rows["expected_date"].fillna(rows["due_date"]).mask(is_danger, log.first_day)
    rows = rows.assign(rank=np.where(is_danger, -len(rows) + np.arange(len(rows)), rank), by=by)
    rows = rows.sort_values(["rank", "by", "vehicle", "task"], kind="stable", ignore_index=True)
    site = usage.site_at(log, rows["vehicle"], np.repeat(log.as_of.to_datetime64(), len(rows)))
    return rows.drop(columns=["rank", "by", "step"]).assign(site=site, order=np.arange(len(rows)) + 1)


_COLUMNS = [
    *("step", "what", "vehicle", "task", "position", "state", "first_limit", "due_date", "due_odometer_km"),
    *("over_days", "over_km", "over_hours"),
    *("expected_date", "low_date", "high_date", "duty", "severe_due_km", "severe_due_date", "probably", "is_laid_up", "note"),
]
_TYPES = {c: "datetime64[ns]" for c in _COLUMNS if c.endswith("_date")}
_TYPES |= {c: float for c in _COLUMNS if c.endswith(("_km", "_days", "_hours"))}


def _tasks_now(found, log, use, confidence, days):
    """Open tasks that are overdue, due, may be done, are not known, or come due within `days`."""
    if "is_current" not in found:
        return found
    tasks = found[found["is_current"] & found["state"].isin([*_STATES, _SOON])]
    tasks = _with_forecast(tasks, log, use, confidence) if len(tasks) else tasks.assign(expected_date=pd.NaT)
    tasks = over_due(tasks).assign(note=np.where(tasks["basis"] == "unknown-history", NO_RECORD, None))
    return tasks[(tasks["state"] != _SOON) | (tasks["expected_date"] <= log.as_of + pd.Timedelta(days=days))]


def by_vehicle(rows):
    """The list with one row a vehicle and state: `tasks` said together, the earliest dates, the most past; items stay apart."""
    name, place, task = (rows[c].fillna("").astype(str) for c in ("vehicle", "position", "task"))
    apart = ~rows["what"].isin(["task", "recheck"])
    group = (name + " " + rows["note"].fillna("").astype(str)).mask(apart, rows["order"].astype(str) + " " + name)
    rows = rows.assign(group=group, position=place, task=task)
    said = rows.groupby(["group", "state", "task"], sort=False, observed=True)["position"].agg(", ".join).reset_index()
    said["tasks"] = said["task"].where(said["position"] == "", said["task"] + " (" + said["position"] + ")")
    by = rows.groupby(["group", "state"], sort=False, observed=True)
    first = [
        "order",
        "vehicle",
        "site",
        "what",
        "first_limit",
        "expected_date",
        "low_date",
        "high_date",
        "due_date",
        "due_odometer_km",
        "note",
    ]
    told = by[first].first()
    told["tasks"] = said.groupby(["group", "state"], sort=False)["tasks"].agg(", ".join)
    over = ["over_days", "over_km", "over_hours"]
    told[over], told["n"] = by[over].max(), by.size()
    told = told.astype({"tasks": _TEXT, "what": _TEXT, "note": _TEXT})
    return told.reset_index().sort_values("order", ignore_index=True).drop(columns="group")


def _as_rows(table, what, step):
    """Items as rows of the list."""
    past = table["days_open"].where(table["state"] == "past-window")
    return table.assign(step=step, what=what, task=table["item"], note=table["text"], over_days=past, over_km=table["driven_km"])


def _with_forecast(tasks, log, use, confidence):
    """Open occasions with the date that each is expected to fall due, and its limits."""
    fleet, stays = log.tables["vehicles"][["vehicle", "kind", "site"]], log.tables["layups"]
    told = due_dates(use, fleet, tasks, log.as_of, confidence, stays)
    return tasks.assign(expected_date=told["date"], low_date=told["low"], high_date=told["high"])
