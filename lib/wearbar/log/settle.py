"""A whole log checked, one rule after another; what becomes of each row is settled here and nowhere else."""

import hashlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from wearbar.log.checks import dates, depths, law, parts, peers, rows, sizes
from wearbar.log.checks import odometers as readings
from wearbar.log.checks.cells import typed
from wearbar.log.checks.problems import PROBLEM_COLUMNS, join, problems
from wearbar.log.schema import FIRST_NAMES, READINGS, TABLES
from wearbar.log.sources.header import ESCAPED
from wearbar.log.sources.raw import LogError, Raw, unescaped

__all__ = ["LEDGER_COLUMNS", "MARK", "Checked", "check", "in_order"]

MARK, HEAD = "mend", 10
LEDGER_COLUMNS = ("table", "read", "used", "set_aside", "after")
RECORDS = ("odometer", "work", "fuel", "measurements")
JOINED_DAYS = 365  # a record begins where a vehicle joined, if its rows follow within these


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


def check(source, header, today=None):
    """Read the source's tables and put them through every rule: a `Checked`. Raises LogError for what can't be read at all.

    header: checked (`sources.header.check_header`). today: a default `as_of` is no later; None where any day will do.
    """
    with ThreadPoolExecutor() as beside:
        log, found, hashes = _read(source, header, beside)
        _settle(log, found, header, today)
    said = repr(
        sorted((k, str(v)) for k, v in header.items() if k not in ("plan", "name", ESCAPED))
    )
    log.sha256 = hashlib.sha256(
        said.encode() + b"".join(part.result() for part in hashes)
    ).hexdigest()
    return log


def _settle(log, found, header, today):
    log.as_of = header.get("as_of") or _newest(log.tables, today)
    if header.get("first_day", log.as_of) > log.as_of:
        first, last = (f"{day:%Y-%m-%d}" for day in (header["first_day"], log.as_of))
        raise LogError(
            f"log.toml: first_day is {first}, after the last day to count, {last}; mend first_day, or say a later as_of."
        )
    log.take(_drop_after(log, found, today))
    held = [name for name in TABLES if len(log.tables[name])]
    for name in held:
        log.take(rows.repeated_ids(name, log.tables[name]))
        log.take(dates.periods(name, log.tables[name], log.as_of))
        log.take(dates.lacking(name, log.tables[name]))
        log.take(rows.known_later(name, log.tables[name], log.as_of))
    names = log.tables["vehicles"]["vehicle"].tolist()
    for name in held:
        log.take(
            rows.known_vehicles(name, log.tables[name], names, pd.Series(log.lost, dtype=object))
        )
        log.take(rows.same_rows(name, log.tables[name], log.extra[name]))
        log.take(dates.service(name, log.tables[name], log.tables["vehicles"], log.as_of))
        log.take(dates.one_at_a_time(name, log.tables[name]))
    _beside_each_other(log, header)
    log.first_day = header.get("first_day") or _oldest(log.tables, log.as_of)


def _beside_each_other(log, header):
    tables, depth = log.tables, header.get("depth", "mm")
    log.take(parts.fills(tables["fuel"], tables["vehicles"]))
    log.take(readings.doubtful_readings(tables, header["distance"]))
    log.take(readings.doubtful_hours(tables))
    log.take(parts.deep(tables["fitted"], depth))
    log.take(depths.doubtful_depths(tables["measurements"], tables["fitted"], depth))
    log.take(sizes.depths(tables, depth))
    log.take(
        sizes.pressures(tables["measurements"], tables["vehicles"], header.get("pressure", "kPa"))
    )
    log.take(sizes.distances(tables["use"], tables["vehicles"], header["distance"]))
    log.take(peers.doubtful_money(tables))
    log.take(peers.doubtful_fuel_money(tables["fuel"]))
    log.take(peers.doubtful_hours_worked(tables["work"]))
    log.take(parts.overlaps(tables["fitted"]))
    log.take(dates.references(tables))
    log.take(law.unknown_law(tables, header.get("jurisdiction", "").strip()))


