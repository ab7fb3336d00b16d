"""Sizes that nothing has: depths, against the part's when new, those before and after and their
like; pressures, a day's distance and a plan's figures, against shared/log/likely.toml."""

import re
from itertools import product

import numpy as np
import pandas as pd

from wearbar.log.checks.odometers import likely_a_day, longest_likely, neighbours
from wearbar.log.checks.peers import LIKELY, far_above
from wearbar.log.checks.problems import codes, named, of_vehicle, problems
from wearbar.log.keys import is_among
from wearbar.log.schema import TEXT
from wearbar.log.units import DEPTH_MM, PRESSURE_KPA, SAME, TORQUE_NM

TYRE = re.compile(r"tyre|tire|wheel")
WHEEL = re.compile(r"(wheel|spindle|axle)(?!.*pinch)")
SAYS = LIKELY["says"]
PLACE = ["vehicle", "position", "category"]
SERIES = [*PLACE, "quantity", "place"]
TIRED_GAUGE_MM, NOISE_MM, MOST_DEPTH_MM = LIKELY["depth_mm"].values()
# unit of depth to the other, and what a number of it is there
OTHER = {"mm": ("thirty-seconds", DEPTH_MM["in32"]), "in32": ("mm", 1 / DEPTH_MM["in32"])}


def _bounds(what, kinds):
    return [LIKELY[what].get(kind, LIKELY[what]["other"]) for kind in kinds]


def of_its_kind(tables, header):
    """Distances that no vehicle covers, and pressures that no road tyre runs at; these are kept,
    since one far too low may be a flat tyre."""
    use, rows, vehicles = (tables[name] for name in ("use", "measurements", "vehicles"))
    most = of_vehicle(use, vehicles.assign(most=likely_a_day(vehicles, header["distance"])), "most")
    days = (use["to"] - use["from"]).dt.days + 1
    yield named("use", use, use["distance"] > most * days, "distance", "distance-high")
    unit, scale = header["pressure"], PRESSURE_KPA[header["pressure"]]
    rows = rows[rows["quantity"].eq("pressure").to_numpy()]
    rows = rows[rows["category"].str.contains(TYRE).eq(True).to_numpy()]
    bounds = np.array(_bounds("tyre_kpa", vehicles["kind"]), dtype=float).reshape(-1, 2)
    low, high = bounds[codes(rows["vehicle"], vehicles["vehicle"])].T / scale

    def remedy(value, low, high):
        units = [(name, size / scale) for name, size in PRESSURE_KPA.items()]
        likely = [f"{value:g} {name}" for name, size in units if low <= value * size <= high]
        likely += [f"{made:g} {unit}" for made in (value * 10, value / 10) if low <= made <= high]
        meant = " or ".join(likely) + "?" if likely else "mend it."
        told = f"{SAYS['tyre'].format(low=low, high=high, unit=unit)}: {meant}"
        if value < low:
            told += f" If {value:g} {unit} is right, the tyre is flat: see to it before use"
        return told

    odd = (rows["value"] < low) | (rows["value"] > high)
    yield named("measurements", rows, odd, "value", "pressure-odd", remedy, low, high)


def figures(plan):
    """Torques and tyre pressures of a plan that no such vehicle has."""
    if not any(plan.tasks["figures"]):
        return
    # of versions of a plan the first
    applies_to, told = dict(plan.plans[["plan", "applies_to"]].to_numpy()[::-1]), []
    for task in plan.tasks.itertuples():
        kinds = applies_to.get(task.plan, ()) or ("other",)
        lows, highs = zip(*_bounds("tyre_kpa", kinds), strict=True)
        most, least = max(_bounds("bolt_nm", kinds)), LIKELY["wheel_nm"]["least"]
        limits = (
            (TORQUE_NM, "", -np.inf, most, SAYS["bolt"]),
            (TORQUE_NM, WHEEL, least, np.inf, SAYS["wheel"]),
            (PRESSURE_KPA, TYRE, min(lows), max(highs), SAYS["tyre"]),
        )
        for figure, (factors, what, low, high, says) in product(task.figures, limits):
            name, value, unit = (figure[key] for key in ("name", "value", "unit"))
            plain = unit.casefold().replace(" ", ".")
            scale = factors.get(SAME.get(plain, plain), np.nan)
            is_odd = value * scale < low or value * scale > high
            if is_odd and re.search(what, name.casefold()):
                says = says.format(kinds[0], low=low / scale, high=high / scale, unit=unit)
                place, remedy = f"{task.plan}, {task.code}, {name}", f"{says}: look it up again"
                told.append((place, f"{value:g} {unit}", remedy))
    if not told:
        return
    odd = pd.DataFrame(told, columns=["figure", "value", "remedy"]).drop_duplicates()
    cells = odd["figure"], odd["value"], "figure-odd", odd["remedy"]
    yield problems("plan.toml", [1] * len(odd), *cells)


