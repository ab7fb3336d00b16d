"""What the action list is made of: open things, wear, tyres, warranties and tasks, as its rows."""

import numpy as np
import pandas as pd

from wearbar import intervals, parts, usage
from wearbar.intervals import FORECAST_DAYS, GRAVE, STALE_DAYS
from wearbar.intervals.failed import FAILED_TEST
from wearbar.log.keys import stacked
from wearbar.outlook.action_frame import DANGER
from wearbar.usage.forecast import forecast_dates

_OF_STATE = {
    "past-window": "overdue",
    "due": "due",
    "in-window": "may be done",
    "not-known": "not known",
    "before-window": "coming",
}
# states of wear at which nothing is left to go by, or perhaps nothing
_OF_WEAR = {
    "limit-not-known": "check before use",
    "below-legal": "at its limit",
    "below": "at its limit",
    "may-be-below": "measure now",
    "before-next-look": "coming",
}


def of_items(table, log, readings, until):
    """Open defects, findings, certificates, recalls, re-checks and deferrals."""
    rows = table[table["is_open"]].reset_index(drop=True)
    grade, state, due = rows["grade"], rows["state"], rows["due_date"]
    ahead, past = due.gt(log.as_of), state.eq("past-window")
    defect, finding, certificate, campaign, recheck, deferral = (
        rows["what"].eq(what)
        for what in ("defect", "finding", "certificate", "campaign", "recheck", "deferral")
    )
    stops = {
        FAILED_TEST: finding & grade.eq(FAILED_TEST),
        **{g: (defect | finding) & grade.eq(g) for g in GRAVE},
        "expired": certificate & past,
        "stop": campaign & rows["stops"],
    }
    urgency = {
        "do not drive": np.logical_or.reduce(list(stops.values())),
        "safety recall": campaign & grade.eq("safety-recall"),
        "failed": finding,
        "at the next visit": defect | deferral & due.isna() & rows["due_km"].isna(),
        "ends soon": (certificate | campaign) & ahead & due.le(_soon(log)),
        "recall": campaign & ~ahead,
        "deferral ended": deferral & past,
        "overdue": recheck & past,
        "due": recheck & state.eq("due"),
        "not known": recheck & state.eq("not-known") & rows["days_open"].le(STALE_DAYS),
        "coming": deferral
        | recheck & state.ne("not-known")
        | campaign
        | certificate & due.le(until),
    }
    text = log.tables["defects"].set_index("defect")["text"]
    rows = rows.assign(
        urgency=np.select(list(urgency.values()), list(urgency), ""),
        kind=rows["what"],
        issued_date=rows["early_date"],
        reason=np.select(list(stops.values()), list(stops), ""),
        title=rows["item"].map(text).where(deferral),
        due_odometer_km=usage.odometer_of(readings, rows["vehicle"], rows["due_km"]).to_numpy(),
    )
    now = rows["urgency"].isin([*DANGER, "failed"]) | rows["urgency"].eq("safety recall") & ~ahead
    by = due.mask(now, log.as_of).mask(rows["urgency"].eq("at the next visit"))
    by = by.mask((recheck | deferral) & by.isna() & past, log.as_of)
    return rows.assign(by=by)[rows["urgency"].ne("")]


def _soon(log):
    return log.as_of + pd.Timedelta(days=FORECAST_DAYS)


def of_wear(worn, log, until):
    """Fitted parts at or near their limit."""
    ahead = worn["state"].eq("before-next-look")
    near = worn["state"].isin(list(_OF_WEAR)) & (~ahead | worn["date_low"].le(until))
    here = worn["vehicle"].isin(log.tables["vehicles"]["vehicle"])
    rows = worn.assign(by_date=worn["date_low"].where(ahead, log.as_of))[near & here]
    rows = rows.reset_index(drop=True)
    by_reading = rows["by"].eq("reading")
    off = rows["state"].eq("below-legal") & by_reading
    # the other limit of a straight line; a part judged by its reading has none
    other = 2 * rows["now_height"] - rows["now_low"]
    rows = rows.assign(
        urgency=rows["state"].map(_OF_WEAR).mask(off, "do not drive"),
        reason=np.where(off, "below-legal", ""),
        kind="wear",
        text=rows["item"],
        item=rows["category"],
        position=rows["last_position"],
        place=rows["last_place"],
        last=rows["last_height"],
        value=rows["now_height"],
        low=np.fmin(rows["now_low"], other).mask(by_reading),
        high=np.fmax(rows["now_low"], other).mask(by_reading),
        read_date=rows["last_read"],
        margin=rows["legal_margin"].fillna(rows["margin"]),
        is_forecast=~by_reading,
        by=rows["by_date"],
    )
    read = log.si("measurements").rename(columns={"date": "read_date"})
    read["height"] = read["value"].mask(read["quantity"].eq("elongation"), -read["value"])
    read = read[read["quantity"].isin(["depth", "thickness", "elongation"])]
    read = read.sort_values("height", kind="stable")  # the most worn first
    return _with_line(rows, read, "measurements", ["position", "category", "read_date"], "first")


