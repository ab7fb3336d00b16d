"""A reader's own criterion, what has changed since an earlier pack, and the dashboard's reminder beside the plan."""

import json
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from test_compliance import SHOW, van_log, whole

from wearbar import intervals
from wearbar.log import log_of
from wearbar.outlook import changes
from wearbar.outlook.action_list import PRESSING, actions
from wearbar.pack import make as pack
from wearbar.pack.cli import main
from wearbar.report import against
from wearbar.report.report import NotDone
from wearbar.report.words import action_pages as on_actions
from wearbar.report.words import intervals as wording


def counts(*rows):
    return pd.DataFrame(rows, columns=["vehicle", "n", "late"])


class TestACriterion:
    @pytest.mark.parametrize(
        "tolerance", [0.1, {"distance": 400, "days": 30}, {"early": 0.2, "late": 0.0}]
    )
    def test_moves_no_due_point(self, tolerance):
        task = {
            "code": "oil",
            "action": "replace",
            "every": {"months": 6},
            "tolerance": tolerance,
            "measured_from": "schedule",
        }
        log = van_log(
            ["2024-06-20", "2025-01-20", "2025-06-25"],
            plan={"van": {"applies_to": ["van"], "task": [task]}},
        )
        plain, own = intervals.occasions(log), intervals.occasions(log, late_share=0.05)
        points = ["number", "due_date", "early_date", "done_date", "basis"]
        pd.testing.assert_frame_equal(plain[points], own[points])
        assert (own["late_date"] - own["due_date"]).dt.days.tolist() == [
            9,
            9,
            9,
            9,
        ]  # a twentieth of 182, 184, 181 and 184 days

    def test_both_rates_are_told_and_how_they_differ(self):
        log = van_log(
            ["2024-07-25"]
        )  # due 1 Jul: 24 days over; the plan grants 18, a fifth of 182 is 36
        found, other = intervals.occasions(log), intervals.occasions(log, late_share=0.2)
        moves = intervals.criterion_moves(found, other)
        assert moves == {"late_by_plan": 1, "late_by_criterion": 0, "waiting": 0}
        rates = {"rate": intervals.rate(found), "other": intervals.rate(other)}
        said = wording.SAY("two_rates", show=SHOW, moves=moves, criterion=0.2, **rates)
        assert said.startswith(
            "By the plan's tolerance, on time: **0% (range 0 to 95%; 2 jobs)**. By 20% of the interval after the due point: "
            "**50% (range 1 to 99%; 2 jobs)**."
        )
        assert "1 job is late by the plan alone and no jobs by the second tolerance alone." in said

    @pytest.mark.parametrize("value", [-0.1, 1.5, True, "0.1", math.nan])
    def test_what_is_no_share_is_refused(self, value):
        with pytest.raises(NotDone, match="give a share of the interval from 0 to 1"):
            against.criterion_of(value)


class TestTheChangeOfTheRate:
    THEN = counts(("A", 40, 4), ("B", 30, 9), ("C", 50, 5))
    NOW = counts(("A", 60, 8), ("B", 60, 20), ("D", 40, 2))

    def test_is_the_jackknife_written_out(self):
        names = ["A", "B", "C", "D"]
        then, now = (t.set_index("vehicle").reindex(names).fillna(0) for t in (self.THEN, self.NOW))

        def change(kept):
            a, b = then.loc[kept].sum(), now.loc[kept].sum()
            return a["late"] / a["n"] - b["late"] / b["n"]

        rest = np.array([change([k for k in names if k != name]) for name in names])
        half = stats.t.ppf(0.95, 3) * math.sqrt(3 / 4 * ((rest - rest.mean()) ** 2).sum())
        e = intervals.rate_change(self.THEN, self.NOW)
        assert e.value == pytest.approx(18 / 120 - 30 / 160)
        assert (e.low, e.high) == (pytest.approx(e.value - half), pytest.approx(e.value + half))

    def test_nine_in_ten_intervals_hold_no_change_where_there_is_none(self):
        rng, names, told = np.random.default_rng(4), [f"V{i}" for i in range(12)], []
        for _ in range(400):
            p = rng.beta(3, 12, len(names))
            n, more = rng.poisson(60, len(names)) + 1, rng.poisson(20, len(names))
            late = rng.binomial(n, p)
            then, now = (
                {"vehicle": names, "n": n, "late": late},
                {"vehicle": names, "n": n + more, "late": late + rng.binomial(more, p)},
            )
            told.append(intervals.rate_change(pd.DataFrame(then), pd.DataFrame(now)))
        assert 0.86 < np.mean([e.low <= 0 <= e.high for e in told]) < 0.94

    @pytest.mark.parametrize(
        "then, now, value, note",
        [
            (counts(("A", 4, 1)), counts(("A", 400, 40)), 0.15, "three vehicles"),
            (
                counts(("A", 4, 1), ("B", 4, 1)),
                counts(("A", 400, 40), ("B", 400, 60)),
                0.125,
                "three vehicles",
            ),
            (
                counts(("A", 40, 4), ("B", 40, 4), ("C", 40, 4)),
                counts(("A", 42, 4), ("B", 41, 5), ("C", 40, 4)),
                None,
                "too little",
            ),
            (counts(), counts(("A", 4, 1)), math.nan, "no occasion"),
        ],
    )
    def test_too_little_gives_words(self, then, now, value, note):
        e = intervals.rate_change(then, now)
        assert math.isnan(e.low)
        assert note in e.note
        assert value is None or e.value == pytest.approx(value, nan_ok=True)


