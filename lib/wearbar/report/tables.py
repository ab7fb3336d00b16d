"""A frame as a table for people (HTML, in the reader's units) and for spreadsheets (CSV, every row)."""

import datetime
import html
import math
import numbers
import tomllib
from dataclasses import dataclass
from functools import cache

import pandas as pd
from pandas.api import types

from wearbar.log import places
from wearbar.report.quantities import Show, clean, decimals_of, has_width, interval, number, plural

__all__ = ["Head", "csv_of", "heads_of", "html_of", "in_units", "view_of"]

STARTERS = set(
    "=+-@|%＝＋－＠％｜"
)  # of a formula in some spreadsheet; the wide ones are turned into the others on import

# a column's name ends with -> the unit it is in; the longest ending that fits decides
ENDINGS = {
    "_km": "km",
    "km_per_day": "km_per_day",
    "km_per_year": "km_per_year",
    "_mm": "mm",
    "mm_per_1000km": "mm_per_1000km",
    "per_1000km": "per_1000km",
    "per_100km": "per_100km",
    "_l": "l",
    "l_per_100km": "l_per_100km",
    "_kpa": "kpa",
    "_days": "days",
    "_months": "months",
    "_years": "years",
    "_hours": "hours",
    "share": "share",
    "cost": "money",
    "price": "money",
    "amount": "money",
    "money": "money",
    "cost_per_km": "money_per_km",
    "money_per_km": "money_per_km",
    "price_per_km": "money_per_km",
}


def heads_of(frame, columns, show):
    """The `Head`s of the columns asked for, in order. columns: see `reports.Report.table`; None is every column of the frame."""
    columns = columns or {name: str(name).replace("_", " ").capitalize() for name in frame.columns}
    return [Head.of(show, frame, key, label) for key, label in columns.items()]


def view_of(report, name, frame, show):
    """What shared/words/<report>.toml says of the table `name`, as `Report.table` takes it.

    There a table has its columns in order, those that print as one together; `heads`, the file's
    and its own, give the headings that a column's name does not. A column marked "?" is shown only
    where a row of the frame has it.
    """
    told = _views(report)
    view = {"name": name, **told[name]}
    heads = told.get("heads", {}) | view.pop("heads", {})
    columns = {}
    for key in view.pop("columns"):
        column, *ends = key.removesuffix("?").split()
        if key.endswith("?") and not frame[column].fillna("").ne("").any():
            continue
        head = heads.get(key.removesuffix("?"), column.replace("_", " ").capitalize())
        label, *unit = [head] if isinstance(head, str) else head
        label = label.replace("{distance}", show.units.distance)
        columns[(column, *ends) if ends else column] = (label, *unit) if unit else label
    return {**view, "columns": columns}


@cache
def _views(report):
    return tomllib.loads(places.place("shared", "words", f"{report}.toml").read_text("utf-8"))


def html_of(frame, heads, caption, missing="–", rows=15):
    """The table in HTML; rows after the first `rows` stand in a second table behind a "Show the other"."""
    if frame.empty:
        return f'<p class="wb-none">{html.escape(caption)}: nothing to list.</p>'
    cells = list(zip(*(h.cells(frame, missing) for h in heads), strict=True))
    first = _one_table(cells[:rows], heads, caption)
    if len(cells) <= rows:
        return first
    rest = _one_table(cells[rows:], heads, f"{caption}, rows {rows + 1:,} to {len(cells):,}")
    return f'{first}<details class="wb-more"><summary>Show the other {plural(len(cells) - rows, "row")}</summary>{rest}</details>'


def csv_of(frame, heads):
    """The columns shown, every row, in the reader's units with the unit in the name; text cells can start no formula in a spreadsheet."""
    out = {}
    for head in heads:
        for column in head.columns:
            if head.scale is None:
                out[column] = [_inert(x) for x in frame[column]]
            else:
                turned = _turned(frame[column].astype(float), head.scale)
                out[_renamed(str(column), head.scale)] = [_fixed(x) for x in turned]
    return pd.DataFrame(out).to_csv(index=False, lineterminator="\n")


def in_units(frame, show):
    """The frame with its numbers in the reader's units, which stand in the columns' names; a share stays 0 to 1, nothing is rounded.

    A column is in SI and its name's ending (`ENDINGS`) says which unit; one without such an ending, and text, stay as they are.

    >>> from wearbar.log.units import Units
    >>> in_units(pd.DataFrame({"left_km": [16.09344]}), Show(Units(distance="mi"))).round(9).to_dict("list")
    {'left_mi': [10.0]}
    """
    out = {}
    for name, column in frame.items():
        scale = show.scale(_unit_of(name)) if _is_number(column) or frame.empty else None
        out[_renamed(name, scale) if scale else name] = _turned(column, scale) if scale else column
    return pd.DataFrame(out, index=frame.index)


