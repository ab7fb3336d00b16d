"""The rate, overruns, what must not be driven, today's list, and what is said of them."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import permutation_test, ttest_ind

from wearbar import intervals, usage
from wearbar.log import log_of, read_log
from wearbar.log.places import place
from wearbar.log.plan import plan_of
from wearbar.log.units import Units
from wearbar.outlook import changes
from wearbar.outlook.action_list import DANGER, PRESSING, actions
from wearbar.report.charts import vehicles as charts
from wearbar.report.charts.style import png
from wearbar.report.quantities import Show
from wearbar.report.tables import view_of
from wearbar.report.template import words_of
from wearbar.report.words import action_pages as on_actions
from wearbar.report.words import intervals as wording
from wearbar.stats.estimate import proportion

SHOW = Show(Units(distance="mi", currency="GBP"))
WORDS = words_of("interval_compliance", show=SHOW)
PLAN = {
    "van": {
        "applies_to": ["van"],
        "task": [{"code": "oil", "action": "replace", "every": {"months": 6}, "tolerance": 0.1}],
    }
}


@pytest.fixture(scope="module")
def fleet(demo_log):
    log = demo_log("fleet")
    readings = usage.readings(log)
    found = intervals.placed(intervals.occasions(log), log)
    return log, readings, found, intervals.items(log)


def van_log(work=(), as_of="2026-01-01", plan=PLAN, **tables):
    tables = {"vehicles": [{"vehicle": "V", "kind": "van", "in_service": "2024-01-01"}], **tables}
    tables["odometer"] = [
        {"vehicle": "V", "date": "2024-01-01", "odometer": 0},
        {"vehicle": "V", "date": "2025-12-20", "odometer": 9000},
    ]
    tables["work"] = [
        {"vehicle": "V", "date": day, "task": "oil", "why": "planned"} for day in work
    ]
    header = {"distance": "mi", "as_of": as_of, "first_day": "2024-01-01"}
    frames = {name: pd.DataFrame(rows) for name, rows in tables.items() if rows}
    return log_of(frames, header, plan=plan_of(plan) if plan else None)


def whole(log):
    readings = usage.readings(log)
    found = intervals.placed(intervals.occasions(log), log)
    return readings, found, intervals.items(log)


class TestTheRate:
    def test_work_done_early_waits_until_its_window_has_closed(self):
        early = intervals.occasions(
            van_log(["2024-03-01"], as_of="2024-07-19")
        )  # due 1 Jul, late edge 19 Jul
        assert early["why"].tolist() == ["open-window", "open-window"]
        later = intervals.occasions(van_log(["2024-03-01"], as_of="2024-07-20"))
        assert later["outcome"].iloc[0] == "early"
        assert later["in_rate"].tolist() == [True, False]

    def test_open_work_past_its_window_counts_as_late(self):
        found = intervals.occasions(van_log(["2024-07-10"]))
        assert found["outcome"].tolist() == ["on-time", "late"]
        assert intervals.rate(found).value == 0.5

    def test_a_readers_own_allowance_scores_in_place_of_the_plans(self):
        log = van_log(["2024-07-25"])  # 24 days over; 18 are the plan's, a fifth of 182 is 36
        assert intervals.occasions(log)["outcome"].iloc[0] == "late"
        assert intervals.occasions(log, late_share=0.2)["outcome"].iloc[0] == "on-time"

    def test_visits_of_one_vehicle_and_several_vehicles_are_clusters(self, fleet):
        found = fleet[2]
        one = found[found["vehicle"] == found["vehicle"].iloc[0]]
        counted = one[one["in_rate"]]
        plain = proportion((counted["outcome"] != "late").sum(), len(counted))
        mine = intervals.rate(one)
        assert mine.value == plain.value
        assert mine.high - mine.low > plain.high - plain.low  # jobs of one visit are late together
        assert (mine.note, intervals.rate(found).note) == ("", "")
        few = found[found["vehicle"].isin(found["vehicle"].unique()[:3])]
        assert intervals.rate(few).note == intervals.CAUTIOUS
        assert "at least 90 times in 100" in WORDS(
            "rate_means", rate=intervals.rate(few), late_share=None, cautious=intervals.CAUTIOUS
        )

    def test_groups_add_up_and_left_out_is_all_the_rest(self, fleet):
        found = fleet[2]
        for by in ("task", "kind", "site", "month", "vehicle"):
            table = intervals.compliance(found, [by])
            assert table["n"].sum() == found["in_rate"].sum()
            assert table["late"].sum() == (found["in_rate"] & (found["outcome"] == "late")).sum()
        assert intervals.excluded(found)["n"].sum() == (~found["in_rate"]).sum()

    def test_a_month_is_that_of_the_late_edge_not_of_the_work(self):
        log = van_log(["2024-09-02"])
        found = intervals.placed(intervals.occasions(log), log)
        assert found["month"].iloc[0] == pd.Timestamp("2024-07-01")

    def test_a_small_site_is_not_told(self):
        table = pd.DataFrame(
            {
                "site": list("abc"),
                "share": [0.5, 0.6, 0.7],
                "low": 0.1,
                "high": 0.9,
                "n": 9,
                "late": [4, 3, 2],
                "vehicles": [2, 4, 3],
            }
        )
        told = intervals.sites_told(table)
        # nor the next smallest: the rest of the sum would tell it
        assert told["share"].isna().tolist() == [True, False, True]
        assert told["late"].isna().tolist() == [True, False, True]


def jobs(rates, vehicles=12, each=20, by="site", rng=None):
    """Jobs that count, of vehicles in groups (rates: group to share on time) or, by task, of every vehicle in every group."""
    rng, rows = rng or np.random.default_rng(4), []
    for v in range(vehicles):
        own = list(rates) if by == "task" else [list(rates)[v % len(rates)]]
        rows += [(f"V{v:02d}", g, rng.random() > rates[g], k) for g in own for k in range(each)]
    found = pd.DataFrame(rows, columns=["vehicle", by, "late", "k"]).assign(in_rate=True)
    found["done_date"] = pd.Timestamp("2024-01-01") + pd.to_timedelta(
        20 * found["k"] // 2, unit="D"
    )
    return found.assign(
        outcome=np.where(found["late"], "late", "on-time"), late_edge_date=found["done_date"]
    )


class TestComparisons:
    def test_ten_equal_sites_are_seldom_said_to_differ(self):
        """By the largest low limit against the smallest high one, 4 in 10 such logs were."""
        rng = np.random.default_rng(11)
        alike = dict.fromkeys([f"S{i}" for i in range(10)], 0.85)
        said = [
            intervals.differences(jobs(alike, 34, 8, rng=rng), "site")["is_clear"].any()
            for _ in range(40)
        ]
        assert sum(said) <= 6

    def test_two_tasks_that_are_worst_are_named_though_many_intervals_overlap(self):
        rates = {"tyres": 0.74, "pads": 0.76} | {f"T{i}": 0.85 + 0.01 * i for i in range(10)}
        found = pd.concat([jobs(rates, 30, 12, by="task"), jobs({"rare": 1.0}, 10, 1, by="task")])
        table = intervals.compliance(found, ["task"]).set_index("task")
        assert (
            table.loc["tyres", "high"] > table.loc["rare", "low"]
        )  # the lowest and the highest point overlap
        apart = intervals.differences(found, "task")
        assert apart.loc[apart["is_clear"] & (apart["share"] < apart["rest"]), "task"].tolist() == [
            "tyres",
            "pads",
        ]
        said = wording.groups(apart, "task", SHOW)
        assert said.startswith("Late more often than the other tasks of the same vehicles: tyres (")
        assert "overlap" not in said

    def test_p_is_that_of_an_exact_permutation_test(self):
        found = jobs({"A": 0.9, "B": 0.6}, vehicles=10, each=12)
        each = (
            found.assign(won=found["outcome"] != "late")
            .groupby(["vehicle", "site"])["won"]
            .mean()
            .reset_index()
        )
        a, b = (each.loc[each["site"] == s, "won"] for s in "AB")
        welch = permutation_test(
            (a, b),
            lambda x, y, axis: np.abs(ttest_ind(x, y, axis=axis, equal_var=False).statistic),
            vectorized=True,
        )
        p = np.mean(welch.null_distribution >= welch.statistic - 1e-9)
        assert intervals.differences(found, "site")["p"].tolist() == pytest.approx(
            [p, p], abs=0.012
        )

    def test_a_task_is_compared_within_vehicles_and_not_between_them(self):
        """Bad vehicles alone have task a: it is no worse there than what else they do."""
        rng = np.random.default_rng(2)
        bad, good = (jobs({"a": r, "b": r}, 12, 30, by="task", rng=rng) for r in (0.5, 0.95))
        good = good[good["task"] != "a"].assign(vehicle=lambda f: "W" + f["vehicle"])
        found = pd.concat([bad, good])
        assert (
            intervals.rate(found[found["task"] == "a"]).high
            < intervals.rate(found[found["task"] == "b"]).low
        )
        assert not intervals.differences(found, "task")["is_clear"].any()

    def test_a_vehicle_that_lags_is_named_and_equal_ones_are_not(self):
        rng = np.random.default_rng(3)
        found = jobs(dict.fromkeys("S", 0.9), 8, 40, rng=rng)
        assert "No vehicle is clearly" in wording.groups(
            intervals.differences(found, "vehicle"), "vehicle", SHOW
        )
        worse = found.assign(
            outcome=found["outcome"].where(
                (found["vehicle"] != "V03") | (found["k"] % 3 > 0), "late"
            )
        )
        apart = intervals.differences(worse, "vehicle")
        assert apart.loc[apart["is_clear"], "vehicle"].tolist() == ["V03"]

    def test_too_little_is_said_and_not_called_alike(self):
        apart = intervals.differences(jobs({"A": 0.9, "B": 0.2}, vehicles=4), "site")
        assert (
            wording.groups(apart, "site", SHOW)
            == "There is not enough data to say whether sites differ."
        )
        apart = intervals.differences(jobs({"A": 0.9, "B": 0.2}, vehicles=12, each=1), "site")
        assert (
            wording.groups(apart, "site", SHOW)
            == "Fewer than two sites have 10 jobs that count, so sites are not compared."
        )
        apart = intervals.differences(jobs({"A": 0.9, "B": 0.2}, vehicles=3, by="task"), "task")
        assert (
            wording.groups(apart, "task", SHOW)
            == "There is not enough data to say whether tasks differ."
        )

    def test_a_site_not_known_is_said_and_counted(self):
        found = jobs({"A": 0.9, "B": 0.9, None: 0.1}, vehicles=24)
        table = intervals.compliance(found, ["site"])
        assert table["site"].tolist() == ["A", "B", "not known"]
        assert table["n"].sum() == len(found)
        said = wording.groups(intervals.differences(found, "site"), "site", SHOW)
        assert said.endswith("160 jobs have no site on record and are not compared.")
        assert "not known" not in said


class TestOverruns:
    def test_the_median_is_kaplan_and_meiers_of_an_outside_library(self, fleet):
        found = fleet[2].copy()
        rng = np.random.default_rng(3)
        late = found["in_rate"] & (found["outcome"] == "late")
        found.loc[late, "is_open"] = rng.random(late.sum()) < 0.3
        lifelines = pytest.importorskip("lifelines")
        ours = intervals.median_overrun(found, "overrun_days", np.random.default_rng(1))
        cases = found[late & (found["overrun_days"] > 0) & (found["state"] != "missed")]
        theirs = (
            lifelines.KaplanMeierFitter()
            .fit(cases["overrun_days"], ~cases["is_open"].astype(bool))
            .median_survival_time_
        )
        assert ours.value == theirs
        assert ours.low < ours.value < ours.high
        assert (ours.n, ours.n_censored) == (len(cases), cases["is_open"].sum())

    def test_the_median_of_few_vehicles_has_no_limits(self, fleet):
        found = fleet[2][fleet[2]["vehicle"].isin(fleet[2]["vehicle"].unique()[:4])]
        e = intervals.median_overrun(found, "overrun_days", np.random.default_rng(1))
        assert e.value > 0
        assert np.isnan([e.low, e.high]).all()
        said = wording.overruns({"days": e}, found, intervals.driven_overdue(found), SHOW)
        assert "range" not in said

    def test_each_km_past_a_window_counts_once(self):
        rows = {
            "vehicle": ["A", "A", "A", "B"],
            "end_km": [100.0, 120.0, 300.0, 50.0],
            "driven_past_km": [40.0, 50.0, 10.0, 5.0],
        }
        found = pd.DataFrame(rows).assign(
            state="done", outcome="late"
        )  # A: 60-100, 70-120, 290-300
        assert intervals.driven_overdue(found).to_dict() == {"A": 70.0, "B": 5.0}


class TestTheList:
    def test_without_a_task_it_says_what_is_missing_and_never_that_nothing_is_due(self):
        other = {"car": {"applies_to": ["car"], "task": PLAN["van"]["task"]}}
        for plan in (None, other):
            log = van_log(plan=plan)
            _readings, found, items = whole(log)
            rows, told = actions(log), intervals.seen(log, found)
            said = list_said(rows, told, items, found)
            assert "nothing is due" not in said
            assert "No vehicle here has a task of a maintenance plan" in said

    @pytest.mark.parametrize(
        "as_of, words",
        [
            ("2025-12-20", "is from the report date."),
            ("2025-12-21", "is 1 day old."),
            ("2026-01-01", "is 12 days old."),
        ],
    )
    def test_the_age_of_the_oldest_reading_reads_well(self, as_of, words):
        log = van_log(as_of=as_of)
        _readings, found, items = whole(log)
        told, rows = intervals.seen(log, found), actions(log)
        assert f"The oldest last reading {words}" in list_said(rows, told, items, found)


def list_said(rows, told, items, found):
    unseen = items["what"].eq("recheck") & items["is_open"] & items["state"].eq("not-known")
    counted, later = on_actions.counted_now(rows)
    return WORDS(
        "list_said",
        counted=counted,
        later=later,
        tasks=len(found),
        oldest=told.oldest_days,
        rechecks=unseen.sum(),
    )


def against_said(log, readings, found, items, danger, rate):
    """What a criterion, an earlier report of the log's first half and a reminder add to the page."""
    early = replace(log, as_of=log.first_day + (log.as_of - log.first_day) / 2)
    before = found[found["late_edge_date"] <= early.as_of]
    rows = on_actions.told(actions(log), SHOW)
    left = rows[list(changes.KEPT)].head(3).astype(changes.KEPT)
    spent = changes.spent(log, until=early.as_of)
    then = changes.Earlier(early.as_of, intervals.counts(before), left, spent)
    change, recent = (
        intervals.rate_change(then.counts, intervals.counts(found)),
        intervals.rate(found[found["late_edge_date"] > then.as_of]),
    )
    became, dash = changes.what_became(then, rows, log), intervals.reminder_drift(log, found)
    other = intervals.occasions(log, late_share=0.05)
    assert len(view_of("interval_compliance", "since", became, SHOW)["frame"]) == len(became)
    return [
        WORDS(
            "two_rates",
            rate=rate,
            other=intervals.rate(other),
            moves=intervals.criterion_moves(found, other),
            criterion=0.05,
        ),
        WORDS("rate_changed", change=change, then=then, recent=recent),
        WORDS(
            "since_said",
            rows=became,
            then=then,
            change=change,
            spent=changes.spent_since(then, log),
            pressing=PRESSING,
        ),
        wording.dash_said(dash, log, SHOW),
    ]


