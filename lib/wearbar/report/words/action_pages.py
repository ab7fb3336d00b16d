"""The action list as pages print it: grouped, counted, and its dangers in a sentence."""

from wearbar.outlook.action_list import DANGER, PRESSING, URGENCY
from wearbar.report.quantities import clean, number, plain
from wearbar.report.words.action_rows import SAY, title_at, told

# columns of the list in findings.json
FOUND = """
    rank urgency stands vehicle site position kind item what evidence by todo hours parts source
    is_laid_up is_forecast safety statutory due_date expected_date low_date high_date over_days
    over_km over_hours value low high last read_date limit legal_limit
"""
INDEX_ROWS = 12
UNIT = "\x1f"  # between the parts of a key


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


def found_rows(rows, show):
    """The whole list for findings.json: in words, and what a program needs in SI."""
    return told(rows, show)[FOUND.split()]


def _works(rows):
    places = rows.groupby("title", sort=False)["position"].agg(lambda p: ", ".join(filter(None, p)))
    return ", ".join(title_at(clean(t, 80), clean(p, 60)) for t, p in places.items())


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
    said = SAY("dangers", off=[clean(v, 40) for v in off], check=check)
    return f"{said} {blind(missing)}".strip(), "now"


def overdue_said(rows, show):
    """(sentence, urgency): the overdue jobs, those that bear on safety or the law first."""
    late = told(rows[rows["urgency"].eq("overdue") & rows["kind"].eq("task")], show)
    grave = (late["safety"] | late["statutory"]).sum()
    about = late["what"].str[:1].str.lower() + late["what"].str[1:]
    late = late.assign(what=[clean(text, 80) for text in about])
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
