"""Write a log as CSV files: tables in memory, what was read with every row set aside marked, or
with rows added. Text like a formula stands behind an apostrophe, as log.toml says (`escaped`)."""

import csv
import re
import shutil
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from wearbar.log.checks.problems import PROBLEM_COLUMNS, RULES
from wearbar.log.settle import MARK
from wearbar.log.sources.header import ESCAPED, KEYS, check_header, toml
from wearbar.log.sources.raw import FORMULA, fault, raw_of_frame, raw_of_rows, unescaped

MADE = ("log", "set_aside")
_FORMULA = re.compile(f"'*[{FORMULA}]")
_OPEN_FORMULA = re.compile(rf"^(\"*)({_FORMULA.pattern})")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_BREAK = re.compile(r"\r\n|\r|\n")
_WHY = "text that begins like a formula stands behind an apostrophe, which reading takes off"
_SAID = f"{ESCAPED} = true  # {_WHY}"


@contextmanager
def new_folder(folder):
    """A folder to write in, which becomes `folder` at the end. LogError where that has files."""
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise fault("not_empty", folder=folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix=".part-", dir=folder.parent) as work:
        part = Path(work) / folder.name
        part.mkdir()
        yield part
        if folder.exists():
            folder.rmdir()
        part.rename(folder)


def write_tables(frames, header, folder):
    """Write tables in memory (name to DataFrame) and the keys of log.toml into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in frames.items():
        raw = raw_of_frame(frame)
        write_csv(folder / f"{name}.csv", list(frame), dict(enumerate(_rows(raw, raw.columns))))
    write_header(folder, check_header(header))


def write_marked(log, folder):
    """Write `folder`/log: what was read, with a column `mend` (which reading passes over) of what
    is wrong with rows set aside; and `folder`/set_aside, those rows alone. Lines stay as they were.
    LogError where one of the two is there: it may hold what was mended."""
    folder = Path(folder)
    for path in (folder / name for name in MADE):
        if path.exists() or path.is_symlink():
            raise fault("there_already", path=path, log=folder / "log")
    folder.mkdir(parents=True, exist_ok=True)
    header, source = check_header(log.origin.header), log.origin.folder
    with TemporaryDirectory(prefix=".part-", dir=folder) as part:
        copy, aside = (Path(part) / name for name in MADE)
        copy.mkdir()
        aside.mkdir()
        for name in log.origin.tables:
            raw = _held(log.origin, name)
            found = log.set_aside[(log.set_aside["table"] == name).to_numpy()]
            marks = {
                row.line: f"{row.column} {row.value}: {RULES[row.rule].says}; {row.remedy}".strip()
                for row in found.itertuples()
            }
            names = [n for n in raw.columns if n != MARK]
            rows = dict(zip(raw.lines.tolist(), _rows(raw, names), strict=True))
            for line in (open_quotes := _open_quotes(raw)):
                marks[line] = marks.get(line, "").replace('"', "'").replace(",", ";")
            marked = {line: [marks.get(line, ""), *row] for line, row in rows.items()}
            write_csv(copy / f"{name}.csv", [MARK, *names], marked, open_quotes)
            if len(found):
                told = found[list(PROBLEM_COLUMNS[1:])]
                cells = [[*map(str, row), *rows[row.line]] for row in told.itertuples(index=False)]
                write_csv(aside / f"{name}.csv", [*told, *names], dict(enumerate(cells)))

        write_header(copy, check_header(write_plan(copy, header, source)))
        for path in (copy, aside):
            path.rename(folder / path.name)
    return folder


def write_added(source, more, folder):
    """Write the log of a `Source` into `folder`: its rows as they are, and below them those of
    `more` (name to frame of text); log.toml and plan as they are. The rows' lines stay."""
    header = check_header(source.header)
    for name in {**source.tables, **more}:
        raw = _held(source, name) if name in source.tables else raw_of_rows([], {})
        added, held = more.get(name, {}), list(raw.columns)
        new = [column for column in added if column not in held]
        rows = dict(zip(raw.lines.tolist(), _rows(raw, held, [""] * len(new)), strict=True))
        if len(added):
            cells = added.reindex(columns=[*held, *new]).astype(object).fillna("")
            rows |= dict(enumerate(cells.to_numpy().tolist(), max(rows, default=1) + 1))
        write_csv(folder / f"{name}.csv", [*held, *new], rows, _open_quotes(raw))
    made = check_header(write_plan(folder, header, source.folder))
    write_header(folder, made)
    if source.files and made == header and source.header.get(ESCAPED, True):  # with its comments
        text = (source.folder / "log.toml").read_text("utf-8-sig")
        text = text if ESCAPED in header else f"{_SAID}\n{text}"
        (folder / "log.toml").write_text(text, encoding="utf-8")


def _held(source, name):
    """The `Raw` of a table, its apostrophes taken off where the log says that it has them."""
    raw = source.tables[name]()
    return unescaped(raw) if ESCAPED in check_header(source.header) else raw


def _open_quotes(raw):
    """The lines whose quotes don't close."""
    return {line for line, _, _, rule, *_ in raw.problems if rule == "open-quote"}


def _rows(raw, names, blanks=()):
    """The cells of each row, `blanks` after them, those beyond the header last."""
    columns = [raw.columns[n].to_pylist() for n in names]
    for k, line in enumerate(raw.lines.tolist()):
        yield [*(column[k] for column in columns), *blanks, *raw.beyond.get(line, ())]


def write_csv(path, names, rows, as_it_stood=()):
    """One table. rows: line, or a count from 0, to cells; blank lines stand between. as_it_stood:
    lines whose quotes don't close, which quoting anew would mend unseen."""
    with path.open("w", encoding="utf-8", newline="") as file:
        how = (csv.QUOTE_MINIMAL, csv.QUOTE_ALL)
        out, quoted = (csv.writer(file, lineterminator="\n", quoting=quoting) for quoting in how)
        out.writerow(map(_safe, names))
        at = 2
        for line, row in rows.items():
            file.write("\n" * (line - at))
            at = max(line, at)
            if at in as_it_stood:
                file.write(",".join(_OPEN_FORMULA.sub(r"\1'\2", cell or "") for cell in row) + "\n")
                at += 1
                continue
            cells = [_safe(cell) for cell in row]
            # the first leaves a lone carriage return bare
            (quoted if any("\r" in cell for cell in cells) else out).writerow(cells)
            at += 1 + sum(len(_BREAK.findall(cell)) for cell in cells)


def _safe(cell):
    cell = cell or ""
    return f"'{cell}" if _FORMULA.match(cell) and not _NUMBER.fullmatch(cell) else cell


def write_plan(folder, header, source):
    """Write the plan that a log in `source` names into `folder`: the header with its name there."""
    held, there = header.get("plan", ""), folder / "plan.toml"
    if "\n" in held:
        there.write_text(held, encoding="utf-8")
    elif held and source and (source / held).is_file():
        shutil.copyfile(source / held, there)
    return header | ({"plan": there.name if there.exists() else ""} if held else {})


def write_header(folder, header, escaped=True):
    """Write log.toml into `folder`. escaped: whether what looks like a formula is."""
    lines = [f"{key} = {toml(value)}" for key, value in header.items() if key in KEYS]
    lines += [_SAID] if escaped else []
    (folder / "log.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
