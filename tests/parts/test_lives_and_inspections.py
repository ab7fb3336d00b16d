"""Spans: one row a physical part's life, and the readings that belong to it; distances in km, each expected value worked beside it."""

import pandas as pd
import pytest

from wearbar.log import log_of
from wearbar.parts import looks_of, segments_of, spans_of, watched, with_place
from wearbar.severity.use import with_use

HEADER = {
    "name": "test",
    "currency": "EUR",
    "money": "net",
    "distance": "km",
    "first_day": "2024-01-01",
    "as_of": "2025-12-31",
}
BIKE = {"vehicle": "A", "kind": "motorcycle", "in_service": "2023-01-01", "site": "home"}
# 1,000 km a month: 12,000 when the record begins, 36,000 when it ends
ODOMETER = [
    {"vehicle": v, "date": d, "odometer": o}
    for v in "AB"
    for d, o in (("2024-01-01", 12000), ("2025-01-01", 24000), ("2025-12-31", 36000))
]

DEPTHS = (("2024-01-01", 12000, 6.0), ("2025-01-01", 24000, 4.0))


def make(fitted, measurements=(), vehicles=(BIKE,), odometer=ODOMETER, **more):
    frames = {
        "vehicles": vehicles,
        "odometer": odometer,
        "fitted": fitted,
        "measurements": measurements,
        **more,
    }
    return log_of(
        {name: pd.DataFrame(list(rows)) for name, rows in frames.items() if len(rows)}, HEADER
    )


def tyre(**more):
    return {"vehicle": "A", "position": "rear", "category": "tyre", "item": "x", **more}


def one(log):
    spans = spans_of(log)
    assert len(spans) == 1
    return spans.iloc[0]


def test_a_part_worn_out_is_an_end_seen():
    row = tyre(
        fitted="2024-03-01",
        fitted_odometer=14000,
        removed="2025-01-01",
        removed_odometer=24000,
        reason="worn",
        price=100,
    )
    span = one(make([row]))
    assert (span["entry_km"], span["duration_km"], span["observed"], span["cause"]) == (
        0,
        10000,
        True,
        "worn",
    )
    assert (span["price"], span["site"], span["kind"]) == (
        100,
        "home",
        "motorcycle",
    )


@pytest.mark.parametrize(
    "reason, cause, observed",
    [
        ("failed", "failed", True),
        ("damaged", "damaged", False),
        ("convenience", "removed-early", False),
        ("stored", "stored", False),
    ],
)
def test_reasons(reason, cause, observed):
    row = tyre(
        fitted="2024-03-01",
        fitted_odometer=14000,
        removed="2025-01-01",
        removed_odometer=24000,
        reason=reason,
    )
    span = one(make([row]))
    assert (span["cause"], span["observed"]) == (cause, observed)


def test_still_on_and_disposed_go_to_the_last_day():
    assert one(make([tyre(fitted="2025-01-01", fitted_odometer=24000)]))[
        ["cause", "duration_km"]
    ].tolist() == ["still-on", 12000]
    sold = {**BIKE, "disposed": "2025-01-01", "disposed_odometer": 24000}
    readings = [row for row in ODOMETER if row["date"] <= "2025-01-01"]
    span = one(
        make(
            [tyre(fitted="2024-01-01", fitted_odometer=12000)],
            vehicles=[sold],
            odometer=readings[:2],
        )
    )
    assert span[["cause", "duration_km", "is_on"]].tolist() == ["disposed", 12000, False]


def test_what_is_read_where_no_part_is_named_is_a_part_of_unknown_age():
    read = {"vehicle": "A", "category": "tyre", "quantity": "depth"}
    reads = [
        read | {"date": "2025-06-01", "position": p, "value": v}
        for p, v in (("front", 0.9), ("rear", 5.0))
    ]
    reads += [read | {"date": "2024-06-01", "position": "rear", "value": 3.0}]
    gone = tyre(
        fitted="2024-02-01",
        fitted_odometer=13000,
        removed="2025-01-01",
        removed_odometer=24000,
        reason="worn",
    )
    log = make([gone], reads)
    spans = spans_of(log).set_index("position")
    assert spans.loc["front", ["item", "is_on", "age_known", "n_readings"]].tolist() == [
        "item not in the log",
        True,
        False,
        1,
    ]
    # at the rear one was removed; what was read there since is another
    assert sorted(spans.loc["rear", ["is_on", "n_readings"]].to_numpy().tolist()) == [
        [False, 1],
        [True, 1],
    ]
    assert len(spans_of(make([tyre(fitted="2024-02-01")], [reads[1]]))) == 1


