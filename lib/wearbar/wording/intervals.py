"""What is said of work due and done: what must not be driven, the rate and what it leaves out, overruns, today's list."""

import math

from wearbar.intervals import FORECAST_DAYS, SMALL_SITE, STALE_DAYS
from wearbar.wording.common import Show, listing, number, plain, plural, safe

__all__ = [
    "STATES",
    "alt_from_due",
    "alt_group",
    "alt_month",
    "alt_states",
    "answer",
    "caption_states",
    "coming_caption",
    "danger",
    "danger_table",
    "early",
    "first_limits",
    "first_services",
    "groups",
    "headline",
    "list_said",
    "list_table",
    "looked_again",
    "months",
    "no_plan",
    "overruns",
    "put_off",
    "rate_means",
    "seen",
    "services_table",
]  # fmt: skip

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
OUTCOMES = {"on-time": "in time", "early": "in time, before its window", "late": "late"}
REASONS = {
    "off-road": "off-road defect",
    "before-next-use": "defect to mend before next use",
    "expired-certificate": "certificate expired",
    "safety-recall": "open safety recall",
}
BLIND = {
    "defects": "an open defect would not be seen",
    "certificates": "an expired certificate would not be seen",
    "campaigns": "an open recall would not be seen",
}
KINDS = {"certificate": "certificate", "campaign": "recall", "deferral": "put off", "recheck": "look again", "task": ""}
LIMITS = {"distance": "by distance", "hours": "by hours", "date": "by date", "both": "by distance and date on the same day"}
MOST_VEHICLES = 60  # in the grid of states
CLEAR = 10  # occasions that a group needs to be named


def no_plan(log):
    """Said where nothing can be due, because the log has no plan; else nothing."""
    if log.plan is not None:
        return ""
    return (
        "The log has no maintenance plan, so nothing can be said to be due or late. Name one in log.toml (`plan`); templates come with the "
        "suite, and the maker's handbook has the figures."
    )


def headline(danger, missing, show):
    """(sentence, urgency): what must not be driven."""
    if len(danger):
        return f"{_danger_count(danger)} {_danger_list(danger, show)}", "now"
    return danger_none(missing), "note"


def danger_none(missing):
    """That nothing in the log forbids driving, and what the log cannot show."""
    tables = {"defects": "no open off-road defect", "certificates": "no expired certificate", "campaigns": "no open safety recall"}
    held = [words for name, words in tables.items() if name not in missing]
    clear = f"The log has {listing(held)}." if held else ""
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


def seen(told):
    """Vehicles owned, read and judged."""
    rest = told.owned - told.judged
    lost = f" {plural(rest, 'vehicle')} cannot be judged in full, for want of a recent reading or of a task in the plan." if rest else ""
    return (
        f"{plural(told.owned, 'vehicle')} owned; {number(told.read)} with a reading in the last {STALE_DAYS} days; "
        f"{number(told.judged)} judged on every task.{lost}"
    )


def answer(rate, show):
    """The rate in a sentence."""
    if math.isnan(rate.value):
        return "No occasion has run its course yet, so there is no rate to tell."
    late = round((1 - rate.value) * rate.n)
    few = f" {_share(rate, show)}" if rate.n > 1 else ""
    met = rate.n - late
    verb = "was" if met == 1 else "were"
    return f"Of {plural(rate.n, 'occasion')} whose window has closed, {number(met)} {verb} met in time and {number(late)} not:{few}"


def _share(rate, show):
    percent = f"{number(100 * rate.confidence)}%"
    return f"{show.percent(rate.value)} ({percent} interval {show.percent(rate.low)} to {show.percent(rate.high)})."


def rate_means(rate, criterion=None):
    """How the rate is counted and what its interval is about."""
    by = "vehicles are taken as independent, occasions of one vehicle are not" if "effective" in rate.method else "all from one vehicle"
    return (
        "The count is complete: the interval is not about it but about the way of working that lies behind it "
        f"({by}). Work counts as in time up to and with the late edge of the plan's own window; open work past it counts as late, and work "
        "done early waits until its window has closed, as open work does."
    )


