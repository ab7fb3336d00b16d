"""What the events of a calendar file say, as plain text."""

from dataclasses import replace

import pandas as pd

from wearbar.log.units import DISTANCE_KM
from wearbar.report.quantities import Show, clean, number
from wearbar.report.words import action_pages as actionlist
from wearbar.report.words.sheet_work import when

__all__ = ["name", "told"]

HANDBOOK = "The maker's handbook and the local law win over this calendar. It knows what the log holds and nothing else."


def name(log):
    """What the calendar is called."""
    return f"{clean(log.name)}: what is due"


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
    yield f"On {show.date(log.as_of)}: {row.stands}."
    if row.kind == "task":
        percent = f"{number(100 * confidence)}%"
        said = when(row, log, show)
        yield said[:1].upper() + said[1:] + (f" ({percent} interval)." if "likely" in said else ".")
        if pd.notna(row.first_limit) and row.first_limit:
            yield f"What came or comes first: {row.first_limit}."
    else:
        yield f"{row.evidence[:1].upper()}{row.evidence[1:]}."
    yield row.todo
    yield HANDBOOK
