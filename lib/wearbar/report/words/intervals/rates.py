"""What is said of the rate and of overruns."""

import math

from wearbar.intervals import (
    CAUTIOUS,
    CLEAR_JOBS,
    CLEAR_P,
    NOT_KNOWN,
    SMALL_SITE,
    STALE_DAYS,
    driven_overdue,
)
from wearbar.report.quantities import listing, number, plain, plural, safe
from wearbar.report.words.intervals.today import STATES

__all__ = [
    "LIMITS",
    "OUTCOMES",
    "alt_from_due",
    "alt_group",
    "alt_month",
    "answer",
    "early",
    "first_limits",
    "first_services",
    "groups",
    "months",
    "overruns",
    "rate_means",
    "seen",
    "services_table",
    "sites",
]

OUTCOMES = {"on-time": "in time", "early": "in time, before its window", "late": "late"}
NO_JOB = "No job counts yet, so there is nothing to show."
LIMITS = {
    "distance": "by distance",
    "hours": "by hours",
    "date": "by date",
    "both": "by distance and date on the same day",
}


def seen(told):
    """Vehicles owned, read and judged."""
    rest = told.owned - told.judged
    lost = (
        f" {plural(rest, 'vehicle')} cannot be judged in full, for want of a recent reading or of a task in the plan."
        if rest
        else ""
    )
    owned = plural(told.owned, "vehicle") if told.owned else "No vehicle"
    return (
        f"{owned} owned; {number(told.read)} with a reading in the last {STALE_DAYS} days; "
        f"{number(told.judged)} judged on every task.{lost}"
    )


def answer(rate, show):
    """The rate in a sentence."""
    if math.isnan(rate.value):
        return "No job counts yet, so there is no on-time rate to show."
    late = round((1 - rate.value) * rate.n)
    span = f"; range {show.percent(rate.low)} to {show.percent(rate.high)}" if rate.n > 1 else ""
    counts = f"{number(rate.n - late)} of {plural(rate.n, 'job')}"
    return f"{show.percent(rate.value)} of work was done on time ({counts}{span})."


def rate_means(rate):
    """How the rate is counted and what its range is about."""
    if math.isnan(rate.value):
        return ""
    how = "On time is within the plan's tolerance. Open work past it counts as late; work done early counts once its window has closed."
    if rate.n < 2:
        return how
    holds = f"{'at least ' if rate.note == CAUTIOUS else ''}{number(100 * rate.confidence)} times in 100"
    return (
        f"{how} The count is exact. The range shows how far the underlying rate may differ: such ranges hold it {holds}. "
        "Vehicles count as independent, jobs of one vehicle do not; for one vehicle alone, its visits do."
    )


def groups(apart, column, what, show):
    """Which groups are clearly above or below the others; that none is; or why they are not compared. apart: of `differences`."""
    lost = apart.attrs.get("unknown", 0)
    blank = (
        f" {plural(lost, 'job')} {'has' if lost == 1 else 'have'} no {what} on record and {_is(lost)} not compared."
        if lost
        else ""
    )
    if apart.empty:
        units = "visits" if column == "vehicle" else "vehicles"
        few = {
            "groups": f"Fewer than two {what}s have {CLEAR_JOBS} jobs that count, so {what}s are not compared."
        }
        return (
            few.get(apart.attrs["reason"], f"Too few {units} to say whether {what}s differ.")
            + blank
        )
    others = (
        f"other {what}s of the same vehicles" if column == "task" else f"other {what}s together"
    )
    clear = apart[apart["is_clear"]]
    sides = [
        ("Lower", clear[clear["share"] < clear["rest"]]),
        ("Higher", clear[clear["share"] > clear["rest"]]),
    ]
    said = [
        f"{side} than the {others}: {_beside(rows, column, show)}."
        for side, rows in sides
        if len(rows)
    ]
    if not said and apart.attrs["p_all"] < CLEAR_P:
        said = [f"The {what}s differ by more than chance, but no single one is clearly apart."]
    return " ".join(said or [f"No {what} is clearly above or below the others."]) + blank


def _beside(rows, column, show):
    each = zip(rows[column], rows["share"], rows["rest"], strict=True)
    return listing(
        [
            f"{safe(name)} ({show.percent(own)} against {show.percent(rest)})"
            for name, own, rest in each
        ],
        most=9,
    )


def _is(n):
    return "is" if n == 1 else "are"


def sites(apart, table, log, show):
    """As `groups`, of sites; those of few vehicles are not shown, since they can point at a person. table: of `sites_told`."""
    named = table[table["site"].ne(NOT_KNOWN)]
    if len(table) < 2:
        blind = len(table) and not len(named) and table["vehicles"].sum() > 1
        return (
            f"Site is not known for any of {plural(table['vehicles'].sum(), 'vehicle')}."
            if blind
            else ""
        )
    small = int(named["share"].isna().sum())
    why = f"with fewer than {SMALL_SITE} vehicles it could point at a person, and the rest could tell it"
    few = f" {plural(small, 'site')} {_is(small)} not shown: {why}." if small else ""
    home = (
        ""
        if "postings" in log.present
        else " The log has no postings: each vehicle counts at its own site throughout."
    )
    return groups(apart, "site", "site", show) + few + home


def months(table):
    """What the months show, and how a month is counted."""
    said = "A month holds the jobs whose window closed in it, done or not. Finishing old work later does not better an earlier month."
    return said if len(table) else ""


