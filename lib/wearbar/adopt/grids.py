"""A person's file as grids of text: a CSV with any delimiter, or each sheet of a workbook."""

import csv
import io
import re
from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from wearbar.log.sources import LogError

__all__ = ["Grid", "headings", "read_grids"]

DELIMITERS = (
    "\t;|,"  # where two serve alike, the one that stands within numbers and sentences least often
)
LOOK_AT = 50
WORKBOOKS = (".xlsx", ".xlsm")


@dataclass(frozen=True)
class Grid:
    """One sheet.

    cells: a frame of text (missing NaN), its index the lines of the file, blank ones left out, its columns numbered from 0.
    typed: a frame alike, True where the file itself holds a number. note: what was odd in reading it.
    """

    sheet: str
    cells: pd.DataFrame
    typed: pd.DataFrame
    note: str = ""


def read_grids(path):
    """The sheets of a CSV file or workbook, in order, those without a cell left out. Raises LogError in one sentence."""
    path = Path(path)
    if not path.is_file():
        raise LogError(f"There is no file {path}; give the spreadsheet to adopt.")
    grids = _of_workbook(path) if path.suffix.casefold() in WORKBOOKS else [_of_csv(path)]
    found = [grid for grid in grids if not grid.cells.empty]
    if not found:
        raise LogError(f"{path.name} holds no cell.")
    return found


def headings(cells, lines):
    """Name of each column to its place, from the lines that head it: a cell of the upper lines counts for the blank ones right of it.

    Two alike differ by their place, counted from 1.
    """
    head = cells.loc[[line for line in cells.index if line in lines]]
    if len(head) > 1:
        head = pd.concat([head.iloc[:-1].ffill(axis=1), head.iloc[-1:]])
    names = {}
    for place in head.columns:
        words = dict.fromkeys(" ".join(str(v).split()) for v in head[place].dropna())
        name = " ".join(word for word in words if word)
        if name:
            names[f"{name} ({place + 1})" if name in names else name] = place
    return names


def _of_csv(path):
    data = path.read_bytes()
    if data[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"%PDF", b"PAR1") or _is_binary(data):
        raise LogError(
            f"{path.name} is not a text file, whatever its ending says; save it as CSV or .xlsx."
        )
    text, note = _decoded(data)
    csv.field_size_limit(2**31 - 1)
    delimiter = _delimiter(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows, lines, begun = [], [], 0
    try:
        for row in reader:
            rows.append(row)
            lines.append(begun + 1)
            begun = reader.line_num
    except csv.Error:
        raise LogError(
            f"{path.name}, line {begun + 1}: a double quote there is not closed, or text follows it; mend the line."
        ) from None
    if rows and re.fullmatch(r"(?i)sep=.?", "".join(rows[0])):
        rows[0] = []
    return Grid("", *_frames(rows, lines, [[False] * len(row) for row in rows]), note)


def _is_binary(data):
    return data[:2] not in (b"\xff\xfe", b"\xfe\xff") and data.count(b"\0") * 10 > len(data) + 9


def _decoded(data):
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", "replace"), ""
    try:
        return data.decode("utf-8-sig"), ""
    except UnicodeDecodeError:
        return data.decode(
            "cp1252", "replace"
        ), "it is not UTF-8, and was read as Windows-1252: look at the letters with accents."


def _delimiter(text):
    """The delimiter by which most of the first lines have the same number of cells, more than one."""
    head = list(zip(range(LOOK_AT), io.StringIO(text, newline=""), strict=False))
    lines = [line for _, line in head if line.strip()]
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
    return [
        _of_sheet(sheet, formulas[sheet.title] if formulas else None) for sheet in book.worksheets
    ]


def _of_sheet(sheet, formulas):
    """A cell merged downwards counts for each row, unless it is a number: a sum that stands once is one sum."""
    rows = [list(row) for row in sheet.iter_rows(values_only=True)]
    if formulas:
        for row, unworked in zip(rows, formulas.iter_rows(values_only=True), strict=False):
            row[:] = [
                _unworked(cell) if value is None else value
                for value, cell in zip(row, unworked, strict=False)
            ]
    for area in sheet.merged_cells.ranges:
        top, value = area.min_row - 1, rows[area.min_row - 1][area.min_col - 1]
        if isinstance(value, str | date):
            for row in rows[top : area.max_row]:
                row[area.min_col - 1] = value
    numbers = [
        [isinstance(value, int | float) and not isinstance(value, bool) for value in row]
        for row in rows
    ]
    return Grid(
        sheet.title,
        *_frames(
            [[_as_text(value) for value in row] for row in rows], range(1, len(rows) + 1), numbers
        ),
    )


def _unworked(cell):
    return cell if isinstance(cell, str) and cell.startswith("=") else None


def _as_text(value):
    if value is None:
        return ""
    if isinstance(value, datetime | date):
        return f"{value:%Y-%m-%d}"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return ("yes" if value else "no") if isinstance(value, bool) else str(value)


def _frames(rows, lines, numbers):
    width = max((len(row) for row in rows), default=0)
    padded = [
        [cell if cell.strip() else None for cell in row] + [None] * (width - len(row))
        for row in rows
    ]
    index = pd.Index(list(lines), name="line", dtype="int64")
    cells = pd.DataFrame(padded, index=index, columns=range(width), dtype=object)
    typed = pd.DataFrame(
        [row + [False] * (width - len(row)) for row in numbers],
        index=index,
        columns=range(width),
        dtype=bool,
    )
    filled = np.asarray(cells.notna().any(axis=1))
    return cells[filled], typed[filled]
