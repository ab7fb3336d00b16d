"""Problems found in a log, as a frame; and what becomes of its rows, each counted in a ledger."""

from dataclasses import dataclass, field
from functools import partial

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from wearbar.log.keys import is_among
from wearbar.log.rules import RULES
from wearbar.log.schema import TABLES, TEXT, column

LEDGER_COLUMNS = ("table", "read", "used", "set_aside", "after")
PROBLEM_COLUMNS = ("table", "line", "column", "value", "rule", "remedy")
ROW = ["table", "line"]
LONGEST = 200
_TYPES = dict.fromkeys((*PROBLEM_COLUMNS, "severity"), TEXT) | {"line": "int64"}
_NONE = pd.DataFrame(columns=list(_TYPES)).astype(_TYPES)


def problems(table, lines, name, values, rule, remedy=None, severity=None):
    """One row a problem, with `PROBLEM_COLUMNS` and `severity` ("set-aside", "adjust" or "warn").

    lines: ints. name: the column's, or one a line. values: what was found. remedy, severity: one
    for all or one a line, by default the rule's. The remedy of an adjusted cell says so.
    """
    if not len(lines):
        return _NONE
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
    return pd.concat(parts, ignore_index=True) if parts else _NONE


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


@dataclass
class Checked:
    """Tables on their way through the checks: `take` settles what problems do to their rows.

    tables, extra, aside: by name, as in a `ServiceLog`. read, after: rows read, and left out as
    after the report date, by table. lost: the rule that each vehicle set aside broke.
    """

    tables: dict = field(default_factory=dict)
    extra: dict = field(default_factory=dict)
    read: dict = field(default_factory=dict)
    found: list = field(default_factory=list)
    after: dict = field(default_factory=dict)
    lost: dict = field(default_factory=dict)
    aside: dict = field(default_factory=dict)
    sha256: str = ""
    as_of: pd.Timestamp = pd.NaT
    first_day: pd.Timestamp = pd.NaT

    def take(self, problems):
        """Keep the problems (frames); drop the rows they set aside, blank the cells they adjust."""
        found = join(problems)
        if not len(found):
            return
        self.found.append(found)
        for table, mine in found[found["table"].isin(list(self.tables))].groupby("table"):
            frame = self.tables[table].copy(deep=False)
            for name, cells in mine[mine["severity"] == "adjust"].groupby("column"):
                frame[name] = frame[name].mask(frame.index.isin(cells["line"]))
            rules = mine[mine["severity"] == "set-aside"].drop_duplicates("line").set_index("line")
            gone = frame.index.isin(rules.index)
            self.tables[table] = frame[~gone] if gone.any() else frame
            if gone.any():
                before = [self.aside[table]] if table in self.aside else []
                self.aside[table] = pd.concat([*before, frame[gone]])
            if table == "vehicles":
                names = frame["vehicle"][gone].dropna()
                self.lost |= dict(zip(names, rules["rule"].reindex(names.index), strict=True))

    def problems(self):
        return join(self.found)

    @property
    def set_aside(self):
        """One row a row set aside, in order; what else is wrong with it stands in its remedy."""
        found = self.problems()
        found = found[found["severity"] != "warn"]
        found = in_order(found.sort_values("severity", ascending=False, kind="stable"))
        kept = found[found["severity"] == "set-aside"].drop_duplicates(ROW)
        others = found.drop(kept.index)
        if len(others):
            also = ", also " + others["column"] + " " + others["value"] + ": " + others["remedy"]
            also = also.groupby([others["table"], others["line"]]).agg("".join)
            more = also.reindex(pd.MultiIndex.from_frame(kept[ROW])).fillna("")
            kept = kept.assign(remedy=kept["remedy"] + more.array)
        return kept[list(PROBLEM_COLUMNS)].reset_index(drop=True)

    @property
    def warnings(self):
        """One row a doubt about a row that is kept."""
        found = self.problems()
        gone = is_among(found, found[found["severity"] == "set-aside"], ROW)
        return in_order(found[~gone])[list(PROBLEM_COLUMNS)]

    @property
    def ledger(self):
        """Rows read, used, set aside and after the report date, a row a table of the format."""
        used, aside = self.tables, self.aside
        count = [(self.read[n], len(used[n]), len(aside.get(n, ())), self.after[n]) for n in TABLES]
        rows = [(name, *numbers) for name, numbers in zip(TABLES, count, strict=True)]
        return pd.DataFrame(rows, columns=list(LEDGER_COLUMNS))


def in_order(found):
    """Problems in the order of tables and lines."""
    place = found["table"].map({name: i for i, name in enumerate(TABLES)}).fillna(len(TABLES))
    return found.iloc[np.lexsort((found["line"], place))].reset_index(drop=True)
