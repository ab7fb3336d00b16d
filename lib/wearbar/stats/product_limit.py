"""Curves of lives of which many have not ended: the product limit."""

import numpy as np
import pandas as pd
from scipy import stats


def clean(duration, observed, entry=None, weights=None, last_seen=None):
    """The rows of a life table as arrays, None where not given; ValueError where one is no life."""
    duration = np.asarray(duration, float)
    observed = np.asarray(np.ones(len(duration)) if observed is None else observed).astype(bool)
    given = (None if c is None else np.asarray(c, float) for c in (entry, weights, last_seen))
    entry, weights, last_seen = given
    start = np.broadcast_to(0.0 if entry is None else entry, duration.shape)
    wrong = np.flatnonzero(~(np.isfinite(duration) & (duration > start) & (start >= 0)))
    if len(wrong):
        at = wrong[0]
        raise ValueError(
            f"duration: {len(wrong)} of {len(duration)} are missing or not longer than their entry"
            f" (first at {at}: duration {duration[at]}, entry {start[at]});"
            " leave those lives out or mend them"
        )
    if weights is not None and not (np.isfinite(weights) & (weights >= 0)).all():
        found = "found a missing or negative one"
        raise ValueError(f"weights: {found}; a weight is how often the row counts")
    return duration, observed, None if entry is None else start, weights, last_seen


def kaplan_meier(duration, observed, entry=None, weights=None, confidence=0.9):
    """Share still in service after each duration: the product-limit curve.

    Gives a frame `duration, survival, low, high, at_risk, events`, one row a distinct duration.
    Ends come before censorings at the same duration, and a life counts at risk from just after its
    entry. Limits: Greenwood's variance on the log-log scale (Kalbfleisch & Prentice 2002; from
    memory); 1 before the first end, and once nobody is left the lower is 0 and the upper stays.

    >>> kaplan_meier([1, 2, 3, 4], [True, False, True, True])["survival"].tolist()
    [0.75, 0.75, 0.375, 0.0]
    """
    # our own: statsmodels' SurvfuncRight (equal where it has a row: tests) has none where no life
    # ended, and normal limits
    duration, observed, entry, weights, _ = clean(duration, observed, entry, weights)
    weights = np.ones(len(duration)) if weights is None else weights
    entry = np.zeros(len(duration)) if entry is None else entry
    times, at = np.unique(duration, return_inverse=True)
    events = np.bincount(at, weights * observed, len(times))
    by_entry = np.argsort(entry)
    entered = np.append(0.0, np.cumsum(weights[by_entry]))
    entered = entered[np.searchsorted(entry[by_entry], times, "left")]
    left = np.bincount(at, weights, len(times)).cumsum()
    at_risk = entered - np.append(0.0, left)[: len(times)]
    with np.errstate(divide="ignore", invalid="ignore"):
        survival = np.cumprod(np.where(at_risk > 0, 1 - events / at_risk, 1.0))
        greenwood = np.cumsum(np.where(events > 0, events / (at_risk * (at_risk - events)), 0.0))
        half = stats.norm.ppf((1 + confidence) / 2) * np.sqrt(greenwood) / np.abs(np.log(survival))
        low, high = survival ** np.exp(half), survival ** np.exp(-half)
    whole, alive = survival == 1, survival > 0
    low, high = np.where(whole, 1.0, np.where(alive, low, 0.0)), np.where(whole, 1.0, high)
    # the upper one stays where nobody is left
    high = pd.Series(high).where(alive).ffill().fillna(1.0)
    curve = {"duration": times, "survival": survival, "low": low, "high": high}
    return pd.DataFrame(curve | {"at_risk": at_risk, "events": events})
