"""The columns of a sheet that no table takes. One with money, distances, days or numbers is asked
about, unless it is proved to be worked out from the others; no other word of it is lost unseen."""

import re

import numpy as np
import pandas as pd

from wearbar.log import schema
from wearbar.log.units import FACTORS
from wearbar_adopt.cells import ASK, INSIDE, LEAVE, ORDERS, dates, either, is_day, values
from wearbar_adopt.evidence import SHARE
from wearbar_adopt.heads import RATE, meant, plain_heading

HALF, FEWEST = 0.5, 2  # of the cells; rows that must agree
ROUNDED, CENTS, SLIP = 0.55, 0.03, 2e-4  # what rounding does to distances, to others; a share
_SIZES = {a / b for sizes in FACTORS.values() for a in sizes.values() for b in sizes.values()}


_MONEY = re.compile(r"\d+[.,]\d\d")


def holds(cells, decimal="point", typed=None):
    """What a column of text holds that a log may want: "money", "dates", "distances", "numbers",
    or "" where it holds words."""
    cells = cells.dropna()
    if cells.empty:
        return ""
    read = either(cells, decimal, typed[cells.index] if typed is not None else None)
    if any(sign for _, _, sign in read):
        return "money"
    if is_day(cells).mean() >= HALF:
        return "dates"
    if any(unit in FACTORS["distance"] for _, unit, _ in read):
        return "distances"
    if sum(bool(plain) for plain, _, _ in read) >= HALF * len(read):
        return "numbers"
    return "money or distances" if any(map(INSIDE.search, cells)) else ""


def is_measured(cells, told):
    """Whether a column may hold what its heading tells (`heads.measure`): where it is known, no
    money or days, and none too large for it."""
    if not told.get("position") or holds(cells) not in ("numbers", ""):
        return False
    return not (values(cells, "point") > told["most"]).any()


def settle_rivals(cells, typed, names, entry, say):
    """Of columns that may all be one of the table's ("?"), the first is it where the others are the
    same in another unit; else that is said. A column of words that holds money or days is asked."""
    columns, to = entry["columns"], entry["to"]
    rivals = [head for head, column in columns.items() if column == ASK]
    for name in dict.fromkeys(meant(head, to) for head in rivals):
        first, *others = some = [head for head in rivals if meant(head, to) == name]
        read = {h: values(cells[names[h]], entry["decimal"], typed[names[h]]) for h in some}
        one = np.zeros(len(cells))
        if all(_worked_out(read[h], read, {first: name}, to, one) for h in others):
            columns |= {first: name} | dict.fromkeys(others, LEAVE)
            say("worked_out", head=", ".join(others), of=first)
        else:
            say("rivals", heads=", ".join(some), name=name)
    for head, name in columns.items():
        if not (col := schema.column(to, name)):
            continue
        what = holds(cells[names[head]], entry["decimal"], typed[names[head]])
        held = cells[names[head]].dropna()
        n_money = sum(map(bool, map(_MONEY.fullmatch, held)))
        is_money = n_money >= HALF * len(held)
        is_odd = what in ("money", "dates", "distances") or is_money
        is_odd |= what == "numbers" and col.kind != "id" and not col.codes
        is_odd &= col.kind in ("id", "text", "code")
        is_odd |= col.kind == "number" and what == "dates"
        is_odd |= col.quantity == "money" and what not in ("money", "numbers")
        if is_odd and len(held):
            columns[head] = ASK
            say("open", head=head, what=what or "words")


def settle_unused(cells, typed, names, left, entry, say):
    """Give each heading of `left` (to its place) its place in `entry`: "?" where its column holds
    what a log wants, "leave-out" where it is proved to be worked out. The list of the others."""
    columns, decimal, beside = entry["columns"], entry["decimal"], []
    what_of = {head: holds(cells[place], decimal, typed[place]) for head, place in left.items()}
    if not any(what_of.values()):
        return [*left]
    read = {head: values(cells[place], decimal, typed[place]) for head, place in names.items()}
    vehicle = next((h for h, column in columns.items() if column == "vehicle"), None)
    group = pd.factorize(cells[names[vehicle]])[0] if vehicle else np.zeros(len(cells))
    used = {head: column for head, column in columns.items() if column not in (ASK, LEAVE)}
    for head, what in what_of.items():
        if not what or (what == "numbers" and RATE.search(plain_heading(head))):
            beside.append(head)
        elif of := _worked_out(read[head], read, used, entry["to"], group):
            columns[head] = LEAVE
            say("worked_out", head=head, of=of)
        else:
            columns[head] = ASK
            say("open", head=head, what=what)
    return beside


def _worked_out(value, read, used, to, group):
    """The heading from which a column is worked out, "the rows" where it counts them, or "". group:
    a number for each vehicle, below 0 where there is none."""
    if _same(value, np.arange(1.0, len(value) + 1), ROUNDED):
        return "the rows"
    for head, name in used.items():
        quantity, other = schema.column(to, name).quantity, read[head]
        steps = _steps(other, group) if quantity == "distance" else ()
        near = ROUNDED if quantity == "distance" else CENTS
        if any(_same(value, step, 2 * ROUNDED, SHARE) for step in steps) or (
            quantity and any(_same(value, other * size, near) for size in _SIZES)
        ):
            return head
    return ""


def _steps(value, group):
    """How far each row is from the one before it of its group, and from the one after it."""
    order, steps = np.argsort(group, kind="stable"), np.full((2, len(value)), np.nan)
    of = group[order]
    step = np.abs(np.diff(value[order]))
    step[(of[1:] != of[:-1]) | (of[1:] < 0)] = np.nan
    steps[0, order[1:]], steps[1, order[:-1]] = step, step
    return steps


def _same(one, other, near, share=1.0):
    both = np.isfinite(one) & np.isfinite(other) & (other != 0)
    if both.sum() < FEWEST or np.isfinite(one).sum() > both.sum() + 1:
        return False
    one, other = one[both], other[both]
    alike = np.abs(one - other) <= near + SLIP * np.abs(other)
    return bool(alike.mean() >= share and (one != one[0]).any())


def settle_meter(part, meter, entry, say):
    """A column that does not grow with the days of a vehicle is no reading of a meter: "?"."""
    head = next(h for h, name in entry["columns"].items() if name == meter)
    value = values(part.picked[meter], entry["decimal"], part.typed[meter])
    order = entry["date_order"] if entry["date_order"] in ORDERS else ORDERS[0]
    rows = pd.DataFrame({"day": dates(part.picked["date"], order), "value": value})
    rows["vehicle"] = part.picked.get("vehicle", "")
    rows["vehicle"] = rows["vehicle"].astype(object).str.strip().str.casefold()
    turns = [rows, rows.iloc[::-1], rows.sort_values("day", kind="stable")]
    steps = [turn.dropna(subset=["value"]).groupby("vehicle")["value"].diff() for turn in turns]
    grows = max(((step.dropna() >= 0).mean() for step in steps if step.notna().any()), default=1.0)
    if len(rows) > FEWEST and grows < SHARE:
        entry["columns"][head] = ASK
        say("no_meter", head=head, meter=meter)
    elif plain_heading(head) in ("miles", "km", "kms", "mi", "distance"):
        say("odometer", head=head)
