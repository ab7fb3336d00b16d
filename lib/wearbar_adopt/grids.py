"""A person's file as grids of text, what heads a grid, and which of its rows a [[table]] takes."""

import csv
import io
import re
from collections import Counter
from dataclasses import dataclass
from datetime import date
from itertools import accumulate, islice
from pathlib import Path

import numpy as np
import pandas as pd

from wearbar.log import schema
from wearbar.log.sources import WORKBOOKS
from wearbar.log.sources.csv_file import NOT_CSV, UTF_16
from wearbar.log.sources.raw import LogError, fault, text_of
from wearbar.log.sources.workbook import whole_sheets
from wearbar_adopt.cells import (
    ASK,
    INSIDE,
    LABELS,
    LEAVE,
    SAYS,
    either,
    is_day,
    plain_letters,
    values,
)
from wearbar_adopt.heads import heading
from wearbar_adopt.marks import DONE, is_mark, said
from wearbar_adopt.sections import vehicles

DELIMITERS = "\t;|,"  # of two that serve alike, the one least often in numbers and sentences
HALF_OF, CENT = 0.5, 0.011  # of the rows that must have a day; of two sums that are alike
LOOK_AT, MOST_SUMS, HEAD = 50, 50, 20  # lines for the delimiter, for sums, for the header
TOTAL, PERIOD, UNIT_ROW = LABELS.values()
_DIGIT = re.compile(r"\d")
ABOVE, AGAIN, TOTALS, TITLE, BLANK, UNNAMED, NOT_DONE, NEW_CELL, NEW_TITLE, NOTHING, BEYOND = SAYS[
    "left_out"
].values()
UNDERSTOOD = (ABOVE, AGAIN, TOTALS, TITLE, BLANK, UNNAMED, NOT_DONE)
LEFT_OUT = ["sheet", "line", "why", "text"]


@dataclass(frozen=True)
class Grid:
    """One sheet."""

    sheet: str
    cells: pd.DataFrame  # text by line of the file, without blank lines; columns count from 0
    typed: pd.DataFrame  # alike: whether the file itself holds a number there
    note: str = ""  # what was odd


@dataclass
class Part:
    """One [[table]] of the map on its way."""

    entry: dict
    sheet: str
    picked: pd.DataFrame  # cells by line, the table's own columns
    typed: pd.DataFrame  # whether the file itself holds a number there
    left: list  # of the rows left out, `LEFT_OUT` each
    passed_over: list  # (sheet, heading, cells) of the other columns

    @property
    def heads(self):
        """The headings of the columns that it takes."""
        return [*self.entry["columns"], *filter(None, [self.entry.get("of")])]

    def named(self, *kinds):
        """The names of the picked columns of these kinds."""
        return [n for n in self.picked if schema.column(self.entry["to"], n).kind in kinds]


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
    if data.startswith((*NOT_CSV,)) or is_binary:
        raise fault("no_text", name=path.name)
    text, note = decoded(data)
    csv.field_size_limit(2**31 - 1)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    rows, begun = {}, 0  # by the line that each begins on
    try:
        for row in reader:
            rows[begun + 1] = row
            begun = reader.line_num
    except csv.Error:
        raise fault("open_quote", name=path.name, line=begun + 1) from None
    if rows and re.fullmatch(r"(?i)sep=.?", "".join(rows[1])):
        rows[1] = []
    return _grid("", rows, note)


def decoded(data):
    """(the text of a file, what is odd of its letters)."""
    if data.startswith(UTF_16):
        return data.decode("utf-16", "replace"), ""
    try:
        return data.decode("utf-8-sig"), ""
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace"), SAYS["look"]["letters"]


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
    """A cell merged downwards counts for each row, unless it is a number: that may be a sum."""
    for title, rows, merged in whole_sheets(path):
        for area in merged:
            place = area.min_col - 1
            if isinstance(value := rows[area.min_row][place], str | date):
                for line in range(area.min_row, min(area.max_row, len(rows)) + 1):
                    rows[line][place] = value
        yield _grid(title, rows)


