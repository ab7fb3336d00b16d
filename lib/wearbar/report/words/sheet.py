"""What a visit sheet says, as plain text for the template, which escapes it: lines, boxes to tick, blanks to fill in."""

from dataclasses import replace

import pandas as pd

from wearbar.intervals import STALE_DAYS
from wearbar.report.quantities import Show, clean, listing, number, plain, plural, safe
from wearbar.report.words import action_pages as actionlist
from wearbar.report.words.blind import BLIND, danger_none
from wearbar.report.words.intervals.today import STATES, no_plan
from wearbar.report.words.sheet_work import blocks, checks, have, later, rechecks
from wearbar.report.words.wear import STATE

__all__ = ["headline", "own_show", "words"]

EXAMPLE = "EXAMPLE, NOT FOR USE"
WHAT = {
    "depth": "tread depth",
    "pressure": "pressure, cold",
    "thickness": "friction material only",
    "elongation": "elongation at the tight spot",
    "slack": "slack at the tight spot",
    "top-up": "level before topping up",
}
PLACES = {
    "left-shoulder": "left",
    "centre": "centre",
    "right-shoulder": "right",
    "inner": "inner",
    "outer": "outer",
}
UNITS_OF = {"thickness": "mm", "elongation": "%", "slack": "mm", "top-up": "mL"}
SPARE_ROWS = 2
NO_DISTANCE = ("hours", "none")  # meters
NEAR_KM = 50.0  # to the low limit: look now


def own_show(visit, show, asked=""):
    """The reader's units, distances in those of the vehicle's own odometer unless others were asked for."""
    unit = asked or visit.distance_unit or show.units.distance
    return Show(replace(show.units, distance=unit))


def headline(visit):
    """(sentence, urgency): what stands in the way, and how much work waits."""
    counts = visit.tasks["state"].value_counts()
    due = [
        f"{number(counts[s])} {STATES[s][2:]}"
        for s in ("past-window", "due", "in-window", "not-known")
        if counts.get(s)
    ]
    work = (
        f"Work: {listing(due)}."
        if due
        else "No task is due or may be done by this log."
        if visit.has_plan
        else no_plan_said(visit)
    )
    held = [safe(actionlist.what(row)) for row in visit.dangers.itertuples()]
    if held:
        return (
            f"{safe(visit.vehicle)} is to be seen to before it moves: {listing(held)}. {work}",
            "now",
        )
    urgency = "now" if counts.get("past-window") else "soon" if due else "note"
    return (
        f"{safe(visit.vehicle)}: {work[:1].lower()}{work[1:]} {danger_none(visit.untold)}",
        urgency,
    )


def no_plan_said(visit):
    return "The log has no maintenance plan, so no task can be said to be due."


def words(visit, log, show):
    """Everything that the sheet's template prints."""
    return {
        "head": _head(visit, log, show),
        "dangers": _told(visit.dangers, show),
        "clear": plain(danger_none(visit.untold).replace("**", "")),
        "blind": f"The log has no record of {listing(visit.untold)}: {listing([BLIND[m] for m in visit.untold])}."
        if visit.untold
        else "",
        "others": [f"{what}: {stands}" for what, stands in _told(visit.others, show)],
        "odometer": _odometer(visit, show),
        "example": EXAMPLE if visit.is_example else "",
        "blocks": blocks(visit, log, show),
        "later": later(visit, log, show),
        "nothing": _nothing(visit, log, show),
        "have": [have(row, visit) for row in visit.have.itertuples()],
        "worn": [_worn(row, show) for row in visit.worn.itertuples()],
        "reads": [_read(row, log.as_of, show) for row in visit.reads.itertuples()],
        "no_reads": _no_reads(visit, show),
        "changes": [_change(row, show, visit.meter) for row in visit.changes.itertuples()],
        "spare": range(SPARE_ROWS),
        "depth": _depth(show),
        "unit": "" if visit.meter in NO_DISTANCE else show.units.distance,
        "rechecks": rechecks(visit, show),
        "checks": checks(visit),
        "laid_up": _laid_up(visit, show),
    }


