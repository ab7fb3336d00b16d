"""The month: every number of it on the demo fleet from the log's files by plain pandas; changes
against a reference library; movers, budget and doubts on logs whose answer is known by hand."""

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.proportion import confint_proportions_2indep

import wearbar as wb
from wearbar import intervals, log, usage
from wearbar.log import places
from wearbar.log.units import DISTANCE_KM
from wearbar.outlook import month as months
from wearbar.outlook import moved
from wearbar.stats.estimate import share_change

FIRST = {"this": "2026-10-01", "before": "2026-09-01", "year": "2025-10-01"}
HEADER = {"distance": "mi", "currency": "GBP", "money": "net", "first_day": "2026-01-01"}


@pytest.fixture(scope="module")
def fleet(demo_log):
    return demo_log("fleet")


@pytest.fixture(scope="module")
def files(fleet):
    """The demo fleet's CSV files as plain pandas reads them, without the rows that are set aside."""
    kept = {}
    for path in places.place("data", "fleet").glob("*.csv"):
        rows = pd.read_csv(path, dtype=str)
        rows.index += 2
        aside = fleet.set_aside
        kept[path.stem] = rows.drop(index=aside.loc[aside["table"].eq(path.stem), "line"].unique())
    return kept


def number(rows, name):
    return pd.to_numeric(rows[name], errors="coerce")


def span(name):
    start = pd.Timestamp(FIRST[name])
    return start, start + pd.offsets.MonthEnd(0)


def here(files):
    """First and last day of each vehicle in the log."""
    v = files["vehicles"].set_index("vehicle")
    start = pd.to_datetime(v["acquired"].fillna(v["in_service"])).clip(
        lower=pd.Timestamp("2022-11-01")
    )
    end = pd.to_datetime(v["disposed"]).fillna(pd.Timestamp("2026-10-31"))
    return pd.DataFrame({"start": start, "end": end})


def spent(files, name):
    """Each row of money of a month: vehicle, date (NaT: by the day), amount."""
    start, end = span(name)
    work, fitted, fuel, fixed = (files[t] for t in ("work", "fitted", "fuel", "fixed_costs"))
    cost = sum(number(work, c).fillna(0) for c in ("labour_cost", "parts_cost", "other_cost"))
    ours = work["paid_by"].fillna("us").str.strip().str.casefold().eq("us")
    work = work.assign(amount=(cost - number(work, "recovered").fillna(0)).where(ours, 0.0))
    both = number(fitted, "price").fillna(0) + number(fitted, "fitting_cost").fillna(0)
    fitted = fitted.assign(date=fitted["fitted"], amount=both)
    fuel = fuel.assign(amount=number(fuel, "cost"))
    rows = pd.concat([t[["vehicle", "date", "amount"]] for t in (work, fitted, fuel)])
    rows["date"] = pd.to_datetime(rows["date"], errors="coerce")
    rows = rows[rows["date"].between(start, end)]
    first, last = pd.to_datetime(fixed["from"]), pd.to_datetime(fixed["to"])
    days = here(files).reindex(fixed["vehicle"]).set_index(fixed.index)
    until = pd.concat([last, days["end"].clip(upper=end)], axis=1).min(axis=1)
    since = pd.concat([first, days["start"].clip(lower=start)], axis=1).max(axis=1)
    inside = (until - since).dt.days + 1
    share = inside.clip(lower=0) / ((last - first).dt.days + 1)
    fixed = fixed.assign(date=pd.NaT, amount=number(fixed, "amount") * share)
    return pd.concat([rows, fixed[["vehicle", "date", "amount"]]])


