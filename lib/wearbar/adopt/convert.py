"""A spreadsheet and its map become the tables of a log, written to a new folder and read back.

Every row is carried over or listed.
"""

from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd

from wearbar.adopt.maps import AdoptError, check_map
from wearbar.adopt.pick import LEFT_OUT, UNDERSTOOD, UNNAMED, left_out, pick
from wearbar.adopt.values import CHANGED, own_units, plain_word, table_of
from wearbar.log import read_log, schema, write_tables


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
    """The `Adopted` log of a file's sheets by a map. Raises AdoptError where that is not whole."""
    check_map(mapping)
    header = {key: value for key, value in mapping["log"].items() if value != ""}
    parts = [pick(_grid_of(entry, grids), entry) for entry in mapping["table"]]
    own, made, turned = own_units(mapping, parts), {}, []
    for part in parts:
        frame, changed = table_of(part, header, own)
        made.setdefault(part.entry["to"], []).append((part.sheet, frame))
        turned += changed
    if vehicles := mapping.get("vehicle"):
        told = [{name: plain_word(value) for name, value in one.items()} for one in vehicles]
        told = pd.DataFrame(told, range(1, len(told) + 1), dtype=schema.TEXT)
        made.setdefault("vehicles", []).append(("the map", told))
    whole = {to: _below(frames) for to, frames in made.items()}
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
        {to: _in_order(to, rows.reset_index(drop=True)) for to, rows in whole.items()},
        {to: rows.index.to_frame(index=False) for to, rows in whole.items()},
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


def _below(frames):
    """The frames of (sheet, frame by line) one below the other, by sheet and line."""
    sheets, frames = zip(*frames, strict=True)
    return pd.concat(frames, keys=sheets, names=["sheet", "line"])


def _in_order(name, frame):
    return frame[[c.name for c in schema.TABLES[name] if c.name in frame]]


def _joined(frames, columns):
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=columns)


def keep(adopted, folder, record="", today=None):
    """Write an `Adopted` to a new folder, `record` as its ADOPTED.md; the `ServiceLog` read there.

    Raises AdoptError where the folder has something in it, LogError where the tables are no log;
    nothing is written then.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        mend = "give a new folder, so that nothing of yours is written over"
        raise AdoptError(f"{folder} is not empty; {mend}")
    folder.parent.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix=".part-", dir=folder.parent) as work:
        part = Path(work) / folder.name
        write_tables(adopted.tables, adopted.header, part)
        (part / "ADOPTED.md").write_text(record, encoding="utf-8")
        read_log(part, today=today)
        if folder.exists():
            folder.rmdir()
        part.rename(folder)
    return read_log(folder, today=today)


def places_of(adopted, log):
    """Where each row stood: a frame `table, line, sheet, sheet_line`; `line` is the log's."""
    found = [
        pd.DataFrame({"table": name, "line": log.origin.tables[name]().lines}).assign(
            sheet=place["sheet"], sheet_line=place["line"]
        )
        for name, place in adopted.places.items()
    ]
    return pd.concat(found, ignore_index=True)
