"""What the cells of a table together prove of the way they are written, never by a guess.

The order of their dates, their decimal mark, and the units and currencies that a sheet speaks of,
in its headings and beside its numbers.
"""

import re

import pandas as pd

from wearbar.adopt.cells import DECIMALS, ORDERS, SIZES, currencies, dates, numbers
from wearbar.adopt.lexicon import SIGNS, UNITS
from wearbar.adopt.maps import ASK
from wearbar.log import schema
from wearbar.log.sources.header import CHOICES
from wearbar.log.toml import toml

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


def units_of(part, entry, seen):
    """The units of cells that name none, by column; those named are noted in `seen.units`."""
    units, head = {}, {name: title for title, name in entry["columns"].items()}
    for name in part.named("number"):
        quantity = schema.column(entry["to"], name).quantity
        quantity = entry["constants"].get("quantity", "") if name == "value" else quantity
        cells, typed = part.picked[name], part.typed[name]
        read = numbers(cells, "point", typed).fillna(numbers(cells, "comma", typed))
        if quantity == "money":
            words = re.findall(r"[A-Z]{3}|[^\w\s]|\w+\$", head[name])
            signs = {*SIGNS, *sum(SIGNS.values(), ())}.intersection(words)
            seen.units.setdefault("currency", set()).update(signs, read["sign"].dropna())
        elif quantity:
            if quantity in CHOICES:
                seen.units.setdefault(quantity, set())
            unit = _bare_unit(quantity, head[name], read, seen)
            units |= {name: unit} if unit else {}
    return units


def _bare_unit(quantity, head, read, seen):
    """The unit of numbers that have none beside them: of the heading or other cells, or ""."""
    sizes = {*SIZES.get(quantity, ())} - {"", "%"}
    sizes |= {"gal", "kWh"} if quantity == "volume" else set()
    beside = sizes.intersection(read["unit"].dropna())
    words = re.findall(r"/32|[a-z]+", head.casefold())
    heads = sizes.intersection(UNITS[word] for word in words if word in UNITS)
    if quantity in seen.units:
        seen.units[quantity] |= (beside | heads) - {"kWh"}
    bare, told = int((read["plain"].notna() & read["unit"].isna()).sum()), heads or beside
    if not bare or not told or told == {"kWh"}:
        return ""
    if len(told) > 1 or told == {"gal"}:
        both = f"both {' and '.join(sorted(told))}"
        has = "gallons, of which there are two" if told == {"gal"} else both
        mend = f"say in units what the numbers without a unit ({bare}) are in"
        seen.say(f"{head}: it has {has}: {mend}.")
        return ASK
    if not heads:
        others = f"read as {min(told)}, as the others of the column are"
        seen.say(f"{head}: cells without a unit ({bare}) are {others}.")
    return min(told)


def header_units(seen):
    """The lines of [log] on units and currency, "?" where the sheets speak of several or none."""
    lines = []
    for key, units in seen.units.items():
        names, choices = units - {"gal"}, CHOICES.get(key)
        if key == "currency":  # those that all the signs may stand for
            names = set.intersection(*(set(currencies(sign)) for sign in units)) if units else set()
            choices = sorted(names) or ["such as GBP"]
        if len(names) == 1 and "gal" not in units:
            lines.append(f"{key} = {toml(min(names))}")
            continue
        lines.append(f"{key} = {toml(ASK)}  # {', '.join(choices)}")
        told = f"has {', '.join(sorted(units))}" if units else "does not say"
        seen.say(f"The log's {key}: the file {told}; set it in [log].")
    if "currency" in seen.units:
        seen.say("Is its money net or gross of recoverable tax? Set money in [log].")
        lines.append(f"money = {toml(ASK)}  # net, gross")
    return lines
