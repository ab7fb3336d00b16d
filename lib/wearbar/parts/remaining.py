"""How far each fitted part still goes, and how it stands against its limits.

`state` is one of `STATES`. "below-legal", "below": at or past the legal limit, or its limit; `by`
says how: "reading", or "line" (a forecast; "" in other states). "may-be-below": the line's lower
limit, or a doubted reading, is past it. "limit-not-known": neither the log nor the law gives one,
and the part is within `NEAR_MM` of a shipped example's. The last reading is the most worn of the
last day on which the part was read, or of a place not read then that was at the limit when it last
was; far off its line it is doubted, unless another place agrees and it is the lower."""

import numpy as np
import pandas as pd

from wearbar.log.keys import look_up
from wearbar.parts.lives import RISING
from wearbar.parts.wear import SPREAD_WORTH, sign_of, t_quantile
from wearbar.parts.wear_line import crossing, unbent
from wearbar.usage.distance import days_later

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
LIFE = ["life_km", "life_low_km", "life_high_km"]
LEFT = ["left_km", "left_low_km", "left_high_km"]
LAST = ["date", "height", "place", "quantity", "distance_km", "is_doubtful", "line", "t"]
MOST_DAYS = 3650  # a later day is no date
NO_RATES = pd.DataFrame(columns=["vehicle", "rate_km_per_day", "high"], dtype=float)


def remaining(wear, as_of, daily=None, confidence=0.9):
    """Every fitted part whose wear is read: one row a part, the most pressing first.

    Beside the columns of `wear.parts` and the last reading (`last_read`, ...): `state`, `by`,
    `why_not` (words, where what is left isn't known); `now_height` (at the governing place: on its
    line, or of a part at a limit by reading that reading), `now_low` (the line's lower limit);
    `life_km` (on the part, at the limit) and `left_km` (from now; nil where passed) with limits;
    `next_look_km` (the median distance between readings), `act_km` (the lesser of it and
    `left_low_km`; nil where it is or may be at its limit); `date_low` (when `act_km` is used up at
    the vehicle's `high` rate, `daily` of `usage.daily_rate`); `margin`, `legal_margin` (that height
    less the limit); `seen_now_km` (its distance now on its readings' scale), and its falling line
    with variances and quantile (`line_a` ... `line_q`).

    Its slope has what is usual of like parts as a prior (empirical Bayes); limits are Fieller's on
    its posterior. Where wear bends (`wear.bent`) the line is of straightened heights, and each low
    limit the lower of both. A last reading lower than the line and in none cuts what is left by the
    share of the height left that it takes off. Age and damage are not seen by it."""
    on = _judged(wear if wear.bent is None else wear.bent, confidence)
    if wear.bent is not None:
        straight = _judged(wear, confidence)
        both, rising = (on["now_low"], straight["now_low"]), on["quantity"].eq(RISING)
        on["now_low"] = np.where(rising, np.fmax(*both), np.fmin(*both))  # the more worn
        for name in ("life_low_km", "left_low_km"):
            on[name] = np.fmin(on[name], straight[name])
    on = _with_last(on, wear.looks)
    on["state"], on["by"], on["why_not"] = _state_of(on)
    unknown, by_reading = on["why_not"].ne(""), on["by"].eq("reading")
    on.loc[unknown, [*LEFT, *LIFE]] = np.nan
    on.loc[by_reading & on["state"].isin(["below", "below-legal"]), LEFT] = 0.0
    by_last = by_reading | unknown & on["last_height"].notna()
    on["now_height"] = on["now_height"].mask(by_last, on["last_height"])
    for name, limit in (("margin", "limit"), ("legal_margin", "legal_limit")):
        on[name] = sign_of(on) * (on["now_height"] - on[limit])
    at_limit = on["state"].isin(AT_LIMIT)
    act_km = np.fmin(on["left_low_km"], on["next_look_km"]).mask(on["state"].eq("not-known"))
    on["act_km"] = act_km.mask(at_limit, 0.0)
    rate = (NO_RATES if daily is None else daily).set_index("vehicle")
    pace = look_up(on["vehicle"], rate["high"].fillna(rate["rate_km_per_day"]))
    days = on["act_km"] / pace.where(pace > 0)
    on["date_low"] = days_later(as_of, np.floor(days.where(days < MOST_DAYS)))
    on["date_low"] = on["date_low"].mask(at_limit, as_of)

    # by state, readings before forecasts, what hurts first when it fails, at a limit by the margin
    # to the legal one, else by the low limit of what is left
    keys = {
        "state": on["state"].map(STATES.index),
        "by": on["by"].ne("reading") & at_limit,
        "fails": ~on["category"].str.startswith(FAILS_FIRST) & at_limit,
        "margin": on["legal_margin"].fillna(on["margin"]).where(at_limit),
    }
    rest = on[["left_low_km", "left_km", "vehicle", "last_position", "part_key"]]
    keys = pd.DataFrame(keys).join(rest)
    return on.loc[keys.sort_values(list(keys), kind="stable").index].reset_index(drop=True)


