"""How far each part now on still goes."""

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.log.keys import look_up
from wearbar.parts.state import (
    AT_LIMIT,
    FAILS_FIRST,
    STATES,
    cut_by_last,
    sign_of,
    state_of,
    unsigned,
    with_last,
)
from wearbar.parts.wear import SPREAD_WORTH, t_quantile
from wearbar.parts.wear_bend import unbent
from wearbar.parts.wear_line import RISING, crossing
from wearbar.usage.distance import days_later

__all__ = ["remaining"]


def remaining(wear, as_of, daily=None, confidence=0.9):
    """Every part now on whose wear is read: one row a part, the most pressing first.

    part_key ... as in `wear.parts`, and: `last_read`, `last_height`, `last_place`: of one reading, and `last_is_doubted`
    (see `wear.state`).
    `now_height` (depth now at the governing place: on its line, or of a part at a limit by reading that reading), `now_low`
    (the line's lower limit), `life_km` and its `life_low_km`, `life_high_km` (distance on the part at the limit), `left_km`,
    `left_low_km`, `left_high_km` (from now; nil where passed), `chance_to_next` (of still being above the limit when it is
    next read, `next_look_km` on, the middle distance between readings), `act_km` (the lesser of the low limit and the next
    reading, nil where it is or may be at its limit), `date_low`, `date` (days on which that and the middle are used up at the
    vehicle's rate, the high limit of it for the first; `daily` as from `usage.daily_rate`).

    `state`, `by`: see `wear.state`. `why_not`: words, where what is left is not known. `margin`, `legal_margin`: the height
    by which `state` was judged less the limit and the legal limit, negative where past (of stretch what is left of it); mm
    or percent.

    Ranked by state, readings before forecasts, then what hurts first when it fails (`FAILS_FIRST`), then, at a limit, by
    the margin to the legal limit; others by the low limit of what is left.

    `seen_now_km` is the part's distance now on its readings' scale; `line_a` + `line_b` x its line (height, falling with
    wear), `line_aa`, `line_ab`, `line_bb` the variances of the two, `line_q` the quantile of its limits. The line has its own
    readings and, where like parts say what is usual, that as a prior for its slope: an empirical Bayes line; limits are
    Fieller's on its posterior. Where wear is shown to bend in the last third (`wear.bent`) the line is of straightened heights
    (`bend`, `hinge`), and each low limit the lower of its own and the straight line's. `low` of a two-sided 90% interval is
    the one-sided 95% lower limit. Age and damage are not seen by it.

    A last reading lower than its line, that no distance is known of or that another place agrees with although it is too
    far off to be in the line, brings the end forward: what is left is cut by the share of the height left that the reading
    takes off (`chance_to_next` is then not told).
    """
    on = _judged(wear if wear.bent is None else wear.bent, confidence)
    if wear.bent is not None:
        straight = _judged(wear, confidence)
        on["now_low"] = _lower(on, straight)
        for name in ("life_low_km", "left_low_km", "chance_to_next"):
            on[name] = np.fmin(on[name], straight[name])
    on = cut_by_last(with_last(on, wear.looks))
    on["state"], on["by"], on["why_not"] = state_of(on)
    unknown = on["why_not"].ne("")
    lives = [
        "left_km",
        "left_low_km",
        "left_high_km",
        "life_km",
        "life_low_km",
        "life_high_km",
        "chance_to_next",
    ]
    on.loc[unknown, lives] = np.nan
    by_reading = on["by"].eq("reading")
    on.loc[by_reading & on["state"].isin(["below", "below-legal"]), lives[:3]] = 0.0
    on["now_height"] = on["now_height"].mask(
        by_reading | unknown & on["last_height"].notna(), on["last_height"]
    )
    sign = sign_of(on)
    on["margin"] = sign * (on["now_height"] - on["limit"])
    on["legal_margin"] = sign * (on["now_height"] - on["legal_limit"])
    on["act_km"] = np.fmin(on["left_low_km"], on["next_look_km"]).where(
        ~on["state"].eq("not-known")
    )
    on["act_km"] = on["act_km"].mask(on["state"].isin(AT_LIMIT), 0.0)
    return _ranked(_with_dates(on, as_of, daily))


def _ranked(on):
    at_limit = on["state"].isin(AT_LIMIT)
    keys = pd.DataFrame(
        {
            "state": on["state"].map({name: i for i, name in enumerate(STATES)}),
            "by": ~on["by"].eq("reading") & at_limit,
            "fails": ~on["category"].str.startswith(FAILS_FIRST) & at_limit,
            "margin": on["legal_margin"].fillna(on["margin"]).where(at_limit),
        }
    )
    keys = pd.concat(
        [keys, on[["left_low_km", "left_km", "vehicle", "last_position", "part_key"]]], axis=1
    )
    return on.loc[keys.sort_values(list(keys), kind="stable").index].reset_index(drop=True)


