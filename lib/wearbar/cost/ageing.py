"""What age does to cost: how unplanned visits mount up; the cheapest age to replace a vehicle.

Kept from new to an age, a vehicle costs a year [its fall in value + the mean cost of its work until
then] / age, without interest. Fuel and fixed costs are taken not to hang on age. It is money alone:
no vehicle is safer, or fitter for its use, for being cheaper.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.cost.bills import ONE_DAY
from wearbar.log.keys import look_up
from wearbar.stats.estimate import Estimate, percentiles, refused, vehicle_draws
from wearbar.stats.recurrence import MIN_AT_RISK, Trend, mean_cumulative, trend

MIN_VISITS = 30  # for limits: of fewer heavy bills, 90% hold 84 times in 100 in simulation
YEAR_DAYS = 365.25
START = dict.fromkeys(("mcf", "se", "low", "high"), 0.0) | {"at_risk": 0}
AGE_CATEGORIES = ("servicing", "repairs", "tyres", "parts")  # accidents, recalls don't come of age
STEP_YEARS = 0.25
MIN_KEPT = 3  # vehicles, at every age told of and with a later value
MIN_YEARS = 2.0
EARLY = "in its first years, which warranty and the parts that it came with carry"


@dataclass(frozen=True)
class RepairTrend:
    """Whether unplanned visits come more often with age."""

    test: Trend
    # variance over mean of the vehicles' counts; well above 1 visits bunch, or vehicles differ
    dispersion: float
    per_year: float  # visits of one vehicle
    n: int
    free: int  # visits that others paid for
    apart: int = 0  # visits of vehicles with a hole in their record, left out


def repair_visits(account, log):
    """Visits with work for a defect or on advice, and parts of the same visit: one row each.

    Frame `vehicle, date, amount` (where known), `is_free` (others bore all of it), `age_years`.
    """
    lines = account.lines
    for_repair = lines["source"].eq("fitted") & lines["why"].isin(["defect", "advice"])
    lines = lines[for_repair | lines["category"].eq("repairs")]
    own = lines["vehicle"].astype(str) + "|" + lines["date"].astype(str)
    how = {"vehicle": "first", "date": "min", "amount": "sum", "is_free": "all"}
    made = lines.groupby(lines["visit"].fillna(own).to_numpy()).agg(how)
    made = made.sort_values(["vehicle", "date"], ignore_index=True)
    made["age_years"] = _age(log, made["vehicle"], made["date"])
    return made


def _age(log, vehicle, date):
    return (date - look_up(vehicle, log.vehicles["in_service"])).dt.days / YEAR_DAYS


def observed_periods(account, log):
    """When each vehicle's record was kept, without the holes in its readings: one row a period.

    Frame `vehicle, start, end, from_years, to_years`. A hole mostly filled by a lay-up is none.
    """
    fleet = account.vehicles
    holes = usage.gaps(usage.log_path(log)).merge(fleet, on="vehicle", suffixes=("", "_kept"))
    holes["start"] = np.maximum(holes["start"], holes["start_kept"])
    holes["end"] = np.minimum(holes["end"], holes["end_kept"])
    holes = holes[holes["start"] < holes["end"]]
    laid_up = usage.layup_days(log, holes["vehicle"], holes["start"], holes["end"])
    holes = holes[laid_up < 0.5 * holes["days"]]
    # a hole's start ends a period
    rows = pd.concat([fleet, holes.rename(columns={"start": "end", "end": "start"})])
    made = rows[["vehicle", "start"]].sort_values(["vehicle", "start"], ignore_index=True)
    made["end"] = rows.sort_values(["vehicle", "end"])["end"].to_numpy()
    made["from_years"] = _age(log, made["vehicle"], made["start"])
    made["to_years"] = _age(log, made["vehicle"], made["end"] + ONE_DAY)
    return made


def cost_by_kind(visits, periods, kind_of, confidence=0.9):
    """Mean cumulative cost of unplanned visits of one vehicle still kept, by its age in years: dict
    of frames as of `recurrence.mean_cumulative`, a kind of vehicle each.

    kind_of: Series of kinds by vehicle. Vehicles that joined late, holes in the record and disposal
    leave those at risk. Over the ages at which `MIN_AT_RISK` vehicles or more are on record; where
    there are none, or fewer than `MIN_VISITS` visits at them, from the youngest age on record to
    the oldest of two (or of one), without limits. The first and last row have no event. `attrs`
    counts visits: "inside" the curve, "outside" of every record, "apart" at ages of too few.
    """
    made = {}
    for kind, some in periods.groupby(periods["vehicle"].map(kind_of).to_numpy()):
        own = visits[visits["vehicle"].isin(some["vehicle"])]
        starts, ends = (np.sort(some[edge]) for edge in ("from_years", "to_years"))
        ages = np.sort(np.append(starts, ends))
        at_risk = np.searchsorted(starts, ages, "right") - np.searchsorted(ends, ages, "left")
        many, oldest = ages[at_risk >= MIN_AT_RISK], some.groupby("vehicle")["to_years"].max()
        least = starts[0], oldest.nlargest(2).iloc[-1 if len(oldest) > 2 else 0]
        begin, last = (many[0], many[-1]) if len(many) and many[-1] > many[0] else least
        if few := own["age_years"].between(begin, last).sum() < MIN_VISITS:
            begin, last = least
        inside, cut = own["age_years"].between(begin, last), some.set_index("vehicle")
        cut["from_years"] = cut["from_years"].clip(lower=begin)
        cut["to_years"] = cut["to_years"].clip(upper=last)
        cut = cut.query("from_years <= to_years")
        events = (own.loc[inside, name] for name in ("vehicle", "age_years", "amount"))
        at_risk = {"end": cut["to_years"], "entry": cut["from_years"]}
        curve = mean_cumulative(*events, **at_risk, confidence=confidence)
        start, end = pd.DataFrame({"time": [begin], **START}), curve.tail(1).assign(time=last)
        outside, apart = curve.attrs["outside"], own[~inside]
        made[kind] = pd.concat([start, curve, end], ignore_index=True)
        if few:
            made[kind][["low", "high"]] = np.nan
        counts = {"inside": int(inside.sum()) - outside, "outside": outside}
        counts |= {"apart": len(apart), "apart_amount": float(apart["amount"].sum())}
        made[kind].attrs = counts
    return made


def repair_trend(visits, periods):
    """`RepairTrend` of vehicles without a hole in their record: of three or more by the robust
    test, else of the one with most visits by Lewis & Robinson's."""
    whole = periods[~periods.duplicated("vehicle", keep=False)].set_index("vehicle")
    total, visits = len(visits), visits[visits["vehicle"].isin(whole.index)]
    cars, method = whole, "robust"
    if len(whole) < 3:
        cars, method = whole.loc[visits["vehicle"].mode().iloc[:1]], "lewis-robinson"
    own = visits[visits["vehicle"].isin(cars.index)]
    span = cars["to_years"], cars["from_years"]
    test = trend(own["vehicle"], own["age_years"], *span, method=method)
    years = (whole["to_years"] - whole["from_years"]).where(lambda years: years > 0)
    count = visits["vehicle"].value_counts().reindex(whole.index).fillna(0)
    rate, spread = count.sum() / years.sum() if years.sum() > 0 else np.nan, np.nan
    if len(whole) > 1 and rate > 0:
        spread = ((count - rate * years) ** 2 / (rate * years)).sum() / (len(whole) - 1)
    free = int(visits["is_free"].sum())
    return RepairTrend(test, float(spread), float(rate), len(visits), free, total - len(visits))


