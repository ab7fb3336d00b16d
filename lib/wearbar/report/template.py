"""Sentences out of templates: shared/words/NAME.md.j2 holds a block for each sentence or paragraph.

A template has the words and when to say them; numbers come to it formatted by `report.quantities`.
Whatever is put into a sentence is text out of a log until shown otherwise: it is made harmless for
Markdown on its way (`safe`), so that no template can forget it.
"""

import re
from functools import cache

from wearbar.log import places
from wearbar.report.quantities import Harmless, listing, number, plural, safe

__all__ = ["words_of"]

# at the start of a line, what would begin a list, a heading or a quotation
_BEGINS = re.compile(r"^(\d+)([.)])(?=\s|$)|^([-+>#])(?=\s|$)", re.MULTILINE)
# a line that has words and ends with a tag, and the start of the line after it
_ENDS_WITH_TAG = re.compile(
    r"^((?=(?:\{%.*?%\}|[ \t])*[^\s{]|.*\{\{).*%\})(\n(?=[ \t]*\S)|$)", re.MULTILINE
)


def words_of(name):
    """The blocks of shared/words/<name>.md.j2, as a function that takes a block's name and what it needs.

    It gives Markdown: one line a paragraph, "" where the block says nothing; put into another block
    it stands as it is. Raises KeyError for a
    block that is not there, jinja2.UndefinedError for a value that was not given.

    >>> words_of("example")("how_many", n=1, names=["*V01*"])
    'One vehicle is due: &#42;V01&#42;.'
    """
    return lambda block, **values: _said(name, block, values)


def _said(name, block, values):
    template = _environment().get_template(f"{name}.md.j2")
    made = "".join(template.blocks[block](template.new_context(values)))
    paragraphs = (" ".join(part.split()) for part in re.split(r"\n\s*\n", made))
    text = "\n\n".join(part for part in paragraphs if part)
    return Harmless(_BEGINS.sub(lambda m: f"{m[1] or ''}&#{ord(m[2] or m[3])};", text))


@cache
def _environment():
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from jinja2.ext import Extension

    class Lines(Extension):
        """A line of words that ends with a tag stays apart from the next, which trim_blocks would join to it."""

        def preprocess(self, source, name, filename=None):
            return _ENDS_WITH_TAG.sub(r"\1 ", source)

    made = Environment(
        extensions=[Lines],
        loader=FileSystemLoader(places.place("shared", "words")),
        finalize=_harmless,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        autoescape=False,  # it would let Markdown through, and escape twice
    )
    made.filters["listing"] = lambda items, last="and", most=6: Harmless(
        listing([_harmless(item) for item in items], last, most)
    )
    made.filters["plural"] = plural
    made.filters["number"] = number
    made.filters["agree"] = lambda n, one, many: one if n == 1 else many
    return made


def _harmless(value):
    """A value as it may stand in a sentence; what a template wrote itself passes."""
    if isinstance(value, Harmless):
        return value
    return safe(value, most=2_000, starts=False)
