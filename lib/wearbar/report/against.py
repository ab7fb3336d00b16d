"""What a reader sets the reports against: a tolerance of their own, and an earlier pack."""

import json
import numbers
from pathlib import Path

import pandas as pd

from wearbar.intervals import Earlier
from wearbar.log.schema import TEXT
from wearbar.report.quantities import clean, plural
from wearbar.report.report import NotDone

FINDINGS, SCHEMA = "findings.json", "wearbar-findings/1"
# the report that leaves what a later one needs, and the two findings that hold it in their rows
REPORT, COUNTED, LISTED = "interval_compliance", "vehicles_counted", "overdue_or_not_to_be_driven"
_DAYS = {"due_date": "datetime64[ns]", "anchor_date": "datetime64[ns]"}
_ROWS = {
    COUNTED: {"vehicle": TEXT, "n": int, "late": int},
    LISTED: {"vehicle": TEXT, "what": TEXT, "item": TEXT, "position": TEXT, **_DAYS},
}


def criterion_of(value):
    """A share of the interval by which work may be late and still in time; 0: the plan's window."""
    if isinstance(value, bool) or not isinstance(value, numbers.Real) or not 0 <= value <= 1:
        may = "from 0 to 1, such as 0.1, or 0 for the plan's own window alone"
        raise NotDone(f"criterion is {value!r}; give a share of the interval {may}")
    return float(value)


def earlier_pack(folder, log, parameters):
    """The `intervals.Earlier` of a pack made before of the same log; None where `folder` is "".

    log: the ServiceLog now, whole. parameters: `site` and `vehicle` as asked for now. Raises
    NotDone, a sentence, for what is no such pack or lacks what is needed.
    """
    if not folder:
        return None
    path, again = Path(folder) / FINDINGS, "make that pack again, or give --since another"
    if not path.is_file():
        lacks = f"{folder} is no pack of reports: it has no {FINDINGS}"
        raise NotDone(f"{lacks}; give --since the folder of an earlier pack")
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError):
        raise NotDone(f"{path} cannot be read as JSON; {again}") from None
    schema = told.get("schema") if isinstance(told, dict) else None
    if schema != SCHEMA:
        only = f"and this program compares {SCHEMA} alone"
        raise NotDone(f"{path} is of schema {clean(schema)}, {only}; make that pack again")
    ours, day = clean(log.name), f"{log.as_of:%Y-%m-%d}"
    try:
        name, as_of = told["log"]["name"], told["log"]["as_of"]
        own, now = ((p["site"], sorted(p["vehicle"])) for p in (told["parameters"], parameters))
        found = told["reports"].get(REPORT, {}).get("findings", {})
        is_whole = all(isinstance(found.get(name, {}).get("rows"), list) for name in _ROWS)
        frames = [
            pd.DataFrame(found[name]["rows"], columns=list(types)).astype(types)
            for name, types in _ROWS.items()
            if is_whole
        ]
        earlier, is_later = [pd.Timestamp(as_of), *frames], as_of > day
    except (AttributeError, KeyError, TypeError, ValueError):
        raise NotDone(f"{path} lacks a part, or was changed; {again}") from None
    if name != ours:
        wrong, give = f"is of another log, {clean(name)}, not of {ours}", "a pack of this log"
    elif is_later:
        wrong, give = f"is of a later day, {as_of}, than this log's {day}", "an earlier one"
    elif own != now:
        wrong, give = f"is about {_about(*own)}, not {_about(*now)}", "a pack of the same vehicles"
    elif not is_whole:
        wrong, give = f"holds no {REPORT} to compare with", "a pack that has that report"
    else:
        return Earlier(*earlier)
    raise NotDone(f"the pack {folder} {wrong}; give --since {give}")


def _about(site, vehicles):
    where, n = f"site {clean(site)}" if site else "all sites", len(vehicles)
    return f"{where} and {plural(n, 'named vehicle') if n else 'all vehicles'}"
