"""What a reader sets the reports against: a criterion of one's own for work done in time, and an earlier pack."""

import hashlib
import json
import numbers
from pathlib import Path

import pandas as pd

from wearbar.intervals import Earlier
from wearbar.log.schema import TEXT
from wearbar.report.quantities import clean, plural
from wearbar.report.report import NotDone

__all__ = [
    "COUNTED",
    "FINDINGS",
    "LISTED",
    "REPORT",
    "SCHEMA",
    "criterion_of",
    "earlier_pack",
    "fingerprint",
]

FINDINGS, SCHEMA = "findings.json", "wearbar-findings/1"
# the report that leaves what a later one needs, and the two findings that hold it in their rows
REPORT, COUNTED, LISTED = "interval_compliance", "vehicles_counted", "overdue_or_not_to_be_driven"
_DAYS = {"due_date": "datetime64[ns]", "anchor_date": "datetime64[ns]"}
_ROWS = {
    COUNTED: {"vehicle": TEXT, "n": int, "late": int},
    LISTED: {"vehicle": TEXT, "what": TEXT, "item": TEXT, "position": TEXT, **_DAYS},
}


def criterion_of(value):
    """A share of the interval by which work may pass its due point and still be in time; 0: the plan's own window. Raises NotDone."""
    if isinstance(value, bool) or not isinstance(value, numbers.Real) or not 0 <= value <= 1:
        raise NotDone(
            f"criterion is {value!r}; give a share of the interval from 0 to 1, such as 0.1, or 0 for the plan's own window alone"
        )
    return float(value)


def earlier_pack(folder, log, parameters):
    """The `intervals.Earlier` of a pack made before of the same log; None where `folder` is "".

    log: the ServiceLog now, whole. parameters: `site` and `vehicle` as asked for now. Raises NotDone, one sentence, for what is no pack, is
    of another log, of other vehicles or of a later day, or lacks what is needed.
    """
    if not folder:
        return None
    told = _read(folder)
    try:
        _same(folder, told, log, parameters)
        findings = told["reports"].get(REPORT, {}).get("findings", {})
        if not all(isinstance(findings.get(name, {}).get("rows"), list) for name in _ROWS):
            raise NotDone(
                f"the pack {folder} holds no {REPORT} to compare with; give --since a pack that has that report"
            )
        counts, listed = (_frame(findings[name]["rows"], types) for name, types in _ROWS.items())
        return Earlier(pd.Timestamp(told["log"]["as_of"]), counts, listed)
    except NotDone:
        raise
    except (AttributeError, KeyError, TypeError, ValueError):
        raise NotDone(
            f"{Path(folder) / FINDINGS} lacks a part, or was changed; make that pack again, or give --since another"
        ) from None


def fingerprint(folder):
    """SHA-256 of an earlier pack's findings; "" where there is none."""
    path = Path(folder or ".") / FINDINGS
    return hashlib.sha256(path.read_bytes()).hexdigest() if folder and path.is_file() else ""


def _read(folder):
    path = Path(folder) / FINDINGS
    if not path.is_file():
        raise NotDone(
            f"{folder} is no pack of reports: it has no {FINDINGS}; give --since the folder of an earlier pack"
        )
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError):
        raise NotDone(
            f"{path} cannot be read as JSON; make that pack again, or give --since another"
        ) from None
    schema = told.get("schema") if isinstance(told, dict) else None
    if schema != SCHEMA:
        raise NotDone(
            f"{path} is of schema {clean(schema)}, and this program compares {SCHEMA} alone; make that pack again"
        )
    return told


def _same(folder, told, log, parameters):
    theirs, name, asked = told["log"], clean(log.name), told["parameters"]
    if theirs["name"] != name:
        raise NotDone(
            f"the pack {folder} is of another log, {clean(theirs['name'])}, not of {name}; give --since a pack of this log"
        )
    if theirs["as_of"] > f"{log.as_of:%Y-%m-%d}":
        raise NotDone(
            f"the pack {folder} is of a later day, {theirs['as_of']}, than this log's {log.as_of:%Y-%m-%d}; give --since an earlier one"
        )
    if (asked["site"], sorted(asked["vehicle"])) != (
        parameters["site"],
        sorted(parameters["vehicle"]),
    ):
        raise NotDone(
            f"the pack {folder} is about {_about(asked)}, not {_about(parameters)}; give --since a pack of the same vehicles"
        )


def _about(asked):
    site = f"site {clean(asked['site'])}" if asked["site"] else "all sites"
    return f"{site} and {plural(len(asked['vehicle']), 'named vehicle') if asked['vehicle'] else 'all vehicles'}"


def _frame(rows, types):
    return pd.DataFrame(rows, columns=list(types)).astype(types)
