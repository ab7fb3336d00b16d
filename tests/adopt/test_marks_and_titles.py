"""Checklists (a column a job, a mark where it was done) and sheets with vehicles as titles, each with the truth it was
made from: every row, day, reading and amount comes out right or is asked."""

import tomllib

import pandas as pd
import pytest
from files import text, workbook
from test_layouts import SUMS, Layout
from test_sheets import FILLS, JOBS, TODAY, Book, holds, said_of

from wearbar.log.sources.raw import LogError
from wearbar_adopt.convert import convert
from wearbar_adopt.grids import NEW_CELL, NEW_TITLE, read_grids
from wearbar_adopt.maps import check_map
from wearbar_adopt.propose import propose

VISITS = [  # date, odometer, what the cells of four jobs hold: True for a mark, None for none
    ("2026-01-05", 12040, (True, True, None, None)),
    ("2026-01-19", 12231, (None, None, True, 45.5)),
    ("2026-02-13", 12398, (True, None, None, True)),
    ("2026-03-02", 12611, (None, None, None, None)),
    ("2026-03-28", 13820, (True, True, "front only", 1250.0)),
]
HEADS = {
    "en": ("Date", "Odometer", ("Oil", "Oil filter", "Brakes", "Chain")),
    "de": ("Datum", "Kilometerstand", ("Ölwechsel", "Ölfilter", "Bremsen", "Kette")),
    "fr": ("Date", "Compteur", ("Vidange", "Filtre à huile", "Freins", "Chaîne")),
    "es": ("Fecha", "Kilometraje", ("Aceite", "Filtro de aceite", "Frenos", "Cadena")),
}
MARKS = {
    "en": ("x", "✓", "done", "yes"),
    "de": ("X", "✔", "ja", "erledigt"),
    "fr": ("x", "✓", "oui", "fait"),
    "es": ("×", "✓", "sí", "hecho"),
}
CELLS = {"number": "other_cost", "front only": "note"}


def visits(jobs, rows=VISITS, vehicle="Tern"):
    """Work and readings of the rows of a checklist."""
    work = []
    for d, o, held in rows:
        for job, cell in zip(jobs, held, strict=True):
            if cell is not None:
                row = {"vehicle": vehicle, "date": d, "odometer": o}
                row["task"] = job.lower().replace(" ", "-")
                row["other_cost"] = cell if type(cell) is float else None
                work.append(row | ({"note": cell} if type(cell) is str else {}))
    return {"work": work, "odometer": [{"date": d, "odometer": o} for d, o, _ in rows]}


def shown(layout, cell, mark):
    if cell is None or cell is True:
        return mark if cell else layout.one(("", "", "-"))
    return layout.money(cell) if type(cell) is float else cell


def checklist(seed, tmp_path):
    """A `Book` of one owner's checklist: in each a cost and words in the cells, a sum, blank rows."""
    layout = Layout(seed, (list(HEADS)[seed % 4],))
    date, odometer, jobs = HEADS[layout.tongue]
    mark = layout.one(MARKS[layout.tongue])
    rows = [[date, odometer, *jobs]]
    for d, o, held in VISITS:
        cells = [shown(layout, cell, mark) for cell in held]
        rows += [[layout.day(d), layout.reading(o), *cells], *[[""] * 6] * layout.one((0, 0, 1))]
    rows.insert(0, ["Tern", *[""] * 5])
    rows.append([SUMS[layout.tongue], "", "3", "2", "2", "3"])
    if seed % 2:
        cells = [[cell or None for cell in row] for row in rows]
        path = workbook(tmp_path / "Tern.xlsx", Tern=(cells, ["A1:F1"]))
    else:
        path = text(tmp_path / "s.csv", rows, ";" if layout.is_comma else ",")
    return Book(path, visits(jobs), layout.answers | CELLS)


