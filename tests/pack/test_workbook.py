"""The workbook of a pack: typed, live, reconciled to the penny, and blind to what text looks like."""

import json
import math
import re
import shutil
import subprocess
import zipfile
from functools import cache
from xml.etree import ElementTree

import openpyxl
import pandas as pd
import pytest
from conftest import use_test_notebooks
from openpyxl.utils import range_boundaries

from wearbar.cost import bills
from wearbar.cost.account import account
from wearbar.log import log_of, places, read_log
from wearbar.pack import workbook as workbooks
from wearbar.pack.each import make_packs
from wearbar.pack.make import make_pack
from wearbar.report import tables
from wearbar.report.quantities import Show

SOFFICE = shutil.which("soffice")
NAME = "running_cost-reconciliation"
HOSTILE = ["=cmd|' /C calc'!A1", "+1", "-2+3", "@SUM(1)", "\t=1", "a\x01b", "x" * 40_000, "{=1}"]
HOSTILE += ["<r><t>&</t></r>", "http://a.invalid", "_x0041_", "\uffff", "'=1", "-", "all"]
ASKED = {"units": "", "site": ""}


def written(path, told, log):
    workbooks.write_workbook(path, told, log, log, ASKED)
    return path


def table_of(frame, name="sample-table", adds=()):
    """What a report sends of a frame."""
    show = Show()
    heads = tables.heads_of(frame, None, show)
    total = tables.all_of(frame, heads, adds, {})
    told = tables.csv_of(frame, heads) + tables.csv_of(total, heads).partition("\n")[2]
    columns = tables.columns_of(frame, heads, adds if len(total) else (), {})
    return "Sample", {
        "name": name,
        "csv": told,
        "caption": "A table",
        "columns": json.dumps(columns),
    }


def recalculated(path, folder):
    """The workbook as LibreOffice works its formulas out, without the results stored in it."""
    bare = openpyxl.load_workbook(path)
    bare.save(folder / "bare.xlsx")  # which drops them
    told = ["--headless", "--convert-to", "xlsx", "--outdir", str(folder / "out")]
    profile = f"-env:UserInstallation={(folder / 'profile').as_uri()}"
    subprocess.run([SOFFICE, profile, *told, str(folder / "bare.xlsx")], check=True)
    return openpyxl.load_workbook(folder / "out" / "bare.xlsx", data_only=True)


class Sums:
    """The formulas that a workbook has, worked out in plain Python from the cells they name."""

    def __init__(self, path):
        self.book = openpyxl.load_workbook(path)

    def cells(self, address, sheet):
        name, _, area = address.rpartition("!")
        left, top, right, bottom = range_boundaries(area.replace("$", ""))
        page = self.book[name.strip("'")] if name else sheet
        rows = page.iter_rows(top, bottom, left, right)
        return [self.value(cell, page) for row in rows for cell in row]

    def value(self, cell, sheet):
        x = cell.value
        if not (isinstance(x, str) and cell.data_type == "f"):
            return x
        kind, inner = re.fullmatch(r"=(\w+)?\(?(.*?)\)?", x).groups()
        if kind == "SUMIFS":
            amounts, table, mine, column, other, why, reason = inner.split(",")
            names = [self.cells(a, sheet) for a in (amounts, table, column, why)]
            asked = (*(self.cells(a, sheet)[0] for a in (mine, other)), reason.strip('"'))
            return math.fsum(a for a, *is_ in zip(*names, strict=True) if tuple(is_) == asked)
        if kind in ("SUBTOTAL", "SUM"):
            found = self.cells(inner.removeprefix("109,"), sheet)
            return math.fsum(n for n in found if isinstance(n, int | float))
        plus, *minus = re.sub(r"^=|ROUND\(|,2\)$", "", x).split("-")
        parts = (re.sub(r"SUM\((.*)\)", r"\1", part) for part in minus)
        less = [math.fsum(n or 0 for n in self.cells(part, sheet)) for part in parts]
        return round(self.cells(plus, sheet)[0] - math.fsum(less), 2)


@cache
def stored_in(path):
    """A workbook with the results that are stored in it; it is only looked at."""
    return openpyxl.load_workbook(path, data_only=True)


def formulas(path, book=None):
    book = book or openpyxl.load_workbook(path)
    return [(s, c) for s in book for row in s.iter_rows() for c in row if c.data_type == "f"]


@pytest.mark.parametrize("name", ["fleet", "owner"])
def test_sums_worked_out_again_equal_those_stored(packs, name, tmp_path):
    path = packs(name).folder / workbooks.FILE
    stored, sums = stored_in(path), Sums(path)
    is_twice = SOFFICE and name == "owner"
    office = recalculated(path, tmp_path) if is_twice else stored
    found = formulas(path, sums.book)
    assert len(found) > 40
    for sheet, cell in found:
        held = stored[sheet.title][cell.coordinate].value
        assert sums.value(sums.book[sheet.title][cell.coordinate], sums.book[sheet.title]) == (
            pytest.approx(held, abs=1e-6)
        ), (sheet.title, cell.coordinate)
        assert office[sheet.title][cell.coordinate].value == pytest.approx(held, abs=1e-6)


