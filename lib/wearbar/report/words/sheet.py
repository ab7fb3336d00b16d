"""What a visit sheet says, as plain text for the template, which escapes it."""

from dataclasses import replace

import pandas as pd

from wearbar.intervals import STALE_DAYS
from wearbar.report.quantities import Show, clean, number, plain, safe
from wearbar.report.template import words_of
from wearbar.report.words import action_pages as actionlist
from wearbar.report.words.action_rows import LAID_UP, what
from wearbar.report.words.intervals import STATES
from wearbar.report.words.sheet_work import (
    SAY,
    blocks,
    checks,
    have,
    in_words,
    later,
    line,
    rechecks,
)
from wearbar.report.words.wear import stands

EXAMPLE = "EXAMPLE, NOT FOR USE"
WHAT = {
    "depth": "tread depth",
    "pressure": "pressure, cold",
    "thickness": "friction material only",
    "elongation": "elongation at the tight spot",
    "slack": "slack at the tight spot",
    "top-up": "level before topping up",
}
PLACES = {"left-shoulder": "left", "right-shoulder": "right"}
PLACES |= {name: name for name in ("centre", "inner", "outer")}
UNITS_OF = {"thickness": "mm", "elongation": "%", "slack": "mm", "top-up": "mL"}
SPARE_ROWS = 2
NO_DISTANCE = ("hours", "none")  # meters
NEAR_KM = 50.0  # to the low limit: look now


def own_show(visit, show, asked=""):
    """The reader's units; distances as the vehicle's odometer has them unless asked otherwise."""
    unit = asked or visit.distance_unit or show.units.distance
    return Show(replace(show.units, distance=unit))


def headline(visit):
    """(sentence, urgency): what stops the vehicle, and how much work waits."""
    counts = visit.tasks["state"].value_counts()
    waits = [s for s in ("past-window", "due", "in-window", "not-known") if counts.get(s)]
    due = [{"n": counts[s], "what": STATES[s][2:]} for s in waits]
    work = SAY("work", due=due, has_plan=visit.has_plan)
    held = [what(row) for row in visit.dangers.itertuples()]
    if held:
        return SAY("stopped", vehicle=visit.vehicle, held=held, work=work), "now"
    urgency = "now" if counts.get("past-window") else "soon" if due else "note"
    work = work[:1].lower() + work[1:]
    return f"{safe(visit.vehicle)}: {work} {actionlist.danger_none(visit.missing)}", urgency


def words(visit, log, show):
    """Everything that the sheet's template prints."""
    return {
        "head": _head(visit, log, show),
        "dangers": _told(visit.dangers, show),
        "clear": plain(actionlist.danger_none(visit.missing).replace("**", "")),
        "blind": plain(actionlist.blind(visit.missing)),
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
        "laid_up": _laid_up(visit.laid_up, show),
    }


def _head(visit, log, show):
    n, day, name = visit.n_vehicles, show.date(log.as_of), clean(visit.vehicle, 60)
    site, chosen = clean(visit.site) if visit.site else "", line("chosen", n=n)
    return {
        "vehicle": name,
        "what": ", ".join(filter(None, (visit.kind, site, chosen))),
        "log": line("made", log=clean(log.name), day=day, fingerprint=log.sha256[:12]),
        "gone": line("gone", show=show, day=visit.disposed),
        "foot": _in_css(f"{name}, {day}{f' - {EXAMPLE}' if visit.is_example else ''}"),
    }


def _in_css(text):
    """Text for a string in a style: all but plain letters and digits as their numbers."""
    return "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in text)


def _odometer(visit, show):
    """The last reading, and what its age does to the dates."""
    last, boxes = visit.last, _meters(visit, show)
    km = pd.notna(last.odometer_km) and visit.meter not in NO_DISTANCE
    shown = [show.distance(last.odometer_km)] if km else []
    shown += [f"{number(last.hours)} h"] if pd.notna(last.hours) else []
    view = {"last": last, "shown": shown, "has_meter": bool(boxes), "stale": STALE_DAYS}
    said = line("odometer", show=show, is_gone=pd.notna(visit.disposed), **view)
    return {"boxes": boxes, "said": said, "is_stale": last.is_stale}


def _meters(visit, show):
    """(name, unit) of each of the vehicle's meters."""
    distance, hours = ("Odometer", show.units.distance), ("Hour meter", "h")
    return {"hours": [hours], "both": [distance, hours], "none": []}.get(visit.meter, [distance])


