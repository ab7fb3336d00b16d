"""A person's file as grids of text, what heads a grid, and which of its rows a [[table]] takes."""

import csv
import io
import re
from collections import Counter
from dataclasses import dataclass
from datetime import date
from itertools import islice, zip_longest
from pathlib import Path

import numpy as np
import pandas as pd

from wearbar.log import schema
from wearbar.log.sources import WORKBOOKS
from wearbar.log.sources.csv_file import NOT_CSV, UTF_16
from wearbar.log.sources.raw import LogError, fault, text_of
from wearbar.log.sources.workbook import whole_sheets
from wearbar_adopt.cells import ASK, INSIDE, LABELS, LEAVE, SAYS, is_day, numbers, plain_letters
from wearbar_adopt.heads import heading
from wearbar_adopt.marks import DONE, is_mark, said
from wearbar_adopt.sections import vehicles

DELIMITERS = "\t;|,"  # of two that serve alike, the one least often in numbers and sentences
HALF_OF, CENT = 0.5, 0.011  # of the rows that must have a day; of two sums that are alike
LOOK_AT, MOST_SUMS, HEAD = 50, 50, 20  # lines for the delimiter, for sums, for the header
TOTAL, PERIOD, UNIT_ROW = LABELS.values()
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
    index = pd.Index(list(rows), name="line", dtype="int64")
    values = pd.DataFrame(zip_longest(*rows.values()), columns=index, dtype=object).T
    cells = values.map(_as_text)
    typed = values.map(lambda value: type(value) in (int, float)).astype(bool)
    filled = cells.notna().any(axis=1).to_numpy(dtype=bool)
    return Grid(sheet, cells[filled], typed[filled], note)


def _as_text(value):
    text = text_of(value)
    return text if text and text.strip() else None


def header_lines(cells):
    """The lines that head the columns, [] where none does: that of which most cells are known
    headings, groups of columns right above it, and what parts its own groups right below it."""
    look = cells.head(HEAD)
    cells_of = (row.dropna() for _, row in look.iterrows())
    heads = ((c for c in row if not INSIDE.search(c) and not is_mark(c)) for row in cells_of)
    known = [sum(heading(cell) != "" for cell in row) for row in heads]
    if max(known, default=0) < 2:
        return []
    best = int(look.index[np.argmax(known)])
    head, lines = look.loc[best], [best]
    if best - 1 in look.index:
        above = look.loc[best - 1].dropna()
        is_grouped = len(above) > 1 and not above.str.contains(r"\d").any()
        lines = [best - 1, best] if is_grouped else lines
    if best + 1 in look.index:
        # a line that only names columns under cells of the head that reach over several
        below, blank = look.loc[best + 1].dropna(), head.isna() & head.ffill().notna()
        in_group = (blank | blank.shift(-1, fill_value=False))[below.index]
        fits = (in_group | below.eq(head[below.index])).all() and blank[below.index].any()
        fits = fits and not below.str.contains(r"\d").any()
        is_unit = [bool(UNIT_ROW.fullmatch(plain_letters(cell).strip())) for cell in below]
        lines += [best + 1] if fits or (is_unit and all(is_unit)) else []
    return lines


