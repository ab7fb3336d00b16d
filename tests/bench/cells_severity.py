"""Cells of severe use: the effect's interval, and what is claimed where there is no effect. See holds.py."""

import numpy as np
import pandas as pd
from holds import cells

from wearbar import severity
from wearbar.severity import use as hard_use
from wearbar.severity.sites import site_factors
from wearbar.stats.clustered import added_up

TIMES = 3.0  # wear of a distance all in hard use over that of one with none
QUARTERS, KM_A_QUARTER, READ_EVERY = 16, 4000.0, 4000.0
RECALL, READING = 0.06, 0.25  # sd of a recalled share; of a depth, mm
MM, SLOW, QUICK = (
    6.0,
    0.12,
    0.42,
)  # usable depth; wear a 1,000 km: about nine readings a part, about three
USES = {"use alike in each vehicle": 0.0, "use varies in each vehicle": 0.12}


def fleet(rng, vehicles, times=TIMES, use="", wear=SLOW, sites=3, site_owns=0.0, positions=4):
    """Parts with the wear rates that their readings show, and the use that people recall of them; more of a vehicle's in hard use wear
    out sooner, and are read less often. site_owns: how far sites differ in use, and in wear whatever the use."""
    sites = min(sites, max(vehicles // 4, 1))
    at = np.arange(vehicles) % sites
    lean = site_owns * (at - (sites - 1) / 2)
    base = np.clip(
        0.35 + lean + rng.uniform(-0.25, 0.25, vehicles) * (0.3 if site_owns else 1.0), 0.02, 0.95
    )
    drift = USES[use] * np.repeat(
        rng.standard_normal((vehicles, QUARTERS // 4)), 4, axis=1
    )  # from year to year
    true = np.clip(base[:, None] + drift, 0, 1)
    said = np.clip(true + RECALL * rng.standard_normal(true.shape), 0, 1)
    own = 0.12 * rng.standard_normal(vehicles) + 3 * lean
    parts = pd.DataFrame(
        [
            row
            for v in range(vehicles)
            for p in range(positions)
            for row in _parts(rng, v, p, true[v], own[v], times, wear)
        ]
    )
    parts["site"] = at[parts["vehicle"]]
    rows = pd.DataFrame(
        {"vehicle": np.repeat(np.arange(vehicles), QUARTERS), "loose": said.ravel()}
    )
    error = hard_use.recall_error(rows["vehicle"], rows["loose"])
    a, b = parts["from"].to_numpy(), parts["to"].to_numpy()
    total = np.concatenate([np.zeros((vehicles, 1)), np.cumsum(said, axis=1)], axis=1)
    parts["loose"] = (total[parts["vehicle"], b] - total[parts["vehicle"], a]) / (b - a)
    parts["loose_error"] = error / np.sqrt(b - a)
    text = {
        c: c[0] + parts[c].astype(str).str.zfill(3) for c in ("vehicle", "site", "item", "position")
    }
    return parts.assign(
        **text,
        kind="van",
        category="tyre",
        coverage_share=1.0,
        part_key=np.arange(len(parts)).astype(str),
    )


def _parts(rng, vehicle, position, share, own, times, wear):
    """The parts one after another at a position."""
    start, found = rng.uniform(0, 0.3) * 20_000, []
    end = QUARTERS * KM_A_QUARTER
    while start < end - READ_EVERY:
        item = int(rng.integers(0, 2))
        own_rate = wear * np.exp(own + 0.15 * item + 0.15 * rng.standard_normal()) / 1000
        km = np.append(0.0, np.cumsum(READ_EVERY * rng.uniform(0.6, 1.4, 40)))
        quarter = np.minimum(((start + km) // KM_A_QUARTER).astype(int), QUARTERS - 1)
        rate = own_rate * (1 + (times - 1) * share[quarter])
        worn = np.append(0.0, np.cumsum(rate[1:] * np.diff(km)))
        stop = (
            int(np.searchsorted(worn, MM - 0.5 * rate[0] * READ_EVERY)) + 1
        )  # changed at the look after which it would not last
        seen = (np.arange(len(km)) < max(stop, 2)) & (start + km <= end)
        x, y = km[seen], worn[seen] + READING * rng.standard_normal(seen.sum())
        if len(x) > 1:
            sxx = ((x - x.mean()) ** 2).sum()
            slope = ((x - x.mean()) * y).sum() / sxx
            row = {
                "vehicle": vehicle,
                "position": position,
                "rate_mm_per_1000km": 1000 * slope,
                "se": 1000 * READING / np.sqrt(sxx),
                "n_readings": len(x),
                "distance_km": x[-1],
            }
            found.append(row | {"from": quarter[0], "to": quarter[seen][-1] + 1, "item": item})
        start += km[seen][-1]
    return found


def told(parts, rng):
    return severity.effect(parts, "loose", rng=rng)


@cells(
    "effect of hard use on wear, few vehicles",
    "conservative",
    vehicles=(3, 10),
    use=tuple(USES),
    wear=("worn slowly", "worn quickly"),
)
@cells(
    "effect of hard use on wear",
    vehicles=(34,),
    use=tuple(USES),
    wear=("worn slowly", "worn quickly"),
)
def effect(rng, samples, vehicles, use, wear):
    for _ in range(samples):
        e = told(fleet(rng, vehicles, use=use, wear=SLOW if wear == "worn slowly" else QUICK), rng)
        yield (
            e.ratio.low,
            e.ratio.high,
            added_up(TIMES, e.share_mid, e.share_mid + severity.STEP) if e.is_shown else 1.0,
        )


def claims(e):
    """Whether the report says that hard use matters; None where it refuses."""
    return bool(not e.vehicles_needed and e.lower > 1 and e.p < 0.05) if e.is_shown else None


@cells(
    "hard use matters, when it does not",
    "claim",
    vehicles=(10, 34),
    use=tuple(USES),
    wear=("worn slowly", "worn quickly"),
)
def none(rng, samples, vehicles, use, wear):
    for _ in range(samples):
        yield claims(
            told(fleet(rng, vehicles, 1.0, use, SLOW if wear == "worn slowly" else QUICK), rng)
        )


@cells("hard use matters, when sites alone do", "claim", vehicles=(10, 34), site=("known", "blank"))
def sites_own(rng, samples, vehicles, site):
    for _ in range(samples):
        parts = fleet(rng, vehicles, 1.0, "use alike in each vehicle", site_owns=0.15)
        yield claims(told(parts.assign(site=parts["site"] if site == "known" else None), rng))


@cells(
    "hard use matters, when it does",
    "found",
    vehicles=(10, 34),
    use=tuple(USES),
    wear=("worn slowly", "worn quickly"),
)
def some(rng, samples, vehicles, use, wear):
    for _ in range(samples):
        yield claims(
            told(fleet(rng, vehicles, TIMES, use, SLOW if wear == "worn slowly" else QUICK), rng)
        )


SITES = np.array([0.25, 0.0, -0.1])  # of the log of wear, whatever the use


def at_sites(rng, vehicles, moved, of_site=SITES):
    """Three to nine parts of each vehicle, of two items at two positions, at three sites; where `moved`, the later half of them at the
    next site. What readings show of a rate errs by a tenth to a third of it."""
    each = rng.integers(3, 10, vehicles)
    v = np.repeat(np.arange(vehicles), each)
    late = np.concatenate([np.arange(n) >= n / 2 for n in each])
    at, item = (v + moved * late) % 3, rng.integers(0, 2, len(v))
    own = 0.2 * rng.standard_normal(vehicles)[v] + 0.15 * rng.standard_normal(len(v))
    rate, error = 0.3 * np.exp(of_site[at] + 0.2 * item + own), rng.uniform(0.1, 0.33, len(v))
    seen = rate * (1 + error * rng.standard_normal(len(v)))
    parts = {"vehicle": v, "site": at, "item": item, "position": rng.integers(0, 2, len(v))}
    parts = pd.DataFrame(parts).astype(str).assign(kind="van", n_readings=4)
    return parts.assign(rate_mm_per_1000km=seen, se=0.3 * error)


MOVES = {"vehicles stay": False, "vehicles change sites": True}


@cells(
    "how hard a site is on a control part, few vehicles",
    "conservative",
    vehicles=(3, 10),
    moves=tuple(MOVES),
)
@cells("how hard a site is on a control part", vehicles=(34,), moves=tuple(MOVES))
def site_factor(rng, samples, vehicles, moves):
    truth = np.exp(SITES - SITES.mean())
    for _ in range(samples):
        found = site_factors(at_sites(rng, vehicles, MOVES[moves]))
        row = found.set_index("site").loc["0"]
        yield row["low"], row["high"], truth[0]


@cells(
    "a site is harder on a control part, when all are alike",
    "claim",
    vehicles=(10, 34),
    moves=tuple(MOVES),
)
def no_site_factor(rng, samples, vehicles, moves):
    for _ in range(samples):
        found = site_factors(at_sites(rng, vehicles, MOVES[moves], 0 * SITES))
        yield bool((found["p_holm"] < 0.05).any()) if found["low"].notna().any() else None


NINE = 2.4  # times as much wear, all in hard use: 9.4% for 10 points more from a share of 0.35


def by_use(rng, vehicles, own=0.2, noise=0.15, times=TIMES):
    """Vehicles are the harder used the later their site, and sites wear whatever the use; noise: how far a site has both."""
    parts = fleet(rng, vehicles, times, "use alike in each vehicle")
    share = parts.groupby("vehicle")["loose"].mean()
    rank = (share + noise * rng.standard_normal(vehicles)).rank() - 1
    at = parts["vehicle"].map(rank * 3 // vehicles)
    for name in ("rate_mm_per_1000km", "se"):
        parts[name] *= np.exp(own * at)
    return parts.assign(site=at.map("s{:.0f}".format))


def confounded(rng, samples, vehicles, left_out):
    for _ in range(samples):
        parts = by_use(rng, vehicles)
        e = told(parts.assign(site="all") if left_out else parts, rng)
        truth = added_up(TIMES, e.share_mid, e.share_mid + severity.STEP) if e.is_shown else 1.0
        yield e.ratio.low, e.ratio.high, truth


@cells("effect of hard use on wear, harder at a site that wears more", vehicles=(34,))
def allowed_for(rng, samples, vehicles):
    yield from confounded(rng, samples, vehicles, left_out=False)


@cells("effect of hard use on wear, were such sites left out", "words", vehicles=(34,))
def left_out(rng, samples, vehicles):
    yield from confounded(rng, samples, vehicles, left_out=True)


@cells("hard use matters, when each site has its own use", "claim", vehicles=(10, 34))
def not_separated(rng, samples, vehicles):
    for _ in range(samples):
        parts = by_use(rng, vehicles, noise=0.0)
        site = parts.groupby("site")["loose"].transform("mean")
        own = dict(
            zip(parts["vehicle"].unique(), 0.02 * rng.standard_normal(vehicles), strict=True)
        )
        yield claims(told(parts.assign(loose=site + parts["vehicle"].map(own)), rng))


@cells("effect of hard use on wear, of 9.4% for 10 points", vehicles=(34,))
def nine(rng, samples, vehicles):
    for _ in range(samples):
        e = told(fleet(rng, vehicles, NINE, "use alike in each vehicle"), rng)
        truth = added_up(NINE, e.share_mid, e.share_mid + severity.STEP) if e.is_shown else 1.0
        yield e.ratio.low, e.ratio.high, truth


@cells("hard use matters, when 10 points are 9.4%", "found", vehicles=(10, 34))
def some_nine(rng, samples, vehicles):
    for _ in range(samples):
        yield claims(told(fleet(rng, vehicles, NINE, "use alike in each vehicle"), rng))