@dataclass(frozen=True, eq=False)
class Keeping:
    """What keeping one kind of vehicle to each age costs a year."""

    kind: str
    # the cheapest age in years, without limits (in simulation 90% ones hold 67 to 90 times in 100);
    # NaN where refused, or where the least is within a year of the curve's end
    best: Estimate
    # age_years, cost_per_year, at_risk, to the first age with fewer than MIN_KEPT vehicles
    curve: pd.DataFrame = field(repr=False)
    near: tuple = (np.nan, np.nan)  # first and last age within 5% of the least
    fall: float = np.nan  # share of its value that a vehicle loses a year
    price: float = np.nan  # as new
    # what one change of vehicle must cost for the curve's last age to be as cheap as the best
    change: float = np.nan
    oldest: float = np.nan  # age on record
    is_clear: bool = False  # keeping to the curve's end costs more than to the best, by a bootstrap


def cheapest_ages(fleet, lines, periods, values, born, confidence=0.9):
    """`cheapest_age` of each kind in `fleet` (`vehicle, kind`): a list, by name of kind."""
    kind = look_up(periods["vehicle"], fleet.set_index("vehicle")["kind"]).to_numpy()
    kinds = periods.groupby(kind)
    return [cheapest_age(name, lines, own, values, born, confidence) for name, own in kinds]


