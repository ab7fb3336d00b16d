"""A person's own spreadsheet becomes a log: what is proposed, what is asked, and that no row and no number is lost or changed unseen."""

import contextlib
import hashlib
import json
import re
import tomllib
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from files import sheet, workbook
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wearbar.cost.bills import money_lines
from wearbar.log import LogError, read_log
from wearbar.pack.cli import main
from wearbar_adopt.cells import DECIMALS, ORDERS, dates, numbers
from wearbar_adopt.convert import convert, keep, places_of
from wearbar_adopt.evidence import date_order, decimal_mark
from wearbar_adopt.grids import headings, read_grids
from wearbar_adopt.propose import propose

SHEETS = Path(__file__).parent.parent / "adopt"
FILES = sorted(path.read_bytes() for path in SHEETS.iterdir() if path.is_file())
ANSWERS = {
    "distance": "mi", "volume": "L", "depth": "mm", "pressure": "psi", "currency": "GBP", "money": "gross", "kind": "motorcycle",
    "in_service": "2020-01-01", "why": "planned", "category": "tyre", "odometer": "mi", "vehicle": "Curlew", "position": "rear",
}  # fmt: skip


def run(*arguments):
    return main([str(a) for a in arguments])


def decide(text, **answers):
    """A proposed map's text with each "?" answered."""
    answers = ANSWERS | answers

    def answer(match):
        return f"{match[1]} = {json.dumps(answers.get(match[1].strip(chr(34)), 'leave-out'))}"

    return re.sub(r'("(?:[^"\\]|\\.)*"|\w+) = "\?"', answer, text)


def adopted(path, **answers):
    """(the `Adopted` by the proposed map with each "?" answered, the `Proposal`)."""
    grids = read_grids(path)
    proposal = propose(grids, path.stem, today=pd.Timestamp("2026-11-30"))
    return convert(grids, tomllib.loads(decide(proposal.toml, **answers))), proposal


def rows_of(done, table):
    return (
        done.tables[table].astype(object).where(done.tables[table].notna(), None).to_dict("records")
    )


