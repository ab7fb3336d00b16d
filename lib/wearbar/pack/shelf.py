"""Packs side by side in one folder: where the next stands, with which earlier one it is compared,
and the page that lists them."""

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
from wearbar.report.quantities import clean
from wearbar.report.template import page_of

SHELF = "wearbar-pack"
SIGN = "<!-- a list of packs, by its SHA-256: "  # in the last line of the page that lists them


class About(NamedTuple):
    """What a pack is about: its log's name, its report date, which vehicles."""

    name: str
    day: str
    site: str
    vehicles: tuple
    each: str = ""


class Standing(NamedTuple):
    """Where a pack stands."""

    out: Path
    earlier: tuple = ()  # folders of those that it may be compared with, newest first
    is_listed: bool = False


def standing(out, since, log, asked, each=""):
    """The `Standing` of a pack of a log: `out`, or where that is "" a folder in `SHELF` by its
    report date and selection, with a number where another pack has that name. since: of an earlier
    pack where that was named."""
    if out:
        return Standing(Path(os.path.realpath(out)))
    shelf, day = Path(os.path.realpath(SHELF)), f"{log.as_of:%Y-%m-%d}"
    own = About(clean(log.name), day, asked["site"], tuple(sorted(asked["vehicle"])), each)
    packs = [(folder, about) for folder, about, _ in _packs_in(shelf) if about]
    mine = [folder for folder, about in packs if about == own]
    selection = "-".join(filter(None, [own.site, *own.vehicles, each and f"each-{each}"]))
    stem = f"{day}-{folder_name(selection)}" if selection else day
    names = (shelf / (stem if n == 1 else f"{stem}-{n}") for n in count(1))
    earlier = [f for f, of in packs if of.day < day and of._replace(day=day) == own]
    out = next(path for path in names if path in mine or not path.exists())
    return Standing(out, () if since else tuple(earlier), True)


def _packs_in(shelf):
    """(folder, `About` or None where it can't be read, first headline) of each, newest first."""
    folder_of = (path.parent for path in sorted(shelf.glob(f"*/{folders.MANIFEST}")))
    packs = [(folder, *_read(folder)) for folder in folder_of if folders.read_manifest(folder)]
    return sorted(packs, key=lambda pack: pack[1].day if pack[1] else "", reverse=True)


def _read(folder):
    try:
        told = json.loads((folder / against.FINDINGS).read_text(encoding="utf-8"))
        log, asked = told["log"], told["parameters"]
        made = [log["name"], log["as_of"], asked["site"], asked.get("each", "")]
        name, day, site, each = map(str, made)
        about = About(name, day, site, tuple(sorted(map(str, asked["vehicle"]))), each)
        found = sorted(told["reports"].items(), key=lambda report: report[0] != against.REPORT)
        heads = [h for _, report in found for h in report["headlines"]]
        heads.sort(key=lambda h: list(reports.URGENCY).index(h["urgency"]))
        text = html.unescape(heads[0]["text"].replace("**", "")) if heads else ""
    except (OSError, ValueError, RecursionError, LookupError, TypeError, AttributeError):
        return None, ""
    return about, clean(text, 400)


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


def put(stands, work, tell):
    """Put the finished pack of the folder `work` in its place, and in the list of packs, unless
    something else has the name of that: it is told."""
    for name, there in folders.put_in_place(work, stands.out):
        tell(f"Your own {name} is now {there}: the pack has a file of that name")
    shelf, page = stands.out.parent, stands.out.parent / FIRST_PAGE
    if not stands.is_listed:
        return
    if folders.read_manifest(shelf):
        told = "a pack of the earlier layout, which stays as it is: no list of packs is written"
        tell(f"{shelf} holds {told}. Move its files into a folder there to have it listed")
        return
    text = page.read_text(encoding="utf-8", errors="replace") if page.is_file() else ""
    if os.path.lexists(page) and text != _signed(text.rpartition(SIGN)[0]):
        tell(f"{page} is not a list of packs, or was changed: it stays as it is; rename it")
        return
    css = Markup(reports.css_of("tables", "report"))
    made = page_of("list.html.j2", css=css, packs=_packs_in(shelf))
    new = page.with_name(f".{os.getpid()}")
    new.write_text(_signed(made + "\n"), encoding="utf-8")
    new.replace(page)


def _signed(page):
    return f"{page}{SIGN}{folders.sha256(page.encode())} -->\n"


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
    return f"{safe or 'pack'}-{folders.sha256(name.encode())[:8]}"
