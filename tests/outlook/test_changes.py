"""The fleet a month apart: what changed, by plain pandas from the two action lists and the log's own files."""

import json
from types import SimpleNamespace

import pandas as pd
import pytest

from wearbar import intervals
from wearbar.log import places, read_log
from wearbar.outlook import changes
from wearbar.outlook.action_list import actions
from wearbar.report import against
from wearbar.report.quantities import Show
from wearbar.report.words.action_pages import told

THEN, FIRST, NOW = "2026-09-30", "2026-10-01", "2026-10-31"
KEY = ["kind", "vehicle", "item", "position"]


@pytest.fixture(scope="module")
def fleet(packs, demo_log):
    """then, now: the action lists; became, spent: what the library says; tables: as pandas reads them."""
    log = read_log(places.place("data", "fleet"), as_of=pd.Timestamp(THEN))
    rows = told(actions(log), Show(log.units))
    left = rows[list(changes.KEPT)].astype(changes.KEPT)
    counts = intervals.counts(intervals.occasions(log))
    then = changes.Earlier(log.as_of, counts, left, changes.spent(log))
    found = json.loads((packs("fleet").folder / "findings.json").read_text(encoding="utf-8"))
    now = pd.DataFrame(found["reports"][against.REPORT]["findings"]["actions"]["rows"])
    log = demo_log("fleet")
    return SimpleNamespace(
        then=left,
        now=now,
        became=changes.what_became(then, now, log),
        spent=changes.spent_since(then, log),
        tables={p.stem: pd.read_csv(p) for p in places.place("data", "fleet").glob("*.csv")},
    )


def keys(rows):
    return sorted(rows[KEY].apply(tuple, axis=1))


def done(fleet):
    """The actions of the first list that the log's files show to be done in the month after."""

    def came(name, day, *columns):
        table = fleet.tables[name]
        rows = table.loc[table[day].between(FIRST, NOW), list(columns)].fillna("")
        return {*rows.itertuples(index=False, name=None)}

    did = came("work", "date", "vehicle", "task")
    # who replaces a filter has inspected it
    did |= {(v, t.replace("-replace", "-inspect")) for v, t in did if t.endswith("-replace")}
    closed = {("defect", *of) for of in came("defects", "closed", "vehicle", "defect")}
    closed |= {("certificate", *of) for of in came("certificates", "tested", "vehicle", "kind")}
    closed |= {("campaign", *of) for of in came("campaigns", "done", "vehicle", "campaign")}
    renewed = came("fitted", "fitted", "vehicle", "category", "position")
    is_done = [
        (r.kind, r.vehicle, r.item) in closed
        or (r.kind == "task" and (r.vehicle, r.item) in did)
        or (r.kind == "wear" and (r.vehicle, r.item, r.position) in renewed)
        for r in fleet.then.itertuples()
    ]
    return fleet.then[is_done]


def test_done_still_open_gone_and_new(fleet):
    became = fleet.became.groupby("became")[KEY].apply(keys)
    assert len(done(fleet)) > 50
    assert became["done"] == keys(done(fleet))
    rest = {*keys(fleet.then)} - {*keys(done(fleet))}
    assert became["still"] == sorted(rest & {*keys(fleet.now)})
    assert became["gone"] == sorted(rest - {*keys(fleet.now)})
    assert became["new"] == sorted({*keys(fleet.now)} - {*became["still"]})
    days = fleet.became["done_date"].dropna().astype(str)
    assert days.between(FIRST, NOW).all()


def test_forecasts_against_what_was_done(fleet):
    is_done, now = {*keys(done(fleet))}, fleet.now
    ahead = fleet.then[fleet.then["by"].gt(THEN) & fleet.then["by"].le(NOW)]
    due = {*keys(now[~now["urgency"].isin(["coming", "may be done", "not known"])])}
    counts = {"done": 0, "due": 0, "later": 0}
    for key in keys(ahead[ahead["kind"].ne("warranty")]):
        counts["done" if key in is_done else "due" if key in due else "later"] += 1
    assert fleet.became["forecast"].value_counts().drop("").to_dict() == counts
    assert min(counts.values()) > 5


def test_the_money_of_the_month_and_of_as_many_days_before(fleet):
    work, fitted, fuel = (fleet.tables[name] for name in ("work", "fitted", "fuel"))
    costs = work[["labour_cost", "parts_cost", "other_cost"]].sum(axis=1)
    costs = (costs - work["recovered"].fillna(0)).where(work["paid_by"].fillna("us").eq("us"), 0)
    parts = fitted[["price", "fitting_cost"]].sum(axis=1)
    days = pd.concat([work["date"], fitted["fitted"], fuel["date"]])
    bills = pd.concat([costs, parts, fuel["cost"]])
    spent = {"now": bills[days.between(FIRST, NOW)].sum()}
    spent["before"] = bills[days.between("2026-08-31", THEN)].sum()
    assert fleet.spent == {"days": 31, "late": 0.0} | {k: round(x, 2) for k, x in spent.items()}
