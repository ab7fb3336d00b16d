"""What is said of the year ahead: numbers made ready for the sentences of shared/words/outlook.md.j2, and tables in words."""

import math

import pandas as pd

from wearbar.outlook.action_list import PRESSING
from wearbar.outlook.simulate import LEAST_BILLS
from wearbar.report.quantities import MISSING, Harmless, decimals_of, number, plain, plural, safe
from wearbar.report.template import words_of
from wearbar.report.words.action_pages import counted

__all__ = [
    "CLASSES",
    "NO_YEAR",
    "a_year_ago",
    "alt_last_year",
    "alt_months",
    "alt_reliability",
    "alt_visits",
    "answer",
    "changed_use",
    "dates_by",
    "few_visits",
    "first_visits",
    "forecast_said",
    "horizon_words",
    "hours_said",
    "last_year_said",
    "last_year_table",
    "learned_said",
    "methods_said",
    "methods_table",
    "money_said",
    "money_table",
    "next_table",
    "order_said",
    "order_table",
    "short_record",
    "titled",
    "visit_work",
    "visits_said",
    "waiting_said",
    "work_said",
]

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
NAIVE = {"trailing": "trailing-year", "repeated": "last-year"}


def _about(value, low, high, say):
    """ "about 850 jobs (790 to 950)", the range rounded outwards. say: number to words with their unit."""
    step = 10 ** max(-(decimals_of(low, high) or 0), 0)
    low, high = step * math.floor(low / step), step * math.ceil(high / step)
    if low == high:
        return Harmless(safe(say(high), starts=False))
    if not round(value / step):
        return Harmless(f"at most {safe(say(high), starts=False)}")
    ends = f"{number(low)} to {number(high)}"
    return Harmless(f"about {safe(say(step * round(value / step)), starts=False)} ({ends})")


def _jobs(value, low, high):
    return _about(value, low, high, lambda n: plural(n, "job"))


def _hours(e):
    return _about(e.value, e.low, e.high, lambda n: plural(n, "hour")) if e.value > 0 else ""


def _money(e, show):
    return _about(e.value, e.low, e.high, show.money) if e.value > 0 else ""


def _thin(simulated):
    """The classes of money that too few bills show."""
    return [name for c, name in CLASSES.items() if c in simulated.thin]


def _lost(simulated, names):
    """How many jobs of the year count for nothing, for want of a figure."""
    return round(sum(simulated.unknown[name] for name in names))


def answer(outlook, totals, plan, show):
    """(sentences, urgency): the year in a breath. totals: of jobs, hours and money."""
    jobs, hours, money = totals
    start = show.date(outlook.simulated.starts[0])
    if not outlook.has_year:
        return short_record(outlook), "note"
    if not len(outlook.ahead.rows):
        parts = [_money(money, show) and Harmless(_money(money, show) + " of workshop money")]
        parts += [_hours(hours) and Harmless(_hours(hours) + " of labour")]
        return SAY("without_tasks", start=start, parts=[p for p in parts if p]), "note"
    view = {
        "start": start,
        "jobs": _jobs(jobs.value, jobs.low, jobs.high),
        "n_visits": plan.n_visits,
        "hours": _hours(hours),
        "money": _money(money, show),
        "without": _thin(outlook.simulated),
        "blank": [w for w, e in (("hours", hours), ("money", money)) if math.isnan(e.value)],
    }
    return SAY("answer", **view), "soon"


def short_record(outlook):
    """Why a young log has no year's total, and what it does have."""
    tasks = len(outlook.ahead.rows) > 0
    months, n = outlook.has_months, outlook.record_days
    return SAY("short_record", n_days=n, has_months=months, has_tasks=tasks)


def first_visits(plan, todo, as_of, show):
    """The soonest visits, and how much of the work cannot wait. todo: of `actionlist.actions`."""
    soonest = plan.jobs[plan.jobs["day"].eq(plan.jobs["day"].min())]
    day = as_of + pd.Timedelta(days=int(soonest["day"].min())) if len(soonest) else None
    names = sorted(soonest["vehicle"].unique())
    return SAY("first_visits", now=_now(todo), vehicles=names, date=show.date(day))