def test_one_id_for_pieces_of_two_categories_is_two_lives():
    rows = [
        tyre(part="P", category=c, fitted="2024-01-01", fitted_odometer=12000)
        for c in ("tyre", "brake-pad")
    ]
    read = {"vehicle": "A", "date": "2025-01-01", "position": "rear", "category": "tyre"}
    read |= {"quantity": "depth", "value": 4, "part": "P"}
    log = make(rows, [read])
    spans = spans_of(log)
    assert spans["part_key"].is_unique
    assert (
        looks_of(log)["part_key"].tolist()
        == spans.loc[spans["category"].eq("tyre"), "part_key"].tolist()
    )


OLD = {**BIKE, "in_service": "2016-03-01", "in_service_odometer": 0}


@pytest.mark.parametrize("fitted", ["2016-03-01", "2016-09-10", "2023-12-31"])
def test_a_part_fitted_before_the_record_without_its_reading_has_no_age_and_serves_for_wear(fitted):
    # the line from its first day to the record's would give it one: blank is not known, whatever can be drawn through
    read = [tyre(date=d, odometer=o, quantity="depth", value=v) for d, o, v in DEPTHS]
    read = [{name: value for name, value in row.items() if name != "item"} for row in read]
    log = make([tyre(fitted=fitted, new_depth=8.0)], read, vehicles=[OLD])
    span = one(log)
    assert not span["age_known"]
    assert span[["entry_km", "duration_km", "last_seen_km"]].isna().all()
    assert (span["seen_km"], span["n_readings"], len(watched(spans_of(log)))) == (24000, 2, 0)
    looks = looks_of(log)
    assert looks[["distance_km", "source"]].to_numpy().tolist() == [
        [0.0, "reading"],
        [12000.0, "reading"],
    ]
    known = one(make([tyre(fitted=fitted, fitted_odometer=9000)], vehicles=[OLD]))
    assert known[["age_known", "entry_km", "duration_km"]].tolist() == [True, 3000, 27000]


def test_a_part_fitted_within_the_record_without_its_reading_is_placed_by_its_day():
    span = one(make([tyre(fitted="2024-07-01")], vehicles=[OLD]))
    assert span["age_known"]
    assert span["duration_km"] == pytest.approx(18000, abs=60)


def test_a_part_on_before_the_record_enters_late():
    # fitted at 9,000, watched from 12,000, worn at 24,000: enters at 3,000, ends at 15,000
    row = tyre(
        fitted="2023-10-01",
        fitted_odometer=9000,
        removed="2025-01-01",
        removed_odometer=24000,
        reason="worn",
    )
    assert one(make([row]))[["entry_km", "duration_km", "age_known"]].tolist() == [
        3000,
        15000,
        True,
    ]


def test_an_unknown_age_is_never_nil():
    spans = spans_of(make([tyre(removed="2025-01-01", removed_odometer=24000, reason="worn")]))
    assert not spans["age_known"].any()
    assert spans[["entry_km", "duration_km"]].isna().all(axis=None)
    assert len(watched(spans)) == 0
    assert spans["seen_km"].tolist() == [12000]


def test_a_part_bought_used_enters_at_its_distance_or_not_at_all():
    used = tyre(
        fitted="2024-03-01",
        fitted_odometer=14000,
        removed="2025-01-01",
        removed_odometer=24000,
        reason="worn",
        condition="part-worn",
    )
    assert not one(make([used]))["age_known"]
    # 3,000 before, 10,000 here
    assert one(make([{**used, "prior_distance": 3000}]))[["entry_km", "duration_km"]].tolist() == [
        3000,
        13000,
    ]


def test_a_part_below_its_new_depth_when_fitted_was_used_before():
    row = tyre(fitted="2024-03-01", fitted_odometer=14000, new_depth=8.0)
    assert one(make([row | {"fitted_depth": 7.6}]))["age_known"]
    assert not one(make([row | {"fitted_depth": 6.0}]))["age_known"]
    assert one(make([row | {"fitted_depth": 6.0, "prior_distance": 4000}]))["entry_km"] == 4000


