"""A pack for each vehicle or site: what it is alone, all in place together, none in the way of another."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys

import psutil
import pytest
from conftest import write_rows
from pages import Page, faults
from test_pack import bytes_of

from wearbar.pack import cli
from wearbar.pack.each import make_packs
from wearbar.pack.folder import MARK
from wearbar.pack.make import make_pack
from wearbar.pack.shelf import folder_name
from wearbar.report.report import NotDone
from wearbar_lab.start import start_log

ODD = "b/<1 & ö"


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    """Three vehicles, one of an odd name, one without a site."""
    folder = start_log(tmp_path_factory.mktemp("log") / "log")
    vehicles = [
        {"vehicle": v, "kind": "van", "site": site, "in_service": "2024-01-01"}
        for v, site in (("A", "North"), (ODD, "North"), ("C", ""))
    ]
    readings = [
        {"vehicle": v, "date": date, "odometer": odometer}
        for v in ("A", ODD, "C")
        for date, odometer in (("2024-01-01", "0"), ("2024-06-01", "900"))
    ]
    return write_rows(folder, {"vehicles": vehicles, "odometer": readings})


def make(out, log, each="vehicle", **more):
    """Packs of one short report each; gives the lines of progress."""
    told = []
    make_packs(out, each, log, only=["log_check"], tell=told.append, **more)
    return told


@pytest.fixture(scope="module")
def made(log, tmp_path_factory):
    out = tmp_path_factory.mktemp("made") / "packs"
    make(out, log)
    return out


@pytest.fixture
def packs(made, tmp_path):
    """A copy of the packs to work on."""
    return shutil.copytree(made, tmp_path / "packs")


def folders_of(out):
    return sorted(path.name for path in out.iterdir() if path.is_dir())


def test_each_is_the_pack_that_is_made_alone(made, log, tmp_path):
    alone = tmp_path / "alone"
    make_pack(alone, log, only=["log_check"], vehicle=[ODD], tell=lambda line: None)
    assert bytes_of(made / folder_name(ODD)) == bytes_of(alone)
    assert folders_of(made) == sorted(["A", "C", folder_name(ODD)])
    assert folders_of(made.parent) == ["packs"]


def test_the_page_over_all_links_to_each_and_keeps_text_text(made):
    assert faults(made / "index.html") == []
    page = Page((made / "index.html").read_text(encoding="utf-8"))
    links = {href for href in page.attributes("href") if not href.startswith("#")}
    assert links == {f"{folder}/index.html" for folder in folders_of(made)}
    assert ODD in page.text
    assert "The report Log check of each pack names them." in page.text


def test_the_page_over_all_names_no_report_that_was_not_made(log, tmp_path):
    out = tmp_path / "packs"
    make_packs(out, "vehicle", log, only=["running_cost"], vehicle=["A"], tell=lambda line: None)
    page = Page((out / "index.html").read_text(encoding="utf-8"))
    assert "rows read" in page.text
    assert "Log check" not in page.text
    assert "Only the report interval_compliance lists the work to do" in page.text


def test_most_urgent_first_by_the_findings_of_each(packs, log, monkeypatch):
    """As if the packs held an action list: the page is made from what stands in them."""
    from wearbar.log import read_log
    from wearbar.pack import each

    urgencies = {"A": ["due"], "C": ["do not drive", "due"], folder_name(ODD): ["coming"]}
    for folder, urgent in urgencies.items():
        path = packs / folder / "findings.json"
        told = json.loads(path.read_text(encoding="utf-8"))
        of = {"vehicle": "v", "todo": "Do it.", "evidence": ""}
        rows = [of | {"urgency": u, "stands": u, "what": f"<b>{u}"} for u in urgent]
        found = {"actions": {"value": len(rows), "rows": rows}}
        told["reports"]["interval_compliance"] = {"findings": found}
        path.write_text(json.dumps(told), encoding="utf-8")
    names = {folder_name(name): name for name in ("A", ODD, "C")}
    page = Page(each._page(packs, names, {}, "vehicle", read_log(log)))
    text = page.text
    assert "Act now: 2 of 3 vehicles have work that is urgent." in text
    assert text.index("C do not drive <b>do not drive Do it. and 1 more") < text.index(
        "A due <b>due"
    )
    assert text.index("A due") < text.index("nothing urgent") < text.index(ODD)


def test_sites_have_a_pack_each_and_who_has_none_is_named(log, tmp_path):
    out = tmp_path / "packs"
    told = make(out, log, "site")
    assert told[1] == "Making 1 pack, 2 at a time"
    findings = json.loads((out / "North" / "findings.json").read_text(encoding="utf-8"))
    assert findings["parameters"]["site"] == "North"
    page = Page((out / "index.html").read_text(encoding="utf-8"))
    assert "Without a site, so in no pack: C." in page.text


def test_one_that_stops_stops_no_other_and_leaves_its_earlier_one(packs, log, capsys):
    earlier, work = bytes_of(packs), packs.with_name("packs.wearbar")
    (packs / "C" / "mine.txt").write_text("mine", encoding="utf-8")
    in_the_way = work / "run" / "A" / "mine.txt"
    in_the_way.parent.mkdir(parents=True)
    in_the_way.write_text("mine", encoding="utf-8")
    (work / MARK).write_text("", encoding="utf-8")
    asked = ["pack", str(log), "--each", "vehicle", "--only", "log_check", "--units", "km"]
    assert cli.main([*asked, "--out", str(packs)]) == 2
    said = capsys.readouterr().err.splitlines()[-1]
    assert re.match(r"wearbar: A stopped: .* holds something that is no pack", said)
    assert said.endswith(f"The others are there: {(packs / 'index.html').as_uri()}")
    now = bytes_of(packs)
    assert {f: now[f] for f in now if f.startswith("A/")} == {
        f: earlier[f] for f in earlier if f.startswith("A/")
    }
    assert now["C/findings.json"] != earlier["C/findings.json"]
    assert (packs / "C" / "mine.txt").read_text(encoding="utf-8") == "mine"
    text = Page((packs / "index.html").read_text(encoding="utf-8")).text
    assert "Its earlier pack is still there." in text
    assert faults(packs / "index.html") == []
    assert in_the_way.read_text(encoding="utf-8") == "mine"


def test_killed_it_leaves_nothing_and_the_next_run_goes_on(log, tmp_path):
    out = tmp_path / "packs"
    asked = ["pack", str(log), "--each", "vehicle", "--only", "log_check", "--out", str(out)]
    command = [sys.executable, "-m", "wearbar.pack.cli", *asked, "--workers", "1"]
    how, processes = {"stderr": subprocess.PIPE, "text": True, "start_new_session": True}, []
    for sign in (signal.SIGKILL, signal.SIGTERM):
        run = subprocess.Popen(command, env=os.environ, **how)
        lines = [next(run.stderr) for _ in range(3)]  # to the first pack's
        run.send_signal(signal.SIGSTOP)  # or it might end while it is looked at
        processes += psutil.Process(run.pid).children(recursive=True)
        run.send_signal(sign)
        run.send_signal(signal.SIGCONT)
        said = run.communicate(timeout=60)[1]
        assert psutil.wait_procs(processes, timeout=10)[1] == []
        assert not out.exists()
    assert processes
    assert lines[2] == "  1 of 3  A: kept from the run before\n"
    assert said.startswith("wearbar: stopped; finished reports are kept")
    assert any(line.endswith("A: kept from the run before") for line in make(out, log))
    assert folders_of(tmp_path) == ["packs"]


def test_each_is_compared_with_its_own_earlier_one(log, made, tmp_path, monkeypatch):
    given = {}

    def run_tasks(tasks, *_):
        given.update({name: asked["since"] for name, _, (_, asked) in tasks})
        return dict.fromkeys(given, "no more")

    monkeypatch.setattr("wearbar.pack.each.run_tasks", run_tasks)
    (tmp_path / "earlier" / "A").mkdir(parents=True)
    with pytest.raises(NotDone, match="A stopped: no more"):
        make(tmp_path / "packs", log, since=tmp_path / "earlier")
    assert given == {"A": tmp_path / "earlier" / "A", "C": "", folder_name(ODD): ""}


def test_no_notebook_at_once_is_refused(log, tmp_path):
    with pytest.raises(NotDone, match="workers is 0"):
        make(tmp_path / "packs", log, workers=0)
    assert list(tmp_path.iterdir()) == []


def test_folders_have_safe_names_and_each_its_own():
    names = [
        "V01",
        "v02",
        "Ferry Quay",
        "Ferry/Quay",
        "..",
        "con",
        "LPT1",
        "a" * 300,
        "Möwe",
        "möwe",
    ]
    made = [folder_name(name) for name in names]
    assert made[:2] == ["V01", "v02"]
    assert len({name.casefold() for name in made}) == len(names)
    assert all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,50}", name) for name in made)
    assert not {"con", "lpt1"} & {name.casefold() for name in made}
    alike = [folder_name(name, is_alike=True).casefold() for name in ("Kite", "kite")]
    assert alike[0] != alike[1]
