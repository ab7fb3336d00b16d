"""What is said of the year ahead: numbers made ready for the sentences of shared/words/outlook.md.j2."""

import math

import pandas as pd

from wearbar.outlook.action_list import PRESSING
from wearbar.outlook.simulate import LEAST_BILLS
from wearbar.report.quantities import Harmless, number, plain, plural
from wearbar.report.template import words_of
from wearbar.report.words.action_pages import counted
from wearbar.report.words.outlook_past import (
    a_year_ago,
    about,
    alt_last_year,
    alt_reliability,
    dates_by,
    forecast_said,
    last_year_said,
    learned_said,
)
from wearbar.report.words.outlook_tables import (
    CLASSES,
    horizon_words,
    in_ten,
    last_year_table,
    methods_table,
    money_table,
    next_table,
    order_table,
    titled,
    visit_work,
)

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


def _jobs(value, low, high):
    return about(value, low, high, lambda n: plural(n, "job"))


def _hours(e):
    return about(e.value, e.low, e.high, lambda n: plural(n, "hour")) if e.value > 0 else ""


def _money(e, show):
    return about(e.value, e.low, e.high, show.money) if e.value > 0 else ""


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


def order_said(table):
    """How much is ordered, and what may be needed all the same."""
    none = table[table["order_packs"].eq(0) & (table["chance"] > 0.05)] if len(table) else table
    none = none.sort_values("chance", ascending=False, kind="stable")
    chances = zip(none["item"], none["chance"], strict=True)
    maybe = [SAY("maybe", item=item, chance=in_ten(chance)) for item, chance in chances]
    return SAY("order", n=len(table), maybe=maybe)


def hours_said(table, told, hours):
    """Hours by site, and what they leave out. told: the simulated year; hours: `Estimate` of all."""
    nothing = told.unknown["hours"] > 0 or "hours" in told.blind
    view = {
        "is_unknown": nothing and not told.totals["hours"].any(),
        "n_small": int(table["hours"].isna().sum()) if len(table) else 0,
        "n_lost": _lost(told, ["hours"]),
        "n_sites": len(table),
        "hours": _hours(hours) or "nil",
    }
    return SAY("hours", **view)


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


def alt_months(table, column, what, show):
    """The figure of months in words."""
    say = show.money if column == "money" else lambda x: number(round(x))
    ends = {end: say(getattr(table[column], f)()) for end, f in (("low", "min"), ("high", "max"))}
    return plain(SAY("alt_months", what=what, **ends))


def alt_visits(plan):
    """The figure of visits in words."""
    n = plan.jobs["vehicle"].nunique()
    return plain(SAY("alt_visits", n=n, n_visits=plan.n_visits))
