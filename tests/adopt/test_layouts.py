"""Sheets of random layouts, five of each kind, with the truth each was made from: no value wrong unseen or lost."""

import numpy as np
import pandas as pd
import pytest
from files import text, workbook
from test_sheets import FILLS, JOBS, WEAR, Book, fills, holds, jobs, wears

from wearbar_adopt.free import split

FORMS = {
    "day-first": ("%d/%m/%Y", "%d.%m.%Y", "%d-%m-%y"),
    "month-first": ("%m/%d/%Y", "%m-%d-%Y"),
    "any": ("%Y-%m-%d", "%d %b %Y", "%Y/%m/%d"),
}
FUEL = {  # the headings of day, reading, volume, price of one, paid, to the top
    "en": (("Date", "Day", "When", "Date filled"), ("Odometer", "Odo", "Mileage", "Reading"), ("Litres", "Fuel (l)", "Liters"),
           ("Price per litre", "Price/L", "Unit price", "Cost per litre"), ("Total", "Cost", "Paid"), ("Full", "Full tank?", "Tank full")),
    "de": (("Datum", "Tankdatum"), ("Kilometerstand", "km-Stand", "Tachostand"), ("Liter", "Tankmenge (l)"),
           ("Preis/l", "Literpreis", "Preis pro Liter"), ("Betrag", "Gesamtpreis", "Kosten"), ("Voll", "vollgetankt")),
    "fr": (("Date", "Jour"), ("Kilométrage", "Compteur", "Relevé km"), ("Litres", "Quantité (l)"),
           ("Prix/l", "Prix au litre", "Prix par litre"), ("Montant", "Prix total", "Coût"), ("Plein", "Plein ?")),
    "es": (("Fecha", "Día"), ("Kilometraje", "Odómetro", "Cuentakilómetros"), ("Litros", "Cantidad (l)"),
           ("Precio/l", "Precio por litro", "Precio litro"), ("Importe", "Coste", "Total"), ("Lleno", "Depósito lleno")),
}  # fmt: skip
WORK = {  # the headings of day, reading, job, parts, labour, total
    "en": (("Date", "Day"), ("Mileage", "Odometer"), ("Work", "Job", "What was done", "Description"), ("Parts", "Parts cost", "Materials"),
           ("Labour", "Labor", "Labour cost"), ("Total", "Total cost", "Amount")),
    "de": (("Datum", "Rechnungsdatum"), ("Kilometerstand", "km-Stand"), ("Arbeiten", "Reparatur", "Leistung"), ("Teile", "Ersatzteile", "Material"),
           ("Lohn", "Arbeitskosten", "Arbeitslohn"), ("Gesamt", "Gesamtkosten", "Summe")),
    "fr": (("Date", "Jour"), ("Kilométrage", "Compteur"), ("Travaux", "Intervention", "Entretien"), ("Pièces", "Fournitures"),
           ("Main d'œuvre", "Main d'oeuvre"), ("Total", "Montant", "Prix total")),
    "es": (("Fecha", "Día"), ("Kilometraje", "Odómetro"), ("Trabajo", "Reparación", "Operación"), ("Piezas", "Recambios", "Materiales"),
           ("Mano de obra", "Mano de obra (€)"), ("Total", "Importe", "Coste total")),
}  # fmt: skip
YES = {"en": (("yes", "no"), ("Y", "N"), ("full", "part")), "de": (("ja", "nein"), ("J", "N"), ("voll", "teil")),
       "fr": (("oui", "non"), ("O", "N"), ("plein", "partiel")), "es": (("sí", "no"), ("S", "N"), ("lleno", "parcial"))}  # fmt: skip
SUMS = {"en": "Total", "de": "Summe", "fr": "Total", "es": "Suma"}
SIGNS = {"en": ("£", "GBP"), "de": ("€", "EUR"), "fr": ("€", "EUR"), "es": ("€", "EUR")}


