"""What interval_compliance says: the view of each block of shared/words/interval_compliance.md.j2."""

import math

from wearbar.intervals import (
    CAUTIOUS,
    CLEAR_JOBS,
    CLEAR_P,
    FORECAST_DAYS,
    NOT_KNOWN,
    SMALL_SITE,
    STALE_DAYS,
    driven_overdue,
)
from wearbar.report.quantities import interval, number, plain, plural
from wearbar.report.template import words_of
from wearbar.report.words.action_pages import counted

SAY = words_of("interval_compliance")
MOST_VEHICLES = 60  # in the grid of states
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
LIMITS = {
    "distance": "by distance",
    "hours": "by hours",
    "date": "by date",
    "both": "by distance and date on the same day",
}
DUE = {"vehicle": "Vehicle", "title": "Task", "position": "Position", "due_date": "Due"}
OVER = {
    "over_days": ("Over by, days", ""),
    "over_km": "Over by",
    "over_hours": ("Over by, hours", ""),
}


def answer(rate, show):
    """The rate in a sentence."""
    late = 0 if math.isnan(rate.value) else round((1 - rate.value) * rate.n)
    return SAY("answer", late=late, **rate_view(rate, show))


def rate_view(rate, show):
    """A rate as a sentence has it: how many jobs (0: no rate), the rate and its range."""
    n = 0 if math.isnan(rate.value) else rate.n
    range_ = show.range(rate.low, rate.high, "share")
    return {"n": n, "rate": show.percent(rate.value), "range": range_}


def rate_means(rate, late_share=None):
    """How the rate is counted. late_share: the share of each interval that is allowed; None: the plan's own tolerance."""
    return SAY(
        "rate_means",
        n=0 if math.isnan(rate.value) else rate.n,
        by="" if late_share is None else f"{number(100 * late_share)}%",
        cautious=rate.note == CAUTIOUS,
        percent=number(100 * rate.confidence),
    )


def seen(told):
    """Vehicles in service, read and judged."""
    return SAY("seen", owned=told.owned, read=told.read, judged=told.judged, stale=STALE_DAYS)


def no_plan(log):
    """Said where nothing can be due, because the log has no plan; else nothing."""
    return SAY("no_plan") if log.plan is None else ""


def list_said(rows, told, items, found):
    """What the list holds, and what it cannot. rows: of `actions`."""
    unseen = items["what"].eq("recheck") & items["is_open"] & items["state"].eq("not-known")
    return SAY(
        "list_said",
        counted=counted(rows[~rows["urgency"].eq("coming")]),
        tasks=not found.empty,
        oldest=told.oldest_days,
        rechecks=int(unseen.sum()),
    )


def open_heads(rows):
    """Headings of open work: its due points, of what is counted there, and how far it is beyond them."""
    by_hours = {"due_meter_hours": ("Due at, hours", "")} if rows["due_hours"].notna().any() else {}
    over = {name: head for name, head in OVER.items() if rows[name].notna().any()}
    driven = {"driven_past_km": "Driven since its window closed"}
    return DUE | {"due_odometer_km": "Due at"} | by_hours | over | driven


def coming_caption():
    return SAY("coming_caption", days=FORECAST_DAYS)


def none_coming(found):
    """Said in place of an empty list of coming work; nothing where no plan says when work is due."""
    return "" if found.empty else SAY("none_coming", days=FORECAST_DAYS)


def none_overdue(found):
    """Said in place of an empty list of overdue work; nothing where no plan says when work is due."""
    return "" if found.empty else SAY("none_overdue")


def put_off(table):
    """Why work was deferred."""
    reasons = [SAY("reason", reason=row.reason, n=row.n) for row in table.itertuples()]
    return SAY("put_off", n=int(table["n"].sum()) if reasons else 0, reasons=reasons)


def looked_again(items):
    """Whether what was disturbed was checked again in time."""
    looks = items[items["what"].eq("recheck") & items["outcome"].isin(["on-time", "late"])]
    return SAY("looked_again", n=len(looks), late=int((looks["outcome"] == "late").sum()))


def states_said(found):
    """How to read the grid of states where hard use is not known."""
    now = found[found["is_current"] & found["duty"].eq("not-known")]
    return SAY("states_said", n=now["vehicle"].nunique())


def caption_states(found):
    n = found.loc[found["is_current"], "vehicle"].nunique()
    return SAY("caption_states", n=n, most=MOST_VEHICLES)


def alt_states(found):
    """The figure of states in words."""
    n = found.loc[found["is_current"], "state"].map(STATES).value_counts()
    counts = [SAY("count_of", n=k, what=word.split(" ", 1)[-1]) for word, k in n.items()]
    return plain(SAY("alt_states", counts=counts))


def typed_late(found):
    """How many jobs were done on time and typed late; nothing where none was."""
    return SAY("typed_late", n=int(found["why"].eq("typed-late").sum()))


def months(table):
    return SAY("months", n=len(table))


def alt_month(table, show):
    """The figure of months in words."""
    t = table.tail(24)
    ends = (show.percent(t["share"].min()), show.percent(t["share"].max()))
    return SAY("alt_month", n=len(t), low=ends[0], high=ends[1])


