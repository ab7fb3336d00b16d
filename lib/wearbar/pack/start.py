"""An empty log to fill in: a file for each table, log.toml, plan.toml, and a guide with a filled row for each."""

import csv
import tomllib
from pathlib import Path

from wearbar.log.places import place
from wearbar.log.schema import TABLES

__all__ = ["start_log"]


def start_log(folder):
    """Write an empty log into a new or empty folder; gives its path. Raises FileExistsError where something stands there already."""
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise FileExistsError(
            f"{folder} is not empty; give a new folder, so that nothing of yours is written over"
        )
    folder.mkdir(parents=True, exist_ok=True)
    for name, columns in TABLES.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerow(c.name for c in columns)
    for name in ("log.toml", "plan.toml"):
        (folder / name).write_bytes(place("shared", "start", name).read_bytes())
    (folder / "GUIDE.md").write_text(_guide(), encoding="utf-8")
    return folder


def _guide():
    examples = tomllib.loads(place("shared", "start", "examples.toml").read_text(encoding="utf-8"))
    opening = place("shared", "start", "guide.md").read_text(encoding="utf-8")
    return opening + "".join(_chapter(name, TABLES[name], examples[name]) for name in TABLES)


def _chapter(name, columns, example):
    rows = "".join(
        f"| `{c.name}`{' *' if c.required else ''} | {_meaning(c)} | {example.get(c.name, '')} |\n"
        for c in columns
    )
    line = ",".join(str(example.get(c.name, "")) for c in columns).rstrip(",")
    table = f"| column | what to write | example |\n| --- | --- | --- |\n{rows}"
    return f"\n## {name}.csv\n\n{example['for']}\n\n{table}\nAs a line of the file: `{line}`\n"


def _meaning(column):
    codes = f": {', '.join(column.codes)}" if column.codes else ""
    default = f" (blank: {column.default})" if column.default else ""
    return f"{column.meaning}{codes}{default}"
