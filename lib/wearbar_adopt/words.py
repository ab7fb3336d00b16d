"""What became of a person's spreadsheet: lines for the terminal, and the record beside the log."""

from wearbar.report.quantities import clean, plain, safe
from wearbar.report.template import column_of, words_of
from wearbar_adopt.convert import places_of

MOST = 12
_words = words_of("adopt")


def proposed_lines(proposal, path):
    """Lines on a map that was proposed and written to `path`."""
    said = _say("proposed", path=path, asks=proposal.asks)
    return [said, *(f"- {clean(s, 300)}" for s in proposal.unsure)]


def adopted_lines(adopted, log, folder):
    """Lines on what was adopted, left out, turned, and set aside on reading, by its place."""
    lines = [_say("adopted", folder=folder), ""]
    lines.append(f"{'sheet':<20}{'table':<14}{'rows':>9}{'adopted':>9}{'left out':>10}")
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
    lines = ["# How this log was made", "", "| sheet | table | rows | adopted | left out |"]
    lines.append("|---|---|---|---|---|")
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