def alt_group(table, column, show):
    """The figure of groups in words."""
    each = zip(table[column], table["share"], strict=True)
    return plain(SAY("alt_group", parts=[f"{name} {show.percent(share)}" for name, share in each]))


def alt_from_due(found, show):
    """The figure of how far from the due point in words."""
    n = found.loc[found["in_rate"] & ~found["is_open"], "outcome"].value_counts()
    counts = {key: int(n.get(key.replace("_", "-"), 0)) for key in ("early", "on_time", "late")}
    return SAY("alt_from_due", **counts)


def groups(apart, column, what, show):
    """Which groups are clearly above or below the others; that none is; or why they are not compared. apart: of `differences`."""
    clear = apart[apart["is_clear"].astype(bool)]
    below = clear["share"] < clear["rest"]
    return SAY(
        "groups",
        what=what,
        least=CLEAR_JOBS,
        reason=apart.attrs["reason"] if apart.empty else "",
        differ=not apart.empty and apart.attrs["p_all"] < CLEAR_P,
        low=_beside(clear[below], column, show),
        high=_beside(clear[~below], column, show),
        unknown=apart.attrs.get("unknown", 0),
    )


def _beside(rows, column, show):
    each = zip(rows[column], rows["share"], rows["rest"], strict=True)
    return [
        SAY("beside", name=name, own=show.percent(own), rest=show.percent(rest))
        for name, own, rest in each
    ]


def sites(apart, table, log, show):
    """As `groups`, of sites; those of few vehicles are not shown, since they can point at a person. table: of `sites_told`."""
    named = table[table["site"].ne(NOT_KNOWN)]
    n = table["vehicles"].sum()
    if len(table) < 2:
        return SAY("no_site", n=n) if len(table) and not len(named) and n > 1 else ""
    few = SAY(
        "few_sites",
        small=int(named["share"].isna().sum()),
        least=SMALL_SITE,
        no_postings="postings" not in log.present,
    )
    return f"{groups(apart, 'site', 'site', show)} {few}".strip()


def overruns(over, found, driven, show):
    """How far late work ran over, and how far vehicles were driven past their windows. over: unit to `Estimate` of the median."""
    late = found[found["in_rate"] & (found["outcome"] == "late")]
    known = driven_overdue(found[found["why"] != "unknown-history"]).sum()
    return SAY(
        "overruns",
        late=len(late),
        some_count=bool(found["in_rate"].any()),
        medians=[_median(unit, e, show) for unit, e in over.items() if not math.isnan(e.value)],
        still_open=int(late["is_open"].sum()),
        censored=any(e.n_censored and not math.isnan(e.value) for e in over.values()),
        drivers=int((driven > 0).sum()),
        driven=show.distance(driven.sum()),
        known=show.distance(known) if known else "",
    )


def _median(unit, e, show):
    by, shown = {
        "days": ("date", show.days),
        "km": ("distance", show.distance),
        "hours": ("hours", lambda n: plural(n, "hour")),
    }[unit]
    limits = "" if math.isnan(e.low) or e.n < 2 else interval(e.low, e.high, 0)
    limits = show.span(e.low, e.high) if limits and unit == "km" else limits
    return {"by": by, "value": shown(e.value), "range": limits, "n": e.n}


def first_limits(table, want, show, counted=True):
    """Which limit came first, and how much of the lateness was a little-used vehicle's date. counted: some jobs count."""
    rows = list(table.itertuples())
    parts = [SAY("first_limit", limit=LIMITS[r.first_limit], n=r.n, late=r.late) for r in rows]
    little = ""
    if rows and not math.isnan(want.value):
        little = "none" if want.value == 0 else show.percent(want.value)
    return SAY("first_limits", parts=parts, little=little, counted=counted)


def early(share, given, show):
    """Work done before its window: never late, but it leaves life unused."""
    known = not math.isnan(share.value)
    return SAY(
        "early",
        n=share.n if known else 0,
        share=show.percent(share.value) if known and share.value else "",
        unused=show.percent(given) if known and not math.isnan(given) else "",
    )


def first_services(rows):
    """The first services."""
    late, still_open = (rows["outcome"] == "late").sum(), rows["is_open"].sum()
    return SAY("first_services", n=len(rows), late=int(late), still_open=int(still_open))


def services_heads(rows):
    """Headings of the first services, with hours where they are counted."""
    head = DUE | {"due_km": "Due at", "due_meter_hours": ("Due at, hours", ""), "done_date": "Done"}
    head |= {"overrun_days": ("Over by, days", ""), "overrun_km": "Over by"}
    head |= {"overrun_hours": ("Over by, hours", ""), "stands": "Outcome"}
    by_hours = rows["due_hours"].notna().any()
    return {k: text for k, text in head.items() if by_hours or not k.endswith("_hours")}


def services_table(rows):
    """The first services as the reader sees them."""
    stands = rows["outcome"].map(OUTCOMES).fillna(rows["state"].map(STATES)).astype(str)
    return rows.assign(stands=stands.replace("done", "done, not counted"))
