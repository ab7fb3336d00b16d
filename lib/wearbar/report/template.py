"""Sentences out of templates: shared/words/NAME.md.j2 holds a block for each sentence or paragraph.

A quantity passes a filter named like the method of `report.quantities.Show` that formats it:
`{{ row.cost | money }}`, `{{ e | range("km") }}`. Whatever is put into a sentence is made harmless
for Markdown on its way (`safe`), so that no template can forget it.
"""

import html
import math
import re
from contextlib import suppress
from functools import cache

import pandas as pd
from jinja2 import Environment, FileSystemLoader, FunctionLoader, StrictUndefined, pass_context
from jinja2.bccache import FileSystemBytecodeCache
from markupsafe import Markup

from wearbar.log import places
from wearbar.report import quantities
from wearbar.report.quantities import Harmless, number, plain, plural, safe

# filters named as what they are: functions of `quantities`, methods of the reader's units (`show`)
_PLAIN = ("clean", "interval", "number", "plural")
_SHOWN = ("date", "days", "distance", "height", "money", "per_distance", "percent", "quantity")
# at the start of a line, what would begin a list, a heading or a quotation
_BEGINS = re.compile(r"^(\d+)([.)])(?=\s|$)|^([-+>#])(?=\s|$)", re.MULTILINE)
PARAGRAPH = "\x1e"  # between paragraphs while they are made; no text out of a log has it


def words_of(name, **always):
    """The blocks of shared/words/<name>.md.j2, as a function of a block's name and what it needs.

    It gives Markdown, one line a paragraph, "" where the block says nothing. always: what every
    block is given. Raises KeyError for no such block, jinja2.UndefinedError for a value not given.

    >>> words_of("example")("how_many", n=1, names=["*V01*"])
    'One vehicle is due: &#42;V01&#42;.'
    """
    return lambda block, **values: _said(name, block, always | values)


def column_of(words, block, rows, **values):
    """What a block says of each row of a frame, as plain text for a column of a table."""
    return [plain(words(block, **values, **row)) for row in records(rows)]


def records(rows):
    """The rows of a frame, a dict each."""
    return rows.to_dict("records") if len(rows) else []  # which takes its time for none too


def blocks_of(name):
    """The names of the blocks of shared/words/<name>.md.j2."""
    return list(_environment().get_template(f"{name}.md.j2").blocks)


def page_of(template, **words):
    """The HTML of shared/report/<template> filled with `words`: plain text, which it escapes."""
    return _pages().get_template(template).render(words)


class _Compiled(FileSystemBytecodeCache):
    """Templates as they were compiled, kept from run to run where the system lets a user keep them:
    compiling those of a pack takes longer than filling them."""

    def dump_bytecode(self, bucket):
        with suppress(OSError):
            super().dump_bytecode(bucket)


def _compiled():
    with suppress(OSError, RuntimeError):  # no folder of the user's own
        return _Compiled()


@cache
def _pages():
    loader = FileSystemLoader(places.place("shared", "report"))
    how = {"undefined": StrictUndefined, "autoescape": True, "bytecode_cache": _compiled()}
    made = Environment(loader=loader, **how)
    made.filters["text"] = lambda text: Markup(html.escape(text))
    return made


def coded(text, most=40):
    """A code of the log as words: "brake-pad" becomes "brake pad"."""
    return quantities.clean(text, most).replace("-", " ")


def _said(name, block, values):
    template = _environment().get_template(f"{name}.md.j2")
    made = "".join(template.blocks[block](template.new_context(values)))
    paragraphs = (" ".join(part.split()) for part in made.split(PARAGRAPH))
    text = "\n\n".join(part for part in paragraphs if part)
    return Harmless(_BEGINS.sub(lambda m: f"{m[1] or ''}&#{ord(m[2] or m[3])};", text))


@cache
def _environment():
    # without autoescape, which would let Markdown through and escape twice
    how = {"undefined": StrictUndefined, "finalize": _harmless, "autoescape": False}
    made = Environment(loader=FunctionLoader(_source), bytecode_cache=_compiled(), **how)
    made.filters |= {name: getattr(quantities, name) for name in _PLAIN}
    made.filters |= {name: _of_show(name) for name in _SHOWN}
    made.filters |= {"coded": coded, "listing": _listing, "about": _about, "each": _each}
    made.filters["range"] = _range
    made.globals["say"] = _say
    made.filters["agree"] = lambda n, one, many: one if n == 1 else many
    made.tests["known"] = lambda x: not pd.isna(x)
    made.tests["wide"] = lambda x: quantities.has_width(x.low, x.high)
    return made


def _source(name):
    path = places.place("shared", "words") / name
    text = path.read_text(encoding="utf-8")
    return re.sub(r"\n[ \t]*(?=\n)", f"\n{PARAGRAPH}", text), str(path), None


def _of_show(method):
    return pass_context(lambda context, x, *how: getattr(context.resolve("show"), method)(x, *how))


@pass_context
def _say(context, block, **more):
    """What another block of the template says of what this one was given, and of `more`."""
    return _said(context.name.removesuffix(".md.j2"), block, context.get_all() | more)


@pass_context
def _range(context, x, unit):
    """ "low to high" of an `Estimate`, or of a row that has them."""
    return context.resolve("show").range(x.low, x.high, unit)


@pass_context
def _about(context, x, what=""):
    """`about` an `Estimate` or a row with its names. what: of a count, else it is money."""
    x = x if isinstance(x, dict) else vars(x)
    say = (lambda n: plural(n, what)) if what else context.resolve("show").money
    return about(x["value"], x["low"], x["high"], say)


def about(value, low, high, say):
    """ "about 850 jobs (790 to 950)", the range rounded outwards. say: number to words, unit."""
    if math.isnan(low) or math.isnan(high):
        return Harmless(safe(f"about {say(round(value))}", starts=False))
    step = 10 ** max(-(quantities.decimals_of(low, high) or 0), 0)
    low, high = step * math.floor(low / step), step * math.ceil(high / step)
    ends = f" ({number(low)} to {number(high)})"
    if low == high:
        said, ends = say(high), ""
    elif round(value / step):
        said = f"about {say(step * round(value / step))}"
    else:
        said, ends = f"at most {say(high)}", ""
    return Harmless(safe(said, starts=False) + ends)


@pass_context
def _each(context, rows, block):
    """What a block says of each row, whose columns are values to it. rows: a frame, dicts, objects
    with attributes, or texts, each of which is `it`."""
    rows = records(rows) if isinstance(rows, pd.DataFrame) else rows
    rows = ({"it": row} if isinstance(row, str) else row for row in rows)
    rows = (row if isinstance(row, dict) else vars(row) for row in rows)
    name = context.name.removesuffix(".md.j2")
    return [_said(name, block, context.get_all() | row) for row in rows]


def _listing(items, last="and", most=6):
    return Harmless(quantities.listing([_harmless(item) for item in items], last, most))


def _harmless(value):
    """A value as it may stand in a sentence; what a template wrote itself passes."""
    if isinstance(value, Harmless):
        return Harmless(value.replace("\n\n", PARAGRAPH))
    return safe(value, most=2_000, starts=False)
