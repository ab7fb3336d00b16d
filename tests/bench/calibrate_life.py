"""How often 90% limits hold the truth, by number of lives, share censored and late entry.

    python tests/bench/calibrate_life.py [SAMPLES [SIZE ...]]

Prints a table in Markdown, kept in tests/reference/life/calibration.md. Lives are Weibull of shape 3, one in one vehicle; where late, half
enter at up to 0.8 of the scale; censoring times are uniform, as long as censor the share asked. Wear: parts whose rate varies by 12%, read
every 0.15 of a life with an error of 0.03 of the usable depth; what is censored is still on at 0.3 to 0.95 of its life.

Floors, fixed beforehand and blind to an interval's width: for a life, five ends; for a rate, three vehicles with a line; for what is
left, a line; for a ratio of costs, five ends of both items. A quantile past where the product-limit curve comes to is told with a warning
and not refused: the samples whose curve comes far enough are those whose ends came early, and limits of these alone miss on one side (of 50
lives, 80% censored, 0.6% under and 9.0% over). Below five ends a median rests on a range of known shapes; a right and two wrong ones stand
beside it.
"""

import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from wearbar import choice, life, wear

SHAPE, RATIO = 3.0, 1.25
SIZES, CENSORED, SAMPLES, LEAST_KEPT = (3, 10, 50, 300), (0.0, 0.4, 0.8), 2000, 0.10
KNOWN = {"median, shapes 1.5 to 6": (1.5, 3.0, 6.0), "median, shape 3 (right)": (3.0,), "median, shape 1.5 (wrong)": (1.5,)}
KNOWN |= {"median, shape 6 (wrong)": (6.0,)}
TRUTH = {"B10": (-np.log(0.9)) ** (1 / SHAPE), "median": np.log(2) ** (1 / SHAPE), "mean": special.gamma(1 + 1 / SHAPE)}


@dataclass(frozen=True)
class Cell:
    n: int
    censored: float
    late: bool

    def rng(self, salt):
        return np.random.default_rng([self.n, round(100 * self.censored), self.late, salt])


def cells():
    return [Cell(n, c, late) for n in SIZES for c in CENSORED for late in (False, True)]


def draw(cell, samples, rng, scale=1.0):
    """(duration, observed, entry), each (samples, n)."""
    size = samples, cell.n
    entry = np.where((rng.random(size) < 0.5) & cell.late, rng.uniform(0, 0.8, size), 0.0)
    until = np.inf if cell.censored == 0 else entry + rng.uniform(0, reach(cell), size)
    x = (entry**SHAPE + rng.exponential(size=size)) ** (1 / SHAPE)
    return scale * np.minimum(x, until), x <= until, scale * entry


def reach(cell):
    """The longest watching that censors the share asked, by simulation."""
    rng, low, high = np.random.default_rng(1), 0.01, 100.0
    entry = np.where((rng.random(200_000) < 0.5) & cell.late, rng.uniform(0, 0.8, 200_000), 0.0)
    more, share = (entry**SHAPE + rng.exponential(size=200_000)) ** (1 / SHAPE) - entry, rng.random(200_000)
    for _ in range(40):
        middle = np.sqrt(low * high)
        low, high = (middle, high) if (more > share * middle).mean() > cell.censored else (low, middle)
    return middle


def tally(what, cell, kept, low, high, truth):
    """A row of the table: of the samples that pass the floors, the share whose truth lies under the low limit, over the high one."""
    under, over = (np.asarray(low) > truth)[kept], (np.asarray(high) < truth)[kept]
    share = {"under": under.mean(), "over": over.mean()} if kept.any() else {"under": np.nan, "over": np.nan}
    return {"what": what, **vars(cell), "kept": int(kept.sum()), "refused": 1 - kept.mean(), **share}