def bare(book):
    """Its truth without the vehicle, which is a constant."""
    for rows in book.truth.values():
        for row in rows:
            row.pop("vehicle", None)
    return book


@pytest.mark.parametrize("seed", range(5))
def test_each_mark_of_a_checklist_is_work(seed, tmp_path):
    _, proposal = holds(bare(checklist(seed, tmp_path)))
    told = tomllib.loads(proposal.toml)["table"]
    cells = told[1]["cells"]
    assert {key: cells[key] for key in CELLS} == dict.fromkeys(CELLS, "?")
    assert "?" not in told[1]["each"].values()


class TestChecklist:
    ROWS = (("Date", "Odometer (mi)", "Oil", "Chain"), ("2026-01-05", 12040, "x", ""), ("2026-02-13", 12398, "", "x"))  # fmt: skip

    def proposal(self, tmp_path, *rows):
        return propose(read_grids(text(tmp_path / "s.csv", [*rows])), "s", today=TODAY)

    def each(self, tmp_path, head, *cells, rows=ROWS):
        """The tables proposed for a checklist with one column more."""
        more = [(*row, cell) for row, cell in zip(rows, (head, *cells), strict=True)]
        return tomllib.loads(self.proposal(tmp_path, *more).toml)["table"]

    @pytest.mark.parametrize("head", ["Paid", "Brakes needed", "Oil leak", "MOT booked"])
    def test_a_column_that_may_be_no_job_is_asked(self, tmp_path, head):
        assert self.each(tmp_path, head, "x", "x")[1]["each"][head] == "?"

    def test_a_cost_of_the_visit_is_asked(self, tmp_path):
        base, work = self.each(tmp_path, "Cost", "£45", "£60")
        assert work["each"]["Cost"] == work["cells"]["number"] == "?"
        assert "Cost" not in base["columns"]

    def test_a_cross_beside_a_tick_is_asked(self, tmp_path):
        cells = self.each(tmp_path, "Brakes", "✓", "✓")[1]["cells"]
        assert cells == {"x": "?", "✓": "done"}

    def test_a_day_in_a_cell_is_asked_and_may_be_the_jobs(self, tmp_path):
        rows = [(*row, cell) for row, cell in zip(self.ROWS, ("Brakes", "2026-01-07", "no"), strict=True)]  # fmt: skip
        truth = [("2026-01-05", "oil"), ("2026-02-13", "chain"), ("2026-01-07", "brakes")]
        truth = {"work": [{"date": d, "task": job} for d, job in truth], "odometer": [{"odometer": 12040}, {"odometer": 12398}]}  # fmt: skip
        holds(Book(text(tmp_path / "s.csv", rows), truth, {"day": "date"}))

    def test_fuel_with_marks_has_work_too_where_the_job_is_sure(self, tmp_path):
        rows = [("Date", "Odometer (mi)", "Litres", "Cost", "Oil checked", "Cash", "Full tank")]
        rows += [(d, o, v, c, "x", "x", "x") for d, o, v, _, c, _ in FILLS]
        fuel, work = tomllib.loads(self.proposal(tmp_path, *rows).toml)["table"]
        assert fuel["to"] == "fuel"
        assert fuel["columns"]["Full tank"] == "filled_to"
        assert work["each"] == {"Oil checked": "oil-checked"}

    def test_what_the_map_does_not_know_next_month_is_not_whole(self, tmp_path):
        told, _ = said_of(self.proposal(tmp_path, *self.ROWS).toml, {})
        path = text(tmp_path / "s.csv", [*self.ROWS, ("2026-03-01", 12500, "see bill", "x")])
        done = convert(read_grids(path), tomllib.loads(told))
        assert not done.is_whole
        assert done.left_out["why"].tolist() == [NEW_CELL]
        assert len(done.tables["work"]) == 3
        assert done.passed_over.empty

    def test_a_map_with_columns_of_marks_says_what_they_mean(self):
        entry = {"to": "work", "header_lines": [1], "columns": {"Date": "date"}, "each": {"Oil": "oil"}}  # fmt: skip
        entry |= {"constants": {"vehicle": "Tern", "why": "planned"}}
        for more, fault in (({}, "each needs cells"), ({"cells": {"x": "no"}}, "no column 'no'")):
            with pytest.raises(LogError, match=fault):
                check_map({"log": {"name": "a"}, "table": [entry | more], "vehicle": [{}]})


