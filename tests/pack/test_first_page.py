"""A pack's first page: what to do first by site, then the month, for logs that are empty, tiny, odd
or large; on a telephone and on one sheet of A4."""

import base64
import json
import re

import browser
import numpy as np
import pandas as pd
import pytest
from jsonschema import validate
from pages import Page, faults

from wearbar import log
from wearbar.log import places
from wearbar.outlook.action_list import URGENCY
from wearbar.report.template import page_of
from wearbar.report.words.action_pages import MOST_DANGERS, ONE_SHEET, by_site
from wearbar.report.words.month import month_in

ASKED = {"units": "", "confidence": 0.9, "vehicle": [], "site": ""}
HEADER = {"distance": "mi", "currency": "GBP", "money": "net"}


def said(logged, **asked):
    """(the month of findings.json, its section as plain text, the section)."""
    found, month = month_in(logged, [], ASKED | asked)
    schema = json.loads(places.place("shared", "findings.schema.json").read_text(encoding="utf-8"))
    validate(found, schema["properties"]["month"] | {"$defs": schema["$defs"]})
    section = page_of("month.html.j2", month=month)
    return found, " ".join(Page(section).text.split()), section


def logged(vehicles, as_of="2026-03-31", first_day="2026-01-01", work=(), **tables):
    frames = {
        "vehicles": pd.DataFrame(
            vehicles, columns=["vehicle", "kind", "site", "in_service", "meter"]
        )
    }
    if work:
        frames["work"] = pd.DataFrame(
            work, columns=["vehicle", "date", "task", "why", "parts_cost"]
        )
    frames |= {name: pd.DataFrame(rows) for name, rows in tables.items()}
    return log.log_of(frames, HEADER | {"as_of": as_of, "first_day": first_day})


ONE = [("Heron", "motorcycle", None, "2025-01-01", "none")]


class TestASparseLogGetsWords:
    def test_no_vehicle(self):
        found, text, _ = said(logged(ONE).only([]))
        assert "The log has no vehicles." in text
        assert "GBP" not in text
        assert found["movers"] == []

    def test_no_whole_month(self):
        found, text, _ = said(logged(ONE, "2026-01-20"))
        assert "begins on 1 Jan 2026 and holds no whole calendar month yet" in text
        assert (found["rows"], found["to_date"]) == ([], {})

    def test_one_vehicle_has_neither_site_nor_fleet_nor_change(self):
        work = [("Heron", f"2026-0{m}-05", "x", "defect", 10.0 * m) for m in (1, 2, 3)]
        _, text, section = said(logged(ONE, work=work))
        assert "Mar 2026 Feb 2026" in text
        assert "GBP 30" in text
        assert "no change is judged" in text
        assert not re.search(r"[Ss]ite|[Ff]leet|Change from|moved more", text)
        assert "not known" in text  # the cost per mile of a vehicle without a meter
        assert 'alt="Spend by month: Jan GBP 10' in section

    def test_a_part_month_is_said(self):
        _, text, _ = said(logged(ONE, "2026-03-15"))
        assert "the report date, 15 Mar 2026, lies within the next" in text
        assert "February 2026" in text
        _, text, _ = said(logged(ONE, first_day="2026-02-10"))
        assert "The month before is not whole in the log" in text

    def test_a_budget_is_compared(self):
        work = [("Heron", "2026-02-05", "x", "defect", 70.0)]
        budget = [{"month": m, "amount": 40.0} for m in ("2026-01", "2026-02")]
        _, text, _ = said(logged(ONE, work=work, budget=budget))
        assert "2 of the 3 months have a budget." in text
        assert "Against the budget of GBP 80, GBP 70 is spent: GBP 10 under." in text

    def test_text_of_a_log_stays_text(self):
        evil = "<script>alert(1)</script>*x*"
        vans = [(f"{evil}{i}", "van", evil, "2025-01-01", "none") for i in range(4)]
        days = pd.date_range("2025-01-05", periods=15, freq="31D")
        work = [(v[0], d, "x", "defect", 20.0 + i % 3) for v in vans for i, d in enumerate(days)]
        work += [(vans[0][0], "2026-03-20", "x", "defect", 900.0)]
        ends = {"kind": "certificate", "urgency": "ends soon", "by": "2026-04-09", "vehicle": evil}
        made = logged(vans, first_day="2025-01-01", work=work)
        section = page_of("month.html.j2", month=month_in(made, [ends], ASKED)[1])
        assert "<script" not in section
        assert f"Certificates: {evil}" in Page(section).text
        assert f"{evil}0: spend up by about" in Page(section).text


