"""When a vehicle will reach a distance: a date with an interval, by its `UsageModel` (log-t on its
days of use); and scores of such dates when the truth is only known between two readings, or open.

Scored is the chance by each day of GRID after the last reading known then. The truth is looked at
on the later readings' days alone: a score over days chosen without the outcome stays proper
(threshold-weighted, Gneiting & Ranjan 2011, J. Bus. Econ. Stat. 29:411; from memory)."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.usage.distance import as_dates, date_at, days_of, index_of, last_not_above, readings
from wearbar.usage.model import fit_usage

WIDEN_AT = [15, 60, 135, 270]  # days ahead at which each of the model's `widen` holds
ENDS, _METRE = ("date", "low", "high"), 0.001
GRID = np.r_[0:90, 90:200:2, 200:501:5].astype(float)
STEP = np.gradient(GRID)


def forecast_dates(model, vehicle, distance_km, confidence=0.9):
    """When each cumulative distance will be reached: frame `date, low, high, method`, one row each.

    `date` is the median, and `low` (which may lie before the model's day) to `high` hold it with
    `confidence`, an equal part outside at each end; NaT beyond twelve years. `method`: reached (by
    the readings: all three are the day), own (from its own rate, drawn to its kind and site),
    kind-and-site (fewer than three readings) or none (too few of either, or not moved)."""
    row, known = model.of(vehicle)
    left, spread = _left(model, row, known, distance_km)
    method = known["method"].mask(np.isnan(left), "none").fillna("none").mask(left == 0, "reached")
    is_ahead = method.isin(["own", "kind-and-site"]).to_numpy()
    reach = np.where(is_ahead, stats.t.ppf(0.5 + confidence / 2, known["df"]) * spread, 0.0)
    past = date_at(model.path, vehicle, distance_km).to_numpy()
    # the three at once: middle, near and far end
    days = np.where(is_ahead, left * np.exp(np.multiply.outer((0.0, -1.0, 1.0), reach)), 0.0)
    start = days_of(known["last_date"])
    day = model.clock.after(np.tile(row, 3), np.tile(start, 3), days.ravel()).reshape(days.shape)
    day = as_dates(np.where(is_ahead & (day <= model.clock.last_day), day, np.nan))
    found = pd.DataFrame(np.where(left == 0, past, day).T, index_of(vehicle), list(ENDS))
    return found.assign(method=method.to_numpy())


def due_dates(model, rows, confidence=0.9):
    """The day on which each due point's first limit is reached: frame `date, low, high`, by index
    of `rows`: `vehicle, due_km, due_hours` (cumulative, NaN without such a limit), `due_date`.
    Distance and hours by `forecast_dates`, the date as it stands; of each column the earliest."""
    parts = [pd.DataFrame(dict.fromkeys(ENDS, rows["due_date"]), index=rows.index)]
    for meter, asked in _meters(model, rows):
        parts.append(forecast_dates(meter, asked["vehicle"], asked["due"], confidence))
    return pd.concat(parts).groupby(level=0)[list(ENDS)].min().reindex(rows.index)


def chance_due(model, rows, date):
    """The chance that each due point has been reached, by any of its limits, by the end of a day:
    Series by index of `rows` (as of `due_dates`). Of distance and hours the likelier."""
    chance = (rows["due_date"] <= date).astype(float)
    for meter, asked in _meters(model, rows):
        told = chance_reached(meter, asked["vehicle"], asked["due"], date)
        chance = np.maximum(chance, told.reindex(rows.index).fillna(0.0))
    return chance


def model_of(log):
    """The `UsageModel` of a log, fitted without a back-test."""
    return fit_usage(readings(log), log.tables["vehicles"], log.as_of, log.tables["layups"])


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


@dataclass(frozen=True, eq=False)
class Truth:
    """Of each case, in days after the last reading known then."""

    low: np.ndarray  # the level was reached after this
    high: np.ndarray  # and by this; infinite where it was not
    day: np.ndarray  # (cases, GRID) of the reading nearest to each day of GRID
    weight: np.ndarray  # (cases, GRID) days that it stands for, 0 past the last reading

    @cached_property
    def told(self):
        """(where each of `day` lies on GRID, whether the level was reached by it)."""
        return placed(self.day), self.high[:, None] <= self.day


def truth_of(path, vehicle, km, start):
    """The `Truth` of levels `km` (cumulative) of vehicles by the readings in `path`; start: day
    (since 1970) of the last reading known then."""
    below, reached = (path.get("day", row) for row in path.around("high", vehicle, km - 1e-6))
    low, high = np.nan_to_num(below - start), np.nan_to_num(reached - start, nan=np.inf)
    # the days read are alike for all levels of a vehicle
    first, last = path.rows(vehicle)
    _, one, case = np.unique(last * 10**6 + start, return_index=True, return_inverse=True)
    wanted = start[one, None] + GRID.astype(int)
    opens, stops = (np.repeat(row[one], len(GRID)) for row in (first, last))
    row = last_not_above(path.day, opens, stops, wanted.ravel())
    row = np.clip(row, opens, None).reshape(wanted.shape)
    after = np.minimum(row + 1, last[one, None] - 1)
    is_nearer = np.abs(path.day[after] - wanted) < np.abs(path.day[row] - wanted)
    nearest = path.day[np.where(is_nearer, after, row)]
    day = (nearest - start[one, None]).clip(0, GRID[-1]).astype(float)
    end = path.day[last - 1] - start
    weight = np.where(end[one, None] >= GRID, STEP, 0.0)
    return Truth(np.maximum(low, 0.0), high, day[case], weight[case])


def crps(chance, truth):
    """Continuous ranked probability score in days, of each row of `chance` (n, GRID): on the
    readings' days, for the days they stand for."""
    place, is_reached = truth.told
    return ((at_place(chance, place) - is_reached) ** 2 * truth.weight).sum(axis=1)


def at_day(values, day):
    """Each row's value at each day ((n,) or (n, k)), between the days of GRID."""
    return at_place(values, placed(day))


def placed(day):
    """Where each row's days ((n,) or (n, k)) lie in rows of GRID laid end to end: (the place of the
    day of GRID before, the share of the way to the next)."""
    day = np.minimum(day, GRID[-1])
    at = np.clip(np.searchsorted(GRID, day) - 1, 0, len(GRID) - 2)
    share = np.clip((day - GRID[at]) / (GRID[at + 1] - GRID[at]), 0, 1)
    return at + len(GRID) * np.arange(len(day)).reshape(-1, *[1] * (day.ndim - 1)), share


def at_place(values, place):
    """The values (n, GRID) at a place of `placed`."""
    (at, share), values = place, values.ravel()
    return values.take(at) * (1 - share) + values.take(at + 1) * share


def shares(p_low, p_high, alpha):
    """Expected shares inside an interval that leaves alpha out at each side, and before it, of
    truths known to lie between two forecast chances."""
    span = np.maximum(p_high - p_low, 1e-9)
    p_high = p_low + span
    inside = np.clip(np.minimum(p_high, 1 - alpha) - np.maximum(p_low, alpha), 0, None) / span
    return inside, np.clip(np.minimum(p_high, alpha) - p_low, 0, None) / span


def two_way_se(values, one, other):
    """Standard error of a mean with two clusterings that cross (Cameron, Gelbach & Miller 2011,
    J. Bus. Econ. Stat. 29:238; from memory)."""
    off = values.to_numpy(dtype=float) - values.mean()

    def squares(group):
        sums = np.bincount(pd.factorize(group)[0], off)
        return (sums**2).sum() * len(sums) / max(len(sums) - 1, 1)

    both = squares(pd.Series(list(zip(one, other, strict=True))))
    return float(np.sqrt(max(squares(one) + squares(other) - both, both)) / len(off))
