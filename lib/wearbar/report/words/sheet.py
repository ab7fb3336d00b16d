"""What a visit sheet says, as plain text for the template, which escapes it."""

import pandas as pd

from wearbar.intervals import STALE_DAYS
from wearbar.report.quantities import clean, plain, safe
from wearbar.report.template import words_of
from wearbar.report.words import action_pages as actionlist
from wearbar.report.words import column
from wearbar.report.words.intervals import STATES
from wearbar.report.words.sheet_work import SAY, blocks, checks, have, later, line, rechecks

EXAMPLE = "EXAMPLE, NOT FOR USE"
PLACES = {"left-shoulder": "left", "right-shoulder": "right"}
PLACES |= {name: name for name in ("centre", "inner", "outer")}
UNITS_OF = {"thickness": "mm", "elongation": "%", "slack": "mm", "top-up": "mL"}
SPARE_ROWS = 2
NO_DISTANCE = ("hours", "none")  # meters


def own_show(visit, show, asked=""):
    """The reader's units; distances as the vehicle's odometer has them unless asked otherwise."""
    return show.with_distance(asked or visit.distance_unit)


def headline(visit):
    """(sentence, urgency): what stops the vehicle, and how much work waits."""
    counts = visit.tasks["state"].value_counts()
    waits = [s for s in ("past-window", "due", "in-window", "not-known") if counts.get(s)]
    due = [{"n": counts[s], "what": STATES[s][2:]} for s in waits]
    work = SAY("work", due=due, has_plan=visit.has_plan)
    held = [actionlist.what(row) for row in visit.dangers.itertuples()]
    if held:
        return SAY("stopped", vehicle=visit.vehicle, held=held, work=work), "now"
    urgency = "now" if counts.get("past-window") else "soon" if due else "note"
    work = work[:1].lower() + work[1:]
    return (
        f"{safe(visit.vehicle)}: {work} {actionlist.SAY('clear', missing=visit.missing)}",
        urgency,
    )


def words(visit, log, show):
    """Everything that the sheet's template prints."""
    boxes = _meters(visit, show)
    said = line("odometer", show=show, visit=visit, boxes=boxes, stale=STALE_DAYS)
    no_plan = plain(words_of("interval_compliance")("no_plan", log=log))
    return {
        "head": _head(visit, log, show),
        "dangers": _told(visit.dangers, show),
        "clear": plain(actionlist.SAY("clear", missing=visit.missing).replace("**", "")),
        "blind": plain(actionlist.SAY("blind", missing=visit.missing)),
        "others": [f"{what}: {stands}" for what, stands in _told(visit.others, show)],
        "odometer": {"boxes": boxes, "said": said, "is_stale": visit.last.is_stale},
        "example": EXAMPLE if visit.is_example else "",
        "blocks": blocks(visit, log, show),
        "later": later(visit, log, show),
        "nothing": line("nothing", show=show, visit=visit) if visit.has_plan else no_plan,
        "have": have(visit),
        "worn": _cells(visit.worn, "worn", ("part", "state", "read", "limit", "look"), show=show),
        "reads": [_read(row, log.as_of, show) for row in visit.reads.to_dict("records")],
        "no_reads": line("no_reads", has_parts=visit.has_parts, boxes=boxes),
        "changes": _cells(
            visit.changes, "change", ("where", "part", "since"), show=show, boxes=boxes
        ),
        "spare": range(SPARE_ROWS),
        "depth": _depth(show),
        "unit": "" if visit.meter in NO_DISTANCE else show.units.distance,
        "rechecks": rechecks(visit, show),
        "checks": checks(visit),
        "laid_up": line("laid_up", show=show, stay=visit.laid_up),
    }


def _cells(rows, table, columns, **more):
    """The cells of a printed table, a tuple a row: each a block named `table` and its column."""
    return list(zip(*(column(SAY, f"{table}_{c}", rows, **more) for c in columns), strict=True))


def _head(visit, log, show):
    day, name = show.date(log.as_of), clean(visit.vehicle, 60)
    return {
        "vehicle": name,
        "what": line("about", visit=visit),
        "log": line("made", log=clean(log.name), day=day, fingerprint=log.sha256[:12]),
        "gone": line("gone", show=show, day=visit.disposed),
        "foot": _in_css(f"{name}, {day}{f' - {EXAMPLE}' if visit.is_example else ''}"),
    }


def _in_css(text):
    """Text for a string in a style: all but plain letters and digits as their numbers."""
    return "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in text)


def _meters(visit, show):
    """(name, unit) of each of the vehicle's meters."""
    distance, hours = ("Odometer", show.units.distance), ("Hour meter", "h")
    return {"hours": [hours], "both": [distance, hours], "none": []}.get(visit.meter, [distance])


def _told(rows, show):
    """(what, how it stands and what to do) of rows of the action list."""
    laid_up = {True: f"; {actionlist.LAID_UP}", False: ""}
    said = actionlist.told(rows, show).itertuples()
    return [(row.what, f"{row.evidence}{laid_up[row.is_laid_up]}. {row.todo}") for row in said]


def _read(row, as_of, show):
    """One reading to take: where, what, the last one, the limit, blanks, boxes to tick."""
    unit = UNITS_OF | {"depth": _depth(show), "pressure": show.units.pressure}
    unit, names = unit.get(row["quantity"]), ("where", "what", "last", "limit")
    said = {name: line(f"read_{name}", show=show, as_of=as_of, **row) for name in names}
    if row["category"] == "engine-oil":
        return said | {"blanks": [("level", ""), ("added", unit)], "boxes": ("cold", "hot")}
    blanks = [(PLACES.get(p, ""), unit * (p == row["places"][-1])) for p in row["places"]]
    if row["category"] == "tyre" and row["quantity"] == "depth" and pd.isna(row["made"]):
        blanks.append(("made", ""))
    return said | {"blanks": blanks, "boxes": ()}


def _depth(show):
    return "1/32 in" if show.units.depth == "in32" else "mm"
