"""Parts and fills: spans that overlap, depths that a worn part can't have, fills that a tank can't hold."""

import numpy as np
import pandas as pd

from wearbar.checks.chain import longest_likely
from wearbar.checks.found import join, none_found, problems, shown
from wearbar.units import DEPTH_MM

__all__ = ["deep", "fills", "overlaps", "rising"]

PLACE = ["vehicle", "position", "category"]
TIRED_GAUGE_MM = 0.5
NOISE_MM = 1.0
FEWEST_FILLS = 5
BIG, TOO_BIG = 1.75, 3.0


def overlaps(fitted):
    """Parts still on, by their row, when the next went on in the same place. Those fitted on one day are a set."""
    rows = fitted.sort_values([*PLACE, "fitted"], kind="stable", na_position="first")
    after = rows.shift(-1)
    same = np.logical_and.reduce([(rows[c] == after[c]).to_numpy() for c in PLACE])
    on = (rows["removed"].isna() | (rows["removed"] > after["fitted"])).to_numpy()
    rows, line, day = _three(rows, after, same & on & (rows["fitted"] != after["fitted"]).to_numpy() & after["fitted"].notna().to_numpy())
    remedy = [f"line {n} was fitted there on {d}: was this one removed by then?" for n, d in zip(line, day, strict=True)]
    return problems("fitted", rows.index, "removed", rows["removed"], "spans-overlap", np.array(remedy, dtype=object))


def _three(rows, after, mask):
    line = pd.Series(rows.index, rows.index).shift(-1)[mask].astype("int64")
    return rows[mask], line, shown(after.loc[mask, "fitted"])


def deep(fitted, unit):
    """Depths of a part's own row above its depth when new."""
    noise = TIRED_GAUGE_MM / DEPTH_MM[unit]
    parts = []
    for name in ("fitted_depth", "removed_depth", "limit_depth"):
        rows = fitted[(fitted[name] > fitted["new_depth"] + noise).to_numpy()]
        parts.append(problems("fitted", rows.index, name, rows[name], "depth-above-new", _deep_remedy(rows[name], rows["new_depth"], unit)))
    return join(parts)


def _deep_remedy(values, new, unit):
    return np.array([_likely_depth(v, n, unit) for v, n in zip(values, new, strict=True)], dtype=object)


def _likely_depth(value, new, unit):
    other = ("thirty-seconds", DEPTH_MM["in32"]) if unit == "mm" else ("mm", 1 / DEPTH_MM["in32"])
    slip = f"in {other[0]}? {value * other[1]:.1f}" if value * other[1] <= new else ""
    slip = f"a lost decimal point? {value / 10:g}" if value > 3 * new and value / 10 <= new else slip
    return f"{value:g} above {new:g}, its depth when new" + (f": {slip}" if slip else ": mend it, or the depth when new")


def rising(measurements, fitted, unit):
    """Measured depths above the part's depth when new, or that rise while the same part is on."""
    rows = measurements[(measurements["quantity"].isin(["depth", "thickness"]) & measurements["date"].notna()).to_numpy()]
    if unit != "mm":
        rows = rows[rows["quantity"].eq("depth").to_numpy()]
    if not len(rows):
        return none_found()
    noise = np.where(rows["quantity"].eq("depth"), 1 / DEPTH_MM[unit], 1.0)
    rows = _with_spans(rows.assign(noise=noise), fitted)
    above = (rows["value"] > rows["new_depth"] * 1.1 + TIRED_GAUGE_MM * rows["noise"]).to_numpy()
    found = rows[above]
    remedy = _deep_remedy(found["value"], found["new_depth"], unit)
    parts = [problems("measurements", found.index, "value", found["value"], "depth-above-new", remedy)]
    return join([*parts, _rising(rows[~above], unit)])