class TestWhatToDoFirst:
    def row(self, i, urgency="overdue", site="A", vehicle="V1", **more):
        row = {"rank": i, "urgency": urgency, "stands": urgency, "site": site, "vehicle": vehicle}
        row |= {"what": "Oil (front)", "position": "front", "kind": "task", "todo": "Do it now."}
        return row | {"evidence": "due 1 May 2026"} | more

    def test_a_danger_stands_alone_and_like_work_of_a_site_together(self):
        rows = [
            self.row(1, "do not drive", "B", "V9"),
            self.row(2),
            self.row(3, position="rear", what="Oil (rear)"),
        ]
        rows.insert(1, self.row(1.5, "do not drive", "B", "V8", evidence=""))
        rows += [self.row(4, site="B"), self.row(5, vehicle="V2"), self.row(6, "coming")]
        table, more = by_site(rows)
        assert more == 0
        assert [(row["site"], row["stands"], row["what"]) for row in table] == [
            ("B", "do not drive", "V9: Oil (front) (due 1 May 2026)"),
            ("B", "do not drive", "V8: Oil (front)"),
            ("B", "overdue", "V1: Oil (front) (due 1 May 2026)"),
            ("A", "overdue", "V1: Oil (front, rear); V2: Oil (front)"),
        ]
        assert [row["todo"] for row in table] == [*["Do it now."] * 3, "Do each now."]

    @pytest.mark.parametrize("dangers", [0, 30, 90])
    def test_of_a_large_log_the_dangers_come_first_and_the_rest_is_counted(self, dangers):
        rng, rows = np.random.default_rng(3), []
        for i in range(600):
            urgency = URGENCY[0] if i < dangers else URGENCY[rng.integers(2, 9)]
            rows.append(self.row(i, urgency, f"site {rng.integers(40)}", f"V{i}"))
        rows.sort(key=lambda row: URGENCY.index(row["urgency"]))
        table, more = by_site(rows)
        assert len(table) == max(ONE_SHEET, min(dangers, MOST_DANGERS))
        shown = sum(row["what"].count("Oil") for row in table)
        assert shown + more == 600
        assert sum(row["stands"] == URGENCY[0] for row in table) == min(dangers, MOST_DANGERS)


@pytest.mark.parametrize("name", ["fleet", "by-hand"])
def test_the_page_of_a_pack_is_whole_and_says_what_findings_say(packs, name):
    folder = packs(name).folder
    assert not faults(folder / "index.html")
    page = (folder / "index.html").read_text(encoding="utf-8")
    found = json.loads((folder / "findings.json").read_text(encoding="utf-8"))["month"]
    assert found["rows"][0]["month"] == "2026-10-01" if name == "fleet" else found["rows"]
    text = " ".join(Page(page).text.split())
    marks = ["What to do first", "Jobs done on time", "This year.", "Could change a figure."]
    order = [text.index(mark) for mark in marks if name == "fleet" or mark != "This year."]
    assert order == sorted(order)
    spend = next(row["this"] for row in found["rows"] if row["measure"] == "spend")
    if spend is not None:
        assert f"{spend:,.0f}" in text or f"{spend:,.2f}" in text
    assert base64.b64decode(re.search(r"data:image/png;base64,([^\"]+)", page)[1]).startswith(
        b"\x89PNG"
    )


@pytest.mark.skipif(browser.CHROMIUM is None, reason="no Chromium")
def test_one_sheet_of_a4_and_no_scroll_on_a_telephone(packs):
    page = packs("fleet").folder / "index.html"
    with browser.tab() as tab:
        tab.open(page.as_uri(), width=390)
        widest = "Math.max(...[...document.querySelectorAll('.month, .month *, .actions')]"
        assert tab.value(f"{widest}.map(x => x.getBoundingClientRect().right))") <= 390
        assert tab.value("document.querySelector('.actions').scrollWidth") <= 390
        made = tab.call("Page.printToPDF", paperWidth=8.27, paperHeight=11.69)
    assert len(re.findall(rb"/Type\s*/Page\b", base64.b64decode(made["data"]))) == 1