@pytest.mark.parametrize("name", FIRST)
class TestEveryNumberOfTheDemoFleet:
    def row(self, fleet, measure, name):
        return months.month_of(fleet).set_index("measure").loc[measure, name]

    def test_spend_to_the_penny(self, fleet, files, name):
        assert round(spent(files, name)["amount"].sum(), 2) == round(
            self.row(fleet, "spend", name), 2
        )

    def test_jobs_on_time(self, fleet, name):
        jobs = intervals.occasions(fleet)
        ended = jobs["late_edge_date"].dt.strftime("%Y-%m-01").eq(FIRST[name])
        won = jobs.loc[ended & jobs["in_rate"], "outcome"] != "late"
        assert self.row(fleet, "on_time", name) == pytest.approx(won.mean())

    def test_days_down(self, fleet, files, name):
        start, end = span(name)
        rows = files["layups"].query("reason in ['in-workshop', 'awaiting-parts']")
        first = pd.to_datetime(rows["from"]).clip(lower=start)
        last = pd.to_datetime(rows["to"]).fillna(end).clip(upper=end)
        days = ((last - first).dt.days + 1).clip(lower=0).sum()
        assert self.row(fleet, "downtime", name) == days

    def test_cost_per_mile(self, fleet, files, name):
        """Of the days up to each vehicle's last reading: distances between readings by np.interp."""
        start, end = span(name)
        read, miles, amount, days = usage.readings(fleet), 0.0, 0.0, here(files)
        rows = spent(files, name)
        for vehicle, mine in read.groupby("vehicle"):
            mine = mine.groupby("date")["distance_km"].max()
            begin = max(start, days.loc[vehicle, "start"])
            stop = min(end, days.loc[vehicle, "end"], mine.index.max())
            if stop <= begin or mine.index.min() >= stop:
                continue
            at = np.interp(
                [x.value for x in (begin - pd.Timedelta(days=1), stop)],
                [x.value for x in mine.index],
                mine.to_numpy(),
            )
            miles += (at[1] - at[0]) / DISTANCE_KM["mi"]
            own = rows[rows["vehicle"].eq(vehicle)]
            share = ((stop - begin).days + 1) / (
                (min(end, days.loc[vehicle, "end"]) - begin).days + 1
            )
            by_day = own.loc[own["date"].isna(), "amount"].sum() * share
            amount += by_day + own.loc[own["date"] <= stop, "amount"].sum()
        told = wb.month(fleet).set_index("measure").loc["cost_per_mi"]
        column = {"this": "this_month", "before": "month_before", "year": "year_before"}[name]
        assert told[column] == pytest.approx(amount / miles, rel=1e-6)


def test_the_changes_are_of_vehicles_here_in_both(fleet, files):
    told, days = wb.month(fleet).set_index("measure"), here(files)
    sums = {name: spent(files, name).groupby("vehicle")["amount"].sum() for name in FIRST}
    for name in ("before", "year"):
        there = (days["start"] <= span(name)[0]) & (days["end"] >= span("this")[1])
        both = days.index[there]
        was, now = (sums[x].reindex(both).fillna(0).sum() for x in (name, "this"))
        assert told.loc["spend_money", f"n_{name}"] == len(both)
        assert told.loc["spend_money", f"change_{name}"] == pytest.approx(now / was - 1, abs=1e-6)
    assert len(told.columns) == 14


def test_money_of_all_months_is_the_accounts(fleet):
    from wearbar.cost import account

    lines = account.account(fleet).lines
    inside = lines["date"] >= months.months_of(fleet)[0]
    assert months.by_vehicle(fleet)["spend"].sum() == pytest.approx(lines[inside]["amount"].sum())


