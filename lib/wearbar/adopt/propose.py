"""A map proposed from what a spreadsheet shows; "?" where a person must decide."""

import re
import tomllib
from dataclasses import dataclass, field

import pandas as pd

from wearbar.adopt.cells import columns_of, heading, tables_of
from wearbar.adopt.evidence import date_order, decimal_mark, header_units, settle_money, units_of
from wearbar.adopt.grids import header_lines, headings, pick
from wearbar.adopt.maps import ASK, AdoptError, asked, table_toml
from wearbar.log import schema
from wearbar.log.sources.header import toml

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

    def say(self, sentence):
        self.unsure.append(self.where + sentence)


def propose(grids, name, today=None):
    """A `Proposal` for a file called `name`; today: the last day a two-digit year may mean."""
    seen, parts = _Seen(), []
    for grid in grids:
        seen.where = f"Sheet {grid.sheet}: " if grid.sheet else ""
        if grid.note:
            seen.say(grid.note)
        entry = _table(grid, name, seen, today)
        parts += [table_toml(entry)] if entry else []
        if not entry:
            seen.say("no row that heads columns of a log was found, so nothing of it is adopted.")
    if not parts:
        mend = "write its map by hand: [log], [[table]], [[vehicle]]"
        raise AdoptError(f"no row of {name} was found that heads columns of a log; {mend}")
    seen.where = ""
    if "vehicles" not in seen.tables:
        kinds = ", ".join(schema.VEHICLE_KINDS)
        for vehicle in seen.vehicles.values() or [ASK]:
            own = f"[[vehicle]]\nvehicle = {toml(vehicle)}\nkind = {toml(ASK)}  # {kinds}\n"
            parts.append(f"{own}in_service = {toml(ASK)}  # YYYY-MM-DD\n")
        needs = "A log needs the kind and the first day on the road of each vehicle"
        seen.say(f"{needs}: fill them in under [[vehicle]].")
    opening = '# How this file becomes a log. Decide each "?", then run the same command again.'
    log = [opening, "[log]", f"name = {toml(name)}", *header_units(seen), ""]
    text = "\n".join(["\n".join(log), *parts])
    return Proposal(text, tuple(seen.unsure), len(asked(tomllib.loads(text))))


def _table(grid, name, seen, today):
    """The [[table]] of a sheet, None where it is none."""
    lines = header_lines(grid.cells)
    names = headings(grid.cells, lines)
    to, columns, near = columns_of(grid.sheet or name, list(names))
    if not columns:
        return None
    seen.tables.add(to)
    if near:
        others = " or ".join(near)
        seen.say(f"taken for table {to}, but it might be {others}; if so, change to and columns.")
    entry = {"sheet": grid.sheet} if grid.sheet else {}
    entry |= {"to": to, "header_lines": lines, "columns": columns}
    part = pick(grid, entry)
    for key, cells, found in (
        ("date_order", "dates", date_order(_typed_by_hand(part, "date"), today)),
        ("decimal", "numbers", decimal_mark(_typed_by_hand(part, "number"))),
    ):
        entry[key], why = found
        if why:
            seen.say(f"{cells}: {why}" + (f"; set {key}." if entry[key] == ASK else "."))
    rows = part.picked.index
    for said in settle_money(grid.cells.loc[rows], grid.typed.loc[rows], names, entry):
        seen.say(said)
    if ASK in columns.values():
        seen.units.setdefault("currency", set())
    if others := [name for name in names if name not in columns]:
        seen.say(f"not carried over: {', '.join(others)}. Add to columns what is wanted.")
    settled = {head: column for head, column in columns.items() if column != ASK}
    part = pick(grid, entry | {"columns": settled})
    entry["constants"] = _constants(entry, grid, seen)
    entry["units"] = units_of(part, entry, seen)
    entry["words"] = _vehicles(part, entry, seen) | _words(part)
    if any(ASK in words.values() for words in entry["words"].values()):
        none = "words that are none of the codes of their column"
        seen.say(f'{none}: say at each "?" which code it is.')
    return entry


def _typed_by_hand(part, kind):
    """The cells of a part's columns of that kind, but those that the file holds as numbers."""
    cells = [part.picked[n].mask(part.typed[n]).dropna() for n in part.named(kind)]
    return pd.concat([pd.Series(dtype=object), *cells], ignore_index=True).astype(object)


def _constants(entry, grid, seen):
    to, head = entry["to"], {name: title for title, name in entry["columns"].items()}
    constants = {}
    if to == "fuel" and "kind" not in head and "kwh" in head["volume"].casefold():
        constants["kind"] = "electric"
    for col in schema.TABLES[to]:
        if not col.required or col.name in head:
            continue
        constants[col.name] = found = _constant(col.name, grid, head)
        if found == ASK:
            codes = f" ({', '.join(col.codes)})" if col.codes else ""
            needs = f"no column for {col.name}, which {to} needs"
            seen.say(f"{needs}: say in constants what it is for every row{codes}.")
        else:
            seen.say(f"{col.name} is taken to be {found!r}.")
    return constants


def _constant(name, grid, head):
    if name == "quantity":
        low = head.get("value", "").casefold().replace("tread", "depth")
        return next((quantity for quantity in schema.MEASURED if quantity in low), ASK)
    tells_more = _NO_NAME.fullmatch(grid.sheet.strip()) or heading(grid.sheet)
    is_name = name == "vehicle" and grid.sheet and not tells_more
    return grid.sheet if is_name and not tables_of(grid.sheet, set()) else ASK


def _vehicles(part, entry, seen):
    """Names that differ in capitals or spaces alone all become the one most often used."""
    told = part.picked.get("vehicle", pd.Series(entry["constants"].get("vehicle"), dtype=object))
    words = {}
    for name in told.dropna().value_counts().index:
        key = " ".join(name.casefold().split())
        if seen.vehicles.setdefault(key, name.strip()) != name:
            words[name.strip()] = seen.vehicles[key]
            seen.unsure.append(f"The vehicle {name!r} is taken to be {seen.vehicles[key]!r}.")
    return {"vehicle": words} if words and "vehicle" in part.picked else {}


def _words(part):
    """Column to a person's words and the codes they become, where those are not too many."""
    found = {}
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
