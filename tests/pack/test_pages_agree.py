"""First page, Today's list, the outlook's first month, calendar and sheet tell of the same vehicles,
the same dangers and one number of overdue jobs: each is read as it stands on its page."""

import json

import pandas as pd
import pytest
from icalendar import Calendar
from pages import Page
from planted import READ, TASKS, TEST, TYRE, VAN, fail, read

from wearbar.log import read_log
from wearbar.outlook.action_list import DANGER, PRESSING
from wearbar.outlook.visit_sheet import visit_of
from wearbar.pack import make as pack
from wearbar.report.calendar import calendar_of
from wearbar.report.quantities import Show
from wearbar.report.words import sheet as on_sheet


def text_of(path):
    return " ".join(Page(path.read_text(encoding="utf-8")).text.split())


def five_agree(folder, log):
    """The rows of the action list, once it is seen that all five pages tell of them."""
    findings = json.loads((folder / "findings.json").read_text(encoding="utf-8"))["reports"]
    rows = pd.DataFrame(findings["interval_compliance"]["findings"]["actions"]["rows"])
    dangers, pressing = (rows[rows["urgency"].isin(list(u))] for u in (DANGER, PRESSING))
    overdue = int(rows["urgency"].eq("overdue").sum())
    first, page = text_of(folder / "index.html"), text_of(folder / "interval_compliance.html")
    today = pd.read_csv(folder / "tables" / "interval_compliance-today.csv", keep_default_na=False)
    for row in dangers.itertuples():
        at = f" ({row.position})" if row.position else ""
        named = f"{row.vehicle}: {row.what.removesuffix(at)}{at} ({row.evidence})"
        assert f"{row.stands} {named}" in first, row.what
    listed = list(zip(today["vehicle"], today["what"], strict=True))
    for row in pressing[pressing["kind"].ne("task")].itertuples():
        assert (row.vehicle, row.what) in listed, row.what
    assert listed[: len(dangers)] == list(zip(dangers["vehicle"], dangers["what"], strict=True))
    said = f"{overdue} job{'s are' if overdue > 1 else ' is'} overdue" if overdue else ""
    assert said in first
    assert (f"overdue {overdue}" in page) == (overdue > 0)
    _outlook(folder, log, pressing, overdue)
    calendar_agrees(log, rows)
    late = rows.loc[rows["urgency"].eq("overdue"), "vehicle"]
    sheets_agree(log, dangers, rows, {*dangers["vehicle"], *late})
    return rows


def _outlook(folder, log, pressing, overdue):
    visits = pd.read_csv(folder / "tables" / "outlook-visits.csv", keep_default_na=False)
    visits = visits[visits["date"].ne("all")]
    first = visits[pd.to_datetime(visits["date"]) == log.as_of]
    work = first.set_index("vehicle")["work"].str.casefold()
    for row in pressing[~pressing["is_laid_up"]].itertuples():
        named = row.what.removesuffix(" certificate expired").split(" (")[0]
        assert named.casefold() in work[row.vehicle], (row.vehicle, row.what)
    assert overdue == 0 or f"overdue {overdue}" in text_of(folder / "outlook.html")


def calendar_agrees(log, rows):
    """Each row that isn't coming is in one event of its vehicle, what presses on the report date; dangers lead."""
    events = [
        (e.decoded("DTSTART"), str(e["SUMMARY"]), str(e["DESCRIPTION"]).splitlines(), e)
        for e in Calendar.from_ical(calendar_of(log)[0]).walk("VEVENT")
        if e.get("STATUS") != "CANCELLED"
    ]
    back = log.layups_now.dropna(subset="to").groupby("vehicle")["to"].max()
    for row in rows[rows["urgency"].ne("coming")].itertuples():
        # of text that a log makes alike, such as a defect told twice, a line each
        said = f"{row.what}: {row.stands};"
        mine = [
            (day, summary)
            for day, summary, lines, _ in events
            if summary.startswith(f"{row.vehicle}: ")
            and any(" ".join(line.split()).startswith(" ".join(said.split())) for line in lines)
        ]
        if (
            not mine
            and pd.isna(row.by or None)
            and row.urgency in ("at the next visit", "not known")
        ):
            continue  # of a vehicle without any other visit
        assert mine, said
        if row.urgency in PRESSING:
            day = back.get(row.vehicle, log.as_of)
            assert min(mine)[0] == day.date(), said
    kinds = [e["CATEGORIES"].to_ical().decode() for _, _, _, e in events]
    here = rows[rows["urgency"].isin(list(DANGER)) & ~rows["vehicle"].isin(back.index)]
    danger = here["vehicle"].nunique()
    assert [k in DANGER for k in kinds[:danger]] == [True] * danger


