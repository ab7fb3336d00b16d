"""The action list: every thing to do on a log's vehicles, ranked once.

Index, Today's list, the outlook's first visits, calendar, visit sheet and findings.json all take
it from here, so that a danger on one page is on every page. What is said of a row stands in
`wording.actionlist`.
"""

import numpy as np
import pandas as pd

from wearbar import intervals, spans, usage, wear
from wearbar.forecast import forecast_dates
from wearbar.intervals import FORECAST_DAYS, GRAVE, STALE_DAYS
from wearbar.intervals.failed import FAILED_TEST
from wearbar.tables import TEXT

__all__ = ["DANGER", "PRESSING", "URGENCY", "actions", "task_rows", "worn_of"]

# the most urgent first; these are the words that are printed
URGENCY = (
    "do not drive", "check before use", "safety recall", "at its limit", "measure now",
    "out of limits", "failed", "overdue", "due", "deferral ended", "recall", "ends soon",
    "at the next visit", "may be done", "not known", "coming",
)  # fmt: skip
DANGER = URGENCY[:2]
PRESSING = URGENCY[: URGENCY.index("recall")]  # what a visit is made for today
# within "do not drive": the law's own test, what was found, papers, recalls, wear
_REASONS = (FAILED_TEST, *GRAVE, "expired", "stop", "below-legal")
_OF_STATE = {"past-window": "overdue", "due": "due", "in-window": "may be done",
             "not-known": "not known", "before-window": "coming"}  # fmt: skip
# states of wear at which nothing is left to go by, or perhaps nothing
_OF_WEAR = {"limit-not-known": "check before use", "below-legal": "at its limit",
            "below": "at its limit", "may-be-below": "measure now", "before-next-look": "coming"}  # fmt: skip
BRAKES_AND_TYRES = ("brake", "tyre")

_TEXTS = ("urgency", "vehicle", "site", "position", "kind", "item", "title", "reason", "text", "state",
          "basis", "duty", "probably", "first_limit", "category", "part_key", "quantity", "place",
          "jurisdiction", "parts", "table")  # fmt: skip
_DATES = ("by", "due_date", "issued_date", "expected_date", "low_date", "high_date", "severe_due_date",
          "read_date")  # fmt: skip
_NUMBERS = ("due_odometer_km", "due_hours", "overrun_km", "overrun_hours", "overrun_days", "over_days",
            "over_km", "over_hours", "days_open", "driven_km", "severe_due_km", "value", "low", "high",
            "last", "limit", "legal_limit", "margin", "hours", "line")  # fmt: skip
_TASK = ["vehicle", "site", "position", "state", "urgency", "first_limit", "due_date", "due_odometer_km",
         "over_days", "over_km", "over_hours", "expected_date", "low_date", "high_date", "duty",
         "severe_due_km", "severe_due_date", "probably", "is_laid_up"]  # fmt: skip
_FLAGS = ("is_laid_up", "is_forecast", "safety", "statutory")
_TYPES = dict.fromkeys(_TEXTS, TEXT) | dict.fromkeys(_DATES, "datetime64[ns]")
_TYPES |= dict.fromkeys(_NUMBERS, float) | dict.fromkeys(_FLAGS, bool)