TEST = {
    "vehicle": "V",
    "kind": "test",
    "valid_to": "2024-12-31",
    "tested": "2024-01-01",
    "result": "pass",
}
DEFECT = {"defect": "1", "vehicle": "V", "found": "2024-11-01", "text": "a", "grade": "off-road"}
OTHER = {"defect": "2", "vehicle": "V", "found": "2025-03-01", "text": "b", "grade": "off-road"}


def report_of(log):
    """(action list in words, what it leaves for a later report) of a log."""
    found = whole(log)[1]
    rows = on_actions.told(actions(log), SHOW)
    left = rows[list(changes.KEPT)].astype(changes.KEPT)
    return rows, changes.Earlier(log.as_of, intervals.counts(found), left, changes.spent(log))


class TestWhatBecame:
    def now(self, then, **now):
        log = van_log(**now)
        rows = changes.what_became(then, report_of(log)[0], log)
        return {
            (r.kind, r.item): (
                r.became,
                None if pd.isna(r.done_date) else f"{r.done_date:%Y-%m-%d}",
            )
            for r in rows.itertuples()
        }

    def test_done_closed_renewed_new_and_still(self):
        then = report_of(
            van_log(["2024-03-01"], as_of="2025-01-31", certificates=[TEST], defects=[DEFECT])
        )[1]
        assert then.actions[["kind", "item"]].apply(tuple, axis=1).tolist() == [
            ("defect", "1"),
            ("certificate", "test"),
            ("task", "oil"),
        ]
        renewed = {**TEST, "tested": "2025-02-10", "valid_to": "2026-02-09"}
        now = {
            "certificates": [TEST, renewed],
            "defects": [{**DEFECT, "closed": "2025-02-03"}, OTHER],
        }
        became = self.now(then, work=["2024-03-01", "2025-02-05", "2025-08-01"], **now)
        assert {key: came for key, came in became.items() if came[0] != "new"} == {
            ("defect", "1"): ("done", "2025-02-03"),
            ("task", "oil"): ("done", "2025-08-01"),
        } | {("certificate", "test"): ("done", "2025-02-10")}
        assert became[("defect", "2")] == ("new", None)
        assert self.now(then, work=["2024-03-01"], certificates=[TEST], defects=[DEFECT]) == {
            ("defect", "1"): ("still", None),
            ("certificate", "test"): ("still", None),
            ("task", "oil"): ("still", None),
        }

    def test_done_and_overdue_again_is_both_done_and_new(self):
        then = report_of(van_log(["2024-03-01"], as_of="2025-01-31"))[1]
        log = van_log(["2024-03-01", "2025-02-05"])
        rows = changes.what_became(then, report_of(log)[0], log)
        assert rows[["became", "forecast"]].to_numpy().tolist() == [["new", ""], ["done", ""]]

    def test_a_vehicle_that_left_did_nothing(self):
        then = report_of(van_log(["2024-03-01"], as_of="2025-01-31", defects=[DEFECT]))[1]
        gone = [
            {"vehicle": "V", "kind": "van", "in_service": "2024-01-01", "disposed": "2025-03-01"}
        ]
        assert set(
            self.now(then, work=["2024-03-01"], vehicles=gone, defects=[DEFECT]).values()
        ) == {("gone", None)}

    def test_overdue_by_distance_is_due_on_the_day_it_was_reached(self):
        plan = {
            "van": {
                "applies_to": ["van"],
                "task": [
                    {"code": "oil", "action": "replace", "every": {"distance": 3000, "months": 120}}
                ],
            }
        }
        listed = changes.listed(actions(van_log(plan=plan)))
        assert listed["due_date"].dt.year.tolist() == [2024]

    @pytest.mark.parametrize(
        "work, as_of, forecast",
        [
            ([], "2024-07-10", "due"),
            (["2024-06-25"], "2024-07-10", "done"),
            ([], "2024-06-30", ""),  # its day has not come
        ],
    )
    def test_a_forecast_came_true_or_not(self, work, as_of, forecast):
        """Due on 1 Jul, forecast on 20 Jun."""
        then = report_of(van_log(as_of="2024-06-20"))[1]
        assert then.actions["by"].tolist() == [pd.Timestamp("2024-07-01")]
        log = van_log(work, as_of=as_of)
        rows = changes.what_became(then, report_of(log)[0], log)
        assert rows.loc[rows["became"].ne("new"), "forecast"].tolist() == [forecast]

    def test_what_is_due_and_was_not_listed_is_told(self):
        then = report_of(van_log(as_of="2024-03-20"))[1]
        assert then.actions.empty
        log = van_log(as_of="2024-07-10")
        rows = changes.what_became(then, report_of(log)[0], log)
        assert rows[["became", "forecast", "urgency", "urgency_now"]].to_numpy().tolist() == [
            ["new", "unforeseen", "", "due"]
        ]
        same = log, report_of(log)
        rows = changes.what_became(same[1][1], same[1][0], log)
        assert rows["became"].tolist() == ["still"]

    def test_nothing_then_and_now_is_said(self):
        log = van_log(plan=None)
        now, then = report_of(log)
        rows = changes.what_became(then, now, log)
        assert rows.empty
        said = wording.SAY(
            "since_said",
            show=SHOW,
            rows=rows,
            then=then,
            change=intervals.rate_change(then.counts, then.counts),
            spent=changes.spent_since(then, log),
            pressing=PRESSING,
        )
        assert said == (
            "**Since 1 Jan 2026**, the day of the earlier pack: its list was empty. Nothing is new."
        )


