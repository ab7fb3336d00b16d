"""Failed inspections and tests, each open until it is resolved: rule R12 of the due rules.

A fail of a task that bears on safety or the law is an off-road defect from that day; a fail of
another task is work due that day. It ends with a later pass or advisory of the same task and
position, a replacement that does the task too, or, for all but statutory tests, when every defect
that its visit found there is closed. A blank position is all of them; a blank result ends nothing.
Common practice, no source.
"""

import numpy as np
import pandas as pd

from wearbar.log.schema import TEXT

__all__ = ["FAILED", "FAILED_TEST", "failed"]

FAILED_TEST, OFF_ROAD, FAILED = "failed-test", "off-road", "failed"
# a task that no plan knows is taken by its name
GRAVE_WORDS = "brake|tyre|tire|steer|suspension|wheel|roadworth|chain|safety"
TEST_WORDS = "roadworth|safety-test|annual-test"
GOOD, LEAST_NAME = ("pass", "advisory"), 4
KEY = ["vehicle", "key"]
ROW = [
    "vehicle",
    "key",
    "task",
    "position",
    "date",
    "odometer_km",
    "visit",
    "text",
    "grade",
    "plan",
    "table",
    "line",
]
EVENT = ["vehicle", "key", "position", "date", "line"]


def failed(log):
    """One row a failed inspection or test: frame `vehicle, task, position, date, odometer_km, text,
    grade, ended, table, line`.

    grade: FAILED_TEST (statutory), "off-road" (safety) or FAILED; ended: the day it was resolved,
    NaT while open. Of fails alike one after another, the first. Certificates with the result fail
    count as the test of their kind.
    """
    work = _work(log)
    fails = _stack([work[work["result"].eq("fail")], _certificates(log, ["fail"])], ROW)
    fails = fails.sort_values(
        ["date", "table", "line"], ascending=[True, False, True], kind="stable"
    )
    fails = fails.drop_duplicates(["vehicle", "key", "position", "date"]).reset_index(drop=True)
    rows = _placed(fails, work, log)
    rows["ended"] = _ended(rows, _passes(work, log), strict=True)
    for events in (_replacements(work, log), _fitted(rows, log)):
        also = _ended(rows, events).where(~_is_test(rows))
        rows["ended"] = rows[["ended"]].assign(also=also).min(axis=1)
    ended = rows.groupby("fail")["ended"].agg(
        lambda day: day.max() if day.notna().all() else pd.NaT
    )
    fails["ended"] = ended.reindex(fails.index).astype("datetime64[ns]")
    mended = _mended(fails, log).where(~_is_test(fails))
    fails["ended"] = fails[["ended"]].assign(also=mended).min(axis=1)
    going = fails["ended"].fillna(pd.Timestamp.max)
    again = fails.assign(going=going).groupby([*KEY, "position"], dropna=False)["going"].shift()
    return fails[~(again > fails["date"])].drop(columns=["key", "visit", "plan"])


_TYPES = dict.fromkeys(
    ("vehicle", "key", "task", "position", "visit", "text", "grade", "plan", "table", "category"),
    TEXT,
)
_TYPES |= {"date": "datetime64[ns]", "odometer_km": float, "line": float, "fail": int}


def _stack(frames, columns):
    """The rows of frames that may be empty, of these columns."""
    frames = [f.reindex(columns=columns).astype({c: _TYPES[c] for c in columns}) for f in frames]
    return pd.concat([f for f in frames if len(f)] or frames[:1], ignore_index=True)


def _is_test(rows):
    return rows["grade"].eq(FAILED_TEST)


def _plan_of(log, vehicle):
    if log.plan is None:
        return pd.Series(np.nan, vehicle.index, dtype=TEXT)
    return vehicle.map(log.plan.assign(log.tables["vehicles"])).astype(TEXT)


def _work(log):
    """The log's work with `key` (of a test the certificate's kind), plan and grade if it fails."""
    work = log.si("work").rename_axis("line").reset_index()
    work = work.assign(plan=_plan_of(log, work["vehicle"]), table="work", text=work["note"])
    kinds = sorted(set(log.tables["certificates"]["kind"].dropna()))
    test_of = {t: _kind_of(t, kinds) for t in work["task"].dropna().unique()}
    if log.plan is None:
        safety = statutory = known = pd.Series(False, work.index)
    else:
        tasks = log.plan.tasks.drop_duplicates(["plan", "code"], keep="last").set_index(
            ["plan", "code"]
        )
        own = tasks[["safety", "statutory"]].reindex(
            pd.MultiIndex.from_frame(work[["plan", "task"]])
        )
        known = own["statutory"].notna().set_axis(work.index)
        safety, statutory = (own[c].eq(True).set_axis(work.index) for c in own)
    named = work["task"].str.contains(GRAVE_WORDS, na=False) & ~known
    tests = work["task"].str.contains(TEST_WORDS, na=False) & ~known
    grade = np.select([statutory | tests, safety | named], [FAILED_TEST, OFF_ROAD], FAILED)
    key = (
        work["task"].map(test_of).where(pd.Series(grade, work.index).eq(FAILED_TEST), work["task"])
    )
    return work.assign(key=key.astype(TEXT), grade=grade)


def _kind_of(task, kinds):
    return next((kind for kind in kinds if task == kind or task.startswith(f"{kind}-")), task)


def _certificates(log, results):
    """Certificates with such a result, "" for a blank one, as work: on the day of the test."""
    c = log.tables["certificates"].rename_axis("line").reset_index()
    c = c[c["result"].fillna("").isin(results)]
    date = c["tested"].fillna(c["valid_to"].clip(upper=log.as_of))
    return c.assign(
        key=c["kind"],
        task=c["kind"],
        date=date,
        grade=FAILED_TEST,
        table="certificates",
        plan=_plan_of(log, c["vehicle"]),
        position=None,
        text=None,
        visit=None,
    )


