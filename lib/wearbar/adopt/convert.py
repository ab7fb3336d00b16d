"""A spreadsheet and its map become the tables of a log; every row is carried over or listed with the reason why not."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.adopt.cells import DECIMALS, OWN_UNIT, SIZES, currencies, dates, numbers
from wearbar.adopt.grids import headings
from wearbar.adopt.maps import AdoptError, check_map
from wearbar.log import schema
from wearbar.log.units import Units

__all__ = ["TOTAL", "UNDERSTOOD", "Adopted", "convert", "pick"]

TOTAL = r"(?i)(?:grand |sub-?)?(?:totals?|sum|average|mean|summe|gesamt|totaal|totale|suma|somme)\b"
ABOVE, AGAIN, TOTALS, UNNAMED = (
    "above the header",
    "the header again",
    "a row of totals",
    "its sheet has no table in the map",
)
NOTHING, BEYOND = (
    "nothing in the columns that are carried over",
    "more cells than the header: does a cell hold the delimiter?",
)
UNDERSTOOD = (ABOVE, AGAIN, TOTALS, UNNAMED)
LEFT_OUT, TURNED = (
    ("sheet", "line", "why", "text"),
    ("sheet", "line", "column", "value", "became", "why"),
)
KWH = "energy"


@dataclass(frozen=True)
class Adopted:
    """header: of log.toml. tables: name to frame of text, as a log's files have them. places: name to frame `sheet, line` of its rows.

    left_out: frame `sheet, line, why, text` of the rows that no table has. ledger: frame `sheet, table, rows, adopted, left_out`.
    turned: frame `sheet, line, column, value, became, why` of cells whose number is not the one that was written.
    passed_over: frame `sheet, heading, cells` of columns that the map does not name.
    """

    header: dict
    tables: dict
    places: dict
    left_out: pd.DataFrame
    ledger: pd.DataFrame
    turned: pd.DataFrame
    passed_over: pd.DataFrame

    @property
    def is_whole(self):
        """Whether each row left out is understood: no data was in it, or its sheet was not asked for."""
        return bool(self.left_out["why"].isin(UNDERSTOOD).all())


@dataclass
class _Part:
    """One [[table]] of the map on its way: the cells picked by it, by line, and what was left out."""

    entry: dict
    sheet: str
    picked: pd.DataFrame
    typed: pd.DataFrame
    left: pd.DataFrame
    passed_over: list


def convert(grids, mapping):
    """The `Adopted` log of a file's sheets by a map (a dict from its TOML). Raises AdoptError where the map is not whole."""
    check_map(mapping)
    header = {key: value for key, value in mapping["log"].items() if value != ""}
    sheets = {grid.sheet: grid for grid in grids}
    parts = [pick(_grid_of(entry, sheets, grids), entry) for entry in mapping["table"]]
    units = _Units(header, mapping, parts)
    turned, tables, places = [], {}, {}
    for part in parts:
        name = part.entry["to"]
        tables.setdefault(name, []).append(_table(part, units, turned))
        places.setdefault(name, []).append(
            pd.DataFrame({"sheet": part.sheet, "line": part.picked.index})
        )
    if mapping.get("vehicle"):
        told = pd.DataFrame(
            [{name: _word(value) for name, value in entry.items()} for entry in mapping["vehicle"]],
            dtype=schema.TEXT,
        )
        tables.setdefault("vehicles", []).append(told)
        places.setdefault("vehicles", []).append(
            pd.DataFrame({"sheet": "the map", "line": range(1, len(told) + 1)})
        )
    others = [grid for grid in grids if grid.sheet not in {part.sheet for part in parts}]
    left = [
        *(part.left for part in parts),
        *(_left(g.sheet, g.cells, pd.Series(UNNAMED, g.cells.index)) for g in others),
    ]
    counts = [
        (p.sheet, p.entry["to"], len(p.picked) + len(p.left), len(p.picked), len(p.left))
        for p in parts
    ]
    counts += [(grid.sheet, "", len(grid.cells), 0, len(grid.cells)) for grid in others]
    return Adopted(
        header,
        {
            name: _ordered(name, pd.concat(frames, ignore_index=True))
            for name, frames in tables.items()
        },
        {name: pd.concat(frames, ignore_index=True) for name, frames in places.items()},
        _joined(left, LEFT_OUT),
        pd.DataFrame(counts, columns=["sheet", "table", "rows", "adopted", "left_out"]),
        _joined(turned, TURNED),
        pd.DataFrame(
            [row for part in parts for row in part.passed_over],
            columns=["sheet", "heading", "cells"],
        ),
    )


def _joined(frames, columns):
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=list(columns))


def _grid_of(entry, sheets, grids):
    name = entry.get("sheet", grids[0].sheet)
    if name not in sheets:
        raise AdoptError(
            f"the file has no sheet {name!r}; it has {', '.join(repr(s) for s in sheets if s) or 'one without a name'}"
        )
    return sheets[name]


