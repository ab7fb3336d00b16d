"""What has a due point of its own: defects, failed inspections and tests, certificates, recalls,
re-checks, and what was deferred. Each kind says what it is, when it is due and when it was closed;
what follows is worked out for all at once. None of them dilutes a rate."""

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals.due import EPS, MONTH_DAYS
from wearbar.intervals.failed import FAILED, failed, kinds_tested
from wearbar.intervals.occasion import occasions
from wearbar.log.keys import last_of_all, look_up, stacked
from wearbar.log.once import kept_with
from wearbar.log.schema import RESETS_NOTHING, TEXT
from wearbar.usage.distance import days_later, last_known

GRAVE = ("off-road", "before-next-use")
NOTICE_DAYS = 30  # before a certificate ends, where no task of the plan says otherwise
NAMES = """
    vehicle what item position grade text due_date due_km early_date done_date done_km is_open state
    outcome days_open over_days over_km driven_km gap_days stops table line
"""
NUMBERS = "due_km done_km days_open over_days over_km driven_km gap_days line"
ITEM = dict.fromkeys(NAMES.split(), TEXT) | dict.fromkeys(NUMBERS.split(), float)
ITEM |= dict.fromkeys(["due_date", "early_date", "done_date"], "datetime64[ns]")
ITEM |= dict.fromkeys(["is_open", "stops"], bool)
# what each kind says beside: its state while open and not past; where it is counted from; whether a
# later row has taken its place, driving alone makes it late, nobody could have closed it
SAID = {"rest": TEXT, "from_km": float, "end_odometer_km": float}
SAID |= dict.fromkeys(["is_replaced", "is_grave", "is_unsure"], bool)
FLAGS = [name for name, of in (ITEM | SAID).items() if of is bool]


@kept_with
def items(log):
    """One row each defect, failed inspection or test, certificate, recall, re-check and deferral,
    by due date.

    what: defect, finding, certificate, campaign, recheck, deferral; item: its number, task or kind;
    grade: the defect's, of a finding as in `failed.failed`, of a recall its kind. days_open: since
    it was found, due or, of a recall without a day, issued. over_days, over_km: beyond the day or
    reading given for it. driven_km: since then with it open, or without a valid certificate;
    gap_days: whole days without one. stops: a recall that stops the vehicle. state: as of an
    occasion; not-known for re-checks in a log that has none. outcome: of a re-check. table, line:
    of its row. A vehicle's rows end when it is disposed of."""
    path, kinds = usage.log_path(log), {"certificates": _certificates, "campaigns": _campaigns}
    kinds |= {"work": _rechecks, "deferrals": _deferrals}
    rows = [rows_of(log, path) for table, rows_of in kinds.items() if len(log.tables[table])]
    rows = stacked([_found(log, path), *rows]).reindex(columns=list(ITEM | SAID))
    rows = rows.assign(**rows[FLAGS].eq(True)).astype(ITEM | SAID)
    if rows.empty:
        return rows[list(ITEM)]
    was_found, is_paper = rows["what"].isin(["defect", "finding"]), rows["what"].eq("certificate")
    # to the day each was closed, its vehicle left, or the report date
    gone = look_up(rows["vehicle"], log.vehicles["disposed"])
    end = rows["done_date"].fillna(gone.clip(upper=log.as_of)).fillna(log.as_of)
    is_done = rows["done_date"].notna()
    is_open = ~is_done & ~gone.le(log.as_of) & ~rows["is_replaced"]
    km = last_known(usage.distance_of(path, rows["vehicle"], end, rows["end_odometer_km"]))
    days, over_km = (end - rows["due_date"]).dt.days, km - rows["due_km"]
    driven = (km - rows["from_km"]).clip(lower=0.0)
    gap = (days - is_done).clip(lower=0).where(~rows["is_replaced"] | is_done, 0).where(is_paper)
    issued = (end - rows["due_date"].fillna(rows["early_date"])).dt.days
    # without a window (R3); what was found is past once the vehicle is driven with it
    is_past = (over_km > EPS) | (days > 0)
    is_past = is_past.mask(was_found, rows["is_grave"] & (driven > EPS))
    is_reached = rows["rest"].eq("before-window") & ((over_km >= -EPS) | (days >= 0))
    states = [~is_open, is_past & rows["is_unsure"], is_past, is_reached]
    state = np.select(states, ["done", "not-known", "past-window", "in-window"], rows["rest"])
    is_look = rows["what"].eq("recheck")
    outcome = np.select([~is_look, ~is_done, is_past], [None, "", "late"], "on-time")
    rows = rows.assign(is_open=is_open, state=state, outcome=outcome, gap_days=gap)
    rows["days_open"] = issued.where(was_found, issued.clip(lower=0))
    rows["over_days"] = days.where((days > 0) & ~was_found)
    rows["over_km"] = over_km.where((over_km > EPS) & ~was_found)
    rows["driven_km"] = driven.where(~is_paper | (gap > 0), 0.0)
    rows["done_km"] = km.where(is_look & is_done)
    rows = rows[list(ITEM)].astype(ITEM)
    return rows.sort_values(["due_date", "vehicle", "item"], kind="stable", ignore_index=True)


