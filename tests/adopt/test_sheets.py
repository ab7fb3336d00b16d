"""Sheets as owners keep them, each with the truth it was made from: every row, date, reading and amount
comes out right or is asked about in the map; none is wrong unseen, none lost."""

import json
import re
import tomllib
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pytest
from files import text, workbook

from wearbar_adopt.convert import convert
from wearbar_adopt.grids import read_grids
from wearbar_adopt.propose import propose

TODAY = pd.Timestamp("2026-11-30")
# what an owner answers to the usual questions of any sheet
USUAL = {
    "money": "gross", "kind": "motorcycle", "in_service": "2023-01-01", "vehicle": "Tern", "distance": "mi",
    "currency": "GBP", "volume": "L", "depth": "mm", "pressure": "psi", "why": "planned",
}  # fmt: skip
TOUCHES = {"date_order": "date", "distance": "odometer", "currency": "money"}
MONEY = ("cost", "unit_price", "labour_cost", "parts_cost", "other_cost", "tax")


@dataclass
class Book:
    """A sheet and what it was made from."""

    path: object
    truth: dict  # table to its rows
    answers: dict = field(default_factory=dict)


def said_of(text, answers):
    """A map's text with each "?" answered, and what was asked."""
    asked = []

    def answer(match):
        name = json.loads(match[1]) if match[1].startswith('"') else match[1]
        asked.append(name)
        return f"{match[1]} = {json.dumps((USUAL | answers)[name])}"

    return re.sub(r'^("(?:[^"\\]|\\.)*"|\w+) = "\?"', answer, text, flags=re.M), asked


def alike(found, value):
    if value is None or pd.isna(found):
        return value is None and pd.isna(found)
    if isinstance(value, str):
        return found == value
    try:
        return abs(float(found) - value) <= 1e-6 * max(1, abs(value)) + 1e-6
    except ValueError:
        return False


def judged(book):
    """Counts of the truth's values: right at once, right once asked, wrong or lost; and the rows too many."""
    grids = read_grids(book.path)
    proposal = propose(grids, book.path.stem, today=TODAY)
    text, asked = said_of(proposal.toml, book.answers)
    done = convert(grids, tomllib.loads(text))
    touched = {TOUCHES.get(name, name) for name in asked}
    touched |= {book.answers.get(name) for name in asked} | (
        set(MONEY) if "money" in touched and "currency" in asked else set()
    )
    count, wrong, extra = {"right": 0, "asked": 0, "wrong": 0}, [], []
    for table, rows in book.truth.items():
        made = done.tables.get(table, pd.DataFrame())
        left = made.astype(object).to_dict("records")
        for row in rows:
            near = max(
                left, key=lambda got: sum(alike(got.get(k), v) for k, v in row.items()), default={}
            )
            left = [got for got in left if got is not near]
            for name, value in row.items():
                good = alike(near.get(name, np.nan), value)
                count["wrong" if not good else "asked" if name in touched else "right"] += 1
                wrong += [] if good else [(table, name, value, near.get(name), row)]
        extra += [(table, row) for row in left]
    others = [(t, f.to_dict("records")) for t, f in done.tables.items() if t not in (*book.truth, "vehicles") and len(f)]  # fmt: skip
    return count, wrong, extra + others, proposal


def holds(book):
    count, wrong, extra, proposal = judged(book)
    assert not wrong, f"{wrong[:3]}\n{proposal.toml}\n{proposal.unsure}"
    assert not extra, f"{extra[:3]}\n{proposal.toml}\n{proposal.unsure}"
    return count, proposal


FILLS = [  # date, odometer, litres, price of one, paid, to the top
    ("2026-01-05", 12040, 11.52, 1.449, 16.69, True),
    ("2026-01-19", 12231, 12.08, 1.459, 17.62, True),
    ("2026-02-13", 12398, 6.90, 1.439, 9.93, False),
    ("2026-03-02", 12611, 13.47, 1.479, 19.92, True),
    ("2026-03-28", 12820, 12.90, 1.499, 19.34, True),
]
JOBS = [  # date, odometer, job, parts, labour
    ("2026-01-08", 12060, "Oil and filter", 38.50, 60.00),
    ("2026-02-14", 12410, "Rear brake pads", 27.00, 45.00),
    ("2026-03-30", 12835, "Chain", 92.40, 0.00),
    ("2026-05-21", 13950, "Air filter", 18.00, 20.00),
]
WEAR = [  # date, odometer, front and rear depth (mm), front and rear pressure (psi)
    ("2026-01-05", 12040, 5.5, 6.0, 32, 36),
    ("2026-02-13", 12398, 5.3, None, 31, 35),
    ("2026-03-28", 12820, 5.0, 5.1, None, 36),
    ("2026-06-30", 14002, None, 4.2, 33, 34.5),
]