class TestAChange:
    def test_of_two_shares_is_newcombes(self):
        """56 of 70 and 48 of 80, each its own vehicle: statsmodels' hybrid score limits."""
        then, now = np.repeat([1, 0], [48, 32]), np.repeat([1, 0], [56, 14])
        n_then, n_now = np.repeat([1, 0], [80, 70]), np.repeat([0, 1], [80, 70])
        won_then, won_now = np.append(then, np.zeros(70)), np.append(np.zeros(80), now)
        found, p = share_change(won_then, n_then, won_now, n_now, 0.95)
        low, high = confint_proportions_2indep(56, 70, 48, 80, method="newcomb")
        assert found.value == pytest.approx(0.2)
        assert (found.low, found.high) == pytest.approx((low, high), abs=0.004)
        assert 0.005 < p < 0.015

    def test_of_alike_vehicles_is_narrower(self):
        n = np.full(12, 20)
        won = np.arange(8, 20)
        paired, apart = (
            share_change(won, n, won - 2, n)[0],
            share_change(won, n, won[::-1] - 2, n)[0],
        )
        assert paired.high - paired.low < 0.6 * (apart.high - apart.low)

    def test_from_a_month_without_a_failure_has_limits(self):
        n = np.full(10, 4)
        found, _ = share_change(n, n, n, n)
        assert found.low < 0 == found.value < found.high

    @pytest.mark.parametrize("measure", ["on_time", "spend"])
    def test_holds_and_claims_as_it_says(self, measure):
        """Ten vehicles, 150 samples; tests/reference/coverage.md has 2,000 of many fleets."""
        rng, held, claimed = np.random.default_rng(7), 0, 0
        for _ in range(150):
            level = np.exp(0.25 * rng.standard_normal(10))
            odds = np.clip(0.83 + 0.1 * rng.standard_normal(10), 0.4, 0.99)
            sides = []
            for _ in range(2):
                jobs = rng.poisson(4, 10)
                bills = rng.poisson(0.2, 10) * 400 * np.exp(rng.standard_normal(10))
                sums = {"jobs": jobs, "won": rng.binomial(jobs, odds)}
                sums["spend"] = level * (rng.gamma(6, 30, 10) + bills)
                sides.append(pd.DataFrame(sums).assign(cost=0, distance_km=1, down_days=0))
            found, p = months.paired(measure, *sides)
            held += found.low <= 0 <= found.high
            claimed += p < months.CLEAR_P
        assert 0.83 < held / 150 < 0.97
        assert claimed / 150 < 0.10

    def test_needs_six_vehicles_and_ten_jobs(self):
        side = pd.DataFrame({"jobs": [2.0] * 6, "won": 1.0, "spend": [3.0, 4, 5, 6, 7, 8]})
        side = side.assign(cost=side["spend"], distance_km=10.0, down_days=1.0)
        assert months.paired("on_time", side, side)[0].note == ""
        assert months.paired("on_time", side, side.assign(jobs=1.0))[0].note == "few"
        assert months.paired("spend", side[:5], 2 * side[:5])[0].note == "few vehicles"
        rest = side.assign(down_days=range(6))
        assert months.paired("downtime", side, rest)[0].note == ""
        assert months.paired("downtime", 0 * side, 0 * side)[0].note == "few"


def little(as_of, work=(), vehicles=1, **tables):
    """A log of vans without plan or readings."""
    vans = [
        {
            "vehicle": f"V{i}",
            "kind": "van",
            "site": "A" if i % 2 else "B",
            "in_service": "2025-01-01",
            "meter": "none",
        }
        for i in range(vehicles)
    ]
    frames = {"vehicles": pd.DataFrame(vans)} | {k: pd.DataFrame(x) for k, x in tables.items()}
    rows = [
        {"vehicle": v, "date": d, "task": "x", "why": "defect", "parts_cost": x} for v, d, x in work
    ]
    if rows:
        frames["work"] = pd.DataFrame(rows)
    return log.log_of(frames, HEADER | {"as_of": as_of})


