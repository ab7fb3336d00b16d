"""A sheet goes round: written, filled in, recorded into a new log; and what is refused, in one sentence."""

import csv
import datetime
import io
import re
import shutil
from types import SimpleNamespace

import pandas as pd
import pytest
import sqlalchemy as sql
from pages import Page

from wearbar import intervals
from wearbar.log import LogError, read_log
from wearbar.outlook.visit_sheet import visit_of
from wearbar.pack.cli import main
from wearbar.report.quantities import Show
from wearbar.report.report import NotDone
from wearbar.report.to_fill import COLUMNS, write_to_fill
from wearbar.report.words import sheet as wording
from wearbar_sheets.record import record

TODAY = datetime.date(2025, 7, 20)
HOSTILE = '=HYPERLINK("http://x.invalid","V")'
LOG_TOML = """
# ours, since 2025
name = "small"
distance = "km"
depth = "mm"
pressure = "psi"
plan = "plan.toml"
"""
PLAN = """
[bike]
applies_to = ["motorcycle"]
[[bike.task]]
code = "oil"
title = "Oil and filter"
also = ["oil change"]
action = "replace"
every = { distance = 5_000, months = 6 }
tolerance = 0.1
[[bike.task]]
code = "pads"
title = "Brake pads"
action = "inspect"
every = { distance = 3_000 }
positions = ["front", "rear"]
safety = true
"""
TABLES = {
    "vehicles": ["vehicle,kind,in_service,in_service_odometer,acquired,note"]
    + [f"{name},motorcycle,2025-01-01,0,2025-01-01," for name in ("V", "W")],
    "odometer": ["vehicle,date,odometer,who"]
    + [f"V,2025-{m:02d}-01,{1000 * m},Ann" for m in range(2, 8)]
    + [f"W,2025-{m:02d}-03,{900 * m},Bo" for m in range(2, 8)],
    "work": [
        "vehicle,date,odometer,task,why,note",
        'V,2025-01-20,700,oil,planned,"wet, ""cold"""',
        "W,2025-06-20,5650,wash,planned,-",
    ],
}


def write_log(folder, tables=TABLES):
    folder.mkdir()
    for name, lines in tables.items():
        (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "log.toml").write_text(LOG_TOML, encoding="utf-8")
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_log(tmp_path_factory.mktemp("log") / "log")


@pytest.fixture(scope="module")
def log(folder):
    return read_log(folder, today=TODAY)


@pytest.fixture(scope="module")
def visit(log):
    return visit_of(log, ["V"])


@pytest.fixture(scope="module")
def told(visit, log):
    """What V's sheet says."""
    return wording.words(visit, log, Show(log.units))


def write_sheets(visit, log, path):
    told = wording.words(visit, log, Show(log.units).with_distance(visit.distance_unit))
    write_to_fill([(visit.vehicle, told)], path)


@pytest.fixture(scope="module")
def blank(folder, visit, log):
    """The rows of V's sheet, as they are written."""
    path = folder.parent / "blank.csv"
    write_sheets(visit, log, path)
    return path.read_text(encoding="utf-8-sig")


OIL = {"done": "done", "parts_cost": "31.20", "done_by": "workshop", "note": "no leak"}
FIRST = {"date": "2025-07-12", "odometer": "7200"}
FILLED = {("odometer", "", ""): FIRST, ("work", "oil", ""): OIL}
FILLED |= {("measurements", "", "rear"): {"value": "29"}}


def fill(blank, path, cells=FILLED, more=()):
    """Fill in cells, by a row's table, task and position, of measurements the pressures, and add rows."""
    rows = list(csv.DictReader(io.StringIO(blank)))
    for row in rows:
        if row["table"] != "measurements" or row["quantity"] == "pressure":
            row.update(cells.get((row["table"], row["task"], row["position"]), {}))
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.DictWriter(file, COLUMNS)
        out.writeheader()
        out.writerows(rows + [dict.fromkeys(COLUMNS, "") | row for row in more])
    return path


def files(folder):
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir())}


