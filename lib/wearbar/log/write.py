"""Write a log as a folder of CSV files: as it is used, or a copy of what was read in which every row set aside is marked.

Text that a spreadsheet would take for a formula stands behind an apostrophe, and log.toml says so (`escaped`): read again, it is as it was.
"""

import csv
import hashlib
import json
import re
import shutil
from pathlib import Path

import pandas as pd

from wearbar.log.checks.problems import PROBLEM_COLUMNS
from wearbar.log.intake import MARK
from wearbar.log.rules import RULES
from wearbar.log.schema import TABLES
from wearbar.log.sources.header import ESCAPED, KEYS, check_header
from wearbar.log.sources.raw import FORMULA, LogError, raw_of_frame, unescaped

__all__ = ["write_log", "write_marked", "write_tables"]

WRITTEN = "written.json"
_FORMULA = re.compile(f"'*[{FORMULA}]")
_OPEN_FORMULA = re.compile(rf"^(\"*)({_FORMULA.pattern})")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def write_log(log, folder):
    """Write the log's tables as they are used, with log.toml and the plan, into `folder`, which is made. Read again it is the same log."""
    folder = _made(folder, log)
    for name in TABLES:
        if name in log.present:
            frame, extra = log.tables[name], log.extra[name]
            frame = frame.join(
                extra.rename(columns={c: f"{c} (extra)" for c in extra if c in frame})
            )
            needed = [
                c
                for c in frame
                if frame[c].notna().any()
                or any(c == col.name and col.required for col in TABLES[name])
            ]
            _write_frame(folder / f"{name}.csv", frame[needed])
    _write_header(folder, log, {"as_of": log.as_of, "first_day": log.first_day})
    return folder


