"""What would be otherwise: against arithmetic by hand, and against what must not be asked."""

import math

import pandas as pd
import pytest
from steady import OIL, steady_log

import wearbar as wb
from wearbar.log import log_of
from wearbar.log.plan import plan_of
from wearbar.outlook import outlook_of
from wearbar.outlook.what_if import FIGURES, TRIP, Change, on_a_trip, what_if
from wearbar.report.quantities import Show
from wearbar.report.verbs_ahead import change_of
from wearbar.report.words import outlook as wording


@pytest.fixture(scope="module")
def steady():
    return steady_log()


@pytest.fixture(scope="module")
def now(steady):
    return outlook_of(steady)


def asked(steady, now, **change):
    return what_if(steady, Change(**change), now=now).set_index("figure")


def test_nothing_otherwise_is_no_difference(steady, now):
    found = what_if(steady, Change())
    assert found["figure"].tolist() == FIGURES
    assert (found[["difference", "low", "high"]].fillna(0) == 0).all(axis=None)
    assert found.set_index("figure").loc["jobs", "now"] == pytest.approx(
        7, abs=1
    )  # what is due on the last day may wait
    pd.testing.assert_frame_equal(found, asked(steady, now).reset_index())


@pytest.mark.parametrize("use", [0.5, 1.5, 3.0])
def test_distance_brings_work_in_proportion(steady, now, use):
    found = asked(steady, now, use=use)
    assert found.loc["km", "then"] / found.loc["km", "now"] == pytest.approx(use, rel=0.02)
    extra = (use - 1) * 7
    assert found.loc["jobs", "difference"] == pytest.approx(extra, rel=0.15)
    assert found.loc["jobs", "low"] - 1 <= extra <= found.loc["jobs", "high"] + 1
    assert found.loc["planned", "difference"] == pytest.approx((use - 1) * 6 * 40, rel=0.2)


def test_half_the_interval_is_twice_the_work_of_that_task_alone(steady, now):
    found = asked(steady, now, sooner={"oil": {"km": 2_000.0}})
    assert found.loc["jobs", "difference"] == pytest.approx(6, abs=1)
    assert found.loc["hours", "difference"] == pytest.approx(6 * 0.5, abs=0.5)
    assert found.loc["km", "difference"] == 0


def test_the_owners_labour_is_not_paid(steady, now):
    found = asked(steady, now, own_work=("oil",))
    assert found.loc["planned", "then"] / found.loc["planned", "now"] == pytest.approx(10 / 40)
    assert found.loc["hours", "difference"] == 0


def test_the_part_that_a_task_fits_is_paid_for_by_an_owner_too(steady):
    """The filter's 25 stand in the table fitted: of 65 a doing 35 are not labour."""
    plan = plan_of(
        {"bike": {"applies_to": ["motorcycle"], "task": [OIL | {"part": "oil-filter"}]}}, "km"
    )
    filters = steady.tables["work"].query("task == 'oil'")[["vehicle", "date", "odometer"]]
    filters = filters.rename(columns={"date": "fitted", "odometer": "fitted_odometer"})
    filters = filters.assign(category="oil-filter", position="engine", item="F", price=25.0)
    told = {"distance": "km", "as_of": "2026-01-01", "first_day": "2024-01-01"}
    tables = {name: steady.tables[name] for name in ("vehicles", "odometer", "work")}
    log = log_of(tables | {"fitted": filters}, told, plan=plan)
    found = what_if(log, Change(own_work=("oil",))).set_index("figure")
    assert found.loc["planned", "then"] / found.loc["planned", "now"] == pytest.approx(35 / 65)


@pytest.mark.parametrize(
    "tyre, words",
    [
        ({"prize": 90.0}, "tyre is asked for prize; give life or price"),
        ({"price": 0.0}, "give a price of tyre above nil"),
        ({"life": -1.0}, "give a life of tyre above nil"),
    ],
)
def test_a_part_is_asked_for_by_what_it_can_be(demo_log, tyre, words):
    with pytest.raises(ValueError, match=words):
        what_if(demo_log("fleet").only(["P02"]), Change(parts={"tyre": tyre}))


def test_with_the_same_luck_the_range_is_of_the_change_alone(steady, now):
    """A tenth more distance: a job or two, though a year's jobs themselves differ by more."""
    found, apart = asked(steady, now, use=1.1), what_if(steady, Change(use=1.1), confidence=0.9)
    width = (found["high"] - found["low"])["jobs"]
    assert 0 < width < 0.5 * found.loc["jobs", "now"]
    assert found.loc["km", ["low", "high"]].isna().all()  # it is as asked
    assert apart.set_index("figure").loc["km", "difference"] == found.loc["km", "difference"]


