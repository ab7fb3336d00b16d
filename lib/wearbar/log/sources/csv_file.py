"""CSV: UTF-8, comma, one header row. A quick way for files as they should be, a patient one for all others."""

import csv
import io
import re
from dataclasses import replace
from itertools import zip_longest

import numpy as np
import pyarrow as pa
from pyarrow import csv as arrow_csv

from wearbar.log.sources.raw import LogError, Raw, header_names

__all__ = ["read_csv"]

_PRINTABLE = bytes(range(0x20, 0x7F)) + b"\r\n"
_STRAY_QUOTE = re.compile(rb'"(?<![,\r\n]")(?![,\r\n])')
_DAY = re.compile(r",\d{4}-\d{2}-\d{2},")
_SAYS = re.compile(rb'"?sep=([^\r\n])"?[,;\t]*\r?\n', re.IGNORECASE)
_NOT_CSV = {
    b"PK\x03\x04": "a zip archive or an Excel workbook",
    b"\xd0\xcf\x11\xe0": "an old or encrypted Office file",
    b"PAR1": "a Parquet file",
    b"SQLite format 3": "an SQLite database",
    b"%PDF": "a PDF",
    b"\x1f\x8b": "a compressed file",
}


def read_csv(path, where):
    """The table in a CSV file as a `Raw`; `where` names it in errors. Raises LogError where it is no CSV."""
    data = _utf8(path.read_bytes(), where)
    if not data or data.isspace():
        raise LogError(f"{where} is empty; write its header row, or delete the file.")
    said = _SAYS.match(data)
    if said and said[1] != b",":
        sign = said[1].decode("utf-8", "replace")
        raise LogError(
            f"{where}, line 1 says that {sign!r} parts the cells; save it with commas, or turn it into a log with wearbar adopt."
        )
    data = data[said.end() :] if said else data
    raw = _quick(data, where) or _patient(data, where)
    return _one_line_down(raw) if said else raw


def _one_line_down(raw):
    """The rows of a file below a line that says how its cells are parted."""
    problems = tuple((line + 1, *rest) for line, *rest in raw.problems)
    return replace(
        raw,
        lines=raw.lines + 1,
        problems=problems,
        beyond={line + 1: cells for line, cells in raw.beyond.items()},
    )


def _utf8(data, where):
    for mark, what in _NOT_CSV.items():
        if data.startswith(mark):
            raise LogError(
                f"{where} is {what}, whatever its ending says; save it as CSV (UTF-8, comma)."
            )
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", "replace").encode()
    if b"\0" in data and data.count(b"\0") * 10 > len(data):
        raise LogError(f"{where} is not text; save it as CSV (UTF-8, comma).")
    return data.removeprefix(b"\xef\xbb\xbf")


def _quick(data, where):
    """One pass by pyarrow; None where rows and lines don't match one to one, or the file is odd in any other way."""
    head = data[: data.find(b"\n") + 1 or len(data)]
    quotes = data.count(b'"')
    if quotes % 2 or head.count(b'"') % 2 or not head.strip() or len(head) > 100_000:
        return None
    if quotes and _STRAY_QUOTE.search(data.replace(b'""', b"") if b'""' in data else data):
        return None
    try:
        names = header_names(next(csv.reader(io.StringIO(head.decode("utf-8", "replace")))), where)
        table = arrow_csv.read_csv(
            pa.py_buffer(data),
            read_options=arrow_csv.ReadOptions(column_names=names, skip_rows=1),
            parse_options=arrow_csv.ParseOptions(newlines_in_values=quotes > 0),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()),
                null_values=[""],
                strings_can_be_null=True,
            ),
        )
    except (pa.ArrowInvalid, csv.Error):
        return None
    if table.num_rows + 1 != _lines(data):
        return None
    return _without_blank_rows(
        dict(zip(names, table.columns, strict=True)),
        np.arange(2, table.num_rows + 2),
        plain=_is_plain(data),
    )


def _lines(data):
    ends = data.count(b"\n")
    if b"\r" in data:
        ends += data.count(b"\r") - data.count(b"\r\n")
    return ends + (not data.endswith((b"\n", b"\r")))


