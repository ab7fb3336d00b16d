"""A frame as a table for people (HTML, in the reader's units) and for spreadsheets (CSV)."""

import datetime
import math
import numbers
from math import nan
from typing import NamedTuple

import pandas as pd
from pandas.api import types

from wearbar.log import places
from wearbar.report.quantities import Show, clean, decimals_of, has_width, interval, number, plural
from wearbar.report.template import blocks_of, column_of, page_of, words_of

# of a formula in some spreadsheet, which turns the wide ones into the others on import
STARTERS = set("=+-@|%＝＋－＠％｜")
# what a column's name ends with: its unit; the longest that fits decides
ENDINGS = {f"_{end}": end for end in ("km", "mm", "l", "kpa", "days", "months", "years", "hours")}
ENDINGS |= {unit: unit for unit in ("km_per_day", "km_per_year", "mm_per_1000km", "per_1000km")}
ENDINGS |= {unit: unit for unit in ("per_100km", "l_per_100km", "share")}
for _name in ("cost", "price", "money", "amount"):
    ENDINGS |= {_name: "money", f"{_name}_per_km": "money_per_km"}


class Head(NamedTuple):
    """A column of a printed table: columns of the frame, the heading, the `Scale` (None: words)."""

    columns: tuple
    label: str
    scale: object = None
    decimals: int | None = None

    def cells(self, frame, missing):
        columns = [frame[c] for c in self.columns]
        if self.scale is not None:
            rows = zip(*(self.scale.turn(c.astype(float)) for c in columns), strict=True)
            return [_figures(row, self.decimals) or missing for row in rows]
        if len(columns) == 1:
            return [_word(x, missing) for x in columns[0]]
        words = zip(*([_word(x, "") for x in c] for c in columns), strict=True)
        return [" to ".join(filter(None, row)) or missing for row in words]


def heads_of(frame, columns, show):
    """The `Head`s of the columns asked for (see `Report.table`); None is every column."""
    columns = columns or {name: str(name).replace("_", " ").capitalize() for name in frame.columns}
    heads = []
    for key, label in columns.items():
        names = key if isinstance(key, tuple) else (key,)
        label, unit = label if isinstance(label, tuple) else (label, _unit_of(names[0]))
        if _is_number(frame[names[0]]):
            scale = show.scale(unit)
            label = f"{label} ({scale.head})" if scale.head and unit else label
            heads.append(Head(names, label, scale, _column_places(scale, frame, names)))
        else:
            heads.append(Head(names, label))
    return heads


def view_of(report, name, frame, show, hide=()):
    """What shared/tables/<report>.toml says of the table `name`, as `Report.table` takes it.

    There a table has its columns in order, those that print as one together; `heads` are headings
    that a column's name does not give. What a block of the template says of a row takes the place
    of the column it is named after: `on_now_legal` that of legal in the table on-now. A column
    marked "?" is shown only where a row has it, or the one named after "?", and `hide` lacks it.
    """
    told = places.read_toml("shared", "tables", f"{report}.toml")
    words, blocks, said = words_of(report, show=show), blocks_of(report), {}
    view, columns = {"name": name, **told[name]}, {}
    heads = told.get("heads", {}) | view.pop("heads", {})
    for key in view.pop("columns"):
        key, asks, other = key.partition("?")
        column, *ends = key.split()
        block = f"{name}_{column}".replace("-", "_")
        if block in blocks:
            said[column] = column_of(words, block, frame)
        if asks:
            filled = frame.assign(**said)[other or column]
            if column in hide or not (filled.notna() & filled.ne("")).any():
                continue
        head = heads.get(key, column.replace("_", " ").capitalize())
        label, *unit = [head] if isinstance(head, str) else head
        label = label.replace("{distance}", show.units.distance)
        columns[(column, *ends) if ends else column] = (label, *unit) if unit else label
    return view | {"frame": frame.assign(**said), "columns": columns}


def all_of(frame, heads, adds, cells):
    """The row "all" of a table, as a frame: the sums of its columns `adds`, and `cells` (by column)
    of what does not add up. None under two rows, which need no total."""
    row = dict.fromkeys(c for h in heads for c in h.columns) | {**cells}
    row |= {heads[0].columns[0]: "all"} | {c: frame[c].sum(min_count=1) for c in adds}
    return pd.DataFrame([row][: bool(adds) and len(frame) > 1], columns=list(row))


def html_of(frame, heads, caption, missing="–", rows=15, note="", total=None):
    """The table in HTML; rows after the first `rows` stand in a second one, behind a summary.
    total: of `all_of`; it ends the first."""
    cells = list(zip(*(h.cells(frame, missing) for h in heads), strict=True))
    foot = [] if total is None else list(zip(*(h.cells(total, "") for h in heads), strict=True))
    told = {"cells": cells, "heads": heads, "caption": caption, "rows": rows, "note": note}
    told |= {"foot": foot}
    more = plural(max(len(cells) - rows, 0), "row")
    return page_of("shown.html.j2", block="table", more=more, **told)


