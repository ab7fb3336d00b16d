"""A log as it stood on an earlier day: its tables cut as they were read, what nobody could know
blanked, and every check run again on the rest. Where no table says when a row was `recorded`, it
counts from its own date, and one typed in late is known too soon."""

from dataclasses import replace

import numpy as np
import pandas as pd

from wearbar.log import log_from
from wearbar.log.checks.rows import main_date
from wearbar.log.schema import READINGS
from wearbar.log.settle import OF_ALL_TABLES, OF_READINGS, read_tables
from wearbar.log.sources.header import check_header
from wearbar.usage.distance import known_on

# periods whose row is written when they end; of the others the beginning is known, and the end, if
# still to come, is not
WRITTEN_AT_END, PAID_AHEAD = ("use",), ("fixed_costs",)
OF_USE = ("vehicles", "layups", *READINGS)
YEAR = pd.Timedelta(days=366)


class Replay:
    """The replays of one log, its tables read once. read: them, where they were read before."""

    def __init__(self, log, read=None):
        self.log = log
        self.read = read or read_tables(log.origin, check_header(log.origin.header))
        # of every row the day from which it could be in the log; NaT where nothing says
        self.known = {}
        for name, frame in self.read.tables.items():
            day = frame["to"] if name in WRITTEN_AT_END else main_date(name, frame)
            if name == "certificates":
                day = day.fillna(frame["valid_to"] - YEAR)
            self.known[name] = known_on(day, frame["recorded"])

    def only(self, vehicles):
        """The replays of these vehicles' rows alone."""
        tables, extra = dict(self.read.tables), dict(self.read.extra)
        for name, frame in tables.items():
            if "vehicle" in frame:
                tables[name] = frame[frame["vehicle"].isin(list(vehicles))]
                extra[name] = extra[name].loc[tables[name].index]
        return Replay(self.log, self.read._replace(tables=tables, extra=extra))

    def at(self, day, of_use=False):
        """The log at the end of that day; of_use: no more of it than tells of readings."""
        day, tables, extra, found = pd.Timestamp(day), {}, {}, self.read.found
        names = {n: of for n, of in self.log.origin.tables.items() if n in OF_USE or not of_use}
        for name, frame in self.read.tables.items():
            later = self.known[name] > day if name in names else np.full(len(frame), True)
            if len(found):
                gone = found["line"].isin(frame.index[later])
                found = found[~(found["table"].eq(name) & gone)]
            frame, extra[name] = frame[~later], self.read.extra[name][~later]
            if "to" in frame and name not in (*WRITTEN_AT_END, *PAID_AHEAD):
                frame = frame.assign(to=frame["to"].where(~(frame["to"] > day)))
            tables[name] = frame
        read = self.read._replace(tables=tables, extra=extra, found=found)
        plan = None if of_use else plan_at(self.log.plan, day)
        rules = OF_READINGS if of_use else OF_ALL_TABLES
        return log_from(replace(self.log.origin, tables=names), plan, day, read=read, rules=rules)

    def tells_when_recorded(self):
        """Whether any table says when a row was typed in."""
        return any(frame["recorded"].notna().any() for frame in self.read.tables.values())


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
