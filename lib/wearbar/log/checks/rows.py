"""Rows: after the report date, twice, ending first, overlapping, or naming what is not there."""

import numpy as np
import pandas as pd

from wearbar.log.checks.likely import likely_years
from wearbar.log.checks.problems import codes, named, of_vehicle, problems, shown
from wearbar.log.keys import with_extra
from wearbar.log.law import classes_of, jurisdictions
from wearbar.log.schema import LATER, MAIN_DATE, MEASURED, PERIODS, TABLES, UNIQUE, WHOLE_FLEET

TWICE_SET_ASIDE = ("fuel", "odometer")
ONE_AT_A_TIME = ("use", "layups", "postings")
PLACE = ["vehicle", "position", "category"]
# a spreadsheet turns 2026-10 into its first day
MONTH = r"[12]\d{3}-(0[1-9]|1[0-2])(-01( 00:00:00)?)?"
DAYS_TO_PREPARE = np.timedelta64(60, "D")
LOOK_ALIKE = str.maketrans("oilsbz", "011582")
BEFORE_SERVICE_IS_FINE = ("vehicles", "campaigns", *WHOLE_FLEET)


def _all_blank(*names):
    return lambda frame: frame[list(names)].isna().all(axis=1)


# table to a column, the rule, and which rows lack what another cell, or its lack, asks for
LACKING = {
    "odometer": ("odometer", "no-value", _all_blank("odometer", "hours", "restarts_at")),
    "deferrals": ("task", "no-value", _all_blank("task", "defect")),
    "limits": ("legal_class", "no-value", _all_blank("legal_class", "kind")),
    "measurements": (
        "unit", "unit-lacking", lambda f: f["unit"].isna() & ~f["quantity"].isin(list(MEASURED))
    ),
    "budget": ("month", "not-a-month", lambda f: ~f["month"].fillna("").str.fullmatch(MONTH)),
    "fitted": ("reason", "reason-no-removal", lambda f: f["removed"].isna() & f["reason"].notna()),
}  # fmt: skip


def main_date(table, frame):
    """The date that places each row: a Series of days, NaT where it has none."""
    if table in WHOLE_FLEET:
        return pd.Series(pd.NaT, frame.index, dtype="datetime64[ns]", name="")
    first, *others = MAIN_DATE[table]
    date = frame[first]
    for name in others:
        date = date.fillna(frame[name])
    return date


def after(table, frame, as_of, vehicles_after):
    """Which rows lie after the report date, or are of a vehicle that came after it."""
    later = (main_date(table, frame) > as_of).to_numpy()
    if table in WHOLE_FLEET or not vehicles_after:
        return later
    return later | frame["vehicle"].isin(vehicles_after).to_numpy()


def future(table, frame, today):
    """Rows of days that have not come."""
    date = main_date(table, frame)
    date = date[(date > today).to_numpy()]
    yield problems(table, date.index, date.name, date, "future")


def known_later(table, frame, as_of):
    """Ends that lie after the report date, when nobody could know them."""
    if table in LATER:
        end, others = LATER[table]
        rows = frame[(frame[end] > as_of).to_numpy()]
        for name in (end, *others):
            yield named(table, rows[rows[name].notna()], name, "known-later")


def repeated_ids(table, frame):
    """Ids that must stand once and stand again."""
    if table not in UNIQUE:
        return
    (name,) = UNIQUE[table]
    again = frame[name].duplicated()
    rows = frame[again & frame[name].notna()]
    first = pd.Series(frame.index[~again], frame.loc[~again, name])
    mend = "give it an id of its own, or delete the row"
    remedy = [f"first on line {line}; {mend}" for line in first.reindex(rows[name])]
    yield named(table, rows, name, "repeated-id", remedy)


def same_rows(table, frame, extra):
    """Rows alike in every column, also those of `extra`, to one above.

    Dates and numbers are compared first: few rows are left to compare whole.
    """
    quick = [c.name for c in TABLES[table] if c.kind in ("date", "number")]
    alike = frame[frame[quick].duplicated(keep=False).to_numpy()]
    rows = alike[with_extra(alike, extra).duplicated().to_numpy()]
    rule = "same-reading" if table in TWICE_SET_ASIDE else "same-row"
    name = TABLES[table][0].name if table in WHOLE_FLEET else MAIN_DATE[table][0]
    yield named(table, rows, name, rule)


def lacking(table, frame):
    """Rows that lack what another of their cells, or its lack, asks for."""
    if table in LACKING:
        name, rule, lacks = LACKING[table]
        yield named(table, frame[lacks(frame)], name, rule)


def periods(table, frame, as_of):
    """Rows that end before they begin."""
    if table not in PERIODS:
        return
    first, last = PERIODS[table]
    rows = frame[(frame[last] < frame[first]).to_numpy()]
    likely = likely_years(rows[last], rows[first], [as_of] * len(rows))
    remedy = f"{first} is " + shown(rows[first]).astype(object) + ": " + likely
    yield named(table, rows, last, "ends-first", remedy)