class TestSheetsOfPeople:
    def test_a_fuel_book(self):
        done, proposal = adopted(SHEETS / "fuel-book.csv")
        told = " ".join(proposal.unsure)
        assert "day-first is proved by '17/04/2026', so '03/04/2026' is 03 Apr 2026" in told
        assert "point is proved by '13.5', so '12,340 mi' is 12340" in told
        assert "Odometer: it has both km and mi" in told
        assert "'tern' is taken to be 'Tern'" in told
        fuel = done.tables["fuel"]
        assert fuel["vehicle"].tolist() == ["Tern", "Tern", "Skua", "Tern", "Skua", "Skua"]
        assert fuel["date"].tolist() == [
            "2026-04-03",
            "2026-04-17",
            "2026-05-02",
            "2026-05-09",
            "not written",
            "2026-05-11",
        ]
        assert fuel["odometer"].tolist()[:5] == ["12340", "12512", "8450", "12700", "8610"]
        assert float(fuel["odometer"].iloc[5]) == pytest.approx(13870 / 1.609344, abs=1e-6)
        assert fuel["cost"].tolist() == ["20.25", "16.91", "14.80", "19.61", "15.25", "15.70"]
        assert fuel["note"].tolist()[1:4] == ["=2+2, says the card", "<b>spilt</b>", "-"]
        assert done.left_out[["line", "why"]].to_numpy().tolist() == [
            [1, "above the header"], [8, "the header again"], [12, "a row of totals"],
        ]  # fmt: skip
        assert done.turned[["line", "column", "value", "why"]].to_numpy().tolist() == [
            [11, "odometer", "13,870 km", "unit"]
        ]

    def test_a_workshop_list_in_cp1252_with_semicolons_and_decimal_commas(self):
        done, proposal = adopted(SHEETS / "werkstatt.csv", distance="km")
        assert any("Windows-1252" in said for said in proposal.unsure)
        assert tomllib.loads(proposal.toml)["log"]["currency"] == "EUR"
        work = done.tables["work"]
        assert work["parts_cost"].tolist() == ["48.50", "1236.40", "48.50"]
        assert work["odometer"].tolist() == ["41230", "43105", "44980"]
        assert work["task"].tolist() == ["oil-and-filter", "brake-pads-front", "oil-and-filter"]
        assert set(work["vehicle"]) == {"Dünenläufer"}
        assert work["note"].iloc[1] == "Größe geprüft"

    def test_a_tab_separated_sheet_month_first_in_gallons_and_dollars(self):
        done, proposal = adopted(SHEETS / "north-depot.tsv", volume="gal_us", currency="CAD")
        told = " ".join(proposal.unsure)
        assert "month-first is proved by '4/13/2026'" in told
        assert "gallons, of which there are two" in told
        assert "The log's currency: the file has $" in told
        assert done.header["volume"] == "gal_us"
        assert rows_of(done, "fuel")[2] == {
            "vehicle": "Gannet", "date": "2026-05-30", "odometer": "61871", "volume": "14.6", "cost": "-2.00",
        }  # fmt: skip

    def test_tread_in_thirty_seconds_and_millimetres(self):
        done, proposal = adopted(SHEETS / "tread.csv")
        assert "quantity is taken to be 'depth'." in proposal.unsure
        assert done.tables["measurements"]["value"].tolist() == [
            "9.525",
            "7.9375",
            "7.5",
            "worn smooth",
        ]
        assert done.turned["value"].tolist() == ["12/32", "10/32"]
        back, _ = adopted(SHEETS / "tread.csv", depth="in32")
        assert back.tables["measurements"]["value"].tolist()[:2] == ["12", "10"]
        assert float(back.tables["measurements"]["value"].iloc[2]) == pytest.approx(
            7.5 / 25.4 * 32, abs=1e-6
        )

    def test_a_workbook_with_a_sheet_a_vehicle_merged_headers_and_typed_cells(self, tmp_path):
        head = [
            ["Filled", None, "Instrument", None, "Paid"],
            ["Date", "Litres", "Odometer", "Note", "Cost"],
        ]
        path = workbook(
            tmp_path / "wardens.xlsx",
            Curlew=(
                [
                    *head,
                    [pd.Timestamp("2026-03-04"), 12.345, 4200, None, "12,50 €"],
                    ["25.3.2026", "11,5", "4.310", "=A1+", 10.25],
                ],
                ["A1:B1", "C1:D1"],
            ),
            Avocet=([*head, ["31.3.2026", 9, 880.5, "x", 9]], ["A1:B1", "C1:D1"]),
            Ideas=([["a tent for the quad"], ["ask the council"]], []),
        )
        done, proposal = adopted(path)
        assert "Sheet Curlew: vehicle is taken to be 'Curlew'." in proposal.unsure
        assert any(
            "Ideas" in said and "nothing of it is adopted" in said for said in proposal.unsure
        )
        assert done.tables["fuel"][
            ["vehicle", "date", "volume", "odometer", "cost"]
        ].to_numpy().tolist() == [
            ["Curlew", "2026-03-04", "12.345", "4200", "12.50"],
            ["Curlew", "2026-03-25", "11.5", "4310", "10.25"],
            ["Avocet", "2026-03-31", "9", "880.5", "9"],
        ]
        assert done.ledger.to_numpy().tolist() == [
            ["Curlew", "fuel", 2, 2, 0],
            ["Avocet", "fuel", 1, 1, 0],
            ["Ideas", "", 2, 0, 2],
        ]
        assert done.is_whole
        assert done.passed_over.empty

    def test_a_header_without_a_row_is_proposed_a_map(self, tmp_path):
        path = sheet(tmp_path / "s.csv", ("Date", "Odometer"))
        assert '"Odometer" = "odometer"' in propose(read_grids(path), "s").toml

    def test_a_group_of_columns_counts_for_the_blank_cells_right_of_it(self, tmp_path):
        rows = [
            ("", "Bike", "Front", "", "Rear", ""),
            ("Date", "", "Depth", "Price", "Depth", "Price"),
            ("2026-10-31", "Tern", 7, 60, 6, 70),
        ]
        (grid,) = read_grids(sheet(tmp_path / "s.csv", *rows))
        _, proposal = adopted(tmp_path / "s.csv", odometer="mi")
        assert list(headings(grid.cells, [1, 2])) == [
            "Date",
            "Bike",
            "Front Depth",
            "Front Price",
            "Rear Depth",
            "Rear Price",
        ]
        assert tomllib.loads(proposal.toml)["table"][0]["header_lines"] == [1, 2]

    def test_a_work_log_with_a_column_of_tyres_is_a_work_log(self, tmp_path):
        rows = [
            ("Flottenbuch",),
            (
                "Datum / Date",
                "Fahrzeug / Vehicle",
                "km-Stand / Odometer",
                "Arbeit / Work",
                "Kosten / Cost",
                "Reifen vorn / Front tyre",
            ),
            ("13.05.2025", "Bus 1", "13.400 km", "Reifen", "1.120,00 €", "8 mm"),
        ]
        done, _ = adopted(sheet(tmp_path / "s.csv", *rows, delimiter=";"), distance="km")
        assert rows_of(done, "work")[0] == {
            "vehicle": "Bus 1", "date": "2025-05-13", "odometer": "13400", "task": "Reifen", "why": "planned", "other_cost": "1120.00",
        }  # fmt: skip
        assert rows_of(done, "measurements")[0] == {
            "vehicle": "Bus 1", "date": "2025-05-13", "odometer": "13400", "position": "front", "category": "tyre", "quantity": "depth", "value": "8",
        }  # fmt: skip

    def test_a_header_of_two_lines_of_which_the_upper_tells_more(self, tmp_path):
        bikes = [
            ["My bikes"],
            ["When", "Which", "Odometer (mi)", "Tyres", None, "Job"],
            [None, None, None, "Front mm", "Rear mm", None],
            [pd.Timestamp("2024-03-04"), "H", 1000, 7, 8, "oil"],
        ]
        cars = [
            ["Date", "Car", "km", "Fuel (L)", "Price"],
            [pd.Timestamp("2024-01-01"), "C", 100, "30,5", "€ 50,10"],
        ]
        merged = ["A1:F1", "D2:E2", "A2:A3", "F2:F3"]
        done, proposal = adopted(
            workbook(tmp_path / "m.xlsx", Bikes=(bikes, merged), Cars=(cars, []))
        )
        told = tomllib.loads(proposal.toml)
        assert told["log"]["distance"] == "?"
        assert [(t["to"], t["header_lines"]) for t in told["table"]] == [
            ("work", [2, 3]),
            ("measurements", [2, 3]),
            ("measurements", [2, 3]),
            ("fuel", [1]),
        ]
        assert told["table"][0]["columns"] == {
            "When": "date",
            "Which": "vehicle",
            "Odometer (mi)": "odometer",
            "Job": "task",
        }
        assert done.tables["measurements"][["position", "value"]].to_numpy().tolist() == [
            ["front", "7"],
            ["rear", "8"],
        ]
        assert (
            rows_of(done, "work")[0].items()
            >= {"vehicle": "H", "odometer": "1000", "task": "oil"}.items()
        )
        assert (
            rows_of(done, "fuel")[0].items()
            >= {"vehicle": "C", "odometer": "62.137119", "volume": "30.5", "cost": "50.10"}.items()
        )

    @pytest.mark.parametrize(
        "below", [["x", None, None, "oil"], [None, None, "8 mm", None], [None, "worn", None, None]]
    )
    def test_a_row_below_a_header_that_is_no_part_of_it(self, tmp_path, below):
        rows = [
            ["Date", "Note", None, "Work"],
            below,
            [pd.Timestamp("2024-03-04"), "a", "b", "oil"],
        ]
        grids = read_grids(workbook(tmp_path / "m.xlsx", Curlew=(rows, [])))
        assert tomllib.loads(propose(grids, "m").toml)["table"][0]["header_lines"] == [1]

    @pytest.mark.parametrize(
        "title, vehicle", [("Service", "?"), ("fuel", "?"), ("Sheet 1", "?"), ("Curlew", "Curlew")]
    )
    def test_a_sheets_name_is_a_vehicles_only_where_it_says_nothing_else(
        self, tmp_path, title, vehicle
    ):
        rows = [["Date", "Odometer", "Litres"], ["2026-01-02", 100, 9]]
        proposal = propose(
            read_grids(workbook(tmp_path / "one.xlsx", **{title: (rows, [])})), "one"
        )
        assert tomllib.loads(proposal.toml)["table"][0]["constants"]["vehicle"] == vehicle

    def test_a_cell_merged_downwards_counts_for_each_row_but_a_sum_only_once(self, tmp_path):
        rows = [
            ["Date", "Bike", "Odometer", "Work", "Cost"],
            ["2026-01-02", "Tern", 100, "Oil", 40],
            ["2026-01-03", None, 120, "Chain", None],
        ]
        done, _ = adopted(workbook(tmp_path / "merged.xlsx", Jobs=(rows, ["B2:B3", "E2:E3"])))
        assert done.tables["work"]["vehicle"].tolist() == ["Tern", "Tern"]
        assert done.tables["work"]["other_cost"].isna().tolist() == [False, True]

    def test_a_formula_that_was_never_worked_out_stands_as_its_text(self, tmp_path):
        rows = [["Date", "Bike", "Odometer", "Litres"], ["2026-01-02", "Tern", "=100+20", 9]]
        done, _ = adopted(workbook(tmp_path / "formula.xlsx", Fuel=(rows, [])))
        assert done.tables["fuel"]["odometer"].tolist() == ["=100+20"]


