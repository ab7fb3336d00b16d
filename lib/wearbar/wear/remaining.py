"""How far each part now on still goes, and the life to the limit of parts of a kind."""

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.paths import days_later
from wearbar.wear.bend import LAST, unbent
from wearbar.wear.limits import usable_of
from wearbar.wear.line import crossing
from wearbar.wear.lines import RISING
from wearbar.wear.parts import SPREAD_WORTH, STRATUM, t_quantile

__all__ = ["STATES", "life_to_limit", "remaining"]

# of a part's wear, the most pressing first
STATES = ("below-legal", "below", "may-be-below", "before-next-look", "not-known", "above")
AT_LIMIT = STATES[:3]  # or perhaps at it: nothing is left to go by


def remaining(wear, as_of, daily=None, confidence=0.9):
    """Every part now on whose wear is read: one row a part, the most pressing first.

    part_key ... as in `wear.parts`, and: `now_height` (depth now at the governing place, on its line; where there is none the last
    reading, `last_height`), `now_low` (its lower limit), `life_km` and its `life_low_km`, `life_high_km` (distance on the part at the
    limit), `left_km`, `left_low_km`, `left_high_km` (from now; nil where passed), `chance_to_next` (of still being above the limit when
    it is next looked at, `next_look_km` on, the middle distance between looks), `act_km` (the lesser of the low limit and the next look,
    nil where it is or may be at its limit), `date_low`, `date` (days on which that and the middle are used up at the vehicle's rate, the
    high limit of it for the first; `daily` as from `usage.daily_rate`), `last_read` and `last_place`, `state` ("below-legal", "below",
    "may-be-below", "before-next-look", "above", "not-known"), `why_not` (words, where not known). `seen_now_km` is the part's distance
    now on its readings' scale; `line_a` + `line_b` x its line (height, falling with wear), `line_aa`, `line_ab`, `line_bb` the variances
    of the two, `line_q` the quantile of its limits. The line has its own readings and, where like parts say what is usual, that as a
    prior for its slope: an empirical Bayes line; limits are Fieller's on its posterior. Where wear is shown to bend in the last third
    (`wear.bent`) the line is of straightened heights (`bend`, `hinge`), and each low limit the lower of its own and the straight line's.
    `low` of a two-sided 90% interval is the one-sided 95% lower limit. Age and damage are not seen by it.

    A last reading that no distance is known of is in no line, and brings the end forward all the same: `now_height` is the more worn of
    the two, and what is left is cut by the share of the height left that the reading takes off (`chance_to_next` is then not told). A
    last reading so far off its line that it is doubted, yet at the limit, makes the part "may-be-below", whatever its line says.
    """
    on = _judged(wear if wear.bent is None else wear.bent, confidence)
    if wear.bent is not None:
        straight = _judged(wear, confidence)
        on["now_low"] = _lower(on, straight)
        for name in ("life_low_km", "left_low_km", "chance_to_next"):
            on[name] = np.fmin(on[name], straight[name])
    on = _with_last(on, wear.looks)
    on["state"], on["why_not"] = _state(on)
    unknown = on["why_not"].ne("")
    on.loc[unknown, ["left_km", "left_low_km", "left_high_km", "life_km", "life_low_km", "life_high_km", "chance_to_next"]] = np.nan
    on["now_height"] = on["now_height"].mask(on["why_not"].ne("") & on["state"].eq("may-be-below"), on["doubted_height"])
    on["act_km"] = np.fmin(on["left_low_km"], on["next_look_km"]).where(~on["state"].eq("not-known"))
    on["act_km"] = on["act_km"].mask(on["state"].isin(AT_LIMIT), 0.0)
    on = _with_dates(on, as_of, daily)
    order = on["state"].map({name: i for i, name in enumerate(STATES)})
    return (
        on.assign(order=order)
        .sort_values(["order", "left_low_km", "left_km", "part_key"], kind="stable", ignore_index=True)
        .drop(columns="order")
    )


