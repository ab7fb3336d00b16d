"""What a pack computes once: kept by what the log is made from, and by what was asked."""

import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pandas as pd
import pytest

from wearbar.log.once import STORE, fcntl, kept_with, once
from wearbar.outlook.parts import worn_of
from wearbar.parts import looks_of, old_tyres, soft_tyres, spans_of
from wearbar.parts.lives import segments_of

CALLS = []


@once
def counted(log, share=0.9, *, derived=None):
    """A pure function that counts how often it is really run."""
    CALLS.append((log.as_of, share))
    return {"share": share, "vehicles": log.tables["vehicles"]}


@pytest.fixture
def log(demo_log, monkeypatch, tmp_path):
    CALLS.clear()
    monkeypatch.setenv(STORE, str(tmp_path))
    return demo_log("owner")


def test_the_same_is_computed_once_and_comes_back_equal(log):
    first, again = counted(log, 0.8), counted(log, 0.8, derived="follows from the log")
    assert len(CALLS) == 1
    assert first["share"] == again["share"] == 0.8
    assert first["vehicles"].equals(again["vehicles"])


def test_another_question_or_another_log_is_computed_anew(log):
    one = log.only(log.tables["vehicles"]["vehicle"].tolist()[:1])
    later = replace(log, as_of=log.as_of.replace(day=1))
    asked = [(log, 0.8), (log, 0.9), (one, 0.8), (later, 0.8)]
    for _ in range(2):
        found = [counted(*each) for each in asked]
    assert len(CALLS) == len(asked)
    assert [len(each["vehicles"]) for each in found] == [len(log.tables["vehicles"])] * 2 + [
        1,
        len(log.tables["vehicles"]),
    ]


def test_without_a_store_it_is_computed_every_time(log, monkeypatch):
    monkeypatch.delenv(STORE)
    counted(log)
    counted(log)
    assert len(CALLS) == 2


def test_a_run_that_fails_leaves_nothing(log, tmp_path):
    @once
    def fails(log):
        raise ValueError("not today")

    with pytest.raises(ValueError, match="not today"):
        fails(log)
    assert [path for path in tmp_path.iterdir() if path.suffix != ".lock"] == []


@pytest.mark.skipif(not fcntl, reason="no lock of the system's")
def test_who_comes_while_it_is_computed_waits_for_it(log):
    @once
    def slow(log):
        CALLS.append("slow")
        time.sleep(0.3)
        return 7

    with ThreadPoolExecutor(2) as pool:
        assert list(pool.map(slow, [log, log])) == [7, 7]
    assert CALLS == ["slow"]


def test_a_log_keeps_one_answer_however_the_question_is_put(log):
    asked = []

    @kept_with
    def share_of(log, share=0.9, *, site=""):
        asked.append((share, site))
        return share

    assert share_of(log) == share_of(log, 0.9) == share_of(log, share=0.9, site="") == 0.9
    assert share_of(log, site="Tarn") == share_of(log, 0.9, site="Tarn") == 0.9
    assert share_of(log, 0.8) == 0.8
    assert asked == [(0.9, ""), (0.9, "Tarn"), (0.8, "")]


def test_logs_without_the_rows_asked_about_share_one_answer(log, demo_log):
    asked = []

    @kept_with(of=["fitted", "measurements"])
    def n_fitted(log, category=None):
        asked.append(category)
        return len(log.tables["fitted"])

    bare = [without_parts(demo_log(name)) for name in ("owner", "fleet")]
    assert [n_fitted(one) for one in bare] == [0, 0]
    assert asked == [None]
    assert n_fitted(log) == len(log.tables["fitted"]) > 0
    looked_at = replace(bare[0], tables=bare[0].tables | {"measurements": log.tables["fitted"]})
    assert n_fitted(looked_at) == 0
    assert asked == [None, None, None]
    assert n_fitted(bare[1], "tyre") == 0
    assert asked == [None, None, None, "tyre"]


def without_parts(log):
    return replace(
        log, tables=log.tables | {name: log.tables[name][:0] for name in ("fitted", "measurements")}
    )


@pytest.mark.parametrize(
    "answer", [segments_of, spans_of, looks_of, worn_of, soft_tyres, old_tyres]
)
def test_what_no_part_tells_is_the_same_in_every_log(demo_log, answer):
    owner, fleet = (
        answer.__wrapped__(without_parts(demo_log(name))) for name in ("owner", "fleet")
    )
    for one, other in zip(frames(owner), frames(fleet), strict=True):
        assert one.empty
        pd.testing.assert_frame_equal(one, other)


def frames(found):
    """The frames in an answer, in order."""
    if isinstance(found, pd.DataFrame):
        return [found]
    parts = found if isinstance(found, tuple) else getattr(found, "__dict__", {}).values()
    return [frame for part in parts for frame in frames(part)]
