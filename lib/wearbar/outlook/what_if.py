"""What would be otherwise in the year ahead: more distance, work done sooner, another part, work by
the owner. Both years are simulated with the same luck, so that a difference is the change's own."""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy import stats

from wearbar.log.keys import look_up, stacked
from wearbar.outlook.ahead import BASE, EARLIEST, POINT, work_ahead
from wearbar.outlook.parts import sets_of, worn_of
from wearbar.outlook.prices import prices_of
from wearbar.outlook.year import YEAR_DAYS, draws_of, outlook_of
from wearbar.usage.forecast import model_of

FIGURES = ["km", "jobs", "hours", "planned", "wear", "money"]
YEARS_SD = 0.17  # by which a vehicle's distance differs from one year to the next: no source
MOST_USE = 3.0  # of today's distance: farther no forecast goes that rests on today's use
AXES = {"km": ("every_km", 0), "days": ("every_days", 2)}  # of `sooner`: its column, its axis
TRIP = ["vehicle", "what", "position", "left_km", "is_part"]


@dataclass(frozen=True)
class Change:
    """What would be otherwise; what is not given stays as it is.

    use: distance, as a share of today's. sooner: {task: {"km": a shorter interval, "days": ...}}.
    parts: {category: {"life": of a new one, as a share of today's, "price": of one}}. own_work:
    tasks that the owner would do, so that their labour is not paid.
    """

    use: float = 1.0
    sooner: dict = field(default_factory=dict)
    parts: dict = field(default_factory=dict)
    own_work: tuple = ()


def what_if(log, change, whole=None, test=None, confidence=0.9, learning=None, now=None):
    """How a year ahead with the `Change` differs from one without: a frame, a row each of FIGURES,
    `figure, now, then, difference, low, high` (limits of the difference), km and money of the log.

    whole, test, learning: as of `outlook_of`; now: what it gives by them, if that is there already.
    NaN where the outlook has no figure, and of the limits of the distance, which is as asked. The
    other limits allow for use that differs by `YEARS_SD` from year to year: a log of few years
    can't tell. Repairs stay as they are: the log can't tell what they would be. ValueError for what
    can't be asked: a task or category that is not ahead, an interval above the plan's, safety or
    statutory work by the owner.
    Source: common random numbers (Law, Simulation modeling and analysis, chapter 11; from memory).
    """

    def changed(model, *rest):
        rate = model.vehicles["rate_km_per_day"] * change.use
        model = replace(model, vehicles=model.vehicles.assign(rate_km_per_day=rate))
        return model, *_changed(log, change, *rest)

    asked = {"confidence": confidence, "learning": learning}
    then = outlook_of(log, whole, test, **asked, change=changed)
    now = now or outlook_of(log, whole, test, **asked)
    years = [draws_of(year).groupby("draw")[FIGURES].sum(min_count=1) for year in (now, then)]
    more = years[1] - years[0]
    found = pd.DataFrame(
        {"now": years[0].mean(), "then": years[1].mean(), "difference": more.mean()}
    )
    km = np.log(years[0]["km"].clip(lower=1.0))
    # what moves with the log of the distance, where that differs by 5% or more between draws
    by_km = more.mul(km - km.mean(), axis=0).mean() / max(km.var(ddof=0), 0.05**2)
    moves = np.maximum(by_km.abs(), found["difference"].abs())
    wide = stats.norm.ppf((1 + confidence) / 2) * YEARS_SD * moves
    for name, side, to in (("low", -1, "lower"), ("high", 1, "higher")):  # a draw: counts are whole
        off = more.quantile((1 + side * confidence) / 2, interpolation=to) - found["difference"]
        found[name] = found["difference"] + side * np.hypot(off, wide)
    found.loc[["km", *now.simulated.far], ["low", "high"]] = np.nan
    found = found if now.record_days >= YEAR_DAYS else found * np.nan
    return found.rename_axis("figure").reset_index()


def must_fit(log, change):
    """ValueError, as of `what_if`, for a change that this log can't be asked about."""
    sets = sets_of(log)
    prices = prices_of(log, frozenset(sets.rows["category"]))
    _changed(log, change, work_ahead(log), sets, prices)


