"""What is said of the year ahead and of past forecasts: shared/words/outlook.md.j2."""

import math

import pandas as pd

from wearbar.outlook.simulate import LEAST_BILLS
from wearbar.report.quantities import MISSING, number, plural
from wearbar.report.template import words_of
from wearbar.report.words.action_pages import counted_now
from wearbar.report.words.action_rows import title_at

SAY = words_of("outlook")
NO_YEAR = "Not shown: a year's figures need a year of record."
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


def answer(year, totals, plan, show):
    """(sentence, urgency): the year in a breath. totals: of jobs, hours and money."""
    jobs, hours, money = totals
    has_tasks, thin = len(year.ahead.rows) > 0, year.simulated.thin
    if not year.has_year:
        return SAY("short_record", year=year, has_tasks=has_tasks), "note"
    view = {"jobs": jobs, "hours": hours, "money": money, "start": year.simulated.starts[0]}
    view["thin"] = [name for c, name in CLASSES.items() if c in thin]
    view["blank"] = [w for w in ("hours", "money") if math.isnan(view[w].value)]
    block, urgency = ("answer", "soon") if has_tasks else ("without_tasks", "note")
    return SAY(block, show=show, n_visits=plan.n_visits, **view), urgency


def first_visits(plan, todo, as_of, show):
    """The soonest visits, and how much of the work cannot wait. todo: of `actionlist.actions`."""
    first = plan.jobs["day"].min()
    vehicles = sorted(plan.jobs.loc[plan.jobs["day"].eq(first), "vehicle"].unique())
    date = as_of + pd.to_timedelta(first, unit="D")
    return SAY("first_visits", show=show, now=counted_now(todo)[0], vehicles=vehicles, date=date)


def changed_use(year, show):
    """Whose recent use differs from the record's mean by more than chance, both rates said."""
    v = year.model.vehicles
    changed = v.get("is_changed", False) & v.index.isin(year.ahead.rows["vehicle"])
    rows = v[changed].rename_axis("vehicle").reset_index()
    return SAY("changed_use", show=show, vehicles=rows)


def work_said(year, table, show):
    """The work by month, and what is not in it."""
    has_tasks = "jobs" not in year.simulated.blind
    top = table.loc[table["jobs"].idxmax()] if has_tasks and table["jobs"].sum() > 0 else None
    method = year.model.of(year.ahead.rows["vehicle"].unique())[1]["method"]
    unknown = method.fillna("none").eq("none").sum()
    return SAY("work", show=show, year=year, has_tasks=has_tasks, top=top, n_unknown=unknown)


def visits_said(plan, todo, show, has_covers=False):
    """How the visits are planned, and what early work leaves unused.

    todo: of `actionlist.actions`. has_covers: some of the work does other work along with it.
    """
    jobs, now = plan.jobs, counted_now(todo)[0]
    view = {"n_jobs": len(jobs), "has_covers": has_covers, "has_now": bool(now)}
    view |= {"unused": jobs["unused_share"].mean(), "wasted": jobs["wasted_amount"].sum()}
    return SAY("visits", show=show, plan=plan, **view)


def waiting_said(table):
    """What waits for vehicles off the road with no end on record. table: of `waiting`."""
    tasks = table.groupby("vehicle")["task"].agg(lambda codes: [t for t in codes.unique() if t])
    return SAY("waiting", vehicles=tasks.rename("tasks").reset_index().to_dict("records"))


def order_said(table):
    """How much is ordered, and what may be needed all the same."""
    none = order_table(table[table["order_packs"].eq(0) & (table["chance"] > 0.05)])
    none = none.sort_values("chance", ascending=False, kind="stable")
    return SAY("order", n=len(table), maybe=none)


def hours_said(table, told, hours):
    """Hours by site, and what they leave out. told: the simulated year; hours: of all."""
    lost, n_small = told.unknown["hours"], table["hours"].isna().sum() if len(table) else 0
    is_unknown = (lost > 0 or "hours" in told.blind) and not told.totals["hours"].any()
    view = {"is_unknown": is_unknown, "n_small": n_small, "n_lost": round(lost)}
    return SAY("hours", hours=hours, n_sites=len(table), **view)


def money_said(year, totals, show):
    """What the money is, and what is not in it."""
    if not year.has_year:
        return NO_YEAR
    told = year.simulated
    thin = [name for c, name in CLASSES.items() if c in told.thin]
    lost = round(sum(told.unknown[name] for name in CLASSES))
    view = {"money": totals["money"], "thin": thin, "least": LEAST_BILLS, "n_lost": lost}
    return SAY("money", show=show, **view)


def methods_said(year, order, past):
    """How work, order, hours and money are estimated: paragraphs of the appendix."""
    if not year.has_year:
        return ""
    prices = year.prices.tasks
    view = {"has_habits": bool(year.ahead.habits.any()), "n_items": len(order)}
    view["has_plan_prices"] = bool(len(prices)) and prices["source"].eq("plan").any()
    learned = learned_said(past, year.simulated)
    return SAY("methods", learned=learned, thin=year.simulated.thin, **view)


