"""The work of one vehicle's visit: its tasks with what the plan says of them, and what to have ready for them."""

import numpy as np
import pandas as pd

from wearbar.log.schema import TEXT

__all__ = [
    "MOST_TASKS",
    "ON_CONDITION",
    "STAGES",
    "checks_of",
    "have_of",
    "tasks_in_plan",
    "tasks_of",
]

ON_CONDITION = "on-condition"  # a task without limits, asked for by the wear of its part
MOST_TASKS = 14  # printed with their steps; what only comes later makes room
# of the bench, in order: what wants a cold engine; brakes, wheels, steering; the rest; what wants a
# warm one, which the engine then is; what ends the visit. Common practice, no source
STAGES = ("cold", "safety", "other", "warm", "last")
_COLD, _WARM = r"\b(?:cold|cool)\b", r"\b(?:warm|hot|run)\b"
_EVERY = [
    "every_km",
    "every_hours",
    "every_days",
    "every_months",
    "first_km",
    "first_hours",
    "first_days",
    "first_months",
]
_PLAN = [
    "code",
    "action",
    "part",
    "recheck_km",
    "recheck_days",
    "safety",
    "hours",
    "parts",
    "figures",
    "steps",
    "caution",
]
_PLAN += ["title", "statutory", "source"]
_MORE = ["basis", "overrun_km", "overrun_hours", "overrun_days", "due_hours"]


def tasks_in_plan(log, vehicle):
    """The tasks that the vehicle's plan holds on the report date."""
    if log.plan is None:
        return pd.DataFrame(columns=[*_PLAN, *_EVERY])
    t = log.plan.tasks
    name = log.plan.assign(log.tables["vehicles"]).get(vehicle)
    now = (t["valid_from"].isna() | (t["valid_from"] <= log.as_of)) & ~(t["valid_to"] < log.as_of)
    return t[(t["plan"] == name) & now].reset_index(drop=True)


def checks_of(plan):
    """The plan's inspections without limit or part: what is checked before each use."""
    return plan[
        plan[_EVERY].isna().all(axis=1) & plan["part"].isna() & plan["action"].eq("inspect")
    ].reset_index(drop=True)


def tasks_of(rows, found, plan, worn, whole_plan):
    """The vehicle's rows of today's list that are tasks, and those that its worn parts ask for, with what the plan says of them."""
    rows = rows[rows["what"] == "task"].assign(
        position=lambda t: t["position"].fillna("").astype(TEXT)
    )
    if len(found):
        now = found[found["is_current"]].assign(
            position=lambda t: t["position"].fillna("").astype(TEXT)
        )
        rows = rows.merge(
            now.assign(due_hours=now["due_meter_hours"])[["task", "position", *_MORE]],
            on=["task", "position"],
            how="left",
        )
    asked = worn.merge(plan[plan[_EVERY].isna().all(axis=1)], left_on="category", right_on="part")
    asked = asked[["code", "last_position", "state", "by"]].set_axis(
        ["task", "position", "wear_state", "wear_by"], axis=1
    )
    asked = asked.drop_duplicates(["task", "position"]).assign(state=ON_CONDITION)
    both = [t for t in (rows, asked) if len(t)]
    told = (
        pd.concat([t.dropna(axis=1, how="all") for t in both], ignore_index=True) if both else rows
    )
    told = told.reindex(
        columns=[*rows.columns, *(c for c in ("wear_state", "wear_by", *_MORE) if c not in rows)]
    )
    told = told.merge(plan[_PLAN], left_on="task", right_on="code", how="left")
    for name in ("parts", "figures", "steps"):
        told[name] = [x if isinstance(x, tuple) else () for x in told[name]]
    told["done_by"] = _done_by(told, whole_plan)
    later = told["state"].eq("before-window")
    first = ~told.duplicated("task") & told["done_by"].eq("")
    room = (first & ~later).sum() + (first & later).cumsum() <= MOST_TASKS
    is_full = told["done_by"].eq("") & (~later | room)
    told = told.assign(is_full=is_full.to_numpy(dtype=bool), stage=_stages(told))
    order = told["stage"].map({stage: at for at, stage in enumerate(STAGES)})
    return told.loc[order.sort_values(kind="stable").index].reset_index(drop=True)


