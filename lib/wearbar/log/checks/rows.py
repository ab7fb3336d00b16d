"""Rows: after the report date, twice, ending first, overlapping, or naming what is not there."""

from difflib import get_close_matches
from functools import partial
from unicodedata import normalize

import numpy as np
import pandas as pd

from wearbar.log.checks.cells import MEANT
from wearbar.log.checks.problems import RULES, codes, named, problems
from wearbar.log.law import rows_of, shipped
from wearbar.log.schema import LATER, MAIN_DATE, MEASURED, ONE_OF, PERIODS, TABLES, TEXT, UNIQUE

TWICE_SET_ASIDE = ("fuel", "odometer")
ONE_AT_A_TIME = ("use", "layups", "postings")
PLACE = ["vehicle", "position", "category"]
# a spreadsheet turns 2026-10 into its first day
MONTH = r"[12]\d{3}-(0[1-9]|1[0-2])(-01( 00:00:00)?)?"
DAYS_TO_PREPARE = np.timedelta64(60, "D")
NEVER = pd.Timestamp.max.normalize()
USUAL = MEANT["category"]  # category as it may be written, to the usual one
MIXED = 6364136223846793005  # of a linear congruential generator (Knuth)
LOOK_ALIKE = str.maketrans("oilsbz", "011582")
BEFORE_SERVICE_IS_FINE = ("vehicles", "campaigns")
# columns by which rows alike are sought
FIRST = {
    table: (MAIN_DATE.get(table, [columns[0].name])[0], [c.name for c in columns if c.required])
    for table, columns in TABLES.items()
}


def main_date(table, frame):
    """The date that places each row: a Series of days, NaT where it has none."""
    first, *others = MAIN_DATE.get(table, [None])
    date = frame[first] if first else pd.Series(pd.NaT, frame.index, dtype="datetime64[ns]")
    for name in others:
        date = date.fillna(frame[name])
    return date


def alone(table, frame, log):
    """What a table's rows say by themselves; one that is set aside is not looked at again."""
    for name in UNIQUE.get(table, ()):
        again = frame[name].duplicated() & frame[name].notna()
        yield named(table, frame, again, name, "repeated-id", partial(_first_there, frame[name]))
        frame = frame[~again] if again.any() else frame
    if table in PERIODS:
        first, last = PERIODS[table]
        turned, begins = frame[last] < frame[first], frame[first]
        beside = f"{first} is ", begins, begins, log.as_of
        yield named(table, frame, turned, last, "ends-first", _out_of, *beside)
        frame = frame[~turned] if turned.any() else frame
    if table in ONE_OF:
        is_blank = np.logical_and.reduce([frame[name].isna() for name in ONE_OF[table]])
        yield named(table, frame, is_blank, ONE_OF[table][0], "no-value")
    if table in ("fitted", "measurements"):
        first = frame[["category"]][~frame["category"].duplicated().to_numpy()]
        meant = pd.Series(map(_usual, first["category"]), first.index, dtype=TEXT)
        yield named(table, first, meant.notna(), "category", "category-near", None, meant)
    if table == "measurements":
        is_bare = frame["unit"].isna() & ~frame["quantity"].isin(list(MEASURED))
        yield named(table, frame, is_bare, "unit", "unit-lacking")
    if table in ("budget", "price_index"):
        is_month = frame["month"].fillna("").str.fullmatch(MONTH)
        yield named(table, frame, ~is_month, "month", "not-a-month")
    if table == "fitted":
        is_on = frame["removed"].isna() & frame["reason"].notna()
        yield named(table, frame, is_on, "reason", "reason-no-removal")
    # an end after the report date: nobody could know it
    if table in LATER:
        end, others = LATER[table]
        later = frame[end] > log.as_of
        for name in (end, *others) if later.any() else ():
            yield named(table, frame, later & frame[name].notna(), name, "known-later")


def _first_there(ids, again):
    return RULES["repeated-id"].each.format(again, ids.index[ids == again][0])


