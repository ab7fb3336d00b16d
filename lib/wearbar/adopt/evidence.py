"""What the cells of a table together prove of the way they are written, never by a guess.

The order of their dates, their decimal mark, the units and currencies that a sheet speaks of, in
its headings and beside its numbers; and which columns of money are unit prices, or the sum of
others. A price of a litre taken for the cost of a fill, or a total added to its own parts, would
make every sum wrong: what the figures don't settle is asked.
"""

import re
from itertools import permutations

import numpy as np
import pandas as pd

from wearbar.adopt.cells import (
    DECIMALS,
    ORDERS,
    SIGNS,
    SIZES,
    UNITS,
    currencies,
    dates,
    heading,
    numbers,
)
from wearbar.adopt.maps import ASK
from wearbar.log import schema
from wearbar.log.checks.peers import grows_with
from wearbar.log.sources.header import CHOICES, toml

_YEAR = r"(?<!\d)\d{4}(?!\d)"
SHARE = 0.8  # of the rows that must agree
HALF = 0.5  # of the rows on which a total is its parts and nothing more
NEAR, CENT = 0.01, 0.02  # of two amounts that are the same but for rounding
LITTLE, MUCH = 0.2, 3.0  # cost over volume: less is the price of one unit, more may be
TOTAL = re.compile(r"total|cost|paid|amount|sum|betrag|kosten|importe", re.IGNORECASE)
PENCE = re.compile(r"pence|ppl|\bp\b|cents?\b|\bct\b", re.IGNORECASE)
PARTS = ("labour_cost", "parts_cost")
REST = "other_cost"


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


def settle_money(cells, typed, names, entry):
    """Give each column of money its place, in `entry`; sentences on what was or is to be decided.

    cells, typed: rows of a `Grid` below its header. names: heading to place. entry: a [[table]],
    its columns and decimal mark decided.
    """
    decimal, read = "comma" if entry["decimal"] == "comma" else "point", {}
    for head, place in names.items():
        plain = numbers(cells[place], decimal, typed[place])["plain"]
        read[head] = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=float)
    if entry["to"] == "fuel":
        return list(_of_fills(read, entry["columns"]))
    return list(_of_work(read, entry)) if entry["to"] == "work" else []


def _share_of_same(one, other, least=1):
    """The share of amounts that are the same but for rounding, of those known; 0 of too few."""
    both = np.isfinite(one) & np.isfinite(other) & (other != 0)
    same = np.abs(one - other)[both] <= (NEAR * np.abs(other) + CENT)[both]
    return float(same.mean()) if both.sum() >= least else 0.0


def _of_fills(read, columns):
    volume = next((head for head, name in columns.items() if name == "volume"), None)
    if volume is None:
        return
    told = {head: heading(head, "fuel") for head in read}
    money = [head for head, name in told.items() if name in ("cost", "unit_price")]
    for head in money:
        columns.pop(head, None)
    for unit, cost in permutations(money, 2):
        for scale in (1, 100):
            if _share_of_same(read[unit] * read[volume] / scale, read[cost], least=2) >= SHARE:
                yield _pair(columns, unit, cost, scale, volume)
                return
    yield from _without_a_pair(read, columns, volume, {head: told[head] for head in money})


def _without_a_pair(read, columns, volume, told):
    price = next((head for head, name in told.items() if name == "unit_price"), None)
    costs = [head for head, name in told.items() if name == "cost"]
    is_pence = bool(price and PENCE.search(price))
    if is_pence:
        pence = f"{price}: a price in hundredths of the currency is not carried over"
        yield f"{pence}; turn it into whole ones, and call it unit_price."
    elif price:
        columns[price] = "unit_price"
    if not costs:
        return
    cost = min(costs, key=lambda head: not TOTAL.search(head))
    columns[cost], said = _one_alone(cost, read[cost], read[volume], volume)
    if said:
        yield said
    if price and not is_pence and columns[cost] == "cost":
        columns[price] = ASK
        look = "look which of the three is what"
        yield f"{price} times {volume} is not {cost} on most rows: {look}."


def _pair(columns, unit, cost, scale, volume):
    columns[cost] = "cost"
    if scale == 1:
        columns[unit] = "unit_price"
        taken = f"{unit} is taken for the price of one unit, {cost} for the cost of the fill"
        return f"{unit} times {volume} is {cost}: {taken}."
    taken = f"{cost} is the cost, and {unit}, in hundredths, is not carried over"
    return f"{unit} times {volume} is a hundred times {cost}: {taken}."


def _one_alone(head, cost, size, volume):
    """(column, sentence): what a lone amount of a fill is; the sentence is "" where it is plain."""
    grows, is_total = grows_with(cost, size), bool(TOTAL.search(head))
    known = np.isfinite(cost * size) & (size > 0)
    each = np.median(cost[known] / size[known]) if known.any() else np.nan
    if grows or (is_total and grows is None and not each < LITTLE):
        return "cost", ""
    question = f"{head}: is it the cost of the fill, or the price of one unit?"
    ask = f"{question} Say cost or unit_price in columns."
    flat = f"{head} does not grow with {volume}"
    if grows is False and is_total:
        return ASK, f"{flat}. {ask}"
    if grows is False:
        taken = "it is taken for the price of one unit; if it is the fill's, say cost."
        return "unit_price", f"{flat}: {taken}"
    if each < LITTLE or each > MUCH:
        return ASK, ask
    other = "if it is the price of one unit, say unit_price in columns"
    return "cost", f"{head} is taken for the cost of the fill; {other}."


def _of_work(read, entry):
    held = {column: head for head, column in entry["columns"].items()}
    parts = [part for part in PARTS if part in held]
    if REST not in held or not parts:
        return
    total = held[REST]
    choices = [parts, [*parts, "tax"]] if "tax" in held else [parts]
    shares = [_share_of_sums(read[total], [read[held[p]] for p in some]) for some in choices]
    share, best = max(shares), choices[np.argmax(shares)]
    told = " and ".join(held[part] for part in best)
    if share >= HALF:
        entry["less"] = {REST: best}
        beyond = f"only what it has beyond them is carried over, as {REST}"
        yield f"{total} is {told} together: {beyond}."
    elif share > 1 - SHARE or re.search(r"total|sum", total, re.IGNORECASE):
        entry["columns"][total] = ASK
        less = ", ".join(f'"{part}"' for part in best)
        yield (
            f"{total} is not {told} together on most rows. If it is their sum, say {REST} in "
            f"columns and add less = {{ {REST} = [{less}] }}; if it is a cost of its own, "
            f"say {REST} alone."
        )


def _share_of_sums(total, parts):
    """The share of rows whose total is its parts together, of those with both; 0 of none."""
    each = np.nan_to_num(np.vstack(parts))
    return _share_of_same(np.where((each != 0).any(axis=0), each.sum(axis=0), np.nan), total)