def actions(log, found=None, table=None, readings=None, worn=None, use=None, confidence=0.9,
            days=FORECAST_DAYS):  # fmt: skip
    """Every thing to do, ranked: one row each, rank 1 the most urgent.

    urgency: one of `URGENCY`. vehicle, site, position ("" none), kind: defect, finding (a failed
    inspection or test), certificate, campaign, deferral, recheck, task, wear, pressure, age,
    warranty; item: its number, task or category; title: a task's name; reason: why it is not to be driven.
    Of pressure and age: value, limit (kPa, years), read_date (of an age the day of make), text their
    source. by: the day by which it is to be done: the log's own where that is now, NaT where no day is
    given. is_laid_up: to be done before the next use. due_, expected_, low_, high_, over_,
    overrun_: as of `intervals.occasions`; days_open, driven_km: as of `intervals.items`.
    Of wear: quantity, value (low, high: limits of a forecast, is_forecast), last, read_date and
    place of the last reading, limit, legal_limit, jurisdiction, margin (mm or percent to the limit).
    hours, parts: what the plan says that it takes. table, line: the row of the log it rests on.

    found, table: `intervals.occasions` and `intervals.items` of the log. worn: `wear.remaining` of
    parts now on, of these vehicles or more. use: the `UsageModel` to forecast by. days: how far
    ahead work, certificates, recalls and warranties are listed. What is not given is worked out.
    Ranks: trade practice, no source.
    """
    readings = usage.readings(log) if readings is None else readings
    found = intervals.occasions(log, readings) if found is None else found
    table = intervals.items(log, found, readings) if table is None else table
    worn = worn_of(log, readings, confidence)[1] if worn is None else worn
    use = readings if use is None else use
    until = log.as_of + pd.Timedelta(days=days)
    rows = [_items(table, log, readings, until), _wear(worn, log, until), _tyres(log)]
    rows += [_warranties(log, readings, use, until), _tasks(found, log, use, confidence, until)]
    rows = [_typed(r) for r in rows]
    rows = pd.concat([r for r in rows if len(r)] or rows[:1], ignore_index=True)
    here = log.tables["vehicles"].loc[lambda v: ~(v["disposed"] <= log.as_of), "vehicle"]
    rows = rows[rows["vehicle"].isin(here)].reset_index(drop=True)
    site = usage.site_at(log, rows["vehicle"], np.repeat(log.as_of.to_datetime64(), len(rows)))
    stays = log.tables["layups"]
    now = stays.loc[(stays["from"] <= log.as_of) & ~(stays["to"] < log.as_of), "vehicle"]
    rows = rows.assign(site=site.fillna("").to_numpy(), is_laid_up=rows["vehicle"].isin(now))
    return _ranked(_with_plan(rows, log))


def worn_of(log, readings=None, confidence=0.9):
    """(`wear.Wear` of the log, `wear.remaining` of its parts now on)."""
    readings = usage.readings(log) if readings is None else readings
    looks = spans.looks_of(log, readings)
    lines = wear.wear_of(spans.spans_of(log, readings=readings), looks, wear.law_of(log))
    return lines, wear.remaining(lines, log.as_of, usage.daily_rate(readings, log.as_of), confidence)


def task_rows(rows):
    """The rows that are tasks, as frame `what` ("task"), `task` and what `actions` says of them."""
    tasks = rows[rows["kind"].eq("task")].rename(columns={"kind": "what", "item": "task"})
    return tasks[["what", "task", *_TASK]]


def _typed(rows):
    flags = {name: rows[name].fillna(False).astype(bool) if name in rows else False for name in _FLAGS}
    return rows.assign(**flags).reindex(columns=list(_TYPES)).astype(_TYPES).fillna({"position": "", "reason": ""})


def _ranked(rows):
    """By urgency; in use before laid up; then why it may not be driven, or what of wear fails first
    and by how much, or whether overdue work bears on safety; then the day."""
    is_wear, danger = rows["kind"].eq("wear"), rows["urgency"].isin(DANGER)
    others = ~rows["category"].fillna("").str.startswith(BRAKES_AND_TYRES)
    keys = {
        "urgency": rows["urgency"].map({name: at for at, name in enumerate(URGENCY)}),
        "laid_up": rows["is_laid_up"] & danger,
        "reason": rows["reason"].map({name: at for at, name in enumerate(_REASONS)}).fillna(len(_REASONS)),
        "forecast": rows["is_forecast"] & is_wear,
        "fails": others & is_wear,
        "margin": rows["margin"].where(is_wear).fillna(rows["value"] / rows["limit"]),
        "grave": ~(rows["safety"] | rows["statutory"]) & rows["urgency"].isin(["overdue", "due"]),
        "day": rows["due_date"].where(danger | ~rows["urgency"].isin(["coming", "may be done", "not known"]), rows["by"]),
    }
    keys = pd.DataFrame(keys).assign(**{c: rows[c].astype(object) for c in ("vehicle", "kind", "item", "position")})
    order = keys.sort_values(list(keys), kind="stable").index
    rows = rows.loc[order].reset_index(drop=True)
    return rows.assign(rank=np.arange(len(rows)) + 1)[["rank", *_TYPES]]


