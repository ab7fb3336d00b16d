"""Where each vehicle will be, week by week and draw by draw: its distance and hours, whether it has left, whether it is off the road."""

import numpy as np
import pandas as pd

from wearbar.usage.days_of_use import usual_layups
from wearbar.usage.distance import days_of
from wearbar.usage.forecast import WIDEN_AT

MONTHS = 12


def month_edges(as_of):
    """(days before each of the months ahead and after the last, first day of each): they run from the day after `as_of`."""
    first = as_of + pd.Timedelta(days=1)
    starts = pd.DatetimeIndex([first + pd.DateOffset(months=k) for k in range(MONTHS + 1)])
    return (starts - first).days.to_numpy(), starts[:MONTHS]


def paths(model, vehicles, as_of, weeks, rng, common):
    """Cumulative km of each draw and vehicle at the end of each of `weeks` (days from as_of): (draws, vehicles, weeks), never falling."""
    draws = len(common)
    row, known = model.of(vehicles)
    n, m = len(row), len(weeks)
    today = int(days_of([as_of])[0])
    start = days_of(known["last_date"])
    end = np.tile(today + weeks, n).astype(np.int64)
    used = model.clock.between(np.repeat(row, m), np.repeat(start, m), end).reshape(n, m)
    is_known = known["method"].isin(["own", "kind-and-site"]).to_numpy()
    rate, variance, drift, dispersion, df = (
        np.where(is_known, known[c], fill) for c, fill in
        (("rate_km_per_day", 0.0), ("log_variance", 0.0), ("drift_per_day", 0.0), ("dispersion_days", 0.0), ("df", 1e6))
    )  # fmt: skip
    used = np.where(is_known[:, None], np.maximum(used, 0.0), 0.0)
    step = np.maximum(np.diff(used, axis=1, prepend=0.0), 0.0)
    scale = np.sqrt(df / rng.chisquare(np.minimum(df, 1e6), (draws, n)))
    walk = np.cumsum(rng.standard_normal((draws, n, m)) * np.sqrt(drift[:, None] * step), axis=2)
    level = rng.standard_normal((draws, n)) * np.sqrt(variance)
    noise = rng.standard_normal((draws, n, m)) * np.sqrt(dispersion[:, None] * step)
    spent = np.cumsum(np.maximum(step * np.exp(walk) + noise, 0.0), axis=2)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.log(spent / used) * scale[:, :, None] + (level * scale)[:, :, None]
        off = (
            np.nan_to_num(off, nan=0.0, posinf=0.0, neginf=-3.0)
            * np.interp(used, WIDEN_AT, model.widen)
            + common[:, None, None]
        )
    far = known["last_km"].fillna(0.0).to_numpy()[:, None] + rate[:, None] * used * np.exp(
        np.clip(off, -3, 3)
    )
    return np.maximum.accumulate(far, axis=2)


def hour_paths(log, model, ahead, some, weeks, rng, common, km):
    """As `paths`, of the hour meters; nil throughout where no work ahead is counted in hours."""
    asked = np.isfinite(ahead.rows[["due_hours", "every_hours"]].to_numpy(dtype=float)).any()
    return (
        paths(model.hours, some, log.as_of, weeks, rng, common)
        if asked and model.hours is not None
        else np.zeros_like(km[:1])
    )


def leaving_rate(log):
    """Vehicles that leave, a vehicle and year, by the log's own record; nil where none has."""
    fleet = log.tables["vehicles"]
    start = fleet["acquired"].fillna(fleet["in_service"]).clip(lower=log.first_day)
    end = fleet["disposed"].clip(upper=log.as_of).fillna(log.as_of)
    years = ((end - start).dt.days.clip(lower=0)).sum() / 365.25
    return float(fleet["disposed"].le(log.as_of).sum() / years) if years > 0 else 0.0


def gone_by(leave, n, draws, weeks, rng):
    """(draws, vehicles, weeks): whether the vehicle has left by then."""
    day = (
        rng.exponential(365.25 / leave, (draws, n, 1))
        if leave > 0
        else np.full((draws, n, 1), np.inf)
    )
    return day < weeks


def stays_of(log):
    """Lay-ups on record and those that are usual, in days from the report date: frame `vehicle, begin, end`. One without an end that has
    lasted longer than is usual, or of which nothing is usual, goes on.
    """
    stays = usual_layups(log.tables["layups"], log.as_of)
    is_open = log.tables["layups"].dropna(subset=["from"])["to"].isna().to_numpy()
    begin, end = ((stays[c] - log.as_of).dt.days.to_numpy(float, copy=True) for c in ("from", "to"))
    end[: len(is_open)] = np.where(
        is_open & ~(end[: len(is_open)] > 0), np.inf, end[: len(is_open)]
    )
    return pd.DataFrame({"vehicle": stays["vehicle"], "begin": begin, "end": end})


def laid_up(stays, some, weeks):
    """(vehicles, weeks): off the road then: work waits until the return."""
    stays = stays[stays["vehicle"].isin(some)]
    laid = np.zeros((len(some), len(weeks)), dtype=bool)
    inside = (weeks >= stays["begin"].to_numpy()[:, None]) & (
        weeks < stays["end"].to_numpy()[:, None]
    )
    np.logical_or.at(laid, some.get_indexer(stays["vehicle"]), inside)
    return laid
