import runpy
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from wearbar.log.schema import TEXT
from wearbar.log.units import DISTANCE_KM
from wearbar.usage.days_of_use import clock_of, season
from wearbar.usage.forecast import chance_reached, fit_usage, forecast_dates

DAY0 = pd.Timestamp("2022-01-01")


def day(n):
    return DAY0 + pd.to_timedelta(n, unit="D")


def readings(**vehicles):
    """Readings of vehicles, each (days since the first of 2022, km)."""
    frames = [
        pd.DataFrame({"vehicle": name, "date": day(np.asarray(d)), "distance_km": km})
        for name, (d, km) in vehicles.items()
    ]
    frame = pd.concat(frames, ignore_index=True).astype({"vehicle": TEXT, "distance_km": float})
    return frame.assign(odometer_km=frame["distance_km"], hours=np.nan)


def fleet_of(frame, kind="van", site="north"):
    return pd.DataFrame({"vehicle": frame["vehicle"].unique(), "kind": kind, "site": site})


def ask(frame, vehicle, km, as_of=365, fleet=None, layups=None):
    model = fit_usage(frame, fleet_of(frame) if fleet is None else fleet, day(as_of), layups)
    return forecast_dates(model, [vehicle] * len(km), km)


def drive(daily, days):
    """(days, km) at these days of daily distances."""
    return days, np.append(0.0, np.cumsum(daily))[days]


def a_fleet(rng, n=30, length=365, k=8, daily=lambda rng, n, length: rng.gamma(2, 20, (n, length))):
    km = daily(rng, n, length + 400)
    days = np.sort(rng.integers(0, length, (n, k)), axis=1)
    days[:, -1] = length
    return readings(**{f"v{i:03d}": drive(km[i], days[i]) for i in range(n)}), km


def test_even_use_is_foretold_to_the_day():
    months = np.arange(0, 361, 30)
    found = ask(readings(A=(months, 10.0 * months)), "A", [3650, 4600], as_of=360)
    assert found["date"].tolist() == [day(365), day(460)]
    assert (
        (day(364) <= found["low"])
        & (found["low"] <= found["date"])
        & (found["date"] <= found["high"])
    ).all()
    assert (found["high"] - found["low"] < pd.Timedelta(days=15)).all()
    assert found["method"].tolist() == ["own", "own"]


def test_use_that_only_scatters_has_the_mean_rate_and_its_variance():
    km = np.append(0, np.cumsum(np.tile([250.0, 350.0], 6)))
    frame = readings(A=(np.arange(0, 361, 30), km))
    use = fit_usage(frame, fleet_of(frame), day(360)).vehicles.loc["A"]
    assert use["drift_per_day"] == 0
    assert use["rate_km_per_day"] == pytest.approx(10)
    assert use["log_variance"] == pytest.approx(use["dispersion_days"] / 360, rel=1e-3)
    assert use["df"] == 11


def test_what_is_reached_is_given_its_day():
    frame = readings(A=([0, 100, 200, 300], [0, 1000, 2000, 3000]))
    found = ask(frame, "A", [3000, 1500], as_of=310)
    assert found["method"].tolist() == ["reached", "reached"]
    assert found["date"].tolist() == [day(300), day(150)]
    assert (found["low"] == found["date"]).all()


def test_readings_after_the_day_are_not_looked_at():
    days = np.arange(0, 600, 25)
    km = np.cumsum(np.random.default_rng(1).gamma(2, 100, len(days)))
    whole, cut = readings(A=(days, km)), readings(A=(days[days <= 300], km[days <= 300]))
    pd.testing.assert_frame_equal(
        ask(whole, "A", [km[12] + 500], as_of=300), ask(cut, "A", [km[12] + 500], as_of=300)
    )


def test_miles_and_the_order_of_vehicles_change_nothing():
    frame, _ = a_fleet(np.random.default_rng(2))
    fleet = fleet_of(frame)
    asked = frame.groupby("vehicle")["distance_km"].max() + 3000
    expected = forecast_dates(fit_usage(frame, fleet, day(365)), asked.index, asked)
    miles = frame.assign(
        distance_km=frame["distance_km"] * DISTANCE_KM["mi"],
        odometer_km=frame["odometer_km"] * DISTANCE_KM["mi"],
    )
    pd.testing.assert_frame_equal(
        forecast_dates(fit_usage(miles, fleet, day(365)), asked.index, asked * DISTANCE_KM["mi"]),
        expected,
    )
    mixed = np.random.default_rng(3).permutation(len(asked))
    shuffled = forecast_dates(
        fit_usage(frame, fleet.iloc[mixed], day(365)), asked.index[mixed], asked.iloc[mixed]
    )
    pd.testing.assert_frame_equal(shuffled, expected.iloc[mixed].reset_index(drop=True))


