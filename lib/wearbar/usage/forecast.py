"""When a vehicle will reach a distance: a date with an interval, from its own irregular readings and those of its kind and site.

The rate of use is a level that drifts: over a span of g days the distance is rate * g with variance in proportion to g, and the log of the
rate walks with a variance in proportion to time (a local-level model in continuous time; Harvey 1989, Forecasting, structural time
series models and the Kalman filter, chapter 9; from memory). Its steady weights are the classical exponential ones, so recent use weighs
more the more the fleet's rates drift. Dispersion and drift are pooled over vehicles of a kind, a vehicle's own dispersion is drawn to
them, and its rate to that of its kind and site by the ratio of the variances (empirical Bayes). Days run on a clock that stands still in
a declared lay-up and goes with the fleet's season. The distance's date then has a log-t predictive distribution.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special, stats

from wearbar.usage.days_of_use import YEARS_BACK, Clock, clock_of
from wearbar.usage.distance import (
    Path,
    date_at,
    dates_of,
    days_of,
    index_of,
    last_not_above,
    numbers_of,
    path_of,
)

__all__ = [
    "HORIZONS", "WIDEN_AT", "UsageModel", "chance_due", "chance_reached", "due_dates", "fit_hours", "fit_usage",
    "forecast_dates", "score_reached",
]  # fmt: skip

# days ahead: the bins in which forecasts are judged, and widened by what the judging showed
HORIZONS = ((0, 30), (31, 90), (91, 180), (181, 365))
WIDEN_AT = [15, 60, 135, 270]

# readings nearer together than this are one: within it days are not alike, and the variance does not grow with the time
_BLOCK_DAYS = 14
# how many degrees of freedom the dispersion of the vehicle's kind counts for beside its own: between these
_PRIOR_DF, _MOST_PRIOR_DF = 2.0, 60.0
# days: a reading may be of any hour, and no two days are alike to the mile
_LEAST_DISPERSION = 0.01
_LEAST_VEHICLES = 3
_METRE = 0.001
# standard errors by which a drift must stand out: less is as likely chance, and would widen every interval
_DRIFT_SE = 2.5


@dataclass(frozen=True, eq=False)
class UsageModel:
    """What the readings up to a day say of each vehicle's use.

    vehicles: one row a vehicle, index `vehicle`: `last_date, last_km, n_readings` (over the years looked at, those within a fortnight as
        one), `record_days` (from the first of them), `rate_km_per_day` (per day of the clock: the season's mean), `mean_km_per_day` (over
        the whole record), `log_variance` of the rate, `dispersion_days` and `drift_per_day` (of the distance and of the rate, relative),
        `df`, `is_changed` (recent use differs from the record's mean by more than chance), `method` (own, kind-and-site, none).
    clock: days of use between dates. path: the readings. widen: what the spread is multiplied by in each of HORIZONS.
    hours: the same of the hour meters, where `km` everywhere stands for hours; None where no hours were read.
    """

    vehicles: pd.DataFrame
    clock: Clock
    path: Path
    widen: tuple = (1.0, 1.0, 1.0, 1.0)
    hours: "UsageModel | None" = None

    def of(self, vehicle):
        """(number on the clock, row of `vehicles`) of each named vehicle; number -1 and NaN throughout for one it does not have."""
        row = numbers_of(self.vehicles.index, vehicle)
        return row, self.vehicles.reset_index(drop=True).reindex(row)


def forecast_dates(readings, vehicles, vehicle, distance_km, as_of, confidence=0.9, layups=None):
    """The date at which each cumulative distance will be reached: frame `date, low, high, method`, one row a (vehicle, distance).

    vehicles: frame `vehicle, kind, site` of the fleet that the readings are of. layups: the log's table, or None. Readings after `as_of`
    are not looked at. `date` is the median, and `low` to `high` hold it with `confidence`, an equal part outside at each end; `low` may lie
    before `as_of`, which says that it may have been reached unread. NaT beyond twelve years. `method`: reached (by the readings: all
    three are the day), own (from its own rate, drawn to its kind and site), kind-and-site (fewer than three readings) or none (too few
    of either, or it has not moved). `readings` may be a `UsageModel`, fitted once for many questions.
    """
    model = (
        readings
        if isinstance(readings, UsageModel)
        else fit_usage(readings, vehicles, as_of, layups)
    )
    row, known = model.of(vehicle)
    left, spread = _left(model, row, known, np.asarray(distance_km, dtype=float))
    is_reached = left == 0
    method = np.where(
        is_reached, "reached", known["method"].mask(np.isnan(left), "none").fillna("none")
    )
    is_ahead = np.isin(method, ["own", "kind-and-site"])
    quantile = stats.t.ppf(0.5 + confidence / 2, known["df"].to_numpy())
    past = date_at(model.path, vehicle, distance_km).to_numpy()
    columns = {}
    for name, side in (("date", 0.0), ("low", -1.0), ("high", 1.0)):
        days = np.where(
            is_ahead, left * np.exp(side * np.where(is_ahead, quantile * spread, 0.0)), 0.0
        )
        day = model.clock.after(row, days_of(known["last_date"]), days)
        columns[name] = np.where(
            is_reached, past, dates_of(day, is_ahead & (day <= model.clock.last_day))
        )
    return pd.DataFrame(columns | {"method": method}, index=index_of(vehicle))


def due_dates(readings, vehicles, rows, as_of, confidence=0.9, layups=None):
    """The day on which each due point's first limit is reached: frame `date, low, high`, by index of `rows`.

    rows: `vehicle, due_km, due_hours` (cumulative, NaN without such a limit), `due_date`. Distance and hours by `forecast_dates`, the
    date as it stands; of each column the earliest. readings: of `usage.readings`, or a `UsageModel`.
    """
    model = (
        readings
        if isinstance(readings, UsageModel)
        else fit_usage(readings, vehicles, as_of, layups)
    )
    parts = [
        pd.DataFrame(dict.fromkeys(("date", "low", "high"), rows["due_date"]), index=rows.index)
    ]
    for meter, column in ((model, "due_km"), (model.hours, "due_hours")):
        asked = rows[rows[column].notna() & np.isfinite(rows[column])]
        if meter is not None and len(asked):
            told = forecast_dates(
                meter, vehicles, asked["vehicle"], asked[column], as_of, confidence, layups
            )
            parts.append(told.drop(columns="method").set_axis(asked.index).reindex(rows.index))
    ends = {
        end: pd.concat([part[end] for part in parts], axis=1).min(axis=1)
        for end in ("date", "low", "high")
    }
    return pd.DataFrame({end: pd.to_datetime(days) for end, days in ends.items()}, index=rows.index)


def chance_due(model, rows, date):
    """The chance that each due point has been reached, by any of its limits, by the end of a day: Series by index of `rows`.

    rows: as of `due_dates`. Of distance and hours the likelier; the date is certain.
    """
    chance = (rows["due_date"] <= date).astype(float)
    for meter, column in ((model, "due_km"), (model.hours, "due_hours")):
        asked = rows[rows[column].notna() & np.isfinite(rows[column])]
        if meter is not None and len(asked):
            told = chance_reached(
                meter, asked["vehicle"], asked[column], np.repeat(np.datetime64(date), len(asked))
            )
            chance = np.maximum(chance, told.set_axis(asked.index).reindex(rows.index).fillna(0.0))
    return chance


def chance_reached(model, vehicle, distance_km, date):
    """The chance that each vehicle has driven each cumulative distance by the end of each date: Series, NaN where the method is none."""
    score, df = score_reached(model, vehicle, distance_km, date)
    return pd.Series(stats.t.cdf(score, df), index=index_of(vehicle))


def score_reached(model, vehicle, distance_km, date):
    """The same as scores of Student's t: (score, degrees of freedom), two arrays; infinite where the distance has been reached.

    date: one a vehicle, or (n, k) for k dates each.
    """
    row, known = model.of(vehicle)
    left, spread = _left(model, row, known, np.asarray(distance_km, dtype=float))
    date = np.asarray(date, dtype="datetime64[D]").astype(np.int64)
    times = date.shape[1] if date.ndim > 1 else 1
    since = model.clock.between(
        np.repeat(row, times), np.repeat(days_of(known["last_date"]), times), date.ravel()
    ).reshape(date.shape)
    left, spread = (x[:, None] if date.ndim > 1 else x for x in (left, spread))
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.log(np.maximum(since, 0.0) / left) / spread
    return np.where(left == 0, np.inf, score), known["df"].to_numpy()


def _left(model, row, known, distance_km):
    """(days of the clock from the last reading to the distance, at the median, 0 where reached; standard error of their log)."""
    km = distance_km - known["last_km"].to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        days = np.where(km <= _METRE, 0.0, km / known["rate_km_per_day"].to_numpy())
        drift = known["drift_per_day"].to_numpy() * days / 3
        variance = (
            known["log_variance"].to_numpy() + drift + known["dispersion_days"].to_numpy() / days
        )
    if model.clock.waves is not None:
        start = days_of(known["last_date"])
        end = model.clock.after(row, start, np.nan_to_num(days, posinf=1e6))
        variance = variance + model.clock.season_variance(
            start, end, known["record_days"].to_numpy().astype(np.int64)
        )
    spread = np.sqrt(variance)
    return days, spread * np.interp(np.nan_to_num(days), WIDEN_AT, model.widen)


def fit_usage(readings, vehicles, as_of, layups=None, seasonal=True, drifts=True, widen=None):
    """The `UsageModel` of readings up to `as_of`; `vehicles` has `vehicle, kind, site`, and every vehicle of it gets a row.

    seasonal, drifts: whether the fleet's season, and a drift of the rates, are looked for. widen: see `UsageModel`. readings: a frame,
    or the path of one, of which there is then no model of `hours`.
    """
    hours = fit_hours(readings, vehicles, as_of, layups, seasonal, drifts, widen)
    path, end = path_of(readings), int(days_of([as_of])[0])
    spans = _spans(path, end)
    names = pd.Index(vehicles["vehicle"])
    spans["code"] = names.get_indexer(path.vehicles)[spans["code"]]
    clock = clock_of(names, spans, end, layups, seasonal)
    spans["days"] = clock.between(spans["code"], spans["start"], spans["end"])
    order = np.lexsort((spans["start"], spans["code"]))
    order = order[((spans["code"] >= 0) & (spans["days"] >= 1))[order]]
    spans = {name: values[order] for name, values in spans.items()}
    kind, place = (pd.factorize(vehicles[c].astype(object).fillna(""))[0] for c in ("kind", "site"))
    last = _last(path, names, end)
    own = _own(spans, kind, len(names), drifts)
    shrunk = _shrink(own, kind, kind * (int(place.max(initial=0)) + 1) + place)
    is_read = ~np.isnan(last["last_km"])
    is_told = (
        is_read & np.isfinite(shrunk["rate_km_per_day"]) & np.isfinite(shrunk["dispersion_days"])
    )
    method = {"method": np.where(is_told, np.where(own["n"] >= 2, "own", "kind-and-site"), "none")}
    record = np.bincount(spans["code"], spans["end"] - spans["start"], len(names))
    counts = {
        "n_readings": own["n"] + is_read,
        "mean_km_per_day": own["mean"],
        "record_days": record,
    }
    told = pd.DataFrame(last | counts | shrunk | method, index=names)
    return UsageModel(told, clock, path, tuple(widen or UsageModel.widen), hours)


def fit_hours(readings, vehicles, as_of, layups=None, *how):
    """The `UsageModel` of the hour meters, or None where none was read: `fit_usage` of their line."""
    if isinstance(readings, Path) or not readings["hours"].notna().any():
        return None
    return fit_usage(path_of(readings, "hours"), vehicles, as_of, layups, *how)


def _last(path, names, end):
    """Each vehicle's last reading up to day `end`."""
    first, last = path.rows(names)
    if not len(path.day):
        return {
            "last_date": dates_of(first, np.zeros(len(names), dtype=bool)),
            "last_km": np.full(len(names), np.nan),
        }
    at = last_not_above(path.day, first, last, np.full(len(names), end))
    seen = (at >= first) & (last > 0)
    at = np.where(seen, at, 0)
    return {
        "last_date": dates_of(path.day[at], seen),
        "last_km": np.where(seen, path.high[at], np.nan),
    }


def _spans(path, end):
    """Distance between readings at least about a fortnight apart: arrays `code, start, end, km`, by vehicle and date."""
    code = path.code()
    kept = (path.day <= end) & (path.day > end - 365.25 * YEARS_BACK)
    code, day, km = code[kept], path.day[kept], path.high[kept]
    same = np.append(code[1:] == code[:-1], False)[: len(code)]
    latest = pd.Series(day).groupby(code).transform("max").to_numpy()
    block = (latest - day) // _BLOCK_DAYS
    closes = ~same | (block != np.append(block[1:], -1)[: len(block)])
    code, day, km = code[closes], day[closes], km[closes]
    pair = np.flatnonzero(code[1:] == code[:-1])
    return {
        "code": code[pair],
        "start": day[pair],
        "end": day[pair + 1],
        "km": km[pair + 1] - km[pair],
    }


def _own(spans, kind, n_vehicles, drifts=True):
    """Each vehicle's rate by its own readings: arrays `n, mean, rate, variance` (of the rate's log), `recent, dispersion, drift, df`."""
    n, driven = (
        np.bincount(spans["code"], minlength=n_vehicles),
        np.bincount(spans["code"], spans["km"], n_vehicles),
    )
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
        squares = by_vehicle((gone - days) ** 2 / days) + _LEAST_DISPERSION * spread
        usual = (np.bincount(pool, squares) / np.bincount(pool, spread))[pool]
        prior = np.minimum(_likeness(squares / usual, spread, pool), others)
        df = prior + spread
        dispersion = np.where(df > 0, dispersion * (prior + squares / usual) / df, np.nan)
        reach = np.minimum(np.sqrt(dispersion / drift), 1e6)
        recent, fall = _level(code, days, gone, time, reach, n_vehicles)
        variance = dispersion / reach * fall
        return {
            "n": n,
            "mean": mean,
            "rate": mean * np.maximum(recent, 1e-3),
            "variance": variance / np.maximum(recent, 0.05) ** 2,
            "recent": recent,
            "dispersion": dispersion,
            "drift": drift,
            "df": df,
        }


def _likeness(squares, df, pool):
    """How many degrees of freedom the pooled dispersion is worth to a vehicle: many where the vehicles' own are alike.

    By the variance of the logs of their own (Smyth 2004, Statistical Applications in Genetics and Molecular Biology 3:3; from memory).
    """
    told = df > 0
    where, half = pool[told], df[told] / 2
    log_own = np.log(squares[told] / df[told]) - special.digamma(half) + np.log(half)

    def mean(values):
        return np.bincount(where, values, pool.max(initial=0) + 1) / np.bincount(
            where, minlength=pool.max(initial=0) + 1
        )

    excess = mean((log_own - mean(log_own)[where]) ** 2) - mean(special.polygamma(1, half))
    prior = np.linspace(_MOST_PRIOR_DF, _PRIOR_DF, 100)
    worth = np.interp(excess, special.polygamma(1, prior / 2), prior)
    return np.where(np.bincount(where, minlength=len(worth)) >= 10, worth, _PRIOR_DF)[pool]


def _pools(kind, tells):
    """Number of each vehicle's pool: its kind, where three of it tell; else all such kinds together; all vehicles where those are few."""
    enough = np.bincount(kind, tells)[kind] >= _LEAST_VEHICLES
    if np.count_nonzero(tells & ~enough) < _LEAST_VEHICLES and not enough.all():
        return np.zeros(len(kind), dtype=np.int64)
    return np.where(enough, kind + 1, 0)


def _pooled(code, days, gone, pool, n_vehicles, drifts):
    """(dispersion, drift, comparisons made by the others) of each vehicle's pool.

    Two means of neighbouring times differ, squared, by dispersion * (1/g1 + 1/g2) + drift * (g1 + g2) / 3 on average: a line through the
    origin on both, fitted by weights that its own values give.
    """
    square, near, far, who = _comparisons(code, days, gone, n_vehicles)
    where = pool[who]

    def total(values):
        return np.bincount(where, values, pool.max(initial=0) + 1)

    dispersion, drift = total(square) / total(near), np.zeros(pool.max(initial=0) + 1)
    for _ in range(20):
        weight = (dispersion[where] * near + drift[where] * far) ** -2.0
        nn, nf, ff = (total(weight * product) for product in (near * near, near * far, far * far))
        sn, sf = total(weight * square * near), total(weight * square * far)
        free = nn * ff - nf * nf
        both, slope = (sn * ff - sf * nf) / free, (sf * nn - sn * nf) / free
        inside = (free > 1e-9 * nn * ff) & (slope > 0) & (both > 0)
        drift = np.where(inside, slope, np.where(both > 0, 0.0, 0.9 * sf / ff))
        dispersion = np.where(inside, both, np.where(both > 0, sn / nn, 0.1 * sn / nn))
    is_chance = ~(
        drifts & (drift >= _DRIFT_SE * np.sqrt(2 * nn / np.where(free > 0, free, np.nan)))
    )
    dispersion, drift = (
        np.where(is_chance, total(square) / total(near), dispersion),
        np.where(is_chance, 0.0, drift),
    )
    count = np.bincount(where, minlength=len(dispersion))
    return dispersion[pool], drift[pool], count[pool] - np.bincount(who, minlength=n_vehicles)


def _comparisons(code, days, gone, n_vehicles):
    """(squared difference of means, 1/g1 + 1/g2, (g1 + g2)/3, vehicle) of neighbouring spans, and of halves where there are four spans."""
    pair = np.flatnonzero(code[1:] == code[:-1])
    first, n = np.searchsorted(code, np.arange(n_vehicles)), np.bincount(code, minlength=n_vehicles)
    late = 2 * (np.arange(len(code)) - first[code]) >= n[code]
    halved = np.flatnonzero(n >= 4)
    (d1, d2), (z1, z2) = (
        [np.bincount(code, v * half, n_vehicles)[halved] for half in (~late, late)]
        for v in (days, gone)
    )
    d1, d2 = np.append(days[pair], d1), np.append(days[pair + 1], d2)
    z1, z2 = np.append(gone[pair], z1), np.append(gone[pair + 1], z2)
    near = 1 / d1 + 1 / d2
    return (
        (z1 / d1 - z2 / d2) ** 2 + _LEAST_DISPERSION * near,
        near,
        (d1 + d2) / 3,
        np.append(code[pair], halved),
    )


def _level(code, days, gone, time, reach, n_vehicles):
    """The rate now, relative to the vehicle's mean, and coth(time / reach): the filter's gain falls off as cosh over the record."""
    end = np.cumsum(days)
    first = np.searchsorted(code, np.arange(n_vehicles))
    end = end - np.append(0.0, end)[first][code]
    far, whole = reach[code], time[code]

    def risen(t):
        return np.exp((t - whole) / far) - np.exp(-(t + whole) / far)

    weight = (risen(end) - risen(end - days)) / days
    recent = np.bincount(code, weight * gone, n_vehicles) / np.bincount(
        code, weight * days, n_vehicles
    )
    return recent, 1 / np.tanh(time / reach)


def _shrink(own, kind, place):
    """Each vehicle's rate drawn to that of the smallest of its kind at its site, its kind and the fleet that has three vehicles to tell."""
    y, v = np.log(own["rate"]), own["variance"]
    told = np.isfinite(y) & np.isfinite(v)
    nothing = np.zeros(len(y))
    mean, weight, count = nothing, nothing, nothing
    for group in (nothing.astype(int), kind, place):
        mu, spread, n = _between(group, y, v, told)
        enough = n[group] >= _LEAST_VEHICLES
        mean, weight, count = (
            np.where(enough, new[group], old)
            for new, old in ((mu, mean), (1 / spread, weight), (n, count))
        )
    precision = np.where(told, 1 / v, 0.0) + weight
    stands = (own["n"] >= 1) & (own["mean"] == 0)
    precision = np.where((precision == 0) | stands, np.nan, precision)
    changed = np.abs(own["recent"] - 1) > stats.t.ppf(0.975, np.maximum(own["df"], 1)) * np.sqrt(v)
    return {
        "rate_km_per_day": np.exp((np.where(told, y / v, 0.0) + mean * weight) / precision),
        "log_variance": 1 / precision,
        "dispersion_days": own["dispersion"],
        "drift_per_day": own["drift"],
        "df": np.where(own["n"] >= 2, own["df"], np.maximum(np.minimum(own["df"], count - 1), 1)),
        "is_changed": changed & told,
    }


def _between(group, y, v, told):
    """(mean, variance of a new vehicle about it, vehicles) of each group, by DerSimonian and Laird's moments (1986; from memory).

    The variance between vehicles has a prior worth two of them, a spread of a half in the log: a few alike don't prove it small.
    Our own because statsmodels' `combine_effects` takes one group at a time and no prior; a back-test has hundreds of groups.
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
