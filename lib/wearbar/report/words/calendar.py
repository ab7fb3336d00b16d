"""What the events of a calendar file say, as plain text."""

from dataclasses import replace

import pandas as pd

from wearbar.log.units import DISTANCE_KM
from wearbar.report.quantities import Show, clean, number
from wearbar.report.words import action_pages as actionlist
from wearbar.report.words.sheet_work import line, when


def name(log):
    """What the calendar is called."""
    return line("calendar", name=clean(log.name))


def told(events, log, show, confidence):
    """The events with `summary`, `description` (its lines apart) and `category`, the urgency.

    Distances are in the unit of the vehicle's own odometer.
    """
    unit = events["vehicle"].map(log.tables["vehicles"].set_index("vehicle")["distance_unit"])
    unit = unit.where(unit.isin(list(DISTANCE_KM)), show.units.distance)
    said = [
        _told(rows, log, Show(replace(show.units, distance=own)), confidence)
        for own, rows in events.groupby(unit)
    ]
    return pd.concat(said).sort_index() if said else _told(events, log, show, confidence)


def _told(events, log, show, confidence):
    said = actionlist.told(events, show)
    rows = list(said.itertuples())
    return said.assign(
        summary=[_summary(row) for row in rows],
        description=["\n".join(_description(row, log, show, confidence)) for row in rows],
        category=said["urgency"],
    )


def _summary(row):
    first = f"{row.urgency}: " if row.kind != "task" else ""
    return f"{clean(row.vehicle, 60)}: {first}{row.what}"


def _description(row, log, show, confidence):
    yield line("stands", day=show.date(log.as_of), stands=row.stands)
    said = when(row, log, show) if row.kind == "task" else row.evidence
    percent = f"{number(100 * confidence)}%" if row.kind == "task" and "likely" in said else ""
    yield line("said", said=said[:1].upper() + said[1:], percent=percent)
    if row.kind == "task" and pd.notna(row.first_limit) and row.first_limit:
        yield line("first_limit", limit=row.first_limit)
    yield row.todo
    yield line("handbook")
