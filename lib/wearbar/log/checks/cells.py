"""From text to typed values, a column at a time: what can't be read is a problem with its line, column and value."""

import re
from concurrent.futures import ThreadPoolExecutor
from datetime import date

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from wearbar.log.checks.likely import in_range, likely_day, likely_number, nearest_code
from wearbar.log.checks.problems import join, problems
from wearbar.log.schema import TABLES, TEXT

__all__ = ["typed"]

LARGE = 50_000
FIRST_YEAR, LAST_YEAR = 1900, 2199
FIRST_DAY, LAST_DAY = np.datetime64(f"{FIRST_YEAR}-01-01"), np.datetime64(f"{LAST_YEAR}-12-31")
NUMBER = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?$"
DAY = re.compile(
    r"(\d{4}-\d{2}-\d{2})(?:[T ]\d{2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:Z|[+-]\d{2}(?::?\d{2})?)?)?",
    re.ASCII,
)
BASIC_DAY = re.compile(r"\d{8}|\d{4}-?W\d{2}-?\d", re.ASCII)
UNSEEN = "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u00ad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb]"
BAD_DECODE = "\ufffd"
YES_NO = {"yes": "yes", "no": "no", "true": "yes", "false": "no"}


def typed(table, raw):
    """The table's columns typed, all of the format's: (frame with index `line`, problems, frame of the columns not in the format).

    Text columns are `tables.TEXT`, dates datetime64[ns], numbers float64; a cell that can't be read is missing here and a problem there.
    The raw columns are used up on the way, so that a large table is not held twice.
    """
    parts = [
        problems(table, [line], name, [value], rule, *remedy)
        for line, name, value, rule, *remedy in raw.problems
    ]
    columns = TABLES[table]
    if len(raw.lines) > LARGE:
        with ThreadPoolExecutor() as pool:
            read = list(pool.map(lambda col: _column(table, col, raw), columns))
    else:
        read = [_column(table, col, raw) for col in columns]
    parts += [found for _, broken in read for found in broken]
    series = {col.name: values for col, (values, _) in zip(columns, read, strict=True)}
    frame = pd.DataFrame(series, index=pd.Index(raw.lines, name="line"), copy=False)
    names = list(raw.columns)
    unnamed = {
        n for n in names if n.startswith("(column") and raw.columns[n].null_count == len(raw.lines)
    }
    names = [n for n in names if n not in unnamed]
    parts.append(
        problems(
            table,
            [1] * len(names),
            np.array(names, dtype=object),
            [""] * len(names),
            "unknown-column",
        )
    )
    extra = pd.DataFrame({n: _pandas_text(raw.columns[n]) for n in names}, index=frame.index)
    return frame, join(parts), extra


def _column(table, col, raw):
    array = raw.columns.pop(col.name, None)
    if array is None or array.null_count == len(raw.lines):
        blank = [_lacking(table, raw.lines, col)] if col.required else []
        return _all_blank(col, len(raw.lines)), blank
    if isinstance(array, pa.ChunkedArray):
        array = array.combine_chunks()
    parts = (
        []
        if raw.plain or col.kind in ("number", "date")
        else _unreadable(table, col, array, raw.lines)
    )
    values, bad = _READ[col.kind](col, array)
    for rule, at, remedy in bad:
        parts.append(
            problems(
                table, raw.lines[at], col.name, array.take(pa.array(at)).to_pandas(), rule, remedy
            )
        )
    missing = pd.isna(values) if col.required else np.array([False])
    if missing.any():
        told = np.concatenate([p["line"].to_numpy() for p in parts]) if parts else []
        blank = raw.lines[np.asarray(missing)]
        blank = blank[~np.isin(blank, told)]
        parts.append(_lacking(table, blank, col))
    return values, parts


def _lacking(table, lines, col):
    return problems(
        table,
        lines,
        col.name,
        [""] * len(lines),
        "required",
        severity="warn" if col.kept else "set-aside",
    )


def _all_blank(col, n):
    if col.kind == "date":
        return np.full(n, np.datetime64("NaT", "ns"))
    if col.kind == "number":
        return np.full(n, np.nan)
    return TEXT.__from_arrow__(pa.nulls(n, pa.large_string()))


def _pandas_text(array):
    return TEXT.__from_arrow__(array.cast(pa.large_string()))


def _unreadable(table, col, array, lines):
    parts = []
    for pattern, rule in ((BAD_DECODE, "not-utf-8"), (UNSEEN, "invisible")):
        hit = pc.fill_null(pc.match_substring_regex(array, pattern), False)
        at = np.flatnonzero(hit.to_numpy(zero_copy_only=False))
        if len(at):
            values = [
                ascii(v)[1:-1] if rule == "invisible" else v
                for v in array.take(pa.array(at)).to_pylist()
            ]
            parts.append(problems(table, lines[at], col.name, values, rule))
    return parts