def _known_totals(past):
    """Jobs and money of last year's forecast beside the actual, where both are known."""
    known = [n for n in ("jobs", "money") if past is not None and past.is_known(n)]
    return [{"name": n, **past.totals.set_index("what").loc[n]} for n in known]


def a_year_ago(past, show):
    """In a sentence, how the forecast of a year ago did."""
    return SAY("a_year_ago", show=show, totals=_known_totals(past))


def last_year_said(past, show):
    """What last year's forecast, made from the log as it stood then, was worth."""
    if not _known_totals(past):
        return SAY("last_year", past=past, is_known=False)
    t = past.totals.set_index("what")
    outside = [c for c in CLASSES if t.loc[c, "is_known"] and not t.loc[c, "is_inside"]]
    inside, of = past.inside("jobs") if past.is_known("jobs") else (0, 0)
    error, naive = past.off("jobs")
    view = {"outside": [CLASSES[c] for c in outside], "inside": inside, "of": of}
    return SAY("last_year", show=show, past=past, is_known=True, error=error, naive=naive, **view)


def learned_said(past, told=None):
    """How past years corrected and widened the money ahead; told: the simulated year."""
    if past is None:
        return SAY("learned", is_tested=False)
    thin = told.thin if told else ()
    known = past.learning[(past.learning["n"] > 0) & ~past.learning.index.isin(thin)]
    by = {c: round(100 * math.expm1(mean)) for c, mean in known["mean"].items()}
    moved = [{"name": CLASSES[c], "percent": p} for c, p in by.items() if p]
    n = int(known["n"].max()) if len(known) else 0
    return SAY("learned", is_tested=True, n_years=n, moved=moved)


def _test(test):
    """A back-test's mean scores in days, its days and method, or why there is none."""
    if not test.is_told:
        return {"why": SAY("untested", is_short=not test.n_cuts)}
    columns = ("crps_days", "crps_days_trailing-year", "crps_days_last-year")
    scores = [number(test.cases[column].mean(), 1) for column in columns]
    view = dict(zip(("ours", "trailing", "repeated"), scores, strict=True))
    return view | {"why": "", "n_days": test.cases["cut"].nunique(), "method": METHODS[test.used]}


def forecast_said(test, table, show):
    """How good the forecasts of use are, by the score, and for which use they do not hold."""
    view = _test(test)
    if test.is_told:
        inside, se = table.attrs["inside"], table.attrs["se"]
        off = (inside - test.confidence) / max(se, 1e-9)
        view |= {"inside": inside, "se": 100 * se, "off": off, "n": len(test.cases)}
    return SAY("forecast", show=show, test=test, **view)


def dates_by(test):
    """How dates ahead are forecast, for the reports that only use them."""
    return SAY("dates_by", **_test(test))


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


def visit_work(jobs):
    """The work of each vehicle and day of `VisitPlan.jobs` in words: series `work`."""
    at = jobs.assign(position=jobs["position"].fillna("").astype(object))
    places = at.groupby(["vehicle", "day", "title"], sort=False)["position"]
    said = places.agg(lambda p: ", ".join(filter(None, p))).rename("at").reset_index()
    said["work"] = said["title"].combine(said["at"], title_at)
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
    names = {"money": "all of it", **CLASSES}
    rows = [(_first_up(names[name]), e.value, e.low, e.high) for name, e in totals.items()]
    return pd.DataFrame(rows, columns=["name", "cost", "low", "high"])


def last_year_table(past, show):
    """Totals of last year's forecast beside the actual, as the reader sees them."""
    columns = ["name", "forecast", "actual", "before", "inside"]
    if past is None or not past.totals["is_known"].any():
        return pd.DataFrame(columns=columns)
    names = {"jobs": "jobs done", "hours": "labour hours", "money": "workshop money", **CLASSES}
    rows = [_beside(row, _first_up(names[row.what]), show) for row in past.totals.itertuples()]
    return pd.DataFrame(rows, columns=columns)


def _beside(row, name, show):
    """One total: its forecast with the range, outwards to whole money, and two actual years."""
    is_count, low, high = row.what in ("jobs", "hours"), row.low, row.high
    say = _tenths if is_count else lambda x: show.money(x, 0)
    if not is_count and not math.isnan(row.forecast):
        low, high = math.floor(low), math.ceil(high)
    inside = "inside" if row.is_inside else "outside"
    said = [
        f"{say(row.forecast)} ({_tenths(low)} to {_tenths(high)})",
        say(row.actual),
        say(row.before),
    ]
    known = [
        text if x == x else MISSING
        for x, text in zip((row.forecast, row.actual, row.before), said, strict=True)
    ]
    return name, *known, inside if row.is_known else MISSING


def _first_up(text):
    return text[0].upper() + text[1:]


def _tenths(x):
    """A count or hours to a tenth, whole from a hundred up."""
    return number(x, 0 if abs(x) >= 99.95 or float(round(x, 1)).is_integer() else 1)


def methods_table(test):
    """Every method with its score over all days, the best first."""
    table = test.methods.sort_values("crps_days", kind="stable")
    used = table["is_used"].map({True: "used", False: ""})
    return table.assign(name=table["method"].map(METHODS), used=used)
