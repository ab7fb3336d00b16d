"""The lessons' notebooks: as they stand every model answer is right, and published figures come out."""

import json
import re
import subprocess
import sys
import time
from pathlib import Path

import nbformat
import papermill
import pytest

from wearbar.log import places
from wearbar_lessons.check import ANSWER, notebooks
from wearbar_lessons.classroom import students_copy
from wearbar_synthetic import lessons

PATHS = notebooks()
MODEL = "censoring"  # the lesson that is run each time; the others with -m slow
EACH = [
    pytest.param(name, id=name, marks=[] if name == MODEL else pytest.mark.slow) for name in PATHS
]


def run(path, out, **given):
    how = {"engine_name": "wearbar", "progress_bar": False, "autosave_cell_every": 0}
    return papermill.execute_notebook(str(path), str(out), given, **how)


def shown(book):
    """All that a notebook's cells show, by the cell's id: text."""
    texts = {}
    for cell in book.cells:
        for output in cell.get("outputs", ()):
            data = output.get("data", {"text/plain": output.get("text", "")})
            texts[cell.id] = texts.get(cell.id, "") + data.get("text/plain", "")
    return texts


def answers(book):
    outputs = [o for cell in book.cells for o in cell.get("outputs", ())]
    return [o["data"] for o in outputs if ANSWER in o.get("data", {})]


@pytest.mark.parametrize("name", EACH)
def test_every_model_answer_is_right(name, tmp_path):
    begun = time.process_time()
    book = run(PATHS[name], tmp_path / "ran.ipynb", student="anna")
    assert time.process_time() - begun < 8
    given = answers(book)
    assert {d[ANSWER]["exercise"] for d in given} == set(lessons.LESSONS[name].exercises)
    assert not [d["text/plain"] for d in given if not d["text/plain"].endswith("right.")]
    for cell_id, digits in PUBLISHED[name].items():
        numbers = re.findall(r"-?\d+\.?\d*", shown(book)[cell_id])
        assert not [d for d in digits if not any(near(float(x), d) for x in numbers)], cell_id


def near(found, printed):
    """Whether a figure is the printed one, to half of its last digit."""
    places = len(printed.partition(".")[2])
    return abs(found - float(printed)) <= 0.5 * 10**-places + 1e-9


# what a notebook's cell must show, as printed; sources stand in the notebook beside each
PUBLISHED = {
    # worked by hand; AIAG, Measurement Systems Analysis: data and printed results from memory
    "tread": {
        "paper-check": ["0.330", "0.107", "0.115", "0.300"],
        "published-check": ["0.3417", "0.202", "0.230", "0.306", "26.68"],
        "anova": ["0.199933", "0.226838"],
    },
    # worked by hand; 14 CFR 91.409(b) and an article of 2015: done at 115 hours, due at 200, 85 left
    "whichever": {
        "paper-check": ["6512", "16000", "15400", "16600", "1050", "70", "34", "23050", "200", "85"]
    },
    # by hand; the international mile
    "distance": {
        "paper-check": ["1700", "1880", "1720", "43999"],
        "paper-sum": ["1.609344"],
    },
    # by hand: 64 of 80, 48 the sum of squares; Newcombe 1998, table I (from memory)
    "rate": {
        "paper-check": ["0.8000", "0.0447", "0.0926", "18.6667"],
        "published-check": ["0.2553", "0.3662"],
    },
    # Kaplan & Meier 1958 (from memory); R 4.2.2 survreg and survfit on Krivtsov & Case 1999
    "censoring": {
        "paper-check": ["0.875", "0.700", "0.525", "0.2625"],
        "published-check": ["134651.0", "1.15443", "-128.973832", "0.68535"],
    },
    # the first of them again, beside entries of our own
    "late": {"paper-check": ["0.875", "0.700", "0.525", "0.2625"]},
    # Lu & Meeker 1993, the last readings in R's package nlme; 12 of 21 failed
    "worn_off": {"paper-check": ["0.5714", "1.52", "1.45", "1.27"]},
    # R 4.2.2 survreg on the second
    "few": {"paper-check": ["19170.05"]},
    # NHTSA to Mr Padula, 1995: index 16.67 and grade 0
    "wear": {"paper-check": ["16.67"]},
    # Box, Hunter & Hunter 1978 by R's t.test
    "hard_use": {"paper-check": ["0.41", "3.3489", "0.008539", "0.3689"]},
    # documentation of `reliability`; Nelson 1995 by R 4.2.2; the NIST e-Handbook (from memory)
    "repairs": {
        "paper-check": ["0.2", "1.2", "2.0", "2.33333", "3.66667"],
        "published-check": ["1.54269", "0.31166", "0.5372", "0.5165"],
    },
    # Brier 1950 (from memory)
    "ahead": {"paper-check": ["0.19"]},
    # Anscombe 1973
    "manager": {"paper-check": ["9.0", "7.5", "3.0", "0.5"]},
    # an engineering-economy lecture, example 11.2; the minimum of `reliability`'s example by scipy
    "replace": {
        "paper-check": ["7800", "6276", "6132"],
        "published-check": ["493.05", "0.0034620", "0.005635"],
    },
}


