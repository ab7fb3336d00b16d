"""The synthetic logs: made again byte for byte, dirty as promised, and true to what they say is true."""

import re
import tomllib

import numpy as np
import pandas as pd
import pytest

import wearbar_synthetic as synthetic
from wearbar.log import log_of, read_log
from wearbar.log import schema as tables
from wearbar.log.places import place
from wearbar.log.plan import read_plan
from wearbar_synthetic.settings import CHANCES, EFFECTS, FLEET, OWNER, TYPES

DATA = place("data")
TEMPLATES = sorted(place("shared", "plans").glob("*.toml"))
MILE_KM = 1.609344
FLEET_FIRST, AS_OF = "2022-11-01", "2026-10-31"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("data")
    synthetic.write_demo(folder)
    return folder


@pytest.fixture(scope="module")
def clean():
    return synthetic.fleet(b"clean fleet"[0], vehicles=60, dirt=False)


def _files(folder):
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def _csv(*parts):
    return pd.read_csv(DATA.joinpath(*parts))


@pytest.fixture(scope="module")
def fleet():
    return {name: _csv("fleet", f"{name}.csv") for name in tables.MAIN_DATE}


# --- the files


def test_demo_logs_are_made_again_byte_for_byte(made):
    assert _files(made) == _files(DATA)
    differ = [
        f for f in _files(made) if made.joinpath(f).read_bytes() != DATA.joinpath(f).read_bytes()
    ]
    assert differ == []


def test_demo_logs_stay_small():
    size = {f: DATA.joinpath(f).stat().st_size for f in _files(DATA)}
    assert max(size.values()) < 2e6
    assert sum(n for f, n in size.items() if f.startswith("fleet/")) < 2.5e6


def test_the_fleet_uses_every_table_of_vehicles_and_the_headers_fit():
    assert {p.stem for p in DATA.joinpath("fleet").glob("*.csv")} == set(tables.MAIN_DATE)
    for name, setting in (("fleet", FLEET), ("owner", OWNER)):
        head = tomllib.loads(DATA.joinpath(name, "log.toml").read_text(encoding="utf-8"))
        assert head == synthetic.header(setting)
        years = head["as_of"].year - head["first_day"].year
        assert years == setting.years
        assert head["first_day"].month == 11
        assert head["as_of"].isoformat() == "2026-10-31"


def test_readme_counts_the_files_and_names_every_column():
    text = DATA.joinpath("README.md").read_text(encoding="utf-8")
    assert text == synthetic.data_readme(DATA)
    assert f"| fleet/vehicles.csv | {len(_csv('fleet', 'vehicles.csv'))} | 2" in text
    for name, columns in tables.TABLES.items():
        section = text.split(f"### {name}\n")[1].split("\n##")[0]
        named = re.findall(r"^\| \**([a-z_]+)\** \|", section, re.MULTILINE)
        assert named == ["column", *(c.name for c in columns if c.name != "recorded")]


# --- the dirt


@pytest.mark.parametrize("name", ["fleet", "owner"])
def test_only_the_slips_are_reported_and_every_one_is(name):
    log = read_log(DATA / name)
    told = pd.concat([log.set_aside, log.warnings])
    reported = set(zip(told["table"], told["line"].astype(int), strict=True))
    dirt = _csv("truth", name, "dirt.csv")
    late = dirt["kind"].eq("after the report date")
    slips = set(zip(dirt["table"][~late], dirt["line"][~late], strict=True))
    assert reported == slips
    assert log.ledger["after"].sum() == late.sum()


@pytest.mark.parametrize("name", ["fleet", "owner"])
def test_each_slip_stands_where_the_truth_says(name):
    dirt = _csv("truth", name, "dirt.csv").dropna(subset=["written"])
    for slip in dirt.itertuples():
        raw = pd.read_csv(DATA / name / f"{slip.table}.csv", dtype=str)
        assert raw.loc[slip.line - 2, slip.column] == slip.written
        assert slip.written != slip.true
    assert 4 <= len(dirt) <= 30


def test_fleet_is_of_the_promised_size(fleet):
    assert fleet["vehicles"]["kind"].value_counts().to_dict() == {
        "motorcycle": 16,
        "pickup": 10,
        "van": 8,
    }
    assert fleet["vehicles"]["site"].nunique() == 3
    assert _csv("owner", "vehicles.csv")["kind"].tolist() == ["motorcycle", "car"]


