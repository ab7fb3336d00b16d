"""What the readings up to a day say of each vehicle's use: its rate, how it drifts and scatters.

The rate of use is a level that drifts: over a span of g days the distance is rate * g with variance
in proportion to g, and the log of the rate walks with a variance in proportion to time (a
local-level model in continuous time; Harvey 1989, Forecasting, structural time series models and
the Kalman filter, chapter 9; from memory). Its steady weights are the classical exponential ones:
recent use weighs more the more the fleet's rates drift. Dispersion and drift are pooled over
vehicles of a kind, a vehicle's own dispersion is drawn to them, and its rate to that of its kind
and site by the ratio of the variances (empirical Bayes). Days run on a clock that stands still in a
declared lay-up and goes with the fleet's season.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special, stats

from wearbar.usage.days_of_use import LEAST_DISPERSION, YEARS_BACK, Clock, clock_of
from wearbar.usage.distance import Path, as_dates, days_of, numbers_of, path_of

# days ahead: the bins in which forecasts are judged, and widened by what the judging showed
HORIZONS = ((0, 30), (31, 90), (91, 180), (181, 365))

_BLOCK_DAYS = 14  # readings nearer together are one: within it days are not alike
_PRIOR_DF, _MOST_PRIOR_DF = 2.0, 60.0  # what the kind's dispersion counts for beside its own
_LEAST_VEHICLES = 3
_DRIFT_SE = 2.5  # by which a drift must stand out: chance would widen every interval


@dataclass(frozen=True, eq=False)
class UsageModel:
    """Each vehicle's use as the readings up to a day tell it.

    vehicles: one row a vehicle, index `vehicle`: `last_date, last_km, n_readings` (over the years
    looked at, those within a fortnight as one), `record_days` (from the first of them),
    `rate_km_per_day` (per day of the clock: the season's mean), `mean_km_per_day` (over the whole
    record), `log_variance` of the rate, `dispersion_days` and `drift_per_day` (of the distance and
    of the rate, relative), `df`, `is_changed` (recent use differs from the record's mean by more
    than chance), `method` (own, kind-and-site, none).
    """

    vehicles: pd.DataFrame
    clock: Clock  # days of use between dates
    path: Path  # the readings
    widen: tuple = (1.0, 1.0, 1.0, 1.0)  # what the spread is multiplied by in each of HORIZONS
    # the same of the hour meters, where `km` stands for hours; None where no hours were read
    hours: "UsageModel | None" = None

    def of(self, vehicle):
        """(number on the clock, row of `vehicles`) of each named vehicle; -1 and NaN of others."""
        row = numbers_of(self.vehicles.index, vehicle)
        return row, self.vehicles.reset_index(drop=True).reindex(row)


def fit_usage(readings, vehicles, as_of, layups=None, seasonal=True, drifts=True, widen=None):
    """The `UsageModel` of readings up to `as_of`; each of `vehicles` (`vehicle, kind, site`) has a
    row.

    seasonal, drifts: whether the fleet's season, and a drift of the rates, are looked for. layups:
    the log's table, or None. widen: see `UsageModel`. readings: a frame, or the path of one, of
    which there is then no model of `hours`.
    """
    hours = fit_hours(readings, vehicles, as_of, layups, seasonal, drifts, widen)
    path, end, names = path_of(readings), int(days_of([as_of])[0]), pd.Index(vehicles["vehicle"])
    spans = _spans(path, names, end)
    clock = clock_of(names, spans, end, layups, seasonal)
    spans["days"] = clock.between(spans["code"], spans["start"], spans["end"])
    spans = {name: values[spans["days"] >= 1] for name, values in spans.items()}
    kind, site = (pd.factorize(vehicles[c].astype(object).fillna(""))[0] for c in ("kind", "site"))
    own = _own(spans, kind, len(names), drifts)
    shrunk = _shrink(own, kind, kind * (int(site.max(initial=0)) + 1) + site)
    last, _ = path.around("day", names, np.full(len(names), end))
    has_rate = np.isfinite(shrunk["rate_km_per_day"]) & np.isfinite(shrunk["dispersion_days"])
    is_told = [(last < 0) | ~has_rate, own["n"] >= 2]
    told = {
        "last_date": as_dates(path.get("day", last)),
        "last_km": path.get("high", last),
        "n_readings": own["n"] + (last >= 0),
        "mean_km_per_day": own["mean"],
        "record_days": np.bincount(spans["code"], spans["end"] - spans["start"], len(names)),
        **shrunk,
        "method": np.select(is_told, ["none", "own"], "kind-and-site"),
    }
    vehicles = pd.DataFrame(told, index=names)
    return UsageModel(vehicles, clock, path, tuple(widen or UsageModel.widen), hours)


def fit_hours(readings, vehicles, as_of, layups=None, *how):
    """The `UsageModel` of the hour meters, or None where none was read: `fit_usage` of their
    line."""
    if isinstance(readings, Path) or not readings["hours"].notna().any():
        return None
    return fit_usage(path_of(readings, "hours"), vehicles, as_of, layups, *how)


def _spans(path, names, end):
    """Distance between readings about a fortnight apart: arrays `code` (in `names`), `start, end,
    km`, by vehicle and date."""
    code = names.get_indexer(path.vehicles)[path.code()]
    rows = np.argsort(code, kind="stable")
    seen = (path.day <= end) & (path.day > end - 365.25 * YEARS_BACK)
    rows = rows[(seen & (code >= 0))[rows]]
    code, day, km = code[rows], path.day[rows], path.high[rows]
    latest = pd.Series(day).groupby(code).transform("max").to_numpy()
    block = (latest - day) // _BLOCK_DAYS
    closes = (np.diff(code, append=-1) != 0) | (np.diff(block, append=0) != 0)
    code, day, km = code[closes], day[closes], km[closes]
    same = code[1:] == code[:-1]
    spans = {"code": code[1:], "start": day[:-1], "end": day[1:], "km": np.diff(km)}
    return {name: values[same] for name, values in spans.items()}


def _own(spans, kind, n_vehicles, drifts):
    """Each vehicle's rate by its own readings: arrays `n, mean, rate, variance` (of the rate's
    log), `recent, dispersion, drift, df`."""
    n = np.bincount(spans["code"], minlength=n_vehicles)
    driven = np.bincount(spans["code"], spans["km"], n_vehicles)
    moves = driven[spans["code"]] > 0
    code, days, km = (spans[name][moves] for name in ("code", "days", "km"))
    spread = np.where(driven > 0, n - 1, 0).clip(0)
    pool = _pools(kind, spread > 0)

    def by_vehicle(values):
        return np.bincount(code, values, n_vehicles)

    with np.errstate(divide="ignore", invalid="ignore"):
        time = by_vehicle(days)
        mean = np.where(n > 0, driven / np.where(driven > 0, time, 1.0), np.nan)
        gone = km / mean[code]
        dispersion, drift, others = _pooled(code, days, gone, pool, n_vehicles, drifts)
        squares = by_vehicle((gone - days) ** 2 / days) + LEAST_DISPERSION * spread
        usual = (np.bincount(pool, squares) / np.bincount(pool, spread))[pool]
        prior = np.minimum(_likeness(squares / usual, spread, pool), others)
        df = prior + spread
        dispersion = np.where(df > 0, dispersion * (prior + squares / usual) / df, np.nan)
        reach = np.minimum(np.sqrt(dispersion / drift), 1e6)
        recent, fall = _level(code, days, gone, time, reach, n_vehicles)
        rate = mean * np.maximum(recent, 1e-3)
        variance = dispersion / reach * fall / np.maximum(recent, 0.05) ** 2
    own = {"n": n, "mean": mean, "rate": rate, "variance": variance, "recent": recent}
    return own | {"dispersion": dispersion, "drift": drift, "df": df}


def _likeness(squares, df, pool):
    """How many degrees of freedom the pooled dispersion is worth to a vehicle: many where the
    vehicles' own are alike.

    By the variance of the logs of their own (Smyth 2004, Statistical Applications in Genetics and
    Molecular Biology 3:3; from memory).
    """
    told = df > 0
    where, half, size = pool[told], df[told] / 2, pool.max(initial=0) + 1
    log_own = np.log(squares[told] / df[told]) - special.digamma(half) + np.log(half)
    count = np.bincount(where, minlength=size)

    def mean(values):
        return np.bincount(where, values, size) / count

    excess = mean((log_own - mean(log_own)[where]) ** 2) - mean(special.polygamma(1, half))
    prior = np.linspace(_MOST_PRIOR_DF, _PRIOR_DF, 100)
    worth = np.interp(excess, special.polygamma(1, prior / 2), prior)
    return np.where(count >= 10, worth, _PRIOR_DF)[pool]


def _pools(kind, tells):
    """Number of each vehicle's pool: its kind, where three of it tell; else all such kinds
    together; all vehicles where those are few."""
    enough = np.bincount(kind, tells)[kind] >= _LEAST_VEHICLES
    if np.count_nonzero(tells & ~enough) < _LEAST_VEHICLES and not enough.all():
        return np.zeros(len(kind), dtype=np.int64)
    return np.where(enough, kind + 1, 0)


def _pooled(code, days, gone, pool, n_vehicles, drifts):
    """(dispersion, drift, comparisons made by the others) of each vehicle's pool.

    Two means of neighbouring times differ, squared, by dispersion * (1/g1 + 1/g2) + drift *
    (g1 + g2) / 3 on average: a line through the origin on both, fitted by weights that its own
    values give.
    """
    square, near, far, who = _comparisons(code, days, gone, n_vehicles)
    where, size = pool[who], pool.max(initial=0) + 1

    def total(values):
        return np.bincount(where, values, size)

    steady = dispersion = total(square) / total(near)
    drift = np.zeros(size)
    for _ in range(20):
        weight = (dispersion[where] * near + drift[where] * far) ** -2.0
        nn, nf, ff = (total(weight * product) for product in (near * near, near * far, far * far))
        sn, sf = total(weight * square * near), total(weight * square * far)
        free = nn * ff - nf * nf
        both, slope = (sn * ff - sf * nf) / free, (sf * nn - sn * nf) / free
        inside = (free > 1e-9 * nn * ff) & (slope > 0) & (both > 0)
        drift = np.where(inside, slope, np.where(both > 0, 0.0, 0.9 * sf / ff))
        dispersion = np.where(inside, both, np.where(both > 0, sn / nn, 0.1 * sn / nn))
    stands_out = drift >= _DRIFT_SE * np.sqrt(2 * nn / np.where(free > 0, free, np.nan))
    drift = np.where(drifts & stands_out, drift, 0.0)
    dispersion = np.where(drifts & stands_out, dispersion, steady)
    others = np.bincount(where, minlength=size)[pool] - np.bincount(who, minlength=n_vehicles)
    return dispersion[pool], drift[pool], others


def _comparisons(code, days, gone, n_vehicles):
    """(squared difference of means, 1/g1 + 1/g2, (g1 + g2)/3, vehicle) of neighbouring spans, and
    of halves where there are four spans."""
    pair, n = np.flatnonzero(code[1:] == code[:-1]), np.bincount(code, minlength=n_vehicles)
    is_late = 2 * pd.Series(code).groupby(code).cumcount().to_numpy() >= n[code]
    halved = np.flatnonzero(n >= 4)

    def sides(values):
        halves = (np.bincount(code, values * half, n_vehicles) for half in (~is_late, is_late))
        neighbours = values[pair], values[pair + 1]
        return (np.append(a, b[halved]) for a, b in zip(neighbours, halves, strict=True))

    (d1, d2), (z1, z2) = sides(days), sides(gone)
    near = 1 / d1 + 1 / d2
    square = (z1 / d1 - z2 / d2) ** 2 + LEAST_DISPERSION * near
    return square, near, (d1 + d2) / 3, np.append(code[pair], halved)


def _level(code, days, gone, time, reach, n_vehicles):
    """The rate now, relative to the vehicle's mean, and coth(time / reach): the filter's gain falls
    off as cosh over the record."""
    end = pd.Series(days).groupby(code).cumsum().to_numpy()
    far, whole = reach[code], time[code]

    def risen(t):
        return np.exp((t - whole) / far) - np.exp(-(t + whole) / far)

    weight = (risen(end) - risen(end - days)) / days
    driven, usual = (np.bincount(code, weight * x, n_vehicles) for x in (gone, days))
    return driven / usual, 1 / np.tanh(time / reach)


def _shrink(own, kind, place):
    """Each vehicle's rate drawn to that of the smallest of its kind at its site, its kind and the
    fleet that has three vehicles to tell."""
    y, v = np.log(own["rate"]), own["variance"]
    told = np.isfinite(y) & np.isfinite(v)
    mean = weight = count = np.zeros(len(y))
    for group in (np.zeros(len(y), dtype=int), kind, place):
        mu, spread, n = _between(group, y, v, told)
        enough = n[group] >= _LEAST_VEHICLES
        mean = np.where(enough, mu[group], mean)
        weight = np.where(enough, 1 / spread[group], weight)
        count = np.where(enough, n[group], count)
    precision = np.where(told, 1 / v, 0.0) + weight
    stands = (own["n"] >= 1) & (own["mean"] == 0)
    precision = np.where((precision == 0) | stands, np.nan, precision)
    critical = stats.t.ppf(0.975, np.maximum(own["df"], 1))
    return {
        "rate_km_per_day": np.exp((np.where(told, y / v, 0.0) + mean * weight) / precision),
        "log_variance": 1 / precision,
        "dispersion_days": own["dispersion"],
        "drift_per_day": own["drift"],
        "df": np.where(own["n"] >= 2, own["df"], np.maximum(np.minimum(own["df"], count - 1), 1)),
        "is_changed": told & (np.abs(own["recent"] - 1) > critical * np.sqrt(v)),
    }


def _between(group, y, v, told):
    """(mean, variance of a new vehicle about it, vehicles) of each group, by DerSimonian and
    Laird's moments (1986; from memory).

    The variance between vehicles has a prior worth two of them, a spread of a half in the log: a
    few alike don't prove it small. Our own because statsmodels' `combine_effects` takes one group
    at a time and no prior; a back-test has hundreds of groups.
    """
    group, y, v, size = group[told], y[told], v[told], int(group.max(initial=0)) + 1

    def total(values=None):
        return np.bincount(group, values, size)

    n, w = total(), 1 / v
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = total(w * y) / total(w)
        excess = total(w * (y - mean[group]) ** 2) - (n - 1)
        tau2 = np.maximum(excess / (total(w) - total(w**2) / total(w)), 0.0)
        tau2 = (tau2 * (n - 1) + 2 * 0.5**2) / (n + 1)
        w = 1 / (v + tau2[group])
        return total(w * y) / total(w), tau2 + 1 / total(w), n