class TestUnits:
    HEAD = ("Date", "Vehicle", "Odometer", "Litres")

    def test_a_heading_tells_the_unit_of_its_column(self, tmp_path):
        path = sheet(
            tmp_path / "s.csv",
            ("Date", "Vehicle", "Odometer (km)", "Litres"),
            ("2026-01-02", "Tern", "16093.44", "9"),
        )
        done, proposal = adopted(path)
        assert tomllib.loads(proposal.toml)["table"][0]["units"]["odometer"] == "km"
        grids, mapping = read_grids(path), tomllib.loads(decide(proposal.toml))
        mapping["log"]["distance"] = "mi"
        assert convert(grids, mapping).tables["fuel"]["odometer"].tolist() == ["10000"]
        assert done.tables["fuel"]["odometer"].tolist() == ["16093.44"]

    def test_a_vehicle_with_its_own_unit_keeps_it(self, tmp_path):
        path = sheet(
            tmp_path / "s.csv",
            self.HEAD,
            ("2026-01-02", "Tern", "500 km", "9"),
            ("2026-01-03", "Skua", "500 km", "9"),
        )
        grids = read_grids(path)
        mapping = tomllib.loads(decide(propose(grids, "s").toml))
        mapping["log"]["distance"] = "mi"
        next(v for v in mapping["vehicle"] if v["vehicle"] == "Tern")["distance_unit"] = "km"
        log = keep(convert(grids, mapping), tmp_path / "log")
        assert log.tables["fuel"]["odometer"].round(3).tolist() == [500, 310.686]
        assert log.si("fuel")["odometer_km"].round(3).tolist() == [500, 500]

    @pytest.mark.parametrize(
        "cell", ["12 psi", "£12", "about 12", "12-13", "5/32", "12 kWh", "(12", "1,23,4", "12 gal"]
    )
    def test_what_does_not_fit_the_column_is_carried_as_it_is(self, tmp_path, cell):
        path = sheet(
            tmp_path / "s.csv",
            self.HEAD,
            ("2026-01-02", "Tern", cell, "9.5"),
            ("2026-01-03", "Tern", "120 mi", cell),
        )
        done, _ = adopted(path, volume="L")
        assert done.tables["fuel"]["odometer"].tolist() == [cell, "120"]
        log = keep(done, tmp_path / "log")
        for name in ("volume", "odometer"):
            assert cell in log.warnings.loc[log.warnings["column"] == name, "value"].tolist()
            assert log.tables["fuel"][name].isna().sum() == 1

    def test_money_of_another_currency_is_carried_as_it_is(self, tmp_path):
        rows = [
            (*self.HEAD, "Cost"),
            ("2026-01-02", "Tern", "12", "9", "£5"),
            ("2026-01-03", "Tern", "13", "9", "€5"),
            ("2026-01-04", "Tern", "14", "9", "5 EUR"),
        ]
        done, proposal = adopted(sheet(tmp_path / "s.csv", *rows))
        assert any("The log's currency: the file has EUR, £, €" in said for said in proposal.unsure)
        assert done.tables["fuel"]["cost"].tolist() == ["5", "€5", "5 EUR"]

    def test_shares_pressures_and_electric_fills(self, tmp_path):
        use = [
            ("Vehicle", "from", "to", "loose"),
            ("Tern", "2026-01-01", "2026-01-31", "48%"),
            ("Tern", "2026-02-01", "2026-02-28", "0.25"),
        ]
        air = [
            ("Date", "Vehicle", "Odometer", "Wheel", "Pressure"),
            ("2026-01-02", "Tern", 10, "rear", "2.5 bar"),
            ("2026-01-03", "Tern", 11, "rear", "32 psi"),
        ]
        fill = [
            ("Date", "Vehicle", "Odometer", "kWh"),
            ("2026-01-02", "Tern", 12, "32 kWh"),
            ("2026-01-02", "Tern", 12, "30 L"),
        ]
        done, proposal = adopted(
            workbook(tmp_path / "all.xlsx", use=(use, []), Air=(air, []), Charging=(fill, [])),
            pressure="psi",
        )
        assert done.tables["use"]["loose"].tolist() == ["0.48", "0.25"]
        assert [round(float(v), 3) for v in done.tables["measurements"]["value"]] == [36.259, 32]
        assert done.tables["fuel"]["volume"].tolist() == ["32", "30 L"]
        assert "Sheet Charging: volume is taken to be 'electric'." not in proposal.unsure
        assert done.tables["fuel"]["kind"].tolist() == ["electric", "electric"]


DATES = {"year-first": "2026-10-31", "day-first": "31/10/2026", "month-first": "10/31/2026"}
NUMBERS = {"point": "1,234.5", "comma": "1.234,5", "space": "1\u202f234,5"}
GROUPS = {"point": ",", "comma": ".", "space": "\u202f"}


