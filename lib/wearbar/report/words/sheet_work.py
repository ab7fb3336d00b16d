"""What a visit sheet says of the work: tasks, steps, figures, what to have ready, what follows."""

import math
import re

import numpy as np
import pandas as pd

from wearbar.log.plan_tasks import title_of
from wearbar.log.units import converted, is_example
from wearbar.outlook.visit_sheet import ON_CONDITION
from wearbar.report.quantities import clean, listing, number, plain
from wearbar.report.template import coded, words_of
from wearbar.report.words.action_rows import due_points, overs, title_at
from wearbar.report.words.intervals import STATES
from wearbar.report.words.wear import stands

SAY = words_of("visit_sheet")
STAGE_NAMES = {
    "cold": "Engine cold",
    "safety": "Safety work",
    "other": "Other work",
    "warm": "Engine warm",
    "last": "Last",
}
_PUMP = "pump the lever or pedal until it is firm, before the vehicle moves"
_MADE_FIRM = ("pump|work the (?:lever|pedal|brake)", _PUMP)
_TO_TORQUE = ("torque", "tighten to the torque of the handbook")
# words of a task, words that it must not have, actions, torques by kind ("" others), steps
# with what shows that the plan has them. Common practice, no source
CLOSING = (
    (
        {"pad", "pads"}, set(), ("replace",),
        {"motorcycle": ["caliper bolt torque"], "": ["caliper bolt torque", "wheel nut torque"]},
        (_TO_TORQUE, _MADE_FIRM),
    ),
    (
        {"tyre", "tyres", "wheel", "wheels"}, {"pressure", "pressures"}, ("replace",),
        {"motorcycle": ["spindle torque"], "": ["wheel nut torque"]},
        (_TO_TORQUE, _MADE_FIRM),
    ),
    (
        {"chain"}, {"timing", "cam"}, ("replace", "adjust", "tighten"),
        {"": ["spindle torque"]},
        (
            ("torque", "tighten the spindle to its torque"),
            ("work the (?:rear )?brake", "work the brake, so that the wheel sits where it runs"),
            ("again", "measure the slack again"),
        ),
    ),
)  # fmt: skip


def line(block, **values):
    """A block of shared/words/visit_sheet.md.j2 as plain text: the sheet's template escapes it."""
    return plain(SAY(block, **values))


def in_words(code, most=40):
    """A code as words; "" where there is none."""
    return coded(code, most) if pd.notna(code) and code else ""


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
        "caution": _caution(row["caution"]),
        "steps": [clean(step, 200) for step in (*row["steps"], *steps)],
        "figures": [_figure(f, show) for f in (*row["figures"], *torques)],
        "source": clean(source, 80),
    }


def _closing(task, kind):
    """(torques, steps) that end wheel, brake and chain work and no plan names: blanks alone."""
    part = "" if pd.isna(task["part"]) else task["part"]
    words = set(re.split("[^a-z]+", f"{task['task']} {part}".casefold()))
    named = " ".join(f["name"] for f in task["figures"]).casefold()
    said = " ".join(task["steps"]).casefold()
    torques, steps = [], []
    for about, but, actions, by_kind, closing in CLOSING:
        if words & about and not words & but and task["action"] in actions:
            torques += by_kind.get(kind, by_kind[""])
            steps += [step for word, step in closing if not re.search(word, said)]
    torques = [t for t in dict.fromkeys(torques) if t.removesuffix(" torque") not in named]
    return [{"name": t, "value": math.nan, "unit": "N.m", "source": ""} for t in torques], steps


def _stands(rows, log, show):
    """(positions, state in words, when) of a task, positions alike in one."""
    alike = {}
    for row in rows.itertuples():
        place = "" if pd.isna(row.position) else clean(row.position, 40)
        alike.setdefault((_state(row), when(row, log, show)), []).append(place)
    return [
        {"where": ", ".join(filter(None, places)), "state": state, "when": said}
        for (state, said), places in alike.items()
    ]


def _state(row):
    if row.state == ON_CONDITION:
        return f"by its wear ({stands(row.wear_state, row.wear_by)})"
    return STATES[row.state][2:]  # without its mark, which looks like a box to tick


