"""Cells of running cost: cost per distance, comparisons, mounting repairs, cheapest ages. See holds.py."""

import gc

import numpy as np
import pandas as pd
from holds import cells

from wearbar.cost import account as money
from wearbar.cost import ageing, by_use, keep_now, keeping, part_age
from wearbar.cost import per_distance as cost
from wearbar.report.quantities import Show
from wearbar.report.words import cost as cost_words

DAY0 = pd.Timestamp("2020-01-01")
SHOW = Show()
SPREAD = 0.25  # of a vehicle's level, on the log scale: one vehicle's costs and repairs against another's
BILL = 400.0
SIGMA = {"": 0.5, "heavy bills": 1.5}  # of a repair's size, on the log scale
KM_A_YEAR, FUEL_A_KM = 18_000.0, 0.10
SERVICES, TYRES = 2 * 180.0, 350.0  # money a year
YEARLY = SERVICES + TYRES + BILL


def fleet(
    rng,
    vehicles,
    years=3,
    bills="",
    repairs_a_year=1.0,
    trend=1.0,
    sites=1,
    own_level=True,
    lateness=0.6,
):
    """A `money.Account` of vehicles that joined at any time in the first 60% of the record, and the true level of each.

    Repairs are Poisson with lognormal bills of mean 400; servicing and tyres come at their times; fuel goes by distance.
    trend: what a year's prices are of the last one's.
    """
    quarters = 4 * years
    late = (
        rng.integers(0, max(int(lateness * quarters), 1), vehicles)
        if vehicles > 1
        else np.zeros(1, int)
    )
    level = (
        np.exp(SPREAD * rng.standard_normal(vehicles) - SPREAD**2 / 2)
        if own_level
        else np.ones(vehicles)
    )
    pace = KM_A_YEAR / 4 * np.exp(0.4 * rng.standard_normal(vehicles) - 0.08)
    km = (
        pace[:, None]
        * rng.gamma(8, 1 / 8, (vehicles, quarters))
        * (np.arange(quarters) >= late[:, None])
    )
    on = km > 0
    price = level[:, None] * trend ** (np.arange(quarters) // 4)
    sigma = SIGMA[bills]
    count = rng.poisson(repairs_a_year / 4, (vehicles, quarters)) * on
    car, quarter = np.nonzero(on)
    big = np.repeat(np.arange(count.size), count.ravel())
    size = BILL * np.exp(sigma * rng.standard_normal(len(big)) - sigma**2 / 2)
    plain = {
        "fuel": FUEL_A_KM * km,
        "servicing": SERVICES / 4 + 0 * km,
        "tyres": TYRES / 4 * rng.poisson(0.5, km.shape) / 0.5,
    }
    rows = [
        pd.DataFrame({"car": car, "quarter": quarter, "category": name, "amount": (price * m)[on]})
        for name, m in plain.items()
    ]
    repair = {
        "car": big // quarters,
        "quarter": big % quarters,
        "category": "repairs",
        "amount": size * price.ravel()[big],
    }
    return (
        _account(
            pd.concat([*rows, pd.DataFrame(repair)], ignore_index=True), km, late, years, sites
        ),
        level,
        pace,
    )


def _account(rows, km, late, years, sites):
    vehicles, quarters = km.shape
    name = np.array([f"v{i:02d}" for i in range(vehicles)])
    period = pd.period_range(DAY0.to_period("Q"), periods=quarters, freq="Q")
    lines = pd.DataFrame(
        {
            "vehicle": name[rows["car"]],
            "date": (period.start_time + pd.Timedelta(days=45))[rows["quarter"]],
        }
    )
    lines = lines.assign(
        category=rows["category"],
        detail="",
        amount=rows["amount"],
        source="work",
        line=np.arange(len(rows)),
    )
    lines = lines.assign(
        is_fixed=False, visit=pd.NA, why="", is_free=False, days=1.0, with_distance=True
    )
    lines["source"] = lines["source"].mask(lines["category"].eq("fuel"), "fuel")
    start, end = period.start_time[late], period.end_time.normalize()[-1]
    cars = pd.DataFrame(
        {
            "vehicle": name,
            "kind": "van",
            "start": start,
            "end": end,
            "disposal": pd.NA,
            "meter": "distance",
        }
    )
    cars = cars.assign(
        site=[f"site {i % sites}" for i in range(vehicles)], days=(end - start).days + 1
    )
    cars = cars.assign(known_from=start, known_to=end, distance_km=km.sum(axis=1))
    car, quarter = np.nonzero(km > 0)
    driven = pd.DataFrame(
        {"vehicle": name[car], "quarter": period[quarter], "distance_km": km[car, quarter]}
    )
    return money.Account(cars, lines, lines.iloc[:0], driven, "net", frozenset({"work", "fuel"}))


def true_rate(yearly=YEARLY, level=1.0, pace=KM_A_YEAR / 4):
    """Cost per km of a fleet (level and pace independent of each other), or of a vehicle."""
    return level * (yearly / (4 * pace) + FUEL_A_KM)


@cells("cost per distance", vehicles=(3, 10, 34), bills=("", "heavy bills"))
def cost_per_distance(rng, samples, vehicles, bills):
    for _ in range(samples):
        found = cost.total_per_km(fleet(rng, vehicles, bills=bills)[0])
        yield found.low, found.high, true_rate()


@cells(
    "cost per distance of one vehicle", vehicles=(1,), years=(1, 3, 6), bills=("", "heavy bills")
)
def cost_of_one(rng, samples, vehicles, years, bills):
    for _ in range(samples):
        account, level, pace = fleet(rng, vehicles, years, bills)
        found = cost.total_per_km(account)
        yield found.low, found.high, true_rate(level=level[0], pace=pace[0])


@cells("cost per distance of one vehicle of many", vehicles=(10,), bills=("", "heavy bills"))
def cost_of_each(rng, samples, vehicles, bills):
    for _ in range(samples):
        account, level, pace = fleet(rng, vehicles, bills=bills, lateness=0)
        row = cost.by_vehicle(account).set_index("vehicle").loc["v00"]
        yield row["low"], row["high"], true_rate(level=level[0], pace=pace[0])


@cells(
    "cost of a category with few bills",
    "words",
    vehicles=(3, 10, 34),
    bills=("", "heavy bills"),
    repairs_a_vehicle_year=(0.1, 0.5),
)
def few_bills(rng, samples, vehicles, bills, repairs_a_vehicle_year):
    for _ in range(samples):
        account, *_ = fleet(rng, vehicles, bills=bills, repairs_a_year=repairs_a_vehicle_year)
        row = cost.cost_per_km(account, "category").set_index("category")[["low", "high"]]
        row = row.reindex(["repairs"]).astype(float).iloc[0]
        yield row["low"], row["high"], repairs_a_vehicle_year * BILL / KM_A_YEAR


def says_moved(account):
    """Whether the report says that the cost moved between the first whole year and the last; None where it says neither."""
    moved = cost.change_of_years(account)
    text = cost_words.words_in(SHOW)("years", table=cost.by_year(account), moved=moved)
    return (
        True
        if " rose by " in text or " fell by " in text
        else False
        if "no clear change" in text
        else None
    )


@cells(
    "cost moved between years, when it did not",
    "claim",
    vehicles=(1, 3, 10, 34),
    bills=("", "heavy bills"),
)
def years_alike(rng, samples, vehicles, bills):
    for _ in range(samples):
        yield says_moved(fleet(rng, vehicles, bills=bills, lateness=0.3)[0])


@cells(
    "cost moved between years, when it rose 20%",
    "found",
    vehicles=(10, 34),
    bills=("", "heavy bills"),
)
def years_dearer(rng, samples, vehicles, bills):
    for _ in range(samples):
        yield says_moved(fleet(rng, vehicles, bills=bills, trend=1.2**0.5, lateness=0.3)[0])


def says_sites_differ(account):
    """Whether the report says that sites differ; None where it says neither."""
    table, apart = cost.by_site(account), cost.differences(account, "site")
    text = cost_words.words_in(SHOW)("apart", what="site", table=table, apart=apart)
    return False if "No site costs" in text else True if "the other sites" in text else None


@cells(
    "sites differ, when all are alike",
    "claim",
    vehicles=(10, 34),
    sites=(2, 3, 10),
    bills=("", "heavy bills"),
)
def sites_alike(rng, samples, vehicles, sites, bills):
    for _ in range(samples):
        yield says_sites_differ(fleet(rng, vehicles, bills=bills, sites=sites)[0])


@cells("site's cost over the others'", vehicles=(10, 34), sites=(2, 3), bills=("", "heavy bills"))
def site_ratio(rng, samples, vehicles, sites, bills):
    for _ in range(samples):
        row = (
            cost.differences(fleet(rng, vehicles, bills=bills, sites=sites)[0], "site")
            .set_index("site")
            .reindex(["site 0"])
            .iloc[0]
        )
        yield row["low"], row["high"], 1.0


@cells("a year's cost over an earlier one's", vehicles=(3, 10, 34), bills=("", "heavy bills"))
def year_ratio(rng, samples, vehicles, bills):
    for _ in range(samples):
        found, *_ = cost.change_of_years(
            fleet(rng, vehicles, bills=bills, trend=1.2**0.5, lateness=0.3)[0]
        )
        yield found.low, found.high, 1.2


def life_events(rng, vehicles, watched=4.0, ages=6.0, rate=1.0, bills="heavy bills", rising=0.0):
    """Visits and periods as `ageing` has them: vehicles whose age at the start is anything up to `ages`, watched 4 years, or 2 to 4."""
    start, length = rng.uniform(0, ages, vehicles), rng.uniform(watched / 2, watched, vehicles)
    level, name = (
        np.exp(SPREAD * rng.standard_normal(vehicles) - SPREAD**2 / 2),
        np.array([f"v{i:02d}" for i in range(vehicles)]),
    )
    count = rng.poisson(rate * level * length)
    car = np.repeat(np.arange(vehicles), count)
    age = start[car] + length[car] * rng.random(len(car))
    amount = BILL * np.exp(SIGMA[bills] * rng.standard_normal(len(car)) - SIGMA[bills] ** 2 / 2)
    visits = pd.DataFrame(
        {"vehicle": name[car], "age_years": age, "amount": amount, "is_free": False}
    )
    return visits, pd.DataFrame({"vehicle": name, "from_years": start, "to_years": start + length})


def at_ages(periods, start, until):
    """Years of age from `start` to `until` at which any vehicle is on record."""
    grid = np.linspace(start, until, 2001)[:-1] + (until - start) / 4000
    on = (
        (periods["from_years"].to_numpy()[:, None] <= grid)
        & (grid <= periods["to_years"].to_numpy()[:, None])
    ).sum(axis=0)
    return (until - start) * np.mean(on >= 1)


@cells("mean cost of repairs by the oldest age", vehicles=(3, 10, 34), bills=("", "heavy bills"))
def mounting(rng, samples, vehicles, bills):
    for _ in range(samples):
        visits, periods = life_events(rng, vehicles, bills=bills)
        curve = ageing.cost_by_kind(visits, periods, pd.Series("van", periods["vehicle"]))["van"]
        row = curve.iloc[-1]
        yield row["low"], row["high"], BILL * at_ages(periods, curve["time"].iloc[0], row["time"])


@cells("repairs come more often with age, when they do not", "claim", vehicles=(1, 3, 10, 34))
def trend_alike(rng, samples, vehicles):
    for _ in range(samples):
        test = ageing.repair_trend(*life_events(rng, vehicles)).test
        yield None if np.isnan(test.p) else bool(test.p < 0.05)


def kept(rng, vehicles, years=10):
    """Money lines, periods, values and births of vehicles bought new, of mixed ages now; and the true cost a year of keeping by age.

    Value falls 18% a year; work rises by the square of the age, so that the true cheapest age is within the record.
    """
    name = np.array([f"v{i:02d}" for i in range(vehicles)])
    until = rng.uniform(0.5, 1.0, vehicles) * years
    born = pd.Series(DAY0 - pd.to_timedelta(np.round(until * 365.25), unit="D"), name)
    level = np.exp(SPREAD * rng.standard_normal(vehicles) - SPREAD**2 / 2)
    step = np.arange(0.05, years, 0.1)
    count = rng.poisson(0.1 * level[:, None] * (1 + 0 * step), (vehicles, len(step))) * (
        step < until[:, None]
    )
    car, k = np.nonzero(count)
    amount = count[car, k] * _work(step)[k] * np.exp(rng.standard_normal(len(car)) - 0.5)
    lines = pd.DataFrame(
        {
            "vehicle": name[car],
            "date": born.to_numpy()[car] + pd.to_timedelta(step[k] * 365.25, unit="D").round("D"),
        }
    )
    lines = lines.assign(category="repairs", amount=amount)
    periods = pd.DataFrame({"vehicle": name, "from_years": 0.0, "to_years": until})
    fall = 0.2 + 0.03 * rng.standard_normal(vehicles)
    value = pd.concat([pd.DataFrame({"vehicle": name, "date": born.to_numpy() + pd.to_timedelta(np.round(365.25 * t), unit="D"),
                                     "value": 20_000 * np.exp(-fall * t), "basis": "valuation"}) for t in (0 * until, until)])  # fmt: skip
    return lines, periods, value.sort_values(["vehicle", "date"], ignore_index=True), born


def _work(age):
    return 200.0 + 60.0 * age**2


def keeping_truth(age):
    return (20_000 * -np.expm1(-0.2 * age + 0.03**2 * age**2 / 2) + 200 * age + 20 * age**3) / age


def keeping_best():
    grid = np.arange(0.25, 20, 0.25)
    return grid[np.argmin(keeping_truth(grid))]


@cells(
    "keeping longer costs clearly more, when the age is the cheapest", "claim", vehicles=(3, 10, 34)
)
def keeping_longer(rng, samples, vehicles):
    """The record ends at the true cheapest age: to say that an earlier one is cheaper is wrong."""
    for _ in range(samples):
        found = keeping.cheapest_age("van", *kept(rng, vehicles, keeping_best()), samples=300)
        yield found.is_clear if "cost_per_year" in found.curve else None


RISE = 10.0  # a year's work is 200 and this times the age squared


def aged(rng, vehicles, bills, rise=RISE, years=8, history=5.0):
    """What `kept` gives, of vehicles of any age on record for up to five years; then each as it stands, its next year's true cost, and
    that of a new one by the age it is kept to."""
    name = np.array([f"v{i:02d}" for i in range(vehicles)])
    until = rng.uniform(0.1, 1.0, vehicles) * years
    since, fall = np.maximum(until - history, 0.0), 0.2 + 0.03 * rng.standard_normal(vehicles)
    level = np.exp(SPREAD * rng.standard_normal(vehicles) - SPREAD**2 / 2)
    born = pd.Series(DAY0 - pd.to_timedelta(np.round(until * 365.25), unit="D"), name)
    count = rng.poisson(3 * level * (until - since))
    car = np.repeat(np.arange(vehicles), count)
    at, sigma = since[car] + (until - since)[car] * rng.random(len(car)), SIGMA[bills]
    size = (200 + rise * at**2) / 3 * np.exp(sigma * rng.standard_normal(len(car)) - sigma**2 / 2)
    day = born.to_numpy()[car] + pd.to_timedelta(np.floor(at * 365.25), unit="D")
    lines = pd.DataFrame({"vehicle": name[car], "date": day, "category": "repairs", "amount": size})
    periods = pd.DataFrame({"vehicle": name, "from_years": since, "to_years": until})
    new = 20_000.0
    value = pd.concat([pd.DataFrame({"vehicle": name, "date": born.to_numpy() + pd.to_timedelta(np.round(365.25 * t), unit="D"),
                                     "value": new * np.exp(-fall * t), "basis": "valuation"}) for t in (since, until)])  # fmt: skip
    cars = {"vehicle": name, "kind": "van", "has_left": False, "age_years": until, "value_age": 0.0}
    cars |= {"value": new * np.exp(-fall * until), "own_cost": 0.0, "usual_cost": 0.0}

    def work(age):
        return 200 * age + rise * age**3 / 3

    def a_year(age):
        return (new * -np.expm1(-0.2 * age + 0.03**2 * age**2 / 2) + work(age)) / age

    truth = level * (work(until + 1) - work(until)) + cars["value"] * -np.expm1(-fall)
    value = value.sort_values(["vehicle", "date"], ignore_index=True)
    return (lines, periods, value, born), pd.DataFrame(cars), pd.Series(truth, name), a_year


def next_years(rng, samples, vehicles, bills, rise):
    """Of each sample: `keep_now`'s rows with the true difference, or None where it gives none."""
    gc.freeze()  # statsmodels' multipletests collects garbage at each call
    for _ in range(samples):
        record, cars, truth, a_year = aged(rng, vehicles, bills, rise)
        found = keeping.cheapest_age("van", *record, samples=20)
        now = keep_now.keep_or_replace([found], cars)
        if now["low_cost"].isna().all():
            yield None
            continue
        ages = np.arange(keeping.MIN_YEARS, found.curve["age_years"].iloc[-1] + 0.01, 0.25)
        yield now.assign(truth=truth[now["vehicle"]].to_numpy() - a_year(ages).min())


OF_NEXT_YEAR = {"vehicles": (3, 10, 34), "bills": ("", "heavy bills"), "rise": (RISE, 3 * RISE)}


@cells("next year of a vehicle less a new one's", "conservative", **OF_NEXT_YEAR)
def next_year_range(rng, samples, **log):
    for now in next_years(rng, samples, **log):
        row = {} if now is None else now.sample(1, random_state=rng).iloc[0]
        yield row.get("low_cost", np.nan), row.get("high_cost", np.nan), row.get("truth", 0.0)


@cells("keep or replace, of any vehicle, where the other costs less", "claim", **OF_NEXT_YEAR)
def next_year_wrong(rng, samples, **log):
    for now in next_years(rng, samples, **log):
        side = None if now is None else np.where(now["truth"] > 0, "replace", "keep")
        yield None if now is None else bool((now["answer"].ne("") & now["answer"].ne(side)).any())


@cells("keep or replace, of a vehicle, rightly", "found", **OF_NEXT_YEAR)
def next_year_right(rng, samples, **log):
    for now in next_years(rng, samples, **log):
        row = None if now is None else now.sample(1, random_state=rng).iloc[0]
        yield None if row is None else row["answer"] == ("replace" if row["truth"] > 0 else "keep")


SCALE, WATCHED, PLANNED = 1450.0, 8 * 365.25, 100.0  # days; days; money
DEAR = 5.0  # times that of a planned replacement, an unplanned one's cost


def failing(rng, vehicles, shape, own_level=True):
    """Part lives as `part_ages` takes them, renewed at each failure, of vehicles watched for eight years; and their bills."""
    rows, begun = [], pd.Timestamp("2018-01-01")
    for v in range(vehicles):
        scale, start = (
            SCALE * np.exp(SPREAD * own_level * rng.standard_normal()),
            -2 * SCALE * rng.random(),
        )
        while start < WATCHED:
            end = start + scale * rng.weibull(shape)
            if end > 0:
                rows.append((f"v{v:02d}", start, min(end, WATCHED), end < WATCHED))
            start = end
    made = pd.DataFrame(rows, columns=["vehicle", "start", "end", "has_failed"])
    made[["start", "end"]] = made[["start", "end"]].apply(
        lambda day: begun + pd.to_timedelta(day.round(), unit="D")
    )
    made = made.assign(
        category="battery", kind="van", place_on="engine", part_key=made.index.astype(str)
    )
    made["watched_from"] = made["start"].clip(lower=begun)
    made["cause"] = np.where(made["has_failed"], "failed", "still-on")
    size = DEAR * PLANNED * np.exp(0.5 * rng.standard_normal(len(made)) - 0.125)
    bills = made.assign(bill=size, part=PLANNED)[made["has_failed"]]
    return made, bills


def true_age(shape):
    """(age, saving) of the law that parts of vehicles as they differ follow together."""
    z, age = np.linspace(-4, 4, 81), np.arange(1.0, 4 * SCALE)
    share = np.exp(-(z**2) / 2) / np.exp(-(z**2) / 2).sum()
    left = share @ np.exp(-((age / (SCALE * np.exp(SPREAD * z))[:, None]) ** shape))
    cost = (left + DEAR * (1 - left)) / np.cumsum(left)
    return age[cost.argmin()], 1 - cost.min() / cost[-1]


def planned_ages(rng, samples, vehicles, shape, **law):
    for _ in range(samples):
        lives, bills = failing(rng, vehicles, shape, **law)
        begun = (lives["watched_from"] - lives["start"]).dt.days
        lived = (lives["end"] - lives["start"]).dt.days
        lives = lives.assign(entry_km=begun, duration_km=lived)[lived > begun]
        yield part_age.planned_age("battery", lives, bills, rng=np.random.default_rng(1))


@cells("age of planned replacement of a part", vehicles=(3, 10, 34), shape=(3.0, 4.5))
def age_range(rng, samples, vehicles, shape):
    truth = true_age(shape)[0]
    for row in planned_ages(rng, samples, vehicles, shape):
        yield row["low_age"], row["high_age"], truth


@cells("saving of planned replacement, at least", "conservative", vehicles=(3, 10, 34), shape=(3.0, 4.5))  # fmt: skip
def least_saving(rng, samples, vehicles, shape):
    truth = true_age(shape)[1]
    for row in planned_ages(rng, samples, vehicles, shape):
        yield row["low_share"], row["low_share"] + np.inf, truth


@cells("a planned age, where parts do not age", "claim", vehicles=(3, 10, 34))
def ageless(rng, samples, vehicles):
    for row in planned_ages(rng, samples, vehicles, 1.0, own_level=False):
        yield None if row["why_not"] in ("few", "none failed") else row["why_not"] == ""


IN_USE = {"its own vehicles": 0.2, "the same vehicles": 1.0}  # share of vehicles that are in both
OF_USE = {"vehicles": (3, 10, 34), "of": tuple(IN_USE), "bills": ("", "heavy bills"), "kinds": (1,)}
OF_KINDS = {"vehicles": (34,), "of": tuple(IN_USE), "bills": ("heavy bills",), "kinds": (3,)}


def hard_use(rng, vehicles, of, bills, kinds, times):
    """(`Estimate`, p) of hard use, which costs `times` as much; of kinds that cost up to three times each other."""
    book = fleet(rng, vehicles, bills=bills, lateness=0.3)[0]
    name, n = book.vehicles["vehicle"], len(book.vehicles)
    is_hard, switches = rng.random(n) < 0.5, rng.random(n) < IN_USE[of]
    is_hard, switches = (pd.Series(x, name) for x in (is_hard, switches))
    middle = DAY0 + pd.Timedelta(days=600)

    def duty(rows, day):
        hard = rows["vehicle"].map(is_hard) ^ (rows["vehicle"].map(switches) & (day >= middle))
        return np.where(hard, "severe", "normal")

    key = ["vehicle", "duty"]
    lines, km = book.lines, book.quarters
    lines = lines.assign(duty=duty(lines, lines["date"]))
    km = km.assign(duty=duty(km, km["quarter"].dt.start_time)).groupby(key)["distance_km"].sum()
    rows = cost.entries_of(lines, km)
    group = rows["vehicle"].str[1:].astype(int) % kinds
    dear = np.where(rows["duty"].eq("severe"), times, 1.0) * (1 + group)
    rows = rows.assign(group=group, amount=rows["amount"] * dear)
    return by_use.compared(rows, "amount", "distance_km")


@cells("cost in hard use over that in normal use", **OF_USE)
@cells("cost in hard use over that in normal use", **OF_KINDS)
def use_ratio(rng, samples, **log):
    for _ in range(samples):
        found, _ = hard_use(rng, times=1.2, **log)
        yield found.low, found.high, 1.2


@cells("hard use costs more or less, when it does not", "claim", **OF_USE)
@cells("hard use costs more or less, when it does not", "claim", **OF_KINDS)
def use_alike(rng, samples, **log):
    for _ in range(samples):
        _, p = hard_use(rng, times=1.0, **log)
        yield None if np.isnan(p) else p < cost.CLEAR_P


@cells("hard use costs more or less, when it costs 20% more", "found", **OF_KINDS)
def use_dearer(rng, samples, **log):
    for _ in range(samples):
        _, p = hard_use(rng, times=1.2, **log)
        yield None if np.isnan(p) else p < cost.CLEAR_P
