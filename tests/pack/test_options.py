"""For cron: exit codes, quiet and plain runs, options out of log.toml, sites by any capitals, a report date past the log's end."""

import json
import shutil
from types import SimpleNamespace

import pytest
from conftest import use_test_notebooks, write_rows
from pages import Page

from wearbar.pack import cli
from wearbar_lab.start import start_log

VANS = [
    {"vehicle": v, "kind": "van", "in_service": "2024-01-01", "site": site}
    for v, site in (("A", "Ferry Quay"), ("B", "ferry quay"), ("C", "North"))
]


def run(*arguments):
    try:
        return cli.main([str(a) for a in arguments])
    except SystemExit as left:
        return left.code


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    """A log of three vans; the sites of two differ by their capitals alone."""
    folder = start_log(tmp_path_factory.mktemp("options") / "log")
    readings = [{"vehicle": v, "date": "2024-03-31", "odometer": "900"} for v in "ABC"]
    return write_rows(folder, {"vehicles": VANS, "odometer": readings})


@pytest.fixture
def sectioned(log, tmp_path):
    """A copy of the log, to whose log.toml a section is added."""

    def add(text):
        folder = shutil.copytree(log, tmp_path / "log", dirs_exist_ok=True)
        toml = (log / "log.toml").read_text(encoding="utf-8")
        (folder / "log.toml").write_text(f"{toml}[pack]\n{text}\n", encoding="utf-8")
        return folder, toml.count("\n") + 1

    return add


@pytest.fixture
def asked(monkeypatch):
    """What a pack is asked for, in place of one being made; it says that 2 rows are set aside."""
    found = {}

    def make_pack(**options):
        found.update(options)
        options["tell"]("Reading the log of the Möwe")
        return SimpleNamespace(set_aside=2, first_page="file:///x")

    monkeypatch.setattr("wearbar.pack.make.make_pack", make_pack)
    return found


@pytest.mark.parametrize("command", [[], ["pack"], ["adopt"], ["check"]])
def test_help_says_what_an_exit_code_means(command, capsys):
    assert run(*command, "--help") == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "exit codes: 0 done; 1 done, with rows set aside" in said


class TestACommandLineOfCron:
    def test_rows_set_aside_fail_no_run_that_asks_for_that(self, log, asked):
        assert run("pack", log) == 1
        assert run("pack", log, "--exit-zero") == 0
        assert run("pack", "env:NO_LOG_HERE", "--exit-zero") == 2

    def test_quiet_prints_the_address_alone(self, log, asked, capsys):
        run("pack", log, "--quiet")
        assert capsys.readouterr() == ("file:///x\n", "")
        assert run("pack", "env:NO_LOG_HERE", "--quiet") == 2
        assert capsys.readouterr().err.startswith("wearbar: The log is env:NO_LOG_HERE")

    def test_plain_prints_ascii(self, log, asked, capsys):
        run("pack", log, "--plain")
        said = capsys.readouterr().err
        assert "the M\\xf6we" in said
        assert said.isascii()


class TestASectionPack:
    def test_gives_options_and_the_command_line_wins(self, sectioned, asked, tmp_path):
        text = 'out = "../month"\nsince = "/packs/last"\nas-of = 2024-03-01\nonly = ["log_check"]\nworkers = 3\nexit_zero = true'
        folder, _ = sectioned(text)
        assert run("pack", folder, "--workers", "1") == 0
        assert asked["out"] == str(folder / ".." / "month")
        assert asked["since"] == "/packs/last"
        assert (asked["as_of"], asked["only"], asked["workers"]) == ("2024-03-01", ["log_check"], 1)
        assert run("pack", folder, "--out", "here", "--only", "outlook", "severe_use") == 0
        assert (asked["out"], asked["only"]) == ("here", ["outlook", "severe_use"])

    def test_is_read_beside_a_database_too(self, sectioned, monkeypatch, asked):
        folder, _ = sectioned('units = "km"')
        (folder / "log.db").write_bytes(b"")
        run("pack", f"sqlite:///{folder / 'log.db'}")
        assert asked["units"] == "km"

    @pytest.mark.parametrize(
        "text, words",
        [
            ("site = 'North'\ncolour = 1", "line 2: colour is no option of [pack]; there may stand as-of, "),
            ('units = "furlong"', "line 1: units in [pack] is furlong; write mi or km"),
            ("site = ''\nquiet = 'yes'", "line 2: quiet in [pack] is yes; write true or false"),
            ("workers = true", "line 1: workers in [pack] is True; write a whole number"),
            ("confidence = '0.9'", "line 1: confidence in [pack] is 0.9; write a number"),
            ("vehicle = 'A'", "line 1: vehicle in [pack] is A; write a list of texts"),
            ("out = 3", "line 1: out in [pack] is 3; write text in quotes"),
        ],
    )  # fmt: skip
    def test_that_is_wrong_is_named_with_its_line(self, sectioned, capsys, text, words):
        folder, section = sectioned(text)
        number, rest = words.removeprefix("line ").split(":", 1)
        assert run("pack", folder) == 2
        said = capsys.readouterr().err
        assert said.startswith(f"wearbar: log.toml, line {section + int(number)}:{rest}")
        assert said.count("\n") == 1

    def test_changes_no_fingerprint(self, log, sectioned):
        from wearbar.log import read_log

        assert read_log(sectioned('units = "km"')[0]).sha256 == read_log(log).sha256


class TestASite:
    def test_may_be_written_with_any_capitals(self, log):
        from wearbar.report.report import check

        for site in ("north", " NORTH "):
            _, cut, asked = check(log, site=site)
            assert asked["site"] == "North"
            assert cut.tables["vehicles"]["vehicle"].tolist() == ["C"]
        assert check(log, site="ferry quay")[1].tables["vehicles"]["vehicle"].tolist() == ["B"]

    def test_that_may_be_two_is_asked_for(self, log, capsys):
        assert run("pack", log, "--site", "FERRY QUAY") == 2
        said = capsys.readouterr().err
        assert "FERRY QUAY may be Ferry Quay or ferry quay, which differ by capitals alone" in said


def test_a_date_past_the_end_is_said_on_every_page(log, monkeypatch, tmp_path):
    use_test_notebooks(monkeypatch)
    command = ["pack", log, "--only", "sample", "--out", tmp_path / "pack"]
    assert run(*command, "--as-of", "2024-12-31") == 0
    for page in ("index.html", "sample.html"):
        text = Page((tmp_path / "pack" / page).read_text(encoding="utf-8")).text
        assert "as of 31 Dec 2024; the log ends 31 Mar 2024" in text
    assert run(*command) == 0
    text = (tmp_path / "pack" / "index.html").read_text(encoding="utf-8")
    assert "the log ends" not in text
    assert "to 31 Mar 2024</title>" in text
    told = json.loads((tmp_path / "pack" / "findings.json").read_text(encoding="utf-8"))
    assert told["log"]["as_of"] == "2024-03-31"