def test_readings_and_instruments_are_dirty_as_promised(fleet):
    odometer, work = fleet["odometer"], fleet["work"]
    changes = odometer[odometer["restarts_at"].notna()]
    rolled = changes[changes["note"].eq("rolled over")]
    assert len(changes) == 2
    assert rolled[["odometer", "restarts_at"]].to_numpy().tolist() == [[100000.0, 0.0]]
    assert 0.03 < work["odometer"].isna().mean() < 0.15
    assert _csv("owner", "odometer.csv")["restarts_at"].notna().sum() == 1
    fuel = fleet["fuel"]
    assert fuel["filled_to"].eq("part").sum() > 50
    assert fuel["unrecorded_before"].eq("yes").sum() > 20
    assert fuel["cost"].isna().any()
    assert fleet["fitted"]["price"].isna().any()


def test_parts_are_dirty_as_promised(fleet):
    fitted, first = fleet["fitted"], FLEET_FIRST
    before = fitted[fitted["fitted"].isna() | (fitted["fitted"] < first)]
    assert before["fitted_odometer"].isna().sum() > 20
    assert before["fitted_odometer"].notna().sum() > 20
    assert fitted["removed"].isna().sum() > 100
    reasons = set(fitted["reason"].dropna())
    assert reasons >= {
        "worn",
        "failed",
        "damaged",
        "convenience",
        "age",
        "rotated",
        "moved",
        "stored",
        "disposed",
    }
    lives = fitted.groupby("part").agg(
        vehicles=("vehicle", "nunique"), positions=("position", "nunique")
    )
    assert (lives["vehicles"] > 1).sum() >= 2
    assert (lives["positions"] > 1).sum() >= 10
    assert fitted["condition"].eq("part-worn").any()
    assert fitted["prior_distance"].gt(0).any()


def test_safety_cases_are_there(fleet):
    defects, certificates, campaigns = fleet["defects"], fleet["certificates"], fleet["campaigns"]
    still = defects[defects["closed"].isna()]
    assert set(still["grade"]) == {"off-road", "advisory"}
    assert (defects["grade"].eq("off-road") & (defects["closed"] > defects["found"])).any()
    running = fleet["vehicles"].loc[fleet["vehicles"]["disposed"].isna(), "vehicle"]
    passed = certificates[certificates["result"].ne("fail") & certificates["vehicle"].isin(running)]
    newest = passed.groupby("vehicle")["valid_to"].max()
    assert (newest < AS_OF).sum() == 1
    assert ((newest >= AS_OF) & (newest < "2026-11-25")).sum() >= 1
    assert certificates["result"].eq("fail").any()
    assert (campaigns["kind"].eq("safety-recall") & campaigns["done"].isna()).sum() == 1
    failed = fleet["work"][fleet["work"]["result"].eq("fail")]
    assert {"tyres-inspect", "brake-pads-inspect", "roadworthiness-test"} <= set(failed["task"])


def test_the_rest_of_what_real_logs_carry(fleet):
    work, layups = fleet["work"], fleet["layups"]
    assert layups["to"].isna().sum() == 1
    assert {"season", "in-workshop", "accident", "awaiting-parts"} == set(layups["reason"])
    assert set(fleet["dash_events"]["event"]) == {"restarted", "shown"}
    assert set(fleet["vehicles"]["disposal"].dropna()) == {"sold", "written-off"}
    assert (fleet["vehicles"]["acquired"] > FLEET_FIRST).sum() == 1
    assert fleet["postings"].groupby("vehicle")["site"].nunique().gt(1).sum() >= 2
    assert len(fleet["deferrals"]) >= 3
    assert fleet["deferrals"]["defect"].notna().sum() == 1
    assert work["paid_by"].eq("warranty").any()
    assert work["why"].eq("accident").any()
    assert work["recovered"].gt(0).any()
    oil = work[work["task"].eq("engine-oil-and-filter")]
    first = pd.to_numeric(oil["odometer"], errors="coerce").groupby(oil["vehicle"]).min()
    assert (first < 1500).sum() >= 5
    assert fleet["use"]["loose"].notna().all()
    assert not fleet["use"].duplicated(["vehicle", "from"]).any()


