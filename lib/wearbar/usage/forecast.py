"""When a vehicle will reach a distance: a date with an interval, by its `UsageModel`.

The distance's date has a log-t predictive distribution on the model's days of use.
"""

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.usage.distance import as_dates, date_at, days_of, index_of, readings
from wearbar.usage.model import fit_usage

WIDEN_AT = [15, 60, 135, 270]  # days ahead at which each of the model's `widen` holds
ENDS = ("date", "low", "high")
_METRE = 0.001


def forecast_dates(model, vehicle, distance_km, confidence=0.9):
    """The date at which each cumulative distance will be reached: one row a (vehicle, distance).

    Frame `date, low, high, method`. `date` is the median, and `low` to `high` hold it with
    `confidence`, an equal part outside at each end; `low` may lie before the model's day: it may
    have been reached unread. NaT beyond twelve years. `method`: reached (by the readings: all three
    are the day), own (from its own rate, drawn to its kind and site), kind-and-site (fewer than
    three readings) or none (too few of either, or it has not moved).
    """
    row, known = model.of(vehicle)
    left, spread = _left(model, row, known, distance_km)
    method = known["method"].mask(np.isnan(left), "none").fillna("none").mask(left == 0, "reached")
    is_ahead = method.isin(["own", "kind-and-site"]).to_numpy()
    reach = np.where(is_ahead, stats.t.ppf(0.5 + confidence / 2, known["df"]) * spread, 0.0)
    past = date_at(model.path, vehicle, distance_km).to_numpy()
    found = pd.DataFrame(index=index_of(vehicle))
    for name, side in zip(ENDS, (0.0, -1.0, 1.0), strict=True):
        days = np.where(is_ahead, left * np.exp(side * reach), 0.0)
        day = model.clock.after(row, days_of(known["last_date"]), days)
        day = as_dates(np.where(is_ahead & (day <= model.clock.last_day), day, np.nan))
        found[name] = np.where(left == 0, past, day)
    return found.assign(method=method.to_numpy())


def due_dates(model, rows, confidence=0.9):
    """The day on which each due point's first limit is reached: frame `date, low, high`, by index
    of `rows`.

    rows: `vehicle, due_km, due_hours` (cumulative, NaN without such a limit), `due_date`. Distance
    and hours by `forecast_dates`, the date as it stands; of each column the earliest.
    """
    parts = [pd.DataFrame(dict.fromkeys(ENDS, rows["due_date"]), index=rows.index)]
    for meter, asked in _meters(model, rows):
        parts.append(forecast_dates(meter, asked["vehicle"], asked["due"], confidence))
    return pd.concat(parts).groupby(level=0)[list(ENDS)].min().reindex(rows.index)


def chance_due(model, rows, date):
    """The chance that each due point has been reached, by any of its limits, by the end of a day:
    Series by index of `rows` (as of `due_dates`). Of distance and hours the likelier; the date is
    certain."""
    chance = (rows["due_date"] <= date).astype(float)
    for meter, asked in _meters(model, rows):
        told = chance_reached(meter, asked["vehicle"], asked["due"], date)
        chance = np.maximum(chance, told.reindex(rows.index).fillna(0.0))
    return chance


def model_of(log):
    """The `UsageModel` of a log, fitted without a back-test."""
    fleet, stays = log.tables["vehicles"], log.tables["layups"]
    return fit_usage(readings(log), fleet, log.as_of, stays)


def _meters(model, rows):
    """(model, rows with `due`) of each meter, distance and hours, that rows have a limit of."""
    for meter, column in ((model, "due_km"), (model.hours, "due_hours")):
        asked = rows.assign(due=rows[column])[np.isfinite(rows[column])]
        if meter is not None and len(asked):
            yield meter, asked


def chance_reached(model, vehicle, distance_km, date):
    """The chance that each vehicle has driven each cumulative distance by the end of each date, or
    of one: Series, NaN where the method is none."""
    day = np.broadcast_to(np.asarray(date, dtype="datetime64[D]"), len(vehicle))
    score, df = score_reached(model, vehicle, distance_km, day[:, None])
    return pd.Series(stats.t.cdf(score[:, 0], df), index=index_of(vehicle))


def score_reached(model, vehicle, distance_km, dates):
    """The same by `dates` (n, k) as scores of Student's t (n, k), infinite where the distance has
    been reached, and their degrees of freedom (n)."""
    row, known = model.of(vehicle)
    left, spread = (values[:, None] for values in _left(model, row, known, distance_km))
    day, times = np.asarray(dates, dtype="datetime64[D]").astype(np.int64), dates.shape[1]
    start = np.repeat(days_of(known["last_date"]), times)
    since = model.clock.between(np.repeat(row, times), start, day.ravel()).reshape(day.shape)
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.log(np.maximum(since, 0.0) / left) / spread
    return np.where(left == 0, np.inf, score), known["df"].to_numpy()


def _left(model, row, known, distance_km):
    """(days of the clock from the last reading to the distance, at the median, 0 where reached;
    standard error of their log)."""
    names = "rate_km_per_day log_variance drift_per_day dispersion_days record_days"
    rate, log_variance, drift, dispersion, record = known[names.split()].to_numpy().T
    km = np.asarray(distance_km, dtype=float) - known["last_km"].to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        days = np.where(km <= _METRE, 0.0, km / rate)
        variance = log_variance + drift * days / 3 + dispersion / days
    if model.clock.waves is not None:
        start = days_of(known["last_date"])
        end = model.clock.after(row, start, np.nan_to_num(days, posinf=1e6))
        record = np.nan_to_num(record).astype(np.int64)
        variance = variance + model.clock.season_variance(start, end, record)
    spread = np.sqrt(variance)
    return days, spread * np.interp(np.nan_to_num(days), WIDEN_AT, model.widen)
