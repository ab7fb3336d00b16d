"""One part's wear line, and where a line reaches its limit."""

from dataclasses import dataclass
from math import inf, nan

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.stats.estimate import Estimate

__all__ = ["RISING", "WearLine", "crossing", "fit_lines", "fit_wear", "without_doubtful"]


@dataclass(frozen=True)
class WearLine:
    """Least squares line of depth on distance: depth = intercept + slope (distance - break_in).

    slope: depth a unit of distance, negative for wear; slope_se, intercept_se its standard errors. residual_error: standard deviation of
    a reading about the line, NaN from two readings. n: readings used. life: the distance, from fitting, at which the line reaches the
    limit, with Fieller's limits (1954): infinite or missing where they are not bounded, and then its note says so.
    """

    slope: float
    intercept: float
    slope_se: float
    intercept_se: float
    residual_error: float
    n: int
    limit: float
    break_in: float
    life: Estimate

    @property
    def rate(self):
        """Wear a unit of distance, positive where depth falls."""
        return -self.slope

    def depth_at(self, distance):
        """The line's depth at each distance."""
        return self.intercept + self.slope * (np.asarray(distance, float) - self.break_in)


def crossing(intercept, slope, var_aa, var_ab, var_bb, limit, quantile):
    """Where falling lines reach a limit, with Fieller's limits: arrays (value, low, high).

    The set of distances x at which (intercept + slope x - limit)^2 <= quantile^2 var(intercept + slope x), of which the part that a
    falling line can reach is given: high is infinite where the slope may be nil, low -infinite where no distance is excluded. Value
    infinite where the line does not fall.
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
        # with the slope's sign open, all distances fit unless the line stands clear of the limit where it is read
        low = np.where((a > 0) & (slope >= 0), inf, low)
    return value, low, high


def fit_wear(distance, depth, limit, break_in=0.0, confidence=0.9):
    """The wear line of one part's readings: a `WearLine`.

    distance: of each reading from fitting; those short of `break_in` are left out, and the line counts from there, as in 49 CFR
    575.104(e)(2)(ix) (from memory): its projection is break_in + (intercept - limit) / rate. depth: reading in any unit, the limit in the
    same; for a measure that rises with wear give both with their sign changed. Fewer than two distinct distances give no line; two give
    one without limits.
    """
    x, y = np.asarray(distance, float), np.asarray(depth, float)
    used = np.isfinite(x) & np.isfinite(y) & (x >= break_in)
    x, y = x[used] - break_in, y[used]
    n = len(x)
    if n < 2 or np.ptp(x) == 0:
        none = Estimate(nan, nan, nan, confidence, n, note="a line needs readings at two distances")
        return WearLine(nan, nan, nan, nan, nan, n, limit, break_in, none)
    mean, sxx = x.mean(), ((x - x.mean()) ** 2).sum()
    slope = ((x - mean) * (y - y.mean())).sum() / sxx
    intercept = y.mean() - slope * mean
    if n == 2:
        life = Estimate(
            break_in - (intercept - limit) / slope if slope < 0 else inf,
            nan,
            nan,
            confidence,
            n,
            note="limits need three readings",
        )
        return WearLine(slope, intercept, nan, nan, nan, n, limit, break_in, life)
    s = np.sqrt(((y - intercept - slope * x) ** 2).sum() / (n - 2))
    variances = s * s * (1 / n + mean**2 / sxx), -s * s * mean / sxx, s * s / sxx
    value, low, high = crossing(
        intercept, slope, *variances, limit, stats.t.ppf((1 + confidence) / 2, n - 2)
    )
    life = Estimate(
        float(value) + break_in,
        float(low) + break_in,
        float(high) + break_in,
        confidence,
        n,
        method="Fieller, Student's t",
    )
    if not np.isfinite([value, low, high]).all():
        life = Estimate(**{**vars(life), "note": "not bounded: the readings allow no wear at all"})
    return WearLine(
        float(slope),
        float(intercept),
        float(np.sqrt(variances[2])),
        float(np.sqrt(variances[0])),
        float(s),
        n,
        limit,
        break_in,
        life,
    )


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
    by = pd.Series(x).groupby(code)
    span = (by.max() - by.min()).to_numpy() if len(x) else x
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
