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
from wearbar.log.keys import look_up
from wearbar.log.schema import TEXT

CLASSES = ("planned", "wear", "unplanned", "other")
PERIOD_DAYS, LEAST_ROWS, TOGETHER = 730, 3, 0.8
FEW_SD = 0.2  # of a price that fewer rows tell, as a share of it: judgement
TASK, PIECE = ["plan", "task"], ["kind", "category", "item"]
MONEY = {"amount": ("amount", "mean"), "amount_sd": ("amount", "std"), "n": ("amount", "count")}


@dataclass(frozen=True, eq=False)
class Prices:
    """What work and parts cost here, NaN where nothing tells it."""

    # one doing at one position, by `TASK`: `amount, amount_sd, amount_se, hours, n, source` ("log",
    # "plan" or "")
    tasks: pd.DataFrame
    # a piece with what is fitted with it, by `PIECE`, item "" all: `amount, amount_sd, n, price`
    # (its own), `hours`
    pieces: pd.DataFrame
    # a day of a vehicle: `vehicle, kind, date, what` (unplanned or other), `amount, hours`
    bills: pd.DataFrame
    worn: frozenset  # categories whose wear is read, and those fitted with them

    def of_tasks(self, rows):
        """`tasks` of each of `rows`."""
        return rows[TASK].join(self.tasks, on=TASK).drop(columns=TASK)

    def of_pieces(self, rows):
        """`pieces` of each of `rows`, by the item's own price, else by those of its category."""
        asked = rows[PIECE].astype(TEXT)
        own, every = (r.join(self.pieces, on=PIECE) for r in (asked, asked.assign(item="")))
        return own.fillna(every).drop(columns=PIECE)


def classed(log, worn):
    """The workshop's money lines with `what` (of CLASSES or ""), `hours` (of labour), `kind, plan,
    task` (or category). worn: of `Prices`."""
    lines, tasks = money_lines(log).rename(columns={"detail": "task"}), log.plan_or_empty.tasks
    lines = lines[lines["source"].isin(["work", "fitted"])]
    is_work, task, why = lines["source"].eq("work"), lines["task"], lines["why"]
    limited = tasks.filter(regex="^every_").notna().any(axis=1)
    planned, asked = tasks[limited], tasks[~limited & tasks["fits"].isin(worn)]
    what = {
        "": why.isin(["accident", "campaign"]),
        "planned": task.isin(planned["code"]).where(is_work, task.isin(planned["fits"])),
        "wear": task.isin(asked["code"]).where(is_work, task.isin(worn)),
        "unplanned": why.isin(["defect", "advice"]),
    }
    return lines.assign(
        what=np.select(list(what.values()), list(what), "other"),
        hours=lines["line"].map(log.tables["work"]["labour_hours"]).where(is_work),
        kind=look_up(lines["vehicle"], log.tables["vehicles"].set_index("vehicle")["kind"]),
        plan=log.plan_for(lines["vehicle"]),
    )


def companions(log, worn):
    """What is fitted with one whose wear is read, four times in five: frame `category, other`."""
    fitted = log.tables["fitted"].dropna(subset=["fitted"])
    fitted = fitted[["vehicle", "fitted", "category"]].drop_duplicates()
    other = fitted.rename(columns={"category": "other"})
    pairs = fitted[fitted["category"].isin(worn)].merge(other[~other["other"].isin(worn)])
    pairs = pairs.groupby(["category", "other"]).size().rename("n").reset_index()
    n = fitted["category"].value_counts()
    most = np.fmax(pairs["category"].map(n), pairs["other"].map(n))
    return pairs[pairs["n"] >= (TOGETHER * most).clip(lower=LEAST_ROWS)]


def prices_of(log, found, worn):
    """The `Prices` of a log by its last two years; hours and pieces that they do not tell, by all.
    found: `intervals.occasions`; worn: categories whose wear is read."""
    pairs = companions(log, worn)
    every = frozenset([*worn, *pairs["other"]])
    since, lines = log.as_of - pd.Timedelta(days=PERIOD_DAYS), classed(log, every)
    lines = lines[lines["date"] <= log.as_of]
    bills = lines[lines["what"].isin(["unplanned", "other"])]
    bills = bills.groupby(["vehicle", "kind", "date", "what"], observed=True)[["amount", "hours"]]
    bills = bills.sum(min_count=1).reset_index()
    tasks, pieces = _tasks(log, found, lines, since), _pieces(log, lines, every, pairs, since)
    return Prices(tasks, pieces, bills, every)


