"""The maintenance plan: which tasks fall due, at what limits, for which vehicles, from which day.

Each table of a plan.toml is one plan. Versions by date are an array of tables, `[[van]]` with `from
= 2023-01-01` and again `[[van]]` with `from = 2025-01-01`, or tables of different names with the
same `applies_to` and a different `from` each; the oldest names the plan. Distances come in the
log's unit and leave in km.
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
from wearbar.log.schema import TABLES, TEXT, VEHICLE_KINDS
from wearbar.log.units import DISTANCE_KM

UNKNOWN_HISTORY = ("due-at-once", "from-first-reading")
SHARES = tuple(c.name for c in TABLES["use"] if c.quantity == "share")

_TEXTS = (
    "plan", "name", "code", "covered", "title", "action", "unknown_history", "measured_from",
    "part", "fits", "caution", "source",
)  # fmt: skip
_TYPES = dict.fromkeys(_TEXTS, TEXT) | dict.fromkeys(("safety", "statutory"), bool)
_TYPES |= dict.fromkeys(("valid_from", "valid_to"), "datetime64[ns]") | {"hours": float}
_NUMBERS = ("_km", "_days", "_months", "_hours", "_share")
_STAMP = ("plan", "valid_from", "valid_to")
_PLAN_KEYS = ("applies_to", "from", "unknown_history", "severe_when", "task")
_PLAN_COLUMNS = ("plan", "name", *_STAMP[1:], "applies_to", "unknown_history", "severe_when")


@dataclass(frozen=True, eq=False)
class Plan:
    """A plan as read. A limit not set is NaN; `valid_from` NaT: from the beginning.

    tasks: one row a plan, version and code: `plan, valid_from, valid_to` (last day), `code, title`
        (by default the code in words), `also` (other ways people write it), `action`; the limits
        `first_`, `every_` and `severe_` followed by km, days, months, hours (`severe_` complete:
        what it does not name is inherited; all NaN where the task has none); the window as
        `early_share, late_share` or else `tolerance_km, tolerance_days, tolerance_hours`;
        `measured_from, positions, part, fits` (the category whose fitting counts as doing it: the
        part, or else the code), `covers, first_after, recheck_km, recheck_days, safety, statutory`,
        `hours` (of labour), `parts, figures` (tuples of dicts; a figure without `value` is a blank
        to fill in), `steps, caution, source` (of its limits).
    plans: one row a version: `plan, name` (of its own table), `valid_from, valid_to, applies_to,
        unknown_history, severe_when` (dict).
    covers: `plan, valid_from, code, covered`: doing `code` also does `covered`, at the same
        position; transitive, each pair once.
    """

    tasks: pd.DataFrame
    plans: pd.DataFrame
    covers: pd.DataFrame
    source: str = "plan.toml"

    def assign(self, vehicles):
        """The plan of each vehicle: a Series of plan names by vehicle, NaN where none applies.

        vehicles: frame with `vehicle`, `kind` and, if any has its own, `plan`, which wins.
        PlanError where two plans apply to a kind left to choose, or a vehicle names a plan that is
        not there.
        """
        own = pd.Series(np.nan, vehicles.index, dtype=TEXT)
        own = vehicles["plan"].astype(TEXT) if "plan" in vehicles else own
        names = self.plans.drop_duplicates("name").set_index("name")["plan"]
        lost = own[own.notna() & ~own.isin(names.index)]
        if len(lost):
            there = ", ".join(names.index) or "none: the file is empty"
            raise PlanError(
                f"{self.source}: vehicle {vehicles['vehicle'][lost.index[0]]} has plan "
                f"{lost.iloc[0]!r}, which is not there; use one of {there}"
            )
        kinds = self.plans[["plan", "applies_to"]].explode("applies_to").dropna().drop_duplicates()
        _refuse_two(self.source, kinds, vehicles["kind"][own.isna()])
        of_kind = kinds.drop_duplicates("applies_to").set_index("applies_to")["plan"]
        names = own.map(names).fillna(vehicles["kind"].map(of_kind)).array
        return pd.Series(names, vehicles["vehicle"], dtype=TEXT, name="plan")

    def in_force(self, day):
        """The rows of `tasks` that hold on a day."""
        return self.tasks[~(self.tasks["valid_from"] > day) & ~(self.tasks["valid_to"] < day)]


def _refuse_two(source, kinds, wanted):
    twice = kinds[kinds["applies_to"].duplicated(keep=False) & kinds["applies_to"].isin(wanted)]
    if len(twice):
        kind = min(twice["applies_to"])
        both = " and ".join(sorted(twice.loc[twice["applies_to"] == kind, "plan"]))
        raise PlanError(
            f"{source}: plans {both} both apply to kind {kind}; take it out of one's applies_to, "
            "give the vehicles a plan of their own, or give the versions of one plan the same "
            "applies_to and a different `from` each"
        )


def is_test_of(task, kind):
    """Whether a task is the test of a kind of certificate: its code is the kind, or begins so.

    >>> is_test_of("roadworthiness-brakes", "roadworthiness")
    True
    """
    return task == kind or task.startswith(f"{kind}-")


def read_plan(path, distance="mi"):
    """Read a plan file, distances in `distance` ("mi" or "km"). PlanError for what is wrong."""
    path = Path(path)
    try:
        if path.exists() and not path.is_file():
            why = "it is a folder, a pipe or a device, where a file must stand"
            raise PlanError(f"{path.name}: {why}; name another in log.toml")
        return plan_of(tomllib.loads(path.read_bytes().decode("utf-8-sig")), distance, path.name)
    except PlanError:
        raise
    except FileNotFoundError:
        why = f"there is no such file at {path}; name another in log.toml, or take `plan` out of it"
    except (OSError, UnicodeDecodeError) as error:
        why = f"could not be read as UTF-8 text ({error}); save it again as a plain text file"
    except RecursionError:
        why = "it has lists within lists, deeper than any plan needs; take them out"
    except ValueError as error:  # tomllib's own is one; so is a number of thousands of digits
        why = "a number there has thousands of digits" if "digits" in str(error) else str(error)
        twice = "twice" in str(error) or "overwrite" in str(error)
        mend = "mend that line" + "; versions of one plan are written [[name]]" * twice
        why = f"not valid TOML: {why}; {mend}"
    raise PlanError(f"{path.name}: {why}")


def templates():
    """The plan templates of the suite: name to path. Figures are examples, in miles."""
    return {path.stem: path for path in sorted(place("shared", "plans").glob("*.toml"))}


def plan_of(mapping, distance="mi", source="plan.toml"):
    """The `Plan` of a parsed plan file, distances in `distance`. PlanError for what is wrong."""
    if distance not in DISTANCE_KM:
        known = ", ".join(DISTANCE_KM)
        raise PlanError(f"{source}: distance: found {distance!r}; use one of {known}")
    versions = [
        _version(form.At(source, name.strip().casefold()), version, DISTANCE_KM[distance])
        for name, body in mapping.items()
        for version in (body if isinstance(body, list) else [body])
    ]
    plans = [head for head, _ in versions]
    _name_families(source, plans)
    tasks, pairs = [], []
    for head, own in versions:
        tasks += [{key: head[key] for key in _STAMP} | task for task in own]
        version = (head["plan"], head["valid_from"])
        covers = closure(form.At(source, head["name"]), own)
        pairs += [(*version, code, covered) for code in covers for covered in covers[code]]
    return Plan(
        tasks=_frame(tasks, (*_STAMP, *TASK_COLUMNS)),
        plans=_frame(plans, _PLAN_COLUMNS),
        covers=_frame(pairs, ("plan", "valid_from", "code", "covered")),
        source=source,
    )


def _frame(rows, columns):
    types = {c: float if c.endswith(_NUMBERS) else _TYPES.get(c, object) for c in columns}
    return pd.DataFrame(rows, columns=list(columns)).astype(types)


def _version(at, body, factor):
    """One table of the file: (its row of `plans`, its tasks as rows)."""
    at.refuse_unknown("", body, _PLAN_KEYS)
    kinds = form.a_list(form.one_of(VEHICLE_KINDS))(at, "applies_to", body.get("applies_to", []))
    when = body.get("severe_when", {})
    at.refuse_unknown("severe_when", when, SHARES)
    start = form.a_day(at, "from", body["from"]) if "from" in body else pd.NaT
    history = body.get("unknown_history", UNKNOWN_HISTORY[0])
    share = form.a_number(high=1.0)
    head = {
        "plan": at.plan,
        "name": at.plan,
        "valid_from": start,
        "valid_to": pd.NaT,
        "applies_to": kinds,
        "unknown_history": form.one_of(UNKNOWN_HISTORY)(at, "unknown_history", history),
        "severe_when": {name: share(at, f"severe_when.{name}", when[name]) for name in when},
    }
    tasks = body.get("task")
    if not isinstance(tasks, list) or not tasks:
        remedy = f"a plan needs at least one task: write [[{at.plan}.task]] and its keys below it"
        raise at.error("task", tasks, remedy)
    tasks = [task_of(at, number, task, factor) for number, task in enumerate(tasks, 1)]
    check_together(at, tasks, head["severe_when"])
    return head, tasks


def _name_families(source, versions):
    """Bring versions of one plan under one name, and end each on the day before the next."""
    by_kinds = {}
    for head in versions:
        first = next(v for v in versions if v["name"] == head["name"])
        head["applies_to"] = head["applies_to"] or first["applies_to"]
        by_kinds.setdefault(frozenset(head["applies_to"]) or head["name"], []).append(head)
    for group in by_kinds.values():
        if len({head["valid_from"] for head in group}) == len(group) > 1:
            oldest = min(group, key=_start)["name"]
            for head in group:
                head["plan"] = oldest
    for head in versions:
        mine = [v for v in versions if v["plan"] == head["plan"]]
        _check_versions(form.At(source, head["name"]), mine)
        later = [v["valid_from"] for v in mine if v["valid_from"] > _start(head)]
        head["valid_to"] = min(later) - pd.Timedelta(days=1) if later else pd.NaT


def _start(head):
    return pd.Timestamp.min if pd.isna(head["valid_from"]) else head["valid_from"]


def _check_versions(at, mine):
    starts = [str(head["valid_from"]) for head in mine]
    for start in starts:
        if (count := starts.count(start)) > 1:
            found = "no date" if start == "NaT" else start[:10]
            remedy = f"{count} versions of this plan begin then: give each its own `from`"
            raise at.error("from", found, remedy)
    if len({frozenset(head["applies_to"]) for head in mine}) > 1:
        remedy = "versions of one plan apply to the same kinds: write them alike"
        raise at.error("applies_to", list(mine[-1]["applies_to"]), remedy)
