"""Young and tiny logs: no headline that the record cannot carry."""

import math
from typing import ClassVar

import pandas as pd
import pytest

from wearbar import log, outlook, parts
from wearbar.cost import account as money
from wearbar.cost import per_distance as cost
from wearbar.cost.bills import known_shares
from wearbar.log import places
from wearbar.log.plan import plan_of
from wearbar.outlook.action_list import actions
from wearbar.report import coverage
from wearbar.report import report as reports
from wearbar.report.answerable import answers
from wearbar.report.quantities import Show
from wearbar.report.template import words_of
from wearbar.report.words import cost as on_cost
from wearbar.report.words import life as on_wear
from wearbar.report.words import log_check as on_check
from wearbar.report.words import outlook as on_outlook
from wearbar.report.words import severity as on_use
from wearbar.report.words.action_pages import SAY, told
from wearbar.stats.estimate import Estimate

HEADER = {"distance": "mi", "currency": "GBP", "money": "gross"}
HERON = {"vehicle": "Heron", "kind": "motorcycle", "in_service": "2023-04-02"}
HERON |= {"acquired": "2023-04-02", "acquired_odometer": 0}
OIL = {"vehicle": "Heron", "date": "2023-05-10", "odometer": 702, "task": "oil", "why": "planned"}
OIL |= {"parts_cost": 41.5}


def log_of(work, vehicles=(HERON,), **header):
    frames = {"vehicles": pd.DataFrame(vehicles), "work": pd.DataFrame(work)}
    return log.log_of(frames, HEADER | header)


def until(day, odometer):
    """The oil change of Heron and a reading on a later day."""
    later = OIL | {"date": day, "odometer": odometer, "task": "wash", "parts_cost": 5.0}
    return log_of([OIL, later])


def said(logged):
    """The headline of the outlook and of running cost."""
    show = Show(logged.units)
    year = outlook.outlook_of(logged)
    totals = outlook.totals(year, ["jobs", "hours", "money"])
    account = money.account(logged)
    spent = on_cost.headline(cost.total_per_km(account), account, show)[0]
    return on_outlook.answer(year, totals, outlook.plan_of_visits(year), show)[0], spent


class TestARecordBeginsWhereAVehicleJoined:
    def test_the_day_it_was_acquired(self):
        assert log_of([OIL]).first_day == pd.Timestamp("2023-04-02")

    def test_the_reading_it_was_acquired_at_gives_a_distance(self):
        logged = log_of([OIL])
        account = money.account(logged)
        assert account.vehicles["distance_km"].item() == pytest.approx(702 * 1.609344)

    def test_but_not_one_that_joined_years_before_its_first_row(self):
        old = HERON | {"in_service": "2015-01-01", "acquired": "2015-01-01"}
        assert log_of([OIL], [old]).first_day == pd.Timestamp("2023-05-10")

    def test_a_first_day_that_is_said_stands(self):
        assert log_of([OIL], first_day="2023-05-01").first_day == pd.Timestamp("2023-05-01")


class TestNoTotalThatTheRecordCannotCarry:
    def test_one_oil_change_is_no_years_money(self):
        year, spent = said(log_of([OIL]))
        assert "39 days long" in year
        assert "need a year of record" in year
        assert "GBP 41.50 is on record so far, over 39 days." in spent
        assert "three months" in spent

    @pytest.mark.parametrize("day, days", [("2023-06-30", 90), ("2023-07-01", 91)])
    def test_a_month_needs_three(self, day, days):
        year = outlook.outlook_of(until(day, 1500))
        assert year.record_days == days
        assert outlook.by_month(year)["money"].notna().any() == (days >= 91)
        assert math.isnan(outlook.totals(year, ["money"])["money"].value)

    @pytest.mark.parametrize("day, days", [("2024-03-30", 364), ("2024-03-31", 365)])
    def test_a_year_needs_one(self, day, days):
        logged = until(day, 8000)
        year = outlook.outlook_of(logged)
        assert logged.record_days == days
        assert math.isnan(outlook.totals(year, ["money"])["money"].value) == (days < 365)
        account = money.account(logged)
        driven = cost.by_vehicle(account)["km_per_year"]
        assert driven.notna().all() == (days >= 365)

    def test_a_cost_by_distance_or_day_needs_three_months(self):
        short, enough = (until(day, 1500) for day in ("2023-06-30", "2023-07-01"))
        made = [cost.cost_per_km(money.account(x)) for x in (short, enough)]
        assert made[0][["cost_per_km", "cost_per_day"]].isna().all(axis=None)
        assert made[1][["cost_per_km", "cost_per_day"]].notna().all(axis=None)

    def test_no_vehicle_has_no_record(self):
        empty = log_of([OIL]).only([])
        assert empty.record_days == 0


