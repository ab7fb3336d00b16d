"""The action list: every thing to do on a log's vehicles, ranked once. Index, Today's list, the
outlook's first visits, calendar, visit sheet and findings.json all take it from here, so that a
danger on one page is on every page. Its words are `words.action_pages`."""

import numpy as np
import pandas as pd

from wearbar import intervals, parts, usage
from wearbar.intervals import FORECAST_DAYS as AHEAD_DAYS
from wearbar.intervals import GRAVE, STALE_DAYS
from wearbar.intervals.failed import FAILED_TEST
from wearbar.log.keys import is_among, stacked
from wearbar.log.schema import TEXT, said
from wearbar.outlook.parts import worn_of
from wearbar.parts.lives import axle_of
from wearbar.usage.forecast import due_dates, model_of

# the most urgent first; these are the words that are printed
URGENCY = """
    do not drive; check before use; safety recall; at its limit; measure now; out of limits; failed;
    overdue; due; deferral ended; recall; ends soon; at the next visit; may be done; not known;
    coming
"""
URGENCY = tuple(" ".join(URGENCY.split()).split("; "))
DANGER = URGENCY[:2]
PRESSING = URGENCY[: URGENCY.index("recall")]  # what a visit is made for today
# within "do not drive": the law's own test, what was found, papers, recalls, wear
REASONS = (FAILED_TEST, *GRAVE, "expired", "stop", "below-legal")

OF = {of: names.split() for of, names in said("actions").items()}  # its columns, by type
TYPES = dict.fromkeys(OF["text"], TEXT) | dict.fromkeys(OF["date"], "datetime64[ns]")
TYPES |= dict.fromkeys(OF["number"], float) | dict.fromkeys(OF["flag"], bool) | {"parts": object}
OF_PLAN = ["title", "safety", "statutory", "hours", "parts"]
ENDS, BY = ("km", "hours", "date"), "\x1f"  # of a due point; between the parts of a key
SOON = pd.Timedelta(days=AHEAD_DAYS)
OF_STATE = {"past-window": "overdue", "due": "due", "in-window": "may be done"}
OF_STATE |= {"not-known": "not known", "before-window": "coming"}
# states of wear at which nothing is left to go by, or perhaps nothing
OF_WEAR = {"limit-not-known": "check before use", "below-legal": "at its limit"}
OF_WEAR |= {"below": "at its limit", "may-be-below": "measure now", "before-next-look": "coming"}


def actions(log, worn=None, use=None, confidence=0.9, days=AHEAD_DAYS):
    """Every thing to do, ranked: one row each, rank 1 the most urgent. Columns: `TYPES`. worn:
    `parts.remaining` of these vehicles or more. use: the `UsageModel` to forecast by. days: how far
    ahead to list. What is not given is worked out. Ranks: trade practice, no source."""
    worn = worn_of(log, confidence)[1] if worn is None else worn
    use = use or model_of(log)
    until = log.as_of + pd.Timedelta(days=days)
    rows = [
        _items(log, until),
        _wear(worn, log, until),
        _warranties(log, use, until),
        _tasks(log, use, confidence, until),
    ]
    rows = [r.reindex(columns=list(TYPES)) for r in rows if len(r)] or [pd.DataFrame(columns=TYPES)]
    rows = [r.assign(**{name: r[name].eq(True) for name in OF["flag"]}).astype(TYPES) for r in rows]
    rows = stacked(rows).fillna({"position": "", "reason": ""})
    rows = rows[rows["vehicle"].isin(log.here)].reset_index(drop=True)
    # what the plan says of each task, or of the work that renews a worn part
    plan = log.plan_or_empty.in_force(log.as_of)[["plan", "code", "fits", "action", *OF_PLAN]]
    renews = plan[plan["action"].eq("replace")].drop_duplicates(["plan", "fits"])
    renews = renews.assign(code=renews["fits"], title=np.nan).dropna(subset="code")
    at = log.plan_for(rows["vehicle"]) + BY + rows["item"]
    plan, renews = (t.set_index(t["plan"] + BY + t["code"])[OF_PLAN] for t in (plan, renews))
    told, of_part = (tasks.reindex(at).set_axis(rows.index) for tasks in (plan, renews))
    told = told.where(~rows["kind"].eq("wear"), of_part)
    rows = rows.assign(
        site=usage.site_at(log, rows["vehicle"], log.as_of).fillna(""),
        is_laid_up=rows["vehicle"].isin(log.layups_now["vehicle"]) | rows["before_next_use"],
        title=rows["title"].fillna(told["title"]).fillna(rows["item"]),
        hours=told["hours"].astype(float),
        parts=[parts if isinstance(parts, tuple) else () for parts in told["parts"]],
        **{name: rows[name] | told[name].eq(True) for name in ("safety", "statutory")},
    )
    return _ranked(rows)


