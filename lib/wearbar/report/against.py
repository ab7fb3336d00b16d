"""What a reader sets the reports against: a tolerance of their own, and an earlier pack."""

import hashlib
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
    NotDone, one sentence, for what is no pack, is of another log, of other vehicles or of a later
    day, or lacks what is needed.
    """
    if not folder:
        return None
    path, again = Path(folder) / FINDINGS, "make that pack again"
    if not path.is_file():
        lacks = f"{folder} is no pack of reports: it has no {FINDINGS}"
        raise NotDone(f"{lacks}; give --since the folder of an earlier pack")
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError):
        why = f"{path} cannot be read as JSON"
        raise NotDone(f"{why}; {again}, or give --since another") from None
    schema = told.get("schema") if isinstance(told, dict) else None
    if schema != SCHEMA:
        only = f"and this program compares {SCHEMA} alone"
        raise NotDone(f"{path} is of schema {clean(schema)}, {only}; {again}")
    try:
        wrong = _unlike(told, log, parameters)
        if not wrong:
            found = told["reports"][REPORT]["findings"]
            rows = (
                pd.DataFrame(found[name]["rows"], columns=list(types)).astype(types)
                for name, types in _ROWS.items()
            )
            return Earlier(pd.Timestamp(told["log"]["as_of"]), *rows)
    except (AttributeError, KeyError, TypeError, ValueError):
        told = f"{path} lacks a part, or was changed"
        raise NotDone(f"{told}; {again}, or give --since another") from None
    raise NotDone(f"the pack {folder} {wrong[0]}; give --since {wrong[1]}")


def fingerprint(folder):
    """SHA-256 of an earlier pack's findings; "" where there is none."""
    path = Path(folder or ".") / FINDINGS
    return hashlib.sha256(path.read_bytes()).hexdigest() if folder and path.is_file() else ""


def _unlike(told, log, parameters):
    """In what a pack is of something else, and what to give instead; None where it is not."""
    theirs, name, asked = told["log"], clean(log.name), told["parameters"]
    if theirs["name"] != name:
        return f"is of another log, {clean(theirs['name'])}, not of {name}", "a pack of this log"
    day = f"{log.as_of:%Y-%m-%d}"
    if theirs["as_of"] > day:
        return f"is of a later day, {theirs['as_of']}, than this log's {day}", "an earlier one"
    own, now = ((p["site"], sorted(p["vehicle"])) for p in (asked, parameters))
    if own != now:
        what = f"is about {_about(asked)}, not {_about(parameters)}"
        return what, "a pack of the same vehicles"
    findings = told["reports"].get(REPORT, {}).get("findings", {})
    if not all(isinstance(findings.get(name, {}).get("rows"), list) for name in _ROWS):
        return f"holds no {REPORT} to compare with", "a pack that has that report"
    return None


def _about(asked):
    site = f"site {clean(asked['site'])}" if asked["site"] else "all sites"
    n = len(asked["vehicle"])
    return f"{site} and {plural(n, 'named vehicle') if n else 'all vehicles'}"
