"""A log on its way through the checks: tables, what was set aside, the ledger of every row."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from wearbar.log.checks.problems import PROBLEM_COLUMNS, join
from wearbar.log.keys import is_among
from wearbar.log.schema import TABLES

LEDGER_COLUMNS = ("table", "read", "used", "set_aside", "after")
ROW = ["table", "line"]


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
