"""The lesson on the year ahead: a year lived with and without a change, and the ranges of what a change brings."""

import json

import numpy as np
import pandas as pd
import pytest

import wearbar as wb
from wearbar_lessons import ahead
from wearbar_lessons.check import OpenLesson, notebooks
from wearbar_synthetic import lessons


def test_a_year_lived_with_a_shorter_interval_by_hand():
    done = np.full((1, 3, 6), 1e9)  # filters and gearbox oil never come
    done[0, 0] = [14_000, 30_000, 46_000, 60_000, 76_000, 91_000]
    assert ahead.lived(done, np.array([[[40_000.0]]]), 70_000.0) == (2.0, 2 * (0.8 * 60 + 48))
    # 5,000 km sooner each: at 41,000, 50,000 and 61,000
    assert ahead.lived(done, np.array([[[40_000.0]]]), 70_000.0, 10_000)[0] == 3
    # what that makes overdue is done at once, at 44,000, and the next ones count from it
    assert ahead.lived(done, np.array([[[44_000.0]]]), 52_900.0, 10_000)[0] == 1
    assert ahead.lived(done, np.array([[[44_000.0]]]), 53_000.0, 10_000)[0] == 2


def test_a_change_is_lived_with_the_same_luck():
    """More km never bring fewer jobs, and a shorter interval neither; the truth of the log is the year as it is."""
    asked = lessons.LESSONS["ahead"]
    for seed in range(20):
        truth = asked.draw(np.random.default_rng(seed)).truth
        assert 0 <= truth["use_jobs"] < truth["told"]
        assert 0 < truth["sooner_jobs"] < truth["told"]


def cells(*ids):
    """Code of the lesson's notebook, by its cells' ids."""
    found = json.loads(notebooks()["ahead"].read_text("utf-8"))["cells"]
    return ["".join(c["source"]) for c in found if c["cell_type"] == "code" and c["id"] in ids]


BY_HAND = ("jobs", "due-table", "a-year-ago", "what-if-by-hand")


def by_hand(student):
    """What the notebook's cells say of a student's log: {change: (low, high) of jobs}."""
    log = lessons.made(student, "ahead", "s")[0]
    known = {"np": np, "pd": pd, "wb": wb, "log": log, "lesson": OpenLesson("ahead", log)}
    for source in cells(*BY_HAND):
        exec(source, known)
    ranges = [np.quantile(jobs, [0.05, 0.95]) for jobs, _ in known["more"].values()]
    return dict(zip(ahead.CHANGES, ranges, strict=True))


@pytest.mark.slow
def test_ranges_by_hand_hold_what_a_change_brings():
    missed = dict.fromkeys(ahead.CHANGES, 0)
    for at in range(60):
        truth = lessons.truth(f"student {at}", "ahead", "s")
        for name, (low, high) in by_hand(f"student {at}").items():
            missed[name] += not low <= truth[f"{name}_jobs"] <= high
    assert max(missed.values()) <= 12  # 6 are to be expected; 99% of such samples have 12 or fewer


@pytest.mark.slow
def test_the_benchs_ranges_hold_what_a_change_brings():
    missed = {(name, of): 0 for name in ahead.CHANGES for of in ahead.OF}
    for at in range(8):
        log, truth = (f(f"student {at}", "ahead", "s") for f in (lessons.log, lessons.truth))
        for name, change in ahead.CHANGES.items():
            found = wb.what_if(log, **change).set_index("what")
            for of, what in zip(ahead.OF, ("jobs", "planned work"), strict=True):
                low, high = found.loc[what, ["low", "high"]]
                missed[name, of] += not low <= truth[f"{name}_{of}"] <= high
    assert max(missed.values()) <= 3  # 99.5% of eight such ranges of 90% miss three times or fewer
