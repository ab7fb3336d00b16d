"""The map of a spreadsheet: read from its TOML and held against the log's format, each fault in one sentence."""

import json
import re
import tomllib
from pathlib import Path

from wearbar.adopt.cells import DECIMALS, ORDERS, SIZES
from wearbar.log import schema
from wearbar.log.sources import LogError
from wearbar.log.sources.header import check_header

__all__ = ["ASK", "AdoptError", "asked", "check_map", "read_map", "table_toml", "toml"]

ASK = "?"
KEYS = {
    "sheet": str, "to": str, "header_lines": list, "date_order": str, "decimal": str,
    "columns": dict, "constants": dict, "units": dict, "less": dict, "words": dict,
}  # fmt: skip
FIRST_ASKED = 12


class AdoptError(ValueError):
    """What a map does not say, or says wrongly, in one sentence."""


def read_map(path):
    """The map in a file, as a dict. Raises AdoptError."""
    try:
        return tomllib.loads(Path(path).read_text(encoding="utf-8-sig"))
    except (
        ValueError,
        RecursionError,
    ) as error:  # not TOML, not UTF-8, a number without end, lists without end
        raise AdoptError(f"{path} is not a map (TOML): {str(error)[:200]}") from None


def check_map(mapping):
    """Raise AdoptError for the first thing that a map does not say, or says wrongly."""
    parts = {"log": dict, "table": list, "vehicle": list}
    for key in mapping:
        _must(
            key in parts, f"the map has no place for {key!r}; use [log], [[table]] and [[vehicle]]"
        )
    for key, kind in parts.items():
        _must(
            isinstance(mapping.get(key, kind()), kind),
            f"the map's {key} is not written as {'[log]' if key == 'log' else f'[[{key}]]'}",
        )
    for key in ("log", "table"):
        _must(
            mapping.get(key),
            f"the map has no [{key}]; give the path of a new map, and one is proposed",
        )
    asks = asked(mapping)
    _must(
        not asks,
        f'the map still asks ("?") at {"; ".join(asks[:FIRST_ASKED])}: decide, and run it again',
    )
    for at, entry in enumerate(mapping["table"], start=1):
        _check_table(entry, f"table {at} of the map")
    for at, entry in enumerate(mapping.get("vehicle", []), start=1):
        _check_vehicle(entry, f"vehicle {at} of the map")
    _check_log(mapping["log"], [entry["to"] for entry in mapping["table"]], mapping)


def asked(mapping):
    """The places of a map at which it still asks."""
    return [".".join(map(str, path)) for path, value in _leaves(mapping, ()) if value == ASK]


def _must(holds, sentence):
    if not holds:
        raise AdoptError(sentence)


def _leaves(value, path):
    inner = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value, start=1)
        if isinstance(value, list)
        else None
    )
    if inner is None:
        yield path, value
    else:
        for key, part in inner:
            yield from _leaves(part, (*path, key))


def _check_table(entry, where):
    _must(isinstance(entry, dict), f"{where} is not written as [[table]]")
    for key, value in entry.items():
        _must(key in KEYS, f"{where}: there is no key {key!r}; use {', '.join(KEYS)}")
        _must(
            isinstance(value, KEYS[key]),
            f"{where}: {key} is {str(value)[:60]!r}, which is not a {KEYS[key].__name__}",
        )
    entry["to"] = to = schema.CALLED.get(entry.get("to"), entry.get("to"))
    _must(to in schema.TABLES, f"{where}: to is {to!r}; use one of {', '.join(schema.TABLES)}")
    lines = entry.get("header_lines")
    _must(
        lines and all(type(line) is int for line in lines),
        f"{where}: header_lines must name the lines that head the columns, as in [1]",
    )
    for key, choices in (("date_order", ORDERS), ("decimal", DECIMALS)):
        found = entry.get(key, choices[0])
        _must(found in choices, f"{where}: {key} is {found!r}; use one of {', '.join(choices)}")
    _check_columns(entry, where)


