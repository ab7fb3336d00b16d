"""The action list: every thing to do on a log's vehicles, ranked once.

Index, Today's list, the outlook's first visits, calendar, visit sheet and findings.json all take it
from here, so that a danger on one page is on every page. What is said of a row stands in
`words.action_pages`.
"""

import numpy as np
import pandas as pd

from wearbar import intervals, usage
from wearbar.intervals import FORECAST_DAYS
from wearbar.log.keys import stacked
from wearbar.outlook import action_sources as sources
from wearbar.outlook.action_sources import DANGER, FLAGS, PRESSING, REASONS, TYPES, URGENCY
from wearbar.outlook.parts import worn_of
from wearbar.usage.forecast import model_of

__all__ = ["DANGER", "PRESSING", "URGENCY", "actions", "worn_of"]

OF_PLAN = ["title", "safety", "statutory", "hours", "parts"]


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
    """Every thing to do, ranked: one row each, rank 1 the most urgent. Columns: `TYPES`.

    urgency: one of `URGENCY`. position: "" none. kind: defect, finding (a failed inspection or
    test), certificate, campaign, deferral, recheck, task, wear, pressure, age, warranty; item: its
    number, task or category; reason: why it is not to be driven. by: the day by which it is to be
    done: the report date where that is now, NaT where no day is given. is_laid_up: to be done
    before the next use. from_first_use: it fell due in storage, and over_days count from the first
    use after it. near_work, near_date: work that may be the task by its name. due_hours: as the
    meter shows. due_, expected_, low_, high_, over_, overrun_: of `intervals.occasions`; days_open,
    driven_km: of `intervals.items`. Of wear: value (low, high: limits of a forecast, is_forecast),
    last, read_date and place of the last reading, margin (mm or % to the limit). Of pressure and
    age: value, limit (kPa, years), read_date (of an age the day of make), text their source. hours,
    parts: what the plan says that it takes. table, line: the row of the log.

    found, table: `intervals.occasions` and `intervals.items` of the log. worn: `parts.remaining` of
    these vehicles or more. use: the `UsageModel` to forecast by. days: how far ahead to list. What
    is not given is worked out. Ranks: trade practice, no source.
    """
    readings = usage.readings(log) if readings is None else readings
    found = intervals.occasions(log, readings) if found is None else found
    table = intervals.items(log, found, readings) if table is None else table
    worn = worn_of(log, readings, confidence)[1] if worn is None else worn
    fleet, stays = log.tables["vehicles"][["vehicle", "kind", "site"]], log.tables["layups"]
    use = model_of(readings if use is None else use, fleet, log.as_of, stays)
    until = log.as_of + pd.Timedelta(days=days)
    rows = [
        sources.of_items(table, log, readings, until),
        sources.of_wear(worn, log, until),
        sources.of_tyres(log),
        sources.of_warranties(log, readings, use, until),
        sources.of_tasks(found, log, use, confidence, until),
    ]
    rows = stacked([_typed(r) for r in rows])
    rows = rows[rows["vehicle"].isin(log.here)].reset_index(drop=True)
    laid_up = rows["vehicle"].isin(log.layups_now["vehicle"]) | rows["before_next_use"]
    site = usage.site_at(log, rows["vehicle"], log.as_of).fillna("")
    return _ranked(_with_plan(rows.assign(site=site, is_laid_up=laid_up), log))


def _typed(rows):
    rows = rows.reindex(columns=list(TYPES))
    rows = rows.assign(**{name: rows[name].eq(True) for name in FLAGS})
    return rows.astype(TYPES).fillna({"position": "", "reason": ""})


def _with_plan(rows, log):
    """The rows with what the plan says of their task, or of the work that renews a worn part."""
    tasks = log.plan_or_empty.in_force(log.as_of).drop_duplicates(["plan", "code"], keep="last")
    renews = tasks[tasks["action"].eq("replace")].drop_duplicates(["plan", "fits"])
    of_task, of_part = tasks.set_index(["plan", "code"]), renews.set_index(["plan", "fits"])
    at = rows[["item"]].assign(plan=log.plan_for(rows["vehicle"]))
    told, of_part = (at.join(t[OF_PLAN], on=["plan", "item"]) for t in (of_task, of_part))
    told = told.where(~rows["kind"].eq("wear"), of_part.assign(title=np.nan))
    return rows.assign(
        title=rows["title"].fillna(told["title"]).fillna(rows["item"]),
        hours=told["hours"].astype(float),
        parts=[_in_words(p) for p in told["parts"]],
        **{name: rows[name] | told[name].eq(True) for name in ("safety", "statutory")},
    )


def _in_words(parts):
    """Parts of the plan: what, how much."""
    if not isinstance(parts, tuple):
        return ""
    return ", ".join(f"{p['quantity']:g} {p['unit']} {p['item']}".replace("  ", " ") for p in parts)


def _ranked(rows):
    """By urgency; in use before stored; then why it may not be driven, or what of wear fails first
    and by how much, or whether overdue work bears on safety; then the day."""
    urgency, is_wear = rows["urgency"], rows["kind"].eq("wear")
    danger, is_near = urgency.isin(DANGER), urgency.isin(["coming", "may be done", "not known"])
    brakes_and_tyres = rows["category"].fillna("").str.startswith(("brake", "tyre"))
    reason = pd.Index(REASONS).get_indexer(rows["reason"])
    keys = {
        "urgency": pd.Categorical(urgency, URGENCY).codes,
        "laid_up": rows["is_laid_up"] & danger,
        "reason": np.where(reason < 0, len(REASONS), reason),
        "forecast": rows["is_forecast"] & is_wear,
        "fails": ~brakes_and_tyres & is_wear,
        "margin": rows["margin"].where(is_wear).fillna(rows["value"] / rows["limit"]),
        "grave": ~(rows["safety"] | rows["statutory"]) & urgency.isin(["overdue", "due"]),
        "day": rows["due_date"].where(danger | ~is_near, rows["by"]),
    }
    keys |= {c: rows[c].astype(object) for c in ("vehicle", "kind", "item", "position")}
    order = pd.DataFrame(keys).sort_values(list(keys), kind="stable").index
    rows = rows.loc[order].reset_index(drop=True)
    return rows.assign(rank=np.arange(len(rows)) + 1)[["rank", *TYPES]]
