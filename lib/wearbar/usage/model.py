"""What the readings up to a day say of each vehicle's use: its rate, how it drifts and scatters.

Over a span of g days the distance is rate * g with variance in proportion to g, and the log of the
rate walks with a variance in proportion to time (a local-level model in continuous time; Harvey
1989, Forecasting, structural time series models and the Kalman filter, chapter 9; from memory).
Dispersion and drift are pooled over vehicles of a kind; a vehicle's own dispersion is drawn to
them, and its rate to that of its kind and site (empirical Bayes). Days are days of use."""

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
    """Each vehicle's use as the readings up to a day tell it."""

    # one row a vehicle, index `vehicle`: `last_date, last_km, record_days` (from the first of the
    # readings looked at), `rate_km_per_day` (per day of the clock: the season's mean),
    # `mean_km_per_day` (over the whole record), `log_variance` of the rate, `dispersion_days` and
    # `drift_per_day` (of the distance and of the rate, relative), `df`, `is_changed` (recent use
    # differs from the record's mean by more than chance), `method` (own, kind-and-site, none)
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
    """The `UsageModel` of readings (a frame, or the path of one: then there is none of `hours`) up
    to `as_of`; each of `vehicles` (`vehicle, kind, site`) has a row. seasonal, drifts: whether the
    fleet's season, and a drift of the rates, are looked for. layups: the log's table, or None."""
    hours = fit_hours(readings, vehicles, as_of, layups, seasonal, drifts, widen)
    path = readings if isinstance(readings, Path) else path_of(readings)
    end, names = int(days_of([as_of])[0]), pd.Index(vehicles["vehicle"])
    # distance between readings about a fortnight apart, by vehicle and date
    code = names.get_indexer(path.vehicles)[path.code()]
    seen = (code >= 0) & (path.day <= end) & (path.day > end - 365.25 * YEARS_BACK)
    at = np.flatnonzero(seen)[np.argsort(code[seen], kind="stable")]
    code, day, km = code[at], path.day[at], path.high[at]
    block = (day[np.searchsorted(code, code, "right") - 1] - day) // _BLOCK_DAYS
    kept = (np.diff(code, append=-1) != 0) | (np.diff(block, append=-1) != 0)
    code, day, km = code[kept], day[kept], km[kept]
    spans = {"code": code[1:], "start": day[:-1], "end": day[1:], "km": np.diff(km)}
    spans = {name: values[code[1:] == code[:-1]] for name, values in spans.items()}
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
        "mean_km_per_day": own["mean"],
        "record_days": np.bincount(spans["code"], spans["end"] - spans["start"], len(names)),
        **shrunk,
        "method": np.select(is_told, ["none", "own"], "kind-and-site"),
    }
    vehicles = pd.DataFrame(told, index=names)
    return UsageModel(vehicles, clock, path, tuple(widen or UsageModel.widen), hours)


def fit_hours(readings, vehicles, as_of, layups=None, *how):
    """`fit_usage` of the line of the hour meters; None where none was read."""
    if isinstance(readings, Path) or not readings["hours"].notna().any():
        return None
    return fit_usage(path_of(readings, "hours"), vehicles, as_of, layups, *how)


def _own(spans, kind, n_vehicles, drifts):
    """Each vehicle's rate by its own readings: arrays `n, mean, rate, variance` (of the rate's
    log), `recent, dispersion, drift, df`."""
    n = np.bincount(spans["code"], minlength=n_vehicles)
    driven = np.bincount(spans["code"], spans["km"], n_vehicles)
    moves = driven[spans["code"]] > 0
    code, days, km = (spans[name][moves] for name in ("code", "days", "km"))
    spread = np.where(driven > 0, n - 1, 0).clip(0)
    # a vehicle's pool is its kind, where three of it tell; else all such kinds together; all
    # vehicles where those are few
    enough = np.bincount(kind, spread > 0)[kind] >= _LEAST_VEHICLES
    pool = np.where(enough, kind + 1, 0)
    if np.count_nonzero((spread > 0) & ~enough) < _LEAST_VEHICLES and not enough.all():
        pool = np.zeros(len(kind), dtype=np.int64)

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
        # the rate now, relative to the mean: the filter's gain falls off as cosh over the record
        reach = np.minimum(np.sqrt(dispersion / drift), 1e6)
        end = pd.Series(days).groupby(code).cumsum().to_numpy()
        far, whole = reach[code], time[code]
        risen, before = (
            np.exp((t - whole) / far) - np.exp(-(t + whole) / far) for t in (end, end - days)
        )
        weight = (risen - before) / days
        recent = by_vehicle(weight * gone) / by_vehicle(weight * days)
        rate = mean * np.maximum(recent, 1e-3)
        variance = dispersion / reach / np.tanh(time / reach) / np.maximum(recent, 0.05) ** 2
    own = {"n": n, "mean": mean, "rate": rate, "variance": variance, "recent": recent}
    return own | {"dispersion": dispersion, "drift": drift, "df": df}


