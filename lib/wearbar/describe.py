"""A log as other tools know it: a Data Package descriptor with a Table Schema a table (the standard of datapackage.org)."""

import json
import os
import re
from math import isfinite
from pathlib import Path

from wearbar import tables as schema
from wearbar.sources import LogError, is_database, open_source

__all__ = ["descriptor", "write_descriptor"]

TYPES = {"id": "string", "text": "string", "code": "string", "date": "date", "number": "number", "yes_no": "boolean"}
HEADER_UNITS = ("distance", "depth", "volume", "pressure")
OTHER_UNITS = {"hours": "h", "days": "d", "share": "1"}
ABOUT = "A service log of vehicles: what was done, fitted, measured, filled and paid."


def write_descriptor(address, out=""):
    """Write the descriptor of the log at `address` to `out`, by default datapackage.json beside its tables; gives the path.

    Raises LogError for a database, and where `out` is no place for it or holds what was not written here.
    """
    source = open_source(address)
    if is_database(address):
        raise LogError(f"{source.name} is a database, which tells its own tables; a descriptor is of files: give a folder or a workbook.")
    path = Path(address)
    path = Path(out or (path if path.is_dir() else path.parent) / "datapackage.json")
    if path.exists() and not _is_ours(path):
        raise LogError(f"{path} is no descriptor that this command wrote; give another name with --out.")
    text = json.dumps(descriptor(source, address, path.parent), indent=2, ensure_ascii=False)
    path.write_text(text + "\n", encoding="utf-8")
    return path


def descriptor(source, address, folder):
    """The descriptor (a dict ready for JSON) of a `sources.Source` read from `address`: a resource a table, its fields as its columns.

    Only what the format requires is a constraint; what a field means, and its unit, go with it. Paths are relative to `folder`, where the
    descriptor will stand: the standard allows none that leads out of it, for which LogError is raised.
    """
    columns = {name: list(source.tables[name]().columns) for name in schema.TABLES if name in source.tables}
    unit = {key: str(source.header[key]) for key in (*HEADER_UNITS, "currency", "money") if key in source.header}
    files = {name: source.files.get(name, Path(address)) for name in columns}
    return {
        "name": re.sub(r"[^a-z0-9._-]+", "-", source.name.casefold()).strip("-.") or "log",
        "title": str(source.header.get("name", source.name)),
        "description": ABOUT,
        "profile": "data-package",
        "custom": {"units": unit},
        "resources": [_resource(name, names, unit, _place(name, files[name], Path(folder))) for name, names in columns.items()],
    }


def _is_ours(path):
    try:
        return json.loads(path.read_text(encoding="utf-8")).get("description") == ABOUT
    except (ValueError, AttributeError, OSError):
        return False


def _resource(name, columns, unit, place):
    described = {"fields": [_field(name, column, unit) for column in columns], "missingValues": [""]}
    if name in schema.UNIQUE:
        described["primaryKey"] = list(schema.UNIQUE[name])
    if name != "vehicles":
        described["foreignKeys"] = [{"fields": ["vehicle"], "reference": {"resource": "vehicles", "fields": ["vehicle"]}}]
    return {"name": name.replace("_", "-"), "type": "table", **place, "schema": described}


def _place(name, file, folder):
    path = Path(os.path.relpath(file, folder)).as_posix()
    if path.startswith("..") or Path(path).is_absolute():
        raise LogError(f"A descriptor in {folder} can't name {file.name}, which is not below it; write it beside the log or above.")
    kind = file.suffix.casefold().lstrip(".")
    dialect = {"excel": {"sheet": name}} if kind in ("xlsx", "xlsm") else {}
    return {"path": path, "scheme": "file", "format": kind, "encoding": "utf-8", "dialect": {"headerCase": False} | dialect}


def _field(table, name, unit):
    col = schema.column(table, name)
    if col is None:
        return {"name": name, "type": "any", "description": "not a column of the format: kept, and not used"}
    field = {"name": name, "type": TYPES[col.kind], "description": col.meaning}
    if col.kind == "yes_no":
        field |= {"trueValues": ["yes"], "falseValues": ["no"]}
    if col.quantity:
        field["unit"] = _unit_of(col, unit)
    constraints = _constraints(col)
    return field | ({"constraints": constraints} if constraints else {})


def _unit_of(col, unit):
    if col.quantity == "money":
        return unit.get("currency", "")
    return unit.get(col.quantity, "") if col.quantity in HEADER_UNITS else OTHER_UNITS.get(col.quantity, "")


def _constraints(col):
    found = {"required": True} if col.required else {}
    found |= {"enum": list(col.codes)} if col.codes else {}
    found |= {"minimum": col.low} if isfinite(col.low) else {}
    return found | ({"maximum": col.high} if isfinite(col.high) else {})
