"""Failed inspections and tests, each open until it is resolved (R12): by a later pass or advisory,
by work that does the task too, or, but for statutory tests, by the closing of every defect that its
visit found there. A blank position is all of them. Common practice, no source.
"""

import numpy as np
import pandas as pd

from wearbar.log.keys import is_among, last_of_all, stacked
from wearbar.log.plan import is_test_of
from wearbar.log.schema import RESETS_NOTHING, TEXT

FAILED_TEST, OFF_ROAD, FAILED = "failed-test", "off-road", "failed"
# a task that no plan knows is taken by its name
GRAVE_WORDS = "brake|tyre|tire|steer|suspension|wheel|roadworth|chain|safety"
TEST_WORDS = "roadworth|safety-test|annual-test"
GOOD, LEAST_NAME = ("pass", "advisory"), 4
KEY = ["vehicle", "key"]  # key: the task, of a statutory test the certificate's kind
EVENT = [*KEY, "position", "date", "line", "table"]
LOOK = dict.fromkeys([*EVENT, "task", "visit", "text", "result", "grade", "plan"], TEXT)
LOOK |= {"date": "datetime64[ns]", "odometer_km": float, "line": float}


def failed(log):
    """One row a failed inspection or test: frame `vehicle, task, position, date, odometer_km, text,
    grade, ended, table, line`.

    grade: FAILED_TEST (statutory), "off-road" (safety) or FAILED; ended: the day it was resolved,
    NaT while open. Of fails alike one after another, the first. Certificates with the result fail
    count as the test of their kind.
    """
    plan = log.plan_or_empty
    looks = _looks(log, plan)
    order = {"by": ["date", "table", "line"], "ascending": [True, False, True]}
    fails = looks[looks["result"].eq("fail")].sort_values(**order, kind="stable")
    fails = fails.drop_duplicates([*KEY, "position", "date"]).reset_index(drop=True)
    fails = fails.rename_axis("fail").reset_index()
    about = _categories(fails, log, plan)
    ended = _ended(_placed(fails, looks, about, log, plan), _events(fails, looks, about, log, plan))
    mended = _mended(fails, about, log).where(fails["grade"].ne(FAILED_TEST))
    fails["ended"] = pd.concat([ended, mended], axis=1).min(axis=1)
    going = fails["ended"].fillna(pd.Timestamp.max)
    again = fails.assign(going=going).groupby([*KEY, "position"], dropna=False)["going"].shift()
    return fails[~(again > fails["date"])].drop(columns=["fail", "key", "visit", "plan", "result"])


def _looks(log, plan):
    """The log's work, and its certificates as work on the day of the test (a fail without one: on
    its last day), with `key`, plan and the grade that each has if it fails."""
    work = log.si("work").rename_axis("line").reset_index()
    work = work.assign(plan=log.plan_for(work["vehicle"]), table="work", text=work["note"])
    own = plan.tasks.drop_duplicates(["plan", "code"], keep="last").rename(columns={"code": "task"})
    own = own[["plan", "task", "safety", "statutory"]]
    own = work[["plan", "task"]].merge(own, on=["plan", "task"], how="left")
    is_grave, is_test = (
        own[column].eq(True) | (own[column].isna() & work["task"].str.contains(words, na=False))
        for column, words in (("safety", GRAVE_WORDS), ("statutory", TEST_WORDS))
    )
    kinds = sorted(set(log.tables["certificates"]["kind"].dropna()))
    test_of = {
        task: next((kind for kind in kinds if is_test_of(task, kind)), task)
        for task in work["task"].dropna().unique()
    }
    key = work["task"].map(test_of).where(is_test, work["task"])
    grade = np.select([is_test, is_grave], [FAILED_TEST, OFF_ROAD], FAILED)
    work = work.assign(key=key, grade=grade)
    c = log.tables["certificates"].rename_axis("line").reset_index()
    last_day = c["valid_to"].clip(upper=log.as_of).where(c["result"].eq("fail"))
    c = c.assign(key=c["kind"], task=c["kind"], grade=FAILED_TEST, table="certificates")
    c = c.assign(date=c["tested"].fillna(last_day), plan=log.plan_for(c["vehicle"]))
    c = c[c["date"].notna() & (c["result"].isna() | c["result"].isin([*GOOD, "fail"]))]
    return stacked([rows.reindex(columns=list(LOOK)).astype(LOOK) for rows in (work, c)])


