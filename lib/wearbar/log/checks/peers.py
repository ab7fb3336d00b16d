"""Money, hours and fills so far from their like that a slip of the hand is likelier than the bill.

Each value is held against the middle of its like on a scale of ratios, in widths of their own
spread (1.4826 times the median distance from the middle): where bills differ widely, wide ones
pass. tests/log/test_plausible.py simulates logs with heavy bills."""

import numpy as np
import pandas as pd

from wearbar.log.checks.problems import named, of_vehicle, problems
from wearbar.log.schema import TABLES, said

LIKELY = said("likely")
PER_SIGMA = 1.4826
MONEY = LIKELY["money"]
FEWEST_FILLS, BIG, TOO_BIG, ENOUGH_FILLS, UNEVEN = LIKELY["fills"].values()


def far_above(value, group, kind):
    """Which values (0 and NaN left out) are too far above those of their group (ints), by the
    bounds of a `kind`: (mask, middle of the group, NaN where no value can be too far)."""
    bound = LIKELY["far"][kind]
    size = np.abs(value[np.isfinite(value) & (value != 0)])
    if len(size) < bound["least"] or size.max() < bound["times"] * size.min():
        return np.zeros(len(value), dtype=bool), np.full(len(value), np.nan)
    log, group = np.log(np.where(value != 0, np.abs(value), np.nan)), pd.factorize(group)[0]
    centres = pd.Series(log).groupby(group).median().to_numpy()
    centre, middle, picked = centres[group], np.exp(centres)[group], np.zeros(len(value), bool)
    over = log - centre
    # the others have no say in groups where one is far
    of_far = np.isin(group, group[over > np.log(bound["times"])])
    log, group, centre, over = (pd.Series(each[of_far]) for each in (log, group, centre, over))
    by = log.groupby(group)
    width = over.abs().groupby(group).transform("median") * PER_SIGMA
    far = (over > np.log(bound["times"])) & (by.transform("count") >= bound["least"])
    far &= over > bound["widths"] * width.clip(lower=bound["floor"])
    next_ = log.where(~far).groupby(group).transform("max")
    far &= over > next_ - centre + np.log(bound["above_next"])
    picked[of_far] = far
    return picked, middle


def doubtful_money(tables, _):
    """Amounts that can't be: wild ones are blanked with their row's sum, high ones doubted."""
    unknown = "another amount of its row can't be, so what the row cost is not known: mend that one"
    for table, like in MONEY["like"].items():
        frame, days, steady = tables[table], 1.0, True
        if not len(frame):
            continue
        likes = frame[like] if like in frame else of_vehicle(frame, tables["vehicles"], like)
        group = pd.factorize(likes)[0]
        if table == "fixed_costs":
            days = ((frame["to"] - frame["from"]).dt.days + 1).clip(lower=1).to_numpy()
        if table == "work":  # repairs have no usual bill
            steady = frame["why"].eq("planned").to_numpy()
        names = [c.name for c in TABLES[table] if c.quantity == "money"]
        names, wild = [name for name in names if frame[name].notna().any()], {}
        for name in names:
            value = frame[name].to_numpy()
            far, middle = far_above(value / days, np.zeros(len(frame), dtype="int64"), "wild")
            wild[name] = far | (np.abs(value) > MONEY["most"])
            beside = _remedy, middle * days, f" of {name}"
            yield named(table, frame, wild[name], name, "money-wild", *beside)
            usual = np.where(steady & ~wild[name], value / days, np.nan)
            high, middle = far_above(usual, group, "high")
            yield named(table, frame, high, name, "money-high", _remedy, middle * days)
        # what a row with a wild amount adds up is not known: its others are blanked with it
        added = [name for name in names if name != "tax"] if table in MONEY["added_up"] else []
        others = np.logical_or.reduce([wild[name] for name in added], initial=False)
        for name in added if others.any() else ():
            mask = others & ~wild[name] & frame[name].notna()
            yield named(table, frame, mask, name, "money-wild", unknown)
    # hours of labour on planned work far above those of the same task: minutes, perhaps
    work = tables["work"]
    if work["labour_hours"].isna().all():
        return
    hours = work["labour_hours"].where(work["why"].eq("planned")).to_numpy()
    high, middle = far_above(hours, work["task"].factorize()[0], "high")
    yield named("work", work, high, "labour_hours", "hours-high", _remedy, middle)


