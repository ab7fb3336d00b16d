"""Failed inspections and tests, each open until it is resolved (R12): by a later pass or advisory,
by work that does the task too, or, but for statutory tests, by the closing of every defect that its
visit found there. A blank position is all of them. Common practice, no source."""

import numpy as np
import pandas as pd

from wearbar.log.keys import is_among, last_of_all, look_up, stacked
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
NONE = pd.DataFrame(columns=[*LOOK, "ended"]).astype(LOOK | {"ended": "datetime64[ns]"})


def failed(log):
    """One row a failed inspection or test: `vehicle, task, position, date, odometer_km, text,
    grade, ended, table, line`, beside what found it.

    grade: FAILED_TEST (statutory), "off-road" (safety) or FAILED; ended: the day it was resolved,
    NaT while open. Of fails alike one after another, the first."""
    if not any(log.tables[name]["result"].eq("fail").any() for name in ("work", "certificates")):
        return NONE
    looks, plan, place = _looks(log), log.plan_or_empty, [*KEY, "position"]
    fails = looks[looks["result"].eq("fail")].sort_values("date", kind="stable")
    fails = fails.drop_duplicates([*place, "date"]).reset_index(drop=True)
    if fails.empty:
        return NONE
    fails = fails.rename_axis("fail").reset_index()
    # the categories of part that it is about: its task's own, those of tasks which cover it, and
    # those with whose name its code begins
    own = plan.tasks[["plan", "code", "part"]].dropna()
    covers = plan.covers.merge(own, on=["plan", "code"])[["plan", "covered", "part"]]
    both = [part.set_axis(["plan", "task", "category"], axis=1) for part in (own, covers)]
    told = fails.merge(pd.concat(both), on=["plan", "task"])[["fail", "category"]]
    names = log.tables["fitted"]["category"].dropna().drop_duplicates()
    named = fails[["fail", "task"]].merge(names[names.str.len() >= LEAST_NAME], how="cross")
    begins = [task.startswith(name) for task, name in named[["task", "category"]].to_numpy()]
    about = pd.concat([told, named.loc[begins, ["fail", "category"]]]).drop_duplicates()
    # every defect that its visit found is closed
    found = found_by(fails, log)
    is_about = is_among(found, about, ["fail", "category"]) | found["category"].isna()
    found = found[is_about | ~found["fail"].isin(about["fail"])]
    mended = last_of_all(found.groupby("fail")["closed"]).reindex(fails.index)
    ends = [_ended(fails, looks, about, log), mended.where(fails["grade"].ne(FAILED_TEST))]
    fails["ended"] = pd.concat(ends, axis=1).min(axis=1)
    going = fails["ended"].fillna(pd.Timestamp.max)
    again = fails.assign(going=going).groupby(place, dropna=False)["going"].shift()
    return fails[~(again > fails["date"])]


def _looks(log):
    """The log's work, and its certificates as work on the day of the test (a fail without one: on
    its last day), with `key`, plan and the grade that each has if it fails."""
    work, tasks = log.si("work").rename_axis("line").reset_index(), log.plan_or_empty.tasks
    work = work.assign(plan=log.plan_for(work["vehicle"]), table="work", text=work["note"])
    own = tasks.drop_duplicates(["plan", "code"], keep="last").set_index(["plan", "code"])
    work = work.join(own[["safety", "statutory"]], on=["plan", "task"])
    words = {"safety": GRAVE_WORDS, "statutory": TEST_WORDS}.items()
    named = {c: work[c].isna() & work["task"].str.contains(of, na=False) for c, of in words}
    is_grave, is_test = (work[c].eq(True) | by_name for c, by_name in named.items())
    c = log.tables["certificates"].rename_axis("line").reset_index()
    kinds = kinds_tested(work["task"], c["kind"]).drop_duplicates("task").set_index("task")["kind"]
    key = look_up(work["task"], kinds).where(is_test).fillna(work["task"])
    grade = np.select([is_test, is_grave], [FAILED_TEST, OFF_ROAD], FAILED)
    last_day = c["valid_to"].clip(upper=log.as_of).where(c["result"].eq("fail"))
    c = c.assign(key=c["kind"], task=c["kind"], grade=FAILED_TEST, table="certificates")
    c = c.assign(date=c["tested"].fillna(last_day), plan=log.plan_for(c["vehicle"]))
    c = c[c["date"].notna() & (c["result"].isna() | c["result"].isin([*GOOD, "fail"]))]
    both = work.assign(key=key, grade=grade), c
    return stacked([rows.reindex(columns=list(LOOK)).astype(LOOK) for rows in both])


