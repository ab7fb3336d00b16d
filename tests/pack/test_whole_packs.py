"""The whole pack of three logs, an owner's first rows, an owner's three years and a fleet: every page sound, every result in place."""

import configparser
import json
import re
import tomllib
from pathlib import Path

import browser
import jsonschema
import nbformat
import pandas as pd
import pytest
from pages import Page, faults
from test_pages_agree import five_agree

from wearbar.log import read_log
from wearbar.log.places import place
from wearbar.outlook.action_list import DANGER, PRESSING
from wearbar.pack.make import NOTEBOOKS

HAVE = [name for name in NOTEBOOKS if place("notebooks", f"{name}.ipynb").is_file()]


@pytest.fixture(params=["by-hand", "owner", "fleet"])
def pack(request, packs):
    return packs(request.param)


def findings_of(pack):
    return json.loads((pack.folder / "findings.json").read_text(encoding="utf-8"))


def test_every_page_is_sound(pack):
    pages = sorted(pack.folder.glob("*.html"))
    assert {p.stem for p in pages} == {"index", *HAVE}
    assert {p.name: list(faults(p)) for p in pages} == {p.name: [] for p in pages}


def test_no_notebook_warned(pack):
    for path in (pack.folder / "notebooks").iterdir():
        book = nbformat.read(path, as_version=4)
        assert not [
            o
            for c in book.cells
            if c.cell_type == "code"
            for o in c.outputs
            if o.output_type in ("stream", "error")
        ], path.name


@pytest.mark.parametrize("name", HAVE)
def test_the_owners_reports_show_what_they_showed_before(packs, name):
    """Every output of every cell, as kept in tests/golden (tests/golden/make.py writes it)."""
    folder = Path(__file__).parent.parent / "golden"
    clean = configparser.ConfigParser(interpolation=None)
    clean.read(folder / "sanitize.cfg")

    def shown(path):
        for cell in nbformat.read(path, as_version=4).cells:
            text = json.dumps([o.get("data") for o in cell.get("outputs", ())], sort_keys=True)
            for part in clean.values():
                text = re.sub(part["regex"], part["replace"], text) if "regex" in part else text
            yield text

    now, before = packs("owner").folder / "notebooks" / f"{name}.ipynb", folder / f"{name}.ipynb"
    assert list(shown(now)) == list(shown(before))


def test_every_report_answers_first_and_records_what_it_found(pack):
    findings = findings_of(pack)
    jsonschema.validate(
        findings, json.loads(place("shared", "findings.schema.json").read_text(encoding="utf-8"))
    )
    assert set(findings["reports"]) == set(HAVE)
    for name, report in findings["reports"].items():
        assert report["headlines"], name
        assert report["findings"] or pack.folder.name == "by-hand", name


def test_the_most_urgent_is_told_before_the_reports(pack):
    """In the terminal, as it heads the list of the first page and of every other."""
    told = pack.folder.with_suffix(".txt").read_text(encoding="utf-8").splitlines()
    after = next(k for k, line in enumerate(told) if "log_check: done" in line)
    at = next(k for k, line in enumerate(told) if line.startswith("To do now: "))
    listed = findings_of(pack)["reports"]["interval_compliance"]["findings"]["actions"]["rows"]
    now = [row for row in listed if row["urgency"] in PRESSING]
    assert now
    assert at < after
    counted = pd.Series([row["urgency"] for row in now]).value_counts()
    assert all(f"{urgency} {n}" in told[at] for urgency, n in counted.items())
    first = [f"{r['stands']}: {r['vehicle']}, {r['what']}. {r['todo']}" for r in now[:3]]
    assert [line.strip() for line in told[at + 1 : at + 1 + len(first)]] == first


def test_rows_are_accounted_for(pack):
    ledger = pd.DataFrame(findings_of(pack)["ledger"])
    assert (ledger["read"] == ledger["used"] + ledger["set_aside"] + ledger["after"]).all()
    assert ledger["set_aside"].sum() == pack.set_aside


def test_an_interval_holds_its_value(pack):
    for report in findings_of(pack)["reports"].values():
        for name, f in report["findings"].items():
            if None not in (f.get("low"), f.get("high"), f["value"]):
                assert f["low"] <= f["value"] <= f["high"], name


