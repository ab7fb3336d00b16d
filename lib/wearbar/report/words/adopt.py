"""What became of a person's spreadsheet: lines for the terminal, and the record that stays with the log."""

import pandas as pd

from wearbar.adopt import places_of
from wearbar.report.quantities import clean, plain, plural, safe
from wearbar.report.template import words_of

__all__ = ["adopted_lines", "proposed_lines", "record"]

MOST = 12
_words = words_of("adopt")


def proposed_lines(proposal, path):
    """Lines on a map that was proposed and written to `path`."""
    return [
        _say("proposed", path=path, asks=proposal.asks),
        *(f"- {clean(s, 300)}" for s in proposal.unsure),
    ]


def adopted_lines(adopted, log, folder):
    """Lines on what was adopted, left out and turned, and on the rows that reading set aside, each with its place in the sheet."""
    lines = [_say("adopted", folder=folder), ""]
    lines.append(f"{'sheet':<20}{'table':<14}{'rows':>9}{'adopted':>9}{'left out':>10}")
    lines += [
        f"{clean(s or '-', 19):<20}{t or '-':<14}{r:>9,}{a:>9,}{o:>10,}"
        for s, t, r, a, o in adopted.ledger.itertuples(index=False)
    ]
    return [
        *lines,
        *(
            line
            for title, rows in (*_chapters(adopted), *_problems(adopted, log))
            for line in _listed(title, rows)
        ),
    ]


def record(adopted):
    """The text of ADOPTED.md: which rows became which, which were left out, and which numbers were turned. Markdown, harmless."""
    lines = [
        "# How this log was made",
        "",
        "| sheet | table | rows | adopted | left out |",
        "|---|---|---|---|---|",
    ]
    lines += [
        f"| {safe(s or '-')} | {t or '-'} | {r} | {a} | {o} |"
        for s, t, r, a, o in adopted.ledger.itertuples(index=False)
    ]
    for title, rows in _chapters(adopted):
        lines += ["", f"## {title}", "", *(f"- {safe(row, 400)}" for row in rows)]
    return "\n".join(lines) + "\n"


def _chapters(adopted):
    left, turned, over = (
        frame.itertuples(index=False)
        for frame in (adopted.left_out, adopted.turned, adopted.passed_over)
    )
    left = [f"{_place(row.sheet, row.line)}: {row.why} - {clean(row.text)}" for row in left]
    turned = [
        f"{_place(row.sheet, row.line)}: {row.column} {clean(row.value)} became {row.became} ({row.why})"
        for row in turned
    ]
    over = [
        f"{clean(row.sheet) + ': ' if row.sheet else ''}{clean(row.heading)}, {plural(row.cells, 'cell')}"
        for row in over
    ]
    yield _say("left_out", n=len(left)), left
    if turned:
        yield _say("turned", n=len(turned)), turned
    if over:
        yield _say("passed_over", n=len(over)), over


def _problems(adopted, log):
    for block, found in (("set_aside", log.set_aside), ("warnings", log.warnings)):
        found = found.merge(places_of(adopted, log), on=["table", "line"], how="left")
        where = [
            _place(row.sheet, row.sheet_line) if pd.notna(row.sheet) else "the map"
            for row in found.itertuples()
        ]
        said = [
            f"{row.table} {row.column} {clean(row.value)} - {row.rule}; {clean(row.remedy)}"
            for row in found.itertuples()
        ]
        yield (
            _say(block, n=len(found)),
            [f"{at}: {what}" for at, what in zip(where, said, strict=True)],
        )


def _listed(title, rows):
    return [
        "",
        title,
        *(f"  {row}" for row in rows[:MOST]),
        *([f"  and {len(rows) - MOST:,} more"] if len(rows) > MOST else []),
    ]


def _place(sheet, line):
    return f"sheet {clean(sheet)} line {line:.0f}" if sheet else f"line {line:.0f}"


def _say(block, **values):
    """A line of shared/words/adopt.md.j2, as plain text."""
    return plain(_words(block, **values))
