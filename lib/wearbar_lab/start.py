"""An empty log to fill in: a file for each table, log.toml, plan.toml, and a guide by example."""

import csv
import re
from pathlib import Path

from wearbar.log.places import place, read_toml
from wearbar.log.plan_tasks import KEYS
from wearbar.log.schema import TABLES
from wearbar.log.sources.header import toml
from wearbar.log.write import new_folder


def start_log(folder, header=None, plan=""):
    """Write an empty log into a new or empty folder; gives its path. LogError for another. header:
    keys of log.toml that are known. plan: the text of plan.toml, "" one of comments alone."""
    said, *texts = (_read(name) for name in ("log.toml", "plan.toml", "guide.md"))
    for key, value in (header or {}).items():
        said = re.sub(rf"(?m)^(# )?{key} = \S+", f"{key} = {toml(value)}", said, count=1)
    with new_folder(folder) as part:
        (part / "log.toml").write_text(said, encoding="utf-8")
        (part / "plan.toml").write_text(plan or texts[0], encoding="utf-8")
        guide = f"{texts[1]}\n## plan.toml\n\n{plan_keys()}"
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


def plan_keys():
    """Every key of plan.toml, what it says, and an example: Markdown."""
    lines = []
    for part, title in read_toml("shared", "start", "says.toml")["keys"].items():
        lines += [f"{title}:", "", "| key | what it says | example |", "| --- | --- | --- |"]
        for key, told in KEYS[part].items():
            codes = f": {', '.join(told['of'])}" if isinstance(told.get("of"), list) else ""
            name = f"`{key}`{' *' if 'required' in told else ''}"
            lines.append(f"| {name} | {told['is']}{codes} | `{key} = {told['example']}` |")
        lines.append("")
    return "\n".join(lines)


def _read(name):
    return place("shared", "start", name).read_text(encoding="utf-8")
