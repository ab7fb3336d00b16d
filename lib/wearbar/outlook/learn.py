"""What past outlooks were out by, class by class of money: the year ahead is moved and widened by
it.

Each replayed year tells how much came for each unit forecast. That is a bias that years share, and
a part of the year's own; both have a stated prior (`PRIOR_SD`: judgement, held against fleets made
anew in tests/reference/coverage.md), so that one year with few bills moves little, and three years
with many move much.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

# of the log of what comes over what was forecast
PRIOR_SD = {"planned": 0.08, "wear": 0.10, "unplanned": 0.20, "other": 0.50}
FEW_PIECES_SD = 0.8  # over the root of the parts on record: what they leave unsure of lives here
OWN_YEAR = 0.5  # sd of a year's own part, as a share of that of the bias


def learned(years, names=tuple(PRIOR_SD)):
    """Frame indexed by class: `mean, sd` of the log of the next year's money over its forecast, and
    `n`, the years that tell.

    years: list of (dict of class to the simulated totals of that year, dict of class to what came).
    Normal posterior of the bias.
    """
    rows = []
    for name in names:
        prior, own = PRIOR_SD[name], OWN_YEAR * PRIOR_SD[name]
        told = [_ratio(drawn[name], came[name]) for drawn, came in years]
        told = [(ratio, 1 / (error**2 + own**2)) for ratio, error in told if np.isfinite(error)]
        whole = prior**-2 + sum(precision for _, precision in told)
        mean = sum(ratio * precision for ratio, precision in told) / whole
        rows.append((mean, np.sqrt(1 / whole + own**2), len(told)))
    return pd.DataFrame(rows, index=pd.Index(names, name="what"), columns=["mean", "sd", "n"])


def _ratio(drawn, came):
    """(log of what came over the forecast, the sd that chance gives it); NaN where not known."""
    mean, spread = float(np.mean(drawn)), float(np.std(drawn))
    if not (np.isfinite(came) and mean > 0):
        return np.nan, np.nan
    variance = (spread / mean) ** 2
    held = mean * variance  # as if that much more of both: nil that came is no ratio of nought
    return float(np.log((came + held) / (mean + held))), float(np.sqrt(np.log1p(variance)))


def corrected(told, learning, rng):
    """`Simulated` with each class of money moved and widened as `learned` says, parts that wear the
    more the fewer are on record; a draw's months alike."""
    totals, draws = dict(told.totals), len(told.totals["jobs"])
    for name, row in learning.iterrows():
        few = FEW_PIECES_SD / np.sqrt(max(told.bills["wear"], 1)) if name == "wear" else 0.0
        noise = np.hypot(row["sd"], few) * rng.standard_normal((draws, 1))
        totals[name] = totals[name] * np.exp(row["mean"] + noise)
    return replace(told, totals=totals)
