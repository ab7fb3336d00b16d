"""What a reader sets the reports against: a tolerance of their own, and an earlier pack."""

import json
import numbers
from pathlib import Path

import pandas as pd

from wearbar.log.schema import TEXT
from wearbar.outlook.changes import KEPT, Earlier
from wearbar.report.quantities import clean, plural
from wearbar.report.report import NotDone

FINDINGS, SCHEMA = "findings.json", "wearbar-findings/1"
# the report that leaves what a later one needs, and the findings that hold it in their rows
REPORT, COUNTED, ACTIONS, SPENT = "interval_compliance", "vehicles_counted", "actions", "spent"
LISTED = "overdue_or_not_to_be_driven"
_ROWS = {COUNTED: {"vehicle": TEXT, "n": int, "late": int}, ACTIONS: KEPT}
_ROWS |= {SPENT: {"vehicle": TEXT, "amount": float}}


def criterion_of(value):
    """A share of the interval by which work may be late and still in time; 0: the plan's window."""
    if isinstance(value, bool) or not isinstance(value, numbers.Real) or not 0 <= value <= 1:
        may = "from 0 to 1, such as 0.1, or 0 for the plan's own window alone"
        raise NotDone(f"criterion is {value!r}; give a share of the interval {may}")
    return float(value)


def earlier_pack(folder, log, parameters):
    """The `changes.Earlier` of a pack made before of the same log; None where `folder` is "". log:
    the ServiceLog now, whole. parameters: `site` and `vehicle` as asked for now. Raises NotDone, a
    sentence, for what is no such pack or lacks what is needed."""
    if not folder:
        return None
    path, again = Path(folder) / FINDINGS, "make that pack again, or give --since another"
    told = _told(path, folder, again)
    ours, day = clean(log.name), f"{log.as_of:%Y-%m-%d}"
    try:
        name, as_of = told["log"]["name"], told["log"]["as_of"]
        own, now = ((p["site"], sorted(p["vehicle"])) for p in (told["parameters"], parameters))
        frames = _frames(told["reports"].get(REPORT, {}).get("findings", {}))
        money, ours_in = (x or "no currency" for x in (told["log"]["currency"], log.units.currency))
        earlier, is_later = [pd.Timestamp(as_of), *frames], as_of > day
    except (AttributeError, KeyError, TypeError, ValueError):
        raise NotDone(f"{path} lacks a part, or was changed; {again}") from None
    if name != ours:
        wrong, give = f"is of another log, {clean(name)}, not of {ours}", "a pack of this log"
    elif is_later:
        wrong, give = f"is of a later day, {as_of}, than this log's {day}", "an earlier one"
    elif own != now:
        wrong, give = f"is about {_about(*own)}, not {_about(*now)}", "a pack of the same vehicles"
    elif money != ours_in:
        wrong, give = f"is in {clean(money)}, not in {ours_in}", "a pack in the same currency"
    elif not frames:
        wrong = f"holds no {REPORT} to compare with, or one by an earlier version"
        give = "a pack that has that report, or make that pack again"
    else:
        return Earlier(*earlier)
    raise NotDone(f"the pack {folder} {wrong}; give --since {give}")


def _told(path, folder, again):
    """The findings at a path."""
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
    return told


def _frames(found):
    """What a later report needs of some findings, frames; none where a part is not there."""
    rows = {name: found.get(name, {}).get("rows") for name in _ROWS}
    for name, types in _ROWS.items():
        if not isinstance(rows[name], list) or not all(x.keys() >= {*types} for x in rows[name]):
            return []
    return [pd.DataFrame(rows[n], columns=list(of)).astype(of) for n, of in _ROWS.items()]


def _about(site, vehicles):
    where, n = f"site {clean(site)}" if site else "all sites", len(vehicles)
    return f"{where} and {plural(n, 'named vehicle') if n else 'all vehicles'}"