def test_tables_are_fit_for_a_spreadsheet(pack):
    tables = sorted((pack.folder / "tables").glob("*.csv"))
    assert tables
    for path in tables:
        frame = pd.read_csv(path, dtype=str, keep_default_na=False)
        cells = frame.to_numpy().ravel()
        assert not [
            c
            for c in cells
            if c[:1] in ("=", "@", "+") or c.lower() in ("nan", "none", "nat", "inf", "<na>")
        ], path.name


def test_a_table_of_money_ends_with_its_sums(pack):
    held = 0
    for report in HAVE:
        path = place("shared", "tables") / f"{report}.toml"
        for name, told in tomllib.loads(path.read_text(encoding="utf-8")).items():
            file = pack.folder / "tables" / f"{report}-{told.get('name', name)}.csv"
            if "adds" not in told or not file.exists():
                continue
            frame = pd.read_csv(file)
            if len(frame) > 1:
                sums = frame.iloc[:-1].filter(regex="amount|^cost$|^money$").sum()
                assert frame.iloc[-1, 0] == "all"
                assert frame.iloc[-1][sums.index].tolist() == pytest.approx(sums.tolist(), abs=1e-4)
                held += 1
    assert held >= {"fleet": 9, "owner": 6}.get(pack.folder.name, 1)


def test_an_empty_table_is_no_clean_bill(packs):
    """A started log has a file for each table; one without a row tells nothing, least of all that a vehicle is safe."""
    text = Page((packs("by-hand").folder / "index.html").read_text(encoding="utf-8")).text
    assert "no open off-road defect" not in text
    assert "The log has no record of defects, certificates and recalls" in text


def test_one_or_two_vehicles_stand_each_by_itself(packs):
    """A section of the first page, and nowhere a site, or a table of one row."""
    section, sites = "What each vehicle costs, and needs next", r"<th[^>]*>Site\b"
    for name, is_home in (("by-hand", True), ("owner", True), ("fleet", False)):
        pages = {
            path.stem: path.read_text(encoding="utf-8")
            for path in packs(name).folder.glob("*.html")
        }
        assert (section in pages["index"]) == is_home
        reports = "".join(page for name, page in pages.items() if name != "index")
        bodies = re.findall(r"<tbody>(.*?)</tbody>", reports, re.DOTALL)
        assert any(body.count("<tr") == 1 for body in bodies) != is_home
        assert bool(re.search(sites, "".join(pages.values()))) != is_home
    owner = Page((packs("owner").folder / "index.html").read_text(encoding="utf-8")).text
    assert "The insurance on record of Robin and Wren ended on 30 Oct 2026." in owner


def test_the_fleets_five_pages_agree(packs):
    """First page, Today's list, the outlook's first month, calendar and sheets: one set of actions."""
    rows = five_agree(packs("fleet").folder, read_log(place("data", "fleet")))
    assert rows["urgency"].isin(list(DANGER)).any()
    assert rows["kind"].eq("wear").any()


@pytest.mark.skipif(browser.CHROMIUM is None, reason="no chromium")
def test_every_page_opens_offline_without_a_complaint(pack):
    with browser.tab() as tab:
        for page in sorted(pack.folder.glob("*.html")):
            for width in (1280, 390):
                tab.open(page.as_uri(), width=width)
                assert [r for r in tab.requests() if not r.startswith("data:")] == [page.as_uri()]
                assert tab.complaints() == []
                assert tab.value("document.documentElement.scrollWidth <= innerWidth"), (
                    page.name,
                    width,
                )
                assert tab.value(
                    "[...document.images].every(i => i.complete && i.naturalWidth > 100)"
                )


@pytest.mark.skipif(browser.CHROMIUM is None, reason="no chromium")
def test_the_fleets_reports_print_to_few_pages(packs):
    n = {}
    with browser.tab() as tab:
        for name in HAVE:
            tab.open((packs("fleet").folder / f"{name}.html").as_uri())
            n[name] = len(re.findall(rb"/Type\s*/Page\b", tab.pdf()))
    assert min(n.values()) > 0
    assert sum(n.values()) <= 35, n
