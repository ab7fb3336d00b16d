"""The action list: every danger, once, at the head, on a log of a few rows with each planted.

Rules R12, R14 and R15 are the project's own (trade practice, no source); the days and distances
beside each case are worked out by hand from its rows.
"""

from functools import cache

import pandas as pd
import pytest
from planted import READ, TASKS, TEST, TYRE, VAN, fail, read

from wearbar import intervals
from wearbar.log import log_of
from wearbar.log.plan import plan_of
from wearbar.log.units import Units
from wearbar.outlook.action_list import DANGER, URGENCY, actions
from wearbar.report.quantities import Show
from wearbar.report.words import action_pages as wording

SHOW = Show(Units(distance="km"))
listed = cache(actions)  # of a log that several tests ask
DONE = [("pads-inspect", "2025-11-20"), ("tyres-inspect", "2025-11-20"), ("wash", "2025-11-20")]


def small_log(vehicles=(VAN,), plan=True, as_of="2026-01-01", work=(), header=(), **tables):
    tables["odometer"] = [{"vehicle": "V", "date": d, "odometer": x} for d, x in READ]
    done = [{"task": t, "date": d, "why": "planned", "result": "pass"} for t, d in DONE]
    tables["work"] = [*done, *work] if plan else list(work)
    frames = {
        name: pd.DataFrame([{"vehicle": "V"} | row for row in rows])
        for name, rows in tables.items()
        if rows
    }
    frames["vehicles"] = pd.DataFrame(list(vehicles))
    told = {"distance": "km", "as_of": as_of, "first_day": "2024-01-01", **dict(header)}
    return log_of(
        frames,
        told,
        plan=plan_of({"van": {"applies_to": ["van"], "task": TASKS}}, "km") if plan else None,
    )


def done(task, date, result="", **more):
    return {"task": task, "date": date, "why": "planned", "result": result, **more}


def open_findings(log):
    return findings_in(actions(log))


def findings_in(rows):
    rows = rows.loc[rows["kind"].eq("finding"), ["item", "position", "urgency"]]
    return list(rows.itertuples(index=False, name=None))


def each_van(*cases):
    """The rows of the action list by case: one log with a van for each, of rows by table beside `DONE`."""
    tables = {}
    for n, case in enumerate(cases):
        own = {"vehicles": [VAN], "odometer": [{"date": d, "odometer": x} for d, x in READ]} | case
        own["work"] = [*(done(task, day, "pass") for task, day in DONE), *case.get("work", ())]
        for name, rows in own.items():
            tables.setdefault(name, []).extend(row | {"vehicle": f"V{n}"} for row in rows)
    frames = {name: pd.DataFrame(rows) for name, rows in tables.items()}
    told = {"distance": "km", "as_of": "2026-01-01", "first_day": "2024-01-01"}
    plan = plan_of({"van": {"applies_to": ["van"], "task": TASKS}}, "km")
    rows = actions(log_of(frames, told, plan=plan))
    return [rows[rows["vehicle"].eq(f"V{n}")] for n in range(len(cases))]


FRONT = [("pads-inspect", "front", "do not drive")]
ALL = [("pads-inspect", "", "do not drive")]


