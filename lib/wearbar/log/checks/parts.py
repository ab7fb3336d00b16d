"""Parts and fills: spans that overlap, a part deeper than when new, fills that a tank can't hold."""

import numpy as np
import pandas as pd

from wearbar.log.checks.peers import Bound, far_above
from wearbar.log.checks.problems import codes, join, none_found, problems, shown
from wearbar.log.units import DEPTH_MM

__all__ = ["TIRED_GAUGE_MM", "deep", "deep_remedy", "fills", "overlaps"]

PLACE = ["vehicle", "position", "category"]
TIRED_GAUGE_MM = 0.5
FEWEST_FILLS = 5
BIG, TOO_BIG = 1.75, 3.0
FILLS = Bound(times=10, widths=6, floor=0.35, least=3)


def overlaps(fitted):
    """Parts still on, by their row, when the next went on in the same place. Those fitted on one day are a set."""
    rows = fitted.sort_values([*PLACE, "fitted"], kind="stable", na_position="first")
    after = rows.shift(-1)
    same = np.logical_and.reduce([(rows[c] == after[c]).to_numpy() for c in PLACE])
    on = (rows["removed"].isna() | (rows["removed"] > after["fitted"])).to_numpy()
    rows, line, day = _three(
        rows,
        after,
        same
        & on
        & (rows["fitted"] != after["fitted"]).to_numpy()
        & after["fitted"].notna().to_numpy(),
    )
    remedy = [
        f"line {n} was fitted there on {d}: was this one removed by then?"
        for n, d in zip(line, day, strict=True)
    ]
    return problems(
        "fitted",
        rows.index,
        "removed",
        rows["removed"],
        "spans-overlap",
        np.array(remedy, dtype=object),
    )


def _three(rows, after, mask):
    line = pd.Series(rows.index, rows.index).shift(-1)[mask].astype("int64")
    return rows[mask], line, shown(after.loc[mask, "fitted"])


def deep(fitted, unit):
    """Depths of a part's own row above its depth when new."""
    noise = TIRED_GAUGE_MM / DEPTH_MM[unit]
    parts = []
    for name in ("fitted_depth", "removed_depth", "limit_depth"):
        rows = fitted[(fitted[name] > fitted["new_depth"] + noise).to_numpy()]
        parts.append(
            problems(
                "fitted",
                rows.index,
                name,
                rows[name],
                "depth-above-new",
                deep_remedy(rows[name], rows["new_depth"], unit),
            )
        )
    return join(parts)


def deep_remedy(values, new, unit):
    """What each depth above `new` was probably meant to be."""
    return np.array(
        [_likely_depth(v, n, unit) for v, n in zip(values, new, strict=True)], dtype=object
    )


def _likely_depth(value, new, unit):
    other = ("thirty-seconds", DEPTH_MM["in32"]) if unit == "mm" else ("mm", 1 / DEPTH_MM["in32"])
    slip = f"in {other[0]}? {value * other[1]:.1f}" if value * other[1] <= new else ""
    slip = (
        f"a lost decimal point? {value / 10:g}" if value > 3 * new and value / 10 <= new else slip
    )
    return f"{value:g} above {new:g}, its depth when new" + (
        f": {slip}" if slip else ": mend it, or the depth when new"
    )


def fills(fuel, vehicles):
    """Fills of nothing, and those far above what the vehicle takes: its 90th percentile of the same fuel where it has a few fills, and

    what the other vehicles of its kind take where it has not.
    """
    fuel = fuel[fuel["volume"].notna().to_numpy()] if fuel["volume"].hasnans else fuel
    if not len(fuel):
        return none_found()
    group = fuel["vehicle"].factorize()[0] * 16 + fuel["kind"].factorize()[0] + 1
    volume = fuel["volume"].to_numpy()
    usual = _usual(group, volume)
    few = np.isinf(usual) & (np.bincount(group)[group] < FEWEST_FILLS)
    parts = [
        problems("fuel", fuel.index[volume == 0], "volume", volume[volume == 0], "fill-zero"),
        _beside_others(fuel, vehicles, few),
    ]
    for rule, mask in (
        ("fill-too-big", volume > TOO_BIG * usual),
        ("fill-big", (volume > BIG * usual) & (volume <= TOO_BIG * usual)),
    ):
        rows, mine = fuel[mask], usual[mask]
        remedy = [_fill_remedy(v, u) for v, u in zip(rows["volume"], mine, strict=True)]
        parts.append(
            problems(
                "fuel", rows.index, "volume", rows["volume"], rule, np.array(remedy, dtype=object)
            )
        )
    return join(parts)


def _beside_others(fuel, vehicles, few):
    """Of vehicles with few fills, those far above the fills of their kind of vehicle and fuel."""
    if not few.any():
        return none_found()
    kind = vehicles["kind"].factorize()[0][codes(fuel["vehicle"], vehicles["vehicle"])]
    far, middle = far_above(
        fuel["volume"].to_numpy(), kind * 16 + fuel["kind"].factorize()[0] + 1, FILLS
    )
    rows, middle = fuel[far & few], middle[far & few]
    remedy = [_fill_remedy(v, 2 * m) for v, m in zip(rows["volume"], middle, strict=True)]
    return problems(
        "fuel", rows.index, "volume", rows["volume"], "fill-too-big", np.array(remedy, dtype=object)
    )


def _usual(group, volume):
    """The 90th percentile of each fill's group; endless where the group has too few, or where its largest fill can't be far above it."""
    n, top = np.bincount(group), np.zeros(group.max() + 1)
    np.maximum.at(top, group, volume)
    # at most one fill in ten is above the percentile, and none above the top: so much at least it is
    least = (np.bincount(group, volume) / np.maximum(n, 1) - top / 10) / 0.9
    usual, mine = (
        np.full(len(volume), np.inf),
        np.flatnonzero(((n >= FEWEST_FILLS) & (top > BIG * least))[group]),
    )
    order = mine[np.lexsort((volume[mine], group[mine]))]
    begins = np.flatnonzero(np.diff(group[order], prepend=-1) != 0)
    n = np.diff(np.r_[begins, len(order)])
    usual[order] = np.repeat(volume[order][begins + (9 * (n - 1)) // 10], n)
    return usual


def _fill_remedy(volume, usual):
    likely = (
        [f"{made:g}" for made in (volume / 10, volume / 100) if usual / 5 <= made <= BIG * usual]
        if volume > TOO_BIG * usual
        else []
    )
    point = (
        f": a lost decimal point? {' or '.join(likely)}" if likely else ": mend it, if it is not so"
    )
    return f"{volume:g} where nine fills in ten are {usual:g} or less{point}"