def _items(table, log, readings, until):
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
        "coming": is_defer | is_recheck & state.ne("not-known") | what.eq("campaign") | what.eq("certificate") & near,
    }
    rows = rows.assign(
        urgency=np.select(list(urgency.values()), list(urgency), ""), kind=what, issued_date=rows["early_date"],
        reason=np.select(list(stops.values()), list(stops), ""),
        title=rows["item"].map(log.tables["defects"].set_index("defect")["text"]).where(is_defer),
        due_odometer_km=usage.odometer_of(readings, rows["vehicle"], rows["due_km"]).to_numpy(),
    )  # fmt: skip
    now = rows["urgency"].isin([*DANGER, "failed"]) | rows["urgency"].eq("safety recall") & ~ahead
    by = rows["due_date"].mask(now, log.as_of).mask(rows["urgency"].eq("at the next visit"))
    by = by.where(~(is_recheck | is_defer) | by.notna() | ~state.eq("past-window"), log.as_of)
    return rows.assign(by=by)[rows["urgency"].ne("")]


def _wear(worn, log, until):
    """Parts now on at or near their limit."""
    rows = worn[worn["state"].isin(list(_OF_WEAR))].reset_index(drop=True)
    near = rows["state"].ne("before-next-look") | rows["date_low"].le(until)
    rows = rows[near & rows["vehicle"].isin(log.tables["vehicles"]["vehicle"])].reset_index(drop=True)
    by_reading = rows["by"].eq("reading")
    off = rows["state"].eq("below-legal") & by_reading
    urgency = rows["state"].map(_OF_WEAR).mask(off, "do not drive")
    # the other limit of a straight line; a part judged by its reading has none
    other = 2 * rows["now_height"] - rows["now_low"]
    return rows.assign(
        urgency=urgency, reason=np.where(off, "below-legal", ""), kind="wear", item=rows["category"],
        position=rows["last_position"], text=rows["item"], place=rows["last_place"], last=rows["last_height"],
        value=rows["now_height"], low=np.fmin(rows["now_low"], other).mask(by_reading),
        high=np.fmax(rows["now_low"], other).mask(by_reading), read_date=rows["last_read"],
        margin=rows["legal_margin"].fillna(rows["margin"]), is_forecast=~by_reading,
        by=rows["date_low"].mask(rows["state"].ne("before-next-look"), log.as_of),
    ).merge(_lines_read(log), on=["vehicle", "position", "category", "read_date"], how="left")  # fmt: skip


def _tyres(log):
    """Tyres whose cold pressure or age is out of the limits that the log, its plan or the law gives."""
    soft, old = wear.soft_tyres(log), wear.old_tyres(log)
    rows = [t.assign(kind=kind) for t, kind in ((soft, "pressure"), (old, "age")) if len(t)]
    rows = pd.concat(rows, ignore_index=True) if rows else soft.assign(kind="")
    rows = rows.assign(urgency="out of limits", item="tyre", category="tyre", text=rows["source"],
                       last=rows["value"], read_date=rows["date"], by=log.as_of)  # fmt: skip
    lines = {"pressure": log.tables["measurements"].query("quantity == 'pressure'"), "age": log.tables["fitted"]}
    table = rows["kind"].map({"pressure": "measurements", "age": "fitted"})
    return rows.assign(table=table, line=[_line(lines[k], r) for k, r in zip(rows["kind"], rows.itertuples(), strict=True)])


