"""What the action list is made of: open things, wear, tyres, warranties and tasks, as its rows."""

import numpy as np
import pandas as pd

from wearbar import intervals, parts, usage
from wearbar.intervals import FORECAST_DAYS, GRAVE, STALE_DAYS
from wearbar.intervals.failed import FAILED_TEST
from wearbar.outlook.action_frame import DANGER
from wearbar.usage.forecast import forecast_dates

__all__ = ["of_items", "of_tasks", "of_tyres", "of_warranties", "of_wear"]

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
    what, grade, state = rows["what"], rows["grade"], rows["state"]
    ahead, near = rows["due_date"].gt(log.as_of), rows["due_date"].le(until)
    soon = rows["due_date"].le(_soon(log))
    no_day = rows["due_date"].isna() & rows["due_km"].isna()
    is_recheck, is_defer = what.eq("recheck"), what.eq("deferral")
    stops = {
        FAILED_TEST: what.eq("finding") & grade.eq(FAILED_TEST),
        **{g: what.isin(["defect", "finding"]) & grade.eq(g) for g in GRAVE},
        "expired": what.eq("certificate") & state.eq("past-window"),
        "stop": what.eq("campaign") & rows["stops"],
    }
    urgency = {
        "do not drive": np.logical_or.reduce(list(stops.values())),
        "safety recall": what.eq("campaign") & grade.eq("safety-recall"),
        "failed": what.eq("finding"),
        "at the next visit": what.eq("defect") | is_defer & no_day,
        "ends soon": what.isin(["certificate", "campaign"]) & ahead & soon,
        "recall": what.eq("campaign") & ~ahead,
        "deferral ended": is_defer & state.eq("past-window"),
        "overdue": is_recheck & state.eq("past-window"),
        "due": is_recheck & state.eq("due"),
        "not known": is_recheck & state.eq("not-known") & rows["days_open"].le(STALE_DAYS),
        "coming": is_defer
        | is_recheck & state.ne("not-known")
        | what.eq("campaign")
        | what.eq("certificate") & near,
    }
    rows = rows.assign(
        urgency=np.select(list(urgency.values()), list(urgency), ""),
        kind=what,
        issued_date=rows["early_date"],
        reason=np.select(list(stops.values()), list(stops), ""),
        title=rows["item"].map(log.tables["defects"].set_index("defect")["text"]).where(is_defer),
        due_odometer_km=usage.odometer_of(readings, rows["vehicle"], rows["due_km"]).to_numpy(),
    )
    now = rows["urgency"].isin([*DANGER, "failed"]) | rows["urgency"].eq("safety recall") & ~ahead
    by = rows["due_date"].mask(now, log.as_of).mask(rows["urgency"].eq("at the next visit"))
    by = by.where(~(is_recheck | is_defer) | by.notna() | ~state.eq("past-window"), log.as_of)
    return rows.assign(by=by)[rows["urgency"].ne("")]


def _soon(log):
    return log.as_of + pd.Timedelta(days=FORECAST_DAYS)


def of_wear(worn, log, until):
    """Parts now on at or near their limit."""
    rows = worn[worn["state"].isin(list(_OF_WEAR))].reset_index(drop=True)
    near = rows["state"].ne("before-next-look") | rows["date_low"].le(until)
    rows = rows[near & rows["vehicle"].isin(log.tables["vehicles"]["vehicle"])].reset_index(
        drop=True
    )
    by_reading = rows["by"].eq("reading")
    off = rows["state"].eq("below-legal") & by_reading
    urgency = rows["state"].map(_OF_WEAR).mask(off, "do not drive")
    # the other limit of a straight line; a part judged by its reading has none
    other = 2 * rows["now_height"] - rows["now_low"]
    return rows.assign(
        urgency=urgency,
        reason=np.where(off, "below-legal", ""),
        kind="wear",
        item=rows["category"],
        position=rows["last_position"],
        text=rows["item"],
        place=rows["last_place"],
        last=rows["last_height"],
        value=rows["now_height"],
        low=np.fmin(rows["now_low"], other).mask(by_reading),
        high=np.fmax(rows["now_low"], other).mask(by_reading),
        read_date=rows["last_read"],
        margin=rows["legal_margin"].fillna(rows["margin"]),
        is_forecast=~by_reading,
        by=rows["date_low"].mask(rows["state"].ne("before-next-look"), log.as_of),
    ).merge(_lines_read(log), on=["vehicle", "position", "category", "read_date"], how="left")