BILLS = [
    {"vehicle": "V", "date": f"2024-{day}", "task": "oil", "why": "planned", "parts_cost": cost}
    for day, cost in (("04-10", 10), ("05-10", 40), ("06-10", 300), ("06-11", None))
]


class TestTheMoneySince:
    def log(self, as_of, bills=BILLS):
        return log_with([bill for bill in bills if bill["date"] <= as_of] or bills[:1], as_of)

    def test_is_of_the_days_between_and_of_as_many_before(self):
        then = report_of(self.log("2024-05-31"))[1]
        told = changes.spent_since(then, self.log("2024-06-30"))
        assert told == {"days": 30, "now": 300.0, "before": 40.0, "late": 0.0}

    def test_a_bill_that_comes_in_later_is_told(self):
        then = report_of(self.log("2024-05-31", BILLS[:1]))[1]
        assert changes.spent_since(then, self.log("2024-06-30"))["late"] == 40.0

    def test_before_the_record_nothing_is_known(self):
        then = report_of(self.log("2024-01-20"))[1]
        assert math.isnan(changes.spent_since(then, self.log("2024-06-30"))["before"])


def log_with(bills, as_of):
    header = {"distance": "mi", "as_of": as_of, "first_day": "2024-01-01"}
    readings = [{"vehicle": "V", "date": "2024-01-01", "odometer": 0}]
    vans = [{"vehicle": "V", "kind": "van", "in_service": "2024-01-01"}]
    frames = {"vehicles": vans, "odometer": readings, "work": bills}
    return log_of({name: pd.DataFrame(rows) for name, rows in frames.items()}, header)


