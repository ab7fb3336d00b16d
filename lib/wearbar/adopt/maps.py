"""The map of a spreadsheet, held against the log's format: each fault is one sentence."""

import re
from pathlib import Path

from wearbar.adopt.cells import DECIMALS, ORDERS, SIZES
from wearbar.log import schema
from wearbar.log.sources import LogError
from wearbar.log.sources.header import check_header, toml, toml_of

ASK = "?"
PARTS = {"log": (dict, "[log]"), "table": (list, "[[table]]"), "vehicle": (list, "[[vehicle]]")}
KEYS = {
    "sheet": str, "to": str, "header_lines": list, "date_order": str, "decimal": str,
    "columns": dict, "constants": dict, "units": dict, "less": dict, "words": dict,
}  # fmt: skip
CHOICES = {"date_order": ORDERS, "decimal": DECIMALS}
FIRST_ASKED = 12


class AdoptError(ValueError):
    """What a map does not say, or says wrongly, in one sentence."""


def read_map(path):
    """The map in a file, as a dict. Raises AdoptError."""
    try:
        return toml_of(Path(path).read_bytes(), f"{path} is not a map (TOML)")
    except LogError as error:
        raise AdoptError(str(error)) from None


def check_map(mapping):
    """Raise AdoptError for the first thing that a map does not say, or says wrongly."""
    for fault in _faults(mapping):
        raise AdoptError(fault)


def asked(mapping):
    """The places of a map at which it still asks."""
    return [".".join(map(str, path)) for path, value in _leaves(mapping, ()) if value == ASK]


def _leaves(value, path):
    if isinstance(value, dict | list):
        for key, part in value.items() if isinstance(value, dict) else enumerate(value, start=1):
            yield from _leaves(part, (*path, key))
    else:
        yield path, value


def _faults(mapping):
    """Sentences on what is wrong; ask for the next only while there was none."""
    for key in mapping:
        if key not in PARTS:
            yield f"the map has no place for {key!r}; use [log], [[table]] and [[vehicle]]"
    for key, (kind, written) in PARTS.items():
        if not isinstance(mapping.get(key, kind()), kind):
            yield f"the map's {key} is not written as {written}"
    for key in ("log", "table"):
        if not mapping.get(key):
            yield f"the map has no [{key}]; give the path of a new map, and one is proposed"
    if asks := asked(mapping):
        first = "; ".join(asks[:FIRST_ASKED])
        yield f'the map still asks ("?") at {first}: decide, and run it again'
    for at, entry in enumerate(mapping["table"], start=1):
        yield from (f"table {at} of the map{fault}" for fault in _of_table(entry))
    for at, entry in enumerate(mapping.get("vehicle", []), start=1):
        yield from (f"vehicle {at} of the map{fault}" for fault in _of_vehicle(entry))
    yield from _of_log(mapping)


def _of_table(entry):
    if not isinstance(entry, dict):
        yield " is not written as [[table]]"
    for key, value in entry.items():
        if key not in KEYS:
            yield f": there is no key {key!r}; use {', '.join(KEYS)}"
        if not isinstance(value, KEYS[key]):
            yield f": {key} is {str(value)[:60]!r}, which is not a {KEYS[key].__name__}"
    entry["to"] = to = schema.CALLED.get(entry.get("to"), entry.get("to"))
    if to not in schema.TABLES:
        yield f": to is {to!r}; use one of {', '.join(schema.TABLES)}"
    lines = entry.get("header_lines")
    if not lines or any(type(line) is not int for line in lines):
        yield ": header_lines must name the lines that head the columns, as in [1]"
    for key, choices in CHOICES.items():
        if entry.get(key, choices[0]) not in choices:
            yield f": {key} is {entry[key]!r}; use one of {', '.join(choices)}"
    yield from _of_columns(to, entry)
    yield from _of_values(to, entry)


