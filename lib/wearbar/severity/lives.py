"""What hard use goes with beyond wear: lives, unplanned visits, faults and oil used."""

import numpy as np
import pandas as pd

from wearbar import parts, usage
from wearbar.cost import ageing
from wearbar.cost.account import exposure as known_distance
from wearbar.log.once import kept_with
from wearbar.parts.checks import CHECK
from wearbar.parts.items import decisions
from wearbar.severity.evidence import MIN_COVERAGE, STEP
from wearbar.severity.use import by_vehicle, with_use
from wearbar.stats.estimate import holm
from wearbar.stats.regression import cox, fit_life_regression, fit_rate_regression

ADJUSTED, EMPTY = ["kind", "site", "place_on"], ["basis", "what", "exposure", "p", "note"]
DUE = 0.10  # of a planned interval: as near to it a part is taken to be replaced for being due


@kept_with
def lives_by_use(log):
    """The lives that can be judged, with their use and `plan`: those of one vehicle that ended
    together once. An end near a planned interval is none: being due may have been called worn."""
    lives = decisions(parts.watched(with_use(parts.with_place(parts.spans_of(log)), log)))
    lives = lives.assign(plan=log.plan_for(lives["vehicle"]), part=lives["category"])
    tasks = log.plan_or_empty.in_force(log.as_of).drop_duplicates(key := ["plan", "part"])
    due = lives[key].merge(tasks, "left", key).set_axis(lives.index)
    share = lives["duration_km"] / due["severe_km"]
    is_due = share.between(1 - DUE, 1 + DUE) | (lives["duration_km"] >= (1 - DUE) * due["every_km"])
    return lives.assign(observed=lives["observed"] & ~is_due)


def lives_and_visits(log, visited, exposures, confidence=0.9):
    """What goes with use: a frame, a row for each exposure of lives of a category (basis "life"),
    of all unplanned visits ("visits"), of a task's faults and of oil (`by_task`).

    basis, what (the category, "visits" or the task's code), exposure, value, low, high (life, or
    rate, for +0.10 of share), n_ends (visits, faults, or periods of oil use), n_vehicles, n,
    n_censored, note (why there is none), p (two-sided, of none), p_holm, second (Cox's hazard, or
    the negative binomial's rate, for the same). Lives are to wear or failure. visited: the second
    of `visits_by_vehicle`. Adjusted for kind, site and axle, and for other uses known."""
    groups = [("life", *own) for own in lives_by_use(log).groupby("category")]
    groups += [("visits", "visits", visited), *by_task(log, visited)]
    table = [_row(*own, e, exposures, confidence) for own in groups for e in exposures]
    table = pd.DataFrame(table, columns=[*table[0]] if table else EMPTY)
    return table.assign(p_holm=holm(table["p"]))


def by_task(log, each):
    """(basis, task, rows as `each`) by task of the plan that has any. "faults": days with a failed
    result or with unplanned work under its name. "oil", of the level check: oil used, of which one
    event is what a period between two checks uses on average."""
    days = each[["vehicle", "known_from", "known_to"]]
    work = log.tables["work"].merge(days, on="vehicle")
    is_bad = work["why"].isin(["defect", "advice"]) | work["result"].eq("fail")
    is_bad &= work["date"].between(work["known_from"], work["known_to"])
    bad = work[is_bad].drop_duplicates(["vehicle", "date", "task"])
    tasks, plan = log.plan_or_empty.in_force(log.as_of), log.plan_for(each["vehicle"])
    for code, own in tasks[tasks["code"].isin(bad["task"])].groupby("code"):
        n = each["vehicle"].map(bad.loc[bad["task"].eq(code), "vehicle"].value_counts()).fillna(0.0)
        yield "faults", code, each.assign(events=n.astype(float))[plan.isin(own["plan"])]
    oil = parts.oil_use(log).query("why_not == ''")[["vehicle", "distance_km", "used_ml", "n"]]
    oil = each.drop(columns=["distance_km", "events"]).merge(oil, on="vehicle")
    if (used := oil["used_ml"].sum()) > 0:
        yield "oil", CHECK, oil.assign(events=oil["used_ml"] * oil["n"].sum() / used)


def _row(basis, what, rows, exposure, exposures, confidence):
    covered = rows.get(f"{exposure}_coverage_share", rows["coverage_share"])
    known = covered.ge(MIN_COVERAGE) & rows[exposure].notna()
    rows = rows[known & (rows["site"].notna() | (rows["vehicle"].nunique() == 1))]
    others = [e for e in exposures if e != exposure and rows[e].notna().all()]
    levels = [c for c in ADJUSTED if c in rows and rows[c].nunique() > 1]
    is_life, asked = basis == "life", (rows, [exposure, *others, *levels])
    fit = (fit_life_regression if is_life else fit_rate_regression)(*asked, confidence=confidence)
    told = {"basis": basis, "what": what, "exposure": exposure, **vars(fit.ratio(exposure, STEP))}
    told["n_ends"] = round(rows["observed" if is_life else "events"].sum())
    told |= {"n_vehicles": fit.n_vehicles, "p": np.nan, "second": np.nan}
    if not told["note"]:
        rates = None if is_life else fit_rate_regression(*asked, "negative binomial").table
        second = (cox(*asked) if is_life else rates["coefficient"])[exposure]
        told |= {"p": fit.table.loc[exposure, "p"], "second": np.exp(STEP * second)}
    return told


def visits_by_vehicle(log, account):
    """(unplanned visits within the readings, with `km` since the vehicle's first; a row a vehicle:
    vehicle, kind, site, known_from, known_to, its use, events, distance_km)."""
    fleet = account.vehicles.dropna(subset="known_from")
    days = fleet[["vehicle", "known_from", "known_to"]]
    visits = ageing.repair_visits(account, log).merge(days, on="vehicle")
    visits = visits[visits["date"].between(visits["known_from"], visits["known_to"])]
    span = (visits[name].reset_index(drop=True) for name in ("vehicle", "known_from", "date"))
    km = known_distance(usage.log_path(log), *span)["distance_km"].fillna(0.0)
    use = by_vehicle(log).drop(columns=["kind", "site"])
    each = fleet[[*days, "kind", "site", "distance_km"]].merge(use, on="vehicle")
    counts = each["vehicle"].map(visits["vehicle"].value_counts()).fillna(0.0)
    return visits.assign(km=km.to_numpy()), each.assign(events=counts.astype(float))
