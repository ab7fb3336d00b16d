"""What hard use goes with beyond wear: how long parts last, and how often unplanned visits come."""

import numpy as np
import pandas as pd

from wearbar import parts, usage
from wearbar.cost import ageing
from wearbar.cost.account import exposure as known_distance
from wearbar.parts.items import decisions
from wearbar.severity.evidence import MIN_COVERAGE, STEP
from wearbar.severity.use import by_vehicle, with_use
from wearbar.stats.estimate import holm
from wearbar.stats.regression import cox, fit_life_regression, fit_rate_regression

ADJUSTED, EMPTY = ["kind", "site", "place_on"], ["what", "exposure", "p", "note"]


def lives_and_visits(log, visited, exposures, confidence=0.9):
    """Lives of each category, then unplanned visits, by use: a frame, a row for each exposure.

    what ("visits" or a category), exposure, value, low, high (life, or rate of visits, for +0.10 of
    share), n_ends (or visits), n_vehicles, n, n_censored, note (why there is none), p (two-sided,
    of none), p_holm, second (Cox's hazard, or the negative binomial's rate, for the same).
    Lives are to wear or failure, those of one vehicle that ended together counting once. visited:
    the second of `visits_by_vehicle`. Adjusted for kind, site and axle, and for other uses known.
    """
    lives = with_use(parts.with_place(parts.spans_of(log)), log)
    groups = [*decisions(parts.watched(lives)).groupby("category"), ("visits", visited)]
    table = [_row(*own, e, exposures, confidence) for own in groups for e in exposures]
    table = pd.DataFrame(table, columns=[*table[0]] if table else EMPTY)
    return table.assign(p_holm=holm(table["p"]))


def _row(what, rows, exposure, exposures, confidence):
    known = rows["coverage_share"].ge(MIN_COVERAGE) & rows[exposure].notna()
    rows = rows[known & (rows["site"].notna() | (rows["vehicle"].nunique() == 1))]
    others = [e for e in exposures if e != exposure and rows[e].notna().all()]
    levels = [c for c in ADJUSTED if c in rows and rows[c].nunique() > 1]
    is_life, asked = what != "visits", (rows, [exposure, *others, *levels])
    fit = (fit_life_regression if is_life else fit_rate_regression)(*asked, confidence=confidence)
    told = {"what": what, "exposure": exposure, **vars(fit.ratio(exposure, STEP))}
    told["n_ends"] = int(rows["observed" if is_life else "events"].sum())
    told |= {"n_vehicles": fit.n_vehicles, "p": np.nan, "second": np.nan}
    if not told["note"]:
        rates = None if is_life else fit_rate_regression(*asked, "negative binomial").table
        second = (cox(*asked) if is_life else rates["coefficient"])[exposure]
        told |= {"p": fit.table.loc[exposure, "p"], "second": np.exp(STEP * second)}
    return told


def visits_by_vehicle(log, account):
    """(unplanned visits within the readings, with `km` since the vehicle's first; a row a vehicle:
    vehicle, kind, site, its use, events, distance_km)."""
    fleet = account.vehicles.dropna(subset="known_from")
    days = fleet[["vehicle", "known_from", "known_to"]]
    visits = ageing.repair_visits(account, log).merge(days, on="vehicle")
    visits = visits[visits["date"].between(visits["known_from"], visits["known_to"])]
    span = (visits[name].reset_index(drop=True) for name in ("vehicle", "known_from", "date"))
    km = known_distance(usage.log_path(log), *span)["distance_km"].fillna(0.0)
    use = by_vehicle(log).drop(columns=["kind", "site"])
    each = fleet[["vehicle", "kind", "site", "distance_km"]].merge(use, on="vehicle")
    counts = each["vehicle"].map(visits["vehicle"].value_counts()).fillna(0.0)
    return visits.assign(km=km.to_numpy()), each.assign(events=counts.astype(float))
