"""On odd and random logs: first page, Today's list, the month's visits, calendar and sheets hold the same actions, and no
danger that is planted in a log is missing from the head of any."""

from functools import cache

import numpy as np
import pandas as pd
import pytest
from random_due import AS_OF, random_log
from test_pages_agree import calendar_agrees, sheets_agree

from wearbar.log import log_of
from wearbar.log.plan import plan_of
from wearbar.outlook import visit_sheet, visits_ahead
from wearbar.outlook.action_list import AHEAD_DAYS, DANGER, actions
from wearbar.outlook.next_visits import ALL_DAYS, NOW
from wearbar.report import calendar
from wearbar.report.quantities import Show
from wearbar.report.words import action_pages as on_actions
from wearbar.usage.forecast import model_of

AGO = AS_OF - pd.Timedelta(days=20)


@cache
def listed_of(log, days=AHEAD_DAYS):
    return actions(log, use=model_of(log), days=days)


@pytest.fixture(autouse=True)
def _one_model(monkeypatch):
    """Every page forecasts by the same model, and asks for the list but once: which model the back-test takes is no
    matter here."""
    for module in (calendar, visit_sheet):
        monkeypatch.setattr(module, "model_by_test", lambda log, _: model_of(log))
    monkeypatch.setattr(calendar, "actions", lambda log, *asked: listed_of(log, asked[-1]))
    monkeypatch.setattr(visit_sheet, "actions", lambda log, *_, **__: listed_of(log))
    yield
    listed_of.cache_clear()


def agree(log, planted=()):
    """Hold all five against one list. planted: (vehicle, kind, item) of what must not be driven."""
    show, listed = Show(log.units), listed_of(log, ALL_DAYS)
    now = listed[listed["urgency"].ne("coming")]
    rows = on_actions.told(now, show)
    danger = rows[rows["urgency"].isin(list(DANGER))]
    # the head of the list
    assert rows["urgency"].head(len(danger)).isin(list(DANGER)).all()
    found = set(zip(danger["vehicle"], danger["kind"], danger["item"], strict=True))
    assert set(planted) <= found, set(planted) - found
    # the first page
    table, more = on_actions.by_site(rows.to_dict("records"))
    heads = [row["what"] for row in table if row["stands"].startswith(DANGER)]
    assert len(heads) == min(len(danger), on_actions.MOST_DANGERS)
    for row in danger.head(len(heads)).itertuples():
        assert any(x.startswith(f"{row.vehicle}: ") and row.evidence in x for x in heads), row.what
    pressing = rows["urgency"].isin(on_actions.NOW)
    assert 0 <= more <= pressing.sum() - len(table)
    assert more == 0 or len(table) >= on_actions.ONE_SHEET
    # Today's list: all that isn't plain work row by row, plain work by its vehicle
    today = on_actions.today(now, show)
    alone = rows[rows["kind"].ne("task")]
    assert set(zip(alone["vehicle"], alone["what"], strict=True)) <= set(
        zip(today["vehicle"], today["what"], strict=True)
    )
    tasks, said = rows[rows["kind"].eq("task")], today[today["kind"].eq("task")]
    by = ["vehicle", "urgency"]
    assert set(map(tuple, tasks[by].to_numpy())) == set(map(tuple, said[by].to_numpy()))
    for row in tasks.itertuples():
        mine = said[said["vehicle"].eq(row.vehicle) & said["urgency"].eq(row.urgency)]
        assert mine["what"].str.contains(row.what.split(" (")[0], regex=False).any(), row.what
    # the visits: what cannot wait comes first, on the report date or once it is back
    visits = visits_ahead(listed, log)
    back = log.layups_now.dropna(subset="to").groupby("vehicle")["to"].max()
    must = now[now["urgency"].isin(NOW)]
    back = must["vehicle"].map(back.to_dict()).astype("datetime64[ns]").fillna(log.as_of)
    must = must[back <= log.as_of + pd.Timedelta(days=31)]
    day = visits.set_index("rank")["day"]
    assert (day.reindex(must["rank"]).to_numpy() == back[must.index].to_numpy()).all()
    # the calendar, and the sheets of two vehicles
    calendar_agrees(log, rows)
    some = [*dict.fromkeys(danger["vehicle"])][:1] + [*dict.fromkeys(rows["vehicle"])][-1:]
    sheets_agree(log, danger, rows, some)