def one_at_a_time(table, frame):
    """Periods that begin before another of the same vehicle ends."""
    if table not in ONE_AT_A_TIME or len(frame) < 2:
        return
    rows = frame.sort_values(["vehicle", "from"], kind="stable")
    last = rows["to"].fillna(pd.Timestamp.max.normalize()).groupby(rows["vehicle"]).cummax()
    last = last.shift()
    over = (rows["from"] <= last) & (rows["vehicle"] == rows["vehicle"].shift())
    ends = shown(last[over].where(last[over] < pd.Timestamp("2200"))).replace("", "later")
    remedy = [f"one that ends {end} comes first" for end in ends]
    yield named(table, rows[over], "from", "periods-overlap", remedy)


def overlaps(fitted):
    """Parts still on when the next went on in the same place. Those fitted on one day are a set."""
    rows = fitted.sort_values([*PLACE, "fitted"], kind="stable", na_position="first")
    after = rows.reset_index().shift(-1).set_axis(rows.index)
    still_on = rows["removed"].isna() | (rows["removed"] > after["fitted"])
    later = (rows["fitted"] != after["fitted"]) & after["fitted"].notna()
    over = ((rows[PLACE] == after[PLACE]).all(axis=1) & still_on & later).to_numpy(dtype=bool)
    remedy = [
        f"line {line:.0f} was fitted there on {day}: was this one removed by then?"
        for line, day in zip(after["line"][over], shown(after["fitted"][over]), strict=True)
    ]
    yield named("fitted", rows[over], "removed", "spans-overlap", remedy)


def service(table, frame, vehicles, as_of):
    """Rows long before the vehicle's first day on the road, or after it left."""
    if table in BEFORE_SERVICE_IS_FINE or not len(frame):
        return
    date = main_date(table, frame)
    first, last = (of_vehicle(frame, vehicles, name) for name in ("in_service", "disposed"))
    until = np.where(np.isnat(last), as_of.to_datetime64(), last)
    for rule, mask, day, says in (
        ("before-service", date < first - DAYS_TO_PREPARE, first, "in service since "),
        ("after-disposal", date > last, last, "it left on "),
    ):
        mask = mask.to_numpy()
        if not mask.any():
            continue
        likely = likely_years(date[mask], first[mask], until[mask])
        remedy = says + shown(day[mask]).astype(object) + ": " + likely
        yield problems(table, frame.index[mask], date.name, date[mask], rule, remedy)


def known_vehicles(table, frame, vehicles, set_aside):
    """Rows whose vehicle is not in table vehicles, or is there but set aside.

    vehicles: the names in use. set_aside: dict of each vehicle set aside to the rule that it broke.
    """
    if table in WHOLE_FLEET:
        return
    rows = frame[(codes(frame["vehicle"], vehicles) < 0) & frame["vehicle"].notna().to_numpy()]
    if not len(rows):
        return
    gone = rows["vehicle"].isin(list(set_aside))
    why = [f"mend the vehicle's row: {set_aside[v]}" for v in rows["vehicle"][gone]]
    yield named(table, rows[gone], "vehicle", "vehicle-set-aside", why)
    alike = {_plain(v): f"mend the name: {v}?" for v in vehicles}
    add = "add it to vehicles, or mend the name"
    likely = [alike.get(_plain(v), add) for v in rows["vehicle"][~gone]]
    yield named(table, rows[~gone], "vehicle", "unknown-vehicle", likely)


def _plain(name):
    """The name as a tired eye sees it: O is 0, l is 1."""
    return "".join(ch for ch in name.casefold() if ch.isalnum()).translate(LOOK_ALIKE)


def references(tables):
    """Visits that two vehicles share, and deferred defects that are not there."""
    work, deferrals = tables["work"], tables["deferrals"]
    work = work[work["visit"].notna().to_numpy()]
    visit, vehicle = (work[name].factorize()[0] for name in ("visit", "vehicle"))
    first = np.empty(len(work), dtype="int64")
    first[visit[::-1]] = vehicle[::-1]
    yield named("work", work[vehicle != first[visit]], "visit", "visit-shared")
    lost = deferrals["defect"].notna() & ~deferrals["defect"].isin(tables["defects"]["defect"])
    yield named("deferrals", deferrals[lost], "defect", "unknown-defect")


def unknown_law(tables, jurisdiction):
    """Doubts about `jurisdiction` of log.toml, and about legal classes that its limits lack."""
    known, has_any = classes_of(tables["limits"], jurisdiction)
    shipped = ", ".join(jurisdictions())
    none = "no legal limit is used"
    if jurisdiction and not has_any:
        remedy = (
            f"give its limits in table limits, or use one that is shipped as an example: {shipped}"
        )
        where = ("log.toml", [1], "jurisdiction", [jurisdiction], "unknown-jurisdiction")
        yield problems(*where, f"{none}; {remedy}")
    fleet = tables["vehicles"]
    lost = fleet[fleet["legal_class"].notna() & ~fleet["legal_class"].isin(known)]
    if jurisdiction:
        has = f"the limits of {jurisdiction} have {', '.join(sorted(known)) or 'no class'}"
        mend = "mend the class, or give its limits in table limits"
        remedy = f"{none} for this vehicle; {has}: {mend}"
    else:
        examples = f"say jurisdiction in log.toml (shipped as examples: {shipped})"
        remedy = f"{none}: {examples}, or give table limits"
    yield named("vehicles", lost, "legal_class", "unknown-legal-class", remedy)
