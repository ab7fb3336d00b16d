"""What a report notebook calls: open the log, say, show a table or a figure, record a finding, tell how it was made.

Everything is shown by Jupyter's display messages, so that a notebook run by hand and one run by `wearbar pack` read the same. What the
pack collects (findings, headlines, the whole of each table) rides in the same messages, under types of our own.
"""

import base64
import datetime
import html
import importlib.metadata
import math
import numbers
import platform
import re
import sys
from dataclasses import asdict, dataclass, field, is_dataclass, replace
from functools import cached_property

import pandas as pd
from IPython.display import display

from wearbar import log as logs
from wearbar import usage
from wearbar.log import places
from wearbar.log.units import DISTANCE_KM
from wearbar.report import tables
from wearbar.report.quantities import MISSING, Show, clean, listing, number, plain, plural

__all__ = [
    "FINDING",
    "HEADLINE",
    "STYLE",
    "TABLE",
    "URGENCY",
    "NotDone",
    "Report",
    "check",
    "open_report",
    "rows_of",
    "versions",
]

FINDING = "application/vnd.wearbar.finding+json"
HEADLINE = "application/vnd.wearbar.headline+json"
STYLE = "application/vnd.wearbar.style+json"
TABLE = "application/vnd.wearbar.table+json"
URGENCY = {"now": "Act now", "soon": "Coming up", "note": "To know"}
LIBRARIES = ("wearbar", "numpy", "pandas", "scipy", "statsmodels", "matplotlib", "seaborn")


class NotDone(ValueError):
    """A request that cannot be met; the message is one sentence for the person who asked."""


@dataclass(frozen=True)
class Report:
    """One report in the making.

    name: the notebook's, as in `interval_compliance`. log: cut to the vehicles asked for. whole: the log before the cut.
    show: the reader's units. confidence: of every interval. parameters: as asked for, ready for JSON.
    """

    name: str
    log: logs.ServiceLog
    whole: logs.ServiceLog
    show: Show
    confidence: float
    parameters: dict = field(default_factory=dict)

    @cached_property
    def readings(self):
        """`usage.readings` of the log."""
        return usage.readings(self.log)

    def say(self, text):
        """Show Markdown: a sentence or more from `wording`. Nothing is shown for an empty text."""
        if text:
            _send({"text/markdown": text, "text/plain": plain(text)})

    def headline(self, text, urgency="note"):
        """Show a sentence that also heads the pack's first page. urgency: "now" (act now), "soon" (coming up) or "note"."""
        from nbconvert.filters import markdown2html

        told, said = {"text": text, "urgency": urgency}, f"**{URGENCY[urgency]}:** {text}"
        _send(
            {
                "text/html": f'<div class="headline {urgency}">{markdown2html(said)}</div>',
                "text/markdown": said,
                "text/plain": plain(text),
                HEADLINE: told,
            }
        )

    def table(self, frame, caption, name="", columns=None, note="", missing="–", rows=15, empty=""):
        """Show a frame as a table; with a `name`, its rows also become tables/<report>-<name>.csv in the pack.

        columns: column's name to heading, in order; default, all of them under their own names. A heading may be (heading, unit) where the
            name does not end with the unit. A key may be a tuple of columns: (value, low, high) print as one cell "value (low to high)",
            (low, high) as "low to high". Units: see `wording.scales.SCALES`; numbers are turned into the reader's. Text is given as it is
            in the log: cells are escaped here.
        missing: what an empty cell says. empty: said in place of a table without rows, else nothing is shown.
        rows: more than these go behind a "Show the other"; 0 makes the CSV alone.
        """
        heads = tables.heads_of(frame, columns, self.show)
        told = (
            {TABLE: {"name": f"{self.name}-{name}", "csv": tables.csv_of(frame, heads)}}
            if name
            else {}
        )
        if not len(frame) or not rows:
            page = f'<p class="wb-none">{_text(empty)}</p>' if empty else "<span hidden></span>"
            _send({"text/html": page, "text/plain": plain(empty), **told})
            return
        page = tables.html_of(frame, heads, plain(caption), missing, rows) + (
            f'<p class="wb-note">{_text(note)}</p>' if note else ""
        )
        _send(
            {
                "text/html": page,
                "text/plain": f"{plain(caption)}: {plural(len(frame), 'row')}",
                **told,
            }
        )

    def view(self, name, frame, **more):
        """Show a frame as the table `name` that shared/words/<report>.toml describes."""
        self.table(frame, **tables.view_of(self.name, name, frame, self.show) | more)

    def figure(self, figure, alt, caption=""):
        """Show a matplotlib figure as a PNG with its alternative text, then clear it."""
        from wearbar.report.charts.style import SCREEN_DPI, png

        width = round(SCREEN_DPI * figure.get_figwidth())
        picture = base64.b64encode(png(figure)).decode()
        under = f"<figcaption>{_text(caption)}</figcaption>" if caption else ""
        page = f'<figure class="wb-figure"><img width="{width}" alt="{_text(alt)}" src="data:image/png;base64,{picture}">{under}</figure>'
        _send({"text/html": page, "text/plain": plain(alt)})

    def fill(self, template, block, words):
        """Show a Jinja template of shared/report, told which `block` of it is wanted, filled with `words`: plain text, which it escapes."""
        markup = _filled(template, {**words, "block": block})
        _send(
            {
                "text/html": markup,
                "text/plain": html.unescape(" ".join(re.sub(r"<[^>]*>", " ", markup).split())),
            }
        )

    def finding(self, name, value, unit="", note="", rows=None):
        """Record a result for findings.json, in SI; nothing is shown. `value`: an `Estimate`, a number, a text, a date, yes/no or None.

        rows: a frame that a later report needs whole, such as the counts of each vehicle; its text stays as it is in the log.
        """
        told = asdict(value) if is_dataclass(value) else {"value": value}
        told = {key: _json(x) for key, x in told.items()}
        told |= {
            "name": name,
            "unit": unit or told.get("unit", ""),
            "note": note or told.get("note", ""),
        }
        if rows is not None:
            told["rows"] = [
                {k: x if isinstance(x, str) else _json(x) for k, x in row.items()}
                for row in rows.to_dict("records")
            ]
        _send({FINDING: told, "text/html": "<span hidden></span>", "text/plain": ""})

    def provenance(self):
        """Show what the report was made from and with: log, rows, parameters, versions."""
        log = self.whole
        asked = "; ".join(
            f"{k} {_asked(v)}" for k, v in self.parameters.items() if v not in ("", [])
        )
        facts = {
            "Log": clean(log.name),
            "Fingerprint (SHA-256)": log.sha256 or MISSING,
            "Record": f"{self.show.date(log.first_day)} to {self.show.date(log.as_of)}",
            "Rows": rows_of(log),
            "Money": f"{log.money} of recoverable tax"
            if log.money
            else "the log does not say whether net or gross",
            "Vehicles reported": f"{len(self.log.tables['vehicles']):,} of {len(log.tables['vehicles']):,}",
            "Asked for": asked,
            "Made with": ", ".join(f"{k} {v}" for k, v in versions().items() if _is_in_use(k)),
        }
        items = "".join(
            f"<div><dt>{_text(k)}</dt><dd>{_text(v)}</dd></div>" for k, v in facts.items()
        )
        _send(
            {
                "text/html": f'<dl class="wb-facts">{items}</dl>',
                "text/plain": "\n".join(f"{k}: {v}" for k, v in facts.items()),
            }
        )


