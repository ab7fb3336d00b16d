"""What the events of a calendar file say, as plain text."""

from dataclasses import replace

import pandas as pd

from wearbar.units import DISTANCE_KM
from wearbar.wording.common import Show, clean, number
from wearbar.wording.intervals import REASONS, STATES
from wearbar.wording.sheet_work import task_name, when

__all__ = ["name", "told"]

KINDS = {"certificate": "certificate runs out", "campaign": "recall", "deferral": "put off until now", "recheck": "look again", "task": ""}
HANDBOOK = "The maker's handbook and the law of the place win over this calendar, which knows what the log holds and nothing else."


def name(log):
    """What the calendar is called."""
    return f"{clean(log.name)}: what is due"


def told(events, log, show, confidence):
    """The events with `summary`, `description` (its lines apart) and `category`, the state in words."""
    rows = list(events.itertuples())
    own = log.tables["vehicles"].set_index("vehicle")["distance_unit"].dropna()
    shows = {unit: Show(replace(show.units, distance=unit)) for unit in DISTANCE_KM}  # a vehicle's odometer counts in its own unit
    shown = [shows.get(own.get(row.vehicle), show) for row in rows]
    return events.assign(
        summary=[_summary(row) for row in rows],
        description=["\n".join(_description(row, log, by, confidence)) for row, by in zip(rows, shown, strict=True)],
        category=[_category(row) for row in rows],
    )


def _summary(row):
    kind = REASONS.get(row.what) or KINDS.get(row.what, clean(row.what))
    what = task_name(row.task) if row.what in ("task", "recheck", "certificate", "expired-certificate") else clean(row.task, 60)
    where = f" ({clean(row.position, 40)})" if row.position else ""
    return f"{clean(row.vehicle, 60)}: {f'{kind}: ' if kind else ''}{what}{where}"


def _category(row):
    return "not to be driven" if row.what in REASONS else STATES[row.state].split(" ", 1)[-1]


def _description(row, log, show, confidence):
    yield f"On {show.date(log.as_of)} {_category(row)}."
    if row.what == "task":
        percent = f"{number(100 * confidence)}%"
        said = when(row, log, show)
        yield said[:1].upper() + said[1:] + (f" ({percent} interval)." if "likely" in said else ".")
        if pd.notna(row.first_limit) and row.first_limit:
            yield f"What came or comes first: {row.first_limit}."
    elif pd.notna(row.note) and row.note:
        yield clean(row.note, 400)
    yield HANDBOOK
