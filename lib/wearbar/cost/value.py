"""What vehicles are worth, and what their loss in value costs by distance."""

import numpy as np
import pandas as pd

from wearbar.cost.bills import ONE_DAY, lines_of
from wearbar.cost.per_distance import MIN_KNOWN, known_by
from wearbar.stats.estimate import ratio, refused

NOT_SOLD = ("written-off", "stolen")  # what is received then is a settlement, not a market value


def value_points(log):
    """What each vehicle was worth on a day: frame `vehicle, date, value, basis`, sorted: its price,
    valuations of one basis (the one with most rows), and money received, of basis "settlement" for
    one written off or stolen."""
    v, worth = log.tables["vehicles"], log.tables["valuations"]
    basis = worth["basis"].fillna("")
    worth = worth[basis == basis.mode().iloc[0]] if len(worth) else worth
    settled = np.where(v["disposal"].isin(NOT_SOLD), "settlement", "received")
    parts = [
        v[["vehicle"]].assign(date=log.joined.array, value=v["price"], basis="price"),
        worth[["vehicle", "date", "value"]].assign(basis="valuation"),
        v[["vehicle"]].assign(date=v["disposed"], value=v["disposed_value"], basis=settled),
    ]
    points = pd.concat([part.dropna(subset=["date", "value"]) for part in parts])
    points = points.sort_values(["vehicle", "date"], kind="stable")
    return points.drop_duplicates(["vehicle", "date"], keep="last", ignore_index=True)


def depreciation(log):
    """Fall in value from each `value_points` to the next (a rise is negative): money lines with
    `from`, `to`."""
    points = value_points(log)
    after = points.groupby("vehicle")[["date", "value", "basis"]].shift(-1)
    fall = {"date": after["date"], "detail": after["basis"], "is_fixed": True}
    fall |= {"category": "depreciation", "amount": points["value"] - after["value"]}
    lines = lines_of(points, "vehicles", **fall)
    lines = lines.assign(**{"from": points["date"] + ONE_DAY, "to": after["date"]})
    return lines[after["date"].notna()].reset_index(drop=True)


def depreciation_per_km(account, confidence=0.9):
    """Fall in value over the distance of the days whose change of value is known: `Estimate`."""
    part = _valued(account)
    return ratio(part["fall"], part["distance_km"], confidence, "money_per_km")


def owning_per_km(account, confidence=0.9):
    """What was spent and the fall in value together, over distance: an `Estimate`.

    Of vehicles whose change of value is known; their spending counts by the share of their distance
    over which it is. Refused as `cost_per_km` is.
    """
    part = _valued(account)
    lines = account.lines[account.lines["vehicle"].isin(part.index)]
    known = known_by(lines, pd.Series("all", lines.index))
    if not lines["amount"].notna().any() or (known < MIN_KNOWN).any():
        return refused("too few rows have their money", confidence, len(part), "money_per_km")
    spent = lines[lines["with_distance"]].groupby("vehicle")["amount"].sum()
    whole = part["fall"] + part["share"] * spent.reindex(part.index).fillna(0.0)
    return ratio(whole, part["distance_km"], confidence, "money_per_km")


def _valued(account):
    """Vehicles with a known change of value: frame `fall, share` (of known days), `distance_km`."""
    worth = account.worth[account.worth["with_distance"]]
    by = worth.groupby("vehicle")[["amount", "days"]].sum()
    cars = account.vehicles.set_index("vehicle").loc[by.index]
    share = (by["days"] / ((cars["known_to"] - cars["known_from"]).dt.days + 1)).clip(upper=1)
    distance = cars["distance_km"] * share
    return pd.DataFrame({"fall": by["amount"], "share": share, "distance_km": distance})
