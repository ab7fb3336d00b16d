"""What a visit sheet says, as plain text for the template, which escapes it."""

import math
import re
from functools import partial

import numpy as np
import pandas as pd

from wearbar.intervals import STALE_DAYS
from wearbar.log import places
from wearbar.log.plan_tasks import title_of
from wearbar.log.units import SAME, TORQUE_NM, converted, is_example
from wearbar.outlook.visit_sheet import ON_CONDITION
from wearbar.report.quantities import Show, clean, listing, number, plain, safe
from wearbar.report.template import column_of, records, words_of
from wearbar.report.words import action_pages
from wearbar.report.words.action_pages import due_points, overs, title_at

_TOLD = places.read_toml("shared", "tables", "visit_sheet.toml")
PLACES, STAGES, UNITS_OF = (_TOLD[name] for name in ("places", "stages", "units"))
CLOSINGS = _TOLD["closing"]  # the steps and torques that end wheel, brake and chain work


SAY = words_of(
    "visit_sheet",
    exact=lambda x: np.format_float_positional(round(float(x), 6), trim="-"),
    on_condition=ON_CONDITION,
    stale=STALE_DAYS,
    of_wear=words_of("consumable_life"),
    of_job=words_of("interval_compliance"),
)


def line(block, **values):
    """A block of shared/words/visit_sheet.md.j2 as plain text: the sheet's template escapes it."""
    return plain(SAY(block, **values))


def headline(visit):
    """(sentence, urgency): what stops the vehicle, and how much work waits."""
    counts = visit.tasks["state"].value_counts()
    waits = [s for s in ("past-window", "due", "in-window", "not-known") if counts.get(s)]
    due = [{"n": counts[s], "state": s} for s in waits]
    work = SAY("work", due=due, has_plan=visit.has_plan)
    if len(visit.dangers):
        held = list(action_pages.told(visit.dangers, Show())["what"])
        return SAY("stopped", vehicle=visit.vehicle, held=held, work=work), "now"
    clear = action_pages.SAY("clear", missing=visit.missing)
    urgency = "now" if counts.get("past-window") else "soon" if due else "note"
    return f"{safe(visit.vehicle)}: {work[:1].lower()}{work[1:]} {clear}", urgency


def words(visit, log, show):
    """Everything that the sheet's template prints."""
    distance, hours = ("Odometer", show.units.distance), ("Hour meter", "h")
    boxes = {"hours": [hours], "both": [distance, hours], "none": []}.get(visit.meter, [distance])
    say = partial(line, show=show, visit=visit, log=log, boxes=boxes)
    cells = partial(_cells, show=show, boxes=boxes)
    name, example = clean(visit.vehicle, 60), "EXAMPLE, NOT FOR USE" if visit.is_example else ""
    foot = " - ".join(filter(None, (f"{name}, {show.date(log.as_of)}", example)))
    # for a string in a style: all but plain letters and digits as their numbers
    foot = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x}" for c in foot)
    head = {"what": say("about"), "log": say("made"), "gone": say("gone"), "foot": foot}
    depth = "1/32 in" if show.units.depth == "in32" else "mm"
    units = UNITS_OF | {"depth": depth, "pressure": show.units.pressure}
    dangers, others = (action_pages.told(rows, show) for rows in (visit.dangers, visit.others))
    tasks, checks = records(visit.tasks), records(visit.checks[["title", "steps", "caution"]])
    full, rest = ([row for row in tasks if row["is_full"] == of] for of in (True, False))
    return {
        "vehicle": name,
        "head": head | {"vehicle": name},
        "dangers": cells(dangers, "danger", ("what", "stands")),
        "clear": plain(action_pages.SAY("clear", missing=visit.missing).replace("**", "")),
        "blind": plain(action_pages.SAY("blind", missing=visit.missing)),
        "others": column_of(SAY, "other", others),
        "odometer": {"boxes": boxes, "said": say("odometer"), "is_stale": visit.last.is_stale},
        "example": example,
        "page": "",  # the name of its printed pages, where it is one of several sheets
        "over": example,
        "blocks": _blocks(full, visit, log, show),
        "jobs": [_job(row, visit, log, show) for row in full],
        "again": say("again_if"),
        "later": [
            f"{title_at(_title(code, visit), stands['where'])}: {stands['when']}"
            for code, rows in _by_task(row for row in rest if row["done_by"] == "")
            for stands in _stands(rows, log, show)
        ],
        "nothing": say("nothing"),
        "have": _have(visit),
        "worn": cells(visit.worn, "worn", ("part", "state", "read", "limit", "look")),
        "reads": [_read(row, units, log.as_of, show) for row in records(visit.reads)],
        "no_reads": say("no_reads"),
        "changes": cells(visit.changes, "change", ("where", "part", "since")),
        "depth": depth,
        "unit": "" if visit.meter in ("hours", "none") else show.units.distance,
        "rechecks": _rechecks(full, visit, show),
        "checks": [_steps(row) | {"name": clean(row["title"], 80)} for row in checks],
        "laid_up": say("laid_up"),
    }