class TestFailedInspections:
    """R12."""

    def test_it_heads_the_list_from_that_day(self):
        row = actions(small_log(work=[fail(position="front")])).iloc[0]
        assert (row["urgency"], row["reason"], row["rank"]) == ("do not drive", "off-road", 1)
        assert (row["days_open"], row["table"]) == (31.0, "work")
        # 10,000 km in 363 days, of which 29 remain from 1 to 30 December
        assert row["driven_km"] == pytest.approx(10_000 * 29 / 363)

    def test_what_ends_it(self):
        cases = [
            ([done("pads-inspect", "2025-12-02", "pass", position="front")], []),
            ([done("pads-inspect", "2025-12-02", "advisory", position="front")], []),
            ([done("pads-inspect", "2025-12-01", "pass", position="front")], []),  # looked at again
            ([done("pads-inspect", "2025-12-02", "pass")], []),  # at all its positions
            ([done("pads-inspect", "2025-12-02", "pass", position="rear")], FRONT),
            ([done("pads-inspect", "2025-12-02", "", position="front")], FRONT),  # blank: nothing
            ([done("pads-inspect", "2025-12-02", "not-checked", position="front")], FRONT),
            ([done("tyres-inspect", "2025-12-02", "pass")], FRONT),
            ([done("pads-replace", "2025-12-01", "", position="front")], []),  # covers it
            ([done("pads-replace", "2025-12-02", "", position="rear")], FRONT),
            ([done("pads-replace", "2025-11-30", "", position="front")], FRONT),  # before it
        ]
        vans = each_van(*({"work": [fail(position="front"), *then]} for then, _ in cases))
        assert [findings_in(rows) for rows in vans] == [left for _, left in cases]

    def test_a_pass_above_it_on_the_same_day_ends_nothing(self):
        rows = [
            done("pads-inspect", "2025-12-01", "pass", position="front"),
            fail(position="front"),
        ]
        assert open_findings(small_log(work=rows)) == FRONT

    def test_blank_is_all_positions(self):
        cases = [(["front"], ALL), (["rear"], ALL), (["front", "rear"], [])]
        vans = []
        for positions, _ in cases:
            pad = {"category": "brake-pad", "item": "p", "fitted": "2025-12-02"}
            pads = [pad | {"position": p} for p in positions]
            passes = [done("pads-inspect", "2025-12-02", "pass", position=p) for p in positions]
            vans += [{"work": [fail()], "fitted": pads}, {"work": [fail(), *passes]}]
        told = [findings_in(rows) for rows in each_van(*vans)]
        assert told == [left for _, left in cases for _ in ("fitted", "passed")]

    def test_a_task_without_positions_is_renewed_where_parts_are(self):
        on = [
            {"category": "tyre", "item": "t", "position": p, "fitted": "2025-01-01"}
            for p in ("front", "rear")
        ]
        renewed = on[0] | {"fitted": "2025-12-02"}
        old = on[0] | {"removed": "2025-12-02", "reason": "worn"}
        told = open_findings(small_log(work=[fail("tyres-inspect")], fitted=[old, renewed, on[1]]))
        assert told == [("tyres-inspect", "", "do not drive")]

    def test_defects_of_its_visit_end_it_once_all_are_closed(self):
        bad = fail(position="front", visit="W1")
        found = {
            "found": "2025-12-01",
            "text": "thin",
            "grade": "advisory",
            "found_visit": "W1",
            "position": "front",
        }
        pads = [found | {"defect": "D1", "closed": "2025-12-03"}, found | {"defect": "D2"}]
        assert open_findings(small_log(work=[bad], defects=pads)) == FRONT
        pads[1]["closed"] = "2025-12-04"
        assert open_findings(small_log(work=[bad], defects=pads)) == []
        elsewhere = [found | {"defect": "D1", "closed": "2025-12-03", "position": "rear"}]
        assert open_findings(small_log(work=[bad], defects=elsewhere)) == FRONT

    def test_a_bulb_put_right_ends_no_failed_brakes(self):
        bad = fail("brake-pads", visit="W1")
        on = [{"category": "brake-pad", "item": "p", "position": "front", "fitted": "2025-01-01"}]
        bulb = {
            "defect": "D1",
            "found": "2025-12-01",
            "text": "bulb",
            "grade": "advisory",
            "found_visit": "W1",
        }
        bulb |= {"category": "bulb", "closed": "2025-12-01"}
        assert open_findings(small_log(work=[bad], defects=[bulb], fitted=on)) == [
            ("brake-pads", "", "do not drive")
        ]

    def test_another_tasks_fail_is_work_due_that_day(self):
        rows = actions(small_log(work=[fail("wash")]))
        assert open_findings(small_log(work=[fail("wash")])) == [("wash", "", "failed")]
        assert not rows["urgency"].isin(DANGER).any()

    @pytest.mark.parametrize(
        "task, urgency",
        [
            ("brake-check", "do not drive"),
            ("roadworthiness-test", "do not drive"),
            ("wash", "failed"),
        ],
    )
    def test_without_a_plan_its_name_tells(self, task, urgency):
        assert open_findings(small_log(plan=False, work=[fail(task)])) == [(task, "", urgency)]

    def test_two_in_a_row_are_one_from_the_first(self):
        rows = actions(
            small_log(work=[fail(position="front"), fail(position="front", date="2025-12-20")])
        )
        assert rows.loc[rows["kind"].eq("finding"), "due_date"].tolist() == [
            pd.Timestamp("2025-12-01")
        ]

    def test_a_vehicle_that_left_has_none(self):
        gone = VAN | {"disposed": "2025-12-20", "disposed_odometer": 19_900}
        assert actions(small_log([gone], work=[fail()])).empty


