"""A map is proposed from what the sheets show, with "?" where a person must decide."""

import re
import tomllib
from dataclasses import dataclass, field
from functools import partial

import pandas as pd

from wearbar.log import schema
from wearbar.log.sources.header import toml
from wearbar.log.sources.raw import fault
from wearbar_adopt import layouts, marks
from wearbar_adopt.cells import ASK, LEAVE, SAYS, code_of, dates, plain_letters
from wearbar_adopt.evidence import date_order, decimal_mark, header_units, settle_money, units_of
from wearbar_adopt.grids import HEAD, header_lines, headings, pick
from wearbar_adopt.heads import heading, is_exact, meant, measure, tables_of
from wearbar_adopt.maps import asked, lines_of
from wearbar_adopt.unused import holds, is_measured, settle_meter, settle_rivals, settle_unused

MOST_WORDS = 60
APART = ("each", "cells")  # of a checklist alone
SHARED = ("vehicle", "date", "odometer")  # columns that each measurement of a row has
_NO_NAME = re.compile(r"(?i)(sheet|table|tabelle|feuil|hoja|blad|log|page)\s*\d*")


@dataclass(frozen=True)
class Proposal:
    """A map to look over."""

    toml: str  # its text
    unsure: tuple  # what a person must look at
    asks: int  # how many "?" it has
    is_skeleton: bool = False  # whether a sheet of it can't be told


@dataclass
class Seen:
    """What the sheets show together."""

    given: dict = field(default_factory=dict)  # answers that need not be asked for
    unsure: list = field(default_factory=list)  # sentences for a person
    units: dict = field(default_factory=lambda: {"distance": set()})  # by key of log.toml
    vehicles: dict = field(default_factory=dict)  # names by how they sound
    kinds: set = field(default_factory=set)  # of vehicles, by the headings
    days: list = field(default_factory=list)  # the first day of each table
    tables: set = field(default_factory=set)
    tasks: dict = field(default_factory=dict)  # of the plan, by the names that it gives them
    where: str = ""  # the sheet at hand, as sentences begin

    def say(self, block, **told):
        """A sentence of shared/adopt/says.toml."""
        self.unsure.append(self.where + SAYS["look"][block].format(**told))


def propose(grids, name, today=None, given=None, plan=None):
    """A `Proposal` for a file called `name`; today: the last day a two-digit year may mean. given:
    what need not be asked: `vehicle, kind, in_service`, keys of [log] and `date_order`; with `yes`
    what is usual is taken where nothing is said. plan: whose tasks work may be called by."""
    seen, entries = Seen(given or {}), []
    for task in plan.tasks.itertuples() if plan else ():
        seen.tasks |= {word.casefold(): task.code for word in (task.title, *task.also)}
    for grid in grids:
        seen.where = f"Sheet {grid.sheet}: " if grid.sheet else ""
        if grid.note:
            seen.unsure.append(seen.where + grid.note)
        entries += _tables(grid, name, seen, today)
    if not entries:
        raise fault("no_head", name=name)
    seen.where = ""
    parts = [line for entry in entries for line in lines_of(entry)]
    if "vehicles" not in seen.tables:
        parts += _vehicles(seen)
    opening = '# How this file becomes a log. Decide each "?", then run the same command again.'
    log = [opening, "[log]", f"name = {toml(name)}", *header_units(seen), ""]
    text = "\n".join([*log, *parts])
    asks = len(asked(tomllib.loads(text)))
    is_skeleton = any(entry["to"] == ASK for entry in entries)
    return Proposal(text, tuple(dict.fromkeys(seen.unsure)), asks, is_skeleton)


def _vehicles(seen):
    """The lines of each [[vehicle]]."""
    lines, is_taken = [], seen.given.get("yes")
    kind, day = seen.given.get("kind"), seen.given.get("in_service")
    if not kind and (len(seen.kinds) == 1 or is_taken):
        kind = min(seen.kinds) if len(seen.kinds) == 1 else "other"
        seen.say("kind_taken", kind=kind)
    if not day and is_taken and seen.days:
        day = f"{min(seen.days):%Y-%m-%d}"
        seen.say("day_taken", day=day)
    kinds, days = f"  # {', '.join(schema.VEHICLE_KINDS)}", "  # YYYY-MM-DD"
    for vehicle in seen.vehicles.values() or [seen.given.get("vehicle") or ASK]:
        lines += ["[[vehicle]]", f"vehicle = {toml(vehicle)}"]
        lines.append(f"kind = {toml(kind or ASK)}{'' if kind else kinds}")
        lines += [f"in_service = {toml(day or ASK)}{'' if day else days}", ""]
    if not (kind and day):
        seen.say("vehicles")
    return lines


