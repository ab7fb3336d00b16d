"""What work has cost here, by class, so that forecast and actual are counted alike.

Classes: "planned" (tasks of the plan with a limit, tests, and the parts they fit), "wear" (parts
whose wear is read, what is fitted with them, and the work of fitting them), "unplanned" (work for
defects or on advice beyond that) and "other" (what else was planned). Accidents and recalls are in
none. What was never priced is not known, never nil.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.cost.bills import money_lines, part_of_task

CLASSES = ("planned", "wear", "unplanned", "other")
PERIOD_DAYS, LEAST_ROWS, TOGETHER = 730, 3, 0.8
FEW_SD = 0.2  # of a price that fewer rows tell, as a share of it: judgement
TASK, PIECE = ["plan", "detail"], ["kind", "category", "item"]
MONEY = {"amount": ("amount", "mean"), "amount_sd": ("amount", "std"), "n": ("amount", "count")}


@dataclass(frozen=True, eq=False)
class Prices:
    """What work and parts cost here.

    tasks: index (plan, task): `amount, amount_sd, amount_se, hours, n, source` ("log", "plan" or ""
        where not known), for one doing at one position.
    pieces: index (kind, category, item), item "" all: `amount, amount_sd, n, price, hours` a piece.
    bills: `vehicle, kind, date, what, amount, hours`, one row a day of a vehicle with unplanned or
        other work. labour_rate: money an hour. companions: category to those fitted with it.
    """

    tasks: pd.DataFrame
    pieces: pd.DataFrame
    bills: pd.DataFrame
    labour_rate: float
    companions: dict

    def task(self, rows):
        """The row of `tasks` of each of `rows` (`plan, task`)."""
        return self.tasks.reindex(pd.MultiIndex.from_frame(rows[["plan", "task"]]))

    def piece(self, kind, category, item):
        """Rows of `pieces` by the item's own price, else by those of its category."""
        own, every = (
            self.pieces.reindex(pd.MultiIndex.from_arrays([kind, category, name]))
            for name in (item, np.repeat("", len(item)))
        )
        return own.reset_index(drop=True).fillna(every.reset_index(drop=True))


def classed(log, worn):
    """The workshop's money lines with `what` (of CLASSES or ""), `hours` (of labour), `kind, plan`.

    worn: categories whose wear is read, with their companions.
    """
    lines, fleet = money_lines(log), log.tables["vehicles"]
    lines = lines[lines["source"].isin(["work", "fitted"])]
    is_work, why, detail = lines["source"].eq("work"), lines["why"], lines["detail"]
    hours = lines["line"].map(log.tables["work"]["labour_hours"]).where(is_work)
    kind, plan = lines["vehicle"].map(fleet.set_index("vehicle")["kind"]), np.nan
    codes, parts, on_condition = set(), set(), set()
    if log.plan is not None:
        tasks, plan = log.plan.tasks, log.plan_for(lines["vehicle"])
        limited = tasks.filter(regex="^every_").notna().any(axis=1)
        codes, parts = set(tasks.loc[limited, "code"]), set(tasks.loc[limited, "fits"])
        on_condition = set(tasks.loc[~limited & tasks["fits"].isin(worn), "code"])
    what = {
        "": why.isin(["accident", "campaign"]),
        "planned": detail.isin(codes).where(is_work, detail.isin(parts)),
        "wear": detail.isin(on_condition).where(is_work, detail.isin(worn)),
        "unplanned": why.isin(["defect", "advice"]),
    }
    what = np.select(list(what.values()), list(what), "other")
    return lines.assign(hours=hours, kind=kind, plan=plan, what=what)


def companions(log, worn):
    """Categories fitted with one whose wear is read, four times in five: dict of tuples."""
    fitted = log.tables["fitted"].dropna(subset=["fitted"])
    fitted = fitted[["vehicle", "fitted", "category"]].drop_duplicates()
    both = fitted.merge(fitted, on=["vehicle", "fitted"], suffixes=("", "_with"))
    both = both[both["category"].isin(worn) & ~both["category_with"].isin(worn)]
    n, share = fitted["category"].value_counts(), both.groupby(["category", "category_with"]).size()
    kept = [ab for ab, k in share.items() if k >= max(LEAST_ROWS, TOGETHER * n[list(ab)].max())]
    return {a: tuple(b for x, b in kept if x == a) for a in worn}