class TestThreeWaysRoundTheWorld:
    @pytest.mark.parametrize("day", DATES)
    @pytest.mark.parametrize("style", GROUPS)
    @pytest.mark.parametrize("reading, unit", [(12340, " mi"), (12340, ""), (19859, " km")])
    def test_read_alike(self, tmp_path, day, style, reading, unit):
        odometer = f"{reading:,}".replace(",", GROUPS[style] if unit else "") + unit
        path = sheet(
            tmp_path / "s.csv",
            ("Date", "Vehicle", "Odometer", "Task", "Cost"),
            (DATES[day], "Tern", odometer, "chain", NUMBERS[style]),
        )
        grids = read_grids(path)
        mapping = tomllib.loads(decide(propose(grids, "s").toml))
        mapping["log"]["distance"] = "mi"
        log = keep(convert(grids, mapping), tmp_path / "log")
        assert log.tables["work"]["date"].tolist() == [pd.Timestamp("2026-10-31")]
        assert log.tables["work"]["other_cost"].tolist() == [1234.5]
        assert log.tables["work"]["odometer"].tolist() == pytest.approx([12340], abs=0.5)

    def test_a_date_that_fits_two_orders_is_refused_until_decided(self, tmp_path):
        path = sheet(
            tmp_path / "s.csv",
            ("Date", "Vehicle", "Odometer"),
            ("01/02/2026", "Tern", "10"),
            ("03/02/2026", "Tern", "20"),
        )
        grids = read_grids(path)
        proposal = propose(grids, "s")
        assert any(
            "two orders fit them all: '01/02/2026' is 01 Feb 2026 day-first, 02 Jan 2026 month-first; set date_order."
            in s
            for s in proposal.unsure
        )
        mapping = tomllib.loads(decide(proposal.toml, date_order="?"))
        with pytest.raises(LogError, match=r"table\.1\.date_order"):
            convert(grids, mapping)
        for order, first in (("day-first", "2026-02-01"), ("month-first", "2026-01-02")):
            mapping["table"][0]["date_order"] = order
            assert convert(grids, mapping).tables["odometer"]["date"].tolist()[0] == first

    def test_a_number_that_fits_two_marks_is_refused_until_decided(self, tmp_path):
        path = sheet(
            tmp_path / "s.csv", ("Date", "Vehicle", "Odometer"), ("2026-10-31", "Tern", "12,340")
        )
        grids = read_grids(path)
        proposal = propose(grids, "s")
        assert any(
            "two decimal marks fit them all: '12,340' is 12340 point, 12.340 comma; set decimal."
            in s
            for s in proposal.unsure
        )
        mapping = tomllib.loads(decide(proposal.toml, decimal="?"))
        with pytest.raises(LogError, match=r"table\.1\.decimal"):
            convert(grids, mapping)
        for mark, value in (("point", "12340"), ("comma", "12.340")):
            mapping["table"][0]["decimal"] = mark
            assert convert(grids, mapping).tables["odometer"]["odometer"].tolist() == [value]

    def test_hands_that_mix_are_refused(self):
        order, why = date_order(pd.Series(["31/10/2026", "10/31/2026"]))
        assert (order, why) == (
            "?",
            "no one order fits them all: there are '31/10/2026' (day-first) and '10/31/2026' (month-first)",
        )
        mark, why = decimal_mark(pd.Series(["1,234.5", "1.234,5"]))
        assert (mark, why) == (
            "?",
            "no one decimal mark fits them all: there are '1,234.5' (point) and '1.234,5' (comma)",
        )

    @pytest.mark.parametrize(
        "cells, order",
        [
            (["2026-10-05", "5 Oct 2026", "October 5th, 2026"], "year-first"),
            (["05/05/2026"], "day-first"),
            (["05.10.2026", "2026-10-31"], "?"),
            (["31/10/26", "05/11/25"], "day-first"),
            (["05/11/06"], "?"),
            (["31/12/26"], "?"),
            (["26-12-05", "26-10-31"], "?"),
            (["26-10-31", "26-11-02"], "year-first"),
            (["31/10/2026", "not a date", "99/99/2026"], "day-first"),
            ([], "year-first"),
        ],
    )
    def test_the_order_of_dates(self, cells, order):
        assert date_order(pd.Series(cells, dtype=object), pd.Timestamp("2026-11-30"))[0] == order

    def test_a_date_against_the_order_is_set_aside(self, tmp_path):
        path = sheet(
            tmp_path / "s.csv",
            ("Date", "Vehicle", "Odometer"),
            ("31/10/2026", "Tern", "10"),
            ("10/30/2026", "Tern", "20"),
        )
        done, _ = adopted(path, date_order="day-first")
        log = keep(done, tmp_path / "log")
        assert log.set_aside[["line", "column", "value"]].to_numpy().tolist() == [
            [3, "date", "10/30/2026"]
        ]

    def test_a_number_that_has_one_reading_alone_is_read_so_and_told(self, tmp_path):
        path = sheet(
            tmp_path / "s.csv",
            ("Date", "Vehicle", "Odometer"),
            ("2026-10-30", "Tern", "12.340,5"),
            ("2026-10-31", "Tern", "12,350.5"),
        )
        done, _ = adopted(path, decimal="comma")
        assert done.tables["odometer"]["odometer"].tolist() == ["12340.5", "12350.5"]
        assert done.turned[["line", "why"]].to_numpy().tolist() == [[3, "decimal mark"]]


