"""Wear lines of every part and place at once: the limits that parts are held to, where lines reach
them, and whether they bend. Heights in mm; stretch in percent.

Above the bend (two thirds worn) depth falls at one rate, below it at that rate times 1 + bend.
Stretching the depths below it by 1 / (1 + bend) makes such a line straight."""

from functools import cache
from math import inf, nan

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.log.keys import look_up
from wearbar.log.law import LOWER_IS_STRICTER, shipped
from wearbar.parts.lives import PERCENT, RISING

HEIGHTS = ("depth", "thickness")
ANY_KIND = "car"  # whose examples stand in for a kind that has none
DOUBTFUL_T = 4.5  # deletion residual from which a reading is shown, and left out of its line
LINE = ["part_key", "place", "category", "quantity"]
LAST = 1 / 3  # of the usable depth
MIN_PARTS, MIN_VEHICLES = 8, 5  # read in the last third
SHOWN_P, SHOWN_BEND = 0.01, 0.10  # a lesser bend moves a life by under a thirtieth
LEAST, MOST = -0.7, 3.0
BEND = ["category", "bend", "low", "high", "p", "n", "vehicles", "is_shown"]


def limits_for(spans, law):
    """The limit of each span, beside what `Law.limits_of` gives: frame.

    `limit` is the log's own `limit_depth`, but never past the legal one: the deeper of the two, or
    for stretch the lesser; NaN where neither is known; `limit_from`: "the log", "the law", "".
    `example_limit`, to be wary of without one: the strictest shipped for such a part."""
    stretched = spans["category"].isin(PERCENT)
    legal = law.limits_of(spans, HEIGHTS)
    if stretched.any():
        legal.loc[stretched] = law.limits_of(spans[stretched], (RISING,))
    both = pd.concat([spans["limit_depth_mm"], legal["legal_limit"]], axis=1)
    limit = both.min(axis=1).where(stretched, both.max(axis=1))
    own = limit.eq(spans["limit_depth_mm"])
    origin = np.select([limit.isna(), own], ["", "the log"], "the law")
    # the strictest example by kind and category, else a car's, else anyone's
    key, (by_kind, anyone) = ["kind", "category"], _examples()
    own, car = (
        by_kind.reindex(pd.MultiIndex.from_frame(asked[key])).set_axis(spans.index)
        for asked in (spans, spans[key].assign(kind=ANY_KIND))
    )
    example = own.fillna(car).fillna(look_up(spans["category"], anyone)).astype(float)
    return legal.assign(limit=limit, limit_from=origin, example_limit=example)


@cache
def _examples():
    """The strictest shipped limits, by kind and category, and by category."""
    rows = shipped()[shipped()["quantity"].isin([*HEIGHTS, RISING])]
    sign = np.where(rows["quantity"].isin(LOWER_IS_STRICTER), 1, -1)
    rows = rows.iloc[np.argsort(sign * rows["limit"], kind="stable")]
    keys = (["kind", "category"], "category")
    return tuple(rows.drop_duplicates(key).set_index(key)["limit"] for key in keys)


def usable_of(parts):
    """What may be worn of a new part: mm from new depth to limit; of stretch the limit itself."""
    usable = parts["new_depth_mm"] - parts["limit"]
    return usable.mask(parts["quantity"].eq(RISING), parts["limit"])


def crossing(intercept, slope, var_aa, var_ab, var_bb, limit, quantile):
    """Where falling lines reach a limit, with Fieller's limits (1954): arrays (value, low, high).

    The distances x at which (intercept + slope x - limit)^2 <= quantile^2 var(intercept + slope x):
    high is infinite where the slope may be nil, low -infinite where no distance is excluded, value
    infinite where the line does not fall."""
    height = intercept - limit
    a = slope**2 - quantile**2 * var_bb
    b = height * slope - quantile**2 * var_ab
    c = height**2 - quantile**2 * var_aa
    with np.errstate(all="ignore"):
        value = np.where(slope < 0, -height / slope, np.where(np.isnan(slope), nan, inf))
        root = np.sqrt(np.maximum(b * b - a * c, 0))
        first, second = (-b - root) / a, (-b + root) / a
        low = np.where(a > 0, first, np.where(b * b - a * c > 0, np.maximum(first, second), -inf))
        high = np.where((a > 0) & (slope < 0), second, inf)
        # with the slope's sign open, all distances fit unless the line stands clear of the limit
        # where it is read
        low = np.where((a > 0) & (slope >= 0), inf, low)
    return value, low, high


