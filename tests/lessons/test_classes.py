"""A class's folders, and how its work is marked."""

import json
import socket

import nbformat
import pandas as pd
import pytest
from nbformat.v4 import new_code_cell, new_notebook

from wearbar.log import read_log
from wearbar.pack.cli import main
from wearbar.report.report import NotDone
from wearbar_lessons import classroom, marking, sandbox
from wearbar_lessons.check import notebooks
from wearbar_synthetic import lessons

NAMES = ["Anna", "=1+1 Ben", "Zoë <b>O'Neil</b>"]
LESSON = "few"


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    """A class of three, made by the command."""
    root = tmp_path_factory.mktemp("class")
    (root / "class.csv").write_text("student,year\n" + "".join(f"{n},1\n" for n in NAMES))
    assert main(["lesson", str(root / "class.csv"), "--out", str(root / "term")]) == 0
    return root / "term"


def folders(room):
    return sorted((room / "students").iterdir())


def test_students_have_different_files_and_neither_truth_nor_secret(room):
    secret = (room / "instructor" / "secret.txt").read_text().strip()
    assert [path.name for path in folders(room)] == ["01-Anna", "02-1-1-Ben", "03-Zoe-b-O-Neil-b"]
    seen = {}
    for folder, name in zip(folders(room), NAMES, strict=True):
        files = {p.relative_to(folder): p.read_text("utf-8") for p in folder.rglob("*.*")}
        assert len([p for p in files if p.suffix == ".ipynb"]) == len(notebooks())
        for lesson in notebooks():
            told = lessons.truth(name, lesson, secret)
            for text in files.values():
                assert secret not in text
                digits = [f"{int(100 * x) / 100:.2f}" for x in told.values() if x > 1000]
                assert not [x for x in digits if x in text]
            own = "".join(t for p, t in files.items() if p.match(f"log-{lesson}/*.csv"))
            assert seen.setdefault((lesson, own), name) == name
            found = read_log(folder / f"log-{lesson}").set_aside["rule"]
            assert set(found) == set(lessons.LESSONS[lesson].slips)


def test_no_students_copy_holds_a_model_answer(room):
    for folder in folders(room):
        for path in folder.glob("*.ipynb"):
            tags = [c.metadata.get("tags", []) for c in nbformat.read(path, 4).cells]
            assert not [own for own in tags if "model-answer" in own]
            assert [own for own in tags if "exercise" in own]


def test_one_who_learns_alone_gets_notebooks_by_name(tmp_path):
    name = 'Zoë "=1+1'
    assert main(["lesson", "--name", name, "--out", str(tmp_path / "own")]) == 0
    paths = sorted((tmp_path / "own").iterdir())
    assert [path.name for path in paths] == sorted(path.name for path in notebooks().values())
    cells = nbformat.read(paths[0], 4).cells
    given = {}
    exec(next(c.source for c in cells if "parameters" in c.metadata.get("tags", [])), given)
    assert (given["student"], given["folder"]) == (name, "")


def test_a_folder_that_is_there_is_not_written_over(room, capsys):
    assert main(["lesson", str(room.parent / "class.csv"), "--out", str(room)]) == 2
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize(
    "text, why",
    [("", "can't be read"), ("student\n", "no names"), ("student\nAnna\nAnna\n", "more than once")],
)
def test_a_class_that_is_none_is_refused(tmp_path, text, why):
    (tmp_path / "class.csv").write_text(text)
    with pytest.raises(NotDone, match=why):
        classroom.students_in(tmp_path / "class.csv")


WORK = """
early = wb.fit_weibull(rows["duration_km"], rows["observed"], shape=2.0).quantile(0.1)
lesson.check("early", early)
lesson.check("early-low", {typed})
import socket, os
try:
    bytearray(5 * 2**30)  # more than a notebook may have
except MemoryError:
    pass
else:
    raise SystemExit("there is no limit of memory")
try:
    socket.create_connection(("127.0.0.1", {port}), timeout=3)
except OSError:
    pass
else:
    raise SystemExit("there is a network")
assert not os.path.exists("{secret}"), "the secret is in sight"
raise RuntimeError("<script>=1+1</script>")
"""
OPEN = """
import wearbar as wb
from wearbar_synthetic import lessons
lesson = lessons.open_lesson("few", student, folder)
rows = wb.part_lives(lesson.log, "clutch")
"""


def write_work(folder, *cells):
    """A student's notebook of a few cells, in place of the lesson's own."""
    own = 'student: str = "x"  # name\nfolder: str = "log-few"  # log'
    cells = [new_code_cell(own, metadata={"tags": ["parameters"]}), *map(new_code_cell, cells)]
    about = {"kernelspec": {"name": "python3", "display_name": "Python 3"}}
    nbformat.write(new_notebook(cells=cells, metadata=about), folder / notebooks()[LESSON].name)


