"""A filled visit sheet goes back: a new log, with the old one's rows and those of the sheet.
Nothing is guessed and nothing recorded by halves: where a cell can't be read, or contradicts the
log, the sheet is refused with what to do about each. The log and the sheet are never changed."""

from pathlib import Path

import pandas as pd

from wearbar.log import read_log
from wearbar.log.checks.problems import RULES
from wearbar.log.keys import is_among, look_up, stacked
from wearbar.log.schema import TABLES, TEXT, said
from wearbar.log.sources.csv_file import read_csv
from wearbar.log.sources.header import check_header
from wearbar.log.sources.raw import unescaped
from wearbar.log.tasks import nearest
from wearbar.log.write import new_folder, write_added
from wearbar.report.quantities import Show, clean, plain
from wearbar.report.report import NotDone
from wearbar.report.template import words_of

COLUMNS, METER, FILL, DONE, MAY, SAME = said("to_fill").values()
REFUSED = ("future", "after-disposal")  # doubts about a log, but of a visit a fault
FAULT = ["line", "column", "value", "todo"]
SAY = words_of("record", show=Show())


def refused(block, **values):
    """The NotDone that a block of shared/words/record.md.j2 says."""
    return NotDone(plain(SAY(block, **values)))


def is_filled(path):
    """Whether something is filled in on the sheet at `path`, or it is no sheet."""
    try:
        return bool(_sheet(path)[METER + FILL].notna().any(axis=None))
    except ValueError:
        return True


def record(address, path, folder, today):
    """Write the log at `address`, and below its rows what is filled in on the sheet at `path`, into
    the new `folder`; gives (number of the log's rows set aside, what is to be said). today: no
    visit is later. Raises NotDone or LogError, in words, before anything is written."""
    log, sheet = read_log(address, as_of=today, today=today), _sheet(path)
    _refuse(path, sheet, _misplaced(sheet, log))
    # what is read back for faults has each reading once: else it would outweigh the log's own
    is_again = sheet.duplicated(["vehicle", *METER]) & sheet["table"].ne("odometer")
    once = sheet.assign(**{c: sheet[c].mask(is_again) for c in METER[1:]})
    rows, new, dates = _by_table(sheet), {}, []
    with new_folder(folder) as part:
        write_added(log.origin, _by_table(once), part)
        made = read_log(part, as_of=today, today=today)
        lines, found = _new_problems(made, log, rows)
        _refuse(path, sheet, found.loc[found["is_fault"], FAULT].to_numpy().tolist())
        for table, at in lines.items():
            added, keys = made.tables[table].reindex(at.index), SAME[table]
            both = (x[keys].astype(object).astype(str) for x in (added, log.tables[table]))
            is_new = added["vehicle"].notna().to_numpy() & ~is_among(*both, keys)
            if is_new.any():
                new[table] = rows[table][is_new]
                dates.append(added["date"][is_new])
        n = sum(map(len, rows.values()))
        if not new:
            raise refused("all_there" if n else "none", sheet=clean(Path(path).name), n=n)
        write_added(log.origin, new, part)
    blank = sheet["goes"].eq("") & sheet["vehicle"].isin(sheet["vehicle"][sheet["goes"].ne("")])
    last, days = check_header(log.origin.header).get("as_of", pd.Timestamp(today)), pd.concat(dates)
    counts = {"n": len(days), "n_there": n - len(days), "n_after": int((days > last).sum())}
    counts["n_readings"] = int((blank & sheet["table"].eq("measurements")).sum())
    rows = {"jobs": sheet[blank & sheet["table"].eq("work")], "doubts": found}
    rows["not_done"] = sheet[sheet["goes"].eq("not done")]
    sizes = {table: len(some) for table, some in new.items()}
    told = SAY("added", folder=folder, as_of=last, tables=sizes, **counts, **rows)
    return len(log.set_aside), plain(told).replace("\n\n", "\n")


def _refuse(path, sheet, faults):
    """Raise NotDone for faults, rows of `FAULT`; what a vehicle's rows have in common is one."""
    if faults := list(faults):
        faults = pd.DataFrame(faults, columns=FAULT, dtype=object)
        of = faults.assign(line=look_up(faults["line"], sheet["vehicle"].astype(object)))
        faults = faults[~of.duplicated().to_numpy()]
        raise refused("refused", sheet=clean(Path(path).name), faults=faults)


