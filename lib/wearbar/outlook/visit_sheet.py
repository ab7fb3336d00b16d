"""What a visit sheet holds, for one vehicle: dangers, work, what to have ready, read and write."""

from types import SimpleNamespace

import numpy as np
import pandas as pd

from wearbar import intervals, usage
from wearbar.intervals import STALE_DAYS
from wearbar.log.keys import is_among, stacked
from wearbar.log.schema import TEXT, said
from wearbar.log.units import is_example
from wearbar.outlook.action_list import AHEAD_DAYS, DANGER, OF_PLAN, PRESSING, actions
from wearbar.outlook.ahead import work_ahead
from wearbar.outlook.parts import PART, packs, parts_of, worn_of
from wearbar.usage.backtest import model_by_test

ON_CONDITION = "on-condition"  # a task without limits, asked for by the wear of its part
MOST_TASKS = 14  # printed with their steps; what only comes later makes room
# of the bench, in order: what wants a cold engine; brakes, wheels, steering; the rest; what wants a
# warm one, which the engine then is; what ends the visit. Common practice, no source
STAGES = ("cold", "safety", "other", "warm", "last")
COLD_OR_WARM = r"(\b(?:cold|cool)\b)|(\b(?:warm|hot|run)\b)"
PRESSING_PARTS = ("below-legal", "below", "may-be-below", "before-next-look")
_SHEET = said("readings")
READ, USUAL = _SHEET["read"], _SHEET["usual"]
WANTED = [(c, q, tuple(at)) for c, quantities in READ.items() for q, at in quantities.items()]
WANTED = pd.DataFrame(WANTED, columns=["category", "quantity", "places"])
SERIES, NEXT = ["vehicle", "task", "position"], ["next_odometer_km", "next_hours", "next_date"]
PLACE, READING = ["category", "position"], ["category", "quantity", "position"]
LIMITS = ["limit", "legal_limit", "jurisdiction"]


def visit_of(log, vehicles=None, confidence=0.9):
    """The next visit of the vehicle whose work presses most: of `vehicles`, or of all. log: the
    whole log. Pressing most: by the action list. ValueError where there is no vehicle."""
    return visits_of(log, vehicles, confidence)[0]


def visits_of(log, vehicles=None, confidence=0.9, days=None):
    """The visits of the vehicles that have work due within `days` days, the most pressing first; as
    `visit_of`. None: the most pressing vehicle's alone. Each has also `due`, its rows of the action
    list that are pressing or due by then."""
    fleet = log.tables["vehicles"]
    fleet = fleet if vehicles is None else fleet[fleet["vehicle"].isin(list(vehicles))]
    if fleet.empty:
        raise ValueError("the log has no vehicle to make a sheet for; fill in table vehicles")
    lines, on = worn_of(log, confidence)
    use = model_by_test(log, confidence)
    rows = actions(log, on, use, confidence, max(days or 0, AHEAD_DAYS))
    due = rows[rows["vehicle"].isin(fleet["vehicle"])]
    if days is not None:
        until = log.as_of + pd.Timedelta(days=days)
        due = due[due["urgency"].isin(PRESSING) | due["by"].le(until)]
    names = due["vehicle"].unique()
    if days is None:
        here = fleet.loc[fleet["disposed"].isna(), "vehicle"]
        names = [*names, *here, *fleet["vehicle"]][:1]
    parts, read = lines.parts[lines.parts["is_on"]], usage.readings(log)
    frames = (fleet, due, rows, on, parts, read, _due_again(log, read))
    is_one = len(log.tables["vehicles"]) == 1  # whose every row is
    cut = [[f if is_one else f[f["vehicle"] == name] for f in frames] for name in names]
    return [_visit(log, len(fleet) if days is None else 1, *mine) for mine in cut]