def when(row, log, show):
    """When it is or was due, in words; a date that hangs on distance is a range."""
    is_past = row.state in ("past-window", "due")
    low, high = ("", "") if is_past else _between(row, log, show)
    plain_use = pd.isna(row.severe_due_km) and pd.isna(row.severe_due_date)
    said = line(
        "when",
        on_condition=row.state == ON_CONDITION,
        points=due_points(row.due_date, row.due_odometer_km, row.due_hours, show),
        is_past=is_past,
        no_history=row.basis == "unknown-history",
        over=overs(row.overrun_days, row.overrun_km, row.overrun_hours, show),
        low=low,
        high=high,
        by_now=bool(low and row.low_date <= log.as_of),
        duty="" if pd.isna(row.duty) or (row.duty == "not-known" and plain_use) else row.duty,
        probably=STATES[row.probably][2:] if row.state == "not-known" and row.probably else "",
    )
    return said.removeprefix("; ")


def _between(row, log, show):
    """(low, high) of when it is likely due; a year that both have is said once, if ahead."""
    if pd.isna(row.low_date) or pd.isna(row.high_date) or row.low_date >= row.high_date:
        return "", ""
    low, high = show.date(row.low_date), show.date(row.high_date)
    if row.low_date > log.as_of and row.low_date.year == row.high_date.year:
        low = low.removesuffix(f" {row.high_date.year}")
    return low, high


def _figure(figure, show):
    """One figure: in the source's unit, the other unit beside it; without a source a blank."""
    unit = clean(figure["unit"], 20) if figure["unit"] else ""
    told = {"name": clean(figure["name"], 80), "unit": unit}
    if not figure["source"] or pd.isna(figure["value"]):
        return told | {"text": "", "other": "", "source": "", "is_example": False}
    other = converted(figure["value"], figure["unit"], show.units)
    value = np.format_float_positional(figure["value"], trim="-")
    return told | {
        "text": f"{value} {unit}".rstrip(),
        "other": f"{other[0]} {other[1]}" if other else "",
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


def have(row, visit):
    """One part to have ready: `item, amount, packs, use`, and whether its amount is an example."""
    if row.positions:
        unit = "" if row.category == "tyre" else " set" if row.quantity == 1 else " sets"
        item = "" if pd.isna(row.item) else f": {clean(row.item, 60)}"
        where = [in_words(p) for p in row.positions]
        return {
            "item": f"{in_words(row.category)}{item}",
            "amount": f"{_exact(row.quantity)}{unit}",
            "packs": "",
            "use": line("near_limit", n=row.quantity, where=where),
            "is_example": False,
        }
    unit = f" {clean(row.unit, 20)}" if row.unit else ""
    packs = ""
    if row.unit or row.pack != 1:
        pack = f"{_exact(row.pack)}{unit}"
        packs = line("packs", n=row.packs, pack=pack, left=_left(row, unit))
    return {
        "item": clean(row.item, 80),
        "amount": f"{_exact(row.quantity)}{unit}",
        "packs": packs,
        "use": listing([_title(t, visit, within=True) for t in row.tasks], most=4),
        "is_example": visit.is_example,
    }


def _left(row, unit):
    """What is left over of whole packs; under a litre in mL."""
    if row.left < 1e-6:
        return ""
    in_ml = row.unit.casefold() in ("l", "litre", "litres") and row.left < 1
    return f"{_exact(round(1000 * row.left))} mL" if in_ml else f"{_exact(row.left)}{unit}"


def _exact(x):
    return np.format_float_positional(round(float(x), 6), trim="-")


def rechecks(visit, show):
    """What to check again since the work disturbs it: (task, within, code, is an example)."""
    rows = visit.tasks[visit.tasks["is_full"]].drop_duplicates("task").fillna({"source": ""})
    told = []
    for row in rows.itertuples():
        points = ((row.recheck_km, show.distance), (row.recheck_days, show.days))
        within = listing([say(x) for x, say in points if pd.notna(x)], "or")
        example = is_example(row.source) if row.source else visit.is_example
        code = f"{clean(row.task, 80)}-recheck"
        told += [(_title(row.task, visit), within, code, example)] if within else []
    return told


def checks(visit):
    """What is checked before each use: `name, steps, caution`."""
    return [
        {
            "name": clean(row.title, 80),
            "steps": [clean(step, 200) for step in row.steps],
            "caution": _caution(row.caution),
        }
        for row in visit.checks.itertuples()
    ]


def _caution(text):
    return "" if pd.isna(text) else clean(text, 400)