OTHER = {"Skua 2": (-9800, "2026-01-02"), "Fulmar": (30500, "2026-02-01")}  # km more, first day
TITLED = {
    "en": ("{}", "Vehicle: {}"),
    "de": ("{}", "Fahrzeug: {}"),
    "fr": ("{}", "Moto : {}"),
    "es": ("{}", "Vehículo: {}"),
}

PAID = {"en": ("Job", "Cost"), "de": ("Arbeiten", "Kosten"), "fr": ("Travaux", "Montant"), "es": ("Trabajo", "Importe")}  # fmt: skip


def moved(rows, more, first):
    """Rows of another vehicle: later and further."""
    days = pd.Timestamp(first) - pd.Timestamp(rows[0][0])
    return [((pd.Timestamp(d) + days).strftime("%Y-%m-%d"), o + more, *x) for d, o, *x in rows]


def titled(seed, tmp_path):
    """A `Book` of three vehicles, each below its name."""
    layout = Layout(seed, (list(HEADS)[seed % 4],))
    date, odometer, jobs = HEADS[layout.tongue]
    mark, form = layout.one(MARKS[layout.tongue]), TITLED[layout.tongue][seed % 2]
    is_list, is_again, truth = seed >= 3, layout.one((True, False)), {}
    job, paid = PAID[layout.tongue]
    head = [date, odometer, *jobs] if is_list else [date, odometer, job, paid]
    blank, rows = [""] * len(head), [] if is_again else [head]
    for name, how in {"Tern": (0, "2026-01-05")}.items() | OTHER.items():
        rows += [[form.format(name), *blank[1:]], *([head] if is_again else [])]
        if is_list:
            own = moved(VISITS, *how)
            more = visits(jobs, own, name)
            more["odometer"] = [row | {"vehicle": name} for row in more["odometer"]]
            cells = [[shown(layout, c, mark) for c in held] for _, _, held in own]
        else:
            own = moved(JOBS, *how)
            more = {"work": [{"vehicle": name, "date": d, "odometer": o, "other_cost": p + w} for d, o, _, p, w in own]}  # fmt: skip
            cells = [[j, layout.money(p + w)] for _, _, j, p, w in own]
        rows += [[layout.day(d), layout.reading(o), *c] for (d, o, *_), c in zip(own, cells, strict=True)]  # fmt: skip
        rows += [[SUMS[layout.tongue], *blank[1:-1], layout.number(302.9)], *[blank] * layout.one((0, 1))]  # fmt: skip
        truth = {table: [*truth.get(table, []), *found] for table, found in more.items()}
    cells = [[cell or None for cell in row] for row in rows]
    merged = [f"A{n}:D{n}" for n, row in enumerate(rows, 1) if row[0] and not any(row[1:])]
    path = tmp_path / "Work.xlsx"
    if seed % 2:
        return Book(workbook(path, Mine=(cells, merged)), truth, layout.answers | CELLS)
    path = text(tmp_path / "s.csv", rows, ";" if layout.is_comma else ",")
    return Book(path, truth, layout.answers | CELLS)


@pytest.mark.parametrize("seed", range(5))
def test_rows_below_a_title_are_of_its_vehicle(seed, tmp_path):
    _, proposal = holds(titled(seed, tmp_path))
    told = tomllib.loads(proposal.toml)
    assert {one["vehicle"] for one in told["vehicle"]} == {"Tern", *OTHER}
    assert "?" not in told["table"][0]["sections"].values()