def _check_columns(entry, where):
    to, columns, constants = (
        entry["to"],
        list(entry.get("columns", {}).values()),
        list(entry.get("constants", {})),
    )
    _must(
        columns,
        f'{where}: columns names no column; write columns = {{ "heading in the sheet" = "column of {to}" }}',
    )
    _must(
        all(isinstance(c, str) for c in columns),
        f"{where}: columns must give a column's name, in quotes, for each heading",
    )
    for name in (*columns, *constants, *entry.get("units", {}), *entry.get("words", {})):
        _must(
            schema.column(to, name),
            f"{where}: table {to} has no column {name!r}; it has {', '.join(c.name for c in schema.TABLES[to])}",
        )
        _must((columns + constants).count(name) < 2, f"{where}: {name} is filled twice; leave one")
    for col in schema.TABLES[to]:
        _must(
            not col.required or col.name in (*columns, *constants),
            f"{where}: table {to} needs {col.name}; name its column, or say in constants what it is for every row",
        )
    _check_values(entry, where)


def _check_values(entry, where):
    for name, value in entry.get("constants", {}).items():
        _must(not isinstance(value, dict | list), f"{where}: constants.{name} must be one value")
    for name, words in entry.get("words", {}).items():
        good = isinstance(words, dict) and all(isinstance(word, str) for word in words.values())
        _must(
            good, f"{where}: words.{name} must give a word, in quotes, for each word of the sheet"
        )
    for name, others in entry.get("less", {}).items():
        good = isinstance(others, list) and others and name not in others
        _must(
            good,
            f'{where}: less.{name} must list the columns whose money is in it, as in ["labour_cost", "parts_cost"]',
        )
        for column in (name, *others):
            told = f"{where}: less names {str(column)[:60]!r}, which is no money in columns"
            _must(
                column in entry["columns"].values()
                and schema.column(entry["to"], column).quantity == "money",
                told,
            )
    for name, unit in entry.get("units", {}).items():
        quantity = schema.column(entry["to"], name).quantity
        choices = (
            SIZES.get(quantity, {})
            if name != "value"
            else [u for q in schema.MEASURED for u in SIZES[q]]
        )
        _must(
            unit in list(choices),
            f"{where}: units.{name} is {unit!r}; use one of {', '.join(choices) or 'none: it has no unit'}",
        )


def _check_vehicle(entry, where):
    _must(isinstance(entry, dict), f"{where} is not written as [[vehicle]]")
    for name, value in entry.items():
        _must(schema.column("vehicles", name), f"{where}: table vehicles has no column {name!r}")
        _must(not isinstance(value, dict | list), f"{where}: {name} must be one value")
    for col in schema.TABLES["vehicles"]:
        _must(not col.required or col.name in entry, f"{where}: say its {col.name}")


def _check_log(header, to, mapping):
    _must(
        "plan" not in header,
        "[log] of the map names a plan: leave it out, and put the plan and its name into the new log instead",
    )
    try:
        check_header({key: value for key, value in header.items() if value != ""})
    except LogError as error:
        raise AdoptError(re.sub(r"log\.toml: ", "[log] of the map: ", str(error))) from None
    told = "vehicles" in to or mapping.get("vehicle")
    _must(
        told,
        "the map says nothing of the vehicles; give each a [[vehicle]] with its kind and in_service",
    )
    for entry in mapping["table"]:
        for name in entry["columns"].values():
            key = {"money": "currency"}.get(
                quantity := schema.column(entry["to"], name).quantity, quantity
            )
            needed = key in ("distance", "volume", "depth", "currency")
            _must(
                not needed or header.get(key),
                f"[log] of the map must say {key}: {entry['to']} holds {name}",
            )


def table_toml(entry):
    """One [[table]] of a map as TOML."""
    notes = {"date_order": "  # day-first, month-first, year-first", "decimal": "  # point, comma"}
    lines = ["[[table]]"]
    for key, value in entry.items():
        if key != "words" and value != {}:
            shown = (
                _inline(value)
                if isinstance(value, dict)
                else value
                if isinstance(value, list)
                else toml(value)
            )
            lines.append(f"{key} = {shown}{notes.get(key, '')}")
    for name, words in entry["words"].items():
        lines += [
            f"[table.words.{name}]",
            *(f"{toml(word)} = {toml(code)}" for word, code in words.items()),
        ]
    return "\n".join([*lines, ""])


def toml(text):
    """Text as a string of TOML, on one line."""
    return json.dumps(str(text), ensure_ascii=False).replace("\x7f", "\\u007f")


def _inline(mapping):
    told = {
        key: f"[{', '.join(map(toml, value))}]" if isinstance(value, list) else toml(value)
        for key, value in mapping.items()
    }
    return "{ " + ", ".join(f"{toml(key)} = {value}" for key, value in told.items()) + " }"
