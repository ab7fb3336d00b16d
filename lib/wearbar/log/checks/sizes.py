"""Sizes that nothing has: depths, pressures, a day's distance, torques and a plan's other figures.

Depths are held against the part's when new, those before and after, and their like; the rest
against shared/log/likely.toml: what that names is a slip or a danger.
"""

import re

import numpy as np
import pandas as pd

from wearbar.log.checks.chain import longest_likely, neighbours
from wearbar.log.checks.peers import Bound, far_above
from wearbar.log.checks.problems import codes, named, of_vehicle, problems
from wearbar.log.keys import is_among
from wearbar.log.schema import TEXT, said
from wearbar.log.units import DEPTH_MM, DISTANCE_KM, PRESSURE_KPA, TORQUE_NM

LIKELY = said("likely")
TYRE = re.compile(r"tyre|tire|wheel")
WHEEL = re.compile(r"(wheel|spindle|axle)(?!.*pinch)")
WRITTEN_NM = dict.fromkeys(("n.m", "nm", "n·m"), 1.0)
WRITTEN_NM |= dict.fromkeys(("lbf.ft", "lb.ft", "ft.lb"), TORQUE_NM["lbf.ft"])
WRITTEN_KPA = {unit.casefold(): size for unit, size in PRESSURE_KPA.items()}
PLACE = ["vehicle", "position", "category"]
TIRED_GAUGE_MM = 0.5
NOISE_MM = 1.0
MOST_DEPTH_MM = 100.0
NEW = Bound(times=5, widths=6, floor=0.25, least=5)
MEASURED = Bound(times=8, widths=6, floor=0.35, least=8)


def _bounds(what, kinds):
    return [LIKELY[what].get(kind, LIKELY[what]["other"]) for kind in kinds]


def likely_a_day(vehicles, distance):
    """The most that each vehicle can cover in a day, in its odometer's unit: an array."""
    km = vehicles["distance_unit"].fillna(distance).map(DISTANCE_KM).astype(float)
    return _bounds("km_a_day", vehicles["kind"]) / km.to_numpy()


def distances(tables, header):
    """Periods of use with more distance than the vehicle can cover in their days."""
    use, vehicles = tables["use"], tables["vehicles"]
    most = of_vehicle(use, vehicles.assign(most=likely_a_day(vehicles, header["distance"])), "most")
    days = (use["to"] - use["from"]).dt.days + 1
    yield named("use", use, use["distance"] > most * days, "distance", "distance-high")


def pressures(tables, header):
    """Pressures that no road tyre runs at. They are kept: one far too low may be a flat tyre."""
    rows, vehicles, unit = tables["measurements"], tables["vehicles"], header["pressure"]
    rows = rows[rows["quantity"].eq("pressure").to_numpy()]
    rows = rows[rows["category"].str.contains(TYRE).eq(True).to_numpy()]
    bounds = np.array(_bounds("tyre_kpa", vehicles["kind"]), dtype=float).reshape(-1, 2)
    low, high = bounds[codes(rows["vehicle"], vehicles["vehicle"])].T
    kpa = rows["value"] * PRESSURE_KPA[unit]
    odd, beside = (kpa < low) | (kpa > high), (low, high, unit)
    yield named("measurements", rows, odd, "value", "pressure-odd", _pressure_remedy, *beside)


def _pressure_remedy(value, low, high, unit):
    scale = PRESSURE_KPA[unit]
    others = [(other, size) for other, size in PRESSURE_KPA.items() if other != unit]
    likely = [f"{value:g} {other}" for other, size in others if low <= value * size <= high]
    likely += [f"{value * f:g} {unit}" for f in (10, 0.1) if low <= value * f * scale <= high]
    meant = " or ".join(likely) + "?" if likely else "mend it."
    told = f"{_run_at(low, high, scale, unit)}: {meant}"
    if value * scale < low:
        told += f" If {value:g} {unit} is right, the tyre is flat: see to it before use"
    return told


def _run_at(low, high, scale, unit):
    return f"such tyres run at {low / scale:.2g} to {high / scale:.3g} {unit}"


def figures(plan):
    """Torques and tyre pressures of a plan that no such vehicle has."""
    kinds = plan.plans.groupby("plan")["applies_to"].first()
    told = [
        (f"{task.plan}, {task.code}, {fig['name']}", f"{fig['value']:g} {fig['unit']}", remedy)
        for task in plan.tasks.itertuples()
        for fig in task.figures
        if (remedy := _odd_figure(fig, kinds.get(task.plan, ()) or ("other",)))
    ]
    odd = pd.DataFrame(told, columns=["figure", "value", "remedy"]).drop_duplicates()
    lines = [1] * len(odd)
    yield problems("plan.toml", lines, odd["figure"], odd["value"], "figure-odd", odd["remedy"])


def _odd_figure(figure, kinds):
    """What to say of a figure that no such vehicle has, "" of any other."""
    name, written, value = figure["name"].casefold(), figure["unit"], figure["value"]
    unit, says = written.casefold().replace(" ", "."), ""
    if scale := WRITTEN_NM.get(unit):
        most, least = max(_bounds("bolt_nm", kinds)), LIKELY["wheel_nm"]["least"]
        if value * scale > most:
            says = f"no bolt of a {kinds[0]} takes more than {most / scale:.3g} {written}"
        elif WHEEL.search(name) and value * scale < least:
            says = f"no wheel is held by less than {least / scale:.3g} {written}"
    elif unit in WRITTEN_KPA and TYRE.search(name):
        scale, (lows, highs) = WRITTEN_KPA[unit], zip(*_bounds("tyre_kpa", kinds), strict=True)
        if not min(lows) <= value * scale <= max(highs):
            says = _run_at(min(lows), max(highs), scale, written)
    return f"{says}: look it up again" if says else ""