def _head(visit, log, show):
    chosen = (
        f"the vehicle with the most urgent work of {plural(visit.n_vehicles, 'vehicle')}"
        if visit.n_vehicles > 1
        else ""
    )
    parts = [visit.kind, clean(visit.site) if visit.site else "", chosen]
    gone = (
        ""
        if pd.isna(visit.disposed)
        else f"It left on {show.date(visit.disposed)}: nothing is due on it."
    )
    made = f"{clean(log.name)}, as it stood on {show.date(log.as_of)}; log's fingerprint {log.sha256[:12] or 'none'}"
    foot = f"{clean(visit.vehicle, 60)}, {show.date(log.as_of)}{f' - {EXAMPLE}' if visit.is_example else ''}"
    what = ", ".join(p for p in parts if p)
    return {
        "vehicle": clean(visit.vehicle, 60),
        "what": what,
        "log": made,
        "gone": gone,
        "foot": _in_css(foot),
    }


def _in_css(text):
    """Text for a string in a style: everything but plain letters and digits as its number, so that nothing of it can end the string."""
    return "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in text)


def _odometer(visit, show):
    """The last reading, and what its age does to the dates."""
    last, boxes = visit.last, _meters(visit, show)
    if not boxes:
        said = "It has no meter: its work goes by the date."
    elif pd.isna(last.date):
        said = (
            "The log has no reading of this vehicle: without one nothing can be told by distance."
        )
    else:
        shown = (
            [show.distance(last.odometer_km)]
            if pd.notna(last.odometer_km) and visit.meter not in NO_DISTANCE
            else []
        )
        shown += [f"{number(last.hours)} h"] if pd.notna(last.hours) else []
        said = f"Last reading: {listing(shown)} on {show.date(last.date)}, {show.days(last.days)} before the report date."
        if last.is_stale:
            said += f" It is older than {plural(STALE_DAYS, 'day')}: what hangs on distance is a range of dates until you read it again."
    return {"boxes": boxes, "said": said, "is_stale": last.is_stale}


def _meters(visit, show):
    """(name, unit) of each of the vehicle's meters."""
    distance, hours = ("Odometer", show.units.distance), ("Hour meter", "h")
    return {"hours": [hours], "both": [distance, hours], "none": []}.get(visit.meter, [distance])


def _no_reads(visit, show):
    """That nothing is asked to be read, and why."""
    at = listing([name.lower() for name, _ in _meters(visit, show)] or ["day"])
    none = "The log does not tell which parts are on"
    why = (
        "No part that the log has on is of a kind whose readings this sheet knows"
        if visit.has_parts
        else none
    )
    return f"{why}: write down what you read, where, and the {at}."


def _told(rows, show):
    """(what, how it stands and what to do) of rows of the action list."""
    said = actionlist.told(rows, show).itertuples()
    laid_up = f"; {actionlist.LAID_UP}"
    return [
        (row.what, f"{row.evidence}{laid_up if row.is_laid_up else ''}. {row.todo}") for row in said
    ]


def _nothing(visit, log, show):
    """That no task is due, and in the same breath what the log cannot show."""
    if not visit.has_plan:
        return plain(no_plan(log))
    if len(visit.tasks) or pd.notna(visit.disposed):
        return ""
    none = "for a vehicle without a meter" if visit.meter == "none" else "with no reading at all"
    last = (
        none
        if pd.isna(visit.last.date)
        else f"whose last reading is {show.days(visit.last.days)} old"
    )
    blind = f" and which has no record of {listing(visit.untold)}" if visit.untold else ""
    return f"No task is due now or soon by this log, {last}{blind}. That is not the same as a vehicle in order."


