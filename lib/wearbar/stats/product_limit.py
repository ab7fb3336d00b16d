"""Curves of lives of which many have not ended: the product limit."""

import numpy as np
import pandas as pd
from scipy import stats

__all__ = ["clean", "kaplan_meier"]


def clean(duration, observed, entry=None, weights=None, last_seen=None):
    duration = np.asarray(duration, float)
    observed = (
        np.ones(len(duration), bool) if observed is None else np.asarray(observed).astype(bool)
    )
    entry = None if entry is None else np.broadcast_to(np.asarray(entry, float), duration.shape)
    weights = None if weights is None else np.asarray(weights, float)
    last_seen = None if last_seen is None else np.asarray(last_seen, float)
    start = np.zeros_like(duration) if entry is None else entry
    wrong = ~(np.isfinite(duration) & (duration > start) & (start >= 0))
    if wrong.any():
        first = int(np.flatnonzero(wrong)[0])
        raise ValueError(
            f"duration: {int(wrong.sum())} of {len(duration)} are missing or not longer than their entry (first at {first}: "
            f"duration {duration[first]}, entry {start[first]}); leave those lives out or mend them"
        )
    if weights is not None and not (np.isfinite(weights) & (weights >= 0)).all():
        raise ValueError(
            "weights: found a missing or negative one; a weight is how often the row counts"
        )
    return duration, observed, entry, weights, last_seen


def kaplan_meier(duration, observed, entry=None, weights=None, confidence=0.9):
    """Share still in service after each duration: the product-limit curve.

    Gives a frame `duration, survival, low, high, at_risk, events`, one row a distinct duration. Ends come before censorings at the same
    duration, and a life counts at risk from just after its entry. Limits: Greenwood's variance on the log-log scale (Kalbfleisch &
    Prentice 2002; from memory); 1 before the first end, and once nobody is left the lower is 0 and the upper stays.

    >>> kaplan_meier([1, 2, 3, 4], [True, False, True, True])["survival"].tolist()
    [0.75, 0.75, 0.375, 0.0]
    """
    # our own: statsmodels' SurvfuncRight (equal where it has a row: tests) has none where no life ended, and normal limits
    duration, observed, entry, weights, _ = clean(duration, observed, entry, weights)
    times, at_risk, (events,) = _risk_table(duration, [observed], entry, weights)
    with np.errstate(divide="ignore", invalid="ignore"):
        survival = np.cumprod(np.where(at_risk > 0, 1 - events / at_risk, 1.0))
        greenwood = np.cumsum(np.where(events > 0, events / (at_risk * (at_risk - events)), 0.0))
        half = stats.norm.ppf((1 + confidence) / 2) * np.sqrt(greenwood) / np.abs(np.log(survival))
        low, high = survival ** np.exp(half), survival ** np.exp(-half)
    alive = survival > 0
    low = np.where(survival == 1, 1.0, np.where(alive, low, 0.0))
    last = high[alive][-1] if alive.any() and survival[alive][-1] < 1 else 1.0
    high = np.where(survival == 1, 1.0, np.where(alive, high, last))
    return pd.DataFrame(
        {
            "duration": times,
            "survival": survival,
            "low": low,
            "high": high,
            "at_risk": at_risk,
            "events": events,
        }
    )


def _risk_table(duration, flags, entry, weights):
    """Distinct durations, weight at risk just before each, and weight of each flag's ends there."""
    order = np.argsort(duration)
    ordered = duration[order]
    first = (
        np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1]]))
        if len(ordered)
        else np.empty(0, np.intp)
    )
    times = ordered[first]
    if weights is None:
        entered, left = float(len(ordered)), first
        ends = [
            np.add.reduceat(flag[order], first, dtype=float) if len(first) else np.empty(0)
            for flag in flags
        ]
    else:
        running = np.concatenate([[0.0], np.cumsum(weights[order])])
        entered, left = running[-1], running[first]
        ends = [
            np.add.reduceat((flag * weights)[order], first) if len(first) else np.empty(0)
            for flag in flags
        ]
    if entry is not None:
        by_entry = np.argsort(entry)
        entered = np.concatenate(
            [[0.0], np.cumsum(np.ones(len(entry)) if weights is None else weights[by_entry])]
        )
        entered = entered[np.searchsorted(entry[by_entry], times, "left")]
    return times, entered - left, ends
