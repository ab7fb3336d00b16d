"""How a part stands against its limits: by its last reading, by its line, or not known.

`state` is one of `STATES`. "below-legal", "below": at or past the legal limit, or its limit; `by` says how: "reading", or
"line" (a forecast; "" in other states). "may-be-below": the line's lower limit, or a doubted reading, is past it.
"limit-not-known": neither the log nor the law gives a limit, and the part is within `NEAR_MM` of a shipped example's.

The last reading is the most worn of the last day on which the part was read, or that of a place not read then which was at
the limit when it last was. It is doubted where it lies far off its line
and no other place read that day agrees; where one does, and it is lower than its line, it stands, whatever the line says.
"""

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up
from wearbar.parts.wear_line import RISING

__all__ = [
    "AT_LIMIT",
    "FAILS_FIRST",
    "STATES",
    "cut_by_last",
    "sign_of",
    "state_of",
    "unsigned",
    "with_last",
]

# of a part's wear, the most pressing first
STATES = (
    "limit-not-known",
    "below-legal",
    "below",
    "may-be-below",
    "before-next-look",
    "not-known",
    "above",
)
AT_LIMIT = STATES[:4]  # or perhaps at it: nothing is left to go by
FAILS_FIRST = ("tyre", "brake")  # categories whose failure hurts first, by how their names begin
NEAR_MM, NEAR_STRETCH = (
    1.0,
    0.5,
)  # of a shipped example: what a part wears between inspections (judgement)
AGREE_MM, AGREE_STRETCH = (
    1.0,
    0.3,
)  # how far places read on one day part on a part worn unevenly (judgement)


def unsigned(on, height):
    return np.where(on["quantity"].eq(RISING), -height, height)


def with_last(on, looks):
    """The parts with their last reading: date, height and place of the most worn of its last day, and whether it is doubted."""
    read = looks[looks["source"].ne("new")].sort_values(
        ["date", "height"], ascending=[False, True], kind="stable"
    )
    limit = look_up(read["part_key"], (sign_of(on) * on["limit"]).set_axis(on["part_key"]))
    # a place not read on the last day, and at the limit when it last was, is no better since
    worn = read[
        ~read.duplicated(["part_key", "place"])
        & ~read["is_doubtful"].eq(True)
        & (read["height"] <= limit)
    ]
    last = read.drop_duplicates("part_key")
    above = last["part_key"][(last["height"] > limit[last.index]).to_numpy()]
    last = pd.concat([worn[worn["part_key"].isin(above)], last]).drop_duplicates("part_key")
    keep = ["date", "height", "place", "quantity", "distance_km", "is_doubtful", "line", "t"]
    last = last.set_index("part_key")[keep].reindex(on["part_key"]).set_axis(on.index)
    usual = (
        looks.dropna(subset="quantity")
        .drop_duplicates("category")
        .set_index("category")["quantity"]
    )
    on["quantity"] = on["quantity"].fillna(last["quantity"]).fillna(look_up(on["category"], usual))
    on["last_read"], on["last_place"] = last["date"], last["place"]
    on["last_height"] = unsigned(on, last["height"])
    doubtful = last["is_doubtful"].eq(True)
    agrees = doubtful & _agrees(on, read, last)
    on["last_is_doubted"] = doubtful & ~(agrees & last["t"].lt(0))
    on["last_is_unplaced"] = last["height"].notna() & (
        last["distance_km"].isna() | doubtful & ~on["last_is_doubted"]
    )
    return on


def _agrees(on, read, last):
    """Whether another reading of the last day is within `AGREE_MM` of the lowest."""
    keyed = pd.DataFrame(
        {
            "part_key": on["part_key"],
            "date": last["date"],
            "lowest": last["height"],
            "own": last["line"],
        }
    )
    others = read.merge(keyed, on=["part_key", "date"])
    within = np.where(others["quantity"].eq(RISING), AGREE_STRETCH, AGREE_MM)
    near = others["line"].ne(others["own"]) & ((others["height"] - others["lowest"]) <= within)
    return on["part_key"].isin(others.loc[near, "part_key"])


def cut_by_last(on):
    """What is left, cut where the last reading is in no line and lower than it."""
    sign, takes = sign_of(on), on["last_is_unplaced"]
    with np.errstate(divide="ignore", invalid="ignore"):
        room, told = (
            sign * (on["now_height"] - on["limit"]),
            sign * (on["last_height"] - on["limit"]),
        )
        share = (told / room).where(room > 0, 0.0).clip(0.0, 1.0).where(takes & (told < room), 1.0)
    for name in ("left_km", "left_low_km", "left_high_km"):
        on[name] = (on[name] * share).mask(share.eq(0), 0.0)
    on["chance_to_next"] = on["chance_to_next"].where(share.eq(1))
    lower = takes & ~(sign * on["now_height"] < sign * on["last_height"])
    on["now_height"] = on["now_height"].fillna(on["last_height"]).mask(lower, on["last_height"])
    return on


def sign_of(on):
    return np.where(on["quantity"].eq(RISING), -1, 1)


def _past(on, height, limit, by=0.0):
    """Where a height is at its limit, or within `by` of it."""
    return (sign_of(on) * (on[height] - on[limit]) <= by).to_numpy()


def state_of(on):
    """(state, by, why_not) of each part."""
    reasons = [
        (on["n"].isna() & on["last_height"].isna(), "its wear has not been read"),
        (on["limit"].isna(), "no limit is known for it"),
        (on["n"].isna(), "no distance is known of its readings"),
        (
            on["life_km"].isna() | on["left_low_km"].isna(),
            "too few readings of it and of like parts to say how it wears",
        ),
        (np.isinf(on["left_km"]), "its readings show no wear yet"),
    ]
    why = pd.Series("", on.index)
    for mask, words in reversed(reasons):
        why = why.mask(mask, words)
    known, sure = why.eq(""), ~on["last_is_doubted"]
    near = np.where(on["quantity"].eq(RISING), NEAR_STRETCH, NEAR_MM)
    unlimited = on["limit"].isna()
    near_read, near_line = (
        unlimited & _past(on, h, "example_limit", near) for h in ("last_height", "now_height")
    )
    legal_read, legal_line = (
        _past(on, "last_height", "legal_limit") & sure,
        known & _past(on, "now_height", "legal_limit"),
    )
    read, line = _past(on, "last_height", "limit") & sure, known & on["left_km"].le(0)
    doubted = _past(on, "last_height", "limit") & ~sure
    checks = [
        near_read | near_line,
        legal_read | legal_line,
        read | line,
        doubted | known & on["left_low_km"].le(0),
    ]
    checks += [~known, on["left_low_km"] < on["next_look_km"]]
    state = np.select(checks, [*STATES[:4], "not-known", "before-next-look"], "above")
    by_reading = [near_read, legal_read, read, doubted]
    by = np.select(
        [state == name for name in AT_LIMIT],
        [np.where(r, "reading", "line") for r in by_reading],
        "",
    )
    why = why.mask((state == "may-be-below") & doubted, "its last reading lies far off its line")
    return state, by, why
