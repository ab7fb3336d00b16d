"""Parts ahead: when each set whose wear is read reaches its limit; what to order for the year."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import parts, usage
from wearbar.log.keys import look_up, stacked
from wearbar.log.once import kept_with
from wearbar.parts import usable_of
from wearbar.parts.lives import WORN_TABLES, axle_of

DAMAGE = ("damaged", "failed")
RENEWED = ("worn", "removed-early")
FEW_RENEWALS, LATE_STEPS = 8, 40
DAMAGE_WORTH = 2  # ends, of what all kinds have in common
USUAL_CV = 0.25  # of lives of which none is known
KINDS, SET = ["category", "kind"], ["vehicle", "category", "axle"]
ORDER_CHANCE = 0.8  # ordered are as many as will do with this chance
ORDER = ["item", "for_what", "unit", "pack", "expected", "order_packs", "chance", "price", "amount"]
PART = ["item", "number", "unit", "pack", "quantity", "price"]
WORN = ["category", "kind", "axle", "item", "size"]


@dataclass(frozen=True, eq=False)
class Sets:
    """Sets of like parts on one axle: tyres and pads are renewed by the axle."""

    # one row a set, `vehicle, site, kind, category, axle, item, size` (its parts); `life_km` of a
    # new one, `life_sd` of its log; `damage_per_km` of a part; `together`, the share renewed whole
    rows: pd.DataFrame
    # one row a part, `set` (row), `left_km` (NaN not known), `left_sd` (of log)
    parts: pd.DataFrame
    # (rows, LATE_STEPS) quantiles of how late sets are renewed, in lives
    late: np.ndarray

    def left(self, rows, draws, rng):
        """(draws, sets) km until each is renewed: by its least part, as late as is usual here."""
        at, left, sd = (self.parts[c].to_numpy() for c in ("set", "left_km", "left_sd"))
        life, life_sd = self.rows[["life_km", "life_sd"]].to_numpy().T
        shape = (draws, len(at))
        km = np.nan_to_num(left) * np.exp(rng.standard_normal(shape) * sd)
        fresh = life[at] * np.exp(rng.standard_normal(shape) * life_sd[at])
        km = np.where(np.isnan(left), fresh * rng.random(shape), km)
        least = np.full((len(life), draws), np.inf)
        np.minimum.at(least, at, km.T)
        with np.errstate(invalid="ignore"):  # a life without end, renewed when due
            after = life[rows] * (self._late(rows, draws, rng) - 1)
        return np.maximum(least[rows].T + np.where(np.isfinite(after), after, 0.0), 0.0)

    def life(self, rows, draws, rng):
        """(draws, sets) km that new ones last."""
        life, sd = self.rows[["life_km", "life_sd"]].to_numpy()[rows].T
        noise = rng.standard_normal((draws, len(rows))) * sd
        return life * np.exp(noise) * self._late(rows, draws, rng)

    def _late(self, rows, draws, rng):
        return self.late[rows, rng.integers(0, LATE_STEPS, (draws, len(rows)))]

    def damage(self, rows, draws, rng):
        """(draws, sets) km until a part of each is damaged."""
        rate = (self.rows["damage_per_km"] * self.rows["size"]).clip(lower=1e-12)
        return rng.exponential(1.0, (draws, len(rows))) / rate.to_numpy()[rows]


@kept_with(of=WORN_TABLES)
def worn_of(log, confidence=0.9):
    """(`parts.Wear` of the log, `parts.remaining` of its fitted parts)."""
    lines = parts.wear_of(parts.spans_of(log), parts.looks_of(log), parts.law_of(log))
    daily = usage.daily_rate(usage.log_path(log), log.as_of)
    return lines, parts.remaining(lines, log.as_of, daily, confidence)


@kept_with(of=WORN_TABLES)
def sets_of(log):
    """The `Sets` fitted now, of the categories whose wear is read."""
    lines, on = worn_of(log)
    on = on[on["vehicle"].isin(log.here)].reset_index(drop=True)
    left, low, high = on["left_km"], on["life_low_km"], on["life_high_km"]
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = (np.log(high) - np.log(low)) / 3.29 * on["life_km"] / left.clip(lower=1.0)
    is_told = np.isfinite(left) | on["state"].isin(["below", "below-legal"])
    on = on.assign(
        axle=axle_of(on["last_position"].fillna("")),
        left_sd=spread.clip(0.02, 1.0).where(left > 0, 0.0).fillna(0.3),
        left_km=left.fillna(0.0).replace(np.inf, np.nan).where(is_told),
        new_km=1000 * usable_of(on) / on["usual_rate"],
        new_sd=on["usual_cv"].fillna(USUAL_CV),
    )
    by = on.groupby(SET, sort=True, dropna=False)
    how = {"site": "first", "kind": "first", "item": "last", "part_key": "size"}
    rows = by.agg(how | {"new_km": "mean", "new_sd": "mean"}).reset_index()
    rows = rows.rename(columns={"part_key": "size", "new_km": "life_km", "new_sd": "life_sd"})
    lives, (late, together) = lines.parts, _habits(lines.parts, rows)
    # the median life to the limit of like parts, of the category and kind, else of the category
    km = 1000 * usable_of(lives) / lives["rate_mm_per_1000km"].where(lambda rate: rate > 0)
    lives = lives.assign(km=km.where(km > 0), n=lives["cause"].isin(DAMAGE).astype(float))
    own, every = (lives.groupby(by)["km"].median() for by in (KINDS, "category"))
    life = rows.join(own, on=KINDS)["km"].fillna(look_up(rows["category"], every))
    # ends by damage a km of each kind, drawn to the category's as by DAMAGE_WORTH ends
    own, every = (lives.groupby(by)[["n", "duration_km"]].sum() for by in (KINDS, "category"))
    own = rows[KINDS].join(own, on=KINDS).fillna({"n": 0.0, "duration_km": 0.0})
    usual = every["n"] / every["duration_km"].where(every["duration_km"] > 0)
    usual = look_up(rows["category"], usual).where(lambda rate: rate > 0)
    damage = (own["n"] + DAMAGE_WORTH) / (own["duration_km"] + DAMAGE_WORTH / usual)
    rows["life_km"] = rows["life_km"].fillna(life.fillna(np.inf))
    rows = rows.assign(damage_per_km=damage.fillna(0.0), together=together)
    return Sets(rows, on[["left_km", "left_sd"]].assign(set=by.ngroup()), late)


def _habits(ended, rows):
    """(late, together) of `Sets`, by renewals: what left an axle on one day, as late as its latest
    part. What fewer than FEW_RENEWALS of a category tell is as the limit and the set say."""
    rate = ended["rate_mm_per_1000km"].where(lambda rate: rate > 0, ended["usual_rate"])
    life = (1000 * usable_of(ended) / rate).where(lambda km: km > 0)
    axle = axle_of(ended["last_position"].fillna(""))
    ended = ended.assign(late=ended["duration_km"] / life, axle=axle)
    ended = ended[~ended["is_on"] & ended["cause"].isin(RENEWED)]
    events = ended.groupby(["category", "vehicle", "axle", "end"], dropna=False)["late"]
    events = events.agg(["max", "size"]).reset_index()
    late, together = np.ones((len(rows), LATE_STEPS)), np.ones(len(rows))
    for category, some in events.groupby("category"):
        mine, known = rows["category"].eq(category).to_numpy(), some["max"].dropna().clip(0.5, 2.0)
        if len(known) >= FEW_RENEWALS:
            late[mine] = np.quantile(known, (np.arange(LATE_STEPS) + 0.5) / LATE_STEPS)
        if len(some) >= FEW_RENEWALS:
            together[mine & rows["size"].gt(1)] = (some["size"] > 1).mean()
    return late, together


def packs(quantity, pack):
    """Whole packs that hold a quantity: 2.3 out of packs of 1 is 3."""
    return np.ceil(np.round(np.asarray(quantity, dtype=float) / pack, 9))


def packs_for(times, parts):
    """Whole packs of one item, by row of `times` (n, parts), how often each part is taken: what is
    left of a pack serves the next job, never a safety task's. parts: `quantity, pack, safety`."""
    quantity, pack = parts["quantity"].to_numpy(dtype=float), parts["pack"].iloc[0]
    alone = parts["safety"].to_numpy(dtype=bool)
    shared = packs(times[:, ~alone] @ quantity[~alone], pack)
    return shared + times[:, alone] @ packs(quantity[alone], pack)


