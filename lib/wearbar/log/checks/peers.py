"""Plausible beside its like: money, hours and depths so far from their peers that a slip of the hand is likelier than the bill.

Each value is held against the middle of its like on a scale of ratios, in widths of their own spread (1.4826 times the median distance
from the middle, which few slips can move). A wide spread, as of repair bills, so allows wide bills. Bounds: set where simulated logs with
heavy bills raise no alarm (tests/test_plausible.py); by judgement, no source.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.log.checks.problems import codes, join, none_found, problems

__all__ = [
    "Bound",
    "doubtful_fuel_money",
    "doubtful_hours_worked",
    "doubtful_money",
    "far_above",
    "grows_with",
]

PER_SIGMA = 1.4826
WORK_SUM = ("labour_cost", "parts_cost", "other_cost", "recovered")
# table to its money columns, and the column by which a row's like is told
MONEY = {
    "work": ((*WORK_SUM, "tax"), "task"),
    "fitted": (("price", "fitting_cost"), "category"),
    "fixed_costs": (("amount",), "category"),
    "valuations": (("value",), "kind"),
    "vehicles": (("price", "disposed_value"), "kind"),
}
ADDED_UP = {"work": WORK_SUM, "fitted": ("price", "fitting_cost")}
MOST_MONEY = 1e10  # more than a vehicle costs in any currency


@dataclass(frozen=True)
class Bound:
    """How far above the middle is too far: `times` it and `widths` of spread (at least `floor`, on the natural log), of `least` peers;

    and `above_next` times the next value that is not too far itself.
    """

    times: float
    widths: float
    floor: float
    least: int
    above_next: float = 1.0


WILD = Bound(times=1000, widths=7, floor=0.7, least=4, above_next=10)  # of all the column
HIGH = Bound(
    times=30, widths=9, floor=0.35, least=8, above_next=3
)  # of its like alone, where that is planned work

PRICE = Bound(times=4, widths=8, floor=0.15, least=5)  # of one unit of fuel, above or below
ENOUGH_FILLS, UNEVEN = 8, 0.2


def far_above(value, group, bound):
    """Which values are too far above those of their group: (mask, middle of the group). value: floats, 0 and NaN left out; group: ints."""
    size, middle = np.abs(value), np.full(len(value), np.nan)
    at = np.flatnonzero(size > 0)
    mask = np.zeros(len(value), dtype=bool)
    if len(at) < bound.least:
        return mask, middle
    told = pd.DataFrame({"group": group[at], "log": np.log(size[at])})
    by = told.groupby("group")["log"]
    if by.max().sub(by.min()).max() < np.log(bound.times):
        return mask, middle
    centre = by.transform("median")
    width = (told["log"] - centre).abs().groupby(told["group"]).transform("median") * PER_SIGMA
    over = told["log"] - centre
    far = (
        (over > np.log(bound.times))
        & (over > bound.widths * width.clip(lower=bound.floor))
        & (by.transform("size") >= bound.least)
    )
    next_ = told["log"].where(~far).groupby(told["group"]).transform("max")
    far &= over > next_ - centre + np.log(bound.above_next)
    middle[at] = np.exp(centre)
    mask[at] = far
    return mask, middle


def doubtful_money(tables):
    """Amounts that can't be: wild ones are read as blank, and with them what their row adds up; high ones are warned of. Credits too."""
    return join(
        _money_of(name, tables[name], tables["vehicles"]) for name in MONEY if len(tables[name])
    )


def _money_of(table, frame, vehicles):
    names, like = MONEY[table]
    group, days = _like(frame, like, vehicles), _days(table, frame)
    steady = (
        frame["why"].eq("planned").to_numpy()
        if table == "work"
        else np.ones(len(frame), dtype=bool)
    )  # repairs have no usual bill
    parts, wild = [], {}
    for name in names:
        value = frame[name].to_numpy() / days
        far, middle = far_above(value, np.zeros(len(frame), dtype="int64"), WILD)
        wild[name] = far | (np.abs(frame[name].to_numpy()) > MOST_MONEY)
        parts.append(
            _named(table, frame, name, wild[name], middle * days, "money-wild", f" of {name}")
        )
        high, middle = far_above(np.where(wild[name] | ~steady, np.nan, value), group, HIGH)
        parts.append(_named(table, frame, name, high, middle * days, "money-high", ""))
    return join([*parts, *_rest_of_row(table, frame, wild)])


def _like(frame, name, vehicles):
    if name not in frame:
        kind = vehicles[name].to_numpy()[codes(frame["vehicle"], vehicles["vehicle"])]
        return pd.factorize(kind)[0]
    return frame[name].factorize()[0]


