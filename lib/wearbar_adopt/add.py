"""Next month's export: the rows of a sheet that a log lacks go below its own, into a new log. A row
that is there already is known by all its cells; one of which some cells differ is never added, but
said. The log itself is never changed."""

from dataclasses import dataclass

import pandas as pd

from wearbar.log import read_log, schema
from wearbar.log.sources.header import ESCAPED, check_header
from wearbar.log.sources.raw import LogError, unescaped
from wearbar.log.write import new_folder, write_added
from wearbar_adopt.cells import SAYS

UNITS = ("distance", "volume", "depth", "pressure", "currency", "money")
DIFFERING = ["table", "sheet", "line", "column", "value", "held"]
TOTALS = ["table", "what", "before", "added", "after"]


@dataclass(frozen=True)
class Added:
    """What became of a sheet's rows beside a log's."""

    log: object  # the new `ServiceLog`
    totals: pd.DataFrame  # `TOTALS`: rows, amounts of money and volumes
    there: int  # rows that the log has
    differing: pd.DataFrame  # `DIFFERING`: cells of rows that are not added


def given_by(log):
    """What a log answers of the usual questions on a sheet: its units, and its only vehicle."""
    header, vehicles = check_header(log.origin.header), log.tables["vehicles"]
    told = {key: header[key] for key in UNITS if header.get(key)}
    if len(vehicles) == 1:
        one = vehicles.iloc[0]
        day = f"{one['in_service']:%Y-%m-%d}"
        told |= {"vehicle": one["vehicle"], "kind": one["kind"], "in_service": day}
    return told


def add_to(log, adopted, folder, record="", today=None):
    """Write the rows of a `ServiceLog`, and below them those of an `Adopted` that it lacks, into
    the new `folder`; the `Added`. Raises LogError where the two are in different units."""
    header = check_header(log.origin.header)
    for key in UNITS:
        mine, its = adopted.header.get(key), header.get(key)
        if mine and its and mine != its:
            raise LogError(SAYS["fault"]["other_unit"].format(key=key, mine=mine, its=its))
    more, differing, there = {}, [], 0
    for table, rows in adopted.tables.items():
        held = _held(log.origin, header, table)
        is_there, other = _known(rows, held, table)
        place = adopted.places[table]
        there += int((is_there & place["sheet"].ne("the map").to_numpy()).sum())
        for at, line in other.items():
            was = held.reindex(columns=list(rows)).loc[line]
            differing += [
                (table, *place.loc[at], column, now, was[column])
                for column, now in rows.loc[at].items()
                if _cell(now, table, column) != _cell(was[column], table, column)
            ]
        is_new = ~is_there & ~rows.index.isin(other.index)
        if is_new.any():
            more[table] = rows[is_new]
    with new_folder(folder) as part:
        write_added(log.origin, more, part)
        (part / "ADOPTED.md").write_text(record, encoding="utf-8")
        read_log(part, today=today)
    made = read_log(folder, today=today)
    differing = pd.DataFrame(differing, columns=DIFFERING)
    return Added(made, _totals(log, more, made), there, differing)


def _held(source, header, table):
    """A table of a log as its files have it."""
    if table not in source.tables:
        return pd.DataFrame()
    raw = source.tables[table]()
    raw = unescaped(raw) if ESCAPED in header else raw
    return pd.DataFrame({name: cells.to_pylist() for name, cells in raw.columns.items()})


def _known(rows, held, table):
    """(mask of the rows that a log's have in every cell, the row of the log by each other one that
    tells of the same thing). Each row of the log is one of the sheet's at most."""
    names = [c for c in rows if table != "vehicles" or c == "vehicle"]
    left = {}
    for line, key in zip(held.index, _keys(held, names, table), strict=True):
        left.setdefault(key, []).append(line)
    found = [left[key].pop(0) if left.get(key) else None for key in _keys(rows, names, table)]
    is_there = pd.Series([line is not None for line in found], rows.index)
    days = schema.MAIN_DATE.get(table, ())
    same = [c.name for c in schema.TABLES[table] if c.name in (*days, "place") or c.required]
    same = [n for n in same if schema.column(table, n).kind != "number" and n != "why"]
    free = held.loc[[line for lines in left.values() for line in lines]]
    by = dict(zip(_keys(free, same, table), free.index, strict=True))
    others = zip(rows.index[~is_there], _keys(rows[~is_there], same, table), strict=True)
    return is_there, pd.Series({at: by.pop(key) for at, key in others if key in by}, dtype=object)


def _keys(frame, names, table):
    """A tuple of plain cells for each row."""
    cells = frame.reindex(columns=names).astype(object)
    return [
        tuple(_cell(cell, table, name) for name, cell in zip(names, row, strict=True))
        for row in cells.to_numpy()
    ]


def _cell(cell, table, name):
    if pd.isna(cell):
        return ""
    text = str(cell).strip()
    if schema.column(table, name).kind != "number":
        return text.casefold()
    number = pd.to_numeric(text, errors="coerce")
    return text if pd.isna(number) else round(float(number), 6)


def _totals(log, more, made):
    """A frame of `TOTALS`: what the log had, what came to it, and what the new one has."""
    rows = []
    for table in more:
        frames = [_held(x.origin, check_header(x.origin.header), table) for x in (log, made)]
        frames.insert(1, more[table])
        rows.append((table, "rows", *map(len, frames)))
        for col in (col for col in schema.TABLES[table] if col.name != "unit_price"):
            if col.quantity in ("money", "volume") and col.name in frames[1]:
                cells = [frame.reindex(columns=[col.name])[col.name] for frame in frames]
                sums = [pd.to_numeric(c.astype(object), errors="coerce").sum() for c in cells]
                rows.append((table, col.name, *(round(float(value), 2) for value in sums)))
    return pd.DataFrame(rows, columns=TOTALS, dtype=object)
