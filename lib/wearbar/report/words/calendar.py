"""What the events of a calendar file say, as plain text."""

import pandas as pd

from wearbar.log.units import DISTANCE_KM
from wearbar.report.quantities import clean
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
    each = events.groupby(unit)
    said = [_told(rows, log, show.with_distance(own), confidence) for own, rows in each]
    return pd.concat(said).sort_index() if said else _told(events, log, show, confidence)


def _told(events, log, show, confidence):
    said = actionlist.told(events, show)
    rows = list(said.itertuples())
    about = {"show": show, "as_of": log.as_of, "confidence": confidence}
    texts = [when(row, log, show) if row.kind == "task" else row.evidence for row in rows]
    lines = [
        line("event", said=text, **about, **row._asdict())
        for row, text in zip(rows, texts, strict=True)
    ]
    return said.assign(
        summary=[line("event_title", **row._asdict()) for row in rows],
        description=[text.replace("\n\n", "\n") for text in lines],
        category=said["urgency"],
    )