class TestTheReportMonth:
    @pytest.mark.parametrize(
        "as_of, month", [("2026-03-31", "2026-03"), ("2026-03-30", "2026-02"), ("2026-02-28", "2026-02")]
    )  # fmt: skip
    def test_is_the_last_whole_one(self, as_of, month):
        assert f"{months.months_of(little(as_of))[-1]:%Y-%m}" == month

    def test_is_none_in_the_first_weeks(self):
        logged = little("2026-01-30")
        assert months.month_of(logged).empty
        assert moved.to_date(logged) == {}
        assert wb.month(logged).empty
        assert len(wb.month(logged).columns) == 15

    def test_two_months_say_what_was_spent_and_no_more(self):
        logged = little("2026-02-28", [("V0", "2026-01-05", 10.0), ("V0", "2026-02-05", 30.0)])
        told = months.month_of(logged).set_index("measure")
        assert told.loc["spend", ["this", "before"]].tolist() == [30.0, 10.0]
        assert told.loc["cost_per_km":, "this"].isna().all()
        assert told.filter(regex="^(low|high)_").isna().all(axis=None)

    def test_a_part_month_is_never_compared(self):
        header = HEADER | {"as_of": "2026-02-28", "first_day": "2026-01-02"}
        vans = pd.DataFrame(
            {"vehicle": list("ABCDEFG"), "kind": "van", "in_service": "2025-01-01", "meter": "none"}
        )
        work = vans[["vehicle"]].assign(date="2026-02-03", task="x", why="defect", parts_cost=9.0)
        told = months.month_of(log.log_of({"vehicles": vans, "work": work}, header))
        assert told["before"].isna().all()
        assert told["change_before"].isna().all()


class TestWhatIsNotKnown:
    def test_is_the_money_of_a_month_with_too_few_amounts(self):
        work = [(f"V{i}", f"2026-0{m}-05", 10.0) for i in range(8) for m in (1, 2, 3)]
        blank = [(f"V{i}", "2026-03-09", None) for i in range(3)]
        told = months.by_month(little("2026-03-31", work + blank, 8))["spend"]
        assert told.tolist()[:2] == [80.0, 80.0]
        assert np.isnan(told.iloc[2])

    @pytest.mark.parametrize("as_of, is_known", [("2026-02-28", False), ("2026-04-30", True)])
    def test_is_a_cost_per_mile_before_three_months_of_record(self, as_of, is_known):
        read = [
            {"vehicle": "V0", "date": d, "odometer": x}
            for d, x in (("2026-01-01", 0), (as_of, 900))
        ]
        van = [{"vehicle": "V0", "kind": "van", "in_service": "2026-01-01"}]
        work = [
            {"vehicle": "V0", "date": "2026-02-05", "task": "x", "why": "defect", "parts_cost": 9}
        ]
        frames = {"vehicles": van, "odometer": read, "work": work}
        frames = {name: pd.DataFrame(rows) for name, rows in frames.items()}
        told = months.by_month(log.log_of(frames, HEADER | {"as_of": as_of})).loc["2026-02-01"]
        assert told["spend"] == 9
        assert pd.notna(told["cost_per_km"]) == is_known

    def test_is_the_change_of_a_vehicle_that_left_within_the_month(self):
        vans = [{"vehicle": f"V{i}", "kind": "van", "in_service": "2025-01-01"} for i in range(8)]
        vans[0] |= {"disposed": "2026-03-20", "disposal": "sold"}
        vans[1]["in_service"] = "2026-02-10"
        rows = [(v["vehicle"], f"2026-0{m}-15") for v in vans for m in (2, 3)]
        work = pd.DataFrame(rows, columns=["vehicle", "date"])
        work = work.assign(task="x", why="defect", parts_cost=[5.0 + i % 3 for i in range(16)])
        frames = {"vehicles": pd.DataFrame(vans).assign(meter="none"), "work": work}
        told = months.month_of(log.log_of(frames, HEADER | {"as_of": "2026-03-31"}))
        assert told.set_index("measure").loc["spend", "n_before"] == 6


