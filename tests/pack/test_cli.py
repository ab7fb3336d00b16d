"""The command line: what each command does, its exit codes, and that what goes wrong is one sentence."""

import os
import re
import shutil
import subprocess
import sys
import tomllib
from types import SimpleNamespace

import pytest
from conftest import use_test_notebooks, write_rows

import wearbar_lab.commands  # noqa: F401  # which makes its commands known
from wearbar import __version__
from wearbar.log.plan import plan_of
from wearbar.log.schema import TABLES
from wearbar.pack.cli import main
from wearbar_lab.start import start_log


def run(*arguments):
    try:
        return main([str(a) for a in arguments])
    except SystemExit as left:
        return left.code


def test_the_version():
    done = subprocess.run(
        [sys.executable, "-m", "wearbar.pack.cli", "--version"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == f"wearbar {__version__}\n"


def test_the_guides_examples_are_a_log_that_is_used_whole(example_log, capsys):
    assert run("check", example_log) == 0
    printed = capsys.readouterr().out
    rows = {line.split()[0]: line.split()[1:] for line in printed.splitlines()[3 : 3 + len(TABLES)]}
    assert rows == {name: ["1", "1", "0", "0"] for name in TABLES}
    assert "no rows set aside" in printed


def test_the_guide_shows_each_column_once(example_log):
    chapters = (example_log / "GUIDE.md").read_text(encoding="utf-8").split("\n## ")[2:]
    for (name, columns), chapter in zip(TABLES.items(), chapters, strict=True):
        assert chapter.startswith(f"{name}.csv\n")
        assert [line.split("`")[1] for line in chapter.splitlines() if line.startswith("| `")] == [
            c.name for c in columns
        ]


def test_the_commented_plan_is_a_plan_once_uncommented(tmp_path):
    text = (start_log(tmp_path / "log") / "plan.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text) == {}
    plan = plan_of(
        tomllib.loads("\n".join(line.removeprefix("# ") for line in text.splitlines())), "mi"
    )
    assert list(plan.tasks["code"]) == ["engine-oil-and-filter", "tyres-inspect"]


def test_the_commented_header_is_a_header_once_uncommented(tmp_path, capsys):
    folder = start_log(tmp_path / "log")
    (folder / "plan.toml").write_text(
        '[a]\napplies_to = ["van"]\n[[a.task]]\ncode = "a"\naction = "test"\nevery = { months = 1 }\n',
        encoding="utf-8",
    )
    lines = (folder / "log.toml").read_text(encoding="utf-8").splitlines()
    text = "\n".join(
        line.removeprefix("# ") if " = " in line or line.startswith("# [") else line
        for line in lines
    )
    assert set(tomllib.loads(text)) == {
        "pack",
        "capacity",
        "name",
        "currency",
        "money",
        "distance",
        "volume",
        "depth",
        "pressure",
        "jurisdiction",
        "as_of",
        "first_day",
        "plan",
        "none",
        "mileage_rates",
        "least_keep",
    }
    (folder / "log.toml").write_text(text, encoding="utf-8")
    write_rows(folder, {"vehicles": [{"vehicle": "A", "kind": "van", "in_service": "2024-01-01"}]})
    write_rows(folder, {"odometer": [{"vehicle": "A", "date": "2024-01-01", "odometer": "0"}]})
    assert run("check", folder) == 0
    assert "0 set aside" not in capsys.readouterr().err


@pytest.mark.parametrize(
    "n, said",
    [(1, "1 of the log's rows was set aside"), (2, "2 of the log's rows were set aside"), (0, "")],
)
def test_rows_set_aside_are_told_by_a_pack(n, said, capsys, monkeypatch):
    monkeypatch.setattr(
        "wearbar.pack.make.make_pack",
        lambda *_, **__: SimpleNamespace(set_aside=n, first_page="file:///x"),
    )
    assert run("pack") == (1 if n else 0)
    err = capsys.readouterr().err
    assert (said in err) if n else not err


def test_a_row_set_aside_is_named_and_changes_the_exit_code(tmp_path, capsys):
    folder = write_rows(
        start_log(tmp_path / "log"),
        {"vehicles": [{"vehicle": "A", "kind": "van", "in_service": "2024-01-01"}]},
    )
    write_rows(
        folder,
        {
            "odometer": [
                {"vehicle": "A", "date": "2024-01-01", "odometer": "0"},
                {"vehicle": "A", "date": "soon", "odometer": "9"},
            ]
        },
    )
    assert run("check", folder) == 1
    printed = capsys.readouterr().out
    assert "1 row set aside" in printed
    assert "odometer line 3, date: soon" in printed


def test_pack_prints_its_first_page_last(example_log, tmp_path, monkeypatch, capsys):
    use_test_notebooks(monkeypatch)
    monkeypatch.chdir(tmp_path)
    assert run("pack", example_log, "--only", "sample", "--units", "km") == 0
    printed = capsys.readouterr()
    page = tmp_path / "wearbar-pack" / "2025-05-11" / "index.html"
    assert printed.out == page.as_uri() + "\n"
    assert "1 of 1  sample: done in" in printed.err


@pytest.mark.parametrize(
    "arguments, words",
    [
        ([], "COMMAND"),
        (["pac"], "pac"),
        (["pack", "--unitz", "km"], "--unitz"),
        (["pack", "--units", "furlong"], "furlong"),
        (["pack", "--confidence", "much"], "much"),
        (["pack", "LOG", "--confidence", "90"], "give a share"),
        (["pack", "nowhere"], "There is no nowhere"),
        (["pack", "LOG", "--as-of", "yesterday"], "YYYY-MM-DD"),
        (["pack", "LOG", "--as-of", "1999-01-01"], "nothing in the log is as old"),
        (["pack", "LOG", "--site", "moon"], "no site moon; it knows home"),
        (["pack", "LOG", "--vehicle", "Teal"], "no vehicle Teal; it knows Curlew"),
        (["pack", "LOG", "--only", "weather"], "no notebook weather"),
        (["pack", "LOG", "--out", "a-file"], "no pack of reports"),
        (["pack", "LOG", "--out", "a-file/pack"], "a-file"),
        (["check", "a-file"], "a-file is not a log"),
        (["check", "sqlite:///nowhere.db"], "nowhere.db"),
        (["check", "LOG", "--out", "a-loop"], "a-loop"),
        (["sheet", "LOG", "--out", "a-file"], "was not written by this command"),
        (["calendar", "LOG", "--out", "a-file"], "was not written by this command"),
        (["adopt", "a-file", "--map", "a-map"], "a-map is not a map (TOML)"),
        (["start", "a-file"], "is not empty"),
        (["start", "a-file/log"], "a-file"),
        (["start", "new", "--country", "Wales"], "'Wales' is not two letters"),
        (["start", "new", "--currency", "pound"], "three capital letters"),
    ],
)
def test_what_goes_wrong_is_one_sentence(
    example_log, tmp_path, monkeypatch, capsys, arguments, words
):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a-file").write_text("a", encoding="utf-8")
    (tmp_path / "a-loop").symlink_to("a-loop")
    (tmp_path / "a-map").write_text(f"x = {'9' * 5000}", encoding="utf-8")
    assert run(*[example_log if a == "LOG" else a for a in arguments]) == 2
    printed = capsys.readouterr()
    said = printed.err.removeprefix("Reading the log\n")
    assert words in said
    assert said.startswith("wearbar: ")
    assert said.count("\n") == 1
    assert "Traceback" not in said
    assert "fault of this program" not in said
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a-file", "a-loop", "a-map"]
    assert (tmp_path / "a-file").read_text(encoding="utf-8") == "a"


def test_a_calendar_is_written_over_by_a_calendar(example_log, tmp_path, capsys):
    for _ in range(2):
        assert run("calendar", example_log, "--out", tmp_path / "a.ics") == 0


def test_what_the_terminal_has_no_letters_for_is_printed_by_its_code(example_log, tmp_path):
    log = shutil.copytree(example_log, tmp_path / "log")
    text = (log / "log.toml").read_text(encoding="utf-8")
    (log / "log.toml").write_text(
        re.sub(r"(?m)^#? ?name = .*", 'name = "Möwe"', text), encoding="utf-8"
    )
    command = [sys.executable, "-m", "wearbar.pack.cli", "check", str(log)]
    done = subprocess.run(
        command, capture_output=True, text=True, env={**os.environ, "PYTHONIOENCODING": "ascii"}
    )
    assert done.stdout.startswith("M\\xf6we: ")
    assert done.returncode == 0


def test_too_little_memory_is_no_fault_of_the_program(monkeypatch, capsys, example_log):
    def too_much(path):
        raise MemoryError

    monkeypatch.setattr("wearbar.log.read_log", too_much)
    assert run("check", example_log) == 2
    assert "memory is too small" in capsys.readouterr().err


def test_a_fault_of_the_program_is_said_without_a_traceback(monkeypatch, capsys, example_log):
    monkeypatch.setattr("wearbar.log.read_log", lambda path: 1 / 0)
    assert run("check", example_log) == 2
    assert capsys.readouterr().err.startswith(
        "wearbar: a fault of this program, not of your log: ZeroDivisionError: division by zero"
    )
    monkeypatch.setenv("WEARBAR_TRACE", "1")
    with pytest.raises(ZeroDivisionError):
        main(["check", str(example_log)])


def test_stopping_by_hand_is_said(monkeypatch, capsys, example_log):
    def stop(path):
        raise KeyboardInterrupt

    monkeypatch.setattr("wearbar.log.read_log", stop)
    assert run("check", example_log) == 2
    assert capsys.readouterr().err.startswith("wearbar: stopped")
