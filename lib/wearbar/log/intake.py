"""Tables as a source has them, typed cell by cell: the first step of a check."""

import hashlib

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from wearbar.log.checks.cells import typed
from wearbar.log.checks.problems import join, problems
from wearbar.log.schema import FIRST_NAMES, READINGS, TABLES
from wearbar.log.sources.header import ESCAPED
from wearbar.log.sources.raw import LogError, Raw, unescaped

MARK, HEAD = "mend", 10


def read_tables(source, header):
    """(tables, columns not in the format, fingerprint of what is said, problems found in cells)."""
    if "vehicles" not in source.tables:
        must = "it must say which vehicles there are, of what kind, in service since when."
        raise LogError(f"The log has no table vehicles; {must}")
    no_part = ("plan", "name", ESCAPED)
    said = repr(sorted((key, str(v)) for key, v in header.items() if key not in no_part))
    digest, tables, extra = hashlib.sha256(said.encode()), {}, {}
    found = [problems(name, [1], "", "", "unknown-table") for name in source.strange]
    could_hold = [n for n in TABLES if n in READINGS and n in source.tables and n != "vehicles"]
    has_readings = False
    for name in TABLES:
        raw = Raw({}, np.array([], dtype="int64"))
        if name in source.tables:
            raw = unescaped(source.tables[name]()) if ESCAPED in header else source.tables[name]()
            raw.columns.pop(MARK, None)
            _require_columns(name, raw, source)
        if name in could_hold:
            has_readings |= any(column in raw.columns for column, _ in READINGS[name])
        tables[name], problem, extra[name] = typed(name, raw)
        pa.default_memory_pool().release_unused()
        found.append(problem)
        digest.update(_digest(name, tables[name], problem))
    meters = tables["vehicles"]["meter"].fillna("distance")
    if not has_readings and meters.isin(["distance", "both"]).any():
        raise LogError(_no_readings(could_hold, extra, source))
    found = join([*found, *_units_not_said(tables, header)])
    return tables, extra, digest.hexdigest(), found


def _no_readings(could_hold, extra, source):
    say = "say meter = none for every vehicle."
    if not could_hold:
        give = f"give one (odometer, work or fuel), or {say}"
        return f"The log has no table with odometer readings; {give}"
    name = could_hold[0]
    lacking, strange = READINGS[name][0][0], [repr(c[:60]) for c in extra[name].columns[:5]]
    strange = f" ({', '.join(strange)} the format does not name)" if strange else ""
    where = f"{_where(name, source)}, line 1: the header lacks {lacking}{strange}"
    name_it = f"name the column with them {lacking}, or {say}"
    return f"{where}, and no other table has odometer readings; {name_it}"


def _where(name, source):
    return source.files[name].name if name in source.files else f"table {name}"


def _require_columns(name, raw, source):
    needed = [c.name for c in TABLES[name] if c.required]
    lacking = [column for column in needed if column not in raw.columns]
    if not lacking:
        return
    where, only = _where(name, source), next(iter(raw.columns), "")
    what = f"{where}, line 1: the header lacks {', '.join(lacking)}"
    sign = next((sign for sign in ";\t|" if sign in only and len(raw.columns) == 1), "")
    if sign:
        mend = "save it with commas, or turn it into a log with wearbar adopt."
        raise LogError(f"{what}. It has {sign!r} where commas belong: {mend}")
    if below := _header_below(raw, needed):
        stands = f"it stands on line {below}. Delete the lines above it."
        raise LogError(f"{where}: line 1 ({only[:40]!r}) is no header; {stands}")
    raise LogError(f"{what}; add the column{'s' * (len(lacking) > 1)}.")


def _header_below(raw, needed):
    """The line of the first ten that names all of `needed`; 0 where none does."""
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
        if values.isna().all():
            continue
        digest.update(col.name.encode())
        if col.kind == "number":
            digest.update(np.where(np.isnan(values), np.nan, values + 0.0).astype("<f8").tobytes())
        elif col.kind == "date":
            digest.update(values.to_numpy().astype("<M8[D]").astype("<i8").astype("<i4").tobytes())
        else:
            text = pc.fill_null(pa.array(values.array, pa.large_string()), "\0")
            text = text.combine_chunks() if isinstance(text, pa.ChunkedArray) else text
            ends = np.frombuffer(text.buffers()[1], "<i8")
            ends = ends[text.offset : text.offset + len(text) + 1]
            digest.update((ends - ends[0]).tobytes())
            digest.update(text.buffers()[2][ends[0] : ends[-1]])
    if len(found):
        told = found[["line", "column", "value", "rule"]]
        digest.update(told.to_csv(index=False).encode())
    return digest.digest()


def _units_not_said(tables, header):
    """Doubts about units that are not said: the default is taken. Of distance there is none."""
    if "distance" not in header:
        say = 'distance = "mi" or distance = "km"'
        raise LogError(f"log.toml must say in which unit the odometers count: {say}.")
    measured = tables["measurements"]["quantity"]
    money = [(name, c.name) for name in TABLES for c in TABLES[name] if c.quantity == "money"]
    depths = [c.name for c in TABLES["fitted"] if c.quantity == "depth"]
    has_depth = tables["fitted"][depths].notna().any(axis=None) or measured.eq("depth").any()
    for key, taken, held in (
        ("volume", "L", len(tables["fuel"])),
        ("depth", "mm", has_depth),
        ("pressure", "kPa", measured.eq("pressure").any()),
        ("currency", "no currency", any(tables[n][c].notna().any() for n, c in money)),
    ):
        if held and key not in header:
            remedy = f"say {key} in log.toml; {taken} is taken"
            yield problems("log.toml", [1], key, "", "unit-not-said", remedy)
