"""The maintenance plan: which tasks fall due, at what limits, for which vehicles, from which day.

`read_plan` reads a plan.toml, `plan_of` takes it parsed. Each table of the file is one plan. Versions of a plan by date are either an
array of tables, `[[van]]` with `from = 2023-01-01` and again `[[van]]` with `from = 2025-01-01`, or tables of different names whose
`applies_to` are the same and whose `from` all differ; the oldest then names the plan. Distances come in the log's unit and leave in km.
"""

import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from wearbar.log import plan_values as form
from wearbar.log.places import place
from wearbar.log.plan_tasks import TASK_COLUMNS, check_together, closure, task_of
from wearbar.log.plan_values import PlanError
from wearbar.log.schema import TABLES, VEHICLE_KINDS
from wearbar.log.units import DISTANCE_KM

__all__ = ["SHARES", "Plan", "PlanError", "plan_of", "read_plan", "templates"]

UNKNOWN_HISTORY = ("due-at-once", "from-first-reading")
SHARES = tuple(c.name for c in TABLES["use"] if c.quantity == "share")

_TEXT = pd.StringDtype("pyarrow", na_value=np.nan)
_TYPES = (
    (
        _TEXT,
        (
            "plan",
            "name",
            "code",
            "covered",
            "title",
            "action",
            "unknown_history",
            "measured_from",
            "part",
            "fits",
            "caution",
            "source",
        ),
    ),
    ("datetime64[ns]", ("valid_from", "valid_to")),
    (bool, ("safety", "statutory")),
)
_PLAN_KEYS = ("applies_to", "from", "unknown_history", "severe_when", "task")
_PLAN_COLUMNS = (
    "plan",
    "name",
    "valid_from",
    "valid_to",
    "applies_to",
    "unknown_history",
    "severe_when",
)


@dataclass(frozen=True, eq=False)
class Plan:
    """A plan as read. A limit that it does not set is NaN; a version without `from` has `valid_from` NaT and holds from the beginning.

    tasks: one row a plan, version and code: `plan, valid_from, valid_to` (last day), `code, title` (by
        default the code in words), `also` (other ways people write it), `action`, the limits `first_`, `every_` and
        `severe_` followed by km, days, months, hours (`severe_` complete: what `severe` does not name is inherited; all NaN where the
        task has no `severe`), the window as `early_share, late_share` or else as `tolerance_km, tolerance_days, tolerance_hours`,
        `measured_from, positions, part` (as written), `fits` (the category whose fitting counts as doing
        it: the part, or where none is given the code), `covers` (as written), `first_after, recheck_km, recheck_days, safety, statutory`,
        `hours` (of labour), `parts, figures` (tuples of dicts; a figure without `value` is a blank to
        fill in), `steps, caution, source` (of its limits; "" not said).
    plans: one row a version: `plan, name` (of its own table), `valid_from, valid_to, applies_to, unknown_history, severe_when` (dict).
    covers: `plan, valid_from, code, covered`: doing `code` also does `covered`, at the same position; transitive, each pair once.
    """

    tasks: pd.DataFrame
    plans: pd.DataFrame
    covers: pd.DataFrame
    source: str = "plan.toml"

    def assign(self, vehicles):
        """The plan of each vehicle: a Series of plan names by vehicle, NaN where none applies.

        vehicles: frame with `vehicle`, `kind` and, if any vehicle has its own, `plan`, which wins.
        Raises PlanError where two plans apply to a kind that is left to choose, and where a vehicle names a plan that is not there.
        """
        own = (
            vehicles["plan"].astype(_TEXT)
            if "plan" in vehicles
            else pd.Series(np.nan, vehicles.index, dtype=_TEXT)
        )
        names = self.plans.drop_duplicates("name").set_index("name")["plan"]
        lost = own[own.notna() & ~own.isin(names.index)]
        if len(lost):
            raise PlanError(
                f"{self.source}: vehicle {vehicles['vehicle'][lost.index[0]]} has plan {lost.iloc[0]!r}, which is not there; "
                f"use one of {', '.join(names.index) or 'none: the file is empty'}"
            )
        kinds = self.plans[["plan", "applies_to"]].explode("applies_to").dropna().drop_duplicates()
        _refuse_two(self.source, kinds, vehicles["kind"][own.isna()])
        by_kind = vehicles["kind"].map(
            kinds.drop_duplicates("applies_to").set_index("applies_to")["plan"]
        )
        return pd.Series(
            own.map(names).fillna(by_kind).array, vehicles["vehicle"], dtype=_TEXT, name="plan"
        )