def _usual(category):
    """The usual category that one comes near to; None where it is one, or is near none."""
    if pd.isna(category) or category in USUAL.values():
        return None
    near = get_close_matches(category[:40], set(USUAL.values()), n=1, cutoff=0.85)
    return USUAL.get(category, near[0] if near else None)


def _out_of(day, says, bound, low, high):
    """Of a day out of bounds, the same day of years within, a digit or a century away."""
    text = f"{day.year:04d}"
    tries = {int(text[:k] + digit + text[k + 1 :]) for k in (1, 2, 3) for digit in "0123456789"}
    tries = sorted((tries | {day.year + 100}) - {day.year})
    tries = [year for year in tries if 1900 <= year < 2200 and low.year <= year <= high.year]
    likely = [day + pd.DateOffset(year=year) for year in tries]
    likely = [f"{d:%Y-%m-%d}" for d in likely if low <= d <= high]
    mend = " or ".join(likely) + "?" if 0 < len(likely) <= 3 else "mend one of the two"
    return f"{says}{bound:%Y-%m-%d}: {mend}"


def beside_others(table, frame, log):
    """What a table's rows are beside its others and their vehicle; as `alone`, after it."""
    vehicles, left, whose = log.tables["vehicles"], np.arange(len(frame)), 0
    # of a vehicle that is not in table vehicles, or is there but set aside
    if table in MAIN_DATE:
        whose = codes(frame["vehicle"], vehicles["vehicle"])
        strange = (whose < 0) & frame["vehicle"].notna().to_numpy()
        if strange.any():
            rows, left, whose = frame[["vehicle"]][strange], left[~strange], whose[~strange]
            gone, broke = rows["vehicle"].isin(list(log.lost)), rows["vehicle"].map(log.lost)
            yield named(table, rows, gone, "vehicle", "vehicle-set-aside", None, broke)
            known = {plain(v): f"mend the name: {v}?" for v in vehicles["vehicle"]}
            add = RULES["unknown-vehicle"].mend
            meant = rows["vehicle"].map(lambda name: known.get(plain(name), add))
            yield named(table, rows, ~gone, "vehicle", "unknown-vehicle", "{1}".format, meant)
    # alike in every column: its day first, then what each row must say; few are left for the rest
    at = left[_alike_in_sizes(frame, left, whose)]
    for names in FIRST[table]:
        at = at[frame[names].take(at).duplicated(keep=False).to_numpy()] if len(at) > 1 else at[:0]
    if len(at):
        alike, extra = frame.take(at), log.extra[table]
        whole = alike.join(extra.add_suffix(" (extra)")) if len(extra.columns) else alike
        again = whole.duplicated().to_numpy()
        name = FIRST[table][0]
        rule = "same-reading" if table in TWICE_SET_ASIDE else "same-row"
        yield named(table, alike, again, name, rule)
        if table in TWICE_SET_ASIDE:
            other = ~np.isin(left, at[again])
            left, whose = left[other], whose[other]
    names = ("vehicle", "from", "to", *MAIN_DATE.get(table, ()))
    frame = frame[[name for name in dict.fromkeys(names) if name in frame]].take(left)
    # long before the vehicle's first day on the road, or after it left
    if table in MAIN_DATE and table not in BEFORE_SERVICE_IS_FINE:
        date, where = main_date(table, frame), MAIN_DATE[table][0]
        first, last = (vehicles[name].to_numpy()[whose] for name in ("in_service", "disposed"))
        bounds = first, np.where(np.isnat(last), log.as_of.to_datetime64(), last)
        early = (date < first - DAYS_TO_PREPARE).to_numpy()
        for rule, mask, says, bound in (
            ("before-service", early, "in service since ", first),
            ("after-disposal", (date > last).to_numpy(), "it left on ", last),
        ):
            if mask.any():
                days = date.to_frame(where)
                yield named(table, days, mask, where, rule, _out_of, says, bound, *bounds)
        frame = frame[~early] if early.any() else frame
    if table in ONE_AT_A_TIME:
        rows = frame.sort_values(["vehicle", "from"], kind="stable")
        last = rows["to"].fillna(NEVER).groupby(rows["vehicle"]).cummax()
        last = last.groupby(rows["vehicle"]).shift()
        yield named(table, rows, rows["from"] <= last, "from", "periods-overlap", _overlaps, last)