def _found(log, path):
    """Defects, and failed inspections and tests (R12): due from the day one that stops the vehicle
    was found. A finding that only asks for work is due, driven or not."""
    d, f = log.si("defects"), failed(log)
    if d.empty and f.empty:
        return d
    d = d.assign(what="defect", item=d["defect"], due_date=d["found"], done_date=d["closed"])
    d = d.assign(is_grave=d["grade"].isin(GRAVE), table="defects", line=d.index)
    d["rest"] = np.where(d["is_grave"], "due", "in-window")
    f = f.assign(what="finding", item=f["task"], due_date=f["date"], done_date=f["ended"])
    both = stacked([d, f.assign(is_grave=f["grade"].ne(FAILED), rest="due")])
    km = usage.distance_of(path, both["vehicle"], both["due_date"], both["odometer_km"])
    return both.assign(due_km=km["distance_km"], from_km=last_known(km))


def _certificates(log, path):
    c, one = log.tables["certificates"], ["vehicle", "kind", "valid_to"]
    c = c.assign(table="certificates", line=c.index, plan=log.plan_for(c["vehicle"]))
    c = c[~c["result"].isin(RESETS_NOTHING)].sort_values([*one, "tested"], kind="stable")
    c = c.drop_duplicates(one, keep="last")
    # days before from which it may be renewed: by the plan's task of its name, else NOTICE_DAYS
    tasks = log.plan_or_empty.tasks.query("measured_from == 'expiry'")
    interval = np.fmin(tasks["every_months"] * MONTH_DAYS, tasks["every_days"])
    days = np.floor(tasks["early_share"] * interval)
    days = days.where(np.isfinite(tasks["early_share"]), tasks["tolerance_days"])
    tests = kinds_tested(tasks["code"], c["kind"]).rename(columns={"task": "code"})
    tests = tasks.assign(notice=days)[["plan", "code", "notice"]].merge(tests, on="code")
    tests = tests.drop_duplicates(["plan", "kind"], keep="last")
    c = c.merge(tests, how="left", on=["plan", "kind"])
    notice = c["notice"].mask(c["code"].isna(), NOTICE_DAYS)
    c = c.assign(what="certificate", item=c["kind"], due_date=c["valid_to"])
    c["early_date"] = early = days_later(c["valid_to"], -notice)
    c["rest"] = np.where(early <= log.as_of, "in-window", "before-window")
    c["done_date"] = c.groupby(["vehicle", "kind"])["tested"].shift(-1)
    c["from_km"] = last_known(usage.distance_at(path, c["vehicle"], c["valid_to"]))
    return c.assign(is_replaced=c.duplicated(["vehicle", "kind"], keep="last"))


