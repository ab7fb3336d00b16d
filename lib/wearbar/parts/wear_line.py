"""Wear lines of every part and place at once, and where a line reaches its limit."""

from math import inf, nan

import numpy as np
import pandas as pd

RISING = "elongation"
DOUBTFUL_T = 4.5  # deletion residual from which a reading is shown, and left out of its line
LINE = ["part_key", "place", "category", "quantity"]


def crossing(intercept, slope, var_aa, var_ab, var_bb, limit, quantile):
    """Where falling lines reach a limit, with Fieller's limits (1954): arrays (value, low, high).

    The set of distances x at which (intercept + slope x - limit)^2 <= quantile^2 var(intercept +
    slope x), of which the part that a falling line can reach is given: high is infinite where the
    slope may be nil, low -infinite where no distance is excluded. Value infinite where the line
    does not fall.
    """
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


def without_doubtful(looks):
    """As `fit_lines`, the readings farthest off left out and marked `is_doubtful`."""
    looks, lines, error = fit_lines(looks.assign(is_doubtful=False))
    off = looks["t"].abs()
    worst = off.eq(off.groupby([looks["part_key"], looks["place"]]).transform("max"))
    doubtful = worst & (off > DOUBTFUL_T) & looks["source"].ne("new")
    if not doubtful.any():
        return looks, lines, error
    clean, lines, error = fit_lines(looks[~doubtful])
    looks = pd.concat([clean, looks[doubtful].assign(is_doubtful=True)], ignore_index=True)
    return looks, lines, error


def fit_lines(looks):
    """(looks with `residual` and `t`, lines, error): least squares of `height` in every line at
    once; a reading's error is pooled over the lines of a category."""
    code = looks.groupby(LINE, sort=False).ngroup().to_numpy()
    lines = looks[LINE].drop_duplicates(ignore_index=True)
    x, y = looks["distance_km"].to_numpy(float), looks["height"].to_numpy(float)

    def total(values):
        return np.bincount(code, values, len(lines))

    n = total(np.ones(len(x)))
    x_mean, y_mean = total(x) / n, total(y) / n
    dx, dy = x - x_mean[code], y - y_mean[code]
    sxx = total(dx * dx)
    rises = sxx > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(rises, total(dx * dy) / sxx, np.nan)
    residual = dy - np.nan_to_num(slope)[code] * dx
    by = pd.Series(x).groupby(code)
    read_km = (by.max() - by.min()).to_numpy() if len(x) else x
    means = {"n": n, "distance_km": read_km, "x_mean": x_mean, "y_mean": y_mean}
    lines = lines.assign(**means, sxx=sxx, slope=slope, rss=total(residual**2))
    lines["df"] = np.where(rises, n - 2, 0).clip(min=0)
    kind = ["category", "quantity"]
    pooled = lines[lines["df"] > 0].groupby(kind)[["rss", "df"]].sum()
    pooled["error"] = np.sqrt(pooled["rss"] / pooled["df"])
    lines = lines.merge(pooled["error"].reset_index(), on=kind, how="left").drop(columns="rss")
    lines["slope_se"] = lines["error"] / np.sqrt(lines["sxx"].where(rises))
    lines["at_zero"] = lines["y_mean"] - lines["slope"] * lines["x_mean"]
    with np.errstate(divide="ignore", invalid="ignore"):
        leverage = 1 / n[code] + np.where(rises[code], dx**2 / sxx[code], 0)
        t = residual / (lines["error"].to_numpy()[code] * np.sqrt(1 - leverage))
    t = np.where((n[code] > 2) & (leverage < 1 - 1e-9), t, np.nan)
    return looks.assign(residual=residual, t=t), lines, pooled[["error", "df"]].reset_index()
