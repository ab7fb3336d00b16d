"""Which columns of money are unit prices, and which are the sum of others: by name and figures.

A price of a litre taken for the cost of a fill, or a total added to its own parts, would make
every sum wrong; what the figures don't settle is asked.
"""

import re
from itertools import permutations

import numpy as np
import pandas as pd

from wearbar.adopt.cells import numbers
from wearbar.adopt.lexicon import heading
from wearbar.adopt.maps import ASK
from wearbar.log.checks.peers import grows_with

SHARE = 0.8  # of the rows that must agree
HALF = 0.5  # of the rows on which a total is its parts and nothing more
NEAR, CENT = 0.01, 0.02  # of two amounts that are the same but for rounding
LITTLE, MUCH = 0.2, 3.0  # cost over volume: less is the price of one unit, more may be
TOTAL = re.compile(r"total|cost|paid|amount|sum|betrag|kosten|importe", re.IGNORECASE)
PENCE = re.compile(r"pence|ppl|\bp\b|cents?\b|\bct\b", re.IGNORECASE)
PARTS = ("labour_cost", "parts_cost")
REST = "other_cost"


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
