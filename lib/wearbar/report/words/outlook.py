"""What is said of the year ahead: what last year's outlook was worth, how good the forecasts are, the work, the visits, the order, the
money.
"""

import math

import pandas as pd

from wearbar.outlook.action_list import PRESSING
from wearbar.outlook.simulate import LEAST_BILLS
from wearbar.report.quantities import MISSING, listing, number, plain, plural, safe
from wearbar.report.words.action_pages import counted

__all__ = [
    "CLASSES",
    "FEW_VISITS",
    "NO_YEAR",
    "alt_last_year",
    "alt_months",
    "alt_reliability",
    "alt_visits",
    "answer",
    "changed_use",
    "dates_by",
    "few_visits",
    "forecast_said",
    "horizon_words",
    "hours_said",
    "last_year_said",
    "last_year_table",
    "learned_said",
    "methods_table",
    "money_said",
    "money_table",
    "next_caption",
    "next_table",
    "order_said",
    "order_table",
    "short_record",
    "titled",
    "visits_said",
    "visits_table",
    "waiting_said",
    "work_said",
]  # fmt: skip

CLASSES = {
    "planned": "Work that a plan or a certificate asks for",
    "wear": "Parts that wear: tyres, pads, chains and what is fitted with them",
    "unplanned": "Repairs that nobody planned",
    "other": "Other planned work",
}
WHAT = {"jobs": "Jobs done", "hours": "Labour hours", "money": "Workshop money", **CLASSES}
METHODS = {
    "season-and-lay-ups": "own rate, with the fleet's season and the lay-ups that are usual",
    "season": "own rate, with the fleet's season",
    "lay-ups": "own rate, with the lay-ups that are usual",
    "level": "own rate alone",
    "season-and-lay-ups-steady": "as the first, taking rates not to drift",
    "level-steady": "own rate alone, taking it not to drift",
    "trailing-year": "naive: the mean of the trailing year",
    "last-year": "naive: the same days as last year",
}
NO_YEAR = "Not shown: a year's figures need a year of record."
FEW_VISITS = "The visits of the next three months. A year's plan needs a year of record."
NAIVE = ("trailing-year", "last-year")


def answer(outlook, totals, plan, show):
    """(sentence, urgency): the year in a breath. totals: of jobs, hours and money."""
    jobs, hours, money = totals
    if not outlook.has_year:
        return short_record(outlook), "note"
    if not outlook.ahead.rows.shape[0]:
        return _without_tasks(hours, money, show.date(outlook.told.starts[0]), show), "note"
    span = f"From {show.date(outlook.told.starts[0])}, in twelve months:"
    n = plural(plan.n_visits, "visit")
    labour = f", {_range(hours.low, hours.high, 'hour')} of labour" if hours.value > 0 else ""
    cost = (
        f", and {_money(money, show)} of workshop money{_without(outlook.told)}"
        if money.value > 0
        else ""
    )
    blank = [what for what, e in (("hours", hours), ("money", money)) if math.isnan(e.value)]
    untold = f" The {listing(blank)} cannot be told: the log does not hold any." if blank else ""
    return (
        f"{span} {_range(jobs.low, jobs.high, 'job')} in about {n}{labour}{cost}.{untold}",
        "soon",
    )


def _without(told):
    """The classes of money that too few bills tell of."""
    return (
        f", without {listing([_class(c) for c in CLASSES if c in told.thin])}" if told.thin else ""
    )


def _class(name):
    return {"wear": "parts that wear", "unplanned": "unplanned repairs"}.get(
        name, CLASSES[name].lower()
    )


def short_record(outlook):
    """Why a young log has no year's total, and what it does have."""
    have = f"The record is {plural(outlook.record_days, 'day')} long."
    needs = "A year's jobs, hours and money need a year of record."
    lacks = "" if outlook.has_months else " A month's need three months."
    if not len(outlook.ahead.rows):
        return f"{have} {needs}{lacks} Name a plan in log.toml to see what falls due."
    return f"{have} {needs}{lacks} What falls due next is below."


