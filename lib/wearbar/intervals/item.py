"""What has a due point of its own: defects, failed inspections and tests, certificates, recalls, re-checks, and what was deferred.

None of them dilutes a rate.
"""

from math import nan

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import due
from wearbar.intervals.failed import FAILED, failed
from wearbar.log.keys import look_up
from wearbar.log.schema import TEXT
from wearbar.usage.distance import days_later

__all__ = ["GRAVE", "items"]

GRAVE = ("off-road", "before-next-use")
NOTICE_DAYS = 30  # before a certificate ends, where no task of the plan says otherwise
_NAMES = "what vehicle item position grade text due_date due_km early_date done_date done_km is_open state outcome days_open over_days"
_NAMES += " over_km driven_km gap_days stops table line"
ITEM = dict.fromkeys(_NAMES.split(), TEXT)
ITEM |= dict.fromkeys(["due_date", "early_date", "done_date"], "datetime64[ns]")
ITEM |= dict.fromkeys(["is_open", "stops"], bool)
ITEM |= dict.fromkeys(["due_km", "done_km", "days_open", "over_days", "over_km"], float)
ITEM |= dict.fromkeys(["driven_km", "gap_days", "line"], float)


def items(log, found, readings):
    """One row each defect, failed inspection or test, certificate, recall, re-check and deferral, sorted by due date.

    found: `occasions(log)`. what: defect, finding, certificate, campaign, recheck, deferral; item: the defect's number, the task, the
    certificate's kind, the recall's number; grade: the defect's, of a finding as in `failed.failed`, of a recall its kind. days_open: since
    it was found, due or, of a recall without a day, issued; nil before. over_days, over_km: beyond the day or reading that was given for
    it, NaN where it is not. driven_km: distance since then with an open defect or finding, or without a valid certificate; gap_days: whole
    days without one. stops: the recall's row says that it stops the vehicle. state: as of an occasion, done where closed; not-known for
    re-checks in a log that has none. outcome: of a re-check. table, line: of its row in the log. A vehicle's rows end when it is disposed
    of. There is no window but the notice before a certificate ends.
    """
    path = usage.path_of(readings)
    parts = [_defects(log, path), _findings(log, path), _certificates(log, path), _campaigns(log)]
    parts += [_rechecks(log, path), _deferrals(log, found, path)]
    parts = [
        p.assign(stops=p.get("stops", False)).reindex(columns=list(ITEM)).astype(ITEM)
        for p in parts
    ]
    table = pd.concat([p for p in parts if len(p)] or parts[:1])
    return table.sort_values(["due_date", "vehicle", "item"], kind="stable", ignore_index=True)


def _gone(log, vehicle):
    return look_up(vehicle, log.tables["vehicles"].set_index("vehicle")["disposed"]).le(log.as_of)


def _of_row(frame, table):
    """The frame with where its rows stand in the log."""
    return frame.assign(table=table, line=frame.index.to_numpy(dtype=float))


def _last_day(log, vehicle):
    gone = look_up(vehicle, log.tables["vehicles"].set_index("vehicle")["disposed"])
    return gone.clip(upper=log.as_of).fillna(log.as_of)


def _since(path, vehicle, start, end):
    """Distance from start to end, or to the last reading before it."""
    return _driven(path, vehicle, usage.distance_at(path, vehicle, start), end)


def _driven(path, vehicle, here, end):
    there = usage.distance_at(path, vehicle, end)
    begun = here["distance_km"].fillna(here["low_km"])
    return (there["distance_km"].fillna(there["low_km"]) - begun).clip(lower=0.0)


def _defects(log, path):
    d = _of_row(log.si("defects"), "defects")
    end = d["closed"].fillna(_last_day(log, d["vehicle"]))
    km = usage.distance_of(path, d["vehicle"], d["found"], d["odometer_km"])
    driven = _driven(path, d["vehicle"], km, end)
    is_open = d["closed"].isna() & ~_gone(log, d["vehicle"])
    grave = d["grade"].isin(GRAVE)
    state = np.select(
        [~is_open, ~grave, driven > due.EPS], ["done", "in-window", "past-window"], "due"
    )
    return d.assign(
        what="defect", item=d["defect"], due_date=d["found"], due_km=km["distance_km"], done_date=d["closed"], state=state, is_open=is_open,
        days_open=(end - d["found"]).dt.days, driven_km=driven,
    )  # fmt: skip


def _findings(log, path):
    """Failed inspections and tests. One that only asks for work is due; the others stop the vehicle, driven or not."""
    f = failed(log)
    end = f["ended"].fillna(_last_day(log, f["vehicle"]))
    km = usage.distance_of(path, f["vehicle"], f["date"], f["odometer_km"])
    driven = _driven(path, f["vehicle"], km, end)
    is_open = f["ended"].isna() & ~_gone(log, f["vehicle"])
    stands = np.where(f["grade"].ne(FAILED) & (driven > due.EPS), "past-window", "due")
    return f.assign(
        what="finding", item=f["task"], due_date=f["date"], due_km=km["distance_km"], done_date=f["ended"], is_open=is_open,
        state=np.where(is_open, stands, "done"), days_open=(end - f["date"]).dt.days, driven_km=driven,
    )  # fmt: skip