def _stages(tasks):
    """The stage of each task: by whether its steps, or else the names of its figures, first speak of cold or of warm."""
    words = [
        " ".join((*steps, *(f["name"] for f in figures)))
        for steps, figures in zip(tasks["steps"], tasks["figures"], strict=True)
    ]
    first = (
        pd.Series(words, tasks.index, dtype=TEXT).str.casefold().str.extract(f"({_COLD})|({_WARM})")
    )
    changes_oil = tasks["task"].astype(TEXT).str.contains("engine-oil") & tasks["action"].eq(
        "replace"
    )
    safety, statutory = (tasks[c].fillna(False).astype(bool) for c in ("safety", "statutory"))
    stages = np.select(
        [statutory, first[0].notna(), first[1].notna() | changes_oil, safety],
        ["last", "cold", "warm", "safety"],
        "other",
    )
    return pd.Series(stages, tasks.index, dtype=object)


def _done_by(tasks, plan):
    """For each task the first pressing one on the sheet that covers it at its position, "" where none does."""
    if plan is None or tasks.empty:
        return pd.Series("", tasks.index, dtype=object)
    pressing = tasks[~tasks["state"].isin(["before-window", ON_CONDITION])][["task", "position"]]
    covers = (
        plan.covers[["code", "covered"]]
        .drop_duplicates()
        .merge(pressing, left_on="code", right_on="task")
    )
    covers = covers.drop_duplicates(["covered", "position"])[["code", "covered", "position"]]
    by = tasks[["task", "position"]].merge(
        covers, left_on=["task", "position"], right_on=["covered", "position"], how="left"
    )["code"]
    return by.astype(object).where(by.notna(), "").set_axis(tasks.index)


def have_of(tasks, worn):
    """Parts to have ready: a frame `item, unit, pack, quantity, packs, left, tasks, positions`.

    First those that the plan names for the tasks printed in full, in whole packs, those of one kind
    added up, `left` what is over. Then the worn parts (of `wear.remaining`) whose task names none:
    `item` as fitted, `category`, one a position.
    """
    each = (
        tasks.loc[tasks["is_full"], ["task", "parts"]]
        .explode("parts")
        .dropna(subset="parts")
        .reset_index(drop=True)
    )
    each = pd.concat([each[["task"]], pd.DataFrame(each["parts"].tolist())], axis=1)
    each = each.reindex(columns=["task", "item", "unit", "pack", "quantity"])
    by = each.groupby(["item", "unit", "pack"], sort=False)
    sums = by.agg(
        quantity=("quantity", "sum"), tasks=("task", lambda codes: tuple(dict.fromkeys(codes)))
    ).reset_index()
    packs = np.ceil(sums["quantity"] / sums["pack"] - 1e-9)
    sums = sums.assign(packs=packs, left=packs * sums["pack"] - sums["quantity"], category="")
    named = tasks.loc[tasks["is_full"] & tasks["parts"].map(len).gt(0), "part"]
    own = worn[~worn["category"].isin(named)].groupby(
        ["category", "item"], sort=False, dropna=False
    )
    own = own.agg(
        quantity=("last_position", "nunique"),
        positions=("last_position", lambda p: tuple(dict.fromkeys(p))),
    ).reset_index()
    own = own.assign(unit="", pack=1.0, packs=own["quantity"], left=0.0)
    both = [t.dropna(axis=1, how="all") for t in (sums, own) if len(t)]
    have = (pd.concat(both, ignore_index=True) if both else sums).reindex(
        columns=[*sums.columns, "positions"]
    )
    for name in ("tasks", "positions"):
        have[name] = [x if isinstance(x, tuple) else () for x in have[name]]
    return have