class TestOverdueFromStorage:
    def test_the_days_count_from_the_first_use_and_it_is_said(self):
        task = {"code": "battery", "action": "test", "every": {"months": 6}}
        plan = plan_of({"bike": {"applies_to": ["motorcycle"], "task": [task]}}, "mi")
        work = [OIL | {"task": "battery", "date": "2023-05-10"}]
        frames = {
            "vehicles": pd.DataFrame([HERON]), "work": pd.DataFrame(work),
            "layups": pd.DataFrame([{"vehicle": "Heron", "from": "2023-11-01", "to": "2024-02-29"}]),
            "odometer": pd.DataFrame([
                {"vehicle": "Heron", "date": "2023-10-31", "odometer": 3000},
                {"vehicle": "Heron", "date": "2024-03-11", "odometer": 3050},
                {"vehicle": "Heron", "date": "2024-03-31", "odometer": 3300},
            ]),
        }  # fmt: skip
        logged = log.log_of(frames, HEADER | {"as_of": "2024-03-31"}, plan=plan)
        row = told(actions(logged), Show(logged.units)).iloc[0]
        assert (row["urgency"], row["over_days"]) == ("overdue", 20)
        assert "past by 20 days since its first use after storage" in row["evidence"]


class TestAPartThatWasMeasuredAndIsNotInFitted:
    """A reading at its limit is a danger, whether or not anyone wrote down what is fitted there."""

    PAD: ClassVar = {
        "vehicle": "Dunlin", "date": "2026-10-14", "odometer": 41990, "position": "front",
        "category": "brake-pad", "quantity": "thickness", "value": 1.2,
    }  # fmt: skip
    CAR: ClassVar = {"vehicle": "Dunlin", "kind": "car", "in_service": "2021-05-01"}
    OLD: ClassVar = {
        "vehicle": "Dunlin",
        "position": "front",
        "category": "brake-pad",
        "item": "Plover",
    }

    def first(self, *readings, fitted=(), **header):
        frames = {"vehicles": [self.CAR], "measurements": [self.PAD | r for r in readings]}
        frames |= {"fitted": list(fitted)} if fitted else {}
        frames = {name: pd.DataFrame(rows) for name, rows in frames.items()}
        return actions(log.log_of(frames, HEADER | header))

    def test_heads_the_list_as_limit_not_known(self):
        rows = self.first({})
        assert rows.loc[0, ["urgency", "kind", "value", "table", "line"]].tolist() == [
            "check before use", "wear", 1.2, "measurements", 2.0,
        ]  # fmt: skip

    def test_is_off_the_road_below_the_law(self):
        assert self.first({}, jurisdiction="GB").loc[0, "urgency"] == "do not drive"

    def test_is_no_danger_with_plenty_left(self):
        assert self.first({"value": 8.0}, jurisdiction="GB").empty

    def test_what_was_read_of_a_part_since_removed_is_past(self):
        gone = self.OLD | {"fitted": "2026-01-02", "removed": "2026-10-20", "reason": "worn"}
        assert self.first({}, fitted=[gone], as_of="2026-10-31", jurisdiction="GB").empty

    def test_what_is_read_after_a_removal_is_another_part(self):
        gone = self.OLD | {"fitted": "2026-01-02", "removed": "2026-10-01", "reason": "worn"}
        assert self.first({}, fitted=[gone], jurisdiction="GB").loc[0, "urgency"] == "do not drive"

    def test_its_age_is_not_known(self):
        logged = log.log_of(
            {"vehicles": pd.DataFrame([self.CAR]), "measurements": pd.DataFrame([self.PAD])}, HEADER
        )
        part = parts.spans_of(logged)
        assert part["age_known"].tolist() == [False]


