"""What is said of a log: whether to trust it, what is wrong in it, and what each report can make of it."""

import math

import pandas as pd

from wearbar.log.schema import RULES
from wearbar.report.coverage import GAP_DAYS, MOST_ROWS, STALE_DAYS
from wearbar.report.quantities import clean, listing, number, plural, safe

__all__ = [
    "HEADS_ANSWERS",
    "HEADS_LEDGER",
    "HEADS_MOVED",
    "HEADS_PROBLEMS",
    "HEADS_RECORD",
    "HEADS_ROWS",
    "HEADS_TABLES",
    "NOTE_TABLES",
    "alt_timeline",
    "answers_table",
    "cannot",
    "caption_timeline",
    "headline",
    "identity",
    "moved",
    "moved_table",
    "problems_said",
    "problems_table",
    "record_said",
    "rows_aside",
    "words_said",
]  # fmt: skip

HEADER = "log.toml"
HEADS_LEDGER = {
    "table": "Table",
    "read": "Read",
    "used": "Used",
    "set_aside": "Set aside",
    "after": "After the report date",
}
HEADS_PROBLEMS = {
    "table": "Table", "rule": "What is wrong", "action": "Rows are", "rows": "Rows", "first_line": "First at line", "column": "Column",
    "value": "It says", "remedy": "What would mend it",
}  # fmt: skip
HEADS_ROWS = {
    "table": "Table", "line": "Line", "column": "Column", "value": "It says", "rule": "What is wrong", "remedy": "What would mend it",
}  # fmt: skip
HEADS_MOVED = {
    "what": "Figure", "table": "Table", "rule": "Doubt", "rows": "Rows", "with_them": "With them", "without": "Without",
    "change_share": "Change",
}  # fmt: skip
HEADS_RECORD = {
    "vehicle": "Vehicle", "n_readings": "Days read", "last": "Last read", "longest_gap_days": "Longest without", "gap_days": "In gaps",
    "observed_share": "Time known", "n_changes": "New instruments", "is_stale": "Stale",
}  # fmt: skip
HEADS_TABLES = {
    "table": "Table", "is_present": "Table found", "rows": "Rows", "first": "From", "last": "To", "n_vehicles": "Vehicles",
    "months_share": "Months with a row",
}  # fmt: skip
NOTE_TABLES = (
    "Months with a row: of the months that vehicles were in this log, those with a row of the table, or inside the period of one; not "
    "given for tables of things that need not happen."
)
HEADS_ANSWERS = {
    "report": "Report",
    "subject": "Can it tell",
    "can": "Answer",
    "because": "Because",
}
REPORTS = {
    "interval_compliance": "Interval compliance",
    "consumable_life": "Consumable life",
    "severe_use": "Severe use",
    "running_cost": "Running cost",
    "outlook": "Outlook",
    "visit_sheet": "Visit sheet",
}
SUBJECTS = {
    "on-time": "whether work was on time, and what is due",
    "defects": "open defects",
    "certificates": "tests and certificates",
    "campaigns": "recalls",
    "wear": "wear rates and what is left",
    "life": "how long parts last",
    "part-cost": "what a part costs by distance",
    "effect": "whether hard use wears parts sooner",
    "cost": "what a distance costs",
    "fuel": "fuel use",
    "replace": "when to replace a vehicle",
    "next-year": "the next year's work and money",
    "sheet": "what to do at the next visit",
}
WHY = {
    "no-plan": "no maintenance plan: nothing can be said to be due or late",
    "no-plan-year": "no maintenance plan: certificates, repairs and parts that wear alone",
    "none-owned": "no vehicle of the log is still owned",
    "no-work": "no record of work",
    "no-work-yet": "no record of work: what falls due is listed, whether past work was on time is not known",
    "no-readings": "no odometer readings: distances are not known",
    "stale": f"{{n}} not read for more than {STALE_DAYS} days: state not known",
    "work-without-reading": "{p} of work rows have no reading: their distance is taken from readings before and after",
    "no-layups": "no record of lay-ups: a vehicle in storage looks like one that nobody read",
    "no-defects": "no record of defects: an open defect would not be seen",
    "no-certificates": "no record of certificates: it cannot be told whether a test has lapsed",
    "no-campaigns": "no record of campaigns: an open recall would not be seen",
    "no-measurements": "no measurement of depth, thickness or stretch: wear is not seen",
    "few-measured": "no part has its wear read at two known distances, its depth when new counted: judged by its last reading alone",
    "parts-no-meter": "{n} on vehicles that count no distance: judged by the last reading alone",
    "few-measured-parts": "{n} with wear read at two distances or more",
    "no-fitted": "no record of fitted parts",
    "few-ends": "{n} seen to wear out or fail: bounds rather than figures",
    "age-unknown": "{n} of unknown age: they serve for wear alone",
    "no-prices": "no part has its price",
    "some-prices": "{p} of parts have their price",
    "no-use": "no record of use: hard and easy use look the same",
    "few-vehicles": "{n}: too few to separate hard use from the vehicle itself",
    "no-money": "no row has its money",
    "few-money": "only {p} of rows have their money",
    "no-distance": "no vehicle has two readings of its distance",
    "no-meter": "{n} without a distance meter: in the sums and by the day alone",
    "some-money": "{p} of work rows have a cost; the others are not known, not free",
    "net-or-gross": "the log does not say whether money is net or gross of tax",
    "no-fixed": "no record of fixed costs: running cost alone",
    "no-fuel": "no record of fuel",
    "no-tanks": "no two fills to the top with a distance between them",
    "fills-without-reading": "{p} of fills have no reading",
    "no-values": "no valuations and no vehicle sold: what one would fetch is not known",
    "no-kind": "no kind has enough vehicles on record from new, with a price and a later value",
    "some-kinds": "{n} of which too little is on record",
    "short": "a record of {n}: a year's totals need a year, what falls due next is shown",
    "short-cost": "a record of {n}: a cost by distance or day needs three months",
}
UNITS = {
    "stale": "vehicle",
    "few-vehicles": "vehicle",
    "no-meter": "vehicle",
    "some-kinds": "kind",
    "short": "day",
    "short-cost": "day",
}
FIGURE_UNITS = {
    "distance_km": "km",
    "fuel_l": "l",
    "l_per_100km": "l_per_100km",
    "work_money": "money",
    "work_money_per_km": "money_per_km",
}
FIGURES = {
    "distance_km": "distance driven",
    "fuel_l": "fuel bought",
    "l_per_100km": "fuel use",
    "work_money": "cost of work",
    "work_money_per_km": "cost of work by distance",
}