def current(log, task="oil", vehicle="V"):
    found = intervals.occasions(log)
    is_it = found["vehicle"].eq(vehicle) & found["task"].eq(task) & found["is_current"]
    return found[is_it].iloc[0]


@pytest.fixture(scope="module")
def recorded(folder, blank, tmp_path_factory):
    """The log with the filled sheet: `new`, `log`, `sheet`, `set_aside`, `said`, and whether log and
    sheet are what they were."""
    root = tmp_path_factory.mktemp("recorded")
    sheet = fill(blank, root / "s.csv")
    was = files(folder), sheet.read_bytes()
    set_aside, said = record(folder, sheet, root / "new", TODAY)
    stays, made = (files(folder), sheet.read_bytes()) == was, read_log(root / "new", today=TODAY)
    return SimpleNamespace(
        new=root / "new", log=made, sheet=sheet, set_aside=set_aside, said=said, stays=stays
    )


class TestRound:
    def test_the_next_due_point_moves_as_the_due_rules_say(self, log, recorded):
        """R5 of due-rules.md: distance and date both restart at the work. 7,200 + 5,000; 12 Jul + 6 months."""
        was = current(log)
        assert (was["due_odometer_km"], was["due_date"]) == (5_700, pd.Timestamp("2025-07-20"))
        log, said = recorded.log, recorded.said
        now = current(log)
        assert (now["due_odometer_km"], now["due_date"]) == (12_200, pd.Timestamp("2026-01-12"))
        row = log.tables["work"].iloc[-1]
        assert (row["parts_cost"], row["done_by"], row["note"]) == (31.2, "workshop", "no leak")
        row = log.tables["measurements"].iloc[-1]
        assert (row["value"], row["position"], row["state"], row["odometer"]) == (
            29,
            "rear",
            "cold",
            7_200,
        )
        assert recorded.set_aside == 0
        assert said.startswith(
            f"{recorded.new} holds the log with 3 rows more: odometer 1, work 1 and measurements 1."
        )
        assert "Left blank: Brake pads (front) and Brake pads (rear) and " in said
        assert recorded.stays

    def test_what_the_sheet_says_is_due_again_is_what_the_log_says_after(
        self, folder, blank, told, tmp_path
    ):
        assert told["again"].endswith("if done on 3 Jul 2025 at 7,000 km")
        done = {("odometer", "", ""): {"date": "2025-07-03", "odometer": "7000"}}
        done |= {
            ("work", job["keys"]["task"], job["keys"]["position"]): {"done": "done"}
            for job in told["jobs"]
        }
        record(folder, fill(blank, tmp_path / "s.csv", done), tmp_path / "new", TODAY)
        found = intervals.occasions(read_log(tmp_path / "new", today=TODAY))
        found = found[found["is_current"] & found["vehicle"].eq("V")].set_index(
            ["task", "position"]
        )
        assert len(told["jobs"]) == len(found) == 3
        for job in told["jobs"]:
            row = found.loc[job["keys"]["task"], job["keys"]["position"]]
            day = f"{Show().date(row['due_date'])} or " if pd.notna(row["due_date"]) else ""
            assert job["again"] == f"{day}at {row['due_odometer_km']:,.0f} km"

    def test_the_rows_that_were_there_stay_as_they_were(self, folder, recorded):
        old, new = files(folder), files(recorded.new)
        assert new.keys() == old.keys() | {"measurements.csv"}
        assert new["plan.toml"] == old["plan.toml"]
        assert new["vehicles.csv"] == old["vehicles.csv"]
        assert new["odometer.csv"] == old["odometer.csv"] + b"V,2025-07-12,7200,\n"
        assert new["log.toml"].endswith(old["log.toml"])
        assert new["log.toml"].count(b"\n") == old["log.toml"].count(b"\n") + 1
        both = [list(csv.reader(io.StringIO(x["work.csv"].decode()))) for x in (old, new)]
        assert [row[: len(both[0][0])] for row in both[1][: len(both[0])]] == [
            [f"'{cell}" if cell == "-" else cell for cell in row] for row in both[0]
        ]

    def test_rows_that_cannot_be_used_stay_on_their_lines_and_unusable(self, blank, tmp_path):
        odd = [
            "",
            'V,2025-03-03,2100,oil,planned,"open',
            "V,2025-03-04,2110,oil,planned,x,beyond,2",
        ]
        odd += [
            "V,2025-03-05,2120,oil",
            "Z,2025-03-06,1,oil,planned,=1",
            "V,2025-03-07,21O0,wash,planned,",
        ]
        log = write_log(tmp_path / "log", TABLES | {"work": [*TABLES["work"], *odd]})
        record(log, fill(blank, tmp_path / "s.csv"), tmp_path / "new", TODAY)
        old, new = (read_log(path, today=TODAY) for path in (log, tmp_path / "new"))
        assert len(old.set_aside) == 4
        columns = ["table", "line", "column", "rule"]
        assert old.set_aside[columns].equals(new.set_aside[columns])
        assert new.tables["work"].index.tolist() == [*old.tables["work"].index, 10]

    def test_a_second_time_it_is_said_to_be_recorded_and_nothing_is_written(
        self, recorded, tmp_path
    ):
        with pytest.raises(NotDone, match="is recorded already: its 3 rows are in the log"):
            record(recorded.new, recorded.sheet, tmp_path / "again", TODAY)
        assert not (tmp_path / "again").exists()

    def test_of_a_sheet_that_is_filled_in_further_the_rest_is_added(
        self, recorded, blank, tmp_path
    ):
        more = FILLED | {("work", "pads", "front"): {"done": "Done", "result": "advisory"}}
        more |= {
            ("work", "pads", "rear"): {"done": "deferred", "until": "2025-08-01", "note": "no time"}
        }
        sheet = fill(blank, tmp_path / "s.csv", more)
        _, said = record(recorded.new, sheet, tmp_path / "two", TODAY)
        assert "2 rows more: work 1 and deferrals 1" in said
        assert "3 rows of the sheet are in the log already, and were not added again." in said
        log = read_log(tmp_path / "two", today=TODAY)
        assert log.ledger.set_index("table")["read"][
            ["odometer", "work", "measurements"]
        ].tolist() == [13, 4, 1]
        assert log.tables["deferrals"].iloc[0][["task", "until", "reason"]].tolist() == [
            "pads", pd.Timestamp("2025-08-01"), "no time"]  # fmt: skip
        assert (tmp_path / "two" / "log.toml").read_text().count("escaped") == 1

    def test_a_day_after_the_logs_own_last_is_kept_and_said_not_to_count(
        self, folder, blank, tmp_path
    ):
        closed = shutil.copytree(folder, tmp_path / "closed")
        (closed / "log.toml").write_text(f"as_of = 2025-07-05{LOG_TOML}", encoding="utf-8")
        _, said = record(closed, fill(blank, tmp_path / "s.csv"), tmp_path / "new", TODAY)
        assert "3 rows are later than 5 Jul 2025, the last day that log.toml counts." in said
        assert read_log(tmp_path / "new", today=TODAY).ledger["after"].sum() == 3

    def test_work_not_done_is_said_with_its_note_and_not_recorded(self, folder, blank, tmp_path):
        cells = FILLED | {("work", "pads", "rear"): {"done": "not done", "note": "no *pads*"}}
        _, said = record(folder, fill(blank, tmp_path / "s.csv", cells), tmp_path / "new", TODAY)
        assert "Not done: Brake pads (rear) (no *pads*)." in said
        assert "pads" not in set(read_log(tmp_path / "new", today=TODAY).tables["work"]["task"])

    def test_a_doubt_is_said_and_the_row_is_kept(self, folder, blank, tmp_path):
        cells = FILLED | {("measurements", "", "rear"): {"value": "290"}}
        _, said = record(folder, fill(blank, tmp_path / "s.csv", cells), tmp_path / "new", TODAY)
        assert "Recorded, but with a doubt. Line " in said
        assert "value: 290; " in said


