"""Measured depths: above the part's depth when new, or rising while the same part is on."""

import numpy as np
import pandas as pd

from wearbar.log.checks.chain import longest_likely
from wearbar.log.checks.parts import TIRED_GAUGE_MM, deep_remedy
from wearbar.log.checks.problems import join, none_found, problems
from wearbar.log.schema import TEXT
from wearbar.log.units import DEPTH_MM

__all__ = ["doubtful_depths"]

PLACE = ["vehicle", "position", "category"]
NOISE_MM = 1.0


def doubtful_depths(measurements, fitted, unit):
    """Depths and thicknesses that can't be of the part then on. unit: the log's unit of depth; a thickness is in mm whatever it is."""
    rows = measurements[(measurements["quantity"].isin(["depth", "thickness"])).to_numpy()]
    if unit != "mm":
        rows = rows[rows["quantity"].eq("depth").to_numpy()]
    if not len(rows):
        return none_found()
    rows = _with_parts(rows, fitted)
    above = (rows["value"] > rows["new_depth"] * 1.1 + TIRED_GAUGE_MM / DEPTH_MM[unit]).to_numpy()
    found = rows[above]
    remedy = deep_remedy(found["value"], found["new_depth"], unit)
    deep = problems("measurements", found.index, "value", found["value"], "depth-above-new", remedy)
    return join([deep, _rising(rows[~above & rows["life"].notna().to_numpy()], unit)])


def _with_parts(rows, fitted):
    """`new_depth` and `life` of the part then on: its own id's, or by place and day. On a day of fitting, the day can't tell."""
    spans = fitted[[*PLACE, "fitted", "removed", "new_depth"]].assign(
        fitted=fitted["fitted"].fillna(pd.Timestamp("1800-01-01")),
        life=fitted["part"].fillna(pd.Series(np.arange(len(fitted)), fitted.index).astype(TEXT)),
    )
    left = (
        rows[[*PLACE, "date"]].assign(row=np.arange(len(rows))).sort_values("date", kind="stable")
    )
    both = pd.merge_asof(
        left, spans.sort_values("fitted"), left_on="date", right_on="fitted", by=PLACE
    ).sort_values("row")
    on = (
        both["life"].notna() & ~(both["removed"] <= both["date"]) & (both["fitted"] < both["date"])
    ).to_numpy()
    never = ~pd.MultiIndex.from_frame(rows[PLACE]).isin(pd.MultiIndex.from_frame(fitted[PLACE]))
    by_day = pd.Series(both["life"].array, rows.index).where(on).mask(never, "")
    life = rows["part"].fillna(by_day)
    return rows.assign(
        life=life,
        new_depth=life.map(spans.drop_duplicates("life").set_index("life")["new_depth"]).astype(
            float
        ),
    )


def _rising(rows, unit):
    keys = rows[[*PLACE, "quantity", "place", "life"]]
    series = keys.groupby(list(keys.columns), dropna=False, sort=False).ngroup().to_numpy()
    value, day = (
        rows["value"].to_numpy(),
        rows["date"].to_numpy().astype("datetime64[D]").astype("int64"),
    )
    order = np.lexsort((-value, day, series))
    series, value, day, lines = (
        series[order],
        value[order],
        day[order],
        rows.index.to_numpy()[order],
    )
    noise = NOISE_MM / DEPTH_MM[unit]
    kept = longest_likely(
        series, day, -value, np.full(len(rows), np.inf), np.ones(len(rows)), slack=noise
    )
    out, at = np.flatnonzero(~kept), np.flatnonzero(kept)
    if not len(out):
        return none_found()
    place = np.searchsorted(at, out)
    before, behind = at[np.maximum(place - 1, 0)], at[np.minimum(place, len(at) - 1)]
    high = np.where((place > 0) & (series[before] == series[out]), value[before], np.nan)
    low = np.where((place < len(at)) & (series[behind] == series[out]), value[behind], np.nan)
    alone = (before == out - 1) & (behind == out + 1)
    slip = alone & (
        _fits(value[out] / 10, low, high, noise) | _fits(value[out] * 10, low, high, noise)
    )
    remedy = np.array(
        [_likely(*v, unit, noise) for v in zip(value[out], low, high, strict=True)], dtype=object
    )
    return join(
        problems("measurements", lines[out][mask], "value", value[out][mask], rule, remedy[mask])
        for rule, mask in (("depth-slip", slip), ("depth-rises", ~slip))
    )


def _fits(made, low, high, noise):
    return (made >= low - noise) & (made <= high + noise)


def _likely(value, low, high, unit, noise):
    scale = DEPTH_MM["in32"]
    other, made = ("thirty-seconds", value * scale) if unit == "mm" else ("mm", value / scale)
    tries = (
        ("a lost decimal point", value / 10),
        ("a point left in", value * 10),
        (f"in {other}", made),
    )
    told = [f"{name}? {made:.4g}" for name, made in tries if _fits(made, low, high, noise)]
    between = " and ".join(f"{v:g}" for v in (high, low) if np.isfinite(v))
    return f"{value:g} {'between' if ' and ' in between else 'beside'} {between}: " + (
        told[0] if told else "mend it, or say when the part was changed"
    )
