"""From text to typed values, a column at a time; what can't be read is a problem with its place.
What a cell was meant to be is said in the remedy, never put in its place."""

import re
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import date
from difflib import get_close_matches
from functools import partial

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from wearbar.log.checks.problems import RULES, join, problems
from wearbar.log.schema import TABLES, TEXT, said

LARGE = 50_000
FIRST_YEAR, LAST_YEAR = 1900, 2199
FIRST_DAY, LAST_DAY = map(np.datetime64, (f"{FIRST_YEAR}-01-01", f"{LAST_YEAR}-12-31"))
_TOLD = said("cells")
YES_NO, BAD_CELLS, NUMBER = (_TOLD[name] for name in ("yes_no", "bad", "number"))
# column to what people write there, to the code meant
MEANT = {
    column: {word: code for code, words in codes.items() for word in words.split(", ")}
    for column, codes in _TOLD["meant"].items()
}
DAY, BASIC_DAY = (re.compile(_TOLD[name], re.ASCII) for name in ("day", "basic_day"))
_BESIDE = re.compile(rf"^[€£$¥]\s*|(?<![A-Za-z])((?ix:{_TOLD['beside']})|L|[%°\"€£$¥])\.?$")
_LOOK_ALIKE = re.compile(r"(?=.*\d)[+-]?[\dOoIl.,]*[\dOoI]", re.ASCII)
_DIGITS = str.maketrans("OoIl", "0011")


def typed(table, raw):
    """(the format's columns typed, problems, the columns not in the format): frames, index `line`.
    A cell that can't be read is missing and a problem. The raw columns are used up."""
    columns = TABLES[table]
    parts = [problems(table, [line], name, [v], *rule) for line, name, v, *rule in raw.problems]
    with ThreadPoolExecutor() as pool:
        each = pool.map if len(raw.lines) > LARGE else map
        read = list(each(partial(_column, table, raw), columns))
    parts += [found for _, broken in read for found in broken]
    series = {col.name: values for col, (values, _) in zip(columns, read, strict=True)}
    frame = pd.DataFrame(series, index=pd.Index(raw.lines, name="line"), copy=False)
    extra = {
        name: _pandas_text(array)
        for name, array in raw.columns.items()
        if not (name.startswith("(column") and array.null_count == len(array))
    }
    parts.append(problems(table, [1] * len(extra), list(extra), "", "unknown-column"))
    return frame, join(parts), pd.DataFrame(extra, index=frame.index)


def _column(table, raw, col):
    if col.name not in raw.columns:
        return _blank(col.kind, len(raw.lines)), []
    array = raw.columns.pop(col.name)
    if isinstance(array, pa.ChunkedArray):
        array = array.combine_chunks()
    read = {"number": _number, "id": _text, "text": _text}.get(col.kind, _coded)
    values, bad = read(col, array)
    if not raw.plain and col.kind not in ("number", "date"):
        for rule, pattern in reversed(BAD_CELLS.items()):
            hit = pc.fill_null(pc.match_substring_regex(array, pattern), False)
            bad = [(rule, np.flatnonzero(hit.to_numpy(zero_copy_only=False)), None), *bad]
    parts, bad = [], [each for each in bad if len(each[1])]
    for rule, at, remedy in bad:
        cells = array.take(pa.array(at)).to_pandas()
        if rule == "invisible":
            cells = [ascii(cell)[1:-1] for cell in cells]
        parts.append(problems(table, raw.lines[at], col.name, cells, rule, remedy))
    if col.required:
        blank = pd.isna(values)
        for _, at, _ in bad:
            blank[at] = False
        severity = "warn" if col.kept else "set-aside"
        lines = raw.lines[blank]
        parts.append(problems(table, lines, col.name, "", "required", severity=severity))
    return values, parts


def _blank(kind, n):
    if kind in ("number", "date"):
        return np.full(n, np.nan if kind == "number" else np.datetime64("NaT", "ns"))
    return _pandas_text(pa.nulls(n, pa.large_string()))


def _pandas_text(array):
    return TEXT.__from_arrow__(array.cast(pa.large_string()))


def _text(col, array):
    blank = pc.utf8_is_space(array)
    if pc.any(blank).as_py():
        array = pc.if_else(blank, pa.scalar(None, array.type), array)
    return _pandas_text(array), []