def _items(log, until):
    """Open defects, findings, certificates, recalls, re-checks and deferrals."""
    # a deferred defect is one row
    rows, one = intervals.items(log), ["vehicle", "item"]
    rows = rows[rows["is_open"].to_numpy(dtype=bool)]
    if rows.empty:
        return rows
    put_off = rows[rows["what"].eq("deferral")].groupby(one)[["state", "due_date", "text"]].last()
    rows = rows.join(put_off.add_prefix("put_off_"), on=one)
    told = rows["what"].eq("deferral") & is_among(rows, rows[rows["what"].eq("defect")], one)
    rows = rows[~told].reset_index(drop=True)
    grade, state, due = rows["grade"], rows["state"], rows["due_date"]
    ahead, past = due.gt(log.as_of), state.eq("past-window")
    names = ("defect", "finding", "certificate", "campaign", "recheck", "deferral")
    defect, finding, certificate, campaign, recheck, deferral = map(rows["what"].eq, names)
    stops = {FAILED_TEST: finding & grade.eq(FAILED_TEST)}
    stops |= {g: (defect | finding) & grade.eq(g) for g in GRAVE}
    stops |= {"expired": certificate & past, "stop": campaign & rows["stops"]}
    urgency = {
        "do not drive": np.logical_or.reduce(list(stops.values())),
        "safety recall": campaign & grade.eq("safety-recall"),
        "failed": finding,
        "deferral ended": deferral & past | defect & rows["put_off_state"].eq("past-window"),
        "at the next visit": defect | deferral & due.isna() & rows["due_km"].isna(),
        "ends soon": (certificate | campaign) & ahead & due.le(log.as_of + SOON),
        "recall": campaign & ~ahead,
        "overdue": recheck & past,
        "due": recheck & state.eq("due"),
        "not known": recheck & state.eq("not-known") & rows["days_open"].le(STALE_DAYS),
        "coming": deferral | campaign | recheck & state.ne("not-known"),
    }
    urgency["coming"] |= certificate & due.le(until)
    text = log.tables["defects"].set_index("defect")["text"]
    due_at = usage.odometer_of(usage.log_path(log), rows["vehicle"], rows["due_km"])
    rows = rows.assign(
        urgency=np.select(list(urgency.values()), list(urgency), ""),
        kind=rows["what"],
        issued_date=rows["early_date"],
        open_date=rows["early_date"].where(certificate, due.where(recheck)),
        reason=np.select(list(stops.values()), list(stops), ""),
        title=rows["item"].map(text).where(deferral),
        due_odometer_km=due_at.to_numpy(),
    )
    now = rows["urgency"].isin([*DANGER, "failed"]) | rows["urgency"].eq("safety recall") & ~ahead
    by = due.mask(now, log.as_of).mask(rows["urgency"].eq("at the next visit"))
    by = by.mask((recheck | deferral) & by.isna() & past, log.as_of)
    return rows.assign(by=by)[rows["urgency"].ne("")]


def _wear(worn, log, until):
    """Fitted parts at or near their limit; tyres whose cold pressure or age is out of limits."""
    if worn.empty:
        return worn
    ahead = worn["state"].eq("before-next-look")
    axle = axle_of(worn["last_position"].fillna(""))
    size = worn.groupby([worn["vehicle"], worn["category"], axle])["part_key"].transform("size")
    worn = worn.assign(set_size=size)
    near = worn["state"].isin(list(OF_WEAR)) & (~ahead | worn["date_low"].le(until))
    rows = worn[near].reset_index(drop=True)
    by_reading = rows["by"].eq("reading")
    off = rows["state"].eq("below-legal") & by_reading
    low, other = rows["now_low"], 2 * rows["now_height"] - rows["now_low"]  # of a straight line
    names = {"last_position": "position", "last_place": "place", "last_read": "read_date"}
    names |= {"last_height": "last", "now_height": "value", "item": "text"}
    rows = rows.drop(columns=["position", "place"]).rename(columns=names)
    rows = rows.assign(
        urgency=rows["state"].map(OF_WEAR).mask(off, "do not drive"),
        reason=np.where(off, "below-legal", ""),
        kind="wear",
        item=rows["category"],
        low=np.fmin(low, other).mask(by_reading),
        high=np.fmax(low, other).mask(by_reading),
        margin=rows["legal_margin"].fillna(rows["margin"]),
        is_forecast=~by_reading,
        by=rows["date_low"].where(rows["state"].eq("before-next-look"), log.as_of),
    )
    # of the readings of a day that of the most worn
    read = log.si("measurements").rename(columns={"date": "read_date"})
    read = read[read["quantity"].isin(["depth", "thickness", "elongation"])]
    height = read["value"].mask(read["quantity"].eq("elongation"), -read["value"])
    read = read.loc[height.sort_values(kind="stable").index]
    rows = _with_line(rows, read, "measurements", ["position", "category", "read_date"], "first")
    # tyres
    read, fitted = log.tables["measurements"], log.tables["fitted"]
    read, made = read[read["quantity"].eq("pressure")], fitted.assign(date=fitted["made"])
    soft = _with_line(parts.soft_tyres(log), read, "measurements", ["position", "date"])
    old = _with_line(parts.old_tyres(log), made, "fitted", ["position", "date"])
    off = stacked([soft.assign(kind="pressure"), old.assign(kind="age")])
    off = off.rename(columns={"source": "text", "date": "read_date"}).assign(last=off["value"])
    off = off.assign(urgency="out of limits", item="tyre", category="tyre", by=log.as_of)
    return stacked([rows, off])