def deeper_than_new(tables, header):
    """Depths of a part's own row above its depth when new."""
    fitted, unit = tables["fitted"], header["depth"]
    noise = TIRED_GAUGE_MM / DEPTH_MM[unit]
    for name in ("fitted_depth", "removed_depth", "limit_depth"):
        yield _above("fitted", fitted, name, fitted["new_depth"] + noise, unit)


def _above(table, frame, name, most, unit):
    beside = _above_remedy, frame["new_depth"], unit
    return named(table, frame, frame[name] > most, name, "depth-above-new", *beside)


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


def doubtful_depths(tables, header):
    """Depths that can't be of the part then on; thickness is always in mm."""
    rows, unit = tables["measurements"], header["depth"]
    quantities = ["depth", "thickness"] if unit == "mm" else ["depth"]
    rows = rows[rows["quantity"].isin(quantities).to_numpy()]
    if not len(rows):
        return
    rows = _with_parts(rows, tables["fitted"])
    most = rows["new_depth"] * 1.1 + TIRED_GAUGE_MM / DEPTH_MM[unit]
    yield _above("measurements", rows, "value", most, unit)
    yield from _rising(rows[~(rows["value"] > most) & rows["life"].notna()], unit)


def _with_parts(rows, fitted):
    """`new_depth` and `life` of the part then on: by its own id, or by place and day."""
    by_row = pd.Series(np.arange(len(fitted)), fitted.index).astype(TEXT)
    spans = fitted[[*PLACE, "removed", "new_depth"]].assign(
        fitted=fitted["fitted"].fillna(pd.Timestamp("1800-01-01")),
        life=fitted["part"].fillna(by_row),
    )
    last = pd.merge_asof(
        rows[[*PLACE, "date"]].reset_index().sort_values("date", kind="stable"),
        spans.sort_values("fitted"),
        left_on="date",
        right_on="fitted",
        by=PLACE,
    ).set_index("line")
    on = ~(last["removed"] <= last["date"]) & (last["fitted"] < last["date"])
    by_day = last["life"].where(on).reindex(rows.index)
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
    any_fall, alike = np.full(len(rows), 1e9), np.ones(len(rows))
    kept = longest_likely(series, day, -value, any_fall, alike, slack=noise)
    out = np.flatnonzero(~kept)
    high, low = neighbours(series, value, kept, out)
    between = np.r_[kept, False][out - 1] & np.r_[kept, False][out + 1]
    value = value[out]
    slip = _fits(value / 10, low, high, noise) | _fits(value * 10, low, high, noise)
    beside = _rising_remedy, low, high, unit, noise
    for rule, mask in (("depth-slip", slip & between), ("depth-rises", ~(slip & between))):
        yield named("measurements", rows.iloc[out], mask, "value", rule, *beside)


def _fits(made, low, high, noise):
    return (made >= low - noise) & (made <= high + noise)


def _rising_remedy(value, low, high, unit, noise):
    other, made = _in_other_unit(value, unit)
    tries = {"a lost decimal point": value / 10, "a point left in": value * 10, f"in {other}": made}
    fits = [f"{name}? {made:.4g}" for name, made in tries.items() if _fits(made, low, high, noise)]
    around = [f"{v:g}" for v in (high, low) if np.isfinite(v)]
    between = f"{'between' if len(around) == 2 else 'beside'} {' and '.join(around)}"
    return f"{value:g} {between}: " + [*fits, "mend it, or say when the part was changed"][0]


def unlike_depths(tables, header):
    """Depths that no part has, or several times those of the same category and kind of vehicle."""
    fitted, measured, vehicles = (tables[n] for n in ("fitted", "measurements", "vehicles"))
    unit_mm = DEPTH_MM[header["depth"]]
    for name in ("new_depth", "fitted_depth", "removed_depth"):
        yield from _unlike("fitted", fitted, name, unit_mm, NEW, vehicles)
    for quantity, mm in (("depth", unit_mm), ("thickness", 1.0)):
        rows = measured[measured["quantity"].eq(quantity).to_numpy()]
        yield from _unlike("measurements", rows, "value", mm, MEASURED, vehicles)


def _unlike(table, frame, name, mm, bound, vehicles):
    if not frame[name].count():
        return
    value, most = frame[name].to_numpy(), MOST_DEPTH_MM / mm
    never, any_part = value * mm > MOST_DEPTH_MM, ("more than any part has ({:.4g})", most, 0.5)
    yield named(table, frame, never, name, "depth-impossible", _unlike_remedy, *any_part)
    by = frame.groupby(["category", of_vehicle(frame, vehicles, "kind")], sort=False)
    unlike, middle = far_above(np.where(never, np.nan, value), by.ngroup().to_numpy(), bound)
    others = "several times the usual {:.3g}", middle, 3
    yield named(table, frame, unlike, name, "depth-unlike", _unlike_remedy, *others)


def _unlike_remedy(value, what, size, times):
    likely = [f"{value / 10**k:g}" for k in (1, 2, 3) if value / 10**k <= times * size]
    mend = f"a decimal point lost? {' or '.join(likely[:2])}" if likely else "mend the depth"
    return f"{value:g} is {what.format(size)}: {mend}"