def sheets_agree(log, dangers, rows, vehicles):
    for vehicle in vehicles:
        visit = visit_of(log, [vehicle])
        told = [what for what, _ in on_sheet.words(visit, log, Show(log.units))["dangers"]]
        assert told == dangers.loc[dangers["vehicle"].eq(vehicle), "what"].tolist()
        late = rows["vehicle"].eq(vehicle) & rows["urgency"].eq("overdue") & rows["kind"].eq("task")
        assert visit.tasks["state"].eq("past-window").sum() == late.sum()
    if len(rows):
        assert visit_of(log).vehicle == rows["vehicle"].iloc[0]


@pytest.fixture(scope="module")
def planted(tmp_path_factory):
    """Two vans with one of each danger, on disk."""
    folder = tmp_path_factory.mktemp("planted")
    header = 'name = "Planted"\ndistance = "km"\nas_of = 2026-01-01\nfirst_day = 2024-01-01\njurisdiction = "GB"\nplan = "plan.toml"\n'
    (folder / "log.toml").write_text(header)
    lines = ["[van]", 'applies_to = ["van"]']
    for task in TASKS:
        lines.append("[[van.task]]")
        lines += [f"{key} = {_toml(x)}" for key, x in task.items()]
    (folder / "plan.toml").write_text("\n".join(lines) + "\n")
    v, w = {"vehicle": "V"}, {"vehicle": "W"}
    tables = {
        "vehicles": [VAN, VAN | w],
        "odometer": [who | {"date": d, "odometer": x} for who in (v, w) for d, x in READ],
        "work": [v | fail(position="front", odometer=""), w | fail("roadworthiness-test")],
        "certificates": [w | TEST, v | TEST | {"valid_to": "2025-12-20"}],
        "campaigns": [
            w | {"campaign": "R1", "issued": "2025-12-01", "kind": "safety-recall", "stop": "yes"}
        ],
        "defects": [
            v | {"defect": "D1", "found": "2025-12-20", "text": "hose torn", "grade": "off-road"}
        ],
        "fitted": [w | TYRE],
        "measurements": [w | r for r in read(6.0, 4.0, 1.2)],
    }
    for name, rows in tables.items():
        pd.DataFrame(rows).to_csv(folder / f"{name}.csv", index=False)
    return folder


def _toml(x):
    if isinstance(x, dict):
        return "{ " + ", ".join(f"{k} = {_toml(y)}" for k, y in x.items()) + " }"
    return "[" + ", ".join(map(_toml, x)) + "]" if isinstance(x, list) else json.dumps(x)


def test_each_planted_danger_heads_all_five(planted, tmp_path):
    made = pack.make_pack(
        tmp_path / "p", log=planted, only=["interval_compliance", "outlook"], tell=lambda line: None
    )
    rows = five_agree(made.folder, read_log(planted))
    heads = (
        rows.loc[rows["urgency"].eq("do not drive"), ["vehicle", "kind"]]
        .apply(tuple, axis=1)
        .tolist()
    )
    assert heads == [
        ("W", "finding"),
        ("V", "finding"),
        ("V", "defect"),
        ("V", "certificate"),
        ("W", "campaign"),
        ("W", "wear"),
    ]