def late_of(rows):
    return rows["outcome"].eq("late").sum()


def everything_said(log):
    readings, found, items = whole(log)
    missing, rate = intervals.untold(log), intervals.rate(found)
    rows, told = actions(log), intervals.seen(log, found)
    rng = np.random.default_rng(1)
    over = {
        unit: intervals.median_overrun(found, f"overrun_{unit}", rng)
        for unit in ("days", "km", "hours")
    }
    by = {name: intervals.compliance(found, [name]) for name in ("task", "month", "site")}
    danger, early = rows[rows["urgency"].isin(DANGER)], intervals.early_work(found)
    late = [on_actions.overdue_said(rows, SHOW)[0]] if rows["urgency"].eq("overdue").any() else []
    services, again = found[found["basis"] == "first"], items[items["what"].eq("recheck")]
    services = services.assign(outcome=services["outcome"].mask(services["is_typed_late"], ""))
    now = found[found["is_current"]]
    unknown = now[now["duty"].eq("not-known")]
    assert len(view_of("interval_compliance", "run-in", services, SHOW)["frame"]) == len(services)
    png(charts.states_now(now))
    return [
        *(
            on_actions.dangers_said(rows, missing)[0],
            *late,
            WORDS("answer", rate=rate),
            WORDS("seen", seen=told, stale=intervals.STALE_DAYS),
        ),
        *(
            WORDS("no_plan", log=log),
            list_said(rows, told, items, found),
            WORDS("states_said", n=unknown["vehicle"].nunique()),
            WORDS("caption_states", n=now["vehicle"].nunique(), most=charts.MOST_VEHICLES),
            WORDS("caption_states", n=61, most=60),
        ),
        WORDS("rate_means", rate=rate, late_share=0.05, cautious=""),
        *(
            wording.groups(intervals.differences(found, name), name, SHOW)
            for name in ("task", "kind", "vehicle")
        ),
        wording.sites(
            intervals.differences(found, "site"),
            intervals.sites_told(by["site"]),
            intervals.site_changes(found, log.as_of),
            log,
            SHOW,
        ),
        *(
            wording.overruns(over, found, intervals.driven_overdue(found), SHOW),
            WORDS("put_off", reasons=intervals.put_off(log)),
        ),
        WORDS(
            "first_limits",
            limits=intervals.first_limits(found),
            want=intervals.late_for_want_of_use(found),
            counted=True,
        ),
        *(
            WORDS("early", share=early[0], unused=early[1]),
            WORDS(
                "first_services",
                n=len(services),
                still_open=services["is_open"].sum(),
                late=late_of(services),
            ),
        ),
        *(
            WORDS("alt_states", states=now["state"].value_counts().reset_index(name="n")),
            WORDS("alt_month", rates=by["month"]),
            WORDS("alt_group", rates=by["task"].assign(title="Oil")),
        ),
        *(
            WORDS("alt_from_due", n=found["outcome"].value_counts()),
            WORDS("looked_again", n=len(again), late=late_of(again)),
            WORDS("coming_caption", days=90),
            WORDS("months", n=len(by["month"])),
        ),
        *against_said(log, readings, found, items, danger, rate),
    ]


