"""How long the due points of a large fleet take: python tests/bench/bench_due.py [vehicles]

Prints the processor time of `usage.readings` and that of `occasions` given those, beside that of one pandas sort of the readings, their
memory beside the readings', how the cost grows from a tenth of the fleet, and how much faster `occasions` is, given the readings, than a
plain groupby-apply of the same rules, which is given its distances too and must give the same due points. Ends with 1 where it is less
than LEAST times faster.
"""

import sys
import time
import tracemalloc
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pandas as pd

from wearbar import usage
from wearbar.intervals import occasions
from wearbar.log import log_of
from wearbar.log.plan import plan_of

LEAST = 40.0
TASKS = [(f"task-{i}", 4000 + 2000 * i, 3 + 2 * i) for i in range(10)]
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
    """A log of that many vehicles: 300 readings each, and each of ten tasks done four times."""
    rng = np.random.default_rng(seed)
    names = np.array([f"V{i:06d}" for i in range(vehicles)])
    day = np.sort(rng.integers(1, 365 * YEARS, (vehicles, READINGS)), axis=1)
    day[:, 0], day[:, -1] = 0, 365 * YEARS
    km = np.floor(day * rng.uniform(20, 120, (vehicles, 1)))
    at = rng.integers(1, READINGS, (vehicles, len(TASKS) * DOINGS))
    who = np.repeat(np.arange(vehicles), at.shape[1])
    task = np.tile(np.repeat([t[0] for t in TASKS], DOINGS), vehicles)
    done, shown = FIRST + pd.to_timedelta(day[who, at.ravel()], unit="D"), km[who, at.ravel()]
    read = {"vehicle": np.repeat(names, READINGS), "odometer": km.ravel()}
    read["date"] = FIRST + pd.to_timedelta(day.ravel(), unit="D")
    one = {
        "vehicles": pd.DataFrame({"vehicle": ["V"], "kind": ["van"], "in_service": [FIRST]}),
        "odometer": pd.DataFrame({"vehicle": ["V"], "date": [FIRST], "odometer": [0.0]}),
    }
    small = log_of(
        one,
        {"distance": "km", "as_of": f"{LAST:%Y-%m-%d}", "first_day": f"{FIRST:%Y-%m-%d}"},
        plan=plan(),
    )
    tables = {
        "vehicles": {"vehicle": names, "kind": "van", "in_service": FIRST},
        "odometer": read,
        "work": {"vehicle": names[who], "task": task, "date": done, "odometer": shown},
    }
    tables = {name: filled(small, name, pd.DataFrame(of)) for name, of in tables.items()}
    return replace(small, tables=MappingProxyType(dict(small.tables) | tables))


def filled(log, name, frame):
    like = log.tables[name]
    return frame.reindex(columns=like.columns).astype(like.dtypes.to_dict())


def plain(log):
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


def timed(f):
    """(processor time, what it gives)."""
    start = time.process_time()
    result = f()
    return time.process_time() - start, result


def timed_afresh(log):
    """(processor time of the readings, of the occasions given them, the occasions)."""
    new = replace(log)  # without what was kept with the log
    read, _ = timed(lambda: usage.readings(new))
    return read, *timed(lambda: occasions(new))


def best(turns):
    """The least of each time of several turns, and the last turn's results."""
    return [
        of[-1] if isinstance(of[0], pd.DataFrame) else min(of) for of in zip(*turns, strict=True)
    ]


def peak_mb(f):
    tracemalloc.start()
    f()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def main(vehicles=10_000, few=200, tries=3):
    log, some, tenth = (fleet(n) for n in (vehicles, few, max(vehicles // 10, 1)))
    readings, rows = usage.readings(log), len(log.tables["work"])
    own = readings.memory_usage(deep=True).sum() / 1e6
    shuffled = readings.sample(frac=1, random_state=1)
    # by turns, so that all of them meet the machine in the same mood
    runs = [
        lambda: timed(lambda: plain(some)),
        lambda: timed_afresh(some),
        lambda: timed_afresh(log),
        lambda: timed(lambda: shuffled.sort_values(["vehicle", "date"])),
        lambda: timed_afresh(tenth),
    ]
    turns = zip(*([run() for run in runs] for _ in range(tries)), strict=True)
    (slow, peer), (_, fast, mine), (read, took, found), (sort, _), (_, tenth, _) = map(best, turns)
    print(
        f"{vehicles:,} vehicles, {len(readings):,} readings, {rows:,} rows of work: {len(found):,} occasions"
    )
    print(f"readings {read:.2f} s: {read / sort:.1f} times one sort of them, {sort:.2f} s")
    print(f"occasions, the readings given, {took:.2f} s: {took / sort:.1f} times")
    new = replace(log)
    peaks = peak_mb(lambda: usage.readings(new)), peak_mb(lambda: occasions(new))
    print(
        f"peak of the readings {peaks[0]:.0f} MB, of the occasions {peaks[1]:.0f} MB; the readings {own:.0f} MB: "
        f"{peaks[0] / own:.1f} and {peaks[1] / own:.1f} times"
    )
    print(f"a tenth of the fleet {tenth:.2f} s: {took / tenth:.1f} times for ten times the rows")
    own_rows = mine[["due_km", "due_date", "late_date"]].reset_index(drop=True)
    pd.testing.assert_frame_equal(
        own_rows, peer.reset_index(drop=True), check_dtype=False, check_exact=False
    )
    print(
        f"{few} vehicles: groupby-apply (due points alone) {slow:.2f} s, occasions (due points and all) {fast:.2f} s"
    )
    times = slow / len(peer) / (took / len(found))
    print(f"per occasion, both given the distances: {times:.0f} times faster (bound {LEAST:g})")
    return int(times < LEAST)


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