def check(log="", as_of="", site="", vehicle=(), confidence=0.9, units=""):
    """The log asked for, whole and cut: (ServiceLog, ServiceLog of the vehicles asked for).

    log: folder, workbook or database address, "" the fleet demo. as_of: last day to count, "" the log's own. site: "" all. vehicle: names,
    none is all. confidence: of intervals. units: mi or km to read in, "" the log's own.
    Raises NotDone, one sentence, for what cannot be, naming what can; the log's own errors are ValueErrors too.
    """
    if (
        isinstance(confidence, bool)
        or not isinstance(confidence, numbers.Real)
        or not 0.5 <= confidence < 1
    ):
        raise NotDone(
            f"confidence is {confidence!r}; give a share from 0.5 up to but not including 1, such as 0.9"
        )
    if units and units not in DISTANCE_KM:
        raise NotDone(f"units is {units!r}; give mi or km, or nothing for the log's own")
    whole = logs.read_log(log or places.place("data", "fleet"), as_of=_day(as_of))
    dated = whole.ledger[
        ~whole.ledger["table"].isin(["vehicles", "limits", "budget"])
    ]  # these have no day to be after
    if dated["after"].sum() and not dated["used"].sum():
        raise NotDone(
            f"nothing in the log is as old as as_of {as_of}; give a later day, or none for the log's own"
        )
    kept = _kept(whole, site, _names(vehicle))
    return whole, whole if kept is None else whole.only(kept)


