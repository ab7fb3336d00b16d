"""What log_check says of a log: can it be trusted, what is wrong, what can reports show."""

from wearbar.log.checks.problems import RULES
from wearbar.report.coverage import STALE_DAYS
from wearbar.report.quantities import Show
from wearbar.report.template import words_of

SAY = words_of("log_check", show=Show())
HEADER = "log.toml"
DANGERS = ("defects", "certificates", "campaigns")


def headline(log, record, answers, stale_days=STALE_DAYS):
    """(sentence, urgency): can this log be trusted?"""
    rows, stale = log.ledger[["read", "used", "set_aside"]].sum(), record["is_stale"].sum()
    silent = answers[answers["can"] == "no"]
    said = SAY("headline", **rows, stale=stale, stale_days=stale_days, silent=silent)
    return said, "soon" if rows["set_aside"] or stale else "note"


def cannot(answers):
    """The matters of safety on which the log is silent, in one sentence."""
    is_silent = answers["can"].eq("no") & answers["subject"].isin(DANGERS)
    return SAY("silent", silent=answers[is_silent])


def identity(log):
    """The ledger's identity, in figures."""
    counts = log.ledger[["read", "used", "set_aside", "after"]]
    holds = counts["read"].eq(counts.drop(columns="read").sum(axis=1)).all()
    return SAY("identity", **counts.sum(), holds=holds)


def problems_said(log):
    """How many rows broke a rule."""
    is_header = log.warnings["table"].eq(HEADER)
    both = (log.set_aside, log.warnings[~is_header])
    aside, doubtful = (len(rows.drop_duplicates(["table", "line"])) for rows in both)
    header = HEADER if is_header.any() else ""
    return SAY("problems", aside=aside, doubtful=doubtful, header=header)


def words_said(log):
    """Which other words of work count as which task, by the plan's `also`; the first six."""
    if not len(log.words):
        return ""
    by = log.words[log.words["how"].eq("also")].groupby(["written", "task"]).size()
    by = by.sort_values(ascending=False, kind="stable")
    titles = dict(zip(log.plan.tasks["code"], log.plan.tasks["title"], strict=True))
    named = [(written, titles.get(task, task), n) for (written, task), n in by.items()]
    return SAY("words", words=named[:6], more=len(named[6:])) if named else ""


def with_rules(frame):
    """Rows that broke a rule, or what such rows move, with the rule in words."""
    says = {code: rule.says for code, rule in RULES.items()}
    return frame.replace({"rule": says, "value": {"": "(blank)"}})


def moved(frame, log):
    """Whether the doubtful rows matter; frame: `coverage.moved`."""
    is_doubtful = log.warnings["table"].ne(HEADER).any()
    return SAY("moved", is_doubtful=is_doubtful, moved=frame.to_dict("records"))


def record_said(record):
    """How the readings cover the vehicles' time."""
    is_read, is_metered = record["n_readings"] > 0, record["has_meter"].astype(bool)
    unread = list(record.loc[is_metered & ~is_read, "vehicle"])
    bare = list(record.loc[~is_metered, "vehicle"])
    return SAY("record", record=record, read=record[is_read], unread=unread, bare=bare)