def _campaigns(log, path):
    """Recalls: due on the day given, never before it; without one, open since issued (R15)."""
    c = log.tables["campaigns"]
    c = c.assign(what="campaign", table="campaigns", line=c.index)
    c = c.assign(rest=np.where(c["by"] > log.as_of, "in-window", "due"), stops=c["stop"].eq("yes"))
    names = {"campaign": "item", "kind": "grade", "note": "text"}
    names |= {"by": "due_date", "issued": "early_date", "done": "done_date"}
    return c.rename(columns=names)


def _rechecks(log, path):
    """Work that must be looked at again: each doing of a task with `recheck`, closed by work named
    after it, "<task>-recheck"."""
    work, terms = log.si("work"), ["recheck_km", "recheck_days"]
    terms = log.plan_or_empty.tasks.dropna(subset=terms, how="all")
    if terms.empty:
        return work.head(0)
    work = work.assign(table="work", line=work.index, plan=log.plan_for(work["vehicle"]))
    terms = terms[["plan", "code", "valid_from", "valid_to", "recheck_km", "recheck_days"]]
    did = work[~work["result"].isin(RESETS_NOTHING)]
    did = did.merge(terms, left_on=["plan", "task"], right_on=["plan", "code"])
    did = did[~(did["date"] < did["valid_from"]) & ~(did["date"] > did["valid_to"])]
    place = ["vehicle", "task", "position"]
    did = did.drop_duplicates([*place, "date"], keep="last")
    did = did.sort_values("date", kind="stable", ignore_index=True)
    looks = work[work["task"].str.endswith("-recheck")].sort_values("date", kind="stable")
    looks = looks.assign(task=looks["task"].str.removesuffix("-recheck"))
    # the first look at each place, or at the whole, on the day or after
    both = did.reset_index().merge(looks, on=["vehicle", "task"], suffixes=("", "_looked"))
    here = both["position_looked"].isna() | both["position"].eq(both["position_looked"])
    both = both[here & (both["date_looked"] >= both["date"])]
    first = both.drop_duplicates("index").set_index("index").reindex(did.index)
    km = usage.distance_of(path, did["vehicle"], did["date"], did["odometer_km"])["distance_km"]
    did = did.assign(what="recheck", item=did["task"], rest="before-window", is_unsure=looks.empty)
    did["due_date"] = days_later(did["date"], did["recheck_days"])
    did["is_replaced"] = did.duplicated(place, keep="last")
    ends = {"done_date": first["date_looked"], "end_odometer_km": first["odometer_km_looked"]}
    return did.assign(due_km=km + did["recheck_km"], **ends)


def _deferrals(log, path):
    """What was deferred, closed by the work or the defect's closing. It moves no due point; what is
    over counts from the day or reading that was given (R14)."""
    d, found = log.si("deferrals"), occasions(log)
    d = d.assign(what="deferral", rest="in-window", table="deferrals", line=d.index)
    d = d.sort_values("date", kind="stable", ignore_index=True)
    defects = log.tables["defects"].set_index("defect")
    # a task, when it was done at every position that it has
    by = ["vehicle", "task", "position"]
    did = found.dropna(subset="done_date").sort_values("done_date")[[*by, "done_date"]]
    did = did.assign(date=did["done_date"])
    asked = d.dropna(subset="task")[["vehicle", "task", "date"]].reset_index()
    rows = asked.merge(found[by].drop_duplicates(), on=by[:2]).sort_values("date", kind="stable")
    after = pd.merge_asof(rows, did, on="date", by=by, direction="forward")
    all_done = last_of_all(after.groupby("index")["done_date"]).reindex(d.index)
    today = pd.Series(log.as_of, d.index)
    d["due_km"] = usage.to_cumulative(path, d["vehicle"], today, d["until_odometer_km"])
    d["done_date"] = look_up(d["defect"], defects["closed"]).where(d["task"].isna(), all_done)
    d["is_replaced"] = d.duplicated(["vehicle", "task", "defect"], keep="last")
    d["item"] = d["defect"].fillna(d["task"])
    d["position"] = look_up(d["defect"], defects["position"])
    return d.rename(columns={"until": "due_date", "reason": "text"})
