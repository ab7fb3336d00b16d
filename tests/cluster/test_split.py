"""A log split into partitions: who stays together, and what each carries of the whole."""

import pytest

from wearbar.log import LogError, read_log
from wearbar_cluster.split import split

TODAY = "2026-06-01"
FIVE = [{"vehicle": f"V{k}", "kind": "van", "in_service": "2024-01-01"} for k in range(5)]


@pytest.fixture
def five(tmp_path):
    """A log of five vans without days in its header: one visit is of two, one part moved."""
    folder = tmp_path / "log"
    folder.mkdir()
    header = 'distance = "km"\njurisdiction = "XX"\nplan = "plan.toml"\n'
    (folder / "log.toml").write_text(header, encoding="utf-8")
    plan = '[a]\napplies_to = ["van"]\n[[a.task]]\ncode = "wash"\nevery = { months = 12 }\n'
    (folder / "plan.toml").write_text(plan + 'action = "clean"\n', encoding="utf-8")
    days = ["2025-03-01", "2025-02-01", "2025-04-01", "2026-05-04", "2026-07-01"]
    work = {"task": "wash", "why": "planned"}
    part = {"position": "front", "category": "tyre", "item": "T", "part": "P7"}
    rows = {
        "vehicles": FIVE,
        "fuel": [{"vehicle": "V9", "date": days[0], "volume": "9"}],  # of no vehicle of the log
        "odometer": [
            {**van, "date": day, "odometer": "9"} for van, day in zip(FIVE, days, strict=True)
        ],
        "work": [{**work, "vehicle": v, "date": days[0], "visit": "W1"} for v in ("V0", "V3")],
        "fitted": [{**part, "vehicle": v, "fitted": days[0]} for v in ("V1", "V4")],
        "limits": [
            {"jurisdiction": "XX", "kind": "van", "category": "tyre"}
            | {"quantity": "depth", "limit": "1.6", "source": "example"}
        ],
    }
    for name in rows:
        header = ",".join(rows[name][0]) if name != "odometer" else "vehicle,date,odometer"
        lines = [",".join(row[c] for c in header.split(",")) for row in rows[name]]
        (folder / f"{name}.csv").write_text("\n".join([header, *lines, ""]), encoding="utf-8")
    return folder


def test_what_is_tied_together_stays_together_and_lines_are_the_logs(five, tmp_path):
    assert split(five, tmp_path / "out", 9, TODAY).tolist() == [2, 2, 1]
    logs = [read_log(folder) for folder in sorted((tmp_path / "out").iterdir())]
    own = [log.tables["vehicles"]["vehicle"].tolist() for log in logs]
    assert own == [["V0", "V3"], ["V1", "V4"], ["V2"]]
    assert logs[1].tables["vehicles"].index.tolist() == [3, 6]
    assert [log.ledger.set_index("table")["read"]["fuel"] for log in logs] == [1, 0, 0]
    assert all(len(log.tables["limits"]) == 1 and "work" in log.present for log in logs)
    assert [log.plan.plans["plan"].tolist() for log in logs] == [["a"]] * 3


def test_the_days_of_the_whole_log_are_every_partitions(five, tmp_path):
    split(five, tmp_path / "out", 3, TODAY)
    whole = read_log(five, today=TODAY)
    assert f"{whole.as_of:%Y-%m-%d}" == "2026-05-04"  # what lies after today is none of it
    for folder in (tmp_path / "out").iterdir():
        log = read_log(folder)
        assert (log.as_of, log.first_day) == (whole.as_of, whole.first_day)


def test_nothing_is_written_over_and_no_row_lost(five, tmp_path):
    with pytest.raises(LogError, match="is there already"):
        split(five, five, 2, TODAY)
    with (five / "work.csv").open("a", encoding="utf-8") as file:
        file.write("wash,planned,V2,2025-05-05,,,,,,,,,,too long\n")
    with pytest.raises(LogError, match=r"work.csv, line 4: row-length"):
        split(five, tmp_path / "out", 2, TODAY)
    assert not (tmp_path / "out").exists()