def overruns(over, found, driven, show):
    """How far late work ran over, and how far vehicles were driven past their windows. over: unit to `Estimate` of the median."""
    late = found[found["in_rate"] & (found["outcome"] == "late")]
    past = _driven(driven, driven_overdue(found[found["why"] != "unknown-history"]), show)
    if late.empty:
        return f"{'No job that counts was late.' if found['in_rate'].any() else ''}{past}".strip()
    words = {
        "days": (show.days, "by date"),
        "km": (show.distance, "by distance"),
        "hours": (_hours, "of running"),
    }
    halves = "; ".join(s for s in (_median(e, *words[unit]) for unit, e in over.items()) if s)
    open_ = int(late["is_open"].sum())
    start = (
        "Late work ran over its due point, in the middle of the cases, by"
        if len(late) > 1
        else "The one late job ran over by"
    )
    censored = (
        " Work still open counts with what it has run over so far."
        if any(e.n_censored for e in over.values())
        else ""
    )
    if not halves:
        still = f"{plural(open_, 'late job')} of {number(len(late))} {'is' if open_ == 1 else 'are'} still open"
        return f"How far late work runs over cannot be told yet: {still}.{past}"
    return f"{start} {halves}.{censored}{past}"


def _driven(driven, known, show):
    if not len(driven):
        return ""
    start = f" With some work past its window {plural(int((driven > 0).sum()), 'vehicle')} drove {show.distance(driven.sum())}"
    if not known.sum():
        return f"{start}. When that work was last done is not known."
    rest = (
        f" Work whose earlier history is known makes up {show.distance(known.sum())} of it."
        if known.sum() < driven.sum()
        else ""
    )
    return f"{start}.{rest}"


def _hours(n):
    return plural(n, "hour")


def _median(e, show, what):
    if math.isnan(e.value):
        return ""
    limits = (
        ""
        if math.isnan(e.low) or e.n < 2
        else f" ({number(100 * e.confidence)}% interval {show(e.low)} to {show(e.high)})"
    )
    return f"{show(e.value)} {what}{limits} in {plural(e.n, 'case')}"


def first_limits(table, want, show, counted=True):
    """Which limit came first, and how much of the lateness was a little-used vehicle's date. counted: some jobs count."""
    if table.empty:
        return (
            "No job that counts had reached a limit by the time it was done." if counted else NO_JOB
        )
    parts = [
        f"{LIMITS[row.first_limit]} {plural(row.n, 'time')} ({number(row.late)} late)"
        for row in table.itertuples()
    ]
    little = "vehicles whose date came with less than half of the distance driven"
    share = "none" if want.value == 0 else show.percent(want.value)
    few = (
        ""
        if math.isnan(want.value)
        else f" Of the late ones with a distance limit, {share} were {little}."
    )
    return f"The due point came first {listing(parts)}.{few}"


def early(share, given, show):
    """Work done before its window: never late, but it gives life away."""
    if math.isnan(share.value):
        return NO_JOB
    if share.value == 0:
        return "No counted work was done before its window opened."
    lost = (
        ""
        if math.isnan(given)
        else f"; half of it gave away more than {show.percent(given)} of the interval"
    )
    start = (
        f"{show.percent(share.value)} of the counted work was done before its window opened{lost}."
    )
    return f"{start} It is in time, and shown because it costs life."


def first_services(rows, show):
    """The run-in services."""
    if rows.empty:
        return "No run-in service fell due in this log."
    late, open_ = int((rows["outcome"] == "late").sum()), int(rows["is_open"].sum())
    return f"{plural(len(rows), 'run-in task')} fell due: {number(late)} late, {number(open_)} still open."


def services_heads(rows):
    """Headings of the run-in services, with hours where they are counted."""
    head = {
        "vehicle": "Vehicle",
        "title": "Task",
        "position": "Position",
        "due_date": "Due",
        "due_km": "Due at",
    }
    head |= {
        "due_meter_hours": ("Due at, hours", ""),
        "done_date": "Done",
        "overrun_days": ("Over by, days", ""),
        "overrun_km": "Over by",
    }
    head |= {"overrun_hours": ("Over by, hours", ""), "stands": "Outcome"}
    return (
        head
        if rows["due_hours"].notna().any()
        else {name: text for name, text in head.items() if not name.endswith("_hours")}
    )


def services_table(rows):
    """The run-in services as the reader sees them."""
    stands = rows["outcome"].map(OUTCOMES).fillna(rows["state"].map(STATES)).astype(str)
    return rows.assign(stands=stands.replace("done", "done, not counted"))


def alt_month(table, show):
    """The figure of months in words."""
    t = table.tail(24)
    if t.empty:
        return "No month has a closed window."
    span = f"from {show.percent(t['share'].min())} to {show.percent(t['share'].max())}"
    return f"Share done in time in each of {plural(len(t), 'month')}, with intervals: {span}."


def alt_group(table, column, show):
    """The figure of groups in words."""
    parts = [f"{safe(row[column])} {show.percent(row['share'])}" for _, row in table.iterrows()]
    return plain(f"Share done in time with its interval: {listing(parts, most=20)}.")


def alt_from_due(found, show):
    """The figure of how far from the due point in words."""
    counted = found[found["in_rate"] & ~found["is_open"]]
    parts = {"early": "before the window", "on-time": "in it", "late": "late"}
    said = [
        f"{number(int((counted['outcome'] == name).sum()))} {words}"
        for name, words in parts.items()
    ]
    return f"Bars of how far from its due point work was done, in shares of the interval: {listing(said)}."
