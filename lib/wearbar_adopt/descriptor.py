"""A log as other tools know it: a Data Package descriptor (the standard of datapackage.org)."""

import json
import os
import re
from datetime import date, datetime, time
from math import isfinite
from pathlib import Path

from pyarrow import parquet

from wearbar.log import schema
from wearbar.log.checks.cells import BASIC_DAY, DAY, YES_NO
from wearbar.log.sources import is_database, open_source
from wearbar.log.sources.raw import fault
from wearbar.log.sources.workbook import held_cells

ABOUT, STRANGE, TYPES, OTHER_UNITS, HEADER_UNITS = schema.said("descriptor").values()
PLAIN_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
ANY_DAY = re.compile(rf"\s*(?:{DAY.pattern}|{BASIC_DAY.pattern})\s*", re.ASCII)


def write_descriptor(address, out=""):
    """Write the descriptor of the log at `address`, as datapackage.json beside it; its path.

    Only what the format requires is a constraint, and of that only what its cells meet to the
    letter: reading takes VAN for van. LogError for a database, where `out` is no place for it (by
    the standard no path leads out of its folder) or holds what was not written here.
    """
    source, log = open_source(address), Path(address)
    if is_database(address):
        raise fault("database_descriptor", name=source.name)
    path = Path(out or (log if log.is_dir() else log.parent) / "datapackage.json")
    try:
        is_ours = json.loads(path.read_text(encoding="utf-8")).get("description") == ABOUT
    except (ValueError, AttributeError, OSError):
        is_ours = not path.exists()
    if not is_ours:
        raise fault("other_descriptor", path=path)
    held = _held(source, log)
    unit = {key: str(source.header[key]) for key in HEADER_UNITS if key in source.header}
    known = held.get("vehicles", {}).get("vehicle", set())
    described = {
        "name": re.sub(r"[^a-z0-9._-]+", "-", source.name.casefold()).strip("-.") or "log",
        "title": str(source.header.get("name", source.name)),
        "description": ABOUT,
        "profile": "data-package",
        "custom": {"units": unit},
        "resources": [
            _resource(name, cells, source.files.get(name, log), path.parent, unit, known)
            for name, cells in held.items()
        ],
    }
    path.write_text(json.dumps(described, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    return path


def _held(source, log):
    """The distinct cells of each column, as the file holds them: table to column to set."""
    if not source.files:
        found = held_cells(log)
    else:
        found = {name: read().columns for name, read in source.tables.items()}
        for name, file in source.files.items():
            if file.suffix.casefold() == ".parquet":
                columns = parquet.read_table(file).columns
                found[name] = dict(zip(found[name], columns, strict=True))
            found[name] = {c: cells.unique().to_pylist() for c, cells in found[name].items()}
    return {
        table: {column: {*cells} - {None} for column, cells in found[table].items()}
        for table in schema.TABLES
        if table in found
    }


def _resource(name, held, file, folder, unit, known):
    """What stands of a table: where its file is and how written, its columns and keys."""
    path = Path(os.path.relpath(file, folder)).as_posix()
    if path.startswith("..") or Path(path).is_absolute():
        raise fault("far_descriptor", folder=folder, file=file.name)
    kind, encoding, dialect = file.suffix.casefold().lstrip("."), "utf-8", {}
    if kind == "csv":
        dialect, data = {"csv": {"delimiter": ","}}, file.read_bytes()
        if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
            encoding = "utf-16"
        elif "\ufffd" in data.decode("utf-8", "replace"):
            encoding = "iso-8859-1"
    elif kind != "parquet":
        dialect = {"excel": {"sheet": name}}

    texts = {v for cells in held.values() for v in cells if isinstance(v, str)}
    blank = sorted({v for v in texts if not v.strip()} - {""})
    fields = [_field(name, c, cells - {*blank}, unit) for c, cells in held.items()]
    described = {"fields": fields, "missingValues": ["", *blank]}
    if name in schema.UNIQUE and held.keys() >= {*schema.UNIQUE[name]}:
        described["primaryKey"] = list(schema.UNIQUE[name])
    theirs = held.get("vehicle", set())
    written_otherwise = {*map(str, theirs - known)} & {*map(str, known)}  # 12, and 12 as text
    if name != "vehicles" and "vehicle" in held and known and not written_otherwise:
        there = {"resource": "vehicles", "fields": ["vehicle"]}
        described["foreignKeys"] = [{"fields": ["vehicle"], "reference": there}]
    return {
        "name": name.replace("_", "-"),
        "type": "table",
        "path": path,
        "scheme": "file",
        "format": kind,
        "encoding": encoding,
        "dialect": {"headerCase": False} | dialect,
        "schema": described,
    }


def _field(table, name, cells, unit):
    col = schema.column(table, name)
    if col is None:
        return {"name": name} | STRANGE
    # the standard's type, or a looser one where a cell that reading takes is not written so
    text, loose = {v for v in cells if isinstance(v, str)}, set()
    if col.kind == "date":
        days = {v for v in cells if isinstance(v, date)}
        loose = {v for v in days if isinstance(v, datetime) and v.time() != time()}
        written = {v for v in map(str, cells - days) if not PLAIN_DAY.fullmatch(v)}
        loose |= {v for v in written if ANY_DAY.fullmatch(v)}
    elif col.kind == "yes_no":
        loose = {v for v in text if v.strip().casefold() in YES_NO and v not in YES_NO.values()}
    elif col.kind != "number":
        loose = cells - text
    kind = TYPES[col.kind] if not loose else "string" if text == cells else "any"
    field = {"name": name, "type": kind, "description": col.meaning}
    if kind == "boolean":
        field |= {"trueValues": ["yes"], "falseValues": ["no"]}
    if col.quantity:
        key = "currency" if col.quantity == "money" else col.quantity
        field["unit"] = OTHER_UNITS.get(key, unit.get(key, ""))
    constraints = {"required": True} if col.required else {}
    as_read = {v for v in map(str, cells) if v.strip().casefold() in col.codes}
    if col.codes and as_read <= {*col.codes}:
        constraints["enum"] = list(col.codes)
    bounds = {"minimum": col.low, "maximum": col.high}
    constraints |= {name: bound for name, bound in bounds.items() if isfinite(bound)}
    return field | ({"constraints": constraints} if constraints else {})