def _labour_rate(log, lines, since):
    """Money an hour of labour; NaN where not known."""
    work = lines[lines["source"].eq("work") & (lines["hours"] > 0) & (lines["amount"] > 0)]
    work = work[work["date"] > since]
    labour = log.tables["work"].loc[work["line"], "labour_cost"].sum()
    return labour / work["hours"].sum() if labour > 0 else np.nan


def _tasks(log, found, lines, since):
    """By the log where it tells, else by the plan's hours and parts; hours by like tasks too."""
    planned = lines[lines["what"].eq("planned")]
    is_work, is_recent = planned["source"].eq("work"), planned["date"] > since
    means = planned[is_work & is_recent].groupby(TASK)
    means = means.agg(**MONEY, mean_hours=("hours", "mean"), rows=("amount", "size"))
    by = {
        "fitted": planned[~is_work & is_recent].groupby(TASK)["amount"].mean(),
        "done": found[found["done_date"] > since].groupby(TASK).size(),
        "all_hours": planned[is_work].groupby(TASK)["hours"].mean(),
    }
    tasks = log.plan_or_empty.tasks.drop_duplicates(["plan", "code"], keep="last")
    t = tasks.rename(columns={"code": "task"}).join(means, on=TASK)
    for name, each in by.items():
        t = t.join(each.rename(name), on=["plan", "fits"] if name == "fitted" else TASK)
    each = (t["rows"] / t["done"]).clip(0.1, 3.0).fillna(1.0)
    by_log = t["amount"] * each + t["fitted"].fillna(0.0)
    parts_money = t["parts"].map(_parts_money).astype(float)
    by_plan = t["hours"] * _labour_rate(log, lines, since) + parts_money
    amount, is_told = by_log.fillna(by_plan), by_log.notna()
    sd = (t["amount_sd"] * each).where(t["n"] >= LEAST_ROWS, FEW_SD * amount)
    hours = (t["mean_hours"].fillna(t["all_hours"]) * each).fillna(t["hours"])
    made = {
        "amount": amount,
        "amount_sd": sd,
        "amount_se": (sd / np.sqrt(t["n"].clip(lower=1))).where(is_told, sd),
        "hours": hours.fillna(hours.groupby([t["plan"], t["action"]]).transform("mean")),
        "n": t["n"].fillna(0),
        "source": np.where(is_told, "log", np.where(by_plan.notna(), "plan", "")),
    }
    return t[TASK].assign(**made).set_index(TASK)


def _parts_money(parts):
    """Money of the plan's parts by what is used of a pack; NaN where one has no price."""
    return sum(p["quantity"] / p["pack"] * p["price"] for p in parts)


def _pieces(log, lines, worn, pairs, since):
    """A piece fitted: its price, its fitting and the work of it, by item and over all."""
    fitted = log.tables["fitted"].sort_values("fitted", kind="stable")
    moved = fitted.index[fitted.duplicated("part") & fitted["part"].notna()]
    is_work, part = lines["source"].eq("work"), lines["task"].map(part_of_task(log.plan_or_empty))
    lines = lines.assign(category=lines["task"].mask(is_work, part).astype(TEXT))
    work = lines[is_work & lines["what"].eq("wear") & (lines["date"] > since)]
    bought = lines[~is_work & lines["category"].isin(worn)]
    bought = bought[~bought["line"].isin(moved)].join(fitted[["item", "price"]], on="line")
    bought = pd.concat([bought, bought.assign(item="")])
    recent, every = (
        rows.groupby(PIECE).agg(**MONEY, price=("price", "mean"), pieces=("price", "size"))
        for rows in (bought[bought["date"] > since], bought)
    )
    by = pd.concat([recent[recent["n"] > 0], every])
    by = by[~by.index.duplicated()]
    n = recent.query("item == ''").droplevel("item")["pieces"]
    each = work.groupby(PIECE[:2])[["amount", "hours"]].sum(min_count=1)
    each = each.reindex(n.index).div(n, axis=0).add_prefix("work_")
    of = by.index.droplevel("item")
    by = by.join(each.reindex(of).set_axis(by.index))
    amount = by["amount"] + by["work_amount"].fillna(0.0)
    whole = amount.rename("extra").rename_axis(["kind", "other", "item"]).reset_index()
    extra = pairs.merge(whole.query("item == ''"), on="other").groupby(PIECE[:2])["extra"].sum()
    amount = amount + extra.reindex(of).fillna(0.0).to_numpy()
    sd = by["amount_sd"].mask(by["n"] < LEAST_ROWS, FEW_SD * by["amount"])
    return by.assign(amount=amount, amount_sd=sd, hours=by["work_hours"])
