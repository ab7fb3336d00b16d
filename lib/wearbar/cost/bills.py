"""The money of a log: every row with money once, what of it is known, and where the same may stand twice.

A blank amount is not known and is never taken for none; work that others paid for is at no cost and still counts as work. Amounts stay net
or gross of recoverable tax as the log has them: the column `tax` is neither added nor taken off.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up
from wearbar.log.schema import TEXT

__all__ = [
    "ONE_DAY",
    "double_entries",
    "fuel_cost",
    "joined",
    "known_shares",
    "lines_of",
    "money_lines",
]

ONE_DAY = pd.Timedelta(days=1)

WORK_CATEGORY = {
    "planned": "servicing",
    "defect": "repairs",
    "advice": "repairs",
    "accident": "accidents",
    "campaign": "recalls",
}

LINE_TYPES = {
    "vehicle": TEXT,
    "date": "datetime64[ns]",
    "category": TEXT,
    "detail": TEXT,
    "amount": float,
    "source": TEXT,
    "line": "int64",
}

LINE_TYPES |= {"is_fixed": bool, "visit": TEXT, "why": TEXT, "is_free": bool}


def money_lines(log):
    """Every row with money, once, whatever its date: frame `LINE_TYPES`; amount NaN where not known; a credit is negative.

    work: labour + parts + other - recovered, of those that are known; not known where labour and parts are blank and other is none;
    0 and `is_free` where others paid. fitted: price + fitting; what came with the vehicle, and a later row of the same part, is no purchase
    if it has no price, and is left out.
    fixed_costs: the whole period's amount, dated on its last day. `line` is the row's index in its table.
    """
    return pd.concat([*_by_table(log), *_set_aside(log)], ignore_index=True)[list(LINE_TYPES)]


def _by_table(log):
    return [_work(log), _fitted(log), _fuel(log), _fixed(log)]


def _set_aside(log):
    """Lines of the rows set aside, amount not known, so that no sum without them passes for whole.

    A fill typed twice lacks nowhere.
    """
    if not log.aside:
        return []
    tables = {name: log.aside.get(name, frame.iloc[:0]) for name, frame in log.tables.items()}
    tables["vehicles"] = log.tables["vehicles"]
    twice = log.set_aside.loc[log.set_aside["rule"].eq("same-reading"), ["table", "line"]]
    parts = []
    for lines in _by_table(replace(log, tables=tables, _si={})):
        place = pd.MultiIndex.from_frame(lines[["source", "line"]])
        lacks = ~place.isin(pd.MultiIndex.from_frame(twice)) & lines["date"].notna()
        lacks &= lines["vehicle"].isin(tables["vehicles"]["vehicle"])
        parts.append(lines[lacks].assign(amount=np.nan))
    return parts


def lines_of(frame, source, **columns):
    """Money lines from a table's rows: `columns` over the defaults."""
    visit = frame["visit"] if "visit" in frame else pd.Series(pd.NA, frame.index, dtype=TEXT)
    default = {
        "source": source,
        "line": frame.index,
        "is_fixed": False,
        "visit": visit,
        "why": "",
        "is_free": False,
    }
    made = pd.DataFrame({"vehicle": frame["vehicle"], **default, **columns}, index=frame.index)
    return made.astype({name: LINE_TYPES[name] for name in made if name in LINE_TYPES})


def _work(log):
    work = log.tables["work"]
    parts = work[["labour_cost", "parts_cost", "other_cost"]]
    free = work["paid_by"].fillna("us").ne("us")
    told = (
        work["labour_cost"].notna()
        | work["parts_cost"].notna()
        | work["other_cost"].fillna(0).ne(0)
    )
    amount = (parts.sum(axis=1) - work["recovered"].fillna(0)).where(told).mask(free, 0.0)
    category = work["why"].map(WORK_CATEGORY)
    return lines_of(
        work,
        "work",
        date=work["date"],
        category=category,
        detail=work["task"],
        amount=amount,
        why=work["why"],
        is_free=free,
    )


