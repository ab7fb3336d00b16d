"""A map proposed from what a spreadsheet shows; "?" where a person must decide."""

import re
import tomllib
from dataclasses import dataclass, field
from functools import partial

import pandas as pd

from wearbar.adopt.cells import SAYS, columns_of, heading, tables_of
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
        parts += [table_toml(entry)] if entry else []
        if not entry:
            seen.say("nothing")
    if not parts:
        mend = "write its map by hand: [log], [[table]], [[vehicle]]"
        raise AdoptError(f"no row of {name} was found that heads columns of a log; {mend}")
    seen.where = ""
    if "vehicles" not in seen.tables:
        kinds = ", ".join(schema.VEHICLE_KINDS)
        for vehicle in seen.vehicles.values() or [ASK]:
            own = f"[[vehicle]]\nvehicle = {toml(vehicle)}\nkind = {toml(ASK)}  # {kinds}\n"
            parts.append(f"{own}in_service = {toml(ASK)}  # YYYY-MM-DD\n")
        seen.say("vehicles")
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
    """Column to a person's words and what they become, where those are not too many.

    Names of vehicles that differ in capitals or spaces alone become the one most often used.
    """
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
