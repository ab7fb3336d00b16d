"""One Excel workbook: a sheet a table; the header in a sheet named log (key, value) or in log.toml beside it.

What a formula last came to is read, never the formula run; macros are not looked at.
"""

import html
import re
import zipfile
from dataclasses import replace
from functools import partial

import pandas as pd

from wearbar.log.schema import TABLES, table_of
from wearbar.log.sources.header import read_header
from wearbar.log.sources.raw import LogError, Source, header_names, raw_of_frame, same_table

__all__ = ["held_cells", "load_whole", "open_workbook"]

MOST_BYTES = 2**31
MOST_CELLS = 2 * 10**8
SQUEEZED = 300
SMALL = 64 * 2**20
MOST_WHOLE = 128 * 2**20
MOST_CELLS_WHOLE = 5 * 10**6


def open_workbook(path):
    """The `Source` in a workbook. Raises LogError for what is none, is encrypted, or would unpack to more than a log can hold."""
    _look(path)
    book = _load(path)
    _all_there(path, book)
    sheets = {}
    for name in book.sheetnames:
        if table_of(name) in sheets:
            raise same_table(sheets[table_of(name)], name, f"{path.name}: sheets ")
        sheets[table_of(name)] = name
    header = read_header(path.with_name("log.toml"))
    if "log" in sheets:
        header = _header(book[sheets.pop("log")], path.name)
    tables = {
        name: partial(_read, path, book, sheet) for name, sheet in sheets.items() if name in TABLES
    }
    strange = tuple(f"sheet {sheet}" for name, sheet in sheets.items() if name not in TABLES)
    return Source(path.stem, header, tables, strange, path.parent)


def _all_there(path, book):
    """Raise LogError for a sheet that the workbook names and does not hold: it would be missed in silence."""
    with zipfile.ZipFile(path) as archive:
        listed = re.findall(rb"<(?:\w+:)?sheet\s[^>]*", archive.read("xl/workbook.xml"))
    names = [
        html.unescape(found[1].decode("utf-8", "replace"))
        for tag in listed
        if (found := re.search(rb'\sname="([^"]*)"', tag))
    ]
    lost = [name for name in names if name not in book.sheetnames]
    if lost:
        raise LogError(
            f"{path.name}, sheet {lost[0][:60]} can't be read: it is damaged or not there; open the workbook and save it again."
        )


def held_cells(path):
    """The tables of a workbook that `open_workbook` has taken, name to frame of its cells as it holds them: text, numbers, days."""
    book = _load(path)
    return {
        name: _frame(path, book, sheet)[0]
        for sheet in book.sheetnames
        if (name := table_of(sheet)) in TABLES
    }


def load_whole(path):
    """A workbook held in memory, which knows its merged cells: as a pair, with what formulas last came to, and with the formulas (or None).

    Raises LogError as `open_workbook` does, and where the whole is too large for it.
    """
    _look(path, MOST_WHOLE)
    book = _load(path, read_only=False)
    for sheet in book.worksheets:
        if sheet.max_row * sheet.max_column > MOST_CELLS_WHOLE:
            reach = f"{sheet.max_row:,} rows by {sheet.max_column:,} columns"
            raise LogError(
                f"{path.name}, sheet {sheet.title} reaches over {reach}; delete the empty ones beyond its last cell."
            )
    return book, _load(path, data_only=False, read_only=False) if _has_formulas(path) else None


def _look(path, most_bytes=MOST_BYTES):
    with path.open("rb") as file:
        if file.read(4) == b"\xd0\xcf\x11\xe0":
            raise LogError(
                f"{path.name} is encrypted, or an old workbook (.xls); save it as .xlsx without a password."
            )
    try:
        with zipfile.ZipFile(path) as archive:
            parts = archive.infolist()
    except (zipfile.BadZipFile, NotImplementedError, OSError):
        raise LogError(
            f"{path.name} is not a workbook, whatever its ending says; save it as .xlsx."
        ) from None
    whole = sum(p.file_size for p in parts)
    bomb = any(
        p.file_size > SMALL and p.file_size > SQUEEZED * max(p.compress_size, 1) for p in parts
    )
    if bomb or whole > most_bytes:
        raise LogError(
            f"{path.name} would unpack to {whole / 2**20:,.0f} MB; that is no service log."
        )


