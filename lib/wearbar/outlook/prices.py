"""What work has cost here, by class, so that forecast and actual are counted alike.

Classes: "planned" (tasks of the plan with a limit, tests, and the parts they fit), "wear" (parts whose wear is read, what is fitted with
them, and the work of fitting them), "unplanned" (work for defects or on advice beyond that) and "other" (what else was planned).
Accidents and recalls are in none. What was never priced is not known, never nil.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.cost.bills import money_lines

CLASSES = ("planned", "wear", "unplanned", "other")
TASK = ["amount", "amount_sd", "amount_se", "hours", "n"]
PERIOD_DAYS, LEAST_ROWS, TOGETHER = 730, 3, 0.8
FEW_SD = 0.2  # of a price that fewer rows tell, as a share of it: judgement


@dataclass(frozen=True, eq=False)
class Prices:
    """tasks: index (plan, task): `amount, amount_sd, amount_se, hours, n, source` ("log", "plan" or "" where not known), for one doing at
    one position. pieces: index (kind, category, item): `amount, amount_sd, n, price, hours` a piece, item "" all. bills: frame
    `vehicle, kind, date, what, amount, hours`, one row a day of a vehicle with unplanned or other work. labour_rate: money an hour.
    companions: category to those fitted with it.
    """

    tasks: pd.DataFrame
    pieces: pd.DataFrame
    bills: pd.DataFrame
    labour_rate: float
    companions: dict

    def piece(self, kind, category, item):
        """Rows of `pieces` by the item's own price, else by those of its category; NaN not known."""
        own, every = (
            self.pieces.reindex(pd.MultiIndex.from_arrays([kind, category, x]))
            for x in (item, np.repeat("", len(item)))
        )
        return own.reset_index(drop=True).fillna(every.reset_index(drop=True))


def classed(log, worn):
    """The log's money lines of the workshop with `what` (of CLASSES or ""), `hours` (of labour), `kind` and `plan`. worn: categories
    whose wear is read, with their companions.
    """
    lines = money_lines(log)
    lines = lines[lines["source"].isin(["work", "fitted"])]
    hours = log.tables["work"]["labour_hours"]
    lines = lines.assign(
        hours=np.where(lines["source"].eq("work"), lines["line"].map(hours), np.nan)
    )
    fleet = log.tables["vehicles"].drop_duplicates("vehicle")
    lines["kind"] = lines["vehicle"].map(fleet.set_index("vehicle")["kind"])
    codes, parts, on_condition = set(), set(), set()
    lines["plan"] = np.nan
    if log.plan is not None:
        tasks = log.plan.tasks
        lines["plan"] = lines["vehicle"].map(log.plan.assign(fleet))
        limited = tasks[[c for c in tasks if c.startswith("every_")]].notna().any(axis=1)
        codes, parts = set(tasks.loc[limited, "code"]), set(tasks.loc[limited, "fits"])
        on_condition = set(tasks.loc[~limited & tasks["fits"].isin(worn), "code"])
    is_work = lines["source"].eq("work")
    lines["what"] = np.select(
        [
            lines["why"].isin(["accident", "campaign"]),
            is_work & lines["detail"].isin(codes) | ~is_work & lines["detail"].isin(parts),
            is_work & lines["detail"].isin(on_condition) | ~is_work & lines["detail"].isin(worn),
            lines["why"].isin(["defect", "advice"]),
        ],
        ["", "planned", "wear", "unplanned"],
        "other",
    )
    return lines


def companions(log, worn):
    """Categories fitted together with one whose wear is read, four times in five: dict of category to tuple."""
    fitted = log.tables["fitted"].dropna(subset=["fitted"])
    fitted = fitted[["vehicle", "fitted", "category"]].drop_duplicates()
    both = fitted.merge(fitted, on=["vehicle", "fitted"], suffixes=("", "_with"))
    both = both[both["category"].isin(worn) & ~both["category_with"].isin(worn)]
    n = fitted["category"].value_counts()
    share = both.groupby(["category", "category_with"]).size()
    kept = [
        (a, b) for (a, b), k in share.items() if k >= LEAST_ROWS and k >= TOGETHER * max(n[a], n[b])
    ]
    return {a: tuple(b for x, b in kept if x == a) for a in worn}


def prices_of(log, found, worn):
    """The `Prices` of a log by its last two years; what they do not tell of hours and of pieces, by all of it.

    found: `intervals.occasions`; worn: categories whose wear is read.
    """
    with_them = companions(log, worn)
    every = {*worn, *(b for others in with_them.values() for b in others)}
    lines = classed(log, every)
    since = log.as_of - pd.Timedelta(days=PERIOD_DAYS)
    recent = lines[(lines["date"] > since) & (lines["date"] <= log.as_of)]
    work = recent[recent["source"].eq("work") & (recent["hours"] > 0) & (recent["amount"] > 0)]
    labour = log.tables["work"].loc[work["line"], "labour_cost"]
    rate = float(labour.sum() / work["hours"].sum()) if len(work) and labour.sum() > 0 else np.nan
    past = lines[lines["date"] <= log.as_of]
    return Prices(
        _tasks(log, found, past, since, rate),
        _pieces(log, past, every, since),
        _bills(lines),
        rate,
        with_them,
    )


