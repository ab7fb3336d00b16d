"""A spreadsheet and its map become the tables of a log, written to a new folder and read back:
every row is carried over or listed, days ISO, numbers plain in the log's units, words as codes."""

from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from wearbar.log import LogError, read_log, schema, write_tables
from wearbar.log.sources import open_source
from wearbar.log.sources.raw import fault
from wearbar.log.write import new_folder
from wearbar_adopt.cells import DECIMALS, SIGNS, SIZES, dates, number
from wearbar_adopt.grids import LEFT_OUT, NOTHING, UNDERSTOOD, UNNAMED, left_out, pick
from wearbar_adopt.maps import check_map, wanted

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
    words = part.entry.get("words", {}).get(name, {})
    codes = {str(word).strip().casefold(): code for word, code in words.items()}
    found = [
        codes.get(cell.strip().casefold(), cell) if isinstance(cell, str) else codes.get("")
        for cell in part.picked[name]
    ]
    return pd.Series(found, part.picked.index, dtype=schema.TEXT)


def _word(value):
    """A value of the map as a log's file has it."""
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)


def _number(part, name, frame, header, own, turned):
    """A column of numbers in the log's units; own: vehicle to its own unit of distance."""
    entry, cells, typed = part.entry, part.picked[name].tolist(), part.typed[name].tolist()
    decimal, measured = entry.get("decimal", "point"), _measured(entry, name, frame)
    said, currency = entry.get("units", {}).get(name), header.get("currency")
    for what in dict.fromkeys(measured):
        if said is not None and what != "energy" and said not in SIZES.get(what, [said]):
            raise fault("unit_of_many", unit=said, what=what)
    units = {what: header.get(what) or next(iter(sizes)) for what, sizes in SIZES.items()}
    out, scaled, against = [*cells], {}, []
    for k, (cell, what, vehicle) in enumerate(zip(cells, measured, frame["vehicle"], strict=True)):
        read = number(cell, decimal)
        is_other = read[0] is None and not typed[k]
        plain, unit, sign = number(cell, DECIMALS[decimal == "point"]) if is_other else read
        plain, is_bare, sizes = cell if typed[k] else plain, unit is None, SIZES.get(what)
        # the log's unit: of its header, or for a distance the vehicle's own
        is_own = what == "distance" and own.get(vehicle) in SIZES["distance"]
        target = own[vehicle] if is_own else units.get(what)
        # the unit of those that have none beside them is the map's or the log's; what is of no unit
        # of its quantity has no factor
        bare = target if said is None or what == "energy" else said
        if is_bare or (unit == "gal" and bare in ("gal_uk", "gal_us")):
            unit = bare
        is_one = sizes is None or {unit, target} <= sizes.keys()
        is_money = what == "money" and is_bare and currency in SIGNS.get(sign, (sign,))
        if plain is None or not is_one or not (is_bare or sizes) or not (sign is None or is_money):
            continue
        if sizes and (factor := sizes[unit] / sizes[target]) != 1:
            scaled[k] = plain, factor
        else:
            out[k] = plain
            against += [k] if is_other else []
    if scaled:
        plain, factors = zip(*scaled.values(), strict=True)
        value = pd.to_numeric(np.array(plain, dtype=object), errors="coerce").astype(float)
        for k, text in zip(scaled, _plain(pd.Series(value * factors)), strict=True):
            out[k] = out[k] if pd.isna(text) else text
    for why, some in (("unit", scaled), ("decimal mark", against)):
        turned += [(part.sheet, part.picked.index[k], name, cells[k], out[k], why) for k in some]
    return pd.Series(out, frame.index, dtype=schema.TEXT)


def _measured(entry, name, frame):
    """What the number in each row of a column measures."""
    column = entry["to"], name
    if column == ("measurements", "value"):
        asked = [str(what).strip().casefold() for what in frame["quantity"]]
        return [what if what in schema.MEASURED else "" for what in asked]
    measured = [schema.column(*column).quantity] * len(frame)
    if column == ("fuel", "volume") and "kind" in frame:
        kinds = [str(kind).strip().casefold() for kind in frame["kind"]]
        measured = ["energy" if kind == "electric" else "volume" for kind in kinds]
    return measured


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
        log = read_log(part, today=today)
    return replace(log, origin=open_source(folder))


def places_of(adopted, log):
    """Where each row stood: a frame `table, line, sheet, sheet_line`; `line` is the log's."""
    found = []
    for name, place in adopted.places.items():
        own = place.set_axis(["sheet", "sheet_line"], axis=1)
        found.append(own.assign(table=name, line=log.origin.tables[name]().lines))
    return pd.concat(found, ignore_index=True)