def _now(todo):
    return counted(todo[todo["urgency"].isin([*PRESSING, "recall"])])


def changed_use(outlook, show):
    """Whose recent use differs from the record's mean by more than chance, both rates said."""
    v = outlook.model.vehicles
    mine = v.index.isin(outlook.ahead.rows["vehicle"])
    v = v[v["is_changed"] & mine] if "is_changed" in v else v[:0]
    rates = {"lately": "rate_km_per_day", "before": "mean_km_per_day"}
    said = [
        SAY(
            "changed_vehicle",
            vehicle=name,
            **{k: show.quantity(row[c], "km_per_day") for k, c in rates.items()},
        )
        for name, row in v.iterrows()
    ]
    return SAY("changed_use", vehicles=said) if said else ""


def _compared(past, show):
    """Jobs and money of last year's forecast beside the actual, where both are known."""
    known = [n for n in ("jobs", "money") if past is not None and past.is_known(n)]
    for name in known:
        row = past.totals.set_index("what").loc[name]
        is_money, actual = name == "money", row["actual"]
        below = "below the range" if actual < row["low"] else "above the range"
        say = show.money if is_money else (lambda n: plural(n, "job"))
        yield {
            "forecast": _about(row["forecast"], row["low"], row["high"], say),
            "is_money": is_money,
            "actual": show.money(actual, 0) if is_money else number(actual),
            "where": "inside the range" if row["is_inside"] else below,
        }


def a_year_ago(past, show):
    """In a sentence, how the forecast of a year ago did."""
    return SAY("a_year_ago", totals=list(_compared(past, show)))


def last_year_said(past, show):
    """What last year's forecast, made from the log as it stood then, was worth."""
    totals = list(_compared(past, show))
    view = {"totals": totals, "is_short": past is None}
    if totals:
        t = past.totals.set_index("what")
        outside = [
            CLASSES[n] for n in CLASSES if t.loc[n, "is_known"] and not t.loc[n, "is_inside"]
        ]
        inside, of = past.inside("jobs") if past.is_known("jobs") else (0, 0)
        error, naive = past.off("jobs")
        view |= {"date": show.date(past.as_of), "outside": outside, "inside": inside, "of": of}
        view |= {"error": number(error, 1), "naive": number(naive, 1)}
        view |= {
            "n_joined": past.n_joined,
            "joined": show.money(past.joined),
            "n_left": past.n_left,
        }
    return SAY("last_year", **view)


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


def work_said(outlook, table, show):
    """The work by month, and what is not in it."""
    tasks = "jobs" not in outlook.simulated.blind
    view = {"has_months": outlook.has_months, "has_tasks": tasks, "busiest": "", "date": ""}
    if view["has_tasks"] and table["jobs"].sum() > 0:
        top = table.loc[table["jobs"].idxmax()]
        view["busiest"] = _jobs(top["jobs"], top["jobs_low"], top["jobs_high"])
        view["date"] = show.date(top["month"])
    method = outlook.model.of(outlook.ahead.rows["vehicle"].unique())[1]["method"]
    return SAY("work", n_unknown=int(method.fillna("none").eq("none").sum()), **view)


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


def few_visits(table):
    """What a young log's visits are. table: a row a visit of the next three months."""
    return SAY("few_visits", n=len(table))


def visits_said(plan, todo, show, has_covers=False):
    """How the visits are planned, and what early work leaves unused.

    todo: of `actionlist.actions`. has_covers: some of the work does other work along with it.
    """
    n, wasted = len(plan.jobs), plan.jobs["wasted_amount"].sum()
    view = {
        "n_visits": plan.n_visits,
        "n_jobs": n,
        "n_single": plan.n_single,
        "n_own_day": number(plan.n_own_day),
        "saved": show.percent(plan.saved_share) if plan.saved_share > 0 else "",
        "n_more": n - plan.n_single,
        "has_covers": has_covers,
        "unused": show.percent(plan.jobs["unused_share"].mean()),
        "wasted": show.money(wasted) if wasted > 0 else "",
        "has_now": bool(_now(todo)),
    }
    return SAY("visits", **view)