@pytest.mark.parametrize(
    "log",
    [
        lambda: van_log(plan=None),
        lambda: van_log(),
        lambda: van_log(["2024-07-10", "2025-01-05"]),
        lambda: read_log(place("data", "owner")),
        lambda: read_log(place("data", "fleet")),
    ],
    ids=["no plan", "nothing done", "a few", "owner", "fleet"],
)
def test_what_is_said_holds_no_gap_on_any_log(log):
    log = log()
    said = on_actions.told(actions(log), SHOW)
    words = said[["what", "evidence", "by_said", "todo", "stands", "source"]].to_numpy().ravel()
    for text in [*everything_said(log), *words]:
        assert not re.search(r"\b(nan|None|NaT|inf)\b|\d[eE][+-]?\d|  |\.\.|\{", text), text


def test_text_out_of_a_log_is_no_markup():
    bad = "<b>*V*</b>"
    defects = [
        {"defect": "1", "vehicle": bad, "found": "2025-02-01", "text": bad, "grade": "off-road"}
    ]
    log = van_log(
        defects=defects,
        vehicles=[{"vehicle": bad, "kind": "van", "in_service": "2024-01-01", "site": bad}],
    )
    log_text = " ".join(everything_said(log))
    assert "<b>" not in log_text
    assert "*V*" not in log_text