def _read(source, header, beside):
    if "vehicles" not in source.tables:
        raise LogError(
            "The log has no table vehicles; it must say which vehicles there are, of what kind, in service since when."
        )
    tables, extra, read, read_off, without = {}, {}, {}, False, []
    hashes = []
    found = [problems(name, [1], "", [""], "unknown-table") for name in source.strange]
    coming = _ahead(source.tables, beside)
    for name in TABLES:
        raw = next(coming) if name in source.tables else None
        if raw is not None:
            raw = unescaped(raw) if header.get(ESCAPED) else raw
            raw.columns.pop(MARK, None)
            _require_columns(name, raw, source)
            off = name != "vehicles" and any(
                reading in raw.columns for reading, _ in READINGS.get(name, ())
            )
            read_off |= off
            without += [name] if name in READINGS and name != "vehicles" and not off else []
        tables[name], problem, extra[name] = typed(
            name, raw or Raw({}, np.array([], dtype="int64"))
        )
        read[name] = len(tables[name])
        pa.default_memory_pool().release_unused()
        found.append(problem)
        hashes.append(beside.submit(_digest, name, tables[name], problem))
    if (
        not read_off
        and tables["vehicles"]["meter"].fillna("distance").isin(["distance", "both"]).any()
    ):
        raise LogError(_no_readings(without, extra, source))
    _say_units(tables, header, found)
    return Checked(tables, extra, read), join(found), hashes


def _no_readings(without, extra, source):
    """A sentence on a log of vehicles with odometers and no reading; without: its tables that could hold one, and have no column for it."""
    if not without:
        return "The log has no table with odometer readings; give one (odometer, work or fuel), or say meter = none for every vehicle."
    name = without[0]
    lacking = READINGS[name][0][0]
    strange = (
        f" ({', '.join(repr(c[:60]) for c in extra[name].columns[:5])} the format does not name)"
        if len(extra[name].columns)
        else ""
    )
    return (
        f"{_where(name, source)}, line 1: the header lacks {lacking}{strange}, and no other table has odometer readings; "
        f"name the column with them {lacking}, or say meter = none for every vehicle."
    )


def _where(name, source):
    return source.files[name].name if name in source.files else f"table {name}"


def _ahead(tables, beside):
    """The rows of each table in turn, the next being read while one is used."""
    names = [name for name in TABLES if name in tables]
    coming = beside.submit(tables[names[0]])
    for name in names[1:]:
        raw, coming = coming.result(), beside.submit(tables[name])
        yield raw
    yield coming.result()


def _require_columns(name, raw, source):
    needed = [c.name for c in TABLES[name] if c.required]
    lacking = [column for column in needed if column not in raw.columns]
    if not lacking:
        return
    where, only = _where(name, source), next(iter(raw.columns), "")
    for sign in (";", "\t", "|"):
        if len(raw.columns) == 1 and sign in only:
            raise LogError(
                f"{where}, line 1: the header lacks {', '.join(lacking)}. It has {sign!r} where commas belong: save it with commas, or "
                "turn it into a log with wearbar adopt."
            )
    below = _header_below(raw, needed)
    if below:
        raise LogError(
            f"{where}: line 1 ({only[:40]!r}) is no header; it stands on line {below}. Delete the lines above it."
        )
    raise LogError(
        f"{where}, line 1: the header lacks {', '.join(lacking)}; add the column{'s' * (len(lacking) > 1)}."
    )


def _header_below(raw, needed):
    """The line of the first ten that has the names of all columns that must be there; 0 where none has."""
    columns = [array[:HEAD].to_pylist() for array in raw.columns.values()]
    for k, line in enumerate(raw.lines[:HEAD].tolist()):
        cells = [*(column[k] for column in columns), *raw.beyond.get(line, ())]
        if set(needed) <= {str(cell).strip().casefold() for cell in cells if cell is not None}:
            return line
    return 0