def _with_line(rows, table, name, keys, keep="last"):
    """The rows with the line of the log's table that says so, found by vehicle and `keys`."""
    keys = ["vehicle", *keys]
    lines = table.rename_axis("line").reset_index().assign(table=name)
    lines = lines.drop_duplicates(keys, keep=keep)[[*keys, "table", "line"]]
    return rows.merge(lines, on=keys, how="left")


def of_tyres(log):
    """Tyres whose cold pressure or age is out of the limits of the log, its plan or the law."""
    read, keys = log.tables["measurements"], ["position", "date"]
    read = read[read["quantity"].eq("pressure")]
    made = log.tables["fitted"].assign(date=log.tables["fitted"]["made"])
    soft = _with_line(parts.soft_tyres(log), read, "measurements", keys)
    old = _with_line(parts.old_tyres(log), made, "fitted", keys)
    rows = stacked([soft.assign(kind="pressure"), old.assign(kind="age")])
    return rows.assign(
        urgency="out of limits",
        item="tyre",
        category="tyre",
        text=rows["source"],
        last=rows["value"],
        read_date=rows["date"],
        by=log.as_of,
    )


def of_warranties(log, readings, use, until):
    """Warranties that end within the days ahead, by date or by distance."""
    v = log.si("vehicles").rename_axis("line").reset_index()
    day = v["warranty_until"].where(v["warranty_until"] >= log.as_of)
    asked = v[v["warranty_odometer_km"].notna()]
    if len(asked):
        path, today = usage.path_of(readings), pd.Series(log.as_of, asked.index)
        end = usage.to_cumulative(path, asked["vehicle"], today, asked["warranty_odometer_km"])
        here = usage.distance_at(path, asked["vehicle"], today)["low_km"]
        gone = asked.index[~(end > here).to_numpy(dtype=bool)]
        left, fleet = asked.drop(gone), v[["vehicle", "kind", "site"]]
        end = end[left.index]
        told = forecast_dates(
            use, fleet, left["vehicle"], end, log.as_of, 0.9, log.tables["layups"]
        )["date"]
        day = (
            pd.concat([day, told.reindex(v.index)], axis=1).min(axis=1).drop(gone).reindex(v.index)
        )
    rows = v.assign(by=day, due_date=day)[day.le(until)]
    urgency = np.where(rows["by"].le(_soon(log)), "ends soon", "coming")
    return rows.assign(urgency=urgency, kind="warranty", item="warranty", table="vehicles")


def of_tasks(found, log, use, confidence, until):
    """Open work that is overdue, due, may be done, is not known, or comes due by `until`."""
    tasks = intervals.open_tasks(found, log, use, confidence)
    tasks = tasks[tasks["state"].ne("before-window") | tasks["expected_date"].le(until)]
    by = tasks["expected_date"].fillna(tasks["due_date"])
    is_past = tasks["state"].isin(["past-window", "due"])
    rows = tasks.assign(
        urgency=tasks["state"].map(_OF_STATE),
        kind="task",
        item=tasks["task"],
        by=by.mask(is_past & ~(by <= log.as_of), log.as_of),
        driven_km=tasks["driven_past_km"],
        due_hours=tasks["due_meter_hours"],
        from_first_use=tasks["is_laid_up"] & ~tasks["before_next_use"],
    )
    work = log.tables["work"].rename(columns={"task": "item", "date": "anchor_date"})
    return _with_line(rows.reset_index(drop=True), work, "work", ["item", "anchor_date"])
