"""Wear lines, remaining distance, limits and cost by the distance."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.regression.mixed_linear_model import MixedLM

import wearbar_synthetic as synthetic
from wearbar import parts as choice
from wearbar import parts as spans
from wearbar import parts as wear
from wearbar import usage
from wearbar.log import log_of
from wearbar.parts.wear_line import crossing, fit_lines
from wearbar_synthetic import settings


@pytest.fixture(name="fleet", scope="module")
def _fleet():
    tables, truth = synthetic.fleet(5)
    log = log_of(tables, synthetic.header(settings.FLEET))
    readings = usage.readings(log)
    lives = spans.spans_of(log)
    worn = wear.wear_of(lives, spans.looks_of(log), wear.law_of(log))
    on = wear.remaining(worn, log.as_of, usage.daily_rate(usage.path_of(readings), log.as_of))
    return log, truth, lives, worn, on


def line_of(x, y, limit=0.0, confidence=0.9):
    """One part's line, and where it reaches the limit with Fieller's range."""
    looks = {"part_key": "p", "place": "", "category": "tyre", "quantity": "depth"}
    _, lines, error = fit_lines(pd.DataFrame(looks | {"distance_km": x, "height": y}))
    line, s2 = lines.iloc[0], error["error"].iloc[0] ** 2
    n, mean, sxx = line["n"], line["x_mean"], line["sxx"]
    variances = s2 * (1 / n + mean**2 / sxx), -s2 * mean / sxx, s2 / sxx
    quantile = stats.t.ppf((1 + confidence) / 2, n - 2)
    return line, crossing(line["at_zero"], line["slope"], *variances, limit, quantile)


def test_projection_has_the_form_of_49_cfr_575_104():
    # (e)(2)(ix), from memory: y = a + b x / 1000 mils by least squares, x after an 800-mile break-in; projected = 1000 (a - 62) / b' + 800
    miles = np.array([0, 400, 800, 1600, 2400, 3200, 4000, 4800, 5600, 6400], float)
    mils = np.array([355, 349, 340, 334.2, 327.9, 322.3, 316.1, 309.8, 304.4, 298.0])
    line, life = line_of(miles[2:] - 800, mils[2:], limit=62)
    b, a = np.polyfit((miles[2:] - 800) / 1000, mils[2:], 1)
    assert line["at_zero"] == pytest.approx(a, rel=1e-6)
    assert 1000 * line["slope"] == pytest.approx(b, rel=1e-6)
    assert life[0] + 800 == pytest.approx(1000 * (a - 62) / -b + 800, rel=1e-9)
    # the grade of 5,000 projected miles is 16.67, to the nearest lower multiple of 20: 0 (NHTSA letter to Mr Padula, 1995)
    assert 5000 * 100 / 30000 // 20 * 20 == 0


def test_least_squares_is_scipys():
    rng = np.random.default_rng(list(b"line"))
    x, y = rng.uniform(0, 10, 12), rng.normal(8, 1, 12)
    ours, theirs = line_of(x, y)[0], stats.linregress(x, y)
    expected = (theirs.slope, theirs.intercept, theirs.stderr)
    assert tuple(ours[["slope", "at_zero", "slope_se"]]) == pytest.approx(expected)


def test_fieller_limits_are_where_t_says():
    x, y = np.array([0, 2, 4, 6, 9.0]), np.array([8.0, 7.1, 5.9, 5.2, 3.5])
    line, (value, low, high) = line_of(x, y, limit=1.6, confidence=0.9)
    n, s, mean, sxx = 5, line["error"], x.mean(), ((x - x.mean()) ** 2).sum()
    for end in (low, high):
        depth = line["at_zero"] + line["slope"] * end
        t = (depth - 1.6) / (s * np.sqrt(1 / n + (end - mean) ** 2 / sxx))
        assert abs(t) == pytest.approx(stats.t.ppf(0.95, 3), rel=1e-9)
    assert low < value < high


def test_wear_that_may_be_nil_is_unbounded():
    _, (value, low, high) = line_of([0, 1, 2, 3], [8.0, 7.6, 8.1, 7.5], limit=1.6)
    assert high == np.inf
    assert 3 < low < value


TREAD = {"position": "rear", "category": "tyre", "quantity": "depth"}
CAR = {"vehicle": "A", "kind": "car", "in_service": "2020-01-01"}
NOTHING_READ = {"distance": "km", "as_of": "2024-12-31"}


def law_for(jurisdiction, vehicles=(CAR,), **more):
    """The `Law` of a log of these vehicles; more: tables, name to rows, and keys of log.toml."""
    frames = {
        "vehicles": [*vehicles],
        "odometer": [
            {"vehicle": v["vehicle"], "date": "2024-01-01", "odometer": 0} for v in vehicles
        ],
    }
    frames |= {name: rows for name, rows in more.items() if isinstance(rows, list)}
    header = NOTHING_READ | {name: key for name, key in more.items() if isinstance(key, str)}
    return wear.law_of(
        log_of(
            {name: pd.DataFrame(rows) for name, rows in frames.items()},
            header | {"jurisdiction": jurisdiction},
        )
    )


def legal(law, kind="car", category="tyre", position="rear", quantity="depth", vehicle="A"):
    row = pd.DataFrame(
        [{"vehicle": vehicle, "kind": kind, "category": category, "last_position": position}]
    )
    return law.limits_of(row, (quantity,))["legal_limit"].iloc[0]


def test_shipped_limits_are_exact_and_never_rounded_across():
    us, gb = law_for("US"), law_for("GB")
    # 49 CFR 393.75: 4/32 in on front wheels of trucks, 2/32 on others; FMVSS 119 S6.4: 1/32 (exact: an inch is 25.4 mm)
    assert legal(us, "truck", position="front-left") == pytest.approx(3.175, abs=1e-12)
    assert legal(us, "truck", position="axle2-left-inner") == pytest.approx(1.5875, abs=1e-12)
    assert legal(us, "motorcycle") == pytest.approx(0.79375, abs=1e-12)
    # 1.55 mm passes no car limit; 1.2 mm passes a motorcycle and fails a car (askthe.police.uk)
    assert legal(gb) == 1.6 > 1.55
    assert legal(gb, "motorcycle") < 1.2 < legal(gb)
    assert np.isnan(legal(us)), "no federal limit in use for cars is shipped: none is made up"


def test_every_shipped_limit_names_its_source_and_says_where_it_is_from_memory():
    from wearbar.log.law import shipped

    rows = shipped()
    assert rows["source"].str.len().gt(10).all()
    assert set(rows["quantity"]) <= {"depth", "thickness", "elongation", "age"}
    memory = rows[rows["source"].str.endswith("from memory")]
    assert set(zip(memory["jurisdiction"], memory["kind"], memory["category"], strict=True)) >= {
        ("EU", "car", "tyre"),
        ("GB", "motorcycle", "brake-pad"),
        ("", "motorcycle", "chain"),
    }


def test_without_a_jurisdiction_no_legal_limit_is_used_and_another_countrys_never_stands_in():
    assert np.isnan(legal(law_for(""), "car"))
    assert np.isnan(legal(law_for("DE"), "car"))
    # de-motorcycle is a class that GB lacks: not the kind's limit of GB, which made 56 km left into 901
    strange = law_for("GB", [{**CAR, "kind": "motorcycle", "legal_class": "de-motorcycle"}])
    assert np.isnan(legal(strange, "motorcycle"))
    assert legal(law_for("gb", [{**CAR, "kind": "van", "legal_class": "heavy"}]), "van") == 1.0
    assert legal(law_for("gb", [{**CAR, "kind": "bus", "legal_class": "light"}]), "bus") == 1.6, (
        "its class, not its kind"
    )


def test_the_logs_own_limits_come_before_shipped_ones_in_the_logs_own_unit():
    own = {"jurisdiction": "GB", "category": "tyre", "quantity": "depth", "source": "s. 1"}
    law = law_for("GB", limits=[{**own, "kind": "car", "limit": 3}], depth="in32")
    assert legal(law) == pytest.approx(3 * 25.4 / 32)
    assert np.isnan(legal(law, "motorcycle")), "the log's own rows for tread stand alone"
    assert legal(law, category="brake-pad", quantity="thickness") == 1.5, (
        "what it has no row for is the example's"
    )
    other = law_for(
        "XX",
        [{**CAR, "legal_class": "old"}],
        limits=[{**own, "jurisdiction": "xx", "legal_class": "old", "limit": 2}],
    )
    assert legal(other) == 2
    assert other.limits_of(
        pd.DataFrame([{**CAR, "category": "tyre", "last_position": ""}]), ("depth",)
    )["jurisdiction"].tolist() == ["XX"]


def doubts(jurisdiction, vehicles=(CAR,), **tables):
    frames = {
        "vehicles": pd.DataFrame([*vehicles]),
        "odometer": pd.DataFrame([{"vehicle": "A", "date": "2024-01-01", "odometer": 0}]),
    }
    frames |= {name: pd.DataFrame(rows) for name, rows in tables.items()}
    log = log_of(frames, NOTHING_READ | ({"jurisdiction": jurisdiction} if jurisdiction else {}))
    return log, log.warnings[["table", "line", "column", "value", "rule"]].to_numpy().tolist()


def test_a_class_or_a_jurisdiction_without_limits_is_a_doubt():
    assert (
        doubts("GB")[1] == doubts("GB", [{**CAR, "legal_class": "light"}])[1] == doubts("")[1] == []
    )
    classed = [{**CAR, "legal_class": "de-motorcycle"}]
    told = ["vehicles", 2, "legal_class", "de-motorcycle", "unknown-legal-class"]
    assert doubts("GB", classed)[1] == [told]
    assert doubts("", classed)[1] == [told]
    log, found = doubts("DE", classed)
    assert found == [told, ["log.toml", 1, "jurisdiction", "DE", "unknown-jurisdiction"]]
    assert "GB" in log.warnings["remedy"].iloc[1], "says which are shipped"
    own = {
        "jurisdiction": "DE",
        "legal_class": "de-motorcycle",
        "category": "tyre",
        "quantity": "depth",
        "limit": 1.6,
        "source": "s. 36",
    }
    assert doubts("DE", classed, limits=[own])[1] == []


def test_limits_and_budget_are_checked_row_by_row():
    row = {
        "jurisdiction": "XX",
        "kind": "car",
        "category": "tyre",
        "quantity": "depth",
        "limit": 1.6,
        "source": "s. 1",
    }
    limits = [
        row,
        {**row, "kind": ""},
        {**row, "limit": "x"},
        {**row, "source": ""},
        {**row, "kind": "tank"},
    ]
    budget = [
        {"month": m, "amount": a}
        for m, a in (("2024-05", 10), ("May 2024", 10), ("2024-13", 10), ("2024-06", ""), ("", 5))
    ]
    log, _ = doubts("", limits=limits, budget=budget)
    ledger = log.ledger.set_index("table").loc[["limits", "budget"]]
    assert ledger.to_numpy().tolist() == [[5, 1, 4, 0], [5, 1, 4, 0]]
    assert log.set_aside["rule"].tolist() == [
        *("no-value", "not-a-number", "required", "no-value"),
        *("not-a-month", "not-a-month", "required", "required"),
    ]
    assert log.only(["A"]).tables["limits"].equals(log.tables["limits"])


def spans_for(*rows):
    """Spans as `limits_for` wants them: (vehicle, kind, category, limit_depth_mm)."""
    frame = pd.DataFrame(rows, columns=["vehicle", "kind", "category", "limit_depth_mm"])
    return frame.assign(last_position="rear")


def test_the_deeper_of_the_owners_limit_and_the_law_holds():
    law = law_for(
        "GB",
        [
            {**CAR, "vehicle": v, "kind": k}
            for v, k in (("A", "car"), ("B", "motorcycle"), ("C", "quad"))
        ],
    )
    rows = [
        ("A", "car", "tyre", 1.0),
        ("A", "car", "tyre", 3.0),
        ("B", "motorcycle", "tyre", np.nan),
        ("C", "quad", "tyre", np.nan),
    ]
    rows = spans_for(*rows)
    found = wear.limits_for(rows, law)
    assert found["limit"].tolist() == pytest.approx([1.6, 3.0, 1.0, np.nan], nan_ok=True)
    assert found["legal_limit"].tolist() == pytest.approx([1.6, 1.6, 1.0, np.nan], nan_ok=True)
    assert found["limit_from"].tolist() == ["the law", "the log", "the law", ""]
    assert found["jurisdiction"].tolist() == ["GB", "GB", "GB", ""]
    assert found["example_limit"].tolist() == [1.6, 1.6, 1.0, 1.6], (
        "a quad has no example of its own: a car's"
    )


def test_both_demo_logs_name_their_jurisdiction_and_no_class_that_it_lacks(demo_log):
    for name in ("fleet", "owner"):
        log = demo_log(name)
        assert log.jurisdiction == "GB"
        assert not log.warnings["rule"].isin(["unknown-legal-class", "unknown-jurisdiction"]).any()


def test_no_law_says_when_a_chain_is_changed_and_practice_is_kept_off_limits():
    law = law_for("GB", [{**CAR, "kind": "motorcycle"}, {**CAR, "vehicle": "B", "kind": "plant"}])
    rows = [
        ("A", "motorcycle", "chain", np.nan),
        ("A", "motorcycle", "chain", 2.0),
        ("B", "plant", "chain", np.nan),
    ]
    found = wear.limits_for(spans_for(*rows), law)
    assert found["limit"].tolist() == pytest.approx([np.nan, 2.0, np.nan], nan_ok=True)
    assert found["example_limit"].tolist() == [2.0, 2.0, 3.0], "what to be wary of"


def test_lines_of_all_parts_at_once_are_those_of_each(fleet):
    worn = fleet[3]
    for line in worn.parts[worn.parts["n"] > 4].sample(8, random_state=1).to_dict("records"):
        own = worn.looks.query(
            "part_key == @line['part_key'] and place == @line['place'] and not is_doubtful"
        )
        alone = stats.linregress(own["distance_km"], own["height"])
        assert line["slope"] == pytest.approx(alone.slope, rel=1e-9)
        assert line["at_zero"] == pytest.approx(alone.intercept, rel=1e-6)


def test_remaining_life_covers_the_truth(fleet):
    on = fleet[4].merge(
        fleet[1]["parts"][["part", "life_to_limit_km"]], left_on="part_key", right_on="part"
    )
    on = on[on["age_known"] & on["left_km"].notna()]
    inside = on["life_to_limit_km"].between(on["life_low_km"], on["life_high_km"])
    assert len(on) > 80
    assert stats.binomtest(int((~inside).sum()), len(on), 0.10).pvalue > 0.001
    assert inside.mean() < 0.99


def test_life_to_the_limit_covers_the_truth(fleet):
    items = fleet[1]["items"]
    items = items.assign(
        kind=items["type"].replace({"trail-motorcycle": "motorcycle"}),
        axle=items["position"].str.split("-").str[0],
    )
    items = items.groupby(["kind", "category", "axle", "item"], as_index=False)[
        "life_50_percent_ended_km"
    ].mean()
    found = wear.life_to_limit(fleet[3]).merge(items, on=["kind", "category", "axle", "item"])
    found = found[found["low_km"].notna()]
    assert len(found) > 12
    assert (
        found["life_50_percent_ended_km"].between(found["low_km"], found["high_km"]).mean() >= 0.8
    )


def test_parts_are_sorted_by_what_needs_doing_and_low_limits_lead(fleet):
    on = fleet[4]
    rank = on["state"].map({name: i for i, name in enumerate(wear.STATES)})
    assert rank.is_monotonic_increasing
    known = on[on["why_not"].eq("")]
    assert (known["left_low_km"] <= known["left_km"] + 1e-9).all()
    assert (known["left_km"] <= known["left_high_km"] + 1e-9).all()
    assert (
        known.loc[known["state"].eq("above"), "left_low_km"]
        >= known.loc[known["state"].eq("above"), "next_look_km"]
    ).all()


def toy(values, error=0.05, limit=2.0, kind="tyre", quantity="depth"):
    """A fleet of one kind: a part each of `values`, a list of readings every 1,000 km; the last is still on."""
    parts = [f"p{i}" for i in range(len(values))]
    n = np.array([len(v) for v in values])
    spans_ = pd.DataFrame(
        {
            "part_key": parts,
            "vehicle": parts,
            "kind": "car",
            "category": kind,
            "item": "x",
            "position": "rear",
        }
    )
    spans_ = spans_.assign(
        positions="rear",
        last_position="rear",
        is_on=True,
        age_known=True,
        duration_km=1000.0 * (n - 1),
        seen_km=np.nan,
        start=pd.NaT,
    )
    spans_ = spans_.assign(
        last_start=pd.NaT,
        limit_depth_mm=limit,
        observed=False,
        new_depth_mm=8.0,
        end=pd.Timestamp("2025-01-01"),
    )
    looks = pd.DataFrame(
        {
            "part_key": np.repeat(parts, n),
            "vehicle": np.repeat(parts, n),
            "category": kind,
            "position": "rear",
            "place": "",
            "quantity": quantity,
        }
    )
    step = np.concatenate([np.arange(k) for k in n])
    looks = looks.assign(
        date=pd.Timestamp("2024-01-01") + pd.to_timedelta(30 * step, unit="D"),
        distance_km=1000.0 * step,
    )
    looks = looks.assign(value=np.concatenate(values), source="reading", line=np.arange(len(looks)))
    return spans_, looks, law_for("GB")


def test_a_mistyped_reading_is_found_shown_and_left_out():
    rng = np.random.default_rng(list(b"slip"))
    values = [list(8 - 0.5 * np.arange(8) + rng.normal(0, 0.05, 8)) for _ in range(4)]
    values[2][4] = 60.0
    worn = wear.wear_of(*toy(values))
    doubtful = worn.looks[worn.looks["is_doubtful"]]
    assert doubtful[["part_key", "value"]].to_numpy().tolist() == [["p2", 60.0]]
    assert worn.parts["rate_mm_per_1000km"].tolist() == pytest.approx([0.5] * 4, abs=0.03)


def test_the_lowest_place_governs():
    spans_, looks, law = toy([list(8 - 0.5 * np.arange(6))])
    shoulder = looks.assign(
        place="left-shoulder", value=looks["value"] - 0.3 * np.arange(6), line=looks["line"] + 100
    )
    worn = wear.wear_of(spans_, pd.concat([looks.assign(place="centre"), shoulder]), law)
    assert worn.parts["place"].tolist() == ["left-shoulder"]
    assert worn.parts["rate_mm_per_1000km"].tolist() == pytest.approx([0.8])


def test_stretch_rises_to_its_limit():
    rng = np.random.default_rng(list(b"chain"))
    spans_, looks, law = toy(
        [list(0.4 * np.arange(6) + rng.normal(0, 0.02, 6)) for _ in range(3)],
        limit=3.0,
        kind="chain",
        quantity="elongation",
    )
    on = wear.remaining(wear.wear_of(spans_, looks, law), pd.Timestamp("2025-01-01"))
    # 0.4% a 1,000 km, now at 2.0%, limit 3%: 2,500 km left
    assert on["left_km"].tolist() == pytest.approx([2500] * 3, rel=0.06)
    assert (on["left_low_km"] < on["left_km"]).all()


def test_like_parts_steady_a_part_with_one_reading():
    rng = np.random.default_rng(list(b"alike"))
    values = [
        list(8 - r * np.arange(8) + rng.normal(0, 0.05, 8)) for r in rng.normal(0.5, 0.05, 12)
    ]
    on = wear.remaining(wear.wear_of(*toy([*values, [6.0]])), pd.Timestamp("2025-01-01")).set_index(
        "part_key"
    )
    # at 6.0 with 4.0 to go at the usual 0.5: some 8,000 km; part-to-part spread makes it wider than a part with eight readings
    assert on.loc["p12", "left_km"] == pytest.approx(8000, rel=0.1)
    assert on.loc["p12", "left_low_km"] < 7000
    alone = wear.remaining(wear.wear_of(*toy([[6.0]])), pd.Timestamp("2025-01-01"))
    assert alone["state"].tolist() == ["not-known"]
    assert alone["left_km"].isna().all()


def test_a_vehicles_other_parts_say_how_its_next_will_wear_as_a_mixed_model_does():
    rng = np.random.default_rng(list(b"mixed"))
    vehicle = np.append(
        np.repeat(np.arange(40), 6), np.arange(40)
    )  # of each six parts read through, then one just fitted
    rates = 0.5 * (
        1 + 0.2 * rng.standard_normal(40)[vehicle] + 0.12 * rng.standard_normal(len(vehicle))
    )
    worn_through, fresh = rates[:240], rates[240:]
    spans_, looks, _ = toy(
        [*(list(8 - r * np.arange(9.0)) for r in worn_through), *([7.9] for _ in fresh)]
    )
    spans_["start"] = pd.Timestamp("2020-01-01") + pd.to_timedelta(np.arange(len(spans_)), unit="D")
    spans_["vehicle"] = [f"v{v}" for v in vehicle]
    looks["vehicle"] = looks["part_key"].map(spans_.set_index("part_key")["vehicle"])
    parts = wear.wear_of(spans_, looks, wear.Law()).parts
    theirs = MixedLM(worn_through, np.ones(240), groups=vehicle[:240]).fit(reml=True)
    told = parts.set_index("part_key").loc[[f"p{k}" for k in range(240, 280)]]
    expected = theirs.fe_params[0] + np.array([theirs.random_effects[v].iloc[0] for v in range(40)])
    assert told["usual_rate"].to_numpy() == pytest.approx(expected, rel=0.005)
    shared, within = float(theirs.cov_re[0, 0]), theirs.scale
    left = (within + shared * within / (within + 6 * shared)) / theirs.fe_params[0] ** 2
    assert told["usual_cv"].to_numpy() == pytest.approx(np.sqrt(left), rel=0.05)
    assert told["spread_cv"].iloc[0] == pytest.approx(
        np.sqrt(shared + within) / theirs.fe_params[0], rel=0.05
    )
    # parts of one vehicle that wear no more alike than others say nothing of its next
    shuffled = spans_.assign(vehicle=rng.permutation(spans_["vehicle"]))
    even = wear.wear_of(shuffled, looks, wear.Law()).parts
    assert even["usual_rate"].to_numpy() == pytest.approx(
        np.full(len(even), even["usual_rate"].mean()), rel=0.06
    )


def test_one_vehicle_alone_keeps_what_is_usual_for_all(fleet):
    log, worn, on = fleet[0], fleet[3], fleet[4]
    one = worn.only([on["vehicle"].iloc[0]])
    alone = wear.remaining(one, log.as_of).set_index("part_key")["left_low_km"]
    whole = on.set_index("part_key")["left_low_km"].reindex(alone.index)
    assert 0 < len(alone) < len(on)
    assert one.parts["usual_rate"].notna().any()
    # the usual distance between looks may differ; what is left may not
    assert alone.to_numpy() == pytest.approx(whole.to_numpy(), nan_ok=True)


def bending(after, parts, error=0.05, **more):
    """Wear of parts read every 1,000 km: 0.5 mm each to 4 mm, two thirds of the way from 8 to 2, and `after` from there."""
    rng = np.random.default_rng(list(b"bend"))
    lines = [8 - 0.5 * np.minimum(x, 8) - after * np.maximum(x - 8, 0) for x in parts]
    return wear.wear_of(*toy([list(y + rng.normal(0, error, len(y))) for y in lines]))


def test_wear_that_quickens_near_the_end_is_found_and_brings_the_end_forward():
    worn = bending(0.8, [np.arange(11.0)] * 20 + [np.arange(7.0)] * 3)
    bend = worn.bends.iloc[0]
    assert bend["is_shown"]
    assert bend["low"] < 0.6 < bend["high"]
    both = [
        wear.remaining(w, pd.Timestamp("2025-01-01")).set_index("part_key")
        for w in (worn, replace(worn, bent=None))
    ]
    on, straight = both[0], both[1].reindex(both[0].index)
    # 8 mm at 0.5 and, from 4 mm, 0.8 a 1,000 km to 2 mm: 10,500 km, of which 6,000 are run; a straight line says 12,000
    young = ["p20", "p21", "p22"]
    assert on.loc[young, "left_km"].tolist() == pytest.approx([4500] * 3, rel=0.05)
    assert on.loc[young, "now_height"].tolist() == pytest.approx([5.0] * 3, abs=0.1)
    assert (on["left_low_km"] <= straight["left_low_km"]).all()
    assert (on["left_low_km"] <= on["left_km"]).all()
    assert wear.life_to_limit(worn)["life_km"].tolist() == pytest.approx([10500], rel=0.02)


def test_wear_that_slows_never_puts_the_low_limit_off():
    worn = bending(0.25, [np.arange(14.0)] * 20 + [np.arange(7.0)] * 3)
    assert worn.bends["bend"].iloc[0] == pytest.approx(-0.5, abs=0.05)
    on, straight = (
        wear.remaining(w, pd.Timestamp("2025-01-01")) for w in (worn, replace(worn, bent=None))
    )
    both = on.merge(straight, on="part_key").query("left_km_y > 0")
    assert (both["left_km_x"] > both["left_km_y"]).all()
    assert both["left_low_km_x"].tolist() == pytest.approx(both["left_low_km_y"].tolist())


def test_straight_wear_is_not_said_to_bend():
    rng, fleets = np.random.default_rng(list(b"straight")), []
    for i in range(40):  # each a category of its own, and its own question
        values = [
            list(8 - r * np.arange(13) + rng.normal(0, 0.2, 13)) for r in rng.normal(0.5, 0.06, 12)
        ]
        *tables, law = toy(values, kind=f"pad {i}")
        fleets.append([t.assign(part_key=t["part_key"] + f" of {i}") for t in tables])
    spans_, looks = (pd.concat(of, ignore_index=True) for of in zip(*fleets, strict=True))
    found = wear.wear_of(spans_, looks, law).bends
    assert len(found) == 40
    assert found["is_shown"].sum() <= 2
    assert 0.02 < (found["p"] < 0.2).mean() < 0.4


def test_a_last_reading_at_the_limit_needs_no_line():
    on = wear.remaining(wear.wear_of(*toy([[1.9]])), pd.Timestamp("2025-01-01"))
    assert on["state"].tolist() == ["below"]


def unplaced(spans_, looks, *last):
    """The same with one more reading of each part, 20 days after its newest, that no distance is known of."""
    newest = (
        looks.sort_values("date")
        .drop_duplicates("part_key", keep="last")
        .sort_values("part_key", ignore_index=True)
    )
    more = newest.assign(
        value=last,
        distance_km=np.nan,
        date=newest["date"] + pd.Timedelta(days=20),
        line=range(900, 900 + len(last)),
    )
    return spans_, pd.concat([looks, more], ignore_index=True)


STRAIGHT = [8.0, 7.55, 6.95, 6.5, 6.03, 5.46, 5.0]


def test_a_last_reading_without_a_distance_is_held_to_the_limit():
    spans_, looks, law = toy([STRAIGHT] * 4)
    before = wear.wear_of(spans_, looks, law)
    worn = wear.wear_of(*unplaced(spans_, looks, 0.8, 2.0, 3.5, 5.6), law)
    assert worn.parts["slope"].tolist() == before.parts["slope"].tolist(), (
        "it takes no part in lines"
    )
    on, was = (
        wear.remaining(w, pd.Timestamp("2025-01-01")).set_index("part_key").sort_index()
        for w in (worn, before)
    )
    assert on["state"].tolist() == ["below-legal", "below", "above", "above"]
    assert on["now_height"].tolist() == pytest.approx([0.8, 2.0, 3.5, 5.0], abs=0.05)
    # half of the 3 mm that were left when it stood at 5; one that reads more than its line moves nothing
    assert (on["left_low_km"] / was["left_low_km"]).tolist() == pytest.approx(
        [0, 0, 0.5, 1], abs=0.01
    )
    assert on["act_km"].tolist()[:2] == [0, 0]


def test_a_last_reading_far_off_its_line_and_at_the_limit_is_to_be_measured_again():
    worn = wear.wear_of(*toy([STRAIGHT, [*STRAIGHT[:-1], 1.7], *[STRAIGHT] * 10]))
    assert worn.looks["is_doubtful"].sum() == 1
    on = wear.remaining(worn, pd.Timestamp("2025-01-01")).set_index("part_key")
    assert on.loc["p1", ["state", "now_height", "act_km"]].tolist() == ["may-be-below", 1.7, 0.0]
    assert on["state"].value_counts()["may-be-below"] == 1


def with_last(values, *last, law=None, **parts):
    """What remains of parts with these lines of readings, all of one place, the first of which reads `last` on its last day:
    pairs (place, value), all at the distance of its newest reading."""
    spans_, looks, gb = toy(values, **parts)
    newest = looks[looks["part_key"].eq("p0")].iloc[-1:]
    more = [
        newest.assign(place=place, value=v, line=900 + i, date=pd.Timestamp("2024-12-30"))
        for i, (place, v) in enumerate(last)
    ]
    places = {place for place, _ in last}
    own = looks[looks["part_key"].eq("p0")]
    earlier = [
        own.assign(place=place, line=own["line"] + 100 * (k + 1))
        for k, place in enumerate(sorted(places))
    ]
    looks = pd.concat([looks[looks["part_key"].ne("p0")], *earlier, *more], ignore_index=True)
    worn = wear.wear_of(spans_, looks, gb if law is None else law)
    return worn, wear.remaining(worn, pd.Timestamp("2025-01-01")).set_index("part_key")


LAST = ["last_read", "last_height", "last_place", "last_is_doubted"]


def test_date_value_and_place_of_the_last_reading_are_of_one_reading():
    # read 5.0 all along its line, then on the last day 1.3, 1.2, 1.3: all far off their lines, and agreeing
    worn, on = with_last(
        [STRAIGHT] * 30, ("centre", 1.3), ("left-shoulder", 1.2), ("right-shoulder", 1.3)
    )
    assert worn.looks["is_doubtful"].sum() == 3, "left out of the line"
    assert on.loc["p0", LAST].tolist() == [pd.Timestamp("2024-12-30"), 1.2, "left-shoulder", False]
    # three agreeing places below the legal limit (1.6 mm, GB) are below it, whatever the line says
    told = on.loc[
        "p0", ["state", "by", "now_height", "left_km", "left_low_km", "act_km", "date_low"]
    ].tolist()
    assert told == ["below-legal", "reading", 1.2, 0.0, 0.0, 0.0, pd.Timestamp("2025-01-01")]
    assert on.loc["p0", ["margin", "legal_margin"]].tolist() == pytest.approx([-0.8, -0.4])
    assert on.index[0] == "p0"


def test_a_last_reading_that_no_other_place_bears_out_is_doubted_and_shown():
    _, on = with_last([STRAIGHT] * 30, ("centre", 4.9), ("left-shoulder", 1.2))
    assert on.loc["p0", LAST].tolist() == [pd.Timestamp("2024-12-30"), 1.2, "left-shoulder", True]
    assert on.loc["p0", ["state", "by", "now_height", "act_km"]].tolist() == [
        "may-be-below",
        "reading",
        1.2,
        0.0,
    ]
    # one far too high takes nothing off, and makes nothing longer
    _, high = with_last([STRAIGHT] * 30, ("centre", 7.9), ("left-shoulder", 7.9))
    assert high.loc["p0", LAST].tolist() == [pd.Timestamp("2024-12-30"), 7.9, "centre", True]
    assert high.loc["p0", "now_height"] == pytest.approx(5.0, abs=0.1)


def test_a_place_at_its_limit_that_was_not_read_on_the_last_day_is_at_its_limit_still():
    spans_, looks, law = toy([[8.0, 6.5, 5.0, 3.5, 1.9]] * 4)
    looks["place"] = "inner"
    newest = looks[looks["part_key"].eq("p0")].iloc[-1:]
    outer = newest.assign(
        place="outer", value=2.6, date=newest["date"] + pd.Timedelta(days=20), line=900
    )
    on = wear.remaining(
        wear.wear_of(spans_, pd.concat([looks, outer], ignore_index=True), law),
        pd.Timestamp("2025-01-01"),
    )
    on = on.set_index("part_key")
    assert on.loc["p0", LAST].tolist() == [newest["date"].iloc[0], 1.9, "inner", False]
    assert on.loc["p0", ["state", "by"]].tolist() == ["below", "reading"]


def test_agreeing_places_lower_than_the_line_but_not_at_the_limit_bring_the_end_forward():
    _, on = with_last([STRAIGHT] * 30, ("centre", 3.5), ("left-shoulder", 3.6))
    assert on.loc["p0", ["last_height", "last_is_doubted", "now_height"]].tolist() == [
        3.5,
        False,
        3.5,
    ]
    # half of the 3 mm that the line says
    assert on.loc["p0", "left_km"] == pytest.approx(on.loc["p1", "left_km"] / 2, rel=0.05)


def test_a_part_past_its_limit_by_its_line_alone_is_a_forecast_with_its_last_reading_beside_it():
    # 8 to 2.3 mm at 6,000 km, 0.95 a 1,000 km; now at 7,000 km: 1.35 mm by its line, below both limits, though never read so
    spans_, looks, law = toy([list(8 - 0.95 * np.arange(7))] * 4)
    on = wear.remaining(
        wear.wear_of(spans_.assign(duration_km=7000.0), looks, law), pd.Timestamp("2025-01-01")
    )
    assert on[["state", "by"]].to_numpy().tolist() == [["below-legal", "line"]] * 4
    assert on["last_height"].tolist() == pytest.approx([2.3] * 4)
    assert on["now_height"].tolist() == pytest.approx([1.35] * 4)
    assert on["legal_margin"].tolist() == pytest.approx([-0.25] * 4)


def test_an_undoubted_reading_at_the_limit_is_at_the_limit_though_its_line_runs_above_it():
    noisy = [8.0, 7.1, 6.2, 4.9, 4.2, 2.9, 1.9]
    worn, on = with_last([noisy] * 4, ("", 1.9))
    assert not worn.looks["is_doubtful"].any()
    assert on.loc["p0", ["state", "by", "margin"]].tolist() == [
        "below",
        "reading",
        pytest.approx(-0.1),
    ]


@pytest.mark.parametrize(
    "read, kind, limit, expected",
    [
        (0.9, "tyre", np.nan, ["limit-not-known", "reading"]),
        (
            2.5,
            "tyre",
            np.nan,
            ["limit-not-known", "reading"],
        ),  # within 1.0 mm of the 1.6 of GB and EU
        (2.7, "tyre", np.nan, ["not-known", ""]),
        (0.9, "tyre", 0.5, ["not-known", ""]),  # the log's own limit is a limit
        (0.9, "clutch", np.nan, ["not-known", ""]),  # no example of any country
    ],
)
def test_a_worn_part_whose_limit_nobody_gives_heads_every_list(read, kind, limit, expected):
    worn = wear.wear_of(*toy([[read]], limit=limit, kind=kind)[:2], wear.Law())
    on = wear.remaining(worn, pd.Timestamp("2025-01-01"))
    assert on[["state", "by"]].to_numpy().tolist() == [expected]
    assert on["legal_limit"].isna().all()
    assert wear.STATES[0] == "limit-not-known"
    if expected[0] == "limit-not-known":
        assert on[["last_height", "act_km"]].to_numpy().tolist() == [[read, 0.0]]


def test_a_tyre_read_below_the_limit_is_told_though_no_row_of_fitted_names_it():
    from wearbar.report.quantities import Show
    from wearbar.report.words import life as wording

    frames = {
        "vehicles": [{**CAR, "kind": "motorcycle"}],
        "odometer": [{"vehicle": "A", "date": "2024-01-01", "odometer": 0}],
    }
    frames["measurements"] = [{"vehicle": "A", "date": "2024-06-01", "value": 0.9, **TREAD}]
    told = []
    for law in ({}, {"jurisdiction": "GB"}):
        log = log_of(
            {name: pd.DataFrame(rows) for name, rows in frames.items()}, NOTHING_READ | law
        )
        looks = spans.looks_of(log)
        on = wear.remaining(wear.wear_of(spans.spans_of(log), looks, wear.law_of(log)), log.as_of)
        told.append(wording.headline(on, Show(log.units)))
    assert told == [
        (
            "1 part has little left and no known limit: A rear tyre, measured 0.9 mm on 1 Jun 2024. Check before use.",
            "now",
        ),
        (
            "1 part is measured at or past the legal limit: A rear tyre, 0.9 mm on 1 Jun 2024 (legal limit 1.0 mm, GB). "
            "Do not drive until checked.",
            "now",
        ),
    ]


def test_parts_at_a_limit_are_ranked_by_what_hurts_first_and_by_their_margin_to_the_legal_limit():
    spans_, looks, law = toy([[1.9], [1.7], [1.8], [1.5]])
    spans_["category"] = looks["category"] = ["chain-guard", "tyre", "tyre", "tyre"]
    on = wear.remaining(wear.wear_of(spans_, looks, law), pd.Timestamp("2025-01-01"))
    assert on["part_key"].tolist() == ["p3", "p1", "p2", "p0"]


@pytest.mark.parametrize(
    "vehicle, odometer",
    [
        ({"kind": "motorcycle"}, [("2024-01-01", 0), ("2024-06-01", 5000)]),
        ({"kind": "trailer", "meter": "none"}, []),
    ],
    ids=["after the last odometer reading", "no meter"],
)
def test_a_tyre_below_the_legal_limit_is_off_the_road_whether_or_not_its_distance_is_known(
    vehicle, odometer
):
    from wearbar.report.quantities import Show
    from wearbar.report.tables import view_of
    from wearbar.report.words import life as wording

    read = [
        {"vehicle": "A", "date": d, "value": v, **TREAD}
        for d, v in (("2024-03-01", 6.0), ("2024-09-01", 0.8))
    ]
    frames = {
        "vehicles": [{"vehicle": "A", "in_service": "2024-01-01", **vehicle}],
        "measurements": read,
    }
    frames["odometer"] = [{"vehicle": "A", "date": d, "odometer": x} for d, x in odometer]
    frames["fitted"] = [
        {
            "vehicle": "A",
            "position": "rear",
            "category": "tyre",
            "item": "x",
            "fitted": "2024-02-01",
            "limit_depth": 1.6,
        }
    ]
    header = {"distance": "km", "as_of": "2024-12-31", "jurisdiction": "GB"}
    log = log_of({name: pd.DataFrame(rows) for name, rows in frames.items() if rows}, header)
    readings = usage.readings(log)
    lives_ = spans.spans_of(log)
    worn = wear.wear_of(lives_, spans.looks_of(log), wear.law_of(log))
    on = wear.remaining(worn, log.as_of, usage.daily_rate(usage.path_of(readings), log.as_of))
    assert on[["state", "last_height", "now_height", "act_km", "date_low"]].to_numpy().tolist() == [
        ["below-legal", 0.8, 0.8, 0.0, log.as_of],
    ]  # fmt: skip
    text, urgency = wording.headline(on, Show(log.units))
    assert urgency == "now"
    law = {"motorcycle": "1.0", "trailer": "1.6"}[vehicle["kind"]]
    evidence = f"A rear tyre, 0.8 mm on 1 Sep 2024 (limit 1.6 mm; legal limit {law} mm, GB)"
    assert (
        text
        == f"1 part is measured at or past the legal limit: {evidence}. Do not drive until checked."
    )
    show = Show(log.units)
    row = view_of("consumable_life", "on-now", wording.now_table(on), show)["frame"].iloc[0]
    assert row[["state", "measured", "now", "legal"]].tolist() == [
        *("at or past the legal limit", "0.8 mm, 1 Sep 2024", "– / 1.6 mm", f"{law} mm, GB")
    ]
    told = "1 fitted part has been measured. 1 is measured at or past the legal limit."
    assert wording.on_now(on, lives_) == told


def test_the_day_to_look_by_belongs_to_the_distance_to_look_within(fleet):
    log, on = fleet[0], fleet[4]
    pace = on["vehicle"].map(
        usage.daily_rate(usage.log_path(log), log.as_of).set_index("vehicle")["high"]
    )
    days = (on["date_low"] - log.as_of).dt.days
    known = days.notna() & pace.gt(0)
    assert (on["act_km"] <= np.fmin(on["left_low_km"], on["next_look_km"]))[
        known & on["why_not"].eq("")
    ].all()
    assert (on["next_look_km"] < on["left_low_km"])[known].sum() > 20
    assert days[known].tolist() == np.floor(on["act_km"] / pace)[known].tolist()


# --- tyres: pressure and age ---

PLANNED = {
    "code": "tyres-check",
    "action": "inspect",
    "figures": [
        {"name": "front, cold", "value": 36, "unit": "psi", "source": "handbook p. 9"},
        {"name": "rear, cold", "value": 42, "unit": "psi", "source": "EXAMPLE, NOT FOR USE"},
        {"name": "change depth", "value": 3, "unit": "mm", "source": "handbook p. 9"},
        {"name": "spare", "value": 60, "unit": "psi"},
    ],
}


def pressed(*rows, plan=True, **more):
    """A log of one truck, pressures in psi; rows: (day, position, psi, state)."""
    from wearbar.log.plan import plan_of

    gauge = {"vehicle": "A", "category": "tyre", "quantity": "pressure"}
    read = [gauge | {"date": d, "position": p, "value": v, "state": s} for d, p, v, s in rows]
    frames = {
        "vehicles": [{**CAR, "kind": "truck"}],
        "odometer": [{"vehicle": "A", "date": "2024-01-01", "odometer": 0}],
    }
    frames |= {"measurements": read} | {
        name: table for name, table in more.items() if isinstance(table, list)
    }
    header = (
        NOTHING_READ
        | {"pressure": "psi"}
        | {name: key for name, key in more.items() if isinstance(key, str)}
    )
    tasks = plan_of({"t": {"applies_to": ["truck"], "task": [PLANNED]}}, "km") if plan else None
    return log_of(
        {name: pd.DataFrame(table) for name, table in frames.items() if table}, header, plan=tasks
    )


PSI = 6.894757293168361  # kPa


def test_a_tyre_is_soft_where_its_last_pressure_is_below_the_plans_figure_or_the_law():
    rows = [
        ("2024-12-01", "front-left", 32.3, "cold"),
        ("2024-12-01", "front-right", 32.5, "cold"),
        ("2024-12-01", "rear", 10, "cold"),
    ]
    rows += [("2024-10-01", "spare", 5, "cold"), ("2024-11-20", "front-left", 40, "cold")]
    found = wear.soft_tyres(pressed(*rows))
    # 36 psi less 10% is 32.4; the rear's figure is an example, the spare's has no source: no limit, so not told
    assert found[["vehicle", "position"]].to_numpy().tolist() == [["A", "front-left"]]
    assert found.loc[0, ["value", "limit"]].tolist() == pytest.approx([32.3 * PSI, 32.4 * PSI])
    assert found.loc[0, "date"] == pd.Timestamp("2024-12-01")
    assert found.loc[0, "source"] == "handbook p. 9, less 10% (common practice, no source)"
    law = [
        {
            "jurisdiction": "XX",
            "kind": "truck",
            "category": "tyre",
            "quantity": "pressure",
            "limit": 33,
            "source": "s. 4",
        }
    ]
    both = wear.soft_tyres(pressed(*rows, limits=law, jurisdiction="XX"))
    assert both["position"].tolist() == ["rear", "front-left", "front-right"]
    assert set(both["source"]) == {"s. 4 (XX)"}
    assert wear.soft_tyres(pressed(*rows, plan=False)).empty, "no limit, nothing told"
    assert wear.soft_tyres(pressed(("2024-06-01", "front-left", 20, "cold"))).empty, (
        "too long ago to say"
    )


def test_a_tyre_is_old_by_its_day_of_make_where_a_limit_of_age_is_given():
    tyre = {"vehicle": "A", "category": "tyre", "item": "x", "fitted": "2024-01-01"}
    on = [
        tyre | {"position": "front-left", "made": "2014-12-30"},
        tyre | {"position": "rear", "made": "2010-01-01"},
    ]
    on += [tyre | {"position": "front-right", "made": "2015-01-02"}, tyre | {"position": "axle3"}]
    found = wear.old_tyres(pressed(fitted=on, jurisdiction="GB"))
    # ten years on front axles of heavy vehicles (from memory); no limit for the others
    assert found[["position", "limit"]].to_numpy().tolist() == [["front-left", 10.0]]
    assert found.loc[0, "value"] == pytest.approx(10.0, abs=0.01)
    assert "from memory (GB)" in found.loc[0, "source"]
    assert wear.old_tyres(pressed(fitted=on)).empty
    assert wear.soft_tyres(pressed(plan=False)).empty


# --- oil ---


def oil(rows, work=(), state="cold"):
    """Oil use of one motorcycle driven 1,000 km a month; rows: (month, place, mL)."""
    odometer = [
        {"vehicle": "A", "date": f"2024-{m:02}-01", "odometer": 1000 * m} for m in range(1, 13)
    ]
    read = [
        {
            "vehicle": "A",
            "date": f"2024-{m:02}-01",
            "position": "engine",
            "category": "engine-oil",
            "quantity": "top-up",
            "value": v,
        }
        | {"place": p, "state": s if (s := state) != "mixed" else ("cold", "hot")[m % 2]}
        for m, p, v in rows
    ]
    work = [
        {"vehicle": "A", "date": f"2024-{m:02}-01", "task": task, "why": "planned"}
        for m, task in work
    ]
    frames = {
        "vehicles": [{"vehicle": "A", "kind": "motorcycle", "in_service": "2024-01-01"}],
        "odometer": odometer,
    }
    frames |= {"measurements": read, "work": work}
    header = {
        "currency": "EUR",
        "money": "net",
        "distance": "km",
        "first_day": "2024-01-01",
        "as_of": "2024-12-31",
    }
    log = log_of({name: pd.DataFrame(list(r)) for name, r in frames.items() if len(r)}, header)
    return wear.oil_use(log).iloc[0]


CHECKS = [(m, "engine-oil-level") for m in range(1, 13)]


def test_oil_use_counts_what_was_added_since_the_mark():
    # the first tells no period; then 100, 0, 200, 100 over 4,000 km
    found = oil(
        [(1, None, 500), (2, None, 100), (3, None, 0), (4, None, 200), (5, None, 100)], CHECKS
    )
    assert found[["n", "distance_km", "used_ml", "why_not"]].tolist() == [4, 4000, 400, ""]
    assert found["ml_per_1000km"] == pytest.approx(100)
    assert found["low"] < 100 < found["high"]


def test_oil_not_filled_to_the_mark_is_still_missing():
    # 300 missing, 100 added: 200 left; then 350 missing: 150 used; then filled; then 120, 90
    rows = [(1, "level before", 300), (1, None, 100), (2, "level before", 350), (2, None, 350)]
    rows += [(3, "level before", 120), (3, None, 120), (4, "level before", 90)]
    assert oil(rows)[["n", "used_ml", "ml_per_1000km"]].tolist() == pytest.approx([3, 360, 120])


def test_oil_use_is_refused_where_it_would_invent_a_worn_engine():
    rows = [(m, None, 100) for m in range(1, 7)]
    assert "level before" in oil(rows)["why_not"]
    assert "hot" in oil(rows, CHECKS, state="mixed")["why_not"]
    assert "known which" in oil(rows, CHECKS, state=None)["why_not"]
    assert np.isnan(oil(rows)["ml_per_1000km"])
    # an oil change within a period: what was drained and filled is no use
    assert oil(rows, [*CHECKS, (3, "engine-oil-and-filter")])["n"] == 4
    assert "three periods" in oil(rows[:3], CHECKS)["why_not"]


# --- cost ---


def lives(scale, n, vehicles=10, price=100.0, item="a", seed=1):
    rng = np.random.default_rng(seed)
    life, until = scale * rng.weibull(4, n), scale * rng.uniform(0.8, 3, n)
    frame = pd.DataFrame(
        {
            "part_key": [f"{item}{i}" for i in range(n)],
            "vehicle": [f"v{i % vehicles}" for i in range(n)],
            "category": "tyre",
            "kind": "van",
        }
    )
    ended = life < until
    return frame.assign(
        positions="rear", item=item, duration_km=np.minimum(life, until), entry_km=0.0, age_known=True, price=price, fitting_cost=20.0,
        cause=np.where(ended, "worn", "still-on"), observed=ended,
    )  # fmt: skip


def test_cost_is_price_over_mean_service_not_the_mean_of_prices_over_lives():
    frame = lives(20000, 400)
    row = choice.cost_per_distance(frame).iloc[0]
    truth = 120 / (20000 * 0.9064024771)  # gamma(1 + 1/4)
    assert row["cost_per_km"] == pytest.approx(truth, rel=0.05)
    assert row["low_per_km"] < truth < row["high_per_km"]
    ended = frame[frame["observed"]]
    assert (120 / ended["duration_km"]).mean() > 1.05 * truth


def test_items_are_told_apart_only_where_the_interval_says_so():
    far = choice.pairs(pd.concat([lives(20000, 80), lives(40000, 80, item="b", seed=2)]))
    assert far[["item", "other", "apart", "lives_needed"]].to_numpy().tolist() == [
        ["b", "a", True, 0]
    ]
    # a would cost as little as b at half its 120, less 20 for fitting: some 40
    assert far["break_even"].tolist() == pytest.approx([40], abs=6)
    assert (far["break_even_low"] < far["break_even"]).all()
    near = choice.pairs(pd.concat([lives(20000, 20), lives(21500, 20, item="b", seed=2)]))
    assert not near["apart"].any()
    assert (near["lives_needed"] != 0).all()


def test_items_of_other_places_and_kinds_are_never_compared():
    both = pd.concat(
        [
            lives(20000, 40),
            lives(40000, 40, item="b", seed=2).assign(positions="front"),
            lives(30000, 40, item="c").assign(kind="car"),
        ]
    )
    assert len(choice.pairs(both)) == 0


def test_few_lives_have_words():
    few = choice.cost_per_distance(lives(20000, 3, vehicles=1))
    assert few["note"].str.contains("one vehicle").all()
    two = choice.cost_per_distance(lives(20000, 16, vehicles=2))
    assert two["note"].eq("few vehicles: no range").all()
    assert two["low_per_km"].isna().all()
    none = choice.cost_per_distance(lives(20000, 3).assign(cause="still-on", observed=False))
    assert none["cost_per_km"].isna().all()
    assert none["high_per_km"].notna().all(), "no end gives an upper bound of the cost"
    assert choice.cost_per_distance(lives(20000, 4).assign(price=np.nan)).empty


def test_parts_changed_together_are_one_decision():
    """Two and four parts that came on and off together say no more of lives, service and pairs than one of them."""
    rng = np.random.default_rng(6)
    km, car = 20000 * rng.weibull(3, 30), [f"v{i // 3}" for i in range(30)]
    one = lives(20000, 30).assign(
        vehicle=car,
        duration_km=km,
        end=pd.Timestamp("2024-05-01") + pd.to_timedelta(range(30), "D"),
    )
    one = one.assign(item=["x", "y"] * 15, last_seen_km=np.nan)
    four = one.loc[one.index.repeat(4)].reset_index(drop=True)
    four = four.assign(part_key=[f"p{i}" for i in range(120)])
    for told, columns in (
        (choice.lives_by_item, ["life_km", "low_km", "high_km"]),
        (choice.pairs, ["ratio", "low", "high", "p"]),
    ):
        assert told(four)[columns].to_numpy() == pytest.approx(told(one)[columns].to_numpy())
    service = ["service_km", "service_low_km", "service_high_km"]
    assert choice.cost_per_distance(four)[service].to_numpy() == pytest.approx(
        choice.cost_per_distance(one)[service].to_numpy()
    )
    assert choice.lives_by_item(four)["n"].tolist() == [60, 60]


def inspected(apart, n=300):
    """Lives of median 18,248 km found worn at looks `apart` km from one another; those still on were seen at their last look."""
    rng = np.random.default_rng(list(b"looks"))
    life, until, start = (
        20000 * rng.weibull(4, n),
        rng.uniform(8000, 45000, n),
        rng.uniform(0, apart, n),
    )
    seen, look = (
        np.maximum(np.floor((x - start) / apart) * apart + start, 0) for x in (life, until)
    )
    on = until < seen + apart
    frame = lives(20000, n).assign(
        last_seen_km=np.where(on, look, seen), duration_km=np.where(on, until, seen + apart)
    )
    return frame.assign(observed=~on, cause=np.where(on, "still-on", "worn"))


def test_an_end_found_by_looking_lies_between_two_looks():
    coarse = inspected(5000.0)
    row = choice.lives_by_item(coarse).iloc[0]
    exact = choice.lives_by_item(coarse.assign(last_seen_km=np.nan)).iloc[0]
    assert (row["n_between"], exact["n_between"]) == (row["n_ended"], 0)
    assert row["low_km"] < 18248 < row["high_km"]
    assert exact["low_km"] > 18248 + 1000, "half the way between two looks too late"
    assert choice.lives_by_item(inspected(500.0)).iloc[0]["n_between"] == 0, (
        "nearer together than a twentieth of a life: exact"
    )


@pytest.mark.parametrize("share", [0.5, 0.9])
def test_parts_taken_off_because_nearly_worn_lie_between_two_figures_and_within_the_limits(share):
    # looks 4,000 km apart; a share of the parts comes off at the last look before the limit, as if for no reason
    rng = np.random.default_rng(list(b"nearly"))
    frame = inspected(4000.0, 200)
    early = frame["observed"] & (rng.random(200) < share) & (frame["last_seen_km"] > 0)
    off = frame["duration_km"].mask(early, frame["last_seen_km"])
    frame = frame.assign(
        duration_km=off,
        observed=~early & frame["observed"],
        cause=frame["cause"].mask(early, "removed-early"),
    )
    row = choice.lives_by_item(frame).iloc[0]
    # taken as independent, early ends put the life off: no point is told
    assert row["floor_km"] < 18248
    assert np.isnan(row["life_km"])
    assert row["low_km"] < row["floor_km"] * 0.99
    assert row["low_km"] < 18248 < row["high_km"]


def test_early_ends_waste_what_was_left():
    frame = lives(20000, 4).assign(
        cause=["worn", "damaged", "removed-early", "still-on"], observed=[True, False, False, False]
    )
    frame = frame.assign(new_depth_mm=8.0, limit=2.0, removed_depth_mm=[2.0, 5.0, 3.5, np.nan])
    table = choice.early_ends(frame).set_index("cause")
    # half of 6 mm usable at 120; a quarter at 120
    assert table["wasted"].to_dict() == pytest.approx({"damaged": 60.0, "removed-early": 30.0})
    assert table["of"].tolist() == [3, 3]


def test_lives_watched_are_told_in_true_words():
    from wearbar.report.words import life as wording

    none = lives(20000, 4).assign(came_off=False, cause="still-on", observed=False, seen_km=9.0)
    assert (
        wording.curves(none, none)
        == "4 parts were followed; none was removed. They are still fitted, or left with their vehicles."
    )
    service = lives(20000, 4).assign(
        came_off=[True, False, False, False], cause=["worn", "still-on", "still-on", "record-gap"]
    )
    told = wording.curves(service, service.assign(seen_km=9.0))
    assert (
        "4 parts were followed; 1 was removed. The others are still fitted, or left with their vehicles."
        in told
    )
    assert "1 part was fitted through a gap in the record, which counts for none" in told
    # fitted on a known day to what counts no distance: not of unknown age
    trailer = service.assign(seen_km=np.nan, age_known=False, entry_km=np.nan)
    assert wording.words_in(None)("life_note", table=choice.lives_by_item(trailer)).startswith(
        "No part has a known age"
    )
    text = wording.curves(service[:0], trailer)
    assert "unknown age" not in text
    assert "4 parts have no recorded distance, so no life." in text


def test_the_picture_of_cost_in_words_has_the_items_that_it_draws():
    from cells import run

    from wearbar.report.charts import style
    from wearbar.report.quantities import Show, clean
    from wearbar.report.words import life as wording

    rows = [("rear", "A", 0.02), ("rear", "B", 0.03), ("front", "C", 0.5), ("front", "D", np.nan)]
    cost = pd.DataFrame(rows, columns=["place_on", "item", "cost_per_km"])
    cost = cost.assign(category="tyre", kind="van", low_per_km=np.nan, high_per_km=np.nan)
    assert len(wording.comparable(cost))
    said = wording.words_in(Show())("alt_cost", rates=wording.comparable(cost)["cost_per_km"])
    assert said.endswith("2 items, with ranges, from 0.020 per km to 0.030 per km.")
    names = {"cost": cost, "show": Show(), "wording": wording, "style": style, "clean": clean}
    figure = run("consumable_life", "those with another at their place", **names, np=np)["figure"]
    labels = figure.axes[0].get_yticklabels()
    assert [label.get_text() for label in labels] == ["A, rear", "B, rear"]
    assert wording.comparable(cost[1:]).empty


def test_the_pictures_of_lives_show_the_places_with_most_ends_and_who_is_at_risk():
    from cells import run
    from matplotlib.ticker import MaxNLocator
    from scipy.stats import norm

    import wearbar as wb
    from wearbar.report.charts import style
    from wearbar.report.quantities import Show, clean
    from wearbar.report.template import coded
    from wearbar.stats import fit_groups

    lives = [("rear", "A", 1000.0 * n, True) for n in range(1, 5)]
    lives += [("rear", "B", 3500.0, False), ("front", "A", 2000.0, True)]
    service = pd.DataFrame(lives, columns=["place_on", "item", "duration_km", "came_off"])
    service = service.assign(category="brake-pad", kind="van", entry_km=0.0)
    names = {"service": service, "show": Show(), "style": style, "np": np, "wb": wb}
    names |= {"clean": clean, "coded": coded, "MaxNLocator": MaxNLocator}
    names |= {"fit_groups": fit_groups, "norm": norm}
    made = run("consumable_life", "# those with most parts removed", **names)
    (axes,) = made["figure"].axes  # one end at the front is too few
    assert axes.get_legend().get_title().get_text() == "van rear brake pad"
    labels = [label.get_text() for label in axes.get_xticklabels()]
    assert labels[0] == "0\n4\n1"
    assert labels[-1] == "4,000\n1\n0"
    paper = run("consumable_life", 'axis.set_yscale("function"', **made)["paper"]
    assert paper.axes[0].get_title(loc="left") == "A, van"
    assert all(style.png(figure).startswith(b"\x89PNG") for figure in (made["figure"], paper))


def test_parts_of_unknown_age_are_listed_and_count_in_wear_rates_only():
    from wearbar.report.words import life as wording

    on = lives(20000, 2).assign(seen_km=9.0, age_known=False, last_position="rear", came_off=False)
    told = wording.curves(on[:0], on)
    assert told.endswith(
        "2 parts of unknown age count in wear rates only (v0 rear tyre and v1 rear tyre)."
    )
    assert "1 part of unknown age counts in wear rates only" in wording.curves(on[:0], on[:1])


SPARSE = {
    "no parts": {},
    "parts never read": {
        "fitted": [
            {
                "vehicle": "A",
                "position": "rear",
                "category": "tyre",
                "item": "x",
                "fitted": "2024-02-01",
            }
        ]
    },
    "one reading of a part on since ever": {
        "fitted": [{"vehicle": "A", "position": "rear", "category": "tyre", "item": "x"}],
        "measurements": [
            {
                "vehicle": "A",
                "date": "2024-06-01",
                "position": "rear",
                "category": "tyre",
                "quantity": "depth",
                "value": 4,
            }
        ],
    },
    "no odometer": {
        "vehicles": [
            {"vehicle": "A", "kind": "trailer", "in_service": "2024-01-01", "meter": "none"}
        ],
        "odometer": [],
    },
}


@pytest.mark.parametrize("rows", SPARSE.values(), ids=SPARSE)
def test_sparse_logs_give_words_and_no_warning(rows):
    """Everything that the notebook says and draws, of logs with next to nothing in them."""
    from wearbar.report.quantities import Show
    from wearbar.report.tables import view_of
    from wearbar.report.words import life as wording

    frames = {"vehicles": [{"vehicle": "A", "kind": "motorcycle", "in_service": "2024-01-01"}]}
    frames |= {
        "odometer": [
            {"vehicle": "A", "date": "2024-01-01", "odometer": 0},
            {"vehicle": "A", "date": "2024-12-31", "odometer": 9000},
        ]
    } | rows
    header = {
        "currency": "EUR",
        "money": "net",
        "distance": "km",
        "first_day": "2024-01-01",
        "as_of": "2024-12-31",
    }
    log = log_of({name: pd.DataFrame(table) for name, table in frames.items() if table}, header)
    readings, show = usage.readings(log), Show(log.units)
    lives_ = spans.spans_of(log)
    worn = wear.wear_of(lives_, spans.looks_of(log), wear.law_of(log))
    on = wear.remaining(worn, log.as_of, usage.daily_rate(usage.path_of(readings), log.as_of))
    cost, pairs, off = (
        choice.cost_per_distance(lives_),
        choice.pairs(lives_),
        choice.early_ends(worn.parts),
    )
    service = choice.service_lives(choice.with_place(lives_))
    words = wording.words_in(show)
    texts = [
        wording.headline(on, show)[0],
        wording.on_now(on, lives_),
        words("doubtful", n=int(worn.looks["is_doubtful"].sum())),
        words("model", wear=worn),
    ]
    texts += [words("early", table=off), words("pairs", pairs=pairs)]
    texts += [wording.curves(service, lives_)]
    texts += [
        words("wear_life", n=len(wear.life_to_limit(worn))),
        wording.oil(wear.oil_use(log), pairs, show),
    ]
    assert all(texts)
    assert not [word for word in ("nan", "inf", "None") for text in texts if f" {word}" in text]
    views = {"on-now": wording.now_table(on), "early": off, "pairs": pairs}
    views |= {"limits": wording.limits_table(worn.parts, wear.law_of(log))}
    views |= {"life-by-ends": choice.lives_by_item(lives_), "doubtful": worn.looks[:0]}
    for name, table in views.items():
        assert len(view_of("consumable_life", name, table, show)["frame"]) == len(table)
    assert (service.groupby(["category", "kind", "place_on"])["came_off"].sum() < 3).all()
    assert wording.comparable(cost).empty
