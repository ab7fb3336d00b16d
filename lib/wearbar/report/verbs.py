"""The verbs of `import wearbar as wb` about work and money, as the reports do it. Frames are in the
log's own units, which stand in the columns' names; nothing is rounded."""

import numbers
from dataclasses import replace

import pandas as pd

from wearbar import intervals
from wearbar.cost import account as money
from wearbar.cost import ageing, fuel, keeping, per_distance
from wearbar.intervals import REASONS
from wearbar.log import sought
from wearbar.log.schema import TEXT
from wearbar.log.units import DISTANCE_KM
from wearbar.outlook import action_list
from wearbar.report import report as reports
from wearbar.report.quantities import Show, listing
from wearbar.report.tables import in_units
from wearbar.usage.backtest import model_by_test

JOB = """vehicle site kind task position due_date due_odometer_km expected_date done_date
    overrun_days overrun_km state counted why_not on_time"""
ACTION = """rank urgency vehicle site kind item title position reason by due_date due_odometer_km
    over_days over_km is_laid_up"""
OF_COST = {"n": "vehicles", "is_fixed": "fixed", "drawn_per_km": "adjusted_cost_per_km"}
OF_COST |= {"low": "low_cost_per_km", "high": "high_cost_per_km"}
KEPT = """kind vehicles best_years near_low_years near_high_years is_clear fall_share price_money
    change_money oldest_years note"""


def read_log(path="", as_of=""):
    """Read and check a service log: a `ServiceLog`, which a notebook shows as a small table.

    path: a folder of CSV or Parquet files, a workbook, a database address, or `env:NAME` of one; ""
    is the demo fleet. as_of: the last day to count, YYYY-MM-DD; "" is the log's own. Raises
    ValueError for what can't be read. `log.only([...])` has some vehicles. Format: data/README.md.

    >>> len(wb.read_log().tables["vehicles"])
    34
    """
    return reports.check(sought(path), as_of)[0]


def due(log, tolerance=None, units=""):
    """Every job that fell due or is due next: a frame, one row a job, by vehicle and task.

    Columns: vehicle, site (when the job closed), kind, task, position, due_date, due_odometer_mi
    (as its instrument shows it), expected_date (of an open job), done_date (NaT: still open),
    overrun_days and overrun_mi (below 0: early), state, counted (whether in the on-time rate),
    why_not, on_time (NA where not counted). tolerance: how far past its due point a job is still on
    time, as a share of its interval; None is the plan's own. units: "mi" or "km"; "" is the log's
    own. Raises ValueError for another. Source: common practice, none; the plan has the rules.

    >>> jobs = wb.due(wb.read_log()).query("counted")
    >>> round(float(jobs.groupby("site")["on_time"].mean()["Highfell"]), 2)
    0.82
    """
    jobs = _jobs(log, tolerance)
    on_time = jobs["outcome"].ne("late").astype("boolean").where(jobs["in_rate"])
    why_not = jobs["why"].map(REASONS).astype(TEXT).fillna("")
    jobs = jobs.assign(counted=jobs["in_rate"], on_time=on_time, why_not=why_not)
    return frame_of(jobs, JOB, log, units)


def compliance(log, by="", tolerance=None, confidence=0.9):
    """The share of jobs done on time: an `Estimate`; with `by`, a frame with one row a group.

    by: "task", "site", "kind", "vehicle" or "month", or a list of them; ValueError for another.
    Columns: the groups, on_time_share, low_share, high_share (0 to 1), jobs, late, vehicles. A site
    of fewer than three vehicles has no figures: they could point at a person. tolerance: as in
    `due`. confidence: of the limits: Wilson's, by vehicle (Korn & Graubard 1998; from memory).

    >>> round(wb.compliance(wb.read_log()).value, 2)
    0.84
    """
    by = [by] if isinstance(by, str) else list(by)
    found = _jobs(log, tolerance)
    if by in ([], [""]):
        return intervals.rate(found, confidence)
    for group in by:
        one_of("by", group, ("task", "site", "kind", "vehicle", "month"))
    made = intervals.compliance(found, by, confidence)
    made = intervals.sites_told(made) if "site" in by else made
    names = {"share": "on_time_share", "low": "low_share", "high": "high_share", "n": "jobs"}
    return made.rename(columns=names)


def actions(log, confidence=0.9, units=""):
    """Every thing to do, the most urgent first: a frame, one row each, as Today's list has it.

    Columns: rank, urgency (from "do not drive" to "coming"), vehicle, site, kind (task, wear,
    defect, ...), item, title, position, reason (why it isn't to be driven), by (the day), due_date,
    due_odometer_mi, over_days, over_mi, is_laid_up. confidence: of the forecasts' limits. units: as
    in `due`. A large log takes a minute. Source: trade practice, none. Where the work can hurt
    someone, the maker's handbook and local law come first.

    >>> wb.actions(wb.read_log().only(["M12"]))["urgency"].iloc[0]
    'at its limit'
    """
    worn = action_list.worn_of(log, confidence)[1]
    use = model_by_test(log, confidence)
    rows = action_list.actions(log, worn=worn, use=use, confidence=confidence)
    return frame_of(rows, ACTION, log, units)


