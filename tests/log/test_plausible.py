"""What is plausible beside its like: money, fills, hours, depths and pressures far from their peers are named."""

import numpy as np
import pandas as pd
import pytest

from wearbar.cost.bills import known_shares, money_lines
from wearbar.cost.fuel import tanks
from wearbar.log import log_of
from wearbar.log.plan import plan_of
from wearbar.report.words.log_check import problems_said

HEADER = {
    "distance": "km",
    "volume": "L",
    "depth": "mm",
    "pressure": "psi",
    "currency": "GBP",
    "money": "net",
}


def fills(**changed):
    """Ten fills of one car, 40 L and 60.00 each 500 km."""
    frame = pd.DataFrame(
        {
            "vehicle": "A",
            "date": pd.date_range("2025-01-05", periods=10, freq="14D"),
            "odometer": np.arange(10) * 500.0 + 1000,
        }
        | {"volume": np.linspace(38, 42, 10).round(1), "kind": "petrol", "cost": 60.0}
    )
    for name, cells in changed.items():
        frame[name] = frame.get(name, np.nan)
        for at, value in cells.items():
            frame[name] = frame[name].astype(object)
            frame.loc[at, name] = value
    return frame


def read(vehicles=("A",), kind="car", header=HEADER, **frames):
    fleet = pd.DataFrame(
        {
            "vehicle": list(vehicles),
            "kind": kind,
            "in_service": "2024-01-01",
            "in_service_odometer": 0,
        }
    )
    odometer = pd.DataFrame({"vehicle": list(vehicles), "date": "2025-12-31", "odometer": 20000})
    return log_of({"vehicles": fleet, "odometer": odometer, **frames}, header)


def told(log, kind="set_aside"):
    return [
        tuple(row)
        for row in getattr(log, kind)[["table", "line", "column", "rule"]].itertuples(index=False)
    ]


class TestFills:
    def test_a_fill_of_ten_times_too_much_keeps_its_money_and_gives_no_economy(self):
        log = read(fuel=fills(volume={4: 405}))
        assert ("fuel", 6, "volume", "fill-too-big") in told(log, "warnings")
        assert money_lines(log)["amount"].sum() == 600
        whole, spoilt = (tanks(x) for x in (read(fuel=fills()), log))
        assert (len(whole), len(spoilt)) == (9, 8)
        assert spoilt["l_per_100km"].between(7, 9).all()

    @pytest.mark.parametrize(
        "volume, rule", [("0", "fill-zero"), ("a lot", "not-a-number"), ("", "required")]
    )
    def test_a_fill_without_its_volume_never_makes_the_others_go_further(self, volume, rule):
        log = read(fuel=fills(volume={4: volume}))
        assert ("fuel", 6, "volume", rule) in told(log) + told(log, "warnings")
        made = tanks(log)
        assert len(made) in (7, 8)
        assert made["l_per_100km"].between(7, 9).all()

    def test_the_money_of_a_row_set_aside_is_not_said_to_be_known(self):
        shares = known_shares(money_lines(read(fuel=fills(filled_to={4: "brim"})))).set_index(
            "source"
        )
        assert shares.loc["fuel", ["rows", "known"]].tolist() == [10, 9]
        twice = pd.concat([fills(), fills().iloc[[3]]], ignore_index=True)
        assert known_shares(money_lines(read(fuel=twice)))["known_share"].tolist() == [1.0]

    def test_where_the_cost_is_blank_it_is_the_price_of_a_litre_times_the_litres(self):
        log = read(fuel=fills(cost={2: None, 3: None}, unit_price={2: 1.5, 5: 1.5}))
        lines = money_lines(log)
        assert lines["amount"].round(2).tolist()[2:4] == pytest.approx([58.35, np.nan], nan_ok=True)
        assert lines["amount"].sum() == pytest.approx(8 * 60 + 58.35)

    def test_a_fill_beside_three_others_of_its_kind(self):
        few = pd.DataFrame(
            {
                "vehicle": ["A", "A", "A", "B"],
                "date": ["2025-01-05", "2025-02-05", "2025-03-05", "2025-03-06"],
            }
        )
        log = read(vehicles=("A", "B"), fuel=few.assign(volume=[11, 12, 10.5, 1150]))
        assert told(log, "warnings") == [("fuel", 5, "volume", "fill-too-big")]

    def test_the_price_of_a_litre_written_as_the_cost_of_one_fill(self):
        log = read(fuel=fills(cost={3: 1.49, 7: 6.0, 8: 600}))
        told_ = log.warnings.set_index("line")
        assert told_["rule"].to_dict() == {5: "fuel-price", 9: "fuel-price", 10: "fuel-price"}
        assert "write it in unit_price" in told_["remedy"][5]
        assert told_["remedy"][[9, 10]].str.endswith("a decimal point? 60").all()
        assert money_lines(log)["amount"].sum() == pytest.approx(7 * 60 + 607.49)

    def test_a_column_of_costs_that_is_one_of_prices(self):
        rng = np.random.default_rng(3)
        volume = pd.Series(rng.uniform(8, 45, 12).round(1))
        many = pd.concat([fills(), fills()], ignore_index=True).head(12).assign(volume=volume)
        many["date"] = pd.date_range("2025-01-05", periods=12, freq="14D")
        many["odometer"] = np.arange(12) * 400.0 + 1000
        price = rng.uniform(1.40, 1.55, 12).round(3)
        for cost, rule in (
            (price, ["cost-is-price"]),
            ((price * volume).round(2), []),
            (np.full(12, 20.0), None),
        ):
            found = [row[3] for row in told(read(fuel=many.assign(cost=cost)), "warnings")]
            assert rule is None or found == rule

    def test_electricity_at_home_and_by_the_road(self):
        price = np.where(np.arange(10) % 5 == 0, 0.79, 0.07)
        log = read(
            fuel=fills().assign(kind="electric", cost=lambda f: (f["volume"] * price).round(2))
        )
        assert not len(log.warnings)

    def test_a_cost_that_is_not_price_times_volume(self):
        log = read(fuel=fills(unit_price={1: 1.53, 2: 2.9}))
        assert told(log, "warnings") == [("fuel", 4, "cost", "cost-differs")]