def _remedy(value, middle, of=""):
    if not np.isfinite(middle):
        return f"{value:.15g} is more than any bill: mend the amount"
    near = [value / 10**k for k in range(1, 5) if 1 / 3 <= abs(value) / 10**k / middle <= 3]
    slip = f"a decimal point lost? {near[0]:.10g}" if near else "mend the amount"
    return f"{value:.15g} is far above the usual {middle:.3g}{of}: {slip}"


def fills(tables, _):
    """Fills of nothing, and those far above the 90th percentile of the vehicle's fills of the same
    fuel, or, where it has few, above what others of its kind take."""
    fuel = tables["fuel"][["vehicle", "kind", "volume"]]
    fuel = fuel[fuel["volume"].notna().to_numpy()]
    volume, what = fuel["volume"].to_numpy(), fuel["kind"].factorize()[0] + 1
    group = fuel["vehicle"].factorize()[0] * 16 + what
    by = pd.Series(volume).groupby(group)
    ninth = by.quantile(0.9, interpolation="lower").where(by.size() >= FEWEST_FILLS, np.inf)
    usual = ninth.reindex(group).to_numpy()
    too_big, big = volume > TOO_BIG * usual, volume > BIG * usual
    if np.isinf(usual).any():
        kind = pd.factorize(of_vehicle(fuel, tables["vehicles"], "kind"))[0]
        far, middle = far_above(volume, kind * 16 + what, "fills")
        too_big |= far & np.isinf(usual)
        usual = np.where(np.isinf(usual), 2 * middle, usual)
    yield named("fuel", fuel, volume == 0, "volume", "fill-zero")
    yield named("fuel", fuel, too_big, "volume", "fill-too-big", _fill_remedy, usual)
    yield named("fuel", fuel, big & ~too_big, "volume", "fill-big", _fill_remedy, usual)


def _fill_remedy(volume, usual):
    tenths = (volume / 10, volume / 100) if volume > TOO_BIG * usual else ()
    likely = [f"{made:g}" for made in tenths if usual / 5 <= made <= BIG * usual]
    point = f"a lost decimal point? {' or '.join(likely)}" if likely else "mend it, if it is not so"
    return f"{volume:g} where nine fills in ten are {usual:g} or less: {point}"


def doubtful_fuel_money(tables, _):
    """Fills whose price of a unit is far from others of their fuel (not of electricity, at home and
    by the road), or not `unit_price`; or one doubt about the column, where it holds prices."""
    fuel = tables["fuel"]
    cost, volume = fuel["cost"].to_numpy(), fuel["volume"].to_numpy()
    if grows_with(cost, volume) is False:
        yield problems("fuel", [1], "cost", "", "cost-is-price")
        return
    is_sold = fuel["volume"].gt(0) & fuel["kind"].ne("electric")
    price = fuel["cost"] / fuel["volume"].where(is_sold)
    group = fuel["kind"].factorize()[0]
    above, middle = far_above(price.to_numpy(), group, "price")
    far = above | far_above((1 / price.where(price > 0)).to_numpy(), group, "price")[0]
    yield named("fuel", fuel, far, "cost", "fuel-price", _price_remedy, volume, middle)
    meant = (fuel["unit_price"] * fuel["volume"]).to_numpy()
    differs = ~far & (np.abs(cost - meant) > 0.05 * np.abs(meant) + 0.05)
    yield named("fuel", fuel, differs, "cost", "cost-differs")


def _price_remedy(cost, volume, middle):
    told = f"{cost / volume:.3g} for one unit, where the usual price is {middle:.3g}"
    if 1 / 2 < cost / middle < 2:
        return f"{told}: is {cost:g} the price of one unit? write it in unit_price"
    made = [cost * factor for factor in (0.1, 10, 0.01, 100)]
    slips = [f"{value:g}" for value in made if 1 / 2 < value / volume / middle < 2]
    return f"{told}: {f'a decimal point? {slips[0]}' if slips else 'mend the cost or the volume'}"


def grows_with(cost, volume):
    """Whether the cost of fills grows with the volume; False: it is the price of one unit. None
    where the fills are too few, or too even, as those for the same money each time are."""
    good = (cost > 0) & (volume > 0)
    money, size = np.log(cost[good]), np.log(volume[good])
    if good.sum() < ENOUGH_FILLS or size.std() < UNEVEN:
        return None
    slope = ((money - money.mean()) * (size - size.mean())).mean() / size.var()
    alone = money.std() < UNEVEN
    return True if slope > 0.5 else False if slope < 0.25 and alone else None
