"""What the cells of a table together prove of the way they are written, never by a guess."""

import pandas as pd

from wearbar.adopt.cells import DECIMALS, ORDERS, dates, numbers
from wearbar.adopt.maps import ASK

__all__ = ["date_order", "decimal_mark"]

_YEAR = r"(?<!\d)\d{4}(?!\d)"


def date_order(cells, today=None):
    """(order, sentence) of a table's dates in one Series; "?" where not known, "" where plain.

    Of the readings of a date whose year has two digits, one after `today` counts only where no
    other is earlier.
    """
    read = pd.DataFrame({order: dates(cells, order) for order in ORDERS})
    if today is not None:
        is_short = ~cells.astype(object).str.contains(_YEAR, regex=True).eq(True)
        is_past = read.le(pd.Timestamp(today))
        read = read.where(is_past | ~(is_short & is_past.any(axis=1)).to_numpy()[:, None])
    return _decided(cells, read, "order", lambda day: f"{day:%d %b %Y}", plain="year-first")


def decimal_mark(cells):
    """(decimal mark, sentence) of a table's numbers, as `date_order`."""
    read = pd.DataFrame({mark: numbers(cells, mark)["plain"] for mark in DECIMALS})
    return _decided(cells, read, "decimal mark", str, plain="point")


def _decided(cells, read, what, shown, plain):
    """read: a column a choice. plain: the choice where all readings are alike."""
    contested = read.notna().any(axis=1) & ~_alike(read)
    if not contested.any():
        return plain, ""
    read, cells = read[contested], cells[contested]
    fits = [choice for choice in read if read[choice].notna().all()]
    if not fits:
        samples = {choice: cells[read[choice].notna()] for choice in read}
        told = [f"{found.iloc[0]!r} ({choice})" for choice, found in samples.items() if len(found)]
        return ASK, f"no one {what} fits them all: there are {' and '.join(told)}"
    if len(fits) > 1:
        apart = ~_alike(read[fits])
        if not apart.any():
            return fits[0], ""
        told = ", ".join(f"{shown(read[apart][choice].iloc[0])} {choice}" for choice in fits)
        return ASK, f"two {what}s fit them all: {cells[apart].iloc[0]!r} is {told}"
    choice, others = fits[0], read.drop(columns=fits)
    proof, open_ = cells[others.isna().all(axis=1)], others.notna().any(axis=1)
    by = f"is proved by {proof.iloc[0]!r}" if len(proof) else "alone fits them all"
    if not open_.any():
        return choice, f"{choice} {by}"
    so = f"{cells[open_].iloc[0]!r} is {shown(read[open_][choice].iloc[0])}"
    return choice, f"{choice} {by}, so {so}"


def _alike(read):
    """Rows that are the same in every column."""
    return read.eq(read.iloc[:, 0], axis=0).all(axis=1)
