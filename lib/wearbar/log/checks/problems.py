"""What a log must hold to, and the problems found in one: frames, with what becomes of each row."""

from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from wearbar.log.keys import stacked
from wearbar.log.schema import TEXT, column, said

PROBLEM_COLUMNS = ("table", "line", "column", "value", "rule", "remedy")
LONGEST = 200
_TYPES = dict.fromkeys((*PROBLEM_COLUMNS, "severity"), TEXT) | {"line": "int64"}
_NONE = pd.DataFrame(columns=list(_TYPES)).astype(_TYPES)


class Rule(NamedTuple):
    severity: str  # "set-aside", "cell", "adjust" or "warn": see shared/log/rules.toml
    says: str
    mend: str
    each: str = ""  # how to correct one, where the check tells what stands beside it


RULES = {code: Rule(*told) for code, told in said("rules").items()}


def problems(table, lines, name, values, rule, remedy=None, severity=None):
    """One row a problem, with `PROBLEM_COLUMNS` and `severity` ("set-aside", "adjust" or "warn").
    values: what was found, "" for nothing. name, remedy, severity: one for all or one a line."""
    if not len(lines):
        return _NONE
    severity = RULES[rule].severity if severity is None else severity
    if isinstance(severity, str) and severity == "cell":
        col = column(table, name)
        severity = "set-aside" if col is None or col.must_read else "adjust"
    remedy = RULES[rule].mend if remedy is None else remedy
    values = values[:LONGEST] if isinstance(values, str) else _as_typed(values)
    cells = dict(zip(_TYPES, (table, lines, name, values, rule, remedy, severity), strict=True))
    for each in _TYPES.keys() - {"line"}:
        told = [cells[each]] * len(lines) if isinstance(cells[each], str) else cells[each]
        cells[each] = pd.array(list(told), dtype=TEXT)
    found = pd.DataFrame(cells | {"line": np.asarray(lines, dtype="int64")}, copy=False)
    is_adjusted = cells["severity"] == "adjust"
    if is_adjusted.any():
        blank = "read as blank; " + found["remedy"]
        found["remedy"] = found["remedy"].mask(is_adjusted, blank)
    return found


def _as_typed(values):
    """Values as a person would type them: 12.0 as "12", a day as 2026-10-31, blank as ""."""
    values = np.asarray(values)
    if values.dtype.kind == "f":
        plain = partial(np.format_float_positional, precision=10, trim="-")
        return ["" if np.isnan(value) else plain(value) for value in values]
    if values.dtype.kind == "M":
        return ["" if text == "NaT" else text for text in np.datetime_as_string(values, unit="D")]
    return ["" if pd.isna(value) else str(value)[:LONGEST] for value in values.tolist()]


def named(table, frame, mask, name, rule, remedy=None, *beside):
    """`problems` of the column `name` in the rows of `frame` (index: lines) that `mask` picks.
    remedy: as in `problems`, or a function (by default the rule's `each`) of each value and of what
    stands `beside` it: arrays as long as the frame, or one value for all rows."""
    mask, each = np.asarray(mask), RULES[rule].each
    if not mask.any():
        return _NONE
    cells = frame[name][mask]
    remedy = each.format if each and remedy is None else remedy
    if callable(remedy):
        wide = (pd.Series(np.broadcast_to(one, len(frame))[mask]) for one in beside)
        remedy = [remedy(*row) for row in zip(cells, *wide, strict=True)]
    return problems(table, cells.index, name, cells, rule, remedy)


def codes(text, names):
    """Where each text stands in `names`: an array of ints, -1 where nowhere."""
    text, names = (pa.array(values, pa.large_string()) for values in (text.array, names))
    return pc.index_in(text, value_set=names).fill_null(-1).to_numpy()


def of_vehicle(rows, vehicles, name):
    """What table vehicles says in column `name` about the vehicle of each of `rows`: an array."""
    return vehicles[name].to_numpy()[codes(rows["vehicle"], vehicles["vehicle"])]


def join(parts):
    """Several frames of problems as one."""
    held = [part for part in parts if len(part)]
    return stacked(held) if held else _NONE