def _visit(log, n_vehicles, fleet, due, rows, on, parts, readings, again):
    own, vehicle = fleet.iloc[0], fleet["vehicle"].iloc[0]
    mine = log if len(log.tables["vehicles"]) == 1 else log.only([vehicle])
    is_danger = rows["urgency"].isin(DANGER)
    worn = on[on["state"].isin(PRESSING_PARTS)].reset_index(drop=True)
    plan = log.plan_or_empty.in_force(log.as_of)
    plan = plan[plan["plan"] == log.plan_for(fleet["vehicle"])[own.name]].reset_index(drop=True)
    # the tasks that no distance, hours or date asks for
    asked = plan[plan.filter(regex="^(every|first)_(?!after)").isna().all(axis=1)]
    checks = asked[asked["part"].isna() & asked["action"].eq("inspect")]
    asked = worn.merge(asked[["code", "part"]], left_on="category", right_on="part")
    last = _last(readings, log.as_of)
    tasks = _tasks_of(rows, plan, asked, log.plan_or_empty.covers)
    tasks = tasks.merge(again.drop(columns="vehicle"), "left", ["task", "position"])
    stays = mine.tables["layups"].sort_values("from", kind="stable")
    since = log.as_of if pd.isna(last.date) else last.date
    stays = stays[(stays["from"] <= log.as_of) & ~(stays["to"] < since)]
    site = usage.site_at(log, [vehicle], log.as_of).iloc[0]
    texts = own[["kind", "meter", "distance_unit"]].to_dict() | {"site": site}
    return SimpleNamespace(
        vehicle=vehicle,
        **{name: "" if pd.isna(text) else str(text) for name, text in texts.items()},
        disposed=own["disposed"] if own["disposed"] <= log.as_of else pd.NaT,  # NaT: still here
        n_vehicles=n_vehicles,  # that it was chosen from
        last=last,
        due=due,
        dangers=rows[is_danger],  # what forbids driving
        others=rows[~is_danger & ~rows["kind"].isin(["task", "wear"])],
        missing=tuple(intervals.untold(log)),
        tasks=tasks,
        titles=dict(zip(plan["code"], plan["title"], strict=True)),
        checks=checks.reset_index(drop=True),  # before each use
        have=_have_of(tasks, worn),
        worn=worn,  # fitted parts at or near their limit
        reads=_reads(mine, own["kind"], on, parts),
        changes=_changes(mine, tasks, worn),
        has_parts=len(parts) > 0,
        # the newest lay-up that it is in, or has not been read since
        laid_up=None if stays.empty else stays.iloc[-1][["from", "to", "reason"]].to_dict(),
        has_plan=log.plan is not None,
        is_example=any(is_example(f["source"]) for figures in plan["figures"] for f in figures),
    )


def _last(readings, as_of):
    """The last reading: `date`, what the instruments showed, and its age in `days`."""
    own = readings[readings["date"] <= as_of].sort_values("date", kind="stable")
    own = own[["date", "odometer_km", "meter_hours"]].ffill()
    date, odometer_km, hours = own.iloc[-1] if len(own) else (pd.NaT, np.nan, np.nan)
    age = {"days": (as_of - date).days, "is_stale": (as_of - date).days > STALE_DAYS}
    return SimpleNamespace(date=date, odometer_km=odometer_km, hours=hours, **age)


def _due_again(log, readings):
    """When work done on the report date, at the last reading, falls due again: a row a series,
    `SERIES` and `NEXT`, as the instruments show it."""
    ahead, meters = work_ahead(log), ["distance_km", "hours", "odometer_km", "meter_hours"]
    last = readings[readings["date"] <= log.as_of].groupby("vehicle")[meters].last()
    rows = ahead.rows[SERIES]
    *meters, odometer_km, meter_hours = last.reindex(rows["vehicle"]).to_numpy(dtype=float).T
    at = np.stack([*meters, np.zeros(len(rows))])
    km, hours, day = ahead.points(np.arange(len(rows)), at)[0] - at
    date = log.as_of + pd.to_timedelta(np.where(np.isfinite(day), day, np.nan), unit="D")
    told = dict(zip(NEXT, (odometer_km + km, meter_hours + hours, date), strict=True))
    return rows[SERIES].assign(**told).replace(np.inf, np.nan).drop_duplicates(SERIES)


def _reads(log, kind, lines, parts):
    """The readings that the analyses need: a row each, `position, category, quantity, places`, with
    `made`, limits and the last one of the fitted part: `last, last_date, last_is_doubted`."""
    fitted = log.tables["fitted"]
    fitted = fitted.loc[fitted["removed"].isna(), [*PLACE, "made"]].drop_duplicates(PLACE)
    usual = [at for usual in USUAL if kind in usual["kinds"] for at in usual["at"].items()]
    usual = pd.DataFrame(usual, columns=PLACE).explode("position")
    usual = usual[~usual["category"].isin(fitted["category"])]
    places = stacked([fitted, usual]).reindex(columns=fitted.columns)
    wanted = places.sort_values("position", kind="stable").merge(WANTED, on="category")
    by = {"key": lambda names: names.map(list(READ).index), "kind": "stable"}
    read = lines[["part_key", "quantity", "last_height", "last_read", "last_is_doubted"]]
    worn = parts[["part_key", "category", "last_position", *LIMITS]]
    worn = worn.merge(read, on="part_key", how="left")
    first = worn["category"].map({name: next(iter(what)) for name, what in READ.items()})
    worn["quantity"] = worn["quantity"].where(worn["last_read"].notna(), first)
    names = {"last_position": "position", "last_height": "last", "last_read": "last_date"}
    worn = worn.drop(columns="part_key").rename(columns=names).drop_duplicates(READING)
    # else the newest value: of several that day the one nearest to its limit
    m = log.si("measurements")[[*READING, "value", "date"]]
    m = m.rename(columns={"value": "last", "date": "last_date"})
    m["rank"] = m["last"].mask(m["quantity"].isin(["elongation", "slack"]), -m["last"])
    m = m.sort_values(["last_date", "rank"], ascending=[False, True], kind="stable")
    m = m[~is_among(m, worn, READING)].drop_duplicates(READING)
    known = stacked([worn, m]).reindex(columns=worn.columns)
    return wanted.sort_values("category", **by).merge(known, on=READING, how="left")