def cost_per_distance(log, by="", confidence=0.9, units=""):
    """What a mile or km costs, all money over all distance: an `Estimate`; `by` gives a frame.

    by: "category", "fixed", "kind", "site", "vehicle" or "year", one row each; ValueError for
    another. Columns: the group, cost_per_mi with low_ and high_, vehicles (that the limits rest
    on), bills, cost_per_day, amount, share, distance_mi, days, known_share (rows with their money);
    by vehicle also kind, mi_per_year and adjusted_cost_per_mi (towards its kind's mean where its
    record is thin); by year less. Money is in the log's currency, net or gross as there, without
    depreciation. A site of fewer than three vehicles has no figures. NaN where too few rows have
    their money or the record is shorter than three months. units: as in `due`.
    Limits: jackknife over vehicles on the log scale (Cochran 1977, ch. 6; from memory).

    >>> cost = wb.cost_per_distance(wb.read_log())
    >>> round(cost.value, 2), cost.unit
    (0.43, 'GBP per mi')
    """
    one_of("by", by, ("", "category", "fixed", "kind", "site", "vehicle", "year"))
    show, account = show_of(log, units), money.account(log)
    if not by:
        found, scale = per_distance.total_per_km(account, confidence), show.scale("money_per_km")
        low, high = scale.ends(found.low, found.high)
        return replace(found, value=scale.turn(found.value), low=low, high=high, unit=scale.head)
    if by == "vehicle":
        made = per_distance.by_vehicle(account, confidence)
    elif by == "year":
        made = per_distance.by_year(account, confidence)
    elif by == "site":
        made = per_distance.by_site(account, confidence).rename(columns={"n": "with_distance"})
    else:
        made = per_distance.cost_per_km(account, "is_fixed" if by == "fixed" else by, confidence)
    if by == "category":
        made = made.query("amount != 0").reset_index(drop=True)
    return in_units(made.rename(columns=OF_COST), show)


def fuel_economy(log, by="vehicle", confidence=0.9, units=""):
    """Fuel from tank to tank, total volume over total distance: a row a vehicle and kind of fuel.

    Columns: vehicle, fuel, then mpg_uk (or mpg_us, by the log's volume) in miles, l_per_100km in
    kilometres, with low_ and high_; tanks, volume_l, distance_mi. by: "vehicle", or "quarter" for
    kind of vehicle and calendar quarter (with `vehicles` in place of tanks); ValueError for
    another. Of what is burnt alone: neither electricity nor urea. units: as in `due`. Limits: the
    spread between tanks, or between vehicles. Source: common practice, none.

    >>> wb.fuel_economy(wb.read_log()).columns.tolist()[:4]
    ['vehicle', 'fuel', 'mpg_uk', 'low_mpg_uk']
    """
    one_of("by", by, ("vehicle", "quarter"))
    show, burnt = show_of(log, units), fuel.liquid(fuel.tanks(log))
    if by == "vehicle":
        made = fuel.fuel_economy(burnt, confidence=confidence)
        names = {"kind": "fuel", "n": "tanks"}
    else:
        made = fuel.economy_by_quarter(burnt, log.vehicles["kind"], confidence)
        names = {"vehicle_kind": "kind", "n": "vehicles"}
    # miles per gallon turn an interval round
    low, high = ("high", "low") if show.units.distance == "mi" else ("low", "high")
    names |= {low: "low_l_per_100km", high: "high_l_per_100km"}
    made = in_units(made.rename(columns=names), show)
    at = [name for name in made.columns if not name.startswith(("low_", "high_"))]
    return made[[*at[:3], f"low_{at[2]}", f"high_{at[2]}", *at[3:]]]


def replacement(log, confidence=0.9):
    """The age at which replacing each kind of vehicle costs least a year: a frame, one row a kind.

    Columns: kind, vehicles, best_years (NaN where refused: then `note` says why), near_low_years
    and near_high_years (ages within 5% of the least), is_clear (whether keeping longer is shown to
    cost more), fall_share (of its value, a year), price_money (as new), change_money (what one
    change of vehicle must cost for waiting to be as cheap), oldest_years (on record), note. Without
    interest; no vehicle is safer for being cheaper. Source: average cost by age, common practice.

    >>> wb.replacement(wb.read_log())["kind"].tolist()
    ['motorcycle', 'pickup', 'van']
    """
    points, book = money.value_points(log), money.account(log)
    periods = ageing.observed_periods(book, log)
    born = log.vehicles["in_service"]
    kept = keeping.cheapest_ages(book.vehicles, book.lines, periods, points, born, confidence)
    rows = []
    for k in kept:
        best = (k.kind, k.best.n, k.best.value, *k.near, k.is_clear)
        rows.append((*best, k.fall, k.price, k.change, k.oldest, k.best.note))
    return pd.DataFrame(rows, columns=KEPT.split())


def _jobs(log, tolerance):
    if tolerance is not None and not (isinstance(tolerance, numbers.Real) and 0 <= tolerance <= 1):
        may = "give a share of the interval from 0 to 1, such as 0.05, or None for the plan's own"
        raise ValueError(f"tolerance is {tolerance!r}; {may}")
    return intervals.placed(intervals.occasions(log, late_share=tolerance), log)


def show_of(log, units=""):
    """The reader's units: the log's own, with distances in `units` where given."""
    one_of("units", units, ("", *DISTANCE_KM))
    return Show(log.units).with_distance(units)


def frame_of(rows, columns, log, units=""):
    """The columns named of a frame in SI, in the reader's units, which then stand in the names."""
    return in_units(rows[columns.split()].reset_index(drop=True), show_of(log, units))


def one_of(name, value, known):
    """Raise ValueError, in a sentence, where a parameter's value is none of those known."""
    if value not in known:
        told = listing([repr(k) for k in known], "or", most=20)
        raise ValueError(f"{name} is {value!r}; give {told}")
