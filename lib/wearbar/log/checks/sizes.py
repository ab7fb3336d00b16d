"""Sizes that no part, tyre or bolt has: depths, pressures, distances of a period, and the figures of a plan.

The bounds are common practice, no source: so wide that what they name is a slip or a danger.
"""

import re

import numpy as np
import pandas as pd

from wearbar.log.checks.peers import Bound, far_above
from wearbar.log.checks.problems import codes, join, none_found, problems
from wearbar.log.schema import LIKELY_KM_A_DAY
from wearbar.log.units import DEPTH_MM, DISTANCE_KM, PRESSURE_KPA

__all__ = ["depths", "distances", "figures", "pressures"]

MOST_DEPTH_MM = 100.0
NEW = Bound(times=5, widths=6, floor=0.25, least=5)
MEASURED = Bound(times=8, widths=6, floor=0.35, least=8)
DEPTHS = ("new_depth", "fitted_depth", "removed_depth")
TYRE = re.compile(r"tyre|tire|wheel")

# gauge pressure of a road tyre by kind of vehicle: the lowest let down for soft ground, the highest of the heaviest load
TYRE_KPA = {
    "quad": (14, 350),
    "motorcycle": (50, 450),
    "car": (80, 550),
    "van": (80, 750),
    "pickup": (70, 750),
    "plant": (30, 1200),
}
ANY_TYRE_KPA = (70, 1200)

# torque of a wheel's or any other bolt by kind of vehicle, N.m
MOST_TORQUE_NM = {"motorcycle": 250, "quad": 250, "car": 400, "van": 500, "pickup": 500}
ANY_TORQUE_NM = 1200
LEAST_WHEEL_NM = 15
TORQUE_NM = {
    "n.m": 1.0,
    "nm": 1.0,
    "n·m": 1.0,
    "lbf.ft": 1.3558179483314,
    "lb.ft": 1.3558179483314,
    "ft.lb": 1.3558179483314,
}
WHEEL = re.compile(r"(wheel|spindle|axle)(?!.*pinch)")


def depths(tables, unit):
    """Depths and thicknesses that no part has, or several times those of the same category on the same kind of vehicle."""
    fitted, measured = tables["fitted"], tables["measurements"]
    kind = pd.Series(
        tables["vehicles"]["kind"].to_numpy(), tables["vehicles"]["vehicle"].to_numpy()
    )
    parts = [_deep("fitted", fitted, name, DEPTH_MM[unit], kind, NEW) for name in DEPTHS]
    for quantity, mm in (("depth", DEPTH_MM[unit]), ("thickness", 1.0)):
        rows = measured[measured["quantity"].eq(quantity).to_numpy()]
        parts.append(_deep("measurements", rows, "value", mm, kind, MEASURED))
    return join(parts)


def _deep(table, frame, name, mm, kind, bound):
    if not len(frame):
        return none_found()
    value = frame[name].to_numpy()
    never = value * mm > MOST_DEPTH_MM
    group = (frame["category"] + " " + frame["vehicle"].map(kind)).factorize()[0]
    unlike, middle = far_above(np.where(never, np.nan, value), group, bound)
    most = MOST_DEPTH_MM / mm
    ways = (
        (
            "depth-impossible",
            never,
            lambda v, _: f"{v:g} is more than any part has ({most:.4g}){_tenths(v, most / 2)}",
        ),
        (
            "depth-unlike",
            unlike,
            lambda v, m: f"{v:g} is several times the usual {m:.3g}{_tenths(v, 3 * m)}",
        ),
    )
    parts = []
    for rule, mask, say in ways:
        remedy = [say(*row) for row in zip(value[mask], middle[mask], strict=True)]
        parts.append(
            problems(
                table, frame.index[mask], name, value[mask], rule, np.array(remedy, dtype=object)
            )
        )
    return join(parts)


def _tenths(value, most):
    likely = [f"{value / 10**k:g}" for k in (1, 2, 3) if value / 10**k <= most]
    return f": a decimal point lost? {' or '.join(likely[:2])}" if likely else ": mend the depth"


