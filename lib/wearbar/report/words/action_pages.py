"""The action list in words, a row at a time, and as pages print it: grouped, counted, its dangers.

Its blocks are in shared/words/actions.md.j2.
"""

import pandas as pd

from wearbar.log.plan_tasks import title_of
from wearbar.log.schema import TEXT
from wearbar.outlook.action_list import DANGER, PRESSING, URGENCY
from wearbar.report.quantities import clean, number, plain
from wearbar.report.template import words_of
from wearbar.report.words.wear import height

SAY = words_of("actions", danger=DANGER, height=height)
LAID_UP = SAY("laid_up")
COLUMNS = ("evidence", "by_said", "todo", "job", "stands", "source")
# texts out of a log, and how much of each is said
TEXTS = {"title": 120, "position": 40, "near_work": 60, "place": 30, "jurisdiction": 20}
_TITLED = ("task", "finding", "recheck")
# columns of the list in findings.json
FOUND = """
    rank urgency stands vehicle site position kind item what evidence by todo hours parts source
    is_laid_up is_forecast safety statutory due_date expected_date low_date high_date over_days
    over_km over_hours value low high last read_date limit legal_limit
"""
INDEX_ROWS = 12
UNIT = "\x1f"  # between the parts of a key


def told(rows, show):
    """The rows of `actionlist.actions` with `what`, `evidence`, `by_said`, `todo`, `stands`,
    `source` and `job` (as work of a visit) in plain words and the reader's units."""
    said = [_row(row, show) for row in rows.itertuples()]
    said = pd.DataFrame(said, rows.index, columns=["what", *COLUMNS])
    return rows.assign(**said.astype(TEXT))


def _row(row, show):
    subject, over = _subject(row), overs(row.over_days, row.over_km, row.over_hours, show)
    about = plain(SAY("what", **subject))
    view = subject | {"points": due_points(row, show), "over": over, "what": about}
    said = {name: plain(SAY(name, show=show, **view)) for name in COLUMNS}
    return {"what": about, **said}


def what(row):
    """What a row is about, as plain text."""
    return plain(SAY("what", **_subject(row)))


def _subject(row):
    """The row, with what it is about in the log's own text."""
    most = TEXTS | {"text": 80 if row.kind == "deferral" else 200}
    texts = {name: getattr(row, name) for name in most}
    texts = {c: clean(x, most[c]) if pd.notna(x) and x else "" for c, x in texts.items()}
    name = clean(row.title, 80) if row.kind in _TITLED else title_of(clean(row.item, 60))
    return row._asdict() | texts | {"name": name, "item": clean(row.item, 40)}


def title_at(title, place):
    """ "Tyre pressures (front, rear)"; the title alone of work without a place."""
    return f"{title} ({place})" if place else title


def due_points(row, show):
    """When something is due: its date, and at what distance and hours; those that are known."""
    said = ((row.due_date, show.date), (row.due_odometer_km, lambda x: f"at {show.distance(x)}"))
    said += ((row.due_hours, lambda x: f"at {number(x)} h"),)
    return [say(x) for x, say in said if pd.notna(x)]


def overs(days, km, hours, show):
    """By how much something is past its due point."""
    said = ((days, show.days), (km, show.distance), (hours, lambda x: f"{number(x)} h"))
    return [say(x) for x, say in said if x > 0]


def by_vehicle(said):
    """The list as printed: plain work of one vehicle and urgency in one row."""
    if said.empty:
        return said.assign(n=0)
    same = said["evidence"].where(said["urgency"].isin(["overdue", "due"]), "")
    work = said["vehicle"] + UNIT + said["urgency"] + same
    key = work.where(said["kind"].eq("task"), said["rank"].astype(str)).rename("key")
    by = said.groupby(key, sort=False)
    rows, n = by.first(), by.size()
    evidence = said.sort_values("by", kind="stable").groupby(key, sort=False)["evidence"].first()
    soonest = evidence.map(lambda said: plain(SAY("soonest", evidence=said)))
    differ = (n > 1) & by["evidence"].nunique().ne(1)
    rows = rows.assign(
        n=n,
        what=by[["title", "position"]].apply(_works).where(n > 1, rows["what"]),
        evidence=soonest.where(differ, rows["evidence"]),
        by=by["by"].min(),
    )
    return rows.sort_values("rank", ignore_index=True)


def _works(rows):
    places = rows.groupby("title", sort=False)["position"].agg(lambda p: ", ".join(filter(None, p)))
    return ", ".join(title_at(clean(t, 80), clean(p, 60)) for t, p in places.items())


def found_rows(rows, show):
    """The whole list for findings.json: in words, and what a program needs in SI."""
    return told(rows, show)[FOUND.split()]


def today(rows, show, coming=False):
    """The printed rows of Today's list, or of what is coming."""
    return by_vehicle(told(rows[rows["urgency"].eq("coming") == coming], show))


def dangers_said(rows, missing):
    """(sentence, urgency): which vehicles must not be driven, and what the log is blind to."""
    danger = rows[rows["urgency"].isin(DANGER)]
    if danger.empty:
        return SAY("clear", missing=missing), "note"
    off = list(danger.loc[danger["urgency"].eq(DANGER[0]), "vehicle"].unique())
    check = [v for v in danger["vehicle"].unique() if v not in off]
    return SAY("dangers", off=off, check=check, missing=missing), "now"


def overdue_said(rows, show):
    """(sentence, urgency): the overdue jobs, those that bear on safety or the law first."""
    late = told(rows[rows["urgency"].eq("overdue") & rows["kind"].eq("task")], show)
    grave = (late["safety"] | late["statutory"]).sum()
    return SAY("overdue", show=show, late=late, grave=grave), "now" if grave else "soon"


def counted_now(rows):
    """`counted` of what calls for work now, and of the rest that is not coming."""
    now = rows["urgency"].isin([*PRESSING, "recall"])
    return counted(rows[now]), counted(rows[~now & rows["urgency"].ne("coming")])


def counted(rows):
    """How many rows stand under each urgency, the most urgent first: "do not drive 2, due 5"."""
    n = rows["urgency"].value_counts()
    return ", ".join(f"{u} {number(n[u])}" for u in URGENCY if n.get(u))


def index_rows(said):
    """(rows for the first page, how many more there are): every danger, and the first of the rest
    that calls for work now. said: of `told`."""
    later = URGENCY[URGENCY.index("ends soon") :]
    pressing = [row for row in said if row["urgency"] not in later]
    dangers = sum(row["urgency"] in DANGER for row in pressing)
    most = max(INDEX_ROWS, min(dangers, 3 * INDEX_ROWS))
    return pressing[:most], max(len(pressing) - most, 0)
