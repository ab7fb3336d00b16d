"""The maintenance plan: which tasks fall due, at what limits, for which vehicles, from which day.

Each table of a plan.toml is one plan. Versions by date are an array of tables `[[van]]`, or tables
of different names with the same `applies_to`, with a different `from` each; the oldest names it."""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from wearbar.log.plan_tasks import SAYS, TASK_COLUMNS, version_of, wrong
from wearbar.log.schema import TEXT
from wearbar.log.sources.header import toml_file
from wearbar.log.sources.raw import fault
from wearbar.log.units import Units

_TEXTS = "plan name code covered title action unknown_history measured_from part fits"
_TEXTS += " caution source"
_TYPES = dict.fromkeys(_TEXTS.split(), TEXT) | dict.fromkeys(("safety", "statutory"), bool)
_TYPES |= dict.fromkeys(("valid_from", "valid_to"), "datetime64[ns]") | {"hours": float}
_NUMBERS = ("_km", "_days", "_months", "_hours", "_share")
_STAMP = ("plan", "valid_from", "valid_to")
_PLAN_COLUMNS = ("plan", "name", *_STAMP[1:], "applies_to", "unknown_history", "severe_when")


@dataclass(frozen=True, eq=False)
class Plan:
    """A plan as read. A limit not set is NaN; `valid_from` NaT: from the beginning.

    tasks: one row a plan, version and code: `plan, valid_from, valid_to` (last day), the keys of
    the file, and `fits` (the category whose fitting counts as doing it). Limits are `first_`,
    `every_` and `severe_` (complete, or all NaN) followed by km, days, months, hours; the window is
    `early_share, late_share`, or else `tolerance_km, tolerance_days, tolerance_hours`. plans: one
    row a version: `plan, name` (of its own table), `valid_from, valid_to, applies_to,
    unknown_history, severe_when` (dict). covers: `plan, valid_from, code, covered`: doing `code`
    also does `covered`, at the same position; transitive, each pair once."""

    tasks: pd.DataFrame
    plans: pd.DataFrame
    covers: pd.DataFrame
    source: str = "plan.toml"

    def assign(self, vehicles):
        """The plan of each of `vehicles` (`vehicle`, `kind`, and its own `plan`, which wins):
        Series by vehicle, NaN where none applies. LogError where two apply, or one named is not
        there."""
        plans_of, names, found = {}, {}, []
        for row in self.plans.itertuples():
            names.setdefault(row.name, row.plan)
            for kind in row.applies_to:
                plans_of.setdefault(kind, set()).add(row.plan)
        own = vehicles["plan"] if "plan" in vehicles else pd.Series(pd.NA, vehicles.index)
        for vehicle, kind, name in zip(vehicles["vehicle"], vehicles["kind"], own, strict=True):
            if pd.notna(name) and name not in names:
                there = ", ".join(names) or "none: the file is empty"
                told = {"vehicle": vehicle, "plan": name, "there": there}
                raise fault("no_such_plan", source=self.source, **told)
            mine = [names[name]] if pd.notna(name) else sorted(plans_of.get(kind, ()))
            if len(mine) > 1:
                told = {"plans": " and ".join(mine), "kind": kind}
                raise fault("two_plans", source=self.source, **told)
            found.append(mine[0] if mine else None)
        return pd.Series(found, vehicles["vehicle"], dtype=TEXT, name="plan")

    def in_force(self, day):
        """The rows of `tasks` that hold on a day."""
        return self.tasks[~(self.tasks["valid_from"] > day) & ~(self.tasks["valid_to"] < day)]


def read_plan(path, distance="mi"):
    """Read a plan file, distances in `distance` ("mi" or "km"). LogError for what is wrong."""
    path = Path(path)
    return plan_of(toml_file(path), distance, path.name)


def plan_of(mapping, distance="mi", source="plan.toml"):
    """The `Plan` of a parsed plan file, distances in `distance`. LogError for what is wrong."""
    factor = Units(distance=distance).to_km(1.0)
    versions = [
        version_of(source, name.strip().casefold(), version, factor)
        for name, body in mapping.items()
        for version in (body if isinstance(body, list) else [body])
    ]
    heads = [head for head, *_ in versions]
    _name_families(source, heads)
    tasks, pairs = [], []
    for head, own, covers in versions:
        tasks += [{key: head[key] for key in _STAMP} | task for task in own]
        pairs += [(head["plan"], head["valid_from"], *pair) for pair in covers]
    return Plan(
        tasks=_frame(tasks, (*_STAMP, *TASK_COLUMNS)),
        plans=_frame(heads, _PLAN_COLUMNS),
        covers=_frame(pairs, ("plan", "valid_from", "code", "covered")),
        source=source,
    )


def _frame(rows, columns):
    types = {c: float if c.endswith(_NUMBERS) else _TYPES.get(c, object) for c in columns}
    return pd.DataFrame(rows, columns=list(columns)).astype(types)


def _name_families(source, heads):
    """Bring versions of one plan under one name, and end each on the day before the next."""
    by_kinds = {}
    for head in heads:
        first = next(other for other in heads if other["name"] == head["name"])
        head["applies_to"] = head["applies_to"] or first["applies_to"]
        head["start"] = pd.Timestamp.min if pd.isna(head["valid_from"]) else head["valid_from"]
        by_kinds.setdefault(frozenset(head["applies_to"]) or head["name"], []).append(head)
    for group in by_kinds.values():
        if len({head["start"] for head in group}) == len(group) > 1:
            oldest = min(group, key=lambda head: head["start"])["name"]
            for head in group:
                head["plan"] = oldest
    for head in heads:
        where = f"{source}: plan {head['name']}"
        mine = [other for other in heads if other["plan"] == head["plan"]]
        starts = [other["start"] for other in mine]
        twice = next((start for start in starts if starts.count(start) > 1), None)
        if twice is not None:
            found = "no date" if twice == pd.Timestamp.min else str(twice)[:10]
            raise wrong(f"{where}, from", found, SAYS["from_twice"].format(n=starts.count(twice)))
        if len({frozenset(other["applies_to"]) for other in mine}) > 1:
            raise wrong(f"{where}, applies_to", list(mine[-1]["applies_to"]), SAYS["other_kinds"])
        later = [start for start in starts if start > head["start"]]
        head["valid_to"] = min(later) - pd.Timedelta(days=1) if later else pd.NaT
