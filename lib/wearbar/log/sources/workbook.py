"""One Excel workbook: a sheet a table; the header in a sheet named log (key, value) or in log.toml.
What a formula last came to is read, never the formula run; macros are not looked at."""

import html
import re
import zipfile

import openpyxl

from wearbar.log.schema import TABLES, table_of
from wearbar.log.sources.header import source_in
from wearbar.log.sources.raw import LogError, fault, header_names, raw_of_rows

MOST_BYTES, MOST_CELLS = 2**31, 2 * 10**8
MOST_WHOLE, MOST_CELLS_WHOLE = 128 * 2**20, 5 * 10**6  # in memory at once
SQUEEZED, SMALL = 300, 64 * 2**20  # a part larger than that is never squeezed so far


def open_workbook(path):
    """The `Source` in a workbook. LogError for what is none, encrypted, or too large."""
    _look(path)
    book = _load(path)
    # a sheet that is named and not there would be missed in silence
    with zipfile.ZipFile(path) as archive:
        listed = re.findall(rb"<(?:\w+:)?sheet\s[^>]*", archive.read("xl/workbook.xml"))
    named = [found[1] for tag in listed if (found := re.search(rb'\sname="([^"]*)"', tag))]
    for name in (html.unescape(name.decode("utf-8", "replace")) for name in named):
        if name not in book.sheetnames:
            raise _damaged(f"{path.name}, sheet {name[:60]}", "(damaged or not there)")

    def read(sheet):
        if table_of(sheet) == "log":  # whose first line need not name its columns
            rows = _rows(book[sheet], f"{path.name}, sheet {sheet}")
            return raw_of_rows(["key", "value"], dict(enumerate(rows)))
        return raw_of_rows(*_cells(path, book, sheet))

    return source_in(path.stem, path.name, "sheet", book.sheetnames, read, path.parent)


def held_cells(path):
    """The tables of a workbook: table to column to cells as it holds them: text, numbers, days."""
    book, found = _load(path), {}
    for sheet in book.sheetnames:
        if (table := table_of(sheet)) in TABLES:
            names, rows = _cells(path, book, sheet)
            found[table] = {name: [row[i] for row in rows.values()] for i, name in enumerate(names)}
    return found


def whole_sheets(path):
    """Each sheet in memory, which knows its merged cells: (title, line to its values, merged).
    Raises LogError as `open_workbook` does, and where the whole is too large for it."""
    _look(path, MOST_WHOLE)
    book = _load(path, read_only=False)
    for sheet in book.worksheets:
        if sheet.max_row * sheet.max_column > MOST_CELLS_WHOLE:
            where, size = f"{path.name}, sheet {sheet.title}", (sheet.max_row, sheet.max_column)
            raise fault("far_cells", where=where, rows=size[0], columns=size[1])
    formulas = _load(path, data_only=False, read_only=False) if _has_formulas(path) else None
    for sheet in book.worksheets:
        rows = dict(enumerate(map(list, sheet.iter_rows(values_only=True)), start=1))
        if formulas:
            _show_unworked(rows, list(formulas[sheet.title].iter_rows(values_only=True)))
        yield sheet.title, rows, sheet.merged_cells.ranges


def _look(path, most_bytes=MOST_BYTES):
    with path.open("rb") as file:
        if file.read(4) == b"\xd0\xcf\x11\xe0":
            raise fault("encrypted", name=path.name)
    try:
        with zipfile.ZipFile(path) as archive:
            parts = archive.infolist()
    except (zipfile.BadZipFile, NotImplementedError, OSError):
        raise fault("no_workbook", name=path.name) from None
    whole = sum(p.file_size for p in parts)
    squeezed = (p.file_size / max(p.compress_size, 1) for p in parts if p.file_size > SMALL)
    if whole > most_bytes or max(squeezed, default=0) > SQUEEZED:
        raise fault("too_large", name=path.name, size=f"{whole / 2**20:,.0f} MB")


def _load(path, data_only=True, read_only=True):
    try:
        return openpyxl.load_workbook(path, read_only=read_only, data_only=data_only)
    except Exception as error:  # openpyxl lets whatever a damaged file makes go wrong through
        raise _damaged(path.name, f"as a workbook ({type(error).__name__})") from None


def _damaged(where, why):
    return LogError(f"{where} can't be read {why}; open the workbook and save it again as .xlsx.")


def _rows(sheet, where):
    kept, cells = [], 0
    try:
        sheet.reset_dimensions()
        for row in sheet.iter_rows(values_only=True):
            kept.append(row)
            cells += len(row)
            if cells > MOST_CELLS:
                break
    except Exception as error:  # as above
        raise _damaged(where, f"({type(error).__name__})") from None
    if cells > MOST_CELLS:
        raise LogError(f"{where} has more than {MOST_CELLS:,} cells; that is no service log.")
    return kept


def _cells(path, book, name):
    """(the header of a sheet, line to the cells of each row that has any)."""
    where = f"{path.name}, sheet {name}"
    head, *rows = _rows(book[name], where) or [()]
    filled = [i for i, cell in enumerate(head, start=1) if cell is not None]
    if not filled:
        raise fault("blank_header", where=where)
    names = header_names(head[: max(filled)], where)
    cells = {
        line: [*row, *[None] * (len(names) - len(row))]
        for line, row in enumerate(rows, start=2)
        if any(cell not in (None, "") for cell in row)
    }
    if _has_formulas(path):
        _show_unworked(cells, _rows(_load(path, data_only=False)[name], where), len(names))
    return names, cells


def _has_formulas(path):
    with zipfile.ZipFile(path) as archive:
        sheets = (p for p in archive.namelist() if p.startswith("xl/worksheets/"))
        return any(re.search(b"<f[> ]", archive.read(sheet)) for sheet in sheets)


def _show_unworked(cells, rows, width=None):
    """A formula that was never worked out stands as its own text: no number is lost unseen."""
    for line, row in cells.items():
        for at, cell in enumerate(rows[line - 1][:width]):
            if row[at] is None and isinstance(cell, str) and cell.startswith("="):
                row[at] = cell
