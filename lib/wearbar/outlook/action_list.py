"""The action list: every thing to do on a log's vehicles, ranked once.

Index, Today's list, the outlook's first visits, calendar, visit sheet and findings.json all take
it from here, so that a danger on one page is on every page. What is said of a row stands in
`wording.actionlist`.
"""

import numpy as np
import pandas as pd

from wearbar import intervals, usage
from wearbar import parts as spans
from wearbar import parts as wear
from wearbar.intervals import FORECAST_DAYS
from wearbar.outlook.action_frame import DANGER, FLAGS, PRESSING, REASONS, TASK, TYPES, URGENCY
from wearbar.outlook.action_sources import of_items, of_tasks, of_tyres, of_warranties, of_wear

__all__ = ["DANGER", "PRESSING", "URGENCY", "actions", "task_rows", "worn_of"]

BRAKES_AND_TYRES = ("brake", "tyre")


def actions(
    log,
    found=None,
    table=None,
    readings=None,
    worn=None,
    use=None,
    confidence=0.9,
    days=FORECAST_DAYS,
):
    """Every thing to do, ranked: one row each, rank 1 the most urgent.

    urgency: one of `URGENCY`. vehicle, site, position ("" none), kind: defect, finding (a failed
    inspection or test), certificate, campaign, deferral, recheck, task, wear, pressure, age,
    warranty; item: its number, task or category; title: a task's name; reason: why it is not to be
    driven. by: the day by which it is to be done: the report date where that is now, NaT where no
    day is given. is_laid_up: to be done before the next use.
    from_first_use: it fell due in storage, and over_days count from the first use after it. near_work,
    near_date: of a task, work that may be it by its name. due_hours: as the meter shows. due_, expected_, low_, high_, over_,
    overrun_: as of `intervals.occasions`; days_open, driven_km: as of `intervals.items`.
    Of wear: quantity, value (low, high: limits of a forecast, is_forecast), last, read_date and
    place of the last reading, limit, legal_limit, jurisdiction, margin (mm or % to the limit).
    Of pressure and age: value, limit (kPa, years), read_date (of an age the day of make), text
    their source. hours, parts: what the plan says that it takes. table, line: the row of the log
    it rests on.

    found, table: `intervals.occasions` and `intervals.items` of the log. worn: `wear.remaining` of
    fitted parts, of these vehicles or more. use: the `UsageModel` to forecast by. days: how far
    ahead work, certificates, recalls and warranties are listed. What is not given is worked out.
    Ranks: trade practice, no source.
    """
    readings = usage.readings(log) if readings is None else readings
    found = intervals.occasions(log, readings) if found is None else found
    table = intervals.items(log, found, readings) if table is None else table
    worn = worn_of(log, readings, confidence)[1] if worn is None else worn
    use = readings if use is None else use
    until = log.as_of + pd.Timedelta(days=days)
    rows = [of_items(table, log, readings, until), of_wear(worn, log, until), of_tyres(log)]
    rows += [of_warranties(log, readings, use, until), of_tasks(found, log, use, confidence, until)]
    rows = [_typed(r) for r in rows]
    rows = pd.concat([r for r in rows if len(r)] or rows[:1], ignore_index=True)
    here = log.tables["vehicles"].loc[lambda v: ~(v["disposed"] <= log.as_of), "vehicle"]
    rows = rows[rows["vehicle"].isin(here)].reset_index(drop=True)
    site = usage.site_at(log, rows["vehicle"], np.repeat(log.as_of.to_datetime64(), len(rows)))
    stays = log.tables["layups"]
    now = stays.loc[(stays["from"] <= log.as_of) & ~(stays["to"] < log.as_of), "vehicle"]
    laid_up = rows["vehicle"].isin(now) | rows["before_next_use"]
    rows = rows.assign(site=site.fillna("").to_numpy(), is_laid_up=laid_up)
    return _ranked(_with_plan(rows, log))


