"""Young and tiny logs: no headline that the record cannot carry."""

import math
from typing import ClassVar

import pandas as pd
import pytest

from wearbar import cost, log, money, outlook, spans, usage
from wearbar.actionlist import actions
from wearbar.plan import plan_of
from wearbar.wording import cost as on_cost
from wearbar.wording import outlook as on_outlook
from wearbar.wording.actionlist import told
from wearbar.wording.common import Show

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
    totals = [outlook.total(year, name) for name in ("jobs", "hours", "money")]
    account = money.account(logged, usage.readings(logged))
    spent = on_cost.headline(cost.total_per_km(account), account, show)[0]
    return on_outlook.answer(year, totals, outlook.plan_of_visits(year), show)[0], spent


class TestARecordBeginsWhereAVehicleJoined:
    def test_the_day_it_was_acquired(self):
        assert log_of([OIL]).first_day == pd.Timestamp("2023-04-02")

    def test_the_reading_it_was_acquired_at_gives_a_distance(self):
        logged = log_of([OIL])
        account = money.account(logged, usage.readings(logged))
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
        assert "So far GBP 41.50 is on record, over 39 days." in spent
        assert "three months" in spent

    @pytest.mark.parametrize("day, days", [("2023-06-30", 90), ("2023-07-01", 91)])
    def test_a_month_needs_three(self, day, days):
        year = outlook.outlook_of(until(day, 1500))
        assert year.record_days == days
        assert outlook.by_month(year)["money"].notna().any() == (days >= 91)
        assert math.isnan(outlook.total(year, "money").value)

    @pytest.mark.parametrize("day, days", [("2024-03-30", 364), ("2024-03-31", 365)])
    def test_a_year_needs_one(self, day, days):
        logged = until(day, 8000)
        year = outlook.outlook_of(logged)
        assert logged.record_days == days
        assert math.isnan(outlook.total(year, "money").value) == (days < 365)
        account = money.account(logged, usage.readings(logged))
        driven = cost.by_vehicle(account)["km_per_year"]
        assert driven.notna().all() == (days >= 365)

    def test_a_cost_by_distance_or_day_needs_three_months(self):
        short, enough = (until(day, 1500) for day in ("2023-06-30", "2023-07-01"))
        made = [cost.cost_per_km(money.account(x, usage.readings(x))) for x in (short, enough)]
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
    OLD: ClassVar = {"vehicle": "Dunlin", "position": "front", "category": "brake-pad", "item": "Plover"}

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
        part = spans.spans_of(logged)
        assert part["age_known"].tolist() == [False]
