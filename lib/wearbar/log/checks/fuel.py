"""Fills: of nothing, more than a tank holds, at a price of one unit far from the others."""

import numpy as np
import pandas as pd

from wearbar.log.checks.peers import Bound, far_above
from wearbar.log.checks.problems import named, of_vehicle, problems

FEWEST_FILLS = 5
BIG, TOO_BIG = 1.75, 3.0
FILLS = Bound(times=10, widths=6, floor=0.35, least=3)
PRICE = Bound(times=4, widths=8, floor=0.15, least=5)  # of one unit of fuel, above or below
ENOUGH_FILLS, UNEVEN = 8, 0.2


def fills(fuel, vehicles):
    """Fills of nothing, and those far above what the vehicle takes.

    That is its 90th percentile of the same fuel, or what others of its kind take where it has few
    fills.
    """
    fuel = fuel[["vehicle", "kind", "volume"]][fuel["volume"].notna().to_numpy()]
    if not len(fuel):
        return
    volume, what = fuel["volume"].to_numpy(), fuel["kind"].factorize()[0] + 1
    usual = _usual(fuel["vehicle"].factorize()[0] * 16 + what, volume)
    few = np.isinf(usual)
    big, too_big = volume > BIG * usual, volume > TOO_BIG * usual
    yield named("fuel", fuel[volume == 0], "volume", "fill-zero")
    if few.any():
        kind = pd.factorize(of_vehicle(fuel, vehicles, "kind"))[0]
        far, middle = far_above(volume, kind * 16 + what, FILLS)
        yield _big(fuel, far & few, 2 * middle, "fill-too-big")
    yield _big(fuel, too_big, usual, "fill-too-big")
    yield _big(fuel, big & ~too_big, usual, "fill-big")


def _usual(group, volume):
    """The 90th percentile of each fill's group; endless where the group has too few."""
    by = pd.Series(volume).groupby(group)
    ninth = by.quantile(0.9, interpolation="lower").where(by.size() >= FEWEST_FILLS, np.inf)
    return ninth.reindex(group).to_numpy()


def _big(fuel, mask, usual, rule):
    rows = fuel[mask]
    remedy = [_fill_remedy(v, u) for v, u in zip(rows["volume"], usual[mask], strict=True)]
    return named("fuel", rows, "volume", rule, remedy)


def _fill_remedy(volume, usual):
    tenths = (volume / 10, volume / 100) if volume > TOO_BIG * usual else ()
    likely = [f"{made:g}" for made in tenths if usual / 5 <= made <= BIG * usual]
    point = f"a lost decimal point? {' or '.join(likely)}" if likely else "mend it, if it is not so"
    return f"{volume:g} where nine fills in ten are {usual:g} or less: {point}"


def doubtful_fuel_money(fuel):
    """Fills whose price of a unit is far from others of their fuel, or not `unit_price`.

    Or one doubt about the whole column, where it holds such prices. Of electricity, at home and by
    the road, no price is far.
    """
    cost, volume = fuel["cost"].to_numpy(), fuel["volume"].to_numpy()
    if grows_with(cost, volume) is False:
        yield problems("fuel", [1], "cost", [""], "cost-is-price")
        return
    with np.errstate(divide="ignore", invalid="ignore"):
        sold = (volume > 0) & fuel["kind"].ne("electric").to_numpy()
        price = np.where(sold, cost / volume, np.nan)
        per_money = np.where(price > 0, 1 / price, np.nan)
    group = fuel["kind"].factorize()[0]
    above, middle = far_above(price, group, PRICE)
    far = above | far_above(per_money, group, PRICE)[0]
    rows = fuel[far]
    told = zip(rows["cost"], rows["volume"], middle[far], strict=True)
    yield named("fuel", rows, "cost", "fuel-price", [_price_remedy(*row) for row in told])
    meant = (fuel["unit_price"] * fuel["volume"]).to_numpy()
    differs = ~far & (np.abs(cost - meant) > 0.05 * np.abs(meant) + 0.05)
    yield named("fuel", fuel[differs], "cost", "cost-differs")


def _price_remedy(cost, volume, middle):
    told = f"{cost / volume:.3g} for one unit, where the usual price is {middle:.3g}"
    if 1 / 2 < cost / middle < 2:
        return f"{told}: is {cost:g} the price of one unit? write it in unit_price"
    made = [cost * factor for factor in (0.1, 10, 0.01, 100)]
    slips = [f"{value:g}" for value in made if 1 / 2 < value / volume / middle < 2]
    return f"{told}: {f'a decimal point? {slips[0]}' if slips else 'mend the cost or the volume'}"


def grows_with(cost, volume):
    """Whether the cost of fills grows with the volume; False: it is the price of one unit.

    None where the fills are too few, or too even, as those for the same money each time are.
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