def _without_tasks(hours, money, start, show):
    """What can be told of a year of which no plan has a task."""
    told = [f"{_money(money, show)} of workshop money"] if money.value > 0 else []
    told += [_range(hours.low, hours.high, "hour") + " of labour"] if hours.value > 0 else []
    lost = "jobs and visits" if told else "year"
    rest = (
        f" By the wear and the work on record, twelve months from {start} take {listing(told)}."
        if told
        else ""
    )
    return (
        f"No task of a plan lies ahead of the vehicles reported, so their {lost} cannot be told. A vehicle in use needs a plan; "
        f"one that has left needs none.{rest}"
    )


def _range(low, high, noun):
    """A count's limits, rounded outwards."""
    low, high = math.floor(low), math.ceil(high)
    return plural(high, noun) if low == high else f"{number(low)} to {number(high)} {noun}s"


def _money(e, show):
    return _money_range(e.low, e.high, show)


def _money_range(low, high, show):
    """Money's limits, rounded outwards: to tens above a thousand."""
    step = 10 if high > 1000 else 1
    return show.range(step * math.floor(low / step), step * math.ceil(high / step), "money", 0)


def last_year_said(past, show):
    """What last year's outlook, made from the log as it stood then, was worth; first of all in the report."""
    if past is None:
        return "The record is too short to test an outlook made a year ago: that needs two years."
    t = past.totals.set_index("what")
    parts = [
        _one_total(t.loc[name], name, show) for name in ("jobs", "money") if past.is_told(name)
    ]
    if not parts:
        return (
            "Neither the outlook of a year ago nor the year that followed has any work to compare."
        )
    outside = [_class(n) for n in CLASSES if t.loc[n, "is_told"] and not t.loc[n, "is_inside"]]
    missed = (
        f" Outside {'its range' if len(outside) == 1 else 'their ranges'}: {listing(outside)}."
        if outside
        else ""
    )
    start = f"The outlook of {show.date(past.as_of)} was made again from the log as it then stood. It forecast {listing(parts)}."
    return f"{start}{missed}{_by_month(past) if past.is_told('jobs') else ''}{_fate(past, show)}"


def _by_month(past):
    inside, of = past.inside("jobs")
    ours, naive = past.off("jobs")
    verdict = "closer" if ours < naive else "no closer"
    return (
        f" In {number(inside)} of {number(of)} months the number of jobs was inside its range. By the month it was off by "
        f"{number(ours, 1)} jobs on average, {verdict} than the same month of the year before ({number(naive, 1)})."
    )


def _one_total(row, name, show):
    is_money = name == "money"
    band = (
        f"{_money_range(row['low'], row['high'], show)} of workshop money"
        if is_money
        else _range(row["low"], row["high"], "job")
    )
    actual = show.money(row["came"], 0) if is_money else number(row["came"])
    where = "inside" if row["is_inside"] else "above" if row["came"] > row["high"] else "below"
    return f"{band} (actual: {actual}, {where} that)"


def _fate(past, show):
    said = ""
    if past.n_joined:
        are = "is" if past.n_joined == 1 else "are"
        said += f" {plural(past.n_joined, 'vehicle')} joined since and {are} not in it ({show.money(past.joined)})."
    if past.n_left:
        said += f" {plural(past.n_left, 'vehicle')} left; it knew only how often vehicles usually leave."
    return said


def learned_said(past, told=None):
    """How past years corrected and widened the money ahead; told: the `Simulated` year, whose thin classes are left out."""
    if past is None:
        return "No past year could be tested yet, so each range of money is widened by what such forecasts are usually out by."
    known = past.learning[
        (past.learning["n"] > 0) & ~past.learning.index.isin(told.thin if told else ())
    ]
    if not len(known):
        return ""
    moved = {n: round(100 * math.expm1(m)) for n, m in known["mean"].items()}
    parts = [f"{_class(n)} {abs(p)}% {'more' if p > 0 else 'less'}" for n, p in moved.items() if p]
    by = f"{'the outlook' if known['n'].max() == 1 else 'the outlooks'} of {plural(int(known['n'].max()), 'past year')}"
    return f"Tested against {by}, the money is widened{' and corrected: ' + listing(parts, most=4) if parts else ''}."


