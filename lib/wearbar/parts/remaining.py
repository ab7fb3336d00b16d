"""How far each fitted part still goes."""

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.log.keys import look_up
from wearbar.parts.state import (
    AT_LIMIT,
    FAILS_FIRST,
    LEFT,
    STATES,
    cut_by_last,
    state_of,
    with_last,
)
from wearbar.parts.wear import SPREAD_WORTH, sign_of, t_quantile
from wearbar.parts.wear_bend import unbent
from wearbar.parts.wear_line import RISING, crossing
from wearbar.usage.distance import days_later

LIFE = ["life_km", "life_low_km", "life_high_km"]
MOST_DAYS = 3650  # a later day is no date


def remaining(wear, as_of, daily=None, confidence=0.9):
    """Every fitted part whose wear is read: one row a part, the most pressing first.

    The columns of `wear.parts`, and `last_read`, `last_height`, `last_place`, `last_is_doubted`,
    `state`, `by` (see `wearbar.parts.state`), `why_not` (words, where what is left isn't known);
    `now_height` (at the governing place: on its line, or of a part at a limit by reading that
    reading), `now_low` (the line's lower limit); `life_km`, `life_low_km`, `life_high_km` (distance
    on the part at the limit), `left_km`, `left_low_km`, `left_high_km` (from now; nil where
    passed), `chance_to_next` (of being above the limit when next read, `next_look_km` on: the
    median distance between readings), `act_km` (the lesser of `next_look_km` and `left_low_km`; nil
    where it is or may be at its limit); `date_low`, `date` (days on which `act_km` and `left_km`
    are used up at the vehicle's `high` and mean rate, `daily` from `usage.daily_rate`); `margin`,
    `legal_margin` (the height that `state` was judged by less the limit and the legal limit,
    negative where past). Ranked by state, readings before forecasts, what hurts first when it fails
    (`FAILS_FIRST`), at a limit by the margin to the legal one, else by the low limit of what is
    left.

    `seen_now_km` is the part's distance now on its readings' scale; `line_a` + `line_b` x its line
    (height, falling with wear), `line_aa`, `line_ab`, `line_bb` their variances, `line_q` the
    quantile of its limits. Its slope has what is usual of like parts as a prior: an empirical Bayes
    line; limits are Fieller's on its posterior, the low one of 90% the one-sided 95% limit. Where
    wear is shown to bend (`wear.bent`) the line is of straightened heights, and each low limit the
    lower of its own and the straight line's. A last reading lower than the line, that no distance
    is known of or that another place agrees with although it is too far off to be in the line, cuts
    what is left by the share of the height left that it takes off (`chance_to_next` is then NaN).
    Age and damage are not seen by it.
    """
    on = _judged(wear if wear.bent is None else wear.bent, confidence)
    if wear.bent is not None:
        straight = _judged(wear, confidence)
        both, rising = (on["now_low"], straight["now_low"]), on["quantity"].eq(RISING)
        on["now_low"] = np.where(rising, np.fmax(*both), np.fmin(*both))  # the more worn
        for name in ("life_low_km", "left_low_km", "chance_to_next"):
            on[name] = np.fmin(on[name], straight[name])
    on = cut_by_last(with_last(on, wear.looks))
    on["state"], on["by"], on["why_not"] = state_of(on)
    unknown, by_reading = on["why_not"].ne(""), on["by"].eq("reading")
    on.loc[unknown, [*LEFT, *LIFE, "chance_to_next"]] = np.nan
    on.loc[by_reading & on["state"].isin(["below", "below-legal"]), LEFT] = 0.0
    by_last = by_reading | unknown & on["last_height"].notna()
    on["now_height"] = on["now_height"].mask(by_last, on["last_height"])
    for name, limit in (("margin", "limit"), ("legal_margin", "legal_limit")):
        on[name] = sign_of(on) * (on["now_height"] - on[limit])
    at_limit = on["state"].isin(AT_LIMIT)
    act_km = np.fmin(on["left_low_km"], on["next_look_km"]).mask(on["state"].eq("not-known"))
    on["act_km"] = act_km.mask(at_limit, 0.0)
    on["date"] = _days(on, daily, as_of, "left_km", "rate_km_per_day")
    on["date_low"] = _days(on, daily, as_of, "act_km", "high")
    on["date_low"] = on["date_low"].mask(at_limit, as_of)
    return _ranked(on)


