"""What a visit sheet holds, for one vehicle: what stands in the way of moving it, the work, what to have ready, read and write down.

Takes the occasions, items and wear lines of the whole log, so that what is usual for like vehicles and parts counts.
"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearbar import intervals, spans, usage, wear
from wearbar.backtest import model_by_test
from wearbar.figures import is_example
from wearbar.intervals import STALE_DAYS
from wearbar.worklist import have_of, tasks_in_plan, tasks_of

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
USUAL["motorcycle"] = {"tyre": ("front", "rear"), "brake-pad": ("front", "rear"), "chain": ("drive",), "engine-oil": ("engine",)}


@dataclass(frozen=True)
class Last:
    """The last reading: its day, what the instruments showed, and its age on the log's day; missing where there is none."""

    date: object = pd.NaT
    odometer_km: float = math.nan
    hours: float = math.nan
    days: float = math.nan
    is_stale: bool = False


@dataclass(frozen=True)
class Visit:
    """One vehicle's next visit.

    vehicle, kind, site, meter, distance_unit ("" the log's), disposed (NaT: still here); n_vehicles it was chosen from; last: `Last`.
    dangers: of `intervals.must_not_drive`. others: of `items.items`, what else is open, with `due_odometer_km`. untold: tables of danger
        that the log lacks.
    tasks: one row a task and position, in bench order (`stage`, of `worklist.STAGES`) and within it that of the list: its due points
        and forecast as in `intervals.due_list`, what the plan says of it (`title, steps, figures, parts, caution, recheck_km,
        recheck_days, hours, source`), `state` (or ON_CONDITION), `done_by`, the task on this sheet that also does it ("" none), and
        `is_full`, whether its steps are to be printed.
    titles: of the plan's tasks, by code. have: parts to have ready, of `worklist.have_of`. worn: parts now on at or near their limit, of
        `wear.remaining`. reads: a row a reading to take: `position, category, quantity, places, last, last_date, limit, legal_limit, made`.
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

    log: the whole log. Pressing: not to be driven and in use, for what is open or for parts at or past a legal limit (the most of them
    first), then the same laid up, then the first of today's list; where there is nothing at all, the first vehicle still there. Raises
    ValueError where there is no vehicle.
    """
    readings = usage.readings(log) if readings is None else readings
    found = intervals.occasions(log, readings)
    items = intervals.items(log, found, readings)
    dangers = intervals.must_not_drive(items, log)
    fleet = log.tables["vehicles"]
    fleet = fleet if vehicles is None else fleet[fleet["vehicle"].isin(list(vehicles))]
    if fleet.empty:
        raise ValueError("the log has no vehicle to make a sheet for; fill in table vehicles")
    rows = intervals.due_list(found, items, log, readings, confidence, use=model_by_test(log, confidence))
    lines, on = _wear(log, readings, confidence)
    vehicle = _most_pressing(fleet, _unfit(dangers, on, log), rows)
    own = fleet[fleet["vehicle"] == vehicle].iloc[0]
    mine = log.only([vehicle])
    on, parts = _of(on, vehicle), _of(lines.parts[lines.parts["is_on"]], vehicle)
    worn = on[on["state"].isin(PRESSING_PARTS)].reset_index(drop=True)
    plan = tasks_in_plan(log, vehicle)
    tasks = tasks_of(_of(rows, vehicle), _of(found, vehicle), plan, worn, log.plan)
    last = _last(_of(readings, vehicle), log.as_of)
    texts = {name: "" if pd.isna(own[name]) else str(own[name]) for name in ("kind", "meter", "distance_unit")}
    site = usage.site_at(log, [vehicle], [log.as_of]).iloc[0]
    return Visit(
        vehicle=vehicle,
        **texts,
        site="" if pd.isna(site) else str(site),
        disposed=own["disposed"] if own["disposed"] <= log.as_of else pd.NaT,
        n_vehicles=len(fleet),
        last=last,
        dangers=_of(dangers, vehicle),
        others=_others(_of(items, vehicle), dangers, readings),
        untold=tuple(intervals.untold(log)),
        tasks=tasks,
        titles=dict(zip(plan["code"], plan["title"], strict=True)),
        have=have_of(tasks, worn),
        worn=worn,
        reads=_reads(mine, own["kind"], on, parts),
        changes=_changes(mine, tasks, worn),
        has_parts=len(parts) > 0,
        laid_up=_laid_up(mine, last),
        has_plan=log.plan is not None,
        is_example=any(is_example(figure["source"]) for figures in plan["figures"] for figure in figures),
    )


def _of(table, vehicle):
    return table[table["vehicle"] == vehicle]


def _unfit(dangers, on, log):
    """Vehicles not to be driven: frame `vehicle, is_laid_up`, what is open first, then those with most parts at or past a legal limit."""
    worn = on.loc[on["state"].eq("below-legal"), "vehicle"].value_counts().index
    stays = log.tables["layups"]
    now = stays.loc[(stays["from"] <= log.as_of) & ~(stays["to"] < log.as_of), "vehicle"]
    names = pd.Series([*dangers["vehicle"], *worn], dtype=object)
    return pd.DataFrame({"vehicle": names, "is_laid_up": names.isin(now)})


def _most_pressing(fleet, unfit, rows):
    stays = unfit["is_laid_up"].to_numpy(dtype=bool)
    here = fleet.loc[fleet["disposed"].isna(), "vehicle"]
    ranked = (unfit.loc[~stays, "vehicle"], unfit.loc[stays, "vehicle"], rows["vehicle"], here, fleet["vehicle"])
    ranked = pd.Series(np.concatenate([names.to_numpy(dtype=object) for names in ranked]))
    return ranked[ranked.isin(fleet["vehicle"])].iloc[0]


