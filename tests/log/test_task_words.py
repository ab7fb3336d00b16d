"""Work that people write in their own words: the plan's `also`, parts of the same name, near words."""

import pandas as pd
import pytest

from wearbar import intervals
from wearbar.log import LogError, log_of
from wearbar.log.plan import plan_of
from wearbar.log.tasks import nearest
from wearbar.outlook.action_list import actions
from wearbar.report import coverage
from wearbar.report.quantities import Show, plain
from wearbar.report.words import action_pages as wording
from wearbar.report.words import log_check as on_log

OIL = {
    "code": "engine-oil-and-filter",
    "action": "replace",
    "every": {"months": 6},
    "tolerance": 0.1,
}
CHAIN = {"code": "chain", "action": "replace", "every": {"distance": 9000}, "tolerance": 0.1}
LEVEL = {"code": "engine-oil-level", "action": "inspect", "every": {"distance": 500}}
DAYS = ["2024-06-20", "2024-12-10", "2025-06-01", "2025-11-20", "2026-05-12", "2026-08-02"]


def log_with(*tasks, work=(), why="planned", **tables):
    """A log of one car in km, with this plan and these rows of work (date, task)."""
    one = {"vehicle": "Rook"}
    rows = {
        "vehicles": [{**one, "kind": "car", "in_service": "2024-01-01"}],
        "odometer": [
            {**one, "date": "2024-01-02", "odometer": 20},
            {**one, "date": "2026-09-01", "odometer": 40000},
        ],
        "work": [{**one, "date": day, "task": task, "why": why} for day, task in work],
    } | {name: [{**one, **row} for row in some] for name, some in tables.items()}
    header = {
        "distance": "km",
        "as_of": "2026-09-01",
        "first_day": "2024-01-01",
        "money": "net",
        "currency": "EUR",
    }
    plan = plan_of({"own": {"applies_to": ["car"], "task": list(tasks)}}, "km")
    return log_of(
        {name: pd.DataFrame(part) for name, part in rows.items() if part}, header, plan=plan
    )


def open_of(log, task):
    found = intervals.occasions(log)
    return found[found["is_current"] & (found["task"] == task)].iloc[0]


def test_a_title_is_the_plans_or_the_code_in_words():
    tasks = plan_of({"own": {"task": [OIL, {**CHAIN, "title": "Drive chain"}]}}).tasks
    assert tasks["title"].tolist() == ["Engine oil and filter", "Drive chain"]
    assert intervals.occasions(log_with(OIL))["title"].tolist() == ["Engine oil and filter"]


def test_other_words_of_the_plan_count_as_the_task_whatever_their_case():
    log = log_with({**OIL, "also": ["oil change"]}, work=[(day, "Oil Change ") for day in DAYS])
    assert open_of(log, OIL["code"])["anchor_date"] == pd.Timestamp(DAYS[-1])
    assert log.tables["work"]["task"].unique().tolist() == [OIL["code"]]
    assert log.words[["written", "task", "how"]].drop_duplicates().to_numpy().tolist() == [
        ["oil change", OIL["code"], "also"]
    ]
    assert log.warnings.empty


def test_work_put_off_in_other_words_is_the_task_too():
    put_off = [
        {"task": "OIL CHANGE", "date": "2026-08-20", "until": "2026-10-01", "reason": "parts"}
    ]
    assert log_with({**OIL, "also": ["oil change"]}, deferrals=put_off).tables["deferrals"][
        "task"
    ].tolist() == [OIL["code"]]


@pytest.mark.parametrize(
    "other", [{**CHAIN, "also": ["Oil Change"]}, {**CHAIN, "code": "oil change"}]
)
def test_one_word_stands_for_one_task(other):
    with pytest.raises(
        LogError, match=r"also: found 'oil change'; task (chain|oil change) has it too"
    ):
        plan_of({"own": {"task": [{**OIL, "also": ["oil change"]}, other]}})


def test_a_part_fitted_under_the_name_of_a_task_counts_as_doing_it():
    chain = {
        "position": "drive",
        "category": "chain",
        "item": "a chain",
        "fitted": "2026-03-28",
        "fitted_odometer": 34000,
    }
    assert open_of(log_with(CHAIN, fitted=[chain]), "chain")["due_km"] == 43000
    other = log_with({**CHAIN, "part": "cassette"}, fitted=[chain])
    assert open_of(other, "chain")["due_km"] == 9000, "the plan says which part it is"


def test_near_words_are_a_doubt_with_the_line_that_would_settle_it():
    log = log_with(LEVEL, OIL, work=[(day, "oil change") for day in DAYS])
    doubts = log.warnings[log.warnings["rule"] == "task-near"]
    assert len(doubts) == len(DAYS)
    assert doubts["remedy"].unique().tolist() == [
        'if it is that work, add also = ["oil change"] to task engine-oil-and-filter in plan.toml'
    ]
    now = open_of(log, OIL["code"])
    assert now["state"] == "past-window", "a doubt alone counts as nothing"
    assert now["near_work"] == "oil change"
    assert now["near_date"] == pd.Timestamp(DAYS[-1])
    assert coverage.moved(log).empty


def test_near_work_before_the_last_doing_is_no_longer_told():
    log = log_with(OIL, work=[("2024-06-20", "oil change"), ("2025-06-20", OIL["code"])])
    assert open_of(log, OIL["code"])["near_work"] == ""


@pytest.mark.parametrize(
    "written, meant",
    [
        ("oil change", "engine-oil-and-filter"),
        ("engine oil & filter", "engine-oil-and-filter"),
        ("check oil", "engine-oil-level"),
        ("enigne-oil-and-filter", "engine-oil-and-filter"),
        ("chain renewed", "chain"),
        ("Chains", "chain"),
        ("brake pads", ""),
        ("service", ""),
        ("wash", ""),
        ("exhaust", ""),
        ("polish", ""),
        ("", ""),
    ],
)
def test_what_a_word_comes_near(written, meant):
    tasks = plan_of({"own": {"task": [LEVEL, OIL, CHAIN]}}).tasks
    assert nearest(written, tasks) == meant


def test_repairs_and_re_checks_are_no_doubt():
    log = log_with(
        {**CHAIN, "recheck": {"days": 7}},
        work=[("2025-01-01", "chain"), ("2025-01-05", "chain-recheck")],
    )
    assert log.warnings.empty
    repair = log_with(
        {**CHAIN, "title": "Chain guard"}, work=[("2025-02-01", "chain guard")], why="defect"
    )
    assert repair.warnings.empty


def test_demo_logs_have_no_word_in_doubt(demo_log):
    assert not {*demo_log("fleet").warnings["rule"], *demo_log("owner").warnings["rule"]} & {
        "task-near"
    }


def test_the_overdue_line_names_the_work_that_may_be_this_one():
    told = wording.told(
        actions(log_with(OIL, CHAIN, work=[(day, "oil change") for day in DAYS])), Show()
    )
    line = told[told["item"] == OIL["code"]].iloc[0]
    assert line["urgency"] == "overdue"
    assert line["evidence"].endswith(
        "; 'oil change' on 2 Aug 2026 may be this work: see the log check"
    )


def test_the_log_check_says_which_words_count_as_what():
    log = log_with({**OIL, "also": ["oil change"]}, work=[(day, "Oil Change ") for day in DAYS])
    assert (
        plain(on_log.words_said(log))
        == "The plan (`also`) reads other words as its tasks: oil change as Engine oil and filter (6 rows)."
    )
    assert on_log.words_said(log_with(OIL)) == ""
