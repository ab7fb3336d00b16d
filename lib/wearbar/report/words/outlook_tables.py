"""The tables of the year ahead in words: what is done at a visit, what to order, money by class, last year beside the actual."""

import math

import pandas as pd

from wearbar.report.quantities import MISSING, number, plural

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


def titled(table, rows):
    """A table whose `task` holds codes with their titles instead. rows: of `Outlook.ahead`; a task that is not there keeps its words."""
    titles = rows.drop_duplicates("task").set_index("task")["title"]
    return table.assign(task=table["task"].map(titles).fillna(table["task"]))


def next_table(table):
    """The same with the positions of one task that fall due alike in one row."""
    same = [c for c in table.columns if c != "position"]
    filled = table.fillna({"position": "", "site": MISSING})
    joined = filled.groupby(same, sort=False, dropna=False)["position"].agg(", ".join)
    order = ["due_date", "vehicle", "task"]
    return joined.reset_index().sort_values(order, kind="stable", ignore_index=True)


def visit_work(jobs):
    """The work of each vehicle and day of `VisitPlan.jobs` in words: series `work`."""
    at = jobs.assign(position=jobs["position"].fillna("").astype(object))
    places = at.groupby(["vehicle", "day", "title"], sort=False)["position"]
    said = places.agg(lambda p: ", ".join(x for x in p if x)).rename("at").reset_index()
    said["work"] = said["title"] + (" (" + said["at"] + ")").where(said["at"] != "", "")
    return said.groupby(["vehicle", "day"])["work"].agg(", ".join)


def order_table(table):
    """The order as the reader sees it."""
    packs = zip(table["order_packs"], table["unit"], table["pack"], strict=True)
    odds = [in_ten(chance) for chance in table["chance"]]
    return table.assign(order=[_pack(*pack) for pack in packs], odds=odds)


def in_ten(chance):
    n = round(10 * chance)
    few, many = "less than 1 chance in 10", "more than 9 in 10"
    return few if n == 0 else many if n == 10 else f"{n} in 10"


def _pack(n, unit, pack):
    unit = unit if isinstance(unit, str) else ""
    if n == 0:
        return "order none"
    if unit == "set":
        return f"{plural(n, 'set')} of {number(pack)}"
    size = f"{pack:g} {unit}".strip()
    return number(n) if size == "1" else f"{number(n)} × {size}"


def money_table(totals):
    """Money by class. totals: class to Estimate."""
    names = {"money": "All of it"} | {c: n[0].upper() + n[1:] for c, n in CLASSES.items()}
    rows = [(names[name], e.value, e.low, e.high) for name, e in totals.items()]
    return pd.DataFrame(rows, columns=["name", "cost", "low", "high"])


def last_year_table(past, show):
    """Totals of last year's forecast beside the actual, as the reader sees them."""
    columns = ["name", "forecast", "actual", "before", "inside"]
    if past is None or not past.totals["is_known"].any():
        return pd.DataFrame(columns=columns)
    what = {"jobs": "Jobs done", "hours": "Labour hours", "money": "Workshop money", **CLASSES}
    rows = []
    for row in past.totals.itertuples():
        count = row.what in ("jobs", "hours")
        say = _tenths if count else lambda x: show.money(x, 0)
        low, high = (row.low, row.high) if count else (_floor(row.low), -_floor(-row.high))
        band = f"{say(row.forecast)} ({_tenths(low)} to {_tenths(high)})"
        inside = "inside" if row.is_inside else "outside"
        came, before = (say(x) if x == x else MISSING for x in (row.actual, row.before))
        name = what[row.what][0].upper() + what[row.what][1:]
        known = band if row.forecast == row.forecast else MISSING
        rows.append((name, known, came, before, inside if row.is_known else MISSING))
    return pd.DataFrame(rows, columns=columns)


def _floor(x):
    return math.floor(x) if x == x else x


def _tenths(x):
    """A count or hours to a tenth, whole from a hundred up."""
    return number(x, 0 if abs(x) >= 99.95 or float(round(x, 1)).is_integer() else 1)


def horizon_words(table):
    """The horizons as words."""
    ends = zip(table["low_days"], table["high_days"], strict=True)
    return table.assign(horizon=[f"{low} to {high} days" for low, high in ends])


def methods_table(test):
    """Every method with its score over all days, the best first."""
    table = test.methods.sort_values("crps_days", kind="stable")
    used = table["is_used"].map({True: "used", False: ""})
    return table.assign(name=table["method"].map(METHODS), used=used)
