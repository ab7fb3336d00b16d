"""Sentences and alternative texts, a module a question: a result in, Markdown-safe text out."""

from wearbar.report.quantities import plain


def column(words, block, rows, **values):
    """What a block says of each row of a frame, as plain text for a column of a table."""
    return [plain(words(block, **values, **row)) for row in rows.to_dict("records")]
