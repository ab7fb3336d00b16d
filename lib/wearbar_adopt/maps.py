"""The map of a spreadsheet, written, read and held against the format."""

import re
from functools import partial
from pathlib import Path

from wearbar.log import schema
from wearbar.log.sources.header import check_header, toml, toml_of
from wearbar.log.sources.raw import LogError
from wearbar_adopt.cells import ASK, LEAVE, SAYS, SIZES, WRITTEN
from wearbar_adopt.marks import DONE

PARTS = {"log": (dict, "[log]"), "table": (list, "[[table]]"), "vehicle": (list, "[[vehicle]]")}
KEYS = {
    "sheet": str, "to": str, "header_lines": list, "date_order": str, "decimal": str,
    "columns": dict, "each": dict, "cells": dict, "sections": dict, "constants": dict,
    "units": dict, "less": dict, "words": dict,
}  # fmt: skip
FIRST_ASKED = 12
# keys whose names are a sheet's own words, and what may be answered
FREE = {
    "each": f"a task, {LEAVE}", "sections": f"a vehicle, {LEAVE}",
    "cells": f"{DONE}, {LEAVE}, other_cost, parts_cost, labour_cost, note",
}  # fmt: skip


def lines_of(entry):
    """A [[table]] of the map as lines."""
    lines, to = ["[[table]]"], entry["to"]
    columns = schema.TABLES.get(to, ())
    for key, value in entry.items():
        if not isinstance(value, dict):
            note = ", ".join(WRITTEN.get(key, ()))
            note = f"{', '.join(schema.TABLES)}, {LEAVE}" if value == ASK and key == "to" else note
            lines.append(f"{key} = {toml(value)}{f'  # {note}' if note else ''}")
    free = [c.name for c in columns if c.name not in (*entry["columns"].values(), "recorded")]
    free = [name for name in free if name not in entry.get("constants", {})]
    codes = {c.name: ", ".join(c.codes) for c in columns}
    for key in ("columns", *FREE, "constants", "units", "less"):
        lines += [f"[table.{key}]"] if entry.get(key) else []
        for name, value in entry.get(key, {}).items():
            told = {"columns": f"{', '.join(free)}, {LEAVE}", "constants": codes.get(name)} | FREE
            note = f"  # {told[key]}" if value == ASK and told.get(key) else ""
            lines.append(
                f"{toml(name) if key in ('columns', *FREE) else name} = {toml(value)}{note}"
            )
    for column, words in entry.get("words", {}).items():
        note = f"  # {codes[column]}" if codes[column] else ""
        lines.append(f"[table.words.{column}]{note}")
        lines += [f"{toml(word)} = {toml(code)}" for word, code in words.items()]
    return [*lines, ""]


def read_map(path):
    """The map in a file, as a dict. Raises LogError."""
    return toml_of(Path(path).read_bytes(), f"{path} is not a map (TOML)")


def asked(value, path=()):
    """The places of a map, or of a part of it at `path`, at which it still asks."""
    if isinstance(value, dict | list):
        parts = value.items() if isinstance(value, dict) else enumerate(value, start=1)
        return [place for key, part in parts for place in asked(part, (*path, key))]
    return [".".join(map(str, path))] if value == ASK else []


def _must(is_so, block, **told):
    if not is_so:
        lists = {name: ", ".join(x) for name, x in told.items() if isinstance(x, list | tuple)}
        raise LogError(SAYS["fault"][block].format(**told | lists))


def wanted(mapping):
    """The [[table]]s that are to be carried over, with their columns that are; of a checklist one
    for each column of marks, `of`, whose task is a constant."""
    found = []
    for entry in (entry for entry in mapping["table"] if entry.get("to") != LEAVE):
        columns = {h: c for h, c in entry.get("columns", {}).items() if c != LEAVE}
        own = {key: value for key, value in entry.items() if key != "each"} | {"columns": columns}
        each = {h: task for h, task in entry.get("each", {}).items() if task != LEAVE}
        constants = entry.get("constants", {})
        more = ({"of": h, "constants": constants | {"task": task}} for h, task in each.items())
        found += [own | one for one in more] if "each" in entry else [own]
    return found


