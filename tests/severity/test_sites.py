"""How hard a site is: by the arithmetic of control tyres, against plain pandas, and where it is refused."""

import itertools

import numpy as np
import pandas as pd
import pytest

from wearbar.severity.sites import FACTOR, site_factors


def convoy(rate, vehicles=4, item="control"):
    """Parts of an item, whose wear at each site is `rate` times the vehicle's own, the same ones everywhere."""
    own = np.exp(np.linspace(-0.2, 0.2, vehicles))
    rows = itertools.product(rate, enumerate(own), ["front", "rear"])
    parts = pd.DataFrame(
        [(f"{site}{v}", site, item, place, rate[site] * by) for site, (v, by), place in rows],
        columns=["vehicle", "site", "item", "position", "rate_mm_per_1000km"],
    )
    return parts.assign(kind="car", se=0.01, n_readings=5)


def test_control_tyres_bring_what_another_tyre_wore_to_the_base_rate_as_in_49_cfr_575_104():
    # (e)(2)(ix), from memory: factor = base wear rate / average of the control tyres on the course; adjusted rate = rate x factor;
    # projected = 1000 (a - 62) / adjusted + 800 miles, in mils; grade = projected x base course wear rate / 402, down to 20s
    control = {"A": 8.04, "B": 12.06}
    base = np.sqrt(control["A"] * control["B"])  # ours is the average course
    severity = site_factors(convoy(control)).set_index("site")["value"]
    adjusted = {}
    for course, wore in {"A": 6.7, "B": 10.05}.items():  # a candidate tyre that wears 5/6 as fast
        assert 1 / severity[course] == pytest.approx(base / control[course], rel=1e-6)
        adjusted[course] = wore / severity[course]
    assert adjusted["A"] == pytest.approx(adjusted["B"], rel=1e-6)
    projected = 1000 * (340 - 62) / adjusted["A"] + 800
    assert projected == pytest.approx(1000 * 278 / (6.7 * base / 8.04) + 800, rel=1e-6)
    assert projected * 1.34 / 402 // 20 * 20 == 100
    # what was read of the rule (65 FR 33481; NHTSA to Mr Padula, 1995): 30,000 miles at 1.34 is grade 100
    assert round(30_000 * 1.34 / 402, 9) == 100


def test_without_noise_it_is_the_ratio_of_geometric_means_by_plain_pandas():
    parts = convoy({"A": 0.2, "B": 0.25, "C": 0.4})
    found = site_factors(parts).set_index("site")
    logs = np.log(parts["rate_mm_per_1000km"]).groupby(parts["site"]).mean()
    assert found["value"].to_numpy() == pytest.approx(np.exp(logs - logs.mean()).to_numpy())
    assert found["n_vehicles"].tolist() == [4, 4, 4]
    assert (found["low"] < found["value"]).all()
    assert (found["value"] < found["high"]).all()


def test_only_parts_that_all_sites_run_count():
    parts, one = convoy({"A": 0.2, "B": 0.3}), convoy({"A": 0.9}, item="of one site")
    alone = site_factors(parts)
    pd.testing.assert_frame_equal(alone, site_factors(pd.concat([one, parts], ignore_index=True)))
    pd.testing.assert_frame_equal(alone, site_factors(parts.sample(frac=1, random_state=1)))
    apart = parts.assign(item=parts["item"].mask(parts["site"] == "A", "another"))
    found = site_factors(apart)
    assert found["value"].isna().all()
    assert set(found["note"]) == {"no part runs at all sites on enough vehicles"}


def test_few_vehicles_or_one_site_are_refused_and_weigh_nothing():
    parts = convoy({"A": 0.2, "B": 0.3, "C": 0.9})
    few = parts[(parts["site"] != "C") | parts["vehicle"].isin(["C0", "C1"])]
    found = site_factors(few).set_index("site")
    assert found.loc["C", "note"] == "it takes 3 vehicles at each site"
    pd.testing.assert_frame_equal(
        found.loc[["A", "B"]].reset_index(), site_factors(convoy({"A": 0.2, "B": 0.3}))
    )
    assert site_factors(convoy({"A": 0.2}))["value"].isna().all()
    unread = parts.assign(n_readings=1)
    for empty in (parts[:0], parts.assign(site=None), unread):
        assert site_factors(empty).columns.tolist() == FACTOR
        assert site_factors(empty).empty


def test_a_vehicle_at_two_sites_tells_them_apart_from_itself():
    parts = convoy({"A": 0.2, "B": 0.3}, vehicles=6)
    rng = np.random.default_rng(4)
    noise = dict(zip(parts["vehicle"].unique(), 0.4 * rng.standard_normal(12), strict=True))
    parts["rate_mm_per_1000km"] *= np.exp(parts["vehicle"].map(noise))
    stay = site_factors(parts)
    late = parts["vehicle"].isin(["A0", "A2", "A4"]).map({True: "rear", False: "front"})
    at_b = parts["vehicle"].str.startswith("A") & (parts["position"] == late)
    moved = parts.assign(site=parts["site"].mask(at_b, "B"))
    moved["rate_mm_per_1000km"] *= np.where(at_b, 1.5, 1.0)
    wide, narrow = (np.log(f["high"] / f["low"]).iloc[0] for f in (stay, site_factors(moved)))
    assert narrow < wide