class TestFailedTests:
    def test_it_heads_every_list_while_an_older_certificate_runs(self):
        row = wording.told(
            actions(small_log(work=[fail("roadworthiness-test")], certificates=[TEST])), SHOW
        ).iloc[0]
        assert row["what"] == "Roadworthiness test: failed, retest needed"
        assert row["urgency"] == "do not drive"

    @pytest.mark.parametrize("ends", [False, True])
    def test_so_does_one_among_the_certificates(self, ends):
        bad = TEST | {"tested": "2025-12-01", "valid_to": "2025-12-01", "result": "fail"}
        again = [TEST | {"tested": "2025-12-10", "valid_to": "2026-12-09"}] if ends else []
        log = small_log(certificates=[TEST, bad, *again])
        assert open_findings(log) == ([] if ends else [("roadworthiness", "", "do not drive")])

    def test_both_tables_tell_of_one_test(self):
        bad = TEST | {"tested": "2025-12-01", "valid_to": "2025-12-01", "result": "fail"}
        assert (
            len(
                open_findings(
                    small_log(work=[fail("roadworthiness-test")], certificates=[TEST, bad])
                )
            )
            == 1
        )

    def test_only_a_pass_is_a_retest(self):
        bad = fail("roadworthiness-test", visit="W1")
        closed = {
            "defect": "D1",
            "found": "2025-12-01",
            "text": "x",
            "grade": "advisory",
            "found_visit": "W1",
            "closed": "2025-12-02",
        }
        assert open_findings(small_log(work=[bad], defects=[closed])) == [
            ("roadworthiness-test", "", "do not drive")
        ]
        assert (
            open_findings(small_log(work=[bad, done("roadworthiness-test", "2025-12-04", "pass")]))
            == []
        )
        passed = [TEST | {"tested": "2025-12-04", "valid_to": "2026-12-03"}]
        assert open_findings(small_log(work=[bad], certificates=passed)) == []


