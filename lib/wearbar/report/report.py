"""What a report notebook calls: open the log, say, show a table or a figure, record a finding.
Everything is shown by Jupyter's display messages, so that a notebook run by hand and one run by
`wearbar pack` read the same. What the pack collects rides in them, under types of our own."""

import base64
import datetime
import html
import json
import math
import numbers
import platform
import re
import sys
from dataclasses import asdict, dataclass, field, is_dataclass
from functools import cache
from importlib.metadata import version

import pandas as pd
from IPython.display import display

from wearbar import log as logs
from wearbar import usage
from wearbar.cost.household import is_household
from wearbar.log import places
from wearbar.log.units import DISTANCE_KM, is_example
from wearbar.report import tables
from wearbar.report.quantities import MISSING, Show, clean, listing, number, plain, plural
from wearbar.report.template import page_of

FINDING = "application/vnd.wearbar.finding+json"
HEADLINE = "application/vnd.wearbar.headline+json"
SINCE = "application/vnd.wearbar.since+json"  # text, of what has changed, for the first page
STYLE = "application/vnd.wearbar.style+json"
TABLE = "application/vnd.wearbar.table+json"
URGENCY = {"now": "Act now", "soon": "Coming up", "note": "To know"}
LIBRARIES = ("wearbar", "numpy", "pandas", "scipy", "statsmodels", "matplotlib", "seaborn")
UNDATED = ["vehicles", "limits", "budget", "price_index"]  # tables without a day to be after
HIDDEN = "<span hidden></span>"
# (address, as_of as asked for) to the log read for this process and those copied from it
READ = {}


class NotDone(ValueError):
    """A request that cannot be met; the message is one sentence for the person who asked."""

    _render_traceback_ = logs.LogError._render_traceback_


@dataclass(frozen=True)
class Report:
    """One report in the making."""

    name: str  # the notebook's, as in `interval_compliance`
    log: logs.ServiceLog  # cut to the vehicles asked for
    whole: logs.ServiceLog  # before the cut
    show: Show  # the reader's units
    confidence: float  # of every interval
    parameters: dict = field(default_factory=dict)  # as asked for, ready for JSON

    def say(self, text, kind=""):
        """Show Markdown: a sentence or more from `report.words`; nothing for an empty text. kind:
        under which type the pack collects it, such as `SINCE`; "" none."""
        if text:
            told = {kind: {"text": text}} if kind else {}
            display({"text/markdown": text, "text/plain": plain(text)} | told, raw=True)

    def headline(self, text, urgency="note"):
        """Show a sentence that also heads the pack's first page. urgency: a key of `URGENCY`."""
        from nbconvert.filters import markdown2html

        said = f"**{URGENCY[urgency]}:** {text}"
        page = f'<div class="headline {urgency}">{markdown2html(said)}</div>'
        told = {"text/markdown": said, HEADLINE: {"text": text, "urgency": urgency}}
        _show(page, plain(text), told)

    def table(
        self, frame, caption, name="", columns=None, note="", missing="–", rows=15, empty="",
        adds=(), total=(), live=(),
    ):  # fmt: skip
        """Show a frame; with a `name` it is also tables/<report>-<name>.csv of the pack.

        columns: column's name to heading, in order, or to (heading, unit) where the name does not
            end with the unit; a key (value, low, high) prints as one cell "value (low to high)",
            (low, high) as "low to high". Default: all. Numbers are turned into the reader's units.
        missing: what an empty cell says. empty: said in place of a table without rows. rows: more
            go behind a "Show the other"; 0 makes the CSV alone. adds: columns whose sums stand in a
            last row, "all"; total: its other cells. live: formulas in a workbook, by column.
        """
        heads, caption = tables.heads_of(frame, columns, self.show), plain(caption)
        total = tables.all_of(frame, heads, adds, dict(total))
        csv = tables.csv_of(frame, heads) + tables.csv_of(total, heads).partition("\n")[2]
        file = {"name": f"{self.name}-{name}", "csv": csv, "caption": caption}
        columns = tables.columns_of(frame, heads, adds if len(total) else (), live)
        file["columns"] = json.dumps(columns)  # one line of a notebook
        told = {TABLE: file} if name else {}
        if not len(frame) or not rows:
            said = html.escape(plain(empty))
            _show(f'<p class="wb-none">{said}</p>' if said else HIDDEN, plain(empty), told)
            return
        if len(frame) == 1 and is_household(self.whole):
            facts = {head.label: head.cells(frame, missing)[0] for head in heads}
            told_of = {"facts": facts, "caption": caption, "note": plain(note)}
            page = page_of("shown.html.j2", block="facts", **told_of)
        else:
            page = tables.html_of(frame, heads, caption, missing, rows, plain(note), total)
        _show(page, f"{caption}: {plural(len(frame), 'row')}", told)

    def view(self, name, frame, **more):
        """Show a frame as the table `name` that shared/tables/<report>.toml describes; a column
        marked site? only where the log has several."""
        hide = ["site"] if self.whole.tables["vehicles"]["site"].nunique() < 2 else []
        self.table(**tables.view_of(self.name, name, frame, self.show, hide) | more)

    def figure(self, figure, alt, caption=""):
        """Show a matplotlib figure as a PNG with its alternative text."""
        from wearbar.report.charts.style import SCREEN_DPI, png

        width, alt = round(SCREEN_DPI * figure.get_figwidth()), plain(alt)
        told = {"width": width, "alt": alt, "caption": plain(caption)}
        source = base64.b64encode(png(figure)).decode()
        _show(page_of("shown.html.j2", block="figure", png=source, **told), alt)

    def fill(self, template, block, words):
        """Show one `block` of a template of shared/report, filled with `words`: plain text."""
        markup = page_of(template, **{**words, "block": block}).strip()
        _show(markup, html.unescape(" ".join(re.sub(r"<[^>]*>", " ", markup).split())))

    def finding(self, name, value, unit="", note="", rows=None):
        """Record a result for findings.json, in SI; nothing is shown. value: an `Estimate`, a
        number, a text, a date, yes/no or None. rows: a frame that a later report needs whole, such
        as the counts of each vehicle; its text stays as in the log."""
        told = finding_of(value, unit, note) | {"name": name}
        if rows is not None:
            told["rows"] = records_of(rows)
        _show(HIDDEN, "", {FINDING: told})

    def provenance(self):
        """Show what the report was made from and with: log, rows, parameters, versions."""
        log = self.whole
        made = [f"{k} {v}" for k, v in versions().items() if k == "Python" or k in sys.modules]
        n, n_all = (len(x.tables["vehicles"]) for x in (self.log, log))
        net = f"{log.money} of recoverable tax" if log.money else ""
        facts = {
            "Log": clean(log.name),
            "Fingerprint (SHA-256)": log.sha256 or MISSING,
            "Record": span_of(log, self.show, f"{self.show.date(log.first_day)} to"),
            "Rows": rows_of(log),
            "Money": net or "the log does not say whether net or gross",
            "Vehicles reported": f"{n:,} of {n_all:,}",
            "Asked for": said_of(self.parameters),
            "Made with": ", ".join(made),
        }
        page = page_of("shown.html.j2", block="facts", facts=facts)
        _show(page, "\n".join(f"{k}: {v}" for k, v in facts.items()))


