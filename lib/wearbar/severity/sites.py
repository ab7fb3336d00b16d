"""How hard each site is on a part that all sites run.

As 49 CFR 575.104 (from memory) grades tyres: control tyres of one item run each course, and how
fast they wear there, against their base rate, is the course's severity, by which what any other
tyre wore on it is brought to the base. A site's severity holds its roads, use, loads and drivers
together: it says how hard a site is, not why."""

from math import nan

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.severity.evidence import MAX_RELATIVE_SE, MIN_READINGS
from wearbar.severity.fit import working
from wearbar.stats.clustered import fit_clustered, independent_columns
from wearbar.stats.estimate import holm

MIN_VEHICLES, MIN_FREEDOM = 3, 3  # at a site; of a range, in simulation
ALIKE = ["kind", "item", "position"]
FACTOR = ["site", "n_vehicles", "n_parts", "value", "low", "high", "p", "p_holm", "note"]


def site_factors(parts, confidence=0.9):
    """How many times as fast the control parts wear at each site as at all on average: `FACTOR`.

    parts: of one category, as in `severity.effect`. Control parts are of an item, position and kind
    of vehicle that all sites run which have `MIN_VEHICLES`. The average is the geometric mean of
    those sites. Limits as there, by vehicle: one that was moved between sites tells the most. p:
    two-sided, of no difference from the average; p_holm over sites. note: why there is no figure.
    """
    rate = parts["rate_mm_per_1000km"]
    is_read = (parts["n_readings"] >= MIN_READINGS) & parts["site"].notna() & rate.notna()
    used = parts[is_read & (parts["se"] <= MAX_RELATIVE_SE * rate.median())]
    table = _counted(used)
    few = table["n_vehicles"] < MIN_VEHICLES
    used = used[~used["site"].isin(table.index[few])]
    used = used[used.groupby(ALIKE)["site"].transform("nunique") == (~few).sum()]
    table.loc[~few, ["n_vehicles", "n_parts"]] = _counted(used).reindex(
        table.index[~few], fill_value=0
    )
    why = f"it takes {MIN_VEHICLES} vehicles at each site"
    table = table.assign(value=nan, low=nan, high=nan, p=nan, note=np.where(few, why, ""))
    if (~few).sum() < 2 or (table.loc[~few, "n_vehicles"] < MIN_VEHICLES).any():
        why = "no part runs at all sites on enough vehicles" if (~few).sum() > 1 else why
        table.loc[~few, "note"] = why
    else:
        names = table.index[~few]
        table.loc[~few, ["value", "low", "high", "p"]] = _fitted(used, names, confidence)
        table.loc[~few & table["low"].isna(), "note"] = "too few vehicles"
    table["p_holm"] = holm(table["p"])
    return table.reset_index()[FACTOR]


def _counted(used):
    by = used.groupby("site").agg(n_vehicles=("vehicle", "nunique"), n_parts=("vehicle", "size"))
    return by.sort_index()


def _fitted(used, names, confidence):
    """(value, low, high, p) of each site in names: an array."""
    site = (used["site"].to_numpy()[:, None] == names.to_numpy()).astype(float)
    alike = pd.get_dummies(used[ALIKE].astype(str).agg(" ".join, axis=1), dtype=float)
    design = np.column_stack([site, alike.to_numpy()])
    design = design[:, independent_columns(design)]
    y, weight = working(used, design)
    fit = fit_clustered(design, y, used["vehicle"], weights=weight)
    found = []
    for own in np.eye(len(names)) - 1 / len(names):
        slope, se, df = fit.contrast(np.append(own, np.zeros(design.shape[1] - len(own))))
        half = stats.t.ppf((1 + confidence) / 2, df) * se if df >= MIN_FREEDOM else nan
        ends = np.exp([slope, slope - half, slope + half])
        found.append([*ends, 2 * stats.t.sf(abs(slope) / se, df) + 0 * half])
    return np.array(found)
