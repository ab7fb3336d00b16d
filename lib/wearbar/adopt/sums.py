"""Which columns of money are unit prices, which are totals, and which totals are the sum of others: by name and by the figures.

A price of a litre taken for the cost of a fill, or a total added to its own parts, would make every sum wrong; what the figures don't
settle is asked.
"""

import re
from itertools import permutations

import numpy as np
import pandas as pd

from wearbar.adopt.cells import numbers
from wearbar.adopt.lexicon import MONEY, heading
from wearbar.adopt.maps import ASK
from wearbar.log.checks.peers import grows_with

__all__ = ["settle_money"]

SHARE = 0.8  # of the rows that must agree
HALF = 0.5  # of the rows on which a total is its parts and nothing more: on the others it has something beyond them
NEAR, CENT = 0.01, 0.02  # of two amounts that are the same but for rounding
LITTLE, MUCH = 0.2, 3.0  # cost over volume: less is the price of one unit, more may be
TOTAL = re.compile(r"total|cost|paid|amount|sum|betrag|kosten|importe", re.IGNORECASE)
PENCE = re.compile(r"pence|ppl|\bp\b|cents?\b|\bct\b", re.IGNORECASE)
PARTS = ("labour_cost", "parts_cost")


def settle_money(cells, typed, names, entry):
    """Give each column of money of a [[table]] its place, in `entry`; gives sentences on what was decided, or is to be.

    cells, typed: rows of a `Grid` below its header. names: heading to place. entry: of the map, its columns and decimal mark decided.
    """
    decimal = entry.get("decimal", "point")
    mark = "point" if decimal == ASK else decimal
    read = {head: _amounts(cells[place], mark, typed[place]) for head, place in names.items()}
    if entry["to"] == "fuel":
        return _of_fills(read, entry["columns"])
    if entry["to"] == "work":
        return _of_work(read, entry)
    return []


def _amounts(cells, decimal, typed):
    return pd.to_numeric(numbers(cells, decimal, typed)["plain"], errors="coerce").to_numpy(
        dtype=float
    )


def _same(one, other):
    return np.abs(one - other) <= NEAR * np.abs(other) + CENT


def _of_fills(read, columns):
    volume = next((head for head, name in columns.items() if name == "volume"), None)
    money = [head for head in read if heading(head, "fuel") in ("cost", "unit_price")]
    if volume is None or not money:
        return []
    for head in money:
        columns.pop(head, None)
    size = read[volume]
    for unit, cost in permutations(money, 2):
        for scale in (1, 100):
            if _agree(read[unit] * size / scale, read[cost]):
                return _pair(columns, unit, cost, scale, volume)
    return _without_a_pair(read, columns, money, volume)


def _without_a_pair(read, columns, money, volume):
    prices = [head for head in money if heading(head, "fuel") == "unit_price"]
    costs = sorted(
        (head for head in money if head not in prices), key=lambda head: not TOTAL.search(head)
    )
    said = []
    for head in prices[:1]:
        if PENCE.search(head):
            said.append(
                f"{head}: a price in hundredths of the currency is not carried over; turn it into whole ones, and call it unit_price."
            )
        else:
            columns[head] = "unit_price"
    for head in costs[:1]:
        columns[head], told = _one_alone(head, read[head], read[volume], volume)
        said += [told] if told else []
    if prices and costs and not PENCE.search(prices[0]) and columns[costs[0]] == "cost":
        said.append(
            f"{prices[0]} times {volume} is not {costs[0]} on most rows: look which of the three is what."
        )
        columns[prices[0]] = ASK
    return said


def _agree(one, other):
    both = np.isfinite(one) & np.isfinite(other) & (other != 0)
    return both.sum() >= 2 and _same(one, other)[both].mean() >= SHARE


def _pair(columns, unit, cost, scale, volume):
    columns[cost] = "cost"
    if scale == 1:
        columns[unit] = "unit_price"
        return [
            f"{unit} times {volume} is {cost}: {unit} is taken for the price of one unit, {cost} for the cost of the fill."
        ]
    return [
        f"{unit} times {volume} is a hundred times {cost}: {cost} is the cost, and {unit}, in hundredths, is not carried over."
    ]


def _one_alone(head, cost, size, volume):
    """The column that a lone amount of a fill is, and a sentence on it."""
    grows, is_total = grows_with(cost, size), bool(TOTAL.search(head))
    with np.errstate(divide="ignore", invalid="ignore"):
        each = (
            np.nanmedian(np.where(size > 0, cost / size, np.nan))
            if np.isfinite(cost * size).any()
            else np.nan
        )
    if grows or (is_total and grows is None and not each < LITTLE):
        return "cost", ""
    ask = f"{head}: is it the cost of the fill, or the price of one unit? Say cost or unit_price in columns."
    if grows is False:
        if is_total:
            return ASK, f"{head} does not grow with {volume}. {ask}"
        return (
            "unit_price",
            f"{head} does not grow with {volume}: it is taken for the price of one unit; if it is the fill's, say cost.",
        )
    if each < LITTLE or each > MUCH:
        return ASK, ask
    return (
        "cost",
        f"{head} is taken for the cost of the fill; if it is the price of one unit, say unit_price in columns.",
    )


def _of_work(read, entry):
    columns, name = entry["columns"], MONEY["work"]
    held = {column: head for head, column in columns.items()}
    parts = [part for part in PARTS if part in held]
    if name not in held or not parts:
        return []
    choices = [parts, [*parts, "tax"]] if "tax" in held else [parts]
    shares = {
        tuple(others): _share_of_sums(read[held[name]], [read[held[part]] for part in others])
        for others in choices
    }
    best = max(shares, key=lambda others: shares[others])
    told = " and ".join(held[part] for part in best)
    if shares[best] >= HALF:
        entry["less"] = {name: list(best)}
        return [
            f"{held[name]} is {told} together: only what it has beyond them is carried over, as {name}."
        ]
    if shares[best] <= 1 - SHARE and not re.search(r"total|sum", held[name], re.IGNORECASE):
        return []
    columns[held[name]] = ASK
    less = ", ".join(f'"{part}"' for part in best)
    return [
        f"{held[name]} is not {told} together on most rows. If it is their sum, say {name} in columns "
        f"and add less = {{ {name} = [{less}] }}; if it is a cost of its own, say {name} alone."
    ]


def _share_of_sums(total, parts):
    """The share of rows whose total is its parts together, of those that have both; 0 where none has."""
    each = np.nan_to_num(np.vstack(parts))
    both = np.isfinite(total) & (total != 0) & (each != 0).any(axis=0)
    return float(_same(each.sum(axis=0), total)[both].mean()) if both.any() else 0.0