def _no_reads(visit, show):
    """That nothing is asked to be read, and why."""
    at = [name.lower() for name, _ in _meters(visit, show)] or ["day"]
    return line("no_reads", has_parts=visit.has_parts, at=at)


def _told(rows, show):
    """(what, how it stands and what to do) of rows of the action list."""
    laid_up = {True: f"; {LAID_UP}", False: ""}
    said = actionlist.told(rows, show).itertuples()
    return [(row.what, f"{row.evidence}{laid_up[row.is_laid_up]}. {row.todo}") for row in said]


def _nothing(visit, log, show):
    """That no task is due, and in the same breath what the log cannot show."""
    if not visit.has_plan:
        return plain(words_of("interval_compliance")("no_plan", log=log))
    if len(visit.tasks) or pd.notna(visit.disposed):
        return ""
    is_bare = visit.meter == "none"
    return line("nothing", show=show, last=visit.last, no_meter=is_bare, missing=visit.missing)


def _worn(row, show):
    """One part at or near its limit: (part, state, limit, last read, left)."""
    part = f"{clean(row.last_position, 40)} {clean(row.category, 40)}, {clean(row.item, 60)}"
    read = _height(row.last_height, row.quantity, show)
    place = in_words(row.last_place)
    read = line("worn_read", show=show, height=read, day=row.last_read, place=place)
    limit = f"{_height(row.limit, row.quantity, show)} ({clean(row.limit_from, 40)})"
    limit = limit if pd.notna(row.limit) else "none known"
    look = "now" if row.act_km < NEAR_KM else f"within {show.distance(row.act_km)}"
    return part, stands(row.state, row.by), read, limit, look


def _height(x, quantity, show):
    if pd.isna(x) or quantity == "depth":
        return show.depth(x)
    return f"{number(x, 1)}{'%' if quantity == 'elongation' else ' mm'}"


def _read(row, as_of, show):
    """One reading to take: where, what, the last one, the limit, blanks, boxes to tick."""
    quantity, is_oil = row.quantity, row.category == "engine-oil"
    unit = UNITS_OF | {"depth": _depth(show), "pressure": show.units.pressure}
    unit = unit.get(quantity)
    blanks = [(PLACES.get(p, ""), unit * (p == row.places[-1])) for p in row.places]
    years = (as_of - row.made).days / 365.25 if pd.notna(row.made) else None
    if row.category != "tyre" or quantity != "depth":
        years = None
    elif years is None:
        blanks.append(("made", ""))
    value = _value(row.last, quantity, show) if pd.notna(row.last) else ""
    is_doubted = bool(pd.notna(row.last_is_doubted) and row.last_is_doubted)
    last = {"value": value, "day": row.last_date, "is_oil": is_oil, "is_doubted": is_doubted}
    place = in_words(f"{clean(row.position, 40)} {row.category}", 90)
    return {
        "where": "engine oil" if is_oil else place,
        "what": line("age", quantity=WHAT[quantity], years=years),
        "last": line("last", show=show, **last),
        "limit": _limit(row, show),
        "blanks": [("level", ""), ("added", unit)] if is_oil else blanks,
        "boxes": ("cold", "hot") if is_oil else (),
    }


def _limit(row, show):
    """The limit to change at, and the legal one with its jurisdiction."""
    if pd.isna(row.limit):
        return ""
    limit, legal = (_height(x, row.quantity, show) for x in (row.limit, row.legal_limit))
    legal = legal if pd.notna(row.legal_limit) else ""
    is_same, law = row.legal_limit == row.limit, clean(row.jurisdiction, 20)
    return line("limit", limit=limit, legal=legal, law=law, is_same=is_same)


def _depth(show):
    return "1/32 in" if show.units.depth == "in32" else "mm"


def _value(x, quantity, show):
    if quantity == "pressure":
        return show.pressure(x)
    return f"{number(x)} mL" if quantity == "top-up" else _height(x, quantity, show)


def _change(row, show, meter):
    """A part that may come off: (position, part, fitted at: a distance, else a day)."""
    part = f"{in_words(row.category)}: {clean(row.item, 60)}"
    fitted = show.date(row.fitted) if pd.notna(row.fitted) and meter in NO_DISTANCE else ""
    if pd.notna(row.fitted_odometer_km):
        fitted = show.distance(row.fitted_odometer_km)
    return clean(row.position, 40), part, fitted


def _laid_up(stay, show):
    return line("laid_up", show=show, stay=stay, why=in_words(stay["reason"])) if stay else ""