def _judged(wear, confidence):
    """Parts now on with what their lines say."""
    on = wear.parts[
        wear.parts["is_on"] & wear.parts["category"].isin(wear.looks["category"])
    ].reset_index(drop=True)
    a, b, var_aa, var_ab, var_bb, freedom = _posterior(on, wear.error)
    limit = on["height_limit"].to_numpy(float)
    q = t_quantile(confidence, freedom)
    value, low, high = crossing(a, b, var_aa, var_ab, var_bb, limit, q)
    x_now = _distance_now(on)
    on["seen_now_km"] = x_now
    on["line_a"], on["line_b"], on["line_aa"], on["line_ab"], on["line_bb"], on["line_q"] = (
        a,
        b,
        var_aa,
        var_ab,
        var_bb,
        q,
    )
    with np.errstate(invalid="ignore"):
        spread = np.sqrt(var_aa + 2 * var_ab * x_now + var_bb * x_now**2)
    on["now_height"] = unsigned(on, unbent(a + b * x_now, on["hinge"], on["bend"]))
    on["now_low"] = unsigned(on, unbent(a + b * x_now - q * spread, on["hinge"], on["bend"]))
    on["life_km"], on["life_low_km"], on["life_high_km"] = value, np.maximum(low, 0), high
    for name, end in (("left_km", value), ("left_low_km", low), ("left_high_km", high)):
        on[name] = np.maximum(end - x_now, 0)
    on["next_look_km"] = look_up(on["category"], _between_looks(wear.looks))
    ahead = x_now + on["next_look_km"]
    with np.errstate(all="ignore"):
        z = (a + b * ahead - limit) / np.sqrt(var_aa + 2 * var_ab * ahead + var_bb * ahead**2)
    return on.assign(chance_to_next=stats.t.cdf(z, np.maximum(freedom, 1)))


def _lower(on, other):
    """The more worn of two heights: the lower depth, the greater stretch."""
    low, high = np.fmin(on["now_low"], other["now_low"]), np.fmax(on["now_low"], other["now_low"])
    return np.where(on["quantity"].eq(RISING), high, low)


def _posterior(on, error):
    """Line of each part's governing place: intercept at distance nil, slope, their variances, and the degrees of freedom of the limits."""
    s = on.merge(error, on=["category", "quantity"], how="left", suffixes=("_line", ""))
    s2, freedom = s["error"].to_numpy(float) ** 2, s["df"].to_numpy(float)
    mean, cv = on["usual_rate"].to_numpy(float) / 1000, on["usual_cv"].to_numpy(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        alike = np.nan_to_num(on["n_alike"].to_numpy(float), nan=1.0)
        prior = np.nan_to_num(1 / ((mean * cv) ** 2 * (1 + 1 / alike)), nan=0.0, posinf=0.0)
        n, x, y = (on[c].to_numpy(float) for c in ("n", "x_mean", "y_mean"))
        sxx = on["sxx"].to_numpy(float)
        var_bb = 1 / (sxx / s2 + prior)
        # degrees of freedom of a sum of two variances, each by its part in the slope (Satterthwaite 1946, from memory)
        lent = prior * var_bb
        freedom = 1 / (
            lent**2 / (alike - 1 + SPREAD_WORTH) + (1 - lent) ** 2 / np.maximum(freedom, 1)
        )
        slope = var_bb * (
            np.nan_to_num(on["slope"].to_numpy(float)) * sxx / s2 - prior * np.nan_to_num(mean)
        )
        a = y - slope * x
        return a, slope, s2 / n + var_bb * x**2, -var_bb * x, var_bb, freedom


def _distance_now(on):
    """The part's distance now, on the scale that its readings have."""
    return np.where(on["age_known"], on["duration_km"], on["seen_km"])


def _between_looks(looks):
    read = looks[looks["source"].eq("reading") & looks["distance_km"].notna()]
    read = read.drop_duplicates(["part_key", "date"]).sort_values(["part_key", "date"])
    gap = read.groupby("part_key")["distance_km"].diff()
    return gap.groupby(read["category"]).median()


def _with_dates(on, as_of, daily):
    on["date_low"] = on["date"] = pd.Series(pd.NaT, on.index, dtype="datetime64[ns]")
    on.loc[on["state"].isin(AT_LIMIT), "date_low"] = as_of
    if daily is None:
        return on
    rate = daily.drop_duplicates("vehicle").set_index("vehicle")
    for name, left, speed in (
        ("date_low", "act_km", "high"),
        ("date", "left_km", "rate_km_per_day"),
    ):
        pace = look_up(on["vehicle"], rate[speed]).fillna(
            look_up(on["vehicle"], rate["rate_km_per_day"])
        )
        days = np.floor((on[left] / pace.where(pace > 0)).where(lambda d: d < 3650))
        on[name] = on[name].fillna(days_later(as_of, days))
    return on