def groups(table, column, what):
    """Which group does worst, where it can be told; else that they cannot be told apart."""
    sound = table[table["n"] >= CLEAR].sort_values("share", kind="stable")
    if len(sound) < 2:
        return f"Too few occasions to set one {what} against another."
    worst, best = sound.iloc[0], sound.iloc[-1]
    if worst["high"] < best["low"]:
        return f"Lowest: {safe(worst[column])}; highest: {safe(best[column])}; their intervals do not meet."
    return f"The intervals of all {what}s with at least {CLEAR} occasions overlap: they cannot be told apart."


def months(table):
    """What the months show, and how a month is counted."""
    return (
        "A month holds the occasions whose window closed in it, done or not, so finishing old work later cannot better an earlier month."
        if len(table)
        else ""
    )


def overruns(days, km, found, driven, show):
    """How far late work ran over, and how far vehicles were driven past their windows."""
    late = found[found["in_rate"] & (found["outcome"] == "late")]
    if late.empty:
        return "No counted occasion was late."
    said = [_median(days, show.days, "by date"), _median(km, show.distance, "by distance")]
    halves = "; ".join(s for s in said if s)
    censored = " Work still open counts with what it has run over so far." if days.n_censored or km.n_censored else ""
    past = (
        f"With some work past its window {plural(int((driven > 0).sum()), 'vehicle')} drove {show.distance(driven.sum())}."
        if len(driven)
        else ""
    )
    return f"Half of the late work ran over its due point by more than {halves}.{censored} {past}"


def _median(e, show, what):
    if math.isnan(e.value):
        return ""
    limits = "" if math.isnan(e.low) else f" ({number(100 * e.confidence)}% interval {show(e.low)} to {show(e.high)})"
    return f"{show(e.value)} {what}{limits} in {plural(e.n, 'case')}"


def first_limits(table, want, show):
    """Which limit came first, and how much of the lateness was a little-used vehicle's date."""
    if table.empty:
        return "No counted occasion had reached a limit by the time it was done."
    parts = [f"{LIMITS[row.first_limit]} {plural(row.n, 'time')} ({number(row.late)} late)" for row in table.itertuples()]
    little = "vehicles whose date came with less than half of the distance driven"
    share = "none" if want.value == 0 else show.percent(want.value)
    few = "" if math.isnan(want.value) else f" Of the late ones with a distance limit, {share} were {little}."
    return f"The due point came first {listing(parts)}.{few}"


def early(share, given, show):
    """Work done before its window: never late, but it gives life away."""
    if math.isnan(share.value):
        return ""
    if share.value == 0:
        return "No counted work was done before its window opened."
    lost = "" if math.isnan(given) else f"; half of it gave away more than {show.percent(given)} of the interval"
    start = f"{show.percent(share.value)} of the counted work was done before its window opened{lost}."
    return f"{start} It is in time, and shown because it costs life."


def first_services(rows, show):
    """The run-in services."""
    if rows.empty:
        return "No run-in service fell due in this log."
    late, open_ = int((rows["outcome"] == "late").sum()), int(rows["is_open"].sum())
    return f"{plural(len(rows), 'run-in task')} fell due: {number(late)} late, {number(open_)} still open."


def services_table(rows):
    """The run-in services as the reader sees them."""
    stands = rows["outcome"].map(OUTCOMES).fillna(rows["state"].map(STATES)).astype(str)
    return rows.assign(stands=stands.replace("done", "done, not counted"))


def put_off(table):
    """Why work was put off."""
    if table.empty:
        return "The log has no work put off on record."
    top = listing([f"{safe(row.reason)} ({number(row.n)})" for row in table.head(5).itertuples()])
    return f"Work was put off {plural(int(table['n'].sum()), 'time')}: {top}. Putting off moves no due point."


