"""A class's work, marked: each notebook run on another log of the same student, its answers held to
that log, and a page with the marks and the class's ranges beside the truth."""

import base64
import math
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd
from jinja2 import Environment

from wearbar.log.write import write_csv, write_tables
from wearbar.report.charts import style
from wearbar.report.quantities import clean
from wearbar.report.report import NotDone
from wearbar_lessons.check import ANSWER, SAYS, OpenLesson, notebooks
from wearbar_lessons.classroom import INSTRUCTOR, STUDENTS, class_of
from wearbar_lessons.logs import made, truth
from wearbar_lessons.sandbox import SECONDS, run_apart, walls
from wearbar_lessons.terms import LESSONS

COLUMNS = ["student", "lesson", "exercise", "mark", "what"]
PAGE, TABLE = "marks.html", "marks.csv"


def mark_class(folder, only=(), unsandboxed=False, workers=2, tell=print, seconds=SECONDS):
    """Mark a class's folder; gives the frame of marks, a row a student and exercise (`COLUMNS`),
    and writes it with a page into `folder`/instructor. only: lessons; () is all.

    NotDone: no class's folder, no such lesson, or a system that fences nothing in.
    """
    if not (unsandboxed or walls()):
        raise NotDone(SAYS["mark"]["unsandboxed"])
    if strange := set(only) - LESSONS.keys():
        found, known = ", ".join(sorted(strange)), ", ".join(LESSONS)
        raise NotDone(SAYS["wrong"]["lesson"].format(found=found, known=known))
    if not walls():
        tell(SAYS["mark"]["no_walls"])
    roster, secret = class_of(folder)
    asked = [lesson for lesson in notebooks() if lesson in (only or LESSONS)]
    tasks = [(one, lesson) for one in roster for lesson in asked]

    def mark(task):
        one, lesson = task
        rows = [*marks_of(Path(folder), one["folder"], one["student"], lesson, secret, seconds)]
        tell(SAYS["class"]["one"].format(folder=f"{one['folder']}: {lesson}"))
        return rows

    with ThreadPoolExecutor(workers) as pool:
        rows = [row for rows in pool.map(mark, tasks) for row in rows]
    marks = pd.DataFrame(rows, columns=COLUMNS)
    write_marks(Path(folder) / INSTRUCTOR, marks, ranges(roster, asked, secret))
    return marks


def marks_of(folder, place, student, lesson, secret, seconds=SECONDS):
    """The marks of one student's notebook: rows of `COLUMNS`."""
    path, found, why = folder / STUDENTS / place / notebooks()[lesson].name, {}, "no_book"
    log, tables, header = made(student, lesson, secret, "hidden")
    if path.is_file():
        with tempfile.TemporaryDirectory(prefix="hidden-") as work:
            write_tables(tables, header, Path(work) / "log")
            book, why = run_apart(path, Path(work) / "log", folder, seconds)
        found = answers_of(book, lesson) if book else {}
        why = SAYS["mark"][why].format(why=error_of(book)) if why else ""
    else:
        why = SAYS["mark"][why]
    hidden, own = OpenLesson(lesson, log), OpenLesson(lesson, made(student, lesson, secret)[0])
    for exercise in LESSONS[lesson].exercises:
        verdict = hidden.verdict(exercise, found.get(exercise))
        is_right = verdict.code == "right"
        what = [why] if why and not is_right else []
        if verdict.answer is None:
            what = what or [SAYS["mark"]["blank"]]
        elif not is_right:
            typed = own.verdict(exercise, verdict.answer).code == "right"
            code = "typed" if typed else verdict.code
            what.append(SAYS["mark"].get(code) or SAYS["mistakes"].get(code, code))
        what = "; ".join(what) or SAYS["mark"]["right"]
        yield student, lesson, exercise, int(is_right), what


def answers_of(book, lesson):
    """The last answer given to each exercise, out of a notebook's outputs: {exercise: number}."""
    found = {}
    for cell in book.cells:
        for output in cell.get("outputs", ()):
            told = output.get("data", {}).get(ANSWER)
            if isinstance(told, dict) and told.get("lesson") == lesson:
                answer = told.get("answer")
                is_number = isinstance(answer, int | float) and math.isfinite(answer)
                found[told.get("exercise")] = float(answer) if is_number else None
    return found


def error_of(book):
    """The error that a notebook stopped at, on one line."""
    outputs = [o for cell in (book.cells if book else ()) for o in cell.get("outputs", ())]
    errors = [o for o in outputs if o.get("output_type") == "error"]
    return clean(f"{errors[-1].ename}: {errors[-1].evalue}", 200) if errors else "its form"


def ranges(roster, lessons, secret):
    """Each student's range of the lesson's answer as shares of the truth: lesson, low, value, high,
    missed; a row a student and lesson."""
    rows = []
    for lesson in lessons:
        for one in roster:
            log = made(one["student"], lesson, secret)[0]
            told = LESSONS[lesson].told(LESSONS[lesson].rows_of(log))
            true = truth(one["student"], lesson, secret)["told"]
            ends = np.array([told.low, told.value, told.high]) / true
            rows.append((lesson, *ends, bool(told.low > true or told.high < true)))
    return pd.DataFrame(rows, columns=["lesson", "low", "value", "high", "missed"])


def class_figure(own):
    """A class's ranges from the lowest up, those that miss the truth in another colour and mark."""
    own = own.sort_values("value", ignore_index=True)
    figure, axes = style.new_figure(1.2 + 0.14 * len(own))
    for is_missed, look in ((False, style.series(0)), (True, style.series(4))):
        rows = own[own["missed"] == is_missed]
        label = "misses the truth" if is_missed else "holds the truth"
        axes.hlines(rows.index, rows["low"], rows["high"], color=look["color"], linewidth=1.6)
        axes.plot(rows["value"], rows.index, label=label, **look | {"linestyle": "none"})
    axes.axvline(1, color=style.INK, linestyle="--", linewidth=1)
    axes.set(xlabel="each student's estimate and 90% range, as a share of the truth", yticks=[])
    style.legend_above(figure)
    return style.png(figure)


def write_marks(folder, marks, told):
    """Write the marks as a table for spreadsheets, and as a page with the class's figures."""
    write_csv(folder / TABLE, COLUMNS, dict(enumerate(text_rows(marks), start=2)))
    figures = []
    for lesson, own in told.groupby("lesson", sort=False):
        png, missed = class_figure(own), int(own["missed"].sum())
        (folder / f"class-{lesson}.png").write_bytes(png)
        text = SAYS["page"]["ranges"].format(missed=missed, n=len(own), due=f"{len(own) / 10:.2g}")
        figures.append({"lesson": lesson, "data": base64.b64encode(png).decode(), "text": text})
    by = marks.pivot_table(index="student", columns="lesson", values="mark", aggfunc="sum")
    by = by[[*dict.fromkeys(marks["lesson"])]].reset_index()
    page = Environment(autoescape=True).from_string(SAYS["page"]["template"])
    rows = [[clean(x, 300) for x in row] for row in text_rows(marks)]
    made = page.render(figures=figures, rows=rows, head=COLUMNS, by=text_rows(by), heads=[*by])
    (folder / PAGE).write_text(made, encoding="utf-8")


def text_rows(frame):
    return frame.astype(str).to_numpy().tolist()
