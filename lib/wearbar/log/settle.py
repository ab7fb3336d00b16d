"""A whole log read and checked; what becomes of each row is settled here alone."""

import hashlib
from dataclasses import dataclass, field
from functools import cache
from itertools import product
from typing import NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from wearbar.log.checks import odometers, peers, rows, sizes
from wearbar.log.checks.cells import typed
from wearbar.log.checks.peers import MONEY
from wearbar.log.checks.problems import PROBLEM_COLUMNS, join, named, problems
from wearbar.log.keys import is_among, stacked
from wearbar.log.schema import FIRST_NAMES, MAIN_DATE, READINGS, TABLES, TEXT
from wearbar.log.sources.header import ESCAPED
from wearbar.log.sources.raw import LogError, Raw, fault, unescaped

LEDGER_COLUMNS = ("table", "read", "used", "set_aside", "after")
RECORDS = ("odometer", "work", "fuel", "measurements")
JOINED_DAYS = 365
ROW = ["table", "line"]
MARK, HEAD = "mend", 10
DEFAULTS = {"depth": "mm", "pressure": "kPa", "jurisdiction": ""}

# checks of all tables (frames by name, header) in order, each of what those before it left, and the
# tables it looks at: with no row in them it finds nothing; none sets a row aside, and one alone
# blanks a reading
OF_READINGS = {odometers.doubtful_readings: tuple(READINGS)}
OF_ALL_TABLES = {
    peers.fills: ("fuel",),
    **OF_READINGS,
    sizes.doubtful_depths: ("fitted", "measurements"),
    sizes.unlike_depths: ("fitted", "measurements"),
    sizes.of_its_kind: ("use", "measurements"),
    peers.doubtful_money: (*MONEY["like"],),
    peers.doubtful_fuel_money: ("fuel",),
    rows.contradicted: ("fitted", "work", "deferrals"),
    rows.unknown_law: ("vehicles",),
}


class Typed(NamedTuple):
    """Tables as they were read, before any rule: by name, as in a `ServiceLog`; so is extra."""

    tables: dict
    extra: dict
    sha256: str
    found: pd.DataFrame  # problems of cells


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
        self.found.append(found := join(problems))
        if len(found):
            found = found[found["table"].isin(list(self.tables)) & found["severity"].ne("warn")]
        for table, mine in found.groupby("table") if len(found) else ():
            frame = self.tables[table] = self.tables[table].copy(deep=False)
            for name, cells in mine[mine["severity"] == "adjust"].groupby("column"):
                frame[name] = frame[name].mask(frame.index.isin(cells["line"]))
            broke = mine[mine["severity"] == "set-aside"].drop_duplicates("line").set_index("line")
            gone = frame.index.isin(broke.index)
            if gone.any():
                self.tables[table] = frame[~gone]
                self.aside[table] = pd.concat([self.aside.get(table, frame[:0]), frame[gone]])
            if table == "vehicles":
                names = frame["vehicle"][gone].dropna()
                self.lost |= dict(zip(names, broke["rule"].reindex(names.index), strict=True))

    @property
    def set_aside(self):
        """One row a row set aside, in order; what else is wrong with it stands in its remedy."""
        found = join(self.found)
        found = found[found["severity"] != "warn"]
        if not len(found):
            return found[list(PROBLEM_COLUMNS)]
        found = in_order(found.sort_values("severity", ascending=False, kind="stable"))
        kept = found[found["severity"] == "set-aside"].drop_duplicates(ROW)
        others = found.drop(kept.index)
        also = ", also " + others["column"] + " " + others["value"] + ": " + others["remedy"]
        also = also.groupby([others["table"], others["line"]]).agg("".join).astype(TEXT)
        also = also.reindex(pd.MultiIndex.from_frame(kept[ROW])).fillna("").array
        kept = kept.assign(remedy=kept["remedy"] + also)
        return kept[list(PROBLEM_COLUMNS)].reset_index(drop=True)

    @property
    def warnings(self):
        """One row a doubt about a row that is kept."""
        found = join(self.found)
        if not len(found):
            return found[list(PROBLEM_COLUMNS)]
        gone = is_among(found, found[found["severity"] == "set-aside"], ROW)
        return in_order(found[~gone])[list(PROBLEM_COLUMNS)]

    @property
    def ledger(self):
        """Rows read, used, set aside and after the report date, a row a table of the format."""
        used, aside = self.tables, self.aside
        rows = [(n, self.read[n], len(used[n]), len(aside.get(n, ())), self.after[n]) for n in used]
        return pd.DataFrame(rows, columns=list(LEDGER_COLUMNS))