def _placed(fails, work, log):
    """The fails, a row for each place: of a blank position every one that plan, work or fitted parts
    name for it, "" where none does."""
    rows = fails.rename_axis("fail").reset_index()
    blank = rows[rows["position"].isna()][["fail", "vehicle", "key", "task", "plan"]]
    named = [work.loc[work["position"].notna(), [*KEY, "position"]].merge(blank, on=KEY)]
    if log.plan is not None:
        places = log.plan.tasks[["plan", "code", "positions"]].explode("positions").dropna()
        places = places.set_axis(["plan", "task", "position"], axis=1)
        named.append(blank.merge(places, on=["plan", "task"]))
    on = log.tables["fitted"].loc[
        lambda t: t["removed"].isna(), ["vehicle", "category", "position"]
    ]
    named.append(
        blank.merge(_categories(blank, log), on="fail").merge(on, on=["vehicle", "category"])
    )
    places = _stack(named, ["fail", "position"]).drop_duplicates()
    both = rows.drop(columns="position").merge(places, on="fail", how="left")
    both["position"] = both["position"].fillna(both["fail"].map(rows.set_index("fail")["position"]))
    return both.fillna({"position": ""}).astype({"position": TEXT})


def _ended(rows, events, strict=False):
    """The first event for each row's task and place, from its day on: strict, of its own table after
    its own line."""
    if not len(rows) or not len(events):
        return pd.Series(pd.NaT, rows.index, dtype="datetime64[ns]")
    asked = rows[[*KEY, "position", "date", "line", "table"]].rename_axis("row").reset_index()
    both = asked.merge(events, on=KEY, suffixes=("", "_then"))
    where = both["position_then"].fillna("")
    part = np.array(
        [a.startswith(f"{b}-") for a, b in zip(both["position"], where, strict=True)], dtype=bool
    )
    at = where.eq("") | where.eq(both["position"]) | part
    after = both["date_then"] > both["date"]
    same = both["date_then"].eq(both["date"])
    if strict:
        own = both["table"].eq(both["table_then"])
        same &= ~own | (both["line_then"] > both["line"])
    first = both[at & (after | same)].groupby("row")["date_then"].min()
    return first.reindex(rows.index).astype("datetime64[ns]")


def _passes(work, log):
    """Passes and advisories of the same task, of a test also certificates with the day of the test."""
    told = _certificates(log, ["", *GOOD])
    tests = told[told["tested"].notna()]
    return _stack([work[work["result"].isin(GOOD)], tests], [*EVENT, "table"])


def _replacements(work, log):
    """Work that does another task too: replacements, and inspections with a good result."""
    if log.plan is None or not len(log.plan.covers):
        return pd.DataFrame(columns=EVENT)
    replaces = log.plan.tasks.loc[log.plan.tasks["action"].eq("replace"), ["plan", "code"]]
    covers = log.plan.covers[["plan", "code", "covered"]].drop_duplicates()
    did = work[~work["result"].isin(["fail", "not-checked"])].merge(
        covers, left_on=["plan", "task"], right_on=["plan", "code"]
    )
    renews = pd.MultiIndex.from_frame(did[["plan", "task"]]).isin(
        pd.MultiIndex.from_frame(replaces)
    )
    did = did[renews | did["result"].isin(GOOD)]
    return did.assign(key=did["covered"])[EVENT]


def _categories(rows, log):
    """Of each row (`fail, plan, task`) the categories of part that its task is about: `fail, category`.

    The task's own part, that of a task which covers it, else one whose name its code begins with.
    """
    rows = rows[["fail", "plan", "task"]].drop_duplicates("fail")
    told = []
    if log.plan is not None:
        own = log.plan.tasks[["plan", "code", "part"]].dropna().drop_duplicates()
        covers = log.plan.covers[["plan", "code", "covered"]].merge(own, on=["plan", "code"])
        pairs = pd.concat(
            [
                own.set_axis(["plan", "task", "category"], axis=1),
                covers[["plan", "covered", "part"]].set_axis(["plan", "task", "category"], axis=1),
            ]
        )
        told.append(rows.merge(pairs.drop_duplicates(), on=["plan", "task"])[["fail", "category"]])
    names = [c for c in log.tables["fitted"]["category"].dropna().unique() if len(c) >= LEAST_NAME]
    by_name = [
        (fail, c)
        for fail, task in zip(rows["fail"], rows["task"], strict=True)
        for c in names
        if str(task).startswith(c)
    ]
    told.append(pd.DataFrame(by_name, columns=["fail", "category"]).astype({"category": TEXT}))
    return _stack(told, ["fail", "category"]).drop_duplicates()


def _fitted(rows, log):
    """Parts fitted since, of the categories that a failed task is about."""
    on = log.tables["fitted"].dropna(subset="fitted").rename_axis("line").reset_index()
    asked = rows[["fail", "vehicle", "key", "plan", "task"]].merge(
        _categories(rows, log), on="fail"
    )
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
    place = (
        both["position"].isna()
        | both["position_of"].isna()
        | both["position"].eq(both["position_of"])
    )
    about = _categories(rows, log)
    is_about = pd.MultiIndex.from_frame(both[["fail", "category"]]).isin(
        pd.MultiIndex.from_frame(about)
    )
    alike = both["category"].isna() | ~both["fail"].isin(about["fail"]) | is_about
    by = both[place & alike].groupby("fail")["closed"]
    return (
        by.agg(lambda day: day.max() if day.notna().all() else pd.NaT)
        .reindex(fails.index)
        .astype("datetime64[ns]")
    )
