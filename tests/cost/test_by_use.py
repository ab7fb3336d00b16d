"""Hard use against normal use, parts spread over the distance they serve, constant prices: by hand, identities, and plain arithmetic."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from wearbar import intervals, parts, usage
from wearbar.cost import account as money
from wearbar.cost import by_use, fuel, used_up
from wearbar.log import log_of, places, read_log
from wearbar_synthetic.settings import CHANCES

HEADER = {"distance": "km", "volume": "L", "currency": "GBP", "money": "net"}
HEADER |= {"first_day": "2025-01-01", "as_of": "2025-12-31"}


def logged(fitted, reads, **more):
    """One van, or more: `reads` are (vehicle, day, km)."""
    names = sorted({name for name, *_ in reads})
    vehicles = {"vehicle": names, "kind": "van", "in_service": "2025-01-01"}
    tables = {
        "vehicles": pd.DataFrame(vehicles),
        "odometer": pd.DataFrame(reads, columns=["vehicle", "date", "odometer"]),
        "fitted": pd.DataFrame(fitted),
    }
    return log_of(tables | {n: pd.DataFrame(rows) for n, rows in more.items()}, HEADER)


def spread(log, usual=np.nan):
    book, spans = money.account(log), parts.spans_of(log).assign(usual_km=usual)
    return used_up.spread(book, parts.segments_of(log), spans, usage.log_path(log))


@pytest.fixture(scope="module")
def fleet():
    return read_log(places.place("data", "fleet"))


def tyre(vehicle, start, price, end=None, **more):
    told = {"vehicle": vehicle, "position": "front", "category": "tyre", "item": "x"}
    told |= {"fitted": start, "price": price, "removed": end, "reason": "worn" if end else None}
    return told | more


class TestSpread:
    READS = (("A", "2025-01-01", 0), ("A", "2025-02-28", 1000), ("A", "2025-03-31", 4000), ("A", "2025-12-31", 10000))  # fmt: skip

    def test_a_tyre_that_is_worn_costs_by_the_distance_of_each_month(self):
        """300 for 4,000 km: a quarter of them by the end of February, the rest in March."""
        lines, stock = spread(logged([tyre("A", "2025-01-01", 300.0, "2025-03-31")], self.READS))
        by = lines.groupby(lines["date"].dt.month)["amount"].sum()
        assert by.loc[[1, 2]].sum() == pytest.approx(75)
        assert by.loc[3] == pytest.approx(225)
        assert stock[["amount", "used_amount", "left_amount"]].iloc[0].tolist() == pytest.approx(
            [300, 300, 0]
        )

    def test_what_is_not_used_up_stands_as_stock(self):
        """Fitted on 31 March at 4,000 km, 6,000 km run of the 8,000 that the like run: a quarter is left."""
        log = logged([tyre("A", "2025-03-31", 200.0)], self.READS)
        lines, stock = spread(log, 8000.0)
        assert stock["left_amount"].tolist() == pytest.approx([50])
        assert lines["amount"].sum() == pytest.approx(150)
        assert spread(log, 5000.0)[1]["left_amount"].tolist() == pytest.approx([0])
        lines, stock = spread(log)  # nothing says how far the like run
        assert (lines["date"].tolist(), stock["is_spread"].tolist()) == (
            [pd.Timestamp("2025-03-31")],
            [False],
        )

    def test_a_part_that_moves_costs_the_vehicle_that_ran_it(self):
        """1,000 km on A in its first two months, then 3,000 on B."""
        reads = [*self.READS, ("B", "2025-01-01", 0), ("B", "2025-02-28", 0), ("B", "2025-12-31", 3000)]  # fmt: skip
        first = tyre("A", "2025-01-01", 400.0, "2025-02-28", part="T1") | {"reason": "moved"}
        second = tyre("B", "2025-02-28", None, "2025-12-31", part="T1")
        lines, stock = spread(logged([first, second], reads))
        assert lines.groupby("vehicle")["amount"].sum().to_dict() == pytest.approx(
            {"A": 100, "B": 300}
        )
        assert stock["left_amount"].tolist() == pytest.approx([0])

    def test_it_adds_up_to_what_was_paid_to_the_penny(self, fleet):
        book = money.account(fleet)
        lines, stock = spread(fleet, 20000.0)
        assert stock["is_spread"].sum() > 10
        assert (stock[["used_amount", "left_amount"]] >= -1e-9).all(axis=None)
        assert stock["used_amount"].add(stock["left_amount"]).to_numpy() == pytest.approx(
            stock["amount"].to_numpy()
        )
        whole = lines["amount"].sum() + stock["left_amount"].sum()
        assert whole == pytest.approx(book.lines["amount"].sum(), abs=0.005)
        bought = book.lines.query("source == 'fitted'")["amount"].sum()
        assert stock["amount"].sum() == pytest.approx(bought, abs=0.005)


class TestConstantPrices:
    DAYS = pd.Series(pd.to_datetime(["2024-12-31", "2025-01-01", "2025-02-10", "2025-03-31", "2026-01-01"]))  # fmt: skip

    def test_money_of_a_month_by_the_ratio_of_the_index(self):
        """100, 121 two months later: 110 between by the log; after its last month prices stand still; before its first none are known."""
        index = pd.DataFrame({"month": ["2025-03", "2025-01-01"], "index": [121.0, 100.0]})
        found = used_up.price_level(index.sort_values("month"), self.DAYS)
        assert found[1:].tolist() == pytest.approx([1.21, 1.1, 1, 1])
        assert np.isnan(found[0])

    def test_a_wrong_row_is_set_aside_with_its_line_and_column(self):
        months = ["2025-01", "May 2025", "2025-03", "2025-01", "2025-04"]
        index = {"month": months, "index": [100.0, 101.0, -1.0, 99.0, "x"]}
        log = logged([tyre("A", "2025-01-01", 1.0)], TestSpread.READS, price_index=index)
        wrong = log.set_aside.sort_values("line")[["line", "column", "rule"]]
        assert wrong.to_numpy().tolist() == [
            [3, "month", "not-a-month"],
            [4, "index", "out-of-range"],
            [5, "month", "repeated-id"],
            [6, "index", "not-a-number"],
        ]
        assert log.tables["price_index"]["month"].tolist() == ["2025-01"]


class TestByUse:
    def test_money_and_distance_go_to_the_use_of_their_day(self):
        reads = TestSpread.READS
        work = {"vehicle": "A", "date": ["2025-01-05", "2025-02-10", "2025-06-01"], "task": "oil"}
        work |= {"why": "planned", "labour_cost": [1.0, 2.0, 4.0]}
        log = logged([tyre("A", "2025-03-31", 8.0)], reads, work=work)
        days = pd.DataFrame({"vehicle": "A", "duty": ["normal", "severe", "severe", "normal"]})
        days["date"] = pd.to_datetime(
            ["2025-01-31", "2025-03-01", "2025-03-15", "2025-04-01"]
        ).astype("datetime64[ns]")
        found = by_use.money_by_use(money.account(log), days, usage.log_path(log))
        found = found.set_index("duty")
        assert found["amount"].to_dict() == {"normal": 6.0, "severe": 8.0}  # 1.0: before any row
        assert found["distance_km"]["severe"] == pytest.approx(3000)
        before = usage.distance_at(usage.log_path(log), ["A"], [pd.Timestamp("2025-01-30")])
        assert found["distance_km"].sum() == pytest.approx(10000 - before["distance_km"].iat[0])

    def test_the_fleet_by_plain_pandas(self, fleet):
        log = fleet
        book, days = money.account(log), intervals.use_by_day(log)
        found = by_use.money_by_use(book, days, usage.log_path(log))
        spent = book.lines.query("not is_fixed and with_distance and amount.notna()")
        own = spent[spent["vehicle"] == "M01"].sort_values("date")
        own = pd.merge_asof(own, days.query("vehicle == 'M01'")[["date", "duty"]], on="date")
        want = own.dropna(subset="duty").groupby("duty")["amount"].sum()
        have = found[found["vehicle"] == "M01"].set_index("duty")["amount"]
        assert have.to_dict() == pytest.approx(want.to_dict())
        assert found["distance_km"].sum() <= book.vehicles["distance_km"].sum()

    def test_the_fuel_that_loose_ground_takes_in_the_demo_is_found(self, fleet):
        """By data/truth: 20% more on loose ground alone; hard use has so much more of it as the vehicles' true shares tell."""
        days, burnt = intervals.use_by_day(fleet), fuel.liquid(fuel.tanks(fleet))
        rows = burnt.assign(duty=by_use.duty_on(days, burnt["vehicle"], burnt["date"]))
        rows["group"] = rows["vehicle"].map(fleet.vehicles["kind"])
        loose = pd.read_csv(places.place("data", "truth", "fleet", "vehicles.csv"), index_col=0)[
            "loose"
        ]
        effect = 1 + CHANCES["fuel_loose_effect"] * rows["vehicle"].map(loose)
        rows = rows.assign(true_l=rows["distance_km"] * effect)
        found, p = by_use.compared(rows, "volume_l", "distance_km")
        truth = by_use.compared(rows, "true_l", "distance_km")[0].value
        assert truth > 1.02
        assert found.low < truth < found.high
        assert p < 0.05

    def entries(self, n=6, times=1.3, group="van", both=0):
        """n vehicles in each use, `both` of them in both; hard use costs `times` as much."""
        rng = np.random.default_rng(3)
        rows = []
        for duty, first in (("severe", 0), ("normal", n - both)):
            for car in range(first, first + n):
                km = rng.uniform(5, 20)
                cost = km * rng.uniform(0.9, 1.1) * (times if duty == "severe" else 1)
                rows.append((f"{group}{car}", group, duty, cost, km))
        names = ["vehicle", "group", "duty", "amount", "distance_km"]
        return pd.DataFrame(rows, columns=names)

    def test_of_vehicles_in_one_use_alone_it_is_welchs_test_of_jackknife_means(self):
        """p of scipy's Welch test of two means, whose variances are the jackknife's of the log of each ratio."""
        rows = self.entries(7).drop(index=[0, 1])
        found, p = by_use.compared(rows, "amount", "distance_km")
        told = []
        for duty in ("severe", "normal"):
            cost, km = rows.loc[rows["duty"] == duty, ["amount", "distance_km"]].to_numpy().T
            without = np.log((cost.sum() - cost) / (km.sum() - km))
            spread = np.sqrt((len(km) - 1) * ((without - without.mean()) ** 2).sum())
            told += [np.log(cost.sum() / km.sum()), spread, len(km)]
        assert found.value == pytest.approx(np.exp(told[0] - told[3]))
        assert p == pytest.approx(stats.ttest_ind_from_stats(*told, equal_var=False).pvalue)
        assert (p < 0.05, found.n, found.low > 1) == (True, 12, True)

    def test_of_vehicles_all_in_both_it_is_the_paired_jackknife(self):
        rows = self.entries(both=6)
        found, p = by_use.compared(rows, "amount", "distance_km")
        wide = rows.pivot(index="vehicle", columns="duty", values=["amount", "distance_km"])
        sums = [wide[name][duty].to_numpy() for duty in ("severe", "normal") for name in ("amount", "distance_km")]  # fmt: skip
        a, b, c, d = (x.sum() - x for x in sums)
        without = np.log(a / b) - np.log(c / d)
        se = np.sqrt(5 * without.var())
        value = np.log(found.value)
        assert found.value == pytest.approx(sums[0].sum() / sums[1].sum() / (sums[2].sum() / sums[3].sum()))  # fmt: skip
        assert p == pytest.approx(2 * stats.t.sf(abs(value) / se, 5))
        assert found.low == pytest.approx(np.exp(value - stats.t.ppf(0.95, 5) * se))

    def test_kinds_are_compared_within_themselves(self):
        """Trucks cost ten times as much and are all but one used hard: within each kind there is no difference."""
        trucks = self.entries(7, 1.0, "truck").iloc[:10]
        trucks["amount"] *= 10
        vans = self.entries(7, 1.0).iloc[4:]
        found, p = by_use.compared(pd.concat([trucks, vans]), "amount", "distance_km")
        assert found.value == pytest.approx(1, abs=0.1)
        assert p > 0.05

    def test_two_kinds_that_are_alike_halve_the_variance_and_double_the_freedom(self):
        one = self.entries(both=6)
        other = one.assign(group="truck", vehicle="x" + one["vehicle"])
        found, _ = by_use.compared(one, "amount", "distance_km")
        both, p = by_use.compared(pd.concat([one, other]), "amount", "distance_km")
        se = np.log(found.value / found.low) / stats.t.ppf(0.95, 5) / np.sqrt(2)
        assert both.value == pytest.approx(found.value)
        assert p == pytest.approx(2 * stats.t.sf(np.log(both.value) / se, 10))
        assert both.high == pytest.approx(both.value * np.exp(stats.t.ppf(0.95, 10) * se))

    def test_few_vehicles_are_refused(self):
        for few in (self.entries(4), self.entries().query("duty == 'severe'")):
            found, p = by_use.compared(few, "amount", "distance_km")
            assert np.isnan([found.value, p]).all()
        two = [self.entries(2, group=kind) for kind in ("van", "truck", "car")]
        assert by_use.compared(pd.concat(two), "amount", "distance_km")[0].n == 0