def write_tables(frames, header, folder):
    """Write tables in memory, name to DataFrame, and the keys of log.toml into `folder`, which is made, as `write_log` does a log's."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in frames.items():
        _write_frame(folder / f"{name}.csv", frame)
    _write_keys(folder, check_header(header))
    return folder


def write_marked(log, folder):
    """Write `folder`/log, a copy of what was read with a first column `mend` that says what is wrong with each row set aside, and
    `folder`/set_aside, those rows alone by table. Lines stay as they were. Mend the copy and read it; the column is passed over.

    Written whole, over an earlier copy that is as it was written; LogError where it is not, or other files stand there.
    """
    folder = Path(folder)
    for name in ("log", "set_aside"):
        _refuse_the_log_itself(folder / name, log)
    _refuse_changed(folder)
    part = folder / ".part"
    shutil.rmtree(part, ignore_errors=True)
    try:
        _write_marked(log, _made(part / "log", log), _made(part / "set_aside", log))
        for made in sorted(part.iterdir()):
            shutil.rmtree(folder / made.name, ignore_errors=True)
            made.rename(folder / made.name)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    (folder / WRITTEN).write_text(json.dumps(_digests(folder), indent=1), encoding="utf-8")
    return folder


def _refuse_changed(folder):
    try:
        written = json.loads((folder / WRITTEN).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        written = {}
    for name, digest in _digests(folder).items():
        if written.get(name) != digest:
            raise LogError(
                f"{folder / name} is not as it was written here, and is not written over; check the mended copy itself "
                f"(wearbar check {folder / 'log'}), or give another folder."
            )


def _digests(folder):
    """What stands where `write_marked` writes: path in `folder` to the digest of the file, "" of what is no file."""
    tops = [folder / "log", folder / "set_aside"]
    inside = [path for top in tops for path in sorted(top.rglob("*"))]
    there = [top for top in tops if top.is_symlink() or top.is_file()] + inside
    files = {path for path in there if path.is_file() and not path.is_symlink()}
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        if p in files
        else ""
        for p in there
    }


def _write_marked(log, copy, aside):
    header = check_header(log.origin.header)
    for name, read in log.origin.tables.items():
        raw = unescaped(read()) if header.get(ESCAPED) else read()
        found = log.set_aside[(log.set_aside["table"] == name).to_numpy()]
        marks = pd.Series(_marks(found), found["line"], dtype=object)
        rows = _rows(raw, [n for n in raw.columns if n != MARK])
        names = [n for n in raw.columns if n != MARK]
        as_it_stood = {line for line, _, _, rule, *_ in raw.problems if rule == "open-quote"}
        _write_csv(
            copy / f"{name}.csv",
            [MARK, *names],
            ([marks.get(line, ""), *row] for line, row in rows),
            raw.lines,
            as_it_stood,
        )
        if len(found):
            mine = dict(row for row in rows if row[0] in marks.index)
            told = found[list(PROBLEM_COLUMNS[1:])].itertuples(index=False)
            _write_csv(
                aside / f"{name}.csv",
                [*PROBLEM_COLUMNS[1:], *names],
                ([*map(str, row), *mine[row.line]] for row in told),
            )
    _write_header(copy, log)


def _made(folder, log):
    folder = Path(folder)
    _refuse_the_log_itself(folder, log)
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _refuse_the_log_itself(folder, log):
    own = {file.resolve().parent for file in log.origin.files.values()} if log.origin else set()
    if folder.resolve() in own:
        raise LogError(
            f"{folder} is the log itself, which is never written over; give another folder."
        )


def _rows(raw, names):
    columns = [raw.columns[n].to_pylist() for n in names]
    cells = zip(*columns, strict=True) if columns else [()] * len(raw.lines)
    return [
        (line, [*row, *raw.beyond.get(line, ())])
        for line, row in zip(raw.lines.tolist(), cells, strict=True)
    ]


def _marks(found):
    return [
        f"{row.column} {row.value}: {RULES[row.rule].says}; {row.remedy}".strip()
        for row in found.itertuples()
    ]


def _write_frame(path, frame):
    raw = raw_of_frame(frame)
    _write_csv(
        path,
        list(frame),
        zip(*(column.to_pylist() for column in raw.columns.values()), strict=True),
    )


def _write_csv(path, names, rows, lines=None, as_it_stood=()):
    """One table; blank lines are put in so that each row stands on the line that it had.

    as_it_stood: lines whose quotes don't close, which quoting anew would mend unseen: their cells are written as they are.
    """
    with path.open("w", encoding="utf-8", newline="") as file:
        out, quoted = (
            csv.writer(file, lineterminator="\n", quoting=how)
            for how in (csv.QUOTE_MINIMAL, csv.QUOTE_ALL)
        )
        out.writerow(map(_safe, names))
        at = 2
        for k, row in enumerate(rows):
            if lines is not None and lines[k] > at:
                file.write("\n" * int(lines[k] - at))
                at = int(lines[k])
            if at in as_it_stood:
                mark, *cells = (_OPEN_FORMULA.sub(r"\1'\2", cell or "") for cell in row)
                file.write(",".join([mark.replace('"', "'").replace(",", ";"), *cells]) + "\n")
                at += 1
                continue
            cells = [_safe(cell) for cell in row]
            (quoted if any("\r" in cell for cell in cells) else out).writerow(
                cells
            )  # the first leaves a lone carriage return bare
            at += 1 + sum(
                len(_BREAK.findall(cell)) for cell in cells if "\n" in cell or "\r" in cell
            )


_BREAK = re.compile(r"\r\n|\r|\n")


def _safe(cell):
    if not cell:
        return ""
    return "'" + cell if _FORMULA.match(cell) and not _NUMBER.fullmatch(cell) else cell


def _write_header(folder, log, days=None):
    header = {
        key: value for key, value in check_header(log.origin.header).items() if key in KEYS
    } | (days or {})
    held = header.get("plan", "")
    plan = log.origin.folder / held if held and "\n" not in held and log.origin.folder else None
    if "\n" in held:
        (folder / "plan.toml").write_text(held, encoding="utf-8")
        header["plan"] = "plan.toml"
    elif plan is not None and plan.is_file():
        shutil.copyfile(plan, folder / "plan.toml")
        header["plan"] = "plan.toml"
    else:
        header.pop("plan", None)
    _write_keys(folder, header)


def _write_keys(folder, header):
    lines = [f"{key} = {_toml(value)}" for key, value in header.items() if key in KEYS]
    lines.append(
        f"{ESCAPED} = true  # text that begins like a formula stands behind an apostrophe, which reading takes off"
    )
    (folder / "log.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _toml(value):
    if isinstance(value, dict):
        return (
            "{ "
            + ", ".join(
                f"{json.dumps(key, ensure_ascii=False)} = {_toml(x)}" for key, x in value.items()
            )
            + " }"
        )
    if isinstance(value, bool | int | float | list):
        return json.dumps(value, ensure_ascii=False)
    return (
        f"{value:%Y-%m-%d}"
        if isinstance(value, pd.Timestamp)
        else json.dumps(str(value), ensure_ascii=False)
    )