@pytest.mark.parametrize(
    "change, words",
    [
        ({"use": 3.5}, "share of today's, 0 to 3"),
        ({"use": math.nan}, "share of today's"),
        ({"sooner": {"oil": {"km": 4_001.0}}}, "later than the plan's 4000: the maker sets"),
        ({"sooner": {"oil": {"km": 0.0}}}, "later than the plan's|maker sets"),
        ({"sooner": {"oil": {"days": 90}}}, "no limit in days for oil"),
        ({"sooner": {"oils": {"km": 90}}}, "no task ahead is called oils"),
        ({"sooner": {"oil": {"miles": 90}}}, "a limit in miles; give km or days"),
        ({"parts": {"tyre": {"life": 2.0}}}, "no tyre is fitted whose wear is read"),
        ({"own_work": ("brakes",)}, "bears on safety or the law"),
        ({"own_work": ("oils",)}, "no task ahead is called oils"),
    ],
)
def test_what_cannot_be_asked_is_one_sentence(steady, now, change, words):
    with pytest.raises(ValueError, match=words):
        what_if(steady, Change(**change), now=now)


def test_a_longer_lasting_dearer_tyre(demo_log):
    """Half again the life is less wear money in the year; half again the price is about that much more."""
    fleet = demo_log("fleet")
    log = fleet.only(fleet.vehicles.index[fleet.vehicles["kind"].eq("pickup")])
    now, found = outlook_of(log), {}
    pieces = now.prices.pieces.query("category == 'tyre' and item == ''")
    for name, tyre in {"long": {"life": 1.5}, "same": {"life": 1.0}}.items():
        found[name] = what_if(log, Change(parts={"tyre": tyre}), now=now).set_index("figure")
    assert found["long"].loc["wear", "difference"] < 0
    assert (found["same"]["difference"].fillna(0) == 0).all()
    dear = what_if(log, Change(parts={"tyre": {"price": 1_000.0}}), now=now).set_index("figure")
    tyres = now.simulated.sets * now.sets.rows["size"].to_numpy()
    n = tyres[:, now.sets.rows["category"].eq("tyre")].sum(axis=1).mean()
    more = n * (1_000 - pieces["price"].mean())
    assert dear.loc["wear", "difference"] == pytest.approx(more, rel=0.15)


def test_on_a_trip_what_falls_due_within_its_distance(steady):
    """At 48,000 km the oil is due at 52,000, the brakes at 60,000."""
    assert on_a_trip(steady, 3_999.0).empty
    assert on_a_trip(steady, 4_000.0)[["what", "left_km"]].values.tolist() == [["Oil", 4_000.0]]
    assert on_a_trip(steady, 50_000.0)["left_km"].tolist() == [4_000.0, 12_000.0]
    assert on_a_trip(steady, 50_000.0, ["W"]).empty
    assert list(on_a_trip(steady, 1.0)) == TRIP


def test_the_verb_is_in_the_logs_own_units(steady):
    found = wb.what_if(steady, sooner={"oil": {"distance": 2_000}}).set_index("what")
    assert found.loc["jobs", "difference"] == pytest.approx(6, abs=1)
    assert found.loc["distance", "unit"] == "km"
    miles = change_of(Show(steady.units).with_distance("mi").units, sooner={"oil": {"distance": 1}})
    assert miles.sooner == {"oil": {"km": pytest.approx(1.609344)}}


def test_under_a_year_of_record_there_is_no_figure(steady):
    young = log_of(
        {
            name: steady.tables[name].tail(6) if name != "vehicles" else steady.tables[name]
            for name in ("vehicles", "odometer", "work")
        },
        {"distance": "km", "as_of": "2026-01-01", "first_day": "2025-07-01"},
        plan=steady.plan,
    )
    assert what_if(young, Change(use=2.0))[["now", "difference"]].isna().all(axis=None)


def test_it_is_said_in_words(steady, now):
    say = wording.words_in(Show(steady.units))

    def said(trip=0, n=0, **change):
        change = Change(**change)
        rows = what_if(steady, change, now=now) if change != Change() else pd.DataFrame()
        return say("what_if", rows=rows, change=change, trip=trip, n=n)

    assert said().startswith("Nothing is asked.")
    assert "no clear difference in jobs" in said(own_work=("oil",))
    assert "less workshop money" not in said(use=1.5)
    assert "more, " not in said(use=1.5)
    assert " jobs (" in said(use=2.0)
    assert "fewer" in said(use=0.2)
    assert "On a trip of 500 km 1 job or part may come due" in said(trip=500, n=1)
