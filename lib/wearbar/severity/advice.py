"""The interval that the evidence supports for each task of the plan, by duty: never a longer one.

Wear, lives, faults and oil compare hard use with easy use: a task's normal interval, which
stands for easy use, is divided by how much more there is in hard use. Lives of a task's part are
held against its own interval too, in either duty: 90% should reach it. Of each the limit that asks
for least counts (one-sided, 95%), and only where Holm's p over all of them is below 0.05."""

from math import nan

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.log.keys import look_up
from wearbar.parts.items import MIN_ENDS, SHORT, life_by_vehicle
from wearbar.severity.evidence import MIN_COVERAGE, STEP
from wearbar.severity.lives import lives_by_use
from wearbar.severity.use import DERIVED, by_vehicle, conditions
from wearbar.stats.clustered import added_up
from wearbar.stats.estimate import holm

CLEAR_P, GROUPS = 0.05, 200  # more vehicles than that are left out by groups, in a jackknife
TASK = ["plan", "code", "title", "part", "safety", "plan_km", "severe_km"]
EVIDENCE = ["basis", "duty", "what", "exposure", "share_easy", "share_hard", "ratio", "lower_ratio"]
EVIDENCE += ["reach_km", "high_km", "n_ends", "n_vehicles", "n_censored", "p"]


def advice(log, found, beyond, confidence=0.9, unit_km=1.0):
    """What the evidence supports: a frame, a row a task with a distance limit that it reaches.

    found: list of `Effect`; beyond: as of `lives_and_visits`; unit_km: of the reader's distances.
    Columns `TASK`; normal_km and hard_km, the interval supported in either duty, rounded down to
    two figures, never above plan_km nor, in hard use, severe_km; is_sooner: one of them is below.
    The rest is of the evidence that decides: basis ("wear", "life", "faults", "oil", "reach"),
    what, exposure, share_easy, share_hard (means of vehicles below and from the plan's condition,
    or the median), ratio (hard use over easy), its lower limit, reach_km (90% reach it) and its
    high limit, n_ends (wear lines, ends, faults or periods), n_vehicles, n_censored, p, p_holm."""
    tasks = log.plan_or_empty.in_force(log.as_of).dropna(subset="every_km")
    tasks = tasks.rename(columns={"every_km": "plan_km"})[TASK].astype({"part": object})
    tests = [*_compared(log, found, beyond), *_reached(log, tasks, confidence)]
    tests = pd.DataFrame(tests, columns=[*EVIDENCE, "own_plan"]).rename_axis("test").reset_index()
    rows, key = tasks.merge(tests, how="cross"), ["plan", "code"]
    both = zip(rows["code"], rows["what"], strict=True)
    is_named = np.array([code.startswith(what) for code, what in both], bool)
    is_any, is_part = rows["own_plan"].isna(), rows["part"].eq(rows["what"])
    rows = rows[is_any & is_named | is_part & (is_any | rows["own_plan"].eq(rows["plan"]))]
    p = tests.set_index("test")["p"].reindex(rows["test"].unique()).astype(float)
    rows["p_holm"] = look_up(rows["test"], pd.Series(holm(p), p.index))
    is_normal, limit = rows["duty"].eq("normal"), rows["plan_km"] / rows["lower_ratio"]
    planned = rows[["plan_km", "severe_km"]].min(axis=1).mask(is_normal, rows["plan_km"])
    asked = rows["high_km"].fillna(limit).astype(float) / unit_km
    place = 10.0 ** (np.floor(np.log10(asked)) - 1)  # down to two figures
    asked = np.floor(asked / place + 1e-9) * place * unit_km
    rows["is_sooner"] = (asked < planned) & (rows["p_holm"] < CLEAR_P)
    rows["asked"] = asked.where(rows["is_sooner"])
    by = [rows[k] for k in key]
    normal = rows["asked"].where(is_normal).groupby(by).transform("min")
    rows["normal_km"] = np.fmin(rows["plan_km"], normal)
    least = rows["asked"].groupby(by).transform("min")
    rows["hard_km"] = np.fmin.reduce([least, rows["normal_km"], rows["severe_km"]])
    rows = rows.sort_values(["asked", "p"], kind="stable")
    rows = rows.drop_duplicates(key).sort_values(key, ignore_index=True)
    return rows[[*TASK, *EVIDENCE, "p_holm", "normal_km", "hard_km", "is_sooner"]]


def _compared(log, found, beyond):
    """Hard use against easy use: rows of `EVIDENCE`."""
    use, limits, sides = by_vehicle(log), conditions(log), {}
    for e in {*(e.exposure for e in found), *beyond["exposure"]}:
        share, limit = use[e], limits.get(e, nan)
        cut = limit if share.min() < limit <= share.max() else share.median()
        sides[e] = share[share < cut].mean(), share[share >= cut].mean()
    for e in found:
        if not e.is_shown or e.points is None or e.exposure in DERIVED:
            continue
        easy, hard = sides[e.exposure]
        ratio, lower = (added_up(k, easy, hard) for k in (e.additive.value, e.additive_lower))
        lower = min(lower, e.log_linear_lower ** ((hard - easy) / e.step))
        figures = "wear", "hard", e.category, e.exposure, easy, hard, ratio, lower, nan, nan
        yield *figures, e.n_parts, e.n_vehicles, 0, e.p, None
    is_told = beyond["note"].eq("") & beyond["basis"].ne("visits")
    for row in beyond[is_told & ~beyond["exposure"].isin([*DERIVED])].itertuples():
        easy, hard = sides[row.exposure]
        step, least = (hard - easy) / STEP, row.low
        if row.basis == "life":  # a shorter one asks for more
            step, least = -step, row.high
        ratio, lower = row.value**step, least**step
        figures = row.basis, "hard", row.what, row.exposure, easy, hard, ratio, lower, nan, nan
        p = row.p / 2 if ratio > 1 else 1 - row.p / 2
        yield *figures, row.n_ends, row.n_vehicles, row.n_censored, p, None


def _reached(log, tasks, confidence):
    """What 90% of a task's parts reach in either duty, against its interval: rows of `EVIDENCE`."""
    limits, lives = conditions(log), lives_by_use(log).drop(columns="last_seen_km")
    share = lives.reindex(columns=[*limits])
    is_known = lives["coverage_share"].ge(MIN_COVERAGE) & share.notna().any(axis=1)
    duty = np.where(share.ge(list(limits.values())).any(axis=1), "hard", "normal")
    lives = lives.assign(duty=duty)[is_known | (not limits)]
    for task in tasks.dropna(subset="part").itertuples():
        own = lives[lives["plan"].eq(task.plan) & lives["category"].eq(task.part)]
        for duty, some in own.groupby("duty"):
            n_ends, group = int(some["observed"].sum()), pd.factorize(some["vehicle"])[0] % GROUPS
            life, freedom = life_by_vehicle("early", confidence, some.assign(vehicle=group))
            if n_ends < MIN_ENDS or not np.isfinite(life.high):
                continue
            asked = np.fmin(task.plan_km, task.severe_km if duty == "hard" else nan)
            se = np.log(life.high / life.value) / stats.t.ppf((1 + confidence + SHORT) / 2, freedom)
            p = stats.t.sf(np.log(asked / life.value) / se, freedom)
            figures = "reach", duty, task.part, None, nan, nan, nan, nan, life.value, life.high
            yield *figures, n_ends, some["vehicle"].nunique(), len(some) - n_ends, p, task.plan