def jobs(parts, **more):
    n = len(parts)
    days = pd.date_range("2025-01-05", periods=n, freq="11D")
    return pd.DataFrame(
        {"vehicle": "A", "date": days, "task": "oil", "why": "planned", "parts_cost": parts, **more}
    )


class TestMoney:
    BILLS = (38.5, 41, 44, 39, 40, 47.5, 42, 43)

    def test_one_absurd_amount_is_in_no_sum_and_its_row_is_not_known(self):
        log = read(work=jobs([*self.BILLS, 1e12], labour_cost=60.0))
        assert told(log, "warnings") == [
            ("work", 10, "parts_cost", "money-wild"),
            ("work", 10, "labour_cost", "money-wild"),
        ]
        lines = money_lines(log)
        assert lines["amount"].sum() == sum(self.BILLS) + 8 * 60
        assert known_shares(lines)[["rows", "known"]].values.tolist() == [[9, 8]]
        assert len(log.tables["work"]) == 9

    def test_an_absurd_amount_alone_has_no_peers_and_is_still_more_than_any_bill(self):
        log = read(work=jobs([1e12]))
        assert told(log, "warnings") == [("work", 2, "parts_cost", "money-wild")]
        assert money_lines(log)["amount"].isna().all()

    def test_a_hundred_times_too_much_for_a_planned_job_is_doubted_and_kept(self):
        log = read(work=jobs([*self.BILLS, 3850]))
        assert told(log, "warnings") == [("work", 10, "parts_cost", "money-high")]
        assert log.warnings["remedy"][0].endswith("a decimal point lost? 38.5")
        assert money_lines(log)["amount"].sum() == sum(self.BILLS) + 3850

    def test_a_credit_stays_a_credit(self):
        log = read(work=jobs([*self.BILLS, -44]))
        assert not len(log.warnings)
        assert money_lines(log)["amount"].sum() == sum(self.BILLS) - 44

    def test_an_engine_among_oil_changes_is_a_bill_like_others(self):
        engine = jobs([*self.BILLS, 5200.0])
        engine.loc[8, ["task", "why"]] = ["engine", "defect"]
        assert not len(read(work=engine).warnings)

    @pytest.mark.parametrize(
        "table, cells",
        [
            (
                "fitted",
                {
                    "position": "front",
                    "category": "tyre",
                    "item": "x",
                    "price": [90, 95, 88, 102, 9e8],
                },
            ),
            (
                "fixed_costs",
                {"to": "2025-12-31", "category": "insurance", "amount": [300, 310, 290, 305, 3e9]},
            ),
            ("valuations", {"value": [5000, 4800, 4700, 4600, 46e8]}),
        ],
    )
    def test_other_money(self, table, cells):
        day = {"fitted": "fitted", "fixed_costs": "from", "valuations": "date"}[table]
        rows = pd.DataFrame(
            {"vehicle": "A", **{k: v for k, v in cells.items() if isinstance(v, list)}}
        ).assign(**{k: v for k, v in cells.items() if not isinstance(v, list)})
        rows[day] = pd.date_range("2025-01-05", periods=5, freq="11D")
        if table == "fitted":
            rows["removed"] = rows[day].shift(-1)
        log = read(**{table: rows})
        assert [row[3] for row in told(log) + told(log, "warnings")] == ["money-wild"]
        assert log.ledger.set_index("table").loc[table, "read"] == 5

    @pytest.mark.parametrize("n", [8, 40, 200])
    def test_heavy_bills_raise_no_alarm(self, n):
        rng = np.random.default_rng(8)
        alarms = 0
        for _ in range(12):
            bills = np.where(
                rng.random(n) < 0.8, rng.lognormal(3.7, 0.5, n), rng.lognormal(6, 1.2, n)
            ).round(2)
            why = np.where(bills > 150, "defect", "planned")
            alarms += len(
                read(
                    work=jobs(bills, labour_cost=rng.lognormal(4, 0.8, n).round(2)).assign(why=why)
                ).warnings
            )
        assert alarms == 0

    def test_minutes_for_hours(self):
        log = read(
            work=jobs(
                list(self.BILLS) * 2, labour_hours=[0.5, 0.6, 0.4, 0.5, 0.7, 0.5, 0.6, 30] * 2
            )
        )
        assert [row[2:] for row in told(log, "warnings")] == [("labour_hours", "hours-high")] * 2


