"""Write a log as CSV files: as it is used, or as it was read with every row set aside marked.

Text that a spreadsheet would take for a formula stands behind an apostrophe, and log.toml says so
(`escaped`): read again, it is as it was.
"""

import csv
import hashlib
import json
import re
import shutil
from pathlib import Path
from tempfile import TemporaryDirectory

from wearbar.log.checks.problems import PROBLEM_COLUMNS, RULES
from wearbar.log.keys import with_extra
from wearbar.log.schema import TABLES
from wearbar.log.settle import MARK
from wearbar.log.sources.header import ESCAPED, KEYS, check_header, toml
from wearbar.log.sources.raw import FORMULA, LogError, raw_of_frame, unescaped

MADE, WRITTEN = ("log", "set_aside"), "written.json"
_FORMULA = re.compile(f"'*[{FORMULA}]")
_OPEN_FORMULA = re.compile(rf"^(\"*)({_FORMULA.pattern})")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_BREAK = re.compile(r"\r\n|\r|\n")


def write_log(log, folder):
    """Write the tables as used, log.toml and the plan. Read again, it is the same log."""
    folder, tables = Path(folder), {}
    _refuse_the_log_itself(folder, log)
    folder.mkdir(parents=True, exist_ok=True)
    for name in (name for name in TABLES if name in log.present):
        frame = with_extra(log.tables[name], log.extra[name])
        required = [col.name for col in TABLES[name] if col.required]
        tables[name] = frame[[c for c in frame if c in required or frame[c].notna().any()]]
    days = {"as_of": log.as_of, "first_day": log.first_day}
    return write_tables(tables, _header(log, folder) | days, folder)


def write_tables(frames, header, folder):
    """Write tables in memory (name to DataFrame) and the keys of log.toml, as `write_log` does."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in frames.items():
        raw = raw_of_frame(frame)
        _write_csv(folder / f"{name}.csv", list(frame), dict(enumerate(_rows(raw, raw.columns))))
    _write_header(folder, check_header(header))
    return folder


def write_marked(log, folder):
    """Write `folder`/log: what was read, and in a column `mend` what is wrong with rows set aside.

    And `folder`/set_aside, those rows alone. Lines stay as they were. Mend the copy and read it:
    the column is passed over. An earlier copy is written over where it is as it was written;
    LogError where it is not, or other files stand there.
    """
    folder = Path(folder)
    for name in MADE:
        _refuse_the_log_itself(folder / name, log)
    _refuse_changed(folder)
    folder.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix=".part-", dir=folder) as part:
        made = [Path(part) / name for name in MADE]
        for path in made:
            path.mkdir()
        _write_marked(log, *made)
        for path in made:
            shutil.rmtree(folder / path.name, ignore_errors=True)
            path.rename(folder / path.name)
    (folder / WRITTEN).write_text(json.dumps(_digests(folder), indent=1), encoding="utf-8")
    return folder


def _refuse_the_log_itself(folder, log):
    own = {file.resolve().parent for file in log.origin.files.values()} if log.origin else set()
    if folder.resolve() in own:
        why = "which is never written over; give another folder."
        raise LogError(f"{folder} is the log itself, {why}")


def _refuse_changed(folder):
    try:
        written = json.loads((folder / WRITTEN).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        written = {}
    for name, digest in _digests(folder).items():
        if written.get(name) != digest:
            raise LogError(
                f"{folder / name} is not as it was written here, and is not written over; check "
                f"the mended copy itself (wearbar check {folder / 'log'}), or give another folder."
            )


def _digests(folder):
    """Path in `folder` to the digest of what `write_marked` wrote there, "" of what is no file."""
    digests = {}
    for top in (folder / name for name in MADE):
        own = [top] if top.is_symlink() or top.is_file() else []
        for path in [*own, *sorted(top.rglob("*"))]:
            is_file = path.is_file() and not path.is_symlink()
            digest = hashlib.sha256(path.read_bytes()).hexdigest() if is_file else ""
            digests[path.relative_to(folder).as_posix()] = digest
    return digests


def _write_marked(log, copy, aside):
    escaped = check_header(log.origin.header).get(ESCAPED)
    for name, read in log.origin.tables.items():
        raw = unescaped(read()) if escaped else read()
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
    _write_header(copy, _header(log, copy))


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


def _header(log, folder):
    """The keys of its log.toml; the plan is copied into `folder`, left out where it is gone."""
    header, source = check_header(log.origin.header), log.origin.folder
    held = header.get("plan", "")
    if "\n" in held:
        (folder / "plan.toml").write_text(held, encoding="utf-8")
    elif held and source and (source / held).is_file():
        shutil.copyfile(source / held, folder / "plan.toml")
    else:
        return {key: value for key, value in header.items() if key != "plan"}
    return header | {"plan": "plan.toml"}


def _write_header(folder, header):
    lines = [f"{key} = {toml(value)}" for key, value in header.items() if key in KEYS]
    why = "text that begins like a formula stands behind an apostrophe, which reading takes off"
    lines.append(f"{ESCAPED} = true  # {why}")
    (folder / "log.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")