def kinds_tested(tasks, kinds):
    """Which tasks test for which kinds of certificate, by their codes: frame `task, kind`. A test's
    code is the kind, or begins so.

    >>> kinds_tested(pd.Series(["oil", "annual-brakes"]), pd.Series(["annual"])).to_numpy().tolist()
    [['annual-brakes', 'annual']]
    """
    tasks, kinds = (codes.dropna().drop_duplicates() for codes in (tasks, kinds))
    both = pd.merge(tasks.rename("task"), kinds.rename("kind").sort_values(), how="cross")
    is_test = [f"{task}-".startswith(f"{kind}-") for task, kind in both.to_numpy()]
    return both[np.array(is_test, dtype=bool)]


def found_by(fails, log):
    """The defects that each fail's visit found at its place, a row each: the columns of `fails`,
    then the defect's, with "_of" where both have them. A visit without a number is a day's."""
    d = log.tables["defects"]
    d = d.assign(at=d["found_visit"].fillna(d["found"].dt.strftime("%Y-%m-%d")))
    rows = fails.assign(at=fails["visit"].fillna(fails["date"].dt.strftime("%Y-%m-%d")))
    both = rows.merge(d, on=["vehicle", "at"], suffixes=("", "_of"))
    place, there = both["position"], both["position_of"]
    return both[place.isna() | there.isna() | place.eq(there)]


def _ended(fails, looks, about, log):
    """The day by which each fail had ended at all of its places, by what was done there since."""
    plan, is_work = log.plan_or_empty, looks["table"].eq("work")
    # a row a place: of a blank position every one that plan, work or fitted parts name for it
    blank = fails.loc[fails["position"].isna(), ["fail", *KEY, "task", "plan"]]
    tasks = plan.tasks[["plan", "code", "positions"]].explode("positions")
    tasks = tasks.set_axis(["plan", "task", "position"], axis=1).dropna().astype(TEXT)
    fitted = log.tables["fitted"].rename_axis("line").reset_index()
    on = fitted[fitted["removed"].isna()]
    named = [blank.merge(looks.loc[is_work, [*KEY, "position"]], on=KEY)]
    named += [blank.merge(tasks, on=["plan", "task"])]
    named += [blank.merge(about, on="fail").merge(on, on=["vehicle", "category"])]
    places = stacked([of[["fail", "position"]].dropna() for of in named]).drop_duplicates()
    rows = fails.merge(places, on="fail", how="left", suffixes=("_own", ""))
    rows["position"] = rows["position"].fillna(rows["position_own"]).fillna("")
    # what ends it: passes, advisories and certificates; work that does its task too (a replacement,
    # or an inspection with a good result); a part fitted of its categories
    is_pass = (looks["result"].isin(GOOD) | ~is_work) & looks["result"].ne("fail")
    covers = plan.covers[["plan", "code", "covered"]].drop_duplicates()
    did = looks[is_work & ~looks["result"].isin(RESETS_NOTHING)]
    did = did.merge(covers, left_on=["plan", "task"], right_on=["plan", "code"])
    renews = is_among(did, plan.tasks[plan.tasks["action"].eq("replace")], ["plan", "code"])
    did = did[renews | did["result"].isin(GOOD)].assign(key=lambda f: f["covered"])
    parts = fails[["fail", *KEY]].merge(about, on="fail").drop_duplicates([*KEY, "category"])
    parts = parts.merge(fitted.dropna(subset="fitted"), on=["vehicle", "category"])
    parts = parts.assign(date=parts["fitted"], table="fitted")
    events = [looks[is_pass].assign(is_pass=True), did.assign(is_pass=False)]
    events = stacked([of[[*EVENT, "is_pass"]] for of in (*events, parts.assign(is_pass=False))])
    # the first there from its day on; a pass of its own table stands on a later line; a statutory
    # test is ended by a pass alone
    both = rows.rename_axis("row").reset_index().merge(events, on=KEY, suffixes=("", "_then"))
    place, there = both["position"], both["position_then"].fillna("")
    part = [a.startswith(f"{b}-") for a, b in zip(place, there, strict=True)]
    here = there.eq("") | there.eq(place) | np.array(part, dtype=bool)
    is_earlier = both["is_pass"] & both["table"].eq(both["table_then"])
    is_earlier &= both["date_then"].eq(both["date"]) & (both["line_then"] <= both["line"])
    ends = here & (both["date_then"] >= both["date"]) & ~is_earlier
    ends &= both["is_pass"] | both["grade"].ne(FAILED_TEST)
    first = both[ends].groupby("row")["date_then"].min().reindex(rows.index)
    return last_of_all(first.groupby(rows["fail"]))