class TestLeftOut:
    def test_totals_are_told_from_a_pump_of_that_name(self, tmp_path):
        path = sheet(
            tmp_path / "s.csv",
            ("Remarks", "Date", "Vehicle", "Odometer", "Litres"),
            ("Total", "2026-10-30", "Tern", "100", "9"),
            ("Total loss of sealant", "31.2.2026", "Tern", "120", "9"),
            ("Sub-total", "", "", "", "18"),
            ("", "Total", "", "", "18"),
        )
        done, _ = adopted(path)
        assert done.left_out[["line", "why"]].to_numpy().tolist() == [
            [4, "a row of totals"],
            [5, "a row of totals"],
        ]
        assert done.tables["fuel"]["note"].tolist() == ["Total", "Total loss of sealant"]

    def test_a_row_longer_than_the_header_is_no_row_of_it(self, tmp_path):
        path = tmp_path / "s.csv"
        path.write_text(
            "Date,Vehicle,Odometer\n2026-10-30,Tern,100\n2026-10-31,Tern,1,234\n", encoding="utf-8"
        )
        done, _ = adopted(path)
        assert done.left_out[["line", "text"]].to_numpy().tolist() == [
            [3, "2026-10-31 | Tern | 1 | 234"]
        ]
        assert not done.is_whole

    def test_columns_that_the_map_does_not_name_are_told(self, tmp_path):
        done, _ = adopted(
            sheet(
                tmp_path / "s.csv",
                ("Date", "Vehicle", "Odometer", "Weather"),
                ("2026-10-30", "Tern", "100", "rain"),
            )
        )
        assert done.passed_over.to_numpy().tolist() == [["", "Weather", 1]]

    @settings(
        max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
    )
    @given(st.data())
    def test_no_row_is_lost_and_text_reads_back_to_the_letter(self, tmp_path, data):
        text = st.text(
            st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=12
        )
        day = st.sampled_from(["2026-10-31", "31/10/2026", "10/31/2026", "", "soon", "Date"]) | text
        number = (
            st.sampled_from(
                ["12,340 mi", "12.340", "1 234,5", "£5", "", "48%", "-", "Total", "Odometer"]
            )
            | text
        )
        name = st.sampled_from(["Tern", "Skua", "", "Total", "Vehicle"]) | text
        note = (
            st.sampled_from(
                [
                    "=1+1",
                    "+44 1234",
                    "@SUM(A1)",
                    "<script>alert(1)</script>",
                    "'=x",
                    "a\nb",
                    "a\rb",
                    "",
                    "Note",
                ]
            )
            | text
        )
        rows = data.draw(st.lists(st.tuples(name, day, number, note), max_size=8))
        path = sheet(tmp_path / "s.csv", ("sep=,",), ("Vehicle", "Date", "Odometer", "Note"), *rows)
        done = convert(read_grids(path), tomllib.loads(MAP))
        log = keep(
            done,
            tmp_path / f"log-{len(list(tmp_path.iterdir()))}",
            today=pd.Timestamp("2026-12-31"),
        )
        filled = [row for row in rows if any(cell.strip() for cell in row)]
        by_line = dict(
            zip(
                sorted([*done.places["odometer"]["line"], *done.left_out["line"]]),
                filled,
                strict=True,
            )
        )
        assert done.ledger.iloc[0].tolist() == [
            "",
            "odometer",
            len(filled),
            len(done.tables["odometer"]),
            len(done.left_out),
        ]
        ledger = log.ledger.set_index("table")
        assert ledger.loc["odometer", "read"] == len(filled) - len(done.left_out)
        assert (ledger["read"] == ledger["used"] + ledger["set_aside"] + ledger["after"]).all()
        at = places_of(done, log)
        for line, was in at.loc[at["table"] == "odometer", ["line", "sheet_line"]].itertuples(
            index=False
        ):
            if line in log.tables["odometer"].index:
                kept, typed = log.tables["odometer"].loc[line], by_line[was]
                assert kept["vehicle"] == typed[0]
                assert (kept["note"] if pd.notna(kept["note"]) else "") == (
                    typed[3] if typed[3].strip() else ""
                )
                assert kept["date"] == pd.Timestamp("2026-10-31")


MAP = """
[log]
distance = "mi"
[[table]]
to = "odometer"
header_lines = [2]
date_order = "day-first"
columns = { Vehicle = "vehicle", Date = "date", Odometer = "odometer", Note = "note" }
[[vehicle]]
vehicle = "Tern"
kind = "van"
in_service = "2020-01-01"
"""
ONE = [("Vehicle", "Date", "Odometer", "Note"), ("Tern", "2026-10-31", "100", "x")]


class TestCells:
    @settings(deadline=None)
    @given(
        st.decimals(0, 10**9, allow_nan=False, places=3),
        st.sampled_from(["", ",", " ", "\u00a0", "\u202f", "'", "’", "."]),
        st.sampled_from("-−( "),
    )
    def test_a_number_in_any_style_is_that_number(self, value, group, sign):
        mark = "comma" if group == "." else "point"
        cell = (
            f"{value:,.3f}".replace(",", "G")
            .replace(".", "," if mark == "comma" else ".")
            .replace("G", group)
        )
        cell = f"({cell})" if sign == "(" else (sign + cell).strip()
        plain = numbers(pd.Series([f"£ {cell}", f"{cell} GBP"]), mark)
        assert [float(v) for v in plain["plain"]] == [float(value) * (1 if sign == " " else -1)] * 2
        assert plain["sign"].tolist() == ["£", "GBP"]

    @settings(deadline=None)
    @given(
        st.dates(pd.Timestamp("1970-01-01").date(), pd.Timestamp("2068-12-31").date()),
        st.sampled_from("/.- "),
        st.booleans(),
    )
    def test_a_date_in_any_order_is_that_date(self, day, separator, long):
        year = "%Y" if long else "%y"
        forms = {
            "day-first": f"%d/%m/{year}",
            "month-first": f"%m/%d/{year}",
            "year-first": f"{year}/%m/%d",
        }
        for order in ORDERS:
            cells = [
                day.strftime(forms[order].replace("/", separator)),
                day.strftime(f"%d %B {year}"),
                day.strftime("%a %b %d, %Y 08:15"),
            ]
            assert dates(pd.Series(cells), order).tolist() == [pd.Timestamp(day)] * 3

    @settings(deadline=None)
    @given(st.text(max_size=80), st.sampled_from(DECIMALS), st.sampled_from(ORDERS))
    def test_any_text_is_a_date_a_number_or_neither(self, text, decimal, order):
        cells = pd.Series([text], dtype=object)
        plain, day = numbers(cells, decimal)["plain"].iloc[0], dates(cells, order).iloc[0]
        assert pd.isna(plain) or re.fullmatch(r"-?(\d+\.?\d*|\.\d+)", plain)
        assert pd.isna(day) or 1900 <= day.year <= 2262 or day.year >= 1678

    @pytest.mark.parametrize("cell", ["1,23,456.5", "12,34,567"])
    def test_thousands_in_pairs(self, cell):
        assert numbers(pd.Series([cell]), "point")["plain"].tolist() == [cell.replace(",", "")]

    @pytest.mark.parametrize(
        "cell",
        [
            "1,2345",
            "12,34",
            "0,340",
            "1.2.3",
            "1,234.567,8",
            "1 234,567 8",
            "1e5",
            "٣",
            "--5",
            "",
            ".",
            "1,234 567",
        ],
    )
    def test_what_is_no_number_with_a_decimal_point(self, cell):
        assert numbers(pd.Series([cell]), "point")["plain"].isna().all()

    @pytest.mark.parametrize(
        "cell",
        [
            "31/02/2026",
            "2026-13-01",
            "31 Marble 2026",
            "1/2",
            "10-2026",
            "0012-01-01",
            "31/10.2026",
        ],
    )
    def test_what_is_no_date(self, cell):
        assert dates(pd.Series([cell]), "day-first").isna().all()

    def test_a_long_cell_takes_no_time(self):
        cells = pd.Series(["1" + "," * 10**7 + "x5", "1 " * 10**6 + "a1", "a" * 10**7])
        assert numbers(cells, "point")["plain"].isna().all()
        assert dates(cells, "day-first").isna().all()


