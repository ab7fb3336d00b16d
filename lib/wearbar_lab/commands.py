"""The commands `wearbar start`, `wearbar lab` and `wearbar lesson`; an entry point tells `wearbar`
of them."""

import os
import sys
import tomllib
from pathlib import Path

from wearbar.pack.parser import command


def _said():
    """What the commands say."""
    return tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))["says"]


@command
def start(folder, **asked):
    """Write an empty service log: headed tables, log.toml and plan.toml explained, and a guide. At
    a terminal, without options, it asks for them."""
    from wearbar_lab import plans
    from wearbar_lab.start import start_log

    if not any(asked.values()) and sys.stdin.isatty():
        asked = plans.answers()
    kinds = asked.pop("kind")
    header, plan = plans.header_of(**asked), ""
    if kinds:
        plan = plans.plan_text(kinds, header.get("distance", "mi"))
        header["plan"] = "plan.toml"
    start_log(folder, header, plan)
    print(*plans.told_of(folder, kinds, asked["country"]), sep="\n")


@command
def lab(log, out, no_browser, no_start, **asked):
    """Copy the notebooks into a folder of yours, their parameters filled in, and open JupyterLab
    on it. A folder that is there already is opened as it is: nothing in it is written over."""
    from wearbar.log.places import place
    from wearbar.log.write import new_folder
    from wearbar.pack.run import addressed
    from wearbar.report import report as reports

    says = _said()
    (address, environment), set_aside = addressed(log), []
    out = Path(out or folder_beside(address)).absolute()
    if out.is_dir() and any(out.iterdir()):
        print(says["there"].format(out=out).strip())
    else:
        whole, _, asked = reports.check(log, **asked)
        shipped, set_aside = sorted(place("notebooks").glob("*.ipynb")), whole.set_aside
        with new_folder(out) as part:
            for path in shipped:
                given = {"log": address} | {key: x for key, x in asked.items() if x}
                (part / path.name).write_text(filled(path, given), encoding="utf-8")
        name = reports.clean(whole.name)
        print(says["made"].format(n=len(shipped), log=name, out=out).strip())
    if not no_start:
        from jupyterlab.labapp import LabApp

        os.environ |= environment  # a kernel has them too
        how = ["--no-browser"] if no_browser else []
        LabApp.launch_instance([f"--ServerApp.root_dir={out}", *how])
    return len(set_aside)


@command
def lesson(asked, name, out, only, unsandboxed, workers):
    """Make the folders of a class, each student with logs of their own: lesson CLASS.csv --out DIR.
    Mark its work, each notebook run on another log of its student: lesson mark DIR. Or make the
    notebooks for one who learns alone: lesson --name NAME --out DIR."""
    from wearbar.report.report import NotDone

    says = _said()["lesson"]
    if asked[:1] == ["mark"] and len(asked) == 2:
        from wearbar_lessons.marking import PAGE, mark_class

        marks = mark_class(asked[1], only, unsandboxed, workers)
        n = len(marks.drop_duplicates(["student", "lesson"]))
        page = Path(asked[1], "instructor", PAGE).absolute().as_uri()
        print(says["marked"].format(n=n, right=marks["mark"].sum(), asked=len(marks), page=page))
    elif len(asked) + bool(name) == 1 and out:
        from wearbar_lessons import classroom

        students, lessons = 1, 0
        if name:
            lessons = classroom.make_own(name, out)
        else:
            students, lessons = classroom.make_class(asked[0], out)
        told = says["own" if name else "made"]
        print(told.format(students=students, lessons=lessons, out=out).strip())
    else:
        raise NotDone(says["how"])


def folder_beside(address):
    """Where the copies for a log stand: beside it, or here where it is no file or the demo."""
    beside = Path(address)
    if not beside.exists() or not address:
        return "wearbar-notebooks"
    return beside.with_name(f"{beside.stem}-notebooks")


def filled(path, given):
    """A notebook's text with these values in its parameters cell: `name: type = value  # what`."""
    import nbformat

    book = nbformat.read(path, as_version=4)
    cell = next(cell for cell in book.cells if "parameters" in cell.metadata.get("tags", []))
    lines = []
    for line in cell.source.splitlines():
        head, _, rest = line.partition(" = ")
        if (name := head.partition(":")[0]) in given:
            line = f"{head} = {given[name]!r}  # {rest.partition('  # ')[2]}"
        lines.append(line)
    cell.source = "\n".join(lines)
    return nbformat.writes(book)
