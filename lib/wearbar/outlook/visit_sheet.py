"""What a visit sheet holds, for one vehicle: what stands in the way of moving it, the work, what to
have ready, read and write down.

Takes the action list and wear lines of the whole log, so that what is usual for like vehicles and
parts counts.
"""

import math
from dataclasses import dataclass
from types import SimpleNamespace

import pandas as pd

from wearbar import intervals, usage
from wearbar.intervals import STALE_DAYS
from wearbar.log.keys import is_among, stacked
from wearbar.log.units import is_example
from wearbar.outlook.action_list import DANGER, actions
from wearbar.outlook.parts import worn_of
from wearbar.outlook.sheet_tasks import checks_of, have_of, tasks_in_plan, tasks_of
from wearbar.usage.backtest import model_by_test

PRESSING_PARTS = ("below-legal", "below", "may-be-below", "before-next-look")
# what is read of a part, and where across it; positions where the log does not tell what is fitted
READ = {
    "tyre": (("depth", ("left-shoulder", "centre", "right-shoulder")), ("pressure", ("cold",))),
    "brake-pad": (("thickness", ("inner", "outer")),),
    "chain": (("elongation", ("tight-spot",)), ("slack", ("tight-spot",))),
    "engine-oil": (("top-up", ("level before",)),),
}
_CORNERS = ("front-left", "front-right", "rear-left", "rear-right")
_ENDS, _ENGINE = ("front", "rear"), ("engine",)
_ON_FOUR = {"tyre": _CORNERS, "brake-pad": _ENDS, "engine-oil": _ENGINE}
USUAL = dict.fromkeys(("car", "van", "pickup", "bus", "truck", "quad"), _ON_FOUR)
USUAL["motorcycle"] = dict.fromkeys(("tyre", "brake-pad"), _ENDS)
USUAL["motorcycle"] |= {"chain": ("drive",), "engine-oil": _ENGINE}
PLACE = ["category", "position"]
WORN = ["last_height", "last_read", "last_is_doubted"]
LIMITS = ["limit", "legal_limit", "jurisdiction"]


@dataclass(frozen=True)
class Last:
    """The last reading: its day, what the instruments showed, and its age on the report date."""

    date: object = pd.NaT
    odometer_km: float = math.nan
    hours: float = math.nan
    days: float = math.nan
    is_stale: bool = False


def visit_of(log, vehicles=None, confidence=0.9, readings=None):
    """The next visit of the vehicle whose work presses most: of `vehicles`, or of all.

    log: the whole log. Pressing most: the first in the action list, or else the first vehicle still
    there. Raises ValueError where there is no vehicle. Gives a namespace:
    vehicle, kind, site, meter, distance_unit ("" the log's), disposed (NaT: still here), n_vehicles
        it was chosen from, last (`Last`), has_plan, is_example: its plan's figures are examples.
    dangers: of `actions`, what forbids driving. others: of it, all that is neither that nor a task
        nor wear. missing: tables of danger that the log lacks.
    tasks: of `sheet_tasks.tasks_of`; titles: of the plan's tasks, by code; checks: what is checked
        before each use; have: parts to have ready (`have_of`).
    worn: fitted parts at or near their limit, of `parts.remaining`. has_parts: whether the log
        holds any fitted part.
    reads: a row a reading to take, `position, category, quantity, places, last, last_date,
        last_is_doubted, limit, legal_limit, jurisdiction, made`.
    changes: fitted parts that this visit may take off, `position, category, item, fitted,
        fitted_odometer_km`. laid_up: the lay-up that it is in or comes out of, a dict, or None.
    """
    fleet = log.tables["vehicles"]
    fleet = fleet if vehicles is None else fleet[fleet["vehicle"].isin(list(vehicles))]
    if fleet.empty:
        raise ValueError("the log has no vehicle to make a sheet for; fill in table vehicles")
    readings = usage.readings(log) if readings is None else readings
    lines, on = worn_of(log, readings, confidence)
    use = model_by_test(log, confidence)
    rows = actions(log, readings=readings, worn=on, use=use, confidence=confidence)
    here = fleet.loc[fleet["disposed"].isna(), "vehicle"]
    ranked = (*rows["vehicle"], *here, *fleet["vehicle"])
    vehicle = next(name for name in ranked if name in set(fleet["vehicle"]))
    rows, on, parts, readings = (
        t[t["vehicle"] == vehicle] for t in (rows, on, lines.parts[lines.parts["is_on"]], readings)
    )
    own, mine = fleet[fleet["vehicle"] == vehicle].iloc[0], log.only([vehicle])
    is_danger = rows["urgency"].isin(DANGER)
    worn = on[on["state"].isin(PRESSING_PARTS)].reset_index(drop=True)
    plan = tasks_in_plan(log, vehicle)
    tasks, last = tasks_of(rows, plan, worn, log.plan), _last(readings, log.as_of)
    site = usage.site_at(log, [vehicle], [log.as_of]).iloc[0]
    texts = own[["kind", "meter", "distance_unit"]].to_dict() | {"site": site}
    return SimpleNamespace(
        vehicle=vehicle,
        **{name: "" if pd.isna(text) else str(text) for name, text in texts.items()},
        disposed=own["disposed"] if own["disposed"] <= log.as_of else pd.NaT,
        n_vehicles=len(fleet),
        last=last,
        dangers=rows[is_danger],
        others=rows[~is_danger & ~rows["kind"].isin(["task", "wear"])],
        missing=tuple(intervals.untold(log)),
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
        is_example=any(is_example(f["source"]) for figures in plan["figures"] for f in figures),
    )


