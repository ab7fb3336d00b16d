"""Which lines of a sheet head its columns, and what each column is called."""

import numpy as np
import pandas as pd

from wearbar.adopt.lexicon import heading

__all__ = ["header_lines", "headings"]

LOOK_AT = 20


def header_lines(cells):
    """The lines that head the columns, [] where none does: that of which most cells are known
    headings, groups of columns right above it, and what parts its own groups right below it.
    """
    look = cells.head(LOOK_AT)
    known = [sum(heading(str(c)) != "" for c in row.dropna()) for _, row in look.iterrows()]
    if max(known, default=0) < 2:
        return []
    best = int(look.index[np.argmax(known)])
    is_grouped = best - 1 in look.index and _are_groups(look.loc[best - 1].dropna())
    is_parted = best + 1 in look.index and _part_groups(look.loc[best], look.loc[best + 1])
    return [best - 1] * is_grouped + [best] + [best + 1] * is_parted


def _are_groups(cells):
    return len(cells) > 1 and not cells.str.contains(r"\d").any()


def _part_groups(head, below):
    """Whether a line only names columns under cells of `head` that reach over several."""
    cells, blank = below.dropna(), head.isna() & head.ffill().notna()
    in_group = blank | blank.shift(-1, fill_value=False)
    fits = in_group[cells.index] | cells.eq(head[cells.index])
    return bool(fits.all() and blank[cells.index].any() and not cells.str.contains(r"\d").any())


def headings(cells, lines):
    """Name of each column to its place: a cell of the upper lines counts for the blank ones
    right of it; two alike differ by their place, counted from 1.
    """
    head = cells[cells.index.isin(lines)]
    if len(head) > 1:
        head = pd.concat([head.iloc[:-1].ffill(axis=1), head.iloc[-1:]])
    names = {}
    for place in head.columns:
        words = dict.fromkeys(" ".join(str(v).split()) for v in head[place].dropna())
        name = " ".join(word for word in words if word)
        if name:
            names[f"{name} ({place + 1})" if name in names else name] = place
    return names
