"""What has a due point of its own: defects, failed inspections and tests, certificates, recalls,
re-checks, and what was deferred. None of them dilutes a rate."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals.due import EPS, MONTH_DAYS
from wearbar.intervals.failed import FAILED, failed
from wearbar.log.keys import last_of_all, look_up, stacked
from wearbar.log.plan import is_test_of
from wearbar.log.schema import RESETS_NOTHING, TEXT
from wearbar.usage.distance import days_later, last_known

GRAVE = ("off-road", "before-next-use")
NOTICE_DAYS = 30  # before a certificate ends, where no task of the plan says otherwise
OPEN_STATES = ["past-window", "in-window"]
_NAMES = """
    what vehicle item position grade text due_date due_km early_date done_date done_km is_open state
    outcome days_open over_days over_km driven_km gap_days stops table line
"""
_NUMBERS = "due_km done_km days_open over_days over_km driven_km gap_days line"
ITEM = dict.fromkeys(_NAMES.split(), TEXT) | dict.fromkeys(_NUMBERS.split(), float)
ITEM |= dict.fromkeys(["due_date", "early_date", "done_date"], "datetime64[ns]")
ITEM |= dict.fromkeys(["is_open", "stops"], bool)


def items(log, found, readings):
    """One row each defect, failed inspection or test, certificate, recall, re-check and deferral,
    sorted by due date.

    found: `occasions(log)`. what: defect, finding, certificate, campaign, recheck, deferral; item:
    the defect's number, the task, the certificate's kind, the recall's number; grade: the defect's,
    of a finding as in `failed.failed`, of a recall its kind. days_open: since it was found, due or,
    of a recall without a day, issued; nil before. over_days, over_km: beyond the day or reading
    that was given for it, NaN where it is not. driven_km: distance since then with an open defect
    or finding, or without a valid certificate; gap_days: whole days without one. stops: the
    recall's row says that it stops the vehicle. state: as of an occasion, done where closed;
    not-known for re-checks in a log that has none. outcome: of a re-check. table, line: of its row
    in the log. A vehicle's rows end when it is disposed of. There is no window but the notice
    before a certificate ends.
    """
    path = usage.path_of(readings)
    parts = [_defects(log, path), _findings(log, path), _certificates(log, path), _campaigns(log)]
    parts += [_rechecks(log, path), _deferrals(log, found, path)]
    parts = [p.assign(stops=p.get("stops", False)).reindex(columns=list(ITEM)) for p in parts]
    table, order = stacked([p.astype(ITEM) for p in parts]), ["due_date", "vehicle", "item"]
    return table.sort_values(order, kind="stable", ignore_index=True)


def _of_row(frame, table):
    """The frame with where its rows stand in the log."""
    return frame.assign(table=table, line=frame.index.to_numpy(dtype=float))


def _closed(log, rows, closed):
    """The rows with `done_date`, `is_open`, and `end`: the day each was closed, or its last."""
    gone = look_up(rows["vehicle"], log.tables["vehicles"].set_index("vehicle")["disposed"])
    end = closed.fillna(gone.clip(upper=log.as_of)).fillna(log.as_of)
    return rows.assign(done_date=closed, is_open=closed.isna() & ~gone.le(log.as_of), end=end)


def _over(days):
    """Days open and days over: nil, and none, before the day."""
    return {"days_open": days.clip(lower=0), "over_days": days.where(days > 0)}


def _over_km(km, point):
    """How far a distance is beyond a point, NaN where it is not."""
    return (km - point).where(km - point > EPS)


def _found(rows, path, day, is_grave, otherwise):
    """What was found on a day and stops the vehicle: due, past its window once it is driven."""
    km = usage.distance_of(path, rows["vehicle"], day, rows["odometer_km"])
    there = last_known(usage.distance_at(path, rows["vehicle"], rows["end"]))
    driven = (there - last_known(km)).clip(lower=0.0)
    states = [~rows["is_open"], ~is_grave, driven > EPS]
    state = np.select(states, ["done", otherwise, "past-window"], "due")
    rows = rows.assign(due_date=day, due_km=km["distance_km"], driven_km=driven, state=state)
    return rows.assign(days_open=(rows["end"] - day).dt.days)


def _defects(log, path):
    d = _of_row(log.si("defects"), "defects")
    d = _closed(log, d, d["closed"]).assign(what="defect", item=d["defect"])
    return _found(d, path, d["found"], d["grade"].isin(GRAVE), "in-window")


def _findings(log, path):
    """Failed inspections and tests (R12). One that only asks for work is due, driven or not."""
    f = failed(log)
    f = _closed(log, f, f["ended"]).assign(what="finding", item=f["task"])
    return _found(f, path, f["date"], f["grade"].ne(FAILED), "due")


def _certificates(log, path):
    c = _of_row(log.tables["certificates"], "certificates")
    one = ["vehicle", "kind", "valid_to"]
    c = c[~c["result"].isin(RESETS_NOTHING)].sort_values([*one, "tested"], kind="stable")
    c = c.drop_duplicates(one, keep="last").reset_index(drop=True)
    renewed = c.groupby(["vehicle", "kind"])["tested"].shift(-1)
    is_newest = ~c.duplicated(["vehicle", "kind"], keep="last")
    c = _closed(log, c, renewed)
    c["is_open"] = is_newest & c["is_open"]
    days, is_renewed = (c["end"] - c["valid_to"]).dt.days, renewed.notna()
    gap = (days - is_renewed).clip(lower=0).where(is_newest | is_renewed, 0)
    here, there = (usage.distance_at(path, c["vehicle"], c[at]) for at in ("valid_to", "end"))
    driven = (last_known(there) - last_known(here)).clip(lower=0.0).where(gap > 0, 0.0)
    early = days_later(c["valid_to"], -_notice(log, c))
    states = [~c["is_open"], c["valid_to"] < log.as_of, early <= log.as_of]
    state = np.select(states, ["done", "past-window", "in-window"], "before-window")
    c = c.assign(what="certificate", item=c["kind"], due_date=c["valid_to"], early_date=early)
    return c.assign(state=state, driven_km=driven, gap_days=gap, **_over(days))


def _notice(log, c):
    """Days before its end from which each certificate may be renewed, by the plan's task of the
    same name, else NOTICE_DAYS."""
    notice = pd.Series(float(NOTICE_DAYS), c.index)
    if log.plan is None:
        return notice
    plan = log.plan_for(c["vehicle"])
    tasks = log.plan.tasks[log.plan.tasks["measured_from"].eq("expiry")]
    interval = np.fmin(tasks["every_months"] * MONTH_DAYS, tasks["every_days"])
    days = np.floor(tasks["early_share"] * interval)
    days = days.where(np.isfinite(tasks["early_share"]), tasks["tolerance_days"])
    tasks = tasks.assign(notice=days)
    for task in tasks.itertuples():
        own = [is_test_of(task.code, kind) for kind in c["kind"]]
        is_own = (plan == task.plan).to_numpy(dtype=bool) & np.array(own, dtype=bool)
        notice = notice.mask(is_own, task.notice)
    return notice


def _campaigns(log):
    """Recalls: due on the day given, never before it; without one, open since issued (R15)."""
    c = _of_row(log.tables["campaigns"], "campaigns")
    c = _closed(log, c, c["done"])
    states = [~c["is_open"], c["by"] < log.as_of, c["by"] > log.as_of]
    over = (c["end"] - c["by"]).dt.days
    since = over.fillna((c["end"] - c["issued"]).dt.days)
    c = c.assign(
        what="campaign", item=c["campaign"], grade=c["kind"], text=c["note"], **_over(over)
    )
    c = c.assign(due_date=c["by"], early_date=c["issued"], days_open=since.clip(lower=0))
    stops = c["stop"].eq("yes").to_numpy(dtype=bool)
    return c.assign(
        state=np.select(states, ["done", "past-window", "in-window"], "due"), stops=stops
    )


def _rechecks(log, path):
    """Work that must be looked at again: each doing of a task with `recheck`, closed by work named
    after it, "<task>-recheck"."""
    none = pd.DataFrame(columns=list(ITEM))
    if log.plan is None:
        return none
    work = _of_row(log.si("work"), "work")
    work["plan"] = log.plan_for(work["vehicle"])
    tasks = log.plan.tasks.dropna(subset=["recheck_km", "recheck_days"], how="all")
    terms = tasks[["plan", "code", "valid_from", "valid_to", "recheck_km", "recheck_days"]]
    did = work[~work["result"].isin(RESETS_NOTHING)]
    did = did.merge(terms, left_on=["plan", "task"], right_on=["plan", "code"])
    did = did[~(did["date"] < did["valid_from"]) & ~(did["date"] > did["valid_to"])]
    if did.empty:
        return none
    did = did.drop_duplicates(["vehicle", "task", "date", "position"], keep="last")
    did = did.sort_values("date", kind="stable", ignore_index=True)
    looks = work[work["task"].str.endswith("-recheck")].sort_values("date", kind="stable")
    looks = looks.assign(task=looks["task"].str.removesuffix("-recheck"), looked=looks["date"])
    did = did.join(_looked_at(did, looks))
    did = _closed(log, did, did["looked"])
    at = usage.distance_of(path, did["vehicle"], did["date"], did["odometer_km"])["distance_km"]
    due_km, due_date = at + did["recheck_km"], days_later(did["date"], did["recheck_days"])
    km = last_known(usage.distance_of(path, did["vehicle"], did["end"], did["odometer_km_looked"]))
    was_looked, late = did["looked"].notna(), _is_past(km, due_km, did["end"], due_date)
    again = did.duplicated(["vehicle", "task", "position"], keep="last")
    did["is_open"] &= ~again
    reached = (km >= due_km - EPS) | (did["end"] >= due_date)
    states = [~did["is_open"], late & looks.empty, late, reached]
    names = ["done", "not-known", *OPEN_STATES]
    did = did.assign(what="recheck", item=did["task"], due_km=due_km, due_date=due_date)
    return did.assign(
        done_km=km.where(was_looked),
        state=np.select(states, names, "before-window"),
        outcome=np.select([~was_looked, late], ["", "late"], "on-time"),
        over_km=_over_km(km, due_km),
        **_over((did["end"] - due_date).dt.days),
    )


def _looked_at(did, looks):
    """The first look at each place, or at the whole, on the day or after: `looked` and
    `odometer_km_looked`."""
    by = ["vehicle", "task", "position"]
    looks = looks.assign(position=looks["position"].fillna(""))
    looks = looks[[*by, "date", "looked", "odometer_km"]]
    found = []
    for place in (did["position"].fillna(""), pd.Series("", did.index)):
        asked = did[["vehicle", "task", "date"]].assign(
            position=place.astype(looks["position"].dtype)
        )
        first = pd.merge_asof(asked, looks, on="date", by=by, direction="forward")
        found.append(first[["looked", "odometer_km"]])
    own, whole = found
    is_own = ~(whole["looked"] < own["looked"]) & own["looked"].notna()
    return own.where(is_own, whole).set_axis(["looked", "odometer_km_looked"], axis=1)


def _deferrals(log, found, path):
    """What was deferred, to when: closed by the work or the defect's closing. It moves no due
    point; what is over counts from the day or reading that was given (R14)."""
    d = _of_row(log.si("deferrals"), "deferrals")
    d = d.sort_values("date", kind="stable", ignore_index=True)
    defects = log.tables["defects"].set_index("defect")
    closed = look_up(d["defect"], defects["closed"])
    if "done_date" in found:
        closed = closed.where(d["task"].isna(), _all_done(d, found))
    d = _closed(log, d, closed)
    d["is_open"] &= ~d.duplicated(["vehicle", "task", "defect"], keep="last")
    today = pd.Series(log.as_of, d.index)
    until_km = usage.to_cumulative(path, d["vehicle"], today, d["until_odometer_km"])
    km = last_known(usage.distance_at(path, d["vehicle"], d["end"]))
    late = _is_past(km, until_km, d["end"], d["until"])
    state = np.select([~d["is_open"], late], ["done", "past-window"], "in-window")
    d = d.assign(what="deferral", item=d["defect"].fillna(d["task"]), text=d["reason"], state=state)
    d = d.assign(position=d["defect"].map(defects["position"]), due_date=d["until"])
    over = _over((d["end"] - d["until"]).dt.days)
    return d.assign(due_km=until_km, over_km=_over_km(km, until_km), **over)


def _is_past(km, due_km, day, due_date):
    """Whether a due point without a window is past (R3)."""
    return (km > due_km + EPS) | (day > due_date)


def _all_done(d, found):
    """The day by which a deferred task was done at every position that it has; NaT while one is
    left."""
    by = ["vehicle", "task", "position"]
    did = found.dropna(subset="done_date").sort_values("done_date")[[*by, "done_date"]]
    asked = d.dropna(subset="task")[["vehicle", "task", "date"]].reset_index()
    rows = asked.merge(found[by].drop_duplicates(), on=by[:2]).sort_values("date", kind="stable")
    did = did.assign(date=did["done_date"])
    after = pd.merge_asof(rows, did, on="date", by=by, direction="forward")
    return last_of_all(after.groupby("index")["done_date"]).reindex(d.index)