@dataclass(frozen=True)
class Head:
    """One column of a printed table: the frame's columns that it is made from, its heading, and how they are read."""

    columns: tuple
    label: str
    scale: object = None
    decimals: int | None = None

    @staticmethod
    def of(show, frame, key, label):
        columns = key if isinstance(key, tuple) else (key,)
        label, unit = label if isinstance(label, tuple) else (label, _unit_of(columns[0]))
        if not _is_number(frame[columns[0]]):
            return Head(columns, label)
        scale = show.scale(unit)
        head = f"{label} ({scale.head})" if scale.head and unit else label
        return Head(columns, head, scale, _column_places(scale, frame, columns))

    def cells(self, frame, missing):
        if self.scale is None:
            words = [
                [_word(x, missing if len(self.columns) == 1 else "") for x in frame[c]]
                for c in self.columns
            ]
            return (
                words[0]
                if len(words) == 1
                else [" to ".join(filter(None, row)) or missing for row in zip(*words, strict=True)]
            )
        turned = [self.scale.turn(frame[c].astype(float)) for c in self.columns]
        if len(turned) == 1:
            return [missing if pd.isna(x) else number(x, self.decimals) for x in turned[0]]
        pairs = [_pair(a, b, self.decimals) for a, b in zip(*turned[-2:], strict=True)]
        if len(turned) == 2:
            return [p or missing for p in pairs]
        alike = [
            pd.notna(a) and pd.notna(b) and not has_width(*sorted((a, b)))
            for a, b in zip(*turned[-2:], strict=True)
        ]
        pairs = ["" if no_width else p for p, no_width in zip(pairs, alike, strict=True)]
        return [
            _with_interval(x, p, self.decimals, missing)
            for x, p in zip(turned[0], pairs, strict=True)
        ]


def _turned(column, scale):
    """The column in the reader's unit; a share is 0 to 1 in files and frames, whatever people read."""
    return column if scale.suffix == "share" else scale.turn(column)


def _unit_of(name):
    fits = [end for end in ENDINGS if str(name).endswith(end)]
    return ENDINGS[max(fits, key=len)] if fits else ""


def _is_number(column):
    return types.is_numeric_dtype(column) and not types.is_bool_dtype(column)


def _column_places(scale, frame, columns):
    """One place for a whole column: what the typical interval deserves, else the unit's own, else by the size of the largest."""
    turned = [scale.turn(frame[c].astype(float)) for c in columns]
    values = pd.concat(turned).abs().replace(math.inf, math.nan).dropna()
    if values.empty:
        return 0
    if len(columns) > 1:
        low, high = turned[-2:]
        widths = [abs(b - a) for a, b in zip(low, high, strict=True) if has_width(*sorted((a, b)))]
        places = decimals_of(0.0, float(pd.Series(widths).median())) if widths else None
        if places is not None:
            return max(places, 0)
    if scale.suffix not in ("km", "mi", "money") and scale.decimals is not None:
        return scale.places(values.max())
    if (values % 1 == 0).all() or values.max() >= 100:
        return 0
    return 2 if scale.suffix == "money" else 1 if values.max() >= 10 else 2


def _pair(low, high, decimals):
    if pd.isna(low) and pd.isna(high):
        return ""
    if pd.isna(low):
        return f"up to {number(high, decimals)}"
    if pd.isna(high):
        return f"at least {number(low, decimals)}"
    return interval(*sorted((low, high)), decimals)


def _with_interval(x, pair, decimals, missing):
    if pd.isna(x):
        return pair or missing
    return f"{number(x, decimals)} ({pair})" if pair else number(x, decimals)


def _word(x, missing):
    if x is None or pd.isna(x):
        return missing
    if pd.api.types.is_bool(x):
        return "yes" if x else "no"
    if isinstance(x, numbers.Real):
        return number(x)
    is_day = isinstance(x, (pd.Timestamp, datetime.date))
    return Show().date(x).replace(" ", "\N{NO-BREAK SPACE}") if is_day else clean(x, 400)


def _one_table(cells, heads, caption):
    kinds = ["" if h.scale is None else ' class="wb-n"' for h in heads]
    top = "".join(
        f'<th scope="col"{kind}>{html.escape(h.label)}</th>'
        for kind, h in zip(kinds, heads, strict=True)
    )
    body = "".join(f"<tr>{_row(row, kinds)}</tr>\n" for row in cells)
    label = html.escape(caption)
    return (
        f'<div class="wb-scroll" role="region" aria-label="{label}" tabindex="0"><table class="wb-table"><caption>{label}</caption>'
        f"<thead><tr>{top}</tr></thead>\n<tbody>\n{body}</tbody></table></div>"
    )


def _row(row, kinds):
    first, *rest = zip(row, kinds, strict=True)
    return f'<th scope="row"{first[1]}>{html.escape(first[0])}</th>' + "".join(
        f"<td{kind}>{html.escape(cell)}</td>" for cell, kind in rest
    )


def _renamed(column, scale):
    """`overrun_km` becomes `overrun_mi`, `cost_per_km` `cost_per_mi`; a name that does not say its unit stays."""
    unit = _unit_of(column)
    if not unit or scale.suffix in ("", "money", "share"):
        return column
    if unit == "money_per_km":
        return f"{column.removesuffix('per_km')}{scale.suffix}"
    return f"{column.removesuffix(unit)}{scale.suffix}"


def _fixed(x):
    return "" if pd.isna(x) or math.isinf(x) else f"{x:.6f}".rstrip("0").rstrip(".")


def _inert(x):
    if x is None or pd.isna(x):
        return ""
    if isinstance(x, (pd.Timestamp, datetime.date)):
        return f"{x:%Y-%m-%d}"
    text = clean(x, 2000) if not pd.api.types.is_bool(x) else ("yes" if x else "no")
    return f"'{text}" if text[:1] in STARTERS else text
