"""Whether life to the limit by item and position holds the generator's truth: python tests/bench/truth_life.py [SEEDS] [FIRST]

For each seed a synthetic fleet, dirt and all; for each item at each axle the 90% interval of the middle part's life to its limit, and
whether it holds the truth of the parts that this log fitted there. Asked: 172 of 200 seeds for each (what 200 draws at 90% reach
but for one time in twenty). The truth is of the very vehicles of the log, the interval of vehicles like them: it holds it more often.
"""

import sys

import numpy as np
import pandas as pd

import wearbar_synthetic as synthetic
from wearbar import parts
from wearbar.log import log_of
from wearbar_synthetic import settings

SEEDS, ASKED = 200, 172 / 200
KEY = ["kind", "category", "axle", "item"]


def truth_of(items):
    """The middle part's true life by kind, axle and item: that of the positions of an axle alike, weighted by parts."""
    axle = items["position"].str.replace(r"-.*", "", regex=True)
    rows = items.assign(
        kind=items["type"].map(settings.TYPES["kind"]), axle=axle, weight=items["parts_in_log"]
    )
    rows["total"] = rows["weight"] * rows["life_50_percent_ended_km"]
    sums = rows.groupby(KEY)[["total", "weight"]].sum()
    return (sums["total"] / sums["weight"]).rename("true_km").reset_index()


def held(seed, by=(*parts.STRATUM,)):
    """One row an item and axle that has limits: whether they hold the truth, or on which side they miss."""
    tables, truth = synthetic.fleet(seed)
    log = log_of(tables, synthetic.header(settings.FLEET))
    lives = parts.spans_of(log)
    worn = parts.wear_of(lives, parts.looks_of(log), parts.law_of(log))
    found = parts.life_to_limit(worn, by).merge(truth_of(truth["items"]), on=KEY)
    found = found[found["low_km"].notna()]
    return found.assign(
        under=found["true_km"] < found["low_km"],
        over=found["true_km"] > found["high_km"],
        seed=seed,
    )


def main(seeds=SEEDS, first=0):
    rows = pd.concat([held(seed) for seed in range(first, first + seeds)])
    rows["held"] = ~(rows["under"] | rows["over"])
    table = (
        rows.groupby(KEY)[["held", "under", "over"]].mean().assign(seeds=rows.groupby(KEY).size())
    )
    print(f"{seeds} seeds from {first}\n")
    print("| kind | part | axle | item | held | under | over | seeds | |\n" + 9 * "|---" + "|")
    for key, row in table.iterrows():
        verdict = "ok" if row["held"] >= ASKED else "OUT"
        shares = " | ".join(f"{row[c]:.1%}" for c in ("held", "under", "over"))
        print("| " + " | ".join(key) + f" | {shares} | {row['seeds']:.0f} | {verdict} |")
    out = (table["held"] < ASKED).sum()
    print(
        f"\nAll together: {rows['held'].mean():.1%} of {len(rows):,} intervals; items out: {out} of {len(table)}"
    )
    return np.mean(rows["held"])


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
