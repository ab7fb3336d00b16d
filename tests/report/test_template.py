"""Sentences from templates: whatever a log holds, it stands in them as text."""

import ast
import math
from pathlib import Path

import jinja2
import pandas as pd
import pytest
from jinja2 import nodes
from nbconvert.filters import markdown2html

from wearbar.log.units import Units
from wearbar.report import template
from wearbar.report.quantities import Show, safe
from wearbar.report.template import words_of
from wearbar.stats.estimate import Estimate

HOSTILE = [
    "<script>alert(1)</script>",
    "**bold** _under_ `code`",
    "[click](http://example.org)",
    "![x](y.png)",
    "a\n\n# heading\n\n- list",
    "1. first",
    "- item",
    "# head",
    "> quote",
    "&lt;b&gt;",
    "{{ 7 * 7 }} {% raw %}",
    "=1+1",
    "| a | b |",
    "$x$ \\( y \\)",
    "\u202eevil",
]


@pytest.fixture
def said(tmp_path, monkeypatch):
    """A function that renders one block's text."""
    template._environment.cache_clear()

    def render(text, **values):
        (tmp_path / "t.md.j2").write_text(f"{{% block b %}}\n{text}\n{{% endblock %}}")
        template._environment.cache_clear()
        return words_of("t")("b", **values)

    monkeypatch.setattr(template.places, "place", lambda *_: tmp_path)
    yield render
    template._environment.cache_clear()


def test_the_example():
    say = words_of("example")
    assert say("how_many", n=1, names=["V01"]) == "One vehicle is due: V01."
    assert say("how_many", n=2, names=["V01", "V02"]) == "2 vehicles are due: V01 and V02."
    assert say("how_many", n=0, names=[]) == ""


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("sentence", ["{{ x }}", "Seen: {{ x }}.", "{{ [x, x] | listing }}"])
def test_text_of_a_log_is_text_wherever_it_stands(said, sentence, text):
    import html
    import re

    page = markdown2html(said(sentence, x=text))
    tags = set(re.findall(r"</?\w+", page))
    assert tags == {"<p", "</p"}, page
    shown = html.unescape(re.sub("<[^>]*>", "", page))
    wanted = html.unescape(safe(text))
    assert wanted in shown.replace("\n", " ")


def test_what_is_harmless_is_not_escaped_twice(said):
    assert said("{{ x }}", x=safe("*a*")) == "&#42;a&#42;"
    assert said("{{ x }}!", x=said("{{ x }}", x="*a*")) == "&#42;a&#42;!"


@pytest.mark.parametrize("text", ["85% of jobs", "1,234 km", "3.2 mm", "Engine oil and filter"])
def test_numbers_and_plain_words_stay_as_they_are(said, text):
    assert said("{{ x }} so far", x=text) == f"{text} so far"


def test_paragraphs_stay_apart_and_lines_run_on(said):
    assert said("One\nline.\n\n\nTwo  lines.") == "One line.\n\nTwo lines."


@pytest.mark.parametrize(
    "line",
    ["{% if x %}One.{% endif %}", "One.{% if x %}{% endif %}", "{% if x %}{{ y }}{% endif %}"],
)
def test_a_line_that_ends_with_a_tag_stays_apart_from_the_next(said, line):
    assert said(f"{line}\nTwo.", x=1, y="One.") == "One. Two."
    assert said(f"{line}\n{{% if x %}}\nTwo.\n{{% endif %}}", x=1, y="One.") == "One. Two."
    assert said(f"{{% if x %}}\n{line}\n{{% endif %}}\nTwo.", x=1, y="One.") == "One. Two."


def test_a_line_that_says_nothing_leaves_no_gap(said):
    lines = "Zero.\n{% if x %}One.{% endif %}\n{% if x %}{{ x }}{% endif %}\nTwo.\n\nThree."
    assert said(lines, x="") == "Zero. Two.\n\nThree."
    assert said(lines, x="1.5") == "Zero. One. 1.5 Two.\n\nThree."


def test_quantities_are_said_in_the_readers_units(said):
    row = {"left_km": 16.09344}
    show = Show(Units(distance="mi"))
    assert said("{{ row.left_km | distance }}", row=row, show=show) == "10 mi"
    e = Estimate(0.5, 0.4, 0.6, 0.9, 20)
    assert said('{{ e | range("share") }}', e=e, show=show) == "40 to 60%"
    assert said("{{ x | money }} {{ None | date }}", x=2.5, show=show) == "2.50 not known"
    assert said("{% if x is known %}{{ x }}{% endif %}.", x=math.nan) == "."
    with pytest.raises(jinja2.UndefinedError):
        said("{{ x | money }}", x=1)


def test_a_block_says_each_row_of_a_frame(said):
    text = "{{ rows | each('of') | listing }}{% endblock %}{% block of %}{{ a }} {{ n | plural(what) }}"
    rows = pd.DataFrame({"a": ["*x*", "y"], "n": [1, 2]})
    assert said(text, rows=rows, what="job") == "&#42;x&#42; 1 job and y 2 jobs"


def test_a_value_that_was_not_given_is_an_error(said):
    with pytest.raises(jinja2.UndefinedError):
        said("{{ y }}", x=1)
    with pytest.raises(KeyError):
        words_of("t")("no_such_block")


def shows(name):
    """The blocks of a template that say a quantity in the reader's units, or another block that does."""
    tree, asks = template._environment().parse(template._source(f"{name}.md.j2")[0]), {}
    for block in tree.find_all(nodes.Block):
        filters = list(block.find_all(nodes.Filter))
        says = [f.args for f in filters if f.name == "each"]
        says += [
            call.args
            for call in block.find_all(nodes.Call)
            if getattr(call.node, "name", "") == "say"
        ]
        asks[block.name] = {args[0].value for args in says if isinstance(args[0], nodes.Const)}
        if {f.name for f in filters} & {*template._SHOWN, "range", "about"}:
            asks[block.name].add("show")
    found = {"show"}
    while more := {block for block, of in asks.items() if of & found} - found:
        found |= more
    return found


def named(call):
    """(name of the function, first argument where it is a text, names of the others) of a call."""
    first = call.args[0].value if call.args and isinstance(call.args[0], ast.Constant) else ""
    return getattr(call.func, "id", ""), first, {word.arg for word in call.keywords}


def test_what_says_a_quantity_is_given_the_readers_units():
    """Wherever words are had without them, each call of such a block gives them: some are said of few logs alone."""
    asked = []
    for path in sorted(Path(template.__file__).parent.parent.rglob("*.py")):
        found, needs = list(ast.walk(ast.parse(path.read_text(encoding="utf-8")))), {}
        for made in found:
            if isinstance(made, ast.Assign) and isinstance(made.value, ast.Call):
                function, name, given = named(made.value)
                if function == "words_of" and name and "show" not in given:
                    needs[made.targets[0].id] = shows(name)
        calls = [named(call) for call in found if isinstance(call, ast.Call)]
        asked += [(path.name, *call) for call in calls if call[1] in needs.get(call[0], ())]
    assert len(asked) > 3
    assert not [call for call in asked if "show" not in call[3]]