class Layout:
    """How one owner writes."""

    def __init__(self, seed, tongues=("en",), forms=("day-first", "any")):
        self.rng = np.random.default_rng(seed)
        self.tongue = self.one(tongues)
        self.order = self.one(forms)
        self.form = self.one(FORMS[self.order])
        self.is_comma = self.tongue != "en"
        self.groups = self.one((True, False))
        self.sign, code = SIGNS[self.tongue]
        self.where = self.one(("before", "after", "head", "none"))
        self.unit = self.one(("cell", "head", "none"))
        self.distance = "km" if self.is_comma else "mi"
        self.answers = {"currency": code, "distance": self.distance, "date_order": self.order}
        self.answers["decimal"] = "comma" if self.is_comma else "point"

    def one(self, choices):
        return choices[int(self.rng.integers(len(choices)))]

    def number(self, value, places=2, grouped=True):
        if value is None:
            return ""
        plain = f"{value:{',' if self.groups and grouped else ''}.{places}f}"
        return plain.translate(str.maketrans(",.", ".,")) if self.is_comma else plain

    def money(self, value, places=2):
        plain = self.number(value, places)
        if not plain or self.where in ("head", "none"):
            return plain
        return f"{self.sign}{plain}" if self.where == "before" else f"{plain} {self.sign}"

    def reading(self, value):
        return self.number(value, 0) + (f" {self.distance}" if self.unit == "cell" else "")

    def day(self, iso):
        return pd.Timestamp(iso).strftime(self.form)

    def heads(self, table):
        found = [self.one(words) for words in table[self.tongue]]
        found[1] += f" ({self.distance})" if self.unit == "head" else ""
        return found

    def turned(self, rows):
        """The rows with their columns in another order, the day first."""
        order = [0, *(1 + self.rng.permutation(len(rows[0]) - 1))]
        return [[row[k] if k < len(row) else "" for k in order] for row in rows]

    def path(self, tmp_path, rows):
        if self.one((True, False)):
            return text(
                tmp_path / "s.csv",
                rows,
                ";" if self.is_comma else self.one(",\t"),
                self.one(("utf-8", "cp1252")),
            )
        return workbook(
            tmp_path / "Tern.xlsx", Tern=([[cell or None for cell in row] for row in rows], [])
        )


def fuel_rows(layout):
    yes, no = layout.one(YES[layout.tongue])
    rows = [layout.heads(FUEL)]
    rows[0][4] += f" ({layout.sign})" if layout.where == "head" else ""
    for d, o, v, u, c, f in FILLS:
        money = layout.money(u, 3), layout.money(c)
        rows.append([layout.day(d), layout.reading(o), layout.number(v), *money, yes if f else no])
    return rows


def work_rows(layout):
    rows = [layout.heads(WORK)]
    for d, o, j, p, w in JOBS:
        rows.append([layout.day(d), layout.reading(o), j, *map(layout.money, (p, w, p + w))])
    return rows


def with_totals(layout, rows):
    """The same under a title, with a sum in the middle and at the end."""
    width, word = len(rows[0]), SUMS[layout.tongue]
    total = [
        layout.one((word, f"{word} Q1", f"{word} 2026")),
        *[""] * (width - 2),
        layout.number(81.4),
    ]
    blank = [""] * width
    title = ["Tern", *blank[1:]]
    return [title, *([blank] if layout.one((0, 1)) else []), *rows[:3], total, *rows[3:], total]


def wide_rows(layout):
    front, rear = layout.one((("Front", "Rear"), ("front", "back")))
    of = layout.one(("{at} tread (mm)", "Tread {at} mm", "{at} tyre depth mm", "{at} tyre (mm)"))
    air = layout.one(("{at} pressure (psi)", "Pressure {at} psi", "{at} tyre psi"))
    heads = [form.format(at=at) for form in (of, air) for at in (front, rear)]
    rows = [[*layout.heads(WORK)[:2], *heads]]
    for d, o, *values in WEAR:
        rows.append([layout.day(d), layout.reading(o), *(layout.number(x, 1) for x in values)])
    return rows


ANY = ("en", "de", "fr", "es")
READINGS = [{"date": row[0], "odometer": row[1]} for row in WEAR]


