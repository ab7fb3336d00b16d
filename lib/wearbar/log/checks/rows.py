"""Rows: after the report date, twice, ending first, overlapping, or naming what is not there."""

import numpy as np
import pandas as pd

from wearbar.log.checks.problems import codes, named, of_vehicle, problems
from wearbar.log.keys import with_extra
from wearbar.log.law import rows_of, shipped
from wearbar.log.schema import LATER, MAIN_DATE, MEASURED, PERIODS, TABLES, UNIQUE, WHOLE_FLEET

TWICE_SET_ASIDE = ("fuel", "odometer")
ONE_AT_A_TIME = ("use", "layups", "postings")
PLACE = ["vehicle", "position", "category"]
# a spreadsheet turns 2026-10 into its first day
MONTH = r"[12]\d{3}-(0[1-9]|1[0-2])(-01( 00:00:00)?)?"
DAYS_TO_PREPARE = np.timedelta64(60, "D")
NEVER = pd.Timestamp.max.normalize()
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
    date = pd.Series(pd.NaT, frame.index, dtype="datetime64[ns]")
    for name in MAIN_DATE.get(table, ()):
        date = date.fillna(frame[name])
    return date


def known_later(table, frame, log):
    """Ends that lie after the report date, when nobody could know them."""
    if table in LATER:
        end, others = LATER[table]
        later = frame[end] > log.as_of
        for name in (end, *others):
            yield named(table, frame, later & frame[name].notna(), name, "known-later")


def repeated_ids(table, frame, _):
    """Ids that must stand once and stand again."""
    mend = "give it an id of its own, or delete the row"
    for name in UNIQUE.get(table, ()):
        again = frame[name].duplicated() & frame[name].notna()
        first = pd.Series(frame.index, frame.index).groupby(frame[name]).transform("first")
        remedy = f"first on line {{1:.0f}}; {mend}".format
        yield named(table, frame, again, name, "repeated-id", remedy, first)


def same_rows(table, frame, log):
    """Rows alike in every column, also those that the format does not name, to one above.

    Dates and numbers are compared first: few rows are left to compare whole.
    """
    quick = [c.name for c in TABLES[table] if c.kind in ("date", "number")]
    alike = frame[frame[quick].duplicated(keep=False).to_numpy()]
    rule = "same-reading" if table in TWICE_SET_ASIDE else "same-row"
    name = TABLES[table][0].name if table in WHOLE_FLEET else MAIN_DATE[table][0]
    if len(alike):
        yield named(table, alike, with_extra(alike, log.extra[table]).duplicated(), name, rule)


def lacking(table, frame, _):
    """Rows that lack what another of their cells, or its lack, asks for."""
    if table in LACKING:
        name, rule, lacks = LACKING[table]
        yield named(table, frame, lacks(frame), name, rule)


def periods(table, frame, log):
    """Rows that end before they begin."""
    if table in PERIODS:
        first, last = PERIODS[table]
        turned, begins = frame[last] < frame[first], frame[first]
        beside = f"{first} is ", begins, begins, log.as_of
        yield named(table, frame, turned, last, "ends-first", _out_of, *beside)


def _out_of(date, says, day, low, high):
    return f"{says}{day:%Y-%m-%d}: {_likely_years(date, low, high)}"


def _likely_years(day, low, high):
    """Of a day out of bounds, the same day of years within, a digit or a century away."""
    text = f"{day.year:04d}"
    tries = {int(text[:k] + digit + text[k + 1 :]) for k in (1, 2, 3) for digit in "0123456789"}
    tries = sorted((tries | {day.year + 100}) - {day.year})
    likely = [day + pd.DateOffset(year=year) for year in tries if 1900 <= year < 2200]
    likely = [f"{d:%Y-%m-%d}" for d in likely if low <= d <= high]
    return " or ".join(likely) + "?" if 0 < len(likely) <= 3 else "mend one of the two"


def one_at_a_time(table, frame, _):
    """Periods that begin before another of the same vehicle ends."""
    if table in ONE_AT_A_TIME:
        rows = frame.sort_values(["vehicle", "from"], kind="stable")
        last = rows["to"].fillna(NEVER).groupby(rows["vehicle"]).cummax()
        last = last.groupby(rows["vehicle"]).shift()
        yield named(table, rows, rows["from"] <= last, "from", "periods-overlap", _overlaps, last)


def _overlaps(_, end):
    return f"one that ends {f'{end:%Y-%m-%d}' if end < NEVER else 'later'} comes first"