def day(iso, form):
    return pd.Timestamp(iso).strftime(form)


def fills(vehicle="Tern", **more):
    return [
        {"vehicle": vehicle, "date": d, "odometer": o, "volume": v, "cost": c, "filled_to": "full" if f else "part"} | more
        for d, o, v, _, c, f in FILLS
    ]  # fmt: skip


def jobs():
    return [
        {"vehicle": "Tern", "date": d, "odometer": o, "parts_cost": p, "labour_cost": w, "other_cost": None}
        for d, o, _, p, w in JOBS
    ]  # fmt: skip


def wears(rows=WEAR):
    return [
        {"vehicle": "Tern", "date": d, "odometer": o, "category": "tyre", "quantity": what, "position": at, "value": value}
        for d, o, *values in rows
        for (what, at), value in zip([("depth", "front"), ("depth", "rear"), ("pressure", "front"), ("pressure", "rear")], values, strict=True)
        if value is not None
    ]  # fmt: skip


class TestFuelBook:
    def test_price_per_litre_and_total(self, tmp_path):
        rows = [
            (
                "Date",
                "Vehicle",
                "Odometer (mi)",
                "Litres",
                "Price per litre",
                "Total",
                "Full?",
                "mpg",
            )
        ]
        rows += [(day(d, "%d/%m/%Y"), "Tern", f"{o:,}", v, f"£{u}", f"£{c}", "yes" if f else "no", 41.5) for d, o, v, u, c, f in FILLS]  # fmt: skip
        count, proposal = holds(Book(text(tmp_path / "s.csv", rows), {"fuel": fills()}))
        assert count["asked"] == 0
        assert "not carried over: mpg" in " ".join(proposal.unsure)

    def test_a_mark_for_yes_and_a_blank_for_no_is_asked(self, tmp_path):
        rows = [("Date", "Vehicle", "Odometer (mi)", "Litres", "Cost", "Full tank")]
        rows += [(d, "Tern", o, v, c, "x" if f else "") for d, o, v, _, c, f in FILLS]
        count, _ = holds(Book(text(tmp_path / "s.csv", rows), {"fuel": fills()}, {"": "part"}))
        assert count["right"] > 15

    def test_the_distance_of_each_fill_is_no_reading(self, tmp_path):
        rows = [("Date", "Vehicle", "Miles", "Litres", "Cost")]
        trips = np.diff([o for _, o, *_ in FILLS], prepend=11850)
        rows += [(d, "Tern", t, v, c) for (d, _, v, _, c, _), t in zip(FILLS, trips, strict=True)]
        rows[3] = (*rows[3][:2], 120, *rows[3][3:])
        truth = [
            {k: v for k, v in row.items() if k not in ("odometer", "filled_to")} for row in fills()
        ]
        _, proposal = holds(
            Book(text(tmp_path / "s.csv", rows), {"fuel": truth}, {"Miles": "leave-out"})
        )
        assert '"Miles" = "?"' in proposal.toml

    def test_what_is_worked_out_from_the_others_is_told_and_not_asked(self, tmp_path):
        rows = [
            ("No", "Date", "Vehicle", "Odometer (mi)", "km", "Since last fill", "Litres", "Cost")
        ]
        last = 11850
        for n, (d, o, v, _, c, _) in enumerate(FILLS, 1):
            rows.append((n, d, "Tern", o, round(o * 1.609344), o - last, v, c))
            last = o
        truth = [{k: v for k, v in row.items() if k != "filled_to"} for row in fills()]
        _, proposal = holds(Book(text(tmp_path / "s.csv", rows), {"fuel": truth}))
        told = tomllib.loads(proposal.toml)["table"][0]["columns"]
        assert [told[head] for head in ("No", "km", "Since last fill")] == ["leave-out"] * 3


