"""Days and references: periods that end first or overlap, rows outside a vehicle's service, cells of which one must be filled."""

import numpy as np
import pandas as pd

from wearbar.log.checks.likely import likely_years
from wearbar.log.checks.problems import codes, join, none_found, problems, shown
from wearbar.log.checks.rows import main_date
from wearbar.log.schema import MEASURED, PERIODS, WHOLE_FLEET

__all__ = ["future", "lacking", "one_at_a_time", "periods", "references", "service"]

MONTH = (
    r"[12]\d{3}-(0[1-9]|1[0-2])(-01( 00:00:00)?)?"  # a spreadsheet turns 2026-10 into its first day
)
DAYS_TO_PREPARE = pd.Timedelta(days=60)
BEFORE_SERVICE_IS_FINE = ("vehicles", "campaigns", *WHOLE_FLEET)
ONE_AT_A_TIME = ("use", "layups", "postings")


def periods(table, frame, as_of):
    """Rows that end before they begin."""
    if table not in PERIODS:
        return none_found()
    first, last = PERIODS[table]
    rows = frame[(frame[last] < frame[first]).to_numpy()]
    remedy = (
        f"{first} is "
        + shown(rows[first]).astype(object)
        + ": "
        + likely_years(rows[last], rows[first], [as_of] * len(rows))
    )
    return problems(table, rows.index, last, rows[last], "ends-first", remedy)


def one_at_a_time(table, frame):
    """Periods that begin before another of the same vehicle ends."""
    if table not in ONE_AT_A_TIME or len(frame) < 2:
        return none_found()
    rows = frame.sort_values(["vehicle", "from"], kind="stable")
    last = rows["to"].fillna(pd.Timestamp.max.normalize()).groupby(rows["vehicle"]).cummax()
    over = (rows["from"] <= last.shift()) & (rows["vehicle"] == rows["vehicle"].shift())
    remedy = (
        "one that ends "
        + shown(last.shift()[over].where(last.shift()[over] < pd.Timestamp("2200"))).replace(
            "", "later"
        )
        + " comes first"
    )
    return problems(
        table,
        rows.index[over],
        "from",
        rows.loc[over, "from"],
        "periods-overlap",
        remedy.astype(object),
    )


def service(table, frame, vehicles, as_of):
    """Rows long before the vehicle's first day on the road (its preparation may take weeks), or after it left."""
    if table in BEFORE_SERVICE_IS_FINE or not len(frame):
        return none_found()
    code = codes(frame["vehicle"], vehicles["vehicle"])
    date, name = main_date(table, frame).to_numpy(), main_date(table, frame).name
    first, last = (vehicles[c].to_numpy()[code] for c in ("in_service", "disposed"))
    early, late = date < first - DAYS_TO_PREPARE.to_timedelta64(), date > last
    parts = []
    for rule, mask, day, says in (
        ("before-service", early, first, "in service since "),
        ("after-disposal", late, last, "it left on "),
    ):
        if mask.any():
            until = np.where(np.isnat(last[mask]), as_of.to_datetime64(), last[mask])
            remedy = (
                says
                + shown(day[mask]).astype(object)
                + ": "
                + likely_years(date[mask], first[mask], until)
            )
            parts.append(problems(table, frame.index[mask], name, date[mask], rule, remedy))
    return join(parts)


def future(table, frame, today):
    """Rows of days that have not come."""
    date = main_date(table, frame)
    mask = (date > today).to_numpy()
    return problems(table, frame.index[mask], date.name, date[mask], "future")


def lacking(table, frame):
    """Rows that lack what another of their cells, or its lack, asks for."""
    if table == "odometer":
        mask, name, rule = (
            frame[["odometer", "hours", "restarts_at"]].isna().all(axis=1),
            "odometer",
            "no-value",
        )
    elif table == "deferrals":
        mask, name, rule = frame[["task", "defect"]].isna().all(axis=1), "task", "no-value"
    elif table == "measurements":
        mask, name, rule = (
            frame["unit"].isna() & ~frame["quantity"].isin(list(MEASURED)),
            "unit",
            "unit-lacking",
        )
    elif table == "limits":
        mask, name, rule = (
            frame[["legal_class", "kind"]].isna().all(axis=1),
            "legal_class",
            "no-value",
        )
    elif table == "budget":
        mask, name, rule = ~frame["month"].fillna("").str.fullmatch(MONTH), "month", "not-a-month"
    elif table == "fitted":
        mask, name, rule = (
            frame["removed"].isna() & frame["reason"].notna(),
            "reason",
            "reason-no-removal",
        )
    else:
        return none_found()
    return problems(table, frame.index[mask], name, frame.loc[mask, name], rule)


def references(tables):
    """Visits that two vehicles share, and deferred defects that are not there."""
    work = tables["work"]
    work = work[work["visit"].notna().to_numpy()]
    visit, vehicle = (
        work["visit"].factorize()[0],
        codes(work["vehicle"], tables["vehicles"]["vehicle"]),
    )
    first = np.empty(len(work), dtype="int64")
    first[visit[::-1]] = vehicle[::-1]
    shared = work[vehicle != first[visit]]
    put_off = tables["deferrals"]["defect"]
    lost = put_off[put_off.notna() & ~put_off.isin(tables["defects"]["defect"])]
    return join(
        [
            problems("work", shared.index, "visit", shared["visit"], "visit-shared"),
            problems("deferrals", lost.index, "defect", lost, "unknown-defect"),
        ]
    )
