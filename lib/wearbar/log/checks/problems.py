"""Problems found in a log, as a frame: where, what, which rule, what would mend it, and what becomes of the row."""

from functools import cache

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from wearbar.log.rules import RULES
from wearbar.log.schema import TEXT, column

__all__ = ["PROBLEM_COLUMNS", "codes", "join", "none_found", "problems", "shown"]

PROBLEM_COLUMNS = ("table", "line", "column", "value", "rule", "remedy")
LONGEST = 200


def problems(table, lines, name, values, rule, remedy=None, severity=None):
    """One row a problem, with `PROBLEM_COLUMNS` and `severity` ("set-aside", "adjust" or "warn").

    lines: array of ints. name: the column's, or an array. values: what was found. remedy: a text or an array, the rule's own by default.
    severity: a text or an array, the rule's own by default. A remedy of a cell that is passed over says so.
    """
    if not len(lines):
        return none_found()
    severity = RULES[rule].severity if severity is None else severity
    if isinstance(severity, str) and severity == "cell":
        col = column(table, name)
        severity = "set-aside" if col is None or col.must_read else "adjust"
    remedy = np.broadcast_to(
        np.asarray(RULES[rule].mend if remedy is None else remedy, dtype=object), len(lines)
    )
    passed = np.broadcast_to(np.asarray(severity, dtype=object) == "adjust", len(lines))
    lines = np.asarray(lines, dtype="int64")
    text = {
        "column": name,
        "value": shown(values),
        "rule": rule,
        "remedy": np.where(passed, "read as blank; " + remedy, remedy),
        "severity": severity,
    }
    text = {
        key: pd.array(np.broadcast_to(np.asarray(value, dtype=object), len(lines)), dtype=TEXT)
        for key, value in text.items()
    }
    return pd.DataFrame({"table": pd.array([table] * len(lines), dtype=TEXT), "line": lines} | text)


@cache
def none_found():
    """No problem: a frame without rows, always the same."""
    text = dict.fromkeys((*PROBLEM_COLUMNS, "severity"), TEXT) | {"line": "int64"}
    return pd.DataFrame({name: pd.Series([], dtype=kind) for name, kind in text.items()})


def codes(text, names):
    """Where each text stands in `names`: an array of ints, -1 where nowhere."""
    at = pc.index_in(
        pa.array(text.array, pa.large_string()), value_set=pa.array(names, pa.large_string())
    )
    return at.fill_null(-1).to_numpy()


def join(parts):
    """Several frames of problems as one."""
    parts = [p for p in parts if len(p)]
    return pd.concat(parts, ignore_index=True) if parts else none_found()


def shown(values):
    """Values as a person would type them: 12.0 as "12", a day as 2026-10-31, blank as ""; no longer than a line or two.

    >>> shown([12.0, 0.25]).tolist()
    ['12', '0.25']
    """
    values = pd.Series(
        np.asarray(values) if not isinstance(values, pd.Series) else values.to_numpy()
    )
    if values.dtype.kind == "f":
        text = [
            np.format_float_positional(v, precision=10, trim="-") if np.isfinite(v) else ""
            for v in values
        ]
    elif values.dtype.kind == "M":
        text = values.dt.strftime("%Y-%m-%d").fillna("")
    else:
        text = values.astype(TEXT).fillna("").str.slice(0, LONGEST)
    return pd.Series(text, dtype=TEXT)