def _is_plain(data):
    return data.isascii() and not data.translate(None, _PRINTABLE)


def _patient(data, where):
    csv.field_size_limit(2**31 - 1)
    lines = io.StringIO(data.decode("utf-8", "replace"), newline="").readlines()
    rows, numbers, problems = _rows(lines)
    if not rows:
        raise LogError(
            f"{where}, line 1: a quote in the header is never closed; mend the header row."
        )
    names = header_names(rows.pop(0), where)
    numbers = np.array(numbers[1:], dtype="int64")
    if not names:
        raise LogError(f"{where}, line 1 is blank; the header row must stand there.")
    lengths = np.array([len(row) for row in rows], dtype="int64")
    beyond = {int(numbers[k]): rows[k][len(names) :] for k in np.flatnonzero(lengths > len(names))}
    beyond = {line: cells for line, cells in beyond.items() if "".join(cells).strip()}
    problems += [(line, "", cells[0], "row-length") for line, cells in beyond.items()]
    problems += [
        (numbers[k], names[lengths[k]], "", "row-short")
        for k in np.flatnonzero(lengths < len(names))
    ]
    columns = list(zip_longest(*(row[: len(names)] for row in rows))) or [()] * len(names)
    columns += [(None,) * len(rows)] * (len(names) - len(columns))
    arrays = [pa.array([cell or None for cell in column], pa.large_string()) for column in columns]
    return _without_blank_rows(
        dict(zip(names, arrays, strict=True)), numbers, problems, beyond=beyond
    )


def _rows(lines):
    """Rows of cells with the line each begins on; a row whose quotes don't close is taken as that line alone, and said to be."""
    rows, numbers, problems, start = [], [], [], 0
    while start < len(lines):
        reader, begun = csv.reader(lines[start:], strict=True), 0
        try:
            for row in reader:
                if rows and reader.line_num > begun + 1 and _swallows(row, rows):
                    last = start + reader.line_num
                    raise _Swallowed(
                        f"the quote opened on line {start + begun + 1} closes on line {last}: close it where its cell ends"
                    )
                if row or not rows:
                    rows.append(row)
                    numbers.append(start + begun + 1)
                begun = reader.line_num
            break
        except csv.Error as error:
            if not rows:
                return [], [], []
            told = [str(error)] if isinstance(error, _Swallowed) else []
            line = lines[start + begun].rstrip("\r\n")
            rows.append(line.split(","))
            numbers.append(start + begun + 1)
            problems.append((start + begun + 1, "", line[line.find('"') :], "open-quote", *told))
            start += begun + 1
    return rows, numbers, problems


class _Swallowed(csv.Error):
    """A quote left open that another one, on a line below, happens to close."""


def _swallows(row, rows):
    """Whether a cell holds rows of the table: lines with as many cells as the header, or one that begins as the rows above do."""
    width, seen = len(rows[0]), {above[0] for above in rows[1:][-1000:]} | {row[0]}
    inside = [cell.splitlines()[1:] for cell in row if "\n" in cell or "\r" in cell]
    whole = [line for lines in inside for line in lines[:-1]]
    if width > 2 and whole:
        return sum(line.count(",") == width - 1 for line in whole) >= 0.8 * len(whole)
    last = [line for lines in inside for line in lines[-1:]]
    return width > 2 and any(
        line.count(",") > 1 and (line.split(",")[0] in seen or _DAY.search(line)) for line in last
    )


def _without_blank_rows(columns, lines, problems=(), beyond=None, plain=False):
    """Rows with nothing in any cell (spreadsheets leave them) are no rows."""
    filled = np.zeros(len(lines), dtype=bool)
    for array in columns.values():
        filled |= array.is_valid().to_numpy(zero_copy_only=False) if array.null_count else True
        if filled.all():
            break
    if not filled.all():
        filled |= np.isin(lines, list(beyond or ()))
        kept = set(lines[filled].tolist())
        columns = {n: a.filter(pa.array(filled)) for n, a in columns.items()}
        lines, problems = lines[filled], [p for p in problems if p[0] in kept]
    return Raw(columns, lines, tuple(problems), beyond or {}, plain)