class TestNoSilence:
    @pytest.mark.parametrize(
        "head, cells",
        [
            ("Service deposit", ["£5", "£6", "£7", "£8", "£9"]),
            ("Xyz", ["12.50", "8.10", "9.99", "", "7.00"]),
            ("Warranty until", ["2026-04-01", "2026-05-01", "", "2026-07-11", "2026-08-01"]),
            ("Next due", ["15000", "15500", "15501", "15502", "16000"]),
            ("Trip", ["120 mi", "80 mi", "95 mi", "", "130 mi"]),
            ("Extra", ["", "", "€4", "", ""]),
            ("Cost per mile", ["£0.11", "£0.12", "£0.10", "£0.13", "£0.12"]),
        ],
    )
    def test_money_distance_and_dates_that_are_not_used_are_asked(self, tmp_path, head, cells):
        rows = [("Date", "Vehicle", "Odometer (mi)", "Litres", "Cost", head)]
        rows += [
            (d, "Tern", o, v, c, x) for (d, o, v, _, c, _), x in zip(FILLS, cells, strict=True)
        ]
        path = text(tmp_path / "s.csv", rows)
        proposal = propose(read_grids(path), "s", today=TODAY)
        assert tomllib.loads(proposal.toml)["table"][0]["columns"][head] == "?"
        assert any(head in said for said in proposal.unsure)
        holds(Book(path, {"fuel": [{k: v for k, v in row.items() if k != "filled_to"} for row in fills()]}, {head: "leave-out"}))  # fmt: skip

    def test_of_two_costs_of_a_fill_the_one_that_says_no_more_is_it(self, tmp_path):
        rows = [("Date", "Vehicle", "Odometer (mi)", "Litres", "Service cost", "Cost")]
        rows += [(d, "Tern", o, v, 7 + n, c) for n, (d, o, v, _, c, _) in enumerate(FILLS)]
        truth = [{k: v for k, v in row.items() if k != "filled_to"} for row in fills()]
        path = text(tmp_path / "s.csv", rows)
        _, proposal = holds(Book(path, {"fuel": truth}, {"Service cost": "leave-out"}))
        assert '"Service cost" = "?"' in proposal.toml

    @pytest.mark.parametrize(
        "head, cells",
        [
            ("Hours", ["2.5", "1.0", "0.5", "3.0"]),
            ("Parts", ["oil, filter", "pads", "chain kit", "filter"]),
            ("Service", ["45", "60", "92", "38"]),
            ("Invoice", ["38.50", "27.00", "92.40", "18.00"]),
            ("Receipt", ["£38", "£27", "£92", "£18"]),
            ("Paid on", ["2026-01-09", "2026-02-15", "2026-03-31", "2026-05-22"]),
            ("Position", ["120 mi", "90 mi", "130 mi", "101 mi"]),
            ("Garage", ["2026-01-09", "2026-02-15", "2026-03-31", "2026-05-22"]),
        ],
    )
    def test_a_heading_that_its_cells_do_not_bear_out_is_asked(self, tmp_path, head, cells):
        rows = [("Date", "Vehicle", "Odometer (mi)", "Job", "Labour", head)]
        rows += [(d, "Tern", o, j, w, x) for (d, o, j, _, w), x in zip(JOBS, cells, strict=True)]
        proposal = propose(read_grids(text(tmp_path / "s.csv", rows)), "s", today=TODAY)
        assert tomllib.loads(proposal.toml)["table"][0]["columns"].get(head, "words") in (
            "?",
            "words",
        )
        assert any(head in said for said in proposal.unsure)

    def test_of_two_dates_neither_is_taken_in_silence(self, tmp_path):
        rows = [("Invoice date", "Work date", "Vehicle", "Odometer (mi)", "Job", "Cost")]
        rows += [(day(d, "%Y-%m-28"), d, "Tern", o, j, p + w) for d, o, j, p, w in JOBS]
        truth = [{"date": d, "odometer": o, "other_cost": p + w} for d, o, _, p, w in JOBS]
        answers = {"Invoice date": "leave-out", "Work date": "date"}
        _, proposal = holds(Book(text(tmp_path / "s.csv", rows), {"work": truth}, answers))
        told = tomllib.loads(proposal.toml)["table"][0]["columns"]
        assert told["Invoice date"] == told["Work date"] == "?"

    def test_a_sheet_that_cannot_be_told_is_a_skeleton(self, tmp_path):
        odd = [["Name", "Paid"], ["Skerry", "£40"], ["Holm", "£12"]]
        fuel = [
            ["Date", "Odometer (mi)", "Litres", "Cost"],
            *[[d, o, v, c] for d, o, v, _, c, _ in FILLS],
        ]
        path = workbook(tmp_path / "b.xlsx", Fuel=(fuel, []), Dues=(odd, []))
        proposal = propose(read_grids(path), "b", today=TODAY)
        entry = tomllib.loads(proposal.toml)["table"][1]
        assert entry["to"] == "?"
        assert entry["columns"] == {"Name": "?", "Paid": "?"}
        truth = [{k: v for k, v in row.items() if k != "filled_to"} for row in fills()]
        holds(
            Book(
                path, {"fuel": truth}, {"to": "leave-out", "Name": "leave-out", "Paid": "leave-out"}
            )
        )


