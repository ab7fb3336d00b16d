"""A log as it stood on an earlier day: the raw tables cut, what nobody could know blanked, and
every check run again on the rest.

A reading found false only by a later one is still there in the replay, and what was typed in later
is not, where the tables say when a row was `recorded`; where they do not, a row counts from its own
date, and one typed in late is known too soon.
"""

from dataclasses import replace
from functools import partial

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from wearbar.log import log_from
from wearbar.log.checks.cells import typed
from wearbar.log.checks.rows import main_date
from wearbar.log.schema import READINGS, TABLES
from wearbar.usage.distance import known_on

# periods whose row is written when they end; of the others the beginning is known, and the end, if
# still to come, is not
WRITTEN_AT_END = ("use",)
PAID_AHEAD = ("fixed_costs",)
OF_USE = ("vehicles", "layups", *READINGS)
YEAR = pd.Timedelta(days=366)


class Replay:
    """The replays of one log, its tables read once."""

    def __init__(self, log):
        self.source, self.plan = log.origin, log.plan
        self.raw = {name: read() for name, read in log.origin.tables.items() if name in TABLES}
        # of every row its dates and `known`, the day from which it could be in the log; NaT where
        # nothing says
        self.dates = {}
        for name, raw in self.raw.items():
            wanted = [c.name for c in TABLES[name] if c.kind == "date"]
            kept = {column: values for column, values in raw.columns.items() if column in wanted}
            dates = typed(name, replace(raw, columns=kept, problems=()))[0][wanted]
            day = dates["to"] if name in WRITTEN_AT_END else main_date(name, dates)
            if name == "certificates":
                day = day.fillna(dates["valid_to"] - YEAR)
            self.dates[name] = dates.assign(known=known_on(day, dates["recorded"]))

    def at(self, day, of_use=False):
        """The log at the end of that day; of_use: without plan and tables that hold no reading."""
        day, names = pd.Timestamp(day), [n for n in self.raw if n in OF_USE or not of_use]
        tables = {name: partial(self._cut, name, day) for name in names}
        plan = None if of_use else plan_at(self.plan, day)
        return log_from(replace(self.source, tables=tables), plan, day)

    def tells_when_recorded(self):
        """Whether any table says when a row was typed in."""
        return any(dates["recorded"].notna().any() for dates in self.dates.values())

    def _cut(self, name, day):
        raw, dates = self.raw[name], self.dates[name]
        kept = ~(dates["known"] > day).to_numpy()
        columns = {column: values.filter(pa.array(kept)) for column, values in raw.columns.items()}
        if "to" in columns and name not in (*WRITTEN_AT_END, *PAID_AHEAD):
            ahead = pa.array((dates["to"] > day).to_numpy()[kept])
            columns["to"] = pc.if_else(ahead, pa.scalar(None, columns["to"].type), columns["to"])
        lines = raw.lines[kept]
        there = set(lines.tolist()) | {1}
        problems = tuple(p for p in raw.problems if p[0] in there)
        beyond = {line: cells for line, cells in raw.beyond.items() if line in there}
        return replace(raw, columns=columns, lines=lines, problems=problems, beyond=beyond)


def plan_at(plan, day):
    """The plan without the versions that were still to come."""
    if plan is None:
        return None
    begun = {}
    for name in ("tasks", "plans", "covers"):
        frame = getattr(plan, name)
        frame = frame[~(frame["valid_from"] > day)].reset_index(drop=True)
        if "valid_to" in frame:
            frame["valid_to"] = frame["valid_to"].mask(frame["valid_to"] >= day)
        begun[name] = frame
    return replace(plan, **begun)