def _judged(wear, confidence):
    """Parts now on with what their lines say."""
    on = wear.parts[wear.parts["is_on"] & wear.parts["category"].isin(wear.looks["category"])].reset_index(drop=True)
    a, b, var_aa, var_ab, var_bb, freedom = _posterior(on, wear.error)
    limit = on["height_limit"].to_numpy(float)
    q = t_quantile(confidence, freedom)
    value, low, high = crossing(a, b, var_aa, var_ab, var_bb, limit, q)
    x_now = _distance_now(on)
    on["seen_now_km"] = x_now
    on["line_a"], on["line_b"], on["line_aa"], on["line_ab"], on["line_bb"], on["line_q"] = a, b, var_aa, var_ab, var_bb, q
    with np.errstate(invalid="ignore"):
        spread = np.sqrt(var_aa + 2 * var_ab * x_now + var_bb * x_now**2)
    on["now_height"] = _unsigned(on, unbent(a + b * x_now, on["hinge"], on["bend"]))
    on["now_low"] = _unsigned(on, unbent(a + b * x_now - q * spread, on["hinge"], on["bend"]))
    on["life_km"], on["life_low_km"], on["life_high_km"] = value, np.maximum(low, 0), high
    for name, end in (("left_km", value), ("left_low_km", low), ("left_high_km", high)):
        on[name] = np.maximum(end - x_now, 0)
    on["next_look_km"] = on["category"].map(_between_looks(wear.looks))
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
        freedom = 1 / (lent**2 / (alike - 1 + SPREAD_WORTH) + (1 - lent) ** 2 / np.maximum(freedom, 1))
        slope = var_bb * (np.nan_to_num(on["slope"].to_numpy(float)) * sxx / s2 - prior * np.nan_to_num(mean))
        a = y - slope * x
        return a, slope, s2 / n + var_bb * x**2, -var_bb * x, var_bb, freedom


def _distance_now(on):
    """The part's distance now, on the scale that its readings have."""
    return np.where(on["age_known"], on["duration_km"], on["seen_km"])


def _unsigned(on, height):
    return np.where(on["quantity"].eq(RISING), -height, height)


def _between_looks(looks):
    read = looks[looks["source"].eq("reading") & looks["distance_km"].notna()]
    read = read.drop_duplicates(["part_key", "date"]).sort_values(["part_key", "date"])
    gap = read.groupby("part_key")["distance_km"].diff()
    return gap.groupby(read["category"]).median()


def _with_last(on, looks):
    """The parts with their last reading, and what it takes off where no distance is known of it."""
    on["last_read"] = on["part_key"].map(looks[looks["source"].eq("reading")].groupby("part_key")["date"].max())
    told = looks[looks["source"].ne("new")]
    last, doubted = (_lowest(rows, on["part_key"]) for rows in (told[~told["is_doubtful"]], told[told["is_doubtful"]]))
    usual = looks.dropna(subset="quantity").drop_duplicates("category").set_index("category")["quantity"]
    on["quantity"] = on["quantity"].fillna(last["quantity"]).fillna(on["category"].map(usual))
    on["last_height"], on["last_place"] = _unsigned(on, last["height"]), last["place"]
    on["doubted_height"] = _unsigned(on, doubted["height"].where(doubted["date"] >= on["last_read"]))
    sign = np.where(on["quantity"].eq(RISING), -1, 1)
    unplaced = last["height"].notna() & last["distance_km"].isna()
    with np.errstate(divide="ignore", invalid="ignore"):
        room, told = sign * (on["now_height"] - on["limit"]), sign * (on["last_height"] - on["limit"])
        share = (told / room).where(room > 0, 0.0).clip(0.0, 1.0).where(unplaced & (told < room), 1.0)
    for name in ("left_km", "left_low_km", "left_high_km"):
        on[name] = (on[name] * share).mask(share.eq(0), 0.0)
    on["chance_to_next"] = on["chance_to_next"].where(share.eq(1))
    lower = unplaced & ~(sign * on["now_height"] < sign * on["last_height"])
    on["now_height"] = on["now_height"].fillna(on["last_height"]).mask(lower, on["last_height"])
    return on


def _lowest(looks, part_key):
    """Of each part the most worn reading of its last day: `height`, `place`, `date`, `distance_km`, `quantity`, rows as `part_key`."""
    last = looks.sort_values(["date", "height"], ascending=[False, True], kind="stable").drop_duplicates("part_key")
    keep = last.set_index("part_key")[["height", "place", "date", "distance_km", "quantity"]]
    return keep.reindex(part_key).set_axis(part_key.index)


def _past(on, height, limit):
    return np.where(on["quantity"].eq(RISING), on[height] >= on[limit], on[height] <= on[limit])


def _state(on):
    reasons = [
        (on["n"].isna() & on["last_height"].isna(), "its wear has not been read"),
        (on["limit"].isna(), "no limit is known for it"),
        (on["n"].isna(), "no distance is known of its readings"),
        (on["life_km"].isna() | on["left_low_km"].isna(), "too few readings of it and of like parts to say how it wears"),
        (np.isinf(on["left_km"]), "its readings show no wear yet"),
    ]
    why = pd.Series("", on.index)
    for mask, words in reversed(reasons):
        why = why.mask(mask, words)
    known, read_past = why.eq(""), _past(on, "last_height", "limit")
    legal = _past(on, "last_height", "legal_limit") | (known & _past(on, "now_height", "legal_limit"))
    below = known & on["left_km"].le(0) | ~known & read_past
    doubted = _past(on, "doubted_height", "limit")
    checks = [legal, below, read_past | doubted | known & on["left_low_km"].le(0), ~known, on["left_low_km"] < on["next_look_km"]]
    state = np.select(checks, ["below-legal", "below", "may-be-below", "not-known", "before-next-look"], "above")
    return state, why.mask((state == "may-be-below") & doubted & ~read_past, "its last reading lies far off its line")


