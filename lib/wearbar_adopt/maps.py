"""The map of a spreadsheet: proposed from what it shows, then read and held against the format."""

import re
import tomllib
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import pandas as pd

from wearbar.log import schema
from wearbar.log.sources.header import check_header, toml, toml_of
from wearbar.log.sources.raw import LogError, fault
from wearbar_adopt.cells import ASK, SAYS, SIZES, WRITTEN, columns_of, heading, tables_of
from wearbar_adopt.evidence import date_order, decimal_mark, header_units, settle_money, units_of
from wearbar_adopt.grids import header_lines, headings, pick

PARTS = {"log": (dict, "[log]"), "table": (list, "[[table]]"), "vehicle": (list, "[[vehicle]]")}
KEYS = {
    "sheet": str, "to": str, "header_lines": list, "date_order": str, "decimal": str,
    "columns": dict, "constants": dict, "units": dict, "less": dict, "words": dict,
}  # fmt: skip
FIRST_ASKED = 12
MOST_WORDS = 60
YES_NO = dict.fromkeys(("yes", "y", "true", "1"), "yes")
YES_NO |= dict.fromkeys(("no", "n", "false", "0"), "no")
_NO_NAME = re.compile(r"(?i)(sheet|table|tabelle|feuil|hoja|blad|log|page)\s*\d*")


@dataclass(frozen=True)
class Proposal:
    """A map to look over."""

    toml: str  # its text
    unsure: tuple  # what a person must look at
    asks: int  # how many "?" it has


@dataclass
class _Seen:
    """What the sheets show together."""

    unsure: list = field(default_factory=list)  # sentences for a person
    units: dict = field(default_factory=lambda: {"distance": set()})  # by key of log.toml
    vehicles: dict = field(default_factory=dict)  # names by how they sound
    tables: set = field(default_factory=set)
    where: str = ""  # the sheet at hand, as sentences begin

    def say(self, block, **told):
        """A sentence of shared/adopt/says.toml."""
        self.unsure.append(self.where + SAYS["look"][block].format(**told))


def propose(grids, name, today=None):
    """A `Proposal` for a file called `name`; today: the last day a two-digit year may mean."""
    seen, parts = _Seen(), []
    for grid in grids:
        seen.where = f"Sheet {grid.sheet}: " if grid.sheet else ""
        if grid.note:
            seen.unsure.append(seen.where + grid.note)
        entry = _table(grid, name, seen, today)
        if not entry:
            seen.say("nothing")
            continue
        parts.append("[[table]]")
        for key, value in entry.items():
            if key != "words" and value != {}:
                note = f"  # {', '.join(WRITTEN[key])}" if key in WRITTEN else ""
                parts.append(f"{key} = {toml(value)}{note}")
        for column, words in entry["words"].items():
            codes = (f"{toml(word)} = {toml(code)}" for word, code in words.items())
            parts += [f"[table.words.{column}]", *codes]
        parts.append("")
    if not parts:
        raise fault("no_head", name=name)
    seen.where = ""
    if "vehicles" not in seen.tables:
        kinds = ", ".join(schema.VEHICLE_KINDS)
        for vehicle in seen.vehicles.values() or [ASK]:
            own = f"[[vehicle]]\nvehicle = {toml(vehicle)}\nkind = {toml(ASK)}  # {kinds}\n"
            parts.append(f"{own}in_service = {toml(ASK)}  # YYYY-MM-DD\n")
        seen.say("vehicles")
    opening = '# How this file becomes a log. Decide each "?", then run the same command again.'
    log = [opening, "[log]", f"name = {toml(name)}", *header_units(seen), ""]
    text = "\n".join([*log, *parts])
    return Proposal(text, tuple(seen.unsure), len(_asked(tomllib.loads(text))))


def _table(grid, name, seen, today):
    """The [[table]] of a sheet, None where it is none."""
    lines = header_lines(grid.cells)
    names = headings(grid.cells, lines)
    to, columns, near = columns_of(grid.sheet or name, list(names))
    if not columns:
        return None
    seen.tables.add(to)
    if near:
        seen.say("near", to=to, others=" or ".join(near))
    entry = {"sheet": grid.sheet} if grid.sheet else {}
    entry |= {"to": to, "header_lines": lines, "columns": columns}
    part = pick(grid, entry)
    for key, kind, told, decide in (
        ("date_order", "date", "dates", partial(date_order, today=today)),
        ("decimal", "number", "numbers", decimal_mark),
    ):
        # what the file itself holds as a number is plain already
        cells = [part.picked[n].mask(part.typed[n]).dropna() for n in part.named(kind)]
        cells = pd.concat([pd.Series(dtype=object), *cells], ignore_index=True).astype(object)
        entry[key], why = decide(cells)
        if why:
            mend = f"; set {key}" if entry[key] == ASK else ""
            seen.unsure.append(f"{seen.where}{told}: {why}{mend}.")
    rows = part.picked.index
    settle_money(grid.cells.loc[rows], grid.typed.loc[rows], names, entry, seen.say)
    if ASK in columns.values():
        seen.units.setdefault("currency", set())
    if others := [name for name in names if name not in columns]:
        seen.say("not_carried", others=", ".join(others))
    settled = {head: column for head, column in columns.items() if column != ASK}
    part = pick(grid, entry | {"columns": settled})
    entry["constants"] = _constants(entry, grid, seen)
    entry["units"] = units_of(part, entry, seen)
    entry["words"] = _words(part, entry, seen)
    if any(ASK in words.values() for words in entry["words"].values()):
        seen.say("words")
    return entry