def test_the_fleets_money_is_reconciled_to_the_penny(packs):
    """Held against plain pandas on the files of the log."""
    folder, book = places.place("data", "fleet"), stored_in(packs("fleet").folder / workbooks.FILE)
    files = {name: pd.read_csv(folder / f"{name}.csv") for name in bills.MONEY}
    of = {
        (name, column): sign * pd.to_numeric(files[name][column], errors="coerce").sum()
        for name, (_, _, signs) in bills.MONEY.items()
        for column, sign in signs.items()
    }
    head, *rows, total = book[NAME].iter_rows(values_only=True)
    assert head[2] == "In the log (GBP)"
    assert {row[:2]: row[2] for row in rows} == pytest.approx(of, abs=0.005)
    assert [row[-1] for row in (*rows, total)] == [0] * (len(of) + 1)
    costs = list(book["running_cost-category"].iter_rows(values_only=True))
    assert total[-2] == pytest.approx(costs[-1][5], abs=0.005)
    assert list(book["running_cost-money-check"].iter_rows(values_only=True))[1][-1] == 0
    for row in list(book["running_cost-money-ledger"].iter_rows(values_only=True))[1:-1]:
        assert row[1] == len(files[row[0]])
        assert row[1] == sum(row[2:6])
    left = pd.DataFrame(book["running_cost-left-out"].iter_rows(min_row=2, values_only=True))
    assert left[8].iloc[:-1].sum() == pytest.approx(of_left := total[2] - total[-2], abs=0.005)
    assert of_left > 5000


MONEY = {
    "vehicles": {
        "vehicle": ["A", "B"], "kind": ["van"] * 2, "in_service": ["2020-01-01"] * 2,
        "acquired": ["2020-01-01", "2024-06-01"],
        "disposed": ["", "2024-10-01"], "disposal": ["", "sold"],
    },
    "odometer": {"vehicle": ["A"], "date": ["2024-12-31"], "odometer": [5000]},
    "work": {
        "vehicle": ["A", "A", "A", "B", "B", "A"], "task": ["oil"] * 6, "why": ["planned"] * 6,
        "date": ["2024-02-01", "2024-03-01", "no day", "2024-01-01", "2024-07-01", "2024-05-01"],
        "labour_cost": [10.1, "", 7, 20, 30, ""], "parts_cost": [1, "", 0.5, "", 5, ""],
        "recovered": ["", "", "", "", 4.2, 3], "paid_by": ["us", "us", "us", "us", "us", "us"],
    },
    "fitted": {
        "vehicle": ["A"] * 2, "position": ["front"] * 2, "category": ["tyre"] * 2, "item": ["x"] * 2,
        "fitted": ["", "2024-05-01"], "removed": ["2024-05-01", ""], "price": [50, 60.5],
    },
    "fixed_costs": {
        "vehicle": ["A", "B"], "from": ["2023-07-01", "2024-10-01"], "category": ["tax"] * 2,
        "to": ["2024-06-30", "2024-10-10"], "amount": [366, 100],
    },
}  # fmt: skip


MONEY = {name: pd.DataFrame(columns, dtype=str) for name, columns in MONEY.items()}


def test_what_is_left_out_has_its_reason_and_the_rest_is_the_accounts():
    log = log_of(MONEY, {"distance": "km", "first_day": "2024-01-01", "as_of": "2024-12-31"})
    found = bills.money_entries(log)
    left = found[found["why"] != ""].groupby("why")["left_out_amount"].sum().to_dict()
    assert left == pytest.approx(
        # B came in June; half of A's tax is of 2023, and nine in ten days of B's after it left
        {"set aside": 7.5, "bill not known": -3, "no day": 50, "outside record": 20 + 184 + 90}
    )
    theirs = account(log).lines.groupby("source")["amount"].sum()
    mine = found.groupby("table")["counted_amount"].sum()
    assert mine.to_dict() == pytest.approx(theirs.to_dict())


@pytest.mark.parametrize("name", ["fleet", "owner"])
def test_each_table_of_some_vehicles_counts_as_their_account_does(name):
    whole = read_log(places.place("data", name))
    log = whole.only(whole.tables["vehicles"]["vehicle"][:2])
    theirs = account(log).lines.groupby("source")["amount"].sum()
    mine = bills.money_entries(log).groupby("table")["counted_amount"].sum()
    assert mine.to_dict() == pytest.approx(theirs[theirs != 0].to_dict(), abs=0.005)


