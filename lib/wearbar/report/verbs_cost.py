"""The verbs of `import wearbar as wb` about money and fuel, as the report on cost has them."""

from dataclasses import replace

import pandas as pd

from wearbar import usage
from wearbar.cost import account as money
from wearbar.cost import compare, fuel, per_distance, repairs, value
from wearbar.cost import replacement as keeping
from wearbar.report.tables import in_units
from wearbar.report.verbs import one_of, show_of

OF_COST = {
    "low": "low_cost_per_km",
    "high": "high_cost_per_km",
    "drawn_per_km": "adjusted_cost_per_km",
}
KEPT = """
    kind vehicles best_years near_low_years near_high_years is_clear fall_share price_money
    change_money oldest_years note
"""
BY_COST = ("", "category", "fixed", "kind", "site", "vehicle", "year")
OF_FUEL = {"low": "low_l_per_100km", "high": "high_l_per_100km"}


def cost_per_distance(log, by="", confidence=0.9, units=""):
    """What a mile or km costs, all money over all distance: an `Estimate`; `by` gives a frame.

    by: "category", "fixed", "kind", "site", "vehicle" or "year", one row each. Columns: the group,
    cost_per_mi with low_ and high_, vehicles (that the limits rest on), bills, cost_per_day,
    amount, share, distance_mi, days, known_share (rows with their money); by vehicle also kind,
    mi_per_year and adjusted_cost_per_mi (towards its kind's mean where its record is thin); by year
    less. Money is in the log's currency, net or gross as the log has it, without depreciation. A
    site of fewer than three vehicles has no figures. NaN where too few rows have their money or the
    record is shorter than three months. units: "mi" or "km"; "" is the log's own. Raises ValueError
    for another, or another `by`.
    Limits: jackknife over vehicles on the log scale (Cochran 1977, ch. 6; from memory).

    >>> import wearbar as wb
    >>> cost = wb.cost_per_distance(wb.read_log())
    >>> round(cost.value, 2), cost.unit
    (0.42, 'GBP per mi')
    """
    one_of("by", by, BY_COST)
    show, account = show_of(log, units), money.account(log, usage.readings(log))
    if not by:
        found, scale = per_distance.total_per_km(account, confidence), show.scale("money_per_km")
        low, high = scale.ends(found.low, found.high)
        return replace(found, value=scale.turn(found.value), low=low, high=high, unit=scale.head)
    if by in (own := {"vehicle": per_distance.by_vehicle, "year": compare.by_year}):
        made = own[by](account, confidence)
    elif by == "site":
        made = per_distance.by_site(account, confidence).rename(columns={"n": "with_distance"})
    else:
        column = "is_fixed" if by == "fixed" else by
        made = per_distance.cost_per_km(account, column, confidence)
    if by == "category":
        made = made[made["amount"] != 0].reset_index(drop=True)
    return in_units(made.rename(columns=OF_COST | {"n": "vehicles", "is_fixed": "fixed"}), show)


def fuel_economy(log, by="vehicle", confidence=0.9, units=""):
    """Fuel from tank to tank, total volume over total distance: a row a vehicle and kind of fuel.

    Columns: vehicle, fuel, then mpg_uk (or mpg_us, by the log's volume) in miles, l_per_100km in
    kilometres, with low_ and high_; tanks, volume_l, distance_mi. by: "vehicle", or "quarter" for
    kind of vehicle and calendar quarter (with `vehicles` in place of tanks). Of what is burnt
    alone: neither electricity nor urea. units: as in `cost_per_distance`. Raises ValueError for
    another `by`. Limits: the spread between tanks, or between vehicles. Source: common practice,
    none.

    >>> import wearbar as wb
    >>> wb.fuel_economy(wb.read_log()).columns.tolist()[:4]
    ['vehicle', 'fuel', 'mpg_uk', 'low_mpg_uk']
    """
    one_of("by", by, ("vehicle", "quarter"))
    show, burnt = show_of(log, units), fuel.liquid(fuel.tanks(log, usage.readings(log)))
    if by == "vehicle":
        made = fuel.fuel_economy(burnt, confidence=confidence)
        made = made.rename(columns={"kind": "fuel", "n": "tanks"})
    else:
        kind_of = log.tables["vehicles"].set_index("vehicle")["kind"]
        made = fuel.economy_by_quarter(burnt, kind_of, confidence)
        made = made.rename(columns={"vehicle_kind": "kind", "n": "vehicles"})
    if show.units.distance == "mi":  # miles per gallon turn an interval round
        made = made.rename(columns={"low": "high", "high": "low"})
    made = in_units(made.rename(columns=OF_FUEL), show)
    at = [name for name in made.columns if not name.startswith(("low_", "high_"))]
    return made[[*at[:3], f"low_{at[2]}", f"high_{at[2]}", *at[3:]]]


def replacement(log, confidence=0.9):
    """The age at which replacing each kind of vehicle costs least a year: a frame, one row a kind.

    Columns: kind, vehicles, best_years (NaN where refused: then `note` says why), near_low_years
    and near_high_years (ages within 5% of the least), is_clear (whether keeping longer is shown to
    cost more), fall_share (of its value, a year), price_money (as new), change_money (what one
    change of vehicle must cost for waiting to be as cheap), oldest_years (on record), note.
    Money alone, without interest: no vehicle is safer for being cheaper. Source: the average cost
    of ownership by age, common practice.

    >>> import wearbar as wb
    >>> wb.replacement(wb.read_log())["kind"].tolist()
    ['motorcycle', 'pickup', 'van']
    """
    readings = usage.readings(log)
    account = money.account(log, readings)
    periods = repairs.observed_periods(account, log, readings)
    born = log.tables["vehicles"].set_index("vehicle")["in_service"]
    kept = keeping.cheapest_ages(
        account.vehicles, account.lines, periods, value.value_points(log), born, confidence
    )
    rows = [
        [
            *(k.kind, k.best.n, k.best.value, *k.near, k.is_clear),
            *(k.fall, k.price, k.change, k.oldest, k.best.note),
        ]
        for k in kept
    ]
    return pd.DataFrame(rows, columns=KEPT.split())