class TestTitles:
    HEAD = ("Date", "Odometer (mi)", "Job", "Cost")

    def rows(self, *titles, jobs=JOBS):
        cut = len(jobs) // len(titles)
        rows = [self.HEAD]
        for n, title in enumerate(titles):
            own = jobs[n * cut : (n + 1) * cut]
            rows += [(title,), *((d, o, j, p + w) for d, o, j, p, w in own)]
        return rows

    def told(self, tmp_path, rows, **given):
        path = text(tmp_path / "s.csv", rows)
        found = propose(read_grids(path), "s", today=TODAY, given=given)
        return tomllib.loads(found.toml)["table"][0]

    def test_titles_of_one_vehicles_rows_are_asked(self, tmp_path):
        rows = self.rows("Before the trip", "Spain")
        assert self.told(tmp_path, rows)["sections"] == {"Before the trip": "?", "Spain": "?"}
        truth = [{"vehicle": "Tern", "date": d, "odometer": o} for d, o, *_ in JOBS]
        answers = {"Before the trip": "Tern", "Spain": "leave-out"}
        holds(Book(text(tmp_path / "s.csv", rows), {"work": truth}, answers))

    def test_where_the_vehicle_is_said_and_its_readings_grow_they_are_none(self, tmp_path):
        told = self.told(tmp_path, self.rows("Before the trip", "Spain"), vehicle="Tern")
        assert "sections" not in told
        assert told["constants"]["vehicle"] == "Tern"

    def test_periods_and_totals_are_no_titles(self, tmp_path):
        rows = [*self.rows("2026", "March"), ("Total",)]
        assert "sections" not in self.told(tmp_path, rows)

    def test_rows_above_the_first_title_are_asked(self, tmp_path):
        head, title, *rows = self.rows("Tern")
        told = self.told(tmp_path, [head, rows[0], title, *rows[1:]])
        assert told["sections"] == {"Tern": "?", "": "?"}

    def test_a_title_above_the_header_heads_what_follows_it(self, tmp_path):
        one, two = JOBS[:2], moved(JOBS[:2], -9000, "2026-01-01")
        rows = [("Tern",), *self.rows("", jobs=one), *self.rows("Skua", jobs=two)[1:]]
        rows.remove(("",))
        assert self.told(tmp_path, rows)["sections"].keys() == {"Tern", "Skua"}

    def test_a_vehicle_of_another_sheet_is_known(self, tmp_path):
        fuel = [["Date", "Vehicle", "Odometer (mi)", "Litres"]]
        fuel += [[d, v, o, x] for v in ("Tern", "Skua") for d, o, x, *_ in FILLS[:2]]
        work = [[*row] for row in self.rows("Tern", "Skua")]
        path = workbook(tmp_path / "b.xlsx", Fuel=(fuel, []), Service=(work, []))
        found = tomllib.loads(propose(read_grids(path), "b", today=TODAY).toml)["table"][1]
        assert found["sections"] == {"Tern": "Tern", "Skua": "Skua"}

    def test_a_title_that_the_map_does_not_know_takes_no_rows(self, tmp_path):
        rows = self.rows("Tern", "Skua")
        entry = self.told(tmp_path, rows)
        entry |= {"sections": {"Tern": "Tern"}, "constants": {"why": "planned"}}
        vehicle = {"vehicle": "Tern", "kind": "car", "in_service": "2020-01-01"}
        told = {"log": {"name": "a", "distance": "mi", "currency": "GBP"}, "table": [entry], "vehicle": [vehicle]}  # fmt: skip
        done = convert(read_grids(text(tmp_path / "s.csv", rows)), told)
        assert done.tables["work"]["vehicle"].fillna("").tolist() == ["Tern", "Tern", "", ""]
        assert NEW_TITLE in done.left_out["why"].tolist()
        assert not done.is_whole