def _last(readings, as_of):
    own = readings[readings["date"] <= as_of].sort_values("date", kind="stable")
    if own.empty:
        return Last()
    odometer_km, hours = own[["odometer_km", "meter_hours"]].ffill().iloc[-1]
    days = (as_of - own["date"].iloc[-1]).days
    return Last(own["date"].iloc[-1], float(odometer_km), float(hours), days, days > STALE_DAYS)


def _reads(log, kind, lines, parts):
    """The readings that the analyses need, each with the last of the fitted part, and limits."""
    fitted = log.tables["fitted"]
    fitted = fitted.loc[fitted["removed"].isna(), [*PLACE, "made"]].drop_duplicates(PLACE)
    usual = [(c, p) for c, places in USUAL.get(kind, {}).items() for p in places]
    usual = pd.DataFrame(usual, columns=PLACE)
    usual = usual[~usual["category"].isin(fitted["category"])]
    places = stacked([fitted, usual]).reindex(columns=fitted.columns)
    wanted = [(c, q, p) for c, all_q in READ.items() for q, p in all_q]
    wanted = pd.DataFrame(wanted, columns=["category", "quantity", "places"])
    wanted = wanted.merge(places, on="category")
    keys = ["category", "quantity", "position"]
    worn = parts[["part_key", "category", "last_position", *LIMITS]]
    worn = worn.merge(lines[["part_key", "quantity", *WORN]], on="part_key", how="left")
    # what is read of a category's wear, and held to its limit: depth, not pressure
    first = worn["category"].map({name: what[0][0] for name, what in READ.items()})
    worn["quantity"] = worn["quantity"].where(worn["last_read"].notna(), first)
    names = {"last_position": "position", "last_height": "last", "last_read": "last_date"}
    worn = worn.drop(columns="part_key").rename(columns=names).drop_duplicates(keys)
    other = _last_values(log, keys)
    known = stacked([worn, other[~is_among(other, worn, keys)]]).reindex(columns=worn.columns)
    wanted = wanted.merge(known, on=keys, how="left")
    order = wanted["category"].map(list(READ).index)
    wanted = wanted.assign(order=order).sort_values(["order", "position"], kind="stable")
    return wanted.drop(columns="order").reset_index(drop=True)


def _last_values(log, keys):
    """The newest value of each of `keys`: of several that day the one nearest to its limit."""
    m = log.si("measurements").rename(columns={"value": "last", "date": "last_date"})
    m["rank"] = m["last"].mask(m["quantity"].isin(["elongation", "slack"]), -m["last"])
    m = m.sort_values(["last_date", "rank"], ascending=[False, True], kind="stable")
    return m.drop_duplicates(keys)[[*keys, "last", "last_date"]]


def _changes(log, tasks, worn):
    """Fitted parts that the tasks printed in full, or their wear, may take off."""
    fitted = log.si("fitted")
    on = fitted[fitted["removed"].isna()]
    full = tasks.loc[tasks["is_full"], ["part", "position"]].dropna().set_axis(PLACE, axis=1)
    worn = worn[["category", "last_position"]].set_axis(PLACE, axis=1)
    anywhere = on["category"].isin(full.loc[full["position"].eq(""), "category"])
    on = on[anywhere | is_among(on, full, PLACE) | is_among(on, worn, PLACE)]
    columns = ["position", "category", "item", "fitted", "fitted_odometer_km"]
    return on[columns].reset_index(drop=True)


def _laid_up(log, last):
    """The newest lay-up that the vehicle is in, or has not been read since."""
    stays = log.tables["layups"].sort_values("from", kind="stable")
    read = log.as_of if pd.isna(last.date) else last.date
    stays = stays[(stays["from"] <= log.as_of) & ~(stays["to"] < read)]
    return None if stays.empty else stays.iloc[-1][["from", "to", "reason"]].to_dict()
