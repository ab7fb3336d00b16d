"""CSV: UTF-8, comma, one header row. A quick way for good files, a patient one for others."""

import csv
import io
import re
from dataclasses import replace

import numpy as np
import pyarrow as pa
from pyarrow import csv as arrow_csv

from wearbar.log.schema import said
from wearbar.log.sources.raw import LogError, Raw, fault, header_names, raw_of_rows

_STRAY_QUOTE = re.compile(rb'"(?<![,\r\n]")(?![,\r\n])')
_DAY = re.compile(r",\d{4}-\d{2}-\d{2},")
PIECE = 2**18  # bytes that are counted at once
_SAVE = "save it as CSV (UTF-8, comma)."
UTF_16 = (b"\xff\xfe", b"\xfe\xff")
NOT_CSV = {mark.encode("latin-1"): what for mark, what in said("cells")["no_csv"].items()}


def read_csv(path, where):
    """A CSV file as a `Raw`; `where` names it in errors. Raises LogError where it is no CSV."""
    data = path.read_bytes()
    for mark, what in NOT_CSV.items():
        if data.startswith(mark):
            raise LogError(f"{where} is {what}, whatever its ending says; {_SAVE}")
    if data.startswith(UTF_16):
        data = data.decode("utf-16", "replace").encode()
    elif b"\0" in data and data.count(b"\0") * 10 > len(data):
        raise LogError(f"{where} is not text; {_SAVE}")
    data = data.removeprefix(b"\xef\xbb\xbf")
    if not data or data.isspace():
        raise LogError(f"{where} is empty; write its header row, or delete the file.")
    raw = _quick(data, where) or _patient(data, where)

    # rows with nothing in any cell (spreadsheets leave them) are no rows
    filled = np.isin(raw.lines, list(raw.beyond))
    for array in raw.columns.values():
        if filled.all():
            return raw
        filled |= array.is_valid().to_numpy(zero_copy_only=False)
    lines, kept = raw.lines[filled], set(raw.lines[filled].tolist())
    problems = tuple(problem for problem in raw.problems if problem[0] in kept)
    columns = {name: array.filter(pa.array(filled)) for name, array in raw.columns.items()}
    return replace(raw, columns=columns, lines=lines, problems=problems)


def _quick(data, where):
    """One pass by pyarrow; None where rows and lines don't match, or the file is odd in any way."""
    head = data[: data.find(b"\n") + 1 or len(data)]
    whole = np.frombuffer(data, np.uint8)
    pieces = [whole[start : start + PIECE] for start in range(0, len(whole), PIECE)]
    lines, quotes = (sum(np.count_nonzero(p == sign) for p in pieces) for sign in b'\n"')
    if quotes % 2 or head.count(b'"') % 2 or not head.strip() or len(head) > 100_000:
        return None
    if quotes and _STRAY_QUOTE.search(data.replace(b'""', b"") if b'""' in data else data):
        return None
    try:
        names = header_names(next(csv.reader(io.StringIO(head.decode("utf-8", "replace")))), where)
        text = dict.fromkeys(names, pa.string())
        skip = arrow_csv.ReadOptions(column_names=names, skip_rows=1)
        how = arrow_csv.ConvertOptions(
            column_types=text, null_values=[""], strings_can_be_null=True
        )
        table = arrow_csv.read_csv(pa.py_buffer(data), skip, convert_options=how)
    except (pa.ArrowInvalid, csv.Error):
        return None
    returns = b"\r" in data and data.count(b"\r")
    signs = sum(np.count_nonzero(piece < 32) for piece in pieces)
    is_plain = whole.max() < 0x7F and signs == lines + returns
    lines += returns - (returns and data.count(b"\r\n")) + (not data.endswith((b"\n", b"\r")))
    if table.num_rows + 1 != lines:
        return None
    columns = dict(zip(names, table.columns, strict=True))
    return Raw(columns, np.arange(2, lines + 1), plain=is_plain)


def _patient(data, where):
    """By the rules of CSV; where quotes don't close, a line is a row."""
    csv.field_size_limit(2**31 - 1)
    lines = io.StringIO(data.decode("utf-8", "replace"), newline="").readlines()
    rows, numbers, problems, start = [], [], [], 0
    while start < len(lines):
        reader, begun, remedy = csv.reader(lines[start:], strict=True), 0, []
        try:
            for row in reader:
                if rows and reader.line_num > begun + 1 and _swallows(row, rows):
                    opened, last = start + begun + 1, start + reader.line_num
                    told = f"the quote opened on line {opened} closes on line {last}"
                    remedy = [f"{told}: close it where its cell ends"]
                    raise csv.Error
                if row or not rows:
                    rows.append(row)
                    numbers.append(start + begun + 1)
                begun = reader.line_num
            break
        except csv.Error:
            if not rows:
                raise fault("open_header", where=where) from None
            line = lines[start + begun].rstrip("\r\n")
            start += begun + 1
            rows.append(line.split(","))
            numbers.append(start)
            problems.append((start, "", line[line.find('"') :], "open-quote", *remedy))

    names = header_names(rows.pop(0), where)
    if not names:
        raise fault("blank_header", where=where)
    rows = dict(zip(numbers[1:], rows, strict=True))
    raw = raw_of_rows(names, rows)
    width = len(names)
    short = [(n, names[len(row)], "", "row-short") for n, row in rows.items() if len(row) < width]
    return replace(raw, problems=(*problems, *raw.problems, *short))


def _swallows(row, rows):
    """Whether a quote left open, closed by one further down, makes rows a cell: its lines are as
    wide as the header, or its last begins as those above."""
    width, seen = len(rows[0]), {above[0] for above in rows[1:][-1000:]} | {row[0]}
    inside = [cell.splitlines()[1:] for cell in row if "\n" in cell or "\r" in cell]
    whole = [line for lines in inside for line in lines[:-1]]
    if width <= 2:
        return False
    if whole:
        return sum(line.count(",") == width - 1 for line in whole) >= 0.8 * len(whole)
    last = [line for lines in inside for line in lines[-1:] if line.count(",") > 1]
    return any(line.split(",")[0] in seen or _DAY.search(line) for line in last)
