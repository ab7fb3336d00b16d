"""How each vehicle is used, and the interval that the evidence on hard use supports: never longer than the plan's."""

from math import nan

import pandas as pd

__all__ = ["exposure_by_vehicle", "supported"]

SUPPORTED = (
    "plan", "code", "category", "exposure", "share_easy", "share_hard", "wear_ratio", "lower_ratio", "plan_km", "severe_km", "supported_km",
    "is_sooner",
)  # fmt: skip


def exposure_by_vehicle(shares, vehicles):
    """One row a vehicle, hardest used first: vehicle, site, kind, coverage_share and the shares that the log knows.

    shares: frame indexed by vehicle, or with it as a column. vehicles: the log's table.
    """
    shares = shares if "vehicle" in shares.columns else shares.rename_axis("vehicle").reset_index()
    table = vehicles[["vehicle", "site", "kind"]].merge(shares.dropna(axis=1, how="all"), on="vehicle")
    known = [c for c in table.columns if c not in ("vehicle", "site", "kind", "coverage_share")]
    return table.sort_values([*known[:1], "vehicle"], ascending=[False] * len(known[:1]) + [True], na_position="last", ignore_index=True)


def supported(found, tasks, thresholds):
    """The interval that the evidence supports for vehicles used hard: a row a task with a distance limit on a part of an effect's category.

    found: list of `Effect`. tasks: the plan's, with code, part, every_km, severe_every_km. thresholds: exposure to the share from which the
    plan calls use severe; other exposures use the middle of the shares seen.
    Gives plan, code, category, exposure, share_easy, share_hard, wear_ratio, lower_ratio, plan_km, severe_km, supported_km, is_sooner.
    supported_km is the least of the plan's, the plan's severe limit, and the plan's over the one-sided 95% lower limit of the wear ratio,
    the last only where that limit is above 1 and Holm's p below 0.05. It is never above the plan's.
    """
    rows = [_hard_use(e, thresholds.get(e.exposure, nan)) for e in found if e.told and e.points is not None]
    if not rows or not len(tasks):
        return pd.DataFrame(columns=list(SUPPORTED))
    hard = pd.DataFrame(rows)
    tasks = tasks.loc[tasks["every_km"].notna(), ["plan", "code", "part", "every_km", "severe_every_km"]]
    table = tasks.merge(hard, left_on="part", right_on="category").rename(columns={"every_km": "plan_km", "severe_every_km": "severe_km"})
    evidence = (table["plan_km"] / table["lower_ratio"]).where((table["lower_ratio"] > 1) & (table["p_holm"] < 0.05))
    table["supported_km"] = pd.concat([table["plan_km"], table["severe_km"], evidence], axis=1).min(axis=1)
    table["is_sooner"] = evidence < table[["plan_km", "severe_km"]].min(axis=1)
    return table[list(SUPPORTED)]


def _hard_use(e, threshold):
    """Mean share on either side of the threshold (the middle one, where a side is empty), and the wear ratio between the two."""
    share = e.points["share"]
    cut = threshold if share.min() < threshold <= share.max() else share.median()
    easy, hard = share[share < cut].mean(), share[share >= cut].mean()
    power = (hard - easy) / e.step
    return {"category": e.category, "exposure": e.exposure, "share_easy": easy, "share_hard": hard, "wear_ratio": e.ratio.value**power,
            "lower_ratio": e.lower**power, "p_holm": e.p_holm}  # fmt: skip