def pick(grid, entry):
    """The rows and columns of a sheet that a [[table]] of a map names, those left out, and why. Raises AdoptError."""
    cells, lines = grid.cells, entry["header_lines"]
    names, where = headings(cells, lines), f"sheet {grid.sheet!r}" if grid.sheet else "the file"
    for name in entry["columns"]:
        if name not in names:
            raise AdoptError(
                f"{where} has no column {name!r} on line {lines[-1]}; it has {', '.join(names) or 'none'}"
            )
    wanted = [names[name] for name in entry["columns"]]
    rows = cells[~cells.index.isin(lines)]
    why = _why_left_out(
        rows, rows[wanted], cells[cells.index.isin(lines)], set(entry["columns"].values()), entry
    )
    if not grid.sheet:
        why = why.mask(
            (why == "") & rows[[c for c in rows if c > max(names.values())]].notna().any(axis=1),
            BEYOND,
        )
    kept = rows[why == ""]
    heads = {place: name for name, place in names.items()} | {
        p: f"column {p + 1}" for p in cells if p not in names.values()
    }
    over = [
        (grid.sheet, heads[p], int(n))
        for p, n in kept.notna().sum().items()
        if n and p not in wanted
    ]
    titles = list(entry["columns"].values())
    picked, typed = (
        kept[wanted].set_axis(titles, axis=1),
        grid.typed.loc[kept.index, wanted].set_axis(titles, axis=1),
    )
    return _Part(
        entry, grid.sheet, picked, typed, _left(grid.sheet, rows[why != ""], why[why != ""]), over
    )


def _why_left_out(rows, picked, head, names, entry):
    first = rows.bfill(axis=1).iloc[:, 0].astype(object).str.strip()
    days = [
        place
        for place, name in zip(picked, entry["columns"].values(), strict=True)
        if schema.column(entry["to"], name).kind == "date"
    ]
    labels = picked[days].apply(
        lambda cells: cells.isna() | cells.astype(object).str.strip().str.match(TOTAL).eq(True)
    )
    why = pd.Series("", index=rows.index, dtype=object)
    why[picked.isna().all(axis=1)] = NOTHING
    why[first.str.match(TOTAL).eq(True) & labels.all(axis=1)] = TOTALS
    for line in head.index:
        why[(rows.eq(head.loc[line]) | (rows.isna() & head.loc[line].isna())).all(axis=1)] = AGAIN
    why[rows.index < max(head.index, default=0)] = ABOVE
    return why


def _left(sheet, rows, why):
    text = [
        " | ".join(str(cell) for cell in row if isinstance(cell, str))
        for row in rows.itertuples(index=False)
    ]
    return pd.DataFrame(
        {"sheet": sheet, "line": rows.index, "why": why.to_numpy(), "text": text},
        columns=list(LEFT_OUT),
    )


class _Units:
    """The unit that a log has each number in: of its header, or for a distance the vehicle's own."""

    def __init__(self, header, mapping, parts):
        self.header = header
        self.own = {
            _word(v["vehicle"]): _word(v["distance_unit"])
            for v in mapping.get("vehicle", [])
            if v.get("distance_unit")
        }
        for part in parts:
            if part.entry["to"] == "vehicles" and "distance_unit" in part.picked:
                own = _worded(part, "distance_unit").str.strip().str.casefold()
                self.own |= dict(zip(_worded(part, "vehicle"), own, strict=True))

    def of(self, quantity, vehicle):
        """The unit of a quantity for each row; vehicle: a Series."""
        known = Units()
        target = self.header.get(quantity) or OWN_UNIT.get(quantity) or getattr(known, quantity, "")
        target = pd.Series(target, vehicle.index, dtype=schema.TEXT)
        if quantity == "distance":
            own = vehicle.map(self.own).astype(schema.TEXT)
            target = own.where(own.isin(list(SIZES["distance"]))).fillna(target)
        return target


def _table(part, units, turned):
    """The part's rows as a log has them: days ISO, numbers plain in the log's units, words as codes. What can't be read stays as it was."""
    frame, to = pd.DataFrame(index=part.picked.index), part.entry["to"]
    for name, value in part.entry.get("constants", {}).items():
        frame[name] = pd.Series(_word(value), frame.index, dtype=schema.TEXT)
    for name in part.picked:
        if schema.column(to, name).kind not in ("number", "date"):
            frame[name] = _worded(part, name)
    for name, cells in part.picked.astype(schema.TEXT).items():
        kind = schema.column(to, name).kind
        if kind == "date":
            days = dates(cells, part.entry.get("date_order", "year-first"))
            frame[name] = days.dt.strftime("%Y-%m-%d").astype(schema.TEXT).fillna(cells)
        elif kind == "number":
            frame[name] = _numbers(part, name, frame, units, turned)
    for name, others in part.entry.get("less", {}).items():
        frame[name] = _beyond(part, name, others, frame, turned)
    return frame


