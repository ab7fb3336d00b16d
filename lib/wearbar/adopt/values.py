"""Picked cells become a log's: days ISO, numbers plain in the log's units, words as codes."""

import numpy as np
import pandas as pd

from wearbar.adopt.cells import DECIMALS, SIZES, currencies, dates, numbers
from wearbar.adopt.maps import AdoptError
from wearbar.log import schema

_SIZE = {f"{what} {unit}": size for what, of in SIZES.items() for unit, size in of.items()}
CHANGED = ["sheet", "line", "column", "value", "became", "why"]


def table_of(part, header, own):
    """(frame, changed): a `Part`'s rows as a log has them, by line, and frames of `CHANGED`.

    What can't be read stays as it was. own: of `own_units`.
    """
    entry, changed = part.entry, []
    words = (*entry.get("constants", {}), *part.named("id", "text", "code", "yes_no"))
    frame = pd.DataFrame({name: worded(part, name) for name in words}, index=part.picked.index)
    for name in part.named("date"):
        cells = part.picked[name].astype(schema.TEXT)
        days = dates(cells, entry.get("date_order", "year-first")).dt.strftime("%Y-%m-%d")
        frame[name] = days.astype(schema.TEXT).fillna(cells)
    for name in part.named("number"):
        frame[name] = _number(part, name, frame, header, own, changed)
    for name, others in entry.get("less", {}).items():
        frame[name] = _beyond(part, name, others, frame, changed)
    return frame, changed


def worded(part, name):
    """A column of words as codes, or what the map says for every row."""
    if name not in part.picked:
        value = plain_word(part.entry["constants"][name])
        return pd.Series(value, part.picked.index, dtype=schema.TEXT)
    cells, words = part.picked[name].astype(schema.TEXT), part.entry.get("words", {}).get(name)
    if not words:
        return cells
    codes = {str(word).strip().casefold(): code for word, code in words.items()}
    return cells.str.strip().str.casefold().map(codes).astype(schema.TEXT).fillna(cells)


def plain_word(value):
    """A value of the map as a log's file has it."""
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)


def own_units(mapping, parts):
    """Vehicle to its own unit of distance, where the map or the sheet has one."""
    told = [v for v in mapping.get("vehicle", []) if v.get("distance_unit")]
    own = {plain_word(v["vehicle"]): plain_word(v["distance_unit"]) for v in told}
    for part in parts:
        if part.entry["to"] == "vehicles" and "distance_unit" in part.picked:
            units = worded(part, "distance_unit").str.strip().str.casefold()
            own |= dict(zip(worded(part, "vehicle"), units, strict=True))
    return own


def _number(part, name, frame, header, own, changed):
    cells, decimal = part.picked[name].astype(schema.TEXT), part.entry.get("decimal", "point")
    read = numbers(cells, decimal, part.typed[name])
    other = numbers(cells, next(d for d in DECIMALS if d != decimal))
    against = read["plain"].isna() & other["plain"].notna()
    read.loc[against] = other.loc[against]
    quantity, vehicle = _quantities(part.entry["to"], name, frame), frame["vehicle"]
    target = _target(quantity, vehicle, header, own)
    factor = _factor(read, quantity, target, part.entry.get("units", {}).get(name))
    known = [s for s in read["sign"].dropna().unique() if header.get("currency") in currencies(s)]
    bare, unsigned = read["unit"].isna(), read["sign"].isna()
    good = unsigned & factor.notna() & (bare | quantity.isin(list(SIZES)))
    good |= quantity.eq("money") & bare & read["sign"].isin(known)
    scaled = good & factor.ne(1.0) & read["plain"].notna()
    value = pd.to_numeric(read["plain"].where(scaled), errors="coerce").astype(float) * factor
    plain = read["plain"].mask(scaled, _plain(value))
    out = plain.where(good & plain.notna(), cells)
    changed += [
        _changed(part, name, scaled, cells, out, "unit"),
        _changed(part, name, against & good & ~scaled, cells, out, "decimal mark"),
    ]
    return out


def _quantities(to, name, frame):
    """What the number in each row measures."""
    quantity = pd.Series(schema.column(to, name).quantity, frame.index, dtype=schema.TEXT)
    if to == "measurements" and name == "value":
        asked = frame["quantity"].str.strip().str.casefold()
        quantity = asked.where(asked.isin(list(schema.MEASURED)), "")
    if to == "fuel" and name == "volume" and "kind" in frame:
        quantity = quantity.mask(frame["kind"].str.strip().str.casefold().eq("electric"), "energy")
    return quantity


def _target(quantity, vehicle, header, own):
    """The log's unit for each row: of its header, or for a distance the vehicle's own."""
    units = {what: header.get(what) or next(iter(sizes)) for what, sizes in SIZES.items()}
    theirs = vehicle.map(own).astype(schema.TEXT)
    is_own = quantity.eq("distance") & theirs.isin(list(SIZES["distance"]))
    return theirs.where(is_own).fillna(quantity.map(units).astype(schema.TEXT))


def _factor(read, quantity, target, bare):
    """What to multiply each number by; missing where its unit is none of what it measures.

    bare: the unit, of the map, of numbers that have none beside them.
    """
    for what in quantity.unique():
        if bare is not None and what != "energy" and bare not in SIZES.get(what, [bare]):
            mend = f"what has rows of {what}: give those a table of their own"
            raise AdoptError(f"the map says a unit of {bare!r} for {mend}")
    bare = target if bare is None else target.mask(quantity.ne("energy"), bare)
    unit = read["unit"].fillna(bare)
    unit = unit.mask(unit.eq("gal") & bare.isin(["gal_uk", "gal_us"]), bare)
    own, logs = ((quantity + " " + u).map(_SIZE).astype(float) for u in (unit, target))
    return (own / logs).where(quantity.isin(list(SIZES)), 1.0)


def _beyond(part, name, others, frame, changed):
    """What an amount has beyond those in it, blank if nothing; the whole where those are blank."""
    amount = pd.to_numeric(frame[name], errors="coerce")
    each = frame[others].apply(pd.to_numeric, errors="coerce")
    rows = amount.notna() & each.notna().any(axis=1)
    left = (amount.astype(float) - each.astype(float).sum(axis=1)).round(4)
    out = frame[name].where(~rows, _plain(left.where(left != 0)))
    why = f"less {' and '.join(others)}"
    changed.append(_changed(part, name, rows, frame[name], out.fillna("blank"), why))
    return out


def _changed(part, name, rows, was, became, why):
    told = {"sheet": part.sheet, "line": was.index[rows], "column": name}
    told |= {"value": was[rows].array, "became": became[rows].array, "why": why}
    return pd.DataFrame(told)


def _plain(values):
    """Numbers as a person would type them; missing stays missing."""
    text = [
        None if np.isnan(v) else np.format_float_positional(v, precision=6, trim="-")
        for v in values
    ]
    return pd.Series(text, values.index, dtype=schema.TEXT)