# --- the truth


def test_same_seed_same_log_and_another_seed_another():
    one, again, other = (
        synthetic.fleet(seed, vehicles=12, years=2, dirt=False)[0]
        for seed in (7, np.random.default_rng(7), 8)
    )
    for name in one:
        pd.testing.assert_frame_equal(one[name], again[name])
    assert not one["fuel"].equals(other["fuel"])


def test_a_clean_log_lacks_nothing(clean):
    log = clean[0]
    assert "dirt" not in clean[1]
    assert log["work"]["odometer"].notna().all()
    assert log["fuel"]["cost"].notna().all()
    assert log["measurements"]["odometer"].notna().all()
    assert "restarts_at" not in log["odometer"]
    assert log["fitted"]["fitted"].notna().sum() >= len(log["fitted"]) - 20
    distance = log["fuel"].sort_values(["vehicle", "date"]).groupby("vehicle")["odometer"]
    assert (distance.diff().dropna() >= 0).all()


def _wear_lines(log, truth):
    """Each tyre's measured wear per 1,000 km at its quickest place, beside the true rate x exposure."""
    rows = log["measurements"].query("category == 'tyre' and quantity == 'depth'")
    place = ("centre", "left-shoulder", "right-shoulder")
    parts = truth["parts"].set_index("part")
    quickest = pd.Series(
        [place[i] for i in parts[["place_0", "place_1", "place_2"]].fillna(0).to_numpy().argmax(1)],
        parts.index,
    )
    rows = rows[rows["place"].to_numpy() == quickest.reindex(rows["part"]).to_numpy()].assign(
        km=lambda r: r["odometer"] * MILE_KM / 1000
    )
    still = (
        log["fitted"]
        .groupby("part")
        .agg(stays=("part", "size"), used=("condition", lambda c: (c != "new").any()))
    )
    rows = rows[rows["part"].isin(still.index[(still["stays"] == 1) & ~still["used"]])]
    middle = rows.groupby("part")[["km", "value"]].transform("mean")
    product = (
        ((rows["km"] - middle["km"]) * (rows["value"] - middle["value"]))
        .groupby(rows["part"])
        .sum()
    )
    square = ((rows["km"] - middle["km"]) ** 2).groupby(rows["part"]).sum()
    slope = (-product / square)[(rows.groupby("part").size() >= 3) & (square > 5)]
    return parts.loc[slope.index].assign(
        slope=slope, expected=lambda p: p["rate_per_1000km"] * p["exposure"]
    )


def test_measured_wear_is_the_true_rate_times_exposure(clean):
    lines = _wear_lines(*clean)
    assert len(lines) > 150
    assert (lines["slope"] / lines["expected"]).median() == pytest.approx(1.0, abs=0.02)
    by_item = lines.groupby("item")[["slope", "expected"]].mean()
    assert np.allclose(by_item["slope"], by_item["expected"], rtol=0.08)


def test_items_mean_rates_are_those_of_their_parts(clean):
    truth = clean[1]
    key = ["type", "category", "position", "item"]
    parts = (
        truth["parts"][truth["parts"]["category"].ne("air-filter")]
        .groupby(key)["rate_per_1000km"]
        .agg(["mean", "size"])
    )
    items = truth["items"].set_index(key)
    allowed = 4 * CHANCES["wear_spread_sigma"] / np.sqrt(parts["size"]) + 0.01
    assert (np.abs(parts["mean"] / items["rate_per_1000km"] - 1) < allowed).all()
    assert (parts["size"] == items["parts_in_log"]).all()