def worn_of(log, readings=None, confidence=0.9):
    """(`wear.Wear` of the log, `wear.remaining` of its parts now on)."""
    readings = usage.readings(log) if readings is None else readings
    looks = spans.looks_of(log, readings)
    lines = wear.wear_of(spans.spans_of(log, readings=readings), looks, wear.law_of(log))
    return lines, wear.remaining(
        lines, log.as_of, usage.daily_rate(readings, log.as_of), confidence
    )


def task_rows(rows):
    """The rows that are tasks, as frame `what` ("task"), `task` and what `actions` says of them."""
    tasks = rows[rows["kind"].eq("task")].rename(columns={"kind": "what", "item": "task"})
    return tasks[["what", "task", *TASK]]


def _typed(rows):
    flags = {
        name: rows[name].fillna(False).astype(bool) if name in rows else False for name in FLAGS
    }
    return (
        rows.assign(**flags)
        .reindex(columns=list(TYPES))
        .astype(TYPES)
        .fillna({"position": "", "reason": ""})
    )


def _ranked(rows):
    """By urgency; in use before laid up; then why it may not be driven, or what of wear fails first
    and by how much, or whether overdue work bears on safety; then the day."""
    is_wear, danger = rows["kind"].eq("wear"), rows["urgency"].isin(DANGER)
    others = ~rows["category"].fillna("").str.startswith(BRAKES_AND_TYRES)
    keys = {
        "urgency": rows["urgency"].map({name: at for at, name in enumerate(URGENCY)}),
        "laid_up": rows["is_laid_up"] & danger,
        "reason": rows["reason"]
        .map({name: at for at, name in enumerate(REASONS)})
        .fillna(len(REASONS)),
        "forecast": rows["is_forecast"] & is_wear,
        "fails": others & is_wear,
        "margin": rows["margin"].where(is_wear).fillna(rows["value"] / rows["limit"]),
        "grave": ~(rows["safety"] | rows["statutory"]) & rows["urgency"].isin(["overdue", "due"]),
        "day": rows["due_date"].where(
            danger | ~rows["urgency"].isin(["coming", "may be done", "not known"]), rows["by"]
        ),
    }
    keys = pd.DataFrame(keys).assign(
        **{c: rows[c].astype(object) for c in ("vehicle", "kind", "item", "position")}
    )
    order = keys.sort_values(list(keys), kind="stable").index
    rows = rows.loc[order].reset_index(drop=True)
    return rows.assign(rank=np.arange(len(rows)) + 1)[["rank", *TYPES]]


def _with_plan(rows, log):
    """The rows with title, safety, statutory, hours and parts as the plan has them: of a worn part
    those of the work that renews it."""
    if log.plan is None or rows.empty:
        return rows.assign(title=rows["title"].fillna(rows["item"]))
    tasks = log.plan.tasks
    now = (tasks["valid_from"].isna() | (tasks["valid_from"] <= log.as_of)) & ~(
        tasks["valid_to"] < log.as_of
    )
    tasks = tasks[now].drop_duplicates(["plan", "code"], keep="last")
    renews = tasks[tasks["action"].eq("replace")].drop_duplicates(["plan", "fits"])
    by_code = tasks.set_index(["plan", "code"])
    by_part = renews.set_index(["plan", "fits"])
    own = rows["vehicle"].map(log.plan.assign(log.tables["vehicles"]))
    key = pd.MultiIndex.from_arrays([own, rows["item"]])
    names = ["title", "safety", "statutory", "hours", "parts"]
    of_task, of_part = (t[names].reindex(key).set_axis(rows.index) for t in (by_code, by_part))
    is_wear = rows["kind"].eq("wear")
    told = of_task.where(~is_wear, of_part.assign(title=np.nan))
    return rows.assign(
        title=rows["title"].fillna(told["title"]).fillna(rows["item"]),
        hours=told["hours"].astype(float),
        parts=[_parts(p) for p in told["parts"]],
        **{name: rows[name] | told[name].eq(True) for name in ("safety", "statutory")},
    )


def _parts(parts):
    """Parts of the plan in words: what, how much."""
    if not isinstance(parts, tuple):
        return ""
    return ", ".join(f"{p['quantity']:g} {p['unit']} {p['item']}".replace("  ", " ") for p in parts)