def _likeness(squares, df, pool):
    """How many degrees of freedom the pooled dispersion is worth to a vehicle, many where the
    vehicles' own are alike: by the variance of the logs of their own (Smyth 2004, Statistical
    Applications in Genetics and Molecular Biology 3:3; from memory)."""
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


def _pooled(code, days, gone, pool, n_vehicles, drifts):
    """(dispersion, drift, comparisons made by the others) of each vehicle's pool.

    Compared are the means of neighbouring spans, and of a vehicle's halves where it has four spans:
    they differ, squared, by dispersion * (1/g1 + 1/g2) + drift * (g1 + g2) / 3 on average, a line
    through the origin on both, fitted by weights that its own values give."""
    pair, n = np.flatnonzero(code[1:] == code[:-1]), np.bincount(code, minlength=n_vehicles)
    is_late = 2 * pd.Series(code).groupby(code).cumcount().to_numpy() >= n[code]
    halved = np.flatnonzero(n >= 4)

    def sides(values):
        halves = (np.bincount(code, values * half, n_vehicles) for half in (~is_late, is_late))
        neighbours = values[pair], values[pair + 1]
        return (np.append(a, b[halved]) for a, b in zip(neighbours, halves, strict=True))

    (d1, d2), (z1, z2) = sides(days), sides(gone)
    near, far, who = 1 / d1 + 1 / d2, (d1 + d2) / 3, np.append(code[pair], halved)
    square = (z1 / d1 - z2 / d2) ** 2 + LEAST_DISPERSION * near
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


def _shrink(own, kind, place):
    """Each vehicle's rate drawn to that of the smallest of its kind at its site, its kind and the
    fleet that has three vehicles to tell.

    Variance between vehicles by DerSimonian and Laird's moments (1986; from memory), with a prior
    worth two of them, a spread of a half in the log. Our own because statsmodels' `combine_effects`
    takes one group at a time and no prior; a back-test has hundreds of groups."""
    y, v = np.log(own["rate"]), own["variance"]
    told = np.isfinite(y) & np.isfinite(v)
    mean = weight = count = np.zeros(len(y))
    for group in (np.zeros(len(y), dtype=int), kind, place):
        seen, size, w = group[told], int(group.max(initial=0)) + 1, 1 / v[told]
        n, sums, squares, center = (
            np.bincount(seen, values, size) for values in (None, w, w**2, w * y[told])
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            off = w * (y[told] - (center / sums)[seen]) ** 2
            excess = np.bincount(seen, off, size) - (n - 1)
            tau2 = np.maximum(excess / (sums - squares / sums), 0.0)
            tau2 = (tau2 * (n - 1) + 2 * 0.5**2) / (n + 1)
            w = 1 / (v[told] + tau2[seen])
            sums = np.bincount(seen, w, size)
            middle, spread = np.bincount(seen, w * y[told], size) / sums, tau2 + 1 / sums
        enough = n[group] >= _LEAST_VEHICLES
        mean = np.where(enough, middle[group], mean)
        weight = np.where(enough, 1 / spread[group], weight)
        count = np.where(enough, n[group], count)
    precision, stands = np.where(told, 1 / v, 0.0) + weight, (own["n"] >= 1) & (own["mean"] == 0)
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
