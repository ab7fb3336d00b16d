"""Split, apply, combine: each partition (of `split`) is worked out by itself, here or on a Dask
cluster, into rows that hang on their vehicle alone, kept as Parquet. What follows from them all is
then worked out once, by the functions that the reports call, a table or category at a time.
"""

import json
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
import pyarrow as pa
from pyarrow import parquet

from wearbar import intervals, parts
from wearbar.cost import account as money
from wearbar.cost import per_distance as cost
from wearbar.log import places, read_log
from wearbar.log.keys import look_up, stacked
from wearbar.log.schema import TEXT
from wearbar.log.settle import in_order
from wearbar.report.quantities import Show, clean
from wearbar.report.report import NotDone, finding_of, versions
from wearbar.report.tables import csv_of, heads_of
from wearbar.stats import fit_groups, kaplan_meier
from wearbar_cluster.split import EVERYWHERE, PARTITION

# the frames of an `Account` and, of the longest, the columns that a cost per distance asks for
LINE = "vehicle date category amount source line is_fixed with_distance"
BOOK = {"vehicles": None, "lines": LINE.split(), "worth": None, "quarters": None}
JOB = "vehicle site kind task month in_rate outcome why done_date late_edge_date early_share"
SPAN = ["part_key", "positions", "category", "kind"]
LIFE = ["duration_km", "came_off", "entry_km"]
PLACE = ["category", "kind", "place_on"]
SAID = places.read_toml("shared", "report", "combined.toml")  # what it says beside its findings


def rows_of(folder):
    """(facts, name to pyarrow table) of one partition: all that combining asks of its log."""
    log = read_log(folder)
    spans, account = parts.spans_of(log), money.account(log)
    frames = {"ledger": log.ledger, "set-aside": log.set_aside, "warnings": log.warnings}
    frames |= {"jobs": intervals.placed(intervals.occasions(log), log)}
    frames |= {"items": intervals.items(log), "lives": parts.service_lives(spans)}
    frames |= {"spans": spans, "looks": parts.looks_of(log)}
    frames |= {name: getattr(account, name) for name in BOOK}
    day = account.quarters["quarter"].dt.to_timestamp()  # Parquet has no periods of its own
    frames["quarters"] = account.quarters.assign(quarter=day)
    for name in ("lives", "spans", "looks"):  # a part without a row in `fitted` has a number here
        key = frames[name]["part_key"]
        key = key.mask(key.str.startswith("row -"), f"{Path(folder).name} " + key)
        frames[name] = frames[name].assign(part_key=key, unrecorded_km=None)
    facts = {"name": log.name, "as_of": log.as_of, "first_day": log.first_day, "units": log.units}
    facts |= {"money": log.money, "present": log.present, "law": parts.law_of(log)}
    return facts, {n: pa.Table.from_pandas(f, preserve_index=False) for n, f in frames.items()}


def each(work, folders, scheduler="", workers=0):
    """(folder, work(folder)) of each of the folders, as they are done: by the workers of the Dask
    `scheduler` (its address), else by as many processes here as `workers`, of 0 one after another.

    What a worker had in hand that dies is done again by another; NotDone where they die of the same
    folder again and again.
    """
    if not scheduler and not workers:
        yield from ((folder, work(folder)) for folder in folders)
        return
    try:
        from dask.distributed import Client, KilledWorker, as_completed
    except ImportError:
        get = "pip install 'wearbar[cluster]', or leave --scheduler and --workers out"
        raise NotDone(f"Dask is not installed: {get}") from None
    own = {"n_workers": workers, "threads_per_worker": 1, "dashboard_address": ":0"}
    with Client(scheduler) if scheduler else Client(**own) as client:
        folder_of = dict(zip(client.map(work, folders, pure=False), folders, strict=True))
        try:
            for future, found in as_completed(list(folder_of), with_results=True):
                yield folder_of.pop(future), found
        except KilledWorker as error:
            path = {future.key: path for future, path in folder_of.items()}[error.task]
            more = "split the log into more partitions, or give the workers more memory"
            raise NotDone(f"worker after worker died of {path}; {more}") from None


def gather(folder, rows, scheduler="", workers=0, work=rows_of):
    """Put the rows of the partitions in `folder` into the folder `rows`, as
    jobs/partition=000.parquet and so on; gives the facts of each. NotDone where there is none."""
    folders = sorted(str(path.absolute()) for path in Path(folder).glob(f"{PARTITION}*"))
    if not folders:
        make = f"make them with wearbar split LOG {folder}"
        raise NotDone(f"{folder} holds no partition of a log; {make}")
    facts = {}
    for path, (told, found) in each(work, folders, scheduler, workers):
        facts[path] = told
        for name, table in found.items():
            (rows / name).mkdir(parents=True, exist_ok=True)
            parquet.write_table(table, rows / name / f"{Path(path).name}.parquet")
    return [facts[path] for path in folders]


def combined(rows, facts, confidence=0.9):
    """What follows from all rows: ({finding: value}, {table: frame}) in SI, named as in a pack.
    rows, facts: of `gather`."""
    law, first = facts[0]["law"], facts[0]
    law = replace(law, class_of=pd.concat([told["law"].class_of for told in facts]))
    found, tables = {}, {}
    for report, (values, frames) in {
        "interval_compliance": _on_time(rows, confidence),
        "consumable_life": ({}, _lives(rows, law, confidence)),
        "running_cost": _costs(rows, confidence, money=first["money"], present=first["present"]),
        "log_check": ({}, _checked(rows, len(facts))),
    }.items():
        found |= values
        tables |= {f"{report}-{name}": frame for name, frame in frames.items()}
    return found, tables


