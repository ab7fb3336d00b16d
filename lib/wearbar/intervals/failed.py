"""Failed inspections and tests, each open until it is resolved: rule R12 of the due rules.

A fail of a task that bears on safety or the law is an off-road defect from that day; a fail of
another task is work due that day. It ends with a later pass or advisory of the same task and
position, a replacement that does the task too, or, for all but statutory tests, when every defect
that its visit found there is closed. A blank position is all of them; a blank result ends nothing.
Common practice, no source.
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
KEY = ["vehicle", "key"]
EVENT = ["vehicle", "key", "position", "date", "line"]
ROW = [*KEY, "task", "position", "date", "odometer_km", "visit", "text", "grade", "plan", "table"]
ROW += ["line"]
_TYPES = dict.fromkeys([*ROW, "category"], TEXT) | {"date": "datetime64[ns]", "fail": int}
_TYPES |= {"odometer_km": float, "line": float}


def failed(log):
    """One row a failed inspection or test: frame `vehicle, task, position, date, odometer_km, text,
    grade, ended, table, line`.

    grade: FAILED_TEST (statutory), "off-road" (safety) or FAILED; ended: the day it was resolved,
    NaT while open. Of fails alike one after another, the first. Certificates with the result fail
    count as the test of their kind.
    """
    work = _work(log)
    fails = _stack([work[work["result"].eq("fail")], _certificates(log, ["fail"])], ROW)
    order = {"by": ["date", "table", "line"], "ascending": [True, False, True]}
    fails = fails.sort_values(**order, kind="stable")
    fails = fails.drop_duplicates([*KEY, "position", "date"]).reset_index(drop=True)
    rows, is_test = _placed(fails, work, log), fails["grade"].eq(FAILED_TEST)
    of_test = rows["fail"].map(is_test).astype(bool)
    ends = [_ended(rows, _passes(work, log), strict=True)]
    for events in (_replacements(work, log), _fitted(rows, log)):
        ends.append(_ended(rows, events).where(~of_test))
    ended = last_of_all(pd.concat(ends, axis=1).min(axis=1).groupby(rows["fail"]))
    mended = _mended(fails, log).where(~is_test)
    fails["ended"] = pd.concat([ended, mended], axis=1).min(axis=1).astype("datetime64[ns]")
    going = fails["ended"].fillna(pd.Timestamp.max)
    again = fails.assign(going=going).groupby([*KEY, "position"], dropna=False)["going"].shift()
    return fails[~(again > fails["date"])].drop(columns=["key", "visit", "plan"])


def _stack(frames, columns):
    """The rows of frames that may be empty, of these columns."""
    types = {c: _TYPES[c] for c in columns}
    return stacked([f.reindex(columns=columns).astype(types) for f in frames])


def _work(log):
    """The log's work with `key` (of a test the certificate's kind), plan and grade if it fails."""
    work = log.si("work").rename_axis("line").reset_index()
    work = work.assign(plan=log.plan_for(work["vehicle"]), table="work", text=work["note"])
    kinds = sorted(set(log.tables["certificates"]["kind"].dropna()))
    test_of = {task: _kind_of(task, kinds) for task in work["task"].dropna().unique()}
    safety = statutory = known = pd.Series(False, work.index)
    if log.plan is not None:
        own = log.plan.tasks.drop_duplicates(["plan", "code"], keep="last")
        own = own[["plan", "code", "safety", "statutory"]].rename(columns={"code": "task"})
        own = work[["plan", "task"]].merge(own, on=["plan", "task"], how="left")
        known = own["statutory"].notna()
        safety, statutory = own["safety"].eq(True), own["statutory"].eq(True)
    is_grave, is_test = (
        work["task"].str.contains(words, na=False) & ~known for words in (GRAVE_WORDS, TEST_WORDS)
    )
    grade = np.select([statutory | is_test, safety | is_grave], [FAILED_TEST, OFF_ROAD], FAILED)
    key = work["task"].map(test_of).where(grade == FAILED_TEST, work["task"])
    return work.assign(key=key.astype(TEXT), grade=grade)


def _kind_of(task, kinds):
    return next((kind for kind in kinds if is_test_of(task, kind)), task)


def _certificates(log, results):
    """Certificates with such a result, "" for a blank one, as work: on the day of the test."""
    c = log.tables["certificates"].rename_axis("line").reset_index()
    c = c[c["result"].fillna("").isin(results)]
    c = c.assign(key=c["kind"], task=c["kind"], grade=FAILED_TEST, table="certificates")
    date = c["tested"].fillna(c["valid_to"].clip(upper=log.as_of))
    return c.assign(date=date, plan=log.plan_for(c["vehicle"]))


def _placed(fails, work, log):
    """The fails, a row for each place: of a blank position every one that plan, work or fitted
    parts name for it, "" where none does."""
    rows = fails.rename_axis("fail").reset_index()
    blank = rows[rows["position"].isna()][["fail", *KEY, "task", "plan"]]
    named = [work.loc[work["position"].notna(), [*KEY, "position"]].merge(blank, on=KEY)]
    if log.plan is not None:
        places = log.plan.tasks[["plan", "code", "positions"]].explode("positions").dropna()
        places = places.set_axis(["plan", "task", "position"], axis=1)
        named.append(blank.merge(places, on=["plan", "task"]))
    on = log.tables["fitted"].loc[lambda t: t["removed"].isna()]
    on = on[["vehicle", "category", "position"]]
    about = blank.merge(_categories(blank, log), on="fail")
    named.append(about.merge(on, on=["vehicle", "category"]))
    places = _stack(named, ["fail", "position"]).drop_duplicates()
    rows = rows.merge(places, on="fail", how="left", suffixes=("_own", ""))
    return rows.assign(position=rows["position"].fillna(rows["position_own"]).fillna(""))


def _ended(rows, events, strict=False):
    """The first event for each row's task and place, from its day on: strict, of its own table
    after its own line."""
    if not len(rows) or not len(events):
        return pd.Series(pd.NaT, rows.index, dtype="datetime64[ns]")
    asked = rows[[*EVENT, "table"]].rename_axis("row").reset_index()
    both = asked.merge(events, on=KEY, suffixes=("", "_then"))
    place, there = both["position"], both["position_then"].fillna("")
    part = [a.startswith(f"{b}-") for a, b in zip(place, there, strict=True)]
    here = there.eq("") | there.eq(place) | np.array(part, dtype=bool)
    is_same_day = both["date_then"].eq(both["date"])
    if strict:
        own_table = both["table"].eq(both["table_then"])
        is_same_day &= ~own_table | (both["line_then"] > both["line"])
    is_after = (both["date_then"] > both["date"]) | is_same_day
    first = both[here & is_after].groupby("row")["date_then"].min()
    return first.reindex(rows.index).astype("datetime64[ns]")


def _passes(work, log):
    """Passes and advisories of the same task, of a test also certificates with the day of the
    test."""
    tests = _certificates(log, ["", *GOOD]).dropna(subset=["tested"])
    return _stack([work[work["result"].isin(GOOD)], tests], [*EVENT, "table"])


def _replacements(work, log):
    """Work that does another task too: replacements, and inspections with a good result."""
    if log.plan is None or not len(log.plan.covers):
        return pd.DataFrame(columns=EVENT)
    tasks = log.plan.tasks.rename(columns={"code": "task"})
    covers = log.plan.covers[["plan", "code", "covered"]].drop_duplicates()
    covers = covers.rename(columns={"code": "task"})
    did = work[~work["result"].isin(RESETS_NOTHING)].merge(covers, on=["plan", "task"])
    renews = is_among(did, tasks[tasks["action"].eq("replace")], ["plan", "task"])
    did = did[renews | did["result"].isin(GOOD)]
    return did.assign(key=did["covered"])[EVENT]


def _categories(rows, log):
    """Of each row (`fail, plan, task`) the categories of part that its task is about: `fail,
    category`.

    The task's own part, that of a task which covers it, else one whose name its code begins with.
    """
    rows = rows[["fail", "plan", "task"]].drop_duplicates("fail")
    told, names = [], ["plan", "task", "category"]
    if log.plan is not None:
        own = log.plan.tasks[["plan", "code", "part"]].dropna().drop_duplicates()
        covers = log.plan.covers[["plan", "code", "covered"]].merge(own, on=["plan", "code"])
        covers = covers[["plan", "covered", "part"]]
        pairs = pd.concat([part.set_axis(names, axis=1) for part in (own, covers)])
        told.append(rows.merge(pairs.drop_duplicates(), on=names[:2])[["fail", "category"]])
    names = [c for c in log.tables["fitted"]["category"].dropna().unique() if len(c) >= LEAST_NAME]
    tasks = zip(rows["fail"], rows["task"], strict=True)
    by_name = [(fail, c) for fail, task in tasks for c in names if str(task).startswith(c)]
    told.append(pd.DataFrame(by_name, columns=["fail", "category"]))
    return _stack(told, ["fail", "category"]).drop_duplicates()


def _fitted(rows, log):
    """Parts fitted since, of the categories that a failed task is about."""
    on = log.tables["fitted"].dropna(subset="fitted").rename_axis("line").reset_index()
    asked = rows[["fail", *KEY]].merge(_categories(rows, log), on="fail")
    found = asked[[*KEY, "category"]].drop_duplicates().merge(on, on=["vehicle", "category"])
    return found.assign(date=found["fitted"])[EVENT]


def _mended(fails, log):
    """The day on which the last defect was closed that a fail's visit found at its place; NaT while
    one is open, or where it found none."""
    d = log.tables["defects"]
    d = d.assign(at=d["found_visit"].fillna(d["found"].dt.strftime("%Y-%m-%d")))
    rows = fails.assign(at=fails["visit"].fillna(fails["date"].dt.strftime("%Y-%m-%d")))
    rows = rows.rename_axis("fail").reset_index()
    both = rows.merge(d, on=["vehicle", "at"], suffixes=("", "_of"))
    place, there = both["position"], both["position_of"]
    here = place.isna() | there.isna() | place.eq(there)
    about = _categories(rows, log)
    is_about = is_among(both, about, ["fail", "category"])
    alike = both["category"].isna() | ~both["fail"].isin(about["fail"]) | is_about
    return last_of_all(both[here & alike].groupby("fail")["closed"]).reindex(fails.index)
