"""A map proposed from what a spreadsheet shows; what could be read in two ways is left as "?" for a person to decide."""

import re
import tomllib
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from wearbar.adopt.cells import SIGNS, SIZES, UNITS, currencies, numbers
from wearbar.adopt.convert import pick
from wearbar.adopt.evidence import date_order, decimal_mark
from wearbar.adopt.grids import headings
from wearbar.adopt.lexicon import MONEY, WHEN, heading, quantity_of, tables_of
from wearbar.adopt.maps import ASK, AdoptError, asked, table_toml, toml
from wearbar.adopt.sums import settle_money
from wearbar.log import schema
from wearbar.log.sources.header import CHOICES

__all__ = ["Proposal", "propose"]

LOOK_AT = 20
MOST_WORDS = 60
YES_NO = {
    "yes": "yes",
    "y": "yes",
    "true": "yes",
    "1": "yes",
    "no": "no",
    "n": "no",
    "false": "no",
    "0": "no",
}
_NO_NAME = re.compile(r"(?i)(sheet|table|tabelle|feuil|hoja|blad|log|page)\s*\d*")


@dataclass(frozen=True)
class Proposal:
    """toml: the text of the map. unsure: sentences on what a person must look at. asks: how many "?" the map has, all to be decided."""

    toml: str
    unsure: tuple
    asks: int


@dataclass
class _Seen:
    """What all the sheets together show: units and currencies by key of log.toml, vehicles' names by how they sound, tables."""

    unsure: list = field(default_factory=list)
    units: dict = field(default_factory=lambda: {"distance": set()})
    vehicles: dict = field(default_factory=dict)
    tables: set = field(default_factory=set)


def propose(grids, name, today=None):
    """A `Proposal` for the sheets of a file called `name`; today: the last day that a date of two-digit year may mean."""
    seen, parts = _Seen(), []
    for grid in grids:
        seen.unsure += [f"{_where(grid)}{grid.note}"] if grid.note else []
        text = _sheet(grid, name, seen, today)
        parts += [text] if text else []
        if not text:
            seen.unsure.append(
                f"{_where(grid)}no row that heads columns of a log was found, so nothing of it is adopted."
            )
    if not parts:
        raise AdoptError(
            f"no row of {name} was found that heads columns of a log; write its map by hand: [log], [[table]], [[vehicle]]"
        )
    if "vehicles" not in seen.tables:
        parts += [_vehicle(vehicle) for vehicle in seen.vehicles.values() or [ASK]]
        seen.unsure.append(
            "A log needs the kind and the first day on the road of each vehicle: fill them in under [[vehicle]]."
        )
    text = "\n".join([_log(name, seen), *parts])
    return Proposal(text, tuple(seen.unsure), len(asked(tomllib.loads(text))))


def _sheet(grid, name, seen, today):
    lines = _header_lines(grid.cells)
    if not lines:
        return ""
    names = headings(grid.cells, lines)
    to, columns, doubt = _columns(grid.sheet or name, list(names))
    if not columns:
        return ""
    entry = ({"sheet": grid.sheet} if grid.sheet else {}) | {
        "to": to,
        "header_lines": lines,
        "columns": columns,
    }
    part, where = pick(grid, entry), _where(grid)
    seen.tables.add(to)
    seen.unsure += [where + doubt] if doubt else []
    kinds = {name: schema.column(to, name).kind for name in columns.values()}
    _decide(
        entry, "date_order", date_order(_cells(part, kinds, "date"), today), f"{where}dates: ", seen
    )
    _decide(
        entry, "decimal", decimal_mark(_cells(part, kinds, "number")), f"{where}numbers: ", seen
    )
    rows = part.picked.index
    seen.unsure += [
        where + told
        for told in settle_money(grid.cells.loc[rows], grid.typed.loc[rows], names, entry)
    ]
    if ASK in columns.values():
        seen.units.setdefault("currency", set())
    _say_passed_over(names, columns, where, seen)
    part = pick(
        grid, entry | {"columns": {head: name for head, name in columns.items() if name != ASK}}
    )
    kinds = {name: schema.column(to, name).kind for name in part.picked}
    entry["constants"] = _constants(entry, grid, where, seen)
    entry["units"] = _units(part, entry, where, seen)
    entry["words"] = _vehicles(part, entry, seen) | {
        n: w for n in kinds if (w := _words(part.picked[n], schema.column(to, n)))
    }
    if any(ASK in words.values() for words in entry["words"].values()):
        seen.unsure.append(
            f'{where}words that are none of the codes of their column: say at each "?" which code it is.'
        )
    return table_toml(entry)


