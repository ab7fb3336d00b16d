"""The next visits, from the action list alone: when each vehicle comes and for which of its rows,
the parts to order for that and the labour, by site.

A vehicle comes on the day that its first row is due: the report date for what cannot wait. That
visit takes all that may be done by then, and what falls due within GAP_DAYS after. Where windows
alone count, no plan has fewer visits: the earliest end first (interval stabbing; from memory).
"""

import numpy as np
import pandas as pd

from wearbar.log.keys import is_among, look_up, stacked
from wearbar.log.plan_tasks import title_of
from wearbar.outlook.action_list import PRESSING
from wearbar.outlook.parts import packs_for, parts_of
from wearbar.parts.lives import axle_of

MONTH_DAYS, GAP_DAYS = 31, 14
ALL_DAYS = 4000  # of `actions`: a visit takes what may be done by then, whenever it is due
NOW = [*PRESSING, "recall"]
LIMIT = ["do not drive", "at its limit"]  # of wear: the part is renewed; else it is measured first
VISIT = ["vehicle", "day"]
OF_VISIT = [*VISIT, "site", "waits", "rank", "jobs", "hours", "unknown"]
ORDER = ["site", "item", "unit", "pack", "quantity", "order_packs", "vehicles", "price", "amount"]


def visits_ahead(rows, log, days=MONTH_DAYS):
    """The rows of `actions` with the `day` of the visit that each is done at, by day and vehicle.

    rows: of `actions` with ALL_DAYS. days: how far ahead. waits: in storage without a known end, so
    no visit is planned yet. is_done: its hours and parts do not count, since another row of the
    visit covers it (R10) or is what was deferred, or it is a measurement. plan: the vehicle's."""
    rows = rows[rows["kind"].ne("warranty")].reset_index(drop=True)
    stays = log.layups_now
    back = (stays["to"] - log.as_of).dt.days.fillna(np.inf).groupby(stays["vehicle"]).max()
    back = look_up(rows["vehicle"], back).fillna(0.0)
    waits = np.isinf(back)
    back = back.mask(waits, 0.0)
    due, opens = ((rows[c] - log.as_of).dt.days.astype(float) for c in ("by", "open_date"))
    due = due.fillna(np.inf).mask(rows["urgency"].isin(NOW), 0.0).clip(lower=back)
    opens = np.fmin(opens.fillna(0.0).clip(lower=back), due)
    moves = ~rows["kind"].eq("recheck")  # which must not be made too soon
    rows = rows.assign(day=np.nan, waits=waits, plan=log.plan_for(rows["vehicle"]))
    for at in rows.groupby("vehicle", sort=False).indices.values():
        rows.loc[at, "day"] = _grouped(*(x.to_numpy()[at] for x in (due, opens, moves)))
    rows = rows[rows["day"] <= days].reset_index(drop=True)
    only_read = rows["kind"].eq("wear") & ~rows["urgency"].isin(LIMIT)
    deferred = rows["kind"].eq("deferral")
    deferred &= is_among(rows, rows[~deferred], ["vehicle", "day", "item"])
    rows = rows.assign(is_done=only_read | deferred | _covered(rows, log))
    rows["day"] = log.as_of + pd.to_timedelta(rows["day"], unit="D")
    return rows.sort_values([*VISIT[::-1], "rank"], kind="stable", ignore_index=True)


def _grouped(due, opens, moves):
    """The day of each row's visit (days from now); NaN where none of the vehicle's is ever due."""
    day = np.full(len(due), np.nan)
    while np.isfinite(first := due[np.isnan(day)].min(initial=np.inf)):
        day[np.isnan(day) & ((opens <= first) | (moves & (due <= first + GAP_DAYS)))] = first
    return day


def _covered(rows, log):
    """Whether another task of the visit does each task too, at its position or at all."""
    pairs = log.plan_or_empty.covers[["plan", "code", "covered"]].drop_duplicates()
    tasks = rows.loc[rows["kind"].eq("task"), [*VISIT, "plan", "item", "position"]]
    by = tasks.merge(pairs, left_on=["plan", "item"], right_on=["plan", "code"])
    by = by.drop(columns="item").rename(columns={"covered": "item"})
    both = tasks.reset_index().merge(by, on=[*VISIT, "item"], suffixes=("", "_by"))
    both = both[both["position_by"].eq("") | both["position_by"].eq(both["position"])]
    return rows.index.isin(both["index"])


def each_visit(found):
    """One row a visit: frame `OF_VISIT`, the soonest first. found: of `visits_ahead`; rank: of its
    most urgent job; hours: by the plan, NaN of none; unknown: how many jobs have none there."""
    counted = found.assign(hours=found["hours"].mask(found["is_done"]))
    counted["unknown"] = counted["hours"].isna() & ~found["is_done"]
    by = counted.groupby(VISIT[::-1])
    of = {"site": "first", "waits": "first", "rank": "min", "unknown": "sum"}
    hours = by["hours"].sum(min_count=1)
    return by.agg(of).assign(jobs=by.size(), hours=hours).reset_index()[OF_VISIT]


def parts_needed(found, log):
    """The parts that the visits take, by site: frame `ORDER`.

    What the plan names, in its packs (`packs_for`), and what must be renewed for wear, by the set
    of its axle. price: a pack, NaN not known: the plan's, of a worn part the last one paid."""
    take = found[~found["is_done"] & ~found["waits"]]
    named = parts_of(take[["site", "vehicle", "safety", "parts"]])
    # worn parts that the plan names no parts for: once an axle
    worn = take[take["kind"].eq("wear") & take["parts"].map(len).eq(0)]
    worn = worn.assign(axle=axle_of(worn["position"]))
    worn = worn.drop_duplicates(["vehicle", "category", "axle"])
    paid = log.tables["fitted"].sort_values("fitted", kind="stable").dropna(subset=["price"])
    paid, size = paid.groupby("item")["price"].last(), worn["set_size"]
    item = worn["text"].where(worn["text"].fillna("").ne(""), worn["item"].map(title_of))
    worn = worn[["site", "vehicle"]].assign(item=item, unit=np.where(size > 1, "set", ""))
    worn = worn.assign(pack=size, quantity=size, price=look_up(item, paid) * size, safety=True)
    rows = []
    every = stacked([named, worn.reset_index(drop=True)]).fillna({"unit": ""})
    for key, some in every.groupby(["site", "item", "unit", "pack", "price"], dropna=False):
        *key, price = key
        need = packs_for(np.ones((1, len(some))), some).item()
        who = tuple(some["vehicle"].unique())
        rows.append((*key, some["quantity"].sum(), need, who, price, need * price))
    return pd.DataFrame(rows, columns=ORDER)


def labour(found, log):
    """Visits and hours by site, all sites last where there are several: frame `site, visits, hours,
    unknown, capacity_hours` (of log.toml, NaN not given), `free_hours`. Vehicles that wait have
    none."""
    rows = each_visit(found[~found["waits"]])
    by = {"visits": ("jobs", "size"), "hours": ("hours", "sum"), "unknown": ("unknown", "sum")}
    made = rows.groupby("site").agg(**by)
    limit = {name.strip(): hours for name, hours in log.capacity.items()}
    if len(made) > 1:
        made = pd.concat([made.rename(index={"": "not known"}), made.sum().to_frame("").T])
    made["capacity_hours"] = [limit.get(site, np.nan) for site in made.index]
    made["free_hours"] = made["capacity_hours"] - made["hours"]
    return made.rename_axis("site").reset_index()
