"""How a part stands against its limits: by its last reading, by its line, or not known.

`state` is one of `STATES`. "below-legal", "below": at or past the legal limit, or its limit; `by`
says how: "reading", or "line" (a forecast; "" in other states). "may-be-below": the line's lower
limit, or a doubted reading, is past it. "limit-not-known": neither the log nor the law gives a
limit, and the part is within `NEAR_MM` of a shipped example's.

The last reading is the most worn of the last day on which the part was read, or that of a place not
read then which was at the limit when it last was. It is doubted where it lies far off its line and
no other place read that day agrees; where one does, and it is lower than its line, it stands,
whatever the line says.
"""

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up
from wearbar.parts.wear import sign_of
from wearbar.parts.wear_line import RISING

# of a part's wear, the most pressing first
STATES = (
    "limit-not-known", "below-legal", "below", "may-be-below", "before-next-look", "not-known",
    "above",
)  # fmt: skip
AT_LIMIT = STATES[:4]  # or perhaps at it: nothing is left to go by
FAILS_FIRST = ("tyre", "brake")  # categories whose failure hurts first, by how their names begin
# of a shipped example: what a part wears between inspections (judgement)
NEAR_MM, NEAR_STRETCH = 1.0, 0.5
AGREE_MM, AGREE_STRETCH = 1.0, 0.3  # how far places of one day part on unevenly worn parts
LEFT = ["left_km", "left_low_km", "left_high_km"]
LAST = ["date", "height", "place", "quantity", "distance_km", "is_doubtful", "line", "t"]


def with_last(on, looks):
    """The parts with their last reading, the most worn of its day, and whether it is doubted."""
    read = looks[looks["source"].ne("new")]
    read = read.sort_values(["date", "height"], ascending=[False, True], kind="stable")
    limit = look_up(read["part_key"], (sign_of(on) * on["limit"]).set_axis(on["part_key"]))
    at_limit, above = read["height"] <= limit, read["height"] > limit
    # a place not read on the last day, and at the limit when it last was, is no better since
    newest = ~read.duplicated(["part_key", "place"]) & ~read["is_doubtful"].eq(True)
    last = read.drop_duplicates("part_key")
    unread = read["part_key"].isin(last.loc[above[last.index], "part_key"])
    last = pd.concat([read[newest & at_limit & unread], last]).drop_duplicates("part_key")
    last = last.set_index("part_key")[LAST].reindex(on["part_key"]).set_axis(on.index)
    usual = looks.dropna(subset="quantity").drop_duplicates("category")
    usual = look_up(on["category"], usual.set_index("category")["quantity"])
    on["quantity"] = on["quantity"].fillna(last["quantity"]).fillna(usual)
    on["last_read"], on["last_place"] = last["date"], last["place"]
    on["last_height"] = sign_of(on) * last["height"]
    doubtful = last["is_doubtful"].eq(True)
    agrees = doubtful & _agrees(on, read, last)
    on["last_is_doubted"] = doubtful & ~(agrees & last["t"].lt(0))
    stands = doubtful & ~on["last_is_doubted"]
    on["last_is_unplaced"] = last["height"].notna() & (last["distance_km"].isna() | stands)
    return on


def _agrees(on, read, last):
    """Whether another reading of the last day is within `AGREE_MM` of the lowest."""
    own = last[["date", "height", "line"]].assign(part_key=on["part_key"])
    others = read.merge(own, on=["part_key", "date"], suffixes=("", "_last"))
    within = np.where(others["quantity"].eq(RISING), AGREE_STRETCH, AGREE_MM)
    near = others["line"].ne(others["line_last"])
    near &= (others["height"] - others["height_last"]) <= within
    return on["part_key"].isin(others.loc[near, "part_key"])


def cut_by_last(on):
    """What is left, cut where the last reading is in no line and lower than it."""
    sign, takes = sign_of(on), on["last_is_unplaced"]
    room, told = (sign * (on[name] - on["limit"]) for name in ("now_height", "last_height"))
    share = (told / room.where(room > 0)).fillna(0.0).clip(0, 1).where(takes & (told < room), 1.0)
    for name in LEFT:
        on[name] = (on[name] * share).mask(share.eq(0), 0.0)
    on["chance_to_next"] = on["chance_to_next"].where(share.eq(1))
    lower = takes & ~(sign * on["now_height"] < sign * on["last_height"])
    on["now_height"] = on["now_height"].fillna(on["last_height"]).mask(lower, on["last_height"])
    return on


def state_of(on):
    """(state, by, why_not) of each part."""
    sign, unread = sign_of(on), on["n"].isna()

    def past(height, limit, within=0.0):
        return sign * (on[height] - on[limit]) <= within

    few = on["life_km"].isna() | on["left_low_km"].isna()
    reasons = {
        "its wear has not been read": unread & on["last_height"].isna(),
        "no limit is known for it": on["limit"].isna(),
        "no distance is known of its readings": unread,
        "too few readings of it and of like parts to say how it wears": few,
        "its readings show no wear yet": np.isinf(on["left_km"]),
    }
    why = pd.Series(np.select(list(reasons.values()), list(reasons), ""), on.index)
    known, sure, unlimited = why.eq(""), ~on["last_is_doubted"], on["limit"].isna()
    near = np.where(on["quantity"].eq(RISING), NEAR_STRETCH, NEAR_MM)
    doubted = past("last_height", "limit") & ~sure
    # of each state at the limit: whether a reading says so, and whether the line does
    read, line = "last_height", "now_height"
    examples = [unlimited & past(height, "example_limit", near) for height in (read, line)]
    says = [
        examples,
        [past(read, "legal_limit") & sure, known & past(line, "legal_limit")],
        [past(read, "limit") & sure, known & on["left_km"].le(0)],
        [doubted, known & on["left_low_km"].le(0)],
    ]
    checks = [reading | line for reading, line in says]
    checks += [~known, on["left_low_km"] < on["next_look_km"]]
    state = np.select(checks, [*AT_LIMIT, "not-known", "before-next-look"], "above")
    by = [np.where(reading, "reading", "line") for reading, _ in says]
    by = np.select([state == name for name in AT_LIMIT], by, "")
    off = (state == "may-be-below") & doubted
    return state, by, why.mask(off, "its last reading lies far off its line")