def as_parquet(folder, out):
    out.mkdir()
    for name in ("log.toml", "plan.toml"):
        shutil.copyfile(folder / name, out / name)
    for file in folder.glob("*.csv"):
        pd.read_csv(file, dtype=str).to_parquet(out / f"{file.stem}.parquet")
    return out


def frames_of(folder):
    return {p.stem: pd.read_csv(p, dtype=str) for p in folder.glob("*.csv")}


def as_workbook(folder, out):
    out.mkdir()
    for name in ("log.toml", "plan.toml"):
        shutil.copyfile(folder / name, out / name)
    with pd.ExcelWriter(out / "log.xlsx") as book:
        for name, frame in frames_of(folder).items():
            frame.to_excel(book, sheet_name=name, index=False)
    return out / "log.xlsx"


def as_database(folder, out):
    out.mkdir()
    for name in ("log.toml", "plan.toml"):
        shutil.copyfile(folder / name, out / name)
    engine = sql.create_engine(f"sqlite:///{out / 'log.db'}")
    for name, frame in frames_of(folder).items():
        frame.to_sql(name, engine, index=False)
    engine.dispose()
    return f"sqlite:///{out / 'log.db'}"


@pytest.mark.parametrize("make", [as_parquet, as_workbook, as_database])
def test_from_any_source_the_new_log_says_the_same(make, folder, recorded, tmp_path):
    record(make(folder, tmp_path / "other"), recorded.sheet, tmp_path / "of-other", TODAY)
    other = read_log(tmp_path / "of-other", today=TODAY)
    assert recorded.log.sha256 == other.sha256
    assert current(other)["due_odometer_km"] == 12_200