def open_report(name, log="", as_of="", site="", vehicle=(), confidence=0.9, units="", **own):
    """Read the log and begin a report; shows whose log it is and what is counted. Parameters and errors: see `check`.

    own: parameters of this report alone, to be told with the others where they are not empty.
    """
    whole, cut = check(log, as_of, site, vehicle, confidence, units)
    show = Show(replace(whole.units, distance=units or whole.units.distance))
    asked = {
        "as_of": as_of,
        "site": site,
        "vehicle": _names(vehicle),
        "confidence": confidence,
        "units": units,
    }
    asked |= {key: value for key, value in own.items() if value}
    report = Report(name, cut, whole, show, confidence, asked)
    _begin(report)
    return report


def rows_of(log):
    """What became of the log's rows, in words."""
    count = log.ledger[["read", "used", "set_aside", "after"]].sum()
    ends = f"{count['used']:,} used, {count['set_aside']:,} set aside, {count['after']:,} after the report date"
    return f"{plural(count['read'], 'row')} read: {ends}"


def versions():
    """Library to version, for all that a number or a figure may hang on."""
    return {
        "Python": platform.python_version(),
        **{name: importlib.metadata.version(name) for name in LIBRARIES},
    }


def _is_in_use(library):
    return library == "Python" or library in sys.modules


def _filled(template, words):
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    shared = FileSystemLoader(places.place("shared", "report"))
    page = Environment(loader=shared, autoescape=True, undefined=StrictUndefined).get_template(
        template
    )
    return page.render(words).strip()


def _begin(report):
    styles = [places.place("shared", "report", f"{name}.css") for name in ("tables", report.name)]
    style = "\n".join(path.read_text(encoding="utf-8") for path in styles if path.is_file())
    _send({"text/html": f"<style>{style}</style>", "text/plain": "", STYLE: {}})
    vehicles = plural(len(report.log.tables["vehicles"]), "vehicle")
    where = f"site {_text(clean(report.parameters['site']))}" if report.parameters["site"] else ""
    span = f"{report.show.date(report.log.first_day)} to {report.show.date(report.log.as_of)}"
    ranges = f"any range at {number(100 * report.confidence)}% unless a note says otherwise"
    parts = [f"<b>{_text(clean(report.log.name))}</b>", span, vehicles, where, ranges]
    line = ' <span aria-hidden="true">·</span> '.join(p for p in parts if p)
    _send(
        {
            "text/html": f'<p class="wb-about">{line}</p>',
            "text/plain": f"{clean(report.log.name)}, {span}, {vehicles}",
        }
    )


def _send(bundle):
    display(bundle, raw=True)


def _text(text):
    """Text for HTML: what `safe` made harmless for Markdown is undone first, so that nothing is escaped twice."""
    return html.escape(plain(text))


def _day(as_of):
    if not as_of:
        return None
    try:
        return pd.Timestamp(datetime.date.fromisoformat(str(as_of)))
    except ValueError:
        raise NotDone(f"as_of is {as_of!r}; give a day as YYYY-MM-DD, such as 2026-10-31") from None


def _names(vehicle):
    return [vehicle] if isinstance(vehicle, str) else list(vehicle)


def _kept(whole, site, wanted):
    """Vehicles that the report is about; None where it is about all."""
    fleet = whole.tables["vehicles"]["vehicle"]
    _known("vehicle", wanted, fleet)
    if not site:
        return wanted or None
    based = usage.site_at(whole, fleet, [whole.as_of] * len(fleet))
    _known("site", [site], based)
    kept = [
        v for v, at in zip(fleet, based, strict=True) if at == site and (not wanted or v in wanted)
    ]
    if not kept:
        raise NotDone(
            f"no vehicle of {clean(listing(wanted))} is based at {clean(site)}; leave out the site or the vehicles"
        )
    return kept


def _known(what, wanted, have):
    have = sorted(set(have.dropna()))
    lost = [w for w in wanted if w not in have]
    if lost:
        some = clean(listing([clean(h, 40) for h in have], most=12), 600) if have else f"no {what}"
        raise NotDone(f"the log has no {what} {clean(listing(lost))}; it knows {some}")


def _asked(value):
    return clean(listing(value) if isinstance(value, list) else value)


def _json(x):
    """A value as JSON has it: no infinity, no NaN, eight significant digits."""
    if x is None or (pd.api.types.is_scalar(x) and pd.isna(x)):
        return None
    if isinstance(x, (pd.Timestamp, datetime.date)):
        return f"{x:%Y-%m-%d}"
    if pd.api.types.is_bool(x):
        return bool(x)
    if isinstance(x, numbers.Integral):
        return int(x)
    if isinstance(x, numbers.Real):
        return float(f"{x:.8g}") if math.isfinite(x) else None
    return clean(x, 2000)