def waiting_said(table):
    """What waits for the return of vehicles that are off the road with no end on record. table: of `outlook.waiting`."""
    vehicles = [
        SAY("waiting_vehicle", vehicle=name, tasks=[t for t in rows["task"].unique() if t])
        for name, rows in table.groupby("vehicle", sort=True)
    ]
    return SAY("waiting", vehicles=vehicles)


def visit_work(jobs):
    """The work of each vehicle and day of `VisitPlan.jobs` in words: series `work`."""
    at = jobs.assign(position=jobs["position"].fillna("").astype(object))
    places = at.groupby(["vehicle", "day", "title"], sort=False)["position"]
    said = places.agg(lambda p: ", ".join(x for x in p if x)).rename("at").reset_index()
    said["work"] = said["title"] + (" (" + said["at"] + ")").where(said["at"] != "", "")
    return said.groupby(["vehicle", "day"])["work"].agg(", ".join)


def order_said(table):
    """How much is ordered, and what may be needed all the same."""
    none = table[table["order_packs"].eq(0) & (table["chance"] > 0.05)] if len(table) else table
    maybe = [
        SAY(
            "maybe",
            item=row["item"],
            for_what=row["for_what"],
            chance=_in_ten(row["chance"]),
            one="a set" if row["unit"] == "set" else "one",
        )
        for _, row in none.iterrows()
    ]
    return SAY("order", n=len(table), maybe=maybe)


def _in_ten(chance):
    n = round(10 * chance)
    few, many = "less than 1 chance in 10", "more than 9 in 10"
    return few if n == 0 else many if n == 10 else f"{n} in 10"


def order_table(table):
    """The order as the reader sees it."""
    packs = zip(table["order_packs"], table["unit"], table["pack"], strict=True)
    odds = [_in_ten(chance) for chance in table["chance"]]
    return table.assign(order=[_pack(*pack) for pack in packs], odds=odds)


def _pack(n, unit, pack):
    unit = unit if isinstance(unit, str) else ""
    if n == 0:
        return "order none"
    if unit == "set":
        return f"{plural(n, 'set')} of {number(pack)}"
    size = f"{pack:g} {unit}".strip()
    return number(n) if size == "1" else f"{number(n)} × {size}"


def hours_said(table, told):
    """Hours by site, and what they leave out. told: the simulated year."""
    nothing = told.unknown["hours"] > 0 or "hours" in told.blind
    view = {
        "is_unknown": nothing and not told.totals["hours"].any(),
        "n_small": int(table["hours"].isna().sum()) if len(table) else 0,
        "n_lost": _lost(told, ["hours"]),
    }
    return SAY("hours", **view)


def money_table(totals):
    """Money by class. totals: class to Estimate."""
    names = {"money": "All of it"} | {c: n[0].upper() + n[1:] for c, n in CLASSES.items()}
    rows = [(names[name], e.value, e.low, e.high) for name, e in totals.items()]
    return pd.DataFrame(rows, columns=["name", "cost", "low", "high"])


def money_said(outlook, totals, show):
    """What the money is, and what is not in it."""
    if not outlook.has_year:
        return NO_YEAR
    e = totals["money"]
    view = {
        "is_none": e.value == 0,
        "money": _money(e, show),
        "thin": _thin(outlook.simulated),
        "least": LEAST_BILLS,
        "n_lost": _lost(outlook.simulated, CLASSES),
    }
    return SAY("money", **view)


