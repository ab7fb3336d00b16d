"""What a visit sheet says of the work: tasks, steps, figures, what to have ready, what follows."""

import math
import re
from functools import cache

import numpy as np
import pandas as pd

from wearbar.log import places
from wearbar.log.plan_tasks import title_of
from wearbar.log.units import converted, is_example
from wearbar.outlook.visit_sheet import ON_CONDITION
from wearbar.report.quantities import clean, listing, number, plain
from wearbar.report.template import words_of
from wearbar.report.words import column
from wearbar.report.words.action_pages import due_points, overs, title_at
from wearbar.report.words.intervals import STATES
from wearbar.report.words.wear import height, stands

STAGE_NAMES = {
    "cold": "Engine cold",
    "safety": "Safety work",
    "other": "Other work",
    "warm": "Engine warm",
    "last": "Last",
}


def _exact(x):
    return np.format_float_positional(round(float(x), 6), trim="-")


SAY = words_of("visit_sheet", states=STATES, exact=_exact, height=height, stands=stands)


def line(block, **values):
    """A block of shared/words/visit_sheet.md.j2 as plain text: the sheet's template escapes it."""
    return plain(SAY(block, **values))


def _title(code, visit, within=False):
    """A task by the title that the plan gives it; within a sentence."""
    title = clean(visit.titles.get(code) or title_of(clean(code, 80)), 80)
    return title[:1].lower() + title[1:] if within else title


def blocks(visit, log, show):
    """The tasks to be printed with their steps, in bench order, like positions together."""
    full = visit.tasks[visit.tasks["is_full"]]
    told = [_block(group, visit, log, show) for _, group in full.groupby("task", sort=False)]
    before = ["", *(block["stage"] for block in told)]
    return [
        b | {"stage": "" if b["stage"] == last else STAGE_NAMES[b["stage"]]}
        for b, last in zip(told, before, strict=False)
    ]


def _block(rows, visit, log, show):
    row = rows.iloc[0]
    covered = visit.tasks.loc[visit.tasks["done_by"] == row["task"], "task"].drop_duplicates()
    torques, steps = _closing(row, visit.kind)
    source = "" if pd.isna(row["source"]) or is_example(row["source"]) else row["source"]
    return {
        "name": _title(row["task"], visit),
        "stage": row["stage"],
        "code": clean(row["task"], 80),
        "safety": bool(row["safety"] is True or row["safety"] == 1.0),
        "stands": _stands(rows, log, show),
        "also": listing([_title(c, visit, within=True) for c in covered]),
        "hours": f"{number(row['hours'], 1)} h" if pd.notna(row["hours"]) else "",
        "source": clean(source, 80),
        "figures": [_figure(f, show) for f in (*row["figures"], *torques)],
        **_steps(row, steps),
    }


def _steps(row, more=()):
    """The steps of a task, which a box stands before, and its caution."""
    caution = "" if pd.isna(row["caution"]) else clean(row["caution"], 400)
    return {"steps": [clean(step, 200) for step in (*row["steps"], *more)], "caution": caution}


@cache
def _closings():
    return places.read_toml("shared", "words", "visit_sheet.toml")["closing"]


def _closing(task, kind):
    """(torques, steps) that end wheel, brake and chain work and no plan names: blanks alone."""
    part = "" if pd.isna(task["part"]) else task["part"]
    words = set(re.split("[^a-z]+", f"{task['task']} {part}".casefold()))
    named = " ".join(f["name"] for f in task["figures"]).casefold()
    said = " ".join(task["steps"]).casefold()
    torques, steps = [], []
    for work in _closings():
        is_about = words.intersection(work["words"]) and words.isdisjoint(work["but"])
        if is_about and task["action"] in work["actions"]:
            torques += work["torques"].get(kind, work["torques"]["other"])
            steps += [step for shown, step in work["steps"] if not re.search(shown, said)]
    torques = [t for t in dict.fromkeys(torques) if t.removesuffix(" torque") not in named]
    return [{"name": t, "value": math.nan, "unit": "N.m", "source": ""} for t in torques], steps


def _stands(rows, log, show):
    """(positions, state in words, when) of a task, positions alike in one."""
    alike = {}
    for row in rows.itertuples():
        place = "" if pd.isna(row.position) else clean(row.position, 40)
        state = line("state", on_condition=ON_CONDITION, **row._asdict())
        alike.setdefault((state, when(row, log, show)), []).append(place)
    return [
        {"where": ", ".join(filter(None, places)), "state": state, "when": said}
        for (state, said), places in alike.items()
    ]


def when(row, log, show):
    """When it is or was due, in words; a date that hangs on distance is a range."""
    said = line(
        "when",
        show=show,
        as_of=log.as_of,
        on_condition=ON_CONDITION,
        points=due_points(row, show),
        over=overs(row.overrun_days, row.overrun_km, row.overrun_hours, show),
        **row._asdict(),
    )
    return said.removeprefix("; ")


def _figure(figure, show):
    """One figure: in the source's unit, the other unit beside it; without a source a blank."""
    unit = clean(figure["unit"], 20) if figure["unit"] else ""
    told = {"name": clean(figure["name"], 80), "unit": unit}
    if not figure["source"] or pd.isna(figure["value"]):
        return told | {"text": ""}
    value = np.format_float_positional(figure["value"], trim="-")
    return told | {
        "text": f"{value} {unit}".rstrip(),
        "other": " ".join(converted(figure["value"], figure["unit"], show.units) or ()),
        "source": clean(figure["source"], 80),
        "is_example": is_example(figure["source"]),
    }


def later(visit, log, show):
    """What comes later and has no room for its steps, a line each."""
    rest = visit.tasks[~visit.tasks["is_full"] & visit.tasks["done_by"].eq("")]
    return [
        f"{title_at(_title(code, visit), stands['where'])}: {stands['when']}"
        for code, rows in rest.groupby("task", sort=False)
        for stands in _stands(rows, log, show)
    ]


def have(visit):
    """Parts to have ready: `item, amount, packs, use`, and whether the amount is an example."""
    told = []
    for row in visit.have.to_dict("records"):
        row["uses"] = [_title(task, visit, within=True) for task in row["tasks"]]
        said = {name: line(f"have_{name}", **row) for name in ("item", "amount", "packs", "use")}
        told.append(said | {"is_example": visit.is_example and not row["positions"]})
    return told


def rechecks(visit, show):
    """What to check again since the work disturbs it: (task, within, code, is an example)."""
    rows = visit.tasks[visit.tasks["is_full"]].drop_duplicates("task").fillna({"source": ""})
    rows = rows.dropna(subset=["recheck_km", "recheck_days"], how="all")
    said = column(SAY, "within", rows, show=show)
    named = [(_title(code, visit), f"{clean(code, 80)}-recheck") for code in rows["task"]]
    examples = [is_example(source) if source else visit.is_example for source in rows["source"]]
    told = zip(named, said, examples, strict=True)
    return [(title, within, code, example) for (title, code), within, example in told]


def checks(visit):
    """What is checked before each use: `name, steps, caution`."""
    rows = visit.checks.to_dict("records")
    return [{"name": clean(row["title"], 80), **_steps(row)} for row in rows]