def in_order(found):
    """Problems (a frame) by table, as the format has them, and line."""
    place = found["table"].map({name: i for i, name in enumerate(TABLES)}).fillna(len(TABLES))
    return found.iloc[np.lexsort((found["line"], place))].reset_index(drop=True)


def check(read, header, today=None, rules=OF_ALL_TABLES):
    """Put tables that were read (`read_tables`) through every rule, `rules` of all tables: a
    `Checked`. today: a default `as_of` is no later; None: any day. LogError where none is."""
    tables = dict(read.tables)
    log = Checked(tables, read.extra, read.sha256, {name: len(of) for name, of in tables.items()})
    log.as_of = header["as_of"] if "as_of" in header else newest(tables, today)
    if pd.isna(log.as_of) and today is None:
        raise fault("no_last_day")
    log.as_of = today.normalize() if pd.isna(log.as_of) else log.as_of
    if header.get("first_day", log.as_of) > log.as_of:
        raise fault("late_first_day", first=header["first_day"], last=log.as_of)
    log.take(_drop_after(log, read.found, today))
    held = [name for name in TABLES if len(tables[name])]
    for rule, name in product((rows.alone, rows.beside_others), held):
        log.take(rule(name, tables[name], log))
    for rule, about in rules.items():
        if any(len(tables[name]) for name in about):
            log.take(rule(tables, DEFAULTS | header))
    log.first_day = header["first_day"] if "first_day" in header else oldest(tables, log.as_of)
    return log


def oldest(tables, as_of):
    """The first day of the record: its oldest, or that of joining by a vehicle whose own rows begin
    within a year. One that joined long before its first row was not written down from then on."""
    days = [as_of, *(tables[name]["date"].min() for name in RECORDS)]
    joined = tables["vehicles"].set_index("vehicle")["acquired"].dropna()
    if len(joined):
        records = stacked([tables[name][["vehicle", "date"]] for name in RECORDS])
        begun = records.groupby("vehicle")["date"].min().reindex(joined.index)
        days.append(joined[(begun - joined).dt.days.between(0, JOINED_DAYS)].min())
    return pd.Series(days, dtype="datetime64[ns]").min()


def newest(tables, today=None):
    """The last day of a record or reading, today at most; NaT where there is none."""
    days = [tables[name]["date"] for name in RECORDS]
    for name in READINGS.keys() - {*RECORDS}:
        table = tables[name]
        days += [table[date].where(table[reading].notna()) for reading, date in READINGS[name]]
    days = np.concatenate(days)
    days = days[~np.isnat(days) if today is None else days <= today.to_datetime64()]
    return pd.Timestamp(days.max()) if len(days) else pd.NaT


def _drop_after(log, found, today):
    """Leave out and count what lies after the report date; what was found wrong in the rest."""
    not_yet, told = [], []
    log.after = dict.fromkeys(log.tables, 0)
    for name, frame in log.tables.items():
        if not len(frame):
            continue
        date = rows.main_date(name, frame)
        later = date > log.as_of
        if len(not_yet) and "vehicle" in frame:
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


