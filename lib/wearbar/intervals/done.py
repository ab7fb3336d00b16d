"""What a plan asks of each vehicle, and which rows of a log count as having done it.

A series is one task at one position of one vehicle. Whatever was done for any reason counts (R16: a
repair resets an interval); an inspection that failed, or that was not carried out, does not until
the defects that it found are closed (R12). Common practice, no source.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.log.keys import is_among, last_of_all, least_after, look_up, stacked
from wearbar.log.plan import is_test_of
from wearbar.log.schema import RESETS_NOTHING, TEXT
from wearbar.usage.distance import known_on

LIMITS = "^(first|every|severe)_(km|hours|days|months)$"
PLAIN = ["plan", "task", "title", "position", "action", "safety", "statutory"]
PART = ["vehicle", "category", "position", "fitted"]
DAY = ["series", "date"]
ACT = ["date", "odometer_km", "hours", "position", "visit", "planned", "known"]


@dataclass(frozen=True, eq=False)
class Series:
    """rows: one row a series: `vehicle, plan, task, position` ("" where it has none), `key` (of
    plan and task), `told_from`, `measured_from` and the other plain columns of its latest version.
    rules: the plan's tasks, oldest version first. versions: (keys, most versions) rows of `rules`
    by key, -1 where there are fewer."""

    rows: pd.DataFrame
    rules: pd.DataFrame
    versions: np.ndarray


def series_of(log):
    """The `Series` of a log by its plan. A task without a limit (on condition) has none; one whose
    expiry certificates tell ends with the first of them, `told_from`."""
    rules = log.plan.tasks.sort_values("valid_from", na_position="first", kind="stable")
    rules = rules.reset_index(drop=True)
    rules["key"] = rules.groupby(["plan", "code"], sort=False).ngroup()
    nth = rules.groupby("key").cumcount()
    versions = np.full((rules["key"].nunique(), int(nth.max()) + 1 if len(rules) else 1), -1)
    versions[rules["key"], nth] = np.arange(len(rules))
    limited = rules.loc[rules.filter(regex=LIMITS).notna().any(axis=1), "key"]
    latest = rules[rules["key"].isin(limited)].drop_duplicates("key", keep="last")
    latest = latest.rename(columns={"code": "task", "positions": "position"})
    latest["position"] = latest["position"].map(lambda names: list(names) or [""])
    vehicles = log.plan.assign(log.tables["vehicles"]).reset_index()
    rows = vehicles.merge(
        latest[["key", "measured_from", *PLAIN]].explode("position"), on="plan"
    ).astype({"position": TEXT})
    return Series(rows.assign(told_from=_told_from(log, rows)), rules, versions)


def _told_from(log, rows):
    """From which day certificates tell when each series falls due: the first of its kind that was
    known; NaT without one."""
    c, v = log.tables["certificates"], log.tables["vehicles"]
    ours = v["acquired"].fillna(v["in_service"]).set_axis(v["vehicle"])
    came_with = look_up(c["vehicle"], ours).clip(upper=c["valid_to"])  # a paper without its test
    c = c.assign(known=known_on(c["tested"].fillna(came_with), c["recorded"]))
    tested = c.groupby(["vehicle", "kind"])["known"].min().reset_index()
    both = tested.merge(rows[rows["measured_from"].eq("expiry")].reset_index(), on="vehicle")
    is_named = list(map(is_test_of, both["task"], both["kind"]))
    both = both[np.array(is_named, dtype=bool)]
    return both.groupby("index")["known"].min().reindex(rows.index)


def acts_of(log, series):
    """Every doing of every series: frame `series` (row of `series.rows`), `date, odometer_km,
    hours, visit, restarts, planned, known`, sorted, one row a series and day.

    A row without a position counts at all of the task's positions. Fitting a part of the category
    that the task `fits` counts, but for one that the log has fitted before. `covers` reach the same
    position alone (R10). planned: no repair, recall or advice (R16), nor a part put on for one that
    failed or was damaged. restarts: a part of the task's `first_after` was fitted, and its first
    limits apply again (R7).
    """
    work = log.si("work")
    work["planned"] = work["why"].eq("planned").fillna(True).astype(bool)
    work["known"] = known_on(work["date"], work["recorded"])
    work = _stack([work[~work["result"].isin(RESETS_NOTHING)], _mended(log, work)])
    fitted = _new_parts(log)
    keys = series.rules.drop_duplicates("key", keep="last")
    plans = series.rows.drop_duplicates("vehicle").set_index("vehicle")["plan"]
    parts = keys.explode("first_after").dropna(subset="first_after").astype({"first_after": TEXT})
    direct = []
    for rows, column, of, by in (
        (work, "task", keys, "code"),
        (fitted, "category", keys, "fits"),
        (fitted.assign(position=np.nan), "category", parts, "first_after"),
    ):
        rows = rows[["vehicle", column, *ACT]]
        rows = rows.assign(plan=rows["vehicle"].map(plans).astype(TEXT))
        both = rows.merge(of[["plan", by, "key"]], left_on=["plan", column], right_on=["plan", by])
        both = both.assign(restarts=by == "first_after")
        direct.append(both[["vehicle", "plan", "key", *ACT, "restarts"]])
    direct = _stack(direct)
    has_places = direct["key"].map(keys.set_index("key")["positions"].map(bool)).astype(bool)
    direct["position"] = direct["position"].where(has_places, np.nan).astype(TEXT)
    acts = _stack([direct, _covered(log.plan, direct, keys)])
    series = series.rows[["vehicle", "key", "position"]].rename_axis("series").reset_index()
    acts = acts.merge(series, on=["vehicle", "key"], suffixes=("", "_of"))
    here = acts["position"].isna() | (acts["position"] == acts["position_of"]).astype(bool)
    return _one_a_day(acts[here])


def _stack(frames):
    """The frames one below another; empty ones say nothing of the types."""
    return stacked([f.astype({c: TEXT for c in ("position", "visit") if c in f}) for f in frames])


def _new_parts(log):
    """Rows of `fitted` that put on a part for the first time in this log, as acts."""
    fitted = log.si("fitted")
    broke = fitted[fitted["reason"].isin(["failed", "damaged", "recalled"])]
    broke = broke[~(broke["recorded"] > broke["removed"])].assign(fitted=broke["removed"])
    fitted = fitted.dropna(subset="fitted").sort_values("fitted", kind="stable")
    fitted["known"] = known_on(fitted["fitted"], fitted["recorded"])
    fitted["planned"] = ~is_among(fitted, broke, PART)
    before = fitted.groupby("part")["known"].cummin().groupby(fitted["part"]).shift()
    acts = fitted[~(before <= fitted["known"])].assign(hours=np.nan)
    return acts.rename(columns={"fitted": "date", "fitted_odometer_km": "odometer_km"})


def _mended(log, work):
    """Failed inspections whose defects are all closed, as acts on the day the last was (R12)."""
    fails = work[work["result"].eq("fail") & work["visit"].notna()]
    fails = fails.rename_axis("fail").reset_index()
    defects = log.tables["defects"].dropna(subset="found_visit")
    on = {"left_on": ["vehicle", "visit"], "right_on": ["vehicle", "found_visit"]}
    found = fails.merge(defects, **on, suffixes=("", "_found"))
    place, there = found["position"], found["position_found"]
    found = found[place.isna() | there.isna() | place.eq(there)]
    found["known"] = known_on(found["found"], found["recorded_found"])
    in_time = last_of_all(found[~(found["known"] > found["found"])].groupby("fail")["closed"])
    found = found[~(found["known"] > look_up(found["fail"], in_time))]
    last = last_of_all(found.groupby("fail")["closed"]).dropna()
    acts = fails[fails["fail"].isin(last.index)]
    date = look_up(acts["fail"], last)
    known = known_on(date, acts["recorded"])
    return acts.assign(date=date, odometer_km=np.nan, hours=np.nan, planned=False, known=known)


def _covered(plan, direct, keys):
    """What the acts also do, by the version of the plan in force that day (R10: never a statutory
    task, which a plan's covers do not hold)."""
    own, other = (
        keys[["plan", "code", "key"]].set_axis(["plan", c, k], axis=1)
        for c, k in (("code", "key"), ("covered", "other"))
    )
    covers = plan.covers.merge(own, on=["plan", "code"]).merge(other, on=["plan", "covered"])
    ends = plan.plans[["plan", "valid_from", "valid_to"]]
    covers = covers.merge(ends, on=["plan", "valid_from"], how="left")
    also = direct.merge(covers[["key", "other", "valid_from", "valid_to"]], on="key")
    in_force = ~(also["date"] < also["valid_from"]) & ~(also["date"] > also["valid_to"])
    return also[in_force].assign(key=also["other"])[direct.columns]


def _one_a_day(acts):
    """One act a series and day: of those known first that with the highest reading; none that a
    later one was known before."""
    order = [*DAY, "odometer_km", "hours"]
    acts = acts.sort_values(order, na_position="first", kind="stable")
    if len(acts):
        acts = acts[acts["known"] == acts.groupby(DAY)["known"].transform("min")]
        by = acts.groupby(DAY)
        some = {name: by[name].transform("any").astype(bool) for name in ("restarts", "planned")}
        acts = acts.assign(**some)
    acts = acts.drop_duplicates(DAY, keep="last")
    acts = acts[~(acts["known"] > least_after(acts["known"], acts["series"]))]
    columns = [*DAY, "odometer_km", "hours", "visit", "restarts", "planned", "known"]
    return acts[columns].reset_index(drop=True)
