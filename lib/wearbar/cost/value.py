"""What vehicles are worth, and what their loss in value costs by distance."""

import numpy as np
import pandas as pd

from wearbar.cost.bills import ONE_DAY, joined, lines_of
from wearbar.cost.per_distance import MIN_KNOWN, known_by
from wearbar.stats.estimate import Estimate, ratio

__all__ = ["depreciation", "depreciation_per_km", "owning_per_km", "value_points"]

NOT_SOLD = ("written-off", "stolen")  # what is received then is a settlement, not a market value


def value_points(log):
    """What each vehicle was worth on a day: frame `vehicle, date, value, basis`, sorted: price, valuations of one basis, money received.

    Of several bases the one with most rows is taken. What came for one written off or stolen has basis "settlement".
    """
    v, worth = log.tables["vehicles"], log.tables["valuations"]
    basis = worth["basis"].fillna("")
    worth = worth[basis == basis.mode().iloc[0]] if len(worth) else worth
    settled = np.where(v["disposal"].isin(NOT_SOLD), "settlement", "received")
    points = [
        pd.DataFrame(
            {
                "vehicle": v["vehicle"],
                "date": joined(v).to_numpy(),
                "value": v["price"],
                "basis": "price",
            }
        ),
        worth[["vehicle", "date", "value"]].assign(basis="valuation"),
        pd.DataFrame(
            {
                "vehicle": v["vehicle"],
                "date": v["disposed"],
                "value": v["disposed_value"],
                "basis": settled,
            }
        ),
    ]
    points = pd.concat([p.dropna(subset=["date", "value"]) for p in points], ignore_index=True)
    return points.sort_values(["vehicle", "date"], kind="stable").drop_duplicates(
        ["vehicle", "date"], keep="last", ignore_index=True
    )


def depreciation(log):
    """Fall in value from each `value_points` to the next: money lines with `from`, `to`, category "depreciation"; a rise is negative."""
    points = value_points(log)
    after = points.groupby("vehicle")[["date", "value", "basis"]].shift(-1)
    fall = {
        "category": "depreciation",
        "detail": after["basis"],
        "amount": points["value"] - after["value"],
        "is_fixed": True,
    }
    periods = lines_of(points, "vehicles", date=after["date"], **fall).assign(
        **{"from": points["date"] + ONE_DAY, "to": after["date"]}
    )
    return periods[after["date"].notna()].reset_index(drop=True)


def depreciation_per_km(account, confidence=0.9):
    """Fall in value over the distance of the days whose change of value is known, as an `Estimate`."""
    part = _valued(account)
    return ratio(part["fall"], part["distance_km"], confidence, "money_per_km")


def owning_per_km(account, confidence=0.9):
    """What was spent and the fall in value together, over distance, of the vehicles whose change of value is known, as an `Estimate`.

    Each vehicle's spending counts by the share of its distance over which its value is known. Refused as `cost_per_km` is.
    """
    part = _valued(account)
    lines = account.lines[account.lines["vehicle"].isin(part.index)]
    spent = (
        lines[lines["with_distance"]]
        .groupby("vehicle")["amount"]
        .sum()
        .reindex(part.index)
        .fillna(0.0)
    )
    known = known_by(lines, pd.Series("all", lines.index))
    made = ratio(
        part["fall"] + part["share"] * spent, part["distance_km"], confidence, "money_per_km"
    )
    if not lines["amount"].notna().any() or (known < MIN_KNOWN).any():
        return Estimate(
            np.nan,
            np.nan,
            np.nan,
            confidence,
            len(part),
            unit="money_per_km",
            note="too few rows have their money",
        )
    return made


def _valued(account):
    """Vehicles whose change of value is known on days with distance: frame `fall, share` (of its known days), `distance_km` in them."""
    worth = account.worth[account.worth["with_distance"]]
    by = worth.groupby("vehicle")[["amount", "days"]].sum()
    cars = account.vehicles.set_index("vehicle").loc[by.index]
    share = (by["days"] / ((cars["known_to"] - cars["known_from"]).dt.days + 1)).clip(upper=1)
    return pd.DataFrame(
        {"fall": by["amount"], "share": share, "distance_km": cars["distance_km"] * share}
    )
