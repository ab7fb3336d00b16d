"""How long the due points of a large fleet take: python tests/bench/bench_due.py [vehicles]

Prints the processor time of `occasions` beside that of one pandas sort of the readings, its memory beside theirs, how the cost grows from
a tenth of the fleet, and how much faster it is than a plain groupby-apply of the same rules, which must give the same due points.
"""

import sys
import time
import tracemalloc
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pandas as pd

from wearbar.intervals import occasions
from wearbar.log import log_of
from wearbar.log.plan import plan_of

TASKS = [(f"task-{i}", 4000 + 2000 * i, 3 + 2 * i) for i in range(10)]
TEXT = pd.StringDtype("pyarrow", na_value=np.nan)
YEARS, READINGS, DOINGS = 5, 300, 4
FIRST, LAST = pd.Timestamp("2021-01-01"), pd.Timestamp("2025-12-31")


def plan():
    tasks = [
        {
            "code": code,
            "action": "replace",
            "every": {"distance": km, "months": months},
            "tolerance": 0.1,
        }
        for code, km, months in TASKS
    ]
    return plan_of({"fleet": {"applies_to": ["van"], "task": tasks}}, "km")


def fleet(vehicles, seed=1):
    """(log, readings) of that many vehicles: 300 readings each, and each of ten tasks done four times."""
    rng = np.random.default_rng(seed)
    names = np.array([f"V{i:06d}" for i in range(vehicles)])
    day = np.sort(rng.integers(1, 365 * YEARS, (vehicles, READINGS)), axis=1)
    day[:, 0], day[:, -1] = 0, 365 * YEARS
    km = np.floor(day * rng.uniform(20, 120, (vehicles, 1)))
    at = rng.integers(1, READINGS, (vehicles, len(TASKS) * DOINGS))
    who = np.repeat(np.arange(vehicles), at.shape[1])
    task = np.tile(np.repeat([t[0] for t in TASKS], DOINGS), vehicles)
    done, shown = FIRST + pd.to_timedelta(day[who, at.ravel()], unit="D"), km[who, at.ravel()]
    work = {"vehicle": names[who], "task": task, "date": done, "odometer": shown}
    one = {
        "vehicles": pd.DataFrame({"vehicle": ["V"], "kind": ["van"], "in_service": [FIRST]}),
        "odometer": pd.DataFrame(),
    }
    one["odometer"] = pd.DataFrame({"vehicle": ["V"], "date": [FIRST], "odometer": [0.0]})
    small = log_of(
        one,
        {"distance": "km", "as_of": f"{LAST:%Y-%m-%d}", "first_day": f"{FIRST:%Y-%m-%d}"},
        plan=plan(),
    )
    cars = pd.DataFrame({"vehicle": names, "kind": "van", "in_service": FIRST})
    tables = dict(small.tables) | {
        "vehicles": filled(small, "vehicles", cars),
        "work": filled(small, "work", pd.DataFrame(work)),
    }
    readings = pd.DataFrame(
        {
            "vehicle": pd.array(np.repeat(names, READINGS), TEXT),
            "date": FIRST + pd.to_timedelta(day.ravel(), unit="D"),
        }
    )
    readings = readings.assign(
        odometer_km=km.ravel(),
        distance_km=km.ravel(),
        hours=np.nan,
        meter_hours=np.nan,
        source="dash",
        known=readings["date"],
    )
    return replace(small, tables=MappingProxyType(tables)), readings


def filled(log, name, frame):
    like = log.tables[name]
    return frame.reindex(columns=like.columns).astype(like.dtypes.to_dict())


def plain(log, readings):
    """The same due points, one series at a time."""
    limits = {code: (km, months) for code, km, months in TASKS}
    work = log.tables["work"].drop_duplicates(["vehicle", "task", "date"], keep="last")

    def one(name, rows):
        rows = rows.sort_values("date")
        km, months = limits[name[1]]
        anchor_km = [0.0, *rows["odometer"]]
        anchor = [FIRST, *rows["date"]]
        due = [a + pd.DateOffset(months=months) for a in anchor]
        late = [
            d + pd.Timedelta(days=int(0.1 * (d - a).days + 1e-9))
            for a, d in zip(anchor, due, strict=True)
        ]
        return pd.DataFrame(
            {"due_km": [a + km for a in anchor_km], "due_date": due, "late_date": late}
        )

    return pd.concat([one(name, rows) for name, rows in work.groupby(["vehicle", "task"])])


def timed(f, *args):
    best, result = np.inf, None
    for _ in range(3):
        start = time.process_time()
        result = f(*args)
        best = min(best, time.process_time() - start)
    return best, result


def main(vehicles=10_000):
    log, readings = fleet(vehicles)
    shuffled = readings.sample(frac=1, random_state=1)
    sort, _ = timed(lambda: shuffled.sort_values(["vehicle", "date"]))
    seconds, found = timed(occasions, log, readings)
    print(
        f"{vehicles:,} vehicles, {len(readings):,} readings, {len(log.tables['work']):,} rows of work: {len(found):,} occasions"
    )
    print(f"one sort {sort:.2f} s, occasions {seconds:.2f} s: {seconds / sort:.1f} times")
    tracemalloc.start()
    occasions(log)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    own = readings.memory_usage(deep=True).sum()
    print(f"peak {peak / 1e6:.0f} MB, readings {own / 1e6:.0f} MB: {peak / own:.1f} times")
    tenth, _ = timed(occasions, *fleet(vehicles // 10))
    print(f"a tenth of the fleet {tenth:.2f} s: {seconds / tenth:.1f} times for ten times the rows")
    few = fleet(200)
    slow, peer = timed(plain, *few)
    fast, mine = timed(occasions, *few)
    own_rows = mine[["due_km", "due_date", "late_date"]].reset_index(drop=True)
    pd.testing.assert_frame_equal(
        own_rows, peer.reset_index(drop=True), check_dtype=False, check_exact=False
    )
    print(
        f"200 vehicles: groupby-apply (due points alone) {slow:.2f} s, occasions (due points and all) {fast:.2f} s"
    )
    print(f"per occasion: {slow / len(peer) / (seconds / len(found)):.0f} times faster")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