def pressures(measurements, vehicles, unit):
    """Pressures that no road tyre runs at. They are kept: one far too low may be a flat tyre."""
    rows = measurements[measurements["quantity"].eq("pressure").to_numpy()]
    rows = rows[rows["category"].str.contains(TYRE).eq(True).to_numpy()]
    if not len(rows):
        return none_found()
    bounds = [TYRE_KPA.get(kind, ANY_TYRE_KPA) for kind in vehicles["kind"]]
    low, high = np.array(bounds, dtype=float)[codes(rows["vehicle"], vehicles["vehicle"])].T
    kpa = rows["value"].to_numpy() * PRESSURE_KPA[unit]
    odd = (kpa < low) | (kpa > high)
    told = zip(rows["value"][odd], low[odd], high[odd], strict=True)
    remedy = [_pressure_remedy(*row, unit) for row in told]
    return problems(
        "measurements",
        rows.index[odd],
        "value",
        rows["value"][odd],
        "pressure-odd",
        np.array(remedy, dtype=object),
    )


def _pressure_remedy(value, low, high, unit):
    scale = PRESSURE_KPA[unit]
    likely = [
        f"{value:g} {other}"
        for other, size in PRESSURE_KPA.items()
        if other != unit and low <= value * size <= high
    ]
    likely += [f"{value * f:g} {unit}" for f in (10, 0.1) if low <= value * f * scale <= high]
    told = f"such tyres run at {low / scale:.2g} to {high / scale:.3g} {unit}"
    flat = (
        f" If {value:g} {unit} is right, the tyre is flat: see to it before use"
        if value * scale < low
        else ""
    )
    return f"{told}: {' or '.join(likely) + '?' if likely else 'mend it.'}{flat}"


def distances(use, vehicles, distance):
    """Periods of use with more distance than the vehicle can cover in their days."""
    if not len(use):
        return none_found()
    at = codes(use["vehicle"], vehicles["vehicle"])
    km = vehicles["distance_unit"].fillna(distance).map(DISTANCE_KM).to_numpy(dtype=float)[at]
    most = (
        vehicles["kind"]
        .map(LIKELY_KM_A_DAY)
        .fillna(max(LIKELY_KM_A_DAY.values()))
        .to_numpy(dtype=float)[at]
        / km
    )
    days = (use["to"] - use["from"]).dt.days.to_numpy() + 1
    far = use["distance"].to_numpy() > most * days
    return problems("use", use.index[far], "distance", use["distance"][far], "distance-high")


def figures(plan):
    """Torques and tyre pressures of a plan that no such vehicle has. plan: `plan.Plan`, or None."""
    if plan is None:
        return none_found()
    kinds = plan.plans.groupby("plan")["applies_to"].first()
    odd = [
        (
            f"{task.plan}, {task.code}, {figure['name']}",
            f"{figure['value']:g} {figure['unit']}",
            remedy,
        )
        for task in plan.tasks.itertuples()
        for figure in task.figures
        if (remedy := _odd_figure(figure, kinds.get(task.plan, ()) or ("other",)))
    ]
    odd = list(dict.fromkeys(odd))
    names, values, remedies = (
        (list(part) for part in zip(*odd, strict=True)) if odd else ([], [], [])
    )
    return problems(
        "plan.toml",
        [1] * len(odd),
        np.array(names, dtype=object),
        values,
        "figure-odd",
        np.array(remedies, dtype=object),
    )


def _odd_figure(figure, kinds):
    unit, name, value = (
        figure["unit"].casefold().replace(" ", "."),
        figure["name"].casefold(),
        figure["value"],
    )
    if unit in TORQUE_NM:
        most = max(MOST_TORQUE_NM.get(kind, ANY_TORQUE_NM) for kind in kinds)
        if value * TORQUE_NM[unit] > most:
            return f"no bolt of a {kinds[0]} takes more than {most / TORQUE_NM[unit]:.3g} {figure['unit']}: look it up again"
        if WHEEL.search(name) and value * TORQUE_NM[unit] < LEAST_WHEEL_NM:
            return f"no wheel is held by less than {LEAST_WHEEL_NM / TORQUE_NM[unit]:.3g} {figure['unit']}: look it up again"
    scale = {u.casefold(): size for u, size in PRESSURE_KPA.items()}.get(unit)
    if scale and TYRE.search(name):
        bounds = [TYRE_KPA.get(kind, ANY_TYRE_KPA) for kind in kinds]
        low, high = min(b[0] for b in bounds), max(b[1] for b in bounds)
        if not low <= value * scale <= high:
            return f"such tyres run at {low / scale:.2g} to {high / scale:.3g} {figure['unit']}: look it up again"
    return ""
