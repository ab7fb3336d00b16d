"""Sizes that no tyre, bolt or day's drive has: pressures, distances, and the figures of a plan.

The bounds are common practice, no source: so wide that what they name is a slip or a danger.
"""

import re

import numpy as np

from wearbar.log.checks.odometers import likely_a_day
from wearbar.log.checks.problems import codes, named, of_vehicle, problems
from wearbar.log.units import PRESSURE_KPA, TORQUE_NM

TYRE = re.compile(r"tyre|tire|wheel")

# gauge pressure of a tyre: the lowest let down for soft ground, the highest of the heaviest load
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
WRITTEN_NM = dict.fromkeys(("n.m", "nm", "n·m"), 1.0)
WRITTEN_NM |= dict.fromkeys(("lbf.ft", "lb.ft", "ft.lb"), TORQUE_NM["lbf.ft"])
WHEEL = re.compile(r"(wheel|spindle|axle)(?!.*pinch)")


def pressures(measurements, vehicles, unit):
    """Pressures that no road tyre runs at. They are kept: one far too low may be a flat tyre."""
    rows = measurements[measurements["quantity"].eq("pressure").to_numpy()]
    rows = rows[rows["category"].str.contains(TYRE).eq(True).to_numpy()]
    if not len(rows):
        return
    bounds = [TYRE_KPA.get(kind, ANY_TYRE_KPA) for kind in vehicles["kind"]]
    low, high = np.array(bounds, dtype=float)[codes(rows["vehicle"], vehicles["vehicle"])].T
    kpa = rows["value"].to_numpy() * PRESSURE_KPA[unit]
    odd = (kpa < low) | (kpa > high)
    told = zip(rows["value"][odd], low[odd], high[odd], strict=True)
    remedy = [_pressure_remedy(*row, unit) for row in told]
    yield named("measurements", rows[odd], "value", "pressure-odd", remedy)


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


def distances(use, vehicles, distance):
    """Periods of use with more distance than the vehicle can cover in their days."""
    if not len(use):
        return
    most = of_vehicle(use, vehicles.assign(most=likely_a_day(vehicles, distance)), "most")
    days = (use["to"] - use["from"]).dt.days.to_numpy() + 1
    yield named("use", use[use["distance"].to_numpy() > most * days], "distance", "distance-high")


def figures(plan):
    """Torques and tyre pressures of a plan that no such vehicle has."""
    kinds = plan.plans.groupby("plan")["applies_to"].first()
    odd = [
        (f"{task.plan}, {task.code}, {fig['name']}", f"{fig['value']:g} {fig['unit']}", remedy)
        for task in plan.tasks.itertuples()
        for fig in task.figures
        if (remedy := _odd_figure(fig, kinds.get(task.plan, ()) or ("other",)))
    ]
    names, values, remedies = zip(*dict.fromkeys(odd), strict=True) if odd else ((),) * 3
    yield problems("plan.toml", [1] * len(names), names, values, "figure-odd", remedies)


def _odd_figure(figure, kinds):
    """What to say of a figure that no such vehicle has, "" of any other."""
    name, written, value = figure["name"].casefold(), figure["unit"], figure["value"]
    unit = written.casefold().replace(" ", ".")
    says = ""
    if scale := WRITTEN_NM.get(unit):
        most = max(MOST_TORQUE_NM.get(kind, ANY_TORQUE_NM) for kind in kinds)
        if value * scale > most:
            says = f"no bolt of a {kinds[0]} takes more than {most / scale:.3g} {written}"
        elif WHEEL.search(name) and value * scale < LEAST_WHEEL_NM:
            says = f"no wheel is held by less than {LEAST_WHEEL_NM / scale:.3g} {written}"
    scale = {u.casefold(): size for u, size in PRESSURE_KPA.items()}.get(unit)
    if scale and TYRE.search(name):
        lows, highs = zip(*(TYRE_KPA.get(kind, ANY_TYRE_KPA) for kind in kinds), strict=True)
        if not min(lows) <= value * scale <= max(highs):
            says = _run_at(min(lows), max(highs), scale, written)
    return f"{says}: look it up again" if says else ""