def _with_line(rows, table, name, keys, keep="last"):
    """The rows with the line of the log's table that says so, found by vehicle and `keys`."""
    keys = ["vehicle", *keys]
    if rows.empty or table.empty:
        return rows
    lines = table[keys].reset_index(names="line").assign(table=name)
    return rows.merge(lines.drop_duplicates(keys, keep=keep), "left", keys)


def _warranties(log, use, until):
    """Warranties that end within the days ahead, by date or by distance."""
    v, day, until_km = log.si("vehicles"), "warranty_until", "warranty_odometer_km"
    v = v[v[day].notna() | v[until_km].notna()]
    if v.empty:
        return v
    v, path = v.reset_index(names="line"), usage.log_path(log)
    today, until_km = np.repeat(log.as_of, len(v)), v[until_km]
    due_km = usage.to_cumulative(path, v["vehicle"], today, until_km)
    v = v.assign(due_date=v[day].where(v[day] >= log.as_of), due_km=due_km, due_hours=np.nan)
    driven = usage.distance_at(path, v["vehicle"], today)["low_km"]
    v = v[until_km.isna() | (v["due_km"] > driven)]
    day = due_dates(use, v)["date"]
    rows = v.assign(by=day, due_date=day, kind="warranty", item="warranty", table="vehicles")
    urgency = np.where(day.le(log.as_of + SOON), "ends soon", "coming")
    return rows.assign(urgency=urgency)[day.le(until)]


def _tasks(log, use, confidence, until):
    """Open work that is overdue, due, may be done, is not known, or comes due by `until`: by its
    date or by the forecast, whichever comes first, with limits that are never after its date."""
    found, names = intervals.occasions(log), {"task": "item", "due_meter_hours": "due_hours"}
    names |= {"driven_past_km": "driven_km"}
    shown = [c for c in found if names.get(c, c) in TYPES and c != "due_hours"]
    is_asked = (found["is_current"] & found["state"].isin(list(OF_STATE))).to_numpy()
    due, early = (["vehicle", *(f"{of}_{end}" for end in ENDS)] for of in ("due", "early"))
    told = due_dates(use, found.loc[is_asked, due], confidence)
    is_later = found.loc[is_asked, "state"].eq("before-window")
    told = told[~is_later | told["date"].le(until)]
    tasks, opens = found.loc[told.index, shown], pd.Series(pd.NaT, told.index)
    is_later = is_later[told.index]
    if is_later.any():
        opens = due_dates(use, found.loc[told.index[is_later], early].set_axis(due, axis=1))["date"]
    by = told["date"].fillna(tasks["due_date"])
    is_past = tasks["state"].isin(["past-window", "due"])
    rows = tasks.rename(columns=names).assign(
        **told.set_axis(["expected_date", "low_date", "high_date"], axis=1),
        urgency=tasks["state"].map(OF_STATE),
        kind="task",
        by=by.mask(is_past & ~(by <= log.as_of), log.as_of),
        open_date=opens,
        from_first_use=tasks["is_laid_up"] & ~tasks["before_next_use"],
    )
    work = log.tables["work"].rename(columns={"task": "item", "date": "anchor_date"})
    return _with_line(rows.reset_index(drop=True), work, "work", ["item", "anchor_date"])


def _ranked(rows):
    """By urgency; in use before stored; then why it may not be driven, or what of wear fails first
    and by how much, or whether overdue work bears on safety; then the day."""
    urgency, is_wear = rows["urgency"], rows["kind"].eq("wear")
    danger, is_near = urgency.isin(DANGER), urgency.isin(["coming", "may be done", "not known"])
    brakes_and_tyres = rows["category"].fillna("").str.startswith(("brake", "tyre"))
    keys = {
        "urgency": pd.Categorical(urgency, URGENCY).codes,
        "laid_up": rows["is_laid_up"] & danger,
        "reason": pd.Categorical(rows["reason"], [*REASONS, ""]).codes,
        "forecast": rows["is_forecast"] & is_wear,
        "fails": ~brakes_and_tyres & is_wear,
        "margin": rows["margin"].where(is_wear).fillna(rows["value"] / rows["limit"]),
        "grave": ~(rows["safety"] | rows["statutory"]) & urgency.isin(["overdue", "due"]),
        "day": rows["due_date"].where(danger | ~is_near, rows["by"]),
    }
    for name in ("vehicle", "kind", "item", "position"):
        keys[name] = pd.factorize(rows[name], sort=True, use_na_sentinel=False)[0]
    order = np.lexsort([np.asarray(of) for of in reversed(keys.values())])
    rows = rows.iloc[order].reset_index(drop=True)
    rows.insert(0, "rank", np.arange(len(rows)) + 1)
    return rows
