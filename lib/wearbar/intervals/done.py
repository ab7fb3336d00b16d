"""What a plan asks of each vehicle, and which rows of a log count as having done it.

A series is one task at one position of one vehicle. Whatever was done for any reason counts; an inspection that failed, or that was not
carried out, does not until the defects that it found are closed. Common practice, no source.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

__all__ = ["Series", "acts_of", "series_of"]

LIMITS = [f"{kind}_{unit}" for kind in ("first", "every", "severe") for unit in ("km", "hours", "days", "months")]
ACT = ["vehicle", "date", "odometer_km", "hours", "task", "position", "visit", "planned"]
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
    """The `Series` of a log by its plan. A task without a limit (on condition) has none; nor has one whose expiry the certificates tell."""
    rules = log.plan.tasks.sort_values("valid_from", na_position="first", kind="stable", ignore_index=True)
    rules["key"] = rules.groupby(["plan", "code"], sort=False).ngroup()
    nth = rules.groupby("key").cumcount()
    versions = np.full((rules["key"].nunique(), int(nth.max()) + 1 if len(rules) else 1), -1)
    versions[rules["key"], nth] = np.arange(len(rules))
    limited = rules.loc[rules[LIMITS].notna().any(axis=1), "key"]
    latest = rules[rules["key"].isin(limited)].drop_duplicates("key", keep="last").rename(columns={"code": "task", "positions": "position"})
    latest["position"] = latest["position"].map(lambda names: list(names) or [""])
    kept = ["key", "plan", "task", "title", "position", "action", "measured_from", "safety", "statutory"]
    vehicles = log.plan.assign(log.tables["vehicles"]).reset_index()
    rows = vehicles.merge(latest[kept].explode("position"), on="plan").astype({"position": _TEXT})
    tested = log.tables["certificates"][["vehicle", "kind"]].drop_duplicates().merge(rows.reset_index(), on="vehicle")
    named = [task == kind or task.startswith(f"{kind}-") for task, kind in zip(tested["task"], tested["kind"], strict=True)]
    told = np.array(named, dtype=bool) & tested["measured_from"].eq("expiry").to_numpy(dtype=bool)
    return Series(rows.drop(tested.loc[told, "index"]).reset_index(drop=True), rules, versions)


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
    work = _stack([work[~work["result"].isin(["fail", "not-checked"])], _mended(log, work)])[ACT]
    keys = series.rules.drop_duplicates("key", keep="last")[["plan", "code", "key", "fits", "first_after", "positions"]]
    plans = series.rows.drop_duplicates("vehicle").set_index("vehicle")["plan"]
    work, fitted = (frame.assign(plan=frame["vehicle"].map(plans).astype(_TEXT)) for frame in (work, fitted))
    by_part = keys.rename(columns={"fits": "category"})
    by_first = keys.explode("first_after").dropna(subset="first_after").rename(columns={"first_after": "category"})
    by_first["category"] = by_first["category"].astype(_TEXT)
    on, kept = ["plan", "category"], [*ACT[:4], "position", "visit", "planned", "plan", "key", "restarts"]
    direct = _stack(
        [
            work.rename(columns={"task": "code"}).merge(keys[["plan", "code", "key"]], on=["plan", "code"]).assign(restarts=False)[kept],
            fitted.merge(by_part[[*on, "key"]], on=on).assign(restarts=False)[kept],
            fitted.merge(by_first[[*on, "key"]], on=on).assign(restarts=True, position=np.nan)[kept],
        ]
    )
    placed = keys.set_index("key")["positions"].map(bool)
    direct["position"] = direct["position"].where(direct["key"].map(placed).astype(bool), np.nan).astype(_TEXT)
    return _one_a_day(_on_series(_stack([direct, _covered(log.plan, direct, keys)]), series.rows))


def _stack(frames):
    """The frames one below another; empty ones say nothing of its types."""
    return pd.concat([f for f in frames if len(f)] or frames[:1], ignore_index=True)


def _new_parts(log):
    """Rows of `fitted` that put on a part for the first time in this log, as acts."""
    fitted = log.si("fitted")
    at = ["vehicle", "category", "position"]
    broke = fitted[fitted["reason"].isin(["failed", "damaged", "recalled"])].rename(columns={"fitted": "_", "removed": "fitted"})
    fitted = fitted.dropna(subset="fitted").sort_values("fitted", kind="stable")
    broken = pd.MultiIndex.from_frame(fitted[[*at, "fitted"]]).isin(pd.MultiIndex.from_frame(broke[[*at, "fitted"]]))
    fitted = fitted.assign(planned=~broken)
    fitted = fitted[fitted["part"].isna() | ~fitted["part"].duplicated()]
    acts = fitted.rename(columns={"fitted": "date", "fitted_odometer_km": "odometer_km"}).assign(hours=np.nan)
    return acts[["vehicle", "date", "odometer_km", "hours", "category", "position", "visit", "planned"]]


def _mended(log, work):
    """Failed inspections whose defects are all closed, as acts on the day the last was closed."""
    defects = log.tables["defects"].dropna(subset="found_visit")
    fails = work[work["result"].eq("fail") & work["visit"].notna()].rename_axis("fail").reset_index()
    found = fails.merge(defects, left_on=["vehicle", "visit"], right_on=["vehicle", "found_visit"], suffixes=("", "_found"))
    same = found["position"].isna() | found["position_found"].isna() | found["position"].eq(found["position_found"])
    by = found[same].groupby("fail")["closed"]
    last = by.max()[by.count() == by.size()]
    acts = fails[fails["fail"].isin(last.index)]
    return acts.assign(date=acts["fail"].map(last), odometer_km=np.nan, hours=np.nan, planned=False)


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
        rows[["vehicle", "key", "position"]].rename_axis("series").reset_index(), on=["vehicle", "key"], suffixes=("", "_of")
    )
    return found[found["position"].isna() | (found["position"] == found["position_of"]).astype(bool)]


def _one_a_day(acts):
    """One act a series and day: that with the highest reading."""
    acts = acts.sort_values(["series", "date", "odometer_km", "hours"], na_position="first", kind="stable")
    for name in ("restarts", "planned"):
        acts[name] = acts.groupby(["series", "date"])[name].transform("any").astype(bool) if len(acts) else False
    acts = acts.drop_duplicates(["series", "date"], keep="last")
    return acts[["series", "date", "odometer_km", "hours", "visit", "restarts", "planned"]].reset_index(drop=True)
