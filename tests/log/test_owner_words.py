"""What an owner types: the check says what was meant, in words, and puts nothing in its place."""

import pandas as pd
import pytest

from wearbar.intervals.today import untold
from wearbar.log import LogError, log_of, read_log
from wearbar.log.checks.cells import MEANT
from wearbar.log.checks.problems import RULES
from wearbar.log.schema import TABLES
from wearbar.report.answerable import answers
from wearbar.report.coverage import record

HEADER = {"distance": "mi", "currency": "GBP", "pressure": "psi", "as_of": "2024-12-31"}
WORK = {"date": "2024-05-10", "task": "oil"}


@pytest.fixture(scope="module")
def typed():
    """A log as an owner types it; each row has one thing to mend."""
    work = [
        WORK | {"vehicle": "Héron", "why": "Service"},
        WORK | {"vehicle": "Héron", "why": "repair"},
        WORK | {"vehicle": "Heron", "why": "planned"},
        WORK | {"vehicle": "Héron", "why": "planned", "odometer": "9,500 km"},
        WORK | {"vehicle": "Héron", "why": "planned", "done_by": "me", "date": "2024-07-01"},
    ]
    part = {"vehicle": "Héron", "item": "x", "fitted": "2023-05-02"}
    categories = ("tire", "tyre", "brake pads", "cam-belt", "tire", "oil-filter")
    read = {"vehicle": "Héron", "date": "2024-06-10", "position": "front", "category": "tyre"}
    frames = {
        "vehicles": [
            {"vehicle": "Héron", "kind": "motorcycle", "in_service": "2023-04-02"},
            {"vehicle": "Teal", "kind": "Motorbike", "in_service": "2023-04-02"},
        ],
        "odometer": [{"vehicle": "Héron", "date": "2023-04-02", "odometer": "0"}],
        "work": work,
        "fitted": [part | {"category": c, "position": f"p{n}"} for n, c in enumerate(categories)],
        "measurements": [
            read | {"quantity": "tread", "value": "4"},
            read | {"quantity": "pressure", "value": "2.4"},
        ],
    }
    return log_of({name: pd.DataFrame(rows) for name, rows in frames.items()}, HEADER)


@pytest.mark.parametrize(
    "table, line, rule, remedy",
    [
        ("vehicles", 3, "unknown-code", "; motorcycle?"),
        ("work", 2, "unknown-code", "; planned?"),
        ("work", 3, "unknown-code", "; defect?"),
        ("work", 4, "unknown-vehicle", "mend the name: Héron?"),
        ("work", 5, "not-a-number", "9500 or 9.500? (if the log is in km)"),
        ("work", 6, "unknown-code", "; owner?"),
        ("fitted", 2, "category-near", "write tyre in every row that has it"),
        ("fitted", 4, "category-near", "write brake-pad in every row that has it"),
        ("measurements", 2, "unit-lacking", "write depth"),
        ("measurements", 3, "pressure-odd", "2.4 bar or 24 psi?"),
    ],
)
def test_what_was_meant_is_said(typed, table, line, rule, remedy):
    told = pd.concat([typed.set_aside, typed.warnings])
    told = told[(told["table"] == table) & (told["line"] == line)]
    assert told["rule"].tolist() == [rule]
    assert remedy in told["remedy"].iloc[0]


def test_nothing_else_is_doubted_and_nothing_is_put_in_its_place(typed):
    lines = pd.concat([typed.set_aside, typed.warnings])
    found = set(zip(lines["table"], lines["line"], strict=True))
    assert {line for table, line in found if table == "fitted"} == {2, 4}
    assert typed.tables["fitted"]["category"].tolist()[0] == "tire"
    assert set(typed.tables["work"].index) == {5, 6}


def test_every_word_stands_for_a_code_of_its_column_and_is_none_itself():
    codes = {}
    for column in (column for table in TABLES.values() for column in table):
        codes.setdefault(column.name, set()).update(column.codes)
    for name, meant in MEANT.items():
        assert not set(meant) & set(meant.values())
        assert name == "category" or set(meant.values()) <= codes[name]
        assert not set(meant) & codes[name]
    assert "{1}" in RULES["category-near"].each


def test_semicolons_and_a_workbook_without_a_sheet_log_are_one_sentence(tmp_path):
    (tmp_path / "log.toml").write_text('distance = "mi"\n')
    (tmp_path / "vehicles.csv").write_text("vehicle;kind;in_service\nHeron;car;2023-04-02\n")
    with pytest.raises(LogError, match="';' where commas belong: save it with commas") as told:
        read_log(tmp_path)
    assert "wearbar adopt" in str(told.value)
    rows = pd.DataFrame({"vehicle": ["Heron"], "kind": ["car"], "in_service": ["2023-04-02"]})
    rows["meter"] = "none"
    rows.to_excel(tmp_path / "book.xlsx", sheet_name="vehicles", index=False)
    (tmp_path / "log.toml").unlink()
    with pytest.raises(LogError, match="A workbook may say so in a sheet named log") as told:
        read_log(tmp_path / "book.xlsx")
    assert str(told.value).endswith(".")
    rows.to_excel(tmp_path / "book.xlsx", sheet_name="My bikes", index=False)
    with pytest.raises(LogError, match=r"no table vehicles.* becomes a log by wearbar adopt"):
        read_log(tmp_path / "book.xlsx")


class TestNone:
    def log(self, **header):
        heron = {"vehicle": ["Heron"]}
        frames = {
            "vehicles": pd.DataFrame(heron | {"kind": "car", "in_service": "2023-04-02"}),
            "odometer": pd.DataFrame(heron | {"date": "2024-01-02", "odometer": "900"}),
            "defects": pd.DataFrame(columns=["vehicle", "defect", "found", "text", "grade"]),
        }
        return log_of(frames, HEADER | header)

    def test_an_empty_table_is_not_known_unless_the_log_says_none(self):
        assert untold(self.log()) == ["defects", "certificates", "campaigns"]
        for none in (["defects", "campaigns"], "defects, campaigns"):  # in a workbook it is text
            log = self.log(none=none)
            assert untold(log) == ["certificates"]
            can = answers(log, record(log)).set_index("subject")["can"]
            assert can[["defects", "campaigns", "certificates"]].tolist() == ["yes", "yes", "no"]

    @pytest.mark.parametrize("none", ["defect", ["faults"], 3, [["defects"]]])
    def test_what_is_no_table_is_refused(self, none):
        with pytest.raises(LogError, match="write tables of the log"):
            self.log(none=none)