def test_a_moved_part_of_unknown_age_stays_so():
    # bought used without a distance, then moved: the second row says nothing of its age
    rows = [
        tyre(
            part="P",
            fitted="2024-03-01",
            fitted_odometer=14000,
            removed="2024-06-01",
            removed_odometer=17000,
            reason="moved",
        )
        | {"condition": "part-worn"},
        tyre(part="P", position="front", fitted="2024-06-01", fitted_odometer=17000),
    ]
    assert not one(make(rows))["age_known"]


MONTHS = pd.date_range("2024-01-01", periods=24, freq="MS")
MONTHLY = [{"vehicle": "A", "date": d, "odometer": 12000 + 1000 * i} for i, d in enumerate(MONTHS)]
# nothing between 1 June (17,000) and 1 December 2024 (23,000): six months among months
HOLED = [
    row
    for row in MONTHLY
    if not pd.Timestamp("2024-06-01") < row["date"] < pd.Timestamp("2024-12-01")
]


def test_a_hole_in_the_record_leaves_the_risk_set():
    row = tyre(
        fitted="2024-03-01",
        fitted_odometer=14000,
        removed="2025-06-01",
        removed_odometer=29000,
        reason="worn",
    )
    log = make([row], odometer=HOLED)
    assert spans_of(log)["unrecorded_km"].tolist() == [((3000, 9000),)]
    pieces = watched(spans_of(log))
    assert pieces[["entry_km", "duration_km", "observed", "cause"]].to_numpy().tolist() == [
        [0, 3000, False, "record-gap"], [9000, 15000, True, "worn"],
    ]  # fmt: skip
    # laid up for all but a month of it, nothing is missing from the record
    known = make(
        [row], odometer=HOLED, layups=[{"vehicle": "A", "from": "2024-06-15", "to": "2024-11-20"}]
    )
    assert len(watched(spans_of(known))) == 1


def test_an_end_in_a_hole_or_on_its_last_day_counts_in_none():
    for removed in (
        {"removed": "2024-09-01"},
        {"removed": "2024-12-01", "removed_odometer": 23000},
    ):
        pieces = watched(
            spans_of(
                make(
                    [tyre(fitted="2024-03-01", fitted_odometer=14000, reason="worn", **removed)],
                    odometer=HOLED,
                )
            )
        )
        assert pieces[["entry_km", "duration_km", "observed"]].to_numpy().tolist() == [
            [0, 3000, False]
        ]


def test_what_a_part_was_used_in_is_by_distance_over_its_span():
    # 2,000 km at 0.5 loose, then 4,000 at 0.2: 0.3
    use = [
        {"vehicle": "A", "from": "2024-01-02", "to": "2024-03-01", "distance": 2000, "loose": 0.5},
        {"vehicle": "A", "from": "2024-03-02", "to": "2024-07-01", "distance": 4000, "loose": 0.2},
    ]
    row = tyre(
        fitted="2024-01-01",
        fitted_odometer=12000,
        removed="2024-07-01",
        removed_odometer=18000,
        reason="worn",
    )
    log = make([row], odometer=MONTHLY, use=use)
    span = with_use(spans_of(log), log).iloc[0]
    assert span["loose"] == pytest.approx(0.3, abs=1e-6)
    assert span["loose_coverage_share"] == pytest.approx(1.0)
    assert pd.isna(span["mud_water"])


def test_rows_of_one_part_are_one_life_with_the_store_left_out():
    # 2,000 on A front, in store, 4,000 on A rear, 6,000 on B: 12,000 in all; price once
    rows = [
        tyre(
            part="P",
            position="front",
            fitted="2024-01-01",
            fitted_odometer=12000,
            removed="2024-03-01",
            removed_odometer=14000,
            reason="stored",
            price=90,
        ),
        tyre(
            part="P",
            fitted="2024-07-01",
            fitted_odometer=18000,
            removed="2024-11-01",
            removed_odometer=22000,
            reason="moved",
            price=0,
        ),
        tyre(
            part="P",
            vehicle="B",
            fitted="2025-01-01",
            fitted_odometer=24000,
            removed="2025-07-01",
            removed_odometer=30000,
            reason="worn",
            price=0,
        ),
    ]
    span = one(make(rows, vehicles=[BIKE, {**BIKE, "vehicle": "B"}]))
    assert span[["duration_km", "cause", "vehicle", "position", "positions", "price"]].tolist() == [
        12000, "worn", "B", "rear", "front, rear", 90,
    ]  # fmt: skip
    # the same without an id are three lives, of which two ended in store or on another vehicle
    apart = spans_of(
        make([{**row, "part": None} for row in rows], vehicles=[BIKE, {**BIKE, "vehicle": "B"}])
    )
    assert sorted(apart["cause"]) == ["moved", "stored", "worn"]