def test_hostile_text_comes_through_as_it_was_and_never_as_a_formula(tmp_path):
    name = '@V, "x"\r\n<b>'
    tables = {
        key: [line.replace("V,", "@V,", 1) for line in lines] for key, lines in TABLES.items()
    }
    frames = {
        key: pd.read_csv(io.StringIO("\n".join(lines)), dtype=str) for key, lines in tables.items()
    }
    folder = write_log(tmp_path / "log", {})
    for key, frame in frames.items():
        frame["vehicle"] = frame["vehicle"].replace("@V", name)
        frame.to_csv(folder / f"{key}.csv", index=False)
    log = read_log(folder, today=TODAY)
    write_sheets(visit_of(log, [name]), log, tmp_path / "blank.csv")
    blank = (tmp_path / "blank.csv").read_bytes().decode("utf-8-sig")
    assert not [
        row for row in csv.DictReader(io.StringIO(blank, newline="")) if row["vehicle"][0] != "'"
    ]
    notes = {
        ("work", "oil", ""): OIL | {"note": HOSTILE},
        ("odometer", "", ""): FIRST | {"note": "+1 <i>"},
    }
    record(folder, fill(blank, tmp_path / "s.csv", FILLED | notes), tmp_path / "new", TODAY)
    for file in (tmp_path / "new").glob("*.csv"):
        with file.open(encoding="utf-8", newline="") as lines:
            cells = [cell for row in csv.reader(lines) for cell in row]
        assert not [cell for cell in cells if cell[:1] in "=+@" and cell]
    made = read_log(tmp_path / "new", today=TODAY)
    assert made.tables["work"].iloc[-1][["vehicle", "note"]].tolist() == [name, HOSTILE]
    assert made.tables["odometer"].iloc[-1]["note"] == "+1 <i>"
    assert current(made, vehicle=name)["due_odometer_km"] == 12_200


def changed(row, **cells):
    return {**FILLED, row: FILLED.get(row, {}) | cells}


FIRST_ROW, OIL_ROW, REAR = ("odometer", "", ""), ("work", "oil", ""), ("measurements", "", "rear")