def _refuse_two(source, kinds, wanted):
    twice = kinds[
        kinds["applies_to"].duplicated(keep=False) & kinds["applies_to"].isin(wanted)
    ].sort_values(["applies_to", "plan"])
    if len(twice):
        kind = twice["applies_to"].iloc[0]
        both = " and ".join(twice.loc[twice["applies_to"] == kind, "plan"])
        raise PlanError(
            f"{source}: plans {both} both apply to kind {kind}; take it out of one's applies_to, give the vehicles a plan of their own, "
            "or give the versions of one plan the same applies_to and a different `from` each"
        )


def read_plan(path, distance="mi"):
    """Read a plan file (TOML) whose distances are in `distance` ("mi" or "km"). Raises PlanError for whatever is wrong with it."""
    path = Path(path)
    if path.exists() and not path.is_file():
        raise PlanError(
            f"{path.name}: it is a folder, a pipe or a device, where a file must stand; name another in log.toml"
        )
    try:
        return plan_of(tomllib.loads(path.read_bytes().decode("utf-8-sig")), distance, path.name)
    except FileNotFoundError:
        raise PlanError(
            f"{path.name}: there is no such file at {path}; name another in log.toml, or take `plan` out of it"
        ) from None
    except (OSError, UnicodeDecodeError) as why:
        raise PlanError(
            f"{path.name}: could not be read as UTF-8 text ({why}); save it again as a plain text file"
        ) from None
    except RecursionError:
        raise PlanError(
            f"{path.name}: it has lists within lists, deeper than any plan needs; take them out"
        ) from None
    except ValueError as why:  # tomllib's own is one; so is a number of thousands of digits
        if isinstance(why, PlanError):
            raise
        why = "a number there has thousands of digits" if "digits" in str(why) else why
        twice = (
            "; versions of one plan are written [[name]]"
            if "twice" in str(why) or "overwrite" in str(why)
            else ""
        )
        raise PlanError(f"{path.name}: not valid TOML: {why}; mend that line{twice}") from None


def templates():
    """The plan templates that come with the suite: name to path, for `read_plan`. Their figures are examples, in miles."""
    return {path.stem: path for path in sorted(place("shared", "plans").glob("*.toml"))}


def plan_of(mapping, distance="mi", source="plan.toml"):
    """The `Plan` of a parsed plan file, distances in `distance` ("mi" or "km"). Raises PlanError for whatever is wrong with it."""
    if distance not in DISTANCE_KM:
        raise PlanError(
            f"{source}: distance: found {distance!r}; use one of {', '.join(DISTANCE_KM)}"
        )
    versions, rows = [], []
    for name, body in mapping.items():
        at = form.At(source, name.strip().casefold())
        for version in body if isinstance(body, list) else [body]:
            head, tasks = _version(at, version, DISTANCE_KM[distance])
            versions.append(head)
            rows.append(tasks)
    _name_families(source, versions)
    stamp = ("plan", "valid_from", "valid_to")
    stamped = [
        {k: head[k] for k in stamp} | task
        for head, tasks in zip(versions, rows, strict=True)
        for task in tasks
    ]
    pairs = [
        (head["plan"], head["valid_from"], code, covered)
        for head, tasks in zip(versions, rows, strict=True)
        for code, all_covered in closure(form.At(source, head["name"]), tasks).items()
        for covered in all_covered
    ]
    return Plan(
        tasks=_frame(stamped, (*stamp, *TASK_COLUMNS)),
        plans=_frame(versions, _PLAN_COLUMNS),
        covers=_frame(pairs, ("plan", "valid_from", "code", "covered")),
        source=source,
    )


