"""The tables of a pack as one workbook: typed cells, live sums and differences. Every formula comes
from this module or shared/tables; text out of a log is text, whatever it looks like."""

import csv
import datetime
import json
import re
from functools import cache
from math import fsum

import xlsxwriter
from xlsxwriter.utility import xl_range, xl_range_abs

from wearbar.report import report as reports
from wearbar.report import tables
from wearbar.report.quantities import Show, clean, plain
from wearbar.report.template import words_of

FILE, CONTENTS = "workbook.xlsx", "contents"
MOST_ROWS = 1_048_576  # of a sheet, its header too
WIDTH, MOST_WIDTH, LINE, MOST_LINES = 16, 50, 15, 27  # of a column in letters, of a row in points
HOW = {"strings_to_formulas": False, "strings_to_urls": False}


def write_workbook(path, told, whole, cut, asked):
    """Write the workbook of a pack, the same bytes for the same. told: [(a report's title, a table
    of it as `Report.table` sends it)]. cut: the log `whole` of the vehicles asked for."""
    say = words_of("workbook", show=Show(whole.units).with_distance(asked["units"]))
    about = {"rows": reports.rows_of(whole), "asked": reports.said_of(asked), "cut": cut}
    names = sheet_names([CONTENTS, *(table["name"] for _, table in told)])[1:]
    sheets = [_typed(*own, name) for own, name in zip(told, names, strict=True)]
    cells = {
        f"[{t['name']}.{column}]": f"'{t['sheet']}'!{xl_range_abs(1, c, max(t['n'], 1), c)}"
        for t in sheets
        for c, column in enumerate(t["head"] if t["fits"] else ())
    }
    with xlsxwriter.Workbook(path, HOW) as book:
        book.set_properties({"title": clean(whole.name), "created": whole.as_of.to_pydatetime()})
        look, page = _looks(book, whole.units.currency), book.add_worksheet(CONTENTS)
        page.fit_to_pages(1, 0)
        for c, width in enumerate((32, 70, 30, 12, 40)):
            page.set_column(c, c, width)
        for r, line in enumerate(say("contents", log=whole, sheets=sheets, **about).split("\n\n")):
            for c, text in enumerate(plain(cell.strip()) for cell in line.split("|")):
                page.write(r, c, text, look(text_wrap="|" in line, bold=line.startswith("Sheet|")))
                if c == 0 and text in names:
                    page.write_url(r, 0, f"internal:'{text}'!A1", string=text)
        for table in sheets:
            if table["fits"]:
                _write(book.add_worksheet(table["sheet"]), look, table, cells)


def sheet_names(names):
    """Names that sheets may have, all different: 31 letters, none of []:*?/\\', no reserved one.

    >>> sheet_names(["a/b", "A?B", "outlook-money"])
    ['a b', 'A B 2', 'outlook-money']
    """
    made = []
    for name in names:
        safe = re.sub(r"[][:*?/\\'{}|]+", " ", clean(name)).strip()[:31] or "table"
        is_taken = safe.casefold() in ("history", *(other.casefold() for other in made))
        made.append(f"{safe[:26]} {len(made) + 1}" if is_taken else safe)
    return made


def _typed(title, table, sheet):
    """A table with its typed `rows` under the CSV's names (`head`), n of them above the sums."""
    head, *rows = csv.reader(table["csv"].splitlines(keepends=True))
    table = table | {"columns": json.loads(table["columns"])}
    kinds = [unit for _, unit, *_ in table["columns"]]
    rows = [list(map(_cell, row, kinds)) for row in rows]
    of = (re.findall(r"\((.+?)\)", label) for label, unit, *_ in table["columns"] if unit)
    more = {"title": title, "sheet": sheet, "head": head, "rows": rows}
    more["n"] = len(rows) - any(adds for *_, adds, _ in table["columns"])
    more["units"] = "; ".join(dict.fromkeys(unit for units in of for unit in units))
    return table | more | {"fits": len(rows) < MOST_ROWS}


def _cell(text, unit):
    """A cell of a CSV as what it is: None, a number, a day or text."""
    try:
        if text and unit is not None:
            return datetime.date.fromisoformat(text) if unit == "date" else float(text)
    except ValueError:  # "all"
        pass
    text = text[1:] if text[:1] == "'" and text[1:2] in tables.STARTERS else text
    return f"{text} " if text.startswith("<r>") else text or None  # that is markup to xlsxwriter


def _looks(book, currency):
    """A function from a unit, decimals and more to a cell's format."""
    forms = {None: "@", "date": "yyyy-mm-dd", "share": "0.0%"}
    forms["money"] = f'"{currency} "#,##0.00' if currency else "#,##0.00"

    @cache
    def look(unit=None, decimals=0, **more):
        form = forms.get(unit) or f"#,##0{'.' * bool(decimals)}{'0' * (decimals or 0)}"
        return book.add_format({"num_format": form, "text_wrap": True, "valign": "top"} | more)

    return look


def _write(page, look, table, cells):
    """A table on its sheet: the header stays in sight; filters, and sums that follow them."""
    rows, n, high = table["rows"], table["n"], [1] * (len(table["rows"]) + 1)
    page.freeze_panes(1, 0)
    page.autofilter(0, 0, max(n, 1), len(table["columns"]) - 1)
    page.repeat_rows(0)
    page.set_landscape()
    page.fit_to_pages(1, 0)
    for c, (label, unit, decimals, adds, live) in enumerate(table["columns"]):
        values, form = [row[c] for row in rows], look(unit, decimals)
        texts = [label, *(x if isinstance(x, str) else "" for x in values)]
        width = max(WIDTH * (unit is not None), *(len(word) + 3 for word in label.split()), 0)
        width = min(max(width, *(len(x) + 2 for x in texts[1:]), 0), MOST_WIDTH)
        high = [max(lines, len(x) // width + 1) for lines, x in zip(high, texts, strict=True)]
        page.set_column(c, c, width)
        align = "left" if unit is None else "right"
        page.write(0, c, label, look(bold=True, bottom=1, align=align))
        page.write_column(1, c, values[:n], form)
        for r in range(n if live else 0):
            if formula := _formula(live, r + 2, cells):
                page.write_formula(r + 1, c, formula, form, values[r])
        for x in values[n:]:
            form, sums = look(unit, decimals, bold=True, top=1), xl_range(1, c, n, c)
            page.write(n + 1, c, x, form)
            if adds:
                total = fsum(x or 0 for x in values[:n])
                page.write_formula(n + 1, c, f"=SUBTOTAL(109,{sums})", form, total)
    for r, lines in enumerate(high):
        if lines > 1:
            page.set_row(r, LINE * min(lines, MOST_LINES))


def _formula(live, n, cells):
    """A formula of shared/tables for row n; "" where the cells it asks for are on no sheet."""
    said = re.sub(r"\[.+?\]", lambda of: cells.get(of[0], of[0]), live.replace("{n}", str(n)))
    return "" if "[" in said else said
