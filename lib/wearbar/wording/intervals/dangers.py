"""What must not be driven, and what the log is blind to."""

from wearbar.wording.common import listing, plural, safe

__all__ = [
    "BLIND",
    "HEADS_DANGER",
    "REASONS",
    "danger",
    "danger_none",
    "danger_table",
    "headline",
    "overdue_headline",
]

REASONS = {
    "off-road": "off-road defect",
    "before-next-use": "defect to mend before next use",
    "expired-certificate": "certificate expired",
    "safety-recall": "open safety recall",
}
HEADS_DANGER = {
    "vehicle": "Vehicle",
    "what": "What",
    "where": "Which",
    "due_date": "Since or due",
    "days_open": ("Days", ""),
    "driven_km": "Driven since",
    "stands": "Now",
}
BLIND = {
    "defects": "an open defect would not be seen",
    "certificates": "an expired certificate would not be seen",
    "campaigns": "an open recall would not be seen",
}


def headline(danger, missing, show):
    """(sentence, urgency): what must not be driven."""
    if len(danger):
        return f"{_danger_count(danger)} {_danger_list(danger, show)}", "now"
    return danger_none(missing), "note"


def overdue_headline(late, show):
    """(sentence, urgency): open work past its window, that which bears on safety or the law first."""
    grave = late[late["safety"] | late["statutory"]]
    rows = grave if len(grave) else late
    n = len(rows)
    named = listing([f"{safe(' '.join([r.vehicle, r.task, r.position]).strip())} ({_past(r, show)})" for r in rows.itertuples()], most=4)
    what = " that bears on safety or the law" if len(grave) else ""
    rest = f" {plural(len(late) - n, 'other job')} {'is' if len(late) - n == 1 else 'are'} overdue too." if len(late) > n else ""
    return f"{plural(n, 'job')}{what if n == 1 else what.replace('bears', 'bear')} {'is' if n == 1 else 'are'} overdue: {named}.{rest}", (
        "now" if len(grave) else "soon"
    )


def _past(row, show):
    """How far a row is over its due point, by the date where that is passed."""
    if row.over_days > 0:
        return show.days(row.over_days)
    return show.distance(row.over_km) if row.over_km > 0 else plural(row.over_hours, "hour")


def danger_none(missing):
    """That nothing in the log forbids driving, and what the log cannot show."""
    tables = {"defects": "no open off-road defect", "certificates": "no expired certificate", "campaigns": "no open safety recall"}
    held = [words for name, words in tables.items() if name not in missing]
    clear = f"The log has {listing(held)} on record." if held else ""
    blind = f"**The log has no table of {listing(missing)}: {listing([BLIND[m] for m in missing])}.**" if missing else ""
    return " ".join(s for s in (clear, blind) if s)


def danger(rows, missing, show):
    """What must not be driven, at length; the log's lack of tables in the same breath."""
    blind = f" The log has no table of {listing(missing)}: {listing([BLIND[m] for m in missing])}." if missing else ""
    if not len(rows):
        return ""
    return f"**{_danger_count(rows)}** Each stays where it is until its entry is closed or its certificate renewed.{blind}"


def danger_table(rows):
    """The rows as the reader sees them."""
    what = rows["reason"].map(REASONS).fillna(rows["reason"])
    where = rows["text"].fillna(rows["item"])
    stands = rows["is_laid_up"].map({True: "laid up", False: "in use"})
    return rows.assign(what=what, where=where, stands=stands)


def _danger_count(rows):
    n = rows["vehicle"].nunique()
    return f"{plural(n, 'vehicle')} must not be driven as {'it is' if n == 1 else 'they are'}."


def _danger_list(rows, show):
    said = []
    for row in rows.head(6).itertuples():
        days = f"open {show.days(row.days_open)}" if row.what == "defect" else f"{show.days(row.days_open)} past"
        driven = f", {show.distance(row.driven_km)} driven since" if row.driven_km and row.driven_km > 0.5 else ""
        said.append(f"{safe(row.vehicle)}: {REASONS.get(row.reason, safe(row.reason))} ({days}{driven})")
    more = f"; and {len(rows) - 6} more" if len(rows) > 6 else ""
    return "; ".join(said) + more + "."