def _frame(rows, columns):
    frame = pd.DataFrame(rows, columns=list(columns))
    numbers = [
        c
        for c in columns
        if c.endswith(("_km", "_days", "_months", "_hours", "_share")) or c == "hours"
    ]
    types = dict.fromkeys(numbers, float) | {
        c: kind for kind, names in _TYPES for c in names if c in columns
    }
    return frame.astype(types)


# one value of the file: each takes (at, key, value) and gives it clean or raises


def _version(at, body, factor):
    """One table of the file: (its row of `plans`, its tasks as rows)."""
    at.refuse_unknown("", body, _PLAN_KEYS)
    kinds = form.a_list(form.one_of(VEHICLE_KINDS))(at, "applies_to", body.get("applies_to", []))
    when = body.get("severe_when", {})
    at.refuse_unknown("severe_when", when, SHARES)
    head = {
        "plan": at.plan,
        "name": at.plan,
        "valid_from": form.a_day(at, "from", body["from"]) if "from" in body else pd.NaT,
        "valid_to": pd.NaT,
        "applies_to": kinds,
        "unknown_history": form.one_of(UNKNOWN_HISTORY)(
            at, "unknown_history", body.get("unknown_history", UNKNOWN_HISTORY[0])
        ),
        "severe_when": {
            name: form.a_number(high=1.0)(at, f"severe_when.{name}", value)
            for name, value in when.items()
        },
    }
    if not isinstance(body.get("task"), list) or not body["task"]:
        raise at.error(
            "task",
            body.get("task"),
            f"a plan needs at least one task: write [[{at.plan}.task]] and its keys below it",
        )
    tasks = [task_of(at, number, task, factor) for number, task in enumerate(body["task"], 1)]
    check_together(at, tasks, head["severe_when"])
    return head, tasks


def _name_families(source, versions):
    """Bring versions of one plan under one name, oldest first, and end each on the day before the next."""
    by_kinds = {}
    for head in versions:
        first = next(v for v in versions if v["name"] == head["name"])
        head["applies_to"] = head["applies_to"] or first["applies_to"]
        by_kinds.setdefault(frozenset(head["applies_to"]) or head["name"], []).append(head)
    for group in by_kinds.values():
        starts = [head["valid_from"] for head in group]
        if len(set(starts)) == len(starts) and len(group) > 1:
            oldest = min(
                group, key=lambda head: (not pd.isna(head["valid_from"]), head["valid_from"])
            )
            for head in group:
                head["plan"] = oldest["name"]
    for head in versions:
        mine = [v for v in versions if v["plan"] == head["plan"]]
        _check_versions(form.At(source, head["name"]), mine)
        start = pd.Timestamp.min if pd.isna(head["valid_from"]) else head["valid_from"]
        later = [v["valid_from"] for v in mine if v["valid_from"] > start]
        head["valid_to"] = min(later) - pd.Timedelta(days=1) if later else pd.NaT


def _check_versions(at, mine):
    starts = [str(head["valid_from"]) for head in mine]
    for start in starts:
        if starts.count(start) > 1:
            found = "no date" if start == "NaT" else start[:10]
            raise at.error(
                "from",
                found,
                f"{starts.count(start)} versions of this plan begin then: give each its own `from`",
            )
    if len({frozenset(head["applies_to"]) for head in mine}) > 1:
        raise at.error(
            "applies_to",
            list(mine[-1]["applies_to"]),
            "versions of one plan apply to the same kinds: write them alike",
        )