def headings(cells, lines):
    """Name of each column to its place: a cell of the upper lines counts for the blank ones right
    of it; two alike differ by their place, counted from 1."""
    head = cells[cells.index.isin(lines)]
    if len(head) > 1:
        head = pd.concat([head.iloc[:-1].ffill(axis=1), head.iloc[-1:]])
    names = {}
    for place in head.columns:
        words = dict.fromkeys(" ".join(str(v).split()) for v in head[place].dropna())
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
    # why a row is left out, "" where it is not; the last that holds counts
    why = pd.Series("", index=rows.index, dtype=object)
    if entry["to"] == "measurements" and "value" in picked:
        why[picked["value"].isna()] = BLANK
    why[picked.isna().all(axis=1)] = NOTHING
    if of:
        _read_marks(rows[names[of]], grid.typed[names[of]], entry, picked, typed, why)
    _leave_labels(rows, picked, entry, why)
    if sections := entry.get("sections"):
        name_of, told, untold = vehicles(cells, lines, sections)
        picked["vehicle"], typed["vehicle"] = name_of[rows.index], False
        why[why.index.isin(told)], why[why.index.isin(untold)] = TITLE, NEW_TITLE
    for line in head.index:
        why[rows.fillna("").eq(head.loc[line].fillna("")).all(axis=1)] = AGAIN
    why[rows.index < max(head.index, default=0)] = ABOVE
    if not grid.sheet:
        beyond = rows.loc[:, rows.columns > max(names.values())].notna().any(axis=1)
        why = why.mask(why.eq("") & beyond, BEYOND)
    kept = rows[why == ""]
    heads = {place: f"column {place + 1}" for place in cells} | {p: n for n, p in names.items()}
    filled = kept.drop(columns=wanted).notna().sum()
    passed_over = [(grid.sheet, heads[place], int(n)) for place, n in filled.items() if n]
    left = left_out(grid.sheet, rows[why != ""], why[why != ""])
    picked, typed = picked.loc[kept.index], typed.loc[kept.index]
    return Part(entry, grid.sheet, picked, typed, left, passed_over)


def _place(names, name, where, lines):
    if name not in names:
        has = ", ".join(names) or "none"
        raise LogError(f"{where} has no column {name!r} on line {lines[-1]}; it has {has}")
    return names[name]


def _read_marks(cells, is_typed, entry, picked, typed, why):
    """Say in `why` which marks are none; give each cell that says more to the column it is for."""
    meant = said(cells, entry["cells"])
    why[meant.eq(LEAVE)], why[meant.isna()] = NOT_DONE, NEW_CELL
    for name in {*meant.dropna()} - {DONE, LEAVE}:
        rows = meant.eq(name)
        picked[name] = cells.where(rows, picked.get(name))
        typed[name] = is_typed[rows.index].where(rows, typed.get(name, False))


def _leave_labels(rows, picked, entry, why):
    """Say in `why` which rows are titles or totals: their first cell says so, and no cell is a
    day; or they are sums of the rows above that have one."""
    named = [n for n in picked if schema.column(entry["to"], n).kind == "date"]
    if not named or rows.empty:
        return
    day = pd.Series(is_day(picked[named[0]]), rows.index)
    first = rows.bfill(axis=1).iloc[:, 0].astype(object).map(plain_letters).str.strip()
    where = picked[named[0]].astype(object).map(plain_letters, na_action="ignore").str.strip()
    is_dated = day.mean() >= HALF_OF
    is_label = first.str.contains(TOTAL) | (first.str.fullmatch(PERIOD).eq(True) & is_dated)
    is_label &= ~day & (where.isna() | where.eq(first) | where.str.contains(TOTAL))
    is_alone = rows.iloc[:, 0].notna() & rows.notna().sum(axis=1).eq(1) & (picked.shape[1] > 1)
    is_number = numbers(first, "point")["plain"].notna() | numbers(first, "comma")["plain"].notna()
    is_wordy = ~first.str.contains(r"\d") & ~is_number & is_dated
    why[is_label] = TOTALS
    why[is_alone & ~day & (is_label | is_wordy)] = TITLE
    decimal = "comma" if entry.get("decimal") == "comma" else "point"
    for line in rows.index[~day & is_number & (why == "")][:MOST_SUMS]:
        held = rows.loc[line].dropna()
        mine = pd.to_numeric(numbers(held, decimal)["plain"], errors="coerce").astype(float)
        above = rows.loc[day & (rows.index < line), held.index]
        sums = [numbers(above[n], decimal)["plain"].astype(float).sum() for n in above]
        if len(above) and (mine - sums).abs().le(CENT).all():
            why[line] = TOTALS


def left_out(sheet, rows, why):
    """A list of `LEFT_OUT` of the rows of a sheet; why: one reason for all, or a Series of them."""
    text = [" | ".join(row[~pd.isna(row)]) for row in rows.to_numpy(dtype=object)]
    whys = pd.Series(why, rows.index, dtype=object)
    return [(sheet, *told) for told in zip(rows.index, whys, text, strict=True)]
