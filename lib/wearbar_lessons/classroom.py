"""A class's folders: each student's notebooks and logs, and apart from them what only the
instructor has (`instructor`: the class's secret, its list, the model answers)."""

import json
import re
import secrets
import shutil
import unicodedata
from pathlib import Path

import nbformat
import pandas as pd

from wearbar.log.write import new_folder, write_tables
from wearbar.report.report import NotDone
from wearbar_lab.commands import filled
from wearbar_lessons.check import SAYS, notebooks
from wearbar_lessons.logs import files

INSTRUCTOR, STUDENTS = "instructor", "students"
SECRET, ROSTER = "secret.txt", "class.json"
HELD_BACK = "model-answer"  # the tag of cells that no student's copy holds
MOST_STUDENTS = 500


def make_class(source, out, tell=print):
    """Write a class's folders of the students in a CSV file into a new folder `out`.

    Gives (students, lessons). NotDone: no such file, no names in it, or names that are alike.
    """
    names, books = students_in(source), notebooks()
    secret = secrets.token_hex(32)
    with new_folder(out) as part:
        own = part / INSTRUCTOR
        own.mkdir()
        (own / SECRET).write_text(secret + "\n", encoding="utf-8")
        (own / SECRET).chmod(0o600)
        folders = [folder_name(at, name) for at, name in enumerate(names, start=1)]
        roster = [{"student": n, "folder": f} for n, f in zip(names, folders, strict=True)]
        (own / ROSTER).write_text(json.dumps(roster, indent=1) + "\n", encoding="utf-8")
        for path in books.values():
            shutil.copy(path, own / path.name)
        for name, folder in zip(names, folders, strict=True):
            write_student(part / STUDENTS / folder, name, books, secret)
            tell(SAYS["class"]["one"].format(folder=folder))
    return len(names), len(books)


def make_own(student, out):
    """Write the notebooks for one who learns alone: their logs come from the name alone. Gives the
    number of lessons."""
    books = notebooks()
    with new_folder(out) as part:
        for path in books.values():
            write_copy(part, path, {"student": student})
    return len(books)


def write_copy(folder, path, given):
    """Write a student's copy of a notebook, with these values in its parameters cell."""
    book = students_copy(nbformat.reads(filled(path, given), as_version=4))
    (folder / path.name).write_text(nbformat.writes(book) + "\n", encoding="utf-8")


def write_student(folder, student, books, secret):
    """Write one student's folder: each lesson's notebook without its answers, and its log."""
    folder.mkdir(parents=True)
    for lesson, path in books.items():
        tables, header = files(student, lesson, secret)
        write_tables(tables, header, folder / f"log-{lesson}")
        write_copy(folder, path, {"student": student, "folder": f"log-{lesson}"})


def students_copy(book):
    """The notebook as a student gets it: without the cells tagged as model answers."""
    tags = (set(cell.metadata.get("tags", ())) for cell in book.cells)
    book.cells = [c for c, own in zip(book.cells, tags, strict=True) if HELD_BACK not in own]
    return book


def students_in(source):
    """The names in a class's CSV file: its column `student`, or else its first."""
    try:
        frame = pd.read_csv(source, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except (OSError, ValueError, pd.errors.ParserError) as error:
        raise NotDone(SAYS["class"]["unread"].format(source=source, why=error)) from None
    column = "student" if "student" in frame else next(iter(frame), None)
    names = [] if column is None else [x.strip() for x in frame[column]]
    names = [name for name in names if name]
    if not names:
        raise NotDone(SAYS["class"]["no_names"].format(source=source))
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise NotDone(SAYS["class"]["twice"].format(source=source, names=", ".join(twice[:5])))
    if len(names) > MOST_STUDENTS:
        raise NotDone(SAYS["class"]["many"].format(n=len(names), most=MOST_STUDENTS))
    return names


def folder_name(at, student):
    """A folder's name of a student's: a number, then the letters of the name that any disk takes.

    >>> folder_name(7, "Zoë O'Neil")
    '07-Zoe-O-Neil'
    """
    plain = unicodedata.normalize("NFKD", student).encode("ascii", "ignore").decode()
    plain = re.sub("[^A-Za-z0-9]+", "-", plain)[:40].strip("-")
    return f"{at:02d}-{plain}".strip("-")


def class_of(folder):
    """(list of students with their folders, secret) of a class's folder. NotDone: it is none."""
    own = Path(folder) / INSTRUCTOR
    try:
        roster = json.loads((own / ROSTER).read_text(encoding="utf-8"))
        secret = (own / SECRET).read_text(encoding="utf-8").strip()
    except (OSError, ValueError):
        raise NotDone(SAYS["class"]["no_class"].format(folder=folder)) from None
    return roster, secret