def _categories(fails, log, plan):
    """The categories of part that each failed task is about: frame `fail, category`.

    The task's own part, that of a task which covers it, else one whose name its code begins with.
    """
    own = plan.tasks[["plan", "code", "part"]].dropna().drop_duplicates()
    covers = plan.covers[["plan", "code", "covered"]].merge(own, on=["plan", "code"])
    pairs = [own, covers[["plan", "covered", "part"]]]
    pairs = pd.concat([part.set_axis(["plan", "task", "category"], axis=1) for part in pairs])
    told = fails.merge(pairs, on=["plan", "task"])[["fail", "category"]]
    names = [c for c in log.tables["fitted"]["category"].dropna().unique() if len(c) >= LEAST_NAME]
    by_name = fails[["fail", "task"]].merge(pd.DataFrame({"category": names}, dtype=TEXT), "cross")
    begins = [task.startswith(c) for task, c in by_name[["task", "category"]].to_numpy()]
    by_name = by_name.loc[begins, ["fail", "category"]]
    return stacked([told, by_name]).drop_duplicates()


def _placed(fails, looks, about, log, plan):
    """The fails, a row for each place: of a blank position every one that plan, work or fitted
    parts name for it, "" where none does."""
    blank = fails.loc[fails["position"].isna(), ["fail", *KEY, "task", "plan"]]
    tasks = plan.tasks[["plan", "code", "positions"]].explode("positions")
    tasks = tasks.set_axis(["plan", "task", "position"], axis=1).dropna()
    on = log.tables["fitted"].loc[lambda part: part["removed"].isna()]
    named = [
        blank.merge(looks.loc[looks["table"].eq("work"), [*KEY, "position"]], on=KEY),
        blank.merge(tasks.astype(TEXT), on=["plan", "task"]),
        blank.merge(about, on="fail").merge(on, on=["vehicle", "category"]),
    ]
    places = stacked([of[["fail", "position"]].dropna() for of in named]).drop_duplicates()
    rows = fails.merge(places, on="fail", how="left", suffixes=("_own", ""))
    return rows.assign(position=rows["position"].fillna(rows["position_own"]).fillna(""))


def _events(fails, looks, about, log, plan):
    """What ends a fail: passes and advisories, certificates, work that does its task too (a
    replacement, or an inspection with a good result), and parts fitted of its categories."""
    is_good = looks["result"].isin(GOOD) | looks["table"].eq("certificates")
    passes = looks[is_good & looks["result"].ne("fail")]
    covers = plan.covers[["plan", "code", "covered"]].drop_duplicates()
    did = looks[looks["table"].eq("work") & ~looks["result"].isin(RESETS_NOTHING)]
    did = did.merge(covers, left_on=["plan", "task"], right_on=["plan", "code"])
    renews = is_among(did, plan.tasks[plan.tasks["action"].eq("replace")], ["plan", "code"])
    did = did[renews | did["result"].isin(GOOD)]
    parts = log.tables["fitted"].dropna(subset="fitted").rename_axis("line").reset_index()
    asked = fails[["fail", *KEY]].merge(about, on="fail").drop_duplicates([*KEY, "category"])
    parts = asked.merge(parts, on=["vehicle", "category"]).rename(columns={"fitted": "date"})
    others = stacked([did.assign(key=did["covered"])[EVENT], parts.assign(table="fitted")[EVENT]])
    return stacked([passes[EVENT].assign(is_pass=True), others.assign(is_pass=False)])


def _ended(rows, events):
    """The day by which each fail had ended at all of its places: by the first event there from its
    day on; by a pass of its own table, of a later line; a statutory test by a pass alone."""
    both = rows.rename_axis("row").reset_index().merge(events, on=KEY, suffixes=("", "_then"))
    place, there = both["position"], both["position_then"].fillna("")
    part = [a.startswith(f"{b}-") for a, b in zip(place, there, strict=True)]
    here = there.eq("") | there.eq(place) | np.array(part, dtype=bool)
    same_table = both["is_pass"] & both["table"].eq(both["table_then"])
    is_after = (both["date_then"] > both["date"]) | (
        both["date_then"].eq(both["date"]) & (~same_table | (both["line_then"] > both["line"]))
    )
    ends = here & is_after & (both["is_pass"] | both["grade"].ne(FAILED_TEST))
    first = both[ends].groupby("row")["date_then"].min().reindex(rows.index)
    return last_of_all(first.groupby(rows["fail"]))


def _mended(fails, about, log):
    """The day on which the last defect was closed that a fail's visit found at its place; NaT while
    one is open, or where it found none."""
    d = log.tables["defects"]
    d = d.assign(at=d["found_visit"].fillna(d["found"].dt.strftime("%Y-%m-%d")))
    rows = fails.assign(at=fails["visit"].fillna(fails["date"].dt.strftime("%Y-%m-%d")))
    both = rows.merge(d, on=["vehicle", "at"], suffixes=("", "_of"))
    place, there = both["position"], both["position_of"]
    here = place.isna() | there.isna() | place.eq(there)
    is_about = is_among(both, about, ["fail", "category"])
    alike = both["category"].isna() | ~both["fail"].isin(about["fail"]) | is_about
    return last_of_all(both[here & alike].groupby("fail")["closed"]).reindex(fails.index)
