"""A spreadsheet and its map become the tables of a log, written to a new folder and read back:
every row is carried over or listed, days ISO, numbers plain in the log's units, words as codes."""

from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from wearbar.log import LogError, read_log, schema, write_tables
from wearbar.log.sources.raw import fault
from wearbar.log.write import new_folder
from wearbar_adopt.cells import DECIMALS, SIGNS, SIZES, dates, numbers
from wearbar_adopt.grids import LEFT_OUT, NOTHING, UNDERSTOOD, UNNAMED, left_out, pick
from wearbar_adopt.maps import check_map, wanted

_SIZE = {f"{what} {unit}": size for what, of in SIZES.items() for unit, size in of.items()}
TURNED = ["sheet", "line", "column", "value", "became", "why"]


@dataclass(frozen=True)
class Adopted:
    """A spreadsheet as a log."""

    header: dict  # of log.toml
    tables: dict  # name to frame of text, as a log's files have them
    places: dict  # name to frame `sheet, line` of its rows
    left_out: pd.DataFrame  # rows that no table has: `sheet, line, why, text`
    ledger: pd.DataFrame  # `sheet, table, rows, adopted, left_out`
    # cells whose number is not the one written: `sheet, line, column, value, became, why`
    turned: pd.DataFrame
    passed_over: pd.DataFrame  # columns that the map does not name: `sheet, heading, cells`

    @property
    def is_whole(self):
        """Whether each row left out is understood: it held no data, or was not asked for."""
        return bool(self.left_out["why"].isin(UNDERSTOOD).all())


def convert(grids, mapping):
    """The `Adopted` log of a file's sheets by a map. Raises LogError where that is not whole."""
    check_map(mapping)
    header = {key: value for key, value in mapping["log"].items() if value != ""}
    sheets, parts = {grid.sheet: grid for grid in grids}, []
    for entry in wanted(mapping):
        name = entry.get("sheet", grids[0].sheet)
        if name not in sheets:
            has = ", ".join(repr(sheet) for sheet in sheets if sheet) or "one without a name"
            raise LogError(f"the file has no sheet {name!r}; it has {has}")
        parts.append(pick(sheets[name], entry))
    own, made, turned = _own_units(mapping, parts), {}, []
    left, over, counts = [], [], []
    for part in parts:
        frame = _table(part, header, own, turned)
        made.setdefault(part.entry["to"], []).append((part.sheet, frame))
        left, over = left + part.left, over + part.passed_over
        n, n_left = len(frame), len(part.left)
        counts.append((part.sheet, part.entry["to"], n + n_left, n, n_left))
    if vehicles := mapping.get("vehicle"):
        told = [{name: _word(value) for name, value in one.items()} for one in vehicles]
        told = pd.DataFrame(told, range(1, len(told) + 1), dtype=schema.TEXT)
        made.setdefault("vehicles", []).append(("the map", told))
    for grid in grids:
        used = [part for part in parts if part.sheet == grid.sheet]
        if not used:
            left += left_out(grid.sheet, grid.cells, UNNAMED)
            counts.append((grid.sheet, "", len(grid.cells), 0, len(grid.cells)))
            continue
        # rows of a checklist without a mark, that no other [[table]] has
        lines = {line for part in used for line in (*part.picked.index, *(x[1] for x in part.left))}
        heads = [line for part in used for line in part.entry["header_lines"]]
        lost = grid.cells.drop([*lines, *heads], errors="ignore")
        left += left_out(grid.sheet, lost, NOTHING)
        counts += [(grid.sheet, "", len(lost), 0, len(lost))] if len(lost) else []
    # what one [[table]] of a sheet leaves may be another's
    left, taken = list(dict.fromkeys(left)), {(p.sheet, h) for p in parts for h in p.heads}
    over = [told for told in dict.fromkeys(over) if told[:2] not in taken]
    tables, places = {}, {}
    for to, told in made.items():
        names, frames = zip(*told, strict=True)
        rows = pd.concat(frames, keys=names, names=["sheet", "line"])
        places[to] = rows.index.to_frame(index=False)
        in_order = [c.name for c in schema.TABLES[to] if c.name in rows]
        tables[to] = rows[in_order].reset_index(drop=True)
    ledger = pd.DataFrame(counts, columns=["sheet", "table", "rows", "adopted", "left_out"])
    left, turned = pd.DataFrame(left, columns=LEFT_OUT), pd.DataFrame(turned, columns=TURNED)
    over = pd.DataFrame(over, columns=["sheet", "heading", "cells"])
    return Adopted(header, tables, places, left, ledger, turned, over)


def _own_units(mapping, parts):
    """Vehicle to its own unit of distance, where the map or the sheet has one."""
    told = [v for v in mapping.get("vehicle", []) if v.get("distance_unit")]
    own = {_word(v["vehicle"]): _word(v["distance_unit"]) for v in told}
    for part in parts:
        if part.entry["to"] == "vehicles" and "distance_unit" in part.picked:
            units = _worded(part, "distance_unit").str.strip().str.casefold()
            own |= dict(zip(_worded(part, "vehicle"), units, strict=True))
    return own