def planted_in(rng, vehicles):
    """(rows to plant, what must then head the list) of random dangers on some of the vehicles."""
    more, planted = [], []
    for v in vehicles:
        kind = rng.choice(["defect", "campaign", "certificate", "none"])
        who, item = {"vehicle": v}, f"X-{v}"
        found = f"{AGO - pd.Timedelta(days=int(rng.integers(0, 60))):%Y-%m-%d}"
        if kind == "defect":
            grade = str(rng.choice(["off-road", "before-next-use"]))
            row = {"defect": item, "found": found, "text": "leak, <b>x</b>", "grade": grade}
            more.append(("defects", who | row))
        elif kind == "campaign":
            row = {"campaign": item, "issued": found, "kind": "safety-recall", "stop": "yes"}
            more.append(("campaigns", who | row))
        elif kind == "certificate":
            more.append(("certificates", who | {"kind": item, "valid_to": found}))
            item = item.lower()
        if kind != "none":
            planted.append((v, kind, item))
    return more, planted


def random_case(seed, vehicles):
    rng = np.random.default_rng(seed)
    more, planted = planted_in(rng, [f"V{i:02d}" for i in range(vehicles)])
    log = random_log(rng, vehicles, more)
    here = set(log.here)
    assert not set(log.set_aside["table"]) & {"defects", "campaigns", "certificates"}
    agree(log, [one for one in planted if one[0] in here])
    return len(planted)


@pytest.mark.parametrize("seed", range(2))
def test_ten_random_vehicles(seed):
    assert random_case(seed, 5) > 1


@pytest.mark.slow
def test_two_hundred_random_logs():
    assert sum(random_case(seed, 4) for seed in range(200)) > 300


VAN = {"vehicle": "A", "kind": "van", "in_service": "2024-01-01", "in_service_odometer": 0}
OIL = {"code": "oil", "action": "replace", "every": {"distance": 5000, "months": 6}, "hours": 1.0}
WASH = {"code": "wash", "action": "clean", "every": {"days": 7}, "tolerance": 0.0}
READ = [{"vehicle": "A", "date": "2026-03-30", "odometer": 9000}]
BAD = {
    "vehicle": "A",
    "defect": "D1",
    "found": "2026-03-01",
    "text": "brake hose torn",
    "grade": "off-road",
}
AWAY = {"vehicle": "A", "from": "2026-02-01", "reason": "season"}
ODD = {
    "nothing but a vehicle": ({}, ()),
    "no plan, a defect": ({"defects": [BAD]}, ("defect", "D1")),
    "two defects of one text": ({"defects": [BAD, BAD | {"defect": "D2"}]}, ("defect", "D2")),
    "stored without an end": ({"defects": [BAD], "layups": [AWAY]}, ("defect", "D1")),
    "back in a week": ({"defects": [BAD], "layups": [AWAY | {"to": "2026-04-06"}]}, ("defect", "D1")),
    "back next year": ({"layups": [AWAY | {"to": "2027-04-06"}], "plan": [OIL]}, ()),
    "work every week": ({"plan": [WASH]}, ()),
    "names that are markup": (
        {"defects": [BAD | {"text": "=1+1 <i>|x|</i> [a](b)"}], "plan": [OIL]},
        ("defect", "D1"),
    ),
    "an advisory defect alone": ({"defects": [BAD | {"grade": "advisory"}]}, ()),
    "put off, and a recall": (
        {
            "plan": [OIL, WASH],
            "deferrals": [{"vehicle": "A", "task": "oil", "date": "2026-03-01", "reason": "parts"}],
            "campaigns": [{"vehicle": "A", "campaign": "R1", "issued": "2026-03-01"}
                          | {"kind": "safety-recall", "stop": "yes"}],
        },
        ("campaign", "R1"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", ODD)
def test_odd_logs(name):
    tables, planted = ODD[name]
    tasks = tables.get("plan")
    plan = plan_of({"van": {"applies_to": ["van"], "task": tasks}}, "km") if tasks else None
    frames = {n: pd.DataFrame(rows) for n, rows in tables.items() if n != "plan"}
    header = {"distance": "km", "as_of": "2026-03-31", "first_day": "2024-01-01"}
    frames = {"odometer": pd.DataFrame(READ), "vehicles": pd.DataFrame([VAN])} | frames
    log = log_of(frames, header, plan=plan)
    agree(log, [("A", *planted)] if planted else [])