def last_year_table(past, show):
    """Totals of last year's outlook beside what came, as the reader sees them."""
    if past is None or not past.totals["is_told"].any():
        return pd.DataFrame(columns=["name", "foreseen", "came", "before", "inside"])
    rows = []
    for row in past.totals.itertuples():
        count = row.what in ("jobs", "hours")
        say = _tenths if count else lambda x: show.money(x, 0)
        ends = (
            (row.low, row.high)
            if count
            else (math.floor(row.low), math.ceil(row.high))
            if row.low == row.low
            else (row.low, row.high)
        )
        band = (
            f"{say(row.foreseen)} ({_tenths(ends[0])} to {_tenths(ends[1])})"
            if row.foreseen == row.foreseen
            else MISSING
        )
        inside = MISSING if not row.is_told else "inside" if row.is_inside else "outside"
        rows.append(
            (
                WHAT[row.what],
                band,
                *(say(x) if x == x else MISSING for x in (row.came, row.before)),
                inside,
            )
        )
    return pd.DataFrame(rows, columns=["name", "foreseen", "came", "before", "inside"])


def _tenths(x):
    """A count or hours to a tenth, whole from a hundred up."""
    return number(x, 0 if abs(x) >= 99.95 or float(round(x, 1)).is_integer() else 1)


def horizon_words(table):
    """The horizons as words."""
    return table.assign(
        horizon=[
            f"{low} to {high} days"
            for low, high in zip(table["low_days"], table["high_days"], strict=True)
        ]
    )


def forecast_said(test, table, show):
    """How good the forecasts of use are, by the score, and for which use they do not hold."""
    if not test.is_told:
        return f"The forecasts could not be tested on the log's own past: {_untested(test)}. Their ranges come from the method alone."
    c = test.cases
    score = {name: c[f"crps_days_{name}"].mean() for name in NAIVE}
    ours = c["crps_days"].mean()
    won = all(ours < s for s in score.values())
    scores = (
        f"{number(ours, 1)} days, against {number(score['trailing-year'], 1)} for the mean of the trailing year and "
        f"{number(score['last-year'], 1)} for last year's days over again"
    )
    start = (
        f"On {plural(c['cut'].nunique(), 'past day')} the log was read as it then stood, and {plural(len(c), 'question')} asked of "
        "it; what was used was chosen on earlier days alone."
    )
    verdict = f"Its score (the less the better) is {scores}{': it beats both.' if won else ': it does not beat both.'}"
    inside, se = table.attrs["inside"], table.attrs["se"]
    off = (inside - test.confidence) / max(se, 1e-9)
    within = (
        "as it says, within chance"
        if abs(off) <= 2
        else "fewer than it says, for which today's are widened"
        if off < 0
        else "more than it says: they are wide"
    )
    cover = (
        f"Of its {number(100 * test.confidence)}% intervals {number(100 * inside, 1)}% held the truth, with a standard error by "
        f"vehicle and by day of {number(100 * se, 1)}: {within}."
    )
    used = f"For today the best of all is used: {METHODS[test.used]}, its intervals widened by what the past asked for."
    late = (
        ""
        if test.tells_when_recorded
        else " No row says when it was recorded, so what was typed in late is known too soon in this test."
    )
    return f"{start} {verdict} {cover} {used}{late} {_weak_spots()}"


def _untested(test):
    """Why there is no back-test."""
    if not test.n_cuts:
        return "the record is shorter than fifteen months"
    return "too few distances forecast on past days were read again within a year"


def dates_by(test):
    """How dates ahead are forecast, for the reports that only use them."""
    if not test.is_told:
        return f"Forecast dates are not yet tested on the log's own past: {_untested(test)}."
    score = {
        name: number(test.cases[column].mean(), 1)
        for name, column in (("own", "crps_days"), *((n, f"crps_days_{n}") for n in NAIVE))
    }
    return (
        f"Dates ahead are forecasts of use ({METHODS[test.used]}), chosen and widened by how they would have done at "
        f"{plural(test.cases['cut'].nunique(), 'past day')} of this log: score {score['own']} days, against {score['trailing-year']} and "
        f"{score['last-year']} for two naive methods; the less the better. The outlook tells that test whole."
    )


