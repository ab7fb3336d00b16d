"""Money and hours so far from their like that a slip of the hand is likelier than the bill.

Each value is held against the middle of its like on a scale of ratios, in widths of their own
spread (1.4826 times the median distance from the middle, which few slips can move): where bills
differ widely, wide ones pass. Bounds: simulated logs with heavy bills raise no alarm
(tests/log/test_plausible.py); by judgement, no source.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.log.checks.problems import named, of_vehicle

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
    """How far above the middle is too far: past each of these, where there are `least` peers.

    `times` it; `widths` of spread (at least `floor`, on the natural log); and `above_next` times
    the next value that is not too far itself.
    """

    times: float
    widths: float
    floor: float
    least: int
    above_next: float = 1.0


WILD = Bound(times=1000, widths=7, floor=0.7, least=4, above_next=10)  # of all the column
HIGH = Bound(times=30, widths=9, floor=0.35, least=8, above_next=3)  # of its like, in planned work


def far_above(value, group, bound):
    """Which values are too far above those of their group: (mask, middle of the group).

    value: floats, 0 and NaN left out. group: ints. The middle is NaN where no value can be too far.
    """
    mask, middle = np.zeros(len(value), dtype=bool), np.full(len(value), np.nan)
    at = np.flatnonzero(np.abs(value) > 0)
    log, group = pd.Series(np.log(np.abs(value[at]))), group[at]
    by = log.groupby(group)
    if len(at) < bound.least or (by.max() - by.min()).max() < np.log(bound.times):
        return mask, middle
    centre = by.transform("median")
    over = log - centre
    width = over.abs().groupby(group).transform("median") * PER_SIGMA
    far = (over > np.log(bound.times)) & (by.transform("size") >= bound.least)
    far &= over > bound.widths * width.clip(lower=bound.floor)
    next_ = log.where(~far).groupby(group).transform("max")
    far &= over > next_ - centre + np.log(bound.above_next)
    middle[at], mask[at] = np.exp(centre), far
    return mask, middle


def doubtful_money(tables):
    """Amounts that can't be: wild ones are blanked with their row's sum, high ones doubted."""
    for table in MONEY:
        yield from _money_of(table, tables)


def _money_of(table, tables):
    frame, (names, like) = tables[table], MONEY[table]
    likes = frame[like] if like in frame else of_vehicle(frame, tables["vehicles"], like)
    group, days = pd.factorize(likes)[0], np.ones(len(frame))
    if table == "fixed_costs":
        days = ((frame["to"] - frame["from"]).dt.days + 1).clip(lower=1).to_numpy()
    # repairs have no usual bill
    steady = frame["why"].eq("planned").to_numpy() if table == "work" else True
    wild = {}
    for name in names:
        value = frame[name].to_numpy() / days
        far, middle = far_above(value, np.zeros(len(frame), dtype="int64"), WILD)
        wild[name] = far | (np.abs(frame[name].to_numpy()) > MOST_MONEY)
        yield _named(table, frame, name, wild[name], middle * days, "money-wild", f" of {name}")
        high, middle = far_above(np.where(steady & ~wild[name], value, np.nan), group, HIGH)
        yield _named(table, frame, name, high, middle * days, "money-high")
    # what a row with a wild amount adds up is not known: its other amounts are blanked with it
    added = ADDED_UP.get(table, ())
    for name in added:
        others = np.logical_or.reduce([wild[n] for n in added if n != name])
        rows = frame[[name]][others & ~wild[name] & frame[name].notna().to_numpy()]
        unknown = "another amount of its row can't be, so what the row cost is not known"
        yield named(table, rows, name, "money-wild", f"{unknown}: mend that one")


def _named(table, frame, name, mask, middle, rule, of=""):
    rows = frame[[name]][mask]
    remedy = [_remedy(v, m, of) for v, m in zip(rows[name], middle[mask], strict=True)]
    return named(table, rows, name, rule, remedy)


def _remedy(value, middle, of):
    if not np.isfinite(middle):
        return f"{value:.15g} is more than any bill: mend the amount"
    near = [value / 10**k for k in range(1, 5) if 1 / 3 <= abs(value) / 10**k / middle <= 3]
    slip = f"a decimal point lost? {near[0]:.10g}" if near else "mend the amount"
    return f"{value:.15g} is far above the usual {middle:.3g}{of}: {slip}"


def doubtful_hours_worked(work):
    """Hours of labour on planned work far above those of the same task: minutes, perhaps."""
    hours = work["labour_hours"].where(work["why"].eq("planned")).to_numpy()
    high, middle = far_above(hours, work["task"].factorize()[0], HIGH)
    yield _named("work", work, "labour_hours", high, middle, "hours-high")
