"""A person's file as grids of text: a CSV with any delimiter, or each sheet of a workbook."""

import csv
import io
import re
from collections import Counter
from dataclasses import dataclass
from datetime import date
from itertools import islice
from pathlib import Path

import pandas as pd

from wearbar.log.sources import LogError

__all__ = ["Grid", "read_grids"]

DELIMITERS = "\t;|,"  # of two that serve alike, the one least often in numbers and sentences
LOOK_AT = 50
WORKBOOKS = (".xlsx", ".xlsm")
UTF_16 = (b"\xff\xfe", b"\xfe\xff")
NO_TEXT = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"%PDF", b"PAR1")


@dataclass(frozen=True)
class Grid:
    """One sheet.

    cells: a frame of text, its index the lines of the file, blank ones left out, its columns
    numbered from 0. typed: alike, True where the file itself holds a number. note: what was odd.
    """

    sheet: str
    cells: pd.DataFrame
    typed: pd.DataFrame
    note: str = ""


def read_grids(path):
    """The sheets of a CSV file or workbook that hold a cell. Raises LogError in one sentence."""
    path = Path(path)
    if not path.is_file():
        raise LogError(f"There is no file {path}; give the spreadsheet to adopt.")
    grids = _of_workbook(path) if path.suffix.casefold() in WORKBOOKS else [_of_csv(path)]
    found = [grid for grid in grids if not grid.cells.empty]
    if not found:
        raise LogError(f"{path.name} holds no cell.")
    return found


def _of_csv(path):
    data = path.read_bytes()
    is_binary = not data.startswith(UTF_16) and data.count(b"\0") * 10 > len(data) + 9
    if data.startswith(NO_TEXT) or is_binary:
        raise LogError(
            f"{path.name} is not a text file, whatever its ending says; save it as CSV or .xlsx."
        )
    text, note = _decoded(data)
    csv.field_size_limit(2**31 - 1)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    rows, begun = {}, 0  # by the line that each begins on
    try:
        for row in reader:
            rows[begun + 1] = row
            begun = reader.line_num
    except csv.Error:
        fault = "a double quote there is not closed, or text follows it; mend the line."
        raise LogError(f"{path.name}, line {begun + 1}: {fault}") from None
    if rows and re.fullmatch(r"(?i)sep=.?", "".join(rows[1])):
        rows[1] = []
    return _grid("", rows, note)


def _decoded(data):
    if data.startswith(UTF_16):
        return data.decode("utf-16", "replace"), ""
    try:
        return data.decode("utf-8-sig"), ""
    except UnicodeDecodeError:
        note = "it is not UTF-8, and was read as Windows-1252: look at the letters with accents."
        return data.decode("cp1252", "replace"), note


def _delimiter(text):
    """That by which most of the first lines have the same number of cells, more than one."""
    lines = [line for line in islice(io.StringIO(text, newline=""), LOOK_AT) if line.strip()]
    said = re.match(r"(?i)sep=(.)", lines[0]) if lines else None
    if said and said[1] in DELIMITERS:
        return said[1]

    def agreeing(delimiter):
        widths = Counter(len(row) for row in csv.reader(lines, delimiter=delimiter) if len(row) > 1)
        return max(widths.values(), default=0)

    return max(DELIMITERS, key=agreeing)


def _of_workbook(path):
    from wearbar.log.sources.workbook import load_whole

    book, formulas = load_whole(path)
    return [_of_sheet(page, formulas[page.title] if formulas else None) for page in book.worksheets]


def _of_sheet(sheet, formulas):
    """A cell merged downwards counts for each row, unless it is a number: that may be a sum."""
    rows = [list(row) for row in sheet.iter_rows(values_only=True)]
    if formulas:
        for row, cells in zip(rows, formulas.iter_rows(values_only=True), strict=False):
            row[:] = [
                cell if value is None and str(cell).startswith("=") else value
                for value, cell in zip(row, cells, strict=False)
            ]
    for area in sheet.merged_cells.ranges:
        top, place = area.min_row - 1, area.min_col - 1
        if isinstance(value := rows[top][place], str | date):
            for row in rows[top : area.max_row]:
                row[place] = value
    return _grid(sheet.title, dict(enumerate(rows, start=1)))


def _grid(sheet, rows, note=""):
    """rows: line to its values."""
    index = pd.Index(list(rows), name="line", dtype="int64")
    text = [[_as_text(value) for value in row] for row in rows.values()]
    typed = [[type(value) in (int, float) for value in row] for row in rows.values()]
    cells = pd.DataFrame(text, index, dtype=object)
    typed = pd.DataFrame(typed, index).eq(True)
    filled = cells.notna().any(axis=1).to_numpy(dtype=bool)
    return Grid(sheet, cells[filled], typed[filled], note)


def _as_text(value):
    """A cell's text as a person typed it, None where it is blank."""
    if isinstance(value, date):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value) if value is not None and str(value).strip() else None