class TestRecallsAndDeferrals:
    """R14 and R15."""

    def test_a_recall(self):
        cases = [
            ({"by": "2026-05-14"}, "safety recall", "do by 14 May 2026"),
            ({"by": "2025-12-20"}, "safety recall", "was to be done by 20 Dec 2025, 12 days past"),
            ({}, "safety recall", "issued on 1 Dec 2025, open 31 days"),
            ({"stop": "yes", "by": "2026-05-14"}, "do not drive", "do by 14 May 2026"),
            ({"kind": "campaign"}, "recall", "issued on 1 Dec 2025, open 31 days"),
            ({"kind": "campaign", "by": "2026-02-01"}, "ends soon", "do by 1 Feb 2026"),
            ({"kind": "campaign", "by": "2026-08-01"}, "coming", "do by 1 Aug 2026"),
        ]
        recall = {"campaign": "R1", "issued": "2025-12-01", "kind": "safety-recall"}
        vans = each_van(*({"campaigns": [recall | more]} for more, *_ in cases))
        for rows, (_, urgency, words) in zip(vans, cases, strict=True):
            row = wording.told(rows[rows["kind"].eq("campaign")], SHOW).iloc[0]
            assert (row["urgency"], row["evidence"]) == (urgency, words)
            is_first = rows["kind"].iloc[0] == "campaign"
            assert is_first or urgency not in ("do not drive", "safety recall")

    def test_a_deferral_counts_from_the_day_it_was_put_off_to(self):
        ended, past_km = "deferred to 1 Dec 2025 (parts)", "deferred to 19,900 km (parts)"
        cases = [
            ({"until": "2025-12-01"}, "deferral ended", f"{ended}; past by 31 days"),
            ({"until": "2026-03-01"}, "coming", "deferred to 1 Mar 2026 (parts)"),
            ({}, "at the next visit", "no date given (parts)"),
            ({"until_odometer": 19_900}, "deferral ended", f"{past_km}; past by 100 km"),
        ]
        put_off = {"task": "wash", "date": "2025-11-25", "reason": "parts"}
        vans = each_van(*({"deferrals": [put_off | more]} for more, *_ in cases))
        for rows, (_, *expected) in zip(vans, cases, strict=True):
            row = wording.told(rows[rows["kind"].eq("deferral")], SHOW).iloc[0]
            assert [row["urgency"], row["evidence"]] == expected

    def test_a_deferred_defect_is_one_row_and_a_deferral_that_is_over_brings_it_forward(self):
        found = "reported: found on 1 Nov 2025, open 61 days; 1,625 km driven since"
        cases = [
            (
                {"until": "2026-03-01"},
                "at the next visit",
                f"{found}; deferred to 1 Mar 2026 (parts)",
            ),
            ({"until": "2025-12-01"}, "deferral ended", f"{found}; deferred to 1 Dec 2025 (parts)"),
            ({}, "at the next visit", f"{found}; deferred (parts)"),
        ]
        defect = {"defect": "D0", "found": "2025-11-01", "text": "joint blows", "grade": "advisory"}
        put_off = {"defect": "D0", "date": "2025-11-25", "reason": "parts"}
        vans = each_van(
            *(
                {"defects": [defect | number], "deferrals": [put_off | number | more]}
                for n, (more, *_) in enumerate(cases)
                for number in [{"defect": f"D{n}"}]
            )
        )
        for rows, (_, *expected) in zip(vans, cases, strict=True):
            rows = wording.told(rows[rows["kind"].isin(["defect", "deferral"])], SHOW)
            assert rows["what"].tolist() == ["joint blows"]
            assert rows.iloc[0][["urgency", "evidence"]].tolist() == expected
        grave = defect | {"grade": "off-road"}
        (rows,) = each_van({"defects": [grave], "deferrals": [put_off | {"until": "2025-12-01"}]})
        assert rows["urgency"].iloc[0] == "do not drive"
        assert not rows["kind"].eq("deferral").any()

    def test_nothing_is_past_by_less_than_nothing(self, demo_log):
        for log in (demo_log("fleet"), demo_log("owner")):
            table = intervals.items(log)
            for name in ("days_open", "over_days", "over_km", "driven_km"):
                assert not (table[name] < 0).any(), name


TYRE |= {"fitted_odometer": 10_000, "new_depth": 8, "limit_depth": 2}


GB = {"jurisdiction": "GB"}


class TestWornParts:
    def first(self, log):
        return wording.told(actions(log), SHOW).iloc[0]

    def test_below_the_legal_limit_by_reading_it_is_not_driven(self):
        row = self.first(small_log(header=GB, fitted=[TYRE], measurements=read(6.0, 4.0, 1.2)))
        assert (row["urgency"], row["reason"]) == ("do not drive", "below-legal")
        assert row["evidence"].startswith(
            "measured 1.2 mm on 30 Dec 2025; limit 2.0 mm, legal 1.6 mm (GB)"
        )

    def test_at_its_own_limit_by_reading_it_is_renewed_today(self):
        row = self.first(small_log(header=GB, fitted=[TYRE], measurements=read(6.0, 4.0, 1.9)))
        assert (row["urgency"], row["is_forecast"], row["todo"]) == (
            "at its limit",
            False,
            "Renew it today.",
        )

    def test_by_its_line_it_is_a_forecast_with_the_last_reading(self):
        """8 mm new, 2 mm each 2,500 km: 2 mm at 17,500 km, and the vehicle is at 20,000."""
        row = self.first(
            small_log(header=GB, fitted=[TYRE], measurements=read(6.0, 4.1, 2.1, 0)[:3])
        )
        assert row["urgency"] in ("at its limit", "measure now")
        assert row["is_forecast"]
        assert row["evidence"].startswith("forecast")
        assert "measured 2.1 mm on 1 Oct 2025" in row["evidence"]
        assert row["by"] == pd.Timestamp("2026-01-01")

    def test_without_any_limit_it_is_checked_before_use(self):
        log = small_log(fitted=[TYRE | {"limit_depth": None}], measurements=read(6.0, 4.0, 0.9))
        row = self.first(log)
        assert (row["urgency"], row["what"]) == ("check before use", "Tyre (rear): limit not known")
        assert "measured 0.9 mm on 30 Dec 2025" in row["evidence"]
        said, urgency = wording.dangers_said(actions(log), [])
        assert (said, urgency) == ("1 vehicle needs a check before use: V.", "now")

    def test_the_line_it_rests_on_is_named(self):
        row = self.first(small_log(header=GB, fitted=[TYRE], measurements=read(6.0, 4.0, 1.2)))
        assert row["source"] == "measurements line 4"


