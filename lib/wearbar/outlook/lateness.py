"""Whether lateness goes with money: how often each vehicle is late beside its unplanned repairs."""

from types import SimpleNamespace

import numpy as np

from wearbar.cost.account import account
from wearbar.intervals.rates import CLEAR_JOBS

UNPLANNED = ("defect", "advice")
LEAST, DEALS = 10, 1999  # vehicles, of which half need such a bill; orders dealt


def late_and_repairs(log, found, rng=None):
    """`n` vehicles, `p` of no link between their share of late jobs and their money a km for
    unplanned repairs (NaN where fewer than LEAST tell), `more, less`: that money a km, over those
    late more often than the middle one of their kind, and over the others.

    Ranks within each kind, dealt within it (a permutation test, exact where vehicles of a kind are
    alike). Age and use can lie behind a link. found: of `occasions`."""
    rng, book = np.random.default_rng(0) if rng is None else rng, account(log)
    counted = found[found["in_rate"]]
    late = counted["outcome"].eq("late").groupby(counted["vehicle"]).agg(late="mean", jobs="size")
    fleet = book.vehicles.set_index("vehicle")[["kind", "distance_km"]].join(late, how="inner")
    lines = book.lines[book.lines["with_distance"] & book.lines["why"].isin(UNPLANNED)]
    fleet["money"] = lines.groupby("vehicle", observed=True)["amount"].sum()
    fleet = fleet[(fleet["jobs"] >= CLEAR_JOBS) & (fleet["distance_km"] > 0)]
    fleet = fleet.fillna({"money": 0.0}).sort_values("kind", kind="stable")
    told = SimpleNamespace(n=len(fleet), p=np.nan, more=np.nan, less=np.nan)
    if len(fleet) < LEAST or (fleet["money"] > 0).sum() < LEAST / 2:
        return told
    fleet["a_km"] = fleet["money"] / fleet["distance_km"]
    by = fleet.groupby("kind", observed=True)
    ranks = by[["late", "a_km"]].rank(pct=True)
    x, y = (ranks - ranks.groupby(fleet["kind"], observed=True).transform("mean")).to_numpy().T
    dealt, seen = np.tile(x, (DEALS, 1)), abs((x * y).sum())
    for rows in by.indices.values():
        dealt[:, rows] = rng.permuted(dealt[:, rows], axis=1)
    told.p = float((np.abs(dealt @ y) >= seen - 1e-9).sum() + 1) / (DEALS + 1)
    often = fleet["late"] > by["late"].transform("median")
    sums = fleet.groupby(often)[["money", "distance_km"]].sum()
    a_km = (sums["money"] / sums["distance_km"]).reindex([True, False])
    told.more, told.less = a_km.tolist()
    return told