@pytest.fixture(scope="module")
def two_packs(by_hand, tmp_path_factory):
    """(folder, findings) of two packs of one log, the second made against the first."""
    root, only = (
        tmp_path_factory.mktemp("against"),
        {"log": by_hand, "only": [against.REPORT], "tell": lambda line: None},
    )
    pack.make_pack(root / "then", as_of="2026-01-31", **only)
    pack.make_pack(root / "now", since=root / "then", criterion=0.2, **only)
    return {
        name: (root / name, json.loads((root / name / "findings.json").read_text(encoding="utf-8")))
        for name in ("then", "now")
    }


def rows_of(findings, name):
    return findings["reports"][against.REPORT]["findings"][name]["rows"]


class TestAnEarlierPack:
    def test_gives_the_change_and_the_second_rate(self, two_packs):
        found = two_packs["now"][1]["reports"][against.REPORT]["findings"]
        assert (
            found["on_time_rate_change"]["note"].endswith("2026-01-31")
            or found["on_time_rate_change"]["value"] is None
        )
        assert found["on_time_rate_by_criterion"]["unit"] == "share"
        assert two_packs["now"][1]["parameters"]["criterion"] == 0.2
        page = (two_packs["now"][0] / f"{against.REPORT}.html").read_text(encoding="utf-8")
        assert "the day of the earlier pack" in page
        assert "of the interval after the due point" in page

    def test_without_one_nothing_is_said(self, two_packs):
        folder, told = two_packs["then"]
        assert "the day of the earlier pack" not in (folder / f"{against.REPORT}.html").read_text(
            encoding="utf-8"
        )
        assert not {"on_time_rate_change", "on_time_rate_by_criterion"} & set(
            told["reports"][against.REPORT]["findings"]
        )

    def test_comes_back_as_it_was(self, two_packs, by_hand):
        from wearbar.log import read_log

        log = read_log(by_hand, as_of=pd.Timestamp("2026-01-31"))
        ours, then = (
            report_of(log)[1],
            against.earlier_pack(two_packs["then"][0], log, {"site": "", "vehicle": []}),
        )
        assert then.as_of == log.as_of
        pd.testing.assert_frame_equal(then.actions, ours.actions)
        pd.testing.assert_frame_equal(then.spent, ours.spent)
        pd.testing.assert_frame_equal(then.counts, ours.counts, check_dtype=False)

    @pytest.mark.parametrize(
        "change, words",
        [
            (lambda f: f.update(schema="wearbar-findings/0"), "compares wearbar-findings/1 alone"),
            (lambda f: f["log"].update(name="Other"), "is of another log, Other"),
            (lambda f: f["log"].update(as_of="2030-01-01"), "is of a later day, 2030-01-01"),
            (lambda f: f["parameters"].update(site="north"), "is about site north"),
            (lambda f: f["log"].update(currency="EUR"), "is in EUR, not in GBP"),
            (lambda f: f["reports"].clear(), "holds no interval_compliance"),
            (
                lambda f: f["reports"][against.REPORT]["findings"][against.COUNTED].pop("rows"),
                "holds no interval_compliance",
            ),
            (
                lambda f: [row.pop("anchor_date") for row in rows_of(f, against.ACTIONS)],
                "or one by an earlier version",
            ),
            (lambda f: f["log"].pop("name"), "lacks a part"),
            (lambda f: f.update(reports=[]), "lacks a part"),
            (None, "cannot be read as JSON"),
        ],
    )
    def test_that_cannot_be_compared_is_refused_in_a_sentence(
        self, two_packs, by_hand, tmp_path, capsys, change, words
    ):
        told = json.loads(json.dumps(two_packs["then"][1]))
        if change:
            change(told)
        (tmp_path / "findings.json").write_text(
            json.dumps(told) if change else "{", encoding="utf-8"
        )
        assert (
            main(["pack", str(by_hand), "--since", str(tmp_path), "--out", str(tmp_path / "out")])
            == 2
        )
        said = capsys.readouterr().err.removeprefix("Reading the log\n")
        assert words in said
        assert said.count("\n") == 1
        assert "fault of this program" not in said

    def test_a_report_that_takes_none_is_named(self, by_hand, tmp_path, capsys):
        asked = ["--criterion", "0.1", "--only", "log_check", "--out", str(tmp_path / "out")]
        assert main(["pack", str(by_hand), *asked]) == 2
        assert "criterion is for interval_compliance alone" in capsys.readouterr().err


