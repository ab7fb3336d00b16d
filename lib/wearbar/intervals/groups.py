"""The rate where it matters: tasks by risk, sites by quarter, and which sites have changed."""

import numpy as np
import pandas as pd

from wearbar.intervals.rates import CLEAR_JOBS, CLEAR_P, COLUMNS, compliance, sites_told, within
from wearbar.log.keys import look_up
from wearbar.stats.estimate import holm, untold


def by_risk(found, confidence=0.9):
    """As `compliance` by task, with `is_grave, over_share, risk`, the gravest first: what bears on
    safety or the law, then by risk.

    over_share: how far late work runs over, the median in shares of its interval, open work so far.
    risk: share late x over_share. Common practice, no source."""
    late = found[found["in_rate"] & (found["outcome"] == "late") & (found["overrun_share"] > 0)]
    grave = (found["safety"].eq(True) | found["statutory"].eq(True)).groupby(found["task"]).any()
    made = compliance(found, ["task"], confidence)
    over = look_up(made["task"], late.groupby("task")["overrun_share"].median().astype(float))
    made = made.assign(is_grave=look_up(made["task"], grave), over_share=over)
    made["risk"] = (made["late"] / made["n"] * over).fillna(0.0)
    order = [~made["is_grave"].astype(bool), -made["risk"], made["share"].astype(float)]
    return made.iloc[np.lexsort(order[::-1])].reset_index(drop=True)


def by_quarter(found, confidence=0.9):
    """The rate of each site by quarter of the last day on time, the newest first: frame `site,
    quarter` (its first day) and the rest as of `compliance`; no figures of small sites."""
    quarter = found["month"].dt.to_period("Q").dt.to_timestamp().astype("datetime64[ns]")
    made = compliance(found.assign(quarter=quarter), ["site", "quarter"], confidence)
    size = found[found["in_rate"]].groupby("site", observed=True)["vehicle"].nunique()
    made = sites_told(made, made["site"].isin(size.index[untold(size)]))
    made = made.assign(quarter=pd.to_datetime(made["quarter"]))
    return made.sort_values(["quarter", "site"], ascending=[False, True], ignore_index=True)


def site_changes(found, as_of):
    """Whether the last twelve months of each site differ from the twelve before: frame `site,
    share, rest` (on time then and before, by the same vehicles), `p, p_holm, is_clear`.

    Each vehicle's last year beside its own before, as tasks in `differences`. Left out: sites that
    could point at a person, or with fewer than CLEAR_JOBS jobs in a year."""
    rng, rows, ago = np.random.default_rng(0), [], as_of - pd.DateOffset(years=1)
    counted = found[found["in_rate"] & (found["late_edge_date"] > as_of - pd.DateOffset(years=2))]
    counted = counted.assign(won=counted["outcome"] != "late", unit=counted["vehicle"])
    counted["year"] = np.where(counted["late_edge_date"] > ago, "last", "before")
    for site, some in counted.groupby("site", observed=True):
        units = some.groupby(["unit", "year"])["won"].agg(n="size", won="sum").reset_index()
        jobs = units.groupby("year")["n"].sum()
        if untold(pd.Series([some["unit"].nunique()])).any() or len(jobs) < 2:
            continue
        table, least, _ = within(units, "year", rng)
        if jobs.min() >= CLEAR_JOBS and least <= CLEAR_P and len(table):
            rows.append(table[table["year"].eq("last")].assign(site=site))
    made = pd.concat(rows) if rows else pd.DataFrame(columns=["site", "share", "rest", "p"])
    made["p_holm"] = holm(made["p"].to_numpy(dtype=float))
    made = made.assign(is_clear=made["p_holm"] < CLEAR_P)
    return made[["site", *COLUMNS]].reset_index(drop=True)