def test_a_digger_is_late_by_its_hours_and_says_so():
    plan = {
        "plant": {
            "applies_to": ["plant"],
            "task": [
                {"code": "grease", "action": "lubricate", "every": {"hours": 100}, "tolerance": 0.1}
            ],
        }
    }
    tables = {
        "vehicles": [
            {"vehicle": "D", "kind": "plant", "in_service": "2025-01-01", "meter": "hours"}
        ],
        "odometer": [
            {"vehicle": "D", "date": f"2025-{m:02d}-01", "hours": 90 * m} for m in range(2, 7)
        ],
        "work": [
            {"vehicle": "D", "date": "2025-03-05", "hours": 275, "task": "grease", "why": "planned"}
        ],
    }
    header = {"name": "d", "distance": "km", "as_of": "2025-06-03", "first_day": "2025-01-01"}
    log = log_of(
        {name: pd.DataFrame(rows) for name, rows in tables.items()},
        header,
        plan=plan_of(plan, "km"),
    )
    found = intervals.occasions(log)
    late = intervals.overdue(found)
    # due at 100, done at 275; due again at 375, now 540: what one doing settles is one row
    assert late["over_hours"].tolist() == [165.0]
    assert list(view_of("interval_compliance", "overdue", late, SHOW)["columns"])[-3:] == [
        "due_meter_hours",
        "over_hours",
        "driven_past_km",
    ]
    assert intervals.seen(log, found).read == 1
    rng = np.random.default_rng(1)
    over = {
        unit: intervals.median_overrun(found, f"overrun_{unit}", rng)
        for unit in ("days", "km", "hours")
    }
    said = wording.overruns(over, found, intervals.driven_overdue(found), SHOW)
    assert (
        said
        == "Half of the work late by hours ran over by more than 175 hours (2 jobs). Open work counts with what it has run over so far."
    )
    only = found[found["is_open"]]
    over = {
        unit: intervals.median_overrun(only, f"overrun_{unit}", rng)
        for unit in ("days", "km", "hours")
    }
    said = wording.overruns(over, only, intervals.driven_overdue(only), SHOW)
    assert said == "How far late work runs over is not known yet: 1 late job of 1 is still open."


def test_work_of_unknown_history_is_driven_past_its_window_too():
    rows = {
        "vehicle": ["A"],
        "end_km": [900.0],
        "driven_past_km": [400.0],
        "outcome": [""],
        "state": ["past-window"],
        "in_rate": [False],
    }
    assert intervals.driven_overdue(pd.DataFrame(rows)).to_dict() == {"A": 400.0}
