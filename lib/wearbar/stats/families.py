"""Standard distributions of the log of a life: smallest extreme value (Weibull) and normal (lognormal)."""

from dataclasses import dataclass

import numpy as np
from scipy import special

__all__ = ["FAMILIES", "Family"]


@dataclass(frozen=True)
class Family:
    """Standard distribution of Z: `exact` and `beyond` give log density and log survival with two derivatives, `ppf` quantiles,
    `log_mean(s)` the log of E[exp(s Z)] with two derivatives in s."""

    name: str
    exact: object
    beyond: object
    density_slope: object
    ppf: object
    upper: object
    log_mean: object


def _sev_exact(z):
    e = np.exp(z)
    return z - e, 1 - e, -e


def _sev_beyond(z):
    e = -np.exp(z)
    return e, e, e


def _normal_exact(z):
    return -0.5 * z * z - 0.5 * np.log(2 * np.pi), -z, np.full_like(z, -1.0)


def _normal_beyond(z):
    log_survival = special.log_ndtr(-z)
    with np.errstate(invalid="ignore", over="ignore"):
        hazard = np.exp(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - log_survival)
        return log_survival, -hazard, -hazard * (hazard - z)


def _sev_log_mean(s):
    return special.gammaln(1 + s), special.digamma(1 + s), special.polygamma(1, 1 + s)


FAMILIES = {
    "weibull": Family(
        "weibull",
        _sev_exact,
        _sev_beyond,
        lambda z: 1 - np.exp(z),
        lambda p: np.log(-np.log1p(-np.asarray(p, float))),
        lambda log_s: np.log(-log_s),
        _sev_log_mean,
    ),
    "lognormal": Family(
        "lognormal",
        _normal_exact,
        _normal_beyond,
        np.negative,
        special.ndtri,
        lambda log_s: -special.ndtri_exp(log_s),
        lambda s: (s * s / 2, s, np.ones_like(s)),
    ),
}
