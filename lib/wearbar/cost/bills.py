"""The money of a log: every row with money once, what of it is known, what may stand twice.

A blank amount is not known, never nil; work that others paid for costs nothing, but counts as work.
Amounts stay net or gross of tax as the log has them: column `tax` is neither added nor taken off.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from wearbar.log.keys import is_among, look_up
from wearbar.log.once import kept_with
from wearbar.log.schema import TEXT

ONE_DAY = pd.Timedelta(days=1)
WORK_CATEGORY = {"planned": "servicing", "defect": "repairs", "advice": "repairs"}
WORK_CATEGORY |= {"accident": "accidents", "campaign": "recalls"}
LINE_TYPES = {"vehicle": TEXT, "date": "datetime64[ns]", "category": TEXT, "detail": TEXT}
LINE_TYPES |= {"amount": float, "source": TEXT, "line": "int64", "is_fixed": bool}
LINE_TYPES |= {"visit": TEXT, "why": TEXT, "is_free": bool}
# table to its day, what the money is for, and its columns of money with their sign
MONEY = {
    "work": ("date", "task", {"labour_cost": 1, "parts_cost": 1, "other_cost": 1, "recovered": -1}),
    "fitted": ("fitted", "category", {"price": 1, "fitting_cost": 1}),
    "fuel": ("date", "kind", {"cost": 1}),
    "fixed_costs": ("to", "category", {"amount": 1}),
}
WHY_LEFT = ["set aside", "others paid", "bill not known", "no day", "outside record"]
DOUBLE = ["vehicle", "date", "item", "price", "other_cost", "why"]


@kept_with
def money_lines(log):
    """Every row with money, once, whatever its date: frame `LINE_TYPES`, one row a line.

    amount: NaN where not known; a credit is negative. line: the row's index in its table, `source`.
    work: labour + parts + other - recovered of those known; not known where labour and parts are
    blank and other is none; 0 and `is_free` where others paid. fitted: price + fitting; what came
    with the vehicle, or a later row of the same part, is left out if it has no price. fuel: the
    cost, or unit price times volume. fixed_costs: the whole period's, on its last day. Rows set
    aside are in it, their amount not known, so that no sum without them passes for whole."""
    lines = _lines(log)
    if not log.aside:
        return lines
    tables = {name: log.aside.get(name, frame.iloc[:0]) for name, frame in log.tables.items()}
    tables["vehicles"] = log.tables["vehicles"]
    lost = _lines(replace(log, tables=tables)).assign(amount=np.nan)
    twice = log.set_aside[log.set_aside["rule"].eq("same-reading")]  # such a fill lacks nowhere
    twice = is_among(lost, twice.rename(columns={"table": "source"}), ["source", "line"])
    lacks = lost["date"].notna() & lost["vehicle"].isin(tables["vehicles"]["vehicle"]) & ~twice
    return pd.concat([lines, lost[lacks]], ignore_index=True)


def _lines(log):
    work, fitted, fuel, fixed = (log.tables[t] for t in ("work", "fitted", "fuel", "fixed_costs"))
    costs = work[["labour_cost", "parts_cost", "other_cost"]]
    told = costs[["labour_cost", "parts_cost"]].notna().any(axis=1)
    told |= costs["other_cost"].fillna(0).ne(0)
    free = work["paid_by"].fillna("us").ne("us")
    amount = (costs.sum(axis=1) - work["recovered"].fillna(0)).where(told).mask(free, 0.0)
    about = {"date": work["date"], "category": work["why"].map(WORK_CATEGORY), "why": work["why"]}
    done = lines_of(work, "work", **about, detail=work["task"], amount=amount, is_free=free)

    amount = fitted[["price", "fitting_cost"]].sum(axis=1, min_count=1)
    by_visit = work.dropna(subset=["visit"]).groupby("visit")["why"].agg(["first", "nunique"])
    why = look_up(fitted["visit"], by_visit.query("nunique == 1")["first"]).fillna("planned")
    group = np.where(fitted["category"].eq("tyre"), "tyres", "parts")
    about = {"date": fitted["fitted"], "category": group, "detail": fitted["category"]}
    parts = lines_of(fitted, "fitted", **about, why=why, amount=amount)
    again = fitted.sort_values("fitted", kind="stable").duplicated("part").reindex(fitted.index)
    came = fitted["fitted"] <= look_up(fitted["vehicle"], log.joined)
    no_purchase = amount.isna() & (again & fitted["part"].notna() | came)
    parts = parts[fitted["fitted"].notna() & ~no_purchase]

    filled = {"date": fuel["date"], "category": "fuel", "detail": fuel["kind"]}
    cost = fuel["cost"].fillna(fuel["unit_price"] * fuel["volume"])
    filled = lines_of(fuel, "fuel", **filled, amount=cost)
    held = {"date": fixed["to"], "category": fixed["category"], "detail": fixed["category"]}
    held = lines_of(fixed, "fixed_costs", **held, amount=fixed["amount"], is_fixed=True)
    return pd.concat([done, parts, filled, held], ignore_index=True)


def lines_of(frame, source, **columns):
    """Money lines from a table's rows: `columns` over the defaults."""
    visit = frame["visit"] if "visit" in frame else pd.Series(pd.NA, frame.index, dtype=TEXT)
    default = {"vehicle": frame["vehicle"], "source": source, "line": frame.index, "visit": visit}
    default |= {"is_fixed": False, "why": "", "is_free": False}
    return pd.DataFrame(default | columns, frame.index, list(LINE_TYPES)).astype(LINE_TYPES)