def fits_of(sample, p, rng, shape=None, method="auto"):
    x, seen, entry = sample
    group = np.repeat(np.arange(len(x)), x.shape[1])
    rows = life.fit_weibull_groups(x.ravel(), seen.ravel(), group, entry.ravel(), p=p, method=method, shape=shape, rng=rng)
    return rows.set_index("group")


def lives(cell, samples):
    """Rows of B10, median and mean life."""
    sample = draw(cell, samples, cell.rng(1))
    kept = sample[1].sum(axis=1) >= choice.MIN_ENDS
    found = fits_of(sample, (0.1, 0.5), cell.rng(2))
    for name, column in (("B10", "quantile_0.1"), ("median", "quantile_0.5"), ("mean", "mean")):
        yield tally(name, cell, kept, found[f"{column}_low"], found[f"{column}_high"], TRUTH[name])


def known(cell, samples):
    """Rows of the median of samples with too few ends for a fit's own limits: the range of known shapes, and single ones."""
    x, seen, entry = draw(cell, samples, cell.rng(1))
    few = np.flatnonzero((seen.sum(axis=1) > 0) & (seen.sum(axis=1) < choice.MIN_ENDS))
    for what, shapes in KNOWN.items() if len(few) > LEAST_KEPT * samples else ():
        found = [life.life_of(x[k], seen[k], entry[k], 0.5, shapes) for k in few]
        low, high = (np.full(samples, np.nan) for _ in range(2))
        low[few], high[few] = [f.low for f in found], [f.high for f in found]
        yield tally(what, cell, ~np.isnan(low), low, high, TRUTH["median"])


LIFE_KM, USABLE, SPREAD, ERROR, BETWEEN = 10_000.0, 6.0, 0.12, 0.2, 1500.0


