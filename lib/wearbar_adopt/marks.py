"""A checklist: a row a visit, a column a job, a mark in the cell where it was done. Each mark is to
be a row of work; what a cell holds beside marks (a cost, a day, words) is asked."""

import re

import pandas as pd

from wearbar.log import schema
from wearbar_adopt.cells import ASK, LEAVE, TOLD, code_of, either, is_day, plain_letters
from wearbar_adopt.heads import columns_of, heading, meant, plain_heading

DONE, NUMBER, DAY = "done", "number", "day"
HALF, SHORT = 0.5, 3  # of a column's cells that are marks; letters of a mark of one's own
_MARKS = {kind: set(words.split(", ")) for kind, words in TOLD["marks"].items()}
_JOB, _BESIDE = (re.compile(TOLD["jobs"][key]) for key in ("words", "beside"))
_SHARED = ("vehicle", "date", "odometer", "hours", "done_by", "invoice", "why", "note")


def is_job(head):
    """Whether a heading surely names a job: a word of it does, and it says nothing else."""
    words = plain_heading(head).split()
    known = [bool(_JOB.fullmatch(word)) for word in words]
    others = (word for word, is_known in zip(words, known, strict=True) if not is_known)
    return any(known) and all(_BESIDE.fullmatch(word) for word in others)


def is_mark(cell):
    """Whether a cell says that something is done, or not, and nothing else."""
    plain = _plain(cell)
    return any(plain in some for some in _MARKS.values())


def ticked(names, body):
    """The headings whose columns hold marks."""
    if not any(heading(head) == "date" for head in names):
        return []
    found = []
    for head, place in names.items():
        words = [_plain(cell) for cell in body[place].dropna()]
        n_marks = sum(map(is_mark, words))
        is_own = is_job(head) and all(len(w) <= SHORT and not w.isdigit() for w in words)
        is_told = heading(head) in (*_SHARED, "filled_to") and not is_job(head)
        if words and not is_told and (is_own or n_marks >= HALF * len(words)):
            found.append(head)
    return found


def tables(title, names, body, found):
    """`columns_of` the headings that are no marks, and those that are. Beside fuel or other work
    only what surely is a job counts. found: those that hold measurements."""
    marked = [head for head in ticked(names, body) if head not in found]
    rest = [head for head in names if head not in (*found, *marked)]
    told = columns_of(title, rest)
    if marked and told[0] == "work" and "task" not in told[1].values():
        told = columns_of("", rest)
    if marked and told[0] not in ("", "odometer"):
        marked = [head for head in marked if is_job(head)]
        told = columns_of(title, [h for h in names if h not in (*found, *marked)])
    elif marked:  # a job is one too where its cells say more
        others = (h for h in names if is_job(h) and heading(h) != "task" and h not in found)
        marked += [h for h in others if h not in marked and body[names[h]].notna().any()]
    return *told, marked


def shared(heads):
    """Heading to the column of work, of what holds for each job of a row."""
    found = {}
    for head in heads:
        name = meant(head, "work")
        if name in _SHARED and name not in found.values():
            found[head] = name
    return found


def jobs(grid, names, rows, marked, open_, tasks):
    """(`each`, `cells`) of a [[table]]: heading to task, "?" where it may be no job, and what is in
    their cells to what it means. open_: other headings, for which nothing is known."""
    col = schema.column("work", "task")
    each = {head: tasks.get(head.casefold()) for head in marked}
    each = {h: task or (code_of(h, col) if is_job(h) else ASK) for h, task in each.items()}
    each |= dict.fromkeys(open_, ASK)
    held = (grid.cells.loc[rows, names[head]].dropna() for head in each)
    keys = dict.fromkeys(key for cells in held for key in map(_key, cells))
    plain = {_plain(key) for key in keys}
    is_sure = not plain & _MARKS["done"]
    sure = dict.fromkeys(_MARKS["done"], DONE) | dict.fromkeys(_MARKS["not_done"], LEAVE)
    sure |= dict.fromkeys(_MARKS["cross"], DONE if is_sure else ASK)
    return each, {key: sure.get(_plain(key), ASK) for key in keys}


def said(cells, meanings):
    """What each cell of a column of marks means by `meanings`; missing where they say nothing."""
    known = {str(key).casefold(): code for key, code in meanings.items()}
    meant = [known.get(_text(cell), known.get(_key(cell))) for cell in cells]
    return pd.Series(meant, cells.index, dtype=object)


def _key(cell):
    """How the map calls a cell: by itself, or, as there may be many, as a number or a day."""
    if either([cell], "point")[0][0]:
        return NUMBER
    return DAY if is_day([cell])[0] else _text(cell)


def _text(cell):
    return " ".join(str(cell).casefold().split())


def _plain(cell):
    return plain_letters(_text(cell)).replace("\ufe0f", "")