class TestTheList:
    TWO = (VAN, VAN | {"vehicle": "W"})

    def planted(self, **more):
        off = {
            "defect": "D1",
            "found": "2025-12-20",
            "text": "brake hose torn",
            "grade": "off-road",
        }
        lapsed = TEST | {"valid_to": "2025-12-20", "vehicle": "W"}
        return small_log(self.TWO, defects=[off], certificates=[lapsed], **more)

    def test_a_vehicle_in_use_comes_before_one_laid_up(self):
        assert actions(self.planted())["vehicle"].head(2).tolist() == ["V", "W"]
        rows = wording.told(
            actions(self.planted(layups=[{"from": "2025-12-21", "reason": "spare"}])), SHOW
        )
        assert rows["vehicle"].head(2).tolist() == ["W", "V"]
        assert rows["by_said"].tolist()[1] == "before its next use"
        assert "in storage" in rows["stands"].tolist()[1]

    def test_ranks_run_on_and_urgency_never_falls(self, demo_log):
        rows = listed(demo_log("fleet"))
        assert rows["rank"].tolist() == list(range(1, len(rows) + 1))
        at = rows["urgency"].map({u: i for i, u in enumerate(URGENCY)})
        assert at.is_monotonic_increasing

    def test_one_overdue_count(self, demo_log):
        log = demo_log("owner")
        found = intervals.occasions(log)
        rows = actions(log)
        assert rows["urgency"].eq("overdue").sum() == len(intervals.overdue(found)) == 2

    def test_empty_tables_and_no_plan_give_no_row_and_say_what_is_not_seen(self):
        log = small_log(plan=False)
        rows = actions(log)
        assert rows.empty
        said = wording.dangers_said(rows, intervals.untold(log))[0]
        assert said.startswith("**The log has no record of defects, certificates and recalls")

    def test_warranties_and_certificates_that_end_within_sixty_days(self):
        van = VAN | {"warranty_until": "2026-02-01"}
        rows = actions(small_log([van], certificates=[TEST | {"valid_to": "2026-03-02"}]))
        soon = rows[rows["urgency"].eq("ends soon")]
        assert soon["kind"].tolist() == ["warranty", "certificate"]
        rows = actions(
            small_log(
                [VAN | {"warranty_until": "2026-03-03"}],
                certificates=[TEST | {"valid_to": "2026-03-03"}],
            )
        )
        assert not rows["urgency"].eq("ends soon").any()

    def test_plan_hours_and_parts_come_with_the_work(self):
        log = small_log(header=GB, fitted=[TYRE | {"category": "brake-pad", "position": "front"}],
                        measurements=[r | {"category": "brake-pad", "position": "front", "quantity": "thickness"}
                                      for r in read(6.0, 4.0, 1.9)])  # fmt: skip
        rows = actions(log)
        assert rows["parts"].iloc[0][0]["item"] == "pad set"
        row = wording.told(rows, SHOW).iloc[0]
        assert (row["hours"], row["parts"], row["set_size"]) == (1.5, "1 pad set", 1)

    def test_nothing_ahead_was_due(self, demo_log):
        for name in ("fleet", "owner"):
            log = demo_log(name)
            said = wording.told(listed(log), Show(log.units))
            ahead = said[said["due_date"] > log.as_of]
            assert not ahead["evidence"].str.contains("was |ago|expired").any()
            assert not said["evidence"].str.contains(r"-\d+ (?:days|mi|km)").any()