def _grid(sheet, rows, note=""):
    """rows: line to its values."""
    texts = {line: [*map(_as_text, row)] for line, row in rows.items()}
    lines = [line for line, row in texts.items() if any(row)]
    width = max(map(len, rows.values()), default=0)
    cells = np.full((len(lines), width), None, dtype=object)
    typed = np.zeros(cells.shape, dtype=bool)
    for at, line in enumerate(lines):
        cells[at, : len(rows[line])] = texts[line]
        typed[at, : len(rows[line])] = [type(value) in (int, float) for value in rows[line]]
    index = pd.Index(lines, name="line", dtype="int64")
    return Grid(sheet, pd.DataFrame(cells, index, dtype=object), pd.DataFrame(typed, index), note)


def _as_text(value):
    text = text_of(value)
    return text if text and text.strip() else None


def header_lines(cells):
    """The lines that head the columns, [] where none does: that of which most cells are known
    headings, groups of columns right above it, and what parts its own groups right below it."""
    look = cells.head(HEAD)
    rows = dict(zip(look.index.tolist(), look.to_numpy().tolist(), strict=True))
    held = {line: [c for c in row if c is not None] for line, row in rows.items()}
    heads = ((c for c in row if not INSIDE.search(c) and not is_mark(c)) for row in held.values())
    known = [sum(heading(cell) != "" for cell in row) for row in heads]
    if max(known, default=0) < 2:
        return []
    best = look.index.tolist()[np.argmax(known)]
    head, above, below = rows[best], held.get(best - 1, ()), held.get(best + 1, ())
    is_grouped = len(above) > 1 and not any(map(_DIGIT.search, above))
    lines = [best - 1, best] if is_grouped else [best]
    if below:
        # a line that only names columns under cells of the head that reach over several
        first = next(k for k, cell in enumerate(head) if cell is not None)
        blank = [k > first and cell is None for k, cell in enumerate([*head, ""])]
        at = [(k, cell) for k, cell in enumerate(rows[best + 1]) if cell is not None]
        fits = all(blank[k] or blank[k + 1] or cell == head[k] for k, cell in at)
        fits = fits and any(blank[k] for k, _ in at) and not any(map(_DIGIT.search, below))
        is_unit = all(UNIT_ROW.fullmatch(plain_letters(cell).strip()) for cell in below)
        lines += [best + 1] if fits or is_unit else []
    return lines


def headings(cells, lines):
    """Name of each column to its place: a cell of the upper lines counts for the blank ones right
    of it; two alike differ by their place, counted from 1."""
    *upper, last = cells[cells.index.isin(lines)].to_numpy().tolist() or [[]]
    upper = [
        list(accumulate(row, lambda left, cell: left if cell is None else cell)) for row in upper
    ]
    names = {}
    for place, told in enumerate(zip(*upper, last, strict=True)):
        words = dict.fromkeys(" ".join(cell.split()) for cell in told if cell is not None)
        name = " ".join(word for word in words if word)
        if name:
            names[f"{name} ({place + 1})" if name in names else name] = place
    return names


