"""The work of one vehicle's visit: its tasks with what the plan says of them, and what to have ready for them."""

import numpy as np
import pandas as pd

from wearbar.tables import TEXT

__all__ = ["MOST_TASKS", "ON_CONDITION", "have_of", "tasks_in_plan", "tasks_of"]

ON_CONDITION = "on-condition"  # a task without limits, asked for by the wear of its part
MOST_TASKS = 14  # printed with their steps; what only comes later makes room
_EVERY = ["every_km", "every_hours", "every_days", "every_months", "first_km", "first_hours", "first_days", "first_months"]
_PLAN = ["code", "action", "part", "recheck_km", "recheck_days", "safety", "hours", "parts", "figures", "steps", "caution"]
_MORE = ["basis", "overrun_km", "overrun_hours", "overrun_days", "due_hours"]


def tasks_in_plan(log, vehicle):
    """The tasks that the vehicle's plan holds on the log's day."""
    if log.plan is None:
        return pd.DataFrame(columns=[*_PLAN, *_EVERY])
    t = log.plan.tasks
    name = log.plan.assign(log.tables["vehicles"]).get(vehicle)
    now = (t["valid_from"].isna() | (t["valid_from"] <= log.as_of)) & ~(t["valid_to"] < log.as_of)
    return t[(t["plan"] == name) & now].reset_index(drop=True)


def tasks_of(rows, found, plan, worn, whole_plan):
    """The vehicle's rows of today's list that are tasks, and those that its worn parts ask for, with what the plan says of them."""
    rows = rows[rows["what"] == "task"].assign(position=lambda t: t["position"].fillna("").astype(TEXT))
    if len(found):
        now = found[found["is_current"]].assign(position=lambda t: t["position"].fillna("").astype(TEXT))
        rows = rows.merge(now[["task", "position", *_MORE]], on=["task", "position"], how="left")
    asked = worn.merge(plan[plan[_EVERY].isna().all(axis=1)], left_on="category", right_on="part")
    asked = asked[["code", "last_position", "state"]].set_axis(["task", "position", "wear_state"], axis=1)
    asked = asked.drop_duplicates(["task", "position"]).assign(state=ON_CONDITION)
    both = [t for t in (rows, asked) if len(t)]
    told = pd.concat([t.dropna(axis=1, how="all") for t in both], ignore_index=True) if both else rows
    told = told.reindex(columns=[*rows.columns, *(c for c in ("wear_state", *_MORE) if c not in rows)])
    told = told.merge(plan[_PLAN], left_on="task", right_on="code", how="left")
    for name in ("parts", "figures", "steps"):
        told[name] = [x if isinstance(x, tuple) else () for x in told[name]]
    told["done_by"] = _done_by(told, whole_plan)
    later = told["state"].eq("before-window")
    first = ~told.duplicated("task") & told["done_by"].eq("")
    room = (first & ~later).sum() + (first & later).cumsum() <= MOST_TASKS
    is_full = told["done_by"].eq("") & (~later | room)
    return told.assign(is_full=is_full.to_numpy(dtype=bool))


def _done_by(tasks, plan):
    """For each task the first pressing one on the sheet that covers it at its position, "" where none does."""
    if plan is None or tasks.empty:
        return pd.Series("", tasks.index, dtype=object)
    pressing = tasks[~tasks["state"].isin(["before-window", ON_CONDITION])][["task", "position"]]
    covers = plan.covers[["code", "covered"]].drop_duplicates().merge(pressing, left_on="code", right_on="task")
    covers = covers.drop_duplicates(["covered", "position"])[["code", "covered", "position"]]
    by = tasks[["task", "position"]].merge(covers, left_on=["task", "position"], right_on=["covered", "position"], how="left")["code"]
    return by.astype(object).where(by.notna(), "").set_axis(tasks.index)


def have_of(tasks):
    """Parts to have ready for the tasks printed in full: whole packs, those of one kind added up."""
    each = tasks.loc[tasks["is_full"], ["task", "parts"]].explode("parts").dropna(subset="parts").reset_index(drop=True)
    columns = ["item", "unit", "pack", "quantity", "packs", "tasks"]
    if each.empty:
        return pd.DataFrame(columns=columns)
    each = pd.concat([each[["task"]], pd.DataFrame(each["parts"].tolist())], axis=1)
    by = each.groupby(["item", "unit", "pack"], sort=False)
    sums = by.agg(quantity=("quantity", "sum"), tasks=("task", lambda codes: tuple(dict.fromkeys(codes)))).reset_index()
    return sums.assign(packs=np.ceil(sums["quantity"] / sums["pack"] - 1e-9))[columns]