def test_true_lives_follow_from_rate_spread_and_going(clean):
    """Against the lognormal law: mean of 1/S is exp(sigma^2) where S has mean 1 (Johnson, Kotz & Balakrishnan 1994; from memory)."""
    truth = clean[1]
    parts = truth["parts"][truth["parts"]["category"].ne("air-filter")]
    key = ["type", "category", "position", "item"]
    items = truth["items"].set_index(key)
    allowance = (items["new_mm"] - items["limit_mm"]).abs()
    by_part = parts.set_index(key)
    life = (
        1000
        * allowance.reindex(by_part.index)
        / (items["rate_per_1000km"].reindex(by_part.index) * by_part["exposure"])
    )
    mean = life.groupby(level=list(range(4))).mean() * np.exp(CHANCES["wear_spread_sigma"] ** 2)
    assert np.allclose(items["life_mean_km"], mean, rtol=2e-3)
    own = parts["life_to_limit_km"].groupby([parts[c] for c in key]).mean()
    wide = items["parts_in_log"] >= 10
    assert np.allclose(own[wide], items["life_mean_km"][wide], rtol=0.16)


def test_loose_ground_wears_tyres_as_the_truth_says(clean):
    """Wear over the item's own rate at its position, against the vehicle's loose share: a line with the true slope over its intercept."""
    lines = _wear_lines(*clean)
    going = clean[1]["vehicles"].set_index("vehicle")["loose"].reindex(lines["vehicle"]).to_numpy()
    item = clean[1]["items"].set_index(["type", "position", "item"])["rate_per_1000km"]
    own = item.reindex(pd.MultiIndex.from_frame(lines[["type", "position", "item"]])).to_numpy()
    slope, intercept = np.polyfit(going, lines["slope"].to_numpy() / own, 1)
    assert slope / intercept == pytest.approx(EFFECTS.loc["tyre", "loose"], abs=0.25)
    effect = clean[1]["effects"].set_index("category")["ratio_of_10_points_loose"]
    assert 1.08 <= effect["tyre"] <= 1.12


def test_sites_have_both_sides_of_the_contrast():
    vehicles = _csv("truth", "fleet", "vehicles.csv").assign(
        site=_csv("fleet", "vehicles.csv")["site"]
    )
    sides = vehicles.groupby(["site", "rough_side"])["loose"].agg(["size", "mean"]).unstack()
    assert (sides["size"].min(axis=1) >= 5).sum() >= 2
    assert (sides["mean"][1] - sides["mean"][0] > 0.12).all()


def test_fuel_burnt_is_what_the_truth_says(clean):
    """Tank to tank, first to last full fill of each vehicle, against litres per 100 km x season x going x the vehicle's own factor."""
    log, truth = clean
    fuel = log["fuel"][log["fuel"]["kind"].ne("urea")].sort_values(
        ["vehicle", "date"], kind="stable"
    )
    last_full = (
        fuel["filled_to"]
        .eq("full")
        .groupby(fuel["vehicle"])
        .transform(lambda full: full[::-1].cummax()[::-1])
    )
    fuel = fuel[last_full & fuel["filled_to"].eq("full").groupby(fuel["vehicle"]).cummax()]
    km = fuel.groupby("vehicle")["odometer"].agg(lambda o: o.iloc[-1] - o.iloc[0]) * MILE_KM
    litres = fuel.groupby("vehicle")["volume"].agg(lambda v: v.iloc[1:].sum())
    own = truth["vehicles"].set_index("vehicle").reindex(km.index)
    summer = (
        own["type"].map(TYPES["l_per_100km"])
        * own["thirst"]
        * (1 + CHANCES["fuel_loose_effect"] * own["loose"])
    )
    winter = (
        100 * litres / km / summer - 1
    )  # mean of the winter effect over the year's distance: about half of it
    assert (
        winter[km > 10000]
        .between(0.2 * CHANCES["fuel_winter_effect"], 0.7 * CHANCES["fuel_winter_effect"])
        .all()
    )


def test_repairs_come_at_the_power_laws_rate():
    """Repairs seen against the expected number, (t/eta)^beta between each vehicle's ages at its first and last day in the log."""
    log, _ = synthetic.fleet(11, vehicles=200, dirt=False)
    cars = log["vehicles"]
    of_plan = TYPES.set_index("plan").loc[cars["plan"]]
    start = cars["acquired"].fillna(cars["in_service"])
    end = cars["disposed"].fillna(pd.Timestamp(AS_OF))
    age = [((day - cars["in_service"]).dt.days / 365.25).to_numpy() for day in (start, end)]
    eta, beta = of_plan["repair_eta_years"].to_numpy(), of_plan["repair_beta"].to_numpy()
    expected = ((age[1] / eta) ** beta - (age[0] / eta) ** beta).sum()
    work = log["work"]
    seen = (work["task"].str.startswith("repair-") & work["why"].eq("defect")).sum()
    assert abs(seen - expected) < 4 * np.sqrt(expected)