def finding_of(value, unit="", note=""):
    """A result as findings.json has it: see `Report.finding`."""
    told = asdict(value) if is_dataclass(value) else {"value": value}
    told = {key: _json(x) for key, x in told.items()}
    return told | {"unit": unit or told.get("unit", ""), "note": note or told.get("note", "")}


def records_of(rows):
    """The rows of a frame as JSON has them: text as it is, lists of text too."""
    return [
        {k: x if isinstance(x, str | list) else _json(x) for k, x in row.items()}
        for row in rows.to_dict("records")
    ]


def said_of(asked, unsaid=("", [])):
    """The parameters in words, but for those of a value that is `unsaid`."""
    told = ((key, x) for key, x in asked.items() if x not in unsaid)
    return "; ".join(f"{key} {clean(listing(x) if isinstance(x, list) else x)}" for key, x in told)


def check(log="", as_of="", site="", vehicle=(), confidence=0.9, units=""):
    """What every report may be asked for: (ServiceLog, that of the vehicles asked for, the asked).

    log: folder, workbook or database address, "" the fleet demo. as_of: last day to count, "" the
    log's own. site: with any capitals, "" all. vehicle: names, none is all. confidence: of
    intervals. units: mi or km to read in, "" the log's own. The asked: all these but the log, ready
    for JSON. Raises NotDone, one sentence that names what can be; the log's errors are ValueErrors.
    """
    if not (isinstance(confidence, numbers.Real) and 0.5 <= confidence < 1):
        may = "give a share from 0.5 up to but not including 1, such as 0.9"
        raise NotDone(f"confidence is {confidence!r}; {may}")
    if units and units not in DISTANCE_KM:
        raise NotDone(f"units is {units!r}; give mi or km, or nothing for the log's own")
    try:
        day = pd.Timestamp(datetime.date.fromisoformat(str(as_of))) if as_of else None
    except ValueError:
        raise NotDone(f"as_of is {as_of!r}; give a day as YYYY-MM-DD, such as 2026-10-31") from None
    whole = READ.get((str(log), as_of))
    whole = whole or logs.read_log(log or places.place("data", "fleet"), as_of=day)
    dated = whole.ledger[~whole.ledger["table"].isin(UNDATED)]
    if dated["after"].sum() and not dated["used"].sum():
        may = "give a later day, or none for the log's own"
        raise NotDone(f"nothing in the log is as old as as_of {as_of}; {may}")
    vehicle = [vehicle] if isinstance(vehicle, str) else list(vehicle)
    asked = {"as_of": as_of, "site": site, "vehicle": vehicle}
    asked |= {"confidence": confidence, "units": units}
    fleet, kept = whole.tables["vehicles"]["vehicle"], vehicle
    _known("vehicle", vehicle, fleet)
    if site:
        based = pd.Series(usage.site_at(whole, fleet, [whole.as_of] * len(fleet)), fleet.index)
        site = asked["site"] = _alike(site.strip(), based)
        _known("site", [site], based)
        kept = [v for v in fleet[based == site] if not vehicle or v in vehicle]
        if not kept:
            none = f"no vehicle of {clean(listing(vehicle))} is based at {clean(site)}"
            raise NotDone(f"{none}; leave out the site or the vehicles")
    return whole, whole.only(kept) if site or vehicle else whole, asked


