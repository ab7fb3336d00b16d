"""What the cells of a table together prove of the way they are written, never by a guess: the order
of their dates, their decimal mark, units and currencies, and which columns of money are unit
prices, or the sum of others. What the figures don't settle is asked."""

import re
from itertools import permutations, product

import numpy as np
import pandas as pd

from wearbar.log import schema
from wearbar.log.checks.peers import grows_with
from wearbar.log.sources.header import CHOICES, toml
from wearbar_adopt.cells import (
    ASK,
    SIGNS,
    SIZES,
    UNITS,
    WRITTEN,
    contested,
    dates,
    either,
    numbers,
    plain_letters,
    values,
)
from wearbar_adopt.heads import heading, is_exact

_YEAR = r"(?<!\d)\d{4}(?!\d)"
SHARE = 0.8  # of the rows that must agree
HALF = 0.5  # of the rows on which a total is its parts and nothing more
NEAR, CENT = 0.01, 0.02  # of two amounts that are the same but for rounding
LITTLE, MUCH = 0.2, 3.0  # cost over volume: less is the price of one unit, more may be
TOTAL = re.compile(r"total|cost|paid|amount|sum|betrag|kosten|importe", re.IGNORECASE)
TOTAL_OF = re.compile(r"total|sum|gesamt", re.IGNORECASE)
PENCE = re.compile(r"pence|ppl|\bp\b|cents?\b|\bct\b", re.IGNORECASE)
PARTS, REST = ("labour_cost", "parts_cost"), "other_cost"


def date_order(cells, today=None):
    """(order, sentence) of a table's dates; "?" where not known, "" where plain. Of the readings of
    a date whose year has two digits, one after `today` counts only where none is earlier."""
    if (cells := contested(cells, "date_order")).empty:
        return "year-first", ""
    read = pd.DataFrame({order: dates(cells, order) for order in WRITTEN["date_order"]})
    if today is not None:
        is_short = ~cells.astype(object).str.contains(_YEAR, regex=True).eq(True)
        is_past = read.le(pd.Timestamp(today))
        read = read.where(is_past | ~(is_short & is_past.any(axis=1)).to_numpy()[:, None])
    return _decided(cells, read, "order", lambda day: f"{day:%d %b %Y}")


def decimal_mark(cells):
    """(decimal mark, sentence) of a table's numbers, as `date_order`."""
    if (cells := contested(cells, "decimal")).empty:
        return "point", ""
    read = pd.DataFrame({mark: numbers(cells, mark)["plain"] for mark in WRITTEN["decimal"]})
    return _decided(cells, read, "decimal mark", str)


def _decided(cells, read, what, shown):
    """cells: those that are contested. read: a column a choice."""
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
    """The units of cells that name none, by column, of its heading or other cells."""
    units, title = {}, {name: head for head, name in entry["columns"].items()}
    for name in part.named("number"):
        quantity, head = schema.column(entry["to"], name).quantity, title[name]
        quantity = entry["constants"].get("quantity", "") if name == "value" else quantity
        cells, typed = part.picked[name], part.typed[name]
        read = either(cells, "point", typed)
        if quantity == "money":
            words = re.findall(r"[A-Z]{3}|[^\w\s]|\w+\$", head)
            signs = {*SIGNS, *sum(SIGNS.values(), ())}.intersection(words)
            seen.units.setdefault("currency", set()).update(
                signs, {sign for *_, sign in read if sign}
            )
            continue
        sizes = {*SIZES.get(quantity, ())} - {"", "%"}
        sizes |= {"gal", "kWh"} if quantity == "volume" else set()
        beside = sizes.intersection(unit for _, unit, _ in read)
        heads = sizes.intersection(map(UNITS.get, re.findall(r"/32|[a-z]+", plain_letters(head))))
        if quantity in CHOICES:
            seen.units.setdefault(quantity, set()).update((beside | heads) - {"kWh"})
        bare = sum(bool(number) and not unit for number, unit, _ in read)
        told = heads or beside
        if not bare or told in (set(), {"kWh"}):
            continue
        said = {"head": head, "n": bare, "units": " and ".join(sorted(told))}
        units[name] = min(told)
        if told == {"gal"} and "gal" in seen.given.get("volume", ""):
            units[name] = seen.given["volume"]
        elif len(told) > 1 or told == {"gal"}:
            units[name] = ASK
            seen.say("two_gallons" if told == {"gal"} else "two_units", **said)
        elif not heads:
            seen.say("bare", **said)
    return units


