"""Two layouts and what they add to a [[table]]: vehicles as titles among the rows, and a checklist.
What isn't proved is asked, by `say` of what was `seen` (`propose.Seen`)."""

from wearbar_adopt import marks, sections
from wearbar_adopt.cells import ASK
from wearbar_adopt.grids import pick
from wearbar_adopt.heads import meant


def give_sections(grid, entry, seen):
    """Put into `entry` whose rows stand below which title, where its vehicles stand as titles."""
    if "vehicle" in entry["columns"].values() or entry["to"] == "vehicles":
        return
    titles = sections.titles(grid.cells, entry["header_lines"])
    if not (titles.index > max(entry["header_lines"])).any():
        return
    part = pick(grid, entry | {"sections": dict.fromkeys(titles, ASK)})
    given = seen.given.get("vehicle", "")
    told = sections.told(grid.cells, part, entry, given, seen.vehicles)
    entry |= {"sections": told} if told else {}
    for block, some in (
        ("sections", [name for title, name in told.items() if title and name != ASK]),
        ("titles", [title for title, name in told.items() if title and name == ASK]),
    ):
        if some:
            seen.say(block, names=", ".join(some))
    if told.get("") == ASK:
        seen.say("untitled")


def checklist(grid, names, entry, marked, seen):
    """The [[table]]s of a sheet with columns of marks: what else it is, and one of the marks."""
    open_ = {h for h, c in entry["columns"].items() if c == ASK and not meant(h, entry["to"])}
    entry["columns"] = {h: c for h, c in entry["columns"].items() if h not in open_}
    rows = pick(grid, entry).picked.index
    each, cells = marks.jobs(grid, names, rows, marked, sorted(open_), seen.tasks)
    seen.tables.add("work")
    seen.say("marks", heads=", ".join(each))
    if ASK in each.values():
        seen.say("no_job", heads=", ".join(h for h, task in each.items() if task == ASK))
    if ASK in cells.values():
        seen.say("cells", words=", ".join(word for word, code in cells.items() if code == ASK))
    if cells.get(marks.NUMBER) == ASK:
        seen.units.setdefault("currency", set())
    if entry["to"] == "work" and "task" not in entry["columns"].values():
        entry |= {"each": each, "cells": cells}
        return [entry]
    more = {key: value for key, value in entry.items() if key != "less"}
    more |= {"to": "work", "columns": marks.shared([h for h in names if h not in each])}
    return [entry, more | {"each": each, "cells": cells}]
