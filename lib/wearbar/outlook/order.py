"""What to order for the year: planned parts by the pack, worn parts by the set."""

import numpy as np
import pandas as pd

from wearbar.log.keys import stacked

ORDER_CHANCE = 0.8  # ordered are as many as will do with this chance
ITEM = ["item", "unit", "pack"]
COLUMNS = ["item", "for_what", "unit", "pack"]
COLUMNS += ["expected", "order_packs", "chance", "price", "amount"]
WORN = ["category", "kind", "axle", "item", "size"]


def order_list(log, ahead, sets, simulated, prices):
    """What to order for the year: one row an item.

    Frame `item, for_what, unit, pack` (units, or pieces of a set, in one), `expected` (units, sets
    or pieces), `order_packs` (as many as will do with ORDER_CHANCE), `chance` (of needing any),
    `price` (a pack), `amount`. Planned parts by the plan's quantities, worn parts by the set.
    """
    none = pd.DataFrame(columns=[*COLUMNS, "code"])
    rows = [none, _planned(log, ahead, simulated), _worn(sets, simulated, prices)]
    return stacked(rows).sort_values(["code", "item"], ignore_index=True)[COLUMNS]


def packs(quantity, pack):
    """Whole packs that hold a quantity: 2.3 out of packs of 1 is 3."""
    return np.ceil(np.round(np.asarray(quantity, dtype=float) / pack, 9))


def _planned(log, ahead, simulated):
    if log.plan is None:
        return pd.DataFrame()
    tasks = log.plan.tasks.drop_duplicates(["plan", "code"], keep="last")
    tasks = tasks[["plan", "code", "safety", "parts"]].explode("parts").dropna(subset=["parts"])
    tasks = tasks.rename(columns={"code": "task", "safety": "is_single"}).reset_index(drop=True)
    parts = tasks.drop(columns="parts").join(pd.DataFrame(tasks["parts"].tolist()))
    by_plan = ahead.rows.reset_index(names="row").merge(parts, on=["plan", "task"])
    if by_plan.empty:
        return by_plan
    by_item = by_plan.groupby(ITEM, sort=True)
    made = by_item.apply(lambda g: _one_item(g, simulated), include_groups=False).reset_index()
    is_shared = made["kinds"].eq("") | made.duplicated(["item", "kinds"], keep=False)
    whose = " (" + made["kinds"].mask(is_shared, made["plans"]) + ")"
    whose = whose.where(made.duplicated("item", keep=False), "")
    return made.assign(for_what=made["for_what"] + whose, code=made["code"] + whose)


def _one_item(group, simulated):
    """An item over all its tasks: a pack's rest serves the next job, but never a safety task's."""
    pack, price = group.name[2], group["price"].max()
    year = simulated.by_row[:, group["row"].to_numpy()]
    single = group["is_single"].to_numpy(dtype=bool)
    quantity = group["quantity"].to_numpy()
    need = packs(year[:, ~single] @ quantity[~single], pack)
    need = need + year[:, single] @ packs(quantity[single], pack)
    names = {"code": "task", "for_what": "title", "kinds": "kind", "plans": "plan"}
    row = {new: ", ".join(sorted(group[c].dropna().unique())) for new, c in names.items()}
    order = float(np.ceil(np.quantile(need, ORDER_CHANCE)))
    return pd.Series(row | _needed(need, (year @ quantity).mean(), order, price))


def _needed(need, expected, order, price):
    chance = (need > 0).mean()
    figures = {"expected": expected, "order_packs": order, "chance": chance}
    return figures | {"price": price, "amount": order * price}


def _worn(sets, simulated, prices):
    rows = []
    groups = sets.rows.groupby(WORN, dropna=False) if len(sets.rows) else ()
    for (category, kind, axle, item, size), some in groups:
        need = simulated.sets[:, some.index].sum(axis=1)
        many = float(np.floor(np.quantile(need, ORDER_CHANCE) + 1e-9))
        price = float(prices.piece([kind], [category], [item])["price"].iloc[0]) * size
        code = ", ".join(x for x in (category, axle, kind) if x)
        row = {"item": item, "code": code, "for_what": code.replace("-", " ")}
        row |= {"unit": "set" if size > 1 else "", "pack": float(size)}
        mean = need.mean()
        rows.append(row | _needed(need, mean, many if mean >= 0.5 else 0.0, price))
    return pd.DataFrame(rows)
