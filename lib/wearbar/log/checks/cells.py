"""From text to typed values, a column at a time; what can't be read is a problem with its place."""

import re
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from functools import partial

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from wearbar.log.checks.likely import in_range, likely_day, likely_number, nearest_code
from wearbar.log.checks.problems import join, problems
from wearbar.log.rules import RULES
from wearbar.log.schema import TABLES, TEXT

LARGE = 50_000
FIRST_YEAR, LAST_YEAR = 1900, 2199
NUMBER = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?$"
DAY = re.compile(
    r"(\d{4}-\d{2}-\d{2})(?:[T ]\d{2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:Z|[+-]\d{2}(?::?\d{2})?)?)?",
    re.ASCII,
)
BASIC_DAY = re.compile(r"\d{8}|\d{4}-?W\d{2}-?\d", re.ASCII)
UNSEEN = (
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u00ad\u061c\u180e\u200b-\u200f\u2028-\u202e"
    "\u2060-\u206f\ufeff\ufff9-\ufffb]"
)
BAD_DECODE = "\ufffd"
YES_NO = {"yes": "yes", "no": "no", "true": "yes", "false": "no"}


def typed(table, raw):
    """(the format's columns typed, problems, the columns not in the format): frames, index `line`.

    Text is `TEXT`, dates datetime64[ns], numbers float64; a cell that can't be read is missing here
    and a problem there. The raw columns are used up, so that none is held twice.
    """
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
    parts.append(problems(table, [1] * len(extra), list(extra), [""], "unknown-column"))
    return frame, join(parts), pd.DataFrame(extra, index=frame.index)


def _column(table, raw, col):
    array = raw.columns.pop(col.name, pa.nulls(len(raw.lines), pa.large_string()))
    if isinstance(array, pa.ChunkedArray):
        array = array.combine_chunks()
    parts = []
    if not raw.plain and col.kind not in ("number", "date"):
        parts = _unreadable(table, col, array, raw.lines)
    values, bad = _READ[col.kind](col, array)
    for rule, at, remedy in bad:
        cells = array.take(pa.array(at)).to_pandas()
        parts.append(problems(table, raw.lines[at], col.name, cells, rule, remedy))
    if col.required:
        named = np.concatenate([[], *(p["line"] for p in parts)])
        blank = raw.lines[pd.isna(values) & ~np.isin(raw.lines, named)]
        severity = "warn" if col.kept else "set-aside"
        parts.append(problems(table, blank, col.name, [""], "required", severity=severity))
    return values, parts


def _pandas_text(array):
    return TEXT.__from_arrow__(array.cast(pa.large_string()))


def _unreadable(table, col, array, lines):
    parts = []
    for pattern, rule in ((BAD_DECODE, "not-utf-8"), (UNSEEN, "invisible")):
        hit = pc.fill_null(pc.match_substring_regex(array, pattern), False)
        at = np.flatnonzero(hit.to_numpy(zero_copy_only=False))
        cells = array.take(pa.array(at)).to_pylist()
        if rule == "invisible":
            cells = [ascii(v)[1:-1] for v in cells]
        parts.append(problems(table, lines[at], col.name, cells, rule))
    return parts


def _text(col, array):
    blank = pc.equal(pc.binary_length(pc.utf8_trim_whitespace(array)), 0)
    return _pandas_text(pc.if_else(blank, pa.scalar(None, array.type), array)), []


def _by_distinct(array, read):
    """`read(text) -> (value, rule broken, remedy)` of each distinct text, spread over the rows:
    (values, at which each row's stands, what is wrong: tuples of rule, rows and remedies)."""
    coded = array.dictionary_encode()
    index = coded.indices.fill_null(len(coded.dictionary)).to_numpy()
    told = [*map(read, coded.dictionary.to_pylist()), (None, "", "")]
    values, rules, remedies = zip(*told, strict=True)
    rule_of, remedy_of = (np.array(each, dtype=object) for each in (rules, remedies))
    bad = []
    for rule in sorted({*rules} - {""}):
        at = np.flatnonzero((rule_of == rule)[index])
        bad.append((rule, at, remedy_of[index[at]]))
    return values, index, bad


def _code(col, array):
    values, index, bad = _by_distinct(array, partial(_read_code, col))
    return TEXT.__from_arrow__(pa.array(values, pa.large_string()).take(pa.array(index))), bad


def _read_code(col, text):
    code = text.strip().casefold()
    if code and col.kind == "yes_no" and code not in YES_NO:
        return None, "not-yes-no", RULES["not-yes-no"].mend
    if code and col.codes and code not in col.codes:
        return None, "unknown-code", nearest_code(code, col.codes)
    return (YES_NO.get(code) if col.kind == "yes_no" else code) or None, "", ""


def _date(col, array):
    values, index, bad = _by_distinct(array, lambda text: _read_day(text.strip()))
    return np.array(values, dtype="datetime64[ns]")[index], bad


def _read_day(text):
    if not text:
        return None, "", ""
    match = DAY.fullmatch(text)
    if not match and not BASIC_DAY.fullmatch(text):
        return None, "not-a-date", likely_day(text)
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
        values = array.cast(pa.float64()).to_numpy(zero_copy_only=False).copy()
        all_read = np.isfinite(values).sum() == len(array) - array.null_count
    except pa.ArrowInvalid:
        all_read = False
    if not all_read:
        values, bad = _patient_number(array)
    out = np.flatnonzero((values < col.low) | (values > col.high))
    if len(out):
        bad.append(("out-of-range", out, in_range(col, values[out])))
        values[out] = np.nan
    return values, bad


def _patient_number(array):
    text = pc.utf8_trim_whitespace(array)
    good = pc.fill_null(pc.match_substring_regex(text, NUMBER), False)
    values = pc.if_else(good, text, pa.scalar(None, text.type)).cast(pa.float64())
    values = values.to_numpy(zero_copy_only=False)
    wrong = pc.and_(pc.invert(good), pc.fill_null(pc.greater(pc.utf8_length(text), 0), False))
    at = np.flatnonzero(wrong.to_numpy(zero_copy_only=False) | np.isinf(values))
    values = np.where(np.isinf(values), np.nan, values)
    likely = [likely_number(v) for v in text.take(pa.array(at)).to_pylist()]
    return values, [("not-a-number", at, likely)] if len(at) else []


_READ = dict.fromkeys(("id", "text"), _text) | dict.fromkeys(("code", "yes_no"), _code)
_READ |= {"date": _date, "number": _number}
