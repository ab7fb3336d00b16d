"""The verbs of `import wearbar as wb` about what comes and what came: the year ahead as it stands
and as it would be, and the last month."""

import pandas as pd

from wearbar import outlook
from wearbar.cost import keep_years as longer
from wearbar.cost.account import account, value_points
from wearbar.log.once import kept_with
from wearbar.outlook import what_if as changes
from wearbar.outlook.month import SIDES, month_of
from wearbar.report.verbs import one_of, show_of
from wearbar.usage.backtest import back_test
from wearbar.usage.replay import Replay

MONTH = {"on_time": "on_time_share", "spend": "spend_money", "downtime": "down_days"}
TOTALS = {"jobs": "jobs", "hours": "labour", "planned": "planned work", "wear": "worn parts"}
TOTALS |= {"unplanned": "unplanned work", "other": "other work", "money": "workshop money"}


def next_year(log, by="", confidence=0.9):
    """What the next twelve months need, simulated: a frame of totals, or `by` a group.

    Totals: what (jobs, labour, workshop money and its parts), value, low, high, unit. by: "month":
    month (its first day), then jobs, hours and money, each with `_low` and `_high`; "task": task,
    jobs, low, high, each_hours, each_cost; "site": site, hours, low, high, vehicles; ValueError for
    another. Money is in the log's currency. A total is NaN, and a task or site has no row, where
    the record is under a year; a month needs three. confidence: of limits. Large logs take minutes.

    >>> one = wb.read_log().only(["M12"])
    >>> wb.next_year(one)["what"].tolist()[:2]
    ['jobs', 'labour']
    """
    one_of("by", by, ("", "month", "task", "site"))
    year = outlook.outlook_of(log, confidence=confidence, **past_of(log, confidence))
    if by:
        return getattr(outlook, f"by_{by}")(year)
    rows = []
    for name, e in outlook.totals(year, TOTALS).items():
        unit = name if name in ("jobs", "hours") else log.units.currency or "money"
        rows.append((TOTALS[name], e.value, e.low, e.high, unit))
    return pd.DataFrame(rows, columns=["what", "value", "low", "high", "unit"])


def month(log, confidence=0.9, units=""):
    """The last whole calendar month beside the month before and a year before: a row a measure.

    Columns: month (its first day), measure (on_time_share, spend_money, cost_per_mi, down_days: in
    the workshop or waiting for parts), this_month, month_before, year_before, all of every vehicle;
    then change_before, low_before, high_before, n_before and is_clear_before, and the same of the
    year. Changes are of the n vehicles here all of both months: differences, of money times the
    earlier less 1. Limits from six vehicles on; clear: Holm's p of all these below 0.05. NaN where
    not known; no row without a whole month. units: as in `due`. Sources: of `estimate.share_change`
    (Newcombe 1998) and `ratio_change` (Cochran 1977); from memory.

    >>> wb.month(wb.read_log()).set_index("measure")["this_month"].round(3).to_dict()
    {'on_time_share': 0.977, 'spend_money': 7709.509, 'cost_per_mi': 0.398, 'down_days': 9.0}
    """
    show, rows = show_of(log, units), month_of(log, confidence)
    names = {"this": "this_month", "before": "month_before", "year": "year_before"}
    told = [f"{x}_{side}" for side in SIDES for x in ("change", "low", "high", "n", "is_clear")]
    rows = rows.reindex(columns=["month", "measure", *names, *told])
    is_cost, turn = rows["measure"].eq("cost_per_km"), show.scale("money_per_km").turn
    rows.loc[is_cost, [*names]] = turn(rows.loc[is_cost, [*names]])
    measures = MONTH | {"cost_per_km": f"cost_per_{show.units.distance}"}
    return rows.replace({"measure": measures}).rename(columns=names)


def what_if(log, use=1.0, sooner=None, parts=None, own_work=(), confidence=0.9, keep_years=0):
    """What the year ahead would need if something were otherwise: a frame, a row a figure.

    Columns: what (distance, jobs, labour, planned work, worn parts, workshop money), now, then,
    difference, low, high (its limits), unit. use: distance as a share of today's, up to 3. sooner:
    shorter intervals, {task: {"distance": 3000, "days": 180}}, distances in the log's own unit.
    parts: {category: {"life": new ones' as a share of today's, "price": of one}}. own_work: tasks
    whose labour the owner would do. Raises ValueError, in a sentence, for an interval above the
    plan's, for safety or statutory work by the owner, and for names that are not in the log. NaN as
    in `next_year`. Repairs stay as they are: no log tells what they would be.

    keep_years, asked by itself: keep or sell, a row a vehicle: its value now and then, and what a
    year of so many more costs, all in (keep_cost, low, high), or why_not.

    >>> one = wb.read_log().only(["M12"])
    >>> more = wb.what_if(one, use=1.2).set_index("what")
    >>> round(float((more.loc["distance", "then"] / more.loc["distance", "now"])), 2)
    1.2
    """
    units, change = log.units, change_of(log.units, use, sooner, parts, own_work)
    if keep_years:
        if change != changes.Change() or not keep_years > 0:
            raise ValueError(
                "keep_years is asked by itself, in years above 0; leave the others out"
            )
        return longer.keep_years(account(log), value_points(log), keep_years, confidence)
    changes.must_fit(log, change)  # said at once: the past takes seconds
    found = changes.what_if(log, change, confidence=confidence, **past_of(log, confidence))
    columns = found.columns.drop("figure")
    is_km, show = found["figure"].eq("km"), show_of(log)
    found.loc[is_km, columns] = show.scale("km").turn(found.loc[is_km, columns])
    kinds = {"km": units.distance, "jobs": "jobs", "hours": "hours"}
    unit = found["figure"].map(kinds).fillna(units.currency or "money")
    what = found["figure"].map(TOTALS | {"km": "distance"})
    return found.assign(figure=what, unit=unit).rename(columns={"figure": "what"})


def change_of(units, use=1.0, sooner=None, parts=None, own_work=()):
    """The `Change` that `what_if` is asked for, distances in these units."""
    turned = {}
    for task, asked in (sooner or {}).items():
        asked = dict(asked)
        if "distance" in asked:
            asked["km"] = units.to_km(asked.pop("distance"))
        turned[task] = asked
    return changes.Change(use, turned, parts or {}, tuple(own_work))


@kept_with
def past_of(log, confidence):
    """What an outlook takes from the log's own past; kept, for it takes seconds."""
    replay = Replay(log)
    test = back_test(log, confidence, replay=replay)
    past = outlook.last_year(log, test, replay, confidence)
    learning = past and past.learning
    return {"whole": log, "test": test, "learning": learning}