def _weak_spots():
    """For which use the intervals are known, by simulation of 2,000 vehicles a case, not to hold before any widening."""
    return (
        "By simulation the intervals hold for steady and intermittent use, and for seasonal use with a dozen readings a year. "
        "They are wider than "
        "they say for seasonal use with four readings, and where a vehicle is laid up and nobody writes it down; and narrower "
        "where the rate of "
        "use itself drifts, the more so the fewer the readings."
    )


def methods_table(test):
    """Every method with its score over all days, the best first."""
    table = test.methods.sort_values("crps_days", kind="stable")
    return table.assign(
        name=table["method"].map(METHODS), used=table["is_used"].map({True: "used", False: ""})
    )


def changed_use(outlook, show):
    """Whose recent use differs from the record's mean by more than chance, both rates said."""
    v = outlook.model.vehicles
    v = (
        v[v["is_changed"] & v.index.isin(outlook.ahead.rows["vehicle"])]
        if "is_changed" in v
        else v[:0]
    )
    if v.empty:
        return ""
    said = [
        f"{safe(name)} {show.quantity(r.mean_km_per_day, 'km_per_day')} before, {show.quantity(r.rate_km_per_day, 'km_per_day')} lately"
        for name, r in v.iterrows()
    ]
    return f"Recent use has changed: {listing(said)}."


def work_said(outlook, table, show):
    """The work by month, and what is not in it."""
    if not outlook.has_months:
        return short_record(outlook)
    if "jobs" in outlook.told.blind:
        return "No plan has a task for the vehicles reported, so what falls due cannot be told."
    if table["jobs"].sum() == 0:
        return "No work falls due in the year ahead, so far as the plan, the log and the forecasts tell."
    top = table.loc[table["jobs"].idxmax()]
    busiest = f"The busiest month begins on {show.date(top['month'])}: {_range(top['jobs_low'], top['jobs_high'], 'job')}."
    habits = outlook.ahead.habits
    how = (
        "Work is taken to be done as late or early as it has been here"
        if habits.any()
        else "Work is taken to be done on its due day"
    )
    blind = (
        outlook.model.of(outlook.ahead.rows["vehicle"].unique())[1]["method"]
        .fillna("none")
        .eq("none")
        .sum()
    )
    lost = (
        f" Of {plural(int(blind), 'vehicle')} the use cannot be foreseen: only dates count there."
        if blind
        else ""
    )
    return (
        f"{busiest} {how}, a job being one task at one place on one vehicle; the bands hold chance and what is not known of rates "
        f"and prices.{lost}"
    )


def titled(table, rows):
    """A table whose `task` holds codes with their titles instead. rows: of `Outlook.ahead`; a task that is not there keeps its words."""
    titles = rows.drop_duplicates("task").set_index("task")["title"]
    return table.assign(task=table["task"].map(titles).fillna(table["task"]))


def few_visits(table):
    """What a young log's visits are. table: of `visits_table`, those of the next three months."""
    return (
        FEW_VISITS
        if len(table)
        else "No visit of the next three months is known. A year's plan needs a year of record."
    )


def next_caption():
    return "When each task next falls due, and the chance that it will have by then"


def next_table(table):
    """The same with the positions of one task that fall due alike in one row."""
    same = [c for c in table.columns if c != "position"]
    joined = (
        table.fillna({"position": "", "site": "not known"})
        .groupby(same, sort=False, dropna=False)["position"]
        .agg(", ".join)
        .reset_index()
    )
    return joined.sort_values(["due_date", "vehicle", "task"], kind="stable", ignore_index=True)


