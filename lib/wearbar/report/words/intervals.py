"""What interval_compliance says after some counting: shared/words/interval_compliance.md.j2."""

import math

import pandas as pd

from wearbar.intervals.rates import CLEAR_JOBS, CLEAR_P, NOT_KNOWN, driven_overdue
from wearbar.report.template import words_of
from wearbar.stats.estimate import SMALL_SITE

SAY = words_of("interval_compliance")


def groups(apart, column, show):
    """Which groups differ clearly from the others; that none does; or why none is compared."""
    view = _split(apart, column) | {"p": CLEAR_P, "least": CLEAR_JOBS}
    return SAY("groups", show=show, what=column, apart=apart, **view)


def sites(apart, table, changes, log, show):
    """As `groups`, of sites, and whether they have changed; those of few vehicles can point at a
    person and are not shown."""
    if len(table) < 2:
        n = table["vehicles"].sum() if table["site"].eq(NOT_KNOWN).any() else 0
        return SAY("no_site", n=n) if n > 1 else ""
    small = (table["share"].isna() & table["site"].ne(NOT_KNOWN)).sum()
    changed = SAY("site_changes", show=show, changes=changes, **_split(changes, "site"))
    few = SAY("few_sites", small=small, least=SMALL_SITE, no_postings="postings" not in log.present)
    return f"{groups(apart, 'site', show)} {changed} {few}".strip()


def _split(rows, column):
    """The rows that are clearly apart, below the rest and above it."""
    clear = rows[rows["is_clear"].astype(bool)].rename(columns={column: "name"})
    is_below = clear["share"] < clear["rest"]
    return {"low": clear[is_below], "high": clear[~is_below]}


def overruns(over, found, driven, show):
    """How far late work ran over. over: unit to `Estimate` of the median."""
    late = found[found["in_rate"] & (found["outcome"] == "late")]
    medians = [e for e in over.values() if not math.isnan(e.value)]
    view = {"late": late, "medians": medians, "some_count": found["in_rate"].any()}
    view |= {"drivers": (driven > 0).sum(), "driven_km": driven.sum()}
    known_km = driven_overdue(found[found["why"] != "unknown-history"]).sum()
    return SAY("overruns", show=show, known_km=known_km, **view)


def dash_said(rows, log, show):
    """How the reminders compare with the plan, or that there is nothing to compare."""
    drift = rows["drift_days"].dropna() if len(rows) else pd.Series()
    showing = rows.loc[rows["is_showing"], "vehicle"] if len(rows) else ()
    view = {"after": drift[drift > 0], "before": -drift[drift < 0], "showing": list(showing)}
    return SAY("dash_said", show=show, log=log, n=len(rows), lost=len(rows) - len(drift), **view)
