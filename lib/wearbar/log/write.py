"""Write a log as CSV files: tables in memory, or what was read with every row set aside marked.

Text that a spreadsheet would take for a formula stands behind an apostrophe, and log.toml says so
(`escaped`): read again, it is as it was.
"""

import csv
import re
import shutil
from pathlib import Path
from tempfile import TemporaryDirectory

from wearbar.log.checks.problems import PROBLEM_COLUMNS, RULES
from wearbar.log.settle import MARK
from wearbar.log.sources.header import ESCAPED, KEYS, check_header, toml
from wearbar.log.sources.raw import FORMULA, fault, raw_of_frame, unescaped

MADE = ("log", "set_aside")
_FORMULA = re.compile(f"'*[{FORMULA}]")
_OPEN_FORMULA = re.compile(rf"^(\"*)({_FORMULA.pattern})")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_BREAK = re.compile(r"\r\n|\r|\n")


def write_tables(frames, header, folder):
    """Write tables in memory (name to DataFrame) and the keys of log.toml into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in frames.items():
        raw = raw_of_frame(frame)
        _write_csv(folder / f"{name}.csv", list(frame), dict(enumerate(_rows(raw, raw.columns))))
    write_header(folder, check_header(header))


def write_marked(log, folder):
    """Write `folder`/log: what was read, and in a column `mend` what is wrong with rows set aside.

    And `folder`/set_aside, those rows alone. Lines stay as they were. Mend the copy and read it:
    the column is passed over. LogError where one of the two is there: it may hold what was mended.
    """
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
        for name, read in log.origin.tables.items():
            raw = unescaped(read()) if ESCAPED in header else read()
            found = log.set_aside[(log.set_aside["table"] == name).to_numpy()]
            marks = {
                row.line: f"{row.column} {row.value}: {RULES[row.rule].says}; {row.remedy}".strip()
                for row in found.itertuples()
            }
            names = [n for n in raw.columns if n != MARK]
            rows = dict(zip(raw.lines.tolist(), _rows(raw, names), strict=True))
            marked = {line: [marks.get(line, ""), *row] for line, row in rows.items()}
            open_quotes = {line for line, _, _, rule, *_ in raw.problems if rule == "open-quote"}
            _write_csv(copy / f"{name}.csv", [MARK, *names], marked, open_quotes)
            if len(found):
                told = found[list(PROBLEM_COLUMNS[1:])]
                cells = [[*map(str, row), *rows[row.line]] for row in told.itertuples(index=False)]
                _write_csv(aside / f"{name}.csv", [*told, *names], dict(enumerate(cells)))

        write_header(copy, check_header(write_plan(copy, header, source)))
        for path in (copy, aside):
            path.rename(folder / path.name)
    return folder


def _rows(raw, names):
    """The cells of each row, those beyond the header with them."""
    columns = [raw.columns[n].to_pylist() for n in names]
    for k, line in enumerate(raw.lines.tolist()):
        yield [*(column[k] for column in columns), *raw.beyond.get(line, ())]


def _write_csv(path, names, rows, as_it_stood=()):
    """One table. rows: line, or a count from 0, to cells; blank lines stand between.

    as_it_stood: lines whose quotes don't close, which quoting anew would mend unseen.
    """
    with path.open("w", encoding="utf-8", newline="") as file:
        how = (csv.QUOTE_MINIMAL, csv.QUOTE_ALL)
        out, quoted = (csv.writer(file, lineterminator="\n", quoting=quoting) for quoting in how)
        out.writerow(map(_safe, names))
        at = 2
        for line, row in rows.items():
            file.write("\n" * (line - at))
            at = max(line, at)
            if at in as_it_stood:
                mark, *cells = (_OPEN_FORMULA.sub(r"\1'\2", cell or "") for cell in row)
                file.write(",".join([mark.replace('"', "'").replace(",", ";"), *cells]) + "\n")
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
    """Write the plan that a log in the folder `source` names beside its copy in `folder`.

    Gives the header with the plan's name there.
    """
    held, there = header.get("plan", ""), folder / "plan.toml"
    if "\n" in held:
        there.write_text(held, encoding="utf-8")
    elif held and source and (source / held).is_file():
        shutil.copyfile(source / held, there)
    return header | ({"plan": there.name if there.exists() else ""} if held else {})


def write_header(folder, header, escaped=True):
    """Write log.toml into `folder`. escaped: whether what looks like a formula is."""
    lines = [f"{key} = {toml(value)}" for key, value in header.items() if key in KEYS]
    why = "text that begins like a formula stands behind an apostrophe, which reading takes off"
    lines += [f"{ESCAPED} = true  # {why}"] if escaped else []
    (folder / "log.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