def _tasks(log, found, lines, since, rate):
    """By the log where it tells, per doing; else by the plan's hours and parts, and hours by those of like tasks."""
    if log.plan is None:
        none = pd.MultiIndex.from_arrays([[], []], names=["plan", "code"])
        return pd.DataFrame(columns=TASK, index=none, dtype=float).assign(source="")
    tasks = log.plan.tasks.drop_duplicates(["plan", "code"], keep="last")
    tasks = tasks.set_index(["plan", "code"])
    plan, key = tasks.index.get_level_values(0), ["plan", "detail"]
    planned = lines[lines["what"].eq("planned") & lines["source"].eq("work")]
    by_task = planned[planned["date"] > since].groupby(key)
    by = by_task.agg(
        amount=("amount", "mean"),
        amount_sd=("amount", "std"),
        known=("amount", "count"),
        hours=("hours", "mean"),
        rows=("amount", "size"),
    ).reindex(tasks.index)
    done = found[found["done_date"] > since] if len(found) else None
    done = pd.Series(dtype=float) if done is None else done.groupby(["plan", "task"]).size()
    each = (by["rows"] / done.reindex(tasks.index)).clip(0.1, 3.0).fillna(1.0)
    parts = lines[lines["source"].eq("fitted") & lines["what"].eq("planned")]
    part = parts[parts["date"] > since].groupby(key)["amount"].mean()
    part = part.reindex(pd.MultiIndex.from_arrays([plan, tasks["fits"]])).fillna(0.0).to_numpy()
    by_log = by["amount"] * each + part
    by_plan = tasks["hours"] * rate + tasks["parts"].map(_parts_money)
    amount = by_log.fillna(by_plan)
    sd = (by["amount_sd"] * each).where(by["known"] >= LEAST_ROWS, FEW_SD * amount)
    se = (sd / np.sqrt(by["known"].clip(lower=1))).where(by_log.notna(), sd)
    older = planned.groupby(key)["hours"].mean().reindex(tasks.index)
    hours = (by["hours"].fillna(older) * each).fillna(tasks["hours"])
    hours = hours.fillna(hours.groupby([plan, tasks["action"]]).transform("mean"))
    source = np.where(by_log.notna(), "log", np.where(by_plan.notna(), "plan", ""))
    made = dict(zip(TASK, (amount, sd, se, hours, by["known"].fillna(0)), strict=True))
    return pd.DataFrame(made | {"source": source})


def _parts_money(parts):
    """Money of the plan's parts by what is used of a pack; NaN where one has no price."""
    return float(sum(p["quantity"] / p["pack"] * p["price"] for p in parts))


def _pieces(log, lines, worn, since):
    """A piece fitted: its price, its fitting, and the work of fitting it, by kind of vehicle, by item and over all."""
    bought = lines[lines["source"].eq("fitted") & lines["detail"].isin(worn)]
    fitted = log.tables["fitted"].sort_values("fitted", kind="stable")
    moved = fitted.index[fitted.duplicated("part") & fitted["part"].notna()]
    bought = bought[~bought["line"].isin(moved)]
    fitted = fitted.loc[bought["line"], ["item", "price"]]
    bought = bought.assign(
        item=fitted["item"].to_numpy(dtype=object),
        price=fitted["price"].to_numpy(),
        category=bought["detail"],
    )
    by = pd.concat([_mean_pieces(rows, since) for rows in (bought, bought.assign(item=""))])
    work = lines[lines["source"].eq("work") & lines["what"].eq("wear") & (lines["date"] > since)]
    part_of = (
        log.plan.tasks.dropna(subset=["part"]).drop_duplicates("code").set_index("code")["part"]
        if log.plan is not None
        else {}
    )
    keys = [work["kind"], work["detail"].map(part_of).astype(object).rename("category")]
    n = bought[bought["date"] > since].groupby(["kind", "category"]).size()
    each = (work.groupby(keys)[["amount", "hours"]].sum(min_count=1).reindex(n.index).T / n).T
    each = each.reindex(by.index.droplevel("item")).set_axis(by.index)
    return by.assign(amount=by["amount"] + each["amount"].fillna(0.0), hours=each["hours"])


def _mean_pieces(bought, since):
    """Means a piece by kind, category and item, by what was bought after `since`; of what was not, by all."""

    def means(rows):
        by = rows.groupby(["kind", "category", "item"])
        return by.agg(
            amount=("amount", "mean"),
            amount_sd=("amount", "std"),
            n=("amount", "count"),
            price=("price", "mean"),
        )

    recent = means(bought[bought["date"] > since])
    table = pd.concat([recent[recent["n"] > 0], means(bought)])
    table = table[~table.index.duplicated()]
    return table.assign(
        amount_sd=table["amount_sd"].where(table["n"] >= LEAST_ROWS, FEW_SD * table["amount"])
    )


def _bills(lines):
    rows = lines[lines["what"].isin(["unplanned", "other"])]
    by = rows.groupby(["vehicle", "kind", "date", "what"], observed=True)
    return by[["amount", "hours"]].sum(min_count=1).reset_index()