def visits_said(plan, todo, show, has_covers=False):
    """How the visits are planned, and what early work throws away.

    todo: of `actionlist.actions`. has_covers: some of the work does other work along with it.
    """
    if not plan.n_visits:
        return "No visit needs to be planned."
    now = todo[todo["urgency"].isin([*PRESSING, "recall"])]
    n, one = len(plan.jobs), plan.n_visits == 1
    said = [f"{plural(plan.n_visits, 'visit')} {'does' if one else 'do'} {plural(n, 'job')}."]
    said += [f"The first visits take all that cannot wait: {counted(now)}."] if len(now) else []
    share = f"{show.percent(plan.saved_share)} saved" if plan.saved_share > 0 else "none saved"
    said.append(
        f"With a visit for each job on its own due day it would be {plural(plan.n_single, 'visit')} ({share}). "
        f"With the jobs of one day together it would be {number(plan.n_own_day)}."
    )
    more, wasted = n - plan.n_single, plan.jobs["wasted_amount"].sum()
    said += (
        [f"Work done before its due day falls due again sooner: {plural(more, 'job')} more."]
        if more > 0
        else []
    )
    said += (
        ["Work that other work does along with it may be planned once more than needed."]
        if has_covers
        else []
    )
    if wasted > 0:
        life = show.percent(plan.jobs["unused_share"].mean())
        said.append(
            f"Early work leaves {life} of the intervals unused on average, worth {show.money(wasted)}."
        )
    late = "Nothing else" if len(now) else "Nothing"
    said.append(
        f"{late} is planned after its due point, and nothing before its window. Distances are the forecast's median. "
        "Read the odometer before each visit, and plan again every month."
    )
    return " ".join(said)


def waiting_said(table):
    """What waits for the return of vehicles that are laid up with no end on record. table: of `outlook.waiting`."""
    said = []
    for name, rows in table.groupby("vehicle", sort=True):
        tasks = [safe(t) for t in rows["task"].unique() if t]
        said.append(f"{safe(name)} ({listing(tasks) if tasks else 'nothing due yet'})")
    if not said:
        return ""
    one = len(said) == 1
    return (
        f"Laid up with no end on record, so without a visit here: {listing(said)}. Do what is due before "
        f"{'its' if one else 'their'} next use."
    )


def visits_table(plan, as_of):
    """One row a visit: vehicle, site, date, its work in words, jobs, hours, what it gives away."""
    jobs = plan.jobs
    if jobs.empty:
        return pd.DataFrame(columns=["vehicle", "site", "date", "work", "jobs", "wasted_amount"])
    said = (
        jobs.groupby(["vehicle", "day", "title"], sort=False)["position"]
        .agg(lambda p: ", ".join(x for x in p if isinstance(x, str) and x))
        .reset_index()
    )
    said["work"] = said["title"] + (" (" + said["position"] + ")").where(said["position"] != "", "")
    work = said.groupby(["vehicle", "day"])["work"].agg(", ".join)
    by = jobs.groupby(["vehicle", "day"])
    made = (
        by.agg(
            site=("site", "first"), jobs=("task", "size"), wasted_amount=("wasted_amount", "sum")
        )
        .join(work)
        .reset_index()
    )
    made["date"] = as_of + pd.to_timedelta(made["day"], unit="D")
    return made.sort_values(["date", "vehicle"], kind="stable", ignore_index=True)


def order_said(table):
    """How the order is estimated."""
    if table.empty:
        return "Neither the plan nor the wear on record names a part to order."
    none = table[table["order_packs"].eq(0) & (table["chance"] > 0.05)]
    maybe = ""
    if len(none):
        one = none["unit"].map({"set": "a set"}).fillna("one")
        said = [
            f"{safe(r['item'])} for {safe(r['for_what'])}: order none, {_in_ten(r['chance'])} that you need {one[i]}"
            for i, r in none.iterrows()
        ]
        maybe = f" {listing(said)}."
    return (
        "For each item, as many packs as will do in eight years of ten like this. Packs are whole; what is left in one serves "
        "the next job, but not for a "
        f"safety task, where an opened pack is not kept. Worn parts go by the set: tyres and pads of an axle together.{maybe}"
    )


def _in_ten(chance):
    n = round(10 * chance)
    return (
        "less than 1 chance in 10" if n == 0 else "more than 9 in 10" if n == 10 else f"{n} in 10"
    )


def order_table(table):
    """The order as the reader sees it."""
    words = [_in_ten(c) for c in table["chance"]]
    packs = [
        _pack(n, unit, pack)
        for n, unit, pack in zip(table["order_packs"], table["unit"], table["pack"], strict=True)
    ]
    return table.assign(order=packs, odds=words)


def _pack(n, unit, pack):
    unit = "" if not isinstance(unit, str) else unit
    if n == 0:
        return "order none"
    if unit == "set":
        return f"{plural(n, 'set')} of {number(pack)}"
    size = f"{pack:g}"
    return (
        f"{number(n)} × {size} {unit}"
        if unit
        else number(n)
        if pack == 1
        else f"{number(n)} × {size}"
    )