@pytest.mark.parametrize(
    "cells, words",
    [
        (changed(FIRST_ROW, date=""), "Line 2, date: blank; fill it in."),
        (changed(FIRST_ROW, date="12/07/2025"), "date: 12/07/2025; write it as YYYY-MM-DD: 2025-07-12 or 2025-12-07?"),
        (changed(FIRST_ROW, date="2025-07-21"), "date: 2025-07-21; mend the date, if it is past."),
        (changed(FIRST_ROW, date="2024-07-12"), "date: 2024-07-12; in service since 2025-01-01: 2025-07-12?"),
        (changed(FIRST_ROW, odometer="seven"), "odometer: seven; write digits and a decimal point alone."),
        (changed(FIRST_ROW, odometer="7,200"), "odometer: 7,200; write digits and a decimal point alone: 7200"),
        (changed(FIRST_ROW, odometer="6100"), "Line 2, odometer: 6100; 6100 after 7000: in the other unit? 9817."),
        (changed(FIRST_ROW, odometer="72000"), "odometer: 72000; 72000 after 7000: an extra digit? 7200"),
        (changed(FIRST_ROW, date="2025-05-20"), "Line 2, odometer: 7200; 7200 between 5000 and 6000: one digit wrong? 5200."),
        (changed(OIL_ROW, done="yes"), "done: yes; write done, not done or deferred."),
        (changed(OIL_ROW, done=""), "parts_cost: 31.20; write done, not done or deferred in column done of this row"),
        (changed(OIL_ROW, done="deferred", parts_cost="", done_by="", note=""), "note: blank; fill it in."),
        (changed(OIL_ROW, result="passed"), "result: passed; use one of: pass, advisory, fail, not-checked; pass?"),
        (changed(OIL_ROW, parts_cost="31,20"), "parts_cost: 31,20; write digits and a decimal point alone: 31.20?"),
        (changed(OIL_ROW, task="oil change"), "task: oil change; neither the vehicle's plan nor the log has this task; mend it: oil?"),
        (changed(OIL_ROW, task="varnish"), "mend it, or type this work into the log itself."),
        (changed(OIL_ROW, vehicle="v", date="2025-07-12"), "vehicle: v; mend the name: V?"),
        (changed(OIL_ROW, vehicle="Kestrel", date="2025-07-12"), "vehicle: Kestrel; add it to vehicles, or mend the name."),
        (changed(OIL_ROW, value="20"), "value: 20; the log has no place for it in such a row; take it out."),
        (changed(OIL_ROW, table="wrok"), "table: wrok; write odometer, work or measurements."),
        (changed(REAR, value="", note="low"), "note: low; fill in the reading of this row too, or take this out."),
        (changed(REAR, value="2O"), "value: 2O; write digits and a decimal point alone: 20?"),
        ({}, "has nothing to record."),
    ],
)  # fmt: skip
def test_what_cannot_be_recorded_is_one_sentence_with_its_place(
    cells, words, folder, blank, tmp_path, capsys
):
    sheet, before = fill(blank, tmp_path / "s.csv", cells), files(folder)
    with pytest.raises((NotDone, LogError), match=re.escape(words)) as refused:
        record(folder, sheet, tmp_path / "new", TODAY)
    said = str(refused.value)
    assert said.startswith("s.csv ")
    assert "othing was written" in said
    assert [p.name for p in tmp_path.iterdir()] == ["s.csv"]
    assert files(folder) == before


def test_a_fault_that_rows_have_in_common_is_said_once(folder, blank, tmp_path):
    cells = {key: {"done": "done"} for key in [("work", "pads", "front"), ("work", "pads", "rear")]}
    with pytest.raises(NotDone) as refused:
        record(
            folder,
            fill(blank, tmp_path / "s.csv", FILLED | cells | {FIRST_ROW: {}}),
            tmp_path / "new",
            TODAY,
        )
    assert str(refused.value).count("date: blank") == 1


def test_a_row_of_the_log_that_the_sheet_contradicts_is_named(folder, blank, tmp_path):
    cells = changed(FIRST_ROW, odometer="6100")
    later = {"table": "odometer", "vehicle": "V", "date": "2025-07-13", "odometer": "6150"}
    words = "Line 7 of table odometer of the log, odometer: 7000; the sheet contradicts it"
    with pytest.raises(NotDone, match=words):
        record(folder, fill(blank, tmp_path / "s.csv", cells, [later]), tmp_path / "new", TODAY)


