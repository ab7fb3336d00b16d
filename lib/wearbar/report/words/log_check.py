"""What is said of a log, as numbers for shared/words/log_check.md.j2: can it be trusted, what is wrong, what can reports tell."""

import math

import pandas as pd

from wearbar.log.rules import RULES
from wearbar.report.coverage import GAP_DAYS, MOST_ROWS, STALE_DAYS
from wearbar.report.quantities import number, plain
from wearbar.report.template import words_of

__all__ = [
    "HEADS_ANSWERS", "HEADS_LEDGER", "HEADS_MOVED", "HEADS_PROBLEMS", "HEADS_RECORD", "HEADS_ROWS", "HEADS_TABLES", "SAY",
    "alt_timeline", "answers_table", "cannot", "caption_timeline", "headline", "identity", "moved", "moved_table", "problems_said",
    "problems_table", "record_said", "rows_aside", "words_said",
]  # fmt: skip

SAY = words_of("log_check")
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
    "value": "Value", "remedy": "How to correct it",
}  # fmt: skip
HEADS_ROWS = {
    "table": "Table", "line": "Line", "column": "Column", "value": "Value", "rule": "What is wrong", "remedy": "How to correct it",
}  # fmt: skip
HEADS_MOVED = {
    "what": "Figure", "table": "Table", "rule": "Doubt", "rows": "Rows", "with_them": "With them", "without": "Without",
    "change_share": "Change",
}  # fmt: skip
HEADS_RECORD = {
    "vehicle": "Vehicle", "n_readings": "Days read", "last": "Last read", "longest_gap_days": "Longest without", "gap_days": "In gaps",
    "observed_share": "Time known", "n_changes": "New instruments", "is_stale": "Reading overdue",
}  # fmt: skip
HEADS_TABLES = {
    "table": "Table", "is_present": "Table found", "rows": "Rows", "first": "From", "last": "To", "n_vehicles": "Vehicles",
    "months_share": "Months with a row",
}  # fmt: skip
HEADS_ANSWERS = {
    "report": "Report",
    "subject": "Can it tell",
    "can": "Answer",
    "because": "Because",
}
# figure of `coverage.headlines` -> its unit, and its name
FIGURES = {
    "distance_km": ("km", "distance driven"),
    "fuel_l": ("l", "fuel bought"),
    "l_per_100km": ("l_per_100km", "fuel use"),
    "work_money": ("money", "cost of work"),
    "work_money_per_km": ("money_per_km", "cost of work by distance"),
}


def headline(log, record, answers, stale_days=STALE_DAYS):
    """(sentence, urgency): can this log be trusted?"""
    read, used, aside = (int(log.ledger[name].sum()) for name in ("read", "used", "set_aside"))
    stale, no = int(record["is_stale"].sum()), answers[answers["can"] == "no"]
    said = SAY(
        "headline",
        read=read,
        used=used,
        used_said=number(used),
        aside=aside,
        stale=stale,
        stale_days=stale_days,
        silent=[_subject(code) for code in no["subject"]],
    )
    return said, "soon" if aside or stale else "note"


def cannot(answers):
    """The matters of safety on which the log is silent, in one sentence."""
    danger = answers["subject"].isin(["defects", "certificates", "campaigns"])
    silent = answers.loc[(answers["can"] == "no") & danger, "subject"]
    return SAY("silent", what=[_subject(code) for code in silent]) if len(silent) else ""


def identity(log):
    """The ledger's identity, in figures."""
    columns = ["used", "set_aside", "after"]
    read, *parts = (number(x) for x in log.ledger[["read", *columns]].sum())
    holds = bool((log.ledger["read"] == log.ledger[columns].sum(axis=1)).all())
    return SAY("identity", read=read, used=parts[0], aside=parts[1], after=parts[2], holds=holds)


def problems_said(log):
    """How many rows broke a rule."""
    kept = log.warnings
    rows = kept[kept["table"].ne(HEADER)]
    return SAY(
        "problems",
        aside=len(log.set_aside[["table", "line"]].drop_duplicates()),
        doubtful=len(rows[["table", "line"]].drop_duplicates()),
        header=HEADER if len(rows) < len(kept) else "",
    )


