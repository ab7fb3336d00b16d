"""Was the work on time: the rate of work done on time, in all and by group, and how far late work
ran over.

The rate counts matured occasions alone: done ones whose window is still open and open ones not yet
late are both left out, since counting either would flatter it.
"""

from dataclasses import replace
from math import nan

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals.judged import REASONS
from wearbar.stats.estimate import bootstrap_by_vehicle, proportion, untold

NOT_KNOWN = "not known"
MANY = 10  # units of a share whose range holds as often as it says
LEAST_VEHICLES = 6  # of a median with limits
CAUTIOUS = "few of them: limits that hold more often than they say"


def placed(found, log):
    """The occasions with `kind`, `site` (where the vehicle was on its last day on time, or else is)
    and `month` (of the late edge)."""
    edge, kind = found["late_edge_date"], log.tables["vehicles"].set_index("vehicle")["kind"]
    return found.assign(
        kind=found["vehicle"].map(kind),
        site=usage.site_at(log, found["vehicle"], edge.fillna(log.as_of)),
        month=edge.dt.to_period("M").dt.to_timestamp(),
    )


def rate(found, confidence=0.9):
    """Share of the jobs that count which were done on or before their late edge: an `Estimate`.

    Vehicles are clusters; of one vehicle, its visits. In simulation 90% limits hold 89 to 92 times
    in 100 with ten clusters or more; with fewer they hold more often, and `note` is then CAUTIOUS.
    """
    counted = found[found["in_rate"]]
    unit = counted["vehicle"] if counted["vehicle"].nunique() > 1 else visit_day(counted)
    by = (counted["outcome"] != "late").groupby(unit).agg(["sum", "size"])
    several = by.index if len(by) > 1 else None
    made = proportion(by["sum"], by["size"], several, confidence)
    return replace(made, note=CAUTIOUS) if 0 < len(by) < MANY else made


def visit_day(rows):
    """The day of each job's visit; of one still open, of its late edge."""
    return rows["done_date"].fillna(rows["late_edge_date"])


def compliance(found, by, confidence=0.9):
    """The rate in each group: frame `*by, share, low, high, n, late, vehicles`, in the order of
    `by`; a missing group is NOT_KNOWN."""
    rows, counted = [], found[found["in_rate"]]
    named = {c: counted[c].astype(object).fillna(NOT_KNOWN) for c in by if c != "month"}
    for name, part in counted.assign(**named).groupby(by, observed=True, sort=True):
        e, late = rate(part, confidence), int((part["outcome"] == "late").sum())
        rows.append((*name, e.value, e.low, e.high, e.n, late, part["vehicle"].nunique()))
    return pd.DataFrame(rows, columns=[*by, "share", "low", "high", "n", "late", "vehicles"])


def sites_told(table):
    """The rates of sites, without figures where they could point at a person
    (`estimate.untold`)."""
    small = untold(table["vehicles"])
    return table.assign(**{c: table[c].mask(small) for c in ("share", "low", "high", "late")})


def excluded(found):
    """How many occasions are left out of the rate, and why: frame `why, reason, n`, in the order of
    `REASONS`."""
    n = found["why"].value_counts()
    rows = [(why, reason, int(n[why])) for why, reason in REASONS.items() if why in n]
    return pd.DataFrame(rows, columns=["why", "reason", "n"])


def median_overrun(found, column, rng, confidence=0.9):
    """Median of `column` (overrun_days, _km or _hours) over late occasions past that due point,
    those still open censored: `Estimate`.

    Product-limit estimate (Kaplan & Meier 1958); interval by drawing whole vehicles again, none
    below LEAST_VEHICLES (with three, 90% limits hold 69 times in 100 in simulation).
    """
    is_late = found["in_rate"] & (found["outcome"] == "late") & (found["state"] != "missed")
    late = found[is_late & (found[column] > 0)]
    late = late.sort_values([column, "is_open"], kind="stable")  # of a tie, ends before censorings
    over, ended = late[column].to_numpy(), ~late["is_open"].to_numpy(dtype=bool)
    vehicle, names = pd.factorize(late["vehicle"])

    def median(weights):
        w = weights[:, vehicle]
        at_risk = np.cumsum(w[:, ::-1], axis=1)[:, ::-1]
        left = np.cumprod(1 - ended * w / np.maximum(at_risk, 1e-9), axis=1)
        half = np.hstack([left <= 0.5 + 1e-12, np.ones((len(w), 1), dtype=bool)])
        return np.append(over, nan)[half.argmax(axis=1)]

    unit = column.rsplit("_", 1)[1]
    found = bootstrap_by_vehicle(median, len(names), rng, confidence=confidence, unit=unit)
    if len(names) < LEAST_VEHICLES:
        found = replace(found, low=nan, high=nan, note=f"limits need {LEAST_VEHICLES} vehicles")
    return replace(found, n=len(late), n_censored=int((~ended).sum()))


def driven_overdue(found):
    """Distance driven with at least one task past its window, each km once, whether or not it
    counts in the rate: Series by vehicle."""
    late = (found["outcome"] == "late") | (found["state"] == "past-window")
    late = found[late & (found["driven_past_km"] > 0)]
    late = late.assign(start=late["end_km"] - late["driven_past_km"])
    late = late.sort_values(["vehicle", "start"], kind="stable")
    before = late.groupby("vehicle")["end_km"].cummax().groupby(late["vehicle"]).shift()
    fresh = (late["end_km"] - np.fmax(late["start"], before)).clip(lower=0.0)
    return fresh.groupby(late["vehicle"]).sum()


def first_limits(found):
    """Which limit came first where one was reached: frame `first_limit, n, late`. Work due at once
    by no limit of its own is left out."""
    own = found[found["in_rate"] & found["first_limit"].isin(["distance", "hours", "date", "both"])]
    counts = (own["outcome"] == "late").groupby(own["first_limit"]).agg(n="size", late="sum")
    return counts.reset_index().sort_values("n", ascending=False, ignore_index=True)


def _share(rows, is_so, confidence):
    """Share of rows of which something is so: an `Estimate`, vehicles being clusters."""
    several = rows["vehicle"] if rows["vehicle"].nunique() > 1 else None
    return proportion(is_so.astype(float), np.ones(len(rows)), several, confidence)


def late_for_want_of_use(found, confidence=0.9):
    """Share of late jobs whose date came first with less than half of the distance limit driven:
    little-used vehicles."""
    late = found[found["in_rate"] & (found["outcome"] == "late") & found["interval_km"].notna()]
    little = (late["first_limit"] == "date") & (late["overrun_km"] < -late["interval_km"] / 2)
    return _share(late, little, confidence)


def early_work(found, confidence=0.9):
    """(share of counted occasions done before their window opened, median share of the interval
    that those gave away)."""
    counted = found[found["in_rate"]]
    is_early = counted["outcome"] == "early"
    return _share(counted, is_early, confidence), counted.loc[is_early, "early_share"].median()


def first_services(found):
    """The run-in services: every occasion by the first limits."""
    rows = found[found["basis"] == "first"].sort_values("due_date", kind="stable")
    return rows.assign(outcome=rows["outcome"].mask(rows["is_typed_late"], ""))