def _judged(wear, confidence):
    """Fitted parts with what their lines say, each drawn to what is usual of like parts."""
    on = wear.parts[wear.parts["is_on"] & wear.parts["category"].isin(wear.looks["category"])]
    on = on.reset_index(drop=True)
    own = on[["category", "quantity"]].merge(wear.error, on=["category", "quantity"], how="left")
    s2, freedom = own["error"].to_numpy(float) ** 2, own["df"].to_numpy(float)
    columns = ["usual_rate", "usual_cv", "n_alike", "n", "x_mean", "y_mean", "sxx", "slope"]
    usual, cv, alike, n, x, y, sxx, slope = on[columns].to_numpy(float).T
    mean, alike = usual / 1000, np.nan_to_num(alike, nan=1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        prior = np.nan_to_num(1 / ((mean * cv) ** 2 * (1 + 1 / alike)), nan=0.0, posinf=0.0)
        var_bb = 1 / (sxx / s2 + prior)
        # degrees of freedom of a sum of two variances, each by its part in the slope (Satterthwaite
        # 1946, from memory)
        lent = prior * var_bb
        of_usual, of_own = alike - 1 + SPREAD_WORTH, np.maximum(freedom, 1)
        freedom = 1 / (lent**2 / of_usual + (1 - lent) ** 2 / of_own)
        b = var_bb * (np.nan_to_num(slope) * sxx / s2 - prior * np.nan_to_num(mean))
        a, var_aa, var_ab = y - b * x, s2 / n + var_bb * x**2, -var_bb * x
    q, limit = t_quantile(confidence, freedom), on["height_limit"].to_numpy(float)
    now = np.where(on["age_known"], on["duration_km"], on["seen_km"])  # as its readings have it
    line = {"line_a": a, "line_b": b, "line_aa": var_aa, "line_ab": var_ab, "line_bb": var_bb}
    on = on.assign(seen_now_km=now, **line, line_q=q)

    height = a + b * now
    with np.errstate(invalid="ignore"):
        error = np.sqrt(var_aa + 2 * var_ab * now + var_bb * now**2)
    for name, value in (("now_height", height), ("now_low", height - q * error)):
        on[name] = sign_of(on) * unbent(value, on["hinge"], on["bend"])
    ends = crossing(a, b, var_aa, var_ab, var_bb, limit, q)
    for life, left, end in zip(LIFE, LEFT, ends, strict=True):
        on[life], on[left] = end, np.maximum(end - now, 0)
    on["life_low_km"] = on["life_low_km"].clip(lower=0)
    read = wear.looks[wear.looks["source"].eq("reading") & wear.looks["distance_km"].notna()]
    read = read.drop_duplicates(["part_key", "date"]).sort_values(["part_key", "date"])
    apart = read.groupby("part_key")["distance_km"].diff().groupby(read["category"]).median()
    return on.assign(next_look_km=look_up(on["category"], apart))


def _with_last(on, looks):
    """The parts with their last reading, whether it is doubted, and what is left by it."""
    read = looks[looks["source"].ne("new")]
    read = read.sort_values(["date", "height"], ascending=[False, True], kind="stable")
    limit = look_up(read["part_key"], (sign_of(on) * on["limit"]).set_axis(on["part_key"]))
    # a place not read on the last day, and at the limit when it last was, is no better since
    newest = ~read.duplicated(["part_key", "place"]) & ~read["is_doubtful"].eq(True)
    last = read.drop_duplicates("part_key")
    unread = read["part_key"].isin(last.loc[last["height"] > limit[last.index], "part_key"])
    last = pd.concat([read[newest & (read["height"] <= limit) & unread], last])
    last = last.drop_duplicates("part_key").set_index("part_key")[LAST]
    last = last.reindex(on["part_key"]).set_axis(on.index)
    usual = looks.dropna(subset="quantity").drop_duplicates("category")
    usual = look_up(on["category"], usual.set_index("category")["quantity"])
    on["quantity"] = on["quantity"].fillna(last["quantity"]).fillna(usual)
    on["last_read"], on["last_place"] = last["date"], last["place"]
    on["last_height"] = sign_of(on) * last["height"]
    # whether another reading of the last day is near the lowest
    own = last[["date", "height", "line"]].assign(part_key=on["part_key"])
    others = read.merge(own, on=["part_key", "date"], suffixes=("", "_last"))
    within = np.where(others["quantity"].eq(RISING), AGREE_STRETCH, AGREE_MM)
    near = others["line"].ne(others["line_last"])
    near &= (others["height"] - others["height_last"]) <= within
    agrees = on["part_key"].isin(others.loc[near, "part_key"])
    doubtful, stands = last["is_doubtful"].eq(True), agrees & last["t"].lt(0)
    on["last_is_doubted"] = doubtful & ~stands
    no_line = last["distance_km"].isna() | doubtful & stands
    # what is left is cut where the last reading is in no line and lower than it
    sign, takes = sign_of(on), last["height"].notna() & no_line
    room, told = (sign * (on[name] - on["limit"]) for name in ("now_height", "last_height"))
    share = (told / room.where(room > 0)).fillna(0.0).clip(0, 1).where(takes & (told < room), 1.0)
    for name in LEFT:
        on[name] = (on[name] * share).mask(share.eq(0), 0.0)
    lower = takes & ~(sign * on["now_height"] < sign * on["last_height"])
    on["now_height"] = on["now_height"].fillna(on["last_height"]).mask(lower, on["last_height"])
    return on


def _state_of(on):
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
    says = [
        [unlimited & past(height, "example_limit", near) for height in (read, line)],
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
