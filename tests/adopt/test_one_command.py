"""`wearbar adopt` as an owner runs it: a plain sheet in one command, next month's export, free text, a plan."""

import csv
import hashlib

import pandas as pd
import pytest
from files import text
from test_sheets import FILLS

from wearbar.log import read_log
from wearbar.pack.cli import main

ANSWERS = (
    "--vehicle",
    "Tern",
    "--distance",
    "mi",
    "--currency",
    "GBP",
    "--volume",
    "L",
    "--dates",
    "day-first",
)
HEAD = ("Date", "Odometer", "Litres", "Price per litre", "Cost")


@pytest.fixture(autouse=True)
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def run(*arguments):
    return main([str(argument) for argument in arguments])


def book(path, fills, head=HEAD):
    return text(
        path,
        [head, *((pd.Timestamp(d).strftime("%d/%m/%Y"), *numbers) for d, *numbers, _ in fills)],
    )


def sums(folder):
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}


class TestOneCommand:
    def test_a_plain_sheet_becomes_a_log(self, tmp_path, capsys):
        path = book(tmp_path / "fuel.csv", FILLS)
        assert (
            run(
                "adopt",
                path,
                "--yes",
                *ANSWERS,
                "--kind",
                "motorcycle",
                "--in-service",
                "2024-03-01",
            )
            == 0
        )
        log = read_log(tmp_path / "fuel-log")
        assert log.tables["fuel"]["odometer"].tolist() == [o for _, o, *_ in FILLS]
        assert log.tables["fuel"]["date"].dt.strftime("%Y-%m-%d").tolist() == [d for d, *_ in FILLS]
        assert log.tables["fuel"]["cost"].tolist() == [row[4] for row in FILLS]
        assert log.tables["vehicles"]["in_service"].tolist() == [pd.Timestamp("2024-03-01")]
        assert (tmp_path / "fuel.map.toml").exists()
        assert "Nothing is adopted yet" not in capsys.readouterr().out

    def test_what_is_not_known_of_the_vehicle_is_taken_and_said(self, tmp_path, capsys):
        assert run("adopt", book(tmp_path / "fuel.csv", FILLS), "--yes", *ANSWERS) == 0
        told = capsys.readouterr().out
        assert "2026-01-05, the first day in the file" in told
        assert "kind of vehicle is taken to be other" in told
        assert read_log(tmp_path / "fuel-log").money == ""  # the log's check says that it lacks

    def test_what_is_not_sure_is_still_asked(self, tmp_path, capsys):
        path = book(tmp_path / "fuel.csv", FILLS[:1])
        assert run("adopt", path, "--yes", *ANSWERS[:-2]) == 1
        assert "two orders fit them all" in capsys.readouterr().out
        assert not (tmp_path / "fuel-log").exists()

    def test_a_proof_is_not_overruled(self, tmp_path):
        path = book(tmp_path / "fuel.csv", FILLS)
        assert run("adopt", path, "--yes", *ANSWERS[:-1], "month-first") == 0
        days = read_log(tmp_path / "fuel-log").tables["fuel"]["date"]
        assert days.dt.strftime("%Y-%m-%d").tolist() == [d for d, *_ in FILLS]

    def test_answers_beside_a_map_are_refused(self, tmp_path, capsys):
        path = book(tmp_path / "fuel.csv", FILLS)
        run("adopt", path)
        assert run("adopt", path, "--vehicle", "Tern") == 2
        assert "--vehicle: the map fuel.map.toml is there already" in capsys.readouterr().err

    def test_what_cannot_be_told_has_all_columns_of_a_log_beside_it(self, tmp_path, capsys):
        text(tmp_path / "dues.csv", [("Who", "Paid"), ("Skerry", "£40"), ("Holm", "£12")])
        assert run("adopt", "dues.csv", "--yes") == 1
        assert "log-columns.md has all that a log may hold" in capsys.readouterr().out
        assert "- `volume`*: how much" in (tmp_path / "log-columns.md").read_text(encoding="utf-8")

    def test_jobs_near_a_plans_tasks_are_named(self, tmp_path, capsys):
        plan = '[bike]\napplies_to = ["motorcycle"]\n[[bike.task]]\ncode = "engine-oil"\ntitle = "Engine oil"\n'
        plan += 'also = ["lube change"]\nevery = { months = 12 }\naction = "replace"\n'
        (tmp_path / "p.toml").write_text(plan, encoding="utf-8")
        rows = [
            ("Date", "Mileage", "Job"),
            ("2026-03-04", 900, "Lube change"),
            ("2026-05-04", 1900, "Engin oil"),
        ]
        text(tmp_path / "jobs.csv", rows)
        answers = (*ANSWERS[:4], "--kind", "motorcycle", "--in-service", "2026-01-01")
        run("adopt", "jobs.csv", "--yes", *answers, "--plan", "p.toml")
        assert read_log(tmp_path / "jobs-log").tables["work"]["task"].tolist()[0] == "engine-oil"
        assert 'add also = ["engin-oil"] to task engine-oil' in capsys.readouterr().out


