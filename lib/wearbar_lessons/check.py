"""The checker of a lesson's exercises: right, or which known mistake answers so on this very log.
It never says the right value."""

import math
import tomllib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from IPython.display import display

import wearbar as wb
from wearbar.log.places import place
from wearbar_lessons.logs import log as log_of_student
from wearbar_lessons.terms import LESSONS

SAYS = tomllib.loads(Path(__file__).with_name("words.toml").read_text(encoding="utf-8"))
ANSWER = "application/vnd.wearbar.answer+json"  # how an answer stands in a notebook's outputs


@dataclass(frozen=True)
class Verdict:
    """What the checker says of an answer: `code` is "right", a known mistake's name, "unknown",
    "none" (no answer yet) or "no-number"."""

    lesson: str
    exercise: str
    code: str
    answer: float | None

    @property
    def text(self):
        said = SAYS["verdict"].get(self.code) or SAYS["verdict"]["mistake"]
        unit = LESSONS[self.lesson].exercises[self.exercise].unit
        return said.format(hint=SAYS["mistakes"].get(self.code, ""), unit=unit)

    def _repr_mimebundle_(self, **_):
        text = f"{self.exercise}: {self.text}"
        kept = {"lesson": self.lesson, "exercise": self.exercise, "answer": self.answer}
        return {"text/plain": text, "text/markdown": f"**{self.exercise}**: {self.text}"} | {
            ANSWER: kept
        }


class OpenLesson:
    """A lesson with a log: `log`, `check`. Rows are read from the log, as a student reads them."""

    def __init__(self, lesson, log):
        self.lesson, self.log, self._answers = lesson, log, {}

    @cached_property
    def rows(self):
        """What the exercises ask of: lives as `wb.part_lives` gives them in km, or what else the
        lesson is of."""
        return LESSONS[self.lesson].rows_of(self.log)

    @cached_property
    def told(self):
        """What the class's figure shows of this log: an `Estimate`."""
        return LESSONS[self.lesson].told(self.rows)

    def verdict(self, exercise, answer):
        """The `Verdict` on an answer: a number, what has a value, or a function of the log."""
        exercises = LESSONS[self.lesson].exercises
        if exercise not in exercises:
            known = ", ".join(exercises)
            raise ValueError(SAYS["wrong"]["exercise"].format(found=exercise, known=known))
        answer = answer(self.log) if callable(answer) else answer
        if answer is None:
            return Verdict(self.lesson, exercise, "none", None)
        try:
            answer = float(answer)
        except (TypeError, ValueError):
            answer = math.nan
        if not math.isfinite(answer):
            return Verdict(self.lesson, exercise, "no-number", None)
        if exercise not in self._answers:
            self._answers[exercise] = exercises[exercise].answers(self.rows)
        code = exercises[exercise].nearest(answer, self._answers[exercise])
        return Verdict(self.lesson, exercise, code or "unknown", answer)

    def check(self, exercise, answer):
        """Show what the checker says of an answer. ValueError: the lesson has no such exercise."""
        display(self.verdict(exercise, answer))


def open_lesson(lesson, student="", folder=""):
    """A lesson on the log in `folder`, or, where "", on the one that the student's name makes.

    ValueError: no such lesson, or no log there.
    """
    if lesson not in LESSONS:
        raise ValueError(SAYS["wrong"]["lesson"].format(found=lesson, known=", ".join(LESSONS)))
    if not folder:
        return OpenLesson(lesson, log_of_student(student, lesson))
    return OpenLesson(lesson, wb.read_log(folder))


def notebooks():
    """The lessons' notebooks as shipped, by lesson: they hold the model answers."""
    paths = sorted(place("notebooks", "lessons").glob("*.ipynb"))
    return {path.stem.partition("_")[2]: path for path in paths}
