"""The action list as pages print it: grouped, counted, its head, and its dangers in a sentence."""

from wearbar.outlook.action_list import DANGER, URGENCY
from wearbar.report.quantities import clean, number, plain, plural
from wearbar.report.words.action_rows import LAID_UP, SAY, told, what

__all__ = [
    "LAID_UP",
    "blind",
    "by_vehicle",
    "counted",
    "danger_none",
    "dangers_said",
    "found_rows",
    "index_rows",
    "overdue_said",
    "today",
    "told",
    "what",
]
FOUND = [
    "rank",
    "urgency",
    "stands",
    "vehicle",
    "site",
    "position",
    "kind",
    "item",
    "what",
    "evidence",
    "by",
    "todo",
    "hours",
    "parts",
    "source",
    "is_laid_up",
    "is_forecast",
    "safety",
    "statutory",
    "due_date",
    "expected_date",
    "low_date",
    "high_date",
    "over_days",
    "over_km",
    "over_hours",
    "value",
    "low",
    "high",
    "last",
    "read_date",
    "limit",
    "legal_limit",
]
INDEX_ROWS = 12
UNIT = "\x1f"  # between the parts of a key


def by_vehicle(said):
    """The list as it is printed: `said` of `told`, plain work of one vehicle and urgency in one row."""
    if said.empty:
        return said.assign(n=0)
    same = said["evidence"].where(said["urgency"].isin(["overdue", "due"]), "")
    key = (
        said["rank"]
        .astype(str)
        .where(~said["kind"].eq("task"), said["vehicle"] + UNIT + said["urgency"] + same)
    )
    both = said.assign(key=key)
    by = both.groupby("key", sort=False)
    rows = by.first()
    several = by.size() > 1
    rows["n"], rows["what"] = (
        by.size(),
        both.groupby("key", sort=False)[["title", "position"]]
        .apply(_works)
        .where(several, rows["what"]),
    )
    soonest = both.sort_values("by", kind="stable").groupby("key", sort=False)["evidence"].first()
    all_alike = by["evidence"].nunique().eq(1)
    soonest = soonest.map(lambda evidence: plain(SAY("soonest", evidence=evidence)))
    rows["evidence"] = soonest.where(several & ~all_alike, rows["evidence"])
    rows["by"] = by["by"].min()
    return rows.sort_values("rank", ignore_index=True)


def found_rows(rows, show):
    """The whole list for findings.json: in words, and what a program needs in SI."""
    return told(rows, show)[FOUND]


def _works(rows):
    places = rows.groupby("title", sort=False)["position"].agg(
        lambda p: ", ".join(x for x in p if x)
    )
    return ", ".join(
        f"{clean(t, 80)} ({clean(p, 60)})" if p else clean(t, 80) for t, p in places.items()
    )


def today(rows, show, coming=False):
    """The printed rows of Today's list, or of what is coming."""
    said = told(rows[rows["urgency"].eq("coming") == coming], show)
    return by_vehicle(said)


def blind(missing):
    """On the tables of danger that the log lacks; "" where it has them all."""
    return SAY("blind", missing=missing)


def danger_none(missing):
    """That nothing in the log forbids driving, and what the log cannot show."""
    held = [name for name in ("defects", "certificates", "campaigns") if name not in missing]
    return f"{SAY('clear', held=held)} {f'**{blind(missing)}**' if missing else ''}".strip()


def dangers_said(rows, missing):
    """(sentence, urgency): which vehicles must not be driven, and what the log is blind to."""
    danger = rows[rows["urgency"].isin(DANGER)]
    if danger.empty:
        return danger_none(missing), "note"
    off = danger.loc[danger["urgency"].eq(DANGER[0]), "vehicle"].unique()
    check = [clean(v, 40) for v in danger["vehicle"].unique() if v not in off]
    off = [clean(v, 40) for v in off]
    return f"{SAY('dangers', off=off, check=check)} {blind(missing)}".strip(), "now"


def overdue_said(rows, show):
    """(sentence, urgency): the overdue jobs, those that bear on safety or the law first."""
    late = told(rows[rows["urgency"].eq("overdue") & rows["kind"].eq("task")], show)
    grave = int((late["safety"] | late["statutory"]).sum())
    named = [
        SAY(
            "overdue_job",
            vehicle=r.vehicle,
            what=clean(r.what[:1].lower() + r.what[1:], 80),
            past=_past(r, show),
        )
        for r in late.itertuples()
    ]
    return SAY("overdue", n=len(late), named=named, grave=grave), "now" if grave else "soon"


def _past(row, show):
    if row.over_days > 0:
        return show.days(row.over_days)
    return show.distance(row.over_km) if row.over_km > 0 else plural(row.over_hours, "hour")


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