def check_map(mapping):
    """Raise LogError for the first thing that a map does not say, or says wrongly."""
    for key in mapping:
        _must(key in PARTS, "part", key=key)
    for key, (kind, written) in PARTS.items():
        _must(isinstance(mapping.get(key, kind()), kind), "part_kind", key=key, written=written)
    for key in ("log", "table"):
        _must(mapping.get(key), "part_lacks", key=key)
    asks = asked(mapping)
    _must(not asks, "asks", at="; ".join(asks[:FIRST_ASKED]))
    for at, entry in enumerate(mapping["table"], start=1):
        if not isinstance(entry, dict) or entry.get("to") != LEAVE:
            _check_table(entry, partial(_must, at=at))
    for at, entry in enumerate(mapping.get("vehicle", []), start=1):
        _check_vehicle(entry, partial(_must, at=at))
    header, tables = mapping["log"], wanted(mapping)
    _must(tables, "part_lacks", key="table")
    _must("plan" not in header, "plan")
    try:
        check_header({key: value for key, value in header.items() if value != ""})
    except LogError as error:
        raise LogError(re.sub(r"log\.toml: ", "[log] of the map: ", str(error))) from None
    has_vehicles = mapping.get("vehicle") or "vehicles" in [entry["to"] for entry in tables]
    _must(has_vehicles, "vehicles_lack")
    names = ((e["to"], n) for e in tables for n in (*e["columns"].values(), *_takers(e)))
    for to, name in names:
        quantity = schema.column(to, name).quantity
        key = "currency" if quantity == "money" else quantity
        is_asked = key in ("distance", "volume", "depth", "currency")
        _must(not is_asked or header.get(key), "log_lacks", key=key, to=to, name=name)


def _check_free(entry, must):
    for key, (name, value) in ((k, pair) for k in FREE for pair in entry.get(k, {}).items()):
        must(isinstance(value, str), "free", name=f"{key}.{name}")
    must("each" not in entry or "cells" in entry, "cells_lack")


def _takers(entry):
    """The columns that are to have cells of a checklist."""
    return sorted({*entry.get("cells", {}).values()} - {DONE, LEAVE})


def _check_vehicle(entry, must):
    must(isinstance(entry, dict), "vehicle_kind")
    for name, value in entry.items():
        must(schema.column("vehicles", name), "vehicle_column", name=name)
        must(not isinstance(value, dict | list), "vehicle_value", name=name)
    for col in schema.TABLES["vehicles"]:
        must(not col.required or col.name in entry, "vehicle_lacks", name=col.name)


def _check_table(entry, must):
    must(isinstance(entry, dict), "table_kind")
    for key, value in entry.items():
        must(key in KEYS, "key", key=key, keys=[*KEYS])
        kind = KEYS[key].__name__
        must(isinstance(value, KEYS[key]), "key_kind", key=key, value=str(value)[:60], kind=kind)
    entry["to"] = to = schema.CALLED.get(entry.get("to"), entry.get("to"))
    must(to in schema.TABLES, "to", to=to, tables=[*schema.TABLES])
    lines = entry.get("header_lines")
    must(lines and all(type(line) is int for line in lines), "header_lines")
    for key, choices in WRITTEN.items():
        value = entry.get(key, choices[0])
        must(value in choices, "choice", key=key, value=value, choices=choices)
    columns, constants = list(entry.get("columns", {}).values()), list(entry.get("constants", {}))
    columns = [column for column in columns if column != LEAVE]
    must(columns, "columns_lack", to=to)
    must(all(isinstance(column, str) for column in columns), "columns_kind")
    _check_free(entry, must)
    has, filled = [c.name for c in schema.TABLES[to]], [*columns, *constants]
    filled += ["task"] * ("each" in entry) + ["vehicle"] * ("sections" in entry)
    for name in (*filled, *_takers(entry), *entry.get("units", {}), *entry.get("words", {})):
        must(name in has, "column", to=to, name=name, has=has)
        must(filled.count(name) < 2, "column_twice", name=name)
    for col in schema.TABLES[to]:
        must(not col.required or col.name in filled, "column_lacks", to=to, name=col.name)
    for name, value in entry.get("constants", {}).items():
        must(not isinstance(value, dict | list), "constant", name=name)
    for name, words in entry.get("words", {}).items():
        is_words = isinstance(words, dict) and all(isinstance(w, str) for w in words.values())
        must(is_words, "words", name=name)
    money = [name for name in columns if schema.column(to, name).quantity == "money"]
    for name, others in entry.get("less", {}).items():
        must(isinstance(others, list) and others and name not in others, "less", name=name)
        for column in (name, *others):
            must(column in money, "less_column", name=str(column)[:60])
    for name, unit in entry.get("units", {}).items():
        measured = schema.MEASURED if name == "value" else [schema.column(to, name).quantity]
        choices = [u for quantity in measured for u in SIZES.get(quantity, ())]
        use = choices or ["none: it has no unit"]
        must(unit in choices, "unit", name=name, unit=repr(unit), choices=use)