def worn_parts(cell, samples, rng):
    """Parts as `wear.wear_of` wants them, a category a sample: (spans, looks, true life of each). The first of each sample is on now."""
    n = samples * cell.n
    own, first = LIFE_KM * np.exp(SPREAD * rng.standard_normal(n)), np.arange(n) % cell.n == 0
    on = first | (rng.random(n) < cell.censored)
    until = np.where(on, own * rng.uniform(0.3, 0.95, n), np.ceil(own / BETWEEN) * BETWEEN)
    entry = np.where((rng.random(n) < 0.5) & cell.late, rng.uniform(0, 0.4, n), 0.0) * until
    key = np.array([f"p{i}" for i in range(n)])
    spans = pd.DataFrame({"part_key": key, "vehicle": key, "kind": "car", "category": (np.arange(n) // cell.n).astype(str), "item": "x"})
    spans = spans.assign(position="rear", positions="rear", last_position="rear", is_on=on, age_known=True, duration_km=until)
    spans = spans.assign(start=pd.NaT, last_start=pd.NaT, seen_km=np.nan, limit_depth_mm=2.0, new_depth_mm=2.0 + USABLE, observed=~on)
    step = np.arange(int(np.ceil(until.max() / BETWEEN)) + 1)
    at = entry[:, None] + step * BETWEEN
    row, k = np.nonzero((at <= until[:, None]) | ((step == 1) & (at - until[:, None] < BETWEEN)))
    x = np.minimum(at[row, k], until[row])
    depth = 2.0 + USABLE * (1 - x / own[row]) + ERROR * rng.standard_normal(len(x))
    looks = pd.DataFrame({"part_key": key[row], "vehicle": key[row], "category": spans["category"].to_numpy()[row], "position": "rear"})
    looks = looks.assign(place="", quantity="depth", date=pd.Timestamp("2024-01-01"), distance_km=x, distance_is_own=True, value=depth)
    return spans, looks.assign(source="reading", line=np.arange(len(x))), pd.Series(own, key)


def worn(cell, samples, batch=100):
    """Rows of the wear rate and of what is left of a part now on."""
    kept, ends, batch = [], [], min(batch, samples)
    for k in range(samples // batch):
        spans, looks, own = worn_parts(cell, batch, cell.rng(10 + k))
        found = wear.wear_of(spans, looks, wear.Law())
        kept.append(wear.life_to_limit(found).set_index("category").reindex(spans["category"].unique()))
        on = wear.remaining(found, pd.Timestamp("2025-01-01")).set_index("part_key").reindex(spans.loc[:: cell.n, "part_key"])
        ends.append(on.assign(own=own.reindex(on.index)))
    rate, on = pd.concat(kept), pd.concat(ends)
    yield tally("wear rate", cell, rate["low_km"].notna().to_numpy(), 1 / rate["high_km"], 1 / rate["low_km"], 1 / LIFE_KM)
    yield tally(
        "distance left", cell, on["life_low_km"].notna().to_numpy(), on["life_low_km"] - on["own"], on["life_high_km"] - on["own"], 0
    )


def ratios(cell, samples):
    """Rows of the ratio of two items' costs, lives of the other 1.25 times as long, each of its own vehicles."""
    ours, theirs = draw(cell, samples, cell.rng(3)), draw(cell, samples, cell.rng(4), RATIO)
    kept = (ours[1].sum(axis=1) >= choice.MIN_ENDS) & (theirs[1].sum(axis=1) >= choice.MIN_ENDS)
    low, high = (np.full(samples, np.nan) for _ in range(2))
    for k in np.flatnonzero(kept):
        found = choice.pairs(pd.concat([_priced("a", *(c[k] for c in ours)), _priced("b", *(c[k] for c in theirs))]))
        for row in found.to_dict("records"):
            low[k], high[k] = (row["low"], row["high"]) if row["item"] == "a" else (1 / row["high"], 1 / row["low"])
    yield tally("cost ratio", cell, ~np.isnan(low), low, high, RATIO)


def _priced(item, x, seen, entry):
    key = [f"{item}{i}" for i in range(len(x))]
    lives = pd.DataFrame({"part_key": key, "vehicle": key, "category": "tyre", "kind": "van", "positions": "rear", "item": item})
    lives = lives.assign(duration_km=x, entry_km=entry, age_known=True, price=100.0, fitting_cost=20.0)
    return lives.assign(cause=np.where(seen, "worn", "still-on"), observed=seen)


def verdict(row):
    """ok, or which way it is out by more than chance: coverage 88 to 92, each tail 3 to 7, and 2.6 standard errors."""
    if "shape" in row["what"]:
        return "stated"
    if row["kept"] < LEAST_KEPT * row["samples"]:
        return "few pass" if row["kept"] else "refused"
    slack = 2.6 * np.sqrt(np.array([0.09, 0.0475, 0.0475]) / row["kept"])
    found = np.array([1 - row["under"] - row["over"], row["under"], row["over"]])
    out = (found < np.array([0.88, 0.03, 0.03]) - slack) | (found > np.array([0.92, 0.07, 0.07]) + slack)
    return "OUT" if out.any() else "ok"


def line(row):
    shares = ["-" if x != x else f"{x:.1%}" for x in (row["refused"], 1 - row["under"] - row["over"], row["under"], row["over"])]
    cell = [row["what"], f"{row['n']}", f"{row['censored']:.0%}", "late" if row["late"] else "new", *shares, row["verdict"]]
    return "| " + " | ".join(cell) + " |"


def table(samples, sizes=SIZES, of=(worn, lives, known, ratios)):
    """Every row, one after the other."""
    for cell in [c for c in cells() if c.n in sizes]:
        for question in of:
            for row in question(cell, samples):
                row["samples"] = samples
                yield row | {"verdict": verdict(row)}


def main(samples=SAMPLES, *sizes):
    print(f"{samples:,} samples a cell; nominal 90%. Under: truth below the low limit; over: above the high one.")
    print("Stated: limits rest on shapes stated. Few pass: under one sample in ten has five ends; in those that do they came early.\n")
    print("| what | n | censored | entry | refused | coverage | under | over | |\n|---|---|---|---|---|---|---|---|---|")
    for row in table(samples, sizes or SIZES):
        print(line(row), flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
