"""A spreadsheet and its map become the tables of a log; every row is carried over or listed."""

from dataclasses import dataclass

import pandas as pd

from wearbar.adopt.maps import AdoptError, check_map
from wearbar.adopt.pick import LEFT_OUT, UNDERSTOOD, UNNAMED, left_out, pick
from wearbar.adopt.values import CHANGED, own_units, plain_word, table_of
from wearbar.log import schema

__all__ = ["Adopted", "convert"]


@dataclass(frozen=True)
class Adopted:
    """header: of log.toml. tables: name to frame of text, as a log's files have them.

    places: name to frame `sheet, line` of its rows. left_out: rows that no table has, frame
    `sheet, line, why, text`. ledger: frame `sheet, table, rows, adopted, left_out`. turned: cells
    whose number is not the one written, frame `sheet, line, column, value, became, why`.
    passed_over: columns that the map does not name, frame `sheet, heading, cells`.
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
        """Whether each row left out is understood: it held no data, or was not asked for."""
        return bool(self.left_out["why"].isin(UNDERSTOOD).all())


def convert(grids, mapping):
    """The `Adopted` log of a file's sheets by a map. Raises AdoptError where that is not whole."""
    check_map(mapping)
    header = {key: value for key, value in mapping["log"].items() if value != ""}
    parts = [pick(_grid_of(entry, grids), entry) for entry in mapping["table"]]
    own, made, turned = own_units(mapping, parts), [], []
    for part in parts:
        frame, changed = table_of(part, header, own)
        made.append((part.entry["to"], part.sheet, frame))
        turned += changed
    vehicles = mapping.get("vehicle", [])
    if vehicles:
        told = [{name: plain_word(value) for name, value in one.items()} for one in vehicles]
        told = pd.DataFrame(told, range(1, len(told) + 1), dtype=schema.TEXT)
        made.append(("vehicles", "the map", told))
    asked = {part.sheet for part in parts}
    others = [grid for grid in grids if grid.sheet not in asked]
    left = [*(part.left for part in parts), *(left_out(g.sheet, g.cells, UNNAMED) for g in others)]
    counts = [(p.sheet, p.entry["to"], len(p.picked), len(p.left)) for p in parts]
    counts += [(grid.sheet, "", 0, len(grid.cells)) for grid in others]
    ledger = pd.DataFrame(counts, columns=["sheet", "table", "adopted", "left_out"])
    ledger.insert(2, "rows", ledger["adopted"] + ledger["left_out"])
    over = [row for part in parts for row in part.passed_over]
    return Adopted(
        header,
        {to: _ordered(to, frame) for to, frame in _by_table(made, lambda _, f: f).items()},
        _by_table(made, lambda sheet, f: pd.DataFrame({"sheet": sheet, "line": f.index})),
        _joined(left, LEFT_OUT),
        ledger,
        _joined(turned, CHANGED),
        pd.DataFrame(over, columns=["sheet", "heading", "cells"]),
    )


def _grid_of(entry, grids):
    sheets = {grid.sheet: grid for grid in grids}
    name = entry.get("sheet", grids[0].sheet)
    if name not in sheets:
        has = ", ".join(repr(sheet) for sheet in sheets if sheet) or "one without a name"
        raise AdoptError(f"the file has no sheet {name!r}; it has {has}")
    return sheets[name]


def _by_table(made, of):
    """Table to what `of(sheet, frame)` gives of each frame made for it, one below the other."""
    names = dict.fromkeys(to for to, _, _ in made)
    return {
        name: pd.concat([of(*rest) for to, *rest in made if to == name], ignore_index=True)
        for name in names
    }


def _joined(frames, columns):
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=columns)


def _ordered(name, frame):
    return frame[[c.name for c in schema.TABLES[name] if c.name in frame]]