def hours_said(table, told):
    """Hours by site, and what they leave out."""
    if not told.totals["hours"].any() and (told.untold["hours"] > 0 or "hours" in told.blind):
        return "Neither the log nor the plan says how long work takes, so the hours cannot be told. Record them, 0 where it took none."
    small = int(table["hours"].isna().sum()) if len(table) else 0
    few = (
        f" {plural(small, 'site')} with fewer than three vehicles {'is' if small == 1 else 'are'} not told."
        if small
        else ""
    )
    return (
        "Hours of planned work and of fitting parts, by where each vehicle is today; repairs that nobody planned are not divided "
        f"by site. A task without hours in the log takes the plan's, else those of like tasks.{_lost(told, ['hours'], 'no hours')}{few}"
    )


def _lost(told, names, what):
    """How many jobs of the year count for nothing, for want of a figure."""
    n = sum(told.untold[name] for name in names)
    count = (
        f"has {what} on record and counts" if round(n) == 1 else f"have {what} on record and count"
    )
    return (
        f" About {plural(round(n), 'job')} of the year, worn parts counted, {count} nothing."
        if n >= 0.5
        else ""
    )


def money_table(totals, show):
    """Money by class. totals: class to Estimate."""
    rows = [(CLASSES.get(name, "All of it"), e.value, e.low, e.high) for name, e in totals.items()]
    return pd.DataFrame(rows, columns=["name", "cost", "low", "high"])


def money_said(outlook, totals, show, past=None):
    """What the money is, what corrected it, and what is not in it. past: `LastYear` or None."""
    if not outlook.has_year:
        return NO_YEAR
    e = totals["money"]
    if e.value == 0:
        return "So far as the plan and the log tell, the year asks for no workshop money."
    if math.isnan(e.value):
        return "The log and the plan hold no prices, so the year's money cannot be told. Record what work and parts cost."
    lost = _lost(outlook.told, CLASSES, "no price")
    log = outlook.prices.tasks["source"].eq("plan").sum() if len(outlook.prices.tasks) else 0
    guess = " Tasks that the log has not priced go by the plan's hours and parts." if log else ""
    thin = [_class(c) for c in CLASSES if c in outlook.told.thin]
    few = (
        f" Fewer than {LEAST_BILLS} bills on record tell of {listing(thin)}, so no figure is given for them."
        if thin
        else ""
    )
    repairs = (
        ""
        if "unplanned" in outlook.told.thin
        else " Unplanned repairs go by each kind's own rate and age."
    )
    return (
        f"{_money(e, show)} at the prices of the last two years{_without(outlook.told)}.{few} "
        f"{learned_said(past, outlook.told)}{lost}{guess} Not in it: fuel, fixed costs, accidents, "
        f"recalls, and vehicles yet to come.{repairs} "
        "The range is not a 90% interval: too few years were tested to say how often it holds. "
        "A rare, very large bill can still lie outside it."
    )


def alt_months(table, column, what, show):
    """The figure of months in words."""
    told = show.money if column == "money" else lambda x: number(round(x))
    ends = f"from {told(table[column].min())} to {told(table[column].max())}"
    return f"{what} forecast for each of the next twelve months with its range; the means go {ends} a month."


def alt_last_year(past, column):
    """The figure of last year in words."""
    if past is None:
        return ""
    inside, of = past.inside(column)
    return (
        f"Last year's outlook by month with its range, the actual numbers and those of the year before: {number(inside)} of "
        f"{number(of)} months were inside."
    )


def alt_reliability(table):
    """The figure of coverage in words."""
    parts = [f"{row.horizon} {number(100 * row.inside)}%" for row in table.itertuples()]
    return f"Share of truths inside the interval by days ahead: {listing(parts)}."


def alt_visits(plan):
    """The figure of visits in words."""
    n = plan.jobs["vehicle"].nunique()
    rows = "one row, of one vehicle" if n == 1 else f"a row for each of {plural(n, 'vehicle')}"
    return plain(f"Planned visits through the year, {rows}: {number(plan.n_visits)} in all.")