def _fitted(log):
    fitted, work = log.tables["fitted"], log.tables["work"]
    amount = fitted[["price", "fitting_cost"]].sum(axis=1, min_count=1)
    category = pd.Series(np.where(fitted["category"].eq("tyre"), "tyres", "parts"), fitted.index)
    one_why = (
        work.dropna(subset=["visit"])
        .groupby("visit")["why"]
        .agg(["first", "nunique"])
        .query("nunique == 1")["first"]
    )
    why = look_up(fitted["visit"], one_why).fillna("planned")
    made = lines_of(
        fitted,
        "fitted",
        date=fitted["fitted"],
        category=category,
        detail=fitted["category"],
        amount=amount,
        why=why,
    )
    since = look_up(fitted["vehicle"], joined(log.tables["vehicles"]))
    again = (
        fitted.sort_values("fitted", kind="stable").duplicated("part").reindex(fitted.index)
        & fitted["part"].notna()
    )
    no_purchase = amount.isna() & (again | (fitted["fitted"] <= since))
    return made[fitted["fitted"].notna() & ~no_purchase]


def joined(vehicles):
    """The day that each vehicle joined the log."""
    return vehicles["acquired"].fillna(vehicles["in_service"]).set_axis(vehicles["vehicle"])


def _fuel(log):
    fuel = log.tables["fuel"]
    return lines_of(
        fuel,
        "fuel",
        date=fuel["date"],
        category="fuel",
        detail=fuel["kind"],
        amount=fuel_cost(fuel),
    )


def fuel_cost(fuel):
    """The cost of each fill: as it is in the log, or its unit price times its volume; NaN where neither is known."""
    return fuel["cost"].fillna(fuel["unit_price"] * fuel["volume"])


def _fixed(log):
    fixed = log.tables["fixed_costs"]
    columns = {
        "category": fixed["category"],
        "detail": fixed["category"],
        "amount": fixed["amount"],
    }
    return lines_of(fixed, "fixed_costs", date=fixed["to"], **columns, is_fixed=True)


def known_shares(lines):
    """Rows and how many have their money, by source: frame `source, rows, known, known_share`; what is spread by month counts once."""
    rows = lines.drop_duplicates(["source", "line"])
    made = rows.groupby("source")["amount"].agg(rows="size", known="count").reset_index()
    return made.assign(known_share=made["known"] / made["rows"])


def double_entries(log):
    """Where the same money may stand twice: frame `vehicle, date, item, price, other_cost, why`.

    A part's price in `fitted`, and in `work` of the same visit or day and no other position parts of the same money, or parts on a task of
    the plan that fits this category; or a price on more than one row of the same part. A part fitted on no known day is in no sum.
    """
    fitted, work = log.tables["fitted"], log.tables["work"]
    kept = ["vehicle", "visit", "position", "fitted", "item", "category", "price", "part"]
    left = fitted.loc[(fitted["price"] > 0) & fitted["fitted"].notna(), kept]
    left = left.rename(columns={"fitted": "date"}).reset_index(names="line")
    right = work.loc[
        work["parts_cost"] > 0, ["vehicle", "visit", "position", "date", "task", "parts_cost"]
    ]
    right = right.rename(columns={"parts_cost": "other_cost", "date": "done"})
    pairs = left.merge(right, on="vehicle", suffixes=("", "_of"))
    pairs = pairs[
        (pairs["visit"].notna() & (pairs["visit"] == pairs["visit_of"]))
        | (pairs["date"] == pairs["done"])
    ]
    pairs = pairs[pairs["position_of"].isna() | (pairs["position_of"] == pairs["position"])]
    same = (pairs["other_cost"] / pairs["price"]).between(0.999, 1.001)
    fits = (pairs["task"].map(_part_of_task(log.plan)) == pairs["category"]).fillna(False)
    pairs = pairs.assign(
        why=np.where(
            same, "the same money for parts in work", "parts on the task that fits it in work"
        )
    )[same | fits]
    part = left[left["part"].notna() & left.duplicated("part")].assign(
        why="priced on an earlier row of the same part", other_cost=np.nan
    )
    found = pd.concat(
        [f.astype({"why": TEXT, "other_cost": float}) for f in (pairs, part)]
    ).drop_duplicates("line")
    return found.sort_values(["date", "vehicle"], ignore_index=True)[
        ["vehicle", "date", "item", "price", "other_cost", "why"]
    ]


def _part_of_task(plan):
    if plan is None:
        return pd.Series(dtype=TEXT)
    tasks = plan.tasks.dropna(subset=["part"]).drop_duplicates("code")
    return tasks.set_index("code")["part"].astype(TEXT)
