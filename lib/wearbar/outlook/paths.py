"""Where each vehicle will be, week by week and draw by draw; whether it has left or is stored."""

import numpy as np
import pandas as pd

from wearbar.usage.days_of_use import usual_layups
from wearbar.usage.distance import days_of
from wearbar.usage.forecast import WIDEN_AT

MONTHS = 12
RATES = ["rate_km_per_day", "log_variance", "drift_per_day", "dispersion_days"]


def month_edges(as_of):
    """(days before each of the months ahead and after the last, first day of each)."""
    first = as_of + pd.Timedelta(days=1)
    starts = pd.DatetimeIndex([first + pd.DateOffset(months=k) for k in range(MONTHS + 1)])
    return (starts - first).days.to_numpy(), starts[:MONTHS]


def days_of_use(model, vehicles, as_of, days):
    """(rows of `model.vehicles`, (vehicles, days) days of use until the end of each of `days` from
    the report date); nil where the use is not known."""
    row, known = model.of(vehicles)
    n, m = len(row), len(days)
    end = np.tile(int(days_of([as_of])[0]) + np.asarray(days), n).astype(np.int64)
    start = np.repeat(days_of(known["last_date"]), m)
    used = model.clock.between(np.repeat(row, m), start, end).reshape(n, m)
    is_known = known["method"].isin(["own", "kind-and-site"])
    known[RATES] = known[RATES].where(is_known, 0.0)
    known = known.assign(df=known["df"].where(is_known, 1e6), last_km=known["last_km"].fillna(0.0))
    return known, np.where(is_known.to_numpy()[:, None], used, 0.0)


def paths(model, vehicles, as_of, weeks, rng, common):
    """Cumulative km of each draw and vehicle at the end of each of `weeks` (days from as_of):
    (draws, vehicles, weeks), never falling. common: (draws,) of the log of use."""
    known, used = days_of_use(model, vehicles, as_of, weeks)
    rate, variance, drift, dispersion = known[RATES].to_numpy(dtype=float).T[..., None]
    df, last = known[["df", "last_km"]].to_numpy(dtype=float).T
    draws, used = len(common), np.maximum(used, 0.0)
    n, m = used.shape
    step = np.maximum(np.diff(used, axis=1, prepend=0.0), 0.0)
    scale = np.sqrt(df / rng.chisquare(np.minimum(df, 1e6), (draws, n)))[..., None]
    walk = np.cumsum(rng.standard_normal((draws, n, m)) * np.sqrt(drift * step), axis=2)
    level = rng.standard_normal((draws, n))[..., None] * np.sqrt(variance)
    noise = rng.standard_normal((draws, n, m)) * np.sqrt(dispersion * step)
    spent = np.cumsum(np.maximum(step * np.exp(walk) + noise, 0.0), axis=2)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.log(spent / used) * scale + level * scale
        off = np.nan_to_num(off, nan=0.0, posinf=0.0, neginf=-3.0)
        off = off * np.interp(used, WIDEN_AT, model.widen) + common[:, None, None]
    far = last[:, None] + rate * used * np.exp(np.clip(off, -3, 3))
    return np.maximum.accumulate(far, axis=2)


def leaving_rate(log):
    """Vehicles that leave, a vehicle and year, by the log's own record; nil where none has."""
    record = log.record_periods
    years = (record["end"] - record["begin"]).dt.days.clip(lower=0).sum() / 365.25
    return float((len(record) - len(log.here)) / years) if years > 0 else 0.0


def stays_of(log):
    """Lay-ups on record and those that are usual, in days from the report date.

    Frame `vehicle, begin, end`. One without an end that has lasted longer than is usual, or of
    which nothing is usual, goes on.
    """
    held = log.tables["layups"].dropna(subset="from")
    stays = usual_layups(held, log.as_of)  # those held come first
    begin, end = ((stays[c] - log.as_of).dt.days.to_numpy(dtype=float) for c in ("from", "to"))
    is_open = np.isin(np.arange(len(stays)), np.flatnonzero(held["to"].isna()))
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