def known_shares(lines):
    """Rows and how many have their money, by source: frame `source, rows, known, known_share`."""
    rows = lines.drop_duplicates(["source", "line"])  # what is spread by month counts once
    made = rows.groupby("source")["amount"].agg(rows="size", known="count").reset_index()
    return made.assign(known_share=made["known"] / made["rows"])


def double_entries(log):
    """Where the same money may stand twice: frame `DOUBLE`, one row a part.

    A part's price in `fitted`, and in `work` of the same visit or day and no other position parts
    of the same money, or parts on a task that fits this category; or a price on more than one row
    of the same part. A part fitted on no known day is in no sum."""
    fitted, work = log.tables["fitted"], log.tables["work"]
    fitted = fitted[(fitted["price"] > 0) & fitted["fitted"].notna()]
    fitted = fitted.rename(columns={"fitted": "date"}).reset_index(names="line")
    own = ["line", "vehicle", "visit", "position", "date", "item", "category", "price", "part"]
    work = work[["vehicle", "visit", "position", "date", "task", "parts_cost"]]
    work = work[work["parts_cost"] > 0].rename(columns={"parts_cost": "other_cost"})
    pairs = fitted[own].merge(work, on="vehicle", suffixes=("", "_of"))
    met = (pairs["visit"] == pairs["visit_of"]) | (pairs["date"] == pairs["date_of"])
    pairs = pairs[met & (pairs["position_of"].isna() | (pairs["position_of"] == pairs["position"]))]
    same = (pairs["other_cost"] / pairs["price"]).between(0.999, 1.001)
    fits = look_up(pairs["task"], part_of_task(log.plan_or_empty)) == pairs["category"]
    whys = "the same money for parts in work", "parts on the task that fits it in work"
    pairs = pairs.assign(why=np.where(same, *whys))[same | fits]
    again = fitted[fitted["part"].notna() & fitted.duplicated("part")]
    again = again.assign(why="priced on an earlier row of the same part", other_cost=np.nan)
    found = pd.concat([f[["line", *DOUBLE]].astype({"why": TEXT}) for f in (pairs, again)])
    found = found.drop_duplicates("line").sort_values(["date", "vehicle"], ignore_index=True)
    return found[DOUBLE]


def part_of_task(plan):
    """The part of each of the plan's tasks: Series by code."""
    tasks = plan.tasks.dropna(subset=["part"]).drop_duplicates("code")
    return tasks.set_index("code")["part"].astype(TEXT)


def money_entries(log):
    """Each figure of money of `MONEY`, in rows used or set aside, and what an account counts of it.

    Worked out beside `money_lines` and the account, to be held against them. Frame `line, column,
    amount` (as written, what was recovered negative; of a fill also by its unit price), `table,
    vehicle, date, what, why` (of `WHY_LEFT`, "" where all is counted), `counted_amount` (the part
    of the period in the vehicle's days of record) and `left_out_amount`. A figure of 0 is none."""
    found, days = [], log.record_periods
    for name, (day, what, signs) in MONEY.items():
        used, costs = log.tables[name], [column for column in signs if column != "recovered"]
        lost = log.aside.get(name, used[:0])
        rows = pd.concat([used.assign(is_lost=False), lost.assign(is_lost=True)])
        if name == "fuel":
            rows["cost"] = rows["cost"].fillna(rows["unit_price"] * rows["volume"])
        last, first = rows[day], rows.get("from", rows[day])
        begin, end = (look_up(rows["vehicle"], days[side]) for side in ("begin", "end"))
        inside = (np.minimum(last, end) - np.maximum(first, begin)).dt.days + 1
        share = (inside.clip(lower=0) / ((last - first).dt.days + 1)).fillna(0.0)
        others = rows.get("paid_by", pd.Series("us", rows.index)).fillna("us").ne("us")
        blank = rows[costs[:2]].isna().all(axis=1) & rows[costs[2:]].fillna(0).eq(0).all(axis=1)
        why = np.select([rows["is_lost"], others, blank, last.isna(), share < 1], WHY_LEFT, "")
        share = share.where(np.isin(why, ["", WHY_LEFT[-1]]), 0.0)
        about = {"vehicle": rows["vehicle"], "date": last, "what": rows[what], "why": why}
        about = pd.DataFrame({"table": name, **about, "share": share}, rows.index)
        cells = (rows[list(signs)] * pd.Series(signs)).stack(future_stack=True).rename("amount")
        cells = cells[cells.fillna(0).ne(0)].rename_axis(["line", "column"]).reset_index()
        found.append(cells.join(about, on="line"))
    made = pd.concat(found, ignore_index=True)
    counted = made["amount"] * made.pop("share")
    return made.assign(counted_amount=counted, left_out_amount=made["amount"] - counted)