def front(visit, log, show):
    """What the list in front of several sheets says of one: site, when and what."""
    rows = action_pages.told(visit.due, show)
    when = line("front_when", by=rows["by"].min(), as_of=log.as_of, show=show)
    names = rows["title"].where(rows["kind"].eq("task"), rows["job"])
    jobs = [
        (clean(name, 120), "" if f"({place})" in name else clean(place, 40))
        for name, place in zip(names, rows["position"], strict=True)
    ]
    return clean(visit.site, 40), when, action_pages.works(jobs)


def _cells(rows, table, columns, **more):
    """The cells of a printed table, a tuple a row: each a block named `table` and its column."""
    return [
        tuple(plain(SAY(f"{table}_{c}", **more, **row)) for c in columns) for row in records(rows)
    ]


def _read(row, units, as_of, show):
    """One reading to take: where, what, the last one, the limit, blanks, boxes to tick."""
    unit, names = units.get(row["quantity"]), ("where", "what", "last", "limit")
    said = {name: line(f"read_{name}", show=show, as_of=as_of, **row) for name in names}
    said["keys"] = {name: row[name] for name in ("position", "category", "quantity")}
    said["places"] = row["places"]
    if row["category"] == "engine-oil":
        return said | {"blanks": [("level", ""), ("added", unit)], "boxes": ("cold", "hot")}
    blanks = [(PLACES.get(p, ""), unit * (p == row["places"][-1])) for p in row["places"]]
    if row["category"] == "tyre" and row["quantity"] == "depth" and pd.isna(row["made"]):
        blanks.append(("made", ""))
    return said | {"blanks": blanks, "boxes": ()}


def _title(code, visit, within=False):
    """A task by the title that the plan gives it; within a sentence."""
    title = clean(visit.titles.get(code) or title_of(clean(code, 80)), 80)
    return title[:1].lower() + title[1:] if within else title


def _by_task(rows):
    """(task, its rows) of rows of tasks."""
    tasks = {}
    for row in rows:
        tasks.setdefault(row["task"], []).append(row)
    return tasks.items()


def _blocks(full, visit, log, show):
    """The tasks to be printed with their steps, in bench order, like positions together."""
    told, last, done_by = [], "", visit.tasks["done_by"]
    for code, rows in _by_task(full):
        row, covered = rows[0], visit.tasks["task"][done_by == code].drop_duplicates()
        torques, steps = _closing(row, visit.kind)
        is_sourced = pd.notna(row["source"]) and not is_example(row["source"])
        block = {
            "name": _title(code, visit),
            "stage": "" if row["stage"] == last else STAGES[row["stage"]],
            "code": clean(code, 80),
            "safety": bool(row["safety"] == 1),
            "stands": _stands(rows, log, show),
            "also": listing([_title(c, visit, within=True) for c in covered]),
            "hours": f"{number(row['hours'], 1)} h" if pd.notna(row["hours"]) else "",
            "source": clean(row["source"], 80) if is_sourced else "",
            "figures": [_figure(f, show) for f in (*row["figures"], *torques)],
        }
        told.append(block | _steps(row, steps))
        last = row["stage"]
    return told


def _steps(row, more=()):
    """The steps of a task, which a box stands before, and its caution."""
    caution = "" if pd.isna(row["caution"]) else clean(row["caution"], 400)
    return {"steps": [clean(step, 200) for step in (*row["steps"], *more)], "caution": caution}


