"""What outlook says after some choosing, and its tables in words: shared/words/outlook.md.j2."""

import numpy as np
import pandas as pd

from wearbar.outlook.simulate import LEAST_BILLS
from wearbar.report.quantities import MISSING, number, plural
from wearbar.report.template import words_of
from wearbar.report.words.action_pages import counted_now

CLASSES = {
    "planned": "planned work and tests",
    "wear": "parts that wear",
    "unplanned": "unplanned repairs",
    "other": "other planned work",
}
METHODS = {
    "season-and-lay-ups": "own rate, with the fleet's season and usual time in storage",
    "season": "own rate, with the fleet's season",
    "lay-ups": "own rate, with usual time in storage",
    "level": "own rate alone",
    "season-and-lay-ups-steady": "as the first, with rates that do not drift",
    "level-steady": "own rate alone, with no drift",
    "trailing-year": "simple: the mean of the trailing year",
    "last-year": "simple: the same days as last year",
}


def words_in(show):
    """The blocks of the report in the reader's units."""
    names = {"classes": CLASSES, "methods": METHODS, "named": _named}
    return words_of("outlook", show=show, least=LEAST_BILLS, in_ten=in_ten, **names)


def _named(classes):
    return [name for code, name in CLASSES.items() if code in classes]


def answer(year, totals, plan, show):
    """(sentence, urgency): the year in a breath. totals: of jobs, hours and money."""
    has_tasks = len(year.ahead.rows) > 0
    block, urgency = ("answer", "soon") if has_tasks else ("without_tasks", "note")
    if not year.has_year:
        block, urgency = "short_record", "note"
    view = dict(zip(("jobs", "hours", "money"), totals, strict=True))
    return words_in(show)(block, year=year, plan=plan, has_tasks=has_tasks, **view), urgency


def first_visits(plan, todo, as_of, show):
    """The soonest visits, and how much of the work cannot wait. todo: of `actionlist.actions`."""
    first = plan.jobs["day"].min()
    vehicles = sorted(plan.jobs.loc[plan.jobs["day"].eq(first), "vehicle"].unique())
    date = as_of + pd.to_timedelta(first, unit="D")
    return words_in(show)("first_visits", now=counted_now(todo)[0], vehicles=vehicles, date=date)


def changed_use(year, show):
    """Whose recent use differs from the record's mean by more than chance, both rates said."""
    v = year.model.vehicles
    changed = v.get("is_changed", False) & v.index.isin(year.ahead.rows["vehicle"])
    return words_in(show)("changed_use", vehicles=v[changed].rename_axis("vehicle").reset_index())


def work_said(year, table, show):
    """The work by month, and what is not in it."""
    method = year.model.of(year.ahead.rows["vehicle"].unique())[1]["method"]
    unknown = method.fillna("none").eq("none").sum()
    return words_in(show)("work", year=year, table=table, n_unknown=unknown)


def waiting_said(table):
    """What waits for vehicles off the road with no end on record. table: of `waiting`."""
    tasks = table.groupby("vehicle")["task"].agg(lambda codes: [t for t in codes.unique() if t])
    return words_of("outlook")("waiting", vehicles=tasks.rename("tasks").reset_index())


def learned_said(past, told=None):
    """How past years corrected and widened the money ahead; told: the simulated year."""
    if past is None:
        return words_of("outlook")("learned", past=None)
    known = past.learning
    known = known[(known["n"] > 0) & ~known.index.isin(told.thin if told else ())]
    percent = (100 * np.expm1(known["mean"])).round().astype(int)
    moved = [{"name": CLASSES[c], "percent": p} for c, p in percent.items() if p]
    return words_of("outlook")("learned", past=past, n_years=known["n"].max(), moved=moved)


def titled(table, rows):
    """A table with titles for the codes of `task`. rows: of `Outlook.ahead`; others stay."""
    titles = rows.drop_duplicates("task").set_index("task")["title"]
    return table.assign(task=table["task"].map(titles).fillna(table["task"]))


def next_table(table):
    """The same with the positions of one task that fall due alike in one row."""
    same = [c for c in table.columns if c != "position"]
    filled = table.fillna({"position": "", "site": MISSING})
    joined = filled.groupby(same, sort=False, dropna=False)["position"].agg(", ".join)
    order = ["due_date", "vehicle", "task"]
    return joined.reset_index().sort_values(order, kind="stable", ignore_index=True)


def order_table(table):
    """The order as the reader sees it."""
    packs = zip(table["order_packs"], table["unit"].fillna(""), table["pack"], strict=True)
    return table.assign(order=[_pack(*pack) for pack in packs], odds=table["chance"].map(in_ten))


def in_ten(chance):
    n = round(10 * chance)
    few, many = "less than 1 chance in 10", "more than 9 in 10"
    return few if n == 0 else many if n == 10 else f"{n} in 10"


def _pack(n, unit, pack):
    if n == 0:
        return "order none"
    if unit == "set":
        return f"{plural(n, 'set')} of {number(pack)}"
    size = f"{pack:g} {unit}".strip()
    return number(n) if size == "1" else f"{number(n)} × {size}"


def money_table(totals):
    """Money by class. totals: class to Estimate."""
    names = {"money": "all of it", **CLASSES}
    rows = [(names[name].capitalize(), e.value, e.low, e.high) for name, e in totals.items()]
    return pd.DataFrame(rows, columns=["name", "cost", "low", "high"])


def last_year_table(past, show):
    """Totals of last year's forecast, with the range, beside the actual year and that before."""
    names = {"jobs": "jobs done", "hours": "labour hours", "money": "workshop money", **CLASSES}
    rows, is_known = [], past is not None and past.totals["is_known"].any()
    for row in past.totals.itertuples() if is_known else ():
        say, low, high = _tenths, row.low, row.high
        if row.what not in ("jobs", "hours"):  # money, the range outwards to the whole
            say, low, high = (lambda x: show.money(x, 0)), np.floor(low), np.ceil(high)
        ends = "" if np.isnan(row.forecast) else f" ({_tenths(low)} to {_tenths(high)})"
        inside = "inside" if row.is_inside else "outside"
        figures = say(row.forecast) + ends, say(row.actual), say(row.before)
        rows.append((names[row.what].capitalize(), *figures, inside if row.is_known else MISSING))
    return pd.DataFrame(rows, columns=["name", "forecast", "actual", "before", "inside"])


def _tenths(x):
    """A count or hours to a tenth, whole from a hundred up."""
    return number(x, 0 if abs(x) >= 99.95 or float(round(x, 1)).is_integer() else 1)


def methods_table(test):
    """Every method with its score over all days, the best first."""
    table = test.methods.sort_values("crps_days", kind="stable")
    used = table["is_used"].map({True: "used", False: ""})
    return table.assign(name=table["method"].map(METHODS), used=used)