class TestNextMonth:
    def first(self, tmp_path):
        run("adopt", book(tmp_path / "fuel.csv", FILLS[:3]), "--yes", *ANSWERS)
        return tmp_path / "fuel-log"

    def test_rows_there_already_are_known_and_totals_agree(self, tmp_path, capsys):
        log = self.first(tmp_path)
        before = sums(log)
        capsys.readouterr()
        path = book(tmp_path / "november.csv", FILLS[1:])
        assert run("adopt", path, "--map", "fuel.map.toml", "--add-to", log, "--out", "both") == 0
        told = capsys.readouterr().out
        assert "2 rows of the file were there already" in told
        both = read_log(tmp_path / "both").tables["fuel"]
        assert both["odometer"].tolist() == [o for _, o, *_ in FILLS]
        lines = {
            tuple(line.split()[:2]): line.split()[2:]
            for line in told.splitlines()
            if line.startswith("fuel ")
        }
        assert ("fuel", "unit_price") not in lines  # a sum of prices says nothing
        costs = [row[4] for row in FILLS]
        assert lines["fuel", "rows"] == ["3", "2", "5"]
        assert lines["fuel", "cost"] == [
            f"{x:,}"
            for x in (round(sum(costs[:3]), 2), round(sum(costs[3:]), 2), round(sum(costs), 2))
        ]
        assert sums(log) == before

    def test_a_row_that_has_changed_is_said_and_not_added(self, tmp_path, capsys):
        log = self.first(tmp_path)
        changed = [(*FILLS[0][:4], 99.0, True), *FILLS[1:4]]
        path = book(tmp_path / "november.csv", changed)
        assert run("adopt", path, "--map", "fuel.map.toml", "--add-to", log, "--out", "both") == 1
        assert "fuel cost is 99.0, in the log 16.69" in capsys.readouterr().out
        assert read_log(tmp_path / "both").tables["fuel"]["cost"].tolist() == [
            row[4] for row in FILLS[:4]
        ]

    def test_two_fills_alike_on_one_day_stay_two(self, tmp_path):
        run("adopt", book(tmp_path / "fuel.csv", FILLS[:2]), "--yes", *ANSWERS)
        path = book(
            tmp_path / "november.csv", [*FILLS[:2], (*FILLS[1][:1], 12300, 5.0, 1.4, 7.0, True)]
        )
        run("adopt", path, "--map", "fuel.map.toml", "--add-to", "fuel-log", "--out", "both")
        assert read_log(tmp_path / "both").tables["fuel"]["odometer"].tolist() == [
            12040,
            12231,
            12300,
        ]

    def test_without_a_map_the_log_answers(self, tmp_path):
        log = self.first(tmp_path)
        path = book(tmp_path / "november.csv", FILLS)
        assert run("adopt", path, "--yes", "--add-to", log, "--out", "both") == 0
        assert len(read_log(tmp_path / "both").tables["fuel"]) == len(FILLS)

    def test_other_units_are_refused(self, tmp_path, capsys):
        log = self.first(tmp_path)
        path = book(tmp_path / "november.csv", FILLS)
        run(
            "adopt",
            path,
            "--yes",
            "--vehicle",
            "Tern",
            "--distance",
            "km",
            "--currency",
            "GBP",
            "--volume",
            "L",
        )
        assert run("adopt", path, "--add-to", log, "--out", "both") == 2
        assert "the map's distance is km, the log's mi" in capsys.readouterr().err
        assert run("adopt", path, "--add-to", log) == 2
        assert not (tmp_path / "both").exists()