class TestMap:
    @pytest.mark.parametrize(
        "change, said",
        [
            (("[log]", "[lag]"), "no place for 'lag'"),
            (('distance = "mi"', ""), r"no \[log\]"),
            (('distance = "mi"', 'name = "x"'), "must say distance: odometer holds odometer"),
            (
                ('distance = "mi"', 'distance = "m"'),
                r"\[log\] of the map: distance is 'm'; use one of km, mi",
            ),
            (('distance = "mi"', 'distance = "mi"\nplan = "p.toml"'), "names a plan"),
            (("[[table]]", "[table]"), "table is not written as"),
            (('to = "odometer"', 'to = "mileage"'), "to is 'mileage'; use one of vehicles,"),
            (('to = "odometer"', 'to = "fuel"'), "table fuel needs volume"),
            (('to = "odometer"', "to = 1"), "to is '1', which is not a str"),
            (
                ("header_lines = [2]", "header_lines = 2"),
                "header_lines is '2', which is not a list",
            ),
            (("header_lines = [2]", ""), "header_lines must name the lines"),
            (
                ("header_lines = [2]", "header_lines = [9]"),
                "the file has no column 'Vehicle' on line 9; it has none",
            ),
            (("header_lines = [2]", "header_lines = [3]"), "it has Tern, 2026-10-31, 100, x"),
            (
                ('"day-first"', '"day"'),
                "date_order is 'day'; use one of day-first, month-first, year-first",
            ),
            (('"day-first"', '"?"'), r'still asks \("\?"\) at table.1.date_order: decide'),
            (('Note = "note"', 'Note = "notes"'), "table odometer has no column 'notes'"),
            (('Note = "note"', 'Note = "date"'), "date is filled twice"),
            (('Note = "note"', "Note = 1"), "columns must give a column's name"),
            (
                ('Note = "note"', 'Remark = "note"'),
                "the file has no column 'Remark' on line 2; it has Vehicle, Date, Odometer, Note",
            ),
            (
                ("[[vehicle]]", "constants = { source = [1] }\n[[vehicle]]"),
                "constants.source must be one value",
            ),
            (
                ("[[vehicle]]", 'units = { odometer = "psi" }\n[[vehicle]]'),
                "units.odometer is 'psi'; use one of km, mi",
            ),
            (("[[vehicle]]", 'sheet = "Fuel"\n[[vehicle]]'), "the file has no sheet 'Fuel'"),
            (("[[vehicle]]", "decimals = 1\n[[vehicle]]"), "there is no key 'decimals'"),
            (
                ("[[vehicle]]", "[table.words.vehicle]\nx = 1\n[[vehicle]]"),
                "words.vehicle must give a word",
            ),
            (('kind = "van"', ""), "vehicle 1 of the map: say its kind"),
            (('kind = "van"', 'kind = "van"\nwheels = 4'), "vehicles has no column 'wheels'"),
            (("= ", "= = "), "is not a map"),
        ],
    )
    def test_what_is_wrong_with_it_is_one_sentence(self, tmp_path, capsys, change, said):
        path = sheet(tmp_path / "s.csv", ("sep=,",), *ONE)
        (tmp_path / "m.toml").write_text(MAP.replace(*change), encoding="utf-8")
        assert run("adopt", path, "--map", tmp_path / "m.toml", "--out", tmp_path / "log") == 2
        error = capsys.readouterr().err
        assert re.search(said, error), error
        assert error.count("\n") == 1
        assert "fault of this program" not in error
        assert not (tmp_path / "log").exists()

    def test_hostile_headings_and_words_are_only_text(self, tmp_path):
        hostile = 'x" = 1 }\n[[table]]\u0007\x7f'
        path = sheet(
            tmp_path / "s.csv",
            ("Date", "Vehicle", "Odometer", f"Work {hostile}"),
            ("2026-10-31", hostile, "10", hostile),
        )
        proposal = propose(read_grids(path), hostile)
        mapping = tomllib.loads(decide(proposal.toml))
        assert mapping["vehicle"] == [
            {"vehicle": hostile, "kind": "motorcycle", "in_service": "2020-01-01"}
        ]
        assert convert(read_grids(path), mapping).tables["work"]["vehicle"].tolist() == [hostile]

    def test_a_sheet_twice_in_the_map_fills_two_tables(self, tmp_path):
        path = sheet(
            tmp_path / "s.csv",
            ("Date", "Bike", "Front", "Rear", "Odometer"),
            ("2026-10-31", "Tern", "7", "6.5", "100"),
        )
        entry = (
            'to="measurements"\nheader_lines=[1]\nconstants={{category="tyre",quantity="depth",position="{0}"}}\n'
            'columns={{Date="date",Bike="vehicle",{1}="value"}}\n'
        )
        text = '[log]\ndistance="mi"\ndepth="mm"\n' + "".join(
            f"[[table]]\n{entry.format(at, at.title())}" for at in ("front", "rear")
        )
        text += (
            '[[table]]\nto="odometer"\nheader_lines=[1]\ncolumns={Date="date",Bike="vehicle",Odometer="odometer"}\n'
            + MAP[MAP.index("[[vehicle]]") :]
        )
        done = convert(read_grids(path), tomllib.loads(text))
        assert done.tables["measurements"][["position", "value"]].to_numpy().tolist() == [
            ["front", "7"],
            ["rear", "6.5"],
        ]


