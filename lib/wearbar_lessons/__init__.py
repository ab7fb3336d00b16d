"""Lessons of maintenance planning, each on a log of the student's own.

    from wearbar_synthetic import lessons

    log = lessons.log("anna", lesson="censoring")  # a checked ServiceLog; any text is a seed
    lesson = lessons.open_lesson("censoring", "anna")
    lesson.check("early", 21_000)

The notebooks are in notebooks/lessons; `wearbar lesson` makes and marks those of a class. With a
class's secret a student's name alone does not tell what is true of the log.
"""

from wearbar_lessons.check import open_lesson
from wearbar_lessons.logs import log, made, truth
from wearbar_lessons.plots import (
    cost_against_age,
    mean_cumulative_curve,
    survival_curve,
    wear_line,
    weibull_paper,
)
from wearbar_lessons.terms import LESSONS

__all__ = ["LESSONS", "log", "made", "open_lesson", "survival_curve", "truth", "wear_line"]
__all__ += ["cost_against_age", "mean_cumulative_curve", "weibull_paper"]
