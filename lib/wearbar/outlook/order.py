"""What to order for the year: planned parts by the pack, worn parts by the set."""

import numpy as np
import pandas as pd

from wearbar.log.keys import stacked

ORDER_CHANCE = 0.8  # ordered are as many as will do with this chance
COLUMNS = ["item", "for_what", "unit", "pack"]
COLUMNS += ["expected", "order_packs", "chance", "price", "amount"]
PART = ["item", "unit", "pack", "quantity", "price"]
WORN = ["category", "kind", "axle", "item", "size"]


def order_list(log, ahead, sets, simulated, prices):
    """What to order for the year: one row an item.

    Frame `item, for_what, unit, pack` (units, or pieces of a set, in one), `expected` (units, sets
    or pieces), `order_packs` (as many as will do with ORDER_CHANCE), `chance` (of needing any),
    `price` (a pack), `amount`. Planned parts by the plan's quantities, worn parts by the set.
    """
    rows = stacked([_planned(log, ahead, simulated), _worn(sets, simulated, prices)])
    rows = rows.assign(amount=rows["order_packs"] * rows["price"])
    return rows.sort_values(["code", "item"], ignore_index=True)[COLUMNS]


def packs(quantity, pack):
    """Whole packs that hold a quantity: 2.3 out of packs of 1 is 3."""
    return np.ceil(np.round(np.asarray(quantity, dtype=float) / pack, 9))


def parts_of(tasks):
    """The parts that `tasks` take, a row each: the columns of the task, and `PART`."""
    tasks = tasks.explode("parts", ignore_index=True).dropna(subset="parts")
    parts = pd.DataFrame(tasks["parts"].tolist(), tasks.index, PART)
    return tasks.drop(columns="parts").join(parts)


def _planned(log, ahead, simulated):
    """Items over all their tasks: a pack's rest serves the next job, never a safety task's."""
    tasks = log.plan_or_empty.tasks.drop_duplicates(["plan", "code"], keep="last")
    tasks = tasks[["plan", "code", "parts"]].rename(columns={"code": "task"})
    parts, rows = ahead.rows.reset_index(names="row").merge(parts_of(tasks)), []
    for (item, unit, pack), some in parts.groupby(["item", "unit", "pack"]):
        year, quantity = simulated.by_row[:, some["row"]], some["quantity"].to_numpy()
        alone = some["safety"].to_numpy(dtype=bool)
        need = packs(year[:, ~alone] @ quantity[~alone], pack)
        need = need + year[:, alone] @ packs(quantity[alone], pack)
        row = {"item": item, "unit": unit, "pack": pack, "price": some["price"].max()}
        row |= {"expected": (year @ quantity).mean(), "chance": (need > 0).mean()}
        row |= {"order_packs": np.ceil(np.quantile(need, ORDER_CHANCE))}
        names = {"code": "task", "for_what": "title", "kinds": "kind", "plans": "plan"}
        row |= {new: ", ".join(sorted(some[c].dropna().unique())) for new, c in names.items()}
        rows.append(row)
    made = pd.DataFrame(rows, columns=[*COLUMNS, "code", "kinds", "plans"])
    is_shared = made["kinds"].eq("") | made.duplicated(["item", "kinds"], keep=False)
    whose = " (" + made["kinds"].mask(is_shared, made["plans"]) + ")"
    whose = whose.where(made.duplicated("item", keep=False), "")
    return made.assign(for_what=made["for_what"] + whose, code=made["code"] + whose)


def _worn(sets, simulated, prices):
    """Each item by the set, where half a set or more is expected."""
    rows, price = [], prices.of_pieces(sets.rows)["price"]
    for (category, kind, axle, item, size), some in sets.rows.groupby(WORN, dropna=False):
        need = simulated.sets[:, some.index].sum(axis=1)
        order = np.floor(np.quantile(need, ORDER_CHANCE) + 1e-9) if need.mean() >= 0.5 else 0.0
        code = ", ".join(x for x in (category, axle, kind) if x)
        row = {"item": item, "code": code, "for_what": code.replace("-", " ")}
        row |= {"unit": "set" if size > 1 else "", "pack": float(size), "order_packs": order}
        row |= {"expected": need.mean(), "chance": (need > 0).mean()}
        rows.append(row | {"price": price[some.index[0]] * size})
    return pd.DataFrame(rows, columns=[*COLUMNS, "code"])