def prices_of(log, found, worn):
    """The `Prices` of a log by its last two years; hours and pieces that they do not tell, by all.

    found: `intervals.occasions`; worn: categories whose wear is read.
    """
    with_them = companions(log, worn)
    every = {*worn, *(b for others in with_them.values() for b in others)}
    since, lines = log.as_of - pd.Timedelta(days=PERIOD_DAYS), classed(log, every)
    past = lines[lines["date"] <= log.as_of]
    work = past[past["source"].eq("work") & (past["hours"] > 0) & (past["amount"] > 0)]
    work = work[work["date"] > since]
    labour = log.tables["work"].loc[work["line"], "labour_cost"].sum()
    rate = float(labour / work["hours"].sum()) if labour > 0 else np.nan
    by = lines[lines["what"].isin(["unplanned", "other"])]
    by = by.groupby(["vehicle", "kind", "date", "what"], observed=True)[["amount", "hours"]]
    bills = by.sum(min_count=1).reset_index()
    tasks, pieces = _tasks(log, found, past, since, rate), _pieces(log, past, every, since)
    return Prices(tasks, pieces, bills, rate, with_them)


def _tasks(log, found, lines, since, rate):
    """By the log where it tells, else by the plan's hours and parts; hours by like tasks too."""
    if log.plan is None:
        none = pd.MultiIndex.from_arrays([[], []], names=["plan", "code"])
        columns = ["amount", "amount_sd", "amount_se", "hours", "n"]
        return pd.DataFrame(columns=columns, index=none, dtype=float).assign(source="")
    tasks = log.plan.tasks.drop_duplicates(["plan", "code"], keep="last")
    tasks = tasks.set_index(["plan", "code"])
    plan, is_work = tasks.index.get_level_values(0), lines["source"].eq("work")
    planned, is_recent = lines["what"].eq("planned"), lines["date"] > since
    work = lines[planned & is_work]
    by = work[work["date"] > since].groupby(TASK)
    by = by.agg(**MONEY, hours=("hours", "mean"), rows=("amount", "size")).reindex(tasks.index)
    done = found[found["done_date"] > since].groupby(["plan", "task"]).size()
    each = (by["rows"] / done.reindex(tasks.index)).clip(0.1, 3.0).fillna(1.0)
    part = lines[planned & ~is_work & is_recent].groupby(TASK)["amount"].mean()
    part = part.reindex(pd.MultiIndex.from_arrays([plan, tasks["fits"]])).fillna(0.0).to_numpy()
    by_log = by["amount"] * each + part
    by_plan = tasks["hours"] * rate + tasks["parts"].map(_parts_money)
    amount = by_log.fillna(by_plan)
    sd = (by["amount_sd"] * each).where(by["n"] >= LEAST_ROWS, FEW_SD * amount)
    older = work.groupby(TASK)["hours"].mean().reindex(tasks.index)
    hours = (by["hours"].fillna(older) * each).fillna(tasks["hours"])
    made = {
        "amount": amount,
        "amount_sd": sd,
        "amount_se": (sd / np.sqrt(by["n"].clip(lower=1))).where(by_log.notna(), sd),
        "hours": hours.fillna(hours.groupby([plan, tasks["action"]]).transform("mean")),
        "n": by["n"].fillna(0),
        "source": np.where(by_log.notna(), "log", np.where(by_plan.notna(), "plan", "")),
    }
    return pd.DataFrame(made)


def _parts_money(parts):
    """Money of the plan's parts by what is used of a pack; NaN where one has no price."""
    return float(sum(p["quantity"] / p["pack"] * p["price"] for p in parts))


def _pieces(log, lines, worn, since):
    """A piece fitted: its price, its fitting and the work of it, by kind, by item and over all."""
    fitted = log.tables["fitted"].sort_values("fitted", kind="stable")
    moved = fitted.index[fitted.duplicated("part") & fitted["part"].notna()]
    bought = lines[lines["source"].eq("fitted") & lines["detail"].isin(worn)]
    bought = bought[~bought["line"].isin(moved)].assign(category=bought["detail"])
    bought = bought.join(fitted[["item", "price"]], on="line")
    by = pd.concat([_mean_pieces(rows, since) for rows in (bought, bought.assign(item=""))])
    work = lines[lines["source"].eq("work") & lines["what"].eq("wear") & (lines["date"] > since)]
    category = work["detail"].map(part_of_task(log.plan)).astype(object)
    sums = work.assign(category=category).groupby(PIECE[:2])[["amount", "hours"]].sum(min_count=1)
    n = bought[bought["date"] > since].groupby(PIECE[:2]).size()
    each = sums.reindex(n.index).div(n, axis=0)
    each = each.reindex(by.index.droplevel("item")).set_axis(by.index)
    return by.assign(amount=by["amount"] + each["amount"].fillna(0.0), hours=each["hours"])


def _mean_pieces(bought, since):
    """Means a piece by `PIECE`, by what was bought after `since`; of what was not, by all."""
    recent, every = (
        rows.groupby(PIECE).agg(**MONEY, price=("price", "mean"))
        for rows in (bought[bought["date"] > since], bought)
    )
    table = pd.concat([recent[recent["n"] > 0], every])
    table = table[~table.index.duplicated()]
    few = table["n"] < LEAST_ROWS
    return table.assign(amount_sd=table["amount_sd"].mask(few, FEW_SD * table["amount"]))