class TestASentenceIsTrueOfALogOfOneVehicle:
    """What a pack says of one vehicle, of a log without a plan, and of one without rows to show."""

    TASK: ClassVar = {
        "code": "oil",
        "title": "Engine oil and filter",
        "action": "replace",
        "every": {"months": 12},
    }

    def spent(self, *rows):
        """Categories of cost and the account of Heron."""
        later = OIL | {"date": "2025-05-10", "odometer": 9000}
        logged = log_of([later | row for row in rows])
        account = money.account(logged)
        return cost.cost_per_km(account, "category"), account, Show(logged.units)

    def test_a_table_without_rows_is_not_announced(self, monkeypatch):
        sent = []
        monkeypatch.setattr(reports, "display", lambda bundle, raw: sent.append(bundle))
        logged = log_of([OIL])
        report = reports.Report("outlook", logged, logged, Show(logged.units), 0.9)
        report.table(pd.DataFrame({"a": []}), "Month by month", name="months", note="By its line.")
        report.table(pd.DataFrame({"a": []}), "Overdue", empty="None is overdue.")
        assert sent[0]["text/html"] == "<span hidden></span>"
        assert sent[0][reports.TABLE]["csv"] == "a\n"
        assert sent[1]["text/html"] == '<p class="wb-none">None is overdue.</p>'

    def test_90_percent_is_said_only_of_a_range_that_is_there(self, monkeypatch):
        sent = []
        monkeypatch.setattr(reports, "display", lambda bundle, raw: sent.append(bundle))
        logged = log_of([OIL])
        monkeypatch.setattr(reports.logs, "read_log", lambda path, as_of=None: logged)
        reports.open_report("log_check")
        assert "any range at 90% unless a note says otherwise" in sent[1]["text/html"]

    def test_nothing_is_coming_only_where_a_plan_says_what_is_due(self):
        words = words_of("interval_compliance", days=90)
        assert words("none_coming", tasks=0) == words("none_overdue", tasks=0) == ""
        assert "Nothing more is listed" in words("none_coming", tasks=1)
        assert "No job of the plan" in words("none_overdue", tasks=1)

    def test_no_section_is_left_blank(self):
        words, none = (
            words_of("interval_compliance"),
            Estimate(math.nan, math.nan, math.nan, 0.9, 0),
        )
        limits = words("first_limits", limits=pd.DataFrame(), want=none, counted=False)
        assert limits.startswith("No job counts")
        assert words("early", share=none, unused=math.nan).startswith("No job counts")

    def test_hard_use_names_no_plan_and_no_want_of_readings_that_are_there(self):
        table = pd.DataFrame(
            {
                "vehicle": ["A"],
                "loose": [0.46],
                "coverage_share": [0.9],
                "severe_now": ["not known"],
            }
        )
        said = [
            on_use.headline([], pd.DataFrame())[0], on_use.effects([]), on_use.SAY("supported", table=[]),
            on_use.use_of_fleet(table, {}), on_use.SAY("cannot", found=[]),
        ]  # fmt: skip
        text = " ".join(said)
        for wrong in ("plan's", "read often enough", "no part's wear", "46% to 46%", "each of 1"):
            assert wrong not in text
        assert "vehicles that are used differently" in text

    def test_a_task_has_its_title_on_every_page_of_the_outlook(self):
        plan = plan_of({"bike": {"applies_to": ["motorcycle"], "task": [self.TASK]}}, "mi")
        rows = [
            OIL | {"date": day, "odometer": km}
            for day, km in (("2023-05-10", 702), ("2024-05-09", 8000))
        ]
        frames = {"vehicles": pd.DataFrame([HERON]), "work": pd.DataFrame(rows)}
        year = outlook.outlook_of(log.log_of(frames, HEADER, plan=plan))
        for table in (outlook.by_task(year), on_outlook.next_table(outlook.next_work(year))):
            told = on_outlook.titled(table, year.ahead.rows)
            assert (set(table["task"]), set(told["task"])) == ({"oil"}, {"Engine oil and filter"})

    def test_visits_are_announced_only_where_there_are_some(self):
        words = words_of("outlook")
        assert "The visits of" not in words("few_visits", n=0)
        assert words("few_visits", n=1).startswith("The visits of")

    def test_a_part_with_no_known_limit_is_checked_not_renewed(self):
        pad = TestAPartThatWasMeasuredAndIsNotInFitted
        rows = actions(
            log.log_of(
                {"vehicles": pd.DataFrame([pad.CAR]), "measurements": pd.DataFrame([pad.PAD])},
                HEADER,
            )
        )
        job = told(rows, Show(log_of([OIL]).units))["job"].iloc[0]
        assert job == "Check: brake pad (front): limit not known"

    def test_money_of_one_vehicle(self):
        table, account, show = self.spent({"date": "2024-01-10", "odometer": 4000}, {})
        assert on_cost.categories(table, show).startswith("The money went on")
        words = on_cost.words_in(show)
        assert "with ranges" not in words("alt_categories", table=table)
        by_kind = cost.cost_per_km(account, "kind")
        assert words("apart", what="kind", table=by_kind, apart=pd.DataFrame()).startswith(
            "There is one kind of vehicle"
        )
        total = cost.total_per_km(account)
        headline = on_cost.headline(total, account, show)[0]
        assert "Each vehicle" not in headline
        assert "vehicles" not in headline
        assert "vehicles" not in words("basis", account=account, shares=known_shares(account.lines))

    def test_a_record_of_one_day_stops_no_report(self):
        _, account, show = self.spent({})
        total = cost.total_per_km(account)
        assert (math.isnan(total.value), total.n) == (True, 0)
        assert (
            "GBP 41.50 is on record so far, over 1 day."
            in on_cost.headline(total, account, show)[0]
        )

    def test_lives_of_one_vehicle(self):
        words = on_wear.words_in(None)
        assert "more vehicles" in words("pairs", pairs=[])
        assert "in time" not in words("pairs", pairs=[])
        assert "Where a table of pairs follows" in words("caption_cost")
        one = pd.DataFrame({"n_ended": [1], "n_between": [0]})
        assert "the range is that vehicle's own" in words("life_note", table=one)

    def test_a_vehicle_that_was_sold_is_not_asked_for_readings_it_has(self):
        none = pd.DataFrame(columns=["state", "by", "why_not"], dtype=str)
        assert on_wear.headline(none, None)[0].startswith("No fitted part has a wear reading")

    @pytest.mark.parametrize(
        "gone, can", [({}, "in part"), ({"disposed": "2025-01-09", "disposal": "sold"}, "no")]
    )
    def test_log_check_and_outlook_agree_on_a_year_without_a_plan(self, gone, can):
        rows = [OIL, OIL | {"date": "2025-01-08", "odometer": 9000}]
        logged = log_of(rows, [HERON | gone], as_of="2025-01-10")
        made = answers(logged, coverage.record(logged)).set_index("subject")
        assert made.loc["next-year", "can"] == can

    def test_a_header_in_doubt_is_no_row_in_doubt(self):
        frames = {"vehicles": pd.DataFrame([HERON]), "work": pd.DataFrame([OIL])}
        said = on_check.problems_said(log.log_of(frames, {"distance": "mi"}))
        assert "used, with a doubt" not in said
        assert "log.toml is missing or in doubt" in said

    def test_a_table_with_a_header_alone_is_no_missing_table(self):
        assert SAY("blind", missing=["defects"]).startswith("The log has no record of defects")
        words = places.place("shared", "words", "log_check.md.j2").read_text(encoding="utf-8")
        assert '"no record of work"' in words
        assert '"no table' not in words

    def test_readings_of_one_day_have_no_longest_time_between_them(self):
        logged = log_of([OIL | {"date": "2025-05-10"}])
        said = on_check.record_said(coverage.record(logged))
        assert (
            said
            == "Each vehicle with readings has them on one day, so no time between readings is known."
        )
