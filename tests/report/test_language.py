"""How pages, documents and messages speak: whole phrases that none of them holds, and the length of sentences."""

import ast
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from conftest import write_rows

from wearbar.log import places
from wearbar_lab.start import start_log

TESTS = Path(__file__).parent.parent
LIB = Path(places.__file__).parent.parent
REPORTS = (
    "consumable_life",
    "interval_compliance",
    "log_check",
    "outlook",
    "running_cost",
    "severe_use",
)
LONGEST, AVERAGE = 30, 16


def phrases():
    lines = (TESTS / "reference" / "phrases.txt").read_text(encoding="utf-8").splitlines()
    return [line for line in lines if line and not line.startswith("#")]


BANNED = re.compile(rf"(?<![\w-])(?:{'|'.join(map(re.escape, phrases()))})(?![\w-])", re.IGNORECASE)


def held(text):
    """The phrases of the list that a text holds; what stands between back-quotes is code."""
    return [
        m.group().lower() for m in BANNED.finditer(" ".join(re.sub("`[^`]*`", "", text).split()))
    ]


class Prose(HTMLParser):
    """The paragraphs that a page says, without tables, facts, navigation and code; `every`: all that is read."""

    LEFT_OUT = ("table", "dl", "nav", "style", "head", "section-code", "header")
    BLOCKS = ("p", "li", "figcaption", "h1", "h2", "h3", "summary", "div", "td", "th", "caption")

    def __init__(self, page):
        super().__init__()
        self.paragraphs, self.every, self.inside = [""], [""], []
        self.feed(page)

    def handle_starttag(self, tag, attributes):
        attributes = dict(attributes)
        tag = "section-code" if attributes.get("class") == "code" else tag
        if tag in (*self.LEFT_OUT, "section"):
            self.inside.append(tag)
        if tag in self.BLOCKS:
            self.paragraphs.append("")
            self.every.append("")
        self.every.append(attributes.get("alt") or "")

    def handle_endtag(self, tag):
        if self.inside and self.inside[-1].split("-")[0] == tag:
            self.inside.pop()
        if tag in self.BLOCKS:
            self.paragraphs.append("")
            self.every.append("")

    def handle_data(self, data):
        if not {"style", "head", "section-code"} & set(self.inside):
            self.every[-1] += data
        if not set(self.LEFT_OUT) & set(self.inside):
            self.paragraphs[-1] += data


def sentences(paragraphs):
    """Number of words of each sentence; a paragraph that does not end like one, such as a heading, is none."""
    for paragraph in paragraphs:
        text = " ".join(paragraph.split())
        if text.endswith((".", "?", "!", ":")):
            for sentence in re.split(r"(?<=[.?!:])\s+(?=[A-Z\d\"“(*])", text):
                yield len(sentence.split())


@pytest.fixture(scope="module")
def two_lines(tmp_path_factory):
    """The pack of a log of two lines: one motorcycle and its first oil change."""
    from wearbar.pack import make as pack

    bike = {"vehicle": "Heron", "kind": "motorcycle", "in_service": "2023-04-02"}
    oil = {"vehicle": "Heron", "date": "2023-05-10", "odometer": "702", "why": "planned"}
    rows = {"vehicles": [bike], "work": [oil | {"task": "oil", "parts_cost": "41.50"}]}
    root = tmp_path_factory.mktemp("two-lines")
    log = write_rows(start_log(root / "log"), rows)
    return pack.make_pack(root / "pack", log=log, tell=lambda line: None)


@pytest.fixture(params=["fleet", "two-lines"])
def pages(request):
    """The pack's name, and each page of it by name."""
    make = {"fleet": lambda: request.getfixturevalue("packs")("fleet")}
    make["two-lines"] = lambda: request.getfixturevalue("two_lines")
    made = make[request.param]()
    texts = {p.stem: p.read_text(encoding="utf-8") for p in made.folder.glob("*.html")}
    return request.param, {name: Prose(text) for name, text in texts.items()}


def assert_none(found):
    assert not {name: n for name, n in found.items() if n}


def test_no_page_holds_a_phrase_of_the_list(pages):
    pack, prose = pages
    found = {f"{pack} {name}": len(held("\n".join(p.every))) for name, p in prose.items()}
    assert_none(found)


def test_no_sentence_is_longer_than_thirty_words(pages):
    pack, prose = pages
    found = {
        f"{pack} {name}": sum(n > LONGEST for n in sentences(p.paragraphs))
        for name, p in prose.items()
    }
    assert_none(found)


def test_sentences_are_sixteen_words_on_average(packs):
    folder = packs("fleet").folder
    lengths = []
    for name in REPORTS:
        lengths += sentences(
            Prose((folder / f"{name}.html").read_text(encoding="utf-8")).paragraphs
        )
    assert sum(lengths) / len(lengths) <= AVERAGE


def lessons():
    """What the lessons' notebooks say, by file."""
    found = {}
    for path in sorted(places.place("notebooks", "lessons").glob("*.ipynb")):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        said = ["".join(c["source"]) for c in cells if c["cell_type"] == "markdown"]
        found[path.name] = "\n\n".join(said)
    return found


def test_lessons_speak_in_short_sentences():
    """By the lengths of a report's; a line that holds a table, and marks of emphasis, are no words."""
    for name, text in lessons().items():
        lines = [line for line in re.sub("[*`]", "", text).splitlines() if line[:1] not in "|#"]
        lengths = [*sentences(re.split(r"\n\n|\n(?=- )", "\n".join(lines)))]
        assert max(lengths) <= LONGEST, name
        assert sum(lengths) / len(lengths) <= AVERAGE, name


def documents():
    root = LIB.parent.parent
    paths = [root / "README.md", *places.place("notebooks", "lessons").glob("*.md")]
    paths.append(LIB.parent / "wearbar_lessons" / "words.toml")
    for folder in ("start", "words", "tables"):
        paths += sorted(places.place("shared", folder).iterdir())
    return {str(path): path.read_text(encoding="utf-8") for path in paths} | lessons()


def strings(path):
    """Every text in a module, messages, headings and docstrings; one word alone is a name."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value:
            yield node.value


def test_no_document_holds_a_phrase_of_the_list():
    assert_none({name: len(held(text)) for name, text in documents().items()})


def test_no_message_or_docstring_holds_a_phrase_of_the_list():
    rooms = {}
    for path in LIB.rglob("*.py"):
        room = path.relative_to(LIB).parts[0]
        rooms[f"lib {room}"] = rooms.get(f"lib {room}", 0) + sum(
            len(held(s)) for s in strings(path)
        )
    assert_none(rooms)


def test_a_phrase_is_found_whole_and_a_word_that_holds_one_is_not():
    assert held("The dearest day was Put\noff; an endearing put-off.") == ["dearest", "put off"]
    page = "<h1>Costs</h1><p>It costs more. It is <b>2.5</b> mm, read on 3 May.</p><table><td>It is dear.</td></table>"
    assert list(sentences(Prose(page).paragraphs)) == [3, 8]
    assert held("\n".join(Prose(page).every)) == ["dear"]
