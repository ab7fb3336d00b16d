"""Fuel by the tank-to-tank method.

A tank runs from one fill to the top to the next: the litres put in after the first, up to and with
the second, drove the distance between. A partial fill joins the next full one. A tank with a fill
not in the log, or far from its vehicle's usual (something is missing or mistyped), has no figure.
"""

import numpy as np

from wearbar import usage
from wearbar.log.keys import stacked
from wearbar.log.once import kept_with
from wearbar.stats.estimate import ratios

FAR = 0.7  # of the vehicle's median consumption, or the same above it
ENOUGH = 5  # tanks that a usual consumption needs
TANK = ["vehicle", "kind", "date", "distance_km", "volume_l", "l_per_100km"]


def tanks(log):
    """One row a tank: frame `TANK`; date and order of the closing fill.

    Fills of one vehicle and kind of fuel make a series of their own (urea too); electric volumes
    are kWh. A full fill without a reading ends no tank and joins the next. `frame.attrs` counts
    the tanks left out: "far", and "no_figure": no distance, or a fill or volume missing."""
    made, usable, far, _ = _made(log)
    kept = made.loc[usable & ~far, TANK].reset_index(drop=True)
    kept.attrs |= {"no_figure": int((~usable).sum()), "far": int(far.sum())}
    return kept


def missed(log):
    """Tanks that show far less fuel than usual, as where a fill is missing: frame `TANK`."""
    made, _, far, usual = _made(log)
    return made.loc[far & (made["l_per_100km"] < usual), TANK]


@kept_with
def _made(log):
    """(every tank, whether its distance and fuel are known, are far from usual, the usual)."""
    # a tank lacks the litres of a fill set aside, unless that was one typed twice
    fuel, lost = log.si("fuel"), log.aside.get("fuel", log.tables["fuel"].iloc[:0])
    twice = log.set_aside.query("rule == 'same-reading' and table == 'fuel'")["line"]
    lost = lost.drop(twice, errors="ignore").dropna(subset=["vehicle", "date"])
    lost = lost[["vehicle", "date", "kind"]].assign(filled_to="part", volume_l=np.nan)
    fuel = stacked([fuel, lost])
    fuel["kind"] = fuel["kind"].fillna("not said")
    at = (fuel[name] for name in ("vehicle", "date", "odometer_km"))
    fuel["at_km"] = usage.to_cumulative(usage.log_path(log), *at)
    fuel = fuel.sort_values(["vehicle", "kind", "date", "at_km"], kind="stable")
    series = ["vehicle", "kind"]
    fuel["ends"] = fuel["filled_to"].fillna("full").eq("full") & fuel["at_km"].notna()
    fuel["number"] = fuel.groupby(series)["ends"].cumsum() - fuel["ends"]
    fuel["missing"] = fuel["unrecorded_before"].eq("yes") | fuel["volume_l"].isna()
    fuel["at_km"] = fuel["at_km"].where(fuel["ends"])
    how = {"date": "last", "volume_l": "sum", "ends": "any", "missing": "any", "at_km": "max"}
    made = fuel.groupby([*series, "number"], as_index=False).agg(how)
    made["distance_km"] = made["at_km"] - made.groupby(series)["at_km"].shift()
    made = made[made["ends"] & (made["number"] > 0)]
    usable = made["distance_km"].gt(0) & ~made["missing"]
    made["l_per_100km"] = 100 * made["volume_l"] / made["distance_km"].where(usable)
    own = made.groupby(series)["l_per_100km"]
    usual = own.transform("median").where(own.transform("count") >= ENOUGH)
    far = usable & ~(made["l_per_100km"] / usual.fillna(made["l_per_100km"])).between(FAR, 1 / FAR)
    return made, usable, far, usual


def fuel_economy(tanks, by=("vehicle", "kind"), confidence=0.9):
    """Total volume over total distance of each group.

    Frame `*by, l_per_100km, low, high, n, volume_l, distance_km`; electric is kWh per 100 km. By
    vehicle n are tanks, and the limits come from the spread between them; else n are vehicles."""
    by, rows = list(by), tanks
    if "vehicle" not in by:
        rows = tanks.groupby([*by, "vehicle"], as_index=False)[["volume_l", "distance_km"]].sum()
    key = rows.groupby(by).ngroup()
    made = ratios(key, rows["volume_l"], rows["distance_km"] / 100, confidence)
    made = made.join(rows[by].assign(key=key).drop_duplicates("key").set_index("key"))
    made["distance_km"] = made["denominator"] * 100
    made = made.rename(columns={"value": "l_per_100km", "numerator": "volume_l"}).sort_values(by)
    columns = [*by, "l_per_100km", "low", "high", "n", "volume_l", "distance_km"]
    return made[columns].reset_index(drop=True)


def liquid(tanks):
    """The tanks of what is burnt: neither electric, whose volume is kWh, nor urea."""
    return tanks[~tanks["kind"].isin(["electric", "urea"])]


def economy_by_quarter(tanks, kind_of, confidence=0.9):
    """`fuel_economy` by `vehicle_kind` and `quarter` of the closing fill. kind_of: by vehicle."""
    kind, quarter = tanks["vehicle"].map(kind_of).astype(str), tanks["date"].dt.to_period("Q")
    rows = tanks.assign(vehicle_kind=kind, quarter=quarter.dt.start_time)
    return fuel_economy(rows, ["vehicle_kind", "quarter"], confidence)