def _with_dates(on, as_of, daily):
    on["date_low"] = on["date"] = pd.Series(pd.NaT, on.index, dtype="datetime64[ns]")
    on.loc[on["state"].isin(AT_LIMIT), "date_low"] = as_of
    if daily is None:
        return on
    rate = daily.drop_duplicates("vehicle").set_index("vehicle")
    for name, left, speed in (("date_low", "act_km", "high"), ("date", "left_km", "rate_km_per_day")):
        pace = on["vehicle"].map(rate[speed]).fillna(on["vehicle"].map(rate["rate_km_per_day"]))
        days = np.floor((on[left] / pace.where(pace > 0)).where(lambda d: d < 3650))
        on[name] = on[name].fillna(days_later(as_of, days))
    return on


def life_to_limit(wear, by=tuple(STRATUM), confidence=0.9):
    """Life to the limit of new parts of a kind, by their wear: one row a group of `by`.

    Columns of `by`, `n` (wear lines), `vehicles`, `worn` (ended worn), `life_km`, `low_km`, `high_km` (of the middle part: usable depth
    over the geometric mean rate), `quick_km` (the life that nine parts in ten exceed, by the spread between parts), `rate_mm_per_1000km`,
    `note`. Where wear bends in the last third (`wear.bent`) the rate is that before it, and the low limit the lower of both forms'.
    Vehicles are independent, parts of one are not: limits are Student's t on vehicles - 1, on the log scale; below three vehicles none are
    given.
    """
    if wear.bent is not None:
        bent, straight = (life_to_limit(replace(w, bent=None), by, confidence) for w in (wear.bent, wear))
        return bent.assign(low_km=np.fmin(bent["low_km"], straight["low_km"]), quick_km=np.fmin(bent["quick_km"], straight["quick_km"]))
    parts = wear.parts[(wear.parts["rate_mm_per_1000km"] > 0) & (wear.parts["n"] > 2) & wear.parts["limit"].notna()].copy()
    parts["y"] = np.log(parts["rate_mm_per_1000km"])
    parts["usable"] = usable_of(parts) * (1 - LAST + LAST / (1 + parts["bend"]))
    parts["weight"] = 1 / ((parts["se"] / parts["rate_mm_per_1000km"]) ** 2 + parts["spread_cv"].fillna(0.25) ** 2)
    parts["wy"] = parts["weight"] * parts["y"]
    by = list(by)
    groups = parts.groupby(by, dropna=False)
    frame = groups.agg(
        n=("y", "size"),
        vehicles=("vehicle", "nunique"),
        worn=("observed", "sum"),
        usable=("usable", "median"),
        quantity=("quantity", "first"),
        cv=("spread_cv", "median"),
    )
    total = groups[["weight", "wy"]].sum()
    frame["log_rate"] = total["wy"] / total["weight"]
    frame["se"] = _vehicle_error(parts, by, frame["log_rate"])
    half = np.where(frame["vehicles"] >= 3, frame["se"] * t_quantile(confidence, frame["vehicles"] - 1), np.nan)
    frame["rate_mm_per_1000km"] = np.exp(frame["log_rate"])
    frame["life_km"] = 1000 * frame["usable"] / frame["rate_mm_per_1000km"]
    frame["low_km"], frame["high_km"] = frame["life_km"] * np.exp(-half), frame["life_km"] * np.exp(half)
    frame["quick_km"] = frame["life_km"] * np.exp(-stats.norm.ppf(0.9) * np.log1p(frame["cv"]))
    frame["note"] = np.where(frame["vehicles"] < 3, "under three vehicles: no limits", "")
    return frame.drop(columns=["log_rate", "se", "cv", "usable"]).reset_index()


def _vehicle_error(parts, by, mean):
    """Standard error of a weighted mean with parts clustered in vehicles (as for a ratio)."""
    keyed = parts.merge(mean.rename("mean").reset_index(), on=by)
    keyed["pull"] = keyed["weight"] * (keyed["y"] - keyed["mean"])
    each = keyed.groupby([*by, "vehicle"], dropna=False)[["pull", "weight"]].sum()
    squares = (each["pull"] ** 2).groupby(level=list(range(len(by))), dropna=False).sum()
    weight = each["weight"].groupby(level=list(range(len(by))), dropna=False).sum()
    v = each["weight"].groupby(level=list(range(len(by))), dropna=False).size()
    return np.sqrt(squares * v / (v - 1).where(v > 1)) / weight
