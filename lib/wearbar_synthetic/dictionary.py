"""The text of data/README.md: the files, their licence, and the data dictionary, made from the schema and the files themselves."""

import csv
from datetime import date
from pathlib import Path

from wearbar.log import schema
from wearbar_lab.start import plan_keys

__all__ = ["data_readme"]

KIND_WORDS = {
    "id": "id, to the letter",
    "text": "text",
    "code": "code",
    "yes_no": "yes or no",
    "date": "date",
    "number": "number",
}
QUANTITY_WORDS = {
    "money": "money, in the log's currency",
    "share": "share, 0 to 1",
    "hours": "hours",
    "days": "days",
}
OPENING = """# The data that comes with Wearbar

Two synthetic logs, made by `python -m wearbar_synthetic OUT`, byte for byte the same each time; what is true of each stands in
`truth/`, apart from the log, so that an estimate can be held against it. People, places, items and figures are invented. **No
figure here is for use on a real vehicle**: the maker's handbook has those.

- `fleet/`: the Marrowmere Wardens, a fictional island nature reserve: 34 motorcycles, pickups and vans at three sites over four
  years; miles, mm, psi, pounds net of tax.
- `owner/`: one motorcycle and one small car over three years; kilometres, mm, bar,
  euros with tax.

Both carry what real logs carry: readings missing and mistyped, an instrument changed (in the fleet one rolled over too), parts on
before the log began, fills not written down. `truth/*/dirt.csv` lists every slip: where it is, what was written, what is true.

The fleet has an answer to find for each question of use and replacement, and one that its log cannot give:

- loose ground wears tyres and brake pads faster, by `effects.csv`, and the log can tell; it wears chains too, and these are too few to tell;
- the roads of Highfell are steep: pads wear 1.4 times as fast there on any ground. Its ground is also the loosest, so a comparison
  that leaves out the site blames the ground for the hills;
- M09 needs repair six times as often as others of its type, and should be replaced; no other vehicle should (`keeping.csv`).
"""


def data_readme(folder):
    """The README of a folder that holds fleet, owner and truth.

    Rows are counted in the files; a period is from the first to the last date of a file's first column of dates.
    """
    files = sorted(p for p in Path(folder).rglob("*") if p.suffix in (".csv", ".json", ".toml"))
    rows = "\n".join(_file_row(p, Path(folder)) for p in files)
    parts = [
        OPENING,
        "## Files",
        "",
        "All files: made by `wearbar_synthetic`, licence CC0 1.0 (no rights reserved).",
        "",
    ]
    parts += [
        "| file | rows | period | licence |",
        "|---|---:|---|---|",
        rows,
        "",
        "## The truth files",
        "",
        _truth_words(),
        "",
    ]
    parts += [
        "## Data dictionary",
        "",
        _dictionary_words(),
        "",
        *(_table_words(name) for name in schema.TABLES),
        "## The plan",
        "",
        "`plan.toml` holds what is due and how often. Keys with * must be there.",
        "",
        plan_keys(),
    ]
    return "\n".join(parts).rstrip() + "\n"


def _file_row(path, folder):
    name = path.relative_to(folder).as_posix()
    if path.suffix != ".csv":
        return f"| {name} | | | CC0 1.0 |"
    with path.open(encoding="utf-8", newline="") as stream:
        head, *rows = csv.reader(stream)
    dated = [
        i
        for i, column in enumerate(head)
        if column in ("date", "from", "fitted", "found", "tested", "issued", "in_service")
    ]
    days = sorted(filter(_is_day, (r[dated[0]] for r in rows))) if dated else []
    return f"| {name} | {len(rows):,} | {f'{days[0]} to {days[-1]}' if days else ''} | CC0 1.0 |"


def _is_day(text):
    try:
        return date.fromisoformat(text).year > 1950
    except ValueError:
        return False


def _truth_words():
    return """- `items.csv`: the law of each item at a position: rate, spread, life to the change limit, price
- `parts.csv`: each wearing part's own rate and life; `failing_parts.csv`: batteries and wheel bearings
- `laws.csv`: the Weibull laws of batteries, wheel bearings and air filters; `effects.csv`: what loose ground, mud and water do to wear
- `types.csv`: distance, fuel, repairs and value by type of vehicle; `vehicles.csv`: each vehicle's true going and distance
- `keeping.csv`: what keeping each vehicle costs a year in repairs and fall of value, and a new one, each to its cheapest age
- `dirt.csv`: the slips; `truth.json`: the rest, and the units"""


def _dictionary_words():
    return """Dates are ISO 8601. Blank is not known; 0 is none or free. **Bold** columns must be filled. Distances, volumes, depths and
pressures are in the units that `log.toml` names. Every table may have `recorded`, the day the row was typed.
An empty table is not known either: `none = ["defects", "campaigns"]` in `log.toml` says that there are none.

Two keys of `log.toml` hold figures of your own, by kind of vehicle. None is shipped: law and policies change.

- `mileage_rates = { car = [{ to = 10000, rate = 0.4 }, { rate = 0.2 }] }`: money for a mile or kilometre, in bands of a year's distance; the last
  band has no end. For one or two vehicles running_cost says what the last year would be paid, and what it cost. The bands count for each vehicle.
- `least_keep = { car = { years = 6, distance = 50000 } }`: a policy that keeps a vehicle at least the years or the distance, whichever comes first.
  *Keep or replace?* names those that have reached neither. It is policy, not the age of least cost."""


def _table_words(name):
    rows = [_column_row(c) for c in schema.TABLES[name] if c.name != "recorded"]
    return "\n".join(
        [f"### {name}", "", "| column | holds | meaning |", "|---|---|---|", *rows, ""]
    )


def _column_row(column):
    name = f"**{column.name}**" if column.required else column.name
    holds = QUANTITY_WORDS.get(column.quantity) or column.quantity or KIND_WORDS[column.kind]
    if column.codes:
        holds = "one of " + ", ".join(column.codes)
    meaning = column.meaning + (f" (default: {column.default})" if column.default else "")
    return f"| {name} | {holds} | {meaning} |"