def headline(log, record, answers):
    """(sentence, urgency): can this log be trusted?"""
    read, used, aside = (int(log.ledger[name].sum()) for name in ("read", "used", "set_aside"))
    no = answers[answers["can"] == "no"]
    stale = int(record["is_stale"].sum())
    rows = (
        f"{number(used)} of {plural(read, 'row')} can be used"
        if used < read
        else f"All {plural(read, 'row')} can be used"
    )
    said = [rows if read else "The log has no rows"]
    if aside:
        said.append(
            f"{number(aside)} {_are(aside)} set aside; the report names each and what would mend it"
        )
    if stale:
        said.append(
            f"{plural(stale, 'vehicle')} {_have(stale)} no reading in the last {STALE_DAYS} days"
        )
    if len(no):
        said.append(
            f"the log does not show {listing([SUBJECTS[s] for s in no['subject']], most=5)}"
        )
    return "; ".join(said) + ".", "soon" if aside or stale else "note"


def identity(log):
    """The ledger's identity, in figures."""
    total = log.ledger[["read", "used", "set_aside", "after"]].sum()
    holds = bool(
        (log.ledger["read"] == log.ledger[["used", "set_aside", "after"]].sum(axis=1)).all()
    )
    read, used, aside, after = (number(total[name]) for name in total.index)
    where = "in every table" if holds else "**not** in every table: please report this as a fault"
    return f"{read} read = {used} used + {aside} set aside + {after} after the report date, and so {where}."


def problems_said(log):
    """How many rows broke a rule."""
    aside, kept = log.set_aside, log.warnings
    if aside.empty and kept.empty:
        return "No rule is broken. That is not to say that every figure is right: a plausible slip cannot be seen."
    n, m = (
        len(aside[["table", "line"]].drop_duplicates()),
        len(kept.loc[kept["table"].ne(HEADER), ["table", "line"]].drop_duplicates()),
    )
    none = "No row is set aside."
    head = (
        f" Something in {HEADER} is missing or in doubt." if kept["table"].eq(HEADER).any() else ""
    )
    some = f"{plural(n, 'row')} {_are(n)} set aside: no report uses {'it' if n == 1 else 'them'}."
    doubts = (
        f" {plural(m, 'row')} {_are(m)} used, but something in {'it' if m == 1 else 'them'} is in doubt."
        if m
        else ""
    )
    return (
        f"{some if n else none}{doubts}{head} Lines count from the header, which is line 1. "
        "Nothing in the files has been changed: mend them and run this again."
    )


def words_said(log):
    """Which other words of work count as which task, by the plan's `also`; nothing where none do."""
    words = log.words[log.words["how"].eq("also")] if len(log.words) else log.words
    if not len(words):
        return ""
    titles = log.plan.tasks.drop_duplicates("code", keep="last").set_index("code")["title"]
    by = (
        words.groupby(["written", "task"])
        .size()
        .sort_values(ascending=False, kind="stable")
        .reset_index(name="n")
    )
    said = [
        f"{safe(r.written)} as {safe(titles.get(r.task, r.task))} ({plural(r.n, 'row')})"
        for r in by.itertuples()
    ]
    return f"The plan (`also`) reads other words as its tasks: {listing(said, most=6)}."