def tyres(new=8.0, **more):
    rows = [
        {
            "position": p,
            "category": "tyre",
            "item": "x",
            "fitted": f"2024-0{k}-01",
            "removed": f"2024-0{k + 1}-01",
            "new_depth": new,
        }
        for k in range(2, 8)
        for p in ("front", "rear")
    ]
    return pd.DataFrame(rows).assign(vehicle="A", **more)


class TestSizes:
    @pytest.mark.parametrize("depth, rule", [(800, "depth-impossible"), (80, "depth-unlike")])
    def test_a_new_depth_of_ten_or_a_hundred_times_too_much(self, depth, rule):
        rows = tyres()
        rows.loc[4, "new_depth"] = depth
        log = read(fitted=rows)
        assert told(log, "warnings") == [("fitted", 6, "new_depth", rule)]
        assert (
            "a decimal point lost? 8" in log.warnings["remedy"][0]
            or " or 8" in log.warnings["remedy"][0]
        )
        assert log.tables["fitted"]["new_depth"].isna().sum() == 1

    def test_a_measured_depth_that_no_part_has(self):
        value = pd.DataFrame(
            {"vehicle": "A", "date": ["2025-02-01"], "position": "front", "category": "brake-pad"}
        )
        log = read(measurements=value.assign(quantity="thickness", value=450))
        assert told(log) == [("measurements", 2, "value", "depth-impossible")]

    @pytest.mark.parametrize(
        "kind, unit, value, named",
        [
            ("motorcycle", "psi", 32, ""),  # common practice, no source: a usual road pressure
            (
                "motorcycle",
                "psi",
                3.2,
                ": 3.2 bar or 32 psi? If 3.2 psi is right, the tyre is flat",
            ),
            ("motorcycle", "psi", 320, "320 kPa or 32 psi?"),
            ("motorcycle", "psi", 2.2, "2.2 bar"),
            ("car", "bar", 32, "32 psi"),
            ("car", "bar", 2.3, ""),
            ("quad", "psi", 4, ""),
            ("truck", "bar", 8.5, ""),
            ("car", "psi", 0, "flat: see to it before use"),
        ],
    )
    def test_pressures(self, kind, unit, value, named):
        rows = pd.DataFrame(
            {
                "vehicle": "A",
                "date": ["2025-02-01"],
                "position": "front",
                "category": "tyre",
                "quantity": "pressure",
            }
        )
        log = read(
            kind=kind, header=HEADER | {"pressure": unit}, measurements=rows.assign(value=value)
        )
        assert told(log, "warnings") == (
            [("measurements", 2, "value", "pressure-odd")] if named else []
        )
        assert named in "".join(log.warnings["remedy"])
        assert len(log.tables["measurements"]) == 1

    @pytest.mark.parametrize(
        "value, unit, named",
        [
            (70, "N.m", False),
            (700, "N.m", True),
            (3.2, "N.m", True),  # common practice, no source: 70 N.m on a spindle nut, 32 psi
            (51.6, "lbf.ft", False),
            (516, "lbf.ft", True),
        ],
    )
    def test_torques_of_a_plan(self, value, unit, named):
        assert (
            self.of_plan({"name": "wheel spindle nut torque", "value": value, "unit": unit})
            == named
        )

    @pytest.mark.parametrize("value, named", [(32, False), (3.2, True), (700, True)])
    def test_pressures_of_a_plan(self, value, named):
        assert (
            self.of_plan({"name": "tyre pressure, front", "value": value, "unit": "psi"}) == named
        )

    @staticmethod
    def of_plan(figure):
        task = {
            "code": "wheels",
            "action": "tighten",
            "every": {"distance": 1000},
            "figures": [figure | {"source": "x"}],
        }
        plan = plan_of({"trail": {"applies_to": ["motorcycle"], "task": [task]}}, "km")
        fleet = pd.DataFrame(
            {"vehicle": ["A"], "kind": "motorcycle", "in_service": "2024-01-01", "meter": "none"}
        )
        log = log_of({"vehicles": fleet}, HEADER | {"as_of": "2025-01-01"}, plan=plan)
        assert len(log.warnings) <= 1
        return told(log, "warnings") == [
            ("plan.toml", 1, f"trail, wheels, {figure['name']}", "figure-odd")
        ]

    def test_more_distance_than_days_allow(self):
        use = pd.DataFrame(
            {
                "vehicle": "A",
                "from": ["2025-01-01", "2025-02-01"],
                "to": ["2025-01-31", "2025-02-28"],
            }
        )
        log = read(use=use.assign(distance=[900, 90000], loose=0.2))
        assert told(log, "warnings") == [("use", 3, "distance", "distance-high")]
        assert len(log.tables["use"]) == 2


@pytest.mark.parametrize("name", ["fleet", "owner"])
def test_the_demo_logs_raise_no_alarm_but_of_their_own_slips(demo_log, name):
    new = {
        "money-wild",
        "money-high",
        "hours-high",
        "fuel-price",
        "cost-differs",
        "cost-is-price",
        "depth-impossible",
        "depth-unlike",
        "pressure-odd",
        "distance-high",
        "figure-odd",
        "fill-zero",
    }
    found = demo_log(name).warnings
    assert found[found["rule"].isin(new)].to_string() == found.iloc[:0].to_string()


def test_what_is_said_of_rows_in_doubt_is_true_where_none_is_set_aside():
    said = problems_said(read(fuel=fills(volume={4: 0})))
    assert said.startswith("No row is set aside. 1 row is used, with a doubt about it. Lines count")
    both = problems_said(read(fuel=fills(volume={4: 0}, filled_to={6: "brim"})))
    assert both.startswith("1 row is set aside: no report uses it. 1 row is used, with")