def _with_spans(rows, fitted):
    """`new_depth` and a number for the part that was on, matched by place and day."""
    spans = fitted[[*PLACE, "fitted", "removed", "new_depth"]].assign(span=np.arange(len(fitted)))
    spans = spans.assign(since=spans["fitted"].fillna(pd.Timestamp("1800-01-01"))).sort_values("since", kind="stable")
    left = rows[[*PLACE, "date"]].assign(row=np.arange(len(rows))).sort_values("date", kind="stable")
    both = pd.merge_asof(left, spans, left_on="date", right_on="since", by=PLACE).sort_values("row")
    on = ~(both["removed"] < both["date"]).to_numpy()
    new = np.where(on, both["new_depth"], np.nan)
    return rows.assign(new_depth=new, span=np.where(on & both["span"].notna(), both["span"], -1).astype("int64"))


def _rising(rows, unit):
    keys = rows[[*PLACE, "quantity", "place", "part", "span"]]
    series = keys.groupby(list(keys.columns), dropna=False, sort=False).ngroup().to_numpy()
    day = rows["date"].to_numpy().astype("datetime64[D]").astype("int64")
    gone = -rows["value"].to_numpy() / rows["noise"].to_numpy()
    order = np.lexsort((gone, day, series))
    kept = longest_likely(series[order], day[order], gone[order], np.full(len(rows), np.inf), np.ones(len(rows)), slack=NOISE_MM)
    out = order[~kept]
    value = rows["value"].to_numpy()[out]
    at = np.flatnonzero(kept)
    around = np.clip(np.searchsorted(at, np.flatnonzero(~kept)), 0, max(len(at) - 1, 0))
    near = rows["value"].to_numpy()[order[at[around]]] if len(at) else value
    slip = (value > 4 * near) | (value < near / 4)
    likely = [f"beside {n:g}: {_likely_rise(v, n, unit)}" for v, n in zip(value, near, strict=True)]
    likely, lines = np.array(likely, dtype=object), rows.index.to_numpy()[out]
    return join(
        problems("measurements", lines[mask], "value", value[mask], rule, likely[mask])
        for rule, mask in (("depth-slip", slip), ("depth-rises", ~slip))
    )


def _likely_rise(value, near, unit):
    scale = DEPTH_MM["in32"]
    other = ("thirty-seconds", scale) if unit == "mm" else ("mm", 1 / scale)
    tries = (("a lost decimal point", value / 10), ("a point out of place", value * 10), (f"in {other[0]}", value * other[1]))
    told = [f"{name}? {made:.4g}" for name, made in tries if abs(made - near) < 0.12 * near < abs(value - near)]
    return told[0] if told else "mend it, or say when the part was changed"


def fills(fuel):
    """Fills far above what the vehicle takes: its 90th percentile of the same fuel, where it has a few fills."""
    if not len(fuel):
        return none_found()
    group = fuel["vehicle"].factorize()[0] * 16 + fuel["kind"].factorize()[0] + 1
    volume = fuel["volume"].to_numpy()
    order = np.lexsort((volume, group))
    begins = np.flatnonzero(np.r_[True, np.diff(group[order]) != 0])
    n = np.diff(np.r_[begins, len(order)])
    usual = np.empty(len(order))
    usual[order] = np.repeat(np.where(n >= FEWEST_FILLS, volume[order][begins + (9 * (n - 1)) // 10], np.inf), n)
    parts = []
    for rule, mask in (("fill-too-big", volume > TOO_BIG * usual), ("fill-big", (volume > BIG * usual) & (volume <= TOO_BIG * usual))):
        rows, mine = fuel[mask], usual[mask]
        remedy = [_fill_remedy(v, u) for v, u in zip(rows["volume"], mine, strict=True)]
        parts.append(problems("fuel", rows.index, "volume", rows["volume"], rule, np.array(remedy, dtype=object)))
    return join(parts)


def _fill_remedy(volume, usual):
    point = f": a lost decimal point? {volume / 10:g}" if TOO_BIG * usual < volume and volume / 10 <= BIG * usual else ""
    return f"{volume:g} where nine fills in ten are {usual:g} or less{point or ': mend it, if it is not so'}"
