"""Least squares lines of every part and place at once."""

import numpy as np
import pandas as pd

__all__ = ["RISING", "fit_lines", "without_doubtful"]

DOUBTFUL_T = 4.5  # deletion residual from which a reading is shown, and left out of its line
RISING = "elongation"


def without_doubtful(looks):
    """As `fit_lines`, the readings farthest off left out and marked `is_doubtful`."""
    looks, lines, error = fit_lines(looks.assign(is_doubtful=False))
    worst = (
        looks["t"]
        .abs()
        .eq(looks.groupby(["part_key", "place"])["t"].transform(lambda t: t.abs().max()))
    )
    doubtful = worst & (looks["t"].abs() > DOUBTFUL_T) & looks["source"].ne("new")
    if not doubtful.any():
        return looks, lines, error
    clean, lines, error = fit_lines(looks[~doubtful])
    return (
        pd.concat([clean, looks[doubtful].assign(is_doubtful=True)], ignore_index=True),
        lines,
        error,
    )


def fit_lines(looks):
    """(looks with `residual` and `t`, lines, error): least squares of `height` in every (part, place) at once; a reading's error is pooled
    over the lines of a category."""
    key = ["part_key", "place", "category", "quantity"]
    code, keys = (
        looks.groupby(key, sort=False).ngroup().to_numpy(),
        looks[key].drop_duplicates(ignore_index=True),
    )
    x, y = looks["distance_km"].to_numpy(float), looks["height"].to_numpy(float)

    def total(values):
        return np.bincount(code, values, len(keys))

    n = total(np.ones(len(x)))
    x_mean, y_mean = total(x) / n, total(y) / n
    dx, dy = x - x_mean[code], y - y_mean[code]
    sxx = total(dx * dx)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(sxx > 0, total(dx * dy) / sxx, np.nan)
    residual = dy - np.nan_to_num(slope)[code] * dx
    span = pd.Series(x).groupby(code).agg(np.ptp).to_numpy() if len(x) else x
    lines = keys.assign(
        n=n, reach=span, x_mean=x_mean, y_mean=y_mean, sxx=sxx, slope=slope, rss=total(residual**2)
    )
    lines["df"] = np.where(sxx > 0, n - 2, 0).clip(min=0)
    pooled = lines[lines["df"] > 0].groupby(["category", "quantity"])[["rss", "df"]].sum()
    pooled["error"] = np.sqrt(pooled["rss"] / pooled["df"])
    lines = lines.merge(pooled["error"].reset_index(), on=["category", "quantity"], how="left")
    lines["slope_se"] = lines["error"] / np.sqrt(lines["sxx"].where(lines["sxx"] > 0))
    lines["at_zero"] = lines["y_mean"] - lines["slope"] * lines["x_mean"]
    with np.errstate(divide="ignore", invalid="ignore"):
        leverage = 1 / n[code] + np.where(sxx[code] > 0, dx**2 / sxx[code], 0)
        t = residual / (lines["error"].to_numpy()[code] * np.sqrt(1 - leverage))
    looks = looks.assign(
        residual=residual, t=np.where((n[code] > 2) & (leverage < 1 - 1e-9), t, np.nan)
    )
    return looks, lines, pooled[["error", "df"]].reset_index()