def problems_table(problems):
    """`coverage.problems` with the rule in words."""
    says = (
        problems["rule"]
        .map({code: rule.says for code, rule in RULES.items()})
        .fillna(problems["rule"])
    )
    return problems.assign(
        rule=says, value=problems["value"].where(problems["value"] != "", "(blank)")
    )


def rows_aside(log):
    """Every row set aside, with the rule in words."""
    return problems_table(log.set_aside)


def moved_table(frame, show):
    """`coverage.moved` in the reader's words and units."""
    says = (
        frame["rule"].map({code: rule.says for code, rule in RULES.items()}).fillna(frame["rule"])
    )

    def told(column):
        return [
            show.quantity(x, FIGURE_UNITS[f])
            for x, f in zip(frame[column], frame["figure"], strict=True)
        ]

    return frame.assign(
        rule=says,
        what=frame["figure"].map(FIGURES),
        with_them=told("with_them"),
        without=told("without"),
    )


def record_said(record):
    """How the readings cover the vehicles' time."""
    if record.empty:
        return "The log has no vehicles."
    unread, bare = (
        record[record["has_meter"] & (record["n_readings"] == 0)],
        record[~record["has_meter"]],
    )
    read = record[record["n_readings"] > 0]
    said = []
    if len(read) and not read["longest_gap_days"].max() > 0:
        said.append(
            "Each vehicle read has its readings on one day, so no time between readings is known"
        )
    elif len(read):
        share = read["observed_share"].mean()
        said.append(
            f"On average {number(100 * share, 0)}% of a vehicle's time in this log lies between readings no further apart than usual"
        )
        worst = read.loc[read["longest_gap_days"].idxmax()]
        days = plural(round(worst["longest_gap_days"]), "day")
        said.append(
            f"the longest time without one, laid up or not, is {days}, on {safe(worst['vehicle'])}"
        )
    if len(unread):
        said.append(
            f"{plural(len(unread), 'vehicle')} {_have(len(unread))} no reading at all ({listing([safe(v) for v in unread['vehicle']])})"
        )
    if len(bare):
        said.append(
            f"{plural(len(bare), 'vehicle')} {_have(len(bare))} no meter ({listing([safe(v) for v in bare['vehicle']])})"
        )
    changed = int(record["n_changes"].sum())
    if changed:
        said.append(
            f"{plural(changed, 'change')} of instrument or rollover {_are(changed)} bridged"
        )
    return "; ".join(said) + "."


def caption_timeline(told):
    """What the timeline shows, and which vehicles."""
    cut = f" Of {number(told.n_vehicles)} vehicles, the {number(MOST_ROWS)} with the longest gaps."
    some = cut if told.n_vehicles > len(told.vehicles) else ""
    gap = f"longer than {GAP_DAYS} days and three times the vehicle's usual, and not laid up"
    gaps = f"a filled box is a gap: {gap}" if len(told.gaps) else f"there is no gap {gap}"
    return f"Each tick is a day with a reading from any table; {gaps}.{some}"


def alt_timeline(told):
    """Alternative text of the timeline."""
    gaps, changes, ends = len(told.gaps), len(told.changes), len(told.ends)
    return (
        f"Timeline of {plural(len(told.vehicles), 'vehicle')} with {plural(len(told.readings), 'day')} of readings, {plural(gaps, 'gap')}, "
        f"{plural(len(told.layups), 'lay-up')}, {plural(changes, 'new instrument')} and {plural(ends, 'disposal')}."
    )


def answers_table(answers):
    """`answerable.answers` in words."""
    because = [_because(r.why, r.amount) for r in answers.itertuples()]
    return pd.DataFrame(
        {
            "report": answers["report"].map(REPORTS),
            "subject": answers["subject"].map(SUBJECTS),
            "can": answers["can"],
            "because": because,
        }
    )


def cannot(answers):
    """The matters of safety on which the log is silent, in one sentence."""
    silent = answers[
        (answers["can"] == "no") & answers["subject"].isin(["defects", "certificates", "campaigns"])
    ]
    if silent.empty:
        return ""
    what = listing([SUBJECTS[s] for s in silent["subject"]])
    return f"This log has no record of {what}, so no report can warn of them."


def moved(frame, log):
    """Whether the doubtful rows matter."""
    if log.warnings["table"].isin([HEADER]).all():
        return "No row is kept with a doubt."
    if frame.empty:
        return "Leaving out the rows kept with a doubt, rule by rule, moves none of distance, fuel or cost by half a per cent or more."
    worst = frame.iloc[0]
    return (
        f"Leaving out the rows kept with a doubt, rule by rule, moves {plural(len(frame), 'figure')}; most of all "
        f"{FIGURES[worst['figure']]}, by {number(100 * abs(worst['change_share']), 1)}%. Mend those first."
    )


def _because(why, amount):
    if not why:
        return ""
    n = plural(round(amount), UNITS.get(why, "part")) if not math.isnan(amount) else ""
    return clean(WHY[why].format(n=n, p=f"{number(100 * amount, 0)}%"), 300)


def _are(n):
    return "is" if n == 1 else "are"


def _have(n):
    return "has" if n == 1 else "have"
