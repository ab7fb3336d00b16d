"""The service log: `read_log` takes a folder, a workbook or a database URL, checks it, and gives a
frozen `ServiceLog`. Every row ends in exactly one of three places: `tables` (what the analysis
uses), `set_aside`, or the rows after the report date."""

import datetime
from functools import partial
from types import MappingProxyType

import pandas as pd

from wearbar.log.checks.sizes import figures
from wearbar.log.plan import plan_of, read_plan
from wearbar.log.schema import TABLES
from wearbar.log.service import ServiceLog
from wearbar.log.settle import OF_ALL_TABLES, check, newest, read_tables
from wearbar.log.sources import inside, open_source, sought
from wearbar.log.sources.header import check_header, names_in, toml_of
from wearbar.log.sources.raw import LogError, Source, raw_of_frame
from wearbar.log.tasks import NO_WORDS, as_planned
from wearbar.log.units import Units
from wearbar.log.write import write_marked, write_tables


def read_log(path, as_of=None, today=None):
    """Read and check the log at `path`: a folder, a workbook or a database URL.

    as_of: the last day to count, None the log's own, never later than `today`, the day of reading
    (None: the computer's). Raises LogError, a sentence a fault, for what cannot be read at all."""
    source, plan = open_source(path), None
    if isinstance(name := source.header.get("plan"), str) and name:
        distance = check_header(source.header).get("distance", "km")
        if "\n" in name:  # a database may hold it, to stand alone
            where = "the plan in table log"
            plan = plan_of(toml_of(name, where), distance, where)
        else:
            plan = read_plan(inside(source.folder / name, source.folder), distance)
    return log_from(source, plan, as_of, pd.Timestamp(today or datetime.date.today()))


def log_of(frames, header, plan=None, as_of=None, today=None):
    """The log of tables in memory (name to DataFrame, text or typed), checked as by `read_log`; an
    index named `line` gives the rows' lines. Without `today`, any day may be a default as_of."""
    tables = {name: partial(raw_of_frame, frames[name]) for name in frames if name in TABLES}
    strange = tuple(name for name in frames if name not in TABLES)
    source = Source("log", dict(header), tables, strange)
    return log_from(source, plan, as_of, pd.Timestamp(today) if today is not None else None)


def log_from(source, plan=None, as_of=None, today=None, read=None, rules=OF_ALL_TABLES):
    """The log of a `Source`, checked as by `read_log`. read: its tables (`settle.read_tables`),
    where they were read before. rules: those of all tables to hold to."""
    header = check_header(source.header)
    ends = header.get("as_of")
    if as_of is not None:
        header["as_of"] = pd.Timestamp(as_of).normalize()
    checked = check(read or read_tables(source, header), header, today, rules)
    tables, words = checked.tables, NO_WORDS
    ends = newest(tables) if ends is None else ends
    if plan is not None:
        tables, words, doubts = as_planned(plan, tables)
        checked.take([*figures(plan), doubts])
    found = ("extra", "aside", "set_aside", "warnings", "ledger", "as_of", "first_day", "sha256")
    return ServiceLog(
        name=header.get("name", "Service log"),
        tables=MappingProxyType(tables),
        **{name: getattr(checked, name) for name in found},
        ends=checked.as_of if pd.isna(ends) else min(ends, checked.as_of),
        units=Units(**{key: header[key] for key in Units.__dataclass_fields__ if key in header}),
        present=frozenset(source.tables),
        plan=plan,
        none=frozenset(names_in(header.get("none", []))),
        words=words,
        money=header.get("money", ""),
        **{key: header.get(key, {}) for key in ("capacity", "mileage_rates", "least_keep")},
        jurisdiction=header.get("jurisdiction", "").strip(),
        origin=source,
    )