def _ranked(on):
    at_limit, margin = on["state"].isin(AT_LIMIT), on["legal_margin"].fillna(on["margin"])
    keys = on[["left_low_km", "left_km", "vehicle", "last_position", "part_key"]].copy()
    keys.insert(0, "state", on["state"].map(STATES.index))
    keys.insert(1, "by", ~on["by"].eq("reading") & at_limit)
    keys.insert(2, "fails", ~on["category"].str.startswith(FAILS_FIRST) & at_limit)
    keys.insert(3, "margin", margin.where(at_limit))
    return on.loc[keys.sort_values(list(keys), kind="stable").index].reset_index(drop=True)


def _judged(wear, confidence):
    """Fitted parts with what their lines say."""
    on = wear.parts[wear.parts["is_on"] & wear.parts["category"].isin(wear.looks["category"])]
    on = on.reset_index(drop=True)
    a, b, var_aa, var_ab, var_bb, freedom = _posterior(on, wear.error)
    line = {"line_a": a, "line_b": b, "line_aa": var_aa, "line_ab": var_ab, "line_bb": var_bb}
    q, limit = t_quantile(confidence, freedom), on["height_limit"].to_numpy(float)
    ends = crossing(a, b, var_aa, var_ab, var_bb, limit, q)
    now = np.where(on["age_known"], on["duration_km"], on["seen_km"])  # as its readings have it
    on = on.assign(seen_now_km=now, **line, line_q=q)

    def spread(x):
        with np.errstate(invalid="ignore"):
            return np.sqrt(var_aa + 2 * var_ab * x + var_bb * x**2)

    for name, height in (("now_height", a + b * now), ("now_low", a + b * now - q * spread(now))):
        on[name] = sign_of(on) * unbent(height, on["hinge"], on["bend"])
    for life, left, end in zip(LIFE, LEFT, ends, strict=True):
        on[life], on[left] = end, np.maximum(end - now, 0)
    on["life_low_km"] = on["life_low_km"].clip(lower=0)
    on["next_look_km"] = look_up(on["category"], _between_looks(wear.looks))
    ahead = now + on["next_look_km"]
    with np.errstate(all="ignore"):
        z = (a + b * ahead - limit) / spread(ahead)
    return on.assign(chance_to_next=stats.t.cdf(z, np.maximum(freedom, 1)))


def _posterior(on, error):
    """Line of each governing place (intercept, slope, their variances), freedom of its limits."""
    own = on[["category", "quantity"]].merge(error, on=["category", "quantity"], how="left")
    s2, freedom = own["error"].to_numpy(float) ** 2, own["df"].to_numpy(float)
    columns = ("usual_rate", "usual_cv", "n_alike", "n", "x_mean", "y_mean", "sxx", "slope")
    usual, cv, alike, n, x, y, sxx, slope = (on[c].to_numpy(float) for c in columns)
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
        return y - b * x, b, s2 / n + var_bb * x**2, -var_bb * x, var_bb, freedom


def _between_looks(looks):
    read = looks[looks["source"].eq("reading") & looks["distance_km"].notna()]
    read = read.drop_duplicates(["part_key", "date"]).sort_values(["part_key", "date"])
    gap = read.groupby("part_key")["distance_km"].diff()
    return gap.groupby(read["category"]).median()


def _days(on, daily, as_of, left, speed):
    """The day on which `left` is used up at the vehicle's rate."""
    if daily is None:
        return pd.Series(pd.NaT, on.index, dtype="datetime64[ns]")
    rate = daily.set_index("vehicle")
    pace = look_up(on["vehicle"], rate[speed].fillna(rate["rate_km_per_day"]))
    days = on[left] / pace.where(pace > 0)
    return days_later(as_of, np.floor(days.where(days < MOST_DAYS)))