def _tables(grid, name, seen, today):
    """The [[table]]s of a sheet: what it is, and one more for each column of measurements."""
    lines = header_lines(grid.cells)
    names = headings(grid.cells, lines)
    body = grid.cells[grid.cells.index > max(lines, default=0)]
    found = {head: measure(head, body[place].dropna()) for head, place in names.items()}
    found = {h: told for h, told in found.items() if is_measured(body[names[h]], told)}
    to, columns, near, marked = marks.tables(grid.sheet or name, names, body, found)
    first = {}
    if found and not columns:
        head = next(iter(found))
        to, first = "measurements", found[head]
        columns = {h: heading(h) for h in names if heading(h) in SHARED} | {head: "value"}
    if marked and not columns:
        to, columns = "work", marks.shared(names)
    if not columns:
        return _skeleton(grid, seen)
    if near:
        seen.say("near", to=to, others=" or ".join(near))
    entry = {"sheet": grid.sheet} if grid.sheet else {}
    entry |= {"to": to, "header_lines": lines, "columns": columns}
    others = [*(head for head in found if head not in columns), *marked]
    apart = [h for h in names if h not in columns] if marked else others
    _written(grid, entry, [names[h] for h in apart], seen, today)
    layouts.give_sections(grid, entry, seen)
    _settle(grid, names, entry, others, seen)
    made = layouts.checklist(grid, names, entry, marked, seen) if marked else [entry]
    others = [head for head in others if head not in marked]
    entry |= _told(grid, entry, first, seen)
    made[1:] = [more | _told(grid, more, {}, seen) for more in made[1:]]
    for head in others:
        shared = {h: c for h, c in columns.items() if heading(h) in SHARED and c != LEAVE}
        own = {h: ASK if c == ASK else heading(h) for h, c in shared.items()}
        more = {key: entry[key] for key in entry if key not in ("columns", "less", *APART)}
        more |= {"to": "measurements", "columns": own | {head: "value"}}
        before, seen.unsure = seen.unsure, []
        more |= _told(grid, more, found[head], seen)
        seen.unsure = before + [said for said in seen.unsure if head in said]
        made.append(more)
    if found:
        seen.say("unfolded", heads=", ".join(found))
        seen.tables.add("measurements")
    return made


def _written(grid, entry, others, seen, today):
    """Decide how a sheet's days and numbers are written."""
    part = pick(grid, entry)
    rows = part.picked.index
    measured = [(grid.cells.loc[rows, place], grid.typed.loc[rows, place]) for place in others]
    for key, kind, told, decide in (
        ("date_order", "date", "dates", partial(date_order, today=today)),
        ("decimal", "number", "numbers", decimal_mark),
    ):
        # what the file itself holds as a number is plain already
        own = [(part.picked[n], part.typed[n]) for n in part.named(kind)]
        held = (zip(*two, strict=True) for two in (*own, *(measured if kind == "number" else ())))
        cells = [cell for column in held for cell, typed in column if cell and not typed]
        entry[key], why = decide(pd.Series(cells, dtype=object))
        if entry[key] == ASK and seen.given.get(key):
            entry[key], why = seen.given[key], ""
        if why:
            mend = f"; set {key}" if entry[key] == ASK else ""
            seen.unsure.append(f"{seen.where}{told}: {why}{mend}.")


def _settle(grid, names, entry, others, seen):
    """Give each column that is left its place in `entry`, or a "?"."""
    columns, to = entry["columns"], entry["to"]
    seen.tables.add(to)
    part = pick(grid, entry)
    cells, typed = grid.cells.loc[part.picked.index], grid.typed.loc[part.picked.index]
    order = entry["date_order"]
    days = [dates(part.picked[n], order).min() for n in part.named("date") if order != ASK]
    seen.days += [day for day in days if not pd.isna(day)]
    settle_rivals(cells, typed, names, entry, seen.say)
    settle_money(cells, typed, names, entry, seen.say)
    for name in {"odometer", "hours"} & {*columns.values()} if "date" in columns.values() else ():
        settle_meter(pick(grid, entry), name, entry, seen.say)
    left = {head: place for head, place in names.items() if head not in (*columns, *others)}
    beside = settle_unused(cells, typed, names, left, entry, seen.say)
    if beside:
        seen.say("not_carried", others=", ".join(beside))
    for head in (h for h, column in columns.items() if column == ASK):
        col = schema.column(to, meant(head, to))
        if holds(cells[names[head]]) == "money" or (col and col.quantity == "money"):
            seen.units.setdefault("currency", set())
    heads = (head for head, column in columns.items() if column == "vehicle" and is_exact(head))
    seen.kinds |= {code_of(head, schema.column("vehicles", "kind")) for head in heads} - {ASK}
    # the order of columns is the sheet's
    entry["columns"] = {head: columns[head] for head in names if head in columns}


