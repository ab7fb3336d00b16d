"""What interval_compliance says after some counting: shared/words/interval_compliance.md.j2."""

import math

from wearbar.intervals import CLEAR_JOBS, CLEAR_P, NOT_KNOWN, SMALL_SITE, driven_overdue
from wearbar.report.template import words_of

SAY = words_of("interval_compliance")
STATES = {
    "before-window": "○ not yet due",
    "in-window": "□ may be done",
    "due": "◆ due",
    "past-window": "✖ overdue",
    "not-known": "? not known",
    "done": "done",
    "missed": "missed",
    "not-finished": "not finished",
}
OUTCOMES = {"on-time": "on time", "early": "on time, before its window", "late": "late"}


def alt_states(now):
    """The figure of states in words. now: the current jobs."""
    n = now["state"].map(STATES).str.split(" ", n=1).str[-1].value_counts()
    return SAY("alt_states", states=n.rename_axis("what").reset_index(name="n"))


def groups(apart, column, show):
    """Which groups differ clearly from the others; that none does; or why none is compared."""
    clear = apart[apart["is_clear"].astype(bool)].rename(columns={column: "name"})
    below = clear["share"] < clear["rest"]
    return SAY(
        "groups",
        show=show,
        what=column,
        least=CLEAR_JOBS,
        reason=apart.attrs["reason"] if apart.empty else "",
        differ=not apart.empty and apart.attrs["p_all"] < CLEAR_P,
        low=clear[below],
        high=clear[~below],
        unknown=apart.attrs.get("unknown", 0),
    )


def sites(apart, table, log, show):
    """As `groups`, of sites; those of few vehicles can point at a person and are not shown."""
    if len(table) < 2:
        n = table["vehicles"].sum() if table["site"].eq(NOT_KNOWN).any() else 0
        return SAY("no_site", n=n) if n > 1 else ""
    small = table["share"].isna() & table["site"].ne(NOT_KNOWN)
    no_postings = "postings" not in log.present
    few = SAY("few_sites", small=small.sum(), least=SMALL_SITE, no_postings=no_postings)
    return f"{groups(apart, 'site', show)} {few}".strip()


def overruns(over, found, driven, show):
    """How far late work ran over. over: unit to `Estimate` of the median."""
    late = found[found["in_rate"] & (found["outcome"] == "late")]
    medians = [e for e in over.values() if not math.isnan(e.value)]
    return SAY(
        "overruns",
        show=show,
        late=len(late),
        still_open=late["is_open"].sum(),
        some_count=found["in_rate"].any(),
        medians=medians,
        censored=any(e.n_censored for e in medians),
        drivers=(driven > 0).sum(),
        driven_km=driven.sum(),
        known_km=driven_overdue(found[found["why"] != "unknown-history"]).sum(),
    )


def services_table(rows):
    """The first services as the reader sees them."""
    stands = rows["outcome"].map(OUTCOMES).fillna(rows["state"].map(STATES)).astype(str)
    return rows.assign(stands=stands.replace("done", "done, not counted"))