def _changed(log, change, ahead, sets, prices):
    """Work ahead, sets and prices as they would be."""
    _must(0 <= change.use <= MOST_USE, f"the distance is a share of today's, 0 to {MOST_USE:g}")
    sets, prices = _with_parts(sets, prices, change.parts)
    prices = _by_owner(log, ahead, prices, change.own_work)
    return _sooner(ahead, change.sooner), sets, prices


def _must(is_so, else_say):
    if not is_so:
        raise ValueError(else_say)


def _sooner(ahead, sooner):
    """The work ahead with shorter intervals, each from what it is counted from today."""
    rows, every = ahead.rows.copy(), ahead.limits.every.copy()
    for task, asked in sooner.items():
        _must(rows["task"].eq(task).any(), f"no task ahead is called {task}")
        for unit, value in asked.items():
            _must(unit in AXES, f"{task} is asked for a limit in {unit}; give km or days")
            column, axis = AXES[unit]
            mine = (rows["task"].eq(task) & np.isfinite(rows[column])).to_numpy()
            _must(mine.any(), f"the plan has no limit in {unit} for {task}")
            planned = rows.loc[mine, column]
            told = f"{task} every {value:g} {unit} is later than the plan's {planned.min():g}"
            _must(0 < value <= planned.min(), f"{told}: the maker sets the longest interval")
            for names in (POINT, EARLIEST, BASE):
                rows.loc[mine, names[axis]] -= planned - value
            rows.loc[mine, column] = every[axis, mine] = value
    return replace(ahead, rows=rows, limits=replace(ahead.limits, every=every))


def _with_parts(sets, prices, parts):
    """New parts of a category that last longer or less long, or have another price."""
    rows, pieces = sets.rows.copy(), prices.pieces.copy()
    for category, asked in parts.items():
        mine = rows["category"].eq(category)
        _must(mine.any(), f"no {category} is fitted whose wear is read")
        of = ", ".join(asked)
        _must({*asked} <= {"life", "price"}, f"{category} is asked for {of}; give life or price")
        _must(min(asked.values(), default=1) > 0, f"give a {of} of {category} above nil")
        rows.loc[mine, "life_km"] *= asked.get("life", 1.0)
        if "price" in asked:
            mine = pieces.index.get_level_values("category") == category
            more = (asked["price"] - pieces.loc[mine, "price"]).fillna(0.0)
            pieces.loc[mine, "amount"] = (pieces["amount"] + more)[mine].fillna(asked["price"])
            pieces.loc[mine, "price"] = float(asked["price"])
    return replace(sets, rows=rows), replace(prices, pieces=pieces)


def _by_owner(log, ahead, prices, own_work):
    """Prices without what a workshop's labour is of some tasks."""
    tasks, plan = prices.tasks.copy(), log.plan_or_empty.tasks
    for task in own_work:
        _must(ahead.rows["task"].eq(task).any(), f"no task ahead is called {task}")
        is_grave = plan.loc[plan["code"].eq(task), ["safety", "statutory"]].any(axis=None)
        _must(not is_grave, f"{task} bears on safety or the law: leave it to trained people")
        mine = tasks.index.get_level_values(-1) == task
        labour = tasks.loc[mine, "labour"].fillna(0.0)
        _must(labour.gt(0).any(), f"nothing tells what the labour of {task} costs")
        tasks.loc[mine, "amount"] = (tasks.loc[mine, "amount"] - labour).clip(lower=0.0)
    return replace(prices, tasks=tasks)


def on_a_trip(log, km, vehicles=None):
    """What falls due, and which parts reach their limit, within so many km from the last reading: a
    frame `TRIP`, the first first; left_km below nil: already due. Work due by date is not in it.

    A part is listed where the near end of its range lies on the way: it may be worn there."""
    rows, (_, on), now = work_ahead(log).rows, worn_of(log), model_of(log).vehicles["last_km"]
    left = rows["due_km"] - look_up(rows["vehicle"], now)
    tasks = rows.assign(what=rows["title"], left_km=left, is_part=False)
    names = {"category": "what", "last_position": "position", "left_low_km": "left_km"}
    worn = on[["vehicle", *names]].rename(columns=names).assign(is_part=True)
    found = stacked([tasks[TRIP], worn[TRIP]])
    found = found[found["left_km"].le(km) & found["vehicle"].isin(vehicles or log.here)]
    return found.sort_values(["left_km", "vehicle", "what"], kind="stable", ignore_index=True)