class TestFiles:
    @pytest.mark.parametrize(
        "name, data, said",
        [
            ("none.csv", None, "There is no file"),
            ("empty.csv", b"", "holds no cell"),
            ("blank.csv", b" , \n,,\n", "holds no cell"),
            ("zip.csv", b"PK\x03\x04rest", "is not a text file"),
            ("old.xlsx", b"\xd0\xcf\x11\xe0rest", "without a password"),
            ("text.xlsx", b"a,b", "is not a workbook"),
            (
                "quote.csv",
                b'Date,Vehicle,Odometer\n2026-01-01,"Tern,1\n2026-01-02,Tern,2\n',
                "line 2: a double quote",
            ),
            ("prose.csv", b"It rained all day.\nSo did we.\n", "heads columns of a log"),
            ("binary.csv", b"\0\1\2\3" * 50, "is not a text file"),
        ],
    )
    def test_what_is_no_sheet_is_one_sentence(self, tmp_path, capsys, name, data, said):
        if data is not None:
            (tmp_path / name).write_bytes(data)
        assert run("adopt", tmp_path / name, "--map", tmp_path / "m.toml") == 2
        error = capsys.readouterr().err
        assert said in error
        assert error.count("\n") == 1
        assert not (tmp_path / "m.toml").exists()

    @pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
    @pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
    def test_delimiters_and_encodings(self, tmp_path, delimiter, encoding):
        rows = [
            ("Date", "Vehicle", "Odometer", "Note"),
            ("2026-10-31", "Möwe", "1,5", "9,5, 8,5, 7,5, 6,5, 5,5, 4,5"),
            ("2026-11-01", "Möwe", "2,5", "a; b"),
        ]
        path = sheet(tmp_path / "s.csv", *rows, delimiter=delimiter)
        path.write_bytes(path.read_text(encoding="utf-8").encode(encoding))
        (grid,) = read_grids(path)
        assert grid.cells.to_numpy().tolist() == [list(row) for row in rows]
        assert bool(grid.note) == (encoding == "cp1252")

    @settings(
        max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
    )
    @given(st.data())
    def test_any_bytes_are_a_sheet_or_one_sentence(self, tmp_path, data):
        whole = data.draw(st.sampled_from(FILES))
        start = data.draw(st.integers(0, len(whole)))
        (tmp_path / "s.csv").write_bytes(
            whole[:start]
            + data.draw(st.binary(max_size=40))
            + whole[data.draw(st.integers(start, len(whole))) :]
        )
        with contextlib.suppress(LogError):
            done, _ = adopted(
                tmp_path / "s.csv",
                date_order="day-first",
                decimal="point",
                quantity="depth",
                volume="gal_us",
            )
            assert (done.ledger["rows"] == done.ledger["adopted"] + done.ledger["left_out"]).all()

    def test_a_cell_at_the_far_corner_does_not_fill_the_memory(self, tmp_path):
        book = openpyxl.Workbook()
        book.active["XFD1048576"] = 1
        book.save(tmp_path / "far.xlsx")
        with pytest.raises(LogError, match="1,048,576 rows by 16,384 columns"):
            read_grids(tmp_path / "far.xlsx")


class TestCommand:
    def test_it_proposes_then_adopts_and_the_original_stays(self, tmp_path, capsys, monkeypatch):
        monkeypatch.chdir(tmp_path)
        path = tmp_path / "fuel-book.csv"
        path.write_bytes((SHEETS / "fuel-book.csv").read_bytes())
        before = hashlib.sha256(path.read_bytes()).hexdigest()
        assert run("adopt", path) == 1  # it has questions
        assert 'fuel-book.map.toml: decide the 5 places marked "?"' in capsys.readouterr().out
        assert {p.name for p in tmp_path.iterdir()} == {"fuel-book.csv", "fuel-book.map.toml"}
        assert run("adopt", path) == 2
        assert 'still asks ("?") at log.distance; log.money;' in capsys.readouterr().err
        text = decide((tmp_path / "fuel-book.map.toml").read_text(encoding="utf-8"))
        (tmp_path / "fuel-book.map.toml").write_text(text, encoding="utf-8")
        assert run("adopt", path) == 1
        told = capsys.readouterr().out
        assert "line 12: a row of totals - Total | 67.9 | £102.52" in told
        assert "line 11: odometer 13,870 km became 8618.418436 (unit)" in told
        assert "line 10: fuel date not written - not-a-date" in told
        assert re.search(r"^fuel +6 +5 +1 +0$", told, re.M)
        log = read_log(tmp_path / "fuel-book-log")
        assert log.ledger.set_index("table").loc["fuel"].tolist() == [6, 5, 1, 0]
        assert log.tables["fuel"]["note"].tolist()[1:3] == ["=2+2, says the card", "<b>spilt</b>"]
        record = (tmp_path / "fuel-book-log" / "ADOPTED.md").read_text(encoding="utf-8")
        assert "13,870 km became 8618.418436" in record
        assert run("adopt", path) == 2
        assert "is not empty" in capsys.readouterr().err
        assert hashlib.sha256(path.read_bytes()).hexdigest() == before
        assert (tmp_path / "fuel-book.map.toml").read_text(encoding="utf-8") == text
        assert {p.name for p in tmp_path.iterdir()} == {
            "fuel-book.csv",
            "fuel-book.map.toml",
            "fuel-book-log",
        }

    def test_nothing_set_aside_is_done(self, tmp_path, capsys):
        path = sheet(tmp_path / "s.csv", ("sep=,",), *ONE, ("Total", "", "100", ""))
        (tmp_path / "m.toml").write_text(MAP, encoding="utf-8")
        assert run("adopt", path, "--map", tmp_path / "m.toml", "--out", tmp_path / "log") == 0
        assert "no rows set aside" in capsys.readouterr().out

    def test_a_row_with_nothing_that_is_carried_over_is_not_done(self, tmp_path, capsys):
        path = sheet(
            tmp_path / "s.csv", ("sep=,",), *[(*row, "") for row in ONE], ("", "", "", "", "a word")
        )
        (tmp_path / "m.toml").write_text(MAP, encoding="utf-8")
        assert run("adopt", path, "--map", tmp_path / "m.toml", "--out", tmp_path / "log") == 1
        assert (
            "line 4: nothing in the columns that are carried over - a word"
            in capsys.readouterr().out
        )

    def test_what_is_no_log_leaves_nothing_behind(self, tmp_path, capsys):
        path = sheet(
            tmp_path / "s.csv", ("Vehicle", "When", "Amount"), ("Tern", "2026-10-31", "100")
        )
        text = (
            MAP.replace("[2]", "[1]")
            .replace('"odometer"\n', '"valuations"\n')
            .replace('distance = "mi"', 'distance = "mi"\ncurrency = "GBP"')
        )
        text = re.sub(
            "columns = .*",
            'columns = { Vehicle = "vehicle", When = "date", Amount = "value" }',
            text,
        )
        (tmp_path / "m.toml").write_text(text, encoding="utf-8")
        assert run("adopt", path, "--map", tmp_path / "m.toml", "--out", tmp_path / "log") == 2
        assert "no table with odometer readings" in capsys.readouterr().err
        assert {p.name for p in tmp_path.iterdir()} == {"s.csv", "m.toml"}