def open_report(name, log="", as_of="", site="", vehicle=(), confidence=0.9, units="", **own):
    """Read the log and begin a report; shows whose log it is and what is counted: see `check`. own:
    parameters of this report alone, to be told with the others where they are not empty."""
    whole, cut, asked = check(logs.sought(log), as_of, site, vehicle, confidence, units)
    show, title = Show(whole.units).with_distance(units), clean(cut.name)
    _show(f"<style>{css_of('tables', name)}</style>", "", {STYLE: {}})
    vehicles = plural(len(cut.tables["vehicles"]), "vehicle")
    where = [f"site {clean(site)}"] if site else []
    span = span_of(cut, show, f"{show.date(cut.first_day)} to")
    ranges = f"any range at {number(100 * confidence)}% unless a note says otherwise"
    if any(map(is_example, cut.plan_or_empty.tasks["source"])):
        where.append("the plan's figures: EXAMPLE, NOT FOR USE")
    page = page_of("shown.html.j2", block="about", told=[title, span, vehicles, *where, ranges])
    _show(page, f"{title}, {span}, {vehicles}")
    asked |= {key: value for key, value in own.items() if value}
    return Report(name, cut, whole, show, confidence, asked)


def span_of(log, show, to="to"):
    """The report date in words behind `to`; where the log ends before it, both days."""
    if log.ends < log.as_of:
        return f"as of {show.date(log.as_of)}; the log ends {show.date(log.ends)}"
    return f"{to} {show.date(log.as_of)}"


def css_of(*sheets):
    """Those style sheets of shared/report that there are, one after another."""
    paths = [places.place("shared", "report", f"{sheet}.css") for sheet in sheets]
    return "\n".join(path.read_text(encoding="utf-8") for path in paths if path.is_file())


def rows_of(log):
    """What became of the log's rows, in words."""
    read, used, aside, after = log.ledger[["read", "used", "set_aside", "after"]].sum()
    ends = f"{aside:,} set aside, {after:,} after the report date"
    return f"{plural(read, 'row')} read: {used:,} used, {ends}"


_version = cache(version)


def versions():
    """Library to version, for all that a number or a figure may hang on."""
    return {"Python": platform.python_version()} | {name: _version(name) for name in LIBRARIES}


def _show(page, text, more=None):
    """Show HTML, as `text` where there is none; `more`: what the pack collects, by its type."""
    display({"text/html": page, "text/plain": text, **(more or {})}, raw=True)


def _known(what, wanted, have):
    have = sorted(set(have.dropna()))
    if lost := [w for w in wanted if w not in have]:
        some = clean(listing([clean(h, 40) for h in have], most=12), 600) if have else f"no {what}"
        raise NotDone(f"the log has no {what} {clean(listing(lost))}; it knows {some}")


def _alike(site, have):
    """The site as the log writes it, with other capitals perhaps; NotDone where several are so."""
    alike = sorted({h for h in have.dropna() if h.casefold() == site.casefold()} - {site})
    if len(alike) > 1 and not have.eq(site).any():
        alike = clean(listing(alike, "or"))
        raise NotDone(f"{clean(site)} may be {alike}, which differ by capitals alone; give one")
    return site if have.eq(site).any() else "".join(alike) or site


def _json(x):
    """A value as JSON has it: no infinity, no NaN, eight significant digits."""
    if pd.api.types.is_scalar(x) and pd.isna(x):
        return None
    if isinstance(x, datetime.date):
        return f"{x:%Y-%m-%d}"
    if pd.api.types.is_bool(x):
        return bool(x)
    if isinstance(x, numbers.Integral):
        return int(x)
    if isinstance(x, numbers.Real):
        return float(f"{x:.8g}") if math.isfinite(x) else None
    return clean(x, 2000)