@pytest.mark.slow
@pytest.mark.parametrize("name", PATHS)
def test_a_students_copy_runs_and_asks_for_answers(name, tmp_path):
    path = tmp_path / "copy.ipynb"
    nbformat.write(students_copy(nbformat.read(PATHS[name], 4)), path)
    said = [d["text/plain"] for d in answers(run(path, tmp_path / "ran.ipynb"))]
    assert len(said) == len(lessons.LESSONS[name].exercises)
    assert all("no answer yet" in text for text in said)


@pytest.mark.slow
@pytest.mark.parametrize("name", PATHS)
def test_runs_in_a_kernel_cell_by_cell(name):
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-p",
        "no:cacheprovider",
        "-q",
        "-n0",
        "-W",
        "ignore",
    ]
    command += ["--nbval-lax", "--nbval-current-env", str(PATHS[name])]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-4000:]


def test_each_lesson_has_a_notebook_and_each_notebook_a_lesson():
    numbers = {name: int(path.stem.partition("_")[0]) for name, path in PATHS.items()}
    assert numbers == {name: x.number for name, x in lessons.LESSONS.items()}


@pytest.mark.parametrize("name", PATHS)
def test_the_parts_of_a_lesson_are_there(name):
    cells = json.loads(PATHS[name].read_text("utf-8"))["cells"]
    text = "\n".join("".join(c["source"]) for c in cells if c["cell_type"] == "markdown")
    parts = ["Predict", "Ten minutes on paper", "How sure", "Exercises", "What a manager does"]
    assert not [part for part in [*parts, "Say it", "Deeper", "The truth"] if part not in text]
    code = "\n".join("".join(c["source"]) for c in cells if c["cell_type"] == "code")
    for exercise in lessons.LESSONS[name].exercises:
        assert f'lesson.check("{exercise}"' in code


def table_of(text, head):
    """The rows of a Markdown table below its head, lists of cells."""
    lines = text[text.index(head) :].split("\n\n")[0].splitlines()[2:]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


DRAWS = re.compile(r"plt\.subplots|sns\.\w+plot\(|\.plot[.(]")


@pytest.mark.parametrize("name", PATHS)
def test_a_lesson_keeps_to_its_minutes_and_says_what_it_draws(name):
    cells = json.loads(PATHS[name].read_text("utf-8"))["cells"]
    text = "\n\n".join("".join(c["source"]) for c in cells if c["cell_type"] == "markdown")
    minutes = dict(row[::-1] for row in table_of(text, "| minutes |"))
    assert 45 <= sum(map(int, minutes.values())) <= 60
    asked = {2: "two exercises", 3: "three exercises"}[len(lessons.LESSONS[name].exercises)]
    assert asked in minutes
    code = ["".join(c["source"]) for c in cells if c["cell_type"] == "code"]
    assert any(map(DRAWS.search, code))
    assert not [source for source in code if DRAWS.search(source) and "print(" not in source]


def test_the_terms_table_says_what_the_notebooks_say():
    rows = table_of((PATHS[MODEL].parent / "README.md").read_text("utf-8"), "| week |")
    assert len(rows) == len(PATHS)
    for (week, link, _, needs), (name, path) in zip(rows, PATHS.items(), strict=True):
        assert link == f"[{name}]({path.name})"
        said = re.search(r"\*\*You need\*\*([^\n]*)", path.read_text("utf-8").replace("\\n", "\n"))
        needed, _, rest = said.group(1).partition(" of a term")
        numbers = re.findall(r"\d+", needed)
        assert week == numbers.pop() if rest else week == "end", name
        assert set(re.findall(r"\d+", needs)) == set(numbers), name


def test_lessons_are_no_reports():
    """A pack takes the notebooks that stand beside their folder, never those in it."""
    reports = {path.name for path in places.place("notebooks").glob("*.ipynb")}
    assert not reports & {path.name for path in PATHS.values()}
    assert Path(places.place("notebooks", "lessons")).is_dir()
