"""Problems found in a log, as a frame: where, what, by which rule, what to do, and what comes of the row."""

from functools import cache, partial

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from wearbar.log.rules import RULES
from wearbar.log.schema import TEXT, column

PROBLEM_COLUMNS = ("table", "line", "column", "value", "rule", "remedy")
LONGEST = 200
_TYPES = dict.fromkeys((*PROBLEM_COLUMNS, "severity"), TEXT) | {"line": "int64"}


def problems(table, lines, name, values, rule, remedy=None, severity=None):
    """One row a problem, with `PROBLEM_COLUMNS` and `severity` ("set-aside", "adjust" or "warn").

    lines: ints. name: the column's, or one a line. values: what was found. remedy, severity: one
    for all or one a line, by default the rule's. The remedy of an adjusted cell says so.
    """
    if not len(lines):
        return none_found()
    if severity is None and RULES[rule].severity == "cell":
        col = column(table, name)
        severity = "set-aside" if col is None or col.must_read else "adjust"
    severity = np.asarray(RULES[rule].severity if severity is None else severity, dtype=object)
    remedy = np.asarray(RULES[rule].mend if remedy is None else remedy, dtype=object)
    remedy = np.where(severity == "adjust", "read as blank; " + remedy, remedy)
    cells = (table, lines, name, shown(values), rule, remedy, severity)
    wide = (np.broadcast_to(np.asarray(cell, dtype=object), len(lines)) for cell in cells)
    return pd.DataFrame(dict(zip(_TYPES, wide, strict=True))).astype(_TYPES)


def named(table, rows, name, rule, remedy=None, severity=None):
    """`problems` of the column `name` of `rows` (index: their lines)."""
    return problems(table, rows.index, name, rows[name], rule, remedy, severity)


@cache
def none_found():
    """No problem: a frame without rows, always the same."""
    return pd.DataFrame(columns=list(_TYPES)).astype(_TYPES)


def codes(text, names):
    """Where each text stands in `names`: an array of ints, -1 where nowhere."""
    text, names = (pa.array(values, pa.large_string()) for values in (text.array, names))
    return pc.index_in(text, value_set=names).fill_null(-1).to_numpy()


def of_vehicle(rows, vehicles, name):
    """What table vehicles says in column `name` about the vehicle of each of `rows`: an array."""
    return vehicles[name].to_numpy()[codes(rows["vehicle"], vehicles["vehicle"])]


def join(parts):
    """Several frames of problems as one."""
    parts = [p for p in parts if len(p)]
    return pd.concat(parts, ignore_index=True) if parts else none_found()


def shown(values):
    """Values as a person would type them: 12.0 as "12", a day as 2026-10-31, blank as "".

    >>> shown([12.0, 0.25]).tolist()
    ['12', '0.25']
    """
    values = pd.Series(np.asarray(values))
    if values.dtype.kind == "f":
        plain = partial(np.format_float_positional, precision=10, trim="-")
        text = [plain(v) if np.isfinite(v) else "" for v in values]
    elif values.dtype.kind == "M":
        text = values.dt.strftime("%Y-%m-%d").fillna("")
    else:
        text = values.astype(TEXT).fillna("").str.slice(0, LONGEST)
    return pd.Series(text, dtype=TEXT)