class TestMovers:
    def history(self, rng, last=1.0, vehicles=8):
        days = pd.date_range("2025-01-01", "2026-06-01", freq="MS") + pd.Timedelta(days=4)
        size = 100 + 10 * rng.standard_normal((vehicles, len(days)))
        size[3, -1] *= last
        work = [(f"V{i}", day, size[i, j]) for i in range(vehicles) for j, day in enumerate(days)]
        vans = {
            "vehicle": [f"V{i}" for i in range(vehicles)],
            "kind": "van",
            "site": list("AABBAABB")[:vehicles],
        }
        rows = pd.DataFrame(work, columns=["vehicle", "date", "parts_cost"])
        frames = {
            "vehicles": pd.DataFrame(vans).assign(in_service="2024-01-01", meter="none"),
            "work": rows.assign(task="x", why="defect"),
        }
        return log.log_of(frames, HEADER | {"first_day": "2025-01-01", "as_of": "2026-06-30"})

    def test_one_that_cost_far_more_is_named_and_drawn_to_the_mean(self):
        found = moved.movers(self.history(np.random.default_rng(1), 4.0))
        assert found["who"].tolist()[0] == "V3"
        first = found.iloc[0]
        assert first["usual"] == pytest.approx(100, rel=0.1)
        assert (
            0.5 * (first["this"] - first["usual"]) < first["moved"] < first["this"] - first["usual"]
        )
        assert "B" in found.loc[found["of"].eq("site"), "who"].tolist()

    def test_none_is_named_where_months_are_alike(self):
        """In 60 fleets of eight, where 1 in 18 has the furthest of all months last."""
        rng, named = np.random.default_rng(5), 0
        days = pd.date_range("2025-01-01", periods=18, freq="MS")
        index = [["vehicle"], list("ABCDEFGH"), days]
        index = pd.MultiIndex.from_product(index, names=["of", "who", "month"])
        for _ in range(60):
            jobs = rng.poisson(2, len(index))
            sums = {"jobs": jobs, "won": rng.binomial(jobs, 0.8), "spend": rng.exponential(9, 144)}
            named += len(moved.furthest(pd.DataFrame(sums, index))) > 0
        assert 1 <= named <= 8

    def test_none_of_a_short_record_or_two_vehicles(self):
        assert moved.movers(little("2026-02-28", vehicles=9)).empty
        assert moved.movers(
            self.history(np.random.default_rng(1), 9.0, vehicles=8).only(["V3", "V4"])
        ).empty


class TestTheYear:
    WORK = (("V0", "2026-01-05", 10.0), ("V1", "2026-02-05", 30.0), ("V1", "2026-03-05", 99.0))

    def budget(self, *rows):
        names = ["month", "site", "category", "amount"]
        plan = pd.DataFrame(rows, columns=names)
        return little("2026-02-28", self.WORK, 2, budget=plan)

    def test_spend_against_the_budget_of_what_it_names(self):
        logged = self.budget(
            ("2026-01", None, None, 25.0),
            ("2026-02", "B", "repairs", 5.0),
            ("2026-03", None, None, 1.0),
        )
        told = moved.to_date(logged)
        assert (told["spend"], told["budget"], told["spent"]) == (40.0, 30.0, 10.0)
        assert (told["months"], told["of_months"], told["is_twice"]) == (2, 2, False)

    def test_rows_that_name_the_same_money_are_seen(self):
        logged = self.budget(("2026-01", None, None, 25.0), ("2026-01", "B", None, 5.0))
        assert moved.to_date(logged)["is_twice"]

    def test_of_a_site_its_own_rows_alone(self):
        logged = self.budget(("2026-01", None, None, 25.0), ("2026-02", "A", None, 5.0)).only(
            ["V1"]
        )
        assert np.isnan(moved.to_date(logged)["budget"])
        told = moved.to_date(logged, "A")
        assert (told["budget"], told["spent"]) == (5.0, 30.0)


def test_rows_that_could_change_a_figure_are_named():
    work = [
        ("V0", "2026-02-05", None),
        ("V0", "2026-02-06", 5.0),
        ("V0", "2026-02-06", 5.0),
        ("V0", "2026-02-30", 7.0),
    ]
    logged = little(
        "2026-02-28",
        work,
        layups=[{"vehicle": "V0", "from": "2026-02-20", "to": "2026-02-10", "reason": "spare"}],
    )
    found = moved.doubts(logged).set_index(["what", "table"])
    assert found["n"].to_dict() == {
        ("blank", ""): 1,
        ("aside", "work"): 1,
        ("doubtful", "work"): 1,
        ("aside", "layups"): 1,
    }
    assert found.loc[("aside", "layups"), "figures"] == ["downtime"]