def _header_lines(cells):
    """The lines that head the columns: that of which most cells are headings we know, groups of columns right above it, and what parts
    its own groups right below it.
    """
    look = cells.head(LOOK_AT)
    known = [sum(heading(str(c)) != "" for c in row.dropna()) for _, row in look.iterrows()]
    if not known or max(known) < 2:
        return []
    best = int(np.argmax(known))
    lines = [int(look.index[best])]
    above = look.iloc[best - 1].dropna() if best else pd.Series(dtype=object)
    grouped = (
        len(above) > 1
        and look.index[best] - look.index[best - 1] == 1
        and not above.str.contains(r"\d").any()
    )
    lines = [lines[0] - 1, *lines] if grouped else lines
    return (
        [*lines, lines[-1] + 1]
        if _parts_groups(look.loc[lines[-1]], look.iloc[best + 1 : best + 2])
        else lines
    )


def _parts_groups(head, below):
    """Whether the line below a header only names the columns under its cells that reach over several (and repeats what is merged down)."""
    if below.empty or below.index[0] != head.name + 1:
        return False
    cells, blank = below.iloc[0].dropna(), head.isna() & head.ffill().notna()
    in_group = blank | blank.shift(-1, fill_value=False)
    fits = in_group[cells.index] | cells.eq(head[cells.index])
    return bool(fits.all() and blank[cells.index].any() and not cells.str.contains(r"\d").any())


def _columns(title, heads):
    """The table that takes most of the headings, the column that each of them is, and a sentence where another takes nearly as many."""
    takes = {to: _taken(to, heads) for to in tables_of(title, [heading(head) for head in heads])}
    if not takes:
        return "", {}, ""
    to = max(takes, key=lambda name: len(takes[name]))
    near = [
        name
        for name, taken in takes.items()
        if len(taken) >= len(takes[to]) - 1 and taken.keys() - takes[to].keys()
    ]
    doubt = (
        f"taken for table {to}, but it might be {' or '.join(near)}; if so, change to and columns."
        if near
        else ""
    )
    return to, takes[to], doubt


def _taken(to, heads):
    columns = {}
    for head in heads:
        guess = heading(head, to)
        name = {"cost": MONEY.get(to, ""), "date": WHEN.get(to, "date")}.get(guess, guess)
        if schema.column(to, name) and name not in columns.values():
            columns[head] = name
    return columns


def _say_passed_over(names, columns, where, seen):
    others = [name for name in names if name not in columns]
    if others:
        seen.unsure.append(
            f"{where}not carried over: {', '.join(others)}. Add to columns what is wanted."
        )


def _cells(part, kinds, kind):
    columns = [
        part.picked[name].mask(part.typed[name]).dropna()
        for name in part.picked
        if kinds[name] == kind
    ]
    return pd.concat([pd.Series(dtype=object), *columns], ignore_index=True).astype(object)


def _decide(entry, key, found, where, seen):
    entry[key], why = found
    if why:
        seen.unsure.append(f"{where}{why}" + (f"; set {key}." if entry[key] == ASK else "."))


def _constants(entry, grid, where, seen):
    to, columns, constants = entry["to"], entry["columns"], {}
    head = {name: title for title, name in columns.items()}
    if to == "fuel" and "kind" not in head and "kwh" in head["volume"].casefold():
        constants["kind"] = "electric"
    for col in schema.TABLES[to]:
        if col.required and col.name not in head:
            constants[col.name] = _constant(col.name, grid, head)
            codes = f" ({', '.join(col.codes)})" if col.codes else ""
            said = f"no column for {col.name}, which {to} needs: say in constants what it is for every row{codes}."
            took = f"{col.name} is taken to be {constants[col.name]!r}."
            seen.unsure.append(where + (said if constants[col.name] == ASK else took))
    return constants


def _constant(name, grid, head):
    if name == "quantity":
        return quantity_of(head.get("value", "")) or ASK
    is_name = (
        name == "vehicle"
        and grid.sheet
        and not _NO_NAME.fullmatch(grid.sheet.strip())
        and not heading(grid.sheet)
    )
    return grid.sheet if is_name and not tables_of(grid.sheet, ()) else ASK


def _units(part, entry, where, seen):
    """The units of cells that name none, by column; what the cells name is noted in `seen`."""
    units, head = {}, {name: title for title, name in entry["columns"].items()}
    for name in part.picked:
        col = schema.column(entry["to"], name)
        quantity = entry["constants"].get("quantity", "") if name == "value" else col.quantity
        if col.kind != "number" or quantity == "":
            continue
        read = numbers(part.picked[name], "point", part.typed[name])
        read = read.fillna(numbers(part.picked[name], "comma", part.typed[name]))
        if quantity == "money":
            seen.units.setdefault("currency", set()).update(
                [*read["sign"].dropna(), *_signs(head[name])]
            )
            continue
        if quantity in CHOICES:
            seen.units.setdefault(quantity, set())
        unit = _bare_unit(quantity, head[name], read, f"{where}{head[name]}: ", seen)
        if unit:
            units[name] = unit
    return units