def _table(part, header, own, turned):
    """A `Part`'s rows as a log has them, by line; what can't be read stays as it was. turned: the
    rows of `TURNED` so far, which grow."""
    entry = part.entry
    words = (*entry.get("constants", {}), *part.named("id", "text", "code", "yes_no"))
    frame = pd.DataFrame({name: _worded(part, name) for name in words}, index=part.picked.index)
    for name in part.named("date"):
        cells = part.picked[name].astype(schema.TEXT)
        days = dates(cells, entry.get("date_order", "year-first")).dt.strftime("%Y-%m-%d")
        frame[name] = days.astype(schema.TEXT).fillna(cells)
    for name in part.named("number"):
        frame[name] = _number(part, name, frame, header, own, turned)
    # of an amount what it has beyond those in it; the whole where those are blank
    for name, others in entry.get("less", {}).items():
        amount, *each = (pd.to_numeric(frame[n], errors="coerce") for n in (name, *others))
        each = pd.concat(each, axis=1)
        rows = amount.notna() & each.notna().any(axis=1)
        beyond = (amount.astype(float) - each.astype(float).sum(axis=1)).round(4)
        out = frame[name].where(~rows, _plain(beyond.where(beyond != 0)))
        why = f"less {' and '.join(others)}"
        turned += _turned(part, name, rows, frame[name], out.fillna("blank"), why)
        frame[name] = out
    return frame


def _worded(part, name):
    """A column of words as codes, or what the map says for every row."""
    if name not in part.picked:
        value = _word(part.entry["constants"][name])
        return pd.Series(value, part.picked.index, dtype=schema.TEXT)
    cells, words = part.picked[name].astype(schema.TEXT), part.entry.get("words", {}).get(name, {})
    codes = {str(word).strip().casefold(): code for word, code in words.items()}
    found = cells.str.strip().str.casefold().map(codes).astype(schema.TEXT).fillna(cells)
    return found.fillna(codes[""]) if "" in codes else found


def _word(value):
    """A value of the map as a log's file has it."""
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)


def _number(part, name, frame, header, own, turned):
    """A column of numbers in the log's units; own: vehicle to its own unit of distance."""
    entry, cells = part.entry, part.picked[name].astype(schema.TEXT)
    decimal = entry.get("decimal", "point")
    read = numbers(cells, decimal, part.typed[name])
    other = numbers(cells, next(d for d in DECIMALS if d != decimal))
    against = read["plain"].isna() & other["plain"].notna()
    read.loc[against] = other.loc[against]
    # what the number in each row measures, and the log's unit of that: of its header, or for a
    # distance the vehicle's own
    quantity = pd.Series(schema.column(entry["to"], name).quantity, frame.index, dtype=schema.TEXT)
    if (entry["to"], name) == ("measurements", "value"):
        asked = frame["quantity"].str.strip().str.casefold()
        quantity = asked.where(asked.isin(list(schema.MEASURED)), "")
    if (entry["to"], name) == ("fuel", "volume") and "kind" in frame:
        quantity = quantity.mask(frame["kind"].str.strip().str.casefold().eq("electric"), "energy")
    units = {what: header.get(what) or next(iter(sizes)) for what, sizes in SIZES.items()}
    target = frame["vehicle"].map(own).astype(schema.TEXT)
    target = target.where(quantity.eq("distance") & target.isin(list(SIZES["distance"])))
    target = target.fillna(quantity.map(units).astype(schema.TEXT))
    # the unit of those that have none beside them is the map's or the log's; what is of no unit of
    # its quantity has no factor
    said = entry.get("units", {}).get(name)
    for what in quantity.unique():
        if said is not None and what != "energy" and said not in SIZES.get(what, [said]):
            raise fault("unit_of_many", unit=said, what=what)
    bare = target if said is None else target.mask(quantity.ne("energy"), said)
    unit = read["unit"].fillna(bare)
    unit = unit.mask(unit.eq("gal") & bare.isin(["gal_uk", "gal_us"]), bare)
    its, logs = ((quantity + " " + u).map(_SIZE).astype(float) for u in (unit, target))
    has_unit = quantity.isin(list(SIZES))
    factor = (its / logs).where(has_unit, 1.0)
    signs, currency = read["sign"].dropna().unique(), header.get("currency")
    known = [sign for sign in signs if currency in SIGNS.get(sign, (sign,))]
    is_bare = read["unit"].isna()
    good = read["sign"].isna() & factor.notna() & (is_bare | has_unit)
    good |= quantity.eq("money") & is_bare & read["sign"].isin(known)
    scaled = good & factor.ne(1.0) & read["plain"].notna()
    value = pd.to_numeric(read["plain"].where(scaled), errors="coerce").astype(float) * factor
    plain = read["plain"].mask(scaled, _plain(value))
    out = plain.where(good & plain.notna(), cells)
    turned += _turned(part, name, scaled, cells, out, "unit")
    turned += _turned(part, name, against & good & ~scaled, cells, out, "decimal mark")
    return out


def _turned(part, name, rows, was, became, why):
    told = zip(was.index[rows], was[rows], became[rows], strict=True)
    return [(part.sheet, line, name, value, now, why) for line, value, now in told]


def _plain(values):
    """Numbers as a person would type them; missing stays missing."""
    text = partial(np.format_float_positional, precision=6, trim="-")
    return values.astype(object).map(text, na_action="ignore").astype(schema.TEXT)


def keep(adopted, folder, record="", today=None, plan=""):
    """Write an `Adopted` to a new folder, `record` as its ADOPTED.md; the `ServiceLog` read there.
    plan: the path of one to put beside it. LogError, and nothing written, where the folder has
    files, or the tables are no log."""
    with new_folder(folder) as part:
        header = adopted.header
        if plan:
            (part / "plan.toml").write_bytes(Path(plan).read_bytes())
            header = header | {"plan": "plan.toml"}
        write_tables(adopted.tables, header, part)
        (part / "ADOPTED.md").write_text(record, encoding="utf-8")
        read_log(part, today=today)
    return read_log(folder, today=today)


def places_of(adopted, log):
    """Where each row stood: a frame `table, line, sheet, sheet_line`; `line` is the log's."""
    found = []
    for name, place in adopted.places.items():
        own = place.set_axis(["sheet", "sheet_line"], axis=1)
        found.append(own.assign(table=name, line=log.origin.tables[name]().lines))
    return pd.concat(found, ignore_index=True)