def _closing(task, kind):
    """(torques, steps) that end wheel, brake and chain work and no plan names: blanks alone."""
    part = "" if pd.isna(task["part"]) else task["part"]
    words = set(re.split("[^a-z]+", f"{task['task']} {part}".casefold()))
    named = " ".join(f["name"] for f in task["figures"]).casefold()
    said = " ".join(task["steps"]).casefold()
    torques, steps = [], []
    for work in CLOSINGS:
        is_about = words.intersection(work["words"]) and words.isdisjoint(work["but"])
        if is_about and task["action"] in work["actions"]:
            torques += work["torques"].get(kind, work["torques"]["other"])
            steps += [step for shown, step in work["steps"] if not re.search(shown, said)]
    torques = [t for t in dict.fromkeys(torques) if t.removesuffix(" torque") not in named]
    blank = {"grade": "", "value": math.nan, "unit": "N.m", "source": ""}
    return [blank | {"name": t} for t in torques], steps


def _stands(rows, log, show):
    """(positions, state in words, when) of a task, positions alike in one."""
    alike = {}
    for row in rows:
        place = "" if pd.isna(row["position"]) else clean(row["position"], 40)
        alike.setdefault((line("state", **row), when(row, log, show)), []).append(place)
    return [
        {"where": ", ".join(filter(None, places)), "state": state, "when": said}
        for (state, said), places in alike.items()
    ]


def when(row, log, show):
    """When a task's row is or was due, in words; a date that hangs on distance is a range."""
    about = {"points": due_points(row, show), "over": overs(row, show, "overrun")}
    return line("when", **row | about | {"show": show, "as_of": log.as_of}).removeprefix("; ")


def _figure(figure, show):
    """One figure: in the source's unit, the other unit beside it; without a source a blank."""
    unit = clean(figure["unit"], 20) if figure["unit"] else ""
    told = {"name": clean(figure["name"], 80), "unit": unit}
    value, other = clean(figure["grade"], 40), ()
    if pd.notna(figure["value"]):
        value += f" {np.format_float_positional(figure['value'], trim='-')} {unit}"
        other = converted(figure["value"], figure["unit"], show.units) or ()
    return told | {
        "text": value.strip() if figure["source"] else "",
        "other": " ".join(other),
        "source": clean(figure["source"], 80),
        "is_example": is_example(figure["source"]),
    }


def _job(row, visit, log, show):
    """A job to sign for: its `keys` in table work, name, how it `stands`, `torques` applied, when
    it is due `again` if done today, whether a `second` person checks it."""
    keys = {c: "" if pd.isna(row[c]) else row[c] for c in ("task", "position")}
    torques = (*row["figures"], *_closing(row, visit.kind)[0])
    torques = [f for f in torques if SAME.get(f["unit"].casefold(), f["unit"]) in TORQUE_NM]
    again = {f"due_{name}": row[f"next_{name}"] for name in ("date", "odometer_km", "hours")}
    return {
        "keys": keys,
        "name": title_at(_title(row["task"], visit), clean(keys["position"], 40)),
        "stands": f"{line('state', **row)}; {when(row, log, show)}",
        "torques": [(clean(f["name"], 80).removesuffix(" torque"), f["unit"]) for f in torques],
        "again": line("again", points=due_points(again, show)),
        "second": bool(row["safety"] == 1),
    }


def _have(visit):
    """Parts to have ready: `item, amount, packs, use`, and whether the amount is an example."""
    told = []
    for row in records(visit.have):
        row["uses"] = [_title(task, visit, within=True) for task in row["tasks"]]
        said = {name: line(f"have_{name}", **row) for name in ("item", "amount", "packs", "use")}
        told.append(said | {"is_example": visit.is_example and not row["positions"]})
    return told


def _rechecks(full, visit, show):
    """What to check again since the work disturbs it: (task, within, code, is an example)."""
    told = []
    for _, (row, *_) in _by_task(full):
        if pd.isna([row["recheck_km"], row["recheck_days"]]).all():
            continue
        source = "" if pd.isna(row["source"]) else row["source"]
        example = is_example(source) if source else visit.is_example
        within, code = line("within", show=show, **row), f"{clean(row['task'], 80)}-recheck"
        told.append((_title(row["task"], visit), within, code, example))
    return told