def csv_of(frame, heads):
    """The columns shown in the reader's units, named in the columns; no text starts a formula."""
    out = {}
    for column, scale in ((c, head.scale) for head in heads for c in head.columns):
        if scale is None:
            out[column] = [_inert(x) for x in frame[column]]
        else:
            name, turned = _turned(str(column), frame[column].astype(float), scale)
            out[name] = [_fixed(x) for x in turned]
    return pd.DataFrame(out).to_csv(index=False, lineterminator="\n")


def columns_of(frame, heads, adds, live):
    """For a workbook, of each column that `csv_of` writes: [heading, unit (None: text), decimals,
    whether it is one of those that add up, its formula]."""
    told = []
    for head in heads:
        sides = ["", ", from", ", to"][len(head.columns) == 2 :]
        for column, side in zip(head.columns, sides, strict=False):
            is_date = types.is_datetime64_any_dtype(frame[column])
            unit = head.scale.suffix if head.scale else "date" if is_date else None
            formula = dict(live).get(column, "")
            told.append([head.label + side, unit, head.decimals, column in adds, formula])
    return told


def in_units(frame, show):
    """The frame with its numbers in the reader's units, which stand in its columns' names.

    A column's ending (`ENDINGS`) says its unit; one without, a share and text stay as they are.

    >>> from wearbar.log.units import Units
    >>> miles = Show(Units(distance="mi"))
    >>> in_units(pd.DataFrame({"left_km": [16.09344]}), miles).round(9).to_dict("list")
    {'left_mi': [10.0]}
    """
    out = {}
    for name, column in frame.items():
        if _is_number(column) or frame.empty:
            name, column = _turned(name, column, show.scale(_unit_of(name)))
        out[name] = column
    return pd.DataFrame(out, index=frame.index)


def _turned(name, column, scale):
    """(name, column) in the reader's unit: `overrun_km` is `overrun_mi`; a share stays 0 to 1."""
    unit = _unit_of(name)
    if scale.suffix == "share":
        return name, column
    if unit and scale.suffix not in ("", "money"):
        name = name.removesuffix(unit)
        if scale.suffix.startswith("per_"):  # cost_per_km as a cost or money per mile
            name = f"{name.partition('_per_')[0].rstrip('_')}_".lstrip("_")
        name += scale.suffix
    return name, scale.turn(column)


def _unit_of(name):
    fits = [end for end in ENDINGS if str(name).endswith(end)]
    return ENDINGS[max(fits, key=len)] if fits else ""


def _is_number(column):
    return types.is_numeric_dtype(column) and not types.is_bool_dtype(column)


def _column_places(scale, frame, columns):
    """One place for a column: by its typical interval, else its unit, else its largest value."""
    turned = [scale.turn(frame[c].astype(float)) for c in columns]
    values = pd.concat(turned).abs().replace(math.inf, nan).dropna()
    if values.empty:
        return 0
    if len(columns) > 1:
        ends = (sorted(pair) for pair in zip(*turned[-2:], strict=True))
        widths = pd.Series([high - low for low, high in ends if has_width(low, high)], dtype=float)
        places = decimals_of(0.0, widths.median())
        if places is not None:
            return max(places, 0)
    if scale.decimals is not None and not scale.whole_from:
        return scale.places(values.max())
    if (values % 1 == 0).all() or values.max() >= 100:
        return 0
    return 2 if scale.suffix == "money" else 1 if values.max() >= 10 else 2


def _figures(row, decimals):
    """ "value (low to high)", "low to high" or the value alone; "" where nothing is known."""
    *value, low, high = row if len(row) > 1 else (*row, nan, nan)
    if pd.notna(low) and pd.notna(high):
        low, high = sorted((low, high))
        pair = interval(low, high, decimals) if has_width(low, high) or not value else ""
    elif pd.notna(high):
        pair = f"up to {number(high, decimals)}"
    else:
        pair = f"at least {number(low, decimals)}" if pd.notna(low) else ""
    if not value or pd.isna(value[0]):
        return pair
    return number(value[0], decimals) + (f" ({pair})" if pair else "")


def _word(x, missing):
    if pd.isna(x):
        return missing
    if types.is_bool(x):
        return "yes" if x else "no"
    if isinstance(x, datetime.date):
        return Show().date(x).replace(" ", "\N{NO-BREAK SPACE}")
    return number(x) if isinstance(x, numbers.Real) else clean(x, 400)


def _fixed(x):
    return "" if pd.isna(x) or math.isinf(x) else f"{round(x, 6) + 0.0:.6f}".rstrip("0").rstrip(".")


def _inert(x):
    """A cell of words for a spreadsheet, which starts no formula."""
    if pd.isna(x) or types.is_bool(x):
        return _word(x, "")
    text = f"{x:%Y-%m-%d}" if isinstance(x, datetime.date) else clean(x, 2000)
    return f"'{text}" if text[:1] in STARTERS else text
