"""A student's own log, how hard it is, and what the checker says of answers on it."""

import doctest
import hashlib

import numpy as np
import pytest

from wearbar_lessons import classroom, draw, logs
from wearbar_lessons.check import SAYS
from wearbar_synthetic import lessons

STUDENTS = ("anna", "=1+1 <b>Zoë</b>")
LESSONS = list(lessons.LESSONS)


@pytest.fixture(scope="module", params=LESSONS)
def opened(request):
    """A lesson's name with its `OpenLesson` of each student."""
    name = request.param
    return name, [lessons.open_lesson(name, student) for student in STUDENTS]


def test_a_log_is_checked_small_and_as_hard_as_the_lesson_asks(opened):
    name, students = opened
    asked = lessons.LESSONS[name]
    for lesson in students:
        assert set(lesson.log.set_aside["rule"]) == set(asked.slips)
        assert not len(lesson.log.warnings)
        assert lesson.log.ledger["used"].sum() < 1000
        assert draw.in_bands(asked.count(lesson.rows), asked.counts)
        assert draw.in_bands(asked.hardness(lesson.rows), asked.answer)


def test_the_log_has_what_was_drawn(opened):
    name, students = opened
    asked = lessons.LESSONS[name]
    world = draw.until_held(draw.rng_of(STUDENTS[0], name), asked.draw, asked.holds)
    drawn = asked.of_world(world)
    columns = list(drawn)
    there = students[0].rows[columns].sort_values(columns).to_numpy(float)
    np.testing.assert_array_equal(there, drawn.sort_values(columns).to_numpy(float))


def test_the_checker_knows_the_right_answer_and_each_mistake(opened):
    name, students = opened
    for lesson in students:
        for exercise, asked in lessons.LESSONS[name].exercises.items():
            right, mistakes = float(asked.right(lesson.rows)), asked.mistakes(lesson.rows)
            assert len(mistakes) >= 5
            given = {"right": right * (1 + 0.9 * asked.tolerance)} | mistakes
            given |= {"unknown": 1e9, "no-number": "x", "none": None}
            for code, answer in given.items():
                assert lesson.verdict(exercise, answer).code == code
            assert lesson.verdict(exercise, lambda log, right=right: right).code == "right"
            assert len({lesson.verdict(exercise, x).text for x in mistakes.values()}) == len(
                mistakes
            ), "two mistakes have one hint"


def test_no_tyre_is_read_below_its_limit():
    drawn = (lessons.LESSONS["wear"].draw(np.random.default_rng(seed)) for seed in range(200))
    assert min(world.readings["depth_mm"].min() for world in drawn) >= draw.LIMIT_MM


def test_every_mistake_has_a_hint_and_no_hint_is_left_over():
    known = {m for x in lessons.LESSONS.values() for e in x.exercises.values() for m in e.spoiled}
    known |= {m for x in lessons.LESSONS.values() for e in x.exercises.values() for m in e.slips}
    assert known == set(SAYS["mistakes"])


def test_what_is_no_lesson_or_exercise_is_named():
    with pytest.raises(ValueError, match="the lessons are: censoring"):
        lessons.open_lesson("nothing")
    with pytest.raises(ValueError, match="its exercises are: early"):
        lessons.open_lesson("few", "anna").check("nothing", 1)


def digest(*asked):
    tables = lessons.made(*asked)[1]
    said = "".join(frame.to_csv() for frame in tables.values())
    return hashlib.sha256(said.encode()).hexdigest()


def test_a_name_and_a_secret_make_the_log():
    ways = [("anna", "few"), ("anna", "few", "s"), ("anna", "few", "s", "hidden")]
    ways += [("anna", "few", "t"), ("ben", "few")]
    assert len({digest(*way) for way in ways}) == len(ways)
    assert digest("anna", "few", "s") == digest(" anna ", "few", "s")


def test_no_typed_answer_is_right_on_the_hidden_log():
    """Drawn without a look at the own log, these students' answers would be: one in forty's are."""
    asked = lessons.LESSONS["few"]
    for student in ("student 1", "student 14"):
        own, hidden = (
            asked.rows_of(lessons.made(student, "few", "s", purpose)[0])
            for purpose in ("log", "hidden")
        )
        for exercise in asked.exercises.values():
            assert exercise.verdict(exercise.right(own), hidden) != "right"


def test_examples_run():
    for module in (classroom, logs):
        assert doctest.testmod(module).attempted
        assert not doctest.testmod(module).failed


def test_far_apart_is_by_twice_the_tolerance():
    assert draw.far_apart([100, 103], 0.01)
    assert not draw.far_apart([100, 101.9], 0.01)


@pytest.mark.slow
@pytest.mark.parametrize("name", LESSONS)
def test_two_hundred_students(name):
    """As hard as the lesson asks, and ranges that hold the truth about nine times in ten."""
    asked, missed, wrong = lessons.LESSONS[name], 0, 0
    for at in range(200):
        world = draw.until_held(draw.rng_of(f"student {at}", name, "s"), asked.draw, asked.holds)
        rows, told = asked.of_world(world), world.truth["told"]
        found, exercise = asked.told(rows), next(iter(asked.exercises.values()))
        missed += not found.low <= told <= found.high
        answers = [exercise.right(rows), *exercise.mistakes(rows).values()]
        assert draw.far_apart(answers, exercise.tolerance)
        wrong += exercise.mistakes(rows).get("failed-only", 0) < told
    assert 8 <= missed <= 32  # 20 are to be expected; 99% of such samples lie in 10 to 31
    assert wrong > 180  # the failed alone are too short a life, fleet after fleet