def _last(readings, as_of):
    own = readings[readings["date"] <= as_of].sort_values("date", kind="stable")
    if own.empty:
        return Last()
    newest = own[["odometer_km", "hours"]].ffill().iloc[-1]
    days = (as_of - own["date"].iloc[-1]).days
    return Last(own["date"].iloc[-1], float(newest["odometer_km"]), float(newest["hours"]), days, days > STALE_DAYS)


def _others(items, dangers, readings):
    """What else is open: lesser defects and recalls, certificates that end soon, re-checks and what was put off.

    A re-check that the log could not show to be done is told while it is recent.
    """
    far = items["what"].eq("certificate") & items["state"].eq("before-window")
    old = items["what"].eq("recheck") & items["state"].eq("not-known") & (items["days_open"] > STALE_DAYS)
    rest = items[items["is_open"] & ~far & ~old]
    rest = rest[~_is_in(rest, dangers, ["what", "vehicle", "item"])]
    return rest.assign(due_odometer_km=usage.odometer_of(readings, rest["vehicle"], rest["due_km"]).to_numpy())


def _wear(log, readings, confidence):
    """(the `wear.Wear` of the log, `wear.remaining` of its parts now on)."""
    lines = wear.wear_of(spans.spans_of(log, readings=readings), spans.looks_of(log, readings), wear.law_of(log))
    return lines, wear.remaining(lines, log.as_of, usage.daily_rate(readings, log.as_of), confidence)


def _reads(log, kind, lines, parts):
    """The readings that the analyses need, each with the last one taken of the part now on, and its limits."""
    fitted = log.tables["fitted"]
    on = fitted.loc[fitted["removed"].isna(), ["category", "position"]].drop_duplicates()
    usual = pd.DataFrame([(c, p) for c, places in USUAL.get(kind, {}).items() for p in places], columns=["category", "position"])
    both = [t for t in (on, usual[~usual["category"].isin(on["category"])]) if len(t)]
    places = pd.concat(both) if both else on
    wanted = pd.DataFrame([(c, q, p) for c, all_q in READ.items() for q, p in all_q], columns=["category", "quantity", "places"])
    keys = ["category", "quantity", "position"]
    columns = {"last_position": "position", "last_height": "last", "last_read": "last_date"}
    own = lines.set_index("part_key")[["quantity", "last_height", "last_read"]].reindex(parts["part_key"]).set_axis(parts.index)
    # what is read of a category's wear, and held to its limit: depth, not pressure
    first = parts["category"].map({name: what[0][0] for name, what in READ.items()})
    own["quantity"] = own["quantity"].where(own["last_read"].notna(), first)
    wear_of_it = pd.concat([parts[["category", "last_position", "limit", "legal_limit"]], own], axis=1)
    wear_of_it = wear_of_it.rename(columns=columns).drop_duplicates(keys)
    other = _last_values(log)
    other = other[~_is_in(other, wear_of_it, keys)]
    known = [t for t in (wear_of_it, other) if len(t)]
    wanted = wanted.merge(places, on="category")
    known = pd.concat(known, ignore_index=True) if known else wear_of_it
    wanted = wanted.merge(known.reindex(columns=wear_of_it.columns), on=keys, how="left")
    made = fitted[fitted["removed"].isna()].drop_duplicates(["category", "position"])[["category", "position", "made"]]
    wanted = wanted.merge(made, on=["category", "position"], how="left")
    order = wanted["category"].map({name: at for at, name in enumerate(READ)})
    return wanted.assign(order=order).sort_values(["order", "position"], kind="stable", ignore_index=True).drop(columns="order")


def _last_values(log):
    """The newest value of each quantity, category and position: of several that day the one nearest to its limit."""
    keys = ["category", "quantity", "position"]
    m = log.si("measurements").rename(columns={"value": "last", "date": "last_date"})
    rank = m["last"].where(~m["quantity"].isin(["elongation", "slack"]), -m["last"])
    m = m.assign(rank=rank).sort_values(["last_date", "rank"], ascending=[False, True], kind="stable")
    return m.drop_duplicates(keys)[[*keys, "last", "last_date"]]


def _changes(log, tasks, worn):
    """Parts now on that the tasks printed in full, or their wear, may take off."""
    fitted = log.si("fitted")
    on = fitted[fitted["removed"].isna()]
    asked = tasks.loc[tasks["is_full"], ["part", "position"]].dropna().set_axis(["category", "position"], axis=1)
    anywhere = on["category"].isin(asked.loc[asked["position"].eq(""), "category"])
    worn = worn[["category", "last_position"]].set_axis(["category", "position"], axis=1)
    asked = pd.concat([t for t in (asked, worn) if len(t)] or [worn])
    on = on[anywhere | _is_in(on, asked, ["category", "position"])]
    return on[["position", "category", "item", "fitted", "fitted_odometer_km"]].reset_index(drop=True)


def _is_in(rows, others, keys):
    """Whether each row's keys are those of one of the others."""
    return pd.MultiIndex.from_frame(rows[keys]).isin(pd.MultiIndex.from_frame(others[keys]))


def _laid_up(log, last):
    """The newest lay-up that the vehicle is in, or has not been read since."""
    stays = log.tables["layups"].sort_values("from", kind="stable")
    stays = stays[(stays["from"] <= log.as_of) & ~(stays["to"] < (log.as_of if pd.isna(last.date) else last.date))]
    return None if stays.empty else stays.iloc[-1][["from", "to", "reason"]].to_dict()