def _alike_in_sizes(frame, at, whose):
    """Which of the rows `at` have another of the same first dates and numbers and `whose` (ints): a
    mask, with hardly another, by a number that is made of them all."""
    made = np.full(len(at), whose, dtype="int64")
    for name in frame.columns[[kind.kind in "fM" for kind in frame.dtypes]][:4]:
        size = frame[name].to_numpy()[at]
        made = made * MIXED + (size + 0.0 if size.dtype.kind == "f" else size).view("int64")
    in_order = np.sort(made)
    return pd.Series(made).isin(in_order[1:][in_order[1:] == in_order[:-1]]).to_numpy()


def _overlaps(_, end):
    return f"one that ends {f'{end:%Y-%m-%d}' if end < NEVER else 'later'} comes first"


def plain(name):
    """The name as a tired eye sees it: O is 0, l is 1, é is e."""
    name = normalize("NFKD", name.casefold())  # an accent is a letter of its own there
    return "".join(ch for ch in name if ch.isalnum()).translate(LOOK_ALIKE)


def contradicted(tables, _):
    """Parts still on when the next went on, visits of two vehicles, deferred defects not there."""
    fitted, work, deferrals = (tables[name] for name in ("fitted", "work", "deferrals"))
    if len(fitted) > 1:
        # of parts in one place, those fitted on one day are a set
        order = {"kind": "stable", "na_position": "first"}
        rows = fitted.sort_values([*PLACE, "fitted"], **order).reset_index()
        after = rows.groupby(PLACE)[["line", "fitted"]].shift(-1)
        still_on = rows["removed"].isna() | (rows["removed"] > after["fitted"])
        over = still_on & after["fitted"].notna() & (rows["fitted"] != after["fitted"])
        rows, beside = rows.set_index("line"), (after["line"], after["fitted"])
        yield named("fitted", rows, over, "removed", "spans-overlap", None, *beside)
    work = work.loc[work["visit"].notna(), ["visit", "vehicle"]]
    if len(work):
        visit, vehicle = (work[name].factorize()[0] for name in ("visit", "vehicle"))
        first = vehicle[np.unique(visit, return_index=True)[1]]
        yield named("work", work, vehicle != first[visit], "visit", "visit-shared")
    if len(deferrals):
        known = codes(deferrals["defect"], tables["defects"]["defect"]) >= 0
        lost = deferrals["defect"].notna() & ~known
        yield named("deferrals", deferrals, lost, "defect", "unknown-defect")


def unknown_law(tables, header):
    """Doubts about `jurisdiction` of log.toml, and about legal classes that its limits lack."""
    jurisdiction, fleet = header["jurisdiction"].strip(), tables["vehicles"]
    if not jurisdiction and fleet["legal_class"].isna().all():
        return
    limits = rows_of(tables["limits"], jurisdiction)
    known = sorted(set(limits["legal_class"]) - {""})
    examples = ", ".join(sorted(set(shipped()["jurisdiction"]) - {""}))
    if jurisdiction and not len(limits):
        rule, where = "unknown-jurisdiction", ("log.toml", [1], "jurisdiction", jurisdiction)
        yield problems(*where, rule, RULES[rule].each.format(jurisdiction, examples))
    lost = fleet["legal_class"].notna() & ~fleet["legal_class"].isin(known)
    say = f"say jurisdiction in log.toml (shipped as examples: {examples}), or give table limits"
    remedy = None if jurisdiction else f"no legal limit is used: {say}"
    beside = jurisdiction, ", ".join(known) or "no class"
    yield named("vehicles", fleet, lost, "legal_class", "unknown-legal-class", remedy, *beside)