def _line(table, row):
    """The last line of a table with the row's vehicle, position and day."""
    day = table["date"] if "date" in table else table["made"]
    mine = table.index[table["vehicle"].eq(row.vehicle) & table["position"].eq(row.position) & day.eq(row.date)]
    return float(mine[-1]) if len(mine) else np.nan


def _lines_read(log):
    """The line of the most worn reading of each day, position and category."""
    m = log.si("measurements").rename_axis("line").reset_index()
    height = m["value"].where(~m["quantity"].eq("elongation"), -m["value"])
    m = m[m["quantity"].isin(["depth", "thickness", "elongation"])].assign(height=height, table="measurements")
    keys = ["vehicle", "position", "category", "date"]
    m = m.sort_values("height", kind="stable").drop_duplicates(keys)
    return m[[*keys, "table", "line"]].rename(columns={"date": "read_date"})


def _warranties(log, readings, use, until):
    """Warranties that end within the days ahead, by date or by distance."""
    v = log.si("vehicles").rename_axis("line").reset_index()
    day = v["warranty_until"].where(v["warranty_until"] >= log.as_of)
    by_km = v["warranty_odometer_km"].notna()
    if by_km.any():
        path, asked = usage.path_of(readings), v[by_km]
        km = usage.to_cumulative(path, asked["vehicle"], pd.Series(log.as_of, asked.index), asked["warranty_odometer_km"])
        here = usage.distance_at(path, asked["vehicle"], pd.Series(log.as_of, asked.index))["low_km"]
        asked = asked.assign(km=km)[(km > here).to_numpy(dtype=bool)]
        told = forecast_dates(use, log.tables["vehicles"][["vehicle", "kind", "site"]], asked["vehicle"], asked["km"],
                              log.as_of, 0.9, log.tables["layups"])  # fmt: skip
        gone = by_km & ~v.index.isin(asked.index)
        day = pd.concat([day, told["date"].reindex(v.index)], axis=1).min(axis=1).mask(gone)
    rows = v.assign(by=day, due_date=day)[day.le(until)]
    urgency = np.where(rows["by"].le(_soon(log)), "ends soon", "coming")
    return rows.assign(urgency=urgency, kind="warranty", item="warranty", table="vehicles")


def _soon(log):
    return log.as_of + pd.Timedelta(days=FORECAST_DAYS)


def _tasks(found, log, use, confidence, until):
    """Open work that is overdue, due, may be done, is not known, or comes due by `until`."""
    tasks = intervals.open_tasks(found, log, use, confidence)
    tasks = tasks[(tasks["state"] != "before-window") | (tasks["expected_date"] <= until)].reset_index(drop=True)
    is_past = tasks["state"].isin(["past-window", "due"])
    by = tasks["expected_date"].fillna(tasks["due_date"])
    by = by.mask(is_past & ~(by <= log.as_of), log.as_of)
    rows = tasks.assign(urgency=tasks["state"].map(_OF_STATE), kind="task", item=tasks["task"], by=by)
    rows = rows.assign(driven_km=rows["driven_past_km"])
    return rows.merge(_lines_done(log), on=["vehicle", "item", "anchor_date"], how="left")


def _lines_done(log):
    """The line of the last doing of each task and day."""
    work = log.tables["work"].rename_axis("line").reset_index()
    work = work.rename(columns={"task": "item", "date": "anchor_date"}).assign(table="work")
    return work.drop_duplicates(["vehicle", "item", "anchor_date"], keep="last")[["vehicle", "item", "anchor_date", "table", "line"]]


def _with_plan(rows, log):
    """The rows with title, safety, statutory, hours and parts as the plan has them: of a worn part
    those of the work that renews it."""
    if log.plan is None or rows.empty:
        return rows.assign(title=rows["title"].fillna(rows["item"]))
    tasks = log.plan.tasks
    now = (tasks["valid_from"].isna() | (tasks["valid_from"] <= log.as_of)) & ~(tasks["valid_to"] < log.as_of)
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
