"""What became of a person's spreadsheet: lines for the terminal, and the record beside the log."""

import csv

from wearbar.log import read_log, schema
from wearbar.log.sources.raw import LogError
from wearbar.report.quantities import clean, plain, safe
from wearbar.report.template import column_of, words_of
from wearbar_adopt.add import add_to
from wearbar_adopt.cells import SAYS
from wearbar_adopt.convert import places_of
from wearbar_adopt.free import HEADS

MOST = 12
_words = words_of("adopt")


def keep_map(proposal, path, yes=False):
    """Write a proposed map; lines on it. Beside one with a sheet that can't be told, all tables and
    columns of a log are written too."""
    path.write_text(proposal.toml, encoding="utf-8")
    beside = path.with_name("log-columns.md") if proposal.is_skeleton else None
    if beside and not beside.exists():
        beside.write_text(reference(), encoding="utf-8")
    told = {"asks": proposal.asks, "done": yes and not proposal.asks, "beside": beside}
    return [_say("proposed", path=path, **told), *(f"- {clean(s, 300)}" for s in proposal.unsure)]


def reference():
    """All tables and columns of a log, as Markdown: what a map may name."""
    lines = ["# What a log holds", "", _say("reference")]
    for table, columns in schema.TABLES.items():
        lines += ["", f"## {table}", ""]
        for col in columns:
            codes = f" ({', '.join(col.codes)})" if col.codes else ""
            lines.append(f"- `{col.name}`{'*' * col.required}: {col.meaning}{codes}")
    return "\n".join(lines) + "\n"


def keep_split(rows, path):
    """Write free text, split, as a sheet to look over; what is said of it. Raises LogError where
    there is such a sheet: it may be mended already."""
    if path.exists():
        raise LogError(SAYS["fault"]["split_there"].format(path=path))
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([HEADS, *rows])
    return _say("split", path=path, n=len(rows), two=sum("?" in row for row in rows))


def log_to_add_to(address, out):
    """The log to which rows are to be added, None where none is. LogError without a new folder."""
    if address and not out:
        raise LogError(SAYS["fault"]["no_out"])
    return read_log(address) if address else None


def refuse_answers(given, path):
    """Raises LogError for answers beside a map: the map answers."""
    if given:
        names = (key.replace("date_order", "dates").replace("_", "-") for key in given)
        raise LogError(SAYS["fault"]["answered"].format(keys="--" + ", --".join(names), path=path))


def add(log, adopted, folder, today):
    """Add the rows of an `Adopted` that a log lacks into a new folder; (lines, rows in doubt)."""
    made = add_to(log, adopted, folder, record(adopted), today)
    new = len(made.log.set_aside) - len(log.set_aside)
    head = f"{'table':<14}{'':<14}{'before':>12}{'added':>12}{'after':>12}"
    lines = [_say("added", folder=folder, there=made.there, new=new), "", head]
    lines += [
        f"{table:<14}{what:<14}{before:>12,}{more:>12,}{after:>12,}"
        for table, what, before, more, after in made.totals.itertuples(index=False)
    ]
    rows = column_of(_words, "differing_row", made.differing)
    for title, told in ((_say("differing", n=len(rows)), rows), *_chapters(adopted)):
        lines += ["", title, *(f"  {row}" for row in told[:MOST])] if told else []
    return lines, len(rows) + max(new, 0) + (not adopted.is_whole)


def adopted_lines(adopted, log, folder):
    """Lines on what was adopted, left out, turned, and set aside on reading, by its place."""
    head = f"{'sheet':<20}{'table':<14}{'rows':>9}{'adopted':>9}{'left out':>10}"
    lines = [_say("adopted", folder=folder), "", head]
    lines += [
        f"{clean(s or '-', 19):<20}{t or '-':<14}{r:>9,}{a:>9,}{o:>10,}"
        for s, t, r, a, o in adopted.ledger.itertuples(index=False)
    ]
    for title, rows in (*_chapters(adopted), *_problems(adopted, log)):
        lines += ["", title, *(f"  {row}" for row in rows[:MOST])]
        lines += [f"  and {len(rows) - MOST:,} more"] if len(rows) > MOST else []
    return lines


def record(adopted):
    """ADOPTED.md: which rows became which, were left out or turned. Markdown, harmless."""
    head = ["| sheet | table | rows | adopted | left out |", "|---|---|---|---|---|"]
    lines = ["# How this log was made", "", *head]
    lines += [
        f"| {safe(s or '-')} | {t or '-'} | {r} | {a} | {o} |"
        for s, t, r, a, o in adopted.ledger.itertuples(index=False)
    ]
    for title, rows in _chapters(adopted):
        lines += ["", f"## {title}", "", *(f"- {safe(row, 400)}" for row in rows)]
    return "\n".join(lines) + "\n"


def _chapters(adopted):
    """(title, rows) of what was left out, turned or passed over."""
    for block in ("left_out", "turned", "passed_over"):
        rows = column_of(_words, f"{block}_row", getattr(adopted, block))
        if rows or block == "left_out":
            yield _say(block, n=len(rows)), rows


def _problems(adopted, log):
    for block, found in (("set_aside", log.set_aside), ("warnings", log.warnings)):
        rows = found.merge(places_of(adopted, log), "left", ["table", "line"])
        yield _say(block, n=len(rows)), column_of(_words, "problem_row", rows)


def _say(block, **values):
    """A line of shared/words/adopt.md.j2, as plain text."""
    return plain(_words(block, **values))