def fuel_sheet(path, *heads, rows=10, cost=True, unit=True, pence=False):
    """A sheet of fills with the headings given after date, bike, odometer and litres: price of one litre, and cost, as asked for."""
    lines = []
    for k in range(rows):
        litres, price = 8 + 3.7 * k, 1.42 + 0.01 * (k % 4)
        money = [f"{price * 100:.1f}" if pence else f"{price:.3f}"] if unit else []
        money += [f"{litres * round(price, 3):.2f}"] if cost else []
        lines.append((f"2026-01-{k + 1:02d}", "Tern", str(1000 + 180 * k), f"{litres:.1f}", *money))
    return sheet(path, ("Date", "Bike", "Odometer (mi)", "Litres", *heads), *lines)


class TestMoney:
    """A unit price is no cost, and a total is no third cost."""

    @pytest.mark.parametrize(
        "heads",
        [
            ("Price", "Total"),
            ("Price/L", "Cost"),
            ("£/L", "£ paid"),
            ("Unit price", "Price"),
            ("Rate", "Amount"),
        ],
    )
    def test_a_price_and_a_cost_are_told_by_their_product(self, tmp_path, heads):
        done, proposal = adopted(fuel_sheet(tmp_path / "s.csv", *heads))
        fuel = done.tables["fuel"]
        assert fuel["cost"].tolist()[:2] == ["11.36", "16.73"]
        assert "unit_price" not in fuel or fuel["unit_price"].tolist()[:2] == ["1.420", "1.430"]
        assert "?" not in tomllib.loads(proposal.toml)["table"][0]["columns"].values()

    @pytest.mark.parametrize(
        "head, column",
        [
            ("Price per litre", "unit_price"),
            ("Price", "unit_price"),
            ("Cost", "?"),
            ("Total paid", "?"),
        ],
    )
    def test_a_price_alone_is_never_taken_for_a_cost(self, tmp_path, head, column):
        _, proposal = adopted(
            fuel_sheet(tmp_path / "s.csv", head, cost=False), **{head: "unit_price"}
        )
        assert tomllib.loads(proposal.toml)["table"][0]["columns"][head] == column
        assert any(head in said for said in proposal.unsure) or head == "Price per litre"

    def test_the_log_then_has_the_cost(self, tmp_path):
        done, _ = adopted(fuel_sheet(tmp_path / "s.csv", "Price per litre", cost=False))
        log = keep(done, tmp_path / "log")
        assert money_lines(log)["amount"].sum() == pytest.approx(
            sum((8 + 3.7 * k) * (1.42 + 0.01 * (k % 4)) for k in range(10))
        )

    @pytest.mark.parametrize("head", ["Price", "Cost", "Total"])
    def test_a_cost_alone_is_a_cost(self, tmp_path, head):
        done, _ = adopted(fuel_sheet(tmp_path / "s.csv", head, unit=False))
        assert done.tables["fuel"]["cost"].tolist()[0] == "11.36"

    def test_pence_are_not_carried_over_as_pounds(self, tmp_path):
        done, proposal = adopted(
            fuel_sheet(tmp_path / "s.csv", "Pence per litre", "Cost", pence=True)
        )
        assert "unit_price" not in done.tables["fuel"]
        assert any("hundred" in said for said in proposal.unsure)

    def test_two_fills_whose_price_could_be_either_are_asked(self, tmp_path):
        path = sheet(
            tmp_path / "s.csv",
            ("Date", "Bike", "Odometer (mi)", "Litres", "Price"),
            ("2026-01-01", "Tern", "1000", "14", "1.45"),
        )
        _, proposal = adopted(path, Price="unit_price")
        assert '"Price" = "?"' in proposal.toml

    WORK = ("Date", "Bike", "Odometer (mi)", "Work", "Parts", "Labour", "Total")

    def jobs(self, path, *money, head=WORK):
        return sheet(
            path,
            head,
            *(
                (f"2026-02-{k + 1:02d}", "Tern", str(1000 + 90 * k), "chain", *m)
                for k, m in enumerate(money)
            ),
        )

    def test_a_job_of_160_stays_one_of_160(self, tmp_path):
        path = self.jobs(
            tmp_path / "s.csv",
            ("100", "60", "160"),
            ("20", "30", "50"),
            ("", "45", "45"),
            ("", "", "75"),
            ("10", "20", "35"),
        )
        done, proposal = adopted(path)
        assert any(
            "Total is Parts and Labour together" in said
            or "Total is Labour and Parts together" in said
            for said in proposal.unsure
        )
        assert money_lines(keep(done, tmp_path / "log"))["amount"].tolist() == [
            160,
            50,
            45,
            75,
            35,
        ]
        assert done.turned[["value", "became"]].to_numpy().tolist() == [
            ["160", "blank"],
            ["50", "blank"],
            ["45", "blank"],
            ["35", "5"],
        ]

    def test_a_total_with_the_tax_in_it(self, tmp_path):
        head = (*self.WORK[:6], "VAT", "Total")
        path = self.jobs(
            tmp_path / "s.csv",
            ("100", "60", "32", "192"),
            ("20", "30", "10", "60"),
            ("40", "", "8", "48"),
            head=head,
        )
        done, _ = adopted(path, money="net")
        assert money_lines(keep(done, tmp_path / "log"))["amount"].tolist() == [160, 50, 40]

    def test_a_third_cost_is_one_and_a_total_that_is_no_sum_is_asked(self, tmp_path):
        path = self.jobs(
            tmp_path / "s.csv",
            ("100", "60", "12"),
            ("20", "30", "7"),
            head=(*self.WORK[:6], "Cost of disposal"),
        )
        done, _ = adopted(path)
        assert money_lines(keep(done, tmp_path / "log"))["amount"].tolist() == [172, 57]
        _, proposal = adopted(
            self.jobs(
                tmp_path / "t.csv", ("100", "60", "160"), ("20", "30", "90"), ("5", "5", "60")
            ),
            Total="other_cost",
        )
        assert '"Total" = "?"' in proposal.toml
        assert any("If it is their sum" in said for said in proposal.unsure)

    @pytest.mark.parametrize(
        "less",
        [
            {"other_cost": ["tax"]},
            {"other_cost": "parts_cost"},
            {"task": ["parts_cost"]},
            {"other_cost": []},
        ],
    )
    def test_less_must_name_money_of_the_columns(self, tmp_path, less):
        path = self.jobs(tmp_path / "s.csv", ("100", "60", "160"))
        _, proposal = adopted(path)
        mapping = tomllib.loads(decide(proposal.toml))
        mapping["table"][0]["less"] = less
        with pytest.raises(LogError, match="less"):
            convert(read_grids(path), mapping)
