"""A whole log checked, one rule after another; what becomes of each row is settled here alone."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from wearbar.log.checks import odometers, peers, rows, sizes
from wearbar.log.checks.problems import PROBLEM_COLUMNS, join, named
from wearbar.log.intake import read_tables
from wearbar.log.keys import is_among
from wearbar.log.schema import MAIN_DATE, READINGS, TABLES, TEXT
from wearbar.log.sources.raw import LogError

LEDGER_COLUMNS = ("table", "read", "used", "set_aside", "after")
RECORDS = ("odometer", "work", "fuel", "measurements")
JOINED_DAYS = 365  # a record begins where a vehicle joined, if its rows follow within these
ROW = ["table", "line"]
DEFAULTS = {"depth": "mm", "pressure": "kPa", "jurisdiction": ""}

# checks in order, each of what those before it left: of a table (name, frame, `Checked`), the
# first four of every table before the next four; and of all tables (frames by name, header)
OF_A_ROW = (rows.repeated_ids, rows.periods, rows.lacking, rows.known_later)
OF_OTHER_ROWS = (rows.known_vehicles, rows.same_rows, rows.service, rows.one_at_a_time)
OF_ALL_TABLES = (
    peers.fills, odometers.doubtful_readings, odometers.doubtful_hours, sizes.deeper_than_new,
    sizes.doubtful_depths, sizes.unlike_depths, sizes.pressures, sizes.distances,
    peers.doubtful_money, peers.doubtful_fuel_money, peers.doubtful_hours_worked, rows.overlaps,
    rows.references, rows.unknown_law,
)  # fmt: skip


@dataclass
class Checked:
    """Tables on their way through the checks: `take` settles what problems do to their rows."""

    tables: dict  # by name, as in a `ServiceLog`; so are extra and aside
    extra: dict
    sha256: str
    read: dict  # rows read, by table
    after: dict = field(default_factory=dict)  # rows left out as after the report date, by table
    aside: dict = field(default_factory=dict)
    lost: dict = field(default_factory=dict)  # the rule that each vehicle set aside broke
    found: list = field(default_factory=list)
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
            broke = mine[mine["severity"] == "set-aside"].drop_duplicates("line").set_index("line")
            gone = frame.index.isin(broke.index)
            self.tables[table] = frame[~gone] if gone.any() else frame
            if gone.any():
                before = [self.aside[table]] if table in self.aside else []
                self.aside[table] = pd.concat([*before, frame[gone]])
            if table == "vehicles":
                names = frame["vehicle"][gone].dropna()
                self.lost |= dict(zip(names, broke["rule"].reindex(names.index), strict=True))

    @property
    def set_aside(self):
        """One row a row set aside, in order; what else is wrong with it stands in its remedy."""
        found = join(self.found)
        found = found[found["severity"] != "warn"]
        found = _in_order(found.sort_values("severity", ascending=False, kind="stable"))
        kept = found[found["severity"] == "set-aside"].drop_duplicates(ROW)
        others = found.drop(kept.index)
        also = ", also " + others["column"] + " " + others["value"] + ": " + others["remedy"]
        also = also.groupby([others["table"], others["line"]]).agg("".join).astype(TEXT)
        more = also.reindex(pd.MultiIndex.from_frame(kept[ROW])).fillna("").array
        kept = kept.assign(remedy=kept["remedy"] + more)
        return kept[list(PROBLEM_COLUMNS)].reset_index(drop=True)

    @property
    def warnings(self):
        """One row a doubt about a row that is kept."""
        found = join(self.found)
        gone = is_among(found, found[found["severity"] == "set-aside"], ROW)
        return _in_order(found[~gone])[list(PROBLEM_COLUMNS)]

    @property
    def ledger(self):
        """Rows read, used, set aside and after the report date, a row a table of the format."""
        used, aside = self.tables, self.aside
        rows = [(n, self.read[n], len(used[n]), len(aside.get(n, ())), self.after[n]) for n in used]
        return pd.DataFrame(rows, columns=list(LEDGER_COLUMNS))


def _in_order(found):
    place = found["table"].map({name: i for i, name in enumerate(TABLES)}).fillna(len(TABLES))
    return found.iloc[np.lexsort((found["line"], place))].reset_index(drop=True)


def check(source, header, today=None):
    """Read the source's tables and put them through every rule: a `Checked`.

    header: checked (`sources.header.check_header`). today: a default `as_of` is no later; None
    where any day will do. Raises LogError for what can't be read at all.
    """
    tables, extra, sha256, found = read_tables(source, header)
    log = Checked(tables, extra, sha256, {name: len(frame) for name, frame in tables.items()})
    log.as_of = header.get("as_of") or _newest(tables, today)
    if header.get("first_day", log.as_of) > log.as_of:
        late = f"{header['first_day']:%Y-%m-%d}, after the last day to count, {log.as_of:%Y-%m-%d}"
        raise LogError(f"log.toml: first_day is {late}; mend first_day, or say a later as_of.")
    log.take(_drop_after(log, found, today))
    held = [name for name in TABLES if len(tables[name])]
    for rules in (OF_A_ROW, OF_OTHER_ROWS):
        for name in held:
            for rule in rules:
                log.take(rule(name, tables[name], log))
    for rule in OF_ALL_TABLES:
        log.take(rule(tables, DEFAULTS | header))
    log.first_day = header.get("first_day") or _oldest(tables, log.as_of)
    return log


def _newest(tables, today):
    """The last day of a record or reading, today at most."""
    days = [tables[name]["date"] for name in RECORDS]
    for name in READINGS.keys() - {*RECORDS}:
        table = tables[name]
        days += [table[date].where(table[reading].notna()) for reading, date in READINGS[name]]
    days = pd.concat(days).dropna()
    if today is None and not len(days):
        unknown = "so its last day is not known; say as_of in log.toml."
        raise LogError(f"The log holds no reading and no work, {unknown}")
    if today is not None:
        days = days[days <= today.normalize()]
    return days.max() if len(days) else today.normalize()


def _oldest(tables, as_of):
    """The oldest day of a record, or of joining by a vehicle whose own rows begin within a year.

    A vehicle that joined long before its first row was not written down from that day on.
    """
    records = pd.concat([tables[name][["vehicle", "date"]] for name in RECORDS], ignore_index=True)
    begun = records.groupby("vehicle")["date"].min()
    joined = tables["vehicles"].set_index("vehicle")["acquired"]
    near = joined[(begun.reindex(joined.index) - joined).dt.days.between(0, JOINED_DAYS)]
    oldest = pd.Series([begun.min(), near.min()], dtype="datetime64[ns]").min()
    return as_of if pd.isna(oldest) or oldest > as_of else oldest


def _drop_after(log, found, today):
    """Leave out and count what lies after the report date; what was found wrong in the rest."""
    not_yet, told = [], []
    for name, frame in log.tables.items():
        date = rows.main_date(name, frame)
        later = date > log.as_of
        if "vehicle" in frame:
            later |= frame["vehicle"].isin(not_yet)
        log.after[name] = int(later.sum())
        if not later.any():
            continue
        if name == "vehicles":
            not_yet = frame.loc[later, "vehicle"].dropna()
        gone = found["table"].eq(name) & found["line"].isin(frame.index[later])
        found, log.tables[name] = found[~gone], frame[~later]
        if today is not None:
            where = MAIN_DATE[name][0]
            told.append(named(name, date.to_frame(where), later & (date > today), where, "future"))
    return [found, *told]