def test_a_declared_lay_up_does_not_slow_the_rate_and_puts_the_date_off_by_its_length():
    days, km = np.arange(0, 361, 30), np.cumsum(np.random.default_rng(4).gamma(9, 30, 13))
    plain = ask(readings(A=(days, km)), "A", [km[-1] + 900], as_of=360)
    stored = np.where(days >= 180, days + 50, days)
    layups = pd.DataFrame(
        {"vehicle": ["A", "B"], "from": [day(155), day(1)], "to": [day(204), day(400)]}
    )
    after = ask(readings(A=(stored, km)), "A", [km[-1] + 900], as_of=410, layups=layups)
    for column in ("date", "low", "high"):
        assert (after[column] - plain[column]).dt.days.tolist() == [50]
    ahead = pd.DataFrame({"vehicle": ["A"], "from": [day(365)], "to": [day(384)]})
    late = ask(readings(A=(days, km)), "A", [km[-1] + 900], as_of=360, layups=ahead)
    assert (late["date"] - plain["date"]).dt.days.tolist() == [20]


def test_a_lay_up_still_open_ends_on_the_day_asked():
    open_one = pd.DataFrame({"vehicle": ["A"], "from": [day(301)], "to": [pd.NaT]})
    frame = readings(A=(np.arange(0, 301, 30), 300.0 * np.arange(11)))
    found = ask(frame, "A", [3000 + 50], as_of=330, layups=open_one)
    assert found["date"].tolist() == [day(335)]


def test_too_few_readings_of_its_own_borrow_from_kind_and_site_or_say_none():
    frame, _ = a_fleet(np.random.default_rng(5))
    one = pd.concat([frame, readings(X=([300], [500.0]))], ignore_index=True)
    borrowed, own = (
        ask(one, "X", [2500]),
        ask(one, "v000", [frame["distance_km"][frame["vehicle"] == "v000"].max() + 2000]),
    )
    assert borrowed["method"].tolist() == ["kind-and-site"]
    assert own["method"].tolist() == ["own"]
    width = [(f["high"] - f["low"]).dt.days.iloc[0] for f in (borrowed, own)]
    assert width[0] > 1.5 * width[1]
    usual = frame.groupby("vehicle")["distance_km"].max().mean() / 365
    assert (borrowed["date"].iloc[0] - day(300)).days == pytest.approx(2000 / usual, rel=0.15)
    for lonely in (
        readings(A=([300], [500.0])),
        readings(A=([0, 300], [0.0, 500.0])),
        readings(A=([0, 100, 300], [7.0, 7.0, 7.0])),
    ):
        alone = ask(lonely, "A", [2500])
        assert alone["method"].tolist() == ["none"]
        assert alone[["date", "low", "high"]].isna().all(axis=None)
    parked = pd.concat([frame, readings(P=([0, 100, 300], [7.0, 7.0, 7.0]))], ignore_index=True)
    assert ask(parked, "P", [2500])["method"].tolist() == ["none"]
    assert ask(one, "Z", [2500])["method"].tolist() == ["none"]


def test_kind_and_site_are_those_of_the_vehicle():
    rng = np.random.default_rng(6)
    slow, _ = a_fleet(rng, daily=lambda rng, n, length: rng.gamma(2, 5, (n, length)))
    fast, _ = a_fleet(rng, daily=lambda rng, n, length: rng.gamma(2, 50, (n, length)))
    both = pd.concat(
        [
            slow,
            fast.assign(vehicle="f" + fast["vehicle"]),
            readings(X=([300], [0.0]), Y=([300], [0.0])),
        ],
        ignore_index=True,
    )
    fleet = fleet_of(both)
    fleet["site"] = np.where(
        fleet["vehicle"].str.startswith("f") | (fleet["vehicle"] == "Y"), "south", "north"
    )
    days = [(ask(both, v, [1000], fleet=fleet)["date"].iloc[0] - day(300)).days for v in "XY"]
    assert days == pytest.approx([100, 10], rel=0.2)