def reminded(rows, work=("2025-07-10",), plan=None):
    """(drift, log) of a van whose oil is due every 6 months, or by `plan`; rows: event, date, reading, span in miles, span in days."""
    names = ["event", "date", "odometer", "span_distance", "span_days"]
    events = [{"vehicle": "V"} | dict(zip(names, row, strict=False)) for row in rows]
    more = {"plan": plan} if plan else {}
    log = van_log(list(work), dash_events=events, **more)
    return intervals.reminder_drift(log, intervals.occasions(log)), log


class TestTheReminder:
    def test_counts_from_its_restart_and_the_plan_from_the_work(self):
        drift, _ = reminded([("restarted", "2025-07-10", None, None, 372)])
        row = drift.iloc[0]
        assert (row["plan_date"], row["reminder_date"]) == (
            pd.Timestamp("2026-01-10"),
            pd.Timestamp("2026-07-17"),
        )
        assert row["drift_days"] == 188
        assert not row["is_showing"]

    def test_not_restarted_at_the_work_it_comes_early(self):
        drift, log = reminded(
            [("restarted", "2025-01-10", None, None, 372)], work=["2025-01-10", "2025-10-01"]
        )
        assert drift["drift_days"].tolist() == [
            (pd.Timestamp("2026-01-17") - pd.Timestamp("2026-04-01")).days
        ]
        assert (
            "to compare with the plan. It comes before the plan's day, by 74 days. "
            in wording.dash_said(drift, log, SHOW)
        )

    def test_showing_it_came_on_the_day_it_was_seen(self):
        drift, log = reminded(
            [("restarted", "2025-07-10", None, None, 150), ("shown", "2025-12-09", None, None, 150)]
        )
        assert "It is showing now on V." in wording.dash_said(drift, log, SHOW)
        assert drift["is_showing"].tolist() == [True]
        assert drift["reminder_date"].tolist() == [pd.Timestamp("2025-12-09")]
        again, _ = reminded(
            [("shown", "2025-07-01", None, None, 150), ("restarted", "2025-07-10", None, None, 150)]
        )
        assert again["is_showing"].tolist() == [False]

    def test_drifts_in_distance_too(self):
        plan = {
            "van": {
                "applies_to": ["van"],
                "task": [{"code": "oil", "action": "replace", "every": {"distance": 6000}}],
            }
        }
        drift, _ = reminded(
            [("restarted", "2025-07-10", 7050, 7000, None)], work=["2025-07-10"], plan=plan
        )
        row = drift.iloc[0]
        assert row["drift_km"] == pytest.approx((7050 + 7000) * 1.609344 - row["plan_km"])
        assert row["drift_low_days"] <= row["drift_days"] <= row["drift_high_days"]
        assert row["drift_days"] > 0

    def test_stands_for_what_was_done_when_it_was_restarted(self):
        every = ({"months": 12}, {"months": 6})
        tasks = [
            {"code": code, "action": "replace", "every": limit}
            for code, limit in zip(("belt", "oil"), every, strict=True)
        ]
        plan = {"van": {"applies_to": ["van"], "task": tasks}}
        drift, _ = reminded([("restarted", "2025-07-10", None, None, 365)], plan=plan)
        assert drift["task"].tolist() == ["oil"]
        drift, _ = reminded([("restarted", "2025-07-11", None, None, 365)], plan=plan)
        assert drift["task"].tolist() == ["belt"]

    def test_is_told_to_be_missing_and_never_puts_the_plan_off(self):
        drift, log = reminded([])
        assert "no dashboard reminders" in wording.dash_said(drift, log, SHOW)
        drift, log = reminded([("restarted", "2025-07-10", None, None, 372)])
        said = wording.dash_said(drift, log, SHOW)
        assert "by 188 days: **whoever waits for it is late**" in said
        assert "a silent reminder defers nothing" in said

    def test_without_a_span_or_of_a_vehicle_gone_it_tells_nothing(self):
        drift, log = reminded([("restarted", "2025-07-10", None, None, None)])
        assert drift["drift_days"].isna().all()
        assert "There is not enough data to say" in wording.dash_said(drift, log, SHOW)
        fleet = log.tables["vehicles"].assign(disposed=pd.Timestamp("2025-12-01"))
        gone = replace(log, tables={**log.tables, "vehicles": fleet})
        assert intervals.reminder_drift(gone, intervals.occasions(gone)).empty
