"""What a plan asks of each vehicle, and which rows of a log count as having done it.

A series is one task at one position of one vehicle. Whatever was done for any reason counts; an inspection that failed, or that was not
carried out, does not until the defects that it found are closed. Common practice, no source.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar.intervals.duty import known_on
from wearbar.log.keys import least_after, look_up

__all__ = ["Series", "acts_of", "series_of"]

LIMITS = [
    f"{kind}_{unit}"
    for kind in ("first", "every", "severe")
    for unit in ("km", "hours", "days", "months")
]
ACT = ["vehicle", "date", "odometer_km", "hours", "task", "position", "visit", "planned", "known"]
_TEXT = pd.StringDtype("pyarrow", na_value=np.nan)


@dataclass(frozen=True, eq=False)
class Series:
    """rows: one row a series: `vehicle, plan, task, position` ("" where it has none), `key` (of plan and task), `measured_from` and the
    other plain columns of its latest version. rules: the plan's tasks, oldest version first. versions: (keys, most
    versions) rows of `rules` by key, -1 where there are fewer."""

    rows: pd.DataFrame
    rules: pd.DataFrame
    versions: np.ndarray


def series_of(log):
    """The `Series` of a log by its plan. A task without a limit (on condition) has none; one whose expiry certificates tell ends with the
    first of them, `told_from`.
    """
    rules = log.plan.tasks.sort_values(
        "valid_from", na_position="first", kind="stable", ignore_index=True
    )
    rules["key"] = rules.groupby(["plan", "code"], sort=False).ngroup()
    nth = rules.groupby("key").cumcount()
    versions = np.full((rules["key"].nunique(), int(nth.max()) + 1 if len(rules) else 1), -1)
    versions[rules["key"], nth] = np.arange(len(rules))
    limited = rules.loc[rules[LIMITS].notna().any(axis=1), "key"]
    latest = (
        rules[rules["key"].isin(limited)]
        .drop_duplicates("key", keep="last")
        .rename(columns={"code": "task", "positions": "position"})
    )
    latest["position"] = latest["position"].map(lambda names: list(names) or [""])
    kept = [
        "key",
        "plan",
        "task",
        "title",
        "position",
        "action",
        "measured_from",
        "safety",
        "statutory",
    ]
    vehicles = log.plan.assign(log.tables["vehicles"]).reset_index()
    rows = vehicles.merge(latest[kept].explode("position"), on="plan").astype({"position": _TEXT})
    return Series(rows.assign(told_from=_told_from(log, rows)), rules, versions)


def _told_from(log, rows):
    """From which day certificates tell when each series falls due: the first of its kind that was known; NaT without one."""
    c, v = (
        log.tables["certificates"],
        log.tables["vehicles"].drop_duplicates("vehicle").set_index("vehicle"),
    )
    came_with = look_up(c["vehicle"], v["acquired"].fillna(v["in_service"])).clip(
        upper=c["valid_to"]
    )  # a paper without a day of test
    c = c.assign(known=known_on(c["tested"].fillna(came_with), c["recorded"]))
    tested = (
        c.groupby(["vehicle", "kind"])["known"]
        .min()
        .reset_index()
        .merge(rows.reset_index(), on="vehicle")
    )
    named = [
        task == kind or task.startswith(f"{kind}-")
        for task, kind in zip(tested["task"], tested["kind"], strict=True)
    ]
    told = np.array(named, dtype=bool) & tested["measured_from"].eq("expiry").to_numpy(dtype=bool)
    return tested[told].groupby("index")["known"].min().reindex(rows.index)


def acts_of(log, series):
    """Every doing of every series: frame `series` (row of `series.rows`), `date, odometer_km, hours, visit, restarts, planned`, sorted,
    one row a series and day.

    A row without a position counts at all of the task's positions. Fitting a part of the category that
    the task `fits` counts, but for one that the log has
    fitted before. `covers` reach the same position alone. planned: no repair, recall or advice, nor a part put on for one that failed or
    was damaged. restarts: a part of the task's `first_after` was fitted, and its first limits
    apply again.
    """
    work, fitted = log.si("work"), _new_parts(log)
    work["planned"] = work["why"].eq("planned").fillna(True).astype(bool)
    work["known"] = known_on(work["date"], work["recorded"])
    work = _stack([work[~work["result"].isin(["fail", "not-checked"])], _mended(log, work)])[ACT]
    keys = series.rules.drop_duplicates("key", keep="last")[
        ["plan", "code", "key", "fits", "first_after", "positions"]
    ]
    plans = series.rows.drop_duplicates("vehicle").set_index("vehicle")["plan"]
    work, fitted = (
        frame.assign(plan=frame["vehicle"].map(plans).astype(_TEXT)) for frame in (work, fitted)
    )
    by_part = keys.rename(columns={"fits": "category"})
    by_first = (
        keys.explode("first_after")
        .dropna(subset="first_after")
        .rename(columns={"first_after": "category"})
    )
    by_first["category"] = by_first["category"].astype(_TEXT)
    on, kept = (
        ["plan", "category"],
        [*ACT[:4], "position", "visit", "planned", "known", "plan", "key", "restarts"],
    )
    direct = _stack(
        [
            work.rename(columns={"task": "code"})
            .merge(keys[["plan", "code", "key"]], on=["plan", "code"])
            .assign(restarts=False)[kept],
            fitted.merge(by_part[[*on, "key"]], on=on).assign(restarts=False)[kept],
            fitted.merge(by_first[[*on, "key"]], on=on).assign(restarts=True, position=np.nan)[
                kept
            ],
        ]
    )
    placed = keys.set_index("key")["positions"].map(bool)
    direct["position"] = (
        direct["position"].where(direct["key"].map(placed).astype(bool), np.nan).astype(_TEXT)
    )
    return _one_a_day(_on_series(_stack([direct, _covered(log.plan, direct, keys)]), series.rows))


def _stack(frames):
    """The frames one below another; empty ones, and columns without a value, say nothing of its types."""
    frames = [f.astype({c: _TEXT for c in ("position", "visit") if c in f}) for f in frames]
    return pd.concat([f for f in frames if len(f)] or frames[:1], ignore_index=True)


def _new_parts(log):
    """Rows of `fitted` that put on a part for the first time in this log, as acts."""
    fitted = log.si("fitted")
    at = ["vehicle", "category", "position"]
    broke = fitted[
        fitted["reason"].isin(["failed", "damaged", "recalled"])
        & ~(fitted["recorded"] > fitted["removed"])
    ]
    broke = broke.rename(columns={"fitted": "_", "removed": "fitted"})
    fitted = fitted.dropna(subset="fitted").sort_values("fitted", kind="stable")
    fitted["known"] = known_on(fitted["fitted"], fitted["recorded"])
    broken = pd.MultiIndex.from_frame(fitted[[*at, "fitted"]]).isin(
        pd.MultiIndex.from_frame(broke[[*at, "fitted"]])
    )
    fitted = fitted.assign(planned=~broken)
    before = fitted.groupby("part")["known"].cummin().groupby(fitted["part"]).shift()
    fitted = fitted[~(before <= fitted["known"])]
    acts = fitted.rename(columns={"fitted": "date", "fitted_odometer_km": "odometer_km"}).assign(
        hours=np.nan
    )
    return acts[
        [
            "vehicle",
            "date",
            "odometer_km",
            "hours",
            "category",
            "position",
            "visit",
            "planned",
            "known",
        ]
    ]


def _mended(log, work):
    """Failed inspections whose defects are all closed, as acts on the day the last was closed."""
    defects = log.tables["defects"].dropna(subset="found_visit")
    fails = (
        work[work["result"].eq("fail") & work["visit"].notna()].rename_axis("fail").reset_index()
    )
    found = fails.merge(
        defects,
        left_on=["vehicle", "visit"],
        right_on=["vehicle", "found_visit"],
        suffixes=("", "_found"),
    )
    same = (
        found["position"].isna()
        | found["position_found"].isna()
        | found["position"].eq(found["position_found"])
    )
    found = found[same].assign(known=known_on(found["found"], found["recorded_found"]))
    found = found[
        ~(
            found["known"]
            > look_up(found["fail"], _all_closed(found[~(found["known"] > found["found"])]))
        )
    ]
    last = _all_closed(found)
    acts = fails[fails["fail"].isin(last.index)]
    date = look_up(acts["fail"], last)
    return acts.assign(
        date=date,
        odometer_km=np.nan,
        hours=np.nan,
        planned=False,
        known=known_on(date, acts["recorded"]),
    )


def _all_closed(found):
    """The day by which all defects of each failed inspection were closed; none where one is open."""
    by = found.groupby("fail")["closed"]
    return by.max()[by.count() == by.size()]


def _covered(plan, direct, keys):
    """What the acts also do, by the version of the plan in force that day."""
    ends = plan.plans[["plan", "valid_from", "valid_to"]]
    covers = plan.covers.merge(ends, on=["plan", "valid_from"], how="left")
    by_code = keys[["plan", "code", "key"]]
    covers = covers.merge(by_code, on=["plan", "code"]).merge(
        by_code.rename(columns={"code": "covered", "key": "other"}), on=["plan", "covered"]
    )
    also = direct.merge(covers[["key", "other", "valid_from", "valid_to"]], on="key")
    in_force = ~(also["date"] < also["valid_from"]) & ~(also["date"] > also["valid_to"])
    return also[in_force].assign(key=also["other"])[direct.columns]


def _on_series(acts, rows):
    """Each act on the series that it counts for."""
    found = acts.merge(
        rows[["vehicle", "key", "position"]].rename_axis("series").reset_index(),
        on=["vehicle", "key"],
        suffixes=("", "_of"),
    )
    return found[
        found["position"].isna() | (found["position"] == found["position_of"]).astype(bool)
    ]


def _one_a_day(acts):
    """One act a series and day: of those known first that with the highest reading; none that a later one was known before."""
    day = ["series", "date"]
    acts = acts.sort_values([*day, "odometer_km", "hours"], na_position="first", kind="stable")
    if len(acts):
        acts = acts[acts["known"] == acts.groupby(day)["known"].transform("min")]
        acts = acts.assign(
            **{
                name: acts.groupby(day)[name].transform("any").astype(bool)
                for name in ("restarts", "planned")
            }
        )
    acts = acts.drop_duplicates(day, keep="last")
    acts = acts[~(acts["known"] > least_after(acts["known"], acts["series"]))]
    return acts[
        [*day, "odometer_km", "hours", "visit", "restarts", "planned", "known"]
    ].reset_index(drop=True)