def sheet_of(kind, seed, tmp_path):
    """A `Book` of a kind by a random layout."""
    if kind == "fuel":
        layout = Layout(seed)
        return Book(
            layout.path(tmp_path, layout.turned(fuel_rows(layout))),
            {"fuel": fills()},
            layout.answers,
        )
    if kind == "parts, labour, total":
        layout = Layout(seed)
        return Book(
            layout.path(tmp_path, layout.turned(work_rows(layout))),
            {"work": jobs()},
            layout.answers,
        )
    if kind == "titles and totals":
        layout = Layout(seed)
        make, truth = layout.one(((fuel_rows, {"fuel": fills()}), (work_rows, {"work": jobs()})))
        rows = with_totals(layout, layout.turned(make(layout)))
        return Book(layout.path(tmp_path, rows), truth, layout.answers)
    if kind == "wide":
        layout = Layout(seed)
        truth = {"measurements": wears(), "odometer": READINGS}
        return Book(layout.path(tmp_path, layout.turned(wide_rows(layout))), truth, layout.answers)
    if kind == "workbook":
        layout = Layout(seed)
        sheets = {
            layout.one(("Fuel", "Fills")): fuel_rows(layout),
            layout.one(("Service", "Work")): work_rows(layout),
        }
        sheets["Tyres"] = wide_rows(layout)
        path = workbook(
            tmp_path / "b.xlsx",
            **{
                name: ([[c or None for c in row] for row in rows], [])
                for name, rows in sheets.items()
            },
        )
        truth = {"fuel": fills(), "work": jobs(), "measurements": wears(), "odometer": READINGS}
        return Book(path, truth, layout.answers)
    if kind == "languages":
        layout = Layout(seed, ANY[1:][seed % 3 :][:1])
        make, truth = layout.one(((fuel_rows, {"fuel": fills()}), (work_rows, {"work": jobs()})))
        return Book(layout.path(tmp_path, layout.turned(make(layout))), truth, layout.answers)
    layout = Layout(seed, forms=("month-first",))
    layout.sign, layout.answers["currency"] = "$", "USD"
    return Book(
        layout.path(tmp_path, layout.turned(fuel_rows(layout))), {"fuel": fills()}, layout.answers
    )


def told_freely(layout, iso, odometer, job, paid, who):
    """A line of free text, and what each of its parts should be found to be."""
    day = layout.day(iso) if layout.one((0, 1, 1)) else ""
    reading = f"{odometer:,}".replace(",", layout.one((",", ""))) + layout.one(
        ("mi", " mi", " miles", " km")
    )
    money = layout.one(
        (f"£{paid:.2f}", f"£{paid:.0f}", f"£ {paid:.2f}", f"{paid:.2f} £", f"{paid:.2f} GBP")
    )
    by = layout.one((f"by {who}", f"done by {who}", ""))
    parts = [job, reading, money]
    layout.rng.shuffle(parts)
    parts = [day, *parts, by] if layout.one((0, 1)) else [*parts, by, day]
    line = layout.one((" ", ", ", " - ")).join(part for part in parts if part)
    return line, (day, reading, money, job.lower(), who if by else "")


@pytest.mark.parametrize("seed", range(5))
def test_free_text_is_split_right_or_asked(seed):
    layout = Layout(seed)
    for d, o, j, p, w in JOBS:
        who = layout.one(("me", "garage", "owner"))
        line, told = told_freely(
            layout, d, o, layout.one((j, f"{j} + wash", "new rear tyre")), p + w, who
        )
        *found, note = split(line)
        assert note == line
        found[3] = found[3].lower()
        assert found == list(told), line


KINDS = (
    "fuel",
    "parts, labour, total",
    "titles and totals",
    "wide",
    "workbook",
    "languages",
    "us dates",
)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("kind", KINDS)
def test_no_value_is_wrong_unseen_or_lost(kind, seed, tmp_path):
    book = sheet_of(kind, seed, tmp_path)
    for rows in book.truth.values():
        for row in rows:
            row.pop("vehicle", None)
    holds(book)