def _certificates(log, path):
    c = _of_row(log.tables["certificates"], "certificates")
    c = c[~c["result"].isin(["fail", "not-checked"])].sort_values(
        ["vehicle", "kind", "valid_to", "tested"], kind="stable"
    )
    c = c.drop_duplicates(["vehicle", "kind", "valid_to"], keep="last").reset_index(drop=True)
    nxt = c.groupby(["vehicle", "kind"])["tested"].shift(-1)
    newest = ~c.duplicated(["vehicle", "kind"], keep="last")
    last = _last_day(log, c["vehicle"])
    end = nxt.where(nxt.notna(), last)
    days = (end - c["valid_to"]).dt.days
    gap = (days - nxt.notna()).clip(lower=0).where(newest | nxt.notna(), 0)
    is_open, lapsed = newest & ~_gone(log, c["vehicle"]), gap > 0
    driven = _since(path, c["vehicle"], c["valid_to"], end).where(lapsed, 0.0)
    early = days_later(c["valid_to"], -_notice(log, c))
    state = np.select(
        [~is_open, c["valid_to"] < log.as_of, early <= log.as_of],
        ["done", "past-window", "in-window"],
        "before-window",
    )
    return c.assign(
        what="certificate", item=c["kind"], due_date=c["valid_to"], early_date=early, done_date=nxt, is_open=is_open, state=state,
        days_open=days.clip(lower=0), over_days=days.where(days > 0), driven_km=driven, gap_days=gap,
    )  # fmt: skip


def _notice(log, c):
    """Days before its end from which each certificate may be renewed, by the plan's task of the same name, else NOTICE_DAYS."""
    notice = pd.Series(float(NOTICE_DAYS), c.index)
    if log.plan is None:
        return notice
    plan = c["vehicle"].map(log.plan.assign(log.tables["vehicles"]))
    tasks = log.plan.tasks[log.plan.tasks["measured_from"].eq("expiry")]
    for task in tasks.itertuples():
        own = [task.code == kind or task.code.startswith(f"{kind}-") for kind in c["kind"]]
        interval = np.fmin(task.every_months * due.MONTH_DAYS, task.every_days)
        days = (
            np.floor(task.early_share * interval)
            if np.isfinite(task.early_share)
            else task.tolerance_days
        )
        notice = notice.mask(
            (plan == task.plan).to_numpy(dtype=bool) & np.array(own, dtype=bool), days
        )
    return notice


def _campaigns(log):
    """Recalls: due on the day given, never before it; without one, open since issued (rule R15)."""
    c = _of_row(log.tables["campaigns"], "campaigns")
    is_open, end = (
        c["done"].isna() & ~_gone(log, c["vehicle"]),
        c["done"].fillna(_last_day(log, c["vehicle"])),
    )
    state = np.select(
        [~is_open, c["by"] < log.as_of, c["by"] > log.as_of],
        ["done", "past-window", "in-window"],
        "due",
    )
    over = (end - c["by"]).dt.days
    return c.assign(
        what="campaign", item=c["campaign"], grade=c["kind"], text=c["note"], due_date=c["by"], early_date=c["issued"], done_date=c["done"],
        is_open=is_open, state=state, days_open=over.fillna((end - c["issued"]).dt.days).clip(lower=0), over_days=over.where(over > 0),
        stops=c["stop"].eq("yes").to_numpy(dtype=bool),
    )  # fmt: skip


def _rechecks(log, path):
    """Work that must be looked at again: each doing of a task with `recheck`, closed by work named after it, "<task>-recheck"."""
    none = pd.DataFrame(columns=list(ITEM))
    if log.plan is None:
        return none
    work = _of_row(log.si("work"), "work")
    work["plan"] = work["vehicle"].map(log.plan.assign(log.tables["vehicles"]))
    tasks = log.plan.tasks.dropna(subset=["recheck_km", "recheck_days"], how="all")
    did = work[~work["result"].isin(["fail", "not-checked"])]
    terms = tasks[["plan", "code", "valid_from", "valid_to", "recheck_km", "recheck_days"]]
    did = did.merge(terms, left_on=["plan", "task"], right_on=["plan", "code"])
    did = did[~(did["date"] < did["valid_from"]) & ~(did["date"] > did["valid_to"])]
    if did.empty:
        return none
    did = did.drop_duplicates(["vehicle", "task", "date", "position"], keep="last").sort_values(
        "date", kind="stable", ignore_index=True
    )
    looks = work[work["task"].str.endswith("-recheck")].sort_values("date", kind="stable")
    looks = looks.assign(task=looks["task"].str.removesuffix("-recheck"), looked=looks["date"])
    at = usage.distance_of(path, did["vehicle"], did["date"], did["odometer_km"])["distance_km"]
    did = did.assign(
        due_km=at + did["recheck_km"], due_date=days_later(did["date"], did["recheck_days"])
    )
    did = did.join(_looked_at(did, looks))
    end = did["looked"].fillna(_last_day(log, did["vehicle"]))
    there = usage.distance_of(path, did["vehicle"], end, did["odometer_km_looked"])
    x = np.stack([there["distance_km"].fillna(there["low_km"]), np.full(len(did), nan), _days(end)])
    p = _sharp(did["due_km"], did["due_date"])
    gone, over = _gone(log, did["vehicle"]), (end - did["due_date"]).dt.days
    again = did.duplicated(["vehicle", "task", "position"], keep="last")
    is_open = did["looked"].isna() & ~gone & ~again
    late = due.state(p, x) == "past-window"
    now = np.where(looks.empty & late, "not-known", due.state(p, x))
    return did.assign(
        what="recheck", item=did["task"], done_date=did["looked"], done_km=pd.Series(x[0]).where(did["looked"].notna()), is_open=is_open,
        state=np.where(did["looked"].notna() | ~is_open, "done", now), days_open=over.clip(lower=0), over_days=over.where(over > 0),
        over_km=_above(x[0], did["due_km"]),
        outcome=np.where(did["looked"].isna(), "", np.where(late, "late", "on-time")),
    )  # fmt: skip