def drifting(rng, n, length):
    return (
        40
        * np.exp(np.cumsum(rng.normal(0, 0.03, (n, length)), axis=1))
        * rng.gamma(4, 0.25, (n, length))
    )


def test_recent_use_weighs_more_where_use_drifts_and_a_change_is_said():
    frame, _ = a_fleet(np.random.default_rng(7), daily=drifting, k=14)
    step = np.where(np.arange(365) < 180, 10.0, 60.0)
    frame = pd.concat([frame, readings(S=drive(step, np.arange(0, 366, 28)))], ignore_index=True)
    use = fit_usage(frame, fleet_of(frame), day(365)).vehicles.loc["S"]
    assert use["mean_km_per_day"] == pytest.approx(35, rel=0.05)
    assert use["rate_km_per_day"] > 48
    assert use["is_changed"]
    steady, _ = a_fleet(np.random.default_rng(8))
    assert fit_usage(steady, fleet_of(steady), day(365)).vehicles["is_changed"].mean() < 0.2


def test_chance_and_interval_agree():
    frame, _ = a_fleet(np.random.default_rng(9))
    model = fit_usage(frame, fleet_of(frame), day(365))
    asked = frame.groupby("vehicle")["distance_km"].max() + 4000
    found = forecast_dates(model, asked.index, asked, confidence=0.8)
    for column, chance in (("low", 0.1), ("date", 0.5), ("high", 0.9)):
        assert (chance_reached(model, asked.index, asked, found[column]) >= chance - 1e-9).all()
        before = chance_reached(model, asked.index, asked, found[column] - pd.Timedelta(days=1))
        assert (before < chance).all()
    assert (chance_reached(model, asked.index, asked - 4000, [day(365)] * len(asked)) == 1).all()


def coverage(daily, k, seed, fleets=5, n=60):
    rng, inside, before = np.random.default_rng(seed), [], []
    for _ in range(fleets):
        frame, km = a_fleet(rng, n=n, k=k, daily=daily)
        last = frame.groupby("vehicle")["distance_km"].max()
        asked = last + 120 * last.to_numpy() / 365
        found = forecast_dates(fit_usage(frame, fleet_of(frame), day(365)), asked.index, asked)
        truth = day((np.cumsum(km, axis=1) < asked.to_numpy()[:, None]).sum(axis=1) + 1)
        inside.append(
            (truth >= found["low"].to_numpy())
            & (truth <= found["high"].fillna(pd.Timestamp.max).to_numpy())
        )
        before.append(truth < found["low"].to_numpy())
    return np.mean(inside), np.mean(before)


USES = {
    "steady": lambda rng, n, length: (
        40 * rng.gamma(4, 0.25, (n, length)) * np.exp(rng.normal(0, 0.4, (n, 1)))
    ),
    "intermittent": lambda rng, n, length: (
        300 * rng.exponential(size=(n, length)) * (rng.random((n, length)) < 0.15)
    ),
}


@pytest.mark.parametrize("k", [4, 12])
@pytest.mark.parametrize("use", USES)
def test_nine_in_ten_crossings_lie_within(use, k):
    inside, before = coverage(USES[use], k, seed=k)
    # 300 crossings: three standard errors are 0.05; a whole day at each end of a short interval adds some
    assert 0.85 <= inside <= 0.97
    assert before <= 0.10


def test_nine_in_ten_crossings_of_drifting_use_lie_within_where_readings_show_the_drift():
    inside, before = coverage(drifting, 12, seed=1)
    assert 0.84 <= inside <= 0.95
    assert before <= 0.10


@pytest.mark.slow
@pytest.mark.parametrize(
    "use, k, least, most",
    [
        ("steady", 4, 87, 93), ("steady", 12, 87, 93), ("intermittent", 4, 87, 93), ("intermittent", 12, 87, 93), ("seasonal", 12, 87, 93),
        ("seasonal", 4, 87, 96), ("laid-up", 4, 87, 100), ("laid-up", 12, 87, 100), ("drifting", 12, 85, 93), ("drifting", 4, 79, 93),
    ],
)  # fmt: skip
def test_two_thousand_vehicles_of_each_use(use, k, least, most):
    """Within three in a hundred where the report says so; where it says wider or narrower, so."""
    path = Path(__file__).parent.parent / "bench" / "coverage_forecast.py"
    bench = runpy.run_path(str(path))
    rng = np.random.default_rng([k, len(use)])
    inside = np.mean([bench["one_fleet"](bench["USES"][use], k, rng)[1] for _ in range(50)])
    assert least <= 100 * inside <= most