def header_units(seen):
    """The lines of [log] on units and currency, "?" where the sheets speak of several or none."""
    lines = []
    for key, units in seen.units.items():
        names, choices = units - {"gal"}, CHOICES.get(key)
        if key == "currency":  # those that all the signs may stand for
            meant = [set(SIGNS.get(sign, (sign,))) for sign in units]
            names = set.intersection(*meant) if meant else set()
            choices = sorted(names) or ["such as GBP"]
        if key in seen.given or (len(names) == 1 and "gal" not in units):
            lines.append(f"{key} = {toml(seen.given.get(key) or min(names))}")
            continue
        lines.append(f"{key} = {toml(ASK)}  # {', '.join(choices)}")
        has = f"has {', '.join(sorted(units))}" if units else "does not say"
        seen.say("log_unit", key=key, has=has)
    if "currency" in seen.units and "money" in seen.given:
        lines.append(f"money = {toml(seen.given['money'])}")
    elif "currency" in seen.units and not seen.given.get("yes"):
        seen.say("tax")
        lines.append(f"money = {toml(ASK)}  # net, gross")
    return lines


def settle_money(cells, typed, names, entry, say):
    """Give each column of money its place, in `entry` (a [[table]], its decimal mark decided);
    `say` what was or is to be decided. cells, typed: rows of a `Grid`. names: heading to place."""
    held = {column: head for head, column in entry["columns"].items()}
    parts = [part for part in PARTS if part in held]
    is_split = entry["to"] == "work" and REST in held and parts
    if not is_split and (entry["to"] != "fuel" or "volume" not in held):
        return
    decimal = entry["decimal"]
    read = {head: values(cells[place], decimal, typed[place]) for head, place in names.items()}
    if not is_split:
        _of_fills(read, entry["columns"], held["volume"], say)
        return
    # of work: whether what is left is the sum of the others, with the tax or without
    total, shares = held[REST], []
    choices = [parts, [*parts, "tax"]] if "tax" in held else [parts]
    for some in choices:
        each = np.nan_to_num(np.vstack([read[held[part]] for part in some]))
        together = np.where((each != 0).any(axis=0), each.sum(axis=0), np.nan)
        shares.append(_share_of_same(together, read[total]))
    best = choices[np.argmax(shares)]
    told = {"total": total, "parts": " and ".join(held[part] for part in best), "rest": REST}
    least = np.nansum([read[held[part]] for part in parts], axis=0)
    known = np.isfinite(read[total]) & (least > 0)
    is_above = known.any() and (read[total] >= least - CENT)[known].mean() >= SHARE
    if max(shares) >= HALF:
        entry["less"] = {REST: best}
        say("sum", **told)
    elif is_above or max(shares) > 1 - SHARE or TOTAL_OF.search(total):
        entry["columns"][total] = ASK
        say("no_sum", less=", ".join(f'"{part}"' for part in best), **told)


def _share_of_same(one, other, least=1):
    """The share of amounts that are the same but for rounding, of those known; 0 of too few."""
    both = np.isfinite(one) & np.isfinite(other) & (other != 0)
    same = np.abs(one - other)[both] <= (NEAR * np.abs(other) + CENT)[both]
    return float(same.mean()) if both.sum() >= least else 0.0


def _of_fills(read, columns, volume, say):
    told = {head: heading(head, "fuel") for head in read}
    prices, costs = ([h for h in read if told[h] == name] for name in ("unit_price", "cost"))
    money = [head for head in read if head in (*prices, *costs)]
    for head in money:
        columns.pop(head, None)
    # of two amounts one that is the other times the volume, in whole ones or in hundredths
    for (price, cost), scale in product(permutations(money, 2), (1, 100)):
        is_told = told[price] == "unit_price" and told[cost] == "cost"
        together = read[price] * read[volume] / scale
        if _share_of_same(together, read[cost], least=1 if is_told else 2) >= SHARE:
            columns[cost] = "cost"
            columns |= {price: "unit_price"} if scale == 1 else {}
            block = "price" if scale == 1 else "price_100"
            say(block, price=price, cost=cost, volume=volume)
            return
    price = prices[0] if prices else ""
    is_pence = bool(PENCE.search(price))
    if is_pence:
        say("pence", price=price)
    elif price:
        columns[price] = "unit_price"
    sure = [h for h in costs if is_exact(h)] or [h for h in costs if TOTAL.search(h)] or costs
    columns |= dict.fromkeys(sure if len(sure) > 1 else (), ASK)
    if len(sure) == 1:
        cost = sure[0]
        columns[cost] = _cost_alone(cost, read[cost], read[volume], volume, say)
        if price and not is_pence and columns[cost] == "cost":
            columns[price] = ASK
            say("three", price=price, cost=cost, volume=volume)


def _cost_alone(head, cost, size, volume, say):
    """The column of a lone amount of a fill; what is not plain is said."""
    grows, is_total = grows_with(cost, size), bool(TOTAL.search(head))
    known = np.isfinite(cost * size) & (size > 0)
    each = np.median(cost[known] / size[known]) if known.any() else np.nan
    if grows or (is_total and grows is None and not each < LITTLE):
        return "cost"
    is_odd = each < LITTLE or each > MUCH
    column, block = (ASK, "either") if is_odd else ("cost", "cost")
    if grows is False:
        column, block = (ASK, "flat_total") if is_total else ("unit_price", "flat")
    say(block, cost=head, volume=volume)
    return column