def _looked_at(did, looks):
    """The first look at each place, or at the whole, on the day or after: `looked` and `odometer_km_looked`."""
    columns = ["vehicle", "task", "position"]
    places = [did["position"].fillna(""), pd.Series("", did.index)]
    looks = looks.assign(position=looks["position"].fillna(""))[
        [*columns, "date", "looked", "odometer_km"]
    ]
    asked = [
        did[["vehicle", "task", "date"]].assign(position=place.astype(looks["position"].dtype))
        for place in places
    ]
    found = [
        pd.merge_asof(rows, looks, on="date", by=columns, direction="forward")[
            ["looked", "odometer_km"]
        ]
        for rows in asked
    ]
    own = ~(found[1]["looked"] < found[0]["looked"]) & found[0]["looked"].notna()
    return found[0].where(own, found[1]).set_axis(["looked", "odometer_km_looked"], axis=1)


def _deferrals(log, found, path):
    """What was deferred, to when: closed by the work or the defect's closing. It moves no due point; what is over counts from the day or
    reading that was given (rule R14).
    """
    d = _of_row(log.si("deferrals"), "deferrals")
    d = d.sort_values("date", kind="stable", ignore_index=True)
    closed = look_up(d["defect"], log.tables["defects"].set_index("defect")["closed"])
    place = d["defect"].map(log.tables["defects"].set_index("defect")["position"])
    if "done_date" in found:
        closed = closed.where(d["task"].isna(), _all_done(d, found))
    end = closed.fillna(_last_day(log, d["vehicle"]))
    until_km = usage.to_cumulative(
        path, d["vehicle"], pd.Series(log.as_of, d.index), d["until_odometer_km"]
    )
    now = usage.distance_at(path, d["vehicle"], end)
    p = _sharp(until_km, d["until"])
    x = np.stack([now["distance_km"].fillna(now["low_km"]), np.full(len(d), nan), _days(end)])
    again = d.duplicated(["vehicle", "task", "defect"], keep="last")
    is_open = closed.isna() & ~_gone(log, d["vehicle"]) & ~again
    state = np.where(
        is_open, np.where(due.state(p, x) == "past-window", "past-window", "in-window"), "done"
    )
    over = (end - d["until"]).dt.days
    return d.assign(
        what="deferral", item=d["defect"].fillna(d["task"]), position=place, text=d["reason"], due_date=d["until"], due_km=until_km,
        done_date=closed, is_open=is_open, state=state, days_open=over.clip(lower=0), over_days=over.where(over > 0),
        over_km=_above(x[0], until_km),
    )  # fmt: skip


def _above(km, point):
    """How far a distance is beyond a point, NaN where it is not."""
    over = pd.Series(km, point.index) - point
    return over.where(over > due.EPS)


def _all_done(d, found):
    """The day by which a task put off was done at every position that it has; NaT while one is left."""
    columns = ["vehicle", "task", "position"]
    did = found.dropna(subset="done_date").sort_values("done_date")[[*columns, "done_date"]]
    rows = (
        d.dropna(subset="task")[["vehicle", "task", "date"]]
        .reset_index()
        .merge(found[columns].drop_duplicates(), on=columns[:2])
    )
    rows = rows.sort_values("date", kind="stable")
    after = pd.merge_asof(
        rows, did.assign(date=did["done_date"]), on="date", by=columns, direction="forward"
    ).groupby("index")["done_date"]
    return after.max().where(after.count() == after.size()).reindex(d.index)


def _days(dates):
    days = np.asarray(dates, dtype="datetime64[ns]")
    return np.where(np.isnat(days), nan, days.astype("datetime64[D]").astype("int64"))


def _sharp(km, date):
    """A due point without a window."""
    point = np.stack([np.asarray(km, float), np.full(len(km), nan), _days(date)])
    return np.stack([point] * 4)