def _constants(entry, grid, seen):
    """What is the same for every row, of the columns that must be filled and have no heading."""
    to, head = entry["to"], {name: title for title, name in entry["columns"].items()}
    constants, is_electric = {}, "kwh" in head.get("volume", "").casefold()
    if to == "fuel" and "kind" not in head and is_electric:
        constants["kind"] = "electric"
    for col in schema.TABLES[to]:
        if not col.required or col.name in head:
            continue
        found = ASK
        if col.name == "quantity":
            low = head.get("value", "").casefold().replace("tread", "depth")
            found = next((quantity for quantity in schema.MEASURED if quantity in low), ASK)
        elif col.name == "vehicle" and grid.sheet:
            tells_more = _NO_NAME.fullmatch(grid.sheet.strip()) or heading(grid.sheet)
            found = ASK if tells_more or tables_of(grid.sheet, set()) else grid.sheet
        constants[col.name] = found
        if found == ASK:
            codes = f" ({', '.join(col.codes)})" if col.codes else ""
            seen.say("constant_lacks", name=col.name, to=to, codes=codes)
        else:
            seen.say("constant", name=col.name, value=found)
    return constants


def _words(part, entry, seen):
    """Column to a person's words and what they become, where those are not too many. Names of
    vehicles that differ in capitals or spaces alone become the one most often used."""
    found = {}
    told = part.picked.get("vehicle", pd.Series(entry["constants"].get("vehicle"), dtype=object))
    for name in told.dropna().value_counts().index:
        known = seen.vehicles.setdefault(" ".join(name.casefold().split()), name.strip())
        if known != name:
            seen.unsure.append(f"The vehicle {name!r} is taken to be {known!r}.")
            if "vehicle" in part.picked:
                found.setdefault("vehicle", {})[name.strip()] = known
    for name in part.named("code", "yes_no"):
        col = schema.column(part.entry["to"], name)
        words = sorted(set(part.picked[name].dropna().str.strip()))
        for word in words if len(words) <= MOST_WORDS else ():
            code = re.sub(r"[^\w]+", "-", word.casefold()).strip("-") or ASK
            if col.kind == "yes_no":
                code = YES_NO.get(code, ASK)
            elif col.codes and code not in col.codes:
                code = ASK
            if code != word.casefold():
                found.setdefault(name, {})[word] = code
    return found


def read_map(path):
    """The map in a file, as a dict. Raises LogError."""
    return toml_of(Path(path).read_bytes(), f"{path} is not a map (TOML)")


def _asked(value, path=()):
    """The places of a map, or of a part of it at `path`, at which it still asks."""
    if isinstance(value, dict | list):
        parts = value.items() if isinstance(value, dict) else enumerate(value, start=1)
        return [place for key, part in parts for place in _asked(part, (*path, key))]
    return [".".join(map(str, path))] if value == ASK else []


def _must(is_so, block, **told):
    if not is_so:
        lists = {name: ", ".join(x) for name, x in told.items() if isinstance(x, list | tuple)}
        raise LogError(SAYS["fault"][block].format(**told | lists))


def check_map(mapping):
    """Raise LogError for the first thing that a map does not say, or says wrongly."""
    for key in mapping:
        _must(key in PARTS, "part", key=key)
    for key, (kind, written) in PARTS.items():
        _must(isinstance(mapping.get(key, kind()), kind), "part_kind", key=key, written=written)
    for key in ("log", "table"):
        _must(mapping.get(key), "part_lacks", key=key)
    asks = _asked(mapping)
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
    header, tables = mapping["log"], mapping["table"]
    _must("plan" not in header, "plan")
    try:
        check_header({key: value for key, value in header.items() if value != ""})
    except LogError as error:
        raise LogError(re.sub(r"log\.toml: ", "[log] of the map: ", str(error))) from None
    has_vehicles = mapping.get("vehicle") or "vehicles" in [entry["to"] for entry in tables]
    _must(has_vehicles, "vehicles_lack")
    for to, name in ((entry["to"], name) for entry in tables for name in entry["columns"].values()):
        quantity = schema.column(to, name).quantity
        key = "currency" if quantity == "money" else quantity
        is_asked = key in ("distance", "volume", "depth", "currency")
        _must(not is_asked or header.get(key), "log_lacks", key=key, to=to, name=name)


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
