"""The action list in words, a row at a time and as pages print it: shared/words/actions.md.j2."""

import pandas as pd

from wearbar.log.plan_tasks import title_of
from wearbar.log.schema import TEXT
from wearbar.outlook.action_list import DANGER, PRESSING, URGENCY
from wearbar.report.quantities import clean, number, plain, plural
from wearbar.report.template import column_of, records, words_of

SAY = words_of("actions", danger=DANGER)
SAID = ("what", "evidence", "by_said", "todo", "job", "stands", "source")  # of a row, in words
# texts out of a log, and how much of each is said
TEXTS = {"title": 120, "position": 40, "near_work": 60, "place": 30, "jurisdiction": 20}
TEXTS["put_off_text"] = 80
_TITLED = ("task", "finding", "recheck")
# columns of the whole list in findings.json: in words, and what a program needs in SI
FOUND = """
    rank urgency stands vehicle site position kind item what evidence by todo hours parts source
    is_laid_up is_forecast safety statutory due_date anchor_date expected_date low_date high_date
    over_days over_km over_hours value low high last read_date limit legal_limit
"""
# rows of a first page that leave room for the month on A4, and with more dangers; vehicles in one
ONE_SHEET, MOST_DANGERS, MOST_NAMED = 16, 36, 8
NOW = URGENCY[: URGENCY.index("ends soon")]


def told(rows, show):
    """The rows of `actionlist.actions` with `SAID` in plain words and the reader's units."""
    said = [said_of(row, show) for row in records(rows)]
    said = pd.DataFrame(said, rows.index, columns=list(SAID)).astype(TEXT)
    parts = (([f"{p['quantity']:g}", p["unit"], p["item"]] for p in of) for of in rows["parts"])
    parts = [", ".join(" ".join(filter(None, part)) for part in of) for of in parts]
    return rows.assign(**said, parts=parts)


def said_of(row, show):
    """`SAID` of one row, a dict; `job` is what it is called among the work of a visit."""
    most = TEXTS | {"text": 80 if row["kind"] == "deferral" else 200}
    texts = {c: "" if pd.isna(row[c]) else clean(row[c], n) for c, n in most.items()}
    is_titled = row["kind"] in _TITLED
    name = clean(row["title"], 80) if is_titled else title_of(clean(row["item"], 60))
    view = row | texts | {"name": name, "item": clean(row["item"], 40)}
    view |= {"show": show, "points": due_points(row, show), "over": overs(row, show)}
    view["what"] = plain(SAY("what", **view))
    return {"what": view["what"]} | {name: plain(SAY(name, **view)) for name in SAID[1:]}


def due_points(row, show):
    """When something is due: its date, and at what distance and hours; those that are known."""
    said = {"due_date": show.date, "due_odometer_km": lambda x: f"at {show.distance(x)}"}
    said |= {"due_hours": lambda x: f"at {number(x)} h"}
    return [say(row[name]) for name, say in said.items() if pd.notna(row[name])]


def overs(row, show, past="over"):
    """By how much something is past its due point. past: what its columns' names begin with."""
    said = {"days": show.days, "km": show.distance, "hours": lambda x: f"{number(x)} h"}
    return [say(x) for unit, say in said.items() if (x := row[f"{past}_{unit}"]) > 0]


def title_at(title, place):
    """ "Tyre pressures (front, rear)"; the title alone of work without a place."""
    return f"{title} ({place})" if place else title


def works(pairs):
    """Titles of work and their places in words, the places of one title together."""
    places = {}
    for title, place in pairs:
        places.setdefault(title, []).append(place)
    return ", ".join(title_at(title, ", ".join(filter(None, at))) for title, at in places.items())


def today(rows, show, coming=False):
    """The printed rows of Today's list, or of what is coming. Plain work of one vehicle and urgency
    is one row: what all are, the soonest day and its reason."""
    said, joined = told(rows[rows["urgency"].eq("coming") == coming], show), []
    own = said["rank"].mask(said["kind"].eq("task"), 0)  # what is no plain work stands alone
    same = said["evidence"].where(said["urgency"].isin(["overdue", "due"]), "")
    for _, alike in said.groupby([own, said["vehicle"], said["urgency"], same], sort=False):
        row = alike.iloc[0].to_dict() | {"by": alike["by"].min()}
        if len(alike) > 1:
            pairs = zip(alike["title"], alike["position"], strict=True)
            row["what"] = works((clean(title, 80), clean(place, 60)) for title, place in pairs)
        if alike["evidence"].nunique() > 1:
            soonest = alike.sort_values("by", kind="stable")["evidence"].iloc[0]
            row["evidence"] = plain(SAY("soonest", evidence=soonest))
        joined.append(row)
    return pd.DataFrame(joined, columns=said.columns).sort_values("rank", ignore_index=True)


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
    late = told(rows[rows["urgency"].eq("overdue")], show)
    grave = (late["safety"] | late["statutory"]).sum()
    return SAY("overdue", show=show, late=late, grave=grave), "now" if grave else "soon"


def counted_now(rows):
    """What calls for work now, and what else is not coming, counted: "do not drive 2, due 5"."""
    now = rows["urgency"].isin([*PRESSING, "recall"])
    groups = (rows[now], rows[~now & rows["urgency"].ne("coming")])
    counts = [group["urgency"].value_counts() for group in groups]
    return [", ".join(f"{u} {number(n[u])}" for u in URGENCY if n.get(u)) for n in counts]


def at_once(rows, show, most=3):
    """Lines for a terminal: what calls for work now, counted, and the first of it."""
    now = told(rows[rows["urgency"].isin(PRESSING)].head(most), show)
    lines = column_of(SAY, "first_of_all", now)
    return "\n    ".join([plain(SAY("at_once", counted=counted_now(rows)[0])), *lines])


def by_site(rows):
    """What to act on first in few lines: (rows for the first page, how many actions they lack).

    rows: dicts of `told`, the most urgent first. A row has site, stands, what and todo in words:
    each danger its own, other work of a site that stands alike and asks for the same together."""
    now, groups = [row for row in rows if row["urgency"] in NOW], {}
    for row in now:
        own = row["rank"] if row["urgency"] in DANGER else 0
        groups.setdefault((row["site"], own, row["stands"], row["todo"]), []).append(row)
    dangers = sum(row["urgency"] in DANGER for row in now)
    kept = list(groups.items())[: max(ONE_SHEET, min(dangers, MOST_DANGERS))]
    sites = [row["site"] for row in now]
    table, shown = [], 0
    for (site, own, stands, todo), alike in sorted(kept, key=lambda of: sites.index(of[0][0])):
        by = {}
        for row in alike:
            place = row["position"] or ""
            title = row["what"].removesuffix(f" ({place})")
            by.setdefault(row["vehicle"], []).append((title, place))
        named = list(by.items())[:MOST_NAMED]
        shown += sum(len(pairs) for _, pairs in named)
        what = [f"{vehicle}: {works(pairs)}" for vehicle, pairs in named]
        what += [plural(len(by) - len(named), "more vehicle")] if len(by) > len(named) else []
        is_told = own or (len(alike) == 1 and row["kind"] != "wear")
        about = f" ({row['evidence']})" if is_told and row["evidence"] else ""
        todo = todo.replace(" it", " each") if len(alike) > 1 else todo
        row = {"site": site, "stands": stands, "what": "; ".join(what) + about}
        table.append(row | {"todo": todo})
    return table, len(now) - shown
