"""What is said of a dashboard's own reminder beside the plan."""

from wearbar.report.quantities import listing, number, plural, safe

__all__ = ["HEADS_DASH", "NOTE_DASH", "dash_said"]

HEADS_DASH = {
    "vehicle": "Vehicle",
    "task": "Stands for",
    "restarted": "Restarted",
    "plan_date": "Due by the plan",
    "reminder_date": "Reminder shows",
    "drift_km": "Drift",
    ("drift_days", "drift_low_days", "drift_high_days"): ("Drift, days", ""),
}
NOTE_DASH = (
    "Drift is the reminder less the plan: above zero the reminder comes too late. In brackets, where the days may lie by how fast the "
    "vehicle is used."
)
HOLDS = (
    "The plan's day holds throughout: a silent reminder puts nothing off. A reminder counts from its own restart, and is restarted only "
    "once it has run over, so work done when the plan asks for it can leave it counting on from the time before. Where it shows first, "
    "the handbook says whether it has noticed something that the plan has not."
)


def dash_said(rows, log, show):
    """How the reminders stand to the plan, or that there is nothing to set beside it."""
    if log.tables["dash_events"].empty:
        return (
            "The log has no dashboard reminders, so it cannot be told whether one comes too late. Where a vehicle has one, write the days "
            "on which it was restarted or shown in `dash_events`."
        )
    if rows.empty:
        return "No vehicle that has a reminder on record has a task in the plan to set beside it."
    drift = rows["drift_days"].dropna()
    after, before, lost = drift[drift > 0], drift[drift < 0], len(rows) - len(drift)
    late = f"{_on(after, rows)}it comes after the plan's day, by {_up_to(after)}{show.days(after.max())}: **who waits for it is late**"
    early = f"{_on(before, rows)}it comes before the plan's day, by {_up_to(before)}{show.days(-before.min())}"
    said = [
        f"{plural(len(rows), 'vehicle')} {'has' if len(rows) == 1 else 'have'} a reminder to set beside the plan"
    ]
    said += [late] if len(after) else []
    said += [early] if len(before) else []
    said += (
        [
            f"{_on(rows[rows['drift_days'].isna()], rows)}it cannot be told, for want of its span or of readings"
        ]
        if lost
        else []
    )
    showing = rows.loc[rows["is_showing"], "vehicle"]
    said += [f"it is showing now on {listing([safe(v) for v in showing])}"] if len(showing) else []
    return f"{'; '.join(said)}. {HOLDS}"


def _on(part, rows):
    return "" if len(rows) == 1 else f"on {number(len(part))} "


def _up_to(part):
    return "" if len(part) == 1 else "up to "