class TestMoneyInParts:
    def test_parts_labour_and_total(self, tmp_path):
        rows = [("Date", "Vehicle", "Mileage", "Work done", "Parts", "Labour", "Total")]
        rows += [(day(d, "%d %b %Y"), "Tern", f"{o:,} mi", j, f"£{p:.2f}", f"£{w:.2f}", f"£{p + w:.2f}") for d, o, j, p, w in JOBS]  # fmt: skip
        count, _ = holds(Book(text(tmp_path / "s.csv", rows), {"work": jobs()}))
        assert count["asked"] == 0

    def test_a_total_with_a_tax_that_has_no_column_is_asked(self, tmp_path):
        rows = [("Date", "Vehicle", "Mileage", "Work", "Parts", "Labour", "Paid")]
        rows += [(d, "Tern", f"{o} mi", j, p, w, round((p + w) * 1.2, 2)) for d, o, j, p, w in JOBS]
        _, proposal = holds(
            Book(text(tmp_path / "s.csv", rows), {"work": jobs()}, {"Paid": "leave-out"})
        )
        assert '"Paid" = "?"' in proposal.toml


class TestTotalsAndHeads:
    def rows(self, label):
        rows = [["Tern in 2026", None, None, None, None], ["Fuel", None, "Meter", "Money", None]]
        rows += [["Day", "Litres", "Odometer (mi)", "Cost £", "Price per litre"]]
        for n, (d, o, v, u, c, _) in enumerate(FILLS):
            rows.append([day(d, "%d/%m/%Y"), v, o, c, u])
            if n in (2, 4):
                rows.append([label.format(n // 2), 30.1, None, 40.2, None])
        return [*rows, ["Grand total", 60.2, None, 83.5, None]]

    @pytest.mark.parametrize(
        "label",
        [
            "Q{} total",
            "Total Q{}",
            "Quarter {}",
            "Sum for quarter {}",
            "Subtotal",
            "2026 Q{}",
            "Total for 2026",
            "Year to date",
        ],
    )
    def test_titles_heads_of_two_rows_and_totals(self, tmp_path, label):
        path = workbook(
            tmp_path / "Tern.xlsx", Tern=(self.rows(label), ["A1:E1", "A2:B2", "D2:E2"])
        )
        truth = [{k: v for k, v in row.items() if k != "filled_to"} for row in fills()]
        count, _ = holds(Book(path, {"fuel": truth}))
        assert count["asked"] == 0

    def test_units_on_a_row_of_their_own(self, tmp_path):
        rows = [("Date", "Bike", "Odometer", "Fuel", "Cost"), ("", "", "(km)", "(L)", "(€)")]
        rows += [(d, "Tern", o, v, c) for d, o, v, _, c, _ in FILLS]
        truth = [{k: v for k, v in row.items() if k != "filled_to"} for row in fills()]
        count, proposal = holds(Book(text(tmp_path / "s.csv", rows), {"fuel": truth}))
        assert count["asked"] == 0
        assert tomllib.loads(proposal.toml)["log"]["currency"] == "EUR"

    def test_months_as_titles_among_the_rows(self, tmp_path):
        rows = [("Date", "Bike", "Odometer (mi)", "Litres", "Cost"), ("January",), *[(d, "Tern", o, v, c) for d, o, v, _, c, _ in FILLS]]  # fmt: skip
        rows.insert(4, ("February 2026",))
        rows.append(("", "", "", 56.87, 83.50))
        truth = [{k: v for k, v in row.items() if k != "filled_to"} for row in fills()]
        holds(Book(text(tmp_path / "s.csv", rows), {"fuel": truth}))


class TestWide:
    HEADS = ("Front tread (mm)", "Rear tread (mm)", "Front pressure (psi)", "Rear pressure (psi)")

    def test_a_column_each(self, tmp_path):
        rows = [
            ("Date", "Vehicle", "Odometer (mi)", *self.HEADS),
            *[(r[0], "Tern", *["" if x is None else x for x in r[1:]]) for r in WEAR],
        ]
        truth = {
            "measurements": wears(),
            "odometer": [{"date": r[0], "odometer": r[1]} for r in WEAR],
        }
        count, _ = holds(Book(text(tmp_path / "s.csv", rows), truth))
        assert count["asked"] == 0

    def test_a_head_of_two_rows(self, tmp_path):
        rows = [
            ["Date", "Odometer (mi)", "Front", None, "Rear", None],
            [None, None, "Tread mm", "Pressure psi", "Tread mm", "Pressure psi"],
        ]
        rows += [[pd.Timestamp(d), o, a, c, b, e] for d, o, a, b, c, e in WEAR]
        path = workbook(tmp_path / "w.xlsx", Tern=(rows, ["A1:A2", "B1:B2", "C1:D1", "E1:F1"]))
        count, _ = holds(
            Book(path, {"measurements": wears(), "odometer": [{"odometer": r[1]} for r in WEAR]})
        )
        assert count["asked"] == 0

    def test_beside_fills(self, tmp_path):
        rows = [
            (
                "Date",
                "Vehicle",
                "Odometer (mi)",
                "Litres",
                "Cost",
                "Tread front mm",
                "Tread rear mm",
            )
        ]
        treads = [(5.5, 6.0), ("", ""), (5.3, ""), ("", ""), (5.0, 5.1)]
        rows += [
            (d, "Tern", o, v, c, *t) for (d, o, v, _, c, _), t in zip(FILLS, treads, strict=True)
        ]
        measured = [
            (d, o, *[x or None for x in t], None, None)
            for (d, o, *_), t in zip(FILLS, treads, strict=True)
        ]
        truth = [{k: v for k, v in row.items() if k != "filled_to"} for row in fills()]
        holds(
            Book(text(tmp_path / "s.csv", rows), {"fuel": truth, "measurements": wears(measured)})
        )

    @pytest.mark.parametrize(
        "head, cells",
        [
            ("Front tyre changed", ["12000", "", "12800"]),
            ("Front tread", ["12000", "", "12800"]),
            ("Rear brake pads", ["27.00", "31.50", ""]),
            ("Front tread price", ["31.00", "", "35.00"]),
            ("Front tyre date", ["2026-01-02", "", ""]),
            ("Rear shock pressure (psi)", ["140", "150", "145"]),
        ],
    )
    def test_what_is_no_measurement_is_asked(self, tmp_path, head, cells):
        rows = [("Date", "Vehicle", "Odometer (mi)", "Litres", "Cost", head)]
        rows += [
            (d, "Tern", o, v, c, x) for (d, o, v, _, c, _), x in zip(FILLS[:3], cells, strict=True)
        ]
        proposal = propose(read_grids(text(tmp_path / "s.csv", rows)), "s", today=TODAY)
        (entry,) = tomllib.loads(proposal.toml)["table"]
        assert entry["columns"][head] == "?"


class TestWorkbook:
    def test_several_sheets_one_vehicle(self, tmp_path):
        fuel = [
            ["Date", "Odometer (mi)", "Litres", "Cost"],
            *[[pd.Timestamp(d), o, v, c] for d, o, v, _, c, _ in FILLS],
        ]
        work = [
            ["Date", "Odometer (mi)", "Job", "Parts", "Labour"],
            *[[pd.Timestamp(d), o, j, p, w] for d, o, j, p, w in JOBS],
        ]
        tyres = [
            ["Date", "Odometer (mi)", *TestWide.HEADS],
            *[[pd.Timestamp(r[0]), *r[1:]] for r in WEAR],
        ]
        path = workbook(tmp_path / "b.xlsx", Fuel=(fuel, []), Service=(work, []), Tyres=(tyres, []))
        work = [{k: v for k, v in row.items() if k != "other_cost"} for row in jobs()]
        fuel = [{k: v for k, v in row.items() if k != "filled_to"} for row in fills()]
        truth = {
            "fuel": fuel,
            "work": work,
            "measurements": wears(),
            "odometer": [{"odometer": r[1]} for r in WEAR],
        }
        _, proposal = holds(Book(path, truth))
        assert proposal.toml.count("[[vehicle]]") == 1


LANGUAGES = {
    "de": (("Datum", "Fahrzeug", "Kilometerstand", "Getankt (l)", "Preis pro Liter", "Betrag", "Vollgetankt", "Verbrauch"), "ja", "nein"),
    "fr": (("Date", "Véhicule", "Kilométrage", "Litres", "Prix au litre", "Montant", "Plein", "Conso"), "oui", "non"),
    "es": (("Fecha", "Vehículo", "Kilometraje", "Litros", "Precio por litro", "Importe", "Depósito lleno", "Consumo"), "sí", "no"),
}  # fmt: skip
WORKS = {
    "de": ("Datum", "Motorrad", "km-Stand", "Arbeiten", "Ersatzteile", "Arbeitslohn", "Gesamt", "Bemerkung", "7. März 2026"),
    "fr": ("Date", "Moto", "Relevé compteur", "Travaux", "Pièces", "Main d’œuvre", "Total", "Remarques", "7 mars 2026"),
    "es": ("Fecha", "Moto", "Cuentakilómetros", "Trabajo", "Recambios", "Mano de obra", "Total", "Observaciones", "7 de marzo de 2026"),
}  # fmt: skip


def comma(number, places=2):
    return f"{number:,.{places}f}".translate(str.maketrans(",.", ".,"))


class TestLanguages:
    @pytest.mark.parametrize("tongue", LANGUAGES)
    @pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
    def test_fills(self, tmp_path, tongue, encoding):
        heads, yes, no = LANGUAGES[tongue]
        rows = [
            heads,
            *[
                (
                    day(d, "%d.%m.%Y"),
                    "Tern",
                    comma(o, 0),
                    comma(v),
                    comma(u, 3),
                    comma(c),
                    yes if f else no,
                    "4,9",
                )
                for d, o, v, u, c, f in FILLS
            ],
        ]
        path = text(tmp_path / "s.csv", [*rows, ("Summe", "", "", comma(56.87))], ";", encoding)
        count, _ = holds(Book(path, {"fuel": fills()}, {"distance": "km", "currency": "EUR"}))
        assert count["right"] >= 20

    @pytest.mark.parametrize("tongue", WORKS)
    def test_work(self, tmp_path, tongue):
        *heads, month = WORKS[tongue]
        rows = [
            heads,
            *[
                (
                    day(d, "%d/%m/%y"),
                    "Tern",
                    comma(o, 0),
                    j,
                    comma(p) + " €",
                    comma(w) + " €",
                    comma(p + w) + " €",
                    "é",
                )
                for d, o, j, p, w in JOBS
            ],
        ]
        rows.append((month, "Tern", "14.020", "Kette", "1.092,40 €", "", "1.092,40 €", ""))
        truth = [
            *jobs(),
            {"date": "2026-03-07", "odometer": 14020, "parts_cost": 1092.4, "labour_cost": None},
        ]
        holds(
            Book(
                text(tmp_path / "s.csv", rows, ";"),
                {"work": truth},
                {"distance": "km", "currency": "EUR"},
            )
        )


class TestUsDates:
    def test_month_first_proved_or_asked(self, tmp_path):
        rows = [("Date", "Truck", "Odometer", "Gallons", "Price/Gal", "Total")]
        rows += [
            (day(d, "%m/%d/%Y"), "Tern", f"{o:,}", v, f"${u}", f"${c}")
            for d, o, v, u, c, _ in FILLS
        ]
        truth = [{k: v for k, v in row.items() if k != "filled_to"} for row in fills()]
        answers = {"volume": "gal_us", "currency": "USD", "date_order": "month-first"}
        count, _ = holds(Book(text(tmp_path / "s.csv", rows), {"fuel": truth}, answers))
        assert "date" not in count
        few = [rows[0], (day("2026-01-05", "%m/%d/%Y"), *rows[1][1:])]
        _, proposal = holds(Book(text(tmp_path / "t.csv", few), {"fuel": truth[:1]}, answers))
        assert 'date_order = "?"' in proposal.toml
