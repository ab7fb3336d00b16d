"""Headings as people write them, by the words of shared/adopt/words.toml."""

import re
from functools import lru_cache

from wearbar.log import schema
from wearbar_adopt.cells import ASK, TOLD, UNITS, plain_letters

_HEADINGS = {
    column: re.compile(rf"(?<!\w)(?:{words})(?!\w)") for column, words in TOLD["headings"].items()
}
_TABLES = TOLD["tables"]
# of headings, what is worked out of other columns: so much per distance
RATE = re.compile(TOLD["rates"]["words"])
_NOT_MEASURED = re.compile(rf"(?<!\w)(?:{TOLD['not_measured']['words']})(?!\w)")
_NAMES = {col.name for columns in schema.TABLES.values() for col in columns}


def plain_heading(text):
    """Its words in small letters without accents; a sign of money before "/" is one."""
    priced = re.sub(r"[£€$¥] ?(?=/|per\b|pro\b|je\b|par\b|por\b)", " price ", text)
    return " ".join(re.sub(r"[^\w/]+", " ", plain_letters(priced)).split())


@lru_cache(2**16)
def heading(text, table=""):
    """The column that a heading tells of, or ""; a column's own name is it, if the table has it."""
    low = plain_heading(text)
    own = low.replace(" ", "_")
    if own in _NAMES and (not table or schema.column(table, own)):
        return own
    return next((column for column, words in _HEADINGS.items() if words.search(low)), "")


def meant(text, table):
    """The column of a table that a heading tells of, "" where the table has no such column."""
    guess = heading(text, table)
    name = _TABLES.get(table, {}).get(guess, guess)
    return name if schema.column(table, name) else ""


def is_exact(text):
    """Whether a heading says nothing beside what its column is, and perhaps a unit."""
    bare = re.sub(r"\(.*?\)|\[.*?\]", " ", text)
    words = [w for w in plain_heading(bare).split() if w not in UNITS] or [plain_heading(bare)]
    column = _HEADINGS.get(heading(text))
    return column is None or bool(column.fullmatch(" ".join(words)))


def measure(text, cells=()):
    """The constants of a column of measurements whose heading, with the unit of its first cell,
    says what and where; else {}. Not so where it is money, a date or a distance."""
    unit = re.fullmatch(r"[\d.,]+ ?(mm|psi|bar|kpa|/32).*", next(iter(cells), "").casefold())
    low = plain_heading(f"{text} {unit[1] if unit else ''}")
    for quantity, told in TOLD["measures"].items() if not _NOT_MEASURED.search(low) else ():
        if re.search(rf"(?<!\w)(?:{told['words']})(?!\w)", low):
            found = {"quantity": quantity, "category": told["category"], "most": told["most"]}
            at = [_first(group, low) for group in ("axles", "sides")]
            found["position"] = "-".join(filter(None, at)) or told.get("position", "")
            return found | ({"place": place} if (place := _first("places", low)) else {})
    return {}


def _first(group, low):
    found = TOLD[group].items()
    return next((k for k, words in found if re.search(rf"(?<!\w)(?:{words})(?!\w)", low)), "")


def tables_of(title, found):
    """The tables that a sheet of this title with these columns may be, the most telling first."""
    if schema.table_of(title) in schema.TABLES:
        return [schema.table_of(title)]
    needs = ((table, told.get("needs")) for table, told in _TABLES.items())
    return [table for table, columns in needs if columns and set(columns) <= found]


def columns_of(title, heads):
    """(table, heading to column, others it might be): the table that takes most of the headings.
    Of several numbers or days for one column that which says nothing else; "?" where none is."""
    takes = {}
    for to in tables_of(title, {heading(head) for head in heads}):
        wants = {head: name for head in heads if (name := meant(head, to))}
        takes[to] = columns = {}
        for head, name in wants.items():
            rivals = [h for h, n in wants.items() if n == name]
            if schema.column(to, name).kind in ("date", "number") and len(rivals) > 1:
                sure = [h for h in rivals if is_exact(h)]
                rivals = sure if len(sure) == 1 else [""]
            if rivals[0] in (head, ""):
                columns[head] = name if rivals[0] else ASK
    if not takes:
        return "", {}, []
    to = max(takes, key=lambda name: len(takes[name]))
    least = len(takes[to]) - 1
    near = [n for n, taken in takes.items() if len(taken) >= least and taken.keys() - takes[to]]
    return to, takes[to], near
