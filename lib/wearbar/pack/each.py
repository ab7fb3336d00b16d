"""A pack for each vehicle or each site of a log, and the page that says where to begin. They are
made in the folder to work in, as the reports of a pack are, and put in place together
(`wearbar.pack.folder`). One that stops is told, and leaves the earlier one of its name."""

import json
import shutil
from pathlib import Path

from markupsafe import Markup

from wearbar import usage
from wearbar.outlook.action_list import URGENCY
from wearbar.outlook.parts import worn_of
from wearbar.pack import folder as folders
from wearbar.pack import shelf
from wearbar.pack.make import Pack, findings_of, make_pack, write_findings
from wearbar.pack.run import FIRST_PAGE, addressed, run_tasks
from wearbar.pack.shelf import folder_name
from wearbar.report import against
from wearbar.report import report as reports
from wearbar.report.quantities import Show, clean, plural
from wearbar.report.template import page_of
from wearbar.report.words.action_pages import NOW
from wearbar.usage.backtest import model_by_test


def make_packs(out="", each="vehicle", log="", tell=print, since="", workers=2, **asked):
    """Write a pack for each vehicle or site (`each`), in a folder of its own in `out`; gives the
    `Pack`.

    since: earlier packs made so: each is compared with its own. Others: see `make.make_pack`.
    Raises reports.NotDone where some stopped, once the others, if any, are in their place."""
    tell("Reading the log")
    of_one = ("only", "criterion", "workbook")
    of_all = {name: x for name, x in asked.items() if name not in of_one}
    whole, cut, checked = reports.check(log, **of_all)
    stands = shelf.standing(out, since, whole, checked, each)
    out, only = stands.out, [Path(name).stem for name in asked.get("only", ())]
    compares = stands.earlier and (against.REPORT in only or not only)
    with folders.owned(out) as work:
        (address, environment), names = addressed(log), _names(cut, each)
        run, new, tasks = work / "run", work / "new", []
        for folder, name in names.items():
            own = {"log": address, each: [name] if each == "vehicle" else name}
            earlier = Path(since).absolute() / folder
            own["since"] = earlier if since and earlier.is_dir() else ""
            if compares:
                before = [at / folder for at in stands.earlier if (at / folder).is_dir()]
                own["since"], why = shelf.since_in(before, whole, checked | {each: own[each]})
                for line in why:
                    tell(line)
            tasks.append((folder, _made, (run / folder, asked | own)))
        tell(f"Making {plural(len(tasks), 'pack')}, {workers} at a time")
        shared = ((of, checked["confidence"]) for of in (worn_of, model_by_test))
        first = address, checked["as_of"], (), *shared
        faults = run_tasks(tasks, workers, environment, run, first, tell, whole)
        told = [f"{folder} stopped: {fault}" for folder, fault in sorted(faults.items())]
        if len(faults) == len(names):
            raise reports.NotDone(f"{told[0]}. No pack was written")
        _gather(run, new, out, names, faults)
        (new / FIRST_PAGE).write_text(_page(new, names, faults, each, cut), encoding="utf-8")
        write_findings(new, findings_of({}, whole, checked | {"each": each}))
        folders.write_manifest(new, {})
        shelf.put(stands, work, tell)
        if not faults:
            shutil.rmtree(run)
    made = Pack(out, int(whole.ledger["set_aside"].sum()), (out / FIRST_PAGE).as_uri())
    if faults:
        raise reports.NotDone(f"{'; '.join(told)}. The others are there: {made.first_page}")
    return made


def _names(log, each):
    """Folder to vehicle or site."""
    found = log.tables["vehicles"]["vehicle"]
    found = found if each == "vehicle" else usage.site_at(log, found, log.as_of)
    names = sorted(found.dropna().unique())
    if not names:
        raise reports.NotDone(f"the log names no {each}; leave --each out")
    folded = [name.casefold() for name in names]
    return {folder_name(name, folded.count(name.casefold()) > 1): name for name in names}


def _made(out, asked):
    """Make one pack, in a process of its own; gives whether it was to be made."""
    return make_pack(out, tell=lambda line: None, workers=1, keep=True, **asked).first_page


def _gather(run, new, out, names, faults):
    """Put the packs together in the folder `new`; where one stopped, what nobody changed of its
    earlier one, and the others stay for the next run."""
    shutil.rmtree(new, ignore_errors=True)
    for folder in names.keys() - faults.keys():
        (shutil.copytree if faults else shutil.move)(run / folder, new / folder)
    manifest = folders.read_manifest(out) or {"files": {}}
    for file in manifest["files"]:
        if file.split("/")[0] in faults and folders.is_as_written(out, manifest, file):
            (new / file).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(out / file, new / file)


def _page(new, names, faults, each, log):
    """The HTML of the page over all packs, those first whose action list is most urgent."""
    packs = []
    for folder, name in names.items():
        row = {"folder": folder, "name": clean(name), "fault": faults.get(folder, ""), "n": 0}
        row |= {"is_there": (new / folder / FIRST_PAGE).is_file(), "is_checked": False, "rank": 0}
        if not row["fault"]:
            told = json.loads((new / folder / against.FINDINGS).read_text(encoding="utf-8"))
            found = told["reports"].get(against.REPORT, {}).get("findings", {})
            row["is_listed"] = against.ACTIONS in found
            row["is_checked"] = "log_check" in told["reports"]
            rows = found[against.ACTIONS]["rows"] if row["is_listed"] else []
            now = [action for action in rows if action["urgency"] in NOW]
            for first in now[:1]:
                row |= first | {"n": len(now), "rank": URGENCY.index(first["urgency"])}
        packs.append(row)
    vehicles = log.tables["vehicles"]["vehicle"]
    siteless = usage.site_at(log, vehicles, log.as_of).isna() & (each == "site")
    return page_of(
        "packs.html.j2",
        css=Markup(reports.css_of("tables", "report")),
        log={"name": clean(log.name), "to": reports.span_of(log, Show(log.units))},
        each=each,
        packs=sorted(packs, key=lambda row: (row["rank"], -row["n"])),
        without=[clean(name) for name in vehicles[siteless.to_numpy()]],
        rows=f"{reports.rows_of(log)}.",
    )