def _days(table, frame):
    return (
        ((frame["to"] - frame["from"]).dt.days + 1).clip(lower=1).to_numpy()
        if table == "fixed_costs"
        else 1.0
    )


def _named(table, frame, name, mask, middle, rule, of):
    if not mask.any():
        return none_found()
    rows, middle = frame[mask], np.broadcast_to(middle, len(frame))[mask]
    remedy = [_remedy(v, m, of) for v, m in zip(rows[name], middle, strict=True)]
    return problems(table, rows.index, name, rows[name], rule, np.array(remedy, dtype=object))


def _remedy(value, middle, of):
    if not np.isfinite(middle):
        return f"{value:.15g} is more than any bill: mend the amount"
    near = [value / 10**k for k in range(1, 5) if 1 / 3 <= abs(value) / 10**k / middle <= 3]
    slip = f"a decimal point lost? {near[0]:.10g}" if near else "mend the amount"
    return f"{value:.15g} is far above the usual {middle:.3g}{of}: {slip}"


def _rest_of_row(table, frame, wild):
    """What a row with a wild amount adds up is not known: its other amounts are read as blank with it."""
    names = ADDED_UP.get(table, ())
    for name in names:
        others = np.logical_or.reduce([wild[n] for n in names if n != name])
        rows = frame[others & ~wild[name] & frame[name].notna().to_numpy()]
        remedy = (
            "another amount of its row can't be, so what the row cost is not known: mend that one"
        )
        yield problems(table, rows.index, name, rows[name], "money-wild", remedy)


def doubtful_hours_worked(work):
    """Hours of labour on planned work far above those of the same task: minutes, perhaps."""
    if not len(work):
        return none_found()
    hours = work["labour_hours"].where(work["why"].eq("planned")).to_numpy()
    high, middle = far_above(hours, work["task"].factorize()[0], HIGH)
    return _named("work", work, "labour_hours", high, middle, "hours-high", "")


def doubtful_fuel_money(fuel):
    """Fills whose price of one unit is far from the others of their fuel, or is another than `unit_price`; a column of such prices.

    Of electricity, at home and by the road, no price is far.
    """
    if not len(fuel):
        return none_found()
    cost, volume = fuel["cost"].to_numpy(), fuel["volume"].to_numpy()
    if grows_with(cost, volume) is False:
        return problems("fuel", [1], "cost", [""], "cost-is-price")
    with np.errstate(divide="ignore", invalid="ignore"):
        price = np.where(
            (volume > 0) & fuel["kind"].ne("electric").to_numpy(), cost / volume, np.nan
        )
    group = fuel["kind"].factorize()[0]
    above, middle = far_above(price, group, PRICE)
    below, _ = far_above(
        np.where(price > 0, 1 / np.where(price > 0, price, 1), np.nan), group, PRICE
    )
    far = above | below
    rows = fuel[far]
    remedy = [
        _price_remedy(*row) for row in zip(rows["cost"], rows["volume"], middle[far], strict=True)
    ]
    odd = problems(
        "fuel", rows.index, "cost", rows["cost"], "fuel-price", np.array(remedy, dtype=object)
    )
    meant = (fuel["unit_price"] * fuel["volume"]).to_numpy()
    rows, meant = fuel[~far & (np.abs(cost - meant) > 0.05 * np.abs(meant) + 0.05)], meant
    return join([odd, problems("fuel", rows.index, "cost", rows["cost"], "cost-differs")])


def _price_remedy(cost, volume, middle):
    told = f"{cost / volume:.3g} for one unit, where the usual price is {middle:.3g}"
    if 1 / 2 < cost / middle < 2:
        return f"{told}: is {cost:g} the price of one unit? write it in unit_price"
    slips = [
        f"{cost * factor:g}"
        for factor in (0.1, 10, 0.01, 100)
        if 1 / 2 < cost * factor / volume / middle < 2
    ]
    return f"{told}: " + (
        f"a decimal point? {slips[0]}" if slips else "mend the cost or the volume"
    )


def grows_with(cost, volume):
    """Whether what is called the cost of fills is one: True where it grows with the volume, False where it does not (the price of one

    unit, then), None where too few fills, or too even ones, tell. Fills for the same money each time are too even.
    """
    good = (cost > 0) & (volume > 0)
    if good.sum() < ENOUGH_FILLS:
        return None
    money, size = np.log(cost[good]), np.log(volume[good])
    spread = size.var()
    if spread < UNEVEN**2:
        return None
    slope = ((money - money.mean()) * (size - size.mean())).mean() / spread
    alone = money.std() < UNEVEN
    return True if slope > 0.5 else False if slope < 0.25 and alone else None