def _coded(col, array):
    """Codes or days: each distinct text is read once, and its value spread over the rows; at once
    where all are days, or codes, as they are to be written."""
    if col.kind == "date":
        with suppress(pa.ArrowInvalid):
            days = array.cast(pa.date32()).cast(pa.timestamp("ns")).to_numpy(zero_copy_only=False)
            if not ((days < FIRST_DAY) | (days > LAST_DAY)).any():
                return np.require(days, requirements="W"), []
    coded = array.dictionary_encode()
    index = coded.indices.fill_null(len(coded.dictionary)).to_numpy()
    read = _read_day if col.kind == "date" else partial(_read_code, col)
    told = [read(text.strip()) for text in coded.dictionary.to_pylist()]
    values, *told = zip(*told, (None, "", ""), strict=True)
    if values[:-1] == tuple(coded.dictionary.to_pylist()):
        return _pandas_text(array), []
    rules, remedies = (np.array(each, dtype=object) for each in told)
    bad = []
    for rule in sorted({*rules} - {""}):
        at = np.flatnonzero((rules == rule)[index])
        bad.append((rule, at, remedies[index[at]]))
    if col.kind == "date":
        return np.array(values, dtype="datetime64[ns]")[index], bad
    return _pandas_text(pa.array(values, pa.large_string()).take(pa.array(index))), bad


def _read_code(col, text):
    code = text.casefold()
    if code and col.kind == "yes_no" and code not in YES_NO:
        return None, "not-yes-no", RULES["not-yes-no"].mend
    if code and col.codes and code not in col.codes:
        meant = [MEANT.get(col.name, {}).get(code)]
        if meant[0] not in col.codes:
            meant = get_close_matches(code[:40], col.codes, n=1)
        close = "".join(f"; {near}?" for near in meant)
        return None, "unknown-code", f"use one of: {', '.join(col.codes)}{close}"
    return (YES_NO.get(code) if col.kind == "yes_no" else code) or None, "", ""


def _read_day(text):
    if not text:
        return None, "", ""
    if not (match := DAY.fullmatch(text)) and not BASIC_DAY.fullmatch(text):
        # both readings where the day may be the month; or a spreadsheet's number of a day
        likely = []
        if parts := re.fullmatch(r"(\d{1,2})[./\- ](\d{1,2})[./\- ](\d{4})", text, re.ASCII):
            one, other, year = map(int, parts.groups())
            for day, month in ((one, other), (other, one)):
                with suppress(ValueError):
                    likely.append(date(year, month, day).isoformat())
        if re.fullmatch(r"[1-9]\d{4}(\.\d+)?", text, re.ASCII):
            likely.append(str(np.datetime64("1899-12-30") + int(float(text))))
        told = f": {' or '.join(dict.fromkeys(likely))}?" if likely else ""
        return None, "not-a-date", f"write it as YYYY-MM-DD{told}"
    try:
        day = date.fromisoformat(match[1] if match else text)
    except ValueError:
        return None, "not-a-date", "there is no such day; write it as YYYY-MM-DD"
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        return None, "date-range", RULES["date-range"].mend
    return day, "", ""


def _number(col, array):
    bad = []
    try:
        values = array.cast(pa.float64()).to_numpy(zero_copy_only=False)
        values = np.require(values, requirements="W")
        all_read = np.isfinite(values).sum() == len(array) - array.null_count
    except pa.ArrowInvalid:
        all_read = False
    if not all_read:
        text = pc.utf8_trim_whitespace(array)
        good = pc.fill_null(pc.match_substring_regex(text, NUMBER), False)
        values = pc.if_else(good, text, pa.scalar(None, text.type)).cast(pa.float64())
        values = values.to_numpy(zero_copy_only=False)
        wrong = pc.and_(pc.invert(good), pc.fill_null(pc.greater(pc.utf8_length(text), 0), False))
        at = np.flatnonzero(wrong.to_numpy(zero_copy_only=False) | np.isinf(values))
        values = np.where(np.isinf(values), np.nan, values)
        likely = [_likely_number(v) for v in text.take(pa.array(at)).to_pylist()]
        bad = [("not-a-number", at, likely)]
    out = np.flatnonzero((values < col.low) | (values > col.high))
    says = f"it can't be below {col.low:g}"
    if col.high < np.inf:
        says = f"from {col.low:g} to {col.high:g}"
    if col.quantity == "share":
        percent = [f": {v / 100:.4g}?" if 1 < v <= 100 else "" for v in values[out]]
        says = [f"a share is from 0 to 1{meant}" for meant in percent]
    bad.append(("out-of-range", out, says))
    values[out] = np.nan
    return values, bad


def _likely_number(text):
    """What to do, with the number that was meant: beside a unit, or with letters like 0."""
    unit = _BESIDE.search(text.strip())
    bare = re.sub(r"[\s\u00a0\u202f'_]", "", _BESIDE.sub("", text.strip()))
    if _LOOK_ALIKE.fullmatch(bare):
        bare = bare.translate(_DIGITS)
    forms = {
        r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?": bare.replace(",", ""),
        r"[+-]?(\d+|\d{1,3}(\.\d{3})+),\d+": bare.replace(".", "").replace(",", "."),
        r"[+-]?(\d+\.?\d*|\.\d+)": bare,
    }
    likely = [made for form, made in forms.items() if made != text and re.fullmatch(form, bare)]
    of = f" (if the log is in {unit[0].strip(' .')})" if unit else ""
    told = f": {' or '.join(likely)}?{of}" if likely else ""
    return f"write digits and a decimal point alone{told}"