def _signs(head):
    return [
        word
        for word in re.findall(r"[A-Z]{3}|[^\w\s]|\w+\$", head)
        if word in SIGNS or word in sum(SIGNS.values(), ())
    ]


def _bare_unit(quantity, head, read, where, seen):
    sizes = {*SIZES.get(quantity, ()), *(["gal", "kWh"] if quantity == "volume" else [])} - {
        "",
        "%",
    }
    beside = {unit for unit in read["unit"].dropna() if unit in sizes}
    heads = {
        UNITS[word]
        for word in re.findall(r"/32|[a-z]+", head.casefold())
        if UNITS.get(word) in sizes
    }
    if quantity in seen.units:
        seen.units[quantity] |= (beside | heads) - {"kWh"}
    bare = int((read["plain"].notna() & read["unit"].isna()).sum())
    told = heads or beside
    if not bare or not told or told == {"kWh"}:
        return ""
    if len(told) > 1 or told == {"gal"}:
        what = (
            "gallons, of which there are two"
            if told == {"gal"}
            else f"both {' and '.join(sorted(told))}"
        )
        seen.unsure.append(
            f"{where}it has {what}: say in units what the numbers without a unit ({bare}) are in."
        )
        return ASK
    if not heads:
        seen.unsure.append(
            f"{where}cells without a unit ({bare}) are read as {min(told)}, as the others of the column are."
        )
    return min(told)


def _vehicles(part, entry, seen):
    """Words for names of one vehicle that differ in capitals or spaces alone: all become the one most often used."""
    told = part.picked.get("vehicle", pd.Series(entry["constants"].get("vehicle"), dtype=object))
    names, words = told.dropna().value_counts().index, {}
    for name in names:
        key = " ".join(name.casefold().split())
        if seen.vehicles.setdefault(key, name.strip()) != name:
            words[name.strip()] = seen.vehicles[key]
            seen.unsure.append(f"The vehicle {name!r} is taken to be {seen.vehicles[key]!r}.")
    return {"vehicle": words} if words and "vehicle" in part.picked else {}


def _words(cells, col):
    """A person's words and the codes that they become, where there are not too many; {} where all are codes already."""
    words = sorted(set(cells.dropna().str.strip())) if col.kind in ("code", "yes_no") else []
    codes = {word: _code(word, col) for word in words if len(words) <= MOST_WORDS}
    return {word: code for word, code in codes.items() if code != word.casefold()}


def _code(word, col):
    slug = re.sub(r"[^\w]+", "-", word.casefold()).strip("-") or ASK
    if col.kind == "yes_no":
        return YES_NO.get(slug, ASK)
    return slug if not col.codes or slug in col.codes else ASK


def _log(name, seen):
    lines = [
        '# How this file becomes a log. Decide each "?", then run the same command again.',
        "[log]",
        f"name = {toml(name)}",
    ]
    for key, units in seen.units.items():
        names = _in_common(units) if key == "currency" else units - {"gal"}
        known = len(names) == 1 and "gal" not in units
        choices = sorted(names) if key == "currency" else CHOICES[key]
        lines.append(
            f"{key} = {toml(min(names) if known else ASK)}"
            + ("" if known else f"  # {', '.join(choices) or 'such as GBP'}")
        )
        if not known:
            told = f"has {', '.join(sorted(units))}" if units else "does not say"
            seen.unsure.append(f"The log's {key}: the file {told}; set it in [log].")
    if "currency" in seen.units:
        seen.unsure.append("Is its money net or gross of recoverable tax? Set money in [log].")
        lines.append(f"money = {toml(ASK)}  # net, gross")
    return "\n".join([*lines, ""])


def _in_common(signs):
    """The currencies that all the signs may stand for."""
    return set.intersection(*(set(currencies(sign)) for sign in signs)) if signs else set()


def _vehicle(name):
    kinds = ", ".join(schema.VEHICLE_KINDS)
    return f"[[vehicle]]\nvehicle = {toml(name)}\nkind = {toml(ASK)}  # {kinds}\nin_service = {toml(ASK)}  # YYYY-MM-DD\n"


def _where(grid):
    return f"Sheet {grid.sheet}: " if grid.sheet else ""