def _sheet(path):
    """A sheet as text, by line. A blank date or meter is that of its vehicle's first row. Column
    `goes`: the table it goes into, "not done", or "" where nothing is filled in."""
    raw = unescaped(read_csv(Path(path), clean(Path(path).name)))
    if lacking := [column for column in COLUMNS if column not in raw.columns]:
        raise refused("no_sheet", sheet=clean(Path(path).name), columns=lacking)
    held = {column: raw.columns[column].to_pylist() for column in COLUMNS}
    for column in ("table", *METER, *FILL):
        held[column] = [(cell or "").strip() or None for cell in held[column]]
    sheet = pd.DataFrame(held, pd.Index(raw.lines, name="line"), dtype=TEXT)
    bad = [problem for problem in raw.problems if problem[3] != "row-short"]
    _refuse(path, sheet, [(*problem[:3], RULES[problem[3]].mend) for problem in bad])
    table, is_read = sheet["table"], sheet[METER[1:]].notna().any(axis=1)
    goes = sheet["done"].str.casefold().map(DONE).where(table.eq("work"))
    goes = goes.mask(table.eq("odometer") & is_read, "odometer")
    goes = goes.mask(table.eq("measurements") & sheet["value"].notna(), "measurements")
    first = sheet[table.eq("odometer")].drop_duplicates("vehicle").set_index("vehicle")
    first = pd.DataFrame({c: look_up(sheet["vehicle"], first[c]) for c in METER})
    is_same = sheet["date"].isna() | sheet["date"].eq(first["date"])
    sheet[METER] = sheet[METER].fillna(first.where(is_same))
    return sheet.assign(goes=goes.fillna(""))


def _by_table(sheet):
    """The rows that go into each table, with its columns of which something is filled in."""
    rows, told = {}, sheet.assign(reason=sheet["note"])
    for table, mine in told[told["goes"].isin(SAME)].groupby("goes", sort=False):
        columns = [c for c in TABLES[table] if c.name in mine]
        names = [c.name for c in columns if c.required or mine[c.name].notna().any()]
        rows[table] = mine[names]
    return rows


def _misplaced(sheet, log):
    """Faults of cells that the log has no place for, and of tasks that neither the vehicle's plan
    nor the log's work has."""
    tasks, done = log.plan_or_empty.tasks, set(log.tables["work"]["task"])
    plans = log.plan_for(sheet["vehicle"])
    for line, row in sheet.astype(object).to_dict("index").items():
        is_work, goes, task = row["table"] == "work", row["goes"], row["task"]
        if row["table"] not in ("odometer", "work", "measurements"):
            yield line, "table", row["table"], SAY("table")
        elif is_work and not goes and pd.notna(row["done"]):
            yield line, "done", row["done"], SAY("done")
        why = "no_place" if goes else "not_said" if is_work else "no_value"
        filled = (c for c in FILL if pd.notna(row[c]) and c not in ("done", *MAY[goes]))
        yield from ((line, column, row[column], SAY(why)) for column in filled)
        if is_work and goes in SAME and pd.notna(task) and row["vehicle"] in log.vehicles.index:
            own, task = tasks[tasks["plan"].eq(plans[line])], task.strip().casefold()
            if not {task, task.removesuffix("-recheck")} & {*own["code"], *done}:
                yield line, "task", task, SAY("task", near=nearest(task, own))


def _new_problems(made, log, rows):
    """(by table the sheet's lines at the log's, problems with `FAULT` and `is_fault`): what is
    wrong with a log that was made of another and of `rows`."""
    lines = {}
    for table, some in rows.items():
        at = made.origin.tables[table]().lines[-len(some) :]
        lines[table] = pd.Series(some.index, at, dtype=object)
    was, found = (stacked([x.set_aside, x.warnings]) for x in (log, made))
    found = found[~is_among(found, was, ["table", "line", "column", "rule"])]
    found = found[~found["rule"].isin(["same-row", "same-reading"])]  # those are looked for after
    told = []
    for row in found.replace({"column": {"reason": "note"}}).to_dict("records"):
        line, todo = lines.get(row["table"], {}).get(row["line"]), row["remedy"]
        row["is_fault"] = row["rule"] in REFUSED or RULES[row["rule"]].severity != "warn"
        row["todo"] = todo.removeprefix("read as blank; ") if line else SAY("contradicts")
        told.append(row | {"line": line or SAY("of_log", **row)})
    return lines, pd.DataFrame(told, columns=[*FAULT, "is_fault"]).astype({"is_fault": bool})
