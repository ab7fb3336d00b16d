"""What a visit sheet holds, for one vehicle: what stands in the way of moving it, the work, what to have ready, read and write down.

Takes the occasions, items and wear lines of the whole log, so that what is usual for like vehicles and parts counts.
"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import intervals, usage
from wearbar.intervals import STALE_DAYS
from wearbar.log.keys import is_among
from wearbar.log.plan_figures import is_example
from wearbar.outlook import action_list as actionlist
from wearbar.outlook.sheet_tasks import checks_of, have_of, tasks_in_plan, tasks_of
from wearbar.usage.backtest import model_by_test

__all__ = ["PRESSING_PARTS", "Last", "Visit", "visit_of"]

PRESSING_PARTS = ("below-legal", "below", "may-be-below", "before-next-look")
# what is read of a part, and where across it; positions where the log does not tell what is on the vehicle
READ = {
    "tyre": (("depth", ("left-shoulder", "centre", "right-shoulder")), ("pressure", ("cold",))),
    "brake-pad": (("thickness", ("inner", "outer")),),
    "chain": (("elongation", ("tight-spot",)), ("slack", ("tight-spot",))),
    "engine-oil": (("top-up", ("level before",)),),
}
_CORNERS = ("front-left", "front-right", "rear-left", "rear-right")
_ON_FOUR = {"tyre": _CORNERS, "brake-pad": ("front", "rear"), "engine-oil": ("engine",)}
USUAL = dict.fromkeys(("car", "van", "pickup", "bus", "truck", "quad"), _ON_FOUR)
USUAL["motorcycle"] = {
    "tyre": ("front", "rear"),
    "brake-pad": ("front", "rear"),
    "chain": ("drive",),
    "engine-oil": ("engine",),
}


@dataclass(frozen=True)
class Last:
    """The last reading: its day, what the instruments showed, and its age on the report date; missing where there is none."""

    date: object = pd.NaT
    odometer_km: float = math.nan
    hours: float = math.nan
    days: float = math.nan
    is_stale: bool = False


@dataclass(frozen=True)
class Visit:
    """One vehicle's next visit.

    vehicle, kind, site, meter, distance_unit ("" the log's), disposed (NaT: still here); n_vehicles it was chosen from; last: `Last`.
    dangers: of `actionlist.actions`, what forbids driving. others: of it, all that is neither that nor a task nor wear. untold: tables
        of danger that the log lacks.
    tasks: one row a task and position, in bench order (`stage`, of `worklist.STAGES`) and within it that of the list: its due points
        and forecast as in `actionlist.task_rows`, what the plan says of it (`title, steps, figures, parts, caution, recheck_km,
        recheck_days, hours, source`), `state` (or ON_CONDITION), `done_by`, the task on this sheet that also does it ("" none), and
        `is_full`, whether its steps are to be printed.
    titles: of the plan's tasks, by code. checks: the plan's rows of what is checked before each use. have: parts to have ready, of
        `worklist.have_of`. worn: parts now on at or near their limit, of `wear.remaining`. reads: a row a reading to
        take: `position, category, quantity, places, last, last_date, last_is_doubted, limit,
        legal_limit, jurisdiction, made`.
    changes: parts now on that this visit may take off: `position, category, item, fitted, fitted_odometer_km`. has_parts: the log tells
        of parts now on.
    laid_up: the lay-up that it is in or comes out of, as a dict, or None. has_plan; is_example: its plan's figures are examples.
    """

    vehicle: str
    kind: str
    site: str
    meter: str
    distance_unit: str
    disposed: object
    n_vehicles: int
    last: Last
    dangers: pd.DataFrame
    others: pd.DataFrame
    untold: tuple
    tasks: pd.DataFrame
    titles: dict
    checks: pd.DataFrame
    have: pd.DataFrame
    worn: pd.DataFrame
    reads: pd.DataFrame
    changes: pd.DataFrame
    has_parts: bool
    laid_up: dict | None
    has_plan: bool
    is_example: bool


def visit_of(log, vehicles=None, confidence=0.9, readings=None):
    """The `Visit` of the vehicle whose work presses most: of `vehicles`, or of all where that is None.

    log: the whole log. Pressing: the vehicle of the first row of the action list; where there is none, the first vehicle still there.
    Raises ValueError where there is no vehicle.
    """
    fleet = log.tables["vehicles"]
    fleet = fleet if vehicles is None else fleet[fleet["vehicle"].isin(list(vehicles))]
    if fleet.empty:
        raise ValueError("the log has no vehicle to make a sheet for; fill in table vehicles")
    readings = usage.readings(log) if readings is None else readings
    found = intervals.occasions(log, readings)
    lines, on = actionlist.worn_of(log, readings, confidence)
    rows = actionlist.actions(
        log, found, None, readings, on, model_by_test(log, confidence), confidence
    )
    vehicle = _most_pressing(fleet, rows)
    rows = _of(rows, vehicle)
    is_danger = rows["urgency"].isin(actionlist.DANGER)
    own = fleet[fleet["vehicle"] == vehicle].iloc[0]
    mine = log.only([vehicle])
    on, parts = _of(on, vehicle), _of(lines.parts[lines.parts["is_on"]], vehicle)
    worn = on[on["state"].isin(PRESSING_PARTS)].reset_index(drop=True)
    plan = tasks_in_plan(log, vehicle)
    tasks = tasks_of(actionlist.task_rows(rows), _of(found, vehicle), plan, worn, log.plan)
    last = _last(_of(readings, vehicle), log.as_of)
    texts = {
        name: "" if pd.isna(own[name]) else str(own[name])
        for name in ("kind", "meter", "distance_unit")
    }
    site = usage.site_at(log, [vehicle], [log.as_of]).iloc[0]
    return Visit(
        vehicle=vehicle,
        **texts,
        site="" if pd.isna(site) else str(site),
        disposed=own["disposed"] if own["disposed"] <= log.as_of else pd.NaT,
        n_vehicles=len(fleet),
        last=last,
        dangers=rows[is_danger],
        others=rows[~is_danger & ~rows["kind"].isin(["task", "wear"])],
        untold=tuple(intervals.untold(log)),
        tasks=tasks,
        titles=dict(zip(plan["code"], plan["title"], strict=True)),
        checks=checks_of(plan),
        have=have_of(tasks, worn),
        worn=worn,
        reads=_reads(mine, own["kind"], on, parts),
        changes=_changes(mine, tasks, worn),
        has_parts=len(parts) > 0,
        laid_up=_laid_up(mine, last),
        has_plan=log.plan is not None,
        is_example=any(
            is_example(figure["source"]) for figures in plan["figures"] for figure in figures
        ),
    )


def _of(table, vehicle):
    return table[table["vehicle"] == vehicle]


def _most_pressing(fleet, rows):
    """The vehicle that the action list names first; where it names none, one that is here still."""
    here = fleet.loc[fleet["disposed"].isna(), "vehicle"]
    ranked = pd.Series(
        np.concatenate(
            [names.to_numpy(dtype=object) for names in (rows["vehicle"], here, fleet["vehicle"])]
        )
    )
    return ranked[ranked.isin(fleet["vehicle"])].iloc[0]


def _last(readings, as_of):
    own = readings[readings["date"] <= as_of].sort_values("date", kind="stable")
    if own.empty:
        return Last()
    newest = own[["odometer_km", "meter_hours"]].ffill().iloc[-1]
    days = (as_of - own["date"].iloc[-1]).days
    return Last(
        own["date"].iloc[-1],
        float(newest["odometer_km"]),
        float(newest["meter_hours"]),
        days,
        days > STALE_DAYS,
    )


def _reads(log, kind, lines, parts):
    """The readings that the analyses need, each with the last one taken of the part now on, and its limits."""
    fitted = log.tables["fitted"]
    on = fitted.loc[fitted["removed"].isna(), ["category", "position"]].drop_duplicates()
    usual = pd.DataFrame(
        [(c, p) for c, places in USUAL.get(kind, {}).items() for p in places],
        columns=["category", "position"],
    )
    both = [t for t in (on, usual[~usual["category"].isin(on["category"])]) if len(t)]
    places = pd.concat(both) if both else on
    wanted = pd.DataFrame(
        [(c, q, p) for c, all_q in READ.items() for q, p in all_q],
        columns=["category", "quantity", "places"],
    )
    keys = ["category", "quantity", "position"]
    columns = {"last_position": "position", "last_height": "last", "last_read": "last_date"}
    told = lines.set_index("part_key")[["quantity", "last_height", "last_read", "last_is_doubted"]]
    own = told.reindex(parts["part_key"]).set_axis(parts.index)
    # what is read of a category's wear, and held to its limit: depth, not pressure
    first = parts["category"].map({name: what[0][0] for name, what in READ.items()})
    own["quantity"] = own["quantity"].where(own["last_read"].notna(), first)
    limits = ["limit", "legal_limit", "jurisdiction"]
    wear_of_it = pd.concat([parts[["category", "last_position", *limits]], own], axis=1)
    wear_of_it = wear_of_it.rename(columns=columns).drop_duplicates(keys)
    other = _last_values(log)
    other = other[~_is_in(other, wear_of_it, keys)]
    known = [t for t in (wear_of_it, other) if len(t)]
    wanted = wanted.merge(places, on="category")
    known = pd.concat(known, ignore_index=True) if known else wear_of_it
    wanted = wanted.merge(known.reindex(columns=wear_of_it.columns), on=keys, how="left")
    made = fitted[fitted["removed"].isna()].drop_duplicates(["category", "position"])[
        ["category", "position", "made"]
    ]
    wanted = wanted.merge(made, on=["category", "position"], how="left")
    order = wanted["category"].map({name: at for at, name in enumerate(READ)})
    return (
        wanted.assign(order=order)
        .sort_values(["order", "position"], kind="stable", ignore_index=True)
        .drop(columns="order")
    )


def _last_values(log):
    """The newest value of each quantity, category and position: of several that day the one nearest to its limit."""
    keys = ["category", "quantity", "position"]
    m = log.si("measurements").rename(columns={"value": "last", "date": "last_date"})
    rank = m["last"].where(~m["quantity"].isin(["elongation", "slack"]), -m["last"])
    m = m.assign(rank=rank).sort_values(
        ["last_date", "rank"], ascending=[False, True], kind="stable"
    )
    return m.drop_duplicates(keys)[[*keys, "last", "last_date"]]


def _changes(log, tasks, worn):
    """Parts now on that the tasks printed in full, or their wear, may take off."""
    fitted = log.si("fitted")
    on = fitted[fitted["removed"].isna()]
    asked = (
        tasks.loc[tasks["is_full"], ["part", "position"]]
        .dropna()
        .set_axis(["category", "position"], axis=1)
    )
    anywhere = on["category"].isin(asked.loc[asked["position"].eq(""), "category"])
    worn = worn[["category", "last_position"]].set_axis(["category", "position"], axis=1)
    asked = pd.concat([t for t in (asked, worn) if len(t)] or [worn])
    on = on[anywhere | _is_in(on, asked, ["category", "position"])]
    return on[["position", "category", "item", "fitted", "fitted_odometer_km"]].reset_index(
        drop=True
    )


def _is_in(rows, others, keys):
    """Whether each row's keys are those of one of the others."""
    return is_among(rows, others, keys)


def _laid_up(log, last):
    """The newest lay-up that the vehicle is in, or has not been read since."""
    stays = log.tables["layups"].sort_values("from", kind="stable")
    stays = stays[
        (stays["from"] <= log.as_of)
        & ~(stays["to"] < (log.as_of if pd.isna(last.date) else last.date))
    ]
    return None if stays.empty else stays.iloc[-1][["from", "to", "reason"]].to_dict()
