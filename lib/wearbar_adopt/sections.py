"""Vehicles as titles: a row that holds a name alone, then its rows, then the next name."""

import re
from itertools import combinations

import numpy as np
import pandas as pd

from wearbar_adopt.cells import ASK, LABELS, LEAVE, ORDERS, dates, is_day, plain_letters, values
from wearbar_adopt.heads import heading

FALLS = 2  # of the readings of two sections together, for them to be of two vehicles
_TOTAL, _PERIOD, _ = LABELS.values()
_LETTER = re.compile(r"[^\W\d_]")


def titles(cells, lines):
    """Text by line of what stands alone in the first column, and is no day, period or total: among
    the rows, and last above the header (`lines`)."""
    rows = cells[~cells.index.isin(lines)]
    has = rows.notna().to_numpy()
    first = has.any(axis=0).argmax()  # column that is filled
    last = rows.index[rows.index < min(lines)].max()
    is_alone = has[:, first] & (has.sum(axis=1) == 1)
    alone = rows[first][is_alone & ((rows.index > min(lines)) | (rows.index == last))]
    return alone[np.array([_is_name(cell) for cell in alone], dtype=bool)].str.strip()


def _is_name(cell):
    """Whether a cell may be a name: it has a letter, and is no day, period or total."""
    plain = plain_letters(cell).strip()
    is_label = _TOTAL.search(plain) or _PERIOD.fullmatch(plain)
    return bool(_LETTER.search(cell) and not is_label and not is_day([cell])[0])


def vehicles(cells, lines, sections):
    """The vehicle of each row by the titles above it, missing below one that is not told of; a "?"
    is the title itself. And the lines of the titles told of, and of the others below the header."""
    found = titles(cells, lines)
    names = pd.Series(None, cells.index, dtype=object)
    told = found[found.isin([*sections])]
    untold = found[~found.isin([*sections]) & (found.index > max(lines))]
    names[told.index] = [sections[title].replace(ASK, title) for title in told]
    names[untold.index] = ""
    names = names.mask(names == LEAVE)
    if pd.isna(names.iloc[0]):
        names.iloc[0] = sections.get("", "").replace(ASK, "")
    names = names.ffill()
    return names.mask(names == ""), told.index, untold.index


def told(cells, part, entry, given, known):
    """Title to the name of its vehicle, "?" where it may be no vehicle's; "" is for the rows above
    the first. part: the rows, each with the title above it as its vehicle. given: the only vehicle,
    or "". known: the vehicles of other sheets. {} where no title stands among the rows."""
    found, first = titles(cells, entry["header_lines"]), part.picked.index.min()
    body = found[found.index > max(entry["header_lines"])]
    if body.empty:
        return {}
    found = body if first > body.index.min() else found  # what is above the header heads no rows
    order = entry["date_order"]
    held, day = part.picked.get("odometer"), part.picked.get("date")
    rows = part.picked.reindex(columns=["vehicle"])
    rows["value"] = rows["day"] = None
    if held is not None and day is not None:
        rows["value"] = values(held, entry["decimal"], part.typed["odometer"])
        rows["day"] = dates(day, ORDERS[0] if order == ASK else order)
    read = rows.dropna(subset=["value", "day"])
    own = [group for _, group in read.groupby("vehicle")]
    is_proved = len(own) > 1 and all(_falls(one) == 0 for one in own)
    is_proved &= all(_falls(pd.concat(two)) >= FALLS for two in combinations(own, 2))
    if given and len(read) and _falls(read) == 0:
        return {}
    names = {}
    for title in found:
        before, _, name = title.partition(":")
        is_named = bool(name.strip()) and heading(before) == "vehicle"
        is_known = " ".join(plain_letters(title).split()) in known
        names[title] = name.strip() if is_named else title if is_proved or is_known else ASK
    return names | ({"": given or ASK} if first < found.index.min() else {})


def _falls(rows):
    """How often the readings fall from day to day."""
    return int((rows.sort_values(["day", "value"])["value"].diff() < 0).sum())