def cheapest_age(kind, lines, periods, values, born, confidence=0.9, samples=1000):
    """`Keeping` of the vehicles in `periods`, all of one kind.

    lines: money lines; those of `AGE_CATEGORIES` count. periods: `observed_periods`.
    values: `account.value_points`; settlements are left out. born: Series of in_service by vehicle.
    Value is taken to fall by the same share each year; one bought used counts from its age then.
    """
    cars = pd.Index(periods["vehicle"].unique())
    years, cost, edges = _cells(lines, periods, born, cars)
    decline, weight, price = _decline(values, born, cars)
    new, at_risk = np.isfinite(price), (years > 0).sum(axis=0)
    usable = int(np.argmax(np.append(at_risk < MIN_KEPT, True)))
    age, years, cost = edges[1 : usable + 1], years[:, :usable], cost[:, :usable]
    curve = pd.DataFrame({"age_years": age, "at_risk": at_risk[:usable]})
    oldest = float(periods["to_years"].max())
    few, valued = f"fewer than {MIN_KEPT} vehicles", min((weight > 0).sum(), new.sum())
    whys = {
        f"needs {MIN_KEPT} vehicles of a kind": len(cars) < MIN_KEPT,
        f"{few} were on record when new": at_risk[0] < MIN_KEPT,
        f"{few} were on record at an age of {MIN_YEARS:.0f} years": usable * STEP_YEARS < MIN_YEARS,
        f"{few} have a price and a later value: record valuations": valued < MIN_KEPT,
    }
    if why := next((why for why, lacks in whys.items() if lacks), ""):
        none = refused(why, confidence, len(cars), "years")
        return Keeping(kind, none, curve, oldest=oldest)

    def costs(weights):
        """(cost a year by age, yearly fall, price as new) of each row of weights."""
        with np.errstate(invalid="ignore", divide="ignore"):
            fall = (weights @ decline) / (weights @ weight)
            start = (weights[:, new] @ price[new]) / weights[:, new].sum(axis=1)
            rate = (weights @ cost) / (weights @ years)
        lost = start[:, None] * -np.expm1(-fall[:, None] * age)
        return (lost + STEP_YEARS * np.cumsum(rate, axis=1)) / age, fall, start

    (point,), (fall,), (start,) = costs(np.ones((1, len(cars))))
    draws = costs(vehicle_draws(len(cars), np.random.default_rng(20), samples))[0]
    curve["cost_per_year"] = point
    later = percentiles(draws[:, -1] - draws[:, np.argmin(point)], len(cars), confidence)[0]
    within = curve["age_years"][point <= 1.05 * point.min()]
    best, change, note = float(age[np.argmin(point)]), np.nan, ""
    if best > age[-1] - 1:
        best, note = np.nan, "still falling near the oldest age on record"
    else:
        change = float((point[-1] - point.min()) / (1 / best - 1 / age[-1]))
        note = EARLY if best < MIN_YEARS else ""
    best = Estimate(best, np.nan, np.nan, confidence, len(cars), unit="years", note=note)
    near, lost = (within.iloc[0], within.iloc[-1]), float(-np.expm1(-fall))
    return Keeping(kind, best, curve, near, lost, float(start), change, oldest, bool(later > 0))


def _cells(lines, periods, born, cars):
    """Years observed and money spent of each vehicle (rows) at each step of age, and the edges."""
    # one step where none has yet begun: a vehicle may be bought before it is in service
    steps = max(np.ceil(periods["to_years"].max() / STEP_YEARS), 1)
    edges = np.arange(steps + 1) * STEP_YEARS
    first, last = (periods[c].to_numpy()[:, None] for c in ("from_years", "to_years"))
    overlap = np.minimum(last, edges[1:]) - np.maximum(first, edges[:-1])
    years, cost = np.zeros((2, len(cars), len(edges) - 1))
    np.add.at(years, cars.get_indexer(periods["vehicle"]), np.clip(overlap, 0, None))
    lines = lines[lines["category"].isin(AGE_CATEGORIES) & lines["vehicle"].isin(cars)]
    lines = lines.dropna(subset=["amount", "date"])
    age = (lines["date"] - look_up(lines["vehicle"], born)).dt.days / YEAR_DAYS
    step = np.clip((age / STEP_YEARS).astype(int), 0, years.shape[1] - 1)
    np.add.at(cost, (cars.get_indexer(lines["vehicle"]), step), lines["amount"].to_numpy())
    return years, np.where(years > 0, cost, 0.0), edges


def _decline(values, born, cars):
    """By vehicle: sums of years x log fall, and of years squared; its price as new."""
    values = values[values["basis"].ne("settlement") & values["value"].gt(0)]
    values = values[values["vehicle"].isin(cars)]
    bought = values.drop_duplicates("vehicle").set_index("vehicle")
    later = values[values.duplicated("vehicle")]
    since = (later["date"] - look_up(later["vehicle"], bought["date"])).dt.days / YEAR_DAYS
    fall = np.log(look_up(later["vehicle"], bought["value"]) / later["value"])
    sums = pd.DataFrame({"fall": since * fall, "square": since**2}).groupby(later["vehicle"]).sum()
    decline, weight = sums.reindex(cars).fillna(0.0).to_numpy().T
    yearly = decline.sum() / weight.sum() if weight.sum() > 0 else 0.0
    age = ((bought["date"] - born.reindex(bought.index)).dt.days / YEAR_DAYS).reindex(cars)
    return decline, weight, (bought["value"].reindex(cars) * np.exp(yearly * age)).to_numpy(float)