def of_tyres(log):
    """Tyres whose cold pressure or age is out of the limits of the log, its plan or the law."""
    soft, old = parts.soft_tyres(log), parts.old_tyres(log)
    rows = [t.assign(kind=kind) for t, kind in ((soft, "pressure"), (old, "age")) if len(t)]
    rows = pd.concat(rows, ignore_index=True) if rows else soft.assign(kind="")
    rows = rows.assign(
        urgency="out of limits",
        item="tyre",
        category="tyre",
        text=rows["source"],
        last=rows["value"],
        read_date=rows["date"],
        by=log.as_of,
    )
    keys = ["vehicle", "position", "date"]
    read = log.tables["measurements"]
    lines = {
        "measurements": read[read["quantity"].eq("pressure")],
        "fitted": log.tables["fitted"].assign(date=log.tables["fitted"]["made"]),
    }
    lines = [
        t.rename_axis("line").reset_index()[[*keys, "line"]].assign(table=name)
        for name, t in lines.items()
    ]
    lines = pd.concat(lines).drop_duplicates([*keys, "table"], keep="last")
    table = rows["kind"].map({"pressure": "measurements", "age": "fitted"})
    return rows.assign(table=table).merge(lines, on=[*keys, "table"], how="left")


def _lines_read(log):
    """The line of the most worn reading of each day, position and category."""
    m = log.si("measurements").rename_axis("line").reset_index()
    height = m["value"].where(~m["quantity"].eq("elongation"), -m["value"])
    m = m[m["quantity"].isin(["depth", "thickness", "elongation"])].assign(
        height=height, table="measurements"
    )
    keys = ["vehicle", "position", "category", "date"]
    m = m.sort_values("height", kind="stable").drop_duplicates(keys)
    return m[[*keys, "table", "line"]].rename(columns={"date": "read_date"})


def of_warranties(log, readings, use, until):
    """Warranties that end within the days ahead, by date or by distance."""
    v = log.si("vehicles").rename_axis("line").reset_index()
    day = v["warranty_until"].where(v["warranty_until"] >= log.as_of)
    by_km = v["warranty_odometer_km"].notna()
    if by_km.any():
        path, asked = usage.path_of(readings), v[by_km]
        km = usage.to_cumulative(
            path, asked["vehicle"], pd.Series(log.as_of, asked.index), asked["warranty_odometer_km"]
        )
        here = usage.distance_at(path, asked["vehicle"], pd.Series(log.as_of, asked.index))[
            "low_km"
        ]
        asked = asked.assign(km=km)[(km > here).to_numpy(dtype=bool)]
        told = forecast_dates(
            use,
            log.tables["vehicles"][["vehicle", "kind", "site"]],
            asked["vehicle"],
            asked["km"],
            log.as_of,
            0.9,
            log.tables["layups"],
        )
        gone = by_km & ~v.index.isin(asked.index)
        day = pd.concat([day, told["date"].reindex(v.index)], axis=1).min(axis=1).mask(gone)
    rows = v.assign(by=day, due_date=day)[day.le(until)]
    urgency = np.where(rows["by"].le(_soon(log)), "ends soon", "coming")
    return rows.assign(urgency=urgency, kind="warranty", item="warranty", table="vehicles")


def of_tasks(found, log, use, confidence, until):
    """Open work that is overdue, due, may be done, is not known, or comes due by `until`."""
    tasks = intervals.open_tasks(found, log, use, confidence)
    tasks = tasks[
        (tasks["state"] != "before-window") | (tasks["expected_date"] <= until)
    ].reset_index(drop=True)
    is_past = tasks["state"].isin(["past-window", "due"])
    by = tasks["expected_date"].fillna(tasks["due_date"])
    by = by.mask(is_past & ~(by <= log.as_of), log.as_of)
    rows = tasks.assign(
        urgency=tasks["state"].map(_OF_STATE), kind="task", item=tasks["task"], by=by
    )
    rows = rows.assign(
        driven_km=rows["driven_past_km"],
        due_hours=rows["due_meter_hours"],
        from_first_use=rows["is_laid_up"] & ~rows["before_next_use"],
    )
    return rows.merge(_lines_done(log), on=["vehicle", "item", "anchor_date"], how="left")


def _lines_done(log):
    """The line of the last doing of each task and day."""
    work = log.tables["work"].rename_axis("line").reset_index()
    work = work.rename(columns={"task": "item", "date": "anchor_date"}).assign(table="work")
    return work.drop_duplicates(["vehicle", "item", "anchor_date"], keep="last")[
        ["vehicle", "item", "anchor_date", "table", "line"]
    ]
