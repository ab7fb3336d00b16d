"""Tables as a source has them, typed cell by cell: the first step of a check."""

import hashlib

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from wearbar.log.checked import Checked
from wearbar.log.checks.cells import typed
from wearbar.log.checks.problems import join, problems
from wearbar.log.schema import FIRST_NAMES, READINGS, TABLES
from wearbar.log.sources.header import ESCAPED
from wearbar.log.sources.raw import LogError, Raw, unescaped

__all__ = ["MARK", "read_tables"]

MARK, HEAD = "mend", 10


def read_tables(source, header, beside):
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