def read_tables(source, header):
    """The `Typed` tables of a source; LogError for what can't be read at all."""
    if "vehicles" not in source.tables:
        raise fault("no_vehicles")
    no_part = ("plan", "name", "pack", ESCAPED)
    said = repr(sorted((key, str(v)) for key, v in header.items() if key not in no_part))
    digest, tables, extra, has_readings = hashlib.sha256(said.encode()), {}, {}, False
    found = [problems(name, [1], "", "", "unknown-table") for name in source.strange]
    could_hold = [n for n in TABLES if n in READINGS and n in source.tables and n != "vehicles"]
    for name in TABLES:
        if name in source.tables:
            raw = unescaped(source.tables[name]()) if ESCAPED in header else source.tables[name]()
            raw.columns.pop(MARK, None)
            require_columns(name, raw, source)
            if name in could_hold:
                has_readings |= any(column in raw.columns for column, _ in READINGS[name])
            written = {*raw.columns}
            tables[name], problem, extra[name] = typed(name, raw)
            pa.default_memory_pool().release_unused()
        else:
            (tables[name], problem, extra[name]), written = _absent(name), ()
        found.append(problem)
        if name != "price_index" or len(tables[name]):  # added later: a log without is as before
            digest.update(_digest(name, tables[name], problem, written))
    meters = tables["vehicles"]["meter"].fillna("distance")
    if not has_readings and meters.isin(["distance", "both"]).any():
        if not could_hold:
            raise fault("no_readings")
        name = could_hold[0]
        lacking, strange = READINGS[name][0][0], [repr(c[:60]) for c in extra[name].columns[:5]]
        strange = f" ({', '.join(strange)} the format does not name)" if strange else ""
        raise fault("readings_lack", where=source.where(name), lacking=lacking, strange=strange)
    found = join([*found, *_units_not_said(tables, header)])
    return Typed(tables, extra, digest.hexdigest(), found)


@cache
def _absent(name):
    return typed(name, Raw({}, np.array([], dtype="int64")))


def require_columns(name, raw, source):
    """Raise LogError where a table lacks a column that every row must fill."""
    needed = [c.name for c in TABLES[name] if c.required]
    lacking = [column for column in needed if column not in raw.columns]
    if not lacking:
        return
    where, only = source.where(name), next(iter(raw.columns), "")
    what = f"{where}, line 1: the header lacks {', '.join(lacking)}"
    sign = next((sign for sign in ";\t|" if sign in only and len(raw.columns) == 1), "")
    if sign:
        raise fault("no_commas", what=what, sign=sign)
    for k, line in enumerate(raw.lines[:HEAD].tolist()):  # below a title, say
        cells = [*(array[k].as_py() for array in raw.columns.values()), *raw.beyond.get(line, ())]
        if {*needed} <= {str(cell).strip().casefold() for cell in cells if cell is not None}:
            raise fault("low_header", where=where, first=only[:40], line=line)
    raise LogError(f"{what}; add the column{'s' * (len(lacking) > 1)}.")


def _digest(name, frame, found, written):
    """What the table says, in bytes that are the same on any machine and from any source. written:
    the columns that the source has."""
    digest = hashlib.sha256(f"{FIRST_NAMES.get(name, name)} {len(frame)} ".encode())
    for col in [c for c in TABLES[name] if c.name in written] if len(frame) else ():
        values = frame[col.name].array
        if values.isna().all():
            continue
        digest.update(col.name.encode())
        if col.kind == "number":
            size = values.to_numpy() + 0.0
            digest.update(np.where(np.isnan(size), np.nan, size).astype("<f8", copy=False))
        elif col.kind == "date":
            digest.update(values.to_numpy().astype("<M8[D]").astype("<i8").astype("<i4").tobytes())
        else:
            text = pc.fill_null(pa.array(values, pa.large_string()), "\0")
            text = text.combine_chunks() if isinstance(text, pa.ChunkedArray) else text
            ends = np.frombuffer(text.buffers()[1], "<i8")
            ends = ends[text.offset : text.offset + len(text) + 1]
            digest.update(ends - ends[0] if ends[0] else ends)
            digest.update(text.buffers()[2][ends[0] : ends[-1]])
    if len(found):
        digest.update(found[["line", "column", "value", "rule"]].to_csv(index=False).encode())
    return digest.digest()


def _units_not_said(tables, header):
    """Doubts about units that are not said: the default is taken. Of distance there is none."""
    if "distance" not in header:
        raise fault("no_distance")
    measured = tables["measurements"]["quantity"]

    def has(quantity):
        told = [(tables[n], c) for n in TABLES for c in TABLES[n] if c.quantity == quantity]
        return any(len(frame) and frame[c.name].notna().any() for frame, c in told)

    for key, taken, is_held in (
        ("volume", "L", lambda: len(tables["fuel"])),
        ("depth", "mm", lambda: has("depth") or measured.eq("depth").any()),
        ("pressure", "kPa", lambda: measured.eq("pressure").any()),
        ("currency", "no currency", lambda: has("money")),
    ):
        if key not in header and is_held():
            remedy = f"say {key} in log.toml; {taken} is taken"
            yield problems("log.toml", [1], key, "", "unit-not-said", remedy)