def overlaps(tables, _):
    """Parts still on when the next went on in the same place. Those fitted on one day are a set."""
    order = {"kind": "stable", "na_position": "first"}
    rows = tables["fitted"].sort_values([*PLACE, "fitted"], **order).reset_index()
    after = rows.groupby(PLACE)[["line", "fitted"]].shift(-1)
    still_on = rows["removed"].isna() | (rows["removed"] > after["fitted"])
    over = still_on & after["fitted"].notna() & (rows["fitted"] != after["fitted"])
    remedy = "line {1:.0f} was fitted there on {2:%Y-%m-%d}: was this one removed by then?".format
    rows, where = rows.set_index("line"), (after["line"], after["fitted"])
    yield named("fitted", rows, over, "removed", "spans-overlap", remedy, *where)


def service(table, frame, log):
    """Rows long before the vehicle's first day on the road, or after it left."""
    if table in BEFORE_SERVICE_IS_FINE:
        return
    date, where = main_date(table, frame), MAIN_DATE[table][0]
    rows = date.to_frame(where)
    first, last = (of_vehicle(frame, log.tables["vehicles"], n) for n in ("in_service", "disposed"))
    bounds = first, np.where(np.isnat(last), log.as_of.to_datetime64(), last)
    early, late = date < first - DAYS_TO_PREPARE, date > last
    since = "in service since "
    yield named(table, rows, early, where, "before-service", _out_of, since, first, *bounds)
    yield named(table, rows, late, where, "after-disposal", _out_of, "it left on ", last, *bounds)


def known_vehicles(table, frame, log):
    """Rows whose vehicle is not in table vehicles, or is there but set aside."""
    if table in WHOLE_FLEET:
        return
    vehicles = log.tables["vehicles"]["vehicle"]
    rows = frame[(codes(frame["vehicle"], vehicles) < 0) & frame["vehicle"].notna().to_numpy()]
    if len(rows):
        alike = {_plain(v): f"mend the name: {v}?" for v in vehicles}
        add, gone = "add it to vehicles, or mend the name", rows["vehicle"].isin(list(log.lost))
        for rule, mask, remedy in (
            ("vehicle-set-aside", gone, lambda v: f"mend the vehicle's row: {log.lost[v]}"),
            ("unknown-vehicle", ~gone, lambda v: alike.get(_plain(v), add)),
        ):
            yield named(table, rows, mask, "vehicle", rule, remedy)


def _plain(name):
    """The name as a tired eye sees it: O is 0, l is 1."""
    return "".join(ch for ch in name.casefold() if ch.isalnum()).translate(LOOK_ALIKE)


def references(tables, _):
    """Visits that two vehicles share, and deferred defects that are not there."""
    work, deferrals = tables["work"], tables["deferrals"]
    work = work[work["visit"].notna().to_numpy()]
    visit, vehicle = (work[name].factorize()[0] for name in ("visit", "vehicle"))
    first = np.empty(len(work), dtype="int64")
    first[visit[::-1]] = vehicle[::-1]
    yield named("work", work, vehicle != first[visit], "visit", "visit-shared")
    lost = deferrals["defect"].notna() & ~deferrals["defect"].isin(tables["defects"]["defect"])
    yield named("deferrals", deferrals, lost, "defect", "unknown-defect")


def unknown_law(tables, header):
    """Doubts about `jurisdiction` of log.toml, and about legal classes that its limits lack."""
    jurisdiction = header["jurisdiction"].strip()
    limits = rows_of(tables["limits"], jurisdiction)
    known = set(limits["legal_class"]) - {""}
    examples = ", ".join(sorted(set(shipped()["jurisdiction"]) - {""}))
    none, fleet = "no legal limit is used", tables["vehicles"]
    lost = fleet["legal_class"].notna() & ~fleet["legal_class"].isin(known)
    say = f"{none}: say jurisdiction in log.toml (shipped as examples: {examples})"
    remedy = f"{say}, or give table limits"
    if jurisdiction:
        has = f"the limits of {jurisdiction} have {', '.join(sorted(known)) or 'no class'}"
        mend = "mend the class, or give its limits in table limits"
        remedy = f"{none} for this vehicle; {has}: {mend}"
    if jurisdiction and not len(limits):
        give = "give its limits in table limits, or use one that is shipped as an example"
        where = ("log.toml", [1], "jurisdiction", jurisdiction, "unknown-jurisdiction")
        yield problems(*where, f"{none}; {give}: {examples}")
    yield named("vehicles", fleet, lost, "legal_class", "unknown-legal-class", remedy)
