"""How long reading and checking a large log takes beside reading its files alone, and how much memory at its peak.

    python tests/bench/bench_read.py [FILLS] [WORK]

Writes 1,000,000 fills and 300,000 lines of work of 300 vehicles into a temporary folder, 2,000 of the readings with a digit too many, and
reads them in fresh processes: by pyarrow (CSV) into pandas, and by `wearbar.log.read_log`; by turns, the best of five of each. Ends with 1
where a ratio is past its bound.
"""

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

MOST_TIME, MOST_MEMORY = 4.0, 3.0
VEHICLES, YEARS, TRIES = 300, 12, 5
TABLES = ("vehicles", "fuel", "work")

CHILD = """
import json, resource, sys, time
import pandas as pd
from pyarrow import csv
from wearbar import log
def peak(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
folder, how = sys.argv[1:]
before, start = peak(), time.perf_counter()
if how == "read_log":
    tables = log.read_log(folder)
    lost = int((tables.ledger["read"] - tables.ledger["used"] - tables.ledger["set_aside"] - tables.ledger["after"]).abs().sum())
    found, tables = len(tables.set_aside) + len(tables.warnings), tables.tables.values()
else:
    found, lost, tables = 0, 0, [csv.read_csv(f"{folder}/{name}.csv").to_pandas() for name in ("vehicles", "fuel", "work")]
took = time.perf_counter() - start
size = sum(t.memory_usage(deep=True).sum() for t in tables) / 2**20
print(json.dumps({"seconds": took, "peak_mb": peak() - before, "tables_mb": size, "found": found, "lost": lost}))
"""


def dated(rng, n, names):
    """Rows by vehicle and day: the names, days and a reading that grows by 60 a day."""
    vehicle, day = np.sort(rng.integers(0, VEHICLES, n)), rng.integers(0, 365 * YEARS, n)
    order = np.lexsort((day, vehicle))
    vehicle, day = vehicle[order], day[order]
    return {
        "vehicle": names[vehicle],
        "date": (np.datetime64("2012-02-01") + day).astype(str),
        "odometer": day * 60,
    }


def write(folder, fills, lines):
    rng = np.random.default_rng(5)
    names = np.array([f"V{i:04d}" for i in range(VEHICLES)])
    kinds = np.array(["van", "car", "truck", "pickup"])[np.arange(VEHICLES) % 4]
    vehicles = {
        "vehicle": names,
        "kind": kinds,
        "site": "north",
        "in_service": "2012-01-01",
        "in_service_odometer": 0,
    }
    fuel = pd.DataFrame(dated(rng, fills, names))
    fuel["volume"], fuel["kind"], fuel["cost"] = (
        rng.normal(45, 5, fills).round(2),
        "diesel",
        rng.normal(60, 8, fills).round(2),
    )
    fuel["filled_to"] = np.where(rng.random(fills) < 0.9, "full", "part")
    fuel["note"] = np.where(rng.random(fills) < 0.05, "by night, pump 3", "")
    fuel.loc[rng.choice(fills, min(2000, fills // 10), replace=False), "odometer"] *= 10
    work = pd.DataFrame(dated(rng, lines, names))
    work.insert(
        0, "visit", work["vehicle"] + "-" + (work.groupby("vehicle").cumcount() // 2).astype(str)
    )
    work["task"] = np.array(["oil", "brakes", "tyres", "inspection", "chain", "filter", "lamps"])[
        rng.integers(0, 7, lines)
    ]
    work["why"], work["result"] = "planned", "pass"
    for name in ("labour_cost", "parts_cost"):
        work[name] = rng.gamma(2, 40, lines).round(2)
    work["invoice"] = [f"INV-{i:07d}" for i in range(lines)]
    work["note"] = np.where(rng.random(lines) < 0.2, "topped up, see sheet", "")
    for name, frame in {"vehicles": pd.DataFrame(vehicles), "fuel": fuel, "work": work}.items():
        frame.to_csv(folder / f"{name}.csv", index=False)
    (folder / "log.toml").write_text('distance = "mi"\nvolume = "L"\ncurrency = "GBP"\n')


def once(folder, how):
    run = [sys.executable, "-c", CHILD, str(folder), how]
    return json.loads(subprocess.run(run, capture_output=True, text=True, check=True).stdout)


def best(tries):
    return min(tries, key=lambda t: t["seconds"]) | {"peak_mb": max(t["peak_mb"] for t in tries)}


def main(fills=1_000_000, lines=300_000):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # a process starts with its parent's peak: so that this one stays small, another writes
        subprocess.run(
            [sys.executable, __file__, "write", name, str(fills), str(lines)], check=True
        )
        files = sum((folder / f"{t}.csv").stat().st_size for t in TABLES) / 2**20
        turns = [(once(folder, "pyarrow"), once(folder, "read_log")) for _ in range(TRIES)]
    alone, read = (best(tries) for tries in zip(*turns, strict=True))
    time, memory = read["seconds"] / alone["seconds"], read["peak_mb"] / read["tables_mb"]
    held = f"{int(fills):,} fills, {int(lines):,} lines of work, {files:.0f} MB of CSV"
    print(f"{held}; {read['found']:,} problems found, {read['lost']} rows lost")
    print(
        f"pyarrow into pandas  {alone['seconds']:6.2f} s   tables {alone['tables_mb']:6.0f} MB   peak {alone['peak_mb']:6.0f} MB"
    )
    print(
        f"read_log             {read['seconds']:6.2f} s   tables {read['tables_mb']:6.0f} MB   peak {read['peak_mb']:6.0f} MB"
    )
    print(
        f"time {time:.2f} times pyarrow's (bound {MOST_TIME:g}); peak {memory:.2f} times the tables' size (bound {MOST_MEMORY:g})"
    )
    return int(time > MOST_TIME or memory > MOST_MEMORY or read["lost"] > 0)


if __name__ == "__main__":
    if sys.argv[1:2] == ["write"]:
        write(Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
    else:
        sys.exit(main(*sys.argv[1:3]))
