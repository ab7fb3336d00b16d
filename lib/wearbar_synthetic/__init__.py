"""Synthetic service logs with a known truth: a fleet's and an owner's, seeded, byte for byte the same each time.

`python -m wearbar_synthetic OUT` writes the demo logs, their truth and the data dictionary.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd

from wearbar.log import schema
from wearbar_synthetic.dictionary import data_readme
from wearbar_synthetic.dirt import soil
from wearbar_synthetic.fitted import fitted_table, measurements_table, part_names
from wearbar_synthetic.plans import plan_text
from wearbar_synthetic.running import running_tables
from wearbar_synthetic.settings import FLEET, OWNER
from wearbar_synthetic.simulate import simulate
from wearbar_synthetic.truth import truth_of
from wearbar_synthetic.work import failures, work_tables
from wearbar_synthetic.world import make_world

__all__ = [
    "data_readme",
    "fleet",
    "header",
    "owner",
    "plan_text",
    "write",
    "write_demo",
    "write_truth",
]

JURISDICTION = "GB"  # whose limits, shipped as an example, the demo logs name


def fleet(seed=None, vehicles=34, years=4, dirt=True):
    """A fleet's log: `tables` (name to DataFrame of typed values, in miles, mm, psi, GBP net) and `truth` (see `truth.truth_of`).

    seed: a Generator, anything that `numpy.random.default_rng` takes, or None for the demo log's own. dirt False leaves out missing and
    mistyped values, changed instruments and unknown ages; what was measured keeps its error and what was censored stays so.
    """
    return _make(FLEET, seed, vehicles, years, dirt)


def owner(seed=None, years=3, dirt=True):
    """An owner's log: one motorcycle and one small car (km, mm, bar, EUR gross); as `fleet`."""
    return _make(OWNER, seed, 2, years, dirt)


def _make(setting, seed, vehicles, years, dirt):
    rng = np.random.default_rng(list(setting.phrase.encode()) if seed is None else seed)
    streams = rng.spawn(7)
    world = make_world(setting, vehicles, years, dirt, streams[0])
    history = simulate(world, streams[1])
    failed = failures(world, streams[2])
    names = part_names(history, failed)
    work, visits = work_tables(world, history, failed, dirt, streams[3])
    tables = running_tables(world, history, dirt, streams[4]) | work
    tables["fitted"] = fitted_table(world, history, failed, names, visits, dirt, streams[5])
    tables["measurements"] = measurements_table(world, history, names, visits, dirt, streams[5])
    tables = {name: _tidy(name, tables[name]) for name in schema.TABLES if name in tables}
    truth = truth_of(world, history, failed, names)
    if dirt:
        tables, truth["dirt"] = soil(tables, setting, streams[6])
    return tables, truth


def _tidy(name, frame):
    """The format's columns in its order, blank text as missing, columns that are wholly blank left out."""
    frame = frame[[c.name for c in schema.TABLES[name] if c.name in frame]]
    frame = frame.assign(**{c: frame[c].where(frame[c] != "") for c in _texts(frame)})
    return frame.dropna(axis=1, how="all").reset_index(drop=True)


def header(setting=FLEET, years=None):
    """What log.toml says of a synthetic log."""
    first = (
        pd.Timestamp(setting.as_of)
        - pd.DateOffset(years=years or setting.years)
        + pd.Timedelta(days=1)
    )
    units = {
        "distance": setting.distance,
        "volume": "L",
        "depth": "mm",
        "pressure": setting.pressure,
    }
    money = {"currency": setting.currency, "money": setting.money}
    days = {"as_of": setting.last.item(), "first_day": first.date()}
    return {
        "name": setting.name,
        **money,
        **units,
        **days,
        "plan": "plan.toml",
        "jurisdiction": JURISDICTION,
    }


def write(tables, header, folder, plan=None):
    """Write tables as CSV, the header as log.toml and the plan's text as plan.toml into a folder (made if need be)."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        _write_csv(frame, folder / f"{name}.csv")
    lines = [
        f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {value}"
        for key, value in header.items()
    ]
    _write_text("\n".join(lines) + "\n", folder / "log.toml")
    if plan is not None:
        _write_text(plan, folder / "plan.toml")


def write_demo(out):
    """Write both demo logs, what is true of them, and the data dictionary into a folder."""
    for name, setting, make in (("fleet", FLEET, fleet), ("owner", OWNER, owner)):
        tables, truth = make()
        plans = plan_text(tables["vehicles"]["plan"].unique(), setting.distance)
        write(tables, header(setting), Path(out, name), plans)
        write_truth(truth, Path(out, "truth", name))
    _write_text(data_readme(out), Path(out, "README.md"))


def write_truth(truth, folder):
    """Write a log's truth into a folder: its frames as CSV, its parameters as truth.json."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in truth.items():
        if isinstance(frame, pd.DataFrame):
            _write_csv(frame, folder / f"{name}.csv")
    _write_text(json.dumps(truth["parameters"], indent=1) + "\n", folder / "truth.json")


def _write_csv(frame, path):
    dates = frame.select_dtypes("datetime").columns
    text = frame.assign(
        **{c: frame[c].dt.strftime("%Y-%m-%d") for c in dates},
        **{c: frame[c].map(_plain) for c in _texts(frame)},
    )
    text.to_csv(path, index=False, lineterminator="\n", float_format="%.10g", encoding="utf-8")


def _texts(frame):
    """Columns of text, and of text among numbers; pandas 3 has a type of its own for the former."""
    return [c for c in frame if frame[c].dtype.kind == "O"]


def _plain(value):
    """A number among text as a column of numbers would be written; missing stays missing."""
    return f"{value:.10g}" if isinstance(value, float) and value == value else value


def _write_text(text, path):
    path.write_text(text, encoding="utf-8", newline="\n")
