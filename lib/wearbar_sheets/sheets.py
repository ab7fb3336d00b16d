"""Visit sheets as one page, and beside it the rows to fill in."""

from pathlib import Path

import pandas as pd
from markupsafe import Markup

from wearbar.outlook.visit_sheet import visits_of
from wearbar.report import report as reports
from wearbar.report.quantities import Show, clean
from wearbar.report.template import page_of
from wearbar.report.to_fill import write_to_fill
from wearbar.report.words import sheet as wording
from wearbar_sheets.record import is_filled, refused

BLOCKS = ("head", "before", "work", "readings", "parts", "after")


def make_sheets(out, log="", due=None, units="", **parameters):
    """Write the page `out` and the CSV file of its name; gives how many rows of the log were set
    aside.

    due: sheets of all with work within so many days, a list in front; None: that of the vehicle
    whose work presses most. units: "" each odometer's own. parameters: of `reports.check`. Raises
    reports.NotDone, in one sentence; files that are there are then untouched.
    """
    page = Path(out).absolute()
    rows = page.with_suffix(".csv")
    if page.is_dir() or not page.parent.is_dir() or page == rows:
        raise refused("no_page", path=str(page), is_csv=page == rows)
    if rows.exists() and is_filled(rows):
        raise refused("filled", path=str(rows))
    whole, cut, asked = reports.check(log, units=units, **parameters)
    visits = visits_of(whole, cut.tables["vehicles"]["vehicle"], asked["confidence"], due)
    own = [_words(visit, whole) for visit in visits]  # to fill in, in the odometer's own units
    shown = [_words(visit, whole, units) for visit in visits] if units else own
    half = [path.with_name(f".{path.name}.wearbar") for path in (page, rows)]
    half[0].write_text(_page(shown, whole, cut, due), encoding="utf-8")
    write_to_fill([(v.vehicle, told) for v, told in zip(visits, own, strict=True)], half[1])
    half[0].replace(page)
    half[1].replace(rows)
    return len(whole.set_aside)


def _words(visit, log, units=""):
    """What a visit's sheet says, and the list in front of it."""
    show = Show(log.units).with_distance(units or visit.distance_unit)
    return wording.words(visit, log, show) | {"front": wording.front(visit, log, show)}


def _page(told, log, cut, due):
    """The page's HTML. told: of `_words`."""
    sheets, front = [dict(said) for said in told], None
    if due is not None:  # each on its own pages, with what lies over all of them told once
        over = all(said["over"] for said in sheets)
        for n, said in enumerate(sheets, start=1):
            said |= {"page": f"sheet-{n}", "over": said["over"] if over and n == 1 else ""}
        until = log.as_of + pd.Timedelta(days=due)
        told = {"n": len(sheets), "of": len(cut.here), "until": until, "as_of": log.as_of}
        front = wording.line("front", show=Show(log.units), **told)
    for said in sheets:
        said |= {b: Markup(page_of("sheet.html.j2", **{**said, "block": b})) for b in BLOCKS}
    css = Markup(reports.css_of("tables", "report", "visit_sheet"))
    return page_of("sheets.html.j2", css=css, log=clean(log.name), sheets=sheets, front=front)
