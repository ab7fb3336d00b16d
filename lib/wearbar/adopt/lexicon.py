"""The words of people's sheets (shared/adopt/words.toml): the columns and tables they tell of."""

import re

from wearbar.log import schema
from wearbar.log.places import read_toml

_TOLD = read_toml("shared", "adopt", "words.toml")
_HEADINGS = {
    column: re.compile(rf"(?<!\w)(?:{words})(?!\w)") for column, words in _TOLD["headings"].items()
}
_TABLES = _TOLD["tables"]
_NAMES = {col.name for columns in schema.TABLES.values() for col in columns}

UNITS = {word: unit for unit, words in _TOLD["units"].items() for word in words.split()}
MONTHS = {
    name[:n]: month
    for month, name in enumerate(_TOLD["months"]["names"].split(), start=1)
    for n in range(3, len(name) + 1)
}
SIGNS = {sign: tuple(codes.split()) for sign, codes in _TOLD["signs"].items()}


def heading(text, table=""):
    """The column that a heading tells of, or ""; a column's own name is it, if the table has it."""
    priced = re.sub(r"[£€$¥] ?(?=/|per\b)", " price ", text.casefold())
    low = " ".join(re.sub(r"[^\w/]+", " ", priced).split())
    own = low.replace(" ", "_")
    if own in _NAMES and (not table or schema.column(table, own)):
        return own
    return next((column for column, words in _HEADINGS.items() if words.search(low)), "")


def tables_of(title, found):
    """The tables that a sheet of this title with these columns may be, the most telling first."""
    if schema.table_of(title) in schema.TABLES:
        return [schema.table_of(title)]
    needs = {table: told["needs"] for table, told in _TABLES.items() if "needs" in told}
    return [table for table, columns in needs.items() if set(columns) <= found]


def columns_of(title, heads):
    """(table, heading to column, others it might be): the table that takes most of the headings."""
    takes = {to: _taken(to, heads) for to in tables_of(title, {heading(head) for head in heads})}
    if not takes:
        return "", {}, []
    to = max(takes, key=lambda name: len(takes[name]))
    least = len(takes[to]) - 1
    near = [n for n, taken in takes.items() if len(taken) >= least and taken.keys() - takes[to]]
    return to, takes[to], near


def _taken(to, heads):
    columns = {}
    for head in heads:
        guess = heading(head, to)
        name = _TABLES.get(to, {}).get(guess, guess)
        if schema.column(to, name) and name not in columns.values():
            columns[head] = name
    return columns


def quantity_of(text):
    """The quantity of a measurement that a heading tells of, or ""."""
    low = text.casefold().replace("tread", "depth")
    return next((quantity for quantity in schema.MEASURED if quantity in low), "")