def spans_of(frame):
    day0 = frame["date"].to_numpy().astype("datetime64[D]").astype(int)
    code = pd.factorize(frame["vehicle"])[0]
    pair = np.flatnonzero(code[1:] == code[:-1])
    return {
        "code": code[pair],
        "start": day0[pair],
        "end": day0[pair + 1],
        "km": np.diff(frame["distance_km"])[pair],
    }


def test_a_season_is_found_and_none_is_made_up():
    def summer(rng, n, length):
        return rng.gamma(2, 20, (n, length)) * np.exp(
            1.2 * np.cos(2 * np.pi * (np.arange(length) - 196) / 365.25)
        )

    start = int(np.datetime64(DAY0, "D").astype(int))
    frame, _ = a_fleet(np.random.default_rng(10), daily=summer, length=730, k=20)
    weight = season(spans_of(frame), start, start + 1460)[0]
    assert weight.mean() == pytest.approx(1, abs=1e-3)
    assert int(np.argmax(weight[:365])) == pytest.approx(196, abs=10)
    assert weight.max() / weight.min() == pytest.approx(np.exp(2.4), rel=0.15)
    flat, _ = a_fleet(np.random.default_rng(11), length=730, k=20)
    assert (season(spans_of(flat), start, start + 1460)[0] == 1).all()
    short = {
        name: values[spans_of(frame)["end"] < start + 300]
        for name, values in spans_of(frame).items()
    }
    assert (season(short, start, start + 1460)[0] == 1).all()


def test_the_clock_stands_still_in_lay_ups_and_runs_back():
    end = int(np.datetime64(day(365), "D").astype(int))
    nothing = {name: np.zeros(0, dtype=int) for name in ("code", "start", "end", "km")}
    rows = pd.DataFrame(
        {
            "vehicle": list("ABBZ"),
            "from": day(np.array([10, 20, 40, 1])),
            "to": day(np.array([19, 29, 49, 300])),
        }
    )
    clock = clock_of(pd.Index(list("ABC")), nothing, end, rows)
    start = end - 365
    code = np.array([0, 1, 2, 1, 1])
    begin, stop = start + np.array([5, 5, 5, 25, 29]), start + np.array([60, 60, 60, 45, 39])
    assert clock.between(code, begin, stop).tolist() == [45, 35, 55, 10, 10]
    assert (clock.after(code, begin, np.array([45, 35, 55, 10, 10])) - start).tolist() == [
        60,
        60,
        60,
        39,
        39,
    ]
    assert clock.after(code[:1], begin[:1], np.array([1e9]))[0] > clock.last_day


def test_want_of_knowing_the_season_widens_what_lies_in_another_part_of_the_year():
    def summer(rng, n, length):
        return rng.gamma(2, 20, (n, length)) * np.exp(
            0.8 * np.cos(2 * np.pi * (np.arange(length) - 196) / 365.25)
        )

    frame, _ = a_fleet(np.random.default_rng(12), daily=summer, length=365, k=8)
    model = fit_usage(frame, fleet_of(frame), day(365))
    start = np.array([int(np.datetime64(day(365), "D").astype(int))])
    a_quarter, a_year = (
        model.clock.season_variance(start, start + ahead, np.array([365]))[0] for ahead in (90, 365)
    )
    assert a_quarter > 0
    assert a_year < 0.05 * a_quarter
    flat = fit_usage(frame, fleet_of(frame), day(365), seasonal=False)
    assert flat.clock.season_variance(start, start + 90, np.array([365])).tolist() == [0]


def test_widening_stretches_the_interval_about_its_middle():
    frame, _ = a_fleet(np.random.default_rng(13))
    asked = frame.groupby("vehicle")["distance_km"].max() + 2000
    plain, wide = (
        forecast_dates(fit_usage(frame, fleet_of(frame), day(365), widen=widen), asked.index, asked)
        for widen in (None, (2.0,) * 4)
    )
    assert (plain["date"] == wide["date"]).all()
    assert (wide["high"] - wide["low"] > 1.6 * (plain["high"] - plain["low"])).all()
