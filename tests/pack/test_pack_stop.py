"""A run that is ended from outside: nothing of it lives on, its reports serve the next, and no password stands in a file."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from types import SimpleNamespace

import psutil
import pyarrow.csv
import pytest
from conftest import use_test_notebooks

from wearbar.pack import cli
from wearbar.pack import make as pack

SECRET = "hush-7Kq"
COMMAND = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv.pop(1))
import conftest
from wearbar.log import places
from wearbar.pack import cli
real = places.place
places.place = lambda *parts: conftest.NOTEBOOKS if parts == ("notebooks",) else real(*parts)
sys.exit(cli.main(sys.argv[1:]))
"""


@pytest.fixture(scope="module")
def database(example_log, tmp_path_factory):
    """The example log as a database; gives its address, which has a password."""
    path = tmp_path_factory.mktemp("database") / "log.db"
    with sqlite3.connect(path) as link:
        for file in example_log.glob("*.csv"):
            rows = pyarrow.csv.read_csv(
                file, convert_options=pyarrow.csv.ConvertOptions(strings_can_be_null=True)
            ).to_pandas()
            rows.astype(str).where(rows.notna(), None).to_sql(file.stem, link, index=False)
    link.close()
    (path.parent / "log.toml").write_bytes((example_log / "log.toml").read_bytes())
    return f"sqlite:///{path}?password={SECRET}"


def start(root, log, *only):
    """Begin a pack in `root`; gives the run and the processes that it started, once the notebook `waits` waits and any other is done."""
    home, waiting = root / "home", root / "waiting"
    home.mkdir()
    environment = os.environ | {
        "HOME": str(home),
        "IPYTHONDIR": str(home),
        "TEST_LOG": log,
        "TEST_IS_WAITING": str(waiting),
    }
    command = [
        sys.executable,
        "-c",
        COMMAND,
        os.path.dirname(os.path.dirname(__file__)),
        "pack",
        "env:TEST_LOG",
        "--out",
        str(root / "pack"),
        "--only",
    ]
    run = subprocess.Popen(
        [*command, *only],
        env=environment,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    lines = [next(run.stderr) for _ in range(2)]  # reading, running
    while sum(": done" in line for line in lines) < len(only) - 1:  # each but the last
        lines.append(next(run.stderr))
    end = time.monotonic() + 120
    while not waiting.exists() and time.monotonic() < end:
        time.sleep(0.1)
    assert waiting.exists(), lines
    return run, psutil.Process(run.pid).children(recursive=True)


def alive_of(processes):
    """Those that still run after a while, which are then ended."""
    alive = psutil.wait_procs(processes, timeout=10)[1]
    for process in alive:
        process.kill()
    return alive


def with_secret(*folders):
    return [
        path
        for folder in folders
        for path in folder.rglob("*")
        if path.is_file() and SECRET.encode() in path.read_bytes()
    ]


@pytest.fixture(scope="module")
def killed(database, tmp_path_factory):
    """A run on a database of two reports, one of them done, before and after kill -9."""
    root = tmp_path_factory.mktemp("killed")
    run, processes = start(root, database, "sample", "waits")
    before = with_secret(root)
    run.kill()
    run.wait()
    run.stderr.close()
    return SimpleNamespace(root=root, before=before, processes=processes, alive=alive_of(processes))


class TestKilled:
    def test_no_worker_or_kernel_lives_on(self, killed):
        assert len(killed.processes) >= 3
        assert killed.alive == []

    def test_no_file_ever_held_the_password(self, killed):
        assert killed.before == []
        assert with_secret(killed.root) == []
        parameter = (
            killed.root / "pack.wearbar" / "run" / "notebooks" / "waits.stopped.ipynb"
        ).read_text(encoding="utf-8")
        assert "env:WEARBAR_LOG" in parameter

    def test_the_next_run_keeps_what_was_done(self, killed, example_log, monkeypatch):
        use_test_notebooks(monkeypatch)
        told = []
        pack.make_pack(killed.root / "pack", log=example_log, only=["sample"], tell=told.append)
        assert told[-1] == "  1 of 1  sample: kept from the run before"
        assert sorted(path.name for path in killed.root.iterdir()) == ["home", "pack", "waiting"]
        assert with_secret(killed.root) == []


@pytest.mark.skipif(os.name == "nt", reason="no SIGTERM")
def test_sigterm_ends_it_like_ctrl_c(example_log, tmp_path):
    run, processes = start(tmp_path, str(example_log), "waits")
    run.send_signal(signal.SIGTERM)
    said = run.communicate(timeout=60)[1]
    assert (
        said
        == "wearbar: stopped; finished reports are kept, and the same command goes on from there\n"
    )
    assert run.returncode == 2
    assert len(processes) >= 3
    assert alive_of(processes) == []
    assert not (tmp_path / "pack").exists()


def test_a_database_that_cannot_be_read_tells_no_password(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)  # an --out that is an address makes folders of that name
    address = f"sqlite:///{tmp_path}/nowhere.db?password={SECRET}"
    monkeypatch.setenv("TEST_LOG", address)
    for arguments in (
        [address],
        [address, "--vehicel", "A"],
        ["env:TEST_LOG"],
        [address, address],
        ["--out", address, address],
    ):
        try:
            code = cli.main(["pack", *arguments])
        except SystemExit as left:
            code = left.code
        said = capsys.readouterr()
        assert code == 2
        assert SECRET not in said.out + said.err
        assert "fault of this program" not in said.err
