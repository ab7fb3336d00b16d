"""A table as its source has it: text alone, each row with its line."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from wearbar.log.schema import said

FORMULA = "=+\\-@\t\r＝＋－＠"
LINE = "(line)"  # the column with the lines that rows have in the whole log
_TEXT = pa.large_string()
_FAULTS = said("faults")


class LogError(ValueError):
    """What cannot be read at all, in one sentence."""

    def _render_traceback_(self):  # a notebook shows the sentence, without the way to it
        return [str(self)]


def fault(block, **told):
    """The LogError that shared/log/faults.toml says, with what was found."""
    return LogError(_FAULTS[block].format(**told))


@dataclass(frozen=True)
class Raw:
    """A table as text."""

    columns: dict  # name (trimmed, case-folded) to a pyarrow string array, null where blank
    lines: np.ndarray  # of each row, the header being line 1
    # (line, column, value, rule[, remedy]) of what the form of the source itself broke
    problems: tuple = ()
    beyond: dict = field(default_factory=dict)  # line to cells beyond the header
    plain: bool = False  # printable ASCII alone


@dataclass(frozen=True)
class Source:
    """A log not yet read: its header, and for each table a function that reads it."""

    name: str
    header: dict  # of log.toml
    tables: dict[str, Callable[[], Raw]]
    strange: tuple = ()  # names of tables that the format does not know
    folder: Path | None = None  # of the plan
    files: dict = field(default_factory=dict)  # the file of each table, where it has one

    def where(self, table):
        """The place of a table, as an error says it."""
        return self.files[table].name if table in self.files else f"table {table}"


def header_names(cells, where):
    """Column names, trimmed and case-folded; a blank one is its place. LogError for two alike."""
    names = ["" if c is None else str(c).strip().strip("\ufeff").casefold() for c in cells]
    names = [name or f"(column {i})" for i, name in enumerate(names, start=1)]
    twice = next((name for name, n in Counter(names).items() if n > 1), None)
    if twice:
        raise fault("same_column", where=where, name=twice[:60])
    return names


def unescaped(raw):
    """The table without the apostrophes that `write` puts before what looks like a formula."""
    bare = partial(pc.replace_substring_regex, pattern=f"^'('*[{FORMULA}])", replacement=r"\1")
    return replace(raw, columns={name: bare(array) for name, array in raw.columns.items()})


def raw_of_frame(frame):
    """A `Raw` of a table in memory, text or typed; an index named `line` gives the lines."""
    columns = {}
    for i, name in enumerate(header_names(frame.columns, "table")):
        cells = frame.iloc[:, i]
        is_plain = cells.dtype != object and not isinstance(cells.dtype, pd.CategoricalDtype)
        columns[name] = _text(pa.Array.from_pandas(cells)) if is_plain else _text_of_each(cells)
    lines = frame.index.to_numpy() if frame.index.name == "line" else np.arange(2, len(frame) + 2)
    return Raw(columns, lines.astype("int64"))


def raw_of_rows(names, rows):
    """A `Raw` of rows of cells (line to its cells), be they shorter or longer than the header."""
    width = len(names)
    full = [[*row[:width], *[None] * (width - len(row))] for row in rows.values()]
    cells = zip(*full, strict=True) if full else [()] * width
    columns = dict(zip(names, map(_text_of_each, cells), strict=True))
    over = {line: [str(c) for c in row[width:] if c is not None] for line, row in rows.items()}
    beyond = {line: cells for line, cells in over.items() if "".join(cells).strip()}
    problems = tuple((line, "", cells[0], "row-length") for line, cells in beyond.items())
    return Raw(columns, np.array(list(rows), dtype="int64"), problems, beyond)


def raw_of_arrow(table, where):
    """A `Raw` of a pyarrow table; lines are counted as if a header stood above, or stand in `LINE`,
    where it is a table of one partition of a log."""
    columns = dict(zip(header_names(table.column_names, where), table.columns, strict=True))
    lines = np.arange(2, table.num_rows + 2)
    if LINE in columns and columns[LINE].type == pa.int64():
        lines = columns.pop(LINE).to_numpy()
    for name, array in columns.items():
        if pa.types.is_nested(array.type):
            raise fault("nested", where=where, name=name)
    columns = {name: _text(array) for name, array in columns.items()}
    return Raw(columns, lines)


def _text(array):
    """The cells of a pyarrow array as text, null where blank."""
    if pa.types.is_dictionary(array.type):
        array = array.cast(array.type.value_type)
    if pa.types.is_timestamp(array.type):
        array = pc.strftime(array, format="%Y-%m-%d")
    elif pa.types.is_floating(array.type):
        array = pc.if_else(pc.is_nan(array), pa.scalar(None, array.type), array)
    elif array.type in (pa.bool_(), pa.binary(), pa.large_binary()):
        return _text_of_each(array.to_pylist())
    text = array.cast(_TEXT)
    return pc.if_else(pc.equal(text, ""), pa.scalar(None, _TEXT), text)


def _text_of_each(values):
    return pa.array(map(text_of, values), _TEXT)


def text_of(value):
    """A cell's text as a person would type it, None where it is blank."""
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, date):  # also with a time, which no day has
        return value.isoformat()[:10]
    if isinstance(value, float | np.floating):
        if np.isnan(value):
            return None
        if abs(value) < 1e15 and value == int(value):
            return str(int(value))
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    return str(value).encode("utf-8", "replace").decode() or None
