"""What lateness goes with in money, and sites over time: a claim needs a test, and false ones stay rare."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from wearbar import intervals
from wearbar.intervals import groups
from wearbar.outlook import lateness
from wearbar.report.quantities import Show
from wearbar.report.template import words_of
from wearbar.report.words import intervals as wording

AS_OF = pd.Timestamp("2026-10-31")
SAY = words_of("interval_compliance", show=Show())


def fleet(rng, n=20, link=0.0):
    """Jobs and an account of `n` vehicles of two kinds, one of them dearer and later: late shares, and repair money a km
    that goes up with it by `link`."""
    names, kind = [f"V{i}" for i in range(n)], np.repeat(["van", "bike"], n // 2)
    late = np.clip(rng.beta(2, 8, n) + 0.3 * (kind == "van"), 0, 1)
    jobs = pd.DataFrame({"vehicle": np.repeat(names, 40), "in_rate": True})
    jobs["outcome"] = np.where(rng.random(len(jobs)) < np.repeat(late, 40), "late", "on-time")
    money = 100 * np.exp(link * late + 2.0 * (kind == "van") + 0.3 * rng.standard_normal(n))
    lines = pd.DataFrame(
        {"vehicle": names, "with_distance": True, "why": "defect", "amount": money}
    )
    vehicles = pd.DataFrame({"vehicle": names, "kind": kind, "distance_km": 1000.0})
    return jobs, SimpleNamespace(vehicles=vehicles, lines=lines)


def told(monkeypatch, link, times, **more):
    rng, made = np.random.default_rng(3), []
    for _ in range(times):
        jobs, book = fleet(rng, link=link, **more)
        monkeypatch.setattr(lateness, "account", lambda _, book=book: book)
        made.append(lateness.late_and_repairs(None, jobs, rng))
    return made


def test_kinds_that_differ_make_no_link_and_a_link_is_found(monkeypatch):
    none = [one.p < 0.05 for one in told(monkeypatch, 0.0, 200)]
    assert np.mean(none) <= 0.10
    found = told(monkeypatch, 8.0, 20)
    assert np.mean([one.p < 0.05 for one in found]) > 0.8
    assert all(one.more > one.less for one in found)


def test_too_few_vehicles_are_said_and_nothing_is_claimed(monkeypatch):
    (one,) = told(monkeypatch, 8.0, 1, n=8)
    assert np.isnan(one.p)
    assert "Too few vehicles" in SAY("late_money", found=one, p=0.05)
    assert SAY("late_money", found=SimpleNamespace(n=1, p=np.nan), p=0.05) == ""
    (one,) = told(monkeypatch, 8.0, 1)
    assert "Which causes which is not shown" in SAY("late_money", found=one, p=0.05)


def jobs_of(rng, before, now, n=12, site="North"):
    """Jobs of `n` vehicles of a site, twenty in each of two years, late with these chances and a vehicle's own part."""
    own = np.repeat(rng.normal(0, 0.1, n), 40)
    days = AS_OF - pd.to_timedelta(np.tile(np.linspace(10, 700, 40), n).astype(int), unit="D")
    rows = pd.DataFrame({"vehicle": np.repeat([f"{site}{i}" for i in range(n)], 40), "site": site})
    rows = rows.assign(late_edge_date=days, in_rate=True, task="oil", safety=False, statutory=False)
    chance = np.where(days > AS_OF - pd.DateOffset(years=1), now, before) + own
    late = rng.random(len(rows)) < chance
    rows["outcome"] = np.where(late, "late", "on-time")
    rows["month"] = days.to_period("M").to_timestamp()
    return rows.assign(overrun_share=np.where(late, 0.3, 0.0), done_date=days)


def test_a_site_that_slipped_is_named_and_one_that_did_not_is_not():
    rng = np.random.default_rng(1)
    rows = pd.concat([jobs_of(rng, 0.1, 0.4), jobs_of(rng, 0.2, 0.2, site="South")])
    made = groups.site_changes(rows, AS_OF).set_index("site")
    assert made["is_clear"].to_dict() == {"North": True, "South": False}
    assert made.loc["North", "share"] < made.loc["North", "rest"] - 0.15
    rates = intervals.sites_told(intervals.compliance(rows, ["site"]))
    changes, log = groups.site_changes(rows, AS_OF), SimpleNamespace(present={"postings"})
    said = wording.sites(intervals.differences(rows, "site"), rates, changes, log, Show())
    assert "Late more often than in the twelve months before: North (" in said
    false = [
        groups.site_changes(jobs_of(rng, 0.2, 0.2), AS_OF)["is_clear"].any() for _ in range(60)
    ]
    assert np.mean(false) <= 0.15


def test_quarters_are_those_of_the_last_day_on_time_and_hide_a_small_site():
    rng = np.random.default_rng(2)
    rows = pd.concat(
        [
            jobs_of(rng, 0.1, 0.1),
            jobs_of(rng, 0.1, 0.1, 2, "Tiny"),
            jobs_of(rng, 0.1, 0.1, 1, "One"),
        ]
    )
    made = groups.by_quarter(rows)
    assert made["share"].notna().eq(made["site"].eq("North")).all()
    one = made[made["site"].eq("North")].iloc[1]
    mine = rows[
        rows["site"].eq("North") & rows["late_edge_date"].between("2026-07-01", "2026-09-30")
    ]
    assert (one["n"], one["late"]) == (len(mine), mine["outcome"].eq("late").sum())
    assert one["share"] == pytest.approx(mine["outcome"].ne("late").mean())


def test_risk_is_the_share_late_times_how_far_and_safety_comes_first():
    rows = pd.DataFrame({
        "task": ["wash"] * 10 + ["oil"] * 10 + ["brakes"] * 10,
        "outcome": (["late"] * 5 + ["on-time"] * 5) + (["late"] * 2 + ["on-time"] * 8) * 2,
        "overrun_share": [0.2] * 10 + [1.0] * 10 + [0.1] * 10,
        "vehicle": [f"V{i}" for i in range(10)] * 3,
        "safety": [False] * 20 + [True] * 10, "statutory": False, "in_rate": True,
        "late_edge_date": AS_OF, "done_date": AS_OF,
    })  # fmt: skip
    made = groups.by_risk(rows)
    assert made["task"].tolist() == ["brakes", "oil", "wash"]
    assert made["risk"].tolist() == pytest.approx([0.02, 0.2, 0.1])