def _load(path, data_only=True, read_only=True):
    import openpyxl

    try:
        return openpyxl.load_workbook(path, read_only=read_only, data_only=data_only)
    except Exception as error:  # openpyxl lets whatever a damaged file makes go wrong through
        raise LogError(
            f"{path.name} can't be read as a workbook ({type(error).__name__}); open it and save it again as .xlsx."
        ) from None


def _rows(sheet, where):
    try:
        sheet.reset_dimensions()
        return _within_reason((tuple(row) for row in sheet.iter_rows(values_only=True)), where)
    except LogError:
        raise
    except Exception as error:  # as above
        raise LogError(
            f"{where} can't be read ({type(error).__name__}); open the workbook and save it again as .xlsx."
        ) from None


def _within_reason(rows, where):
    kept, cells = [], 0
    for row in rows:
        cells += len(row)
        if cells > MOST_CELLS:
            raise LogError(f"{where} has more than {MOST_CELLS:,} cells; that is no service log.")
        kept.append(row)
    return kept


def _header(sheet, name):
    rows = [row[:2] for row in _rows(sheet, f"{name}, sheet log") if row and row[0] is not None]
    if rows and str(rows[0][0]).strip().casefold() == "key":
        rows = rows[1:]
    header = {
        str(row[0]).strip().casefold(): row[1]
        for row in rows
        if len(row) == 2 and row[1] is not None
    }
    return {key: value.date() if hasattr(value, "date") else value for key, value in header.items()}


def _read(path, book, name):
    frame, beyond = _frame(path, book, name)
    problems = tuple((line, "", extra[0], "row-length") for line, extra in beyond.items())
    return replace(raw_of_frame(frame), problems=problems, beyond=beyond)


def _frame(path, book, name):
    where = f"{path.name}, sheet {name}"
    rows = _rows(book[name], where)
    if not rows or not any(cell is not None for cell in rows[0]):
        raise LogError(f"{where}, line 1 is blank; the header row must stand there.")
    width = max(i for i, cell in enumerate(rows[0], start=1) if cell is not None)
    names = header_names(rows[0][:width], where)
    filled = [
        line
        for line, row in enumerate(rows, start=1)
        if line > 1 and any(cell not in (None, "") for cell in row)
    ]
    beyond = {
        line: [str(cell) for cell in rows[line - 1][width:] if cell is not None] for line in filled
    }
    beyond = {line: cells for line, cells in beyond.items() if "".join(cells).strip()}
    cells = [(*rows[line - 1][:width], *(None,) * (width - len(rows[line - 1]))) for line in filled]
    frame = pd.DataFrame(
        cells, columns=names, index=pd.Index(filled, name="line", dtype="int64"), dtype=object
    )
    if _has_formulas(path):
        _show_unworked(frame, _rows(_load(path, data_only=False)[name], where))
    return frame, beyond


def _has_formulas(path):
    with zipfile.ZipFile(path) as archive:
        return any(
            b"<f>" in archive.read(p) or b"<f " in archive.read(p)
            for p in archive.namelist()
            if p.startswith("xl/worksheets/")
        )


def _show_unworked(frame, rows):
    """A formula that was never worked out stands as its own text, so that no number is lost unseen."""
    for line in frame.index[frame.isna().any(axis=1)]:
        for at, cell in enumerate(rows[line - 1][: frame.shape[1]]):
            if (
                isinstance(cell, str)
                and cell.startswith("=")
                and pd.isna(frame.at[line, frame.columns[at]])
            ):
                frame.at[line, frame.columns[at]] = cell
