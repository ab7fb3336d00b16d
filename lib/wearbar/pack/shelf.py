"""Packs side by side in one folder: where the next stands, with which earlier one it is compared,
and the page that lists them."""

import hashlib
import html
import json
import os
import re
from itertools import count
from pathlib import Path
from typing import NamedTuple

from markupsafe import Markup

from wearbar.pack import folder as folders
from wearbar.pack.run import FIRST_PAGE
from wearbar.report import against
from wearbar.report import report as reports
from wearbar.report.quantities import clean, listing
from wearbar.report.template import page_of

SHELF = "wearbar-pack"
SIGN = "<!-- a list of packs, by its SHA-256: "  # in the last line of the page that lists them


class Standing(NamedTuple):
    """Where a pack stands."""

    out: Path
    earlier: tuple = ()  # folders of those that it may be compared with, newest first
    is_listed: bool = False


def standing(out, since, log, asked, each=""):
    """The `Standing` of a pack of a log: `out`, or where that is "" a folder in `SHELF` by its
    report date and selection. since: of an earlier pack where that was named."""
    if out:
        return Standing(Path(os.path.realpath(out)))
    shelf = Path(os.path.realpath(SHELF))
    own = clean(log.name), f"{log.as_of:%Y-%m-%d}", asked["site"], sorted(asked["vehicle"]), each
    return Standing(place_in(shelf, own), [] if since else earlier_in(shelf, own), True)


def put(stands, work, tell):
    """Put the finished pack of the folder `work` in its place, and in the list."""
    for name, there in folders.put_in_place(work, stands.out):
        tell(f"Your own {name} is now {there}: the pack has a file of that name")
    if stands.is_listed:
        write_list(stands.out.parent, tell)


def about(told):
    """What the pack of some findings is about: log's name, report date, selection of vehicles."""
    log, asked = told["log"], told["parameters"]
    return log["name"], log["as_of"], asked["site"], sorted(asked["vehicle"]), asked.get("each", "")


def packs_in(shelf):
    """(folder, findings or None where they can't be read) of each pack there, newest first."""
    found = []
    for folder in sorted(path.parent for path in shelf.glob(f"*/{folders.MANIFEST}")):
        if folders.read_manifest(folder):
            try:
                told = json.loads((folder / against.FINDINGS).read_text(encoding="utf-8"))
                day = str(about(told)[1])
            except (OSError, ValueError, RecursionError, LookupError, TypeError, AttributeError):
                told, day = None, ""
            found.append((day, folder, told))
    return [(folder, told) for _, folder, told in sorted(found, key=lambda x: x[0], reverse=True)]


def place_in(shelf, own):
    """The folder of a pack that is `about` that: a number follows where another's has its name."""
    _, day, site, vehicles, each = own
    parts = [site, *vehicles, f"each-{each}" if each else ""]
    selection = "-".join(filter(None, parts))
    stem = f"{day}-{folder_name(selection)}" if selection else day
    mine = {folder for folder, told in packs_in(shelf) if told and about(told) == own}
    names = (shelf / (stem if n == 1 else f"{stem}-{n}") for n in count(1))
    return next(path for path in names if path in mine or not path.exists())


def earlier_in(shelf, own):
    """The folders of earlier packs of the same log and selection, newest first."""
    name, day, *selection = own
    found = [(folder, about(told)) for folder, told in packs_in(shelf) if told]
    return [f for f, of in found if of[0] == name and of[1] < day and [*of[2:]] == selection]


def since_in(earlier, log, asked):
    """(the first of the packs that can be compared with, "" none; why those before it can't be)."""
    why = []
    for folder in earlier:
        try:
            against.earlier_pack(folder, log, asked)
        except reports.NotDone as error:
            said = str(error).replace(str(folder), folder.name).split("; ")[0]
            why.append(f"Not compared with the pack {folder.name}: {said}.")
        else:
            return folder, why
    return "", why


def write_list(shelf, tell):
    """Write the page that lists the packs, unless something else has its name: that is told."""
    path, rows = shelf / FIRST_PAGE, []
    if folders.read_manifest(shelf):
        told = (
            "holds a pack of the earlier layout, which stays as it is: no list of packs is written"
        )
        tell(f"{shelf} {told}. Move its files into a folder there to have it listed and compared")
        return
    text = path.read_text(encoding="utf-8", errors="replace") if path.is_file() else ""
    if os.path.lexists(path) and text != _signed(text.rpartition(SIGN)[0]):
        tell(f"{path} is not a list of packs, or was changed: it stays as it is; rename it")
        return
    for folder, told in packs_in(shelf):
        row = {"folder": folder.name, "day": "", "log": "", "selection": "", "headline": ""}
        if told:
            name, day, site, vehicles, each = about(told)
            selection = [site and f"site {site}", *vehicles, each and f"a pack for each {each}"]
            selection = listing(filter(None, selection), most=4)
            row |= {"day": day, "log": clean(name), "selection": clean(selection)}
            row["headline"] = _first(told)
        rows.append(row)
    page = page_of("list.html.j2", css=Markup(reports.css_of("tables", "report")), packs=rows)
    new = path.with_name(f".{FIRST_PAGE}.{os.getpid()}")
    new.write_text(_signed(page + "\n"), encoding="utf-8")
    new.replace(path)


def _signed(page):
    return f"{page}{SIGN}{folders.sha256(page.encode())} -->\n"


def _first(told):
    """The most urgent headline of a pack, as plain text."""
    try:
        heads = [h for report in told["reports"].values() for h in report["headlines"]]
        heads.sort(key=lambda h: list(reports.URGENCY).index(h["urgency"]))
        text = heads[0]["text"] if heads else ""
    except (LookupError, TypeError, AttributeError, ValueError):
        text = ""
    return clean(html.unescape(text.replace("**", "")), 400)


def folder_name(name, is_alike=False):
    """What the folder of a vehicle or site is called, the same each time, safe on any system.

    is_alike: another name differs by its capitals alone, which some systems don't tell apart.

    >>> folder_name("V01"), folder_name("Ferry Quay")
    ('V01', 'Ferry-Quay-1e1d68fd')
    """
    safe = re.sub(r"[^A-Za-z0-9_-]+", "-", name).strip("-")[:40]
    is_device = re.fullmatch(r"(?i)con|prn|aux|nul|com\d|lpt\d", safe)
    if safe == name and not is_device and not is_alike:
        return safe
    return f"{safe or 'pack'}-{hashlib.sha256(name.encode()).hexdigest()[:8]}"