def fit_lines(looks):
    """(looks with `residual` and `t`, lines, error): least squares of `height` in every line at
    once; a reading's error is pooled over the lines of a category."""
    by = looks.groupby(LINE, sort=False)
    code, x, y = by.ngroup().to_numpy(), *looks[["distance_km", "height"]].to_numpy(float).T
    lines = looks[LINE].drop_duplicates(ignore_index=True)

    def total(values):
        return np.bincount(code, values, len(lines))

    n = total(np.ones(len(x)))
    x_mean, y_mean = total(x) / n, total(y) / n
    dx, dy = x - x_mean[code], y - y_mean[code]
    sxx = total(dx * dx)
    rises = sxx > 0
    slope = np.divide(total(dx * dy), sxx, out=np.full(len(n), nan), where=rises)
    residual = dy - np.nan_to_num(slope)[code] * dx
    read_km = (by["distance_km"].max() - by["distance_km"].min()).to_numpy(float)
    means = {"n": n, "distance_km": read_km, "x_mean": x_mean, "y_mean": y_mean}
    lines = lines.assign(**means, sxx=sxx, slope=slope, rss=total(residual**2))
    lines["df"] = np.where(rises, n - 2, 0).clip(min=0)
    kind = ["category", "quantity"]
    error = lines[lines["df"] > 0].groupby(kind, as_index=False)[["rss", "df"]].sum()
    error.insert(2, "error", np.sqrt(error.pop("rss") / error["df"]))
    lines = lines.drop(columns="rss").merge(error.drop(columns="df"), on=kind, how="left")
    lines["slope_se"] = lines["error"] / np.sqrt(lines["sxx"].where(rises))
    lines["at_zero"] = lines["y_mean"] - lines["slope"] * lines["x_mean"]
    with np.errstate(divide="ignore", invalid="ignore"):
        leverage = 1 / n[code] + np.where(rises[code], dx**2 / sxx[code], 0)
        t = residual / (lines["error"].to_numpy()[code] * np.sqrt(1 - leverage))
    t = np.where((n[code] > 2) & (leverage < 1 - 1e-9), t, np.nan)
    return looks.assign(residual=residual, t=t), lines, error


def hinge_of(parts):
    """The height at which each part is two thirds worn; NaN where that is not known."""
    usable = usable_of(parts)
    hinge = (LAST * usable + parts["limit"]).mask(parts["quantity"].eq(RISING), (LAST - 1) * usable)
    return hinge.where(usable > 0)


def straighten(height, hinge, bend):
    """Heights below the hinge as they would be without the bend."""
    return np.where(height < hinge, hinge + (height - hinge) / (1 + bend), height)


def unbent(height, hinge, bend):
    """Straightened heights turned back into those that are read."""
    return np.where(height < hinge, hinge + (height - hinge) * (1 + bend), height)


def bends_of(looks, parts):
    """The bend by category, where enough parts are read in the last third: frame `BEND`, the share
    by which wear is faster there, with 90% limits, by least squares of straight lines. The test is
    the score's, vehicles taken as independent, Student's t on vehicles - 1."""
    looks = looks[~looks["is_doubtful"] & looks["distance_km"].notna()]
    hinge = hinge_of(parts).set_axis(parts["part_key"])
    looks = looks.assign(hinge=look_up(looks["part_key"], hinge)).dropna(subset="hinge")
    # only parts with a reading in the last third, and two above it, can show a bend
    below, line = looks["height"] < looks["hinge"], [looks["part_key"], looks["place"]]
    lower, upper = (which.groupby(line).transform("sum") for which in (below, ~below))
    groups = looks[lower.ge(1) & upper.ge(2)].groupby("category")
    counts = groups[["part_key", "vehicle"]].nunique()
    enough = counts.index[(counts >= [MIN_PARTS, MIN_VEHICLES]).all(axis=1)]
    rows = []
    for name in enough:
        own = groups.get_group(name).reset_index(drop=True)
        n_parts, n_vehicles = counts.loc[name]
        bend, se = _step(own, 0.0)
        p = float(2 * stats.t.sf(abs(bend) / se, n_vehicles - 1))
        for _ in range(12 if p < SHOWN_P else 0):
            bend = float(np.clip(bend, LEAST, MOST))
            step, se = _step(own, bend)
            bend += step
        bend, half = float(np.clip(bend, LEAST, MOST)), stats.t.ppf(0.95, n_vehicles - 1) * se
        is_shown = p < SHOWN_P and abs(bend) >= SHOWN_BEND
        rows.append((name, bend, bend - half, bend + half, p, n_parts, n_vehicles, is_shown))
    return pd.DataFrame(rows, columns=BEND).astype({"is_shown": bool})


def _step(looks, bend):
    """(how much more bend the readings ask for, its standard error by vehicles)."""
    flat, _, _ = fit_lines(looks.assign(height=straighten(looks["height"], looks["hinge"], bend)))
    over = np.minimum(flat["height"] - flat["residual"] - flat["hinge"], 0) / (1 + bend)
    pull = fit_lines(looks.assign(height=over))[0]["residual"]
    squares = (pull**2).sum()
    step = (pull * flat["residual"]).sum() / squares
    each = (pull * (flat["residual"] - step * pull)).groupby(looks["vehicle"]).sum()
    return step, np.sqrt(len(each) / (len(each) - 1) * (each**2).sum()) / squares