def pick(grid, entry):
    """The `Part` of a sheet by a [[table]]. Raises LogError where it has no such column."""
    cells, lines = grid.cells, entry["header_lines"]
    columns = {head: name for head, name in entry["columns"].items() if name not in (ASK, LEAVE)}
    names, where = headings(cells, lines), f"sheet {grid.sheet!r}" if grid.sheet else "the file"
    wanted = [_place(names, name, where, lines) for name in columns]
    is_head = cells.index.isin(lines)
    rows, head = cells[~is_head], cells[is_head]
    if of := entry.get("of"):  # a column of marks: its filled cells alone
        rows = rows[rows[_place(names, of, where, lines)].notna()]
    picked = rows[wanted].set_axis(list(columns.values()), axis=1)
    typed = grid.typed.loc[rows.index, wanted].set_axis(picked.columns, axis=1)
    held, has, line_of = rows.to_numpy(), rows.notna().to_numpy(), rows.index.to_numpy()
    # why a row is left out, "" where it is not; the last that holds counts
    why = np.full(len(rows), "", dtype=object)
    if entry["to"] == "measurements" and "value" in picked:
        why[picked["value"].isna().to_numpy()] = BLANK
    why[~has[:, wanted].any(axis=1)] = NOTHING
    if of:
        _read_marks(rows[names[of]], grid.typed[names[of]], entry, picked, typed, why)
    _leave_labels(held, has, picked, entry, why)
    if sections := entry.get("sections"):
        name_of, told, untold = vehicles(cells, lines, sections)
        picked["vehicle"], typed["vehicle"] = name_of[rows.index], False
        why[rows.index.isin(told)], why[rows.index.isin(untold)] = TITLE, NEW_TITLE
    for line in head.to_numpy():
        why[(held == line).all(axis=1)] = AGAIN
    why[line_of < max(head.index, default=0)] = ABOVE
    if not grid.sheet:
        why[(why == "") & has[:, max(names.values()) + 1 :].any(axis=1)] = BEYOND
    is_kept = why == ""
    heads = {place: f"column {place + 1}" for place in cells} | {p: n for n, p in names.items()}
    filled = enumerate(has[is_kept].sum(axis=0).tolist())
    passed_over = [(grid.sheet, heads[k], n) for k, n in filled if n and k not in wanted]
    left = left_out(grid.sheet, rows[~is_kept], why[~is_kept])
    return Part(entry, grid.sheet, picked[is_kept], typed[is_kept], left, passed_over)


def _place(names, name, where, lines):
    if name not in names:
        has = ", ".join(names) or "none"
        raise LogError(f"{where} has no column {name!r} on line {lines[-1]}; it has {has}")
    return names[name]


def _read_marks(cells, is_typed, entry, picked, typed, why):
    """Say in `why` which marks are none; give each cell that says more to the column it is for."""
    meant = said(cells, entry["cells"])
    why[meant.eq(LEAVE).to_numpy()], why[meant.isna().to_numpy()] = NOT_DONE, NEW_CELL
    for name in {*meant.dropna()} - {DONE, LEAVE}:
        rows = meant.eq(name)
        picked[name] = cells.where(rows, picked.get(name))
        typed[name] = is_typed[rows.index].where(rows, typed.get(name, False))


def _leave_labels(held, has, picked, entry, why):
    """Say in `why` which rows are titles or totals: their first cell says so, and no cell is a
    day; or they are sums of the rows above that have one. held, has: all cells of the rows, and
    which are filled."""
    named = [n for n in picked if schema.column(entry["to"], n).kind == "date"]
    if not named or picked.empty:
        return
    day = is_day(picked[named[0]])
    is_dated = day.mean() >= HALF_OF
    first = [plain_letters(row[k]).strip() for row, k in zip(held, has.argmax(axis=1), strict=True)]
    is_label, is_number, is_wordy = np.zeros((3, len(first)), dtype=bool)
    for k, (text, where) in enumerate(zip(first, picked[named[0]], strict=True)):
        is_number[k] = bool(either([text], "point")[0][0])
        is_wordy[k] = is_dated and not is_number[k] and not _DIGIT.search(text)
        if not day[k] and (TOTAL.search(text) or (is_dated and PERIOD.fullmatch(text))):
            there = plain_letters(where).strip() if isinstance(where, str) else text
            is_label[k] = there == text or bool(TOTAL.search(there))
    is_alone = has[:, 0] & (has.sum(axis=1) == 1) & (picked.shape[1] > 1)
    why[is_label] = TOTALS
    why[is_alone & ~day & (is_label | is_wordy)] = TITLE
    for k in np.flatnonzero(~day & is_number & (why == ""))[:MOST_SUMS]:
        above, at = held[:k][day[:k]][:, has[k]], held[k, has[k]]
        mine = values(at, entry.get("decimal"))
        sums = [np.nansum(values(column, entry.get("decimal"))) for column in above.T]
        if len(above) and (np.abs(mine - sums) <= CENT).all():
            why[k] = TOTALS


def left_out(sheet, rows, why):
    """A list of `LEFT_OUT` of the rows of a sheet; why: one reason for all, or each one's."""
    whys = [why] * len(rows) if isinstance(why, str) else why
    told = zip(rows.index, whys, rows.to_numpy().tolist(), strict=True)
    return [(sheet, k, why, " | ".join(c for c in row if c is not None)) for k, why, row in told]