def test_a_changed_instrument_does_not_shorten_a_life():
    odometer = [
        *ODOMETER[:2],
        {"vehicle": "A", "date": "2025-02-01", "odometer": 25000, "restarts_at": 0},
        {"vehicle": "A", "date": "2025-12-31", "odometer": 11000},
    ]
    row = tyre(fitted="2025-01-01", fitted_odometer=24000)
    assert one(make([row], odometer=odometer))["duration_km"] == 12000


def test_a_reading_belongs_to_what_was_on_that_day():
    fitted = [
        tyre(
            fitted="2024-01-01",
            fitted_odometer=12000,
            removed="2025-01-01",
            removed_odometer=24000,
            reason="worn",
            new_depth=8,
        ),
        tyre(fitted="2025-01-01", fitted_odometer=24000, new_depth=8),
    ]
    read = [
        {
            "vehicle": "A",
            "date": d,
            "odometer": o,
            "position": "rear",
            "category": "tyre",
            "quantity": "depth",
            "value": v,
        }
        for d, o, v in (
            ("2024-07-01", 18000, 5.0),
            ("2025-01-01", 24000, 2.0),
            ("2025-01-01", 24000, 7.9),
            ("2025-07-01", 30000, 5.1),
        )
    ]
    log = make(fitted, read)
    looks = looks_of(log).query("source == 'reading'")
    assert looks.groupby("part_key")["value"].agg(list).tolist() == [[5.0, 2.0], [7.9, 5.1]]
    assert looks["distance_km"].tolist() == [6000, 12000, 0, 6000]
    spans = spans_of(log)
    assert spans["n_readings"].tolist() == [2, 2]
    # worn at 12,000: last known to go on at the reading before that; the other at its last reading
    assert spans["last_seen_km"].tolist() == [6000, 6000]


def test_an_empty_log_gives_an_empty_frame_with_the_same_columns():
    full = spans_of(make([tyre(fitted="2025-01-01", fitted_odometer=24000)]))
    empty = spans_of(make([]))
    assert len(empty) == 0
    assert set(empty.columns) == set(full.columns)
    assert len(spans_of(make([tyre(fitted="2025-01-01", fitted_odometer=24000)]), "chain")) == 0


def test_every_fitted_row_is_in_a_span_and_kilometres_change_nothing():
    import wearbar_synthetic as synthetic
    from wearbar_synthetic import settings

    tables, truth = synthetic.fleet(1, vehicles=8)
    log = log_of(tables, synthetic.header(settings.FLEET))
    spans = spans_of(log)
    rows = segments_of(log)
    assert len(rows) == len(log.tables["fitted"])
    assert set(rows["part_key"]) == set(spans["part_key"])
    assert (watched(spans)["duration_km"] > watched(spans)["entry_km"]).all()
    assert (spans["observed"] == spans["cause"].isin(["worn", "failed"])).all()
    known = set(truth["parts"]["part"]) & set(spans["part_key"])
    assert len(known) > 0.5 * len(truth["parts"])


def test_a_moved_part_counts_its_distance_on():
    # 2,000 at the front before the move; read 4,000 later at the rear: 6,000 on the part
    rows = [
        tyre(
            part="P",
            position="front",
            fitted="2024-01-01",
            fitted_odometer=12000,
            removed="2024-03-01",
            removed_odometer=14000,
            reason="moved",
        ),
        tyre(part="P", fitted="2024-07-01", fitted_odometer=18000),
    ]
    read = {
        "vehicle": "A",
        "date": "2024-11-01",
        "odometer": 22000,
        "position": "rear",
        "category": "tyre",
        "quantity": "depth",
        "value": 5,
    }
    log = make(rows, [read])
    assert looks_of(log)["distance_km"].tolist() == [6000]


@pytest.mark.parametrize(
    "positions, place",
    [
        ("axle2-1, axle2-2", "axle2"),
        ("rear-left-inner, rear-left-outer", "rear"),
        ("front-left, rear-left", "all round"),
        ("drive", "drive"),
    ],
)
def test_places_of_one_axle_are_one_however_they_are_named(positions, place):
    spans = pd.DataFrame({"positions": [positions], "category": "tyre", "kind": "truck"})
    assert with_place(spans)["place_on"].tolist() == [place]
