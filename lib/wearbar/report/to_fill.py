"""The rows beside a visit sheet, to fill in: `wearbar sheet` writes them, `wearbar record` takes
them back. Their columns, and what may be filled in, stand in shared/log/to_fill.toml.
"""

from wearbar.log.schema import said
from wearbar.log.write import write_csv
from wearbar.report.words.sheet import line

COLUMNS = said("to_fill")["columns"]
STATES = ("cold", "hot")


def write_to_fill(sheets, path):
    """Write the rows of `sheets` (vehicle, its `words.sheet.words` in the units of its odometer) to
    the CSV file `path`."""
    rows = []
    for vehicle, told in sheets:
        first = {"table": "odometer", "asked": line("fill_first", boxes=told["odometer"]["boxes"])}
        own = [first | {"known": told["odometer"]["said"]}]
        for job in told["jobs"]:
            row = {"table": "work", "asked": job["name"], "known": job["stands"], "why": "planned"}
            own.append(row | job["keys"])
        own += [row for read in told["reads"] for row in _measurements(read)]
        rows += [row | {"vehicle": vehicle} for row in own]
    heads = ["\ufeff" + COLUMNS[0], *COLUMNS[1:]]  # by which a spreadsheet knows that it is UTF-8
    write_csv(path, heads, {n: [row.get(c, "") for c in COLUMNS] for n, row in enumerate(rows)})


def _measurements(read):
    """The rows of a reading to take, one a place across the part."""
    unit, is_oil = max(unit for _, unit in read["blanks"]), read["keys"]["category"] == "engine-oil"
    for place, (label, _) in zip(read["places"], read["blanks"][-is_oil:], strict=False):
        where = {"state" if place in STATES else "place": place} if not is_oil else {}
        asked = line("fill_read", **read | {"label": label, "unit": unit})
        row = {"table": "measurements", "asked": asked, "known": line("fill_known", **read)}
        yield row | where | read["keys"]
