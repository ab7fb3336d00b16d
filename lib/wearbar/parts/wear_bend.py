"""Whether parts wear faster, or slower, in the last third of what they may wear.

Above the bend (two thirds worn) depth falls at one rate, below it at that rate times 1 + bend.
Stretching the depths below the bend by 1 / (1 + bend) makes such a line straight, so that all that
is done with straight lines serves for it.
"""

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.log.keys import look_up
from wearbar.parts.wear_limits import usable_of
from wearbar.parts.wear_line import RISING, fit_lines

LAST = 1 / 3  # of the usable depth
MIN_PARTS, MIN_VEHICLES = 8, 5  # read in the last third
SHOWN_P, SHOWN_BEND = 0.01, 0.10  # a lesser bend moves a life by under a thirtieth
LEAST, MOST = -0.7, 3.0
BEND = ["category", "bend", "low", "high", "p", "n", "vehicles", "is_shown"]


def hinge_of(parts):
    """The height at which each part is two thirds worn; NaN where that is not known."""
    usable = usable_of(parts)
    hinge = (LAST * usable + parts["limit"]).mask(parts["quantity"].eq(RISING), (LAST - 1) * usable)
    return hinge.where(usable > 0)


def straighten(height, hinge, bend):
    """Heights below the hinge as they would be without the bend."""
    return np.where(height < hinge, hinge + (height - hinge) / (1 + bend), height)


def unbent(height, hinge, bend):
    """Straightened heights turned back into those that are read."""
    return np.where(height < hinge, hinge + (height - hinge) * (1 + bend), height)


def bends_of(looks, parts):
    """The bend by category: one row each with enough parts read in the last third.

    looks, parts: of straight lines. `category, bend` (share by which wear is faster there), `low`,
    `high` (90%), `p`, `n` (parts read in the last third), `vehicles`, `is_shown` (p below `SHOWN_P`
    and a bend of `SHOWN_BEND` or more). The test is the score's, vehicles taken as independent,
    Student's t on vehicles - 1; the bend is then found by least squares (Gauss-Newton).
    """
    looks = looks[~looks["is_doubtful"] & looks["distance_km"].notna()].reset_index(drop=True)
    looks["hinge"] = look_up(looks["part_key"], hinge_of(parts).set_axis(parts["part_key"]))
    groups = looks[looks["hinge"].notna()].groupby("category")
    rows = [row for name, own in groups if (row := _bend(name, own.reset_index(drop=True)))]
    return pd.DataFrame(rows, columns=BEND).astype({"is_shown": bool})


def _bend(name, looks):
    """The values of `BEND`; None of too few parts."""
    # only parts with a reading in the last third, and two above it, can show a bend
    below, line = looks["height"] < looks["hinge"], [looks["part_key"], looks["place"]]
    lower, upper = (which.groupby(line).transform("sum") for which in (below, ~below))
    looks = looks[lower.ge(1) & upper.ge(2)].reset_index(drop=True)
    parts, vehicles = looks["part_key"].nunique(), looks["vehicle"].nunique()
    if parts < MIN_PARTS or vehicles < MIN_VEHICLES:
        return None
    bend, se = _step(looks, 0.0)
    p = float(2 * stats.t.sf(abs(bend) / se, vehicles - 1))
    for _ in range(12 if p < SHOWN_P else 0):
        bend = float(np.clip(bend, LEAST, MOST))
        step, se = _step(looks, bend)
        bend += step
    bend, half = float(np.clip(bend, LEAST, MOST)), stats.t.ppf(0.95, vehicles - 1) * se
    is_shown = p < SHOWN_P and abs(bend) >= SHOWN_BEND
    return name, bend, bend - half, bend + half, p, parts, vehicles, is_shown


def _step(looks, bend):
    """(how much more bend the readings ask for, its standard error by vehicles)."""
    flat, _, _ = fit_lines(looks.assign(height=straighten(looks["height"], looks["hinge"], bend)))
    over = np.minimum(flat["height"] - flat["residual"] - flat["hinge"], 0) / (1 + bend)
    pull = fit_lines(looks.assign(height=over))[0]["residual"]
    squares = (pull**2).sum()
    step = (pull * flat["residual"]).sum() / squares
    each = (pull * (flat["residual"] - step * pull)).groupby(looks["vehicle"]).sum()
    return step, np.sqrt(len(each) / (len(each) - 1) * (each**2).sum()) / squares