@pytest.fixture(scope="module")
def log():
    name = {"name": "<r>=1|2</r>", "distance": "km", "as_of": "2024-12-31"}
    return log_of({name: MONEY[name] for name in ("vehicles", "odometer")}, name)


def test_text_of_a_log_stays_text(log, tmp_path):
    frame = pd.DataFrame({"=1+1": HOSTILE, "amount": 1.25, "day": pd.Timestamp("2024-02-29")})
    told = [
        table_of(frame, "a[]:*?/\\'b", ["amount"]),
        table_of(frame, "A[]:*?/\\'B"),
        table_of(frame, "x" * 60),
    ]
    path = written(tmp_path / "w.xlsx", told, log)
    book = openpyxl.load_workbook(path)
    assert len({name.casefold() for name in book.sheetnames}) == 4
    assert max(map(len, book.sheetnames)) <= 31
    assert not re.search(r"[][:*?/\\']", "".join(book.sheetnames))
    first = book.worksheets[1]
    cells = [cell for (cell,) in first.iter_rows(2, 1 + len(HOSTILE), 1, 1)]
    assert {cell.data_type for cell in cells} == {"s"}
    assert {cell.number_format for cell in cells} == {"@"}  # nor does editing make it a formula
    shown = [cell.value.strip() for cell in cells]
    assert shown[:4] == HOSTILE[:4]
    assert shown[4:6] == ["=1", "a b"]
    assert shown[8:10] == HOSTILE[8:10]
    assert len(shown[6]) == 2000
    assert [
        len(f.findall("{*}hyperlink")) for f in parts(path) if f.tag.endswith("hyperlinks")
    ] == [3]
    assert [cell.value for cell in first[2]][1:] == [1.25, pd.Timestamp("2024-02-29")]
    assert [cell.coordinate for sheet, cell in formulas(path)] == [f"B{len(HOSTILE) + 2}"]
    assert first.freeze_panes == "A2"
    assert first.auto_filter.ref == f"A1:C{len(HOSTILE) + 1}"


def parts(path):
    """Every element of every part of a workbook: each is sound XML."""
    with zipfile.ZipFile(path) as held:
        return [e for n in held.namelist() for e in ElementTree.fromstring(held.read(n)).iter()]


def test_the_same_log_gives_the_same_bytes(log, tmp_path):
    told = [table_of(pd.DataFrame({"what": ["a", "b"], "amount": 1.5}), adds=["amount"])]
    one, two = (written(tmp_path / f"{n}.xlsx", told, log).read_bytes() for n in (1, 2))
    assert one == two
    made = openpyxl.load_workbook(tmp_path / "1.xlsx").properties.created
    assert f"{made:%Y-%m-%d}" == "2024-12-31"


def test_a_table_longer_than_a_sheet_is_said(log, monkeypatch, tmp_path):
    monkeypatch.setattr(workbooks, "MOST_ROWS", 3)
    frame = pd.DataFrame({"what": ["a", "b", "c"]})
    path = written(tmp_path / "w.xlsx", [table_of(frame), table_of(frame.head(2), "short")], log)
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == ["contents", "short"]
    said = [cell.value for row in book["contents"] for cell in row if cell.value]
    assert "A table: 3 rows, more than a sheet holds. They are in tables/sample-table.csv." in said


def test_an_empty_log_makes_a_workbook(log, packs, tmp_path):
    empty = table_of(pd.DataFrame({"what": [], "amount": []}), adds=["amount"])
    for told in ([], [empty]):
        written(tmp_path / "w.xlsx", told, log)
        assert formulas(tmp_path / "w.xlsx") == []
    book = openpyxl.load_workbook(packs("by-hand").folder / workbooks.FILE, data_only=True)
    assert book["running_cost-money-check"]["D2"].value == 0


def test_it_is_a_file_of_the_pack_only_while_asked_for(example_log, monkeypatch, tmp_path):
    use_test_notebooks(monkeypatch)

    def make(**more):
        made = make_pack(tmp_path / "p", example_log, ["sample"], tell=print, keep=True, **more)
        listed = json.loads((made.folder / "manifest.json").read_text(encoding="utf-8"))["files"]
        page = (made.folder / "index.html").read_text(encoding="utf-8")
        there = (made.folder / workbooks.FILE).is_file()
        return {workbooks.FILE in listed, f'href="{workbooks.FILE}"' in page, there}

    assert [make(workbook=True), make()] == [{True}, {False}]
    monkeypatch.undo()
    asked = {"only": ["log_check"], "tell": print, "workbook": True}
    made = make_packs(tmp_path / "q", "vehicle", example_log, **asked)
    vehicles = read_log(example_log).tables["vehicles"]
    assert len(list(made.folder.glob(f"*/{workbooks.FILE}"))) == len(vehicles)
