"""The work of one vehicle's visit: its tasks with what the plan says, and what to have ready."""

import numpy as np
import pandas as pd

from wearbar.log.schema import TEXT
from wearbar.outlook.order import packs

ON_CONDITION = "on-condition"  # a task without limits, asked for by the wear of its part
MOST_TASKS = 14  # printed with their steps; what only comes later makes room
# of the bench, in order: what wants a cold engine; brakes, wheels, steering; the rest; what wants a
# warm one, which the engine then is; what ends the visit. Common practice, no source
STAGES = ("cold", "safety", "other", "warm", "last")
_COLD, _WARM = r"\b(?:cold|cool)\b", r"\b(?:warm|hot|run)\b"
_UNITS = ("km", "hours", "days", "months")
_EVERY = [f"{what}_{unit}" for what in ("every", "first") for unit in _UNITS]
_OF_PLAN = """
    code action part recheck_km recheck_days safety hours parts figures steps caution title
    statutory source
"""
_OF_LIST = """
    task vehicle site position state urgency first_limit due_date due_odometer_km due_hours basis
    over_days over_km over_hours overrun_days overrun_km overrun_hours expected_date low_date
    high_date duty severe_due_km severe_due_date probably is_laid_up
"""
_PLAN, _TASK = _OF_PLAN.split(), _OF_LIST.split()


def tasks_in_plan(log, vehicle):
    """The tasks that the vehicle's plan holds on the report date."""
    if log.plan is None:
        return pd.DataFrame(columns=[*_PLAN, *_EVERY])
    name = log.plan.assign(log.tables["vehicles"]).get(vehicle)
    tasks = log.plan.in_force(log.as_of)
    return tasks[tasks["plan"] == name].reset_index(drop=True)


def _without_limits(plan):
    return plan[plan[_EVERY].isna().all(axis=1)]


def checks_of(plan):
    """The plan's inspections without limit or part: what is checked before each use."""
    tasks = _without_limits(plan)
    return tasks[tasks["part"].isna() & tasks["action"].eq("inspect")].reset_index(drop=True)


def tasks_of(rows, plan, worn, whole_plan):
    """The vehicle's tasks in the action list, and those that its worn parts ask for.

    One row a task and position, in bench order (`stage`, of `STAGES`) and within it that of the
    list, with what the plan says of it; `state` (or ON_CONDITION); `done_by`, the task on this
    sheet that also does it ("" none); `is_full`, whether its steps are to be printed.
    rows: of `actions`. plan: of `tasks_in_plan`. worn: of `parts.remaining`.
    """
    tasks = rows[rows["kind"].eq("task")].rename(columns={"item": "task"})[_TASK]
    asked = worn.merge(_without_limits(plan), left_on="category", right_on="part")
    names = {"code": "task", "last_position": "position", "state": "wear_state", "by": "wear_by"}
    asked = asked[list(names)].rename(columns=names).drop_duplicates(["task", "position"])
    both = [t for t in (tasks, asked.assign(state=ON_CONDITION)) if len(t)]
    both = [t.dropna(axis=1, how="all") for t in both] or [tasks]
    told = pd.concat(both, ignore_index=True).reindex(columns=[*_TASK, "wear_state", "wear_by"])
    told = told.merge(plan[_PLAN], left_on="task", right_on="code", how="left")
    for name in ("parts", "figures", "steps"):
        told[name] = _tuples(told[name])
    told["done_by"] = _done_by(told, whole_plan)
    told["stage"] = _stages(told)
    later, own = told["state"].eq("before-window"), told["done_by"].eq("")
    first = own & ~told.duplicated("task")
    room = (first & ~later).sum() + (first & later).cumsum() <= MOST_TASKS
    told["is_full"] = (own & (~later | room)).to_numpy(dtype=bool)
    order = told["stage"].map(STAGES.index).sort_values(kind="stable").index
    return told.loc[order].reset_index(drop=True)


def _tuples(values):
    return [x if isinstance(x, tuple) else () for x in values]


def _stages(tasks):
    """By whether its steps, or else the names of its figures, first speak of cold or of warm."""
    words = [
        " ".join((*steps, *(f["name"] for f in figures)))
        for steps, figures in zip(tasks["steps"], tasks["figures"], strict=True)
    ]
    words = pd.Series(words, tasks.index, dtype=TEXT).str.casefold()
    first = words.str.extract(f"({_COLD})|({_WARM})").notna()
    oil = tasks["task"].astype(TEXT).str.contains("engine-oil") & tasks["action"].eq("replace")
    safety, statutory = (tasks[c].fillna(False).astype(bool) for c in ("safety", "statutory"))
    is_stage = {"last": statutory, "cold": first[0], "warm": first[1] | oil, "safety": safety}
    return np.select(list(is_stage.values()), list(is_stage), "other").astype(object)


def _done_by(tasks, plan):
    """For each task the first pressing one on the sheet that covers it at its position, or ""."""
    if plan is None or tasks.empty:
        return pd.Series("", tasks.index, dtype=object)
    pressing = tasks[~tasks["state"].isin(["before-window", ON_CONDITION])][["task", "position"]]
    covers = plan.covers[["code", "covered"]].drop_duplicates()
    covers = covers.merge(pressing, left_on="code", right_on="task").drop(columns="task")
    covers = covers.drop_duplicates(["covered", "position"]).rename(columns={"covered": "task"})
    by = tasks[["task", "position"]].merge(covers, on=["task", "position"], how="left")["code"]
    return by.astype(object).where(by.notna(), "").set_axis(tasks.index)


def have_of(tasks, worn):
    """Parts to have ready: frame `item, unit, pack, quantity, tasks, packs, left, category,
    positions`.

    First those that the plan names for the tasks printed in full, in whole packs, those of one kind
    added up, `left` what is over. Then the worn parts (of `parts.remaining`) whose task names none:
    `item` as fitted, `category`, one a position.
    """
    full = tasks[tasks["is_full"]]
    each = full[["task", "parts"]].explode("parts").dropna(subset="parts").reset_index(drop=True)
    columns = ["item", "unit", "pack", "quantity"]
    each = each[["task"]].join(pd.DataFrame(each["parts"].tolist(), columns=columns))
    sums = each.groupby(columns[:3], sort=False)
    sums = sums.agg(quantity=("quantity", "sum"), tasks=("task", _once)).reset_index()
    sums["packs"] = packs(sums["quantity"], sums["pack"])
    sums["left"] = sums["packs"] * sums["pack"] - sums["quantity"]
    named = full.loc[full["parts"].map(len).gt(0), "part"]
    own = worn[~worn["category"].isin(named)]
    own = own.groupby(["category", "item"], sort=False, dropna=False)["last_position"]
    own = own.agg(quantity="nunique", positions=_once).reset_index()
    own = own.assign(unit="", pack=1.0, packs=own["quantity"], left=0.0)
    sums = sums.assign(category="")
    both = [t.dropna(axis=1, how="all") for t in (sums, own) if len(t)] or [sums]
    have = pd.concat(both, ignore_index=True).reindex(columns=[*sums.columns, "positions"])
    return have.assign(**{name: _tuples(have[name]) for name in ("tasks", "positions")})


def _once(values):
    return tuple(dict.fromkeys(values))