@pytest.mark.skipif(
    not sandbox.walls(), reason="this system lets us close neither network nor folders"
)
def test_marks_are_of_the_hidden_log_and_code_is_fenced_in(room, capsys):
    one, *others = folders(room)
    secret = room / "instructor" / "secret.txt"
    own = lessons.open_lesson(LESSON, folder=str(one / f"log-{LESSON}"))
    typed = lessons.LESSONS[LESSON].exercises["early-low"].right(own.rows)
    listens = socket.create_server(("127.0.0.1", 0))
    port = listens.getsockname()[1]
    write_work(one, OPEN, WORK.format(typed=float(typed), secret=secret, port=port))
    for folder in others:
        (folder / notebooks()[LESSON].name).unlink()
    with listens:
        assert main(["lesson", "mark", str(room), "--only", LESSON]) == 0
    table = (room / "instructor" / marking.TABLE).read_text("utf-8")
    rows = [line.split(",", 4) for line in table.splitlines()[1:]]
    found = {(row[0], row[2]): (row[3], row[4]) for row in rows}
    assert found["Anna", "early"] == ("1", "right")
    assert found["Anna", "early-low"][0] == "0"
    assert "a typed number" in found["Anna", "early-low"][1]
    assert "RuntimeError: <script>" in found["Anna", "early-low"][1]  # nothing else stopped it
    assert found["'=1+1 Ben", "early"] == found[NAMES[2], "early"] == ("0", "no notebook")
    page = (room / "instructor" / marking.PAGE).read_text("utf-8")
    assert "<script" not in page
    assert "of 3 ranges of 90% miss the truth" in page


def test_a_notebook_that_does_not_end_is_ended(room, tmp_path):
    write_work(tmp_path, "while True: pass")
    log = folders(room)[0] / f"log-{LESSON}"
    path = tmp_path / notebooks()[LESSON].name
    assert sandbox.run_apart(path, log, room, seconds=0.5) == (None, "time")


@pytest.fixture
def no_walls(monkeypatch):
    """A system that lets us close neither network nor folders."""
    for module in (marking, sandbox):
        monkeypatch.setattr(module, "walls", lambda: [])


def test_without_walls_marking_is_refused_unless_asked_for(no_walls, room, capsys):
    assert main(["lesson", "mark", str(room)]) == 2
    said = capsys.readouterr().err
    assert "add --unsandboxed" in said
    assert "Traceback" not in said


TRIES = """
import _socket, socket, urllib.request
ways = {{
    "a name": lambda: socket.getaddrinfo("localhost", {port}),
    "Python's sockets": lambda: socket.create_connection(("127.0.0.1", {port}), timeout=3),
    "the bare ones": lambda: _socket.socket().connect(("127.0.0.1", {port})),
    "a packet": lambda: socket.socket(type=socket.SOCK_DGRAM).sendto(b"x", ("127.0.0.1", {port})),
    "a server": lambda: socket.socket().bind(("127.0.0.1", 0)),
    "a page": lambda: urllib.request.urlopen("http://127.0.0.1:{port}", timeout=3),
}}
for name, way in ways.items():
    try:
        way()
    except OSError as error:
        assert "without a network" in str(error), name
    else:
        raise SystemExit("there is a network: " + name)
early = wb.fit_weibull(rows["duration_km"], rows["observed"], shape=2.0).quantile(0.1)
lesson.check("early", early)
lesson.check("early-low", early.low)
"""


@pytest.mark.slow
def test_without_walls_a_class_is_marked_when_asked_for(no_walls, room, capsys):
    *pair, last = folders(room)
    last.joinpath(notebooks()[LESSON].name).unlink(missing_ok=True)
    with socket.create_server(("127.0.0.1", 0)) as listens:
        for folder in pair:
            write_work(folder, OPEN, TRIES.format(port=listens.getsockname()[1]))
        assert main(["lesson", "mark", str(room), "--only", LESSON, "--unsandboxed"]) == 0
        listens.setblocking(False)
        with pytest.raises(BlockingIOError):  # nobody came
            listens.accept()
    assert "can see the class's folder" in capsys.readouterr().out
    table = pd.read_csv(room / "instructor" / marking.TABLE)
    marks = table.groupby("student", sort=False)[["mark", "what"]].agg(list)
    assert marks["mark"].tolist() == [[1, 1], [1, 1], [0, 0]]
    assert marks["what"].tolist() == [["right"] * 2, ["right"] * 2, ["no notebook"] * 2]


def test_the_command_says_how_it_is_given(capsys):
    assert main(["lesson", "class.csv"]) == 2
    assert "mark DIR" in capsys.readouterr().err


def test_the_last_answer_counts_and_strange_ones_are_none():
    def shown(answer, lesson=LESSON):
        told = {"lesson": lesson, "exercise": "early", "answer": answer}
        return nbformat.v4.new_output("display_data", {"application/vnd.wearbar.answer+json": told})

    def answers(*outputs):
        return marking.answers_of(
            new_notebook(cells=[new_code_cell("", outputs=[*outputs])]), LESSON
        )

    assert answers(shown(1.0), shown(2), shown(3.0, "late")) == {"early": 2.0}
    assert answers(shown(json.loads("NaN"))) == answers(shown("=1+1")) == {"early": None}