def parts_of(tasks):
    """The parts that `tasks` take, a row each: the columns of the task, and `PART`."""
    tasks = tasks.explode("parts", ignore_index=True).dropna(subset="parts")
    parts = pd.DataFrame(tasks["parts"].tolist(), tasks.index, PART)
    return tasks.drop(columns="parts").join(parts)


def order_list(log, ahead, sets, simulated, prices):
    """What to order for the year, a row an item: frame `item, for_what, unit, pack` (units, or
    pieces of a set, in one), `expected` (units, sets or pieces), `order_packs` (as many as will do
    with ORDER_CHANCE), `chance` (of needing any), `price` (a pack), `amount`."""
    tasks = log.plan_or_empty.tasks.drop_duplicates(["plan", "code"], keep="last")
    tasks = tasks[["plan", "code", "parts"]].rename(columns={"code": "task"})
    parts, rows = ahead.rows.reset_index(names="row").merge(parts_of(tasks)), []
    for (item, unit, pack), some in parts.groupby(["item", "unit", "pack"]):
        year, quantity = simulated.by_row[:, some["row"]], some["quantity"].to_numpy()
        need = packs_for(year, some)
        row = {"item": item, "unit": unit, "pack": pack, "price": some["price"].max()}
        row |= {"expected": (year @ quantity).mean(), "chance": (need > 0).mean()}
        row |= {"order_packs": np.ceil(np.quantile(need, ORDER_CHANCE))}
        names = {"code": "task", "for_what": "title", "kinds": "kind", "plans": "plan"}
        row |= {new: ", ".join(sorted(some[c].dropna().unique())) for new, c in names.items()}
        rows.append(row)
    made = pd.DataFrame(rows, columns=[*ORDER, "code", "kinds", "plans"])
    is_shared = made["kinds"].eq("") | made.duplicated(["item", "kinds"], keep=False)
    whose = " (" + made["kinds"].mask(is_shared, made["plans"]) + ")"
    whose = whose.where(made.duplicated("item", keep=False), "")
    made = made.assign(for_what=made["for_what"] + whose, code=made["code"] + whose)
    made = stacked([made, _worn(sets, simulated, prices)])
    made = made.assign(amount=made["order_packs"] * made["price"])
    return made.sort_values(["code", "item"], ignore_index=True)[ORDER]


def _worn(sets, simulated, prices):
    """Each item by the set, where half a set or more is expected; not those whose wear nothing
    tells."""
    rows, price = [], prices.of_pieces(sets.rows)["price"]
    told = sets.rows[np.isfinite(sets.rows["life_km"])]
    for (category, kind, axle, item, size), some in told.groupby(WORN, dropna=False):
        need = simulated.sets[:, some.index].sum(axis=1)
        order = np.floor(np.quantile(need, ORDER_CHANCE) + 1e-9) if need.mean() >= 0.5 else 0.0
        code = ", ".join(x for x in (category, axle, kind) if x)
        row = {"item": item, "code": code, "for_what": code.replace("-", " ")}
        row |= {"unit": "set" if size > 1 else "", "pack": float(size), "order_packs": order}
        row |= {"expected": need.mean(), "chance": (need > 0).mean()}
        rows.append(row | {"price": price[some.index[0]] * size})
    return pd.DataFrame(rows, columns=[*ORDER, "code"])
