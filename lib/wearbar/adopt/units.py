"""The units and currencies that a sheet speaks of, in its headings and beside its numbers."""

import re

from wearbar.adopt.cells import SIZES, currencies, numbers
from wearbar.adopt.lexicon import SIGNS, UNITS
from wearbar.adopt.maps import ASK
from wearbar.log import schema
from wearbar.log.sources.header import CHOICES
from wearbar.log.write import toml

__all__ = ["header_units", "units_of"]


def units_of(part, entry, seen):
    """The units of cells that name none, by column; those named are noted in `seen.units`."""
    units, head = {}, {name: title for title, name in entry["columns"].items()}
    for name in part.picked:
        col = schema.column(entry["to"], name)
        quantity = entry["constants"].get("quantity", "") if name == "value" else col.quantity
        if col.kind != "number" or quantity == "":
            continue
        read = numbers(part.picked[name], "point", part.typed[name])
        read = read.fillna(numbers(part.picked[name], "comma", part.typed[name]))
        if quantity == "money":
            found = seen.units.setdefault("currency", set())
            found.update(read["sign"].dropna(), _signs(head[name]))
            continue
        if quantity in CHOICES:
            seen.units.setdefault(quantity, set())
        unit = _bare_unit(quantity, head[name], read, seen)
        if unit:
            units[name] = unit
    return units


def _signs(head):
    known = {*SIGNS, *sum(SIGNS.values(), ())}
    return [word for word in re.findall(r"[A-Z]{3}|[^\w\s]|\w+\$", head) if word in known]


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
        names = _in_common(units) if key == "currency" else units - {"gal"}
        if len(names) == 1 and "gal" not in units:
            lines.append(f"{key} = {toml(min(names))}")
            continue
        choices = ", ".join(sorted(names) if key == "currency" else CHOICES[key])
        lines.append(f"{key} = {toml(ASK)}  # {choices or 'such as GBP'}")
        told = f"has {', '.join(sorted(units))}" if units else "does not say"
        seen.say(f"The log's {key}: the file {told}; set it in [log].")
    if "currency" in seen.units:
        seen.say("Is its money net or gross of recoverable tax? Set money in [log].")
        lines.append(f"money = {toml(ASK)}  # net, gross")
    return lines


def _in_common(signs):
    """The currencies that all the signs may stand for."""
    return set.intersection(*(set(currencies(sign)) for sign in signs)) if signs else set()
