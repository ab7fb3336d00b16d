"""A log on its way through the checks: its tables, what was set aside, and the ledger of every row."""

from dataclasses import dataclass, field

import pandas as pd

from wearbar.log.checks.problems import PROBLEM_COLUMNS, join
from wearbar.log.schema import TABLES

__all__ = ["LEDGER_COLUMNS", "Checked", "in_order"]

LEDGER_COLUMNS = ("table", "read", "used", "set_aside", "after")


@dataclass
class Checked:
    """Tables on their way through the checks: `take` settles what a set of problems does to their rows."""

    tables: dict
    extra: dict
    read: dict
    sha256: str = ""
    found: list = field(default_factory=list)
    after: dict = field(default_factory=dict)
    lost: dict = field(default_factory=dict)
    aside: dict = field(default_factory=dict)
    as_of: pd.Timestamp = pd.NaT
    first_day: pd.Timestamp = pd.NaT

    def take(self, found):
        """Keep the problems; drop the rows they set aside, blank the cells they adjust."""
        if not len(found):
            return
        self.found.append(found)
        for table, mine in found.groupby("table"):
            if table not in self.tables:
                continue
            frame = self.tables[table]
            for name, cells in mine[mine["severity"] == "adjust"].groupby("column"):
                self.tables[table] = frame = frame.copy(deep=False)
                frame[name] = frame[name].mask(frame.index.isin(cells["line"]))
            aside = frame.index.isin(mine.loc[mine["severity"] == "set-aside", "line"])
            if table == "vehicles":
                rule = (
                    mine[mine["severity"] == "set-aside"]
                    .drop_duplicates("line")
                    .set_index("line")["rule"]
                )
                self.lost |= dict(
                    zip(frame.loc[rule.index, "vehicle"].dropna(), rule, strict=False)
                )
            if aside.any():
                self.aside[table] = pd.concat(
                    [*filter(len, [self.aside.get(table, [])]), frame[aside]]
                )
                self.tables[table] = frame[~aside]

    def problems(self):
        return join(self.found)

    @property
    def set_aside(self):
        """One row a row set aside, in the order of tables and lines; what else is wrong with it stands in its remedy."""
        found = self.problems()
        found = found[(found["severity"] != "warn").to_numpy()]
        found = in_order(found.assign(_after=found["severity"] != "set-aside")).sort_values(
            "_after", kind="stable"
        )
        first = ~found.duplicated(["table", "line"]) & ~found["_after"]
        kept, others = in_order(found[first]), in_order(found[~first])
        if len(others):
            also = ", also " + others["column"] + " " + others["value"] + ": " + others["remedy"]
            also = also.groupby([others["table"], others["line"]]).agg("".join)
            more = also.reindex(pd.MultiIndex.from_frame(kept[["table", "line"]])).fillna("")
            kept = kept.assign(remedy=kept["remedy"] + more.array).reset_index(drop=True)
        return kept[list(PROBLEM_COLUMNS)].reset_index(drop=True)

    @property
    def warnings(self):
        """One row a doubt about a row that is kept."""
        found = self.problems()
        aside = pd.MultiIndex.from_frame(
            found.loc[found["severity"] == "set-aside", ["table", "line"]]
        )
        gone = pd.MultiIndex.from_frame(found[["table", "line"]]).isin(aside)
        return in_order(found[(found["severity"] != "set-aside").to_numpy() & ~gone])[
            list(PROBLEM_COLUMNS)
        ]

    @property
    def ledger(self):
        """Rows read, used, set aside and after the report date, a row a table of the format."""
        aside = self.set_aside.groupby("table").size()
        data = [
            (
                n,
                self.read.get(n, 0),
                len(self.tables[n]),
                int(aside.get(n, 0)),
                self.after.get(n, 0),
            )
            for n in TABLES
        ]
        return pd.DataFrame(data, columns=list(LEDGER_COLUMNS))


def in_order(found):
    """Problems in the order of tables and lines."""
    order = {name: i for i, name in enumerate(TABLES)}
    place = found["table"].map(order).fillna(len(order))
    return (
        found.assign(_place=place)
        .sort_values(["_place", "line"], kind="stable")
        .drop(columns="_place")
        .reset_index(drop=True)
    )
