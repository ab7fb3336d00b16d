"""A table as its source has it: text alone, each row with its line."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

__all__ = [
    "FORMULA",
    "LogError",
    "Raw",
    "Source",
    "header_names",
    "raw_of_arrow",
    "raw_of_frame",
    "same_table",
    "unescaped",
]

FORMULA = "=+\\-@\t\r＝＋－＠"


class LogError(Exception):
    """What cannot be read at all, in one sentence."""


@dataclass(frozen=True)
class Raw:
    """A table as text.

    columns: name (trimmed, case-folded) to a pyarrow string array, null where blank. lines: each row's line, the header being line 1.
    problems: tuples (line, column, value, rule[, remedy]) of what the form of the source itself broke.
    beyond: line to the cells that stand there beyond the header. plain: printable ASCII alone.
    """

    columns: dict
    lines: np.ndarray
    problems: tuple = ()
    beyond: dict = field(default_factory=dict)
    plain: bool = False


@dataclass(frozen=True)
class Source:
    """A log not yet read: its header, and for each table a function that reads it.

    header: of log.toml. strange: names of tables that the format does not know. folder: where the header's plan is looked for.
    """

    name: str
    header: dict
    tables: dict[str, Callable[[], Raw]]
    strange: tuple = ()
    folder: Path | None = None
    files: dict = field(default_factory=dict)


def header_names(cells, where):
    """Column names from a header row: trimmed and case-folded; a blank one becomes its place. Raises LogError for two alike."""
    names = [
        str(c if c is not None else "").strip().strip("\ufeff").casefold() or f"(column {i})"
        for i, c in enumerate(cells, start=1)
    ]
    twice = next((name for name, n in Counter(names).items() if n > 1), None)
    if twice:
        raise LogError(
            f"{where}, line 1: two columns are named {twice[:60]!r}; rename or delete one of them."
        )
    return names


def same_table(one, other, where=""):
    """The LogError for a table that stands twice: by its name now and its earlier one, or by one name written in two ways."""
    return LogError(
        f"{where}{one} and {other} are the same table; put all its rows into one of them and delete the other."
    )


def unescaped(raw):
    """The raw table with the apostrophe taken off that `wearbar.log.write` puts before text that begins like a formula."""
    columns = {
        name: pc.replace_substring_regex(a, f"^'('*[{FORMULA}])", r"\1")
        for name, a in raw.columns.items()
    }
    return replace(raw, columns=columns)


def raw_of_frame(frame):
    """A `Raw` of a table in memory, text or typed values alike; an index named `line` gives the lines."""
    names = header_names(frame.columns, "table")
    lines = frame.index.to_numpy() if frame.index.name == "line" else np.arange(2, len(frame) + 2)
    return Raw(
        {name: _text_of_series(frame.iloc[:, i]) for i, name in enumerate(names)},
        lines.astype("int64"),
    )


def raw_of_arrow(table, where):
    """A `Raw` of a pyarrow table; lines are counted as if a header stood above."""
    names = header_names(table.column_names, where)
    columns = {}
    for name, array in zip(names, table.columns, strict=True):
        if pa.types.is_nested(array.type):
            raise LogError(
                f"{where}: column {name} holds lists or records; write one value a cell."
            )
        columns[name] = _text_of_arrow(array)
    return Raw(columns, np.arange(2, table.num_rows + 2))


def _text_of_series(series):
    if series.dtype == object or isinstance(series.dtype, pd.CategoricalDtype):
        return pa.array([_text_of_value(v) for v in series], pa.large_string())
    return _text_of_arrow(pa.Array.from_pandas(series))


def _text_of_value(value):
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return None if pd.isna(value) else value.isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return None
    if isinstance(value, float | np.floating) and abs(value) < 1e15 and value == int(value):
        return str(int(value))
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    return str(value).encode("utf-8", "replace").decode() or None


def _text_of_arrow(array):
    kind = array.type
    if pa.types.is_dictionary(kind):
        return _text_of_arrow(array.cast(kind.value_type))
    if pa.types.is_boolean(kind):
        return pc.if_else(
            array, pa.scalar("yes", pa.large_string()), pa.scalar("no", pa.large_string())
        )
    if pa.types.is_timestamp(kind):
        return pc.strftime(array, format="%Y-%m-%d").cast(pa.large_string())
    if pa.types.is_floating(kind):
        array = pc.if_else(pc.is_nan(array), pa.scalar(None, kind), array)
    if pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
        return pa.array([_text_of_value(v) for v in array.to_pylist()], pa.large_string())
    text = array.cast(pa.large_string())
    return pc.if_else(pc.equal(text, ""), pa.scalar(None, pa.large_string()), text)
