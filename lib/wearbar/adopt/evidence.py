"""What the cells of a table prove of the way they are written: over all of them, and never by a guess."""

import pandas as pd

from wearbar.adopt.cells import DECIMALS, ORDERS, dates, numbers
from wearbar.adopt.maps import ASK

__all__ = ["date_order", "decimal_mark"]

_YEAR = r"(?<!\d)\d{4}(?!\d)"


def date_order(cells, today=None):
    """The order of a table's dates (all in one Series of text), "?" where it is not known, and a sentence on it ("" where it is plain).

    Of the readings of a date whose year has two digits, one after `today` counts only where no other is earlier.
    """
    read = pd.DataFrame({order: dates(cells, order) for order in ORDERS})
    if today is not None:
        is_short = ~cells.astype(object).str.contains(_YEAR, regex=True).eq(True)
        is_past = read.le(pd.Timestamp(today))
        read = read.where(is_past | ~(is_short & is_past.any(axis=1)).to_numpy()[:, None])
    return _decide(cells, read, ORDERS, lambda day: f"{day:%d %b %Y}", ("order", "orders"))


def decimal_mark(cells):
    """The decimal mark of a table's numbers (all in one Series of text), "?" where it is not known, and a sentence on it."""
    read = pd.DataFrame({mark: numbers(cells, mark)["plain"] for mark in DECIMALS})
    return _decide(cells, read, DECIMALS, str, ("decimal mark", "decimal marks"))


def _decide(cells, read, choices, shown, what):
    contested = read.notna().any(axis=1) & ~_alike(read)
    if not contested.any():
        return choices[-1] if "year-first" in choices else choices[0], ""
    read, cells = read[contested], cells[contested]
    fits = [choice for choice in choices if read[choice].notna().all()]
    if not fits:
        samples = {choice: cells[read[choice].notna()] for choice in choices}
        told = " and ".join(
            f"{found.iloc[0]!r} ({choice})" for choice, found in samples.items() if len(found)
        )
        return ASK, f"no one {what[0]} fits them all: there are {told}"
    apart = ~_alike(read[fits])
    if len(fits) > 1 and apart.any():
        told = ", ".join(f"{shown(read[apart][choice].iloc[0])} {choice}" for choice in fits)
        return ASK, f"two {what[1]} fit them all: {cells[apart].iloc[0]!r} is {told}"
    if len(fits) > 1:
        return fits[0], ""
    others = [choice for choice in choices if choice != fits[0]]
    proof = cells[read[others].isna().all(axis=1)]
    by = (
        f"{fits[0]} is proved by {proof.iloc[0]!r}"
        if len(proof)
        else f"{fits[0]} alone fits them all"
    )
    open_ = read[others].notna().any(axis=1)
    return fits[0], by + (
        f", so {cells[open_].iloc[0]!r} is {shown(read[open_][fits[0]].iloc[0])}"
        if open_.any()
        else ""
    )


def _alike(read):
    """Rows that are the same in every column."""
    return read.eq(read.iloc[:, 0], axis=0).all(axis=1)