def doubtful_depths(tables, header):
    """Depths above the part's when new, or that rise while it is on; thickness is always in mm."""
    fitted, rows, unit = tables["fitted"], tables["measurements"], header["depth"]
    tired, (other, times) = TIRED_GAUGE_MM / DEPTH_MM[unit], OTHER[unit]

    def remedy(value, new):
        made = value * times
        slip = f"in {other}? {made:.1f}" if made <= new else "mend it, or the depth when new"
        if value > 3 * new and value / 10 <= new:
            slip = f"a lost decimal point? {value / 10:g}"
        return f"{value:g} above {new:g}, its depth when new: {slip}"

    for name in ("fitted_depth", "removed_depth", "limit_depth"):
        is_above, new = fitted[name] > fitted["new_depth"] + tired, fitted["new_depth"]
        yield named("fitted", fitted, is_above, name, "depth-above-new", remedy, new)
    quantities = ["depth", "thickness"] if unit == "mm" else ["depth"]
    rows = rows[[*SERIES, "date", "value", "part"]][rows["quantity"].isin(quantities).to_numpy()]
    if not len(rows):
        return
    # the part then on: by its own id, or by place and day
    by_row = pd.Series(np.arange(len(fitted)), fitted.index).astype(TEXT)
    spans = fitted[[*PLACE, "fitted", "removed", "new_depth"]]
    spans = spans.assign(life=fitted["part"].fillna(by_row))
    by_date = spans.sort_values("fitted", na_position="first", kind="stable")
    unsaid = rows[rows["part"].isna().to_numpy()]
    on = unsaid[[*PLACE, "date"]].reset_index()
    on = on.merge(by_date[[*PLACE, "fitted", "removed", "life"]], on=PLACE)
    on = on[~(on["fitted"] > on["date"])].drop_duplicates("line", keep="last").set_index("line")
    is_on = ~(on["removed"] <= on["date"]) & on["fitted"].ne(on["date"])
    by_day = on["life"].where(is_on).reindex(unsaid.index)
    by_day = by_day.mask(~is_among(unsaid, fitted, PLACE), "")
    life = rows["part"].fillna(by_day) if len(by_day) else rows["part"]
    known = spans.drop_duplicates("life")
    new = pd.Series(np.r_[known["new_depth"], np.nan][codes(life, known["life"])], rows.index)
    is_above = rows["value"] > new * 1.1 + tired
    yield named("measurements", rows, is_above, "value", "depth-above-new", remedy, new)
    at = np.flatnonzero((~is_above & life.notna()).to_numpy())
    series = rows.groupby([*SERIES, life], dropna=False, sort=False).ngroup().to_numpy()
    value, date = (rows[name].to_numpy() for name in ("value", "date"))
    yield from _rising(rows, at[np.lexsort((-value[at], date[at], series[at]))], series, unit)


def _rising(rows, order, series, unit):
    series, value = series[order], rows["value"].to_numpy()[order]
    day = rows["date"].to_numpy()[order].astype("datetime64[D]").astype("int64")
    noise, any_fall = NOISE_MM / DEPTH_MM[unit], np.full(len(order), 1e9)
    kept = longest_likely(series, day, -value, any_fall, np.ones(len(order)), slack=noise)
    out = np.flatnonzero(~kept)
    high, low = neighbours(series, value, kept, out)
    is_between = np.r_[kept, False][out - 1] & np.r_[kept, False][out + 1]

    def fits(made, low, high):
        return (made >= low - noise) & (made <= high + noise)

    def remedy(value, low, high):
        other, times = OTHER[unit]
        tries = {"a lost decimal point": value / 10, "a point left in": value * 10}
        tries[f"in {other}"] = value * times
        meant = [f"{name}? {made:.4g}" for name, made in tries.items() if fits(made, low, high)]
        around = [f"{v:g}" for v in (high, low) if np.isfinite(v)]
        between = f"{'between' if len(around) == 2 else 'beside'} {' and '.join(around)}"
        return f"{value:g} {between}: " + [*meant, "mend it, or say when the part was changed"][0]

    slip = is_between & (fits(value[out] / 10, low, high) | fits(value[out] * 10, low, high))
    for rule, mask in (("depth-slip", slip), ("depth-rises", ~slip)):
        yield named("measurements", rows.take(order[out]), mask, "value", rule, remedy, low, high)


def unlike_depths(tables, header):
    """Depths that no part has, or several times those of the same category and kind of vehicle."""
    fitted, rows, vehicles = (tables[n] for n in ("fitted", "measurements", "vehicles"))
    rows = rows[["quantity", "category", "vehicle", "value"]]
    rows = rows[rows["quantity"].isin(["depth", "thickness"]).to_numpy()] if len(rows) else rows
    places = [("fitted", fitted, n) for n in ("new_depth", "fitted_depth", "removed_depth")]
    for table, frame, name in (*places, ("measurements", rows, "value")):
        if not frame[name].count():
            continue
        quantity = frame["quantity"] if table == "measurements" else pd.Series("", frame.index)
        is_mm = quantity.eq("thickness").to_numpy()
        most = MOST_DEPTH_MM / np.where(is_mm, 1.0, DEPTH_MM[header["depth"]])
        value, never = frame[name].to_numpy(), frame[name].to_numpy() > most
        beside = "more than any part has ({:.4g})", most, 0.5
        yield named(table, frame, never, name, "depth-impossible", _unlike_remedy, *beside)
        like = [is_mm, frame["category"], of_vehicle(frame, vehicles, "kind")]
        group = frame.groupby(like, sort=False).ngroup().to_numpy()
        unlike, middle = far_above(np.where(never, np.nan, value), group, table)
        beside = "several times the usual {:.3g}", middle, 3
        yield named(table, frame, unlike, name, "depth-unlike", _unlike_remedy, *beside)


def _unlike_remedy(value, what, size, times):
    likely = [f"{value / 10**k:g}" for k in (1, 2, 3) if value / 10**k <= times * size]
    mend = f"a decimal point lost? {' or '.join(likely[:2])}" if likely else "mend the depth"
    return f"{value:g} is {what.format(size)}: {mend}"