def _read(rows, name, columns=None, filters=None):
    """A frame of the rows of all partitions."""
    files = sorted((rows / name).glob("*.parquet"))
    found = [parquet.read_table(file, columns=columns, filters=filters) for file in files]
    text = {pa.string(): TEXT, pa.large_string(): TEXT}.get
    found = pa.concat_tables(found, promote_options="permissive")
    return found.to_pandas(types_mapper=text, ignore_metadata=True)


def _on_time(rows, confidence):
    jobs = _read(rows, "jobs", JOB.split())
    by = ("kind", "task", "month", "site")
    by = {name: intervals.compliance(jobs, [name], confidence) for name in by}
    by |= {"site": intervals.sites_told(by["site"]), "left-out": intervals.excluded(jobs)}
    by |= {"vehicle": intervals.counts(jobs), "open": _read(rows, "items").query("is_open")}
    rate, early = intervals.rate(jobs, confidence), intervals.early_work(jobs, confidence)[0]
    return {"on_time_rate": rate, "early_share": early}, by


def _lives(rows, law, confidence):
    place = parts.with_place(_read(rows, "spans", SPAN)).set_index("part_key")["place_on"]
    lives = _read(rows, "lives", ["part_key", "category", "kind", *LIFE])
    lives = lives.assign(place_on=look_up(lives["part_key"], place))
    lives["group"] = lives.groupby(PLACE).ngroup()
    curves = [
        kaplan_meier(*own[LIFE].to_numpy().T, confidence=confidence).assign(group=group)
        for group, own in lives.groupby("group")
    ]
    km, ended, entry = (lives[name] for name in LIFE)
    fits = fit_groups("weibull", km, ended, lives["group"], entry)
    fits = fits.assign(shape=1 / fits["sigma"], scale_km=np.exp(fits["mu"]))
    named = lives[["group", *PLACE]].drop_duplicates()
    found = {"curves": stacked(curves or [pd.DataFrame()]), "weibull": fits}
    found = {name: named.merge(frame, on="group") for name, frame in found.items() if len(frame)}
    wear = []
    for name in sorted(_read(rows, "looks", ["category"])["category"].unique()):
        own = [("category", "=", name)]  # nothing of another category moves what is of this one
        spans, looks = (_read(rows, table, filters=own) for table in ("spans", "looks"))
        wear.append(parts.life_to_limit(parts.wear_of(spans, looks, law), confidence=confidence))
    return found | {"life-to-limit": stacked(wear or [pd.DataFrame()])}


def _costs(rows, confidence, **about):
    book = {name: _read(rows, name, columns) for name, columns in BOOK.items()}
    quarter = book["quarters"]["quarter"].dt.to_period("Q")
    book["quarters"] = book["quarters"].assign(quarter=quarter)
    account = money.Account(**book, **about)
    by = {name: cost.cost_per_km(account, name, confidence) for name in ("category", "kind")}
    by |= {"fixed": cost.cost_per_km(account, "is_fixed", confidence)}
    by |= {"site": cost.by_site(account, confidence), "year": cost.by_year(account, confidence)}
    by |= {"vehicle": cost.by_vehicle(account, confidence)}
    a_day = account.lines["amount"].sum() / account.vehicles["days"].sum()
    found = {"cost_per_km": cost.total_per_km(account, confidence), "cost_per_vehicle_day": a_day}
    return found | {"depreciation_per_km": money.depreciation_per_km(account, confidence)}, by


def _checked(rows, n):
    ledger = _read(rows, "ledger").groupby("table", sort=False).sum()
    ledger.loc[list(EVERYWHERE)] //= n
    names = ("set-aside", "warnings")
    found = {name: in_order(_read(rows, name).drop_duplicates()) for name in names}
    return {"ledger": ledger.reset_index()} | found


def combine(folder, out, scheduler="", workers=0, confidence=0.9):
    """Work out what the partitions in `folder` say together and write it into the new folder `out`:
    findings.json and tables as of a pack, rows what they are made from. Gives how many rows of the
    log were set aside. scheduler, workers: see `each`."""
    out = Path(out).absolute()
    if out.exists():
        raise NotDone(f"{out} is there already; give a new folder, or delete it first")
    out.parent.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory(prefix=".part-", dir=out.parent) as made:
        made = Path(made, "made")
        facts = gather(folder, made / "rows", scheduler, workers)
        found, tables = combined(made / "rows", facts, confidence)
        first, ledger = facts[0], tables["log_check-ledger"]
        show = Show(first["units"])
        (made / "tables").mkdir()
        for name, frame in tables.items():
            text = csv_of(frame, heads_of(frame, None, show))
            (made / "tables" / f"{name}.csv").write_text(text, encoding="utf-8", newline="")
        told = {"name": clean(first["name"]), "currency": first["units"].currency} | SAID
        told |= {day: f"{first[day]:%Y-%m-%d}" for day in ("as_of", "first_day")}
        told |= {"money": first["money"], "partitions": len(facts), "versions": versions()}
        told["findings"] = {name: finding_of(value) for name, value in found.items()}
        told["ledger"] = ledger.to_dict("records")
        text = json.dumps(told, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
        (made / "findings.json").write_text(text + "\n", encoding="utf-8")
        made.rename(out)
    return int(ledger["set_aside"].sum())