NOTES = [  # the words, then what they say: day, reading, money, work, by whom
    ("3 Mar 2026 oil+filter 12,340mi £45 done by me", "3 Mar 2026", "12,340mi", "£45", "oil+filter", "me"),
    ("17/04/2026 - rear tyre, 13010 miles, £112.50", "17/04/2026", "13010 miles", "£112.50", "rear tyre", ""),
    ("2026-05-02 chain adjusted at 13,402 mi", "2026-05-02", "13,402 mi", "", "chain adjusted at", ""),
    ("new battery £64.99 12 June 2026 by garage", "12 June 2026", "", "£64.99", "new battery", "garage"),
    ("brake pads £30 parts £25 fitting 14,000mi 1 Jul 2026", "1 Jul 2026", "14,000mi", "?", "brake pads parts fitting", ""),
]  # fmt: skip


class TestFreeText:
    def test_it_is_split_into_proposals_to_confirm(self, tmp_path, capsys):
        (tmp_path / "notes.csv").write_text("\n".join(row[0] for row in NOTES), encoding="utf-8")
        assert run("adopt", "notes.csv", "--yes", *ANSWERS) == 1
        assert 'decide the 1 row with "?"' in capsys.readouterr().out
        assert not (tmp_path / "notes-log").exists()
        with (tmp_path / "notes.rows.csv").open(encoding="utf-8", newline="") as file:
            head, *rows = csv.reader(file)
        assert head == ["Date", "Odometer", "Cost", "Work", "Done by", "Note"]
        for row, (words, day, odometer, money, work, who) in zip(rows, NOTES, strict=True):
            assert row == [day, odometer, money, work, who, words]
        assert run("adopt", "notes.csv") == 2  # it may be mended already

    def test_a_column_of_words_beside_one_of_days(self, tmp_path):
        lines = [
            "Date,What I did",
            '3/4/2026,"oil+filter, 12,340mi £45"',
            "17/4/2026,chain lubed 12800 mi",
        ]
        (tmp_path / "notes.csv").write_text("\n".join(lines), encoding="utf-8")
        run("adopt", "notes.csv")
        rows = pd.read_csv(tmp_path / "notes.rows.csv", dtype=str).fillna("")
        assert rows["Date"].tolist() == ["3/4/2026", "17/4/2026"]
        assert rows["Odometer"].tolist() == ["12,340mi", "12800 mi"]
        assert rows["Cost"].tolist() == ["£45", ""]
        assert rows["Work"].tolist() == ["oil+filter", "chain lubed"]

    def test_what_is_confirmed_is_adopted(self, tmp_path):
        (tmp_path / "notes.csv").write_text(
            "\n".join(row[0] for row in NOTES[:4]), encoding="utf-8"
        )
        run("adopt", "notes.csv")
        assert run("adopt", "notes.rows.csv", "--yes", *ANSWERS) == 0
        work = read_log(tmp_path / "notes.rows-log").tables["work"]
        assert work["date"].dt.strftime("%Y-%m-%d").tolist() == [
            "2026-03-03",
            "2026-04-17",
            "2026-05-02",
            "2026-06-12",
        ]
        assert work["odometer"].fillna(0).tolist() == [12340, 13010, 13402, 0]
        assert work["other_cost"].fillna(0).tolist() == [45, 112.5, 0, 64.99]
        assert work["done_by"].fillna("").tolist() == ["owner", "", "", "workshop"]
        assert work["note"].tolist() == [row[0] for row in NOTES[:4]]
