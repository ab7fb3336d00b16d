"""One part's wear line, and where a line reaches its limit."""

from dataclasses import dataclass
from math import inf, nan

import numpy as np
from scipy import stats

from wearbar.estimate import Estimate

__all__ = ["WearLine", "crossing", "fit_wear"]


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
