"""The map of a spreadsheet, held against the log's format: each fault is one sentence."""

import re
from functools import partial
from pathlib import Path

from wearbar.adopt.cells import DECIMALS, ORDERS, SAYS, SIZES
from wearbar.log import schema
from wearbar.log.sources import LogError
from wearbar.log.sources.header import check_header, toml, toml_of

ASK = "?"
PARTS = {"log": (dict, "[log]"), "table": (list, "[[table]]"), "vehicle": (list, "[[vehicle]]")}
KEYS = {
    "sheet": str, "to": str, "header_lines": list, "date_order": str, "decimal": str,
    "columns": dict, "constants": dict, "units": dict, "less": dict, "words": dict,
}  # fmt: skip
WRITTEN = {"date_order": ORDERS, "decimal": DECIMALS}
FIRST_ASKED = 12


class AdoptError(ValueError):
    """What a map does not say, or says wrongly, in one sentence."""


def read_map(path):
    """The map in a file, as a dict. Raises AdoptError."""
    try:
        return toml_of(Path(path).read_bytes(), f"{path} is not a map (TOML)")
    except LogError as error:
        raise AdoptError(str(error)) from None


def asked(value, path=()):
    """The places of a map, or of a part of it at `path`, at which it still asks."""
    if isinstance(value, dict | list):
        parts = value.items() if isinstance(value, dict) else enumerate(value, start=1)
        return [place for key, part in parts for place in asked(part, (*path, key))]
    return [".".join(map(str, path))] if value == ASK else []


def _must(is_so, fault, **told):
    if not is_so:
        lists = {name: ", ".join(x) for name, x in told.items() if isinstance(x, list | tuple)}
        raise AdoptError(SAYS["fault"][fault].format(**told | lists))


def check_map(mapping):
    """Raise AdoptError for the first thing that a map does not say, or says wrongly."""
    for key in mapping:
        _must(key in PARTS, "part", key=key)
    for key, (kind, written) in PARTS.items():
        _must(isinstance(mapping.get(key, kind()), kind), "part_kind", key=key, written=written)
    for key in ("log", "table"):
        _must(mapping.get(key), "part_lacks", key=key)
    asks = asked(mapping)
    _must(not asks, "asks", at="; ".join(asks[:FIRST_ASKED]))
    for at, entry in enumerate(mapping["table"], start=1):
        _check_table(entry, partial(_must, at=at))
    for at, entry in enumerate(mapping.get("vehicle", []), start=1):
        _must(isinstance(entry, dict), "vehicle_kind", at=at)
        for name, value in entry.items():
            _must(schema.column("vehicles", name), "vehicle_column", at=at, name=name)
            _must(not isinstance(value, dict | list), "vehicle_value", at=at, name=name)
        for col in schema.TABLES["vehicles"]:
            _must(not col.required or col.name in entry, "vehicle_lacks", at=at, name=col.name)
    _check_log(mapping["log"], mapping["table"], mapping.get("vehicle"))


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
    must(columns, "columns_lack", to=to)
    must(all(isinstance(column, str) for column in columns), "columns_kind")
    has, filled = [c.name for c in schema.TABLES[to]], [*columns, *constants]
    for name in (*filled, *entry.get("units", {}), *entry.get("words", {})):
        must(name in has, "column", to=to, name=name, has=has)
        must(filled.count(name) < 2, "column_twice", name=name)
    for col in schema.TABLES[to]:
        must(not col.required or col.name in filled, "column_lacks", to=to, name=col.name)
    _check_values(to, entry, must)


def _check_values(to, entry, must):
    for name, value in entry.get("constants", {}).items():
        must(not isinstance(value, dict | list), "constant", name=name)
    for name, words in entry.get("words", {}).items():
        is_words = isinstance(words, dict) and all(isinstance(w, str) for w in words.values())
        must(is_words, "words", name=name)
    money = [c for c in entry["columns"].values() if schema.column(to, c).quantity == "money"]
    for name, others in entry.get("less", {}).items():
        must(isinstance(others, list) and others and name not in others, "less", name=name)
        for column in (name, *others):
            must(column in money, "less_column", name=str(column)[:60])
    for name, unit in entry.get("units", {}).items():
        measured = schema.MEASURED if name == "value" else [schema.column(to, name).quantity]
        choices = [u for quantity in measured for u in SIZES.get(quantity, ())]
        use = choices or ["none: it has no unit"]
        must(unit in choices, "unit", name=name, unit=repr(unit), choices=use)


def _check_log(header, tables, vehicles):
    _must("plan" not in header, "plan")
    try:
        check_header({key: value for key, value in header.items() if value != ""})
    except LogError as error:
        raise AdoptError(re.sub(r"log\.toml: ", "[log] of the map: ", str(error))) from None
    _must(vehicles or "vehicles" in [entry["to"] for entry in tables], "vehicles_lack")
    for to, name in ((entry["to"], name) for entry in tables for name in entry["columns"].values()):
        quantity = schema.column(to, name).quantity
        key = "currency" if quantity == "money" else quantity
        is_asked = key in ("distance", "volume", "depth", "currency")
        _must(not is_asked or header.get(key), "log_lacks", key=key, to=to, name=name)


def table_toml(entry):
    """One [[table]] of a map as TOML."""
    lines = ["[[table]]"]
    for key, value in entry.items():
        if key != "words" and value != {}:
            note = f"  # {', '.join(WRITTEN[key])}" if key in WRITTEN else ""
            lines.append(f"{key} = {toml(value)}{note}")
    for name, words in entry["words"].items():
        lines += [f"[table.words.{name}]", *(f"{toml(w)} = {toml(c)}" for w, c in words.items())]
    return "\n".join([*lines, ""])
