"""Files of sheets, as people keep them."""

import csv

import openpyxl


def text(path, rows, delimiter=",", encoding="utf-8"):
    with path.open("w", encoding=encoding, newline="") as file:
        csv.writer(file, delimiter=delimiter).writerows(rows)
    return path


def sheet(path, *rows, **how):
    return text(path, rows, **how)


def workbook(path, **sheets):
    """A workbook of sheets, name to (rows, ranges to merge)."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, (rows, merged) in sheets.items():
        page = book.create_sheet(name)
        for row in rows:
            page.append(row)
        for area in merged:
            page.merge_cells(area)
    book.save(path)
    return path