def words_said(log, most=6):
    """Which other words of work count as which task, by the plan's `also`; nothing where none do."""
    words = log.words[log.words["how"].eq("also")] if len(log.words) else log.words
    if not len(words):
        return ""
    titles = log.plan.tasks.drop_duplicates("code", keep="last").set_index("code")["title"]
    by = words.groupby(["written", "task"]).size().sort_values(ascending=False, kind="stable")
    named = [(written, titles.get(task, task), n) for (written, task), n in by.items()]
    return SAY("words", words=named[:most], more=max(len(named) - most, 0))


def problems_table(problems):
    """`coverage.problems` with the rule in words."""
    value = problems["value"].where(problems["value"] != "", "(blank)")
    return problems.assign(rule=_rules(problems), value=value)


def rows_aside(log):
    """Every row set aside, with the rule in words."""
    return problems_table(log.set_aside)


def moved_table(frame, show):
    """`coverage.moved` in the reader's words and units."""

    def shown(column):
        pairs = zip(frame[column], frame["figure"], strict=True)
        return [show.quantity(x, FIGURES[figure][0]) for x, figure in pairs]

    return frame.assign(
        rule=_rules(frame),
        what=[FIGURES[figure][1] for figure in frame["figure"]],
        with_them=shown("with_them"),
        without=shown("without"),
    )


def moved(frame, log):
    """Whether the doubtful rows matter; frame: `coverage.moved`."""
    worst = frame.iloc[0] if len(frame) else {"figure": "distance_km", "change_share": 0.0}
    return SAY(
        "moved",
        doubtful=not log.warnings["table"].isin([HEADER]).all(),
        n=len(frame),
        figure=FIGURES[worst["figure"]][1],
        change=f"{number(100 * abs(worst['change_share']), 1)}%",
    )


def record_said(record):
    """How the readings cover the vehicles' time."""
    read = record[record["n_readings"] > 0]
    longest = read["longest_gap_days"].max() if len(read) else math.nan
    metered = record["has_meter"].astype(bool)
    return SAY(
        "record",
        vehicles=len(record),
        read=len(read),
        longest=round(longest) if longest > 0 else 0,
        worst=read.loc[read["longest_gap_days"].idxmax(), "vehicle"] if longest > 0 else "",
        share=f"{number(100 * read['observed_share'].mean(), 0)}%",
        unread=list(record.loc[metered & (record["n_readings"] == 0), "vehicle"]),
        bare=list(record.loc[~metered, "vehicle"]),
        changes=int(record["n_changes"].sum()),
    )


def caption_timeline(line):
    """What the timeline shows, and which vehicles."""
    return SAY(
        "timeline", gaps=len(line.gaps), gap_days=GAP_DAYS, n=line.n_vehicles, most=MOST_ROWS
    )


def alt_timeline(line):
    """Alternative text of the timeline."""
    return SAY(
        "alt_timeline",
        vehicles=len(line.vehicles),
        readings=len(line.readings),
        gaps=len(line.gaps),
        storage=len(line.layups),
        changes=len(line.changes),
        ends=len(line.ends),
    )


def answers_table(answers):
    """`answerable.answers` in words."""
    return pd.DataFrame(
        {
            "report": answers["report"].str.replace("_", " ").str.capitalize(),
            "subject": [_subject(code) for code in answers["subject"]],
            "can": answers["can"],
            "because": [_because(row.why, row.amount) for row in answers.itertuples()],
        }
    )


def _subject(code):
    return plain(SAY("subject", code=code))


def _because(why, amount):
    known = not math.isnan(amount)
    share = f"{number(100 * amount, 0)}%" if known else ""
    n = round(amount) if known else 0
    return plain(SAY("because", why=why, n=n, p=share, stale_days=STALE_DAYS))


def _rules(frame):
    says = {code: rule.says for code, rule in RULES.items()}
    return frame["rule"].map(says).fillna(frame["rule"])