def learned_said(past, told=None):
    """How past years corrected and widened the money ahead; told: the simulated year, whose thin classes are left out."""
    if past is None:
        return SAY("learned", is_tested=False)
    thin = told.thin if told else ()
    known = past.learning[(past.learning["n"] > 0) & ~past.learning.index.isin(thin)]
    by = {name: round(100 * math.expm1(mean)) for name, mean in known["mean"].items()}
    moved = [
        SAY("moved", name=CLASSES[name], percent=f"{abs(p)}%", is_up=p > 0)
        for name, p in by.items()
        if p
    ]
    n = int(known["n"].max()) if len(known) else 0
    return SAY("learned", is_tested=True, n_years=n, moved=moved)


def methods_said(outlook, order, past):
    """How work, order, hours and money are estimated: paragraphs of the appendix."""
    if not outlook.has_year:
        return ""
    tasks = outlook.prices.tasks
    habits = bool(outlook.ahead.habits.any())
    money = {
        "learned": learned_said(past, outlook.simulated),
        "has_plan_prices": bool(len(tasks)) and bool(tasks["source"].eq("plan").any()),
        "has_repairs": "unplanned" not in outlook.simulated.thin,
        "has_wear": "wear" not in outlook.simulated.thin,
    }
    said = [SAY("work_method", has_habits=habits), SAY("order_method", n=len(order))]
    said += [SAY("hours_method"), SAY("money_method", **money)]
    return "\n\n".join(p for p in said if p)


def horizon_words(table):
    """The horizons as words."""
    ends = zip(table["low_days"], table["high_days"], strict=True)
    return table.assign(horizon=[f"{low} to {high} days" for low, high in ends])


def _untested(test):
    """Why there is no back-test; "" where there is one."""
    return "" if test.is_told else SAY("untested", is_short=not test.n_cuts)


def _scores(test):
    """Mean scores of the forecast and of the two simple methods, in days, with the days asked of."""
    names = {"ours": "crps_days"} | {k: f"crps_days_{name}" for k, name in NAIVE.items()}
    scores = {k: number(test.cases[column].mean(), 1) for k, column in names.items()}
    n_days = test.cases["cut"].nunique()
    return scores | {"n_days": n_days, "method": METHODS[test.used]}


def forecast_said(test, table, show):
    """How good the forecasts of use are, by the score, and for which use they do not hold."""
    if not test.is_told:
        return SAY("forecast", why=_untested(test))
    inside, se = table.attrs["inside"], table.attrs["se"]
    off = (inside - test.confidence) / max(se, 1e-9)
    view = {
        "n": len(test.cases),
        "confidence": show.percent(test.confidence),
        "inside": show.percent(inside, 1),
        "se": number(100 * se, 1),
        "off": "" if abs(off) <= 2 else "few" if off < 0 else "many",
        "says_when": test.tells_when_recorded,
    }
    return SAY("forecast", why="", **_scores(test), **view)


def dates_by(test):
    """How dates ahead are forecast, for the reports that only use them."""
    return SAY("dates_by", why=_untested(test), **(_scores(test) if test.is_told else {}))


def methods_table(test):
    """Every method with its score over all days, the best first."""
    table = test.methods.sort_values("crps_days", kind="stable")
    used = table["is_used"].map({True: "used", False: ""})
    return table.assign(name=table["method"].map(METHODS), used=used)


def alt_months(table, column, what, show):
    """The figure of months in words."""
    say = show.money if column == "money" else lambda x: number(round(x))
    ends = {end: say(getattr(table[column], f)()) for end, f in (("low", "min"), ("high", "max"))}
    return plain(SAY("alt_months", what=what, **ends))


def alt_last_year(past, column):
    """The figure of last year in words."""
    inside, of = past.inside(column)
    return plain(SAY("alt_last_year", inside=inside, of=of))


def alt_reliability(table):
    """The figure of coverage in words."""
    parts = [f"{row.horizon} {number(100 * row.inside)}%" for row in table.itertuples()]
    return plain(SAY("alt_reliability", parts=parts))


def alt_visits(plan):
    """The figure of visits in words."""
    n = plan.jobs["vehicle"].nunique()
    return plain(SAY("alt_visits", n=n, n_visits=plan.n_visits))