def _of_columns(to, entry):
    columns, constants = list(entry.get("columns", {}).values()), list(entry.get("constants", {}))
    if not columns:
        example = f'columns = {{ "heading in the sheet" = "column of {to}" }}'
        yield f": columns names no column; write {example}"
    if not all(isinstance(column, str) for column in columns):
        yield ": columns must give a column's name, in quotes, for each heading"
    for name in (*columns, *constants, *entry.get("units", {}), *entry.get("words", {})):
        if not schema.column(to, name):
            has = ", ".join(c.name for c in schema.TABLES[to])
            yield f": table {to} has no column {name!r}; it has {has}"
        if (columns + constants).count(name) > 1:
            yield f": {name} is filled twice; leave one"
    for col in schema.TABLES[to]:
        if col.required and col.name not in (*columns, *constants):
            mend = "name its column, or say in constants what it is for every row"
            yield f": table {to} needs {col.name}; {mend}"


def _of_values(to, entry):
    for name, value in entry.get("constants", {}).items():
        if isinstance(value, dict | list):
            yield f": constants.{name} must be one value"
    for name, words in entry.get("words", {}).items():
        if not (isinstance(words, dict) and all(isinstance(w, str) for w in words.values())):
            yield f": words.{name} must give a word, in quotes, for each word of the sheet"
    money = [c for c in entry["columns"].values() if schema.column(to, c).quantity == "money"]
    for name, others in entry.get("less", {}).items():
        if not (isinstance(others, list) and others and name not in others):
            example = 'as in ["labour_cost", "parts_cost"]'
            yield f": less.{name} must list the columns whose money is in it, {example}"
        for column in (c for c in (name, *others) if c not in money):
            yield f": less names {str(column)[:60]!r}, which is no money in columns"
    for name, unit in entry.get("units", {}).items():
        measured = schema.MEASURED if name == "value" else [schema.column(to, name).quantity]
        choices = [u for quantity in measured for u in SIZES.get(quantity, ())]
        if unit not in choices:
            use = ", ".join(choices) or "none: it has no unit"
            yield f": units.{name} is {unit!r}; use one of {use}"


def _of_vehicle(entry):
    if not isinstance(entry, dict):
        yield " is not written as [[vehicle]]"
    for name, value in entry.items():
        if not schema.column("vehicles", name):
            yield f": table vehicles has no column {name!r}"
        if isinstance(value, dict | list):
            yield f": {name} must be one value"
    for col in schema.TABLES["vehicles"]:
        if col.required and col.name not in entry:
            yield f": say its {col.name}"


def _of_log(mapping):
    header, tables = mapping["log"], mapping["table"]
    if "plan" in header:
        mend = "leave it out, and put the plan and its name into the new log instead"
        yield f"[log] of the map names a plan: {mend}"
    try:
        check_header({key: value for key, value in header.items() if value != ""})
    except LogError as error:
        yield re.sub(r"log\.toml: ", "[log] of the map: ", str(error))
    if not (mapping.get("vehicle") or "vehicles" in [entry["to"] for entry in tables]):
        mend = "give each a [[vehicle]] with its kind and in_service"
        yield f"the map says nothing of the vehicles; {mend}"
    for entry in tables:
        for name in entry["columns"].values():
            quantity = schema.column(entry["to"], name).quantity
            key = "currency" if quantity == "money" else quantity
            if key in ("distance", "volume", "depth", "currency") and not header.get(key):
                yield f"[log] of the map must say {key}: {entry['to']} holds {name}"


def table_toml(entry):
    """One [[table]] of a map as TOML."""
    lines = ["[[table]]"]
    for key, value in entry.items():
        if key != "words" and value != {}:
            note = f"  # {', '.join(CHOICES[key])}" if key in CHOICES else ""
            lines.append(f"{key} = {toml(value)}{note}")
    for name, words in entry["words"].items():
        lines += [f"[table.words.{name}]", *(f"{toml(w)} = {toml(c)}" for w, c in words.items())]
    return "\n".join([*lines, ""])
