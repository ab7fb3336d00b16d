"""What the events of a calendar file say, as plain text."""

from dataclasses import replace

import pandas as pd

from wearbar.log.units import DISTANCE_KM
from wearbar.report.quantities import Show, clean, number
from wearbar.report.words import action_pages as actionlist
from wearbar.report.words.sheet_work import line, when

__all__ = ["name", "told"]


def name(log):
    """What the calendar is called."""
    return line("calendar", name=clean(log.name))


def told(events, log, show, confidence):
    """The events with `summary`, `description` (its lines apart) and `category`, the urgency."""
    own = events["vehicle"].map(log.tables["vehicles"].set_index("vehicle")["distance_unit"])
    # a vehicle's odometer counts in its own unit
    shows = {unit: Show(replace(show.units, distance=unit)) for unit in DISTANCE_KM}
    said = [
        actionlist.told(rows, shows.get(unit, show))
        for unit, rows in events.groupby(own.fillna(""))
    ]
    said = pd.concat(said).sort_index() if said else actionlist.told(events, show)
    rows = list(said.itertuples())
    shown = [shows.get(unit, show) for unit in own]
    return said.assign(
        summary=[_summary(row) for row in rows],
        description=[
            "\n".join(_description(row, log, by, confidence))
            for row, by in zip(rows, shown, strict=True)
        ],
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
