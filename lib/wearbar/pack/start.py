"""An empty log to fill in: a file for each table, log.toml, plan.toml, and a guide by example."""

import csv
from pathlib import Path

from wearbar.log.places import place, read_toml
from wearbar.log.schema import TABLES
from wearbar.log.write import new_folder


def start_log(folder):
    """Write an empty log into a new or empty folder; gives its path. LogError for another."""
    with new_folder(folder) as part:
        for name in ("log.toml", "plan.toml"):
            (part / name).write_bytes(place("shared", "start", name).read_bytes())
        guide = place("shared", "start", "guide.md").read_text(encoding="utf-8")
        examples = read_toml("shared", "start", "examples.toml")
        for name, columns in TABLES.items():
            with (part / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
                csv.writer(file, lineterminator="\n").writerow(c.name for c in columns)
            example = examples[name]
            guide += f"\n## {name}.csv\n\n{example['for']}\n\n"
            guide += "| column | what to write | example |\n| --- | --- | --- |\n"
            for c in columns:
                codes = f": {', '.join(c.codes)}" if c.codes else ""
                blank = f" (blank: {c.default})" if c.default else ""
                said, star = f"{c.meaning}{codes}{blank}", " *" if c.required else ""
                guide += f"| `{c.name}`{star} | {said} | {example.get(c.name, '')} |\n"
            line = ",".join(str(example.get(c.name, "")) for c in columns).rstrip(",")
            guide += f"\nAs a line of the file: `{line}`\n"
        (part / "GUIDE.md").write_text(guide, encoding="utf-8")
    return Path(folder)