def test_batteries_fail_by_their_weibull_law():
    """Likelihood equations of the Weibull law with late entry (Lawless 2003, ch. 5; from memory) hold at the true scale and shape.

    For the scale, failures equal the cumulative hazard lived through; for the shape, the score is zero (its variance: some 1.82 / shape^2
    a failure).
    """
    log, truth = synthetic.fleet(12, vehicles=200, dirt=False)
    own = log["fitted"][log["fitted"]["category"].eq("battery")]
    law = truth["laws"][truth["laws"]["category"].eq("battery")].set_index("type")
    plan = log["vehicles"].set_index("vehicle")["plan"].reindex(own["vehicle"])
    scale, shape = (law[c].reindex(plan).to_numpy() for c in ("scale", "shape"))
    first = pd.Timestamp(AS_OF) - pd.DateOffset(years=4)
    begin = (
        log["vehicles"]
        .set_index("vehicle")["acquired"]
        .fillna(first)
        .reindex(own["vehicle"])
        .to_numpy()
    )
    entry = np.maximum((begin - own["fitted"].to_numpy()) / np.timedelta64(1, "D"), 0)
    end = (own["removed"].fillna(pd.Timestamp(AS_OF)) - own["fitted"]).dt.days.to_numpy()
    known = own["fitted"].notna().to_numpy()
    x, x0, k, failed = (
        a[known] for a in (end / scale, entry / scale, shape, own["reason"].eq("failed").to_numpy())
    )
    x0 = np.maximum(x0, 1e-9)
    lived = (x**k - x0**k).sum()
    assert abs(failed.sum() - lived) < 4 * np.sqrt(lived)
    score = (failed * (1 / k + np.log(x)) - x**k * np.log(x) + x0**k * np.log(x0)).sum()
    assert abs(score) < 4 * np.sqrt(1.82 * failed.sum()) / k.mean()


# --- the plans


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda p: p.stem)
def test_plan_templates_are_valid_and_marked(path):
    text = path.read_text(encoding="utf-8")
    assert len(read_plan(path, "mi").tasks) >= 12
    (plan,) = tomllib.loads(text).values()
    figures = [
        f for t in plan["task"] if "source" not in t for f in t.get("figures", []) if "value" in f
    ]
    assert figures
    assert all(f["source"] == "EXAMPLE, NOT FOR USE" for f in figures)
    grave = [t for t in plan["task"] if re.search("brake|tyre|chain|steering", t["code"])]
    assert grave
    assert all(t["safety"] for t in grave)
    (test,) = [t for t in plan["task"] if t["code"] == "roadworthiness-test"]
    assert test["statutory"]
    assert test["measured_from"] == "expiry"


def test_plan_figures_are_not_the_trades_own():
    """Nobody may take the demo's figures for a real machine's: none of the well-known ones stands in a template."""
    text = "\n".join(p.read_text(encoding="utf-8") for p in TEMPLATES)
    assert not re.search(
        r'value = 70, unit = "N.m"|value = 32, unit = "psi"|distance = (6000|10000)\b', text
    )


def test_plan_text_in_km_rounds_miles():
    miles, km = (tomllib.loads(synthetic.plan_text(["car", "van"], unit)) for unit in ("mi", "km"))
    assert list(miles) == ["car", "van"]
    ratios = [
        b["every"]["distance"] / a["every"]["distance"]
        for name in miles
        for a, b in zip(miles[name]["task"], km[name]["task"], strict=True)
        if "distance" in a.get("every", {})
    ]
    assert np.allclose(ratios, MILE_KM, rtol=0.02)
    assert len(ratios) > 10


@pytest.mark.parametrize("seed", [21, 22, 23])
def test_a_clean_log_obeys_every_rule(seed):
    made, _ = synthetic.fleet(seed, vehicles=20, dirt=False)
    log = log_of(made, synthetic.header())
    assert log.set_aside.empty
    assert log.warnings.empty
    assert (log.ledger["read"] == log.ledger["used"]).all()
