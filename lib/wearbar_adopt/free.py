"""Free text ("oil+filter 12,340mi £45 done by me") split into what a log has, to be confirmed: a
sheet with the words themselves beside it. "?" stands where two figures may be meant."""

import re

import pandas as pd

from wearbar_adopt.cells import FREE, is_day
from wearbar_adopt.grids import decoded, header_lines, headings
from wearbar_adopt.heads import columns_of

HEADS = ("Date", "Odometer", "Cost", "Work", "Done by", "Note")
SHARE = 0.5  # of the lines that tell of money or a distance, for a sheet to be free text
_FORMS = {key: re.compile(form, re.IGNORECASE) for key, form in FREE.items()}


def free_text(path, grids):
    """Its lines as rows of `HEADS`, where a file is free text: no table, and most lines speak of
    money or a distance among words; else None."""
    lines = [line for grid in grids for line in _lines(path, grid)]
    cells = (row.dropna() for grid in grids for _, row in grid.cells.iterrows())
    told = sum(any(map(_is_told, row)) for row in cells)
    return [split(line) for line in lines] if told >= max(SHARE * len(lines), 1) else None


def _is_told(cell):
    """Whether a cell tells of money or a distance among other words."""
    found = _FORMS["money"].search(cell) or _FORMS["distance"].search(cell)
    rest = _FORMS["money"].sub(" ", _FORMS["distance"].sub(" ", cell))
    return bool(found and re.search(r"[^\W\d]{3}", rest))


def _lines(path, grid):
    """The lines of a sheet that no table takes; of a text file whole, with their commas."""
    lines = header_lines(grid.cells)
    if lines and columns_of(grid.sheet or path.stem, list(headings(grid.cells, lines)))[1]:
        return []
    if grid.sheet:
        return [" ".join(map(str, row.dropna())) for _, row in grid.cells.drop(lines).iterrows()]
    text = decoded(path.read_bytes())[0].splitlines()
    kept = [(n, re.sub(r"\s*\"\s*", " ", line).strip(" ,;")) for n, line in enumerate(text, 1)]
    # a first line without a figure is a title, or heads the others
    first = int(grid.cells.index[0])
    return [line for n, line in kept if line and (n > first or re.search(r"\d", line))]


def split(text):
    """One line of free text as `HEADS`; what is left of it is the work, and the whole the note."""
    rest, row = f" {text} ", {}
    for key in ("date", "money", "distance", "done_by"):
        found = [*_FORMS[key].finditer(rest)]
        found = [m for m in found if key != "date" or is_day(pd.Series([m["it"]])).all()]
        row[key] = "?" if len(found) > 1 else found[0]["it"].strip() if found else ""
        for match in reversed(found if key != "done_by" else found[:1]):
            rest = f"{rest[: match.start()]} {rest[match.end() :]}"
    work = re.sub(r"\s+", " ", rest).strip(" ,;:.-@")
    return (row["date"], row["distance"], row["money"], work, row["done_by"], text)