def _worn(row, show):
    """One part at or near its limit: (part, state, limit, last read, left)."""
    part = f"{clean(row.last_position, 40)} {clean(row.category, 40)}, {clean(row.item, 60)}"
    place = (
        f", lowest at {clean(row.last_place, 40).replace('-', ' ')}"
        if pd.notna(row.last_place) and row.last_place
        else ""
    )
    read = (
        f"{_height(row.last_height, row.quantity, show)} on {show.date(row.last_read)}{place}"
        if pd.notna(row.last_read)
        else "not read"
    )
    limit = (
        f"{_height(row.limit, row.quantity, show)} ({clean(row.limit_from, 40)})"
        if pd.notna(row.limit)
        else "none known"
    )
    look = f"within {show.distance(row.act_km)}" if row.act_km >= NEAR_KM else "now"
    return part, STATE[row.state], read, limit, look


def _height(x, quantity, show):
    if pd.isna(x):
        return "not known"
    return (
        f"{number(x, 1)}%"
        if quantity == "elongation"
        else show.depth(x)
        if quantity == "depth"
        else f"{number(x, 1)} mm"
    )


def _read(row, as_of, show):
    """One reading to take: where, what, the last one, the limit, blanks (label, unit), boxes to tick."""
    quantity, is_oil = row.quantity, row.category == "engine-oil"
    unit = {"depth": _depth(show), "pressure": show.units.pressure}.get(
        quantity, UNITS_OF.get(quantity)
    )
    last = (
        f"{_value(row.last, quantity, show)}, {show.date(row.last_date)}"
        if pd.notna(row.last)
        else ""
    )
    last += " (doubted)" if pd.notna(row.last_is_doubted) and row.last_is_doubted else ""
    blanks = (
        [("level", ""), ("added", unit)]
        if is_oil
        else [(PLACES.get(p, ""), unit * (p == row.places[-1])) for p in row.places]
    )
    is_tread = row.category == "tyre" and quantity == "depth"
    made = (
        f"; {(as_of - row.made).days / 365.25:.1f} years old"
        if is_tread and pd.notna(row.made)
        else ""
    )
    return {
        "where": "engine oil"
        if is_oil
        else f"{clean(row.position, 40)} {clean(row.category, 40)}".replace("-", " "),
        "what": WHAT[quantity] + made,
        "last": f"added {last}" if is_oil and last else last,
        "limit": _limit(row, show),
        "blanks": [*blanks, ("made", "")] if is_tread and not made else blanks,
        "boxes": ("cold", "hot") if is_oil else (),
    }


def _limit(row, show):
    """The limit to change at, and the legal one with its jurisdiction."""
    if pd.isna(row.limit):
        return ""
    limit = _height(row.limit, row.quantity, show)
    if pd.isna(row.legal_limit):
        return limit
    law = f"law {_height(row.legal_limit, row.quantity, show)}, {clean(row.jurisdiction, 20)}"
    return law if row.legal_limit == row.limit else f"{limit}; {law}"


def _depth(show):
    return "1/32 in" if show.units.depth == "in32" else "mm"


def _value(x, quantity, show):
    if quantity == "pressure":
        return show.pressure(x)
    return f"{number(x)} mL" if quantity == "top-up" else _height(x, quantity, show)


def _change(row, show, meter):
    """A part that may come off: (position, part, fitted at), or on what day where no distance is counted."""
    day = show.date(row.fitted) if pd.notna(row.fitted) and meter in NO_DISTANCE else ""
    fitted = show.distance(row.fitted_odometer_km) if pd.notna(row.fitted_odometer_km) else day
    return (
        clean(row.position, 40),
        f"{clean(row.category, 40).replace('-', ' ')}: {clean(row.item, 60)}",
        fitted,
    )


def _laid_up(visit, show):
    stay = visit.laid_up
    if stay is None:
        return ""
    end = "" if pd.isna(stay["to"]) else f" to {show.date(stay['to'])}"
    why = "" if pd.isna(stay["reason"]) else f" ({clean(stay['reason'], 40).replace('-', ' ')})"
    return f"Off the road from {show.date(stay['from'])}{end}{why}. The calendar ran on: do what fell due before its next use."