def _changes(log, tasks, worn):
    """Fitted parts that the tasks printed in full, or their wear, may take off."""
    fitted = log.si("fitted")
    on = fitted[fitted["removed"].isna()]
    full = tasks.loc[tasks["is_full"], ["part", "position"]].dropna().set_axis(PLACE, axis=1)
    worn = worn[["category", "last_position"]].set_axis(PLACE, axis=1)
    anywhere = on["category"].isin(full.loc[full["position"].eq(""), "category"])
    on = on[anywhere | is_among(on, full, PLACE) | is_among(on, worn, PLACE)]
    columns = ["position", "category", "item", "fitted", "fitted_odometer_km"]
    return on[columns].reset_index(drop=True)


def _tasks_of(rows, plan, asked, covers):
    """The vehicle's tasks in the action list, and those that its worn parts ask for (`asked`): a
    row a task and position, in bench order (`stage`), with what the plan says of it; `state` (or
    ON_CONDITION); `done_by`, the first pressing task here that covers it there ("" none);
    `is_full`, whether its steps are printed."""
    tasks = rows[rows["kind"].eq("task")].rename(columns={"item": "task"}).drop(columns=OF_PLAN)
    names = {"code": "task", "last_position": "position", "state": "wear_state", "by": "wear_by"}
    asked = asked[list(names)].rename(columns=names).drop_duplicates(["task", "position"])
    told = stacked([tasks, asked.assign(state=ON_CONDITION)])
    told = told.reindex(columns=[*tasks, "wear_state", "wear_by"])
    told = told.merge(plan, left_on="task", right_on="code", how="left")
    for name in ("parts", "figures", "steps"):
        told[name] = [x if isinstance(x, tuple) else () for x in told[name]]
    later, at = told["state"].eq("before-window"), ["task", "position"]
    pressing = told.loc[~later & told["state"].ne(ON_CONDITION), at]
    pairs = covers.rename(columns={"code": "done_by"})[["done_by", "covered"]].drop_duplicates()
    pairs = pairs.merge(pressing.rename(columns={"task": "done_by"}), on="done_by")
    pairs = pairs.rename(columns={"covered": "task"}).drop_duplicates(at)
    by = told[at].merge(pairs, on=at, how="left")["done_by"].astype(object)
    by = by.where(by.notna(), "")
    first = by.eq("") & ~told.duplicated("task")
    room = (first & ~later).sum() + (first & later).cumsum() <= MOST_TASKS
    # the stage by whether the steps, or else the names of the figures, first speak of cold or warm
    words = [
        " ".join((*steps, *(f["name"] for f in figures)))
        for steps, figures in zip(told["steps"], told["figures"], strict=True)
    ]
    words = pd.Series(words, told.index, dtype=TEXT).str.casefold()
    heat = words.str.extract(COLD_OR_WARM).notna()
    oil = told["task"].astype(TEXT).str.contains("engine-oil") & told["action"].eq("replace")
    safety, statutory = (told[c].eq(True) for c in ("safety", "statutory"))
    is_stage = {"last": statutory, "cold": heat[0], "warm": heat[1] | oil, "safety": safety}
    stage = np.select(list(is_stage.values()), list(is_stage), "other").astype(object)
    told = told.assign(done_by=by, stage=stage, is_full=by.eq("") & (~later | room))
    order = told["stage"].map(STAGES.index).sort_values(kind="stable").index
    return told.loc[order].reset_index(drop=True)


def _have_of(tasks, worn):
    """Parts to have ready: frame `item, number, unit, pack, quantity, tasks, packs, left, category,
    positions`: those that the plan names for the tasks printed in full, `left` what is over in
    whole packs; then the worn parts whose task names none, one a position."""
    full = tasks.loc[tasks["is_full"], ["task", "part", "parts"]]
    named = parts_of(full[["task", "parts"]]).groupby(PART[:4], sort=False)
    named = named.agg(quantity=("quantity", "sum"), tasks=("task", _once)).reset_index()
    named["packs"] = packs(named["quantity"], named["pack"])
    named["left"] = named["packs"] * named["pack"] - named["quantity"]
    own = worn[~worn["category"].isin(full.loc[full["parts"].map(len).gt(0), "part"])]
    own = own.groupby(["category", "item"], sort=False, dropna=False)["last_position"]
    own = own.agg(quantity="nunique", positions=_once).reset_index()
    own = own.assign(number="", unit="", pack=1.0, left=0.0, packs=own["quantity"])
    own = own.assign(tasks=[()] * len(own))
    return stacked([named.assign(category="", positions=[()] * len(named)), own])


def _once(values):
    return tuple(dict.fromkeys(values))
