"""Split a log into partitions: folders of Parquet files, each a log of some of its vehicles. What a
visit, a part or a defect ties together stays together. Every partition carries the whole log's
header, plan, limits and days of record, and the rows' own lines."""

import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from pyarrow import parquet
from scipy.sparse import coo_array, csgraph

from wearbar.log.checks.rows import plain
from wearbar.log.settle import check, newest, read_tables, require_columns
from wearbar.log.sources import open_source
from wearbar.log.sources.header import ESCAPED, check_header
from wearbar.log.sources.raw import LINE, fault
from wearbar.log.write import new_folder, write_header, write_plan

# columns whose ids stand for one thing, be the rows of one vehicle or of several: whose ids
TIES = {"visit": "visit", "found_visit": "visit", "closing_visit": "visit"}
TIES |= {"part": "part", "defect": "defect"}
PARTITION = "partition="  # begins the name of each one's folder
EVERYWHERE = ("limits",)  # without a vehicle, and each needs it; other such tables go in the first


def split(address, out, parts=8, today=None):
    """Write the log at `address` as `parts` partitions, or as fewer where so much is tied together,
    into the new folder `out`: out/partition=000/ and so on, each to be read by `read_log`.

    Gives the number of vehicles of each partition, a Series by its name. today: as in `read_log`.
    LogError for what can't be read, rows that Parquet can't hold as they are, or a folder there.
    """
    source, out = open_source(address), Path(out)
    today = pd.Timestamp(today or datetime.date.today())
    if out.exists():
        raise fault("split_there", path=out)
    header, (group, others) = check_header(source.header), _groups(source)
    n = max(1, min(parts, group.nunique()))
    sizes = (group % n).value_counts().reindex(range(n), fill_value=0)
    group = pd.concat([group, others]) % n
    sizes.index = [f"{PARTITION}{k:03d}" for k in range(n)]
    with new_folder(out) as made:
        folders = [made / name for name in sizes.index]
        for folder in folders:
            folder.mkdir(parents=True)
            there = write_plan(folder, header, source.folder)
        for name, read in source.tables.items():
            _write_table(name, read(), group, folders)

        _write_headers(folders, header | there)
        _write_headers(folders, _with_days(header, folders, today) | there)
    return sizes


def _write_headers(folders, header):
    for folder in folders:
        write_header(folder, header, escaped=ESCAPED in header)


def _with_days(header, folders, today):
    """The header with the days of the record that all rows tell, where it does not say them."""

    def all_read():
        return (read_tables(open_source(folder), header) for folder in folders)

    if "as_of" not in header:
        last = pd.Series([newest(read.tables, today) for read in all_read()]).max()
        header = header | {"as_of": today.normalize() if pd.isna(last) else last}
    if "first_day" not in header:
        header = header | {"first_day": min(check(read, header).first_day for read in all_read())}
    return header


def _groups(source):
    """A number for each vehicle (Series), one for all that are tied together; and for each name
    that is in other tables alone, that of the vehicle it looks like, else 0."""
    if "vehicles" not in source.tables:
        raise fault("no_vehicles")
    found = []
    for name in sorted(source.tables, key="vehicles".__ne__):  # in whose order they are dealt
        raw = source.tables[name]()
        require_columns(name, raw, source)
        if raw.problems:
            line, _, value, rule, *_ = raw.problems[0]
            told = {"where": source.where(name), "line": line, "rule": rule, "value": value[:40]}
            raise fault("not_to_split", **told)
        held = {key: raw.columns[key] for key in ("vehicle", *TIES) if key in raw.columns}
        for key in held if "vehicle" in held else ():
            pairs = pa.table({"vehicle": held["vehicle"], "tie": held[key]})
            pairs = pairs.group_by(["vehicle", "tie"], use_threads=False).aggregate([]).to_pandas()
            of = TIES.get(key)
            found.append(pairs.assign(tie=f"{of} " + pairs["tie"] if of else None))
    known, found = found[0]["vehicle"].dropna(), pd.concat(found, ignore_index=True)
    is_known = found["vehicle"].isin(known)
    strange, found = found.loc[~is_known, "vehicle"].dropna().unique(), found[is_known]
    vehicle, names = pd.factorize(found["vehicle"])
    tie, ids = pd.factorize(found["tie"])
    tied, size = tie >= 0, len(names) + len(ids)
    edges = vehicle[tied], tie[tied] + len(names)
    graph = coo_array((np.ones(tied.sum()), edges), (size, size))
    group = csgraph.connected_components(graph, directed=False)[1][: len(names)]
    group = pd.Series(pd.factorize(group)[0], names)
    alike = {plain(name): number for name, number in group.items()}
    return group, pd.Series({name: alike.get(plain(name), 0) for name in strange}, dtype="int64")


def _write_table(name, raw, group, folders):
    """One table into every folder, perhaps without rows. group: each vehicle's folder's number."""
    table = pa.table({**raw.columns, LINE: raw.lines}).combine_chunks()
    if "vehicle" in raw.columns:
        place = pa.array(raw.columns["vehicle"]).to_pandas().map(group).fillna(0).to_numpy()
        order = np.argsort(place, kind="stable")
        ends, table = np.searchsorted(place[order], range(len(folders) + 1)), table.take(order)
    else:
        ends = [0] + [table.num_rows] * len(folders)
    for folder, (begin, end) in zip(folders, pairwise(ends), strict=True):
        rows = table if name in EVERYWHERE else table.slice(begin, end - begin)
        parquet.write_table(rows, folder / f"{name}.parquet")