def _beyond(part, name, others, frame, turned):
    """What an amount has beyond those that are in it: blank where that is nothing; the whole where they are blank or can't be read."""
    amount, each = (
        pd.to_numeric(frame[name], errors="coerce"),
        frame[others].apply(pd.to_numeric, errors="coerce"),
    )
    rows = amount.notna() & each.notna().any(axis=1)
    left = (amount.astype(float) - each.astype(float).sum(axis=1)).round(4)
    out = frame[name].where(
        ~rows, left.where(left != 0).map(_plain, na_action="ignore").astype(schema.TEXT)
    )
    why = f"less {' and '.join(others)}"
    told = {
        "sheet": part.sheet,
        "line": frame.index[rows],
        "column": name,
        "value": frame[name][rows],
        "became": out[rows].fillna("blank"),
    }
    turned += [pd.DataFrame(told | {"why": why}).reset_index(drop=True)] if rows.any() else []
    return out


def _worded(part, name):
    if name not in part.picked:
        return pd.Series(_word(part.entry["constants"][name]), part.picked.index, dtype=schema.TEXT)
    cells = part.picked[name].astype(schema.TEXT)
    words = {
        str(word).strip().casefold(): code
        for word, code in part.entry.get("words", {}).get(name, {}).items()
    }
    return (
        cells.str.strip().str.casefold().map(words).astype(schema.TEXT).fillna(cells)
        if words
        else cells
    )


def _numbers(part, name, frame, units, turned):
    cells, decimal = part.picked[name].astype(schema.TEXT), part.entry.get("decimal", "point")
    read = numbers(cells, decimal, part.typed[name])
    other = numbers(cells, next(d for d in DECIMALS if d != decimal))
    against = read["plain"].isna() & other["plain"].notna()
    read.loc[against] = other.loc[against]
    quantity = _quantities(part.entry["to"], name, frame)
    factor, good = pd.Series(1.0, cells.index), pd.Series(False, cells.index)
    for what in quantity.unique():
        mine = quantity == what
        factor[mine], good[mine] = _factor(
            what,
            read[mine],
            part.entry.get("units", {}).get(name),
            units,
            frame.loc[mine, "vehicle"],
        )
    scaled = factor.ne(1.0) & good & read["plain"].notna()
    value = pd.to_numeric(read["plain"].where(scaled), errors="coerce").astype(float) * factor
    plain = read["plain"].where(~scaled, value.map(_plain, na_action="ignore").astype(schema.TEXT))
    out = plain.where(good & plain.notna(), cells)
    for rows, why in ((scaled, "unit"), (against & good & ~scaled, "decimal mark")):
        told = {
            "sheet": part.sheet,
            "line": cells.index[rows],
            "column": name,
            "value": cells[rows],
            "became": out[rows],
            "why": why,
        }
        turned += [pd.DataFrame(told).reset_index(drop=True)] if rows.any() else []
    return out


def _quantities(to, name, frame):
    """What the number in each row measures."""
    quantity = pd.Series(schema.column(to, name).quantity, frame.index, dtype=schema.TEXT)
    if to == "measurements" and name == "value":
        asked = frame["quantity"].str.strip().str.casefold()
        quantity = asked.where(asked.isin(list(schema.MEASURED)), "")
    if to == "fuel" and name == "volume" and "kind" in frame:
        quantity = quantity.mask(frame["kind"].str.strip().str.casefold().eq("electric"), KWH)
    return quantity


def _factor(quantity, read, bare, units, vehicle):
    """What to multiply each number by, and whether what stands beside it fits what it measures."""
    signed = read["sign"].notna()
    if quantity == "money":
        known = {
            sign: units.header["currency"] in currencies(sign)
            for sign in read["sign"].dropna().unique()
        }
        return 1.0, read["unit"].isna() & (~signed | read["sign"].map(known).eq(True))
    if quantity not in SIZES:
        return 1.0, read["unit"].isna() & ~signed
    target, sizes = units.of(quantity, vehicle), SIZES[quantity]
    bare = (
        target
        if bare is None or quantity == KWH
        else pd.Series(bare, read.index, dtype=schema.TEXT)
    )
    unit = (
        read["unit"]
        .fillna(bare)
        .mask(read["unit"].eq("gal") & bare.isin(["gal_uk", "gal_us"]), bare)
    )
    if not bare.isin(list(sizes)).all():
        raise AdoptError(
            f"the map says a unit of {bare.iloc[0]!r} for what has rows of {quantity}: give those a table of their own"
        )
    factor = unit.map(sizes) / target.map(sizes)
    return factor.fillna(1.0), factor.notna() & ~signed


def _word(value):
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)


def _plain(value):
    return np.format_float_positional(value, precision=6, trim="-")


def _ordered(name, frame):
    return frame[[c.name for c in schema.TABLES[name] if c.name in frame]]