def _told(grid, entry, measured, seen):
    """constants, units and words of a [[table]]. measured: what a heading of measurements says."""
    settled = {h: c for h, c in entry["columns"].items() if c not in (ASK, LEAVE)}
    part, told = pick(grid, entry | {"columns": settled}), {}
    told["constants"] = _constants(entry, grid, seen, measured)
    told["units"] = units_of(part, entry | told | {"columns": settled}, seen)
    told["words"] = _words(part, entry | told, seen)
    if any(ASK in words.values() for words in told["words"].values()):
        seen.say("words")
    return told


def _skeleton(grid, seen):
    """A [[table]] to fill in for a sheet that can't be told, where it holds what a log has."""
    line = int(grid.cells.head(HEAD).notna().sum(axis=1).idxmax())  # the first of most cells
    body = grid.cells[grid.cells.index > line]
    is_log = any(holds(body[place]) for place in body)
    names = headings(grid.cells, [line])
    if not is_log or len(names) < 2:
        seen.say("nothing")
        return []
    seen.say("skeleton", line=line)
    entry = {"sheet": grid.sheet} if grid.sheet else {}
    return [entry | {"to": ASK, "header_lines": [line], "columns": dict.fromkeys(names, ASK)}]


def _constants(entry, grid, seen, measured):
    """What is the same for every row, of the columns that must be filled and have no heading."""
    to, head = entry["to"], {name: title for title, name in entry["columns"].items()}
    title = head.get("value", "")
    known = {key: value for key, value in (measured or measure(title)).items() if key not in head}
    constants = {key: value for key, value in known.items() if value and key == "place"}
    open_ = {meant(h, to) for h, column in entry["columns"].items() if column == ASK}
    if to == "fuel" and "kind" not in head and "kwh" in head.get("volume", "").casefold():
        constants["kind"] = "electric"
    for col in schema.TABLES[to]:
        is_filled = col.name in head or (col.name, True) in (
            ("task", "each" in entry),
            ("vehicle", "sections" in entry),
        )
        if not col.required or is_filled or col.name in open_:
            continue
        found = known.get(col.name) or ASK
        if col.name == "quantity" and found == ASK:
            named = (quantity for quantity in schema.MEASURED if quantity in title.casefold())
            found = next(named, ASK)
        elif col.name == "vehicle":
            tells_more = _NO_NAME.fullmatch(grid.sheet.strip()) or heading(grid.sheet)
            is_name = grid.sheet and not tells_more and not tables_of(grid.sheet, set())
            found = seen.given.get("vehicle") or (grid.sheet if is_name else ASK)
        elif col.name == "why" and seen.given.get("yes"):
            found = "planned"
        constants[col.name] = found
        if found == ASK:
            codes = f" ({', '.join(col.codes)})" if col.codes else ""
            seen.say("constant_lacks", name=col.name, to=to, codes=codes)
        elif not measured:
            seen.say("constant", name=col.name, value=found)
    return constants


def _words(part, entry, seen):
    """Column to a person's words and what they become, where those are not too many. Names of
    vehicles that differ in capitals or spaces alone become the one most often used."""
    found = {}
    told = part.picked.get("vehicle", pd.Series(entry["constants"].get("vehicle"), dtype=object))
    for name in told.dropna().value_counts().index:
        known = seen.vehicles.setdefault(" ".join(plain_letters(name).split()), name.strip())
        if known != name:
            seen.unsure.append(f"The vehicle {name!r} is taken to be {known!r}.")
            if "vehicle" in part.picked:
                found.setdefault("vehicle", {})[name.strip()] = known
    for name in part.named("code", "yes_no"):
        col = schema.column(part.entry["to"], name)
        cells = part.picked[name]
        words = sorted(set(cells.dropna().str.strip()))
        codes = {word: code_of(word, col) for word in words if len(words) <= MOST_WORDS}
        if name == "task":
            codes |= {w: task for w in codes if (task := seen.tasks.get(w.casefold()))}
        own = {word: code for word, code in codes.items() if code != word.casefold()}
        # where one answer alone is written, a blank is the other one, or not known
        if name == "filled_to" and cells.isna().any() and {*codes.values()} == {"full"}:
            own[""] = ASK
            seen.say("blanks", head=next(h for h, c in entry["columns"].items() if c == name))
        found |= {name: found.get(name, {}) | own} if own else {}
    return found