def _text(col, array):
    blank = pc.equal(pc.binary_length(pc.utf8_trim_whitespace(array)), 0)
    if pc.any(blank).as_py():
        array = pc.if_else(blank, pa.scalar(None, array.type), array)
    return _pandas_text(array), []


def _by_distinct(array, read):
    """`read(list of distinct texts) -> (values, rules, remedies)`, each as long, spread over the rows again."""
    coded = array.dictionary_encode()
    index = coded.indices.fill_null(len(coded.dictionary)).to_numpy()
    values, rules, remedies = read(coded.dictionary.to_pylist())
    bad = []
    if any(rules):
        which = np.array([*(r or "" for r in rules), ""], dtype=object)[index]
        mends = np.array([*remedies, None], dtype=object)[index]
        for rule in sorted({r for r in rules if r}):
            at = np.flatnonzero(which == rule)
            bad.append((rule, at, mends[at] if mends[at[0]] is not None else None))
    return index, values, bad


def _code(col, array):
    index, values, bad = _by_distinct(array, lambda texts: _codes(col, texts))
    values = pa.array([*values, None], pa.large_string())
    return TEXT.__from_arrow__(values.take(pa.array(index))), bad


def _codes(col, texts):
    values = [text.strip().casefold() or None for text in texts]
    if col.kind == "yes_no":
        bad = ["not-yes-no" if v and v not in YES_NO else "" for v in values]
        return [YES_NO.get(v) for v in values], bad, [None] * len(values)
    if not col.codes:
        return values, [""] * len(values), [None] * len(values)
    known = set(col.codes)
    bad = ["unknown-code" if v and v not in known else "" for v in values]
    remedies = [nearest_code(v, col.codes) if b else None for v, b in zip(values, bad, strict=True)]
    return [None if b else v for v, b in zip(values, bad, strict=True)], bad, remedies


def _date(col, array):
    try:
        days = array.cast(pa.date32())
        first, last = (
            np.datetime64(day, "D") for day in pc.min_max(days.cast(pa.int32())).as_py().values()
        )
        if first >= FIRST_DAY and last <= LAST_DAY:
            values = days.cast(pa.timestamp("ns")).to_numpy(zero_copy_only=False)
            return values if values.flags.writeable else values.copy(), []
    except pa.ArrowInvalid:
        pass  # some are no plain days: one by one, then
    index, values, bad = _by_distinct(array, _days)
    return np.append(np.asarray(values, dtype="datetime64[ns]"), np.datetime64("NaT"))[index], bad


def _days(texts):
    read = [_day(text.strip()) for text in texts]
    return [r[0] for r in read], [r[1] for r in read], [r[2] for r in read]


def _day(text):
    nat = np.datetime64("NaT")
    if not text:
        return nat, "", None
    match = DAY.fullmatch(text)
    if not match and not BASIC_DAY.fullmatch(text):
        return nat, "not-a-date", likely_day(text)
    try:
        day = date.fromisoformat(match[1] if match else text)
    except ValueError:
        return nat, "not-a-date", "there is no such day; write it as YYYY-MM-DD"
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        return nat, "date-range", "mend the year"
    return np.datetime64(day), "", None


def _number(col, array):
    try:
        values = array.cast(pa.float64()).to_numpy(zero_copy_only=False)
        at = np.flatnonzero(np.isinf(values))
        odd = at if len(at) or np.isnan(values).sum() != array.null_count else None
    except pa.ArrowInvalid:
        odd = True
    bad = []
    if odd is not None:
        values, bad = _patient_number(array)
    values = values.copy() if not values.flags.writeable else values
    out = np.flatnonzero((values < col.low) | (values > col.high))
    if len(out):
        bad.append(("out-of-range", out, in_range(col, values[out])))
        values[out] = np.nan
    return values, bad


def _patient_number(array):
    text = pc.utf8_trim_whitespace(array)
    good = pc.fill_null(pc.match_substring_regex(text, NUMBER), False)
    values = (
        pc.if_else(good, text, pa.scalar(None, text.type))
        .cast(pa.float64())
        .to_numpy(zero_copy_only=False)
    )
    wrong = pc.and_(
        pc.invert(good), pc.fill_null(pc.greater(pc.utf8_length(text), 0), False)
    ).to_numpy(zero_copy_only=False)
    at = np.flatnonzero(wrong | np.isinf(values))
    values = np.where(np.isinf(values), np.nan, values)
    if not len(at):
        return values, []
    likely = [likely_number(v) for v in text.take(pa.array(at)).to_pylist()]
    return values, [("not-a-number", at, np.array(likely, dtype=object))]


_READ = {
    "id": _text,
    "text": _text,
    "code": _code,
    "yes_no": _code,
    "date": _date,
    "number": _number,
}
