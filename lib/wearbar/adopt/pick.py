"""The rows and columns of a sheet that a [[table]] takes; why every other row is left out."""

from dataclasses import dataclass

import pandas as pd

from wearbar.adopt.grids import headings
from wearbar.adopt.maps import AdoptError
from wearbar.log import schema

TOTAL = r"(?i)(?:grand |sub-?)?(?:totals?|sum|average|mean|summe|gesamt|totaal|totale|suma|somme)\b"
ABOVE, AGAIN, TOTALS = "above the header", "the header again", "a row of totals"
UNNAMED = "its sheet has no table in the map"
NOTHING = "nothing in the columns that are carried over"
BEYOND = "more cells than the header: does a cell hold the delimiter?"
UNDERSTOOD = (ABOVE, AGAIN, TOTALS, UNNAMED)
LEFT_OUT = ["sheet", "line", "why", "text"]


@dataclass
class Part:
    """One [[table]] of the map on its way."""

    entry: dict
    sheet: str
    picked: pd.DataFrame  # cells by line, the table's own columns
    typed: pd.DataFrame  # whether the file itself holds a number there
    left: list  # of the rows left out, `LEFT_OUT` each
    passed_over: list  # (sheet, heading, cells) of the other columns

    def named(self, *kinds):
        """The names of the picked columns of these kinds."""
        return [n for n in self.picked if schema.column(self.entry["to"], n).kind in kinds]


def pick(grid, entry):
    """The `Part` of a sheet by a [[table]]. Raises AdoptError where it has no such column."""
    cells, lines, columns = grid.cells, entry["header_lines"], entry["columns"]
    names, where = headings(cells, lines), f"sheet {grid.sheet!r}" if grid.sheet else "the file"
    for name in columns:
        if name not in names:
            has = ", ".join(names) or "none"
            raise AdoptError(f"{where} has no column {name!r} on line {lines[-1]}; it has {has}")
    wanted, is_head = [names[name] for name in columns], cells.index.isin(lines)
    rows = cells[~is_head]
    titled = rows[wanted].set_axis(list(columns.values()), axis=1)
    why = _why_left_out(rows, titled, cells[is_head], entry["to"])
    if not grid.sheet:
        beyond = rows.loc[:, rows.columns > max(names.values())].notna().any(axis=1)
        why = why.mask(why.eq("") & beyond, BEYOND)
    kept = rows[why == ""]
    heads = {place: f"column {place + 1}" for place in cells} | {p: n for n, p in names.items()}
    filled = kept.drop(columns=wanted).notna().sum()
    return Part(
        entry,
        grid.sheet,
        titled.loc[kept.index],
        grid.typed.loc[kept.index, wanted].set_axis(titled.columns, axis=1),
        left_out(grid.sheet, rows[why != ""], why[why != ""]),
        [(grid.sheet, heads[place], int(n)) for place, n in filled.items() if n],
    )


def _why_left_out(rows, picked, head, to):
    first = rows.bfill(axis=1).iloc[:, 0].astype(object).str.strip()
    days = picked[[name for name in picked if schema.column(to, name).kind == "date"]]
    labels = days.apply(lambda cells: cells.isna() | _is_total(cells.astype(object).str.strip()))
    why = pd.Series("", index=rows.index, dtype=object)
    why[picked.isna().all(axis=1)] = NOTHING
    why[_is_total(first) & labels.all(axis=1)] = TOTALS
    for line in head.index:
        why[rows.fillna("").eq(head.loc[line].fillna("")).all(axis=1)] = AGAIN
    why[rows.index < max(head.index, default=0)] = ABOVE
    return why


def _is_total(text):
    return text.str.match(TOTAL).eq(True)


def left_out(sheet, rows, why):
    """A list of `LEFT_OUT` of the rows of a sheet; why: one reason for all, or a Series of them."""
    text = [" | ".join(row[~pd.isna(row)]) for row in rows.to_numpy(dtype=object)]
    whys = why if isinstance(why, pd.Series) else [why] * len(rows)
    return list(zip([sheet] * len(rows), rows.index, whys, text, strict=True))
