"""What is wrong with a rendered page: requests it would make, what a screen reader would miss, machine words in print."""

import re
from html.parser import HTMLParser
from pathlib import Path

VOID = {"img", "meta", "br", "hr", "link", "input", "source", "wbr", "col"}
MACHINE_WORDS = {
    "nan": re.compile(r"\bnan\b|\bNaT\b|<NA>", re.IGNORECASE),
    "inf": re.compile(r"(?<![\w-])-?inf\b"),
    "None": re.compile(r"\bNone\b(?! [a-z])"),
    "an exponent": re.compile(r"\b\d+(\.\d+)?e[+-]?\d+\b", re.IGNORECASE),
    "a traceback": re.compile(r"Traceback|\w+Error:"),
    "markup shown as text": re.compile(r"&#\d+;|&amp;|</?\w+>|\{\{"),
    "a state's code": re.compile(r"\b(before|in|past)-window\b|\bnot-known\b"),
    "a repr": re.compile(r"\bTimestamp\(|\bnp\.float|\bdtype\b|<\w+ object"),
}


class Page(HTMLParser):
    """A page taken apart: tags with attributes in order, headings, tables, visible text (the code at the end left out)."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.headings, self.tables, self.words, self.open = [], [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.tags.append((tag, attrs))
        if tag not in VOID:
            self.open.append((tag, attrs.get("class") or ""))
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag == "table":
            self.tables.append({"caption": "", "th": [], "rows": 0})
        elif tag == "th":
            self.tables[-1]["th"].append(attrs)
        elif tag == "tr":
            self.tables[-1]["rows"] += 1

    def handle_endtag(self, tag):
        while self.open and self.open.pop()[0] != tag:
            pass

    def handle_data(self, data):
        if any(tag in ("style", "script") or name == "code" for tag, name in self.open):
            return
        if self.open and self.open[-1][0] == "caption":
            self.tables[-1]["caption"] += data
        self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())

    def attributes(self, name):
        return [attrs[name] for _, attrs in self.tags if attrs.get(name)]


def faults(path):
    """Sentences, one for each thing wrong with the page at `path`; nothing where all is well."""
    text = Path(path).read_text(encoding="utf-8")
    page = Page(text)
    return [*_requests(page, text), *_structure(page), *_links(page, Path(path)), *_words(page)]


def _requests(page, text):
    for tag, attrs in page.tags:
        if tag in ("script", "link", "iframe", "object", "embed", "base", "form"):
            yield f"there is a <{tag}>"
        if attrs.get("src") and not attrs["src"].startswith("data:"):
            yield f"{tag} loads {attrs['src'][:60]}"
        yield from (f"{tag} has {name}" for name in attrs if name.startswith("on"))
    if re.search(r"url\(\s*[\"']?(?!data:)|@import", text):
        yield "a style loads something"
    if "Content-Security-Policy" not in text:
        yield "nothing forbids requests"


def _structure(page):
    if page.headings.count(1) != 1:
        yield f"{page.headings.count(1)} h1"
    yield from (
        f"h{b} follows h{a}"
        for a, b in zip(page.headings, page.headings[1:], strict=False)
        if b > a + 1
    )
    for tag, attrs in page.tags:
        if tag == "img" and len((attrs.get("alt") or "").strip()) < 15:
            yield f"a picture's alternative text is {attrs.get('alt')!r}"
        if tag == "html" and not attrs.get("lang"):
            yield "no language"
    for table in page.tables:
        if not table["caption"].strip():
            yield f"a table of {table['rows']} rows has no caption"
        if not table["th"] or any(th.get("scope") not in ("col", "row") for th in table["th"]):
            yield f"a heading of the table {table['caption']!r} has no scope"
    names = {tag for tag, _ in page.tags}
    yield from (f"no <{tag}>" for tag in ("title", "main", "header", "nav") if tag not in names)
    ids = page.attributes("id")
    yield from (
        f"id {name} stands {ids.count(name)} times"
        for name in sorted(set(ids))
        if ids.count(name) > 1
    )


def _links(page, path):
    ids = set(page.attributes("id"))
    for href in page.attributes("href"):
        if href.startswith("#"):
            if href[1:] not in ids:
                yield f"{href} leads nowhere"
        elif "//" in href or href.startswith(("javascript:", "data:")):
            yield f"a link leads out: {href[:60]}"
        elif not (path.parent / href.split("#")[0]).exists():
            yield f"{href} is not in the pack"


def _words(page):
    for what, pattern in MACHINE_WORDS.items():
        for found in list(pattern.finditer(page.text))[:3]:
            yield f"{what} in print: ...{page.text[max(found.start() - 40, 0) : found.end() + 20]}..."