def list_said(rows, missing, told, items):
    """What the list holds, and what it cannot."""
    n = rows["state"].value_counts()
    parts = [f"{number(n[s])} {STATES[s][2:]}" for s in ("past-window", "due", "in-window", "not-known") if n.get(s)]
    start = f"On the log's day: {listing(parts)}." if parts else "By this log, nothing is due, overdue or in its window."
    old = "" if told.oldest_days is None else f" The oldest last reading is {plural(told.oldest_days, 'day')} old."
    blind = f" The log has no table of {listing(missing)}." if missing else ""
    unlooked = int((items["what"].eq("recheck") & items["is_open"] & items["state"].eq("not-known")).sum())
    write = "whether it was done is not known; write it as work, the task's code with -recheck"
    looks = f" {plural(unlooked, 'piece')} of work asked for a look again and none is in the log: {write}." if unlooked else ""
    return f"{start}{old}{blind}{looks} The maker's handbook and the law of the place win over this list."


def looked_again(items):
    """Whether what was disturbed was looked at again in time."""
    looks = items[items["what"].eq("recheck") & items["outcome"].isin(["on-time", "late"])]
    if looks.empty:
        return ""
    late = int((looks["outcome"] == "late").sum())
    seen_to = f"Of {plural(len(looks), 'look')} again after work (tightness, level, bedding), {number(late)} came late."
    return f"{seen_to} They stand apart from the rate."


def coming_caption():
    return f"Coming in the next {FORECAST_DAYS} days, by its date or by how far the vehicle is driven"


def states_said(found):
    """How to read the grid of states."""
    now = found[found["is_current"] & found["duty"].eq("not-known")]
    if now.empty:
        return ""
    n = now["vehicle"].nunique()
    whose = f"{plural(n, 'vehicle')} {'is' if n == 1 else 'are'}"
    return f"How hard {whose} used is not known, for want of rows in `use`: states are by the normal limits, and work may be due sooner."


def caption_states(found):
    n = found.loc[found["is_current"], "vehicle"].nunique()
    return (
        f"The {MOST_VEHICLES} vehicles with the gravest states, of {number(n)}."
        if n > MOST_VEHICLES
        else "Of several positions, the gravest."
    )


def sites(table, log):
    """As `groups`, of sites; those of few vehicles are not told, since they can point at a person."""
    small = int(table["share"].isna().sum())
    are = "is" if small == 1 else "are"
    few = f" {plural(small, 'site')} with fewer than {SMALL_SITE} vehicles {are} not told: it could point at a person." if small else ""
    home = "" if "postings" in log.present else " The log has no postings: each vehicle counts at its own site throughout."
    return groups(table.dropna(subset="share"), "site", "site") + few + home


def list_table(rows):
    """The list as the reader sees it."""
    item = rows["what"].map(REASONS).fillna(rows["what"].map(KINDS)).fillna("").astype(str)
    tasks = rows["tasks"].astype(str).where(item == "", item + ": " + rows["tasks"].astype(str))
    note = rows["note"].fillna("").astype(str)
    tasks = tasks.where(note == "", tasks + " (" + note + ")")
    past = rows["state"].eq("past-window")
    days, km = rows["past_days"].where(past), rows["past_km"].where(past & (rows["past_km"] > 0))
    by_date = rows["expected_date"].fillna(rows["due_date"])
    low, high = rows["low_date"].map(Show().date), rows["high_date"].map(Show().date)
    between = (low.astype(str) + " to " + high.astype(str)).where(rows["low_date"].notna() & (rows["low_date"] < rows["high_date"]))
    return rows.assign(tasks=tasks, stands=rows["state"].map(STATES), by_date=by_date, past_days=days, past_km=km, between=between)


def alt_states(found):
    """The figure of states in words."""
    now = found[found["is_current"]]
    n = now["state"].map(STATES).value_counts()
    parts = [f"{number(count)} {word.split(' ', 1)[-1]}" for word, count in n.items()]
    return plain(f"Grid of vehicles against tasks, a mark for the state of each on the log's day: {listing(parts)}.")


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
    said = [f"{number(int((counted['outcome'] == name).sum()))} {words}" for name, words in parts.items()]
    return f"Bars of how far from its due point work was done, in shares of the interval: {listing(said)}."