def _digest(name, frame, found):
    """What the table says, in bytes that are the same on any machine and from any source."""
    digest = hashlib.sha256(f"{FIRST_NAMES.get(name, name)} {len(frame)} ".encode())
    for col in TABLES[name]:
        values = frame[col.name]
        if not len(values) or values.isna().all():
            continue
        digest.update(col.name.encode())
        if col.kind == "number":
            digest.update(np.where(np.isnan(values), np.nan, values + 0.0).astype("<f8").tobytes())
        elif col.kind == "date":
            digest.update(values.to_numpy().astype("<M8[D]").astype("<i8").astype("<i4").tobytes())
        else:
            text = pc.fill_null(pa.array(values.array, pa.large_string()), "\0")
            text = text.combine_chunks() if isinstance(text, pa.ChunkedArray) else text
            ends = np.frombuffer(text.buffers()[1], "<i8")[
                text.offset : text.offset + len(text) + 1
            ]
            digest.update((ends - ends[0]).tobytes())
            digest.update(text.buffers()[2][ends[0] : ends[-1]])
    digest.update(
        found[["line", "column", "value", "rule"]].to_csv(index=False).encode()
        if len(found)
        else b""
    )
    return digest.digest()


def _say_units(tables, header, found):
    """The unit of distance can't be guessed; any other that is not said is taken as the default, and that is said."""
    if "distance" not in header:
        raise LogError(
            'log.toml must say in which unit the odometers count: distance = "mi" or distance = "km".'
        )
    measured = tables["measurements"]["quantity"]
    held = {
        "volume": len(tables["fuel"]) > 0,
        "depth": bool(
            tables["fitted"][["new_depth", "fitted_depth", "removed_depth", "limit_depth"]]
            .notna()
            .any(axis=None)
        )
        or measured.eq("depth").any(),
        "pressure": measured.eq("pressure").any(),
        "currency": any(
            f[c.name].notna().any()
            for n, f in tables.items()
            for c in TABLES[n]
            if c.quantity == "money"
        ),
    }
    taken = {"volume": "L", "depth": "mm", "pressure": "kPa", "currency": "no currency"}
    found += [
        problems(
            "log.toml",
            [1],
            key,
            [""],
            "unit-not-said",
            f"say {key} in log.toml; {taken[key]} is taken",
        )
        for key, has in held.items()
        if has and key not in header
    ]


def _newest(tables, today):
    days = [tables[name]["date"] for name in RECORDS]
    pairs = [
        (name, *pair)
        for name, all_pairs in READINGS.items()
        if name not in RECORDS
        for pair in all_pairs
    ]
    days += [
        tables[name][date].where(tables[name][reading].notna()) for name, reading, date in pairs
    ]
    days = pd.concat(days).dropna()
    if today is not None:
        days = days[days <= today.normalize()]
    if len(days):
        return days.max()
    if today is not None:
        return today.normalize()
    raise LogError(
        "The log holds no reading and no work, so its last day is not known; say as_of in log.toml."
    )


def _oldest(tables, as_of):
    """The oldest day of a record, or of joining by a vehicle whose own rows begin within a year of it.

    A vehicle that joined long before its first row was not written down from that day on.
    """
    rows = pd.concat([tables[name][["vehicle", "date"]] for name in RECORDS], ignore_index=True)
    begun = rows.groupby("vehicle")["date"].min()
    joined = tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle")["acquired"]
    near = joined[(begun.reindex(joined.index) - joined).dt.days.between(0, JOINED_DAYS)]
    oldest = pd.Series([begun.min(), near.min()], dtype="datetime64[ns]").min()
    return as_of if pd.isna(oldest) or oldest > as_of else oldest


def _drop_after(log, found, today):
    """Count and leave out what lies after the report date; gives what was found wrong in the rows that stay."""
    not_yet, told = [], []
    for name in TABLES:
        frame = log.tables[name]
        later = (
            rows.after(name, frame, log.as_of, not_yet) if len(frame) else np.array([], dtype=bool)
        )
        log.after[name] = int(later.sum())
        if not later.any():
            continue
        if name == "vehicles":
            not_yet = frame.loc[later, "vehicle"].dropna().tolist()
        found = found[
            ~((found["table"] == name) & found["line"].isin(frame.index[later])).to_numpy()
        ]
        log.tables[name] = frame[~later]
        if today is not None:
            told.append(dates.future(name, frame[later], today))
    return join([found, *told])