@pytest.mark.parametrize(
    "spoil, words",
    [
        (lambda text: text.replace(",", ";"), "it lacks table, vehicle,"),
        (lambda text: text.replace(",done,", ",finished,"), "it lacks done. Give the CSV that wearbar sheet wrote"),
        (lambda text: text.replace(",planned,", ",planned,,,,,,,,x,"), "put text that holds a comma in double quotes"),
        (lambda text: "", "is empty"),
    ],
)  # fmt: skip
def test_what_is_no_sheet_is_said(spoil, words, folder, blank, tmp_path):
    sheet = fill(blank, tmp_path / "s.csv")
    sheet.write_text(spoil(sheet.read_text(encoding="utf-8")), encoding="utf-8")
    with pytest.raises(ValueError, match=words.replace("(", r"\(")):
        record(folder, sheet, tmp_path / "new", TODAY)


class TestCommand:
    def test_sheet_and_record_go_round_and_give_their_exit_codes(self, folder, tmp_path, capsys):
        page = tmp_path / "visit.html"
        assert main(["sheet", str(folder), "--vehicle", "V", "--out", str(page)]) == 0
        assert str(tmp_path / "visit.csv") in capsys.readouterr().out
        blank = (tmp_path / "visit.csv").read_text(encoding="utf-8-sig")
        assert (
            main(["sheet", str(folder), "--vehicle", "V", "--out", str(page)]) == 0
        )  # not yet filled in
        sheet, new = fill(blank, tmp_path / "visit.csv"), tmp_path / "new"
        filled = sheet.read_bytes()
        assert main(["sheet", str(folder), "--vehicle", "V", "--out", str(page)]) == 2
        assert "something is filled in" in capsys.readouterr().err
        assert sheet.read_bytes() == filled
        assert main(["record", str(folder), str(sheet), "--out", str(new)]) == 0
        assert "3 rows more" in capsys.readouterr().out
        for log, out, words in (
            (folder, new, "is not empty"),
            (new, tmp_path / "x", "recorded already"),
        ):
            assert main(["record", str(log), str(sheet), "--out", str(out)]) == 2
            said = capsys.readouterr().err
            assert words in said
            assert said.count("\n") == 1
        assert (
            main(["record", str(folder), str(tmp_path / "none.csv"), "--out", str(tmp_path / "x")])
            == 2
        )
        assert "no such file" in capsys.readouterr().err

    def test_rows_set_aside_give_exit_code_1(self, folder, blank, tmp_path, capsys):
        tables = TABLES | {"odometer": [*TABLES["odometer"], "X,2025-03-03,5,"]}
        log = write_log(tmp_path / "log", tables)
        assert (
            main(
                [
                    "record",
                    str(log),
                    str(fill(blank, tmp_path / "s.csv")),
                    "--out",
                    str(tmp_path / "new"),
                ]
            )
            == 1
        )


def test_the_rows_ask_for_every_job_and_reading_of_the_sheet(told, blank):
    rows = list(csv.DictReader(io.StringIO(blank)))
    by = {t: [r for r in rows if r["table"] == t] for t in ("odometer", "work", "measurements")}
    assert sum(map(len, by.values())) == len(rows)
    assert [r["asked"] for r in by["odometer"]] == [
        "the day of the visit, and the odometer (km); a blank below stands for these"]  # fmt: skip
    assert [(r["task"], r["position"], r["why"]) for r in by["work"]] == [
        (job["keys"]["task"], job["keys"]["position"], "planned") for job in told["jobs"]]  # fmt: skip
    asked = {r["asked"] for r in by["measurements"]}
    assert {
        "front tyre: tread depth, left (mm)",
        "rear tyre: pressure, cold (psi)",
        "engine oil: level before topping up, added (mL)",
    } <= asked
    assert len(by["measurements"]) == sum(len(read["places"]) for read in told["reads"])
    assert Page(f"<body>{blank}</body>").text  # plain text alone
