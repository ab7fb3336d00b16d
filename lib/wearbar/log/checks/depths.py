"""Depths: above the part's when new, rising while it is on, more than any part or its like has."""

import numpy as np
import pandas as pd

from wearbar.log.checks.chain import longest_likely, neighbours
from wearbar.log.checks.peers import Bound, far_above
from wearbar.log.checks.problems import named, of_vehicle
from wearbar.log.keys import is_among
from wearbar.log.schema import TEXT
from wearbar.log.units import DEPTH_MM

PLACE = ["vehicle", "position", "category"]
TIRED_GAUGE_MM = 0.5
NOISE_MM = 1.0
MOST_DEPTH_MM = 100.0
NEW = Bound(times=5, widths=6, floor=0.25, least=5)
MEASURED = Bound(times=8, widths=6, floor=0.35, least=8)


def deeper_than_new(fitted, unit):
    """Depths of a part's own row above its depth when new. unit: the log's unit of depth."""
    noise = TIRED_GAUGE_MM / DEPTH_MM[unit]
    for name in ("fitted_depth", "removed_depth", "limit_depth"):
        yield _above("fitted", fitted, name, fitted["new_depth"] + noise, unit)


def _above(table, frame, name, most, unit):
    rows = frame[(frame[name] > most).to_numpy()]
    told = zip(rows[name], rows["new_depth"], strict=True)
    return named(table, rows, name, "depth-above-new", [_above_remedy(*row, unit) for row in told])


def _above_remedy(value, new, unit):
    other, made = _in_other_unit(value, unit)
    slip = f"in {other}? {made:.1f}" if made <= new else "mend it, or the depth when new"
    if value > 3 * new and value / 10 <= new:
        slip = f"a lost decimal point? {value / 10:g}"
    return f"{value:g} above {new:g}, its depth when new: {slip}"


def _in_other_unit(value, unit):
    if unit == "mm":
        return "thirty-seconds", value * DEPTH_MM["in32"]
    return "mm", value / DEPTH_MM["in32"]


def doubtful_depths(measurements, fitted, unit):
    """Depths that can't be of the part then on. unit: of depth; thickness is always in mm."""
    quantities = ["depth", "thickness"] if unit == "mm" else ["depth"]
    rows = measurements[measurements["quantity"].isin(quantities).to_numpy()]
    if not len(rows):
        return
    rows = _with_parts(rows, fitted)
    most = rows["new_depth"] * 1.1 + TIRED_GAUGE_MM / DEPTH_MM[unit]
    rest = rows[(~(rows["value"] > most) & rows["life"].notna()).to_numpy()]
    yield _above("measurements", rows, "value", most, unit)
    yield from _rising(rest, unit)


def _with_parts(rows, fitted):
    """`new_depth` and `life` of the part then on: by its own id, or by place and day."""
    by_row = pd.Series(np.arange(len(fitted)), fitted.index).astype(TEXT)
    spans = fitted[[*PLACE, "fitted", "removed", "new_depth"]].assign(
        fitted=fitted["fitted"].fillna(pd.Timestamp("1800-01-01")),
        life=fitted["part"].fillna(by_row),
    )
    left = rows[[*PLACE, "date"]].assign(row=np.arange(len(rows)))
    both = pd.merge_asof(
        left.sort_values("date", kind="stable"),
        spans.sort_values("fitted"),
        left_on="date",
        right_on="fitted",
        by=PLACE,
    ).sort_values("row")
    on = ~(both["removed"] <= both["date"]) & (both["fitted"] < both["date"])
    by_day = pd.Series(both["life"].array, rows.index).where(on.to_numpy())
    life = rows["part"].fillna(by_day.mask(~is_among(rows, fitted, PLACE), ""))
    new = spans.drop_duplicates("life").set_index("life")["new_depth"]
    return rows.assign(life=life, new_depth=life.map(new).astype(float))


def _rising(rows, unit):
    keys = [*PLACE, "quantity", "place", "life"]
    rows = rows.assign(series=rows.groupby(keys, dropna=False, sort=False).ngroup())
    rows = rows.sort_values(["series", "date", "value"], ascending=[True, True, False])
    series, value = rows["series"].to_numpy(), rows["value"].to_numpy()
    day = rows["date"].to_numpy().astype("datetime64[D]").astype("int64")
    noise = NOISE_MM / DEPTH_MM[unit]
    any_fall, alike = np.full(len(rows), np.inf), np.ones(len(rows))
    kept = longest_likely(series, day, -value, any_fall, alike, slack=noise)
    out = np.flatnonzero(~kept)
    if not len(out):
        return
    high, low, before, behind = neighbours(series, value, kept, out)
    rows, value = rows.iloc[out], value[out]
    slip = _fits(value / 10, low, high, noise) | _fits(value * 10, low, high, noise)
    slip &= (before == out - 1) & (behind == out + 1)
    told = zip(value, low, high, strict=True)
    remedy = np.array([_rising_remedy(*row, unit, noise) for row in told], dtype=object)
    for rule, mask in (("depth-slip", slip), ("depth-rises", ~slip)):
        yield named("measurements", rows[mask], "value", rule, remedy[mask])


def _fits(made, low, high, noise):
    return (made >= low - noise) & (made <= high + noise)


def _rising_remedy(value, low, high, unit, noise):
    other, made = _in_other_unit(value, unit)
    tries = {"a lost decimal point": value / 10, "a point left in": value * 10, f"in {other}": made}
    fits = [f"{name}? {made:.4g}" for name, made in tries.items() if _fits(made, low, high, noise)]
    around = [f"{v:g}" for v in (high, low) if np.isfinite(v)]
    between = f"{'between' if len(around) == 2 else 'beside'} {' and '.join(around)}"
    return f"{value:g} {between}: " + [*fits, "mend it, or say when the part was changed"][0]


def unlike_depths(tables, unit):
    """Depths that no part has, or several times those of the same category and kind of vehicle."""
    fitted, measured, vehicles = (tables[n] for n in ("fitted", "measurements", "vehicles"))
    for name in ("new_depth", "fitted_depth", "removed_depth"):
        yield from _unlike("fitted", fitted, name, DEPTH_MM[unit], NEW, vehicles)
    for quantity, mm in (("depth", DEPTH_MM[unit]), ("thickness", 1.0)):
        rows = measured[measured["quantity"].eq(quantity).to_numpy()]
        yield from _unlike("measurements", rows, "value", mm, MEASURED, vehicles)


def _unlike(table, frame, name, mm, bound, vehicles):
    value, most = frame[name].to_numpy(), MOST_DEPTH_MM / mm
    never = value * mm > MOST_DEPTH_MM
    any_part = f"is more than any part has ({most:.4g})"
    remedy = [f"{v:g} {any_part}{_tenths(v, most / 2)}" for v in value[never]]
    yield named(table, frame[never], name, "depth-impossible", remedy)
    by = frame.groupby(["category", of_vehicle(frame, vehicles, "kind")], sort=False)
    unlike, middle = far_above(np.where(never, np.nan, value), by.ngroup().to_numpy(), bound)
    remedy = [
        f"{v:g} is several times the usual {m:.3g}{_tenths(v, 3 * m)}"
        for v, m in zip(value[unlike], middle[unlike], strict=True)
    ]
    yield named(table, frame[unlike], name, "depth-unlike", remedy)


def _tenths(value, most):
    likely = [f"{value / 10**k:g}" for k in (1, 2, 3) if value / 10**k <= most]
    return f": a decimal point lost? {' or '.join(likely[:2])}" if likely else ": mend the depth"
