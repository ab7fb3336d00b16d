"""Where each vehicle will be, week by week and draw by draw; whether it has left or is stored."""

import numpy as np
import pandas as pd

from wearbar.usage.days_of_use import usual_layups
from wearbar.usage.distance import days_of
from wearbar.usage.forecast import WIDEN_AT

MONTHS = 12


def month_edges(as_of):
    """(days before each of the months ahead and after the last, first day of each)."""
    first = as_of + pd.Timedelta(days=1)
    starts = pd.DatetimeIndex([first + pd.DateOffset(months=k) for k in range(MONTHS + 1)])
    return (starts - first).days.to_numpy(), starts[:MONTHS]


def days_of_use(model, vehicles, as_of, days):
    """Use until the end of each of `days` from the report date, nil where none is known.

    (rows of `model.vehicles`, whether their use is known, (vehicles, days) days of use).
    """
    row, known = model.of(vehicles)
    n, m = len(row), len(days)
    end = np.tile(int(days_of([as_of])[0]) + np.asarray(days), n).astype(np.int64)
    start = np.repeat(days_of(known["last_date"]), m)
    used = model.clock.between(np.repeat(row, m), start, end).reshape(n, m)
    is_known = known["method"].isin(["own", "kind-and-site"]).to_numpy()
    return known, is_known, np.where(is_known[:, None], used, 0.0)


def paths(model, vehicles, as_of, weeks, rng, common):
    """Cumulative km of each draw and vehicle at the end of each of `weeks` (days from as_of):
    (draws, vehicles, weeks), never falling. common: (draws,) of the log of use."""
    known, is_known, used = days_of_use(model, vehicles, as_of, weeks)
    draws, used = len(common), np.maximum(used, 0.0)
    n, m = used.shape
    df = np.where(is_known, known["df"], 1e6)
    rate, variance, drift, dispersion = (
        np.where(is_known, known[c], 0.0)
        for c in ("rate_km_per_day", "log_variance", "drift_per_day", "dispersion_days")
    )
    step = np.maximum(np.diff(used, axis=1, prepend=0.0), 0.0)
    scale = np.sqrt(df / rng.chisquare(np.minimum(df, 1e6), (draws, n)))
    walk = np.cumsum(rng.standard_normal((draws, n, m)) * np.sqrt(drift[:, None] * step), axis=2)
    level = rng.standard_normal((draws, n)) * np.sqrt(variance)
    noise = rng.standard_normal((draws, n, m)) * np.sqrt(dispersion[:, None] * step)
    spent = np.cumsum(np.maximum(step * np.exp(walk) + noise, 0.0), axis=2)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.log(spent / used) * scale[:, :, None] + (level * scale)[:, :, None]
        off = np.nan_to_num(off, nan=0.0, posinf=0.0, neginf=-3.0)
        off = off * np.interp(used, WIDEN_AT, model.widen) + common[:, None, None]
    last = known["last_km"].fillna(0.0).to_numpy()[:, None]
    far = last + rate[:, None] * used * np.exp(np.clip(off, -3, 3))
    return np.maximum.accumulate(far, axis=2)


def hour_paths(log, model, ahead, some, weeks, rng, common):
    """As `paths`, of the hour meters; nil throughout where no work ahead is counted in hours."""
    asked = np.isfinite(ahead.rows[["due_hours", "every_hours"]].to_numpy(dtype=float)).any()
    if asked and model.hours is not None:
        return paths(model.hours, some, log.as_of, weeks, rng, common)
    return np.zeros((1, len(some), len(weeks)))


def leaving_rate(log):
    """Vehicles that leave, a vehicle and year, by the log's own record; nil where none has."""
    record = log.record_periods
    years = (record["end"] - record["begin"]).dt.days.clip(lower=0).sum() / 365.25
    return float((len(record) - len(log.here)) / years) if years > 0 else 0.0


def gone_by(leave, n, draws, weeks, rng):
    """(draws, vehicles, weeks): whether the vehicle has left by then."""
    if not leave > 0:
        return np.zeros((draws, n, len(weeks)), dtype=bool)
    return rng.exponential(365.25 / leave, (draws, n, 1)) < weeks


def stays_of(log):
    """Lay-ups on record and those that are usual, in days from the report date.

    Frame `vehicle, begin, end`. One without an end that has lasted longer than is usual, or of
    which nothing is usual, goes on.
    """
    stays, held = usual_layups(log.tables["layups"], log.as_of), log.tables["layups"]
    begin, end = ((stays[c] - log.as_of).dt.days.to_numpy(dtype=float) for c in ("from", "to"))
    is_open = held.dropna(subset=["from"])["to"].isna().to_numpy()
    is_open = np.append(is_open, np.zeros(len(stays) - len(is_open), dtype=bool))
    end = np.where(is_open & ~(end > 0), np.inf, end)
    return pd.DataFrame({"vehicle": stays["vehicle"], "begin": begin, "end": end})


def laid_up(stays, some, weeks):
    """(vehicles, weeks): off the road then: work waits until the return."""
    stays = stays[stays["vehicle"].isin(some)]
    laid = np.zeros((len(some), len(weeks)), dtype=bool)
    begin, end = (stays[c].to_numpy()[:, None] for c in ("begin", "end"))
    inside = (weeks >= begin) & (weeks < end)
    np.logical_or.at(laid, some.get_indexer(stays["vehicle"]), inside)
    return laid
