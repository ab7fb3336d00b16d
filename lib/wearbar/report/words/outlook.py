"""What outlook says after some choosing, and its tables: shared/words/outlook.md.j2."""

from dataclasses import replace

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.outlook.next_visits import GAP_DAYS, MONTH_DAYS, NOW, labour
from wearbar.outlook.prices import CLASSES
from wearbar.outlook.simulate import LEAST_BILLS
from wearbar.outlook.year import COUNTED, totals
from wearbar.report.quantities import MISSING
from wearbar.report.template import words_of
from wearbar.report.words.action_pages import counted_now


def words_in(show):
    """The blocks of the report in the reader's units."""
    known = {"month": MONTH_DAYS, "gap": GAP_DAYS, "inf": np.inf}
    return words_of("outlook", show=show, classes=CLASSES, least=LEAST_BILLS, **known)


def answer(year, totals, plan, show):
    """(sentence, urgency): the year in a breath. totals: of jobs, hours and money, by name."""
    has_tasks = len(year.ahead.rows) > 0
    block = "short_record" if not year.has_year else "answer" if has_tasks else "without_tasks"
    said = words_in(show)(block, year=year, plan=plan, has_tasks=has_tasks, **totals)
    return said, "soon" if block == "answer" else "note"


def first_visits(plan, todo, waits, as_of, show):
    """The soonest visits, and how much of the work cannot wait. todo: of `actionlist.actions`;
    waits: of its rows, whether the vehicle is in storage without a known end, so has no visit."""
    first = plan.jobs["day"].min()
    vehicles = sorted(plan.jobs.loc[plan.jobs["day"].eq(first), "vehicle"].unique())
    date = as_of + pd.to_timedelta(first, unit="D")
    now, stored = (counted_now(rows)[0] for rows in (todo[~waits], todo[waits]))
    return words_in(show)("first_visits", now=now, stored=stored, vehicles=vehicles, date=date)


def changed_use(year, show):
    """Whose recent use differs from the record's mean by more than chance, both rates said."""
    v = year.model.vehicles
    changed = v.get("is_changed", False) & v.index.isin(year.ahead.rows["vehicle"])
    return words_in(show)("changed_use", vehicles=v[changed].rename_axis("vehicle").reset_index())


def work_said(year, table, show):
    """The work by month, and what is not in it."""
    method = year.model.of(year.ahead.rows["vehicle"].unique())[1]["method"]
    unknown = method.fillna("none").eq("none").sum()
    return words_in(show)("work", year=year, table=table, n_unknown=unknown)


def waiting_said(first, log):
    """What waits for vehicles off the road with no end on record. first: of `visits_ahead`."""
    stays = log.layups_now
    names = sorted(set(stays.loc[stays["to"].isna(), "vehicle"]) & set(log.here))
    now = first[first["urgency"].isin(NOW)]
    job = now["title"].where(now["kind"].eq("task"), now["job"])
    tasks = {name: list(job[now["vehicle"].eq(name)].unique()) for name in names}
    rows = pd.DataFrame(list(tasks.items()), columns=["vehicle", "tasks"])
    return words_in(None)("waiting", vehicles=rows)


def month_said(found, parts, log, show):
    """(sentence on parts, sentence on labour) of the visits of the month. found: of `visits_ahead`,
    parts: of `parts_needed`."""
    rows, say = labour(found, log), words_in(show)
    until = log.as_of + pd.Timedelta(days=MONTH_DAYS)
    doubt = found["urgency"].eq("measure now") & ~found["waits"]
    measured = found.loc[doubt, "vehicle"].unique()
    sums = parts.groupby("site")["amount"].sum().reset_index()
    known = {site.strip() for site in usage.site_at(log, log.here, log.as_of).dropna()}
    strange = [name for name in log.capacity if name.strip() not in {"", *known}]
    over = rows[rows["free_hours"] < 0]
    of_parts = {"parts": parts, "sums": sums, "measured": list(measured)}
    of_labour = {"labour": rows, "over": over, "strange": strange}
    return say("month_order", until=until, **of_parts), say("labour", until=until, **of_labour)


def learned_said(past, told=None):
    """How past years corrected and widened the money ahead; told: the simulated year."""
    if past is None:
        return words_in(None)("learned", past=None)
    known = past.learning
    known = known[(known["n"] > 0) & ~known.index.isin([*COUNTED, *(told.thin if told else ())])]
    percent = (100 * np.expm1(known["mean"])).round().astype(int)
    moved = percent[percent.ne(0)].rename_axis("name").reset_index(name="percent")
    return words_in(None)("learned", past=past, n_years=known["n"].max(), moved=moved)


def bands_table(year, past):
    """Jobs, hours and money of the year as simulated, beside what past years made of them: none
    where none was tested or nothing is known."""
    names = ["jobs", "hours", "money"]
    if past is None or not year.has_year:
        return pd.DataFrame()
    raw, told = totals(replace(year, simulated=year.raw), names), totals(year, names)
    rows = [{"what": name, "raw": vars(raw[name]), "told": vars(told[name])} for name in names]
    return pd.DataFrame([row for row in rows if row["told"]["value"] > 0])


def titled(table, rows):
    """A table with titles for the codes of `task`. rows: of `Outlook.ahead`; others stay."""
    titles = rows.drop_duplicates("task").set_index("task")["title"]
    return table.assign(task=table["task"].map(titles).fillna(table["task"]))


def next_table(table):
    """The same with the positions of one task that fall due alike in one row."""
    same = [c for c in table.columns if c != "position"]
    filled = table.fillna({"position": "", "site": MISSING})
    joined = filled.groupby(same, sort=False, dropna=False)["position"].agg(", ".join)
    order = ["due_date", "vehicle", "task"]
    return joined.reset_index().sort_values(order, kind="stable", ignore_index=True)


def last_year_table(past):
    """Last year's totals where it has any, as the forecast, the actual year and that before."""
    is_known = past is not None and past.totals["is_known"].any()
    return past.totals if is_known else pd.DataFrame()
